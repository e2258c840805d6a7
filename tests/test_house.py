"""The house stands: one-way imports, a light start, sizes, documents that name every command and module."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from importlib import metadata
from pathlib import Path

import pytest

from diagnose.readings import SOURCES
from tests.outside.test_contrasts import GROUPS
from tests.outside.test_masters_reading import ROWS

ROOT = Path(__file__).resolve().parent.parent
MODULES = sorted(p for p in (ROOT / "diagnose").glob("*.py"))
HEAVY = ("pgmpy", "pandas", "scipy", "torch", "pydantic", "networkx", "sklearn", "rich.markdown",
         "jsonschema", "jinja2")


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, *arguments], capture_output=True, text=True, check=False, cwd=ROOT)


def test_imports_go_down_only() -> None:
    """The contracts in pyproject.toml; every module has its floor there."""
    done = run("-c", "from importlinter.cli import lint_imports_command; lint_imports_command()", "--no-cache")
    assert done.returncode == 0, done.stdout


def test_foreign_packages_stay_in_their_rooms() -> None:
    rooms = {"rich": r"screens\w*|session", "typer": r"cli\w*", "yaml": "source", "pgmpy": "network|exchange",
             "jinja2": "pages", "rapidfuzz": "phrases|correspondence", "platformdirs": "source|case|cli_call"}
    for path in MODULES:
        for package in re.findall(r"^\s*(?:import|from) (\w+)", path.read_text(encoding="utf-8"), re.M):
            if package in rooms:
                assert re.fullmatch(rooms[package], path.stem), f"{path.stem} imports {package}"


def test_a_triage_starts_light() -> None:
    code = ("import sys; from diagnose.cli import run; run(['triage', 'forgets its stations every night']);"
            "print([m for m in sys.modules if m in sys.argv[1].split(',')], file=sys.stderr)")
    run("-c", code, "none")
    assert run("-c", code, ",".join(HEAVY)).stderr.strip() == "[]"


def test_importing_the_package_imports_nothing_else() -> None:
    code = "import sys, diagnose; print([m for m in sys.modules if m.startswith(('diagnose.', 'numpy', 'rich'))])"
    done = run("-c", code)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.stem)
def test_modules_are_of_readable_size(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 500


def test_documents_name_every_module_and_command() -> None:
    from typer.main import get_command

    from diagnose.cli import app

    developers = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for path in MODULES:
        if not path.stem.startswith("__"):
            assert re.search(rf"\b{path.stem}\b", developers), f"DEVELOPERS.md says nothing about {path.stem}"

    def commands(group: object, prefix: str) -> list[str]:
        found = []
        for name, command in group.commands.items():  # type: ignore[attr-defined]
            found += commands(command, f"{prefix} {name}") if hasattr(command, "commands") else [f"{prefix} {name}"]
        return found

    for name in commands(get_command(app), "diagnose"):
        assert name in readme, f"README.md says nothing about {name!r}"


def test_every_command_has_help_and_an_example() -> None:
    from typer.main import get_command

    from diagnose.cli import app

    def check(group: object) -> None:
        for name, command in group.commands.items():  # type: ignore[attr-defined]
            assert command.help, name
            if hasattr(command, "commands"):
                check(command)
            else:
                assert "Example: diagnose " in (command.epilog or ""), name

    check(get_command(app))


SOURCE_NAMED = re.compile(
    r"(?i:common practice, no source|from memory|no outside source|methods(\.md)? \d|design section|"
    r"pgmpy|pyagrum|scikit|scipy|sklearn|https?:)|"
    r"\[[PCM]\]|\b(CP|M|D|E)\b|\b(19|20)\d\d\b|#.*\b[a-z]{3,6}\d\b|"
    + "|".join(rf"\b{key}\b" for key in SOURCES if len(key) > 2))


OUTSIDE = [path for path in sorted((ROOT / "tests" / "outside").glob("test_*.py"))
           if path.stem != "test_field_cases"]  # its sources stand in the file of cases, and a test there asks for each


@pytest.mark.parametrize("path", OUTSIDE, ids=lambda p: p.stem)
def test_each_outside_check_names_its_source(path: Path) -> None:
    """A test's text, comments before it, and the tables and helpers that it uses name a source, or say that there is none."""
    text = path.read_text(encoding="utf-8")
    lines, blocks = text.splitlines(), {}
    for node in ast.parse(text).body:
        names = [node.name] if isinstance(node, ast.FunctionDef) else [
            target.id for target in getattr(node, "targets", [getattr(node, "target", None)]) if isinstance(target, ast.Name)]
        first = min([node.lineno, *(one.lineno for one in getattr(node, "decorator_list", ()))]) - 1
        while lines[first - 1].startswith("#"):
            first -= 1
        used = {one.id for one in ast.walk(node) if isinstance(one, ast.Name)}
        blocks |= dict.fromkeys(names, ("\n".join(lines[first:node.end_lineno]), used))

    def named(name: str, seen: frozenset[str]) -> bool:
        block, used = blocks[name]
        return bool(SOURCE_NAMED.search(block)) or any(named(one, seen | {name}) for one in used & set(blocks) - seen - {name})

    assert [name for name in blocks if name.startswith("test_") and not named(name, frozenset())] == []


