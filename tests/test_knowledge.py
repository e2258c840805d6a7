"""Knowledge files -> records: what a good file becomes, and the sentence that each sort of mistake is owed.

The samples in refused/ hold one mistake each. Their first line is the sentence, ``line: key: what; mend``; their second
says what the schema for editors makes of the file (``refuses``, ``accepts``: the schema cannot see it, ``cannot read``:
it is no YAML of ours). Unless the second line ends in ``nothing added``, a sample names a record of refused/valid/ and
only the keys that it changes: the test takes the record out of there and adds its other keys below the sample's.
"""

from __future__ import annotations

import copy
import json
import os
import re
import shutil
import tempfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose import knowledge, records, source
from diagnose.audit import audit
from diagnose.knowledge import SECTIONS, find_network, load_knowledge, network_files, networks_folder
from diagnose.network import Opened, build_network, open_network
from diagnose.records import Knowledge, pack, unpack
from diagnose.source import Fields, InputError, Node
from tests.conftest import DOORBELL, heeding_permissions, write_network

REFUSED = Path(__file__).parent / "refused"
VALID = REFUSED / "valid"
SAMPLES = sorted(REFUSED.glob("*.yaml"), key=lambda path: path.name)
SHIPPED = sorted(networks_folder().glob("*/*.yaml")) + sorted(VALID.glob("*.yaml"))
SCHEMA = json.loads((networks_folder() / "knowledge.schema.json").read_text(encoding="utf-8"))


def blocks(lines: list[str], indent: int) -> dict[str, list[str]]:
    """The lines of each key at an indentation, in order."""
    found: dict[str, list[str]] = {}
    for line in lines:
        key = re.match(rf" {{{indent}}}(\w+):", line)
        if key:
            found[key.group(1)] = []
        if found:
            found[list(found)[-1]].append(line)
    return found


def completed(sample: Path) -> dict[str, bytes]:
    """The files of a whole network, name -> content: those of refused/valid/ and the sample, see the module's text."""
    files = {path.name: path.read_bytes() for path in VALID.glob("*.yaml")}
    raw = sample.read_bytes()
    if b"nothing added" not in raw.splitlines()[1]:
        lines = raw.decode().splitlines()
        section, body = list(blocks(lines, 0).items())[-1]
        donor = "network.yaml" if section == "network" else "records.yaml"
        sections = blocks(files[donor].decode().splitlines(), 0)
        if section == "network":
            given, whole = blocks(body, 2), blocks(sections.pop("network"), 2)
        else:
            name, record = list(blocks(body, 2).items())[-1]
            rest = blocks(sections[section], 2)
            given, whole = blocks(record, 4), blocks(rest.pop(name), 4)
            sections[section] = [f"{section}:", *(line for kept in rest.values() for line in kept)]
            if not rest:
                del sections[section]
        lines += [line for key, kept in whole.items() if key not in given for line in kept]
        raw = "\n".join(lines).encode() + b"\n"
        left = "\n".join(line for kept in sections.values() for line in kept)
        files[donor] = left.encode() if left else b"cautions: {}\n"
    return {**files, sample.name: raw}


def refusal(folder: Path) -> list[str]:
    """The sentences with which a folder is refused, its own path left out."""
    with pytest.raises(InputError) as caught:
        load_knowledge(folder)
    return [str(problem).replace(f"{folder}/", "") for problem in caught.value.problems]


# --- what is refused -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda path: path.stem)
def test_a_mistake_gets_its_one_sentence(sample: Path, tmp_path: Path) -> None:
    for name, raw in completed(sample).items():
        (tmp_path / name).write_bytes(raw)
    owed = sample.read_bytes().splitlines()[0].decode().removeprefix("# ")
    assert refusal(tmp_path) == [owed]
    assert re.fullmatch(r"\w+\.yaml:[1-9]\d*: .+; .+", owed), "a sentence names file and line and says how to mend it"


def test_the_samples_stand_on_a_good_network() -> None:
    """Without this a sample could be refused for another reason than its own."""
    assert len(load_knowledge(VALID).causes) == 3
    assert len(SAMPLES) > 90


def test_nothing_of_a_tag_is_executed(tmp_path: Path) -> None:
    made = tmp_path / "made"
    files = {"network.yaml": f"network: !!python/object/apply:os.mkdir [{made}]"}
    assert refusal(write_network(tmp_path / "n", files))[0].startswith("network.yaml:1: tags such as")
    assert not made.exists()


