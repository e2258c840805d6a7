"""Written messages, the answers to them, and the visit sheet."""

from __future__ import annotations

import io
import re
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from diagnose import case as cases
from diagnose.case import CaseFile
from diagnose.caserecord import NO_CHANGE, Case, CaseAnswer, RemedyTried
from diagnose.cautions import cautions_for, words_of
from diagnose.conversation import already_asked, letters
from diagnose.correspondence import Sheet, compose, read_answer, sheet_of, with_words
from diagnose.network import Opened
from diagnose.nextcheck import Situation, allowed, asked_of, choose
from diagnose.records import CHECK, CIRCUMSTANCE, Finding
from diagnose.screens_call import message_text, show_sheet
from diagnose.session import standing
from diagnose.source import ImpossibleEvidence
from tests.test_gain import sampled_answers

COMPLAINTS = (
    "it asks for a code every morning", "the touch screen does not react", "poor reception since the fitting",
    "the radio is completely dead", "reversing camera picture is upside down", "the electric aerial stays up",
    "steering wheel buttons do nothing", "sat nav loses its position",
)


def written(opened: Opened, folder: Path, words: str, *,
            tools: frozenset[str] = frozenset()) -> tuple[CaseFile, list[Finding], str]:
    """A new case with these words, the questions of the message to it, and the message."""
    header = opened.knowledge.header
    case, _ = with_words(opened, Case("", cases.now(), header.id, header.version, ""), words)
    file, findings, greeting = compose(opened, cases.create(folder, case), count=3, tools=tools)
    return file, findings, message_text(opened.knowledge, findings, greeting=greeting)


@pytest.mark.parametrize("words", COMPLAINTS)
def test_a_message_asks_nothing_twice_and_nothing_out_of_reach(head_unit: Opened, tmp_path: Path, words: str) -> None:
    """What the words imply is not asked, nor what only the fitter can see; a choice has a line, a caution stands where its
    question is and once."""
    knowledge = head_unit.knowledge
    file, findings, message = written(head_unit, tmp_path, words, tools=frozenset(knowledge.header.tools))
    said = {answer.finding for answer in file.case.answers}
    implied = {name for finding in said for name in knowledge.findings[finding].needs}
    assert said and not said.union(implied).intersection(finding.id for finding in findings)
    assert all("customer" in f.who for f in findings if f.who) and len(findings) >= 2
    assert not any("unit_out" in f.set_ups for f in findings)
    assert max(map(len, message.splitlines())) <= 78
    parts = [" ".join(part.split()) for part in re.split(r"^\d\. ", message, flags=re.M)]
    shown: set[str] = set()
    for finding, part in zip(findings, parts[1:], strict=True):
        assert part.startswith(finding.ask)
        for caution in cautions_for(knowledge, finding, "customer"):
            assert (words_of(caution, "customer") in part) == (caution.id not in shown)
            assert caution.id not in shown or "as before" in part
            assert part.find("Please mind") < (part.find(finding.how["customer"][0]) if finding.kind == CHECK else len(part))
            shown.add(caution.id)
        if set(finding.levels) != {"no", "yes"}:
            for letter, meaning in zip(letters(finding), finding.meanings, strict=True):
                assert re.search(rf"^   {letter}\) {re.escape(meaning.split()[0])}", message, re.M)
                assert f"{letter}) {meaning}" in part


STYLES = (
    lambda n, letter, meaning: f"{n} {letter}, ",
    lambda n, letter, meaning: f"{n}{letter} ",
    lambda n, letter, meaning: f"{n}. {letter}\n",
    lambda n, letter, meaning: f"{n}) {letter.upper()})\n",
    lambda n, letter, meaning: f"{n}: {letter}) {meaning}\n",
)


@pytest.mark.parametrize("words", COMPLAINTS[::3])
def test_letters_come_back_as_they_were_meant(head_unit: Opened, tmp_path: Path, words: str) -> None:
    file, findings, _ = written(head_unit, tmp_path, words)
    rng = np.random.default_rng(5)
    for style in STYLES:
        meant = [int(rng.integers(len(finding.levels))) for finding in findings]
        answer = "".join(style(n, list(letters(f))[x], f.meanings[x])
                         for n, (f, x) in enumerate(zip(findings, meant, strict=True), 1))
        read = read_answer(head_unit, file.case, answer)
        assert [line.answer.level if line.answer else "" for line in read] == [f.levels[x] for f, x in zip(findings, meant,
                                                                                                  strict=True)], answer
        assert all(line.doubt == "" and line.answer and line.answer.sure for line in read), answer


