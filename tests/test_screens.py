"""Screens rendered into strings: widths, encodings, colour, words that mean harm; every figure is in the JSON too."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from diagnose import screens
from diagnose.cli import _triage_json
from diagnose.evidence import Answer, parse_answers, read_evidence
from diagnose.intake import answers_from_ids
from diagnose.network import Opened
from diagnose.phrases import Doubt, Match, Understood
from diagnose.posterior import infer
from diagnose.records import REPORT
from diagnose.source import Problem
from diagnose.triage import Triage, advise, percent

WIDTHS = (40, 80, 120)
ESCAPE = "\x1b"
HOSTILE = [
    "\x1b[31mred\x1b[0m", "\x1b]0;title\x07", "[bold]loud[/bold]", "[/foo]", "[link=https://example.org]x[/link]", ":smile:",
    "\u202ereversed", "\u2066isolated\u2069", "\u061cmark", "a\tb", "two\nlines", "return\rover", "nul\x00", "\x9b31m", "\x7f",
    "\ud800half", "\ue000glue", "\ufeffmark", "\u2028line\u2029", "x" * 300, "語" * 90, "👩‍🔧 naïve ’quote’", "e\u0301" * 50,
    "back\\slash", "{braces} %s %d",
]


class Terminal(io.StringIO):
    """A string that says it is a terminal."""

    def isatty(self) -> bool:
        return True


class Narrow(io.TextIOWrapper):
    """A stream of bytes in an encoding that knows few characters."""

    def __init__(self, encoding: str) -> None:
        super().__init__(io.BytesIO(), encoding=encoding)

    def text(self) -> str:
        self.flush()
        raw: Any = self.buffer
        return str(raw.getvalue().decode(self.encoding))


@pytest.fixture(autouse=True)
def terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("NO_COLOR", "FORCE_COLOR", "COLUMNS", "LINES", "TTY_COMPATIBLE", "TTY_INTERACTIVE"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("TERM", "xterm-256color")


def triage(opened: Opened, *ids: str, checks: tuple[str, ...] = (), normal: tuple[str, ...] = ()) -> Triage:
    answers = answers_from_ids(opened.knowledge, ids, normal) + parse_answers(checks, opened.knowledge, who="fitter")
    evidence = read_evidence(opened.knowledge, opened.network, answers)
    return advise(opened, evidence, infer(opened.network, evidence))


def drawn(opened: Opened, answer: Triage, understood: Understood | None = None, *, width: int = 80, stream: Any = None,
          in_full: bool = False) -> str:
    stream = stream or io.StringIO()
    screens.show_triage(screens.console(stream, width=width), answer, understood, opened.knowledge, in_full=in_full)
    return str(stream.text() if isinstance(stream, Narrow) else stream.getvalue())


def widest(text: str) -> int:
    return max(cell_len(line) for line in text.split("\n"))


def folded(text: str) -> str:
    """The text as one line, as if the window were wide."""
    return re.sub(r"\s+", " ", text)


@pytest.fixture(scope="module")
def some(head_unit: Opened) -> dict[str, Triage]:
    """One triage of each course and class of safety."""
    return {
        "nothing": triage(head_unit),
        "two reports": triage(head_unit, "forgets_at_key_off", "battery_flat_after_standing"),
        "alarm": triage(head_unit, "burning_smell_or_smoke"),
        "stop by chance": triage(head_unit, "other_fuse_blown"),
        "phone": triage(head_unit, "asks_for_code"),
        "readings": triage(head_unit, "forgets_at_key_off", checks=("memory_feed_key_off=2.1 V",)),
        "normal only": triage(head_unit, normal=("smell_smoke_heat",)),
        "two troubles": triage(head_unit, "fm_weak", "reverse_picture_missing"),
        "many": triage(head_unit, "dead_with_key_on", "fm_weak", "hot_to_touch", "interior_lamp_odd", "restraint_lamp_on"),
    }


# --- widths -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("width", WIDTHS)
def test_no_line_is_wider_than_the_window(head_unit: Opened, some: dict[str, Triage], width: int) -> None:
    for name, answer in some.items():
        text = drawn(head_unit, answer, width=width, in_full=True)
        assert widest(text) <= width, name
        assert all(line == line.rstrip() for line in text.split("\n")), name


@pytest.mark.parametrize("width", WIDTHS)
def test_nothing_is_lost_in_a_narrow_window(head_unit: Opened, some: dict[str, Triage], width: int) -> None:
    """Every sentence of the widest drawing stands in the narrow one; bars apart, and the notes beside causes."""
    for name, answer in some.items():
        narrow = folded(drawn(head_unit, answer, width=width, in_full=True))
        texts = [answer.advice.text, answer.notice, *answer.course.reasons, *(item.words for item in answer.advice.phone),
                 *(c.text for c in answer.advice.cautions), *(heard.title for heard in answer.heard),
                 *(question.ask for question in answer.advice.ask_first), *(share.label for share in answer.parts)]
        for text in texts:
            assert folded(text) in narrow, (name, text)


def test_titles_of_the_ranking_are_whole_at_every_width(head_unit: Opened, some: dict[str, Triage]) -> None:
    for width in WIDTHS:
        text = drawn(head_unit, some["many"], width=width)
        part = text.split("LIKELY CAUSES")[1].split("COURSE:")[0]
        words = set(re.findall(r"[\w'-]+", part))
        for ranked in some["many"].ranking:
            assert set(re.findall(r"[\w'-]+", ranked.title)) <= words, (width, ranked.title)
            assert re.search(rf"(?<![\d.]){re.escape(percent(ranked.p))}", part), (width, ranked)


def test_a_narrow_window_leaves_out_bars_and_keeps_notes(head_unit: Opened, some: dict[str, Triage]) -> None:
    narrow, wide = (drawn(head_unit, some["phone"], width=width).split("LIKELY CAUSES")[1] for width in (60, 80))
    assert "■" in wide and "■" not in narrow
    assert "[by phone]" in narrow and "[by phone]" not in wide and "by phone" in wide


@pytest.mark.parametrize("width", WIDTHS)
def test_a_number_is_never_parted_from_its_unit(head_unit: Opened, some: dict[str, Triage], width: int) -> None:
    for answer in some.values():
        for line in drawn(head_unit, answer, width=width).split("\n"):
            assert not re.match(r"\s*(%|min\b)", line), line


@pytest.mark.parametrize(("columns", "width"), [("0", 80), ("-3", 80), ("abc", 80), ("1", 20), ("19", 20), ("33", 33)])
def test_a_width_that_cannot_be_is_not_believed(
    head_unit: Opened, some: dict[str, Triage], monkeypatch: pytest.MonkeyPatch, columns: str, width: int
) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    stream = io.StringIO()
    out = screens.console(stream)
    assert out.width == width
    screens.show_triage(out, some["alarm"], None, head_unit.knowledge)
    assert folded(some["alarm"].advice.text) in folded(stream.getvalue())
    assert widest(stream.getvalue()) <= width


def test_what_comes_first_is_what_the_customer_must_be_told(head_unit: Opened, some: dict[str, Triage]) -> None:
    """Design section 10: the stop leads the screen; cautions stand before the action they belong to."""
    for name, heading in (("alarm", "TELL THE CUSTOMER: STOP NOW"), ("phone", "TELL THE CUSTOMER: CARRY ON"),
                          ("stop by chance", "TELL THE CUSTOMER: STOP NOW, UNLESS ALL IS WELL AT WHAT IS ASKED FIRST"),
                          ("nothing", "TELL THE CUSTOMER: NOT SURE YET")):
        assert drawn(head_unit, some[name]).split("\n")[0] == heading
    text = folded(drawn(head_unit, some["phone"]))
    action = text.index(folded(some["phone"].advice.phone[0].words))
    assert some["phone"].advice.phone[0].cautions
    for caution in some["phone"].advice.phone[0].cautions:
        assert text.index(folded(head_unit.knowledge.cautions[caution].text)) < action
    headings = re.findall(r"^[A-Z][A-Z ,:()]+", drawn(head_unit, some["two reports"]), re.M)
    assert [h.split(" (")[0].split(":")[0].strip() for h in headings if len(h) > 3][:6] == [
        "TELL THE CUSTOMER", "UNDERSTOOD AS", "LIKELY CAUSES", "COURSE", "BRING", "ANSWERS FOR IT"]


def test_the_safe_practice_line_is_on_every_screen(head_unit: Opened, some: dict[str, Triage]) -> None:
    for answer in some.values():
        assert head_unit.knowledge.header.notice in folded(drawn(head_unit, answer))


def test_stop_screens_give_nothing_to_do_by_telephone(head_unit: Opened, some: dict[str, Triage]) -> None:
    for name in ("alarm", "stop by chance"):
        text = drawn(head_unit, some[name])
        assert "CAN DO" not in text and "words alone" not in text


def test_a_danger_that_counts_is_named_with_its_likeliest_cause(head_unit: Opened, some: dict[str, Triage]) -> None:
    answer = some["stop by chance"]
    first = next(ranked.title for ranked in answer.ranking if ranked.safety == "stop_now")
    text = folded(drawn(head_unit, answer))
    p = percent(answer.advice.p_stop)
    assert f"(chance of something dangerous {p}, it counts from 10 %, first of all: {first})" in text
    assert "chance of" not in drawn(head_unit, some["nothing"])
    assert "something to leave off" not in drawn(head_unit, some["phone"])


def test_cautions_for_unlikely_work_are_named_and_come_in_full_on_demand(head_unit: Opened, some: dict[str, Triage]) -> None:
    short, full = (folded(drawn(head_unit, some["alarm"], in_full=way)) for way in (False, True))
    cautions = some["alarm"].advice.cautions
    assert any(caution.text not in short for caution in cautions)
    for caution in cautions:
        assert caution.title in short
        assert caution.text in full
        assert not (caution.now or caution.p >= screens.WORTH_READING) or caution.text in short
    assert "--cautions" in short and "--cautions" not in full


def test_together_is_shown_where_it_says_more_than_the_ranking(head_unit: Opened, some: dict[str, Triage]) -> None:
    for answer in some.values():
        worth = [s for s in answer.sets if s.p >= screens.WORTH_TELLING]
        assert ("TOGETHER" in drawn(head_unit, answer)) == any(len(s.causes) > 1 for s in worth)
    assert any("TOGETHER" in drawn(head_unit, answer) for answer in some.values())


def test_what_is_left_out_of_the_ranking_has_its_share(head_unit: Opened, some: dict[str, Triage]) -> None:
    text = drawn(head_unit, some["many"])
    assert re.search(rf"{re.escape(percent(some['many'].less_likely))} +others in question", text)
    assert re.search(rf"{re.escape(percent(some['many'].unexplained))} +nothing that the files know", text)


def test_a_level_a_reading_and_a_doubt_show_as_what_they_are(head_unit: Opened) -> None:
    answers = [Answer("memory_feed_key_off", None, "fitter", reading=2.1), Answer("fm_weak", "no"),
               Answer("aerial_amplifier", "yes", "fitter"), Answer("forgets_at_key_off", "yes", sure=False)]
    evidence = read_evidence(head_unit.knowledge, head_unit.network, answers)
    answer = advise(head_unit, evidence, infer(head_unit.network, evidence))
    heard = [folded(line).strip() for line in drawn(head_unit, answer, width=120).split("UNDERSTOOD AS")[1].split("\n")[1:5]]
    titles = {a.finding: head_unit.knowledge.findings[a.finding].title for a in answers}
    level = next(h.level for h in answer.heard if h.reading)
    assert heard == [
        f"- {titles['memory_feed_key_off']}: 2.1 V ({level}) (fitter) memory_feed_key_off",
        f"- {titles['fm_weak']}: no fm_weak",
        f"- {titles['aerial_amplifier']} (fitter) aerial_amplifier",
        f"- {titles['forgets_at_key_off']} (not sure) forgets_at_key_off"]


# --- the same figures in the JSON ------------------------------------------------------------------------------------------


def leaves(value: Any) -> Iterator[Any]:
    if isinstance(value, dict | list | tuple):
        for item in value.values() if isinstance(value, dict) else value:
            yield from leaves(item)
    else:
        yield value


def test_every_figure_on_the_screen_is_in_the_json(head_unit: Opened, some: dict[str, Triage]) -> None:
    for report in head_unit.knowledge.of_kind(REPORT)[::4]:
        some = {**some, report.id: triage(head_unit, report.id)}
    figures = 0
    for name, answer in some.items():
        values = list(leaves(_triage_json(answer, None)))
        numbers = [v for v in values if isinstance(v, int | float) and not isinstance(v, bool)]
        texts = " ".join(folded(v) for v in values if isinstance(v, str))
        shown = {percent(v) for v in numbers if 0 <= v <= 1} | {f"{v:.0f} min" for v in numbers}
        for figure in re.findall(r"[<>]?\d+(?:[.,]\d+)*(?: %| min\b)?", folded(drawn(head_unit, answer, in_full=True))):
            assert figure in shown or figure in texts, (name, figure)
            figures += figure in shown
    assert figures > 500


# --- colour and encodings ----------------------------------------------------------------------------------------------


def test_colour_only_on_a_terminal_that_wants_it(head_unit: Opened, some: dict[str, Triage],
                                                 monkeypatch: pytest.MonkeyPatch) -> None:
    assert ESCAPE in drawn(head_unit, some["alarm"], stream=Terminal())
    assert ESCAPE not in drawn(head_unit, some["alarm"])
    monkeypatch.setenv("NO_COLOR", "1")
    assert ESCAPE not in drawn(head_unit, some["alarm"], stream=Terminal())
    monkeypatch.delenv("NO_COLOR")
    monkeypatch.setenv("TERM", "dumb")
    assert ESCAPE not in drawn(head_unit, some["alarm"], stream=Terminal())


def test_colour_says_nothing_that_words_do_not(head_unit: Opened, some: dict[str, Triage]) -> None:
    for answer in some.values():
        coloured = re.sub(r"\x1b\[[0-9;]*m", "", drawn(head_unit, answer, stream=Terminal()))
        assert re.sub(r" +\n", "\n", coloured) == drawn(head_unit, answer)


def test_bars_are_plain_where_the_encoding_is(head_unit: Opened, some: dict[str, Triage]) -> None:
    for encoding in ("ascii", "latin-1", "cp437"):
        text = drawn(head_unit, some["two reports"], stream=Narrow(encoding))
        assert "#########" in text and "■" not in text
    assert "■■■■■■■■■" in drawn(head_unit, some["two reports"], stream=Narrow("utf-8"))


def test_a_bar_has_the_length_of_its_share() -> None:
    out = screens.console(io.StringIO())
    assert [len(screens.bar(out, p, cells=20)) for p in (0.0, 1e-9, 0.02, 0.5, 0.974, 0.976, 1.0)] == [0, 1, 1, 10, 19, 20, 20]


@pytest.mark.parametrize("words", HOSTILE)
def test_what_the_stream_cannot_write_is_no_error(head_unit: Opened, some: dict[str, Triage], words: str) -> None:
    understood = Understood((), (), (words,))
    for encoding in ("ascii", "latin-1", "utf-8"):
        assert drawn(head_unit, some["nothing"], understood, stream=Narrow(encoding))


# --- words that mean harm -------------------------------------------------------------------------------------------------

HARMFUL = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff\ue000\ufeff]")


@pytest.mark.parametrize("words", HOSTILE)
@pytest.mark.parametrize("width", [40, 80, 120])
def test_hostile_words_of_a_customer_are_shown_and_do_nothing(
    head_unit: Opened, some: dict[str, Triage], words: str, width: int
) -> None:
    candidates = (("fm_weak", "yes", 0.6), ("am_dead_fm_weak", "no", 0.5), ("aerial_amplifier", "yes", 0.5))
    matches = (Match("forgets_at_key_off", "yes", words, 0.9, True),)
    understood = Understood(matches, (Doubt(words, candidates),), (words, "rest"))
    text = drawn(head_unit, some["two reports"], understood, width=width)
    assert not HARMFUL.search(text)
    assert widest(text) <= width
    assert text.startswith("TELL THE CUSTOMER")
    wanted = re.sub(r"\s", "", screens.plain(words))
    squeezed = re.sub(r"\s", "", text)
    assert squeezed.count(f'"{wanted}"') == 2
    assert f"NOTUNDERSTOOD-{wanted},rest" in squeezed or f"NOTUNDERSTOOD{wanted},rest" in squeezed


@pytest.mark.parametrize("words", HOSTILE)
def test_hostile_words_in_a_networks_files_do_nothing(head_unit: Opened, some: dict[str, Triage], words: str) -> None:
    answer = some["phone"]
    answer = answer._replace(
        notice=words, speaks_from=words, version=words, network=words,
        heard=tuple(heard._replace(title=words, level=words) for heard in answer.heard),
        ranking=tuple(ranked._replace(title=words) for ranked in answer.ranking),
        sets=tuple(one._replace(causes=("a", "b"), titles=(words, words)) for one in answer.sets),
        parts=tuple(share._replace(label=words) for share in answer.parts),
        course=answer.course._replace(reasons=(words,), set_ups=answer.parts),
        advice=answer.advice._replace(
            text=words, phone=tuple(item._replace(title=words, words=words) for item in answer.advice.phone),
            ask_first=tuple(q._replace(ask=words, levels=(words, words)) for q in answer.advice.ask_first),
            cautions=tuple(c._replace(title=words, text=words) for c in answer.advice.cautions)))
    for width in (40, 80, 120):
        text = drawn(head_unit, answer, width=width, in_full=True)
        assert not HARMFUL.search(text)
        assert widest(text) <= width


@given(st.text(alphabet=st.characters(), max_size=200))
def test_any_text_becomes_one_line_that_cannot_steer(text: str) -> None:
    shown = screens.plain(text)
    assert not HARMFUL.search(shown) and "\n" not in shown
    assert screens.plain(shown) == shown


def test_problems_go_to_stderr_one_a_line_and_harmless(capsys: pytest.CaptureFixture[str]) -> None:
    screens.show_problems([Problem("a.yaml", 3, "causes.x", "\x1b[31mred " + "long " * 60, "mend [bold]it[/bold]"),
                           Problem("", 0, "--report", "there is no report '[/foo]'", "did you mean 'x'?")])
    out, err = capsys.readouterr()
    assert out == "" and ESCAPE not in err
    first, *others = err.splitlines()
    assert first.startswith("a.yaml:3: causes.x: \ufffd[31mred ") and first.endswith("[bold]it[/bold]")
    assert others == ["--report: there is no report '[/foo]'; did you mean 'x'?"]


# --- the other screens -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("width", WIDTHS)
def test_findings_fit_and_are_all_there(head_unit: Opened, width: int) -> None:
    found = [(name, 90.0) for name in sorted(head_unit.knowledge.findings)]
    stream = io.StringIO()
    screens.show_findings(screens.console(stream, width=width), head_unit.knowledge, found)
    assert widest(stream.getvalue()) <= width
    squeezed = re.sub(r"\s", "", stream.getvalue())
    if width >= 80:
        for name, _ in found:
            assert name in squeezed, name


def test_a_search_without_a_result_says_so(head_unit: Opened) -> None:
    stream = io.StringIO()
    screens.show_findings(screens.console(stream, width=80), head_unit.knowledge, [])
    assert stream.getvalue() == "nothing like that; try fewer or other words\n"


def test_a_network_check_shows_counts_and_warnings() -> None:
    stream = io.StringIO()
    warning = Problem("a.yaml", 3, "causes.x", "odd [bold]", "mend it")
    screens.show_network(screens.console(stream, width=80), {"causes": 2, "links": 12}, "Title", [warning], 1.26)
    assert stream.getvalue() == (
        "Title\n   2  causes\n  12  links\nwarning: a.yaml:3: causes.x: odd [bold]; mend it\n"
        "well-formed; the general library's own check passes too (1.3 s); warnings: 1\n")


@pytest.mark.parametrize(("finding", "level", "option"), [
    ("fm_weak", "yes", "--report fm_weak"), ("fm_weak", "no", "--normal fm_weak"),
    ("aerial_amplifier", "yes", "--circumstance aerial_amplifier=yes"),
    ("memory_feed_key_off", "dead", "--check memory_feed_key_off=dead")])
def test_a_doubt_names_the_option_that_settles_it(head_unit: Opened, finding: str, level: str, option: str) -> None:
    assert screens.option_for(head_unit.knowledge.findings[finding], level) == option
    text = folded(drawn(head_unit, triage(head_unit), Understood((), (Doubt("it", ((finding, level, 0.6),)),), ())))
    assert option in text and head_unit.knowledge.findings[finding].title in text


# --- questions at the terminal, the reader being replaced by a list of lines ----------------------------------------------


def ask(head_unit: Opened, monkeypatch: pytest.MonkeyPatch, *lines: str | type[BaseException]) -> tuple[Any, str]:
    typed = iter(lines)

    def read(prompt: str = "") -> str:
        line = next(typed)
        if isinstance(line, str):
            return line
        raise line

    monkeypatch.setattr("builtins.input", read)
    stream = io.StringIO()
    doubt = Doubt("no radio", (("fm_weak", "yes", 0.7), ("memory_feed_key_off", "dead", 0.6)))
    chosen = screens.ask_which(screens.console(stream, width=80), doubt, head_unit.knowledge)
    assert next(typed, None) is None, "every line was read"
    return chosen, stream.getvalue()


@pytest.mark.parametrize(("lines", "chosen"), [
    (("1",), ("fm_weak", "yes")), ((" 2 ",), ("memory_feed_key_off", "dead")), (("0",), None), (("",), None),
    (("3", "-1", "00", "two", "1.0", "²", "1"), ("fm_weak", "yes")), ((EOFError,), None)])
def test_a_number_settles_a_doubt(head_unit: Opened, monkeypatch: pytest.MonkeyPatch, lines: Any, chosen: Any) -> None:
    answer, text = ask(head_unit, monkeypatch, *lines)
    assert answer == chosen
    assert text.count("type a number from 0 to 2") == (len(lines) - 1)
    titles = [head_unit.knowledge.findings[name].title for name in ("fm_weak", "memory_feed_key_off")]
    assert f"  1  {titles[0]}\n  2  {titles[1]}: dead\n  0  none of these\n" in text


def test_an_interrupt_is_passed_on(head_unit: Opened, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(KeyboardInterrupt):
        ask(head_unit, monkeypatch, KeyboardInterrupt)