def test_all_mistakes_are_told_at_once_in_the_order_of_the_files(tmp_path: Path) -> None:
    files = {**DOORBELL, "causes.yaml": DOORBELL["causes.yaml"].replace("prior: 0.3", "prior: 3").replace("0.15", "x")}
    files["findings.yaml"] = files["findings.yaml"].replace("ring at all?", "ring at all").replace("low: too little, ", "")
    told = refusal(write_network(tmp_path, files))
    places = [(line.split(":")[0], int(line.split(":")[1])) for line in told]
    assert places == sorted(places)
    assert {name for name, _ in places} == {"causes.yaml", "findings.yaml"}
    assert len(told) > 4


def test_a_file_too_large_is_refused_unread(tmp_path: Path) -> None:
    write_network(tmp_path, DOORBELL)
    with (tmp_path / "large.yaml").open("wb") as stream:
        stream.truncate(source.LARGEST_FILE + 1)  # sparse: no byte of it is written
    assert refusal(tmp_path) == ["large.yaml: the file has 4,000,001 bytes; keep it under 4,000,000"]


def test_a_text_too_long_is_refused(tmp_path: Path) -> None:
    long = "x" * (source.LARGEST_TEXT + 1)
    files = {**DOORBELL, "more.yaml": f"cautions:\n  long:\n    title: {long}\n    text: t\n    triggers: [{long}]\n"}
    assert refusal(write_network(tmp_path, files)) == [
        "more.yaml:3: cautions.long.title: the text has 4,001 characters; keep it under 4,000",
        "more.yaml:5: cautions.long.triggers: the text has 4,001 characters; keep it under 4,000"]


def test_a_folder_in_place_of_a_file_is_refused(tmp_path: Path) -> None:
    write_network(tmp_path, DOORBELL)
    (tmp_path / "more.yaml").mkdir()
    assert refusal(tmp_path) == ["more.yaml: this is a folder, a pipe or a device; put a file here or rename this"]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_a_pipe_in_place_of_a_file_is_refused_without_waiting_for_it(tmp_path: Path) -> None:
    write_network(tmp_path, DOORBELL)
    os.mkfifo(tmp_path / "more.yaml")
    assert refusal(tmp_path) == ["more.yaml: this is a folder, a pipe or a device; put a file here or rename this"]
    with pytest.raises(InputError, match="a pipe"):
        open_network(str(tmp_path))


def test_a_link_to_nowhere_is_refused(tmp_path: Path) -> None:
    write_network(tmp_path, DOORBELL)
    (tmp_path / "more.yaml").symlink_to(tmp_path / "gone.yaml")
    assert refusal(tmp_path) == ["more.yaml: cannot be read (No such file or directory); check the path and its rights"]


def test_a_file_without_rights_is_refused(tmp_path: Path) -> None:
    write_network(tmp_path, DOORBELL)
    (tmp_path / "causes.yaml").chmod(0)
    told = heeding_permissions("import sys; from pathlib import Path; from tests.test_knowledge import refusal\n"
                               "print(*refusal(Path(sys.argv[1])), sep='\\n')", str(tmp_path))
    assert "causes.yaml: cannot be read (Permission denied); check the path and its rights" in told.splitlines()


def test_hundreds_of_mistakes_stop_the_reading(tmp_path: Path) -> None:
    """A file of another sort does not bury the reader, nor take minutes over hints."""
    many = "".join(f"  cause_{number}:\n    ttile: x\n" for number in range(1000))
    told = refusal(write_network(tmp_path, {**DOORBELL, "more.yaml": f"causes:\n{many}"}))
    assert len(told) == knowledge.MOST_PROBLEMS + 1
    assert "too many problems to go on; mend these first" in told


def test_thousands_of_unknown_keys_are_counted_not_listed(tmp_path: Path) -> None:
    keys = "".join(f"    key_{number}: x\n" for number in range(5000))
    told = refusal(write_network(tmp_path, {**DOORBELL, "more.yaml": f"cautions:\n  one:\n    title: t\n    text: t\n{keys}"}))
    assert len(told) == source.MOST_UNKNOWN_KEYS + 1
    assert told[-1] == "more.yaml:25: cautions.one: 4,980 more keys are not known here; remove them"


