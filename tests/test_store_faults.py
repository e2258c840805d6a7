"""The store under bad luck: several writers, killed writers, a full disk, no rights, copies of a synchronised folder.

What is asked of rename, link, fsync, flock and O_EXCL is what POSIX.1-2017 and the Linux manual (rename(2), link(2), fsync(2),
flock(2), open(2)) promise; that a file is the old or the new one at every moment is common practice, no source.
"""

from __future__ import annotations

import errno
import itertools
import os
import random
import signal
import stat
import subprocess
import sys
import time
import tracemalloc
from collections.abc import Callable, Iterator
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import pytest

from diagnose import case as cases
from diagnose import source
from diagnose.case import Case, Note
from diagnose.source import InputError
from tests.conftest import heeding_permissions

AT = "2026-11-05T14:32:07+00:00"
FRESH = get_context("spawn")
ROOT = Path(__file__).resolve().parent.parent
posix_only = pytest.mark.skipif(os.name != "posix", reason="POSIX signals and locks")


def opened(**more: Any) -> Case:
    return Case("", AT, "head_unit", "1.0.0", **more)


def with_note(case: Case, text: str) -> Case:
    return cases.with_note(case, text, at=AT)


def together(target: Callable[..., None], count: int, *arguments: Any) -> None:
    """Run ``target(store, number)`` in several processes that begin at the same moment; all must end well."""
    gate = FRESH.Barrier(count)
    runs = [FRESH.Process(target=once_all_are_here, args=(gate, target, *arguments, number)) for number in range(count)]
    for run in runs:
        run.start()
    for run in runs:
        run.join(120)
    assert [run.exitcode for run in runs] == [0] * count


def once_all_are_here(gate: Any, target: Callable[..., None], *arguments: Any) -> None:
    gate.wait(60)
    target(*arguments)


def left_over(store: Path) -> list[str]:
    return [path.name for path in store.iterdir() if path.name.endswith(".tmp")]


# Several writers


def create_many(store: Path, without_locks: bool, number: int) -> None:
    if without_locks:
        take_locks_away()
    for turn in range(12):
        cases.create(store, opened(reference=f"{number}-{turn}"))


def take_locks_away() -> None:
    import fcntl

    def refuse(handle: int, operation: int) -> None:
        raise OSError(errno.ENOLCK, "no locks available")

    fcntl.flock = refuse  # type: ignore[assignment]


@posix_only
@pytest.mark.parametrize("without_locks", [False, True])
def test_cases_created_at_once_are_all_there(tmp_path: Path, without_locks: bool) -> None:
    store = tmp_path / "cases"
    together(create_many, 3, store, without_locks)
    found, problems = cases.load_all(store)
    assert problems == [] and left_over(store) == []
    assert len({case.id for case in found}) == 36
    assert {case.reference for case in found} == {f"{number}-{turn}" for number in range(3) for turn in range(12)}


def add_notes(store: Path, name: str, number: int) -> None:
    for turn in range(10):
        while True:
            loaded = cases.load(store, name)
            try:
                cases.save(loaded, with_note(loaded.case, f"{number}-{turn}"))
                break
            except InputError as error:
                if "has changed since it was read" not in str(error):
                    raise


def test_notes_saved_at_once_are_all_there(tmp_path: Path) -> None:
    made = cases.create(tmp_path, opened())
    together(add_notes, 3, tmp_path, made.case.id)
    texts = [note.text for note in cases.load(tmp_path, made.case.id).case.notes]
    assert len(texts) == 30 and set(texts) == {f"{number}-{turn}" for number in range(3) for turn in range(10)}


def test_a_case_changed_meanwhile_is_not_overwritten(tmp_path: Path) -> None:
    made = cases.create(tmp_path, opened())
    other = cases.save(cases.load(tmp_path, made.case.id), with_note(made.case, "theirs"))
    with pytest.raises(InputError, match="has changed since it was read; nothing was written"):
        cases.save(made, with_note(made.case, "ours"))
    assert cases.load(tmp_path, made.case.id) == other


def test_a_case_removed_meanwhile_is_told(tmp_path: Path) -> None:
    made = cases.create(tmp_path, opened())
    made.path.unlink()
    with pytest.raises(InputError, match="cannot be read"):
        cases.save(made, with_note(made.case, "ours"))
    assert not made.path.exists()


