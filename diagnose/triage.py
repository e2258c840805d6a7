"""Urgency, course, parts, minutes, who answers: what to do about a callback, given the posterior. Every probability is exact:
"at least one of these causes is present" comes from a sweep with their weights cleared, not from adding up marginals.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple

import numpy as np

from diagnose.cautions import called_for
from diagnose.evidence import Answer, Evidence, likelihood_of, read_evidence
from diagnose.network import Opened, cause_title
from diagnose.posterior import CauseSet, Posterior, infer, likely_sets, number_of_causes, probability_of_any
from diagnose.records import ALARMS, CIRCUMSTANCE, REPORT, SAFETY_CLASSES, UNKNOWN, Cause, Caution, Finding, Knowledge
from diagnose.source import ImpossibleEvidence

SHOWN_CAUSES = 8
WORTH_SHOWING = 0.01  # probability from which a cause is listed
WORTH_BRINGING = 0.03
WORTH_SAYING = 0.08  # probability from which a cause's words for the telephone or its cautions are shown
DECIDES = 0.5  # share of belief that settles the course
PLANNED = 0.9  # share of cases that the planned minutes cover
SHOWN_SETS = 6
WEIGHED_SETS = 400  # sets of causes that the planned minutes are taken from
SWEEP_MEMORY = 2**20  # bytes that a sweep may keep where advice follows: it takes a hundred sweeps more
ROUNDING = 1e-12  # a difference of two probabilities below this is none
NEEDS = {"phone": "can be put right by phone", "visit": "needs hands and tools on site",  # where a cause can be put right
         "workshop": "is for a qualified workshop", "return": "means that a part goes back to its supplier"}


class Heard(NamedTuple):
    """An answer as it was understood. level: for a reading the likeliest one; meaning: of the level, in words."""

    finding: str
    title: str
    level: str
    meaning: str
    normal: bool
    who: str
    sure: bool
    reading: str


class RankedCause(NamedTuple):
    """A cause with its posterior probability. where: it can be put right by phone, on a visit, in a workshop, or by
    returning a part; by_phone: what words alone can do about it."""

    cause: str
    title: str
    p: float
    safety: str
    by_phone: str
    where: str
    answers_for: str
    remedy: str


class RankedSet(NamedTuple):
    """Causes that are present together, with nothing else in question, and the probability of that."""

    causes: tuple[str, ...]
    titles: tuple[str, ...]
    p: float


class Share(NamedTuple):
    """Something with a name, a label for people and a probability or share."""

    id: str
    label: str
    p: float


class Question(NamedTuple):
    """A first check that nobody has answered yet. levels: what it can come to, the first is as it should be."""

    finding: str
    ask: str
    levels: tuple[str, ...]


class ByPhone(NamedTuple):
    """What the customer can do meanwhile about one cause. p: that it is present; fully: whether words alone can put it
    right; cautions: ids of what must be said before."""

    cause: str
    title: str
    words: str
    p: float
    fully: bool
    cautions: tuple[str, ...]


class CautionInForce(NamedTuple):
    """A caution. now: it belongs to what was said or to what the customer can do meanwhile, else to work on site;
    p: 1 for what was said, else the probability that a cause whose remedy needs it is present."""

    id: str
    title: str
    text: str
    p: float
    now: bool


class Advice(NamedTuple):
    """What to tell the customer now. safety: the gravest class in force, or unknown; alarm: what an answer set off;
    p_stop, p_do_not_use: probability that a cause of that class is present; threshold, threshold_do_not_use: from which
    these decide; ask_first: first checks that nobody has answered; lifted_by: those of them that
    lift the stop if the customer finds all well."""

    safety: str
    text: str
    alarm: str
    p_stop: float
    p_do_not_use: float
    threshold: float
    threshold_do_not_use: float
    ask_first: tuple[Question, ...]
    lifted_by: tuple[str, ...]
    phone: tuple[ByPhone, ...]
    cautions: tuple[CautionInForce, ...]


class Course(NamedTuple):
    """What to do with the callback: stop_now, phone, visit, workshop, return, or ask while nothing is known. chances: that
    words alone put everything right, that only a workshop can put something right, that a part goes back. minutes:
    expected, of putting it right once found; plan_minutes: enough in nine of ten cases that the files know."""

    kind: str
    reasons: tuple[str, ...]
    chances: dict[str, float]
    minutes: float
    plan_minutes: float
    set_ups: tuple[Share, ...]


class Triage(NamedTuple):
    """The whole answer to a callback; see schemas/triage.json for the same as JSON. less_likely: P(no cause of the ranking
    but another one in question is present). unexplained: P(none in question is)."""

    network: str
    title: str
    version: str
    speaks_from: str
    heard: tuple[Heard, ...]
    advice: Advice
    ranking: tuple[RankedCause, ...]
    sets: tuple[RankedSet, ...]
    unlisted: float
    less_likely: float
    unexplained: float
    number: tuple[float, ...]
    course: Course
    parts: tuple[Share, ...]
    answers_for: tuple[Share, ...]
    notice: str


def advise(opened: Opened, evidence: Evidence, posterior: Posterior) -> Triage:
    """The triage of a callback."""
    knowledge, network = opened.knowledge, opened.network
    asked = [i for i in posterior.in_question if i != network.unlisted]
    causes = {i: knowledge.causes[network.causes[i]] for i in asked}
    ranked = sorted(asked, key=lambda i: (-posterior.p[i], network.causes[i]))
    shown = [i for i in ranked if posterior.p[i] >= WORTH_SHOWING][:SHOWN_CAUSES]
    chance = _Chances(opened, evidence, posterior, causes, shown)
    p_any = chance.of(lambda _: True)
    sets = likely_sets(network, evidence, posterior, cover=0.999, most=WEIGHED_SETS)
    heard = tuple(_heard(knowledge, evidence))
    troubled = is_troubled(knowledge, heard)
    advice = _advice(opened, evidence, posterior, causes, ranked, chance)
    minutes, plan_minutes, set_ups = _minutes(knowledge, opened, posterior, causes, sets, chance)
    return Triage(
        network=knowledge.header.id, title=knowledge.header.title, version=knowledge.header.version,
        speaks_from=opened.speaks_from,
        heard=heard, advice=advice,
        ranking=tuple(_ranked(knowledge, causes[i], float(posterior.p[i])) for i in shown),
        sets=tuple(with_titles(opened, one) for one in sets[:SHOWN_SETS]),
        unlisted=float(posterior.p[network.unlisted]) if network.unlisted >= 0 else 0.0,
        less_likely=chance.less_likely, unexplained=1.0 - p_any,
        number=tuple(float(p) for p in number_of_causes(network, evidence, posterior)),
        course=_course(knowledge, advice, causes, ranked, chance, minutes, plan_minutes, set_ups, troubled),
        parts=_parts(knowledge, causes, chance),
        answers_for=_answers_for(knowledge, causes, posterior), notice=knowledge.header.notice)


def is_troubled(knowledge: Knowledge, heard: Sequence[Heard]) -> bool:
    """Whether anything heard is not as it should be; what the vehicle or the fitting is like is no trouble."""
    return any(not one.normal and knowledge.findings[one.finding].kind != CIRCUMSTANCE for one in heard)


def with_titles(opened: Opened, one: CauseSet) -> RankedSet:
    """A set of causes by their ids and titles."""
    names = tuple(opened.network.causes[i] for i in one.causes)
    return RankedSet(names, tuple(cause_title(opened.knowledge, name) for name in names), one.p)


class _Chances:
    """P(at least one cause in question that fits a description is present), all descriptions in one sweep. words_alone:
    P(some are present, and words alone put all of them right). less_likely: P(some are, but none of those shown)."""

    def __init__(self, opened: Opened, evidence: Evidence, posterior: Posterior, causes: dict[int, Cause],
                 shown: Sequence[int]) -> None:
        self._causes = causes
        unlisted = {opened.network.unlisted} & set(posterior.in_question)
        everything, others = frozenset({*causes, *unlisted}), self._members(lambda c: c.remedy.by_phone != "yes") | unlisted
        wanted: list[frozenset[int]] = [self._members(lambda _: True), frozenset(shown), everything, others]
        wanted += [self._members(lambda c, s=s: c.safety == s) for s in SAFETY_CLASSES]  # type: ignore[misc]
        for field in ("bring", "set_ups", "cautions"):
            names = sorted({name for cause in causes.values() for name in getattr(cause.remedy, field)})
            wanted += [self._members(lambda c, f=field, s=s: s in getattr(c.remedy, f)) for s in names]  # type: ignore[misc]
        self._returned = set(opened.knowledge.header.returned_parts)
        wanted += [self._members(is_workshop), self._members(self.is_return)]
        unique = sorted(set(wanted), key=sorted)
        self._p = dict(zip(unique, probability_of_any(opened.network, evidence, posterior, unique), strict=True))
        self._p[frozenset()] = 0.0
        self.words_alone = self._beyond(others, everything)
        self.less_likely = self._beyond(frozenset(shown), frozenset(causes))

    def _members(self, fits: Callable[[Cause], bool]) -> frozenset[int]:
        return frozenset(i for i, cause in self._causes.items() if fits(cause))

    def _beyond(self, some: frozenset[int], more: frozenset[int]) -> float:
        """P(none of some but one of more is present); some lies within more."""
        p = float(self._p[more] - self._p[some])
        return p if p > ROUNDING else 0.0

    def is_return(self, cause: Cause) -> bool:
        """Whether putting it right means sending a part back to its supplier."""
        return not self._returned.isdisjoint(cause.remedy.bring)

    def of(self, fits: Callable[[Cause], bool]) -> float:
        return float(self._p[self._members(fits)])


def is_workshop(cause: Cause) -> bool:
    """Whether only a qualified workshop can put it right."""
    return cause.remedy.who == ("workshop",)


def where_of(cause: Cause, returned: Sequence[str]) -> str:
    """Where a cause can be put right: phone, workshop, return (a part goes back to its supplier) or visit."""
    if cause.remedy.by_phone == "yes":
        return "phone"
    return "workshop" if is_workshop(cause) else "visit" if set(returned).isdisjoint(cause.remedy.bring) else "return"


def _ranked(knowledge: Knowledge, cause: Cause, p: float) -> RankedCause:
    mostly = max(cause.answers_for, key=cause.answers_for.__getitem__)
    return RankedCause(cause.id, cause.title, p, cause.safety, cause.remedy.by_phone,
                       where_of(cause, knowledge.header.returned_parts), mostly, cause.remedy.summary)


def level_of(knowledge: Knowledge, answer: Answer) -> int:
    """The level that an answer gives, for a reading the likeliest one."""
    finding = knowledge.findings[answer.finding]
    if answer.level is not None:
        return finding.level(answer.level)
    return int(np.argmax(likelihood_of(knowledge.header, finding, answer)))


def _heard(knowledge: Knowledge, evidence: Evidence) -> Iterable[Heard]:
    for answer in evidence.answers:
        finding, level = knowledge.findings[answer.finding], level_of(knowledge, answer)
        reading = f"{answer.reading:g} {finding.reading.unit}" if answer.reading is not None and finding.reading else ""
        yield Heard(finding.id, finding.title, finding.levels[level], finding.meanings[level], level == 0, answer.who,
                    answer.sure, reading)


def alarm_of(knowledge: Knowledge, evidence: Evidence) -> str:
    """The gravest alarm that an answer sets off: '', 'watch' or 'stop_now'."""
    return max((_alarm(knowledge, answer) for answer in evidence.answers), key=("", *ALARMS).index, default="")


def _alarm(knowledge: Knowledge, answer: Answer) -> str:
    finding = knowledge.findings[answer.finding]
    return finding.alarm.get(finding.levels[level_of(knowledge, answer)], "")


def _advice(opened: Opened, evidence: Evidence, posterior: Posterior, causes: dict[int, Cause], ranked: Sequence[int],
            chance: _Chances) -> Advice:
    knowledge, heard = opened.knowledge, bool(ranked or evidence.answers)
    alarm = alarm_of(knowledge, evidence)
    limits = knowledge.header.stop_threshold
    normal = {a.finding for a in evidence.answers if a.sure and level_of(knowledge, a) == 0}
    first_checks = knowledge.header.first_checks
    asked = bool(first_checks) and normal.issuperset(first_checks)
    threshold = limits["alarm" if alarm else "asked" if asked else "otherwise"]
    p_stop = chance.of(lambda c: c.safety == "stop_now")
    p_do_not_use = chance.of(lambda c: c.safety == "do_not_use")
    safety = "do_not_use" if p_do_not_use >= limits["do_not_use"] else "normal" if heard else UNKNOWN
    if alarm == "stop_now" or p_stop >= threshold:
        safety = "stop_now"
    answered = {answer.finding for answer in evidence.answers}
    unasked = [knowledge.findings[name] for name in first_checks if name not in answered and alarm != "stop_now"]
    questions = tuple(Question(finding.id, finding.ask, finding.levels) for finding in unasked)
    may_lift = safety == "stop_now" and not alarm and normal.union(f.id for f in unasked).issuperset(first_checks)
    lifted_by = tuple(f.id for f in unasked) if may_lift and _lifted(opened, evidence, unasked, causes) else ()
    phone = []
    if safety != "stop_now":
        phone = [_by_phone(knowledge, causes[i], float(posterior.p[i])) for i in ranked
                 if causes[i].remedy.by_phone != "no" and posterior.p[i] >= WORTH_SAYING][:3]
    cautions = _cautions(knowledge, evidence, posterior, causes, phone, chance, stopped=safety == "stop_now")
    return Advice(safety, knowledge.header.advice[safety], alarm, p_stop, p_do_not_use, threshold, limits["do_not_use"],
                  questions, lifted_by, tuple(phone), cautions)


def _lifted(opened: Opened, evidence: Evidence, unasked: Sequence[Finding], causes: dict[int, Cause]) -> bool:
    """Whether the stop would go if the customer found all well at the first checks that are open."""
    grave = [i for i, cause in causes.items() if cause.safety == "stop_now"]
    answers = (*evidence.answers, *(Answer(finding.id, finding.levels[0]) for finding in unasked))
    then = read_evidence(opened.knowledge, opened.network, answers)
    try:
        p_stop = probability_of_any(opened.network, then, infer(opened.network, then), [grave])[0]
    except ImpossibleEvidence:
        return False
    return bool(p_stop < opened.knowledge.header.stop_threshold["asked"])


def _by_phone(knowledge: Knowledge, cause: Cause, p: float) -> ByPhone:
    """What the customer can do about a cause. Where that is the whole remedy, all its cautions come before; where it is
    a part, those that its words call for, the rest being for whoever does the other part."""
    remedy = cause.remedy
    cautions = tuple(name for name in remedy.cautions
                     if remedy.by_phone == "yes" or called_for(knowledge.cautions[name], [remedy.by_phone_how]))
    return ByPhone(cause.id, cause.title, remedy.by_phone_how, p, remedy.by_phone == "yes", cautions)


def _cautions(knowledge: Knowledge, evidence: Evidence, posterior: Posterior, causes: dict[int, Cause],
              phone: Sequence[ByPhone], chance: _Chances, *, stopped: bool) -> tuple[CautionInForce, ...]:
    """Cautions of what was said, of the words for the telephone, of remedies that may well be needed and, where a danger
    stops the work, of every dangerous cause that is listed. A check's own cautions are for whoever makes it: once it is
    answered they count only if the answer is an alarm."""
    said: set[str] = set()
    for answer in evidence.answers:
        finding = knowledge.findings[answer.finding]
        if level_of(knowledge, answer) > 0 and (finding.kind == REPORT or _alarm(knowledge, answer)):
            said.update(finding.cautions)
    by_phone = {name for item in phone for name in item.cautions}
    grave = {name for i, c in causes.items() if stopped and c.safety == "stop_now" and posterior.p[i] >= WORTH_SHOWING
             for name in c.remedy.cautions}
    found = []
    for name in {*said, *by_phone, *(name for c in causes.values() for name in c.remedy.cautions)}:
        p = 1.0 if name in said else chance.of(lambda c, s=name: s in c.remedy.cautions)  # type: ignore[misc]
        if name in said or name in by_phone or name in grave or p >= WORTH_SAYING:
            caution: Caution = knowledge.cautions[name]
            found.append(CautionInForce(name, caution.title, caution.text, p, name in said or name in by_phone))
    place = {c.id: (c.file, c.line) for c in knowledge.cautions.values()}  # the files begin with what is most urgent
    return tuple(sorted(found, key=lambda c: (not c.now, -c.p, place[c.id])))


def _minutes(knowledge: Knowledge, opened: Opened, posterior: Posterior, causes: dict[int, Cause], sets: Sequence[CauseSet],
             chance: _Chances) -> tuple[float, float, tuple[Share, ...]]:
    """Expected minutes of putting it right once found, the minutes that cover most cases, and the set-ups with their odds."""
    set_ups = knowledge.header.set_ups
    needed = {name: chance.of(lambda c, s=name: s in c.remedy.set_ups) for name in set_ups}  # type: ignore[misc]
    expected = sum(float(posterior.p[i]) * cause.remedy.minutes for i, cause in causes.items())
    expected += sum(p * set_ups[name].minutes for name, p in needed.items())
    likely = sorted(_minutes_of_sets(knowledge, opened, sets))
    total, covered, plan = sum(p for _, p in likely), 0.0, expected
    for minutes, p in likely:
        plan, covered = minutes, covered + p
        if covered >= PLANNED * total:
            break
    return expected, max(plan, expected), _needed({name: (set_up.title, needed[name]) for name, set_up in set_ups.items()})


def _needed(odds: dict[str, tuple[str, float]]) -> tuple[Share, ...]:
    """(label, probability) by name, what is likeliest needed first; what hardly ever is left out."""
    return tuple(Share(name, label, p) for name, (label, p) in sorted(odds.items(), key=lambda item: (-item[1][1], item[0]))
                 if p >= WORTH_BRINGING)


def _minutes_of_sets(knowledge: Knowledge, opened: Opened, sets: Sequence[CauseSet]) -> list[tuple[float, float]]:
    """(minutes, probability) of putting each set of causes right, set-ups made once; without those that nobody knows."""
    found = []
    for one in sets:
        named = [knowledge.causes[opened.network.causes[i]] for i in one.causes if i != opened.network.unlisted]
        set_ups = {name for cause in named for name in cause.remedy.set_ups}
        minutes = sum(c.remedy.minutes for c in named) + sum(knowledge.header.set_ups[name].minutes for name in set_ups)
        if named:
            found.append((minutes, one.p))
    return found


def _course(knowledge: Knowledge, advice: Advice, causes: dict[int, Cause], ranked: Sequence[int], chance: _Chances,
            minutes: float, plan_minutes: float, set_ups: tuple[Share, ...], troubled: bool) -> Course:
    chances = {"phone": chance.words_alone, "workshop": chance.of(is_workshop), "return": chance.of(chance.is_return)}
    if advice.safety == "stop_now":
        kind, reasons = "stop_now", _reasons_to_stop(advice, causes, ranked)
    elif advice.safety == UNKNOWN:
        kind, reasons = "ask", ["nothing was understood yet; ask more before anything is decided"]
    elif not troubled:
        kind, reasons = "ask", ["no trouble was understood yet; ask what it is before anything is decided"]
    elif not ranked:
        kind, reasons = "visit", ["nothing that the files know explains this; ask more, then look at it on site"]
    elif chances["phone"] >= DECIDES:
        kind, reasons = "phone", [f"{_spoken(chances['phone'])} that the customer can put it right with your words alone"]
    elif chances["workshop"] >= DECIDES:
        kind, reasons = "workshop", [f"{_spoken(chances['workshop'])} that only a qualified workshop can put it right"]
    elif chances["return"] >= DECIDES:
        kind, reasons = "return", [f"{_spoken(chances['return'])} that a part goes back to its supplier"]
    else:
        first = causes[ranked[0]]
        where = where_of(first, knowledge.header.returned_parts)
        kind, reasons = "visit", [f"the likeliest cause ({inside(first.title)}) {NEEDS[where]}"]
        only = "but only" if where == "phone" else "only"
        reasons.append(f"{only} {_spoken(chances['phone'])} that words alone put everything right" if chances["phone"] > 0
                       else "words alone do not put it right")
        if advice.phone:
            reasons.append("a few minutes on the telephone first are worth it: see what the customer can do meanwhile")
    return Course(kind, tuple(reasons), chances, minutes, plan_minutes, set_ups)


def _reasons_to_stop(advice: Advice, causes: dict[int, Cause], ranked: Sequence[int]) -> list[str]:
    reasons = ["what was reported is a reason to stop by itself"] if advice.alarm == "stop_now" else []
    if advice.p_stop >= advice.threshold:
        worst = next((f", first of all: {inside(causes[i].title)}" for i in ranked if causes[i].safety == "stop_now"), "")
        reasons.append(f"{_spoken(advice.p_stop)} that something dangerous is present{worst}")
    unless = "unless all is well at what is asked first, " if advice.lifted_by else ""
    return [*reasons, f"{unless}nothing more is tried by telephone; look at it on site before it is used again"]


def percent(p: float, *, under: str = "<", over: str = ">") -> str:
    """A probability as people read it; never 0 % or 100 % for something that is neither."""
    if 0.0 < p < 0.005:
        return f"{under}1 %"
    if 0.995 <= p < 1.0:
        return f"{over}99 %"
    return f"{math.floor(p * 100 + 0.5)} %"


def _spoken(p: float) -> str:
    return percent(p, under="under ", over="over ")


def inside(title: str) -> str:
    """A title inside a sentence: a capital that only starts it goes."""
    return title if title[1:2].isupper() else title[:1].lower() + title[1:]


def _parts(knowledge: Knowledge, causes: dict[int, Cause], chance: _Chances) -> tuple[Share, ...]:
    parts = {part for cause in causes.values() for part in cause.remedy.bring}
    return _needed({part: (knowledge.header.parts[part], chance.of(lambda c, s=part: s in c.remedy.bring))  # type: ignore[misc]
                    for part in parts})


def _answers_for(knowledge: Knowledge, causes: dict[int, Cause], posterior: Posterior) -> tuple[Share, ...]:
    """Shares of who answers for it, each cause in question counting with its probability."""
    shares: dict[str, float] = {}
    for i, cause in causes.items():
        for who, share in cause.answers_for.items():
            shares[who] = shares.get(who, 0.0) + share * float(posterior.p[i])
    return tuple(Share(who, knowledge.header.answers_for[who], p / sum(shares.values()))
                 for who, p in sorted(shares.items(), key=lambda item: -item[1]))
