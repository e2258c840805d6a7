"""Written messages and the answers to them."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from diagnose import case as cases
from diagnose.case import CaseFile
from diagnose.caserecord import Case
from diagnose.cautions import cautions_for, words_of
from diagnose.conversation import letters
from diagnose.correspondence import compose, read_answer, with_words
from diagnose.network import Opened
from diagnose.records import CHECK, CIRCUMSTANCE, Finding
from diagnose.screens_call import message_text

COMPLAINTS = (
    "it asks for a code every morning", "the touch screen does not react", "poor reception since the fitting",
    "forgets its stations every night and the battery was flat", "no sound from any speaker", "the radio is completely dead",
    "whine that gets louder with the engine revs", "reversing camera picture is upside down", "the electric aerial stays up",
    "steering wheel buttons do nothing", "my phone won't pair", "restarts when I turn it up loud", "sat nav loses its position",
)


def written(opened: Opened, folder: Path, words: str, *,
            tools: frozenset[str] = frozenset()) -> tuple[CaseFile, list[Finding], str]:
    """A new case with these words, the questions of the message to it, and the message."""
    header = opened.knowledge.header
    case, _ = with_words(opened, Case("", cases.now(), header.id, header.version, ""), words)
    file, findings, greeting = compose(opened, cases.create(folder, case), count=4, tools=tools)
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


@pytest.mark.parametrize("words", COMPLAINTS[::2])
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


def test_what_only_the_fitter_knows_is_asked_of_the_fitter_in_a_call_and_never_in_writing(head_unit: Opened) -> None:
    from diagnose.nextcheck import Situation, allowed, asked_of

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
