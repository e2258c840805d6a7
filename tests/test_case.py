"""The record of a case: what is written is what is read, mistakes are told with their line, transitions are pure."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose import case as cases
from diagnose.case import Case, CaseAnswer, Note, RemedyTried, parse
from diagnose.caserecord import quick_case
from diagnose.evidence import Answer
from diagnose.knowledge import find_network, load_knowledge
from diagnose.network import Opened
from diagnose.records import METHODS
from diagnose.source import LARGEST_FILE, InputError, parse_yaml

DEMONSTRATION = Path(__file__).resolve().parent.parent / "cases"
AT = "2026-11-05T14:32:07+00:00"
LATER = "2026-11-05T15:01:00+00:00"
SAMPLE = """\
schema: 1
case: 20261105-1432
opened: 2026-11-05T14:32:07+00:00
network: head_unit
knowledge: 1.0.0
reference: job-0412
circumstances:
  aerial_amplifier: yes
  factory_amplifier: no
answers:
- finding: forgets_at_key_off
  level: yes
  who: customer
  sure: yes
  at: 2026-11-05T14:33:00+00:00
- finding: memory_feed_key_off
  reading: 0.2
  unit: V
  who: customer
  method: meter
  sure: no
  at: 2026-11-05T14:41:00+00:00
  note: 'lamp #2: dim'
- finding: buttons_dark
  unanswered: unknown
  who: customer
  sure: yes
  at: 2026-11-05T14:42:00+00:00
remedies:
- cause: feeds_exchanged
  outcome: cured
  at: 2026-11-06T09:20:00+00:00
  minutes: 12
  who: fitter
  answers_before: 3
notes:
- at: 2026-11-06T09:30:00+00:00
  text: |-
    Rang back.

    All well.
