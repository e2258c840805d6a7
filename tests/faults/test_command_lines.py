"""Random command lines: each ends with 0, 2 or 130, in sentences, and writes nowhere but in the store and where it is told.

How many: 25 in the ordinary run, 10,000 in the long one (``python -m pytest -m slow tests/faults``).
"""

from __future__ import annotations

import random
import shutil
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

import pytest

from diagnose.network import open_network
from diagnose.readings import READINGS
from tests.conftest import DOORBELL, write_network
from tests.faults.hostile import ODD_TEXTS, CommandLines
from tests.faults.sandbox import Sandbox

DEMONSTRATION = Path(__file__).resolve().parents[2] / "cases"


class Furniture(NamedTuple):
    """What random lines are made of (see ``CommandLines``), and the files that they find, by path."""

    pools: dict[str, Sequence[str]]
    wants: dict[str, list[list[str]]]
    files: dict[Path, bytes]

    def put_back(self) -> None:
        """The files as they were: lines write over them and close cases, and what comes later must find something too."""
        for path, data in self.files.items():
            if not path.is_file() or path.read_bytes() != data:
                path.write_bytes(data)


def furnished(box: Sandbox) -> Furniture:
    """A sandbox with some cases, files and networks in it."""
    knowledge = open_network("head_unit").knowledge
    bell = str(write_network(box.here / "bell", DOORBELL))
    some = sorted(DEMONSTRATION.glob("*.yaml"))[:4]
    for path in some:
        shutil.copy(path, box.store)
    box.run("call", "stations lost", "--reference", "job-1")
    box.run("call", "hum")
    box.run("call", "does not ring", "--network", bell)
    names = sorted(path.stem for path in box.store.glob("*.yaml"))  # the open ones, of today, come last
    (box.here / "jobs.csv").write_text("day,said,found\n2026-01-05,no sound at all,feeds_exchanged\n2026-01-06,hum,x\n")
    (box.here / "jobs.yaml").write_text("columns: {date: day, words: said, cause: found}\n")
    (box.here / "words.txt").write_bytes(b"1. yes\n2. \xff no\n")
    (box.here / "counts.json").write_text("{}")
    names_there = ("jobs.csv", "jobs.yaml", "words.txt", "counts.json", "nothing", "bell", "no/x", "out")
    files = [str(box.here / name) for name in names_there]
    checks = [name for name, f in knowledge.findings.items() if f.kind == "check"]
    levels = [f"{name}={level}" for name, f in knowledge.findings.items()
              for level in (*f.levels, "12", "1.2 V", "5 ohm", "1e9999")]
    written = {path: path.read_bytes() for folder in (box.store, box.here) for path in folder.rglob("*") if path.is_file()}
    wants = {
        "triage": [["no sound"], ["--report", "hum"]],
        "reading": [["state_of_charge", "volts=12.4"], ["charging", "volts=14.2"]],
        "close": [["--not-found", "--not-put-right", "--minutes", "5"],
                  ["--cause", "feeds_exchanged", "--put-right", "--verified", "a drive", "--minutes", "5", "--json"]],
        "cases import": [["--mapping", files[1], "--skip-bad"], ["--mapping", files[1], "--dry-run"]],
        "cases export": [[], ["--replace"], ["--replace"]],
        "network export": [["--finding", "hum"], ["--area", "power"]],
        "why": [[], ["feeds_exchanged"]],
    }
    pools: dict[str, Sequence[str]] = {
        "words": ["stations lost", "battery flat in the morning", "no sound", "fuse blows", "smoke", "does not ring", *names,
                  *knowledge.header.areas, *knowledge.findings, *knowledge.causes, *knowledge.cautions],
        "report": [f.id for f in knowledge.of_kind("report")], "normal": list(knowledge.findings),
        "circumstance": [one for one in levels if one.endswith(("=yes", "=no"))], "check": levels,
        "who": ["customer", "fitter", "workshop"], "case": [*names, *(name[:6] for name in names)],
        "cause": list(knowledge.causes), "tool": list(knowledge.header.tools), "part": list(knowledge.header.parts),
        "name": ["state_of_charge", "triage", "head_unit", "feeds_exchanged", *checks],
        "close case": names[-3:], "reopen case": names[:4], "close minutes": ["0", "35"],
        "export network": ["head_unit", "head_unit", bell], "export file": [*files, *files[-1:] * 4],
        "import table": [files[0], files[0], "-"], "import mapping": [files[1], files[1], ""],
        "reading name": ["state_of_charge", "charging", "cranking", *READINGS],
        "values": ["volts=12.4", "battery=agm", "temperature=20", "current=1 A", "length=3 m", "area=2.5 mm2"],
        "questions": ["1", "3", "6"], "most": ["1", "6", "20"], "minutes": ["0", "35", "1e9"], "half_life": ["1", "365"],
        "as_of": ["2026-11-25", "1970-01-01"], "strength": ["1", "20"], "since": ["2026-01-01"], "status": ["open", "closed"],
        "form": ["bif", "xmlbif"], "area": list(knowledge.header.areas), "finding": list(knowledge.findings),
        "reference": ["job-1", "0123456789"], "policies": ["likeliest_first", "per_minute,random"],
        # Chosen from these alone: paths, which must not point out of the sandbox, and what decides how long it takes.
        "strict": ["network", "read", "table", "mapping", "html", "file", "partial", "merge", "store", "cases", "processes"],
        "network": ["head_unit", "head_unit", bell, bell, "kitchen_tap", "", "nothing", str(box.here), files[0]],
        "read": [*files, "-", ""], "table": [*files, "-", ""], "mapping": [*files, ""], "html": [*files, "-", ""],
        "file": [*files, "-", ""], "partial": [*files, "-", ""], "merge": [*files, ""],
        "store": [str(box.store), "cases", "", str(box.here / "jobs.csv"), "\udcff"], "cases": ["2", "1", "x", "-1"],
        "processes": ["1"], "always": ["cases", "processes", "mapping"],
    }
    return Furniture(pools, wants, written)


