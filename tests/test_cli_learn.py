"""The commands learn and review, on the demonstration log and on logs made to be refused; the demonstration log itself."""

from __future__ import annotations

import html
import io
import json
import re
import shutil
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import typer
from rich.console import Console
from typer.testing import CliRunner

from diagnose import case as cases
from diagnose import cli_learn
from diagnose.cli import run as whole_program
from diagnose.network import Opened, open_network
from diagnose.overlay import EXPERT, FILE, in_force, read_overlay
from diagnose.records import CHECK
from diagnose.review import lesson, read_log, review
from diagnose.screens import console
from diagnose.screens_call import show_file
from diagnose.screens_learn import show_lesson, show_review
from diagnose.source import InputError
from tests.simulated_cases import perturbed, simulated

DEMONSTRATION = Path(__file__).resolve().parent.parent / "cases"


@pytest.fixture
def demonstration(tmp_path: Path) -> Path:
    """A copy of the demonstration log."""
    folder = tmp_path / "cases"
    shutil.copytree(DEMONSTRATION, folder, ignore=shutil.ignore_patterns(FILE))
    return folder


@pytest.fixture(scope="module")
def learned_log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the demonstration log that was learned from."""
    folder = tmp_path_factory.mktemp("learned") / "cases"
    shutil.copytree(DEMONSTRATION, folder, ignore=shutil.ignore_patterns(FILE))
    run("learn", "--cases", str(folder))
    return folder


def run(*arguments: str) -> Any:
    """Run learn or review; the result, after a check that nothing but an InputError went wrong."""
    app = typer.Typer()
    cli_learn.register(app)
    done = CliRunner().invoke(app, list(arguments), catch_exceptions=True)
    assert done.exception is None or isinstance(done.exception, InputError | SystemExit), done.exception
    return done


def refused(*arguments: str) -> str:
    """What an InputError says."""
    done = run(*arguments)
    assert isinstance(done.exception, InputError)
    return str(done.exception)


def store_of(folder: Path, opened: Opened, count: int, *, alike: str = "") -> Path:
    """A store with a simulated log; alike: the cause that every case is closed with."""
    generator = np.random.default_rng(3)
    folder.mkdir(exist_ok=True)
    for case in simulated(opened, count, generator, truth=perturbed(opened.network, generator, spread=1.2)):
        closed = case._replace(confirmed=(alike,), unlisted="") if alike else case
        (folder / f"{case.id}.yaml").write_text(cases.to_text(closed))
    return folder


def test_the_demonstration_log_is_sound(head_unit: Opened) -> None:
    found, problems = cases.load_all(DEMONSTRATION)
    assert problems == []
    assert len(found) >= 40
    knowledge = head_unit.knowledge
    areas = {knowledge.causes[c].area for case in found for c in case.confirmed}
    assert areas == set(knowledge.header.areas)
    for case in found:
        looked_up = cases.load(DEMONSTRATION, case.id, knowledge=knowledge).case
        assert looked_up == case
        assert re.fullmatch(r"job-\d{3}", case.reference)
        for entries in (case.answers, case.remedies):
            times = [case.opened, *(entry.at for entry in entries), *filter(None, [case.closed])]
            assert times == sorted(times, key=datetime.fromisoformat)
        for answer in case.answers:
            finding = knowledge.findings[answer.finding]
            assert finding.kind != CHECK or answer.who in finding.who
        for cause in case.confirmed:
            assert all(case.circumstances.get(needed) == "yes" for needed in knowledge.causes[cause].needs)
    assert {case.status for case in found} == {"open", "closed"}
    assert any(len(case.confirmed) > 1 for case in found)
    assert any(case.not_found for case in found)
    assert any(case.unlisted for case in found)


def test_learning_from_the_demonstration_log(demonstration: Path, head_unit: Opened) -> None:
    said = json.loads(run("learn", "--cases", str(demonstration), "--json").stdout)
    assert (said["schema"], said["network"], said["cases"], said["applied"]) == (1, "head_unit", 61, True)
    assert said["taught"] == said["cases"] - sum(said["left_out"].values())
    assert said["left_out"] == {"still open": 2, "no cause found": 1, "not fully put right": 1}
    assert said["verdict"]["gain"]["number"] >= 40
    assert said["moved"][0].keys() == {"cause", "finding", "cases", "before", "after"}
    overlay = read_overlay(demonstration / FILE)
    assert overlay is not None
    assert (overlay.cases, overlay.log) == (said["taught"], said["overlay"]["log"])
    assert in_force(head_unit, demonstration)[1] == f"values learned from {said['taught']} cases"
    written = (demonstration / FILE).read_bytes()
    assert run("learn", "--cases", str(demonstration)).exit_code == 0
    assert (demonstration / FILE).read_bytes() == written


def test_reviewing_the_demonstration_log(demonstration: Path) -> None:
    said = json.loads(run("review", "--cases", str(demonstration), "--json").stdout)
    assert said["predicted"] == said["cases"] - sum(said["left_out"].values())
    assert said["learned"]["top1"]["hits"] >= 0.8 * said["predicted"]
    assert [row["words"] for row in said["unlisted"]] == ["a new windscreen was put in by others without its aerial contact"]
    assert len(said["misses"]) == said["predicted"] - said["learned"]["top1"]["hits"]
    assert said["spent"]["tried"] > said["spent"]["right_first"] > 0
    assert not (demonstration / FILE).exists()


def test_undo_puts_the_expert_back(demonstration: Path, head_unit: Opened) -> None:
    run("learn", "--cases", str(demonstration))
    assert "taken away" in run("learn", "--cases", str(demonstration), "--undo").stdout
    assert in_force(head_unit, demonstration)[1] == EXPERT
    assert "no learned values" in run("learn", "--cases", str(demonstration), "--undo").stdout
    assert json.loads(run("learn", "--cases", str(demonstration), "--undo", "--json").stdout)["undone"] is False
    assert "no learned values" in run("learn", "--cases", str(demonstration / "none"), "--undo").stdout
    assert not (demonstration / "none").exists()


def test_a_log_closed_all_alike_is_refused_but_for_anyway(tmp_path: Path, head_unit: Opened) -> None:
    store = store_of(tmp_path / "log", head_unit, 40, alike="feeds_exchanged")
    done = run("learn", "--cases", str(store))
    assert done.exit_code == 0
    assert "NOT USED" in done.stdout
    assert "confirmed far more often than the answers" in re.sub(r"\s+", " ", done.stdout)
    assert not (store / FILE).exists()
    assert json.loads(run("learn", "--cases", str(store), "--anyway", "--json").stdout)["applied"] is True
    assert (store / FILE).exists()
    assert "what was learned before stays in use" in re.sub(r"\s+", " ", run("learn", "--cases", str(store)).stdout)


def test_a_careless_log_is_flagged_by_the_review_too(tmp_path: Path, head_unit: Opened) -> None:
    store = store_of(tmp_path / "log", head_unit, 40, alike="feeds_exchanged")
    arguments = ("review", "--cases", str(store), "--questions", "0")
    said = json.loads(run(*arguments, "--json").stdout)["verdict"]
    assert not said["accepted"]
    assert [one["cause"] for one in said["suspects"]] == ["feeds_exchanged"]
    one = said["suspects"][0]
    assert one["cases"] == 40 and one["against"] >= 20 > one["expected"]
    screen = re.sub(r"\s+", " ", run(*arguments).stdout)
    assert "! confirmed far more often than the answers support: Memory and switched feeds exchanged (40 times" in screen
    assert run("learn", "--cases", str(store)).exit_code == 0 and not (store / FILE).exists()
    honest = json.loads(run("review", "--cases", str(store_of(tmp_path / "honest", head_unit, 40)), "--questions", "0",
                            "--json").stdout)["verdict"]
    assert honest["suspects"] == []


def test_no_cases_teach_nothing(tmp_path: Path) -> None:
    for folder in (tmp_path, tmp_path / "none"):
        done = run("learn", "--cases", str(folder), "--anyway")
        assert "0 cases" in done.stdout
        assert "NOT USED" in done.stdout
        assert run("review", "--cases", str(folder)).exit_code == 0
        assert json.loads(run("review", "--cases", str(folder), "--json").stdout)["expert"]["log_loss"] is None
    assert list(tmp_path.iterdir()) == []


def test_counts_of_two_workshops_teach_as_one_log(tmp_path: Path, head_unit: Opened) -> None:
    whole = store_of(tmp_path / "whole", head_unit, 40)
    mine, theirs, counts = tmp_path / "mine", tmp_path / "theirs", tmp_path / "counts.json"
    for number, file in enumerate(sorted(whole.glob("*.yaml"))):
        folder = (mine, theirs)[number % 2]
        folder.mkdir(exist_ok=True)
        shutil.copy(file, folder)
    assert "20 cases written" in run("learn", "--cases", str(theirs), "--partial", str(counts)).stderr
    assert not (theirs / FILE).exists()
    run("learn", "--cases", str(mine), "--merge", str(counts), "--anyway")
    run("learn", "--cases", str(whole), "--anyway")
    one, other = (read_overlay(folder / FILE) for folder in (mine, whole))
    assert one is not None
    assert other is not None
    assert one._replace(better=other.better) == other
    assert json.loads(run("learn", "--cases", str(theirs), "--partial", "-").stdout)["kind"] == "counts"
    assert "20 cases were counted twice" in refused("learn", "--cases", str(theirs), "--merge", str(counts))


def test_half_life_is_kept_with_the_values(demonstration: Path) -> None:
    arguments = ("learn", "--cases", str(demonstration), "--anyway", "--half-life", "90")
    run(*arguments, "--as-of", "2026-11-25T00:00:00+00:00", "--strength", "10")
    overlay = read_overlay(demonstration / FILE)
    assert overlay is not None
    assert (overlay.half_life, overlay.strength) == (90.0, 10.0)
    assert datetime.fromisoformat(overlay.as_of) == datetime.fromisoformat("2026-11-25T00:00:00+00:00")
    assert run(*arguments, "--as-of", "2026-11-25").exit_code == 0


@pytest.mark.parametrize(("arguments", "says"), [
    (["learn", "--as-of", "2026-11-25"], "give --half-life too"),
    (["learn", "--half-life", "9", "--as-of", "last week"], "'last week' is no day; write it like 2026-11-25"),
    (["learn", "--merge", "nowhere.json"], "there is no such file"),
    (["learn", "--partial", "nowhere/counts.json"], "cannot be written"),
    (["review", "--half-life", "9", "--as-of", "0000-00-00"], "is no day")])
def test_wrong_options_get_a_sentence(arguments: list[str], says: str, demonstration: Path) -> None:
    assert says in refused(*arguments, "--cases", str(demonstration))
    assert not (demonstration / FILE).exists()


def test_a_case_that_cannot_be_read_is_named_and_left_out(demonstration: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (demonstration / "20260101-0000.yaml").write_text("schema: 1\n")
    done = run("learn", "--cases", str(demonstration), "--json")
    assert "20260101-0000.yaml" in done.stderr
    assert json.loads(done.stdout)["cases"] == 61


@pytest.mark.parametrize("width", [40, 80, 120])
def test_the_screens_keep_their_width_and_show_hostile_words_as_text(width: int, head_unit: Opened) -> None:
    found = [case._replace(unlisted="[bold]\x1b[31m bad \u202e" if case.unlisted else "")
             for case in cases.load_all(DEMONSTRATION)[0]]
    log = read_log(head_unit, found, expected=len(found))
    stream = io.StringIO()
    out = console(stream, width=width)
    show_lesson(out, head_unit.knowledge, log, lesson(head_unit, log), folder="cases", file="", before=False)
    show_review(out, head_unit, review(head_unit, log), folder="cases")
    text = stream.getvalue()
    assert "[bold]" in text
    assert not set("\x1b\u202e") & set(text)
    assert max(map(len, text.splitlines())) <= width
    for heading in ("DOES IT PREDICT BETTER?", "WHAT WOULD MOVE MOST", "NOT USED", "WHAT IT TOOK", "THAT THE FILES LACK"):
        assert heading in text


@pytest.mark.parametrize(("options", "found"), [
    ((), 61), (("--status", "open"), 2), (("--since", "2026-11-03"), 3), (("--since", "20261103", "--status", "closed"), 1),
    (("--cause", "feeds_exchanged"), 3), (("--cause", "memory and switched"), 3), (("--cause", "aerial_supply"), 0),
    (("--status", "opne"), "did you mean 'open'?"), (("--since", "3.11.2026"), "is no day; write it like"),
    (("--since", "2026-11-1"), "is no day"), (("--cause", "gremlins"), "there is no cause 'gremlins'"),
    (("--cause", "exchanged"), "may mean feeds_exchanged, ")])
def test_the_list_of_cases_is_narrowed(options: tuple[str, ...], found: int | str, demonstration: Path,
                                       capsys: pytest.CaptureFixture[str]) -> None:
    code = whole_program(["cases", "list", *options, "--cases", str(demonstration), "--json"])
    done = capsys.readouterr()
    if isinstance(found, str):
        assert (code, done.out) == (2, "") and found in done.err
    else:
        assert code == 0 and len(json.loads(done.out)["cases"]) == found


@pytest.mark.parametrize("width", [60, 80, 120])
def test_no_line_of_a_command_is_wider_than_the_window(width: int, demonstration: Path, monkeypatch: pytest.MonkeyPatch,
                                                       capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    monkeypatch.setattr("sys.stdin", io.StringIO())
    table = demonstration / "all the jobs of a long and busy year.csv"
    ending = ("--unlisted", "a mouse's nest " * 20, "--put-right", "--verified", "it works", "--minutes", "5")
    for command in (("cases", "list"), ("cases", "list", "--status", "open"), ("close", "20261123", *ending),
                    ("cases", "reopen", "20261123"), ("cases", "export", str(table)), ("cases", "export", str(table)),
                    ("cases", "import", str(table), "--dry-run"), ("learn", "--anyway"), ("learn", "--undo"),
                    ("learn", "--undo"), ("review", "--questions", "0")):
        capsys.readouterr()
        code = whole_program([*command, "--cases", str(demonstration)])
        lines = capsys.readouterr().out.splitlines()
        assert max(map(len, lines), default=0) <= width and (code == 0) == bool(lines), (command, lines)


@pytest.mark.parametrize("command", [
    ("triage", "no sound"), ("call", "OPEN"), ("reply", "OPEN"), ("sheet", "OPEN"), ("why", "OPEN"),
    ("report", "OPEN", "--html", "-"), ("explain", "feeds_exchanged"), ("network", "show"),
    ("network", "show", "aerial"), ("review", "--questions", "0")])
def test_every_screen_says_whose_numbers_it_speaks_from(command: tuple[str, ...], learned_log: Path,
                                                        demonstration: Path, monkeypatch: pytest.MonkeyPatch,
                                                        capsys: pytest.CaptureFixture[str]) -> None:
    words = [word.replace("OPEN", "20261123-1220") for word in command]
    for folder, says in ((learned_log, "values learned from 57 cases"), (demonstration, "the expert's knowledge")):
        monkeypatch.setattr("sys.stdin", io.StringIO("stop\n"))
        capsys.readouterr()
        assert whole_program([*words, "--cases", str(folder)]) == 0
        done = capsys.readouterr()
        said = " ".join(html.unescape(done.out + done.err).split())
        assert any(f"{verb} {says}" in said for verb in ("speaks from", "In use now:", "so far, by", "chosen by")), said[-300:]


@pytest.mark.parametrize("command", [
    ("cases", "list"), ("cases", "show", "20261123"), ("cases", "reopen", "20260203"), ("cases", "export", "x.csv"),
    ("close", "20261123", "--not-found", "--not-put-right", "--minutes", "1"), ("call", "20261123"), ("reply", "20261123"),
    ("reply", "no sound"), ("sheet", "20261123"), ("why", "20261123"), ("report", "20261123", "--html", "x.html"),
    ("learn",), ("learn", "--undo"), ("review", "--questions", "0")])
def test_the_store_is_always_said(command: tuple[str, ...], demonstration: Path, monkeypatch: pytest.MonkeyPatch,
                                  capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.chdir(demonstration.parent)
    monkeypatch.setattr("sys.stdin", io.StringIO("stop\n"))
    assert whole_program(list(command)) == 0
    done = capsys.readouterr()
    assert "cases (the folder 'cases' here)" in " ".join((done.out + done.err).split())


def test_a_case_is_shown_as_it_is_or_wrapped_to_the_window_of_a_terminal(demonstration: Path) -> None:
    text = (demonstration / "20260305-0750.yaml").read_text()
    assert max(map(len, text.splitlines())) > 60
    shown, piped = io.StringIO(), io.StringIO()
    show_file(Console(file=shown, force_terminal=True, width=60, color_system=None), text)
    show_file(console(piped, width=60), text)
    assert piped.getvalue() == text
    assert max(map(len, shown.getvalue().splitlines())) <= 60 and shown.getvalue().split() == text.split()


def test_learning_starts_from_the_files_not_from_what_was_learned_before(demonstration: Path, head_unit: Opened) -> None:
    run("learn", "--cases", str(demonstration))
    first = read_overlay(demonstration / FILE)
    run("learn", "--cases", str(demonstration))
    assert read_overlay(demonstration / FILE) == first
    assert open_network("head_unit").network.link.tolist() == head_unit.network.link.tolist()
