"""Closing a case: at a pseudo-terminal with right and wrong answers, by options alone, half way, twice."""

from __future__ import annotations

import io
import os
import sys
from pathlib import Path

import pexpect
import pytest

from diagnose import case as cases
from diagnose.caserecord import CLOSED, CURED, OPEN, PARTLY, Case, CaseAnswer, RemedyTried
from diagnose.cli import run
from diagnose.learn import teaches_nothing
from diagnose.network import Opened
from tests.simulated_cases import AT

NAME = "20261105-1432"
SURE = ("--put-right", "--verified", "key off and on twice", "--minutes", "35")


@pytest.fixture
def log(tmp_path: Path, head_unit: Opened) -> Path:
    """A log of one open case."""
    header = head_unit.knowledge.header
    answers = (CaseAnswer("forgets_at_key_off", "yes", "customer", "volunteered", at=AT),
               CaseAnswer("memory_feed_key_off", None, "fitter", reading=0.04, unit="V", at=AT))
    cases.create(tmp_path, Case(NAME, AT, header.id, header.version, "job-7", answers=answers))
    return tmp_path


def case_in(folder: Path) -> Case:
    return cases.load(folder, NAME).case


def at_terminal(folder: Path, *arguments: str) -> pexpect.spawn:
    return pexpect.spawn(sys.executable, ["-m", "diagnose", "close", NAME, *arguments, "--cases", str(folder)],
                         env={**os.environ, "NO_COLOR": "1", "COLUMNS": "80"}, encoding="utf-8", timeout=60,
                         dimensions=(50, 200))


def ended(child: pexpect.spawn) -> int:
    child.expect(pexpect.EOF)
    child.close()
    assert "Traceback" not in str(child.before)
    return int(child.exitstatus if child.exitstatus is not None else -child.signalstatus)


def closed(folder: Path, capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str]:
    """Close by options alone; the code and what was said."""
    capsys.readouterr()
    code = run(["close", NAME, *arguments, "--cases", str(folder)])
    done = capsys.readouterr()
    return code, " ".join((done.out + done.err).split())


def test_everything_is_asked_and_written_down(log: Path) -> None:
    child = at_terminal(log)
    child.expect(r"1  Memory and switched feeds exchanged")
    child.expect("what was it")
    child.sendline("1")
    child.expect("does everything work now")
    child.sendline("yes")
    child.expect("Memory and switched feeds exchanged: what put it right")
    child.sendline("")
    child.expect("how was it made sure.*for example")
    child.sendline("stations kept over two key-offs")
    child.expect("minutes of work")
    child.sendline("35")
    assert ended(child) == 0
    case = case_in(log)
    assert (case.status, case.confirmed, case.fully_put_right, case.minutes) == (CLOSED, ("feeds_exchanged",), True, 35.0)
    assert case.verified == "stations kept over two key-offs"
    assert [(r.cause, r.outcome, r.answers_before) for r in case.remedies] == [("feeds_exchanged", CURED, 2)]


def test_a_wrong_answer_is_asked_again(log: Path) -> None:
    child = at_terminal(log)
    child.expect("what was it")
    for wrong, said in (("gremlins", "there is no cause 'gremlins'"), ("99", "there is no number 99 in the list"),
                        (",", "no cause is named"), ("other:", "there is no cause")):
        child.sendline(wrong)
        child.expect(said)
        child.expect("what was it")
    child.sendline("other: a mouse in the loom")
    child.expect("does everything work now")
    child.sendline("perhaps")
    child.expect("'perhaps' is neither yes nor no")
    child.expect("does everything work now")
    child.sendline("no")
    child.expect("minutes of work")
    for wrong in ("soon", "-1", "nan"):
        child.sendline(wrong)
        child.expect("is no number of minutes")
    child.sendline("12.5")
    assert ended(child) == 0
    case = case_in(log)
    assert (case.unlisted, case.fully_put_right, case.minutes, case.verified) == ("a mouse in the loom", False, 12.5, "")
    assert case.remedies == ()


@pytest.mark.parametrize(("end", "code", "says"), [
    ("\x03", 130, r"nothing was changed, the case stays open\s+interrupted"), ("\x04", 2, "the case stays open")])
def test_left_half_way_nothing_is_changed(end: str, code: int, says: str, log: Path) -> None:
    before = (log / f"{NAME}.yaml").read_bytes()
    child = at_terminal(log, "--cause", "feeds_exchanged")
    child.expect("does everything work now")
    child.sendline("yes")
    child.expect("what put it right")
    child.send(end)
    child.expect(says)
    assert ended(child) == code
    assert (log / f"{NAME}.yaml").read_bytes() == before
    assert sorted(path.name for path in log.iterdir()) == [cases.MARKER, f"{NAME}.yaml"]


def test_minutes_that_nobody_knows_are_left_out(log: Path) -> None:
    child = at_terminal(log, "--not-found", "--not-put-right")
    child.expect("minutes of work on site.*Enter: not known")
    child.sendline("")
    assert ended(child) == 0
    assert (case_in(log).status, case_in(log).minutes) == (CLOSED, None)


def test_every_line_of_the_conversation_fits_the_window(log: Path) -> None:
    child = at_terminal(log, "--put-right", "--minutes", "5")
    child.logfile_read = seen = io.StringIO()
    for question, answer in (("what was it", "1"), ("what put it right", ""), ("how was it made sure", "it works")):
        child.expect(question)
        child.sendline(answer)
    assert ended(child) == 0
    assert 70 < max(map(len, seen.getvalue().splitlines())) <= 80


