"""Call and reply as commands: what arrives through odd terminals, and an early Ctrl-C."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from diagnose import case as cases
from diagnose.cli import run as run_here
from diagnose.cli_call import cleaned
from diagnose.source import InputError
from tests.conftest import DOORBELL, write_network

NETWORKS = Path(__file__).resolve().parent.parent / "networks"
NO_UTF8 = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}


def run(*arguments: str, stdin: bytes = b"", **env: str) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run([sys.executable, "-m", "diagnose", *arguments], input=stdin, capture_output=True, check=False,
                          env={**os.environ, **env})


@pytest.mark.parametrize("command", ["reply", "call"])
def test_a_curly_apostrophe_in_a_plain_locale_is_not_read_as_the_contrary(command: str, tmp_path: Path) -> None:
    run(command, "it doesn’t keep its stations", "--cases", str(tmp_path), **NO_UTF8)
    (path,) = tmp_path.glob("*.yaml")
    levels = {a.finding: a.level for a in cases.load(tmp_path, path.stem).case.answers}
    assert levels["forgets_at_key_off"] == "yes"


def test_an_answer_that_is_no_text_is_read_without_a_crash(tmp_path: Path) -> None:
    run("reply", "poor reception on every station", "--cases", str(tmp_path))
    (path,) = tmp_path.glob("*.yaml")
    before = cases.load(tmp_path, path.stem).case.answers
    done = run("reply", path.stem, "--read", "-", "--cases", str(tmp_path), stdin=bytes(range(256)) * 12,
               PYTHONIOENCODING="utf-8:strict")
    assert done.returncode in (0, 2), done.stderr
    assert b"Traceback" not in done.stderr
    assert cases.load(tmp_path, path.stem).case.answers == before


def test_the_end_of_the_input_leaves_the_case_kept_wherever_it_comes(tmp_path: Path) -> None:
    done = run("call", "poor reception on every fm station", "--cases", str(tmp_path),
               stdin=b"none\ntried phone_pairing_or_volume\n")
    (path,) = tmp_path.glob("*.yaml")
    assert done.returncode == 0 and f"kept; take it up again with: diagnose call {path.stem}" in done.stdout.decode()
    case = cases.load(tmp_path, path.stem).case
    assert case.answers[-1].level == "none" and case.remedies == ()


def test_too_long_a_text_is_refused() -> None:
    assert cleaned(" well \udce2\udc80\udc99s ") == "well ’s"
    with pytest.raises(InputError, match="more than 20,000"):
        cleaned("x" * 20_001)


def test_an_interrupt_while_the_program_is_loaded_shows_no_traceback() -> None:
    code = ("import sys, builtins; real = builtins.__import__\n"
            "def odd(name, *rest):\n"
            "    if name == 'diagnose.cli': raise KeyboardInterrupt\n"
            "    return real(name, *rest)\n"
            "builtins.__import__ = odd\n"
            "from diagnose.__main__ import main; main()")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=False)
    assert (done.returncode, done.stderr) == (130, b"interrupted\n")


@pytest.mark.parametrize("command", ["reply", "call"])
def test_a_case_of_another_network_is_taken_up_with_its_own(command: str, tmp_path: Path) -> None:
    run("reply", "it drips", "--network", "kitchen_tap", "--cases", str(tmp_path))
    (path,) = tmp_path.glob("*.yaml")
    done = run(command, path.stem, "--cases", str(tmp_path), stdin=b"stop\n")
    assert done.returncode == 0 and b"radio" not in done.stdout, done.stderr
    done = run(command, path.stem, "--network", str(NETWORKS / "head_unit"), "--cases", str(tmp_path), stdin=b"stop\n")
    assert done.returncode == 2 and b"belongs to the network 'kitchen_tap'" in done.stderr


def test_a_case_of_a_folder_of_files_goes_all_its_way_with_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bells, store, page = write_network(tmp_path / "my bells", DOORBELL), tmp_path / "cases", tmp_path / "page.html"
    its_network, its_store = ("--network", str(bells)), ("--cases", str(store))

    def said(code: int, *arguments: str) -> str:
        capsys.readouterr()
        assert run_here([*arguments, *its_store]) == code
        done = capsys.readouterr()
        return " ".join((done.out + done.err).split())

    again = said(0, "reply", "does not ring", *its_network)
    (path,) = store.glob("*.yaml")
    assert f"diagnose reply {path.stem} --network '{bells}' --read -" in again
    ending = ("--cause", "flat_battery", "--put-right", "--verified", "it rings", "--minutes", "5")
    commands = (("sheet", path.stem), ("why", path.stem), ("report", path.stem, "--html", str(page)), ("reply", path.stem),
                ("close", path.stem, *ending))
    for command in commands:
        assert "belongs to the network 'doorbell', and there is none of that name here; name the folder of its files with " \
               "--network" in said(2, *command)
        assert "belongs to the network 'doorbell'; name doorbell, or the folder" in said(
            2, *command, "--network", str(NETWORKS / "kitchen_tap"))
    for command in commands:
        said(0, *command, *its_network)
    said(0, "network", "export", str(bells), str(tmp_path / "part.bif"), "--case", path.stem)
    assert cases.load(store, path.stem).case.confirmed == ("flat_battery",)
    assert "network: doorbell" in said(0, "cases", "show", path.stem)
    assert "1 case in" in said(0, "learn", *its_network) and "1 case closed" in said(0, "review", *its_network)
    assert "of another network: 1" in said(0, "learn")
    said(0, "cases", "reopen", path.stem)


def test_where_no_trouble_is_known_it_is_asked_what_it_is_before_any_guess(tmp_path: Path) -> None:
    done = run("call", "good morning", "--cases", str(tmp_path),
               stdin=b"none\nmumble\nwhy\nall the stations are lost at every key-off\n?\n")
    shown = done.stdout.decode()
    first, then = shown.split("What is the trouble?", 1)
    assert done.returncode == 0 and "1. Smell" in first and "\n2. " not in first
    assert then.count("What is the trouble?") == 1  # once more after words in which nothing was understood
    assert "would be a guess" in then and "Clock, stations and settings lost" in then
    assert "\n2. " in then and "first letters" in then.split("\n2. ")[1]  # ? shows the help and answers nothing
    (path,) = tmp_path.glob("*.yaml")
    answers = {a.finding: a.level for a in cases.load(tmp_path, path.stem).case.answers}
    assert answers == {"smell_smoke_heat": "none", "forgets_at_key_off": "yes"}


def test_an_empty_line_goes_on_with_questions_where_no_trouble_is_known(tmp_path: Path) -> None:
    shown = run("call", "--cases", str(tmp_path), stdin=b"none\n\nstop\n").stdout.decode()
    assert shown.index("What is the trouble?") < shown.index("\n2. ")