def test_a_newer_schema_is_never_overwritten(tmp_path: Path) -> None:
    made = cases.create(tmp_path, opened())
    newer = made.path.read_text().replace("schema: 1", "schema: 2") + "something: new\n"
    made.path.write_text(newer)
    for attempt in (lambda: cases.load(tmp_path, made.case.id), lambda: cases.save(made, with_note(made.case, "x")),
                    lambda: cases.create(tmp_path, made.case)):
        with pytest.raises(InputError):
            attempt()
    assert made.path.read_text() == newer
    assert "schema '2'" in str(cases.load_all(tmp_path)[1][0])


# The lock


def hold(path: Path, ready: Any) -> None:
    with source.locked(path):
        ready.set()
        time.sleep(60)


@posix_only
def test_a_lock_is_waited_for_told_and_freed_by_death(tmp_path: Path) -> None:
    ready = FRESH.Event()
    holder = FRESH.Process(target=hold, args=(tmp_path / cases.MARKER, ready))
    holder.start()
    assert ready.wait(30)
    with pytest.raises(InputError, match="another run is writing here"), source.locked(tmp_path / cases.MARKER, wait=0.2):
        pass
    assert holder.pid is not None
    os.kill(holder.pid, signal.SIGKILL)
    holder.join(30)
    with source.locked(tmp_path / cases.MARKER, wait=5) as alone:
        assert alone
    assert cases.create(tmp_path, opened()).path.exists()


def test_where_there_are_no_locks_work_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fcntl = pytest.importorskip("fcntl")
    monkeypatch.setattr(fcntl, "flock", fcntl.flock)
    take_locks_away()
    with source.locked(tmp_path / "lock") as alone:
        assert alone is False
    made = cases.create(tmp_path, opened())
    assert cases.save(made, with_note(made.case, "x")).path.exists()


# Killed writers


CHILD = """
import os, signal, sys
from pathlib import Path
from diagnose import case as cases

store, step = Path(sys.argv[1]), sys.argv[2]

def die(*_, **__):
    os.kill(os.getpid(), signal.SIGKILL)

def before(name):
    setattr(os, name, die)

def after(name):
    do = getattr(os, name)
    setattr(os, name, lambda *a, **k: (do(*a, **k), die()))

if step == "half written":
    class Half:
        def __init__(self, stream): self.stream = stream
        def __enter__(self): return self
        def __exit__(self, *_): return None
        def write(self, data):
            self.stream.write(data[: len(data) // 2]); self.stream.flush(); die()
    whole = os.fdopen
    os.fdopen = lambda *a, **k: Half(whole(*a, **k))
elif step:
    when, name = step.split()
    {"before": before, "after": after}[when](name)
if sys.argv[3] == "create":
    cases.create(store, cases.Case("", "2026-11-05T14:32:07+00:00", "head_unit", "1.0.0", reference="new"))
else:
    read = cases.load(store, "2026")
    notes = [(cases.Note(read.case.opened, letter * 60_000),) * int(sys.argv[4]) for letter in "ab"]
    versions = [read.case._replace(notes=some) for some in notes]
    ready = [cases._bytes(version, read.path) for version in versions]
    cases._bytes = lambda case, path: ready[versions.index(case)]  # so that it spends its time on the disk
    print("ready", flush=True)
    for turn in range(1, 1_000_000 if not step else 3):
        read = cases.save(read, versions[turn % 2])
"""


def child(store: Path, step: str, what: str, notes: int = 1) -> subprocess.Popen[str]:
    return subprocess.Popen([sys.executable, "-c", CHILD, str(store), step, what, str(notes)], stdout=subprocess.PIPE,
                            text=True, cwd=ROOT)


def killed_at(store: Path, step: str, what: str) -> None:
    """Let a child create or save until it kills itself at that step."""
    with child(store, step, what) as run:
        run.communicate()
    assert run.returncode == -signal.SIGKILL


SAVING = ["half written", "before fsync", "after fsync", "before replace", "after replace"]
CREATING = ["half written", "before fsync", "after fsync", "before link", "after link", "before unlink", "after unlink"]


@posix_only
@pytest.mark.parametrize("step", SAVING)
def test_a_writer_killed_while_saving_leaves_the_old_or_the_new_file(tmp_path: Path, step: str) -> None:
    made = cases.create(tmp_path, opened(notes=(Note(AT, "a" * 60_000),)))
    killed_at(tmp_path, step, "save")
    after = cases.load(tmp_path, made.case.id)
    assert after.case.notes[0].text == ("b" if step == "after replace" else "a") * 60_000
    assert cases.load_all(tmp_path) == ([after.case], [])
    cases.save(after, with_note(after.case, "next"))  # the lock is free, and what the dead writer left is swept up
    assert left_over(tmp_path) == []


