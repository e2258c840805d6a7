"""The next check: who may do it, what it would tell, what it costs, and whether asking still pays.

Hard filters come before any arithmetic. Of what is left the exact gain per minute picks a handful, and the saving in
expected minutes until everything works decides among them: the expected cost of repair now, less that after each answer,
less the minutes of the check (one-step look-ahead; Heckerman, Breese & Rommelse 1995; methods 0.2, 3.4). Where no single
check pays, pairs are tried; where none pays either, the plan of remedies is the answer.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from itertools import combinations
from typing import NamedTuple

import numpy as np

from diagnose import gain, repair
from diagnose.cautions import called_for, steps_for
from diagnose.evidence import Answer, Evidence, read_evidence, reliability_of, seen_through
from diagnose.gain import Gain
from diagnose.network import Array, Network
from diagnose.posterior import Posterior, infer
from diagnose.records import CHECK, CIRCUMSTANCE, REPORT, Cause, Finding, Knowledge
from diagnose.repair import Repairs, Stage
from diagnose.source import ImpossibleEvidence
from diagnose.worlds import Indexes, Split, View, Worlds, fold_in, likely_worlds, look_at, predicted, split_causes

QUESTION_MINUTES = 0.5  # asking about a report or a circumstance
LIKELY = 0.5  # probability from which on an unknown circumstance is taken to hold
FINALISTS = 5
PAIRED = 4  # finalists of which pairs are tried where no single one pays
LEAST_GAIN = 0.01  # bits below which nothing is asked when gain alone decides
WEIGHED = 10  # most probable remedies that the look-ahead weighs (the plan takes 12): all but the same choice, much quicker
STARTS = 12  # findings from which a set of questions is grown
VISIT, WORKSHOP = "(visit)", "(workshop)"  # journeys are paid once, like set-ups


class Situation(NamedTuple):
    """Who does the next check, and where things stand.

    who: customer, fitter or workshop. tools: at hand; None for unknown, which is none for the customer and all for the
    others. made: set-ups that are there. asked, skipped, impossible: findings not to be asked (again). circumstances: known
    ones with their level, beside those among the answers. alone: nobody else can be asked, as in writing; else whoever
    knows a circumstance answers for it. visit_minutes, workshop_minutes: what a journey of the fitter or to a workshop
    costs; unexplained_minutes: finding and mending on site what no listed remedy covers (common practice, no source).
    """

    who: str = "customer"
    tools: frozenset[str] | None = None
    made: frozenset[str] = frozenset()
    asked: frozenset[str] = frozenset()
    skipped: frozenset[str] = frozenset()
    impossible: frozenset[str] = frozenset()
    circumstances: Mapping[str, str] = {}
    alone: bool = False
    visit_minutes: float = 60.0
    workshop_minutes: float = 120.0
    unexplained_minutes: float = 90.0


class Outcome(NamedTuple):
    """One answer to a check: its probability, and the cause in question that then leads, with its probability."""

    level: str
    meaning: str
    p: float
    cause: str
    cause_p: float


class CheckScore(NamedTuple):
    """What one finding is worth asking. asked_of: who answers. set_ups: still to be made. minutes: with these. gain: bits
    about the causes in question, exact or within its bounds. saving: expected minutes saved, its own minutes taken off; None
    where it was not worked out. first: comes before everything else. outcomes: for the finalists only."""

    finding: str
    kind: str
    asked_of: str
    set_ups: tuple[str, ...]
    minutes: float
    gain: float
    gain_at_least: float
    gain_at_most: float
    bits_per_minute: float
    first: bool
    saving: float | None = None
    outcomes: tuple[Outcome, ...] = ()


class PlannedRemedy(NamedTuple):
    """One step of the cheapest order of remedies. cause: '' for what no listed remedy covers. way: phone, here, visit or
    workshop. minutes: with journey and set-ups still to be made. needed: probability that it comes to this step."""

    cause: str
    way: str
    minutes: float
    needed: float


class Stop(NamedTuple):
    """Why nothing more is worth asking, and the course then: the way of the first remedy, or 'ask' if there is none."""

    reason: str
    course: str


class Choice(NamedTuple):
    """What to do next. ask: the finding, '' to stop. pair: a second one that has to follow for it to pay, or ''. scores:
    every allowed finding, the finalists first. minutes: expected until everything works, without further checks. plan: the
    cheapest order of remedies as things stand."""

    ask: str
    pair: str
    scores: tuple[CheckScore, ...]
    stop: Stop | None
    minutes: float
    plan: tuple[PlannedRemedy, ...]


class Together(NamedTuple):
    """A set of questions for one message. bits: what their answers give together, at most at_most. minutes: of all."""

    findings: tuple[str, ...]
    bits: float
    at_most: float
    minutes: float


# --- who may do what ------------------------------------------------------------------------------------------------


def _can(who: str, people: Sequence[str]) -> bool:
    """A workshop can do whatever the fitter can."""
    return who in people or (who == "workshop" and "fitter" in people)


def _forbidden(knowledge: Knowledge, texts: Sequence[str], who: str) -> str:
    """The caution that forbids these words to this person, or ''."""
    return next((c.id for c in knowledge.cautions.values() if who in c.forbidden_to and called_for(c, texts)), "")


def barred(knowledge: Knowledge, finding: Finding, situation: Situation, chances: Mapping[str, float] | None = None) -> str:
    """Why this finding cannot be asked in this situation, in a few words; '' if it can.

    chances: P(yes) of circumstances that are not known; their base rate where it is missing. A set-up that a person cannot
    make shuts that person out even where it is made.
    """
    if finding.id in situation.asked or finding.id in situation.circumstances:
        return "asked before"
    if finding.id in situation.skipped or finding.id in situation.impossible:
        return "skipped or impossible"
    if finding.kind == CHECK and (reason := _beyond(knowledge, finding, situation)):
        return reason
    if finding.kind == CIRCUMSTANCE and situation.alone and asked_of(finding, situation) != situation.who:
        return f"not for the {situation.who}"
    for name, level in finding.needs.items():
        known = situation.circumstances.get(name)
        yes = (chances or {}).get(name, knowledge.findings[name].leak[0])
        if known != level and (known is not None or (yes if level != knowledge.findings[name].levels[0] else 1 - yes) < LIKELY):
            return f"needs {name}: {level}"
    return ""


def _beyond(knowledge: Knowledge, check: Finding, situation: Situation) -> str:
    """Why this person cannot make a check with what is at hand, or ''."""
    header = knowledge.header
    if not _can(situation.who, check.who) or not steps_for(check, situation.who):
        return f"not for the {situation.who}"
    if caution := _forbidden(knowledge, steps_for(check, situation.who), situation.who):
        return f"forbidden to the {situation.who}: {caution}"
    tools = situation.tools if situation.tools is not None else header.tools if situation.who != "customer" else ()
    if missing := next((choice for choice in check.tools if not any(tool in tools for tool in choice)), None):
        return f"no {' or '.join(missing)}"
    if closed := next((name for name in check.set_ups if not _can(situation.who, header.set_ups[name].who)), None):
        return f"set-up not for the {situation.who}: {closed}"
    return ""


def allowed(knowledge: Knowledge, finding: Finding, situation: Situation, chances: Mapping[str, float] | None = None) -> bool:
    """Whether this finding may be asked in this situation; see ``barred``."""
    return not barred(knowledge, finding, situation, chances)


def remedy_way(knowledge: Knowledge, cause: Cause, situation: Situation) -> str:
    """How a cause is put right from here: phone (the customer, told how), here, visit or workshop."""
    remedy = cause.remedy
    if situation.who == "customer":
        told = remedy.by_phone == "yes" and "customer" in remedy.who
        if told and not _forbidden(knowledge, [remedy.by_phone_how], "customer") and all(
                "customer" in knowledge.header.set_ups[name].who for name in remedy.set_ups):
            return "phone"
        return "visit" if remedy.who != ("workshop",) else "workshop"
    return "here" if situation.who == "workshop" or remedy.who != ("workshop",) else "workshop"


def asked_of(finding: Finding, situation: Situation) -> str:
    """Who answers: the customer for what only the customer notices, whoever knows it for a circumstance that not everybody
    does, else whoever is on the line."""
    if finding.kind == REPORT:
        return "customer"
    knows = finding.kind != CIRCUMSTANCE or not finding.who or _can(situation.who, finding.who)
    return situation.who if knows else finding.who[0]


def check_minutes(knowledge: Knowledge, finding: Finding, situation: Situation) -> tuple[float, tuple[str, ...]]:
    """Minutes of a check with the set-ups still to be made, and these."""
    if finding.kind != CHECK:
        return QUESTION_MINUTES, ()
    missing = tuple(name for name in finding.set_ups if name not in situation.made)
    return finding.minutes + sum(knowledge.header.set_ups[name].minutes for name in missing), missing


def known_now(knowledge: Knowledge, evidence: Evidence, situation: Situation) -> Situation:
    """The situation with what the answers say: findings asked, or answered with another one ("both rear speakers" says that it
    is not just one); circumstances known (or thought so, which is likely enough) or without which a report could not have been
    noticed."""
    answered = {answer.finding: answer for answer in evidence.answers}
    told, implied, settled = {}, {}, set(answered)
    for name, answer in answered.items():
        finding = knowledge.findings[name]
        if finding.kind == CIRCUMSTANCE and answer.level is not None:
            told[name] = answer.level
        elif finding.kind == REPORT and answer.sure and answer.level not in (None, finding.levels[0]):
            implied.update(finding.needs)
            settled.update(finding.settles)
        elif finding.kind == CHECK and answer.sure:
            settled.update(finding.settles)
    return situation._replace(asked=situation.asked | settled,
                              circumstances={**implied, **told, **situation.circumstances})


# --- what it would tell ---------------------------------------------------------------------------------------------


@lru_cache(maxsize=8)
def _seen(network: Network, reliability: tuple[tuple[float, float], ...], salience: tuple[float, ...]) -> View:
    """Every finding as it looks through whoever answers.

    A report that has not been mentioned is less likely there than the knowledge says: with r its salience, what is left of
    P(<= x) is (P(0) + (1 - r) * (P(x) - P(0))) / (1 - r * (1 - P(0))), for the leak and each link, so that "not mentioned"
    times "not there when asked" is the plain "not there".
    """
    r = np.array(salience)[:, None]
    rows = np.repeat(r, np.diff(network.start), axis=0)

    def left(cumulative: Array, r: Array) -> Array:
        zero = cumulative[:, :1]
        return np.minimum((zero + (1.0 - r) * (cumulative - zero)) / np.maximum(1.0 - r * (1.0 - zero), 1e-300), 1.0)

    thinned = replace(network, leak=left(network.leak, r), link=left(network.link, rows))
    return look_at(network, range(len(reliability)), [seen_through(thinned, j, pair) for j, pair in enumerate(reliability)])


class _Ranked(NamedTuple):
    """A ranking with what it was worked out from; ``view`` holds the findings of ``scores``, ``gains`` in that order too."""

    situation: Situation
    split: Split
    view: View
    gains: list[Gain]
    scores: list[CheckScore]


def _rank(knowledge: Knowledge, network: Network, evidence: Evidence, posterior: Posterior, situation: Situation,
          unmentioned: bool) -> _Ranked:
    situation = known_now(knowledge, evidence, situation)
    needed = {name for finding in knowledge.findings.values() for name in finding.needs}
    sure = dict.fromkeys(needed, LIKELY)
    open_ones = [f for f in knowledge.findings.values() if allowed(knowledge, f, situation, sure)]
    unknown = needed.difference((f.id for f in open_ones), situation.circumstances)  # asked in vain, or not to be asked
    wanted = open_ones + [knowledge.findings[name] for name in sorted(unknown)]
    reliability = tuple(reliability_of(knowledge.header, f, Answer(f.id, f.levels[0], asked_of(f, situation)))
                        for f in (knowledge.findings[name] for name in network.findings))
    salience = tuple(knowledge.findings[name].salience if unmentioned else 0.0 for name in network.findings)
    split = split_causes(evidence, posterior)
    view = fold_in(_seen(network, reliability, salience).take([network.finding_index[f.id] for f in wanted]), split)
    found = gain.gains(evidence, posterior, split, view)
    chances = {f.id: 1.0 - float(one.p[0]) for f, one in zip(wanted, found, strict=True) if f.kind == CIRCUMSTANCE}
    kept = [x for x, f in enumerate(open_ones) if not f.needs or allowed(knowledge, f, situation, chances)]
    scores = {x: _score(knowledge, open_ones[x], situation, found[x]) for x in kept}
    kept.sort(key=lambda x: (not scores[x].first, -scores[x].bits_per_minute, scores[x].finding))
    return _Ranked(situation, split, view.take(kept), [found[x] for x in kept], [scores[x] for x in kept])


def _score(knowledge: Knowledge, finding: Finding, situation: Situation, found: Gain) -> CheckScore:
    minutes, set_ups = check_minutes(knowledge, finding, situation)
    return CheckScore(finding.id, finding.kind, asked_of(finding, situation), set_ups, minutes, found.bits, found.at_least,
                      found.at_most, found.bits / max(minutes, 0.1), finding.id in knowledge.header.first_checks)


def rank_checks(knowledge: Knowledge, network: Network, evidence: Evidence, posterior: Posterior, situation: Situation, *,
                unmentioned: bool = True) -> list[CheckScore]:
    """Every finding that may be asked, first checks first, then by bits per minute.

    The answers are weighed as they will look through whoever gives them. posterior: given that somebody called, as ``infer``
    does by default. unmentioned: as in ``read_evidence``, which must have been called alike.
    """
    return _rank(knowledge, network, evidence, posterior, situation, unmentioned).scores


# --- what it would save ---------------------------------------------------------------------------------------------


class _Outlook(NamedTuple):
    """Everything the look-ahead needs: worlds with the mask of remedies each wants, remedies, the cause and the way of each."""

    worlds: Worlds
    faults: Indexes
    repairs: Repairs
    causes: tuple[str, ...]
    ways: tuple[str, ...]


def _outlook(knowledge: Knowledge, network: Network, posterior: Posterior, worlds: Worlds, situation: Situation,
             most: int) -> _Outlook:
    """The ``most`` most probable remedies; a world that needs others, or in which nothing in question is present although
    somebody called, is put right by none of them."""
    split = worlds.split
    listed = [x for x, i in enumerate(split.causes.tolist()) if split.asked[x] and i != network.unlisted]
    listed.sort(key=lambda x: -posterior.p[split.causes[x]])
    listed = listed[:most]
    causes = [knowledge.causes[network.causes[int(split.causes[x])]] for x in listed]
    ways = tuple(remedy_way(knowledge, cause, situation) for cause in causes)
    journeys = {"visit": {VISIT}, "workshop": {WORKSHOP}}
    minutes = {name: set_up.minutes for name, set_up in knowledge.header.set_ups.items()}
    minutes |= {VISIT: situation.visit_minutes, WORKSHOP: situation.workshop_minutes}
    set_ups = tuple(journeys.get(way, set()) | set(cause.remedy.set_ups) for cause, way in zip(causes, ways, strict=True))
    repairs = Repairs(
        tuple(1 << x for x in range(len(causes))), tuple(cause.remedy.minutes for cause in causes),
        tuple(frozenset(some) for some in set_ups), minutes, situation.unexplained_minutes,
        frozenset({VISIT} if situation.who == "customer" else set()))
    asked = worlds.present[:, split.asked].sum(axis=1)
    wanted = worlds.present[:, listed]
    masks = (wanted @ (1 << np.arange(len(listed)))).astype(np.int64)
    faults = np.where((asked > 0) & (wanted.sum(axis=1) == asked), masks, repair.BEYOND)
    return _Outlook(worlds, faults, repairs, tuple(cause.id for cause in causes), ways)


def _costs_after(ranked: _Ranked, outlook: _Outlook, c: int) -> Array:
    """(levels,) expected cost of repair after each answer to a check, times the probability of the answer."""
    joint = outlook.worlds.p * predicted(outlook.worlds, ranked.view, [c]).T
    made = ranked.situation.made | frozenset(ranked.scores[c].set_ups)
    total = _filled(joint, ranked.gains[c].p)
    return repair.expected_cost(outlook.repairs, joint, outlook.faults, made=made, total=total)


def _best_pair(ranked: _Ranked, outlook: _Outlook, now: float, alone: Mapping[int, Array]) -> tuple[float, int, int]:
    """The largest saving by a check and another one after those of its answers where that pays: (saving, first, second).

    alone: the costs after each answer of the checks to be paired."""
    worlds, best = outlook.worlds, (0.0, -1, -1)
    minutes = outlook.repairs.set_up_minutes
    for c, d in combinations(alone, 2):
        chances = np.moveaxis(predicted(worlds, ranked.view, [c, d]), 0, -1) * worlds.p
        one, other = ranked.gains[c].p, ranked.gains[d].p
        rest = np.maximum(one - chances.sum(axis=(1, 2)), 0.0)
        totals = chances.sum(axis=2) + rest[:, None] * other
        set_ups = [set(ranked.scores[x].set_ups) for x in (c, d)]
        made = ranked.situation.made | set_ups[0] | set_ups[1]
        after = repair.expected_cost(outlook.repairs, chances.reshape(-1, len(worlds.p)), outlook.faults, made=made,
                                     total=totals.ravel()).reshape(totals.shape)
        shared = sum(minutes[name] for name in set_ups[0] & set_ups[1])
        for first, second, costs, p in ((c, d, after.sum(axis=1), one), (d, c, after.sum(axis=0), other)):
            then = costs + p * (ranked.scores[second].minutes - shared)
            saving = now - float(np.minimum(alone[first], then).sum()) - ranked.scores[first].minutes
            best = max(best, (saving, first, second))
    return best


def _filled(joint: Array, p: Array) -> Array:
    """The probability of each answer, unlisted worlds included: never less than that of the listed ones."""
    return np.asarray(np.maximum(joint.sum(axis=1), p))


def _outcomes(knowledge: Knowledge, network: Network, evidence: Evidence, score: CheckScore, p: Array,
              unmentioned: bool) -> tuple[Outcome, ...]:
    """What each answer would do to the ranking, read in just as the answer itself will be."""
    finding = knowledge.findings[score.finding]
    found = []
    for level, meaning, chance in zip(finding.levels, finding.meanings, p.tolist(), strict=True):
        cause, leads = "", 0.0
        try:
            answers = [*evidence.answers, Answer(finding.id, level, score.asked_of)]
            after = infer(network, read_evidence(knowledge, network, answers, unmentioned=unmentioned, tried=evidence.tried))
            leads, cause = max(((float(after.p[i]), network.causes[i]) for i in after.in_question if i != network.unlisted),
                               default=(0.0, ""))
        except ImpossibleEvidence:
            pass
        found.append(Outcome(level, meaning, chance, cause, leads))
    return tuple(found)


def with_outcomes(knowledge: Knowledge, network: Network, evidence: Evidence, posterior: Posterior, situation: Situation,
                  score: CheckScore, *, unmentioned: bool = True) -> CheckScore:
    """The score with what each answer would do, which ``choose`` works out for the first ones only, or for none."""
    if score.outcomes:
        return score
    ranked = _rank(knowledge, network, evidence, posterior, situation, unmentioned)
    p = next((g.p for s, g in zip(ranked.scores, ranked.gains, strict=True) if s.finding == score.finding), None)
    return score if p is None else score._replace(outcomes=_outcomes(knowledge, network, evidence, score, p, unmentioned))


def choose(knowledge: Knowledge, network: Network, evidence: Evidence, posterior: Posterior, situation: Situation, *,
           by_gain: bool = False, explained: int = 1, unmentioned: bool = True) -> Choice:
    """The next check, or the reason to stop and the course then.

    First checks (smell, smoke, heat) come before everything. by_gain: bits per minute alone decide, without look-ahead, as
    they do while nothing is in question yet. explained: for so many of the best it is worked out what each answer would do.
    """
    ranked = _rank(knowledge, network, evidence, posterior, situation, unmentioned)
    scores = ranked.scores
    worlds = likely_worlds(evidence, posterior, ranked.split)
    known = (knowledge, network, posterior, worlds, ranked.situation)
    in_question = bool(posterior.in_question)
    minutes, plan = _plan(_outlook(*known, repair.MOST_REMEDIES), ranked.situation.made) if in_question else (0.0, ())
    pair = ""
    finalists = [c for c in range(min(FINALISTS, len(scores))) if scores[c].gain > 0 or scores[c].first]
    if in_question and not by_gain:
        outlook = _outlook(*known, WEIGHED)
        now = float(repair.expected_cost(outlook.repairs, worlds.p[None], outlook.faults, made=ranked.situation.made,
                                         total=np.ones(1))[0])
        alone = {c: _costs_after(ranked, outlook, c) for c in finalists}
        for c in finalists:
            scores[c] = scores[c]._replace(saving=now - float(alone[c].sum()) - scores[c].minutes)
        order = sorted(finalists, key=lambda c: (not scores[c].first, -(scores[c].saving or 0.0), c))
        best = [c for c in order if scores[c].first or (scores[c].saving or 0.0) > 0.0]
        if order and not best:
            saving, c, d = _best_pair(ranked, outlook, now, {c: alone[c] for c in order[:PAIRED]})
            if saving > 0.0:
                best, pair = [c], scores[d].finding
                order = [c, *(x for x in order if x != c)]
    else:
        order = finalists
        best = [c for c in order if scores[c].first or scores[c].gain >= LEAST_GAIN]
    for c in order[:explained]:
        outcomes = _outcomes(knowledge, network, evidence, scores[c], ranked.gains[c].p, unmentioned)
        scores[c] = scores[c]._replace(outcomes=outcomes)
    rest = [c for c in range(len(scores)) if c not in order]
    stop = None if best else _stop(bool(scores), in_question, plan)
    return Choice(scores[best[0]].finding if best else "", pair, tuple(scores[c] for c in (*order, *rest)), stop, minutes, plan)


def _plan(outlook: _Outlook, made: frozenset[str]) -> tuple[float, tuple[PlannedRemedy, ...]]:
    worlds = outlook.worlds
    stages: list[Stage] = repair.best_plan(outlook.repairs, worlds.p, outlook.faults, made=made, total=1.0)
    away = "visit" if VISIT in outlook.repairs.fallback_set_ups else "here"
    causes, ways = (*outlook.causes, ""), (*outlook.ways, away)  # handing over has the number -1
    plan = tuple(PlannedRemedy(causes[s.remedy], ways[s.remedy], s.minutes, s.needed) for s in stages)
    return sum(s.minutes * s.needed for s in stages), plan


def _stop(anything: bool, in_question: bool, plan: Sequence[PlannedRemedy]) -> Stop:
    if not in_question:
        return Stop("nothing is known yet that is not as it should be", "ask")
    if not anything:
        return Stop("nothing is left that may be asked here", plan[0].way if plan else "ask")
    return Stop("no check saves more minutes than it takes", plan[0].way if plan else "ask")


# --- several at once ------------------------------------------------------------------------------------------------


def best_together(knowledge: Knowledge, network: Network, evidence: Evidence, posterior: Posterior, situation: Situation,
                  count: int, *, unmentioned: bool = True) -> Together:
    """The questions for one message that tell most together: not the best singles, which often tell the same.

    Grown one by one from each of the 12 best singles, first checks given; the best sets are then weighed exactly
    (methods 3.5: greedy growth reaches at least 1 - 1/e of the best where answers are independent given the causes).
    Raises ValueError for a count below 1.
    """
    if count < 1:
        raise ValueError(f"{count} questions")
    ranked = _rank(knowledge, network, evidence, posterior, situation, unmentioned)
    worlds = likely_worlds(evidence, posterior, ranked.split)
    given = tuple(c for c, score in enumerate(ranked.scores) if score.first)[:count]
    if not ranked.scores:
        return Together((), 0.0, 0.0, 0.0)
    chances = [predicted(worlds, ranked.view, [c]) for c in range(len(ranked.scores))]
    starts = sorted(range(len(chances)), key=lambda c: -ranked.gains[c].bits)[:STARTS]
    sets = gain.grown_sets(worlds.p / worlds.p.sum(), chances, count, given=given, starts=starts)
    best, figure = max(((some, gain.joint_gain(worlds, ranked.view, some)) for some in sets), key=lambda one: one[1].bits)
    names = tuple(ranked.scores[c].finding for c in best)
    set_ups = {name for c in best for name in ranked.scores[c].set_ups}
    everything_made = ranked.situation._replace(made=frozenset(knowledge.header.set_ups))
    minutes = sum(check_minutes(knowledge, knowledge.findings[name], everything_made)[0] for name in names)
    minutes += sum(knowledge.header.set_ups[name].minutes for name in set_ups)
    return Together(names, figure.bits, figure.at_most, minutes)
