"""What the random runs have found, each once and by hand, so that it stays mended."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from diagnose.source import put_file
from tests.conftest import DOORBELL, write_network
from tests.faults.sandbox import Sandbox
from tests.faults.test_damaged_files import CASE, CLOSED, OPEN


@pytest.fixture
def box(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Sandbox:
    return Sandbox(tmp_path, monkeypatch)


def case_in(box: Sandbox, text: str = "", **changes: str) -> str:
    """The id of a case put into the store."""
    text = text or CASE + OPEN
    for old, new in changes.items():
        text = text.replace(old, new)
    (box.store / "20261105-1432.yaml").write_text(text)
    return "20261105-1432"


def test_the_sheet_of_a_case_in_which_nothing_was_said(box: Sandbox) -> None:
    box.run("call")
    (path,) = box.store.glob("*.yaml")
    assert "nothing stands out yet" in box.run("sheet", path.stem).out


def test_a_path_that_is_no_text_is_shown_as_far_as_it_can_be(box: Sandbox) -> None:
    assert '"\\udcff"' in box.run("cases", "list", "--json", "--cases", "\udcff").out


def test_a_path_with_half_a_letter_in_it_names_no_file(box: Sandbox) -> None:
    for arguments in (("cases", "import", "\ud800"), ("cases", "import", "x.csv", "--mapping", "a\ud800"),
                      ("learn", "--merge", "\udfff"), ("network", "check", "\ud800")):
        done = box.run(*arguments)
        assert done.code == 2 and "\ufffd" in done.err


@pytest.mark.parametrize("name", ["", ".", "below"])
def test_a_folder_in_the_place_of_a_file_is_refused_before_anything_is_written(box: Sandbox, name: str) -> None:
    (box.here / "below").mkdir()
    done = box.run("cases", "export", name)
    assert done.code == 2 and "cannot be written (Is a directory)" in done.err
    with pytest.raises(IsADirectoryError):
        put_file(box.here, b"x")


def test_a_table_that_ends_its_lines_in_an_old_way(box: Sandbox) -> None:
    (box.here / "jobs.csv").write_bytes(b"day,said,found,\r,min\n1,2,3,4\n")
    (box.here / "jobs.yaml").write_text("columns: {date: day, words: said, cause: found}\n")
    done = box.run("cases", "import", "jobs.csv", "--mapping", "jobs.yaml")
    assert done.code == 2 and "jobs.csv:" in done.err


def test_a_case_of_a_network_that_is_not_here_can_be_shown_and_opened_again(box: Sandbox) -> None:
    name = case_in(box, **{OPEN: "status: closed\nclosed: 2026-11-06T09:00:00+00:00\nnot_found: yes\nfully_put_right: no\n"})
    assert "network: doorbell" in box.run("cases", "show", name).out
    assert box.run("cases", "reopen", name).code == 0
    assert "status: open" in box.run("cases", "show", name).out


def test_a_long_id_is_repeated_only_in_part(box: Sandbox) -> None:
    for option in ("--check", "--circumstance"):
        assert len(box.run("triage", option, f"{'x' * 9000}=1").err) < 600


@pytest.mark.parametrize(("typed", "said"), [
    ("1e9999", "is too large to be a reading"), ("1e99999 V", "is too large to be a reading"),
    ("12 9", "is not a number with a unit"), ("12 2V", "is not a number with a unit"), ("12 kg", "the unit 'kg'")])
def test_a_number_without_measure_is_named_as_one(box: Sandbox, typed: str, said: str) -> None:
    done = box.run("triage", "--check", f"memory_feed_key_off={typed}")
    assert done.code == 2 and said in done.err


def test_a_line_that_is_no_text_is_answered_and_kept_as_far_as_it_is_one(box: Sandbox) -> None:
    """Half of a letter at a prompt, as a terminal in another encoding may send."""
    bell = write_network(box.here / "bell", DOORBELL)
    assert box.run("call", "--network", str(bell), stdin=b"\xed\xa0\x80 hm\nnote caf\xc3\xa9 \xff\nstop\n").code == 0
    (path,) = box.store.glob("*.yaml")
    assert "caf\u00e9 \ufffd" in path.read_text(encoding="utf-8")


def test_a_remedy_that_cured_it_ends_the_conversation(box: Sandbox) -> None:
    """Found by a day's work, not at random: once everything works, nobody wants the next question."""
    bell = str(write_network(box.here / "bell", DOORBELL))
    done = box.run("call", "does not ring", "--network", bell, "--who", "fitter", stdin=b"tried flat_battery\nyes\nnote more\n")
    told = done.out.split("does everything work now")[1]
    assert "it works again; close the case with: diagnose close" in told and "1." not in told


def test_a_number_too_large_among_learned_values_is_passed_over(box: Sandbox) -> None:
    bell = str(write_network(box.here / "bell", DOORBELL))
    for number in range(7):
        name = f"20261101-09{number:02}"
        (box.store / f"{name}.yaml").write_text(CASE.replace("20261105-1432", name) + CLOSED)
    assert box.run("learn", "--anyway", "--network", bell).code == 0
    learned = box.store / "learned.json"
    learned.write_text(re.sub(r'("silent": \{"broken_wire": \[)[0-9.]+', rf"\g<1>{'1' * 400}", learned.read_text()))
    assert "1" * 400 in learned.read_text()
    assert "damaged" in box.run("triage", "rings faintly", "--network", bell).out


def test_thousands_of_unknown_sections_are_told_in_a_few_lines(box: Sandbox) -> None:
    bell = write_network(box.here / "bell", DOORBELL)
    (bell / "more.yaml").write_text("".join(f"k{number}: 1\n" for number in range(3000)))
    told = box.run("network", "check", str(bell)).err
    assert len(told.splitlines()) < 60 and "2,980 more sections are not known here" in " ".join(told.split())