@posix_only
@pytest.mark.parametrize("step", CREATING)
def test_a_writer_killed_while_creating_leaves_no_case_or_a_whole_one(tmp_path: Path, step: str) -> None:
    first = cases.create(tmp_path, opened(reference="old"))
    killed_at(tmp_path, step, "create")
    found, problems = cases.load_all(tmp_path)
    expected = ["old", "new"] if step in ("after link", "before unlink", "after unlink") else ["old"]
    assert [case.reference for case in found] == expected and problems == [] and found[0] == first.case
    assert cases.create(tmp_path, opened()).case.id == f"20261105-1432-{len(expected) + 1}"


def kill_often(store: Path, times: int) -> int:
    """Kill a saving child at random moments; how many left a half-done file beside the case."""
    chance = random.Random(5)
    old, new = ((Note(AT, letter * 60_000),) * 30 for letter in "ab")
    made = cases.create(store, opened(notes=old))
    interrupted = 0
    for _ in range(times):
        with child(store, "", "save", 30) as run:
            try:
                assert run.stdout is not None and run.stdout.readline() == "ready\n"
                time.sleep(chance.uniform(0, 0.05))
            finally:
                run.kill()
        interrupted += bool(left_over(store))
        after = cases.load(store, made.case.id)
        assert after.case.notes in (old, new)
        assert cases.load_all(store) == ([after.case], [])
        saved = cases.save(after, with_note(after.case, "x"))  # the lock is free
        assert left_over(store) == []
        cases.save(saved, made.case)
    return interrupted


@posix_only
def test_a_writer_killed_at_any_moment_tears_nothing(tmp_path: Path) -> None:
    kill_often(tmp_path, 6)


@posix_only
@pytest.mark.slow
def test_a_writer_killed_at_very_many_moments_tears_nothing(tmp_path: Path) -> None:
    assert kill_often(tmp_path, 100) > 0  # some kills did fall into the writing


WORKING = """
import contextlib, io, os, sys
from pathlib import Path
from diagnose import case as cases
from diagnose.cli import run
from diagnose.source import InputError

store, shared, name = Path(sys.argv[1]), sys.argv[2], sys.argv[3]
said = os.fdopen(os.dup(1), "w")

def done(*words):  # what was promised to whoever sits there
    print(*words, file=said, flush=True)

for number in range(1_000_000):
    job = f"{name}-{number}"
    file = cases.create(store, cases.Case("", "2026-11-05T14:32:07+00:00", "head_unit", "1.0.0", job))
    done("opened", job)
    cases.save(file, cases.with_answer(file.case, cases.CaseAnswer("no_power", "yes", at=file.case.opened)))
    done("answered", job)
    while True:
        there = cases.load(store, shared)
        try:
            cases.save(there, cases.with_note(there.case, job, at=file.case.opened))
            break
        except InputError as error:
            if "has changed since it was read" not in str(error):
                raise
    done("noted", job)
    with contextlib.redirect_stdout(io.StringIO()):
        code = run(["close", file.case.id, "--not-found", "--not-put-right", "--minutes", "5", "--cases", str(store)])
    assert code == 0, code
    done("closed", job)
"""


def two_at_work(store: Path, rounds: int) -> dict[str, set[str]]:
    """Two processes at once open, answer and close cases of their own and write notes into one they share; in every round
    both are killed at random moments. What they said was done: word -> jobs, over all rounds."""
    chance = random.Random(7)
    shared = cases.create(store, opened(reference="shared")).case.id
    promised: dict[str, set[str]] = {word: set() for word in ("opened", "answered", "noted", "closed")}
    for number in range(rounds):
        runs = [subprocess.Popen([sys.executable, "-c", WORKING, str(store), shared, f"{letter}{number}"], text=True, cwd=ROOT,
                                 stdout=subprocess.PIPE, stderr=subprocess.PIPE) for letter in "ab"]
        said = ["".join(itertools.islice(run.stdout, 4)) for run in runs if run.stdout]  # each has closed one; both are at work
        for run in runs:
            time.sleep(chance.uniform(0.0, 0.15))
            run.kill()
        for run, first in zip(runs, said, strict=True):
            with run:
                rest = run.stdout.read() if run.stdout else ""
                assert run.wait() == -signal.SIGKILL, run.stderr and run.stderr.read()
            for line in (first + rest).splitlines():
                word, job = line.split()
                promised[word].add(job)
        check_promises(store, shared, promised, killed=2 * (number + 1))
    return promised