status: closed
closed: 2026-11-06T09:31:00+00:00
confirmed:
- feeds_exchanged
fully_put_right: yes
verified: settings survive key off and on twice
minutes: 47.5
parts:
- bullets
"""
USUAL = SAMPLE.replace("|-\n    Rang back.\n\n    All well.", "Rang back, all well.").replace("'lamp #2: dim'", "dim")


def read(text: str, **more: Any) -> Case:
    return cases.parse(parse_yaml(text.encode(), "one.yaml"), "one.yaml", **more)


def problems_of(text: str, **more: Any) -> list[tuple[int, str]]:
    with pytest.raises(InputError) as caught:
        read(text, **more)
    return [(problem.line, str(problem)) for problem in caught.value.problems]


def opened(**more: Any) -> Case:
    return Case("20261105-1432", AT, "head_unit", "1.0.0", **more)


def yes(finding: str, at: str = AT) -> CaseAnswer:
    return CaseAnswer(finding, "yes", at=at)


def test_the_sample_is_read_field_by_field() -> None:
    case = read(SAMPLE)
    assert case.id == "20261105-1432" and case.reference == "job-0412" and case.knowledge == "1.0.0"
    assert case.circumstances == {"aerial_amplifier": "yes", "factory_amplifier": "no"}
    assert case.answers[1] == CaseAnswer("memory_feed_key_off", None, "customer", "meter", False, 0.2, "V",
                                         "2026-11-05T14:41:00+00:00", "lamp #2: dim")
    assert case.answers[2].unanswered == cases.UNKNOWN
    assert case.remedies == (RemedyTried("feeds_exchanged", "cured", "2026-11-06T09:20:00+00:00", "fitter", 12, "", 3),)
    assert case.notes[0].text == "Rang back.\n\nAll well."
    assert (case.status, case.confirmed, case.fully_put_right, case.minutes) == ("closed", ("feeds_exchanged",), True, 47.5)


def test_the_sample_is_written_line_by_line() -> None:
    assert cases.to_text(read(SAMPLE)) == SAMPLE


def test_an_open_case_says_little() -> None:
    text = cases.to_text(opened())
    assert text == ("schema: 1\ncase: 20261105-1432\nopened: 2026-11-05T14:32:07+00:00\nnetwork: head_unit\n"
                    "knowledge: 1.0.0\nstatus: open\n")
    assert read(text) == opened()


# What people type, and what YAML gives a meaning to: indicators, breaks of every kind, byte order mark, C0 and C1 controls
# (YAML 1.2.2, sections 5.1 to 5.7), surrogates left out because they are no characters.
free = st.text(st.characters(exclude_categories=["Cs"])) | st.text(st.sampled_from(
    " \n\t\r#:-'\"{}[],&*!|>%@`~?=\\\x00\x07\x1b\x7f\x85\x9b\u2028\u2029\ufeff\u202eaé漢1"), max_size=8)
names = st.text("abz_09", min_size=1, max_size=6).map("n".__add__)
times = st.builds(lambda t, m: t.replace(tzinfo=timezone(timedelta(minutes=m))).isoformat(timespec="seconds"),
                  st.datetimes(datetime(1, 1, 1), datetime(9999, 12, 31)), st.integers(-1439, 1439))
minutes = st.none() | st.floats(0, 1e6)
said: st.SearchStrategy[dict[str, Any]] = st.one_of(
    st.fixed_dictionaries({"level": names}),
    st.fixed_dictionaries({"reading": st.floats(-1e9, 1e9), "unit": st.sampled_from(["", "V", "mA", "kohm", "%", "°C", "µV"])}),
    st.fixed_dictionaries({"unanswered": st.sampled_from(["skipped", "unknown"])}))
answers = st.builds(lambda given, **more: CaseAnswer(**more, **given), said, finding=names, who=names, at=times, note=free,
                    method=st.none() | st.sampled_from(["recall", "look", "meter", "exchange"]), sure=st.booleans())
remedies = st.builds(RemedyTried, names, st.sampled_from(["cured", "no_change", "partly"]), times, names, minutes, free,
                     st.integers(0, 3))
endings: st.SearchStrategy[dict[str, Any]] = st.just({}) | st.builds(
    lambda found, **more: dict(more, status="closed", **found),
    st.one_of(st.fixed_dictionaries({"confirmed": st.lists(names, min_size=1, max_size=3, unique=True).map(tuple)}),
              st.just({"not_found": True}), st.fixed_dictionaries({"unlisted": free.filter(bool)})),
    closed=times, fully_put_right=st.booleans(), verified=free, minutes=minutes,
    parts=st.lists(names, max_size=3, unique=True).map(tuple))
any_case = st.builds(
    lambda ending, **more: Case(**more, **ending), endings,
    id=st.builds("{:08}-{:04}{}".format, st.integers(0, 99999999), st.integers(0, 9999), st.sampled_from(["", "-2", "-10"])),
    opened=times, network=names, knowledge=st.sampled_from(["1", "1.0.0", "0.12-beta"]),
    reference=st.text("aZ09_./#-", max_size=6).map("J".__add__) | st.just(""),
    circumstances=st.dictionaries(names, st.sampled_from(["yes", "no"]), max_size=3),
    answers=st.lists(answers, min_size=3, max_size=4).map(tuple), remedies=st.lists(remedies, max_size=2).map(tuple),
    notes=st.lists(st.builds(Note, times, free.filter(bool)), max_size=3).map(tuple))


@settings(max_examples=120, deadline=None)
@given(any_case)
def test_what_is_written_is_read_back_equal_and_holds_no_control_character(case: Case) -> None:
    text = cases.to_text(case)
    assert read(text) == case
    assert quick_case(text.encode()) in (None, case)
    assert cases.to_text(read(text)) == text
    # YAML 1.2.2, section 5.1: C0 except tab and line feed, DEL, C1, surrogates must be escaped. NEL, LS, PS break lines.
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff\ufeff]", text)


ODD = ["", " ", ":", ": ", "#", " #", "-", "'", "''", ",", "x", "9", "\t", "\x00", "é", "\u202e", "\ufeff"]


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_the_quick_reader_sees_what_the_yaml_parser_sees(data: st.DataObject) -> None:
    lines = USUAL.splitlines(keepends=True)
    for _ in range(data.draw(st.integers(1, 3))):
        place = data.draw(st.integers(0, len(lines) - 1))
        change = data.draw(st.sampled_from(["drop", "double", "indent", "put", "cut", "swap"]))
        if change == "drop" and len(lines) > 1:
            del lines[place]
        elif change == "double":
            lines.insert(place, lines[place])
        elif change == "indent":
            lines[place] = data.draw(st.sampled_from(["  ", "- ", " "])) + lines[place].lstrip(" -")
        elif change == "put":
            lines.insert(place, data.draw(st.sampled_from(
                ["- x\n", "  k: v\n", "k:\n", "k: a: b\n", "k: a:\n", "- K: v\n", "---\n", "...\n", "# k\n", "\n", "k: 'v\n",
                 "  note: 'a: b'\n", "  minutes: 7\n", "  unanswered: unknown\n", "  answers_before: 3\n", "minutes: 5\n",
                 "not_found: yes\n", "unlisted: a mouse\n", "status: open\n", "  aerial_amplifier: no\n"])))
        elif change == "cut":
            at = data.draw(st.integers(0, len(lines[place])))
            lines[place] = lines[place][:at] + data.draw(st.sampled_from(ODD)) \
                + lines[place][at:]
        else:
            lines[place], lines[-1] = lines[-1], lines[place]
    raw = "".join(lines).encode()
    quick = quick_case(raw)
    if quick is not None:
        assert quick == cases.parse(parse_yaml(raw, "one.yaml"), "one.yaml")


def test_the_quick_reader_takes_the_usual_case() -> None:
    assert quick_case(USUAL.encode()) == read(USUAL)
    for path in DEMONSTRATION.glob("*.yaml"):
        assert quick_case(path.read_bytes()) == read(path.read_text())
    assert quick_case(SAMPLE.encode()) is None and quick_case(b"") is None and quick_case(USUAL[:-1].encode()) is None


@pytest.mark.parametrize(("old", "new", "line", "words"), [
    ("case: 20261105-1432", "case: monday", 2, "has not the form"),
    ("opened: 2026-11-05T14:32:07+00:00", "opened: 2026-11-05T14:32:07", 3, "offset from UTC"),  # ISO 8601, 4.3.2: local time
    ("opened: 2026-11-05T14:32:07+00:00", "opened: yesterday", 3, "offset from UTC"),
    ("opened: 2026-11-05T14:32:07+00:00", "opened: [1, 2]", 3, "text is wanted"),
    ("network: head_unit\n", "", 1, "'network' is missing"),
    ("aerial_amplifier: yes", "aerial_amplifier: maybe", 8, "'maybe' is not known"),
    ("answers:\n", "answers: none\nnothing:\n", 10, "a list is wanted"),
    ("- finding: forgets_at_key_off\n  level: yes", "- finding: forgets_at_key_off\n  levle: yes", 12, "did you mean 'level'?"),
    ("  level: yes\n", "", 11, "one of level, reading and unanswered"),
    ("  level: yes\n", "  level: yes\n  unanswered: skipped\n", 11, "here are 2"),
    ("reading: 0.2", "reading: about 0.2", 17, "a number is wanted"),
    ("reading: 0.2", "reading: .nan", 17, "number"),
    ("reading: 0.2", "reading: 1e300", 17, "out of range"),
    ("reading: 0.2\n  unit: V", "level: dead\n  unit: V", 18, "a unit without a reading"),
    ("method: meter", "method: guess", 20, "'guess' is not known"),
    ("sure: no", "sure: perhaps", 21, "'perhaps' is not known"),
    ("unanswered: unknown", "unanswered: dunno", 25, "'dunno' is not known"),
    ("outcome: cured", "outcome: better", 31, "'better' is not known"),
    ("minutes: 12", "minutes: -3", 33, "out of range"),
    ("answers_before: 3", "answers_before: 4", 35, "out of range"),
    ("answers_before: 3", "answers_before: 1.5", 35, "whole number"),
    ("- at: 2026-11-06T09:30:00+00:00\n", "- at: 2026-13-06T09:30:00+00:00\n", 37, "offset from UTC"),
    ("status: closed", "status: done", 42, "'done' is not known"),
    ("status: closed", "status: open", 43, "an open case has no such entry yet"),
    ("closed: 2026-11-06T09:31:00+00:00\n", "", 1, "'closed' is missing"),
    ("fully_put_right: yes\n", "", 1, "'fully_put_right' is missing"),
    ("confirmed:\n- feeds_exchanged\n", "", 42, "exactly one of confirmed"),
    ("confirmed:\n", "not_found: yes\nconfirmed:\n", 42, "exactly one of confirmed"),
    ("- feeds_exchanged\nfully", "- feeds_exchanged\n- feeds_exchanged\nfully", 45, "twice"),
    ("- bullets", "- two words", 50, "has not the form"),
    ("minutes: 47.5", "minutes: [47]", 48, "a number is wanted"),
])
def test_a_mistake_made_by_hand_is_told_with_its_line(old: str, new: str, line: int, words: str) -> None:
    assert SAMPLE.count(old) == 1
    found = problems_of(SAMPLE.replace(old, new))
    assert any(at == line and words in text for at, text in found), found
    assert all(text.startswith("one.yaml:") for _, text in found)


def test_all_mistakes_are_told_at_once_in_order() -> None:
    found = problems_of(SAMPLE.replace("sure: no", "sure: perhaps").replace("outcome: cured", "outcome: better"))
    assert [line for line, _ in found] == [21, 31]


@pytest.mark.parametrize("key", ["name", "customer", "telephone", "phone", "plate", "registration", "address"])
def test_there_is_no_place_for_who_the_customer_is(key: str) -> None:
    assert any(f"{key!r} is not known here" in text for _, text in problems_of(SAMPLE + f"{key}: x\n"))


@pytest.mark.parametrize("reference", ["07700900123", "+44 7700 900123", "Ms Wren", "a@b", "", "x" * 41, "[a]"])
def test_the_reference_is_a_job_reference_only(reference: str) -> None:
    # 07700 900000 to 900999 is the range the British regulator keeps free for drama.
    assert problems_of(SAMPLE.replace("job-0412", f"'{reference}'" if reference else "[]"))


@pytest.mark.parametrize(("schema", "words"), [("2", "'2', not the schema 1"), ("0", "'0', an older one than the schema 1"),
                                               ("one", "'one', not"), ("²", "'²', not"), ("1.0", "'1.0', not"), ("01", "'01'")])
def test_another_schema_is_named_and_nothing_else_is_read(schema: str, words: str) -> None:
    found = problems_of(SAMPLE.replace("schema: 1", f"schema: {schema}").replace("sure: no", "sure: perhaps"))
    assert len(found) == 1 and found[0][0] == 1 and words in found[0][1] and "left as it is" in found[0][1]


def test_a_case_without_a_schema_is_told_so() -> None:
    assert problems_of(SAMPLE.replace("schema: 1\n", "")) == [(1, "one.yaml:1: case: the key 'schema' is missing; add it")]


def test_ids_are_looked_up_when_the_knowledge_is_given() -> None:
    knowledge = load_knowledge(find_network("head_unit"))
    text = SAMPLE.replace("buttons_dark", "smell_smoke_heat")
    assert read(text, knowledge=knowledge) == read(text)
    for old, new, line, words in (
            ("finding: forgets_at_key_off", "finding: forgets_at_key_of", 11, "did you mean 'forgets_at_key_off'?"),
            ("  level: yes", "  level: sometimes", 12, "'sometimes' is not known here; known: no, yes"),
            ("  who: fitter", "  who: fiter", 34, "did you mean 'fitter'?"),
            ("cause: feeds_exchanged", "cause: feed_exchanged", 30, "did you mean 'feeds_exchanged'?"),
            ("\n- feeds_exchanged\n", "\n- feed_exchanged\n", 45, "did you mean 'feeds_exchanged'?"),
            ("- bullets", "- bulets", 50, "did you mean 'bullets'?"),
            ("  factory_amplifier: no", "  factory_amplifer: no", 9, "did you mean 'factory_amplifier'?")):
        assert text.count(old) == 1
        assert any(at == line and words in told for at, told in problems_of(text.replace(old, new), knowledge=knowledge)), new


def test_a_case_of_another_network_is_not_looked_up() -> None:
    knowledge = load_knowledge(find_network("head_unit"))
    assert read(SAMPLE.replace("network: head_unit", "network: lighting_rig"), knowledge=knowledge).network == "lighting_rig"


def test_answers_become_answers_of_the_evidence() -> None:
    assert CaseAnswer._fields[:6] == Answer._fields
    first = cases.answers_in_force(read(SAMPLE))[2]
    assert Answer(*first[:6]) == Answer("forgets_at_key_off", "yes", "customer")


# Transitions


def test_an_answer_goes_to_the_end_and_comes_back_off() -> None:
    one = cases.with_answer(opened(), yes("a"))
    two = cases.with_answer(one, yes("b"))
    assert [answer.finding for answer in two.answers] == ["a", "b"] and opened().answers == ()
    assert cases.without_last_answer(two) == one
    with pytest.raises(InputError, match="no answer to take back"):
        cases.without_last_answer(opened())


@pytest.mark.parametrize("answer", [
    CaseAnswer("a"), CaseAnswer("a", "yes", reading=1.0), CaseAnswer("a", "yes", unanswered="skipped")])
def test_an_answer_is_exactly_one_thing(answer: CaseAnswer) -> None:
    with pytest.raises(InputError, match="a level, a reading, or unanswered"):
        cases.with_answer(opened(), answer)


def test_a_closed_case_takes_notes_only_until_it_is_opened_again() -> None:
    case = cases.with_answer(opened(), yes("a"))
    done = cases.closed_as(case, at=LATER, confirmed=["c"], fully_put_right=True, verified="twice", minutes=30, parts=["p"])
    assert (done.status, done.closed, done.confirmed, done.parts) == ("closed", LATER, ("c",), ("p",))
    assert read(cases.to_text(done)) == done
    noted = cases.with_note(done, "rang again", at=LATER)
    for change in (lambda: cases.with_answer(done, yes("b")), lambda: cases.without_last_answer(done),
                   lambda: cases.with_remedy(done, RemedyTried("c", "cured", LATER, "fitter")),
                   lambda: cases.with_circumstance(done, "x", "yes"),
                   lambda: cases.closed_as(done, at=LATER, not_found=True, fully_put_right=False)):
        with pytest.raises(InputError, match="is closed; open it again first"):
            change()
    again = cases.reopened(noted, at=LATER)
    assert again._replace(notes=()) == case
    assert again.notes[0].text == "rang again"
    assert all(word in again.notes[1].text for word in ("status: closed", LATER, "confirmed:\n- c", "twice", "minutes: 30"))
    assert read(cases.to_text(again)) == again
    with pytest.raises(InputError, match="is open"):
        cases.reopened(again, at=LATER)


@pytest.mark.parametrize("ending", [{}, {"confirmed": ["c"], "not_found": True}, {"not_found": True, "unlisted": "a nail"},
                                    {"confirmed": ["c"], "unlisted": "a nail"}])
def test_a_case_ends_in_exactly_one_way(ending: dict[str, Any]) -> None:
    with pytest.raises(InputError, match="give one of them"):
        cases.closed_as(opened(), at=LATER, fully_put_right=True, **ending)


def test_a_note_may_be_long_but_not_without_end() -> None:
    longest = cases.with_note(opened(), "x" * cases.LONGEST_NOTE, at=AT)
    assert read(cases.to_text(longest)) == longest
    for change in (lambda text: cases.with_note(opened(), text, at=AT),
                   lambda text: cases.with_answer(opened(), yes("a")._replace(note=text)),
                   lambda text: cases.with_remedy(opened(), RemedyTried("c", "cured", AT, "fitter", note=text))):
        for size in (cases.LONGEST_NOTE + 1, 10_000_000):
            with pytest.raises(InputError, match=f"the note has {size:,} characters; keep it to 100,000"):
                change("x" * size)
    with pytest.raises(InputError, match="the note is empty"):
        cases.with_note(opened(), "", at=AT)


def test_a_note_too_long_in_a_file_is_told_with_its_line() -> None:
    found = problems_of(cases.to_text(opened(notes=(Note(AT, "x" * 100_001),))))
    assert found[0][0] == 8 and "100,001 characters" in found[0][1]


# Controls and mark-up as terminals, shells, pages and YAML take them (ECMA-48 for the escape sequences).
@pytest.mark.parametrize("text", [
    "\x1b[31mred\x1b[0m \x1b]0;title\x07", "\x9b31m", "a\x00b", "a\r\nb\rc", "tab\there", "[bold]x[/bold] [/foo]",
    "<script>alert(1)</script>", "&anchor *alias !tag", "<<: {a: b}", "--- \n...\n---", "# not a comment", "key: value",
    "- item\n- item", "{{ }} {% %} $(reboot) `reboot`", "'; --", "%YAML 1.1", "\ufeffmark", "\u202eturned\u202c", "  ends  ",
    "\n\nlines\n\n", "next\x85line", "\u2028line", "paragraph\u2029", "yes", "null", "~", "1e3", "é ü 漢 🔧",
    "status: closed\ncase: 20200101-0000"])
def test_controls_and_mark_up_are_kept_as_plain_text(text: str) -> None:
    case = opened(notes=(Note(AT, text),), answers=(yes("a")._replace(note=text),))
    assert read(cases.to_text(case)) == case
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f]", cases.to_text(case))


def test_half_a_surrogate_pair_is_replaced() -> None:
    # The Unicode Standard, section 3.9 (U+FFFD substitution); such halves come from arguments that are not UTF-8.
    assert read(cases.to_text(opened(notes=(Note(AT, "a\udcffb"),)))).notes[0].text == "a\ufffdb"


# Stale answers


MOVES = {"fuse": {"dead", "feed"}, "aerial": ["hiss"]}


def test_the_latest_answer_counts_and_circumstances_come_first() -> None:
    case = opened(circumstances={"old": "no"}, answers=(yes("a"), yes("b"), CaseAnswer("a", "no", at=AT)))
    assert [(one.finding, one.level) for one in cases.answers_in_force(case)] == [("old", "no"), ("b", "yes"), ("a", "no")]


def test_a_remedy_makes_earlier_answers_stale_that_its_cause_moves() -> None:
    case = opened(answers=(yes("dead"), yes("hiss"), yes("feed")))
    tried = cases.with_remedy(case, RemedyTried("fuse", "partly", AT, "fitter"))
    assert [one.finding for one in cases.answers_in_force(tried, MOVES)] == ["hiss"]
    assert cases.stale_findings(tried, MOVES) == ("dead", "feed")
    assert [one.finding for one in cases.answers_in_force(tried)] == ["dead", "hiss", "feed"]
    asked = cases.with_answer(tried, CaseAnswer("dead", "no", at=LATER))
    assert [(one.finding, one.level) for one in cases.answers_in_force(asked, MOVES)] == [("hiss", "yes"), ("dead", "no")]
    assert cases.stale_findings(asked, MOVES) == ("feed",)


def test_a_remedy_of_an_unknown_cause_moves_nothing() -> None:
    case = cases.with_remedy(opened(answers=(yes("dead"),)), RemedyTried("other", "cured", AT, "fitter"))
    assert cases.stale_findings(case, MOVES) == ()


def test_unknown_takes_an_answer_back_and_skipped_does_not() -> None:
    skipped = CaseAnswer("a", at=AT, unanswered=cases.SKIPPED)
    case = opened(answers=(yes("a"), skipped))
    assert cases.answers_in_force(case) == (yes("a"),)
    case = cases.with_answer(case, skipped._replace(unanswered=cases.UNKNOWN))
    assert cases.answers_in_force(case) == ()


def test_a_clock_set_back_changes_no_order() -> None:
    early, late = "2026-11-05T09:00:00+00:00", "2026-11-05T18:00:00+00:00"
    case = cases.with_answer(opened(), yes("dead", late))
    case = cases.with_remedy(case, RemedyTried("fuse", "partly", early, "fitter"))  # the clock was set back before this
    case = cases.with_answer(case, yes("feed", early))
    case = read(cases.to_text(case))
    assert [one.at for one in case.answers] == [late, early]
    assert cases.stale_findings(case, MOVES) == ("dead",)
    assert [one.finding for one in cases.answers_in_force(case, MOVES)] == ["feed"]


def test_taking_back_the_answer_before_a_remedy_keeps_the_remedy() -> None:
    case = cases.with_remedy(opened(answers=(yes("hiss"), yes("dead"))), RemedyTried("fuse", "partly", AT, "fitter"))
    case = cases.with_answer(cases.without_last_answer(case), yes("feed", LATER))
    assert case.remedies[0].answers_before == 1
    assert cases.stale_findings(case, MOVES) == ()


@pytest.mark.parametrize(("at", "before"), [  # the second answer was given at 14:41:00 UTC; offsets as in ISO 8601
    ("2026-11-05T15:41:30+01:00", 2), ("2026-11-05T15:41:00+01:00", 2), ("2026-11-05T15:40:59+01:00", 1),
    ("2026-11-05T14:00:00+00:00", 0), ("2026-11-06T09:20:00Z", 3)])
def test_a_remedy_added_by_hand_is_placed_by_its_time(at: str, before: int) -> None:
    text = SAMPLE.replace("  answers_before: 3\n", "").replace("at: 2026-11-06T09:20:00+00:00", f"at: {at}")
    assert read(text).remedies[0].answers_before == before


def test_now_has_an_offset() -> None:
    moment = datetime.fromisoformat(cases.now())
    assert abs(moment - datetime.now(UTC)) < timedelta(seconds=5)


# The store, one writer


def test_a_case_is_written_read_changed_and_saved(tmp_path: Path) -> None:
    store = tmp_path / "a" / "cases"
    made = cases.create(store, opened()._replace(id=""))
    assert made.case.id == "20261105-1432" and made.path == store / "20261105-1432.yaml"
    loaded = cases.load(store, "20261105-1432")
    assert loaded == made
    saved = cases.save(loaded, cases.with_answer(loaded.case, yes("a")))
    assert cases.load(store, "20261105-1432") == saved and saved.case.answers == (yes("a"),)
    assert sorted(path.name for path in store.iterdir()) == [cases.MARKER, "20261105-1432.yaml"]
    with pytest.raises(ValueError, match="cannot be saved as"):
        cases.save(saved, saved.case._replace(id="20261105-1433"))


def test_ids_are_short_distinct_and_in_order(tmp_path: Path) -> None:
    made = [cases.create(tmp_path, opened()._replace(id="")).case.id for _ in range(12)]
    assert made == ["20261105-1432", *(f"20261105-1432-{number}" for number in range(2, 13))]
    cases.create(tmp_path, opened()._replace(id="", opened="2026-11-05T09:00:00+05:00"))
    assert [case.id for case in cases.iterate(tmp_path)] == ["20261105-0900", *made]
    assert cases.new_id(tmp_path, at=AT) == "20261105-1432-13"
    with pytest.raises(InputError, match="is no time"):
        cases.create(tmp_path, opened()._replace(id="", opened="soon"))


def test_an_id_that_is_taken_is_refused(tmp_path: Path) -> None:
    made = cases.create(tmp_path, opened())
    with pytest.raises(InputError, match="there is a case 20261105-1432 already"):
        cases.create(tmp_path, opened(reference="other"))
    assert cases.load(tmp_path, made.case.id) == made


def test_a_case_is_found_by_the_beginning_of_its_id(tmp_path: Path) -> None:
    for at in (AT, AT, "2026-11-05T16:00:00+00:00"):
        cases.create(tmp_path, opened()._replace(id="", opened=at))
    assert cases.load(tmp_path, "20261105-16").case.id == "20261105-1600"
    assert cases.load(tmp_path, "20261105-1432").case.id == "20261105-1432"
    for beginning, words in (("2026", "the beginning of 3 cases"), ("20261105-1433", "did you mean"), ("", "no case ''"),
                             ("../20261105-16", "no case"), ("x\x00", "no case"), ("*", "no case")):
        with pytest.raises(InputError, match=words):
            cases.load(tmp_path, beginning)
    with pytest.raises(InputError, match="no case '2026'"):
        cases.load(tmp_path / "nowhere", "2026")


def test_a_store_that_is_not_there_is_empty(tmp_path: Path) -> None:
    assert cases.load_all(tmp_path / "nowhere") == ([], [])


def test_what_cannot_be_read_is_reported_beside_the_rest(tmp_path: Path) -> None:
    good = cases.create(tmp_path, opened()).case
    wrong = SAMPLE.replace("20261105-1432", "20261106-0900").replace("sure: no", "sure: perhaps")
    (tmp_path / "20261106-0900.yaml").write_text(wrong)
    (tmp_path / "20261107-0900.yaml").write_text("schema: 7\ncase: 20261107-0900\n")
    (tmp_path / "20261108-0900.yaml").write_text("")
    (tmp_path / "20261109-0900.yaml").write_bytes(b"schema: 1\ncase: \xff\n")
    found, problems = cases.load_all(tmp_path)
    assert found == [good]
    assert [(Path(problem.file).name, problem.line) for problem in problems] == [
        ("20261106-0900.yaml", 21), ("20261107-0900.yaml", 1), ("20261108-0900.yaml", 1), ("20261109-0900.yaml", 2)]
    with pytest.raises(InputError, match="20261106"):
        list(cases.iterate(tmp_path))


def test_a_record_that_could_not_be_read_again_is_not_written(tmp_path: Path) -> None:
    made = cases.create(tmp_path, opened())
    before = made.path.read_bytes()
    for bad in (opened(answers=(CaseAnswer("two words", "yes", at=AT),)), opened(answers=(yes("a", "noon"),)),
                opened(reference="Ms Wren"), opened(notes=(Note(AT, ""),)),
                opened(answers=(CaseAnswer("a", reading=float("nan"), at=AT),)),
                opened(status="closed"), opened(notes=tuple(Note(AT, "x" * 100_000) for _ in range(50)))):
        with pytest.raises(InputError):
            cases.save(made, bad)
        with pytest.raises(InputError):
            cases.create(tmp_path, bad._replace(id=""))
    assert made.path.read_bytes() == before and len(list(tmp_path.iterdir())) == 2


def test_a_file_that_is_too_large_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "20261105-1432.yaml"
    path.write_bytes(SAMPLE.encode() + b"#" * LARGEST_FILE)
    with pytest.raises(InputError, match="keep it under 4,000,000"):
        cases.load(tmp_path, "20261105-1432")


def test_hand_written_comments_stay_while_nothing_changes(tmp_path: Path) -> None:
    path = tmp_path / "20261105-1432.yaml"
    path.write_text("# ours\n" + SAMPLE)
    loaded = cases.load(tmp_path, "2026")
    assert cases.save(loaded, loaded.case) == loaded and path.read_text().startswith("# ours\n")


# Which store


def test_the_store_is_the_option_then_the_variable_then_here_then_the_users_own(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv(cases.VARIABLE, raising=False)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    own, why = cases.store_path()
    assert own.name == "cases" and own.is_absolute() and "your data folder" in why
    (tmp_path / "cases").mkdir()
    (tmp_path / "cases" / "notes.txt").write_text("no case")
    assert cases.store_path()[0] == own  # a folder of that name that holds no cases is somebody else's
    (tmp_path / "cases" / "20261105-1432.yaml").write_text(SAMPLE)
    assert cases.store_path() == (Path("cases"), "the folder 'cases' here")
    (tmp_path / "cases" / "20261105-1432.yaml").unlink()
    (tmp_path / "cases" / cases.MARKER).write_text("")
    assert cases.store_path()[0] == Path("cases")
    monkeypatch.setenv(cases.VARIABLE, str(tmp_path / "other"))
    assert cases.store_path() == (tmp_path / "other", "named by the environment variable DIAGNOSE_CASES")
    assert cases.store_path("~/mine")[0] == Path.home() / "mine"
    assert cases.store_path(str(tmp_path)) == (tmp_path, "named by the option")
    with pytest.raises(InputError, match="empty text"):
        cases.store_path("")


def test_a_store_made_here_by_hand_is_used_once_it_holds_a_case(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv(cases.VARIABLE, raising=False)
    cases.create(cases.store_path("cases")[0], opened())
    assert cases.store_path()[0] == Path("cases")


def test_the_readme_shows_every_entry_of_a_case_file(head_unit: Opened) -> None:
    text = (Path(__file__).resolve().parent.parent / "README.md").read_text(encoding="utf-8")
    block = text.partition("#### What a case file holds")[2].partition("```yaml\n")[2].partition("```")[0]
    case = parse(parse_yaml(block.encode(), "README.md"), "README.md", knowledge=head_unit.knowledge)
    assert (case.confirmed, case.fully_put_right, len(case.answers)) == (("feeds_exchanged",), True, 2)
    for record in (Case, CaseAnswer, RemedyTried, Note):
        for key in {*record._fields} - {"id"}:
            assert f"{key}:" in block, key
    for word in (*METHODS, "cured", "partly", "no_change", "skipped", "unknown", "open", "closed"):
        assert re.search(rf"\b{word}\b", block), word
