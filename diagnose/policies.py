"""Ways of choosing the next step in a callback: ours, and the ones that it is held against.

Each is a function from where things stand to the next move. All obey the same hard filters, and none tries a remedy twice.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from diagnose.evidence import Answer, Evidence, read_evidence
from diagnose.network import Opened
from diagnose.nextcheck import (
    FINALISTS,
    LEAST_GAIN,
    LIKELY,
    VISIT,
    WORKSHOP,
    Choice,
    Situation,
    allowed,
    choose,
    known_now,
    rank_checks,
    remedy_way,
)
from diagnose.posterior import Posterior, infer
from diagnose.records import Finding
from diagnose.source import InputError

SURE = 0.8  # probability of a cause from which a list of checks is broken off (common practice, no source)
LONGEST = 12  # questions in a row after which a list of checks is broken off
LEAST_LIKELY = 0.1  # probability below which likeliest-first gives up and searches
CANDIDATES = 30  # most probable causes whose remedies are compared
ASK, GO, REMEDY, SEARCH = "ask", "visit", "remedy", "search"


class Move(NamedTuple):
    """What a policy does next. kind: ask, visit, remedy or search. what: a finding or a cause."""

    kind: str
    what: str = ""


class Standing(NamedTuple):
    """What a policy may know. in_a_row: questions since the stage began or the last remedy. luck: its own random numbers."""

    opened: Opened
    situation: Situation
    evidence: Evidence
    posterior: Posterior
    in_a_row: int
    luck: np.random.Generator


Policy = Callable[[Standing], Move]


def look_ahead(standing: Standing) -> Move:
    """Ours: the check that saves most expected minutes, else the first remedy of the cheapest plan."""
    return _as_chosen(standing, _choice(standing, by_gain=False))


def gain_alone(standing: Standing) -> Move:
    """The check that tells most per minute, as long as any tells something; then the cheapest plan."""
    opened = standing.opened
    scores = rank_checks(opened.knowledge, opened.network, standing.evidence, standing.posterior, standing.situation)
    for score in scores[:FINALISTS]:  # as ``choose`` has it, without the plan that only the end needs
        if score.first or score.gain >= LEAST_GAIN:
            return Move(ASK, score.finding)
    return _as_chosen(standing, _choice(standing, by_gain=True))


def checklist(standing: Standing) -> Move:
    """The checks that concern what is in question, in the order of the files, until a cause is sure or the list too long."""
    order = sorted(standing.opened.knowledge.findings.values(), key=lambda f: (f.file, f.line, f.id))
    return _listed(standing, order)


def at_random(standing: Standing) -> Move:
    """As the checklist, in random order."""
    findings = list(standing.opened.knowledge.findings.values())
    return _listed(standing, [findings[x] for x in standing.luck.permutation(len(findings)).tolist()])


def likeliest_first(standing: Standing) -> Move:
    """No checks: the remedy of the likeliest cause, then of the next, until none is likely."""
    p, cause, _ = max(_remedies(standing), default=(0.0, "", 0.0))
    return _remedy(standing, cause) if p >= LEAST_LIKELY else _search(standing)


def per_minute(standing: Standing) -> Move:
    """No checks: the remedy with most probability per minute, as long as that beats searching."""
    situation = standing.situation
    search = situation.unexplained_minutes + (situation.visit_minutes if situation.who == "customer" else 0.0)
    ratio, cause = max(((p / max(minutes, 0.1), cause) for p, cause, minutes in _remedies(standing)), default=(0.0, ""))
    return _remedy(standing, cause) if ratio * search > 1.0 else _search(standing)


POLICIES: Mapping[str, Policy] = {
    "look_ahead": look_ahead, "gain_alone": gain_alone, "checklist": checklist, "random": at_random,
    "likeliest_first": likeliest_first, "per_minute": per_minute,
}


def _choice(standing: Standing, *, by_gain: bool) -> Choice:
    opened = standing.opened
    return choose(opened.knowledge, opened.network, standing.evidence, standing.posterior, standing.situation,
                  by_gain=by_gain, explained=0)


def _as_chosen(standing: Standing, choice: Choice) -> Move:
    if choice.ask:
        return Move(ASK, choice.ask)
    cause = choice.plan[0].cause if choice.plan else ""
    return _remedy(standing, cause) if cause else _search(standing)


def _remedy(standing: Standing, cause: str) -> Move:
    """The remedy, or the visit that it needs; one that has been tried is not tried again."""
    if cause in standing.evidence.tried:
        return _search(standing)
    knowledge = standing.opened.knowledge
    way = remedy_way(knowledge, knowledge.causes[cause], standing.situation)
    return Move(GO) if way == "visit" else Move(REMEDY, cause)


def _search(standing: Standing) -> Move:
    return Move(GO) if standing.situation.who == "customer" else Move(SEARCH)


def _listed(standing: Standing, order: Sequence[Finding]) -> Move:
    opened, posterior = standing.opened, standing.posterior
    network, first = opened.network, opened.knowledge.header.first_checks
    listed = np.delete(posterior.p, network.unlisted) if network.unlisted >= 0 else posterior.p
    if standing.in_a_row < LONGEST and listed.max(initial=0.0) < SURE:
        asked = set(posterior.in_question)
        situation = known_now(opened.knowledge, standing.evidence, standing.situation)
        for finding in sorted(order, key=lambda f: f.id not in first):
            linked = network.link_cause[network.rows(network.finding_index[finding.id])].tolist()
            if (finding.id in first or not asked or asked.intersection(linked)) and _may_ask(standing, finding, situation):
                return Move(ASK, finding.id)
    return _as_chosen(standing, _choice(standing, by_gain=True)._replace(ask=""))


def _may_ask(standing: Standing, finding: Finding, situation: Situation) -> bool:
    sure = dict.fromkeys(finding.needs, LIKELY)
    if not allowed(standing.opened.knowledge, finding, situation, sure):
        return False
    return allowed(standing.opened.knowledge, finding, situation, needed_chances(standing, finding, situation))


def needed_chances(standing: Standing, finding: Finding, situation: Situation) -> dict[str, float]:
    """P(yes | e) of every circumstance that a check needs and nobody has told of yet, from P(e, no) / P(e)."""
    opened, before = standing.opened, standing.posterior
    chances = {}
    for name in finding.needs:
        if name not in situation.circumstances:
            no = Answer(name, opened.knowledge.findings[name].levels[0], situation.who)
            try:
                after = infer(opened.network, read_evidence(opened.knowledge, opened.network, [*standing.evidence.answers, no],
                                                            tried=standing.evidence.tried))
                chances[name] = 1.0 - math.exp(after.log_evidence - before.log_evidence) * after.some / before.some
            except InputError:  # "no" cannot be
                chances[name] = 1.0
    return chances


def _remedies(standing: Standing) -> list[tuple[float, str, float]]:
    """Probability, cause and minutes of the remedies of the likeliest listed causes that have not been tried."""
    network, p = standing.opened.network, standing.posterior.p
    found = []
    for i in np.argsort(-p, kind="stable")[:CANDIDATES].tolist():
        name = network.causes[i]
        if i != network.unlisted and name not in standing.evidence.tried:
            found.append((float(p[i]), name, sum(remedy_minutes(standing.opened, name, standing.situation)[0])))
    return found


def remedy_minutes(opened: Opened, cause: str, situation: Situation) -> tuple[tuple[float, float], frozenset[str]]:
    """Minutes of a remedy itself and of the journeys and set-ups still to be made for it, and the names of these."""
    knowledge = opened.knowledge
    remedy = knowledge.causes[cause].remedy
    way = remedy_way(knowledge, knowledge.causes[cause], situation)
    journeys = {"visit": {VISIT: situation.visit_minutes}, "workshop": {WORKSHOP: situation.workshop_minutes}}.get(way, {})
    names = (frozenset(journeys) | frozenset(remedy.set_ups)) - situation.made
    return (remedy.minutes, sum(journeys.get(n, 0.0) or knowledge.header.set_ups[n].minutes for n in names)), names