def check_promises(store: Path, shared: str, promised: dict[str, set[str]], *, killed: int) -> None:
    """Nothing that was promised is lost, nothing is torn or doubled, and no more than what was going on at a kill is extra."""
    found, problems = cases.load_all(store)
    assert problems == []
    by_job = {case.reference: case for case in found}
    assert len(by_job) == len(found)
    notes = [note.text for note in by_job.pop("shared").notes]
    assert len(set(notes)) == len(notes)
    there = {"opened": set(by_job), "answered": {job for job, case in by_job.items() if case.answers}, "noted": set(notes),
             "closed": {job for job, case in by_job.items() if case.status == cases.CLOSED and case.not_found}}
    for word, jobs in promised.items():
        assert jobs <= there[word], f"{word}, and lost: {jobs - there[word]}"
    assert sum(len(there[word]) - len(jobs) for word, jobs in promised.items()) <= killed
    after = cases.load(store, shared)
    cases.save(cases.save(after, with_note(after.case, "x")), after.case)  # the lock is free


@posix_only
def test_two_processes_killed_while_they_log_and_close_lose_nothing(tmp_path: Path) -> None:
    promised = two_at_work(tmp_path, 3)
    assert all(promised.values())


@posix_only
@pytest.mark.slow
def test_two_processes_killed_many_times_lose_nothing(tmp_path: Path) -> None:
    promised = two_at_work(tmp_path, 60)
    assert min(map(len, promised.values())) > 100


# No room


FULL = """
import sys
from pathlib import Path
from diagnose import case as cases
from diagnose.source import InputError

store = Path(sys.argv[1])
made = cases.create(store, cases.Case("", "2026-11-05T14:32:07+00:00", "head_unit", "1.0.0"))
exec(sys.argv[2])
before = made.path.read_bytes()
large = cases.with_note(made.case, "x" * 90_000, at=made.case.opened)
for attempt in (lambda: cases.save(made, large), lambda: cases.create(store, large._replace(id=""))):
    try:
        attempt()
    except InputError as error:
        print(error)
        assert "nothing was changed; make room there" in str(error)
    else:
        sys.exit("it was written")
assert made.path.read_bytes() == before
assert sorted(path.name for path in store.iterdir() if path.name != "filler") == [cases.MARKER, made.path.name]
"""
FILL = """
with open(store / "filler", "wb", buffering=0) as stream:
    try:
        while True:
            stream.write(b"x" * 4096)
    except OSError:
        pass
"""


@posix_only
def test_a_full_disk_leaves_what_was_there(tmp_path: Path) -> None:
    script = 'mount -t tmpfs -o size=256k none "$1" || exit 77; exec "$2" -c "$3" "$1" "$4"'
    try:  # in a mount space of its own, which ends with the process
        run = subprocess.run(["unshare", "-m", "sh", "-c", script, "sh", str(tmp_path), sys.executable, FULL, FILL],
                             capture_output=True, text=True, check=False, cwd=ROOT)
    except FileNotFoundError:
        pytest.skip("no unshare here")
    if run.returncode == 77 or "unshare" in run.stderr:
        pytest.skip("may not mount a small file system")
    assert run.returncode == 0, run.stderr
    assert run.stdout.count("No space left on device") == 2


@posix_only
def test_a_file_size_limit_leaves_what_was_there(tmp_path: Path) -> None:
    limit = "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, (2_000, 2_000))"
    run = subprocess.run([sys.executable, "-c", FULL, str(tmp_path), limit], capture_output=True, text=True, check=False,
                         cwd=ROOT)
    assert run.returncode == 0, run.stderr
    assert run.stdout.count("File too large") == 2


@posix_only
def test_the_words_are_on_the_disk_before_the_name_and_the_name_before_the_end(tmp_path: Path,
                                                                               monkeypatch: pytest.MonkeyPatch) -> None:
    steps: list[str] = []
    sync = os.fsync

    def noted_sync(handle: int) -> None:
        steps.append("sync folder" if stat.S_ISDIR(os.fstat(handle).st_mode) else "sync file")
        sync(handle)

    def noted(name: str, do: Callable[..., None]) -> Callable[..., None]:
        return lambda *rest: (steps.append(name), do(*rest))[1]

    monkeypatch.setattr(os, "fsync", noted_sync)
    monkeypatch.setattr(os, "link", noted("name", os.link))
    monkeypatch.setattr(os, "replace", noted("name", os.replace))
    made = cases.create(tmp_path, opened())
    assert steps == ["sync file", "name", "sync folder"]
    cases.save(made, with_note(made.case, "x"))
    assert steps == ["sync file", "name", "sync folder"] * 2


