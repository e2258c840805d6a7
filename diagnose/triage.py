"""Urgency, course, parts, minutes, who answers: what to do about a callback, given the posterior.

Every probability shown here is exact: "at least one of these causes is present" comes from a sweep with their weights
cleared, never from adding up marginals.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, NamedTuple

from diagnose.evidence import Answer, Evidence
from diagnose.network import Opened
from diagnose.posterior import CauseSet, Posterior, likely_sets, number_of_causes, probability_of_any
from diagnose.records import REPORT, SAFETY_CLASSES, UNKNOWN, Cause, Caution, Knowledge
from diagnose.source import InputError, Problem, nearest

if TYPE_CHECKING:
    from diagnose.phrases import Doubt, Understood

SHOWN_CAUSES = 8
WORTH_SHOWING = 0.01  # probability from which a cause is listed
WORTH_BRINGING = 0.03
WORTH_SAYING = 0.08  # probability from which a cause's words for the telephone or its cautions are shown
DECIDES = 0.5  # share of belief that settles the course
PLANNED = 0.9  # share of cases that the planned minutes cover


class Heard(NamedTuple):
    """An answer as it was understood. meaning: of the level, in words."""

    finding: str
    title: str
    level: str
    meaning: str
    normal: bool
    who: str
    sure: bool
    reading: str


class RankedCause(NamedTuple):
    """A cause with its posterior probability."""

    cause: str
    title: str
    p: float
    safety: str
    by_phone: str
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


class Advice(NamedTuple):
    """What to tell the customer now. safety: the gravest class in force, or unknown; p_stop, p_do_not_use:
    probability that a cause of that class is present; threshold: from which p_stop decides; alarm: what an answer set
    off; lifted_by: first checks still to be asked, which may lift the stop; phone: what the customer can do
    meanwhile, with its probability."""

    safety: str
    text: str
    alarm: str
    p_stop: float
    p_do_not_use: float
    threshold: float
    lifted_by: tuple[str, ...]
    phone: tuple[Share, ...]
    cautions: tuple[Share, ...]


class Course(NamedTuple):
    """What to do with the callback: stop_now, phone, visit, workshop or return; chances: probability of each way."""

    kind: str
    reasons: tuple[str, ...]
    chances: dict[str, float]
    minutes: float
    plan_minutes: float
    set_ups: tuple[Share, ...]


class Triage(NamedTuple):
    """The whole answer to a callback; see schemas/triage.json for the same as JSON."""

    network: str
    title: str
    version: str
    speaks_from: str
    heard: tuple[Heard, ...]
    advice: Advice
    ranking: tuple[RankedCause, ...]
    sets: tuple[RankedSet, ...]
    unlisted: float
    unexplained: float
    number: tuple[float, ...]
    course: Course
    parts: tuple[Share, ...]
    answers_for: tuple[Share, ...]
    notice: str


def advise(opened: Opened, evidence: Evidence, posterior: Posterior, *, speaks_from: str = "the expert's knowledge") -> Triage:
    """The triage of a callback. speaks_from: which knowledge the numbers come from, in words."""
    knowledge, network = opened.knowledge, opened.network
    asked = [i for i in posterior.in_question if i != network.unlisted]
    causes = {i: knowledge.causes[network.causes[i]] for i in asked}
    ranked = sorted(asked, key=lambda i: (-posterior.p[i], network.causes[i]))
    chance = _Chances(opened, evidence, posterior, causes)
    shown = [i for i in ranked if posterior.p[i] >= WORTH_SHOWING][:SHOWN_CAUSES]
    sets = likely_sets(network, evidence, posterior, most=6)
    advice = _advice(knowledge, evidence, posterior, causes, ranked, chance)
    minutes, plan_minutes, set_ups = _minutes(knowledge, opened, posterior, causes, sets, chance)
    return Triage(
        network=knowledge.header.id, title=knowledge.header.title, version=knowledge.header.version, speaks_from=speaks_from,
        heard=tuple(_heard(knowledge, evidence)), advice=advice,
        ranking=tuple(_ranked(causes[i], float(posterior.p[i])) for i in shown),
        sets=tuple(RankedSet(tuple(network.causes[i] for i in s.causes), tuple(_title(opened, i) for i in s.causes), s.p)
                   for s in sets),
        unlisted=float(posterior.p[network.unlisted]) if network.unlisted >= 0 else 0.0,
        unexplained=1.0 - chance.of(lambda _: True) if causes else 1.0,
        number=tuple(float(p) for p in number_of_causes(network, evidence, posterior)),
        course=_course(knowledge, advice, causes, ranked, posterior, chance, minutes, plan_minutes, set_ups,
                       bool(evidence.answers)),
        parts=_parts(knowledge, causes, chance),
        answers_for=_answers_for(knowledge, causes, posterior), notice=knowledge.header.notice)


class _Chances:
    """P(at least one cause in question that fits a description is present), all descriptions in one sweep."""

    def __init__(self, opened: Opened, evidence: Evidence, posterior: Posterior, causes: dict[int, Cause]) -> None:
        self._causes = causes
        header = opened.knowledge.header
        parts = sorted({part for cause in causes.values() for part in cause.remedy.bring})
        set_ups = sorted({name for cause in causes.values() for name in cause.remedy.set_ups})
        wanted: list[frozenset[int]] = [self._members(lambda _: True)]
        wanted += [self._members(lambda c, s=s: c.safety == s) for s in SAFETY_CLASSES]  # type: ignore[misc]
        wanted += [self._members(lambda c, s=s: s in c.remedy.bring) for s in parts]  # type: ignore[misc]
        wanted += [self._members(lambda c, s=s: s in c.remedy.set_ups) for s in set_ups]  # type: ignore[misc]
        wanted += [self._members(lambda c: c.remedy.by_phone != "yes"), self._members(lambda c: c.remedy.by_phone == "partly")]
        wanted += [self._members(is_workshop), self._members(lambda c: is_return(c, header.returned_parts))]
        unique = sorted(set(wanted), key=lambda members: sorted(members))
        self._p = dict(zip(unique, probability_of_any(opened.network, evidence, posterior, unique), strict=True))
        self._p[frozenset()] = 0.0

    def _members(self, fits: Callable[[Cause], bool]) -> frozenset[int]:
        return frozenset(i for i, cause in self._causes.items() if fits(cause))

    def of(self, fits: Callable[[Cause], bool]) -> float:
        return float(self._p[self._members(fits)])


def is_workshop(cause: Cause) -> bool:
    """Whether only a qualified workshop can put it right."""
    return cause.remedy.who == ("workshop",)


def is_return(cause: Cause, returned: Sequence[str]) -> bool:
    """Whether putting it right means sending a part back to its supplier."""
    return any(part in returned for part in cause.remedy.bring)


def answers_from_words(
    opened: Opened, text: str, *, choose: Callable[[Doubt], tuple[str, str] | None] | None = None
) -> tuple[Understood, list[Answer]]:
    """What a customer's text says, and the answers in it. choose: decides what a doubtful stretch means, if anybody can."""
    from diagnose.phrases import open_lexicon, understand

    understood = understand(open_lexicon(opened.copy_name, opened.key, opened.knowledge), text)
    answers = [_said(opened.knowledge, m.finding, m.level, m.sure) for m in understood.matches]
    open_doubts = []
    for doubt in understood.doubts:
        chosen = choose(doubt) if choose else None
        if chosen:
            answers.append(_said(opened.knowledge, *chosen, True))
        elif choose is None:
            open_doubts.append(doubt)
    return understood._replace(doubts=tuple(open_doubts)), answers


