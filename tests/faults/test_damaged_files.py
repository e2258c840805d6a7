"""Every file that is read, damaged at random: the command that reads it answers or says in a sentence what to mend.

How many of each kind: few in the ordinary run, thousands in the long one (``python -m pytest -m slow tests/faults``).
"""

from __future__ import annotations

import hashlib
import random
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest

from diagnose import source
from diagnose.knowledge import load_knowledge
from diagnose.source import InputError
from tests.conftest import DOORBELL, write_network
from tests.faults.hostile import damaged, hostile_yaml
from tests.faults.sandbox import Done, Sandbox

CASE = """schema: 1
case: 20261105-1432
opened: 2026-11-05T14:32:07+00:00
network: doorbell
knowledge: "1"
reference: job-1
circumstances: {has_chime: yes}
answers:
  - {finding: silent, level: yes, who: customer, method: volunteered, at: 2026-11-05T14:32:08+00:00}
  - {finding: volts_at_bell, reading: 11.9, unit: V, who: fitter, sure: no, at: 2026-11-05T14:33:08+00:00, note: hm}
  - {finding: rings_when_bridged, unanswered: skipped, who: customer, at: 2026-11-05T14:34:08+00:00}
remedies:
  - {cause: flat_battery, outcome: no_change, at: 2026-11-05T14:40:00+00:00, who: customer, answers_before: 3}
notes:
  - {at: 2026-11-05T14:41:00+00:00, text: "asked in writing: faint, has_chime"}
"""
CLOSED = """status: closed
closed: 2026-11-05T15:00:00+00:00
confirmed: [broken_wire]
fully_put_right: yes
verified: It rings.
minutes: 20
parts: [wire]
"""
OPEN = "status: open\n"
TABLE = """day,said,found,job,min,ok,how
2026-01-05,rings faintly,broken wire,a-1,20,yes,rang
2026-01-06,rings faintly,,,,,
"""
MAPPING = """columns: {date: day, words: said, cause: found, reference: job, minutes: min, put_right: ok, verified: how}
causes: {broken wire: broken_wire}
dates: "%Y-%m-%d"
"""
WORDS = "1. yes, it rings faintly\n2) no idea\n3: I think so, and it gets hot\n"


class Reader(NamedTuple):
    """A file, what stands in it when whole, the commands that read it, and a case that they may change."""

    path: Path
    whole: bytes
    commands: tuple[tuple[str, ...], ...]
    case: Path
    by_stdin: bool = False

    def run(self, box: Sandbox, number: int, data: bytes | None = None) -> Done:
        """One of the commands, the file (or what is typed) damaged or whole; everything is whole again afterwards."""
        data = self.whole if data is None else data
        try:
            self.case.write_text(CASE + OPEN)
            self.path.write_bytes(self.whole if self.by_stdin else data)
            return box.run(*self.commands[number % len(self.commands)], stdin=data)
        finally:
            self.path.write_bytes(self.whole)


def readers(box: Sandbox) -> dict[str, Reader]:
    """All kinds of files, in a sandbox where everything else is as it should be."""
    bell = write_network(box.here / "bell", DOORBELL)
    within = ("--network", str(bell))
    for number in range(7):
        name = f"20261101-09{number:02}"
        (box.store / f"{name}.yaml").write_text(CASE.replace("20261105-1432", name) + CLOSED)
    counts, table = box.here / "counts.json", box.here / "jobs.csv"
    mapping, words, learned = box.here / "jobs.yaml", box.here / "words.txt", box.store / "learned.json"
    case = box.store / "20261105-1432.yaml"
    assert box.run("learn", "--anyway", *within).code == 0
    assert box.run("learn", "--partial", str(counts), *within).code == 0
    assert box.run("triage", "rings faintly", *within).code == 0
    wholes = {mapping: MAPPING, table: TABLE, words: WORDS, case: CASE + OPEN}
    for path, text in wholes.items():
        path.write_text(text)
    answers = ("triage", "rings faintly", *within)
    importing = ("cases", "import", str(table), "--mapping", str(mapping), "--dry-run", *within)
    reading = ("reply", "20261105-1432", *within, "--read")
    of_case = (("cases", "list"), ("cases", "show", "20261105-1432"), ("call", "20261105-1432", *within),
               ("learn", "--partial", "-", *within), ("cases", "export", "-"))
    found: dict[str, tuple[Path, str | bytes, tuple[tuple[str, ...], ...]]] = {
        **{name: (bell / name, text, (answers, ("network", "check", str(bell)))) for name, text in DOORBELL.items()},
        "case, open": (case, CASE + OPEN, of_case), "case, closed": (case, CASE + CLOSED, of_case),
        "learned values": (learned, learned.read_bytes(), (answers,)),
        "counts": (counts, counts.read_bytes(), (("learn", "--merge", str(counts), *within, "--cases", str(box.here)),)),
        **{f"copy {number}": (path, path.read_bytes(), (answers,)) for number, path in enumerate(box.cache.rglob("*.json"))},
        "table": (table, TABLE, (importing,)), "mapping": (mapping, MAPPING, (importing,)),
        "reply": (words, WORDS, ((*reading, str(words)), (*reading, str(words), "--yes"))),
        "typed": (words, WORDS, (("triage", "-", *within), (*reading, "-", "--yes")))}
    return {name: Reader(path, whole.encode() if isinstance(whole, str) else whole, commands, case, name == "typed")
            for name, (path, whole, commands) in found.items()}


