"""Help that fits a terminal and examples that run; completion as the shells ask for it.

The shells' side is that of the command library: variables _DIAGNOSE_COMPLETE, COMP_WORDS and COMP_CWORD for bash,
_TYPER_COMPLETE_ARGS for zsh and fish.
"""

from __future__ import annotations

import io
import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

import pexpect
import pytest

from diagnose import completion
from diagnose.cli import run
from diagnose.network import Opened
from tests.test_json import every_command

ROOT = Path(__file__).resolve().parent.parent
COMMANDS = dict(every_command())
EXAMPLE_CASE = "20261125-0930"


@pytest.fixture
def workplace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a copy of the demonstration log, one more case that is open, and old jobs in a table."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    shutil.copytree(ROOT / "cases", tmp_path / "cases")
    text = (tmp_path / "cases" / "20260203-0912.yaml").read_text(encoding="utf-8")
    (tmp_path / "cases" / f"{EXAMPLE_CASE}.yaml").write_text(text.replace("20260203-0912", EXAMPLE_CASE), encoding="utf-8")
    (tmp_path / "old-jobs.csv").write_text("Day,Said,Found\n2025-11-03,forgets its stations,pins swapped\n", encoding="utf-8")
    (tmp_path / "old-jobs.yaml").write_text(
        "columns: {date: Day, words: Said, cause: Found}\ncauses: {pins swapped: feeds_exchanged}\n",
        encoding="utf-8")
    return tmp_path


def test_the_program_says_what_it_is_and_its_exit_codes(capsys: pytest.CaptureFixture[str], workplace: Path) -> None:
    assert run(["--help"]) == 0
    shown = capsys.readouterr().out
    assert " ".join(shown.split()).endswith("Exit codes: 0 answered, 2 input to be mended (one sentence says what, where and "
                                            "how), 3 a mistake of ours, 130 interrupted.")
    assert "...\n" not in shown.partition("Commands:")[2], "no description is cut off"


def tour() -> list[tuple[str, list[str]]]:
    """The commands that the README shows, each with the lines it says they print; '...' stands for more."""
    found: list[tuple[str, list[str]]] = []
    inside = False
    for line in (ROOT / "README.md").read_text(encoding="utf-8").splitlines():
        if line.startswith("    $ diagnose "):
            found.append((line[15:], []))
            inside = True
        elif inside and (line.startswith("    ") or not line):
            found[-1][1].append(line[4:])
        else:
            inside = False
    return found


def test_there_is_a_tour() -> None:
    assert {command.split()[0] for command, _ in tour()} >= {"triage", "findings", "reading", "network"}


