"""Somebody else on the line in mid-case, and questions in writing: nothing is put to a customer that is not for one."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from diagnose import case as cases
from diagnose.caserecord import NO_CHANGE, Case, RemedyTried
from diagnose.conversation import Reply, already_asked, as_answer, moved_checks, no_longer_valid
from diagnose.correspondence import compose
from diagnose.network import Opened
from diagnose.nextcheck import remedy_way
from diagnose.records import CHECK, REPORT, Finding
from diagnose.session import Session, _change, choice_of, situation_of, standing
from diagnose.source import InputError
from tests.test_nextcheck import is_for_customer, words_are_safe


def random_session(opened: Opened, folder: Path, rng: np.random.Generator) -> Session:
    """A case on site with random reports, checks made by the fitter with their set-ups, and now and then a remedy in vain."""
    knowledge, at = opened.knowledge, cases.now()
    case = Case("", at, knowledge.header.id, knowledge.header.version, "")
    session = Session(opened, cases.create(folder, case), Console(quiet=True), "fitter")
    safe = [f for f in knowledge.of_kind(REPORT) if not f.alarm]
    said = [(safe[x], 1) for x in rng.choice(len(safe), 1 + int(rng.integers(2)), replace=False)]
    checks = knowledge.of_kind(CHECK)
    said += [(checks[x], 0) for x in rng.choice(len(checks), int(rng.integers(6)), replace=False)]
    for finding, level in said:
        reply = Reply("answer", level=finding.levels[level])
        session.keep(cases.with_answer(session.case, as_answer(finding, reply, who="fitter", at=at)))
        session.made.update(finding.set_ups)
    if rng.random() < 0.5:
        cause = opened.network.causes[int(rng.integers(len(opened.network.causes) - 1))]
        session.keep(cases.with_remedy(session.case, RemedyTried(cause, NO_CHANGE, cases.now(), "fitter")))
    return session


def check_change(opened: Opened, folder: Path, seed: int, count: int) -> None:
    """Fitter, then customer on the line, then a message in writing, in so many random cases."""
    knowledge, offered = opened.knowledge, 0
    for number in range(count):
        rng = np.random.default_rng([seed, number])
        session = random_session(opened, folder / str(number), rng)
        try:
            now = standing(opened, session.case)
        except InputError:  # answers that cannot all be true
            continue
        _change(session, "who", "customer")
        choice, situation = choice_of(session, now), situation_of(session)
        put: list[Finding] = [knowledge.findings[score.finding] for score in choice.scores]
        fresh = already_asked(opened, session.case, "customer") - set(no_longer_valid(opened, session.case))
        assert not fresh.intersection(finding.id for finding in put)
        for step in choice.plan:
            if step.way == "phone":
                assert remedy_way(knowledge, knowledge.causes[step.cause], situation) == "phone"
                assert "customer" in knowledge.causes[step.cause].remedy.who
        with suppress(InputError):  # nothing is left
            put += compose(opened, session.file, count=3, tools=frozenset())[1]
        for finding in put:
            offered += 1
            assert is_for_customer(knowledge, finding, situation), finding.id
            assert finding.kind != CHECK or words_are_safe(knowledge, finding), finding.id
    assert offered > 20 * count


def test_after_the_fitter_the_customer_is_asked_only_what_is_for_a_customer(head_unit: Opened, tmp_path: Path) -> None:
    check_change(head_unit, tmp_path, 1, 10)


@pytest.mark.slow
def test_the_same_in_thousands_of_cases(head_unit: Opened, tmp_path: Path) -> None:
    check_change(head_unit, tmp_path, 2, 2000)


def test_an_answer_that_a_remedy_may_have_moved_counts_no_longer_and_may_be_put_again(head_unit: Opened,
                                                                                      tmp_path: Path) -> None:
    """Design section 3: the answers that its cause can move are old after a remedy, the others stay."""
    knowledge, at = head_unit.knowledge, "2026-11-25T09:00:00+00:00"
    fit = {f.id for f in knowledge.of_kind(CHECK) if "fitter" in f.who and not f.needs}
    cause, moved = next((c, some) for c, some in moved_checks(head_unit).items() if c in knowledge.causes and some & fit)
    old = min(moved & fit)
    kept = next(f.id for f in knowledge.of_kind(CHECK) if f.id not in moved and "fitter" in f.who)
    case = Case("", at, knowledge.header.id, knowledge.header.version, "")
    session = Session(head_unit, cases.create(tmp_path, case), Console(quiet=True), "fitter")
    for name in (old, kept):
        reply = Reply("answer", level=knowledge.findings[name].levels[0])
        session.keep(cases.with_answer(session.case, as_answer(knowledge.findings[name], reply, who="fitter", at=at)))
    before = {a.finding for a in standing(head_unit, session.case).evidence.answers}
    session.keep(cases.with_remedy(session.case, RemedyTried(cause, NO_CHANGE, "2026-11-25T09:10:00+00:00", "fitter")))
    now = standing(head_unit, session.case)
    assert before == {old, kept}
    assert {a.finding for a in now.evidence.answers} == {kept}
    assert no_longer_valid(head_unit, session.case) == (old,)
    put = {score.finding for score in choice_of(session, now).scores}
    assert old in put and kept not in put
