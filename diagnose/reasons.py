"""Why a case is seen as it is: the reasons of ``explain`` and ``sensitivity`` for one cause, gathered for screens, pages and
JSON; the same for all that is known about one id."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, NamedTuple

from diagnose.about import About
from diagnose.evidence import Evidence
from diagnose.explain import (
    Conflict,
    Covering,
    History,
    Support,
    Weights,
    cause_number,
    conflict,
    history,
    ranked,
    sets_covering,
    weights_of_evidence,
    well_supported,
)
from diagnose.network import Network, Opened, cause_title
from diagnose.posterior import Posterior, probability_of_any
from diagnose.records import as_data
from diagnose.sensitivity import Sensitivity, sensitivity
from diagnose.triage import RankedSet, with_titles
from diagnose.uncertainty import DRAWS

LISTED = 8  # causes of the ranking, and sets of causes, that a screen or a page shows
LEANS = 5  # parameters that are listed


class Believed(NamedTuple):
    """A cause and its posterior probability."""

    cause: str
    title: str
    p: float


class Reasons(NamedTuple):
    """Why. cause: the one asked about, the first of the ranking if none was, "" if there is none; weights and sensitivity are
    of this cause, None without one. covered: what the sets cover together. unlisted: P(a cause the files do not list);
    unexplained: P(none of the causes in question). support: of the first cause of the ranking."""

    cause: str
    title: str
    p: float
    ranking: tuple[Believed, ...]
    sets: tuple[RankedSet, ...]
    covered: float
    weights: Weights | None
    conflict: Conflict
    history: History
    unlisted: float
    unexplained: float
    sensitivity: Sensitivity | None
    support: Support


def reasons_of(opened: Opened, evidence: Evidence, posterior: Posterior, cause: str = "", *, draws: int = DRAWS) -> Reasons:
    """The reasons for a cause, or for the first of the ranking.

    posterior: of this evidence, given that somebody called. draws: of the network's numbers, for the verdict. Raises
    InputError for an unknown cause and ImpossibleEvidence where the answers cannot all be true.
    """
    network = opened.network
    order = ranked(network, posterior)
    name = cause or (network.causes[order[0]] if order else "")
    covering: Covering = sets_covering(opened, evidence, posterior) if order else Covering((), 0.0)
    rival = _rival(network, order, covering, name)

    return Reasons(
        cause=name, title=cause_title(opened.knowledge, network.causes[cause_number(opened, name)]) if name else "",
        p=float(posterior.p[cause_number(opened, name)]) if name else 0.0,
        ranking=tuple(Believed(network.causes[i], cause_title(opened.knowledge, network.causes[i]), float(posterior.p[i]))
                      for i in order),
        sets=tuple(with_titles(opened, one) for one in covering.sets),
        covered=covering.covered, weights=weights_of_evidence(opened, evidence, name) if name else None,
        conflict=conflict(opened, evidence), history=history(opened, evidence.answers, tried=evidence.tried),
        unlisted=float(posterior.p[network.unlisted]) if network.unlisted >= 0 else 0.0,
        unexplained=1.0 - float(probability_of_any(network, evidence, posterior, [order])[0]) if order else 1.0,
        sensitivity=sensitivity(opened, evidence, name, rival=rival, most=LEANS) if name else None,
        support=well_supported(opened, evidence, posterior, draws=draws))


def _rival(network: Network, order: Sequence[int], covering: Covering, cause: str) -> str:
    """The cause that another one is ranked against: the first of the others, unless the likeliest set has both together."""
    likeliest = [network.causes[i] for i in covering.sets[0].causes] if covering.sets else []
    together = {cause, *(likeliest if cause in likeliest else ())}
    return next((network.causes[i] for i in order if network.causes[i] not in together), "")


def reasons_as_plain(reasons: Reasons) -> dict[str, Any]:
    """Reasons as JSON data; see schemas/why.json. Decibans become a number and whether they are infinite: a number without
    an end has no JSON."""
    data = dict(as_data(reasons))
    if reasons.weights:
        weights = reasons.weights
        data["weights"] = {
            **data["weights"], "prior": _decibans(weights.prior), "posterior": _decibans(weights.posterior),
            **{name: _weight(getattr(weights, name)) for name in ("tried", "unmentioned")},
            "answers": [_weight(one) for one in weights.answers]}
    return data


def _weight(weight: Any) -> dict[str, Any]:
    return {"finding": weight.finding, "title": weight.title, "said": weight.said, "alone": _decibans(weight.alone),
            "in_order": _decibans(weight.in_order)}


def _decibans(value: float) -> dict[str, Any]:
    infinite = "no" if math.isfinite(value) else "for" if value > 0 else "against"
    return {"decibans": value if math.isfinite(value) else None, "infinite": infinite}


def about_as_plain(found: About) -> dict[str, Any]:
    """All about one id as JSON data; see schemas/explain.json. The record's place in the files is ``file`` and ``line``."""
    data = dict(as_data(found))
    for tie, record in zip(data["ties"], found.ties, strict=True):
        tie["strength"] = record.strength
    return data