def test_what_is_doubtful_is_marked(head_unit: Opened, tmp_path: Path) -> None:
    file, findings, _ = written(head_unit, tmp_path, "poor reception since the fitting")
    assert [f.id for f in findings[:2]] == ["smell_smoke_heat", "aerial_amplifier"]
    read = read_answer(head_unit, file.case, "1 a) it stank of burning 2 no, only sometimes")
    assert all(line.doubt for line in read[:2]) and not any(line.answer.sure for line in read[:2] if line.answer)
    assert read[2].understood == "(no answer)" and read[2].answer is None
    in_order = read_answer(head_unit, file.case, "\n".join(["a", "yes", *["b"] * (len(findings) - 2)]))
    assert {line.doubt for line in in_order} == {"no number before it"}
    assert [line.answer.level for line in in_order[:2] if line.answer] == ["none", "yes"]
    assert all(line.answer is None for line in read_answer(head_unit, file.case, "a, yes"))  # too few to tell which


def test_trouble_mentioned_beside_the_answers_is_asked_about(head_unit: Opened, tmp_path: Path) -> None:
    file, findings, _ = written(head_unit, tmp_path, "no sound from the left front speaker")
    asked = [finding.id for finding in findings]
    before = "Hello, the clock is always an hour out as well.\n"
    answer = before + "\n".join(f"{number}) sorry mate, left it at home, and parking sensors stopped beeping"
                               for number in range(1, len(asked) + 1))
    lines = read_answer(head_unit, file.case, answer)
    assert [line.finding for line in lines[:len(asked)]] == asked
    besides = {line.finding: line for line in lines[len(asked):]}
    assert set(besides) == {"clock_wrong", "chimes_missing"}
    assert all(line.doubt and line.answer and line.answer.level == "yes" for line in besides.values())
    plain = "\n".join(f"{number}) dont know mate" for number in range(1, len(asked) + 1))
    assert [line.understood for line in read_answer(head_unit, file.case, plain)] == ["unknown"] * len(asked)


def test_what_only_the_fitter_knows_is_asked_of_the_fitter_in_a_call_and_never_in_writing(head_unit: Opened) -> None:
    knowledge = head_unit.knowledge
    hidden = [f for f in knowledge.of_kind(CIRCUMSTANCE) if f.who]
    assert {f.who for f in hidden} == {("fitter",)}
    for finding in hidden:
        assert allowed(knowledge, finding, Situation()) and asked_of(finding, Situation()) == "fitter"
        assert not allowed(knowledge, finding, Situation(alone=True))
        assert asked_of(finding, Situation(who="workshop")) == "workshop"


def test_a_grave_message_begins_with_what_to_do_now(head_unit: Opened, tmp_path: Path) -> None:
    _, findings, message = written(head_unit, tmp_path, "smoke came out of the dash")
    advice = head_unit.knowledge.header.advice["stop_now"]
    assert findings == [] and " ".join(message.split()).startswith(f"Thank you for your message. {advice}")
    assert "write the number" not in message and head_unit.knowledge.header.notice.split()[0] in message


def test_under_a_stop_only_what_may_lift_it_is_asked_without_a_trouble_what_it_is(head_unit: Opened, tmp_path: Path) -> None:
    header = head_unit.knowledge.header
    _, findings, message = written(head_unit, tmp_path, "there is an amp in the boot")
    assert [f.id for f in findings] == list(header.first_checks) and "what it does or does not do" in message
    words = "another fuse had blown"
    case, _ = with_words(head_unit, Case("", cases.now(), header.id, header.version, ""), words)
    advice = standing(head_unit, case).triage.advice
    assert advice.safety == "stop_now" and advice.lifted_by == header.first_checks
    _, findings, message = written(head_unit, tmp_path, words)
    assert [f.id for f in findings] == list(header.first_checks) and advice.text in " ".join(message.split())


# --- the visit sheet ---------------------------------------------------------------------------------------------------


