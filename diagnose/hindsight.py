"""The questions that were really put, against the order in which the tool would have put the same ones.

Nobody knows what a question that was never put would have been answered, so the comparison keeps to those of the record: both
orders hold the same questions with the same answers, from the same start (what the customer mentioned, circumstances), up
to the first remedy. The tool looks ahead as in a call, by telephone first and then on site, and goes by the files, not by
what was learned from these very cases. Minutes are those of the files for each check with its set-ups; neither order counts
journeys.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np

from diagnose.case import answers_in_force
from diagnose.caserecord import SKIPPED, Case, CaseAnswer
from diagnose.evidence import Answer, Evidence, read_evidence
from diagnose.learn import teaches_nothing
from diagnose.network import Network, Opened
from diagnose.nextcheck import QUESTION_MINUTES, Situation, check_minutes, choose, rank_checks
from diagnose.posterior import Posterior, infer
from diagnose.records import Knowledge
from diagnose.scores import Paired, Rate, paired, rate
from diagnose.source import InputError

FEWEST_PUT = 2  # questions below which there is no order to compare
CUSTOMER = "customer"
_AWAY = ("visit", "workshop")


class Spent(NamedTuple):
    """A number of questions and their minutes."""

    questions: float
    minutes: float


class Twice(NamedTuple):
    """One case in both orders. put: all its questions. really, tools: until a confirmed cause stood first and stayed there;
    None where none did in the end. stopped: by when the tool would have asked no more; right_then, right_at_last: whether a
    confirmed cause stood first by then, and after all questions."""

    case: str
    put: Spent
    really: Spent | None
    tools: Spent | None
    stopped: Spent
    right_then: bool
    right_at_last: bool


class Asking(NamedTuple):
    """All cases that were gone through twice. fit: how many could have been; cases: how many were. put, stopped: means over
    them. reached: in how many a confirmed cause came first in the end; really, tools: means over those, saved_questions and
    saved_minutes: by the tool's order. right_then, right_at_last: see Twice."""

    fit: int
    cases: int
    put: Spent
    stopped: Spent
    right_then: Rate
    right_at_last: Rate
    reached: int
    really: Spent
    tools: Spent
    saved_questions: Paired
    saved_minutes: Paired


class _Record(NamedTuple):
    """What a case tells. known: answers at the start; put: finding -> what it was answered, in the order of asking."""

    known: tuple[Answer, ...]
    put: dict[str, CaseAnswer]
    confirmed: frozenset[str]


def compared(opened: Opened, cases: Iterable[Case], most: int) -> Asking:
    """Cases gone through in both orders, ``most`` at the most, evenly taken from those with enough questions."""
    fit = [case for case in cases if not teaches_nothing(opened, case) and case.confirmed
           and len(_record(case).put) >= FEWEST_PUT]
    places = np.linspace(0, len(fit) - 1, min(most, len(fit))).round().astype(int) if fit else np.zeros(0, dtype=int)
    found = [one for place in places.tolist() if (one := twice(opened, fit[place])) is not None]
    both = [(x.really, x.tools) for x in found if x.really is not None and x.tools is not None]
    really, tools = [x for x, _ in both], [y for _, y in both]
    return Asking(
        len(fit), len(found), _mean([x.put for x in found]), _mean([x.stopped for x in found]),
        rate(sum(x.right_then for x in found), len(found)), rate(sum(x.right_at_last for x in found), len(found)), len(both),
        _mean(really), _mean(tools), *(paired(np.array([x[n] - y[n] for x, y in both], dtype=float)) for n in (0, 1)))


def _mean(some: Sequence[Spent]) -> Spent:
    return Spent(*(float(np.mean([x[n] for x in some])) if some else 0.0 for n in (0, 1)))


def _record(case: Case) -> _Record:
    """Start and questions of a case up to its first remedy; a question that was put again stands where it was put last."""
    before = case.answers[: case.remedies[0].answers_before] if case.remedies else case.answers
    put: dict[str, CaseAnswer] = {}
    told = []
    for answer in before:
        if answer.method == "volunteered":
            told.append(answer)
        elif answer.unanswered != SKIPPED:
            put.pop(answer.finding, None)
            put[answer.finding] = answer
    known = answers_in_force(case._replace(answers=tuple(told), remedies=()))
    return _Record(tuple(Answer(*a[:6]) for a in known), put, frozenset(case.confirmed))


