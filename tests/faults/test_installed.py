"""The program where it may not write: installed without write permission, cache and home shut, nobody's locale.

Root may write anywhere, whatever the permissions say. So each process gives up the right to pass over them first, and a test
asks that this bites. Then, in CI and in the long runs, the wheel in an empty environment with what a package index has for it.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
import tomllib
import venv
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.conftest import heed_permissions

ROOT = Path(__file__).resolve().parents[2]
LONG_EXCEPT_IN_CI = pytest.mark.slow if not os.environ.get("CI") else lambda test: test
WORDS = "forgets its stations every night"


@pytest.fixture(scope="module")
def shut() -> Iterator[Path]:
    """A folder with the program in ``site``, an empty ``home`` and ``cache``, none of them to be written."""
    if not sys.platform.startswith("linux"):
        pytest.skip("permissions are taken away in Linux's way")
    folder = Path(tempfile.mkdtemp())
    shutil.copytree(ROOT / "diagnose", folder / "site" / "diagnose", ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copytree(ROOT / "networks", folder / "site" / "diagnose" / "networks")
    for name in ("home", "cache"):
        (folder / name).mkdir()
    (folder / "open").mkdir()
    before = sorted(folder.rglob("*"))
    for path in (folder / "site", *(folder / "site").rglob("*"), folder / "home", folder / "cache"):
        path.chmod(0o555 if path.is_dir() else 0o444)
    yield folder
    after = sorted(folder.rglob("*"))
    for path in (one for one in after if one.is_dir()):
        path.chmod(0o755)
    shutil.rmtree(folder)
    assert [path for path in after if path not in before and path.relative_to(folder).parts[0] != "open"] == []


def run(shut: Path, *arguments: str, code: tuple[str, ...] = ("-m", "diagnose"), **around: str) -> tuple[int, str, str]:
    """A command of the program in ``site``: exit code, answer, notes. Only what stands here is in its environment."""
    places = [str(shut / "site"), *(entry for entry in sys.path if entry.endswith("site-packages"))]
    environment = {"PATH": os.environ["PATH"], "PYTHONPATH": os.pathsep.join(places), "HOME": str(shut / "home"),
                   "XDG_CACHE_HOME": str(shut / "cache"), **around}
    done = subprocess.run([sys.executable, *code, *arguments], cwd=shut / "site", env=environment, capture_output=True,
                          check=False, preexec_fn=heed_permissions, stdin=subprocess.DEVNULL)
    return done.returncode, done.stdout.decode(), done.stderr.decode()


def test_the_folders_really_are_shut(shut: Path) -> None:
    for place in ("site/diagnose", "home", "cache"):
        code, _, error = run(shut, code=("-c", f"open({str(shut / place / 'x')!r}, 'w')"))
        assert code == 1 and "PermissionError" in error


@pytest.mark.parametrize("around", [{}, {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}],
                         ids=["as it comes", "locale C"])
def test_a_triage_says_the_same_and_nothing_else(shut: Path, around: dict[str, str]) -> None:
    expected = subprocess.run([sys.executable, "-m", "diagnose", "triage", "--json", WORDS], cwd=ROOT, capture_output=True,
                              text=True, check=True).stdout
    assert run(shut, "triage", "--json", WORDS, **around) == (0, expected, "")


@pytest.mark.parametrize("arguments", [("call", WORDS), ("reply", WORDS), ("close", "20261105-1432", "--not-found")])
def test_what_must_be_kept_is_refused_in_a_sentence(shut: Path, arguments: tuple[str, ...]) -> None:
    code, out, error = run(shut, *arguments)
    assert (code, out) == (2, "")
    assert f"{shut / 'home'}" in error and "Traceback" not in error
    assert ("(Permission denied); nothing was changed" in error and "--cases" in error) or "there is no case" in error


@pytest.mark.parametrize("arguments", [("learn",), ("review",), ("cases", "list"), ("findings", "hum"), ("network", "list")])
def test_what_only_reads_works(shut: Path, arguments: tuple[str, ...]) -> None:
    code, out, error = run(shut, *arguments)
    assert (code, error) == (0, "") and out


def test_cases_can_be_kept_where_it_is_open(shut: Path) -> None:
    code, _, error = run(shut, "reply", WORDS, "--cases", str(shut / "open"), LC_ALL="C")
    assert code == 0, error
    assert run(shut, "cases", "list", "--cases", str(shut / "open"))[0] == 0
    assert len(list((shut / "open").glob("*.yaml"))) == 1


class Elsewhere:
    """An environment of its own and a folder to stand in, where nothing of this checkout is to be found."""

    def __init__(self, root: Path) -> None:
        venv.create(root / "empty", with_pip=True)
        self.root, self.folder = root, root / "elsewhere"
        self.folder.mkdir()
        self.python = root / "empty" / "bin" / "python"
        self.around = {key: value for key, value in os.environ.items() if not key.startswith("PYTHON")}

    def done(self, *arguments: str, program: str = "python") -> str:
        """What the environment's Python, or another program in it, prints; AssertionError unless it ends well."""
        found = subprocess.run([str(self.python.with_name(program)), *arguments], cwd=self.folder, env=self.around,
                               capture_output=True, text=True, check=False)
        assert found.returncode == 0, found.stderr[-3000:]
        return found.stdout

    def wheel(self) -> str:
        """The wheel, built from a copy that is gone afterwards."""
        source = self.root / "source"
        shutil.copytree(ROOT, source, ignore=shutil.ignore_patterns(".*", "__pycache__", "tests"))
        self.done("-m", "pip", "wheel", "-q", "--no-deps", "-w", str(self.root), str(source))
        shutil.rmtree(source)
        (wheel,) = self.root.glob("*.whl")
        return str(wheel)

    def does_its_work(self) -> None:
        """AssertionError unless the main job is answered as here."""
        expected = subprocess.run([sys.executable, "-m", "diagnose", "triage", "--json", WORDS], cwd=ROOT, capture_output=True,
                                  text=True, check=True).stdout
        assert self.done("-m", "diagnose", "triage", "--json", WORDS) == expected
        assert "well-formed" in self.done("-m", "diagnose", "network", "check", "head_unit")
        assert "triage" in self.done("--help", program="diagnose")


@LONG_EXCEPT_IN_CI
def test_the_wheel_in_an_empty_environment(tmp_path: Path) -> None:
    """Built and installed with nothing but pip, its dependencies fetched; the main job run from another folder."""
    there = Elsewhere(tmp_path)
    assert "numpy" not in there.done("-m", "pip", "list"), "it is empty before"
    there.done("-m", "pip", "install", "-q", there.wheel())
    there.does_its_work()
    assert "tests" not in there.done("-m", "pip", "show", "-f", "diagnose").replace("diagnose/", "")


@pytest.mark.slow
@pytest.mark.skipif(sys.version_info[:2] != (3, 11), reason="the oldest releases are not built for newer Pythons")
def test_the_oldest_releases_that_are_allowed(tmp_path: Path) -> None:
    """The lower bounds in pyproject.toml are promises as well."""
    there = Elsewhere(tmp_path)
    wanted = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["dependencies"]
    oldest = [re.sub(r">=([0-9.]+).*", r"==\1", one) for one in wanted]
    assert all("==" in one for one in oldest)
    there.done("-m", "pip", "install", "-q", there.wheel(), *oldest)
    there.does_its_work()