def sheets(opened: Opened, seed: int, count: int) -> list[tuple[Case, Sheet]]:
    """Visit sheets of random cases: true states of random causes answered by customer and fitter, some remedies tried."""
    rng = np.random.default_rng(seed)
    header, found = opened.knowledge.header, []
    for number in range(count):
        case = Case("", cases.now(), header.id, header.version, f"job-{number}")
        for answer in sampled_answers(opened, rng, 1 + number % 5):
            finding = opened.knowledge.findings[answer.finding]
            if finding.kind == CIRCUMSTANCE:
                case = cases.with_circumstance(case, answer.finding, str(answer.level))
            else:
                case = cases.with_answer(case, CaseAnswer(answer.finding, answer.level, answer.who, answer.method, True, None,
                                                          "", cases.now()))
        if number % 3 == 0:
            tried = list(opened.knowledge.causes)[int(rng.integers(len(opened.knowledge.causes)))]
            case = cases.with_remedy(case, RemedyTried(tried, NO_CHANGE, cases.now(), "fitter"))
        try:
            now = standing(opened, case)
        except ImpossibleEvidence:
            continue
        situation = Situation(who="fitter", asked=already_asked(opened, case, "fitter"), circumstances=dict(case.circumstances))
        choice = choose(opened.knowledge, opened.network, now.evidence, now.posterior, situation, explained=0)
        found.append((case, sheet_of(opened, case, now.triage, choice, most=6)))
    return found


def test_whatever_stands_on_a_sheet_may_be_done_and_adds_up(head_unit: Opened) -> None:
    knowledge = head_unit.knowledge
    header = knowledge.header
    made_sheets = sheets(head_unit, 11, 24)
    assert len(made_sheets) > 18 and sum(len(sheet.checks) for _, sheet in made_sheets) > 80
    for case, sheet in made_sheets:
        asked = {answer.finding for answer in case.answers} | set(case.circumstances)
        minutes, there = 0.0, set[str]()
        for line in sheet.checks:
            check = knowledge.findings[line.finding]
            assert check.kind == CHECK and check.id not in asked and "fitter" in check.who and check.how["fitter"]
            assert all("fitter" in header.set_ups[name].who for name in check.set_ups)
            assert all(case.circumstances.get(name, level) == level for name, level in check.needs.items())
            new = [name for name in check.set_ups if name not in there]
            assert line.set_ups == tuple(header.set_ups[name].title for name in new)
            assert line.set_up_minutes == sum(header.set_ups[name].minutes for name in new)
            there.update(new)
            minutes += check.minutes + line.set_up_minutes
        assert sheet.checks_minutes == pytest.approx(minutes, abs=1e-9)
        first = [name for name in header.first_checks if name not in asked]
        assert [line.finding for line in sheet.checks[:len(first)]] == first
        assert len({line.cause for line in sheet.remedies}) == len(sheet.remedies)
        for one in sheet.remedies:
            remedy = knowledge.causes[one.cause].remedy
            assert one.way == ("workshop" if remedy.who == ("workshop",) else "here") and one.minutes == remedy.minutes
            new = [name for name in remedy.set_ups if name not in there] if one.way == "here" else []
            assert one.set_ups == tuple(header.set_ups[name].title for name in new)
            there.update(new)
            assert one.cautions == remedy.cautions and one.cause not in {tried.cause for tried in case.remedies}
        shares = (*sheet.likely, *sheet.bring, *sheet.answers_for)
        assert all(0.0 <= share.p <= 1.0 for share in shares) and all(0.0 <= one.p <= 1.0 + 1e-9 for one in sheet.remedies)
        assert sum(share.p for share in sheet.answers_for) == pytest.approx(1.0 if sheet.answers_for else 0.0, abs=1e-9)
        assert {share.id for share in sheet.bring} <= set(header.parts) and sheet.plan_minutes >= 0 and sheet.minutes >= 0
        listed = [caution.id for caution in sheet.cautions]
        assert len(listed) == len(set(listed))
        assert set(listed) >= {name for one in sheet.checks for name in one.cautions}
        assert set(listed) >= {name for one in sheet.remedies for name in one.cautions}


def test_a_sheet_on_the_screen_says_each_caution_in_full_once_and_before_its_title_alone(head_unit: Opened) -> None:
    for _, sheet in sheets(head_unit, 12, 6):
        drawn = io.StringIO()
        show_sheet(Console(file=drawn, width=4000), sheet)
        screen = drawn.getvalue()
        for caution in sheet.cautions:
            assert screen.count(caution.text) == 1
            later = screen.find(f"as above: {caution.title.lower()}")
            assert later == -1 or screen.find(caution.text) < later
        if sheet.safety in ("stop_now", "do_not_use"):
            assert screen.find(sheet.advice) < screen.find("KNOWN")
