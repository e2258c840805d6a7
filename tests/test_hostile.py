"""Hostile text in every field of a case and in every text of a network's files: in whatever comes out it stays text.

Terminal control: ECMA-48 (C0, C1, CSI, OSC); changes of direction: Unicode Standard Annex 9; cells that a spreadsheet would
run: common practice, no source.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from diagnose import case as cases
from diagnose.caserecord import CLOSED, Case, CaseAnswer, Note, RemedyTried
from diagnose.cli import run
from tests.conftest import DOORBELL, write_network
from tests.test_pages import Page

AT = "2026-11-25T09:30:00+00:00"
MARKUP = "<script>alert(1)</script><img src=x onerror=alert(1)> [red]loud[/red] [/foo] {{ 7*7 }} {% raw %} &amp; --> ]]>"
STEERING = "\x1b[31m\x1b]0;title\x07\x9b2J\x00\x7f\u202egnp\u2066\u2028\ufeff\u200f"
BAD = f"=1+1 {MARKUP} {STEERING}"
STEERS = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff\ud800-\udfff]")
MARK = " <script>alert(1)</script> [red]x[/red] {{ 7*7 }} &amp;"
TEXTS = re.compile(r"\b(title|ask|description|origin|summary|verified|by_phone_how|object|notice|normal|stop_now|do_not_use|"
                   r"unknown): ([A-Z][^,}\n]*)")
Out = Callable[..., str]


@pytest.fixture
def out(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Out:
    """What a command prints on both streams, on a log of hostile cases about a network of hostile words."""
    files = {name: TEXTS.sub(lambda m: f"{m[1]}: {json.dumps(m[2] + MARK + m[2][-1])}", text)
             for name, text in DOORBELL.items()}
    write_network(tmp_path / "networks" / "doorbell", files)
    monkeypatch.setattr("diagnose.knowledge.networks_folder", lambda: tmp_path / "networks")
    monkeypatch.setenv("COLUMNS", "100")
    monkeypatch.chdir(tmp_path)
    case = Case("", AT, "doorbell", "1", "job-1", {}, (
        CaseAnswer("faint", "yes", "customer", "volunteered", at=AT, note=BAD),
        CaseAnswer("volts_at_bell", "low", "fitter", at=AT, note=BAD)),
        (RemedyTried("flat_battery", "no_change", AT, "fitter", note=BAD, answers_before=2),), (Note(AT, BAD),))
    cases.create(tmp_path / "cases", case._replace(id="20261125-0930"))
    cases.create(tmp_path / "cases", case._replace(
        opened="2026-11-26T09:30:00+00:00", status=CLOSED, closed="2026-11-27T09:30:00+00:00", unlisted=BAD,
        fully_put_right=True, verified=BAD))

    def call(*arguments: str, code: int = 0, stdin: str = "") -> str:
        monkeypatch.setattr("sys.stdin", io.StringIO(stdin))
        capsys.readouterr()
        found = run(list(arguments))
        printed, err = capsys.readouterr()
        assert found == code and "Traceback" not in printed + err, err
        assert not (steering := set(STEERS.findall(printed + err))), (arguments, steering)
        assert " 49 " not in printed, "no template ran"
        return printed

    return call


def names() -> tuple[str, str]:
    (one, other) = sorted(path.stem for path in Path("cases").glob("*.yaml"))
    return one, other


@pytest.mark.parametrize("arguments", [
    ("why", "OPEN"), ("why", "OPEN", "flat_battery"), ("why", "CLOSED"), ("sheet", "OPEN"), ("cases", "list"),
    ("cases", "show", "OPEN"), ("cases", "show", "CLOSED"), ("cases", "export", "-", "--network", "doorbell"),
    ("reply", "OPEN"),
    ("explain", "flat_battery", "--network", "doorbell"), ("explain", "faint", "--network", "doorbell"),
    ("triage", "--network", "doorbell", "--report", "faint"), ("findings", "--network", "doorbell", "bell"),
    ("network", "show", "faint", "--network", "doorbell"), ("network", "show", "--network", "doorbell"),
    ("network", "list"), ("learn", "--network", "doorbell"),
    ("review", "--network", "doorbell")])
def test_screens(out: Out, arguments: tuple[str, ...]) -> None:
    one, other = names()
    shown = " ".join(out(*(one if part == "OPEN" else other if part == "CLOSED" else part for part in arguments)).split())
    if arguments[0] in ("why", "sheet", "explain", "triage", "findings"):
        assert "[red]x[/red]" in shown and "<script>alert(1)</script>" in shown, "shown as it stands"
    if arguments[0] == "sheet" or arguments[:2] in (("cases", "show"), ("cases", "export"), ("cases", "list")):
        assert "[red]loud[/red]" in shown


def test_mistakes_in_a_network(out: Out) -> None:
    out("network", "check", "doorbell", code=2)


def test_the_conversation(out: Out) -> None:
    lines = f"note {MARKUP}{STEERING}\ntell {MARKUP}\nwhy\nelse\nbelief\nstop\n"
    shown = " ".join(out("call", names()[0], stdin=lines).split())
    assert "[red]x[/red]" in shown


@pytest.mark.parametrize("arguments", [
    ("why", "OPEN"), ("sheet", "OPEN"), ("cases", "list"), ("reply", "OPEN"), ("learn", "--network", "doorbell"),
    ("review", "--network", "doorbell"), ("explain", "flat_battery", "--network", "doorbell"),
    ("network", "show", "flat_battery", "--network", "doorbell"), ("network", "show", "--network", "doorbell"),
    ("triage", "--network", "doorbell", "--report", "faint")])
def test_json_gives_the_text_back_whole(out: Out, arguments: tuple[str, ...]) -> None:
    one, _ = names()
    data = json.loads(out(*(one if part == "OPEN" else part for part in arguments), "--json"))
    if arguments[0] in ("sheet", "cases"):
        texts = data["notes"] if arguments[0] == "sheet" else [row["unlisted"] for row in data["cases"][1:]]
        assert texts and all(text == BAD for text in texts)


@pytest.mark.parametrize("arguments", [
    ("report", "OPEN"), ("report", "OPEN", "--customer"), ("report", "CLOSED"), ("report", "CLOSED", "--customer"),
    ("network", "show", "flat_battery", "--network", "doorbell"), ("network", "show", "supply", "--network", "doorbell"),
    ("network", "show", "faint", "--network", "doorbell"), ("network", "show", "--network", "doorbell")])
def test_pages_and_the_pictures_in_them(out: Out, arguments: tuple[str, ...]) -> None:
    one, other = names()
    text = out(*(one if part == "OPEN" else other if part == "CLOSED" else part for part in arguments), "--html", "-")
    page = Page(text)
    assert not page.open and "[red]x[/red]" in page.words()
    assert not {tag for tag, _, _ in page.tags} & {"script", "img", "b", "i", "a"}
    assert not any(name.startswith("on") for _, attributes, _ in page.tags for name in attributes)
    assert text.count("alert(1)") == text.count("&lt;script&gt;alert(1)&lt;/script&gt;") + text.count("onerror=alert(1)&gt;")


def test_no_cell_of_the_table_is_run_and_rows_stay_rows(out: Out) -> None:
    out("cases", "export", "jobs.csv", "--network", "doorbell")
    for text in (Path("jobs.csv").read_text(encoding="utf-8"), out("cases", "export", "-", "--network", "doorbell")):
        rows = list(csv.DictReader(io.StringIO(text)))
        assert len(rows) == 2 and None not in rows[0]
        for row in rows:
            assert row["verified"].startswith("'=1+1 <script>") is (row["status"] == CLOSED)
            assert not any(cell[:1] in ("=", "+", "-", "@") for cell in row.values())


def test_an_export_holds_ids_only(out: Out) -> None:
    text = out("network", "export", "doorbell", "-", "--finding", "faint")
    assert "script" not in text and "flat_battery" in text


def test_a_reference_is_an_id(out: Out) -> None:
    out("call", "it rings faintly", "--network", "doorbell", "--reference", BAD, code=2)
    assert len(names()) == 2, "nothing was written"


def test_file_names_steer_nothing(out: Out) -> None:
    assert "page" in out("report", names()[0], "--html", "page\x1b[31m\u202e.html")
    out("cases", "export", "jobs\x1b[31m\u202e.csv", "--network", "doorbell")
    out("network", "export", "doorbell", "part\x1b[31m.bif", "--finding", "faint", "--json")