def _said(knowledge: Knowledge, finding: str, level: str, sure: bool) -> Answer:
    kind = knowledge.findings[finding].kind
    return Answer(finding, level, "customer", "volunteered" if kind == REPORT else None, sure)


def answers_from_ids(knowledge: Knowledge, reports: Sequence[str], normal: Sequence[str]) -> list[Answer]:
    """Answers from ids: reports that are so, findings that are as they should be; InputError for unknown ones."""
    problems, answers = [], []
    for name, so in [*((r, True) for r in reports), *((r, False) for r in normal)]:
        finding = knowledge.findings.get(name)
        if finding is None or (so and finding.kind != REPORT):
            known = [f.id for f in knowledge.findings.values() if f.kind == REPORT or not so]
            what = f"there is no {'report' if so else 'finding'} {name[:60]!r}"
            problems.append(Problem("", 0, "--report" if so else "--normal", what, nearest(name, known)))
        else:
            answers.append(_said(knowledge, name, finding.levels[-1 if so else 0], True))
    if problems:
        raise InputError(problems)
    return answers


def _title(opened: Opened, i: int) -> str:
    name = opened.network.causes[i]
    return opened.knowledge.header.unlisted.title if i == opened.network.unlisted else opened.knowledge.causes[name].title


def _ranked(cause: Cause, p: float) -> RankedCause:
    mostly = max(cause.answers_for, key=lambda who: cause.answers_for[who])
    return RankedCause(cause.id, cause.title, p, cause.safety, cause.remedy.by_phone, mostly, cause.remedy.summary)


