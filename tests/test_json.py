"""What the commands print for scripts: real output against the published schemas, for every command that has ``--json``.

The dialect is JSON Schema 2020-12; the validator is the general library ``jsonschema``.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from typer.main import get_command

import diagnose
from diagnose import readings
from diagnose.cli import app, run
from diagnose.network import open_network

ROOT = Path(__file__).resolve().parent.parent
SCHEMAS = Path(diagnose.__file__).parent / "schemas"
HOSTILE = "</b><script>alert(1)</script> [red]x[/red] \x1b[31m \x9b31m \u202egnp \ud83d\udca5"
# commands that print a page, a table, a schema or a conversation, and have nothing to say in JSON
WITHOUT = {"call", "schema"}
# the schema that a command's output follows, where it is not named after the command
NAMED = {"report": "written", "network export": "written", "close": "cases_show", "cases reopen": "cases_show"}

Run = Callable[..., Any]


def every_command(group: Any = None, prefix: str = "") -> Iterator[tuple[str, Any]]:
    for name, command in (group or get_command(app)).commands.items():
        if hasattr(command, "commands"):
            yield from every_command(command, f"{prefix}{name} ")
        else:
            yield prefix + name, command


def validator(name: str) -> Any:
    loaded = json.loads((SCHEMAS / f"{name}.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(loaded)
    return jsonschema.Draft202012Validator(loaded)


def objects_of(node: Any) -> list[dict[str, Any]]:
    """Every object of a schema that lists properties."""
    found = [node] if isinstance(node, dict) and isinstance(node.get("properties"), dict) and "type" in node else []
    for part in node.values() if isinstance(node, dict) else node if isinstance(node, list) else ():
        found += objects_of(part)
    return found


@pytest.fixture
def printed(capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Runs a command on a copy of the demonstration log; the JSON it prints, which follows its schema."""
    monkeypatch.chdir(tmp_path)
    shutil.copytree(ROOT / "cases", tmp_path / "cases")

    def call(*arguments: str) -> Any:
        capsys.readouterr()
        assert run([*arguments, "--json"]) == 0, capsys.readouterr().err
        out = capsys.readouterr().out
        assert not {c for c in out if not c.isprintable()} - {"\n"}, "nothing in it steers a terminal"
        data = json.loads(out)
        name = " ".join(arguments[:2] if arguments[0] in ("network", "cases") else arguments[:1])
        name = "network overview" if arguments == ("network", "show") else name
        validator(NAMED.get(name, name.replace(" ", "_"))).validate(data)
        return data

    return call


def test_every_command_has_json_and_a_schema() -> None:
    for name, command in every_command():
        has = any("--json" in one.opts for one in command.params)
        assert has is (name not in WITHOUT), name
        assert not has or (SCHEMAS / f"{NAMED.get(name, name.replace(' ', '_'))}.json").exists(), name