def test_a_write_that_fails_half_way_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = cases.create(tmp_path, opened())
    before = made.path.read_bytes()

    def fail(handle: int) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(InputError, match="Input/output error"):
        cases.save(made, with_note(made.case, "x"))
    assert made.path.read_bytes() == before and left_over(tmp_path) == []


# No rights, and folders that are none


ATTEMPTS = """
import sys
from pathlib import Path
from diagnose.source import InputError
from tests.test_store_faults import cases, opened, with_note

store = Path(sys.argv[1])
made = cases.load(store, "2026")
for attempt in (lambda: cases.create(store, opened()), lambda: cases.save(made, with_note(made.case, "x")),
                lambda: cases.create(store / "below", opened())):
    try:
        attempt()
        print("written")
    except InputError as error:
        print(error)
"""


@posix_only
def test_a_folder_without_rights_is_refused_in_a_sentence(tmp_path: Path) -> None:
    made = cases.create(tmp_path, opened())
    before = made.path.read_bytes()
    tmp_path.chmod(0o555)
    try:
        told = heeding_permissions(ATTEMPTS, str(tmp_path)).splitlines()
    finally:
        tmp_path.chmod(0o755)
    assert len(told) == 3
    assert all("cannot be written (Permission denied); nothing was changed" in text for text in told), told
    assert made.path.read_bytes() == before


def test_a_store_that_is_a_file_is_refused_in_a_sentence(tmp_path: Path) -> None:
    path = tmp_path / "file"
    path.write_text("not a folder")
    for store in (path, path / "below"):
        with pytest.raises(InputError, match=r"cannot be written .*check that it is a folder"):
            cases.create(store, opened())
        with pytest.raises(InputError, match="cannot be listed"):
            cases.load_all(store)
    assert path.read_text() == "not a folder"


@posix_only
def test_what_is_no_ordinary_file_is_reported_and_does_not_hang(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "20261105-1000.yaml")
    (tmp_path / "20261105-1100.yaml").mkdir()
    (tmp_path / "20261105-1200.yaml").symlink_to("nowhere.yaml")
    found, problems = cases.load_all(tmp_path)
    assert found == []
    assert [(Path(problem.file).name[9:13], problem.what) for problem in problems] == [
        ("1000", "this is a folder, a pipe or a device"), ("1100", "this is a folder, a pipe or a device"),
        ("1200", "cannot be read (No such file or directory)")]
    assert cases.new_id(tmp_path, at="2026-11-05T12:00:00+00:00") == "20261105-1200-2"


# Links and rights


@posix_only
def test_a_store_behind_a_link_is_the_same_store(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "real", target_is_directory=True)
    made = cases.create(tmp_path / "link", opened())
    same = cases.load(tmp_path / "real", made.case.id)
    cases.save(same, with_note(same.case, "by the front door"))
    with pytest.raises(InputError, match="has changed"):
        cases.save(made, with_note(made.case, "by the side door"))
    assert (tmp_path / "link").is_symlink()


@posix_only
def test_a_case_that_is_a_link_stays_one(tmp_path: Path) -> None:
    made = cases.create(tmp_path / "elsewhere", opened())
    (tmp_path / "cases").mkdir()
    (tmp_path / "cases" / made.path.name).symlink_to(made.path)
    loaded = cases.load(tmp_path / "cases", made.case.id)
    cases.save(loaded, with_note(loaded.case, "x"))
    assert loaded.path.is_symlink() and cases.load(tmp_path / "elsewhere", made.case.id).case.notes[0].text == "x"


@posix_only
def test_the_rights_of_a_file_stay(tmp_path: Path) -> None:
    made = cases.create(tmp_path, opened())
    mask = os.umask(0)
    os.umask(mask)
    assert stat.S_IMODE(made.path.stat().st_mode) == 0o666 & ~mask  # as any file made by open(2)
    made.path.chmod(0o640)
    cases.save(made, with_note(made.case, "x"))
    assert stat.S_IMODE(made.path.stat().st_mode) == 0o640