@pytest.mark.parametrize(("command", "lines"), tour(), ids=[command for command, _ in tour()])
def test_the_tour_of_the_readme_is_what_the_commands_print(command: str, lines: list[str], workplace: Path,
                                                           monkeypatch: pytest.MonkeyPatch,
                                                           capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setenv("COLUMNS", "100")
    assert run(shlex.split(command)) == 0
    timed = re.compile(r"\d+\.\d s\b")
    printed = [timed.sub("some s", line.rstrip()) for line in capsys.readouterr().out.splitlines()]
    shown = [timed.sub("some s", line.rstrip()) for line in lines if line.strip() not in ("", "...")]
    assert len(shown) >= 4
    at = -1
    for line in shown:  # all there, in this order
        assert line in printed[at + 1:], line
        at = printed.index(line, at + 1)


@pytest.mark.parametrize("name", ["network", "cases"])
def test_no_description_in_a_group_is_cut_off(capsys: pytest.CaptureFixture[str], workplace: Path, name: str) -> None:
    assert run([name, "--help"]) == 0
    assert "...\n" not in capsys.readouterr().out.partition("Commands:")[2]


@pytest.mark.parametrize("name", COMMANDS)
def test_help_fits_80_columns_and_ends_with_an_example(capsys: pytest.CaptureFixture[str], workplace: Path, name: str) -> None:
    assert run([*name.split(), "--help"]) == 0
    shown = capsys.readouterr().out
    assert max(map(len, shown.splitlines())) <= 80
    assert not re.search("[a-z]", shown.partition("[OPTIONS]")[2].partition("\n\n")[0]), "arguments are told from words"
    assert f"Example: diagnose {name}" in " ".join(shown.split()) and "range>" not in shown
    for one in COMMANDS[name].params:
        assert getattr(one, "help", None), f"{one.name} is not explained"


@pytest.mark.parametrize("name", COMMANDS)
def test_the_example_in_the_help_runs(capsys: pytest.CaptureFixture[str], workplace: Path, name: str,
                                      monkeypatch: pytest.MonkeyPatch) -> None:
    program, *arguments = shlex.split(COMMANDS[name].epilog.removeprefix("Example: "))
    assert program == "diagnose" and " ".join(arguments).startswith(name)
    if name == "simulate":  # the same, in seconds
        arguments[arguments.index("--cases") + 1] = "2"
        arguments += ["--policies", "per_minute", "--processes", "1"]
    if name == "review":
        arguments += ["--questions", "2"]
    if name == "network check":
        arguments[-1] = "kitchen_tap"
    if name == "close":
        assert run(["cases", "reopen", EXAMPLE_CASE]) == 0
    monkeypatch.setattr("sys.stdin", io.StringIO("stop\n"))
    code = run(arguments)
    assert code == 0, capsys.readouterr().err


# --- completion -------------------------------------------------------------------------------------------------------


def offered(shell: str, line: str) -> list[str]:
    """What a process of its own offers at the end of a line: bash asks with words and a place, the others with the line."""
    words = line.split(" ")
    env = {**os.environ, "_DIAGNOSE_COMPLETE": f"complete_{shell}"}
    if shell == "bash":
        env |= {"COMP_WORDS": line, "COMP_CWORD": str(len(words) - 1)}
    else:
        env |= {"_TYPER_COMPLETE_ARGS": line, "_TYPER_COMPLETE_FISH_ACTION": "get-args"}
    done = subprocess.run([sys.executable, "-m", "diagnose"], env=env, capture_output=True, text=True, check=False)
    assert "Traceback" not in done.stderr
    return [line for line in done.stdout.splitlines() if line]


@pytest.mark.parametrize(("line", "wanted"), [
    ("diagnose why 20260203", ["20260203-0912"]),
    ("diagnose why 20260203-0912 feeds_ex", ["feeds_exchanged"]),
    ("diagnose explain forgets_at_k", ["forgets_at_key_off"]),
    ("diagnose triage --report forgets_at_k", ["forgets_at_key_off"]),
    ("diagnose triage --check smell_smoke_heat=w", ["smell_smoke_heat=warm"]),
    ("diagnose triage --circumstance straight_through_loom=y", ["straight_through_loom=yes"]),
    ("diagnose triage --who f", ["fitter"]),
    ("diagnose triage --network kitchen", ["kitchen_tap"]),
    ("diagnose explain --network kitchen_tap drip", []),
    ("diagnose cases list --status o", ["open"]),
    ("diagnose cases show 20260206", ["20260206-1140"]),
    ("diagnose close 20260203-0912 --cause feeds_ex", ["feeds_exchanged"]),
    ("diagnose network show aer", ["aerial"]),
    ("diagnose network export head_unit --format x", ["xmlbif"]),
    ("diagnose reading state", ["state_of_charge"]),
    ("diagnose rev", ["review"]),
    ("diagnose schema network_", ["network_show", "network_overview", "network_check", "network_list"]),
    ("diagnose network export head_unit case.bif --case 20260203", ["20260203-0912"]),
])
def test_bash_is_offered_what_begins_so(workplace: Path, line: str, wanted: list[str]) -> None:
    found = offered("bash", line)
    assert set(wanted) <= set(found), found
    assert all(one.startswith(line.rsplit(" ", 1)[1]) for one in found)


@pytest.mark.skipif(shutil.which("bash") is None, reason="there is no bash here")
def test_a_real_bash_completes_both_sides_of_an_equals_sign(workplace: Path) -> None:
    """bash ends words at = (COMP_WORDBREAKS), so the program sees a level without its id, and gives back only the level."""
    (workplace / "bin").mkdir()
    program = workplace / "bin" / "diagnose"
    program.write_text(f'#!/bin/sh\nexec {shlex.quote(sys.executable)} -m diagnose "$@"\n', encoding="utf-8")
    program.chmod(0o755)
    env = {**os.environ, "PATH": f"{program.parent}:{os.environ['PATH']}", "PYTHONPATH": str(ROOT), "TERM": "dumb", "PS1": "> "}
    script = subprocess.run([str(program), "--show-completion", "bash"], env=env, capture_output=True, text=True, check=True)
    (workplace / "completion.sh").write_text(script.stdout, encoding="utf-8")
    shell = pexpect.spawn("bash", ["--norc", "--noprofile", "-i"], env=env, cwd=str(workplace), encoding="utf-8", timeout=30,
                          dimensions=(40, 200))
    shell.sendline("bind 'set enable-bracketed-paste off'; source completion.sh; echo rea''dy")
    shell.expect("ready")
    for typed, added in (("--check smell_smoke_h", "\x07eat="), ("--check smell_smoke_heat=w", "arm "),
                         ("--check=smell_smoke_heat=smell_", "or_smoke ")):
        shell.send(f"diagnose triage {typed}\t")
        shell.expect_exact(typed + added)
        shell.sendcontrol("u")
    shell.close(force=True)


def test_pieces_of_a_word_are_put_together() -> None:
    env = {"COMP_WORDS": "diagnose\ntriage\n--check\na\n=\nb\n--who\nf", "COMP_CWORD": "5"}
    assert completion.join_words(env) == "a="
    assert (env["COMP_WORDS"].split("\n"), env["COMP_CWORD"]) == (["diagnose", "triage", "--check", "a=b", "--who", "f"], "3")
    for words, kept in (("d\n--check\n=\na", ""), ("d\n--check\n=\na\n=\nb", "a="), ("d\na\n=", "a=")):
        assert completion.join_words({"COMP_WORDS": words, "COMP_CWORD": str(words.count("\n"))}) == kept
    for words in ("diagnose\nwhy\n2026", "", "="):
        untouched = {"COMP_WORDS": words, "COMP_CWORD": "x"}
        assert completion.join_words(untouched) == ""
        assert untouched == {"COMP_WORDS": words, "COMP_CWORD": "x"}


@pytest.mark.parametrize("shell", ["zsh", "fish"])
def test_other_shells_are_told_the_titles_too(workplace: Path, shell: str) -> None:
    (line,) = [line for line in offered(shell, "diagnose explain feeds_ex") if "feeds_exchanged" in line]
    assert "Memory and switched feeds exchanged" in line


def test_every_case_is_offered_and_only_cases(workplace: Path) -> None:
    log = sorted(path.stem for path in (workplace / "cases").glob("*.yaml"))
    assert sorted(offered("bash", "diagnose sheet ")) == log
    assert offered("bash", f"diagnose sheet --cases {workplace / 'none'} 2") == []


class Asked(NamedTuple):
    """What a completion sees of the command line."""

    params: dict[str, str]


@pytest.mark.parametrize(("one", "wanted"), [
    (completion.causes, "causes"), (completion.every_id, "findings"), (completion.every_id, "conditions"),
    (completion.every_id, "causes"), (completion.every_id, "cautions"), (completion.findings, "findings")])
def test_every_id_is_offered(head_unit: Opened, one: completion.Completion, wanted: str) -> None:
    assert {name for name, _ in one(Asked({"network": "head_unit"}), "")} >= set(getattr(head_unit.knowledge, wanted))


def test_hostile_titles_reach_no_shell(doorbell: Opened, monkeypatch: pytest.MonkeyPatch) -> None:
    causes = {name: cause._replace(title="x \x1b[31m \u202e \x9b $(touch owned) \t\ny")
              for name, cause in doorbell.knowledge.causes.items()}
    opened = doorbell._replace(knowledge=doorbell.knowledge._replace(causes=causes))
    monkeypatch.setattr("diagnose.network.open_network", lambda _: opened)
    assert completion.causes(Asked({}), "flat") == [("flat_battery", "x [31m $(touch owned) y")]


def test_where_nothing_can_be_read_nothing_is_offered(workplace: Path) -> None:
    assert offered("bash", "diagnose explain --network nowhere feeds") == []
    assert offered("bash", "diagnose explain --network /proc/self/mem feeds") == []