def _heard(knowledge: Knowledge, evidence: Evidence) -> Iterable[Heard]:
    for answer in evidence.answers:
        finding = knowledge.findings[answer.finding]
        if answer.reading is not None and finding.reading is not None:
            text = f"{answer.reading:g} {finding.reading.unit}"
            yield Heard(finding.id, finding.title, "", "", False, answer.who, answer.sure, text)
        else:
            level = finding.level(answer.level or "")
            yield Heard(finding.id, finding.title, finding.levels[level], finding.meanings[level], level == 0, answer.who,
                        answer.sure, "")


def alarm_of(knowledge: Knowledge, evidence: Evidence) -> str:
    """The gravest alarm that an answer sets off: '', 'watch' or 'stop_now'."""
    alarms = [knowledge.findings[a.finding].alarm.get(a.level or "", "") for a in evidence.answers]
    return "stop_now" if "stop_now" in alarms else "watch" if "watch" in alarms else ""


def _first_checks_normal(knowledge: Knowledge, evidence: Evidence) -> bool:
    """Whether the questions that always come first have all been answered as they should be."""
    normal = {a.finding for a in evidence.answers if a.level == knowledge.findings[a.finding].levels[0] and a.sure}
    return bool(knowledge.header.first_checks) and normal.issuperset(knowledge.header.first_checks)


def _advice(knowledge: Knowledge, evidence: Evidence, posterior: Posterior, causes: dict[int, Cause], ranked: Sequence[int],
            chance: _Chances) -> Advice:
    alarm = alarm_of(knowledge, evidence)
    limits = knowledge.header.stop_threshold
    asked = _first_checks_normal(knowledge, evidence)
    threshold = limits["alarm" if alarm else "asked" if asked else "otherwise"]
    p_stop = chance.of(lambda c: c.safety == "stop_now")
    p_do_not_use = chance.of(lambda c: c.safety == "do_not_use")
    if alarm == "stop_now" or p_stop >= threshold:
        safety = "stop_now"
    elif p_do_not_use >= limits["do_not_use"]:
        safety = "do_not_use"
    else:
        safety = "normal" if ranked or evidence.answers else UNKNOWN
    lifted_by = () if asked or alarm or safety != "stop_now" else knowledge.header.first_checks
    phone = []
    if safety != "stop_now":
        phone = [Share(causes[i].id, causes[i].remedy.by_phone_how, float(posterior.p[i])) for i in ranked
                 if causes[i].remedy.by_phone != "no" and posterior.p[i] >= WORTH_SAYING][:3]
    return Advice(safety, knowledge.header.advice[safety], alarm, p_stop, p_do_not_use, threshold, lifted_by, tuple(phone),
                  tuple(_cautions(knowledge, evidence, posterior, causes, ranked)))


def _cautions(knowledge: Knowledge, evidence: Evidence, posterior: Posterior, causes: dict[int, Cause],
              ranked: Sequence[int]) -> Iterable[Share]:
    """Cautions of what was reported and of the likely remedies, the gravest causes first."""
    weights: dict[str, float] = {}
    for answer in evidence.answers:
        finding = knowledge.findings[answer.finding]
        if answer.level != finding.levels[0]:
            for name in finding.cautions:
                weights[name] = 1.0
    for i in ranked:
        if posterior.p[i] >= WORTH_SAYING or causes[i].safety == "stop_now":
            for name in causes[i].remedy.cautions:
                weights[name] = max(weights.get(name, 0.0), float(posterior.p[i]))
    for name, weight in sorted(weights.items(), key=lambda item: (-item[1], item[0])):
        caution: Caution = knowledge.cautions[name]
        if weight >= WORTH_SAYING:
            yield Share(name, f"{caution.title}: {caution.text}", weight)


def _minutes(knowledge: Knowledge, opened: Opened, posterior: Posterior, causes: dict[int, Cause], sets: Sequence[CauseSet],
             chance: _Chances) -> tuple[float, float, tuple[Share, ...]]:
    """Expected minutes of putting it right once found, the minutes that cover most cases, and the set-ups with their odds."""
    set_ups = knowledge.header.set_ups
    needed = {name: chance.of(lambda c, s=name: s in c.remedy.set_ups) for name in set_ups}  # type: ignore[misc]
    expected = sum(float(posterior.p[i]) * cause.remedy.minutes for i, cause in causes.items())
    expected += sum(p * set_ups[name].minutes for name, p in needed.items())
    likely = _minutes_of_sets(knowledge, opened, sets)
    total = sum(p for _, p in likely)
    plan, covered = expected, 0.0
    for minutes, p in sorted(likely):
        plan, covered = minutes, covered + p
        if covered >= PLANNED * total:
            break
    shares = tuple(Share(name, set_ups[name].title, p) for name, p in sorted(needed.items(), key=lambda item: -item[1])
                   if p >= WORTH_BRINGING)
    return expected, max(plan, expected), shares


