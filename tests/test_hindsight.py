"""The questions really put against the tool's order of the same questions."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest

from diagnose import case as cases
from diagnose import hindsight
from diagnose.caserecord import CLOSED, Case, CaseAnswer, RemedyTried
from diagnose.evidence import Answer, read_evidence
from diagnose.hindsight import Spent, compared, tools_order, twice
from diagnose.network import Opened
from diagnose.posterior import infer
from tests.simulated_cases import AT

DEMONSTRATION = Path(__file__).resolve().parent.parent / "cases"
TOLD = CaseAnswer("forgets_at_key_off", "yes", "customer", "volunteered", at=AT)
EARTH = CaseAnswer("earth_drop", "good", "fitter", at=AT)
MEMORY = CaseAnswer("memory_feed_key_off", "dead", "fitter", at=AT)
DEAD = CaseAnswer("dead_with_key_on", "yes", "customer", "volunteered", at=AT)
FUSE = CaseAnswer("radio_fuse_look", "blows_again", "fitter", at=AT)
SWITCHED = CaseAnswer("switched_feed_key_off", "live", "fitter", at=AT)


def closed(opened: Opened, *answers: CaseAnswer, cause: str = "feeds_exchanged") -> Case:
    header = opened.knowledge.header
    return Case("20261105-1432", AT, header.id, header.version, answers=answers, status=CLOSED, closed=AT, confirmed=(cause,),
                fully_put_right=True)


def minutes(opened: Opened, *names: str) -> float:
    """The minutes of some checks, every set-up once."""
    findings = [opened.knowledge.findings[name] for name in names]
    set_ups = {name for finding in findings for name in finding.set_ups}
    return sum(f.minutes for f in findings) + sum(opened.knowledge.header.set_ups[name].minutes for name in set_ups)


def leader(opened: Opened, *answers: CaseAnswer) -> str:
    p = infer(opened.network, read_evidence(opened.knowledge, opened.network, [Answer(*a[:6]) for a in answers])).p.copy()
    p[opened.network.unlisted] = -1.0
    return opened.network.causes[int(p.argmax())]


def test_both_orders_hold_the_same_questions(head_unit: Opened) -> None:
    for case in itertools.islice(cases.iterate(DEMONSTRATION), 12):
        record = hindsight._record(case)
        if case.confirmed and record.put:
            order, stop = tools_order(head_unit, record)
            assert sorted(order) == sorted(record.put)
            assert 0 <= stop <= len(order)


def test_a_case_by_hand(head_unit: Opened) -> None:
    case = closed(head_unit, TOLD, EARTH, MEMORY, SWITCHED, cause="memory_feed_not_connected")
    record = hindsight._record(case)
    assert list(record.put) == ["earth_drop", "memory_feed_key_off", "switched_feed_key_off"]
    assert [a.finding for a in record.known] == ["forgets_at_key_off"]
    found = twice(head_unit, case)
    assert found is not None
    assert found.put == Spent(3, pytest.approx(minutes(head_unit, *record.put)))


def test_until_the_right_cause_came_first_to_stay(head_unit: Opened) -> None:
    asked = (EARTH, FUSE, SWITCHED)
    names = [leader(head_unit, DEAD, *asked[:count]) for count in range(4)]
    assert names[0] != names[-1]  # something is found out on the way
    count = max(n + 1 for n, name in enumerate(names) if name != names[-1])
    case = closed(head_unit, DEAD, *asked, cause=names[-1])
    found = twice(head_unit, case)
    assert found is not None
    assert found.really == Spent(count, pytest.approx(minutes(head_unit, *(a.finding for a in asked[:count]))))
    assert found.right_at_last
    wrong = twice(head_unit, case._replace(confirmed=("second_radio_fuse_blown",)))
    assert wrong is not None
    assert (wrong.really, wrong.tools, wrong.right_at_last) == (None, None, False)


@pytest.mark.parametrize(("leads", "count"), [
    ([True, True, True], 0), ([False, True, True], 1), ([True, False, True], 2), ([False, False, False], None)])
def test_first_to_stay_is_not_first_for_once(head_unit: Opened, leads: list[bool], count: int | None) -> None:
    found = hindsight._until(head_unit, ["earth_drop", "memory_feed_key_off"], leads)
    assert (found.questions if found else None) == count


def test_the_order_of_the_record_does_not_change_the_tools(head_unit: Opened) -> None:
    orders = {tuple(tools_order(head_unit, hindsight._record(closed(head_unit, TOLD, *some)))[0])
              for some in itertools.permutations((EARTH, MEMORY, SWITCHED))}
    stops = {tools_order(head_unit, hindsight._record(closed(head_unit, TOLD, *some)))[1]
             for some in itertools.permutations((EARTH, MEMORY, SWITCHED))}
    assert len(stops) == 1
    (stop,) = stops
    assert len({order[:stop] for order in orders}) == 1


def test_a_question_without_an_answer_costs_and_tells_nothing(head_unit: Opened) -> None:
    nobody = EARTH._replace(level=None, unanswered=cases.UNKNOWN)
    record = hindsight._record(closed(head_unit, TOLD, nobody, MEMORY, SWITCHED._replace(level=None, unanswered=cases.SKIPPED)))
    assert list(record.put) == ["earth_drop", "memory_feed_key_off"]
    assert hindsight._known(head_unit, record, ["earth_drop"])[0].answers == hindsight._known(head_unit, record, [])[0].answers
    order, _ = tools_order(head_unit, record)
    assert sorted(order) == ["earth_drop", "memory_feed_key_off"]


def test_what_was_asked_after_the_first_remedy_is_left_out(head_unit: Opened) -> None:
    tried = RemedyTried("feeds_exchanged", "no_change", AT, "fitter", answers_before=2)
    record = hindsight._record(closed(head_unit, TOLD, EARTH, MEMORY, SWITCHED)._replace(remedies=(tried,)))
    assert list(record.put) == ["earth_drop"]


def test_what_cannot_be_read_or_compared_is_left_out(head_unit: Opened) -> None:
    assert twice(head_unit, closed(head_unit, TOLD, EARTH._replace(finding="gone"), MEMORY)) is None
    few = closed(head_unit, TOLD, EARTH)
    none = compared(head_unit, [few, few._replace(confirmed=(), not_found=True), few._replace(status="open")], 9)
    assert (none.fit, none.cases, none.put, none.reached, none.saved_minutes.number) == (0, 0, Spent(0, 0), 0, 0)


def test_the_sums_are_those_of_the_cases(head_unit: Opened) -> None:
    log = list(cases.iterate(DEMONSTRATION))
    found = compared(head_unit, log, 5)
    assert (found.cases, found.right_then.number) == (5, 5)
    fit = [c for c in log if c.confirmed and c.fully_put_right and len(hindsight._record(c).put) >= hindsight.FEWEST_PUT]
    assert found.fit == len(fit)
    alone = [twice(head_unit, fit[round(place * (len(fit) - 1) / 4)]) for place in range(5)]
    assert found.put.minutes == pytest.approx(sum(x.put.minutes for x in alone if x) / 5)
    both = [(x.really, x.tools) for x in alone if x and x.really and x.tools]
    assert found.reached == len(both)
    assert found.saved_minutes.mean == pytest.approx(sum(r.minutes - t.minutes for r, t in both) / len(both))
    assert found == compared(head_unit, log, 5)


def test_a_decisive_check_asked_last_comes_earlier_in_the_tools_order(head_unit: Opened) -> None:
    idle = [CaseAnswer(name, head_unit.knowledge.findings[name].levels[0], "fitter", at=AT)
            for name in ("front_catch_look", "speaker_ohms", "microphone_look")]
    found = twice(head_unit, closed(head_unit, DEAD, *idle, FUSE, cause=leader(head_unit, DEAD, *idle, FUSE)))
    assert found is not None
    assert (found.really, found.tools) == (found.put, Spent(1, pytest.approx(minutes(head_unit, "radio_fuse_look"))))