def test_a_folder_without_a_network_section_is_refused(tmp_path: Path) -> None:
    files = {name: text for name, text in DOORBELL.items() if name != "network.yaml"}
    with pytest.raises(InputError, match=r"no file has the key 'network'; add network\.yaml"):
        load_knowledge(write_network(tmp_path, files))


@pytest.mark.parametrize(("name", "sentence"), [
    ("hed_unit", "there is no network 'hed_unit'; did you mean 'head_unit'?"),
    ("", "the folder '' holds no network.yaml; name a network or its folder"),
    ("/dev/null", "there is no network '/dev/null'"),
    ("a\0b", "there is no network 'a\\x00b'"),
    ("x" * 5000, f"'{'x' * 60}' cannot be opened (File name too long)"),
    ("../../etc/passwd", "there is no network '../../etc/passwd'"),
])
def test_a_network_that_is_not_there_gets_a_sentence(name: str, sentence: str, tmp_path: Path,
                                                     monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(InputError, match=re.escape(sentence)):
        find_network(name)


def plain(node: Node) -> Any:
    """A node as mappings, lists and texts."""
    if isinstance(node.value, dict):
        return {key: plain(item) for key, item in node.value.items()}
    return [plain(item) for item in node.value] if isinstance(node.value, list) else node.value


def places(data: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """The path of every value in nested data."""
    inner = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    return [path, *(place for key, value in inner for place in places(value, (*path, key)))]


WHOLE = {path.name: plain(source.read_yaml(path)) for path in sorted(VALID.glob("*.yaml"))}
ODD = st.sampled_from(["", "x", "yes", "no", "0", "1", "-1", "0.5", "1e-320", "1e300", "nan", "0.0", "customer", "fitter",
                       "stays_dark", "dim", "unlisted", "\u202e", "a?", [], ["x"], [["x"]], {}, {"x": "0.5"}, {"yes": "1"},
                       {"no": "0.2", "yes": "0.9"}, ["0", "0"], ["1", "1"], ["2", "1"], "=", "no_current", "dry_cells"])


@given(st.data())
def test_a_file_changed_anywhere_gives_a_network_or_sentences(data: st.DataObject) -> None:
    """Values replaced, taken out or moved at random: what the loader lets through can be compiled and checked."""
    files = copy.deepcopy(WHOLE)
    for _ in range(data.draw(st.integers(1, 3))):
        name = data.draw(st.sampled_from(sorted(files)))
        *way, last = data.draw(st.sampled_from(places(files[name])[1:] or [("network",)]))
        holder = files[name]
        for step in way:
            holder = holder[step]
        how = data.draw(st.sampled_from(["replace", "take out", "rename"]))
        if how == "replace":
            holder[last] = copy.deepcopy(data.draw(ODD))
        else:
            value = holder.pop(last) if holder else ""
            if how == "rename" and isinstance(holder, dict):
                holder[data.draw(st.sampled_from(["x", "X", "", "dim", "unlisted", "customer", "no", "yes", "low"]))] = value
    with tempfile.TemporaryDirectory() as folder:
        for name, content in files.items():
            (Path(folder) / name).write_text(json.dumps(content), encoding="utf-8")
        try:
            loaded = load_knowledge(Path(folder))
        except InputError as error:
            assert all(problem.what and problem.file for problem in error.problems)
            return
    audit(Opened(loaded, build_network(loaded), "", ""))


# --- what a good file becomes ----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def torch() -> Knowledge:
    return load_knowledge(VALID)


def test_every_field_arrives(torch: Knowledge) -> None:
    check = torch.findings["cell_volts"]
    assert (check.kind, check.levels, check.meanings[1]) == ("check", ("good", "low", "none"), "Clearly below it.")
    assert (check.who, check.tools, check.set_ups) == (("fitter",), (("meter", "test_lamp"),), ("case_open",))
    assert (check.minutes, check.method, check.needs) == (2.0, "meter", {"dry_cells": "yes"})
    bands = {"good": (2.6, 3.4), "low": (0.5, 2.6), "none": (0.0, 0.5)}
    assert check.reading == records.Reading("V", "volts", "dc_volts", bands)
    assert check.how == {"fitter": ("Put the meter across the cells.",)}
    report = torch.findings["dim"]
    assert (report.kind, report.levels, report.alarm, report.salience) == ("report", ("no", "yes"), {"yes": "watch"}, 0.6)
    assert torch.findings["stays_dark"].phrases[-1] == ("no", "lights as it should")
    assert torch.findings["leak_look"].alarm == {"leaking": "stop_now"}
    circumstance = torch.findings["dry_cells"]
    assert (circumstance.leak, circumstance.phrases) == (
        (0.8,), (("yes", "takes ordinary cells"), ("no", "charges by cable")))
    cause = torch.causes["cells_flat"]
    assert (cause.prior, cause.brings, cause.needs) == (0.4, {"no_current": 0.6}, ("dry_cells",))
    assert cause.links == {"dim": (0.5,), "cell_volts": (0.5, 0.45)}
    assert (cause.remedy.by_phone, cause.remedy.minutes, cause.remedy.bring) == ("yes", 2.0, ("cell",))
    assert torch.causes["bulb_blown"].answers_for == {"part": 0.75, "use": 0.25}
    assert torch.cautions["no_soldering"].forbidden_to == ("customer",)
    assert torch.header.meters["ohms"] == records.Meter("ohm", 0.02, 3.0, 0.1, 0.0, 2000.0)
    assert torch.header.set_ups["bench"] == records.SetUp("on the bench", 5.0, ("fitter",))
    assert torch.header.same_words == (("torch", "flashlight"), ("dark", "black"))


def test_what_is_left_out_takes_the_default_of_the_network(torch: Knowledge) -> None:
    assert torch.causes["bulb_blown"].brings == {"no_current": 0.9}  # 'no_current:' with nothing behind it
    assert torch.findings["stays_dark"].leak == (0.005,)
    assert torch.findings["cell_volts"].leak == (0.01, 0.0025)  # low is given, none has its share of the default
    assert torch.findings["leak_look"].leak == (0.005,)


def test_a_record_knows_its_file_and_line(torch: Knowledge) -> None:
    lines = (VALID / "records.yaml").read_text(encoding="utf-8").splitlines()
    for part in torch[1:]:
        for name, record in part.items():
            assert lines[record.line - 1] == f"  {name}:"
            assert Path(record.file) == VALID / "records.yaml"


def test_a_problem_is_shown_from_where_one_stands(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The place in a record is whole, so that a compiled copy is right from every folder; shown, it is as short as can be."""
    problem = source.Problem(str(tmp_path / "sub" / "one.yaml"), 3, "", "it is so", "mend it")
    monkeypatch.chdir(tmp_path)
    assert str(problem) == "sub/one.yaml:3: it is so; mend it"
    monkeypatch.chdir(Path(__file__).parent)
    assert str(problem) == f"{tmp_path}/sub/one.yaml:3: it is so; mend it"


def test_a_problem_can_be_shown_from_a_folder_that_is_gone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "gone"
    folder.mkdir()
    monkeypatch.chdir(folder)
    folder.rmdir()
    assert str(source.Problem("/n/one.yaml", 3, "", "it is so", "")) == "/n/one.yaml:3: it is so"


def test_neither_the_order_of_files_nor_of_records_changes_anything(torch: Knowledge, tmp_path: Path) -> None:
    text = (VALID / "records.yaml").read_text(encoding="utf-8")
    shutil.copy(VALID / "network.yaml", tmp_path / "z.yaml")
    shutil.copy(VALID / "network.yaml", tmp_path / "network.yaml")
    (tmp_path / "z.yaml").unlink()
    for number, (section, body) in enumerate(reversed(blocks(text.splitlines(), 0).items())):
        turned = [line for record in reversed(blocks(body, 2).values()) for line in record]
        (tmp_path / f"{number}.yaml").write_text("\n".join([f"{section}:", *turned]) + "\n", encoding="utf-8")
    other = load_knowledge(tmp_path)
    for mine, theirs in zip(torch[1:], other[1:], strict=True):
        assert list(mine) == list(theirs)  # sorted by id, however they were written
        for name, record in mine.items():
            assert record._replace(file="", line=0) == theirs[name]._replace(file="", line=0)
    for array in ("prior", "leak", "start", "link_cause", "link"):
        assert getattr(build_network(torch), array).tobytes() == getattr(build_network(other), array).tobytes()


def test_hidden_files_and_other_files_do_not_count(tmp_path: Path) -> None:
    write_network(tmp_path, {**DOORBELL, ".#causes.yaml": "{", "notes.txt": "{", "causes.yaml~": "{"})
    assert [path.name for path in network_files(tmp_path)] == sorted(DOORBELL)
    load_knowledge(tmp_path)


def test_a_circumstance_may_name_its_two_levels(tmp_path: Path) -> None:
    files = {name: text.replace("needs: {dry_cells: yes}", "needs: {dry_cells: cells}").replace(
        "    base_rate: 0.8\n    phrases: {yes: [takes ordinary cells], no: [charges by cable]}\n",
        "    base_rate: 0.8\n    levels: {cable: It charges by cable., cells: It takes cells.}\n")
        for name, text in ((path.name, path.read_text(encoding="utf-8")) for path in VALID.glob("*.yaml"))}
    loaded = load_knowledge(write_network(tmp_path, files))
    assert loaded.findings["cell_volts"].needs == {"dry_cells": "cells"}
    assert loaded.findings["dry_cells"].levels == ("cable", "cells")


@pytest.mark.parametrize("folder", ["head_unit", "kitchen_tap", "torch"])
def test_records_survive_the_trip_through_json(folder: str) -> None:
    loaded = load_knowledge(VALID if folder == "torch" else find_network(folder))
    assert unpack(json.loads(json.dumps(pack(loaded)))) == loaded


def test_the_file_names_of_a_copy_hold_in_every_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A copy made in one folder and used in another names the same file: records hold the whole path."""
    write_network(tmp_path / "n", DOORBELL)
    monkeypatch.chdir(tmp_path)
    first = open_network(str(tmp_path / "n")).knowledge.findings["silent"].file
    monkeypatch.chdir(Path(__file__).parent)
    again = open_network(str(tmp_path / "n")).knowledge.findings["silent"].file
    assert Path(first) == Path(again) == tmp_path / "n" / "findings.yaml"


def test_bands_may_overlap_and_lie_within_one_another(tmp_path: Path) -> None:
    old = "{good: [2.6, 3.4], low: [0.5, 2.6], none: [0, 0.5]}"
    for number, bands in enumerate(("{good: [2.6, 3.4], low: [0.4, 2.7], none: [0, 0.5]}",
                                    "{good: [0, 3], low: [0.5, 1], none: [2, 3.4]}", "{low: [0, 1]}")):
        files = {path.name: path.read_text(encoding="utf-8").replace(old, bands) for path in VALID.glob("*.yaml")}
        reading = load_knowledge(write_network(tmp_path / str(number), files)).findings["cell_volts"].reading
        assert reading is not None
        assert str(reading.bands["low"][0]) in ("0.4", "0.5", "0.0")
        assert len(reading.bands) == bands.count("[")


# --- the schema for editors ------------------------------------------------------------------------------------------


def as_an_editor_reads(node: Node) -> Any:
    """Plain data as an editor has it by the core schema of YAML 1.2 (section 10.3.2): numbers and null where text looks so.

    Quoted texts that look like numbers would come out as numbers here; the shipped files have none that matters.
    """
    value = node.value
    if isinstance(value, dict):
        return {key: as_an_editor_reads(item) for key, item in value.items()}
    if isinstance(value, list):
        return [as_an_editor_reads(item) for item in value]
    if re.fullmatch(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?", value):
        number = float(value)
        return number if abs(number) < float("inf") else value
    if re.fullmatch(r"[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN)", value):
        return value  # a JSON schema cannot speak of these
    return None if value in ("", "~", "null") else value


def as_an_old_editor_reads(node: Node) -> Any:
    """The same, with yes, no, on and off as booleans, as YAML 1.1 had it."""
    value = node.value
    if isinstance(value, str) and value in ("yes", "no", "on", "off"):
        return value in ("yes", "on")
    if isinstance(value, dict):
        return {key: as_an_old_editor_reads(item) for key, item in value.items()}
    return [as_an_old_editor_reads(item) for item in value] if isinstance(value, list) else as_an_editor_reads(node)


def schema_errors(data: Any) -> list[str]:
    import jsonschema

    return [f"{'.'.join(map(str, error.absolute_path))}: {error.message}"
            for error in jsonschema.Draft202012Validator(SCHEMA).iter_errors(data)]


def test_the_schema_is_one() -> None:
    import jsonschema

    jsonschema.Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: f"{path.parent.name}/{path.name}")
def test_every_shipped_file_satisfies_the_schema_and_points_to_it(path: Path) -> None:
    root = source.read_yaml(path)
    assert schema_errors(as_an_editor_reads(root)) == []
    assert schema_errors(as_an_old_editor_reads(root)) == []
    marked = re.fullmatch(r"# yaml-language-server: \$schema=(\S+)", path.read_text(encoding="utf-8").splitlines()[0])
    assert marked
    assert (path.parent / marked.group(1)).resolve() == networks_folder() / "knowledge.schema.json"


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda path: path.stem)
def test_the_schema_refuses_what_it_can_see(sample: Path) -> None:
    verdict = sample.read_bytes().splitlines()[1].decode().removeprefix("# schema ").removesuffix("; nothing added")
    raw = completed(sample)[sample.name]
    if verdict == "cannot read":
        with pytest.raises(InputError):
            source.parse_yaml(raw, sample.name)
        return
    errors = schema_errors(as_an_editor_reads(source.parse_yaml(raw, sample.name)))
    assert bool(errors) == {"refuses": True, "accepts": False}[verdict], errors


def test_the_words_of_the_schema_are_those_of_the_program() -> None:
    defined = SCHEMA["$defs"]
    assert defined["person"]["enum"] == list(records.PEOPLE)
    assert defined["unit"]["enum"] == list(knowledge.UNITS)
    assert defined["alarm_word"]["enum"] == list(records.ALARMS)
    assert defined["cause"]["properties"]["safety"]["enum"] == list(records.SAFETY_CLASSES)
    assert defined["check"]["properties"]["method"]["enum"] == [m for m in records.METHODS if m != "volunteered"]
    assert defined["remedy"]["properties"]["by_phone"]["enum"] == [*records.BY_PHONE, True, False]
    assert list(defined["network"]["properties"]["reliability"]["properties"]) == list(records.PEOPLE)
    row = defined["network"]["properties"]["reliability"]["properties"]["customer"]["properties"]
    assert list(row) == list(records.METHODS)
    assert set(defined["network"]["properties"]["advice"]["properties"]) == {*records.SAFETY_CLASSES, records.UNKNOWN}
    assert list(SCHEMA["properties"]) == list(SECTIONS)
    assert defined["text"]["maxLength"] == source.LARGEST_TEXT


def test_the_schema_knows_every_key_that_the_loader_reads_and_no_other(monkeypatch: pytest.MonkeyPatch) -> None:
    read: dict[str, set[str]] = {}
    done = Fields.done

    def noting(self: Fields) -> None:
        read.setdefault(re.sub(r"^(\w+)\.\w+", r"\1", self.path) if not self.path.startswith("network") else self.path,
                        set()).update(self._seen)
        done(self)

    monkeypatch.setattr(Fields, "done", noting)
    load_knowledge(VALID)
    defined = SCHEMA["$defs"]
    for section in SECTIONS:
        kind = section.removesuffix("s") if section != "network" else section
        assert read[section] == set(defined[kind]["properties"]), section
    assert read["causes.remedy"] == set(defined["remedy"]["properties"])
    assert read["checks.reading"] == set(defined["check"]["properties"]["reading"]["properties"])
    for key in ("defaults", "unlisted", "stop_threshold"):
        assert read[f"network.{key}"] == set(defined["network"]["properties"][key]["properties"]), key
    for key, one in (("meters", "ohms"), ("set_ups", "bench")):
        assert read[f"network.{key}.{one}"] == set(
            defined["network"]["properties"][key]["additionalProperties"]["properties"]), key


def descriptions_missing(part: Any, path: str = "") -> list[str]:
    """Properties of a schema that neither describe themselves nor refer to what does."""
    found = []
    if isinstance(part, dict):
        for key, value in part.get("properties", {}).items():
            plain = isinstance(value, dict) and "if" not in path and "then" not in path
            if plain and "description" not in value and "$ref" not in value:
                found.append(f"{path}.{key}")
        for key, value in part.items():
            found += descriptions_missing(value, f"{path}.{key}")
    elif isinstance(part, list):
        for number, value in enumerate(part):
            found += descriptions_missing(value, f"{path}.{number}")
    return found


def test_every_key_of_the_schema_is_described() -> None:
    assert [path for path in descriptions_missing(SCHEMA) if "contains" not in path and not path.endswith(".how")] == []
    assert all("description" in part for part in SCHEMA["$defs"].values())