@pytest.mark.parametrize("number", [errno.EPERM, errno.ENOTSUP])
def test_a_file_system_without_hard_links_will_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int) -> None:
    def refuse(*_: Any, **__: Any) -> None:
        raise OSError(number, os.strerror(number))  # link(2): EPERM, the file system does not support hard links

    monkeypatch.setattr(os, "link", refuse)
    one, two = (cases.create(tmp_path, opened(reference=name)) for name in ("one", "two"))
    assert [case.reference for case in cases.iterate(tmp_path)] == ["one", "two"] and one.path != two.path
    with pytest.raises(InputError, match="already"):
        cases.create(tmp_path, one.case)
    assert left_over(tmp_path) == []


# Copies


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Path]:
    cases.create(tmp_path, opened(reference="right"))
    yield tmp_path
    assert [case.reference for case in cases.load_all(tmp_path)[0]] == ["right"]  # whatever lies beside it


@pytest.mark.parametrize("name", [
    "20261105-1432 (conflicted copy).yaml", "case (conflicted copy).yaml", "20261105-1432 (1).yaml", "20261105-1432-VAN.yaml",
    "20261105-1432.sync-conflict-20261106-101112-ABCDEFG.yaml", "20261105-1432.yml", "20261105-1432.YAML",
    "20261105-1432-2.yaml", "20261106-0900.yaml", "Copy of 20261105-1432.yaml"])
def test_a_conflict_copy_is_reported_and_not_loaded(store: Path, name: str) -> None:
    # What synchronisers and file managers call their copies: common practice, no source.
    (store / name).write_text((store / "20261105-1432.yaml").read_text().replace("right", "wrong"))
    problems = cases.load_all(store)[1]
    assert [str(problem) for problem in problems] == [
        f"{store / name}:2: case: this is case 20261105-1432 under another name, so it was not read; "
        "compare it with 20261105-1432.yaml, keep what is right there and remove this file"]
    assert cases.load(store, "20261105-1432").case.reference == "right"


def test_a_case_under_another_name_only_is_told_its_name(store: Path) -> None:
    (store / "copy.yaml").write_text((store / "20261105-1432.yaml").read_text().replace("1432", "1433"))
    assert "rename it to 20261105-1433.yaml" in str(cases.load_all(store)[1][0])


def test_a_broken_copy_is_reported_with_its_line(store: Path) -> None:
    (store / "20261105-1432 (1).yaml").write_text("schema: 1\ncase: [\n")
    problem = cases.load_all(store)[1][0]
    assert problem.line >= 2 and "not valid YAML" in problem.what


def test_other_things_may_lie_in_the_folder(store: Path) -> None:
    (store / "learned.yaml").write_text("cases: 12\nlinks: {a: 0.5}\n")
    (store / "readme.txt").write_text("ours")
    (store / ".20261105-1432.yaml.abcd.tmp").write_text("half")
    assert cases.load_all(store)[1] == []


# Long logs


def test_a_long_log_is_read_without_holding_it(tmp_path: Path) -> None:
    body = cases.to_text(opened(notes=(Note(AT, "x" * 20_000),))._replace(id="20261105-1432"))
    for number in range(1000, 1300):
        (tmp_path / f"20261105-{number}.yaml").write_text(body.replace("20261105-1432", f"20261105-{number}"))
    next(cases.iterate(tmp_path))  # what is imported and compiled on the way
    tracemalloc.start()
    try:
        assert sum(1 for _ in cases.iterate(tmp_path)) == 300
        assert tracemalloc.get_traced_memory()[1] < 1_000_000  # bytes; the log has 6,000,000
    finally:
        tracemalloc.stop()


@pytest.mark.slow
def test_a_hundred_thousand_cases_are_read_in_flat_memory(tmp_path: Path) -> None:
    script = """
import resource, sys
from pathlib import Path
from diagnose import case as cases
from tests.conftest import heeding_permissions
done, early = 0, 0
for done, case in enumerate(cases.iterate(Path(sys.argv[1])), 1):
    if done == 5_000:
        early = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(done, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - early)
"""
    body = cases.to_text(opened()._replace(id="20261105-1432"))
    for number in range(100_000):
        name = f"{20000101 + number // 1000}-{number % 1000:04}"
        (tmp_path / f"{name}.yaml").write_text(body.replace("20261105-1432", name))
    run = subprocess.run([sys.executable, "-c", script, str(tmp_path)], capture_output=True, text=True, check=True, cwd=ROOT)
    count, growth = map(int, run.stdout.split())
    assert count == 100_000 and growth < 5_000  # kilobytes