def conversation(rng: random.Random) -> bytes:
    """Lines as they may be typed at any prompt, now and then no text at all."""
    orders = ["a", "b", "c", "yes", "no", "1", "12.3 V", "0.2", "?", "don't know", "i think no", "skip", "back", "why", "else",
              "belief", "help", "stop", "tell smoke and a smell", "tell hum", "note x", "ask memory_feed_key_off", "who fitter",
              "who nobody", "tried feeds_exchanged", "partly", "tell", "back 2"]
    lines = [rng.choice(orders if rng.random() < 0.8 else ODD_TEXTS) for _ in range(rng.randrange(8))]
    return "\n".join(lines).encode("utf-8", "surrogatepass" if rng.random() < 0.2 else "replace")


def _try(box: Sandbox, count: int, seed: int) -> set[str]:
    """Run so many lines; the commands that answered."""
    rng = random.Random(seed)
    furniture = furnished(box)
    lines = CommandLines(rng, furniture.pools, furniture.wants)
    answered = set()
    for number in range(count):
        if number % 10 == 0:
            furniture.put_back()
        line = lines.line()
        if line[:1] == ["simulate"]:
            line += ["--network", str(box.here / "bell"), "--cases", rng.choice(("2", "1"))]
        done = box.run(*(word.replace("\x00", "") for word in line), stdin=conversation(rng))
        if done.code == 0 and "--help" not in line:
            answered.add(" ".join(line[: 1 + (line[0] in ("cases", "network"))]) if line else "")
        if number % 100 == 99:
            box.check_nothing_strayed()
    box.check_nothing_strayed()
    return answered


def test_some_random_command_lines(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert _try(Sandbox(tmp_path, monkeypatch), 25, 1)


def test_sensible_lines_bring_every_command_to_an_answer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    box = Sandbox(tmp_path, monkeypatch)
    furniture = furnished(box)
    lines = CommandLines(random.Random(1), furniture.pools, furniture.wants)
    for name in lines.commands:
        furniture.put_back()
        least = ["--network", str(box.here / "bell"), "--cases", "2"] if name == ("simulate",) else []
        assert any(box.run(*lines.sensible(name), *least).code == 0 for _ in range(20)), name


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(10))
def test_ten_thousand_random_command_lines(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seed: int) -> None:
    answered = _try(Sandbox(tmp_path, monkeypatch), 1000, 100 + seed)
    assert {" ".join(name) for name in CommandLines(random.Random(), {}, {}).commands} - answered == set()
