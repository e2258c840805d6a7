"""Two general engines on our networks: pgmpy on what ``to_pgmpy`` writes out, pyAgrum on a network built here from plain
tables through its own calls. Neither sees our sweep, nor each other's tables."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from diagnose.network import Network, to_pgmpy
from tests.enumeration import Tables, up_to

Seen = Mapping[str, int | Sequence[float]]
WIDEST_TABLE = 6  # parents up to which a finding is written as one table; beyond, as a chain of maxima


def pruned_tables(network: Network, findings: Iterable[str]) -> Tables:
    """The findings and the causes linked to them, as plain tables."""
    leaks: dict[str, tuple[float, ...]] = {}
    links: dict[tuple[str, str], tuple[float, ...]] = {}
    for name in findings:
        j = network.finding_index[name]
        size = int(network.levels[j])
        leaks[name] = tuple(np.diff(network.leak[j, :size]).tolist())
        for row in range(int(network.start[j]), int(network.start[j + 1])):
            links[network.causes[network.link_cause[row]], name] = tuple(np.diff(network.link[row, :size]).tolist())
    linked = {cause for cause, _ in links}
    priors = {name: float(p) for name, p in zip(network.causes, network.prior, strict=True) if name in linked}
    return Tables(priors, leaks, links)


def pgmpy_engine(network: Network, findings: Sequence[str] | None = None) -> Any:
    """A variable elimination over the exported network."""
    from pgmpy.inference import VariableElimination

    return VariableElimination(to_pgmpy(network, findings))


def pgmpy_posteriors(engine: Any, causes: Iterable[str], seen: Seen) -> dict[str, float]:
    """P(cause | e) one by one, as the library answers one variable at a time without building their joint."""
    from pgmpy.factors.discrete import TabularCPD

    hard = {name: given for name, given in seen.items() if isinstance(given, int)}
    soft = [TabularCPD(name, len(given), [[x] for x in given]) for name, given in seen.items() if not isinstance(given, int)]
    found = {}
    for cause in causes:
        table = engine.query([cause], evidence=hard, virtual_evidence=soft or None, show_progress=False)
        found[cause] = float(table.values[1])
    return found


def agrum_network(tables: Tables) -> Any:
    """The network by pyAgrum's own calls: two-level findings with few causes as its leaky (net) noisy-OR, graded ones with few
    causes as a full table, the others as a chain of maxima over one contribution per cause."""
    import pyagrum as gum

    model = gum.BayesNet("ours")
    for cause, prior in tables.priors.items():
        model.add(gum.LabelizedVariable(cause, cause, 2))
        model.cpt(cause)[:] = [1 - prior, prior]
    for finding, leak in tables.leaks.items():
        size = len(leak) + 1
        linked = [cause for cause in tables.priors if (cause, finding) in tables.links]
        variable = gum.LabelizedVariable(finding, finding, size)
        if len(linked) > WIDEST_TABLE:
            _chain_of_maxima(gum, model, tables, finding, linked)
        elif size == 2:
            model.addNoisyORNet(variable, leak[0])
            for cause in linked:
                model.addWeightedArc(cause, finding, tables.links[cause, finding][0])
        else:
            model.add(variable)
            for cause in linked:
                model.addArc(cause, finding)
            _full_table(model, tables, finding, linked)
    return model


def _full_table(model: Any, tables: Tables, finding: str, linked: list[str]) -> None:
    leak = tables.leaks[finding]
    for number in range(2 ** len(linked)):
        present = [cause for position, cause in enumerate(linked) if number >> position & 1]
        cumulative = []
        for x in range(len(leak) + 1):
            p = up_to(leak, x)
            for cause in present:
                p *= up_to(tables.links[cause, finding], x)
            cumulative.append(p)
        model.cpt(finding)[{cause: int(cause in present) for cause in linked}] = np.diff(cumulative, prepend=0.0).tolist()


def _chain_of_maxima(gum: Any, model: Any, tables: Tables, finding: str, linked: list[str]) -> None:
    """leak, then for each cause its own contribution and the larger of that and all before; the last carries the name."""
    size = len(tables.leaks[finding]) + 1
    largest = np.zeros((size, size, size))  # [before, contribution, largest]
    for x in range(size):
        for y in range(size):
            largest[x, y, max(x, y)] = 1.0
    before = f"{finding} leak"
    model.add(gum.LabelizedVariable(before, before, size))
    model.cpt(before)[:] = [up_to(tables.leaks[finding], 0), *tables.leaks[finding]]
    for number, cause in enumerate(linked):
        own, after = f"{finding} by {cause}", finding if number == len(linked) - 1 else f"{finding} after {cause}"
        for name in (own, after):
            model.add(gum.LabelizedVariable(name, name, size))
        above = tables.links[cause, finding]
        model.addArc(cause, own)
        model.cpt(own)[{cause: 0}] = [1.0] + [0.0] * (size - 1)
        model.cpt(own)[{cause: 1}] = [up_to(above, 0), *above]
        model.addArc(before, after)
        model.addArc(own, after)
        for x in range(size):
            for y in range(size):
                model.cpt(after)[{before: x, own: y}] = largest[x, y].tolist()
        before = after


def agrum_engine(model: Any, causes: Iterable[str], seen: Seen) -> Any:
    """A lazy propagation with its evidence and targets set, not yet run."""
    import pyagrum as gum

    engine = gum.LazyPropagation(model)
    engine.setNumberOfThreads(1)
    engine.setEvidence({name: given if isinstance(given, int) else list(given) for name, given in seen.items()})
    engine.setTargets(set(causes))
    return engine


def agrum_posteriors(model: Any, causes: Iterable[str], seen: Seen) -> dict[str, float]:
    """P(cause | e) of all causes in one go."""
    causes = list(causes)
    engine = agrum_engine(model, causes, seen)
    engine.makeInference()
    return {cause: float(engine.posterior(cause)[1]) for cause in causes}
