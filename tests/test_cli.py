"""The commands as a person or a script meets them: options, exit codes, bad input, broken surroundings.

Most run in this process through ``run``; what touches streams, signals or the cache folder runs as a process of its own.
"""

from __future__ import annotations

import io
import json
import os
import re
import shutil
import subprocess
import sys
import time
import venv
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import jsonschema
import pexpect
import pytest
import typer.main

import diagnose
from diagnose import cli
from diagnose.cli import run
from diagnose.network import Opened
from diagnose.records import REPORT
from tests.conftest import DOORBELL, write_network
from tests.test_knowledge import SAMPLES, completed

ROOT = Path(__file__).resolve().parent.parent
SCHEMAS = Path(diagnose.__file__).parent / "schemas"
FORGETS = ("--report", "forgets_at_key_off")
ASCII = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}


def commands(group: Any, *before: str) -> list[tuple[str, ...]]:
    """The words of every command below a group."""
    return [found for name, one in group.commands.items()
            for found in (commands(one, *before, name) if hasattr(one, "commands") else [(*before, name)])]


COMMANDS = commands(typer.main.get_command(cli.app))


class Done(NamedTuple):
    """What a command left: exit code, answer, notes."""

    code: int
    out: str
    err: str


Command = Callable[..., Done]


@pytest.fixture
def command(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Command:
    """Runs a command in this process; stdin: the bytes it may read."""

    def call(*arguments: str, stdin: bytes = b"") -> Done:
        monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(stdin), encoding="utf-8"))
        capsys.readouterr()
        code = run(list(arguments))
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        return Done(code, out, err)

    return call


def around(*without: str, **more: str) -> dict[str, str]:
    """The environment of a process, streams buffered as they usually are, some variables left out, others set."""
    return {key: value for key, value in os.environ.items() if key not in ("PYTHONUNBUFFERED", *without)} | more


def process(*arguments: str | bytes, env: dict[str, str] | None = None, without: tuple[str, ...] = (), **more: Any) -> Done:
    """Runs a command as a process of its own, in another folder."""
    done = subprocess.run([sys.executable, "-m", "diagnose", *arguments], env=around(*without, **(env or {})), check=False,
                          **{"capture_output": "stdout" not in more, "cwd": "/", **more})
    out, err = ((stream or b"").decode("utf-8", "replace") for stream in (done.stdout, done.stderr))
    assert "Traceback" not in out + err
    return Done(done.returncode, out, err)


def refused(done: Done, *sentences: str) -> None:
    """Exit code 2, nothing on stdout, the sentences on stderr, one a line."""
    assert (done.code, done.out) == (2, "")
    assert len(done.err.splitlines()) == len(sentences), done.err
    for line, sentence in zip(done.err.splitlines(), sentences, strict=True):
        assert sentence in line