def twice(opened: Opened, case: Case) -> Twice | None:
    """One case in both orders; None if the network cannot read its answers, or not in the memory there is."""
    record = _record(case)
    try:
        order, stop = tools_order(opened, record)
        really, mine = ([_leads(opened, record, part[:count]) for count in range(len(part) + 1)]
                        for part in (list(record.put), order))
    except (InputError, ValueError):
        return None
    return Twice(case.id, _spent(opened, order), _until(opened, list(record.put), really), _until(opened, order, mine),
                 _spent(opened, order[:stop]), mine[stop], mine[-1])


def tools_order(opened: Opened, record: _Record) -> tuple[list[str], int]:
    """The questions of a record in the order in which the tool puts them, and after how many of them it would ask no more.

    From there on they come by bits a minute, and last, in the order of the record, those that it would not put here.
    """
    order: list[str] = []
    stop = -1
    on_site = [answer.who for answer in record.put.values() if answer.who != CUSTOMER]
    for who in (CUSTOMER, *on_site[-1:]):
        here = [name for name, answer in record.put.items() if who != CUSTOMER or answer.who == CUSTOMER]
        while len(order) < len(record.put):
            choice = choose(*_standing(opened, record, order, here, who), explained=0)
            if not choice.ask:
                leaves = who == CUSTOMER and bool(on_site) and choice.stop is not None and choice.stop.course in _AWAY
                stop = len(order) if stop < 0 and not leaves else stop
                break
            order.append(choice.ask)
    stop = len(order) if stop < 0 else stop
    while len(order) < len(record.put) and (ranking := rank_checks(*_standing(opened, record, order, list(record.put), who))):
        order.append(ranking[0].finding)
    return order + [name for name in record.put if name not in order], stop


def _standing(opened: Opened, record: _Record, asked: Sequence[str], here: Sequence[str],
              who: str) -> tuple[Knowledge, Network, Evidence, Posterior, Situation]:
    """Where things stood once these questions were answered, with nothing but ``here`` to be put."""
    evidence, posterior = _known(opened, record, asked)
    knowledge = opened.knowledge
    made = frozenset(name for finding in asked for name in knowledge.findings[finding].set_ups)
    out = frozenset(knowledge.findings).difference(here)
    situation = Situation(who=who, tools=frozenset(knowledge.header.tools), made=made, asked=frozenset(asked), impossible=out)
    return knowledge, opened.network, evidence, posterior, situation


def _known(opened: Opened, record: _Record, asked: Sequence[str]) -> tuple[Evidence, Posterior]:
    """Where things stood once these questions were answered."""
    answers = {answer.finding: answer for answer in record.known}
    answers |= {name: Answer(*record.put[name][:6]) for name in asked if not record.put[name].unanswered}
    evidence = read_evidence(opened.knowledge, opened.network, answers.values())
    return evidence, infer(opened.network, evidence)


def _leads(opened: Opened, record: _Record, asked: Sequence[str]) -> bool:
    """Whether a confirmed cause stood first among those listed."""
    network = opened.network
    p = _known(opened, record, asked)[1].p.copy()
    if network.unlisted >= 0:
        p[network.unlisted] = -1.0
    return network.causes[int(np.argmax(p))] in record.confirmed


def _until(opened: Opened, order: Sequence[str], leads: Sequence[bool]) -> Spent | None:
    """What it took until a confirmed cause stood first and stayed there. leads: after 0, 1, ... of the questions."""
    if not leads[-1]:
        return None
    last_wrong = max((count for count, right in enumerate(leads) if not right), default=-1)
    return _spent(opened, order[: last_wrong + 1])


def _spent(opened: Opened, order: Sequence[str]) -> Spent:
    """So many questions, and their minutes with every set-up made once."""
    knowledge, situation, minutes = opened.knowledge, Situation(), 0.0
    for name in order:
        finding = knowledge.findings.get(name)
        minutes += check_minutes(knowledge, finding, situation)[0] if finding else QUESTION_MINUTES
        situation = situation._replace(made=situation.made.union(finding.set_ups if finding else ()))
    return Spent(len(order), minutes)
