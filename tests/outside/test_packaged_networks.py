"""The sweep against pgmpy on the parts of its own packaged networks that are two layers of noisy-OR (see ``packaged``)."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from diagnose.evidence import plain_evidence
from diagnose.network import assemble
from diagnose.posterior import infer
from tests.outside.packaged import noisy_or_part, pgmpy_answers


@pytest.mark.parametrize(("name", "causes", "findings", "several"), [
    ("asia", 3, 2, 1), ("win95pts", 9, 10, 2), pytest.param("hepar2", 7, 13, 0, marks=pytest.mark.slow),
    pytest.param("andes", 22, 19, 9, marks=pytest.mark.slow)])
def test_parts_of_packaged_networks(name: str, causes: int, findings: int, several: int) -> None:
    """Posteriors of every cause with every finding seen, most of them, and few: 1e-9 (design section 9). several: findings with
    more than one cause, so that a change in what is found of a network is seen."""
    part = noisy_or_part(name)
    tables = part.tables
    parents = [sum(finding == one for _, finding in tables.links) for one in tables.leaks]
    assert (len(tables.priors), len(tables.leaks), sum(count > 1 for count in parents)) == (causes, findings, several)
    network = assemble(tables.priors, tables.leaks, tables.links)
    rng = np.random.default_rng(5)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        assert part.model.check_model()
        for share in (1.0, 0.8, 0.3):
            seen = {one: int(rng.random() < 0.4) if 0.0 < leak[0] < 1.0 else 0 for one, leak in tables.leaks.items()
                    if rng.random() < share}
            mine = infer(network, plain_evidence(network, dict(seen)), somebody_called=False)
            theirs = pgmpy_answers(part, seen)
            assert theirs == pytest.approx(dict(zip(network.causes, mine.p.tolist(), strict=True)), abs=1e-9)