@pytest.mark.parametrize("path", sorted(SCHEMAS.glob("*.json")), ids=lambda p: p.stem)
def test_every_schema_is_one_and_lets_nothing_else_in(path: Path) -> None:
    loaded = json.loads(path.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(loaded)
    assert loaded["$schema"] == "https://json-schema.org/draft/2020-12/schema" and loaded["description"]
    assert loaded["title"] == f"diagnose: {path.stem}"
    for part in objects_of(loaded):
        assert part["additionalProperties"] is False and set(part["required"]) == set(part["properties"])


@pytest.mark.parametrize("arguments", [
    ("learn",), ("learn", "--undo"), ("learn", "--half-life", "90"), ("learn", "--cases", "none"),
    ("review", "--questions", "3"),
    ("review", "--questions", "0", "--cases", "none"), ("cases", "list"), ("cases", "list", "--status", "open")])
def test_the_log_and_what_it_teaches(printed: Run, arguments: tuple[str, ...]) -> None:
    assert printed(*arguments)["schema"] == 1


def test_every_case_of_the_log(printed: Run) -> None:
    listed = printed("cases", "list")["cases"]
    assert len(listed) >= 40
    for one in listed[::4]:
        case = printed("cases", "show", one["case"])["case"]
        assert (case["id"], case["confirmed"], case["minutes"]) == (one["case"], one["confirmed"], one["minutes"])


def test_closing_and_opening_again(printed: Run) -> None:
    name = printed("cases", "list", "--status", "open")["cases"][0]["case"]
    ends = ("--unlisted", HOSTILE.replace("\ud83d\udca5", ""), "--put-right", "--verified", "looked twice", "--minutes", "12.5")
    closed = printed("close", name, *ends)
    assert (closed["case"]["status"], closed["case"]["minutes"]) == ("closed", 12.5)
    assert "<script>" in closed["case"]["unlisted"] and closed == printed("cases", "show", name)
    again = printed("cases", "reopen", name)
    assert again["case"]["status"] == "open" and again == printed("cases", "show", name)


@pytest.mark.parametrize(("given", "says"), [
    ((), "--cause, --not-found or --unlisted"), (("--not-found",), "--put-right or --not-put-right"),
    (("--not-found", "--put-right"), "--verified"), (("--not-found", "--not-put-right"), "--minutes")])
def test_nothing_is_asked_where_json_is_wanted(printed: Run, capsys: pytest.CaptureFixture[str],
                                               monkeypatch: pytest.MonkeyPatch, given: tuple[str, ...], says: str) -> None:
    name = printed("cases", "list", "--status", "open")["cases"][0]["case"]
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr("builtins.input", lambda prompt: pytest.fail(f"asked: {prompt}"))
    assert run(["close", name, *given, "--json"]) == 2
    out, err = capsys.readouterr()
    assert not out and says in " ".join(err.split())


def test_a_table_out_and_in(printed: Run, tmp_path: Path) -> None:
    table = tmp_path / "jobs.csv"
    out = printed("cases", "export", str(table))
    assert out["bytes"] == table.stat().st_size and out["cases"] == len(printed("cases", "list")["cases"])
    tried = printed("cases", "import", str(table), "--dry-run", "--cases", "new")
    assert (tried["taken"], tried["cases"], tried["dry_run"]) == (out["cases"], [], True)
    taken = printed("cases", "import", str(table), "--cases", "new")
    assert sorted(taken["cases"]) == sorted(one["case"] for one in printed("cases", "list", "--cases", "new")["cases"])
    assert {key: taken[key] for key in ("taken", "not_found", "unlisted", "not_put_right")} == {
        key: tried[key] for key in ("taken", "not_found", "unlisted", "not_put_right")}
    again = printed("cases", "import", str(table), "--cases", "new")
    assert (again["taken"], again["there_already"], again["unreadable"]) == (0, out["cases"], 0)


def test_what_is_listed_is_what_lies_there(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["schema", "--list"]) == 0
    assert capsys.readouterr().out.split() == sorted(path.stem for path in SCHEMAS.glob("*.json"))


def test_networks(printed: Run) -> None:
    assert {one["id"] for one in printed("network", "list")["networks"]} >= {"head_unit", "kitchen_tap"}


@pytest.mark.parametrize("item", ["aerial", "feeds_exchanged", "memory_feed_dead", "memory_feed_key_off", "forgets_at_key_off"])
def test_links_around_an_item(printed: Run, item: str) -> None:
    links = printed("network", "show", item)["links"]
    assert links and links == sorted(links, key=lambda one: -one["p"])
    assert item == "aerial" or any(item in (one["from"], one["to"]) for one in links)


def test_a_network_by_its_areas(printed: Run) -> None:
    found = printed("network", "show")
    assert [one["id"] for one in found["areas"]] == list(open_network("head_unit").knowledge.header.areas)
    assert {one["source"] for one in found["between"]} <= {one["id"] for one in found["areas"]}


@pytest.mark.parametrize("spec", readings.describe(), ids=lambda spec: spec["name"])
def test_every_reading(printed: Run, spec: dict[str, Any]) -> None:
    assert spec["name"] in {one["name"] for one in printed("reading")["readings"]}
    assert [one["name"] for one in printed("reading", spec["name"])["readings"]] == [spec["name"]]
    texts = [f"{a['name']}={a['choices'][0] if a['choices'] else round((a['lowest'] + a['highest']) / 2)}"
             for a in spec["arguments"] if a["required"]]
    assert printed("reading", spec["name"], *texts)["reading"] == spec["name"]


def test_simulation(printed: Run) -> None:
    data = printed("simulate", "--cases", "2", "--processes", "1", "--policies", "per_minute,likeliest_first", "--seed", "3")
    assert [one["policy"] for one in data["scores"]] == ["per_minute", "likeliest_first"]
    assert data["scores"][0]["more"] is None and data["scores"][1]["more"]["low"] <= data["scores"][1]["more"]["high"]


@pytest.mark.parametrize("case", [path.stem for path in sorted((ROOT / "cases").glob("*.yaml"))[::6]])
def test_sheets_of_the_demonstration(printed: Run, case: str) -> None:
    data = printed("sheet", case)
    assert data["case"] == case and len(data["checks"]) <= 6
    assert len(printed("sheet", case, "--most", "1")["checks"]) <= 1


def test_the_sheet_says_the_same_on_the_screen(printed: Run, capsys: pytest.CaptureFixture[str],
                                               monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "4000")
    data = printed("sheet", "20260203-0912")
    assert run(["sheet", "20260203-0912"]) == 0
    screen = capsys.readouterr().out
    assert data["remedies"] and data["cautions"] and data["known"]
    for one in (*data["known"], *data["checks"], *data["remedies"], *data["cautions"]):
        assert one["title"] in screen


def test_a_reply_composed_and_read(printed: Run, tmp_path: Path) -> None:
    made = printed("reply", "poor reception since the fitting", HOSTILE)
    assert made["questions"] and all(f"{k}. {one['ask'][:40]}" in made["message"] for k, one in enumerate(made["questions"], 1))
    answer = tmp_path / "answer.txt"
    answer.write_text(f"1 don't know 2 {HOSTILE}", encoding="utf-8", errors="surrogatepass")
    read = printed("reply", made["case"], "--read", str(answer))
    assert [one["finding"] for one in read["answers"]] == [one["finding"] for one in made["questions"]]
    assert read["answers"][0]["taken"] and not read["answers"][1]["taken"]
    assert "<script>" in read["answers"][1]["words"] and "\x1b" in read["answers"][1]["words"], "text stays what it was"


def test_a_reply_that_stops_has_no_questions(printed: Run) -> None:
    made = printed("reply", "there is smoke from the radio")
    assert made["questions"] == [] and "fire service" in made["message"]


def test_what_was_written(printed: Run, tmp_path: Path) -> None:
    for arguments in (("report", "20260203-0912", "--html"), ("report", "20260203-0912", "--customer", "--html"),
                      ("network", "export", "head_unit", "--finding", "forgets_at_key_off")):
        file = tmp_path / "out"
        assert printed(*arguments, str(file)) == {"schema": 1, "written": str(file), "bytes": file.stat().st_size}


@pytest.mark.parametrize("arguments", [("report", "20260203-0912", "--html", "-"),
                                       ("network", "export", "head_unit", "-", "--finding", "forgets_at_key_off"),
                                       ("network", "show", "aerial", "--html", "x.html"), ("cases", "export", "-")])
def test_two_answers_at_once_are_refused(printed: Run, capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...]) -> None:
    assert run([*arguments, "--json"]) == 2
    out, err = capsys.readouterr()
    assert not out and len(err.splitlines()) == 1
