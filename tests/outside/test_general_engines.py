"""The sweep against two general engines, on random networks and on parts of the shipped one that they can do.

pgmpy's variable elimination reads what ``to_pgmpy`` writes out, so that the export is checked along with the sweep; pyAgrum's
lazy propagation gets a network built by its own calls from plain tables. Bar: 1e-9 (design section 9).
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator

import numpy as np
import pytest

from diagnose.evidence import plain_evidence
from diagnose.network import Network, Opened, assemble, to_pgmpy
from diagnose.posterior import infer
from diagnose.records import CHECK, REPORT
from tests.enumeration import enumerate_causes, level_probabilities
from tests.outside.engines import agrum_engine, agrum_network, agrum_posteriors, pgmpy_engine, pgmpy_posteriors, pruned_tables
from tests.strategies import Situation, random_situation

CLOSE = 1e-9


@pytest.fixture(autouse=True)
def quiet() -> Iterator[None]:
    """The libraries warn about their own future."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def build(situation: Situation) -> Network:
    return assemble(situation.tables.priors, situation.tables.leaks, situation.tables.links, unlisted=situation.tables.unlisted)


def ours(network: Network, situation: Situation) -> dict[str, float]:
    posterior = infer(network, plain_evidence(network, dict(situation.seen)), somebody_called=False)
    return dict(zip(network.causes, posterior.p.tolist(), strict=True))


SITUATIONS = [random_situation(seed, 2 + seed % 8, 1 + seed % 6, density=(0.4, 0.7, 1.0)[seed % 3], unlisted=seed % 4 == 0)
              for seed in range(40)]


@pytest.mark.parametrize("situation", SITUATIONS, ids=range(len(SITUATIONS)))
def test_random_networks_with_pyagrum(situation: Situation) -> None:
    """Posteriors, and the logarithm of P(e) where all evidence is definite, as the library scales likelihoods."""
    network = build(situation)
    model = agrum_network(situation.tables)
    assert agrum_posteriors(model, network.causes, situation.seen) == pytest.approx(ours(network, situation), abs=CLOSE)
    hard = {name: level for name, level in situation.seen.items() if isinstance(level, int)}
    engine = agrum_engine(model, network.causes, hard)
    engine.makeInference()
    mine = infer(network, plain_evidence(network, dict(hard)), somebody_called=False).log_evidence
    assert mine == pytest.approx(math.log(engine.evidenceProbability()), abs=CLOSE)


@pytest.mark.parametrize("situation", SITUATIONS[::3], ids=range(0, len(SITUATIONS), 3))
def test_random_networks_with_pgmpy(situation: Situation) -> None:
    network = build(situation)
    found = pgmpy_posteriors(pgmpy_engine(network), network.causes, situation.seen)
    assert found == pytest.approx(ours(network, situation), abs=CLOSE)


@pytest.mark.parametrize("situation", SITUATIONS[1::5], ids=range(1, len(SITUATIONS), 5))
def test_the_export_holds_the_same_tables(situation: Situation) -> None:
    """P(finding = level | causes) of the exported chain equals the noisy-MAX formula, for configurations spread over all."""
    network = build(situation)
    model = to_pgmpy(network)
    assert model.check_model()
    engine = pgmpy_engine(network)
    truth = enumerate_causes(situation.tables, {})
    for world in truth.worlds[:: max(1, len(truth.worlds) // 8)]:
        present = {cause: int(state) for cause, state in zip(truth.causes, world, strict=True)}
        for finding in situation.tables.leaks:
            table = engine.query([finding], evidence=present, show_progress=False)
            assert table.values == pytest.approx(level_probabilities(situation.tables, finding, world[None])[0], abs=1e-12)


# --- the shipped network ---------------------------------------------------------------------------------------------


def shipped_situation(opened: Opened, seed: int, abnormal: int, normal: int) -> Situation:
    """A callback drawn from the shipped network, as plain evidence: some of what shows, and checks that show nothing; pruned to
    these findings and the causes linked to them."""
    knowledge, network = opened.knowledge, opened.network
    rng = np.random.default_rng(seed)
    reports = [f.id for f in knowledge.of_kind(REPORT)]
    checks = [f.id for f in knowledge.of_kind(CHECK)]
    whole = pruned_tables(network, [*reports, *checks])
    while True:
        world = rng.random(len(whole.priors)) < np.array(list(whole.priors.values()))
        levels = {name: int(rng.choice(len(leak) + 1, p=_clean(level_probabilities(whole, name, world[None])[0])))
                  for name, leak in whole.leaks.items() if name in reports}
        shows = [name for name, level in levels.items() if level]
        if len(shows) >= abnormal:
            break
    chosen = {name: levels[name] for name in rng.permutation(shows)[:abnormal].tolist()}
    asked = {cause for cause, name in whole.links if name in chosen}
    near = [name for name in checks if any((cause, name) in whole.links for cause in asked)]
    chosen |= dict.fromkeys(rng.permutation(near)[:normal].tolist(), 0)
    return Situation(pruned_tables(network, chosen), dict(chosen))


def _clean(p: np.ndarray) -> np.ndarray:
    p = np.maximum(p, 0.0)
    return p / p.sum()


@pytest.mark.parametrize(("seed", "abnormal", "normal"), [(0, 1, 4), (1, 2, 4), (2, 2, 3), (3, 3, 3), (4, 4, 2), (5, 5, 0)])
def test_parts_of_the_shipped_network_with_pyagrum(head_unit: Opened, seed: int, abnormal: int, normal: int) -> None:
    situation = shipped_situation(head_unit, seed, abnormal, normal)
    found = agrum_posteriors(agrum_network(situation.tables), situation.tables.priors, situation.seen)
    mine = infer(head_unit.network, plain_evidence(head_unit.network, dict(situation.seen)), somebody_called=False)
    index = head_unit.network.cause_index
    assert found == pytest.approx({name: mine.p[index[name]] for name in found}, abs=CLOSE)


@pytest.mark.parametrize(("seed", "abnormal", "normal"), [(0, 1, 2), (1, 2, 1), (2, 2, 0)])
def test_parts_of_the_shipped_network_with_pgmpy(head_unit: Opened, seed: int, abnormal: int, normal: int) -> None:
    situation = shipped_situation(head_unit, seed, abnormal, normal)
    engine = pgmpy_engine(head_unit.network, list(situation.seen))
    assert engine.model.check_model()
    found = pgmpy_posteriors(engine, situation.tables.priors, situation.seen)
    mine = infer(head_unit.network, plain_evidence(head_unit.network, dict(situation.seen)), somebody_called=False)
    index = head_unit.network.cause_index
    assert found == pytest.approx({name: mine.p[index[name]] for name in found}, abs=CLOSE)


@pytest.mark.slow
def test_the_whole_shipped_network_passes_the_general_librarys_own_check(head_unit: Opened) -> None:
    model = to_pgmpy(head_unit.network)
    assert model.check_model()
    assert set(head_unit.network.causes) | set(head_unit.network.findings) <= set(model.nodes())
    assert max(len(table.variables) for table in model.cpds) == 3
