"""Why: what each answer weighs, whether the answers fit together, how the belief moved, and whether it is well supported.

Everything is exact and, unless told otherwise, given that somebody called. Leaving an answer out means as if that finding
had been asked of nobody and were known to nobody: a report left out does not become one that nobody mentioned. The reports
that nobody mentioned and the remedies tried in vain are background, the same whichever answers are left out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from diagnose.evidence import Answer, Axis, Evidence, read_evidence
from diagnose.network import Array, Network, Opened, cause_title
from diagnose.posterior import CauseSet, Posterior, infer, likely_sets, number_of_causes, probability_of_any
from diagnose.source import ImpossibleEvidence, complaint, nearest
from diagnose.triage import percent
from diagnose.uncertainty import DRAWS, RANGE, posterior_draws

DECIBANS = 10.0 / math.log(10.0)  # per natural unit of log odds
SHOWN_IN_HISTORY = 5
WELL_SET = 0.8  # what counts as well supported (methods 0.4: starting values, to be measured on the log)
WELL_REST = 0.1
_NOUGHT = 1e-12  # what is left of 1 after rounding, where a probability is found by subtraction
_AGREE = 1e-9  # bits of conflict that are rounding


class Part(NamedTuple):
    """What one answer contributes to the evidence, or the silence about all reports that nobody mentioned: its axis if it
    keeps one, (n,) factor on the weight of each cause being present, log of what no cause enters, abnormal findings."""

    axes: tuple[Axis, ...]
    factor: Array
    log_factor: float
    abnormal: tuple[int, ...]


class Parts(NamedTuple):
    """Evidence taken apart. silent: None where the not-mentioned rule was not in use. tried: causes whose remedies were
    tried in vain. absent, present: (n,) weights before anything is known; tried_absent, tried_present: after the remedies."""

    answers: tuple[Answer, ...]
    each: tuple[Part, ...]
    silent: Part | None
    tried: tuple[str, ...]
    absent: Array
    present: Array
    tried_absent: Array
    tried_present: Array


class Weight(NamedTuple):
    """The weight of one answer for a cause, decibans. alone: by how much the log odds fall when this answer alone is left
    out; in_order: by how much they rose when it was added to those before it. Infinite where it decides by itself, 0 where
    the cause is certain or excluded with and without it."""

    finding: str
    title: str
    said: str
    alone: float
    in_order: float


class Weights(NamedTuple):
    """Why a cause is as probable as it is. prior + tried + unmentioned + answers, all in order, = posterior, decibans of log
    odds. tried: the remedies tried in vain, together; unmentioned: the reports that nobody mentioned, together. p: the
    posterior as a probability."""

    cause: str
    title: str
    prior: float
    tried: Weight
    unmentioned: Weight
    answers: tuple[Weight, ...]
    posterior: float
    p: float


class Surprise(NamedTuple):
    """How one answer sits among the others. p: its probability by itself, given what nobody mentioned; p_given_others;
    surprise: bits, -log2 of the latter; without: the conflict of the others; resolves: what leaving it out takes away."""

    finding: str
    title: str
    said: str
    p: float
    p_given_others: float
    surprise: float
    without: float
    resolves: float


class Conflict(NamedTuple):
    """Whether the answers fit together. bits: log2(product of P(e_j) / P(e)), positive if they disagree; recheck: the
    answer to ask again, "" if they agree; cause: the most probable cause, "" if none; given_cause: bits with that cause
    added to what is known; explained: whether it takes a conflict away."""

    bits: float
    answers: tuple[Surprise, ...]
    recheck: str
    cause: str
    given_cause: float
    explained: bool


class Moment(NamedTuple):
    """What was believed after one answer (the first: before any). p: for each cause of the history; empty if the answers
    up to here cannot all be true."""

    finding: str
    title: str
    said: str
    p: tuple[float, ...]


class History(NamedTuple):
    """How the belief in the causes that ever led, or lead now, moved answer by answer."""

    causes: tuple[str, ...]
    titles: tuple[str, ...]
    moments: tuple[Moment, ...]


class Covering(NamedTuple):
    """The most probable sets of causes, and how much of the belief they cover together."""

    sets: tuple[CauseSet, ...]
    covered: float


class Requirement(NamedTuple):
    """One condition of being well supported: the number that was found, the limit it is held against, and the sentence."""

    name: str
    holds: bool
    value: float
    limit: float
    text: str


class Support(NamedTuple):
    """Whether the first cause is well supported, and by which conditions it is not."""

    well: bool
    cause: str
    requirements: tuple[Requirement, ...]

    @property
    def failed(self) -> tuple[Requirement, ...]:
        """The conditions that do not hold."""
        return tuple(one for one in self.requirements if not one.holds)


# --- evidence in parts -------------------------------------------------------------------------------------------------


def take_apart(opened: Opened, evidence: Evidence) -> Parts:
    """The parts of evidence that ``read_evidence`` made with this network; ValueError for any other.

    Whether the not-mentioned rule was in use is found out by putting the parts together again.
    """
    knowledge, network = opened.knowledge, opened.network
    sure = replace(network, prior=np.ones(len(network.causes)))
    each = []
    for answer in evidence.answers:
        one = read_evidence(knowledge, sure, [answer], unmentioned=False)
        each.append(Part(one.axes, one.present, one.log_factor, one.abnormal))
    asked = {answer.finding for answer in evidence.answers}
    others = {name: f._replace(salience=0.0) if name in asked else f for name, f in knowledge.findings.items()}
    silence = read_evidence(knowledge._replace(findings=others), sure, [])
    start = read_evidence(knowledge, network, [], unmentioned=False)
    after = read_evidence(knowledge, network, [], unmentioned=False, tried=evidence.tried)
    for silent in (Part((), silence.present, silence.log_factor, ()), None):
        parts = Parts(evidence.answers, tuple(each), silent, evidence.tried, start.absent, start.present, after.absent,
                      after.present)
        whole = put_together(parts)
        if (len(whole.axes) == len(evidence.axes) and np.allclose(whole.absent, evidence.absent, rtol=1e-9, atol=1e-300)
                and np.allclose(whole.present, evidence.present, rtol=1e-9, atol=1e-300)
                and np.isclose(whole.log_factor, evidence.log_factor, rtol=1e-9, atol=1e-9)):
            return parts
    raise ValueError("the evidence was not read from its answers with this network")


def put_together(parts: Parts, *, chosen: Sequence[int] | None = None, silence: bool = True, tried: bool = True,
                 least: float = 0.0) -> Evidence:
    """Evidence from the chosen answers, by number, or from all.

    silence: whether reports that nobody mentioned count; tried: whether remedies tried in vain do. A report that is not
    chosen counts neither as answered nor as not mentioned. least: what a factor 0 becomes.
    """
    chosen = range(len(parts.each)) if chosen is None else chosen
    some = [parts.each[x] for x in chosen]
    if silence and parts.silent:
        some.append(parts.silent)
    present = (parts.tried_present if tried else parts.present).copy()
    for part in some:
        present *= np.maximum(part.factor, least)
    return Evidence(tuple(parts.answers[x] for x in chosen), parts.tried_absent if tried else parts.absent, present,
                    tuple(axis for part in some for axis in part.axes), sum(part.log_factor for part in some),
                    tuple(j for part in some for j in part.abnormal), parts.tried if tried else ())


def all_but(parts: Parts, number: int) -> list[int]:
    """The numbers of all answers but one."""
    return [x for x in range(len(parts.each)) if x != number]


def ranked(network: Network, posterior: Posterior) -> list[int]:
    """The causes in question, the most probable first, as a ranking shows them: without the unlisted one."""
    asked = [i for i in posterior.in_question if i != network.unlisted]
    return sorted(asked, key=lambda i: (-posterior.p[i], network.causes[i]))


def said(opened: Opened, answer: Answer) -> str:
    """What was said, as text: the level, or the reading with its unit; an unsure answer says so."""
    reading = opened.knowledge.findings[answer.finding].reading
    what = f"{answer.reading:g} {reading.unit}" if answer.reading is not None and reading else answer.level or ""
    return what if answer.sure else f"{what} (not sure)"


# --- weights of evidence -----------------------------------------------------------------------------------------------


def weights_of_evidence(opened: Opened, evidence: Evidence, cause: str, *, somebody_called: bool = True) -> Weights:
    """What each answer weighs for a cause, in decibans: 10 log10 of the change in its odds (Good; methods 4.1).

    In order the weights add up to the posterior exactly; alone they do not, as answers share what they say. Raises
    InputError for an unknown cause, ImpossibleEvidence, and ValueError for evidence of another network.
    """
    network = opened.network
    i = cause_number(opened, cause)
    parts = take_apart(opened, evidence)
    p = float(infer(network, evidence, somebody_called=somebody_called).p[i])

    def odds(chosen: Sequence[int] | None, *, silence: bool = True, tried: bool = True) -> float:
        some = put_together(parts, chosen=chosen, silence=silence, tried=tried)
        return log_odds(network, some, i, somebody_called=somebody_called)

    count = len(parts.answers)
    prior, after_remedies = odds([], silence=False, tried=False), odds([], silence=False)
    steps = [odds(range(k)) for k in range(count + 1)]
    whole = steps[-1]
    answers = [Weight(answer.finding, opened.knowledge.findings[answer.finding].title, said(opened, answer),
                      _rise(odds(all_but(parts, k)), whole), _rise(steps[k], steps[k + 1]))
               for k, answer in enumerate(parts.answers)]
    tried = Weight("", "", "", _rise(odds(None, tried=False), whole), _rise(prior, after_remedies))
    silent = Weight("", "", "", _rise(odds(None, silence=False), whole), _rise(after_remedies, steps[0]))
    return Weights(cause, cause_title(opened.knowledge, cause), DECIBANS * prior, tried, silent, tuple(answers),
                   DECIBANS * whole, p)


def _rise(before: float, after: float) -> float:
    """Decibans from one log odds to another; 0 between equal infinities."""
    return 0.0 if before == after else DECIBANS * (after - before)


def cause_number(opened: Opened, cause: str) -> int:
    """The index of a cause; InputError if there is none of that name."""
    if cause not in opened.network.cause_index:
        raise complaint(f"there is no cause {cause[:60]!r}", nearest(cause, opened.network.causes), key="cause")
    return opened.network.cause_index[cause]


def log_odds(network: Network, evidence: Evidence, i: int, *, somebody_called: bool = True) -> float:
    """Natural log odds of a cause, from a sweep with it present and one with it absent, so that no digits are lost near 0
    and 1; minus or plus infinity where it is excluded or certain."""
    absent, present = evidence.absent.copy(), evidence.present.copy()
    absent[i] = present[i] = 0.0
    with_it = _log_p(network, replace(evidence, absent=absent), somebody_called=False)
    without = _log_p(network, replace(evidence, present=present), somebody_called=somebody_called)
    if with_it == without:
        return 0.0
    return with_it - without


def _log_p(network: Network, evidence: Evidence, *, somebody_called: bool) -> float:
    """Log of P(e, at least one cause), or of P(e); minus infinity if it cannot be."""
    try:
        found = infer(network, evidence, somebody_called=somebody_called)
    except ImpossibleEvidence:
        return -math.inf
    if not somebody_called:
        return found.log_evidence
    return found.log_evidence + math.log1p(-found.none) if found.none < 1.0 - _NOUGHT else -math.inf


# --- conflict ----------------------------------------------------------------------------------------------------------


def conflict(opened: Opened, evidence: Evidence, *, somebody_called: bool = True) -> Conflict:
    """Whether the answers fit together (Jensen, Chamberlain, Nordahl & Jensen 1990; methods 4.2).

    All probabilities are given what nobody mentioned and what was tried in vain. The answer to ask again is the one that
    leaves the least conflict when it is left out, among equals the more surprising one. Raises ImpossibleEvidence, and
    ValueError for evidence of another network.
    """
    network = opened.network
    parts = take_apart(opened, evidence)
    posterior = infer(network, evidence, somebody_called=somebody_called)

    def bits(chosen: Sequence[int]) -> float:
        """log2 of the probability of some answers, given the background."""
        log_p = _log_p(network, put_together(parts, chosen=chosen), somebody_called=somebody_called)
        return (log_p - ground) / math.log(2)

    ground = _log_p(network, put_together(parts, chosen=[]), somebody_called=somebody_called)
    count = len(parts.answers)
    together, single = bits(range(count)), [bits([k]) for k in range(count)]
    total = math.fsum(single) - together
    doubts = []
    for k, answer in enumerate(parts.answers):
        given_others = together - bits(all_but(parts, k))
        resolves = single[k] - given_others
        doubts.append(Surprise(answer.finding, opened.knowledge.findings[answer.finding].title, said(opened, answer),
                            2.0 ** single[k], 2.0**given_others, max(0.0, -given_others), total - resolves, resolves))
    worst = max(doubts, key=lambda d: (round(d.resolves, 9), d.surprise), default=None) if total > _AGREE else None
    first = next(iter(ranked(network, posterior)), -1)
    given_cause = total
    if first >= 0:
        before = infer(network, put_together(parts, chosen=[]), somebody_called=somebody_called)
        given_cause += math.log2(float(before.p[first] / posterior.p[first]))
    return Conflict(total, tuple(doubts), worst.finding if worst else "", network.causes[first] if first >= 0 else "",
                    given_cause, total > _AGREE and given_cause < 0)


# --- history and sets --------------------------------------------------------------------------------------------------


def history(opened: Opened, answers: Sequence[Answer], *, tried: Sequence[str] = (), most: int = SHOWN_IN_HISTORY,
            unmentioned: bool = True) -> History:
    """How the belief moved answer by answer, as a conversation showed it: reports count as not mentioned until answered,
    and a later answer about a finding replaces the earlier one.

    tried: causes whose remedies were tried in vain, which makes one more moment at the end. most: causes of the final
    ranking that are followed, beside any that led at some time. Raises ImpossibleEvidence if the answers cannot all be true
    in the end.
    """
    knowledge, network = opened.knowledge, opened.network
    events = [("", "", ""), *((a.finding, knowledge.findings[a.finding].title, said(opened, a)) for a in answers)]
    seen = [read_evidence(knowledge, network, answers[:k], unmentioned=unmentioned) for k in range(len(answers) + 1)]
    if tried:
        events.append(("", "remedies tried in vain", ", ".join(cause_title(knowledge, name) for name in tried)))
        seen.append(read_evidence(knowledge, network, answers, unmentioned=unmentioned, tried=tried))
    found: list[Posterior | None] = []
    for number, evidence in enumerate(seen):
        try:
            found.append(infer(network, evidence))
        except ImpossibleEvidence:
            if number == len(seen) - 1:
                raise
            found.append(None)
    orders = [ranked(network, posterior) if posterior else [] for posterior in found]
    followed = orders[-1][:most]
    followed += [i for i in dict.fromkeys(order[0] for order in orders if order) if i not in followed]
    names = tuple(network.causes[i] for i in followed)
    moments = [Moment(*event, tuple(float(posterior.p[i]) for i in followed) if posterior else ())
               for event, posterior in zip(events, found, strict=True)]
    return History(names, tuple(cause_title(knowledge, name) for name in names), tuple(moments))


def sets_covering(opened: Opened, evidence: Evidence, posterior: Posterior, *, cover: float = 0.95,
                  most: int = 200) -> Covering:
    """The most probable sets of causes that together cover so much of the belief, and how much they do cover: less where
    more than ``most`` sets, or sets of more than three causes, would be needed."""
    sets = likely_sets(opened.network, evidence, posterior, cover=cover, most=most)
    return Covering(tuple(sets), math.fsum(one.p for one in sets))


# --- well supported ----------------------------------------------------------------------------------------------------


def well_supported(opened: Opened, evidence: Evidence, posterior: Posterior, *, nothing_pays: bool = False,
                   draws: int = DRAWS) -> Support:
    """Whether the first cause may be called well supported: all conditions of methods 0.4 hold, else which do not.

    Causes that are in the likeliest set together with it are no rivals. nothing_pays: whether no further check pays for its
    minutes, in which case the likeliest set need not be so likely. draws: of the network's numbers, to see how much of the
    answer is theirs. posterior: given that somebody called.
    """
    network = opened.network
    order = ranked(network, posterior)
    if not order:
        return Support(False, "", (Requirement("cause", False, 0.0, 1.0, "no answer points at a cause"),))
    parts = take_apart(opened, evidence)
    sets = likely_sets(network, evidence, posterior, most=1)
    together = {order[0], *(sets[0].causes if sets else ())}
    rivals = [i for i in order if i not in together]
    requirements = [_by_set(sets[0].p if sets else 0.0, nothing_pays=nothing_pays),
                    _by_conflict(opened, conflict(opened, evidence)),
                    _by_leaving_out(opened, parts, order[0], together),
                    _by_numbers(opened, parts, [order[0], *rivals[:1]], draws)]
    counts = number_of_causes(network, evidence, posterior)
    many = float(counts[4] / counts[1:].sum())
    below = f"wanted below {percent(WELL_REST)}"
    requirements.append(Requirement("number", many < WELL_REST, many, WELL_REST,
                                    f"the chance of more than three causes is {percent(many)}, {below}"))
    rest = 1.0 - float(probability_of_any(network, evidence, posterior, [order])[0])
    requirements.append(Requirement("unexplained", rest < WELL_REST, rest, WELL_REST,
                                    f"the chance that none of these causes is there is {percent(rest)}, {below}"))
    return Support(all(one.holds for one in requirements), network.causes[order[0]], tuple(requirements))


def _by_set(p: float, *, nothing_pays: bool) -> Requirement:
    text = f"the likeliest set of causes has {percent(p)}, wanted at least {percent(WELL_SET)}"
    return Requirement("set", p >= WELL_SET or nothing_pays, p, WELL_SET,
                       f"{text}, but no further check pays" if nothing_pays and p < WELL_SET else text)


def _by_conflict(opened: Opened, found: Conflict) -> Requirement:
    text = f"the answers disagree by {found.bits:.2f} bit" if found.bits > _AGREE else "the answers agree"
    if found.bits > _AGREE:
        again = opened.knowledge.findings.get(found.recheck)
        text += ", which the first cause explains" if found.explained else f"; ask again about: {again.title if again else ''}"
    return Requirement("conflict", found.bits <= _AGREE or found.explained, found.bits, 0.0, text)


def _by_leaving_out(opened: Opened, parts: Parts, first: int, together: set[int]) -> Requirement:
    """The first cause stays ahead of its rivals whichever one answer is left out; the number is its smallest lead."""
    smallest, turned = math.inf, []
    for k, answer in enumerate(parts.answers):
        posterior = infer(opened.network, put_together(parts, chosen=all_but(parts, k)))
        order = ranked(opened.network, posterior)
        lead = float(posterior.p[first]) if first in order else 0.0
        lead -= max((float(posterior.p[i]) for i in order if i not in together), default=0.0)
        smallest = min(smallest, lead)
        if lead <= 0.0:
            turned.append(opened.knowledge.findings[answer.finding].title)
    text = f"it would not come first without the answer about: {'; '.join(turned)}" if turned else \
        "it comes first whichever answer is left out"
    return Requirement("each_answer", not turned, smallest, 0.0, text)


def _by_numbers(opened: Opened, parts: Parts, order: Sequence[int], draws: int) -> Requirement:
    """The 5 % point of the first cause under uncertain numbers lies above the median of its rival."""
    drawn = posterior_draws(opened, parts.answers, order, unmentioned=parts.silent is not None, tried=parts.tried,
                            draws=draws)
    low = float(np.quantile(drawn[:, 0], RANGE[0]))
    second = float(np.median(drawn[:, 1])) if len(order) > 1 else 0.0
    text = f"allowing for uncertain numbers it may be as low as {percent(low)}; the next cause has {percent(second)}"
    return Requirement("numbers", low > second, low, second, text)