def _break(box: Sandbox, count: int, seed: int, spoil: Callable[[random.Random, bytes], bytes] = damaged) -> None:
    rng = random.Random(seed)
    for name, reader in readers(box).items():
        before = [reader.run(box, number).code for number in range(len(reader.commands))]
        assert before[0] == 0, f"{name}: does not work when whole"
        for number in range(count):
            data = spoil(rng, reader.whole)
            try:
                reader.run(box, number, data)
            except AssertionError as error:
                raise AssertionError(f"{name}, seed {seed}, turn {number}: {data!r:.3000}\n{error}") from error
        assert [reader.run(box, number).code for number in range(len(reader.commands))] == before, f"{name}: something stayed"
    box.check_nothing_strayed()


def test_files_damaged_at_random(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _break(Sandbox(tmp_path, monkeypatch), 1, 1)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(8))
def test_files_damaged_at_random_very_often(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seed: int) -> None:
    _break(Sandbox(tmp_path, monkeypatch), 150, 100 + seed)


@pytest.mark.slow
def test_files_in_place_of_each_other(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    box = Sandbox(tmp_path, monkeypatch)
    others = [reader.whole for reader in readers(box).values()]
    (tmp_path / "again").mkdir()
    _break(Sandbox(tmp_path / "again", monkeypatch), 30, 3, lambda rng, whole: rng.choice(others))


def _hurt(size: int, seed: int, seconds: float) -> None:
    rng = random.Random(seed)
    for name, data in hostile_yaml(rng, size):
        began = time.process_time()
        try:
            source.parse_yaml(data, "x.yaml")
        except InputError as error:
            fine = all(p.file == "x.yaml" and p.what and p.mend and len(str(p)) < 400 for p in error.problems)
            assert fine, f"{name}: {error!s:.400}"
        assert time.process_time() - began < seconds, name


def test_yaml_meant_to_hurt(tmp_path: Path) -> None:
    for seed in range(3):
        _hurt(200, seed, 1.0)
    _whole_networks(tmp_path, 200, 0)


@pytest.mark.slow
def test_large_yaml_meant_to_hurt(tmp_path: Path) -> None:
    for seed in range(10):
        _hurt(70_000, seed, 20.0)
    for seed in range(3):
        _whole_networks(tmp_path, 20_000, seed)


def _whole_networks(folder: Path, size: int, seed: int) -> None:
    """The same as a file among good ones: refused, or without effect on the rest."""
    good = load_knowledge(write_network(folder / "good", DOORBELL))
    for name, data in hostile_yaml(random.Random(seed), size):
        place = write_network(folder / "bad", DOORBELL)
        (place / "more.yaml").write_bytes(data)
        try:
            assert len(load_knowledge(place).causes) == len(good.causes), name
        except InputError as error:
            assert len(error.problems) <= 500 and all(len(str(problem)) < 500 for problem in error.problems), name


@pytest.mark.parametrize("name", ["learned.json", "counts.json"])
def test_json_nested_without_end_is_refused(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    box = Sandbox(tmp_path, monkeypatch)
    reader = {"learned.json": "learned values", "counts.json": "counts"}[name]
    found = readers(box)[reader]
    for text in (b'{"kind": ' * 100_000, b"[" * 900_000, b'{"kind": "counts", "schema": 1' + b"0" * 6000 + b"}"):
        assert found.run(box, 0, text).code == (0 if name == "learned.json" else 2)


def test_a_copy_forged_with_its_checksum_is_not_believed_blindly(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A payload of another shape under a right checksum: the copy is made anew and the answer stays."""
    box = Sandbox(tmp_path, monkeypatch)
    rng = random.Random(1)
    for reader in (r for name, r in readers(box).items() if name.startswith("copy")):
        right = reader.run(box, 0).out
        key, _, payload = reader.whole.split(b"\n", 2)
        for data in (b"[]", b"{}", b"null", b"[1, 2]", b'[[], []]', b'["a", "b"]', b"[" * 2000 + b"]" * 2000,
                     *(payload.replace(b'"', b"[", rng.randrange(9)) for _ in range(3))):
            forged = b"\n".join([key, hashlib.sha256(data).hexdigest().encode(), data])
            assert reader.run(box, 0, forged).out == right