@pytest.fixture(scope="module")
def bell(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The folder of the small network of conftest.py."""
    return str(write_network(tmp_path_factory.mktemp("net") / "bell", DOORBELL))


def schema(name: str) -> Any:
    loaded = json.loads((SCHEMAS / f"{name}.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(loaded)
    return jsonschema.Draft202012Validator(loaded)


# --- commands, help, usage --------------------------------------------------------------------------------------------


def test_the_commands_of_this_file_are_there() -> None:
    assert {("triage",), ("findings",), ("schema",), ("network", "check"), ("network", "list")} <= set(COMMANDS)


def test_without_a_command_the_usage_is_shown(command: Command) -> None:
    done = command()
    assert (done.code, done.out) == (2, "")
    assert done.err.startswith("Usage: diagnose ") and "triage" in done.err


@pytest.mark.parametrize("name", [(), ("network",), *COMMANDS])
def test_help_is_plain_and_ends_well(command: Command, name: tuple[str, ...]) -> None:
    done = command(*name, "--help")
    assert (done.code, done.err) == (0, "")
    assert done.out.startswith(f"Usage: {' '.join(('diagnose', *name))} ")
    assert "\x1b" not in done.out and max(map(len, done.out.splitlines())) <= 80
    if name in COMMANDS:
        assert f"Example: diagnose {' '.join(name)}" in done.out


@pytest.mark.parametrize(("arguments", "said"), [
    (("triag",), "Did you mean 'triage'?"), (("network", "chek"), "Did you mean 'check'?"),
    (("--version-of",), "No such option"),
    (("triage", "--reprot", "x"), "--report"), (("triage", "--report"), "Option '--report' requires an argument."),
    (("findings",), "'WORDS...'"), (("network", "check", "a", "b"), "unexpected extra argument")])
def test_a_slip_in_the_usage_is_named(command: Command, arguments: tuple[str, ...], said: str) -> None:
    done = command(*arguments)
    assert (done.code, done.out) == (2, "")
    assert said in done.err and "Error: " in done.err


def test_networks_are_listed(command: Command) -> None:
    done = command("network", "list")
    assert (done.code, done.err) == (0, "")
    assert {"head_unit", "kitchen_tap"} <= set(done.out.splitlines())


# --- triage: what can be said -----------------------------------------------------------------------------------------


def heard(done: Done) -> list[tuple[str, str, str, bool]]:
    assert done.code == 0, done.err
    return [(h["finding"], h["level"], h["who"], h["sure"]) for h in json.loads(done.out)["heard"]]


def test_words_and_options_become_answers(command: Command, bell: str) -> None:
    done = command("triage", "--network", bell, "--json", "it", "rings", "faintly", "--report", "hot",
                   "--normal", "false_rings", "--circumstance", "has_chime=no", "--check", "idle_current=120 mA",
                   "--check", "volts_at_bell=low", "--who", "fitter")
    assert sorted(heard(done)) == [
        ("faint", "yes", "customer", True), ("false_rings", "no", "customer", True), ("has_chime", "no", "fitter", True),
        ("hot", "yes", "customer", True), ("idle_current", "high", "fitter", True), ("volts_at_bell", "low", "fitter", True)]
    readings = {h["finding"]: h["reading"] for h in json.loads(done.out)["heard"]}
    assert readings["idle_current"] == "120 mA" and readings["volts_at_bell"] == ""


def test_checks_are_the_customers_unless_said(command: Command, bell: str) -> None:
    done = command("triage", "--network", bell, "--json", "--check", "rings_when_bridged=rings")
    assert heard(done) == [("rings_when_bridged", "rings", "customer", True)]


def test_an_option_corrects_what_was_read_out_of_the_words(command: Command, bell: str) -> None:
    done = command("triage", "--network", bell, "--json", "it rings faintly", "--normal", "faint")
    assert heard(done) == [("faint", "no", "customer", True)]
    screen = command("triage", "--network", bell, "it rings faintly", "--normal", "faint").out
    assert "rings faintly" not in screen, "the words are not quoted for the contrary"


def test_the_same_thing_said_twice_counts_once(command: Command, bell: str) -> None:
    once, twice = (command("triage", "--network", bell, "--json", *["--report", "hot"] * times).out for times in (1, 2))
    assert once == twice


def test_order_of_options_changes_no_figure(command: Command) -> None:
    said = ["--report", "fm_weak", "--check", "memory_feed_key_off=2 V", "--normal", "clock_wrong"]
    turned = [*said[4:], *said[2:4], *said[:2]]
    one, other = (json.loads(command("triage", "--json", *order).out) for order in (said, turned))
    assert {c["cause"]: c["p"] for c in one["ranking"]} == pytest.approx(
        {c["cause"]: c["p"] for c in other["ranking"]}, abs=1e-9)
    assert one["course"]["minutes"] == pytest.approx(other["course"]["minutes"], abs=1e-9)


def test_the_screen_and_the_json_are_one_or_the_other(command: Command) -> None:
    screen, data = command("triage", *FORGETS), command("triage", *FORGETS, "--json")
    assert screen.out.startswith("TELL THE CUSTOMER") and data.out.startswith("{")
    assert screen.err == data.err == ""


def test_every_caution_is_shown_in_full_on_demand(command: Command) -> None:
    said = ("triage", "--report", "burning_smell_or_smoke")
    texts = [caution["text"] for caution in json.loads(command(*said, "--json").out)["advice"]["cautions"]]
    squeezed = "".join(command(*said, "--cautions").out.split())
    assert len(texts) > 5 and all("".join(text.split()) in squeezed for text in texts)


# --- triage: what is refused ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("arguments", "sentences"), [
    ((), ["nothing was said yet; give the customer's words, or --report ID"]),
    (("",), ["nothing was said yet"]), (("  \t ",), ["nothing was said yet"]),
    (("--report", "forgets_at_keyoff"), ["--report: there is no report 'forgets_at_keyoff'; did you mean 'forgets_at_key_o"]),
    (("--report", "memory_feed_key_off"), ["--report: there is no report 'memory_feed_key_off'"]),
    (("--normal", "fm_week"), ["--normal: there is no finding 'fm_week'; did you mean 'fm_weak'?"]),
    (("--report", "nix", "--report", "nux", "--normal", "nax"), ["'nix'", "'nux'", "'nax'"]),
    (("--report", ""), ["--report: there is no report ''"]),
    (("--check", "memory_feed_key_off"), ["is not of the form ID=LEVEL or ID=READING; write for example id=yes"]),
    (("--check", "=dead"), ["there is no finding ''"]), (("--check", "="), ["is not of the form"]),
    (("--check", "memory_feed_key_off="), ["is not of the form"]),
    (("--check", "memory_feed_keyoff=dead"), ["no finding 'memory_feed_keyoff'; did you mean 'memory_feed_key_off'?"]),
    (("--check", "memory_feed_key_off=ded"), ["'ded' is no level of 'memory_feed_key_off'; its levels: "]),
    (("--check", "memory_feed_key_off=3 A"), ["does not fit; give it in V"]),
    (("--check", "memory_feed_key_off=400 V"), ["400 V is no sane reading for 'Memory feed with the key off'"]),
    (("--check", "memory_feed_key_off=1e9999"), ["'1e9999'"]),
    (("--check", "memory_feed_key_off=-"), ["'-' is no level"]),
    (("--circumstance", "memory_feed_key_off=dead"), ["is a check, not a circumstance"]),
    (("--circumstance", "aerial_amplifier=perhaps"), ["'perhaps' is no level of 'aerial_amplifier'; its levels: no, yes"]),
    ((*FORGETS, "--who", "nobody"), ["--who: 'nobody' is not one of the people; known: customer, fitter, workshop"]),
    (("--report", "fm_weak", "--who", "fiter"), ["did you mean 'fitter'?"]),
    (("--report", "fm_weak", "--normal", "fm_weak"), ["fm_weak: given as yes and as no; keep one of the two"]),
    (("--check", "memory_feed_key_off=2 V", "--check", "memory_feed_key_off=3 V"), ["given as 2 and as 3"]),
    (("--network", "nope", "words"), ["network: there is no network 'nope'; known: "]),
    (("--network", "head_unti", "words"), ["did you mean 'head_unit'?"]),
    (("--network", "", "words"), ["network: "]), (("--network", "a\0b", "words"), ["network: there is no network"]),
    (("--network", "x" * 5000, "words"), ["network: "]),
    (("x" * 20_001,), ["the text has more than 20,000 characters; keep to what matters"]),
])
def test_what_cannot_be_is_refused_with_a_sentence(command: Command, arguments: tuple[str, ...], sentences: list[str]) -> None:
    refused(command("triage", *arguments), *sentences)


def test_a_sentence_quotes_no_more_than_a_line_of_nonsense(command: Command) -> None:
    long = "x" * 9000
    for arguments in (("--report", long), ("--normal", long), ("--network", long), ("--who", long, *FORGETS),
                      ("--check", "memory_feed_key_off=" + "9" * 9000)):
        done = command("triage", *arguments)
        assert done.code == 2 and len(done.err) < 600, arguments[1][:30]


@pytest.mark.parametrize("words", ["\x1b[31mred", "[bold]", "[/foo]", "\u202ex", "\ud800", "naïve ’"])
def test_hostile_ids_are_shown_harmless(command: Command, words: str) -> None:
    for arguments in (("--report", words), ("--check", f"{words}=1"), ("--network", words), ("--who", words, *FORGETS)):
        done = command("triage", *arguments)
        assert done.code == 2 and len(done.err.splitlines()) == 1
        assert not set(done.err) & set("\x1b\u202e\ud800")


def test_twenty_thousand_characters_are_read_at_once(command: Command) -> None:
    began = time.perf_counter()
    assert command("triage", ("my radio does odd things and hisses " * 600)[:20_000]).code == 0
    assert time.perf_counter() - began < 10


def test_all_reports_at_once_are_answered_or_refused_soon(command: Command, head_unit: Opened) -> None:
    """Style: too wide is refused beforehand with a sentence; twenty reports are more than anybody gives."""
    ids = [f.id for f in head_unit.knowledge.of_kind(REPORT)]
    for count in (20, 48, len(ids)):
        began = time.perf_counter()
        done = command("triage", "--json", *(part for name in ids[:count] for part in ("--report", name)))
        assert time.perf_counter() - began < 10, count
        assert done.code == 0 or count > 20
        if done.code != 0:
            refused(done, "too many to reckon exactly")
            assert "leave out the least certain" in done.err
    assert done.code == 2


HUMMING = """  humming:
    {title: A second chime hums, area: sounder, ask: Does it hum?, who: [workshop], minutes: 1, how: {workshop: [Listen.]},
     method: look, levels: {quiet: well, hums: not well}, leak: {hums: 0}}
"""
IMPOSSIBLE = DOORBELL | {
    "network.yaml": DOORBELL["network.yaml"].replace("prior: 0.05, link: 0.03", "prior: 0, link: 0.03"),
    "findings.yaml": DOORBELL["findings.yaml"].replace("circumstances:\n", f"{HUMMING}circumstances:\n"),
    "causes.yaml": DOORBELL["causes.yaml"].replace("{weak_current: 0.8}\n", "{weak_current: 0.8}\n    links: {humming: 1.0}\n"),
}


def test_answers_that_exclude_each_other_are_named(command: Command, tmp_path: Path) -> None:
    folder = str(write_network(tmp_path / "net", IMPOSSIBLE))
    said = ("triage", "--network", folder, "--who", "workshop", "--check", "humming=hums")
    assert command(*said).code == 0
    refused(command(*said, "--circumstance", "has_chime=no"), "these cannot all be true together: has_chime=no, humming=hums")


# --- standard input ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("stdin", "found"), [
    (b"it rings faintly\n", ["faint"]), ("it rings faintly, I’m sure\n".encode(), ["faint"]),
    (b"\xef\xbb\xbfit rings faintly", ["faint"]), (b"hello\r\nit rings faintly\r\n", ["faint"]),
    (b"\xff\xfe it rings faintly \x80\x81", ["faint"]), (b"\x00\x01\x02\x1b[31m\x07", []), (bytes(range(256)) * 20, [])])
def test_a_dash_reads_standard_input(command: Command, bell: str, stdin: bytes, found: list[str]) -> None:
    assert [name for name, *_ in heard(command("triage", "--network", bell, "--json", "-", stdin=stdin))] == found


@pytest.mark.parametrize("stdin", [b"", b"\n", b"  \t\n"])
def test_an_empty_standard_input_is_nothing_said(command: Command, stdin: bytes) -> None:
    refused(command("triage", "-", stdin=stdin), "nothing was said yet")


def test_a_standard_input_without_end_is_not_read_to_it(command: Command) -> None:
    refused(command("triage", "-", stdin=b"x" * 20_001), "more than 20,000 characters")
    refused(command("triage", "-", stdin="\N{MUSICAL SYMBOL G CLEF}".encode() * 20_001), "more than 20,000 characters")
    with open("/dev/zero", "rb") as zeros:
        began = time.perf_counter()
        refused(process("triage", "-", stdin=zeros), "more than 20,000 characters")
        assert time.perf_counter() - began < 10


def test_twenty_thousand_wide_characters_are_not_too_many(command: Command) -> None:
    assert command("triage", "-", stdin="\N{MUSICAL SYMBOL G CLEF}".encode() * 20_000).code == 0


# --- JSON -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("arguments", [
    ("qwertz",), FORGETS, ("--report", "burning_smell_or_smoke"), ("--report", "dead_with_key_on"),
    ("--normal", "smell_smoke_heat"), ("--check", "memory_feed_key_off=2.1 V"), ("--circumstance", "aerial_amplifier=no"),
    ("it forgets its stations and maybe the camera \x1b[31m [bold] \ud83d naïve",),
    ("--report", "asks_for_code", "--report", "interior_lamp_odd", "--network", "head_unit"),
    ("--network", "kitchen_tap", "--report", "water_near_electrics")])
def test_the_triage_has_the_form_that_its_schema_says(command: Command, arguments: tuple[str, ...]) -> None:
    done = command("triage", "--json", *arguments)
    assert done.code == 0, done.err
    schema("triage").validate(json.loads(done.out))


def test_the_schema_is_closed_and_complete(command: Command) -> None:
    """A key that is missing or unknown anywhere in the triage is noticed."""
    data = json.loads(command("triage", "--json", "--report", "hot_to_touch", "--report", "asks_for_code").out)
    validator = schema("triage")
    validator.validate(data)

    def objects(value: Any) -> list[dict[str, Any]]:
        inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
        return ([value] if isinstance(value, dict) else []) + [found for item in inner for found in objects(item)]

    for found in objects(data):
        for key in list(found):
            kept = found.pop(key)
            assert not validator.is_valid(data), key
            found[key] = kept
        found["surplus"] = 1
        assert not validator.is_valid(data)
        del found["surplus"]
    validator.validate(data)


def test_the_search_has_the_form_that_its_schema_says(command: Command) -> None:
    for words in (("stations", "lost"), ("zzzzzz",), ("battery",)):
        data = json.loads(command("findings", "--json", *words).out)
        schema("findings").validate(data)
        assert bool(data["findings"]) == (words != ("zzzzzz",))


def test_the_check_counts_the_same_on_the_screen_and_in_the_form_that_its_schema_says(command: Command) -> None:
    done = command("network", "check", "kitchen_tap", "--json")
    assert done.code == 0, done.err
    data = json.loads(done.out)
    schema("network_check").validate(data)
    assert (data["network"], data["counts"]["causes"], data["counts"]["reports"]) == ("kitchen_tap", 15, 14)
    screen = command("network", "check", "kitchen_tap").out
    assert all(f"{number}  {name}\n" in screen for name, number in data["counts"].items())


def test_schemas_are_printed_as_they_lie(command: Command) -> None:
    for path in SCHEMAS.glob("*.json"):
        assert command("schema", path.stem).out == path.read_text(encoding="utf-8")
    assert command("schema").out == (SCHEMAS / "triage.json").read_text(encoding="utf-8")
    refused(command("schema", "triaje"), "schema: there is no schema 'triaje'; did you mean 'triage'?")
    refused(command("schema", "../../pyproject"), "there is no schema")


def test_json_and_screen_suit_the_stream(tmp_path: Path) -> None:
    files = DOORBELL | {"findings.yaml": DOORBELL["findings.yaml"].replace("title: Bell hot", "title: Bell h\u00f6t")}
    said = ("triage", "--network", str(write_network(tmp_path / "net", files)), "--report", "hot")
    for encoding, in_json, on_screen in (("ascii", "Bell h\\u00f6t", "Bell h?t"), ("utf-8", "Bell h\u00f6t", "Bell h\u00f6t")):
        data, screen = (process(*said, *extra, env={"PYTHONIOENCODING": encoding}) for extra in (("--json",), ()))
        assert in_json in data.out and json.loads(data.out)["heard"][0]["title"] == "Bell h\u00f6t"
        assert on_screen in screen.out


# --- the search -------------------------------------------------------------------------------------------------------


def test_a_search_finds_by_words(command: Command) -> None:
    done = command("findings", "fm", "weak")
    assert (done.code, done.err) == (0, "") and "fm_weak" in done.out


@pytest.mark.parametrize("words", ["", "zzzzzz", "\x1b[31m", "[/foo]", "\ud800", "'", "%s" * 50])
def test_a_search_for_nonsense_is_answered(command: Command, words: str) -> None:
    done = command("findings", words)
    assert (done.code, done.err) == (0, "") and done.out and "\x1b" not in done.out


# --- networks that are not in order -----------------------------------------------------------------------------------


def folder_with(folder: Path, name: str, raw: bytes) -> str:
    write_network(folder, DOORBELL)
    (folder / name).write_bytes(raw)
    return str(folder)


BOMB = b"a: &a [x, x, x, x, x, x, x, x, x]\n" + b"".join(
    b"%c: &%c [%s]\n" % (98 + i, 98 + i, b", ".join([b"*%c" % (97 + i)] * 9)) for i in range(20))


@pytest.mark.parametrize(("name", "raw", "said"), [
    ("more.yaml", b"causes: [\n", "more.yaml:2: not valid YAML"),
    ("more.yaml", b"causes:\n\t- x\n", "more.yaml:2: not valid YAML"),
    ("more.yaml", b"a: 1\nb: 'x\n", "more.yaml:2: not valid YAML"), ("more.yaml", b"", "more.yaml:1: the file is empty"),
    ("more.yaml", b"- a\n- b\n", "more.yaml:1: a mapping is wanted"), ("more.yaml", BOMB, "more.yaml:1: anchors and aliases"),
    ("more.yaml", b"a: !!python/object/apply:os.system ['touch /tmp/owned']\n", "more.yaml:1: tags such as"),
    ("more.yaml", b"a: " + b"[" * 30 + b"]" * 30, "more.yaml:1: nested deeper than 24 levels"),
    ("more.yaml", b"a: " + b"[" * 5000 + b"]" * 5000, "more.yaml:1: not valid YAML"),
    ("more.yaml", b"a: \x00\n", "more.yaml:1: control character"),
    ("more.yaml", b"\xff\xfea\x00", "more.yaml:1: this byte is not UTF-8"),
    ("more.yaml", b"ok: 1\n---\nb: 2\n", "more.yaml:2: a second document"),
    ("more.yaml", b"causes:\n causes:\n", "more.yaml:"),
    ("more.yaml", b"sorcery: {}\n", "more.yaml:1: sorcery: the section 'sorcery' is not known"),
    ("more.yaml", b"#" * 4_000_001, "more.yaml: the file has 4,000,001 bytes; keep it under 4,000,000"),
    ("more.yaml", bytes(range(256)), "more.yaml:"), ("more.yaml", bytes(range(255, 0, -1)) * 9, "more.yaml:"),
    ("network.yaml", b"network: {}\n", "network.yaml:1: "), ("network.yaml", b"network: nothing\n", "network.yaml:1: "),
])
def test_a_malformed_network_is_refused_with_file_and_line(
    command: Command, own_cache: Path, tmp_path: Path, name: str, raw: bytes, said: str
) -> None:
    def written() -> dict[Path, int]:
        return {path: path.stat().st_mtime_ns for path in (*own_cache.rglob("*"), *tmp_path.rglob("*"))}

    folder = folder_with(tmp_path / "net", name, raw)
    before = written()
    wanted = (("network", "check"), ("triage", "x", "--network"), ("findings", "x", "--network"))
    for arguments in wanted if name == "network.yaml" else wanted[:1]:
        done = command(*arguments, folder)
        assert (done.code, done.out) == (2, "")
        assert said in done.err.splitlines()[0]
        assert all(line.startswith(folder) for line in done.err.splitlines())
        assert len(done.err) < 20_000
    assert written() == before, "nothing is written"


@pytest.mark.parametrize("sample", SAMPLES[::10], ids=lambda path: path.stem)
def test_a_mistake_in_the_files_ends_the_command_with_a_sentence(command: Command, tmp_path: Path, sample: Path) -> None:
    """Every tenth of the samples; test_knowledge.py reads them all, word by word."""
    for name, raw in completed(sample).items():
        (tmp_path / name).write_bytes(raw)
    done = command("network", "check", str(tmp_path))
    assert (done.code, done.out) == (2, "")
    assert done.err.startswith(f"{tmp_path}/") and all(re.match(r".*\.yaml(:\d+)?: ", line) for line in done.err.splitlines())


def test_what_is_no_network_is_refused(command: Command, tmp_path: Path) -> None:
    refused(command("network", "check", str(tmp_path)), "holds no network.yaml")
    (tmp_path / "network.yaml").mkdir()
    refused(command("network", "check", str(tmp_path)), "holds no network.yaml")
    (tmp_path / "file").write_text("x")
    refused(command("network", "check", str(tmp_path / "file")), "there is no network")
    refused(command("network", "check", "/proc/self/mem"), "there is no network")


def test_a_pipe_or_a_folder_among_the_files_does_not_hang_the_command(tmp_path: Path, command: Command) -> None:
    for name, make in (("pipe.yaml", os.mkfifo), ("folder.yaml", os.mkdir)):
        folder = write_network(tmp_path / name.replace(".yaml", ""), DOORBELL)
        make(folder / name)
        refused(command("triage", "--network", str(folder), "words"), f"{name}: this is ")
    folder = write_network(tmp_path / "loop", DOORBELL)
    (folder / "loop.yaml").symlink_to(folder / "loop.yaml")
    refused(command("triage", "--network", str(folder), "words"), "loop.yaml: cannot be read")


# --- our own mistakes, interrupts -------------------------------------------------------------------------------------


def broken(error: BaseException) -> Callable[..., Any]:
    def fail(*_: Any, **__: Any) -> Any:
        raise error

    return fail


def test_a_mistake_of_ours_is_a_sentence_and_a_file(command: Command, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    monkeypatch.setattr("diagnose.posterior.infer", broken(ZeroDivisionError("seven")))
    done = command("triage", *FORGETS)
    assert (done.code, done.out) == (3, "")
    (log,) = tmp_path.iterdir()
    assert done.err == f"diagnose made a mistake of its own (ZeroDivisionError); the details are in {log}\n"
    assert "ZeroDivisionError: seven" in log.read_text(encoding="utf-8")


def test_a_mistake_of_ours_without_room_for_the_file(command: Command, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "missing"))
    monkeypatch.setattr("diagnose.posterior.infer", broken(KeyError("x")))
    assert command("triage", *FORGETS) == (3, "", "diagnose made a mistake of its own (KeyError)\n")


def test_a_file_error_inside_is_not_taken_for_a_full_disk(command: Command, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("diagnose.posterior.infer", broken(FileNotFoundError(2, "No such file or directory", "gone")))
    assert command("triage", *FORGETS).code == 3


def test_an_interrupt_ends_with_130(command: Command, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("diagnose.posterior.infer", broken(KeyboardInterrupt()))
    assert command("triage", *FORGETS) == (130, "", "interrupted\n")


# --- streams ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("arguments", [("triage", "words"), ("triage", "words", "--json"), ("schema",), ("--help",)])
def test_a_full_disk_is_a_sentence(bell: str, arguments: tuple[str, ...]) -> None:
    if "triage" in arguments:
        arguments = (*arguments, "--network", bell)
    with open("/dev/full", "wb") as full:
        done = process(*arguments, stdout=full, stderr=subprocess.PIPE)
    assert done == (2, "", "the answer could not be written (No space left on device); make room, or send it elsewhere\n")


def test_who_reads_the_answer_may_leave_early() -> None:
    """Like ``| head -1``: the reader takes a line and goes; no complaint, no error code."""
    for arguments in (("triage", *FORGETS, "--json"), ("triage", *FORGETS), ("network", "list")):
        with subprocess.Popen([sys.executable, "-m", "diagnose", *arguments], env=around(), stdout=subprocess.PIPE,
                              stderr=subprocess.PIPE, bufsize=0) as running:
            assert running.stdout is not None and running.stderr is not None
            running.stdout.close()
            assert (running.stderr.read(), running.wait(30)) == (b"", 0)


def test_closed_streams_are_no_mistake_of_ours(bell: str) -> None:
    shell = f"exec {sys.executable} -m diagnose triage --network {bell}"
    for line, code in (("words >&- 2>&-", 0), ("- <&-", 2), ("--report x 2>&-", 2)):
        done = subprocess.run(["bash", "-c", f"{shell} {line}"], capture_output=True, text=True, check=False)
        assert done.returncode == code, line
        assert "mistake" not in done.stderr


@pytest.mark.parametrize("env", [
    ASCII, {"PYTHONIOENCODING": "ascii"},
    {"PYTHONIOENCODING": "cp1252"}, {"TERM": "dumb"}, {"COLUMNS": "40"}])
def test_every_encoding_and_terminal_is_served(bell: str, env: dict[str, str]) -> None:
    words = "it rings by itself – naïve ’ 語 👩‍🔧".encode()
    done = process("triage", "--network", bell, "--report", "hot", "-", env=env, input=words,
                   without=("COLUMNS", "PYTHONIOENCODING", "PYTHONUTF8"))
    assert (done.code, done.err) == (0, "")
    assert done.out.startswith("TELL THE CUSTOMER") and "\x1b" not in done.out


def test_arguments_that_are_no_text_are_read_as_far_as_they_are(bell: str) -> None:
    for env in (ASCII, {"PYTHONUTF8": "1"}):
        for extra in ((), ("--json",)):
            line = [sys.executable, "-m", "diagnose", "triage", "--network", bell, *extra,
                    b"it rings faintly \xff\x9b31m na\xc3\xafve"]
            done = subprocess.run(line, capture_output=True, check=False, env=around(**env))
            assert (done.returncode, done.stderr) == (0, b"")
            assert b"faint" in done.stdout and b"\x9b3" not in done.stdout and b"\xff" not in done.stdout


def test_a_curly_apostrophe_does_not_turn_the_meaning_round_in_any_locale() -> None:
    for env in (ASCII, {"PYTHONUTF8": "1"}):
        done = process("triage", "--json", "it doesn\u2019t keep its stations".encode(), env=env)
        assert [(h["finding"], h["level"]) for h in json.loads(done.out)["heard"]] == [("forgets_at_key_off", "yes")]


# --- home and cache ---------------------------------------------------------------------------------------------------


HOMELESS = """
import pwd
def nobody(*_):
    raise KeyError("no such user")
pwd.getpwuid = nobody
from diagnose.cli import main
main()
"""


def test_without_a_home_it_works(bell: str, tmp_path: Path) -> None:
    """No HOME, and nobody in the list of users either, as in many containers: no copy is kept, nothing is left behind."""
    said = ("triage", "--network", bell, "--json", "--report", "hot")
    expected = process(*said).out
    env = {key: value for key, value in os.environ.items() if key not in ("HOME", "XDG_CACHE_HOME")}
    for line, around in (([sys.executable, "-c", HOMELESS], env),
                         ([sys.executable, "-m", "diagnose"], env | {"HOME": "/nonexistent/home"})):
        done = subprocess.run([*line, *said], cwd=tmp_path, env=around, capture_output=True, text=True, check=False)
        assert (done.returncode, done.stdout, done.stderr) == (0, expected, "")
    assert not list(tmp_path.iterdir())


def test_a_cache_that_cannot_be_written_costs_only_time(bell: str, tmp_path: Path) -> None:
    said = ("triage", "--network", bell, "--json", "--report", "hot")
    expected = process(*said).out
    blocked = tmp_path / "file"
    blocked.write_text("mine")
    for place in (str(blocked), "/proc/nothing"):
        assert process(*said, env={"XDG_CACHE_HOME": place}) == (0, expected, "")
    assert blocked.read_text() == "mine"


def test_a_damaged_cache_is_made_anew(command: Command, bell: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    said = ("triage", "--network", bell, "--json", "it rings faintly")
    expected = command(*said).out
    copies = [path for path in tmp_path.rglob("*") if path.is_file()]
    assert len(copies) == 2, "the network and the words"
    whole = {path: path.read_bytes() for path in copies}
    for damage in (lambda raw: b"", lambda raw: raw[: len(raw) // 2], lambda raw: raw[:-1] + b"x", lambda raw: b"\x00" * 2000,
                   lambda raw: raw.split(b"\n", 2)[0] + b"\n" + b"0" * 64 + b"\n[]", lambda raw: b"[" * 100_000):
        for path in copies:
            path.write_bytes(damage(whole[path]))
        assert command(*said) == (0, expected, "")
        assert {path: path.read_bytes() for path in copies} == whole
    for path in copies:
        path.unlink()
        path.mkdir()
    assert command(*said) == (0, expected, "")


def test_two_runs_at_once_on_a_cold_cache_give_the_same(tmp_path: Path) -> None:
    env = around() | {"XDG_CACHE_HOME": str(tmp_path)}
    line = [sys.executable, "-m", "diagnose", "triage", "--json", *FORGETS]
    running = [subprocess.Popen(line, env=env, stdout=subprocess.PIPE, stderr=subprocess.PIPE) for _ in range(2)]
    done = [(*one.communicate(), one.returncode) for one in running]
    warm = process("triage", "--json", *FORGETS, env={"XDG_CACHE_HOME": str(tmp_path)})
    assert {(out.decode(), err, code) for out, err, code in done} == {(warm.out, b"", 0)}
    assert not [path for path in tmp_path.rglob("*") if path.name.startswith(".")], "no half-written file is left"


def test_a_change_in_the_files_is_seen(command: Command, tmp_path: Path) -> None:
    folder = write_network(tmp_path / "net", DOORBELL)
    said = ("triage", "--network", str(folder), "--json", "--report", "silent")
    before = json.loads(command(*said).out)
    text = DOORBELL["causes.yaml"].replace("title: Battery flat", "title: Battery run down")
    (folder / "causes.yaml").write_text(text, encoding="utf-8")
    after = json.loads(command(*said).out)
    assert before["ranking"][0]["title"] == "Battery flat"
    assert after["ranking"][0]["title"] == "Battery run down"


# --- a person at a terminal -------------------------------------------------------------------------------------------

DOUBTFUL = """
import diagnose.phrases as phrases
phrases.understand = lambda lexicon, text: phrases.Understood((), (
    phrases.Doubt("one", (("silent", "yes", 0.7), ("faint", "yes", 0.6))), phrases.Doubt("two", (("hot", "yes", 0.7),))), ())
from diagnose.cli import main
main()
"""


def at_terminal(bell: str, *keys: str, code: str = DOUBTFUL, arguments: tuple[str, ...] = ("words",)) -> tuple[str, int]:
    """The screen after the keys were typed, each at a prompt, and the exit code."""
    child = pexpect.spawn(sys.executable, ["-c", code, "triage", "--network", bell, *arguments], encoding="utf-8", timeout=90,
                          dimensions=(50, 80), env=around() | {"NO_COLOR": "1", "TERM": "xterm"})
    screen = ""
    for key in keys:
        child.expect(r"number \(Enter for none\): |Ctrl-D")
        screen += child.before + child.after
        if key == "^D":
            child.sendeof()
        elif key == "^C":
            child.sendintr()
        else:
            child.sendline(key)
    child.expect(pexpect.EOF)
    child.close()
    assert child.signalstatus is None
    screen += child.before
    assert "Traceback" not in screen
    return screen.replace("\r", ""), child.exitstatus


@pytest.mark.parametrize(("keys", "found", "code"), [
    (("2", "1"), ["faint", "hot"], 0), (("0", ""), [], 0), (("3", "x", "1", "0"), ["silent"], 0), (("^D", "1"), ["hot"], 0),
    (("1", "^C"), None, 130)])
def test_doubts_are_settled_at_a_terminal(bell: str, keys: tuple[str, ...], found: list[str] | None, code: int) -> None:
    screen, ended = at_terminal(bell, *keys)
    assert ended == code
    assert 'What does "one" mean?' in screen and 'What does "two" mean?' in screen
    if found is None:
        assert screen.rstrip().endswith("interrupted") and "TELL THE CUSTOMER" not in screen
        return
    understood = screen.split("UNDERSTOOD AS")[1].split("COURSE")[0]
    titles = {"silent": "Bell silent", "faint": "Bell faint", "hot": "Bell hot"}
    assert [name for name, title in titles.items() if f"- {title}  {name}" in understood] == found
    assert "NOT SURE ABOUT" not in screen


def test_without_a_terminal_doubts_are_listed_not_asked(bell: str) -> None:
    done = subprocess.run([sys.executable, "-c", DOUBTFUL, "triage", "--network", bell, "words"], capture_output=True,
                          text=True, check=False, stdin=subprocess.DEVNULL)
    assert done.returncode == 0
    assert "NOT SURE ABOUT (not counted)" in done.stdout and "--report silent" in done.stdout
    assert "(Enter for none)" not in done.stdout


def test_words_are_asked_for_at_a_terminal_and_can_be_broken_off(bell: str) -> None:
    code = "from diagnose.cli import main; main()"
    screen, ended = at_terminal(bell, "^C", code=code, arguments=("-",))
    assert ended == 130 and "type what the customer said" in screen


# --- installed --------------------------------------------------------------------------------------------------------


def test_a_wheel_works_from_any_folder(tmp_path: Path) -> None:
    """Built, unpacked into a fresh environment, run from elsewhere; other packages come from this one, nothing is fetched."""
    pytest.importorskip("hatchling", reason="the wheel is built with hatchling, without a network")
    source = tmp_path / "source"
    for name in ("diagnose", "networks"):
        shutil.copytree(ROOT / name, source / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(ROOT / name, source / name)
    built = subprocess.run([sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)], cwd=source,
                           capture_output=True, text=True, check=False)
    assert built.returncode == 0, built.stderr
    (wheel,) = tmp_path.glob("*.whl")
    venv.create(tmp_path / "fresh", with_pip=False, symlinks=True)
    (site,) = (tmp_path / "fresh").glob("lib/*/site-packages")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(site)
    here = [entry for entry in sys.path if entry.endswith("site-packages")]
    env = around() | {"PYTHONPATH": os.pathsep.join([str(site), *here]), "XDG_CACHE_HOME": str(tmp_path / "cache")}
    python = str(tmp_path / "fresh" / "bin" / "python")

    def installed(*arguments: str) -> str:
        done = subprocess.run([python, *arguments], cwd=tmp_path, env=env, capture_output=True, text=True, check=False)
        assert (done.returncode, done.stderr) == (0, "")
        return done.stdout

    where = "import diagnose, sys; print(diagnose.__file__); from diagnose.cli import run; "
    listed = installed("-c", f"{where}print(run(['schema'])); print(run(['network', 'list']))")
    assert listed.startswith(str(site))
    assert (SCHEMAS / "triage.json").read_text(encoding="utf-8") in listed
    assert {"head_unit", "kitchen_tap"} <= set(listed.splitlines())
    assert installed("-m", "diagnose", "triage", "--json", *FORGETS) == process("triage", "--json", *FORGETS).out


def test_exit_codes_are_the_documented_ones() -> None:
    assert cli.__doc__ is not None and "0 answered, 2 input to be mended, 3 a bug of ours, 130 interrupted" in cli.__doc__