def test_options_alone_close_a_case(log: Path, capsys: pytest.CaptureFixture[str], head_unit: Opened) -> None:
    assert closed(log, capsys, "--cause", "feeds_exchanged", *SURE, "--part", "bullets")[0] == 0
    case = case_in(log)
    assert (case.confirmed, case.parts, case.verified) == (("feeds_exchanged",), ("bullets",), "key off and on twice")
    assert teaches_nothing(head_unit, case) == ""


@pytest.mark.parametrize(("arguments", "confirmed", "not_found", "unlisted"), [
    (("--cause", "feeds_exchanged", "--cause", "aerial_plug_not_home"), ("feeds_exchanged", "aerial_plug_not_home"), False, ""),
    (("--cause", "feeds_exchanged", "--cause", "feeds_exchanged"), ("feeds_exchanged",), False, ""),
    (("--cause", "memory and switched"), ("feeds_exchanged",), False, ""), (("--not-found",), (), True, ""),
    (("--unlisted", "a \x1b[31mmouse"), (), False, "a \x1b[31mmouse")])
def test_two_causes_none_and_one_that_is_not_listed(arguments: tuple[str, ...], confirmed: tuple[str, ...], not_found: bool,
                                                    unlisted: str, log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, said = closed(log, capsys, *arguments, *SURE)
    assert code == 0 and "\x1b" not in said
    case = case_in(log)
    assert (case.confirmed, case.not_found, case.unlisted) == (confirmed, not_found, unlisted)


@pytest.mark.parametrize(("arguments", "says"), [
    (("--cause", "gremlins", *SURE), "there is no cause 'gremlins'"),
    (("--cause", "feeds_exchanged", "--not-found", *SURE), "give one of --cause, --not-found, --unlisted"),
    (("--unlisted", "a mouse", "--not-found"), "give one of --cause"),
    (("--cause", "feeds_exchanged", *SURE, "--part", "bulletz"), "did you mean 'bullets'?"),
    (("--cause", "feeds_exchanged", "--put-right", "--minutes", "3"), "give --verified"),
    ((*SURE,), "give --cause"), (("--cause", "feeds_exchanged", "--minutes", "3"), "give --put-right or --not-put-right"),
    (("--cause", "feeds_exchanged", *SURE[:-1], "-5"), "is not in the range")])
def test_what_does_not_fit_changes_nothing(arguments: tuple[str, ...], says: str, log: Path, capsys: pytest.CaptureFixture[str],
                                           monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", open(os.devnull, encoding="utf-8"))  # noqa: SIM115 - read by nobody
    before = (log / f"{NAME}.yaml").read_bytes()
    code, said = closed(log, capsys, *arguments)
    assert code == 2 and says in said
    assert (log / f"{NAME}.yaml").read_bytes() == before


def test_opened_again_and_closed_again(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    closed(log, capsys, "--not-found", "--not-put-right", "--minutes", "20")
    code, said = closed(log, capsys, "--cause", "feeds_exchanged", *SURE)
    assert code == 2 and f"is closed; open it again first: diagnose cases reopen {NAME}" in said
    assert run(["cases", "reopen", NAME, "--cases", str(log)]) == 0
    case = case_in(log)
    assert (case.status, case.not_found, case.minutes) == (OPEN, False, None)
    assert "not_found: yes" in case.notes[-1].text and "minutes: 20" in case.notes[-1].text
    assert closed(log, capsys, "--cause", "feeds_exchanged", *SURE)[0] == 0
    case = case_in(log)
    assert (case.confirmed, case.not_found, len(case.notes), len(case.answers)) == (("feeds_exchanged",), False, 1, 2)


def test_a_remedy_that_is_written_down_is_not_asked_about(log: Path) -> None:
    file = cases.load(log, NAME)
    cases.save(file, cases.with_remedy(file.case, RemedyTried("feeds_exchanged", CURED, AT, "fitter")))
    child = at_terminal(log, "--cause", "feeds_exchanged", "--put-right", "--minutes", "5")
    assert child.expect(["what put it right", "how was it made sure"]) == 1
    child.sendline("it keeps its stations")
    assert ended(child) == 0
    assert len(case_in(log).remedies) == 1


def test_what_helped_in_part_leaves_something_to_be_said(log: Path) -> None:
    file = cases.load(log, NAME)
    cases.save(file, cases.with_remedy(file.case, RemedyTried("feeds_exchanged", PARTLY, AT, "fitter")))
    child = at_terminal(log, "--cause", "feeds_exchanged", "--not-put-right", "--minutes", "5")
    child.expect("it helped in part; what remained")
    child.sendline("the clock still resets")
    assert ended(child) == 0
    assert case_in(log).notes[-1].text.endswith("what remained: the clock still resets")
    assert run(["cases", "reopen", NAME, "--cases", str(log)]) == 0
    child = at_terminal(log, "--cause", "feeds_exchanged", "--put-right", "--minutes", "5", "--verified", "clock kept")
    child.expect("it helped in part; what put the rest right")
    child.sendline("the second splice soldered")
    assert ended(child) == 0
    assert [(r.outcome, r.note) for r in case_in(log).remedies] == [(PARTLY, ""), (CURED, "the second splice soldered")]


def test_answers_that_cannot_all_be_true_can_still_be_closed(log: Path) -> None:
    file = cases.load(log, NAME)
    cases.save(file, cases.with_answer(file.case, CaseAnswer("gone_from_the_files", "yes", "fitter", at=AT)))
    child = at_terminal(log, *SURE)
    child.expect("what was it")
    child.sendline("not found")
    assert ended(child) == 0
    assert case_in(log).not_found
