"""A place of its own for runs within this process: folders, a guard over every write, one call that runs a command."""

from __future__ import annotations

import contextlib
import io
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from diagnose.cli import run

FINE = (0, 2, 130)
_WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
_CHANGES = {"os.mkdir": 1, "os.rename": 2, "os.remove": 1, "os.rmdir": 1, "os.link": 2, "os.symlink": 2, "os.truncate": 1,
            "os.chmod": 1, "os.chown": 1, "os.utime": 1}  # event -> how many of its arguments are paths that change
_guards: list[Guard] = []


class Guard:
    """Notes, and stops, whatever is written outside some folders while it is on."""

    def __init__(self, *folders: Path) -> None:
        self.folders = [os.path.realpath(folder) for folder in folders]
        self.escaped: list[str] = []

    def look(self, path: Any) -> None:
        """OSError for a path outside; file numbers and nothing are passed over."""
        if isinstance(path, str | bytes | os.PathLike):
            real = os.path.realpath(os.fsdecode(path))
            if real != os.devnull and not any(real == one or real.startswith(one + os.sep) for one in self.folders):
                self.escaped.append(real)
                raise PermissionError(13, "outside of what may be written")


def _audit(event: str, arguments: tuple[Any, ...]) -> None:
    if not _guards:
        return
    if event == "open" and isinstance(arguments[2], int) and arguments[2] & _WRITING:
        _guards[-1].look(arguments[0])
    elif event in _CHANGES:
        for path in arguments[: _CHANGES[event]]:
            _guards[-1].look(path)


@contextlib.contextmanager
def guarded(guard: Guard) -> Iterator[Guard]:
    """The guard is on within; an audit hook cannot be taken away again, so one is set once and looks who is on guard."""
    if _audit not in _hooked:
        sys.addaudithook(_audit)
        _hooked.append(_audit)
    _guards.append(guard)
    try:
        yield guard
    finally:
        _guards.remove(guard)


_hooked: list[Any] = []


class Done(NamedTuple):
    """What a command left: exit code, answer, notes."""

    code: int
    out: str
    err: str


class Sandbox:
    """Folders: ``store`` for cases, ``here`` to stand in, ``cache``; a home and a place for temporary files that must stay
    empty. What is written anywhere else is stopped and noted by the guard."""

    def __init__(self, root: Path, patch: pytest.MonkeyPatch) -> None:
        self.store, self.here, self.cache = root / "store", root / "here", root / "cache"
        self.empty = [root / "home", root / "temporary"]
        for folder in (self.store, self.here, self.cache, *self.empty):
            folder.mkdir()
        self.guard = Guard(self.store, self.here, self.cache, self.empty[1])
        patch.chdir(self.here)
        patch.setenv("DIAGNOSE_CASES", str(self.store))
        patch.setenv("XDG_CACHE_HOME", str(self.cache))
        patch.setenv("COLUMNS", "80")
        for name in ("HOME", "XDG_DATA_HOME", "TMPDIR"):
            patch.setenv(name, str(self.empty[name == "TMPDIR"]))
        patch.setattr("tempfile.tempdir", str(self.empty[1]))
        self.patch = patch

    def run(self, *arguments: str, stdin: bytes = b"") -> Done:
        """Run a command as a terminal in a UTF-8 locale would. AssertionError unless it ends as documented, speaks in
        sentences and writes where it may."""
        out, err = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8", errors=how) for how in ("strict", "backslashreplace"))
        with self.patch.context() as patch, guarded(self.guard):
            patch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(stdin), encoding="utf-8"))
            patch.setattr(sys, "stdout", out)
            patch.setattr(sys, "stderr", err)
            patch.setattr(sys, "dont_write_bytecode", True)  # what Python keeps for itself is no writing of ours
            code = run(list(arguments))
            patch.undo()
        for stream in (out, err):
            stream.flush()
        done = Done(code, *(stream.buffer.getvalue().decode() for stream in (out, err)))  # type: ignore[attr-defined]
        told = f"{arguments!r:.1500} with {stdin!r:.300} -> {done.code}\n{done.err:.1500}"
        if code not in FINE:
            raise AssertionError(f"{told}\n{self._details()}")
        assert "Traceback" not in done.out + done.err, told
        assert (code == 0) or done.err.strip(), f"no word why: {told}"
        assert not self.guard.escaped, f"{self.guard.escaped}: {told}"
        return done

    def _details(self) -> str:
        """What the program noted about a mistake of its own."""
        return "\n".join(log.read_text()[-3000:] for log in self.empty[1].glob("diagnose-*.log"))

    def check_nothing_strayed(self) -> None:
        """AssertionError if something lies in the home or among the temporary files, or a half-written file anywhere."""
        assert [list(folder.rglob("*")) for folder in self.empty] == [[], []]
        assert not [*self.store.rglob("*.tmp"), *self.here.rglob("*.tmp")]