@pytest.mark.parametrize("table", [GROUPS, ROWS], ids=["contrasts", "readings of a master"])
def test_each_row_of_a_table_names_its_source(table: list[tuple[str, ...]]) -> None:
    assert [row for row in table if row[0] != "common practice, no source" and len(row[0].split()) < 4] == []


def test_ruff_and_the_type_checker_are_content() -> None:
    done = run("-m", "ruff", "check", "diagnose", "tests")
    assert done.returncode == 0, done.stdout
    done = run("-m", "mypy")
    assert done.returncode == 0, done.stdout


def test_top_level_holds_what_it_should() -> None:
    listed = subprocess.run(["git", "ls-files"], capture_output=True, text=True, cwd=ROOT, check=False)
    if listed.returncode != 0:
        pytest.skip("not a git checkout")
    top = {line.split("/")[0] for line in listed.stdout.splitlines() if not line.startswith(".")}
    assert top <= {"README.md", "DEVELOPERS.md", "pyproject.toml", "diagnose", "networks", "tests", "cases"}


def test_what_is_imported_is_declared_and_what_is_declared_is_used() -> None:
    """What comes along with a dependency may go with its next release."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    own, tests = ({re.split(r"[<>=]", one)[0].lower() for one in some}
                  for some in (project["dependencies"], project["optional-dependencies"]["test"]))
    assert foreign("diagnose") == own
    programs = {"hatchling", "import-linter", "mypy", "pytest-xdist", "ruff", "types-pyyaml"}  # used by name
    assert foreign("tests") - own == tests - programs


def foreign(folder: str) -> set[str]:
    """The distributions of other people that the Python files in a folder import."""
    trees = [ast.parse(path.read_text(encoding="utf-8")) for path in (ROOT / folder).rglob("*.py")]
    imports = {alias.name for tree in trees for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names}
    imports |= {node.module or "" for tree in trees for node in ast.walk(tree)
                if isinstance(node, ast.ImportFrom) and not node.level}
    modules = {name.partition(".")[0] for name in imports} - sys.stdlib_module_names - {"diagnose", "tests"}
    where = metadata.packages_distributions()
    return {where.get(module, [module])[0].lower() for module in modules}


def test_every_dependency_is_bounded_justified_and_licensed_as_said() -> None:
    """Names and bounds of pyproject.toml against the lists in DEVELOPERS.md; licences against what the packages themselves say
    (left out where one is not installed)."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [*project["dependencies"], *(one for extra in project["optional-dependencies"].values() for one in extra)]
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").partition("## Dependencies")[2]
    rows = [[cell.strip() for cell in line.strip("| ").split("|")] for line in text.splitlines() if line.startswith("| ")]
    said = {}
    for names, use, licences in (row for row in rows if row[0] != "package"):
        assert use
        listed = [name.strip().lower() for name in re.sub(r"\(.*?\)", "", names).split(",")]
        of_each = licences.split(", ")
        said |= dict(zip(listed, of_each if len(of_each) == len(listed) else of_each * len(listed), strict=True))
    assert {re.split(r"[<>=]", one)[0].lower() for one in wanted} == set(said)
    assert [one for one in wanted if "<" not in one or ">=" not in one] == []
    for name, licence in said.items():
        try:
            about = metadata.metadata(name)
        except metadata.PackageNotFoundError:
            continue
        own = [about.get("License-Expression") or "", (about.get("License") or "")[:60], *(about.get_all("Classifier") or [])]
        for part in licence.split(" or "):
            word = part.split("-")[0]
            assert any(word in one for one in own), f"{name}: {licence} is said, it says {own[:2]}"
