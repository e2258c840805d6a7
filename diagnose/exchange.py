"""A part of a network as text in an open interchange format, for general programs: chosen findings, or what a case touches.

The noisy-MAX of a finding is taken apart into a chain of running maxima, ``finding-0``, ``finding-1``, ..., the last of which
is the finding itself, so that files grow with the links and not with their powers.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from diagnose.evidence import Evidence, likelihood_of, reliability_of, seen_through
from diagnose.network import Array, Network, Opened, assemble, to_pgmpy

if TYPE_CHECKING:
    from pgmpy.models import DiscreteBayesianNetwork

SEEN, SO, NOT_SO = "-seen", "so", "not_so"  # the end of the name of every node that is to be told, and its states
CALLED = f"somebody_called{SEEN}"
OTHERS = "other_causes"


def export_model(opened: Opened, findings: Sequence[str], form: str) -> str:
    """The model of these findings and all causes linked to them as text in ``bif`` or ``xmlbif``."""
    return _written(opened, to_pgmpy(opened.network, findings), form)


def export_case(opened: Opened, evidence: Evidence, form: str) -> str:
    """What a case touches as text in ``bif`` or ``xmlbif``: told ``so`` of every node whose name ends in ``-seen``, a general
    program finds the posteriors of ``posterior.infer``.

    There are: each finding that is not surely as it should be, as it looks through whoever answered, with a node for what was
    said of it (a level, an unsure one, a reading); the causes linked to these; all other causes as one (``other_causes``: at
    least one of them is there); that somebody called. What only multiplies the odds of single causes is in their priors: what
    was found as it should be, reports that nobody mentioned, remedies tried in vain.
    """
    from pgmpy.factors.discrete import TabularCPD

    knowledge, network = opened.knowledge, opened.network
    leaks: dict[str, Sequence[float]] = {CALLED: (0.0,)}
    links: dict[tuple[str, str], Sequence[float]] = {}
    said: dict[str, Array] = {}
    for answer in evidence.answers:
        finding = knowledge.findings[answer.finding]
        likelihood = likelihood_of(knowledge.header, finding, answer)
        if not likelihood[1:].any():
            continue
        j = network.finding_index[finding.id]
        leak, link = seen_through(network, j, reliability_of(knowledge.header, finding, answer))
        leaks[finding.id] = np.diff(leak).tolist()
        links |= {(network.causes[i], finding.id): np.diff(row).tolist()
                  for i, row in zip(network.link_cause[network.rows(j)].tolist(), link, strict=True)}
        said[finding.id] = likelihood / likelihood.max()
    priors = _priors(network, evidence, {cause for cause, _ in links})
    links |= {(cause, CALLED): (1.0,) for cause in priors}
    model = to_pgmpy(assemble(priors, leaks, links))
    for name, so in said.items():
        model.add_edge(name, name + SEEN)
        model.add_cpds(TabularCPD(name + SEEN, 2, [1.0 - so, so], [name], [len(so)]))
    return _written(opened, model, form)


def _priors(network: Network, evidence: Evidence, touched: set[str]) -> dict[str, float]:
    """Cause -> chance of it before the open findings; those that none of these touches are folded into one, which is exact."""
    total = evidence.absent + evidence.present
    chance = np.divide(evidence.present, total, out=np.zeros_like(total), where=total > 0)
    every = dict(zip(network.causes, chance.tolist(), strict=True))
    priors = {name: p for name, p in every.items() if name in touched}
    others = 1.0 - math.prod(1.0 - p for name, p in every.items() if name not in touched)
    return {**priors, OTHERS: others} if others > 0 else priors


def _written(opened: Opened, model: DiscreteBayesianNetwork, form: str) -> str:
    """The model as text; causes are absent or present, findings have their levels."""
    from pgmpy.readwrite import BIFWriter, XMLBIFWriter

    def states(variable: str) -> Sequence[str]:
        name = variable.partition("~")[0]
        if name in opened.knowledge.findings:
            return opened.knowledge.findings[name].levels
        return (NOT_SO, SO) if name.endswith(SEEN) else ("absent", "present")

    model.name = opened.knowledge.header.id
    for table in model.get_cpds():
        names: Mapping[str, list[str]] = {variable: list(states(variable)) for variable in table.variables}
        table.store_state_names(table.variables, table.cardinality, names)
    written = str(BIFWriter(model)) if form == "bif" else str(XMLBIFWriter(model))
    return written.replace("~", "-")