def _minutes_of_sets(knowledge: Knowledge, opened: Opened, sets: Sequence[CauseSet]) -> list[tuple[float, float]]:
    """(minutes, probability) of putting each set of causes right, set-ups made once."""
    found = []
    for one in sets:
        named = [knowledge.causes[opened.network.causes[i]] for i in one.causes if i != opened.network.unlisted]
        set_ups = {name for cause in named for name in cause.remedy.set_ups}
        minutes = sum(c.remedy.minutes for c in named) + sum(knowledge.header.set_ups[name].minutes for name in set_ups)
        found.append((minutes, one.p))
    return found


def _course(knowledge: Knowledge, advice: Advice, causes: dict[int, Cause], ranked: Sequence[int], posterior: Posterior,
            chance: _Chances, minutes: float, plan_minutes: float, set_ups: tuple[Share, ...], heard: bool) -> Course:
    returned = knowledge.header.returned_parts
    p_any = chance.of(lambda _: True)
    chances = {
        "phone": p_any - chance.of(lambda c: c.remedy.by_phone != "yes"),
        "workshop": chance.of(is_workshop),
        "return": chance.of(lambda c: is_return(c, returned)),
    }
    reasons: list[str] = []
    if advice.safety == "stop_now":
        kind = "stop_now"
        if advice.alarm == "stop_now":
            reasons.append("what was reported is a reason to stop by itself")
        if advice.p_stop >= advice.threshold:
            worst = next((causes[i] for i in ranked if causes[i].safety == "stop_now"), None)
            reasons.append(f"{_percent(advice.p_stop)} that something of the class 'stop now' is present"
                           + (f", first of all: {worst.title.lower()}" if worst else ""))
        reasons.append("nothing more is tried by telephone; look at it on site before it is used again")
    elif chances["phone"] >= DECIDES:
        kind = "phone"
        reasons.append(f"{_percent(chances['phone'])} that the customer can put it right with your words alone")
    elif chances["workshop"] >= DECIDES:
        kind = "workshop"
        reasons.append(f"{_percent(chances['workshop'])} that only a qualified workshop can put it right")
    elif chances["return"] >= DECIDES:
        kind = "return"
        reasons.append(f"{_percent(chances['return'])} that a part goes back to its supplier")
    else:
        kind = "visit"
        if ranked:
            first = causes[ranked[0]]
            reasons.append(f"the likeliest cause ({first.title.lower()}) needs hands and tools on site")
        reasons.append(f"only {_percent(chances['phone'])} that words alone put it right")
        if advice.phone:
            reasons.append("a few minutes on the telephone first are worth it: see what the customer can do meanwhile")
    if not ranked:
        reasons = ["nothing that the files know explains this; ask more, then look at it on site" if heard
                   else "nothing was understood yet; ask more before anything is decided"]
        kind = "stop_now" if advice.safety == "stop_now" else "visit"
    return Course(kind, tuple(reasons), chances, minutes, plan_minutes, set_ups)


def _percent(p: float) -> str:
    return "over 99 %" if p > 0.995 else "under 1 %" if 0 < p < 0.005 else f"{math.floor(p * 100 + 0.5)} %"


def _parts(knowledge: Knowledge, causes: dict[int, Cause], chance: _Chances) -> tuple[Share, ...]:
    parts = {part for cause in causes.values() for part in cause.remedy.bring}
    odds = {part: chance.of(lambda c, s=part: s in c.remedy.bring) for part in parts}  # type: ignore[misc]
    return tuple(Share(part, knowledge.header.parts[part], p) for part, p in sorted(odds.items(), key=lambda x: (-x[1], x[0]))
                 if p >= WORTH_BRINGING)


def _answers_for(knowledge: Knowledge, causes: dict[int, Cause], posterior: Posterior) -> tuple[Share, ...]:
    """Shares of who answers for it, each cause in question counting with its probability."""
    shares: dict[str, float] = {}
    for i, cause in causes.items():
        for who, share in cause.answers_for.items():
            shares[who] = shares.get(who, 0.0) + share * float(posterior.p[i])
    total = sum(shares.values()) or 1.0
    return tuple(Share(who, knowledge.header.answers_for[who], p / total)
                 for who, p in sorted(shares.items(), key=lambda item: -item[1]))
