"""YAML as nodes with places, fields by type, files written whole, the compiled copy."""

from __future__ import annotations

import hashlib
import json
import math
import os
import signal
import subprocess
import sys
import textwrap
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose import source
from diagnose.network import Opened, open_network
from diagnose.source import Fields, InputError, Node, Problem, complaint, nearest, parse_yaml
from tests.conftest import DOORBELL, heeding_permissions, write_network


def read(text: str) -> Node:
    return parse_yaml(text.encode(), "f.yaml")


def plain(node: Node) -> Any:
    if isinstance(node.value, dict):
        return {key: plain(item) for key, item in node.value.items()}
    return [plain(item) for item in node.value] if isinstance(node.value, list) else node.value


# --- nodes -----------------------------------------------------------------------------------------------------------


def test_every_value_stays_the_text_that_was_written() -> None:
    """None of YAML's guesses: yes/no/on/off (YAML 1.1), octal and sexagesimal numbers, dates, null."""
    words = ["yes", "no", "on", "off", "true", "null", "~", "010", "1:30", "1e-3", "0x1f", "2024-01-01", ".5", "1_000", "="]
    assert plain(read("".join(f"k{i}: {word}\n" for i, word in enumerate(words)))) == {f"k{i}": w for i, w in enumerate(words)}


def test_a_node_knows_its_line_and_those_of_its_keys() -> None:
    root = read("# comment\n\na: 1\nb:\n  - x\n  - {y: 2,\n     z: 3}\nc: >-\n  folded\n  text\nd:\n")
    assert root.keys == {"a": 3, "b": 4, "c": 8, "d": 11}
    listed = root.value["b"].value
    assert [item.line for item in listed] == [5, 6]
    assert listed[1].keys == {"y": 6, "z": 7}
    assert root.value["c"] == Node("folded text", 8)
    assert root.value["d"] == Node("", 11)


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_lines_are_counted_as_an_editor_does(ending: str) -> None:
    root = read(f"a: 1{ending}{ending}b: 2{ending}c: |{ending}  x{ending}d: 3{ending}")
    assert root.keys == {"a": 1, "b": 3, "c": 4, "d": 6}


def test_a_byte_order_mark_at_the_start_is_no_part_of_the_first_key() -> None:
    assert plain(parse_yaml(b"\xef\xbb\xbfa: 1\n", "f.yaml")) == {"a": "1"}


def test_the_kind_of_a_node_is_a_word_for_people() -> None:
    root = read("a: x\nb: [x]\nc: {d: x}\n")
    assert [node.kind for node in root.value.values()] == ["text", "list", "mapping"]


def test_the_python_parser_gives_the_same_nodes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the fast C parser is not built in, the slow one has to do."""
    import yaml

    text = "a: 1\nb:\n  - x\n  - {y: 2,\n     z: 3}\nc: >-\n  folded\n  text\nd:\n'e f': \"g\\n\"\n"
    fast = read(text)
    monkeypatch.delattr(yaml, "CSafeLoader", raising=False)
    assert read(text) == fast
    with pytest.raises(InputError, match=r"f\.yaml:2: "):
        read("a: 1\n b: 2\n")


@pytest.mark.parametrize(("raw", "line"), [
    (b"a: 1\nb: \xff\n", 2), (b"a: 1\nb: \x00\n", 2), ("a: 1\nb: \u0085\n".encode(), 2), (b"a: 1\r\nb: {\r\n", 3),
    (b"a: 'x\n\n\n", 1), (b"a: 1\n---\nb: 2\n", 2), (b"", 1), (b"\n\n# nothing\n", 1), (b"\xff\xfea\x00", 1),
])
def test_a_broken_file_is_refused_with_the_line(raw: bytes, line: int) -> None:
    with pytest.raises(InputError) as caught:
        parse_yaml(raw, "f.yaml")
    (problem,) = caught.value.problems
    assert (problem.file, problem.line) == ("f.yaml", line)


def test_depth_is_bounded_without_recursion() -> None:
    deepest = source.DEEPEST_NESTING
    read("a: " + "[" * (deepest - 1) + "]" * (deepest - 1))
    for depth in (deepest, 100_000):
        with pytest.raises(InputError, match="nest"):
            read("a: " + "[" * depth + "]" * depth)


@given(st.binary(max_size=200) | st.text(alphabet="ab:-[]{}'\"\n #&*!|>%@`,?\t<0.\u2028\x00", max_size=60).map(str.encode))
def test_any_bytes_give_a_mapping_or_a_sentence_with_a_place(raw: bytes) -> None:
    try:
        root = parse_yaml(raw, "f.yaml")
    except InputError as error:
        (problem,) = error.problems
        assert problem.file == "f.yaml"
        assert 1 <= problem.line <= raw.count(b"\n") + raw.count(b"\r") + 1
        assert problem.what
        assert problem.mend
        assert "\n" not in str(problem)
    else:
        assert isinstance(root.value, dict)


SCALARS = st.text(max_size=30) | st.booleans() | st.integers(-10**9, 10**9) | st.floats(allow_nan=False, allow_infinity=False)
DATA = st.dictionaries(st.from_regex(r"[a-z][a-z0-9_]{0,9}", fullmatch=True),
                       st.recursive(SCALARS, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(
                           st.from_regex(r"[a-z]{1,5}", fullmatch=True), inner, max_size=4), max_leaves=10), max_size=5)


def as_written(data: Any) -> Any:
    """What dump_yaml promises to give back: texts, booleans as yes and no, half a surrogate pair replaced."""
    if isinstance(data, dict):
        return {key: as_written(value) for key, value in data.items()}
    if isinstance(data, list):
        return [as_written(value) for value in data]
    if isinstance(data, bool):
        return "yes" if data else "no"
    if isinstance(data, int | float):
        return float(data)
    return "".join("\ufffd" if 0xD800 <= ord(letter) <= 0xDFFF else letter for letter in data)


def numbers_as_numbers(data: Any, like: Any) -> Any:
    if isinstance(like, dict):
        return {key: numbers_as_numbers(value, like[key]) for key, value in data.items()}
    if isinstance(like, list):
        return [numbers_as_numbers(value, other) for value, other in zip(data, like, strict=True)]
    return float(data) if isinstance(like, float) else data


@given(DATA)
def test_what_is_written_is_read_back_letter_by_letter(data: dict[str, Any]) -> None:
    owed = as_written(data)
    written = source.dump_yaml(data)
    assert numbers_as_numbers(plain(read(written)), owed) == owed if data else written.strip() == "{}"


@pytest.mark.parametrize("mark", ["\u2028", "\x85", "\ufeff", "\x07", "\x1b[31m", "\ufffe", "\u202e", "\u2066"])
def test_what_a_customer_pasted_is_kept_whatever_marks_it_holds(mark: str) -> None:
    """Controls are written as escapes, because a file may not hold them; marks that turn the line may stand as they are."""
    written = source.dump_yaml({"said": f"a{mark}b"})
    assert mark not in written or mark in "\u202e\u2066"
    assert plain(read(written)) == {"said": f"a{mark}b"}


def test_a_field_holds_no_mark_that_makes_a_screen_show_another_text() -> None:
    one, problems = fields('a: "x\\u202ey"\nb: ["x\\ey"]\n')
    one.text("a")
    one.words("b")
    assert [problem.what for problem in problems] == ["control character '\\u202e'", "control character '\\x1b'"]


# --- problems --------------------------------------------------------------------------------------------------------


def test_a_problem_is_one_line_of_place_key_what_and_mend() -> None:
    assert str(Problem("f.yaml", 3, "a.b", "it is so", "mend it")) == "f.yaml:3: a.b: it is so; mend it"
    assert str(Problem("f.yaml", 0, "", "it is so", "")) == "f.yaml: it is so"
    assert str(Problem("", 0, "who", "it is so", "")) == "who: it is so"


def test_problems_are_told_in_file_order() -> None:
    error = InputError([Problem("b", 1, "", "third", ""), Problem("a", 9, "", "second", ""), Problem("a", 2, "", "first", "")])
    assert [problem.what for problem in error.problems] == ["first", "second", "third"]
    assert str(error) == "a:2: first\na:9: second\nb:1: third"
    assert complaint("x", "y", key="k").problems == [Problem("", 0, "k", "x", "y")]


@pytest.mark.parametrize(("word", "known", "hint"), [
    ("volst", ["volts", "amps"], "did you mean 'volts'?"),
    ("zzz", ["b", "a"], "known: a, b"),
    ("zzz", "abcdefghij", "known: a, b, c, d, e, f, g, h, ..."),
    ("zzz", ["", "a"], "known: a"),
    ("zzz", [], ""),
    ("x" * 1_000_000, ["xx"], "known: xx"),
])
def test_a_hint_names_the_nearest_word_or_lists_a_few(word: str, known: list[str], hint: str) -> None:
    assert nearest(word, known) == hint


# --- fields ----------------------------------------------------------------------------------------------------------


def fields(text: str) -> tuple[Fields, list[Problem]]:
    problems: list[Problem] = []
    return Fields(read(text), "f.yaml", "top", problems), problems


@pytest.mark.parametrize(("text", "number"), [
    ("0.5", 0.5), (".5", 0.5), ("5.", 5.0), ("-3", -3.0), ("+3", 3.0), ("1e-3", 0.001), ("1E3", 1000.0), ("'7'", 7.0),
    ("010", 10.0),
])
def test_a_number_is_read_where_a_number_is_due(text: str, number: float) -> None:
    one, problems = fields(f"a: {text}")
    assert one.number("a") == number
    assert problems == []


@pytest.mark.parametrize("text", ["nan", "inf", ".inf", "-inf", "infinity", "1_000", "0x10", "1,5", "1 000", "1e", "yes",
                                  "''", "[1]", "{b: 1}", "1e999", "\u0661", "½", "--1", "1e1e1"])
def test_what_is_no_finite_number_is_refused(text: str) -> None:
    """float() would take nan, inf, 1_000 and digits of other scripts; nothing downstream could."""
    one, problems = fields(f"a: {text}")
    assert one.number("a", 0.25) == 0.25
    assert len(problems) == 1
    assert (problems[0].key, problems[0].line) == ("top.a", 1)


@pytest.mark.parametrize(("text", "low", "high", "sentence"), [
    ("2", 0, 1, "top.a: 2 is out of range; it must be between 0 and 1"),
    ("-1", 0, math.inf, "top.a: -1 is out of range; it must be not below 0"),
])
def test_a_number_out_of_range_is_refused(text: str, low: float, high: float, sentence: str) -> None:
    one, problems = fields(f"a: {text}")
    assert one.number("a", 0.5, low=low, high=high) == 0.5
    assert [str(problem) for problem in problems] == [f"f.yaml:1: {sentence}"]


def test_a_text_has_its_white_space_folded() -> None:
    one, problems = fields('a: |\n  two\n   lines\nb: "  x\\ty "\n')
    assert (one.text("a"), one.text("b"), one.text("c", "none")) == ("two lines", "x y", "none")
    assert problems == []


def test_a_list_of_known_words_names_each_stranger_and_each_double_by_its_line() -> None:
    one, problems = fields("a:\n  - x\n  - y\n  - x\n  - zz\n  - [x]\n")
    assert one.words("a", ["x", "y"]) == ("x", "y")
    assert [(problem.line, problem.what) for problem in problems] == [
        (4, "'x' stands here twice"), (5, "'zz' is not known here"), (6, "a text is wanted here, not a list")]


def test_a_required_list_may_not_be_empty_and_an_optional_one_may() -> None:
    one, problems = fields("a: []\nb: []\n")
    assert (one.words("a"), one.words("b", required=True), one.words("c")) == ((), (), ())
    assert [problem.key for problem in problems] == ["top.b"]


def test_keys_that_nobody_read_are_complained_of_where_they_stand() -> None:
    one, problems = fields("title: x\ntitel: y\n")
    one.text("title")
    one.done()
    assert [str(problem) for problem in problems] == ["f.yaml:2: top: the key 'titel' is not known here; did you mean 'title'?"]


def test_a_text_in_place_of_a_mapping_is_complained_of_once() -> None:
    problems: list[Problem] = []
    one = Fields(Node("x", 7), "f.yaml", "top", problems)
    assert (one.text("a", required=True), one.number("b", required=True), one.words("c", required=True)) == ("", 0.0, ())
    one.done()
    assert [str(problem) for problem in problems] == [
        "f.yaml:7: top: a mapping is wanted, here is a text; write 'key: value' lines"]


# --- files written whole ---------------------------------------------------------------------------------------------


def test_a_file_is_replaced_whole_and_nothing_else_is_left(tmp_path: Path) -> None:
    path = tmp_path / "one.json"
    source.put_file(path, b"old")
    source.put_file(path, b"new and longer")
    assert path.read_bytes() == b"new and longer"
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_a_write_that_fails_leaves_the_old_file_and_no_scrap(step: str, tmp_path: Path,
                                                             monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "one.json"
    path.write_bytes(b"old")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, step, full)
    with pytest.raises(OSError, match="No space left"):
        source.put_file(path, b"new")
    monkeypatch.undo()
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_write_into_no_folder_says_so(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        source.put_file(tmp_path / "gone" / "one.json", b"x")


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no such signal here")
def test_a_writer_that_is_killed_leaves_one_whole_version(tmp_path: Path) -> None:
    """A process that rewrites a file without end is killed: what is there is the whole of one of its versions."""
    path = tmp_path / "one.json"
    script = textwrap.dedent(f"""
        from pathlib import Path
        from diagnose.source import put_file
        n = 0
        while True:
            n += 1
            put_file(Path({str(path)!r}), (str(n % 10) * 300_000).encode())
            print(n, flush=True)
    """)
    for wanted in (1, 4):
        with subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE) as writer:
            assert writer.stdout is not None
            for _ in range(wanted):
                writer.stdout.readline()
            writer.send_signal(signal.SIGKILL)
        raw = path.read_bytes()
        assert len(raw) == 300_000
        assert len(set(raw)) == 1


def test_a_fingerprint_tells_names_contents_and_texts_apart(tmp_path: Path) -> None:
    one, other = tmp_path / "a", tmp_path / "b"
    one.write_bytes(b"xy")
    other.write_bytes(b"z")
    prints = {source.fingerprint([one, other])}
    assert source.fingerprint([other, one]) in prints  # whatever the order
    one.write_bytes(b"x")
    other.write_bytes(b"yz")
    prints.add(source.fingerprint([one, other]))  # the same bytes, cut elsewhere
    prints |= {source.fingerprint([one]), source.fingerprint([one, other], "x"), source.fingerprint([one, other], "x", "")}
    os.rename(other, tmp_path / "c")
    prints.add(source.fingerprint([one, tmp_path / "c"]))
    assert len(prints) == 6


def test_the_fingerprint_of_a_missing_file_is_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"gone\.yaml: cannot be read"):
        source.fingerprint([tmp_path / "gone.yaml"])


# --- the compiled copy -----------------------------------------------------------------------------------------------


@pytest.fixture
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A cache folder of one's own; it does not exist yet."""
    import platformdirs

    folder = tmp_path / "cache"
    monkeypatch.setattr(platformdirs, "user_cache_path", lambda name: folder / name)
    return folder / "diagnose"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write_network(tmp_path / "bell", DOORBELL)


def same(one: Opened, other: Opened) -> bool:
    arrays = ("prior", "levels", "leak", "start", "link_cause", "link")
    return (one.knowledge == other.knowledge and one.network.causes == other.network.causes
            and one.network.findings == other.network.findings and one.network.unlisted == other.network.unlisted
            and all(getattr(one.network, name).dtype == getattr(other.network, name).dtype
                    and getattr(one.network, name).tobytes() == getattr(other.network, name).tobytes() for name in arrays))


def no_reading(monkeypatch: pytest.MonkeyPatch) -> None:
    """From here on, reading the files is a failure: only the copy may be used."""
    import diagnose.network

    def refuse(folder: Path) -> None:
        raise AssertionError(f"{folder} was read again")

    monkeypatch.setattr(diagnose.network, "load_knowledge", refuse)


def test_a_copy_gives_back_what_was_stored(cache: Path) -> None:
    source.write_copy("one", "key", {"a": [1.5, None, "x\ny", {"b": True}]})
    assert source.read_copy("one", "key") == {"a": [1.5, None, "x\ny", {"b": True}]}
    assert source.read_copy("one", "other key") is None
    assert source.read_copy("other", "key") is None


def test_the_second_opening_reads_the_copy_and_is_the_same_to_the_bit(cache: Path, folder: Path,
                                                                      monkeypatch: pytest.MonkeyPatch) -> None:
    first = open_network(str(folder))
    assert len(list(cache.iterdir())) == 1
    no_reading(monkeypatch)
    assert same(first, open_network(str(folder)))


def test_the_shipped_network_comes_out_of_its_copy_the_same_to_the_bit(cache: Path) -> None:
    assert same(open_network("head_unit"), open_network("head_unit"))
    assert len(list(cache.iterdir())) == 1


@pytest.mark.parametrize("change", ["a word", "a new file", "a file less"])
def test_a_change_of_the_files_makes_the_copy_stale(change: str, cache: Path, folder: Path) -> None:
    (folder / "more.yaml").write_text("cautions:\n  one:\n    title: One\n    text: Text.\n", encoding="utf-8")
    open_network(str(folder))
    if change == "a word":
        path = folder / "causes.yaml"
        path.write_text(path.read_text(encoding="utf-8").replace("prior: 0.3", "prior: 0.4"), encoding="utf-8")
        assert open_network(str(folder)).knowledge.causes["flat_battery"].prior == 0.4
    elif change == "a new file":
        (folder / "yet_more.yaml").write_text("cautions:\n  two:\n    title: Two\n    text: Text.\n", encoding="utf-8")
        assert set(open_network(str(folder)).knowledge.cautions) == {"one", "two"}
    else:
        (folder / "more.yaml").unlink()
        assert open_network(str(folder)).knowledge.cautions == {}


def test_a_mistake_made_after_compiling_is_still_told(cache: Path, folder: Path) -> None:
    open_network(str(folder))
    path = folder / "causes.yaml"
    path.write_text(path.read_text(encoding="utf-8").replace("prior: 0.3", "prior: 3"), encoding="utf-8")
    with pytest.raises(InputError, match="3 is out of range"):
        open_network(str(folder))


def damaged(raw: bytes, how: str) -> bytes:
    """A stored copy, damaged in one way."""
    key, checksum, payload = raw.split(b"\n", 2)
    other = payload.replace(b"0.3", b"0.4", 1)
    assert other != payload
    if how == "not JSON, with its right checksum":
        other = payload[:-1]
        return b"\n".join([key, hashlib.sha256(other).hexdigest().encode(), other])
    return {
        "payload changed": b"\n".join([key, checksum, other]),
        "checksum changed": b"\n".join([key, checksum[::-1], payload]),
        "checksum not ASCII": b"\n".join([key, b"\xff\xfe", payload]),
        "cut off": raw[: len(raw) // 2],
        "one line": raw.replace(b"\n", b" "),
        "empty": b"",
        "key changed": b"\n".join([key[::-1], hashlib.sha256(other).hexdigest().encode(), other]),
        "nested without end": b"\n".join([key, hashlib.sha256(b"[" * 100_000).hexdigest().encode(), b"[" * 100_000]),
    }[how]


@pytest.mark.parametrize("how", ["payload changed", "checksum changed", "checksum not ASCII", "cut off", "one line", "empty",
                                 "key changed", "not JSON, with its right checksum", "nested without end"])
def test_a_damaged_copy_is_never_trusted_and_is_built_anew(how: str, cache: Path, folder: Path,
                                                           monkeypatch: pytest.MonkeyPatch) -> None:
    whole = open_network(str(folder))
    (path,) = cache.iterdir()
    raw = path.read_bytes()
    path.write_bytes(damaged(raw, how))
    assert same(whole, open_network(str(folder)))
    assert path.read_bytes() == raw
    no_reading(monkeypatch)
    assert same(whole, open_network(str(folder)))


@pytest.mark.parametrize("place", ["a file where the folder should be", "a folder where the copy should be"])
def test_a_cache_that_cannot_be_written_costs_only_speed(place: str, cache: Path, folder: Path) -> None:
    if place.startswith("a file"):
        cache.parent.mkdir()
        cache.write_bytes(b"")
    whole = open_network(str(folder))
    if place.startswith("a folder"):
        (path,) = cache.iterdir()
        path.unlink()
        path.mkdir()
    assert same(whole, open_network(str(folder)))


CACHE_SHUT = """
import sys
from pathlib import Path
import platformdirs
from tests.test_source import open_network, same

platformdirs.user_cache_path = lambda name: Path(sys.argv[1])
print(same(open_network(sys.argv[2]), open_network(sys.argv[2])))
"""


def test_a_cache_folder_without_rights_costs_only_speed(cache: Path, folder: Path) -> None:
    cache.mkdir(parents=True)
    cache.chmod(0o500)
    try:
        assert heeding_permissions(CACHE_SHUT, str(cache), str(folder)) == "True\n"
        assert list(cache.iterdir()) == []
    finally:
        cache.chmod(0o700)


def test_a_home_that_is_not_known_costs_only_speed(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import platformdirs

    def homeless(name: str) -> Path:
        raise RuntimeError("Could not determine home directory.")

    monkeypatch.setattr(platformdirs, "user_cache_path", homeless)
    assert same(open_network(str(folder)), open_network(str(folder)))


def test_networks_of_one_name_in_two_places_keep_copies_of_their_own(cache: Path, tmp_path: Path) -> None:
    one = write_network(tmp_path / "one" / "bell", DOORBELL)
    other = write_network(tmp_path / "two" / "bell", {
        **DOORBELL, "causes.yaml": DOORBELL["causes.yaml"].replace("prior: 0.3", "prior: 0.2")})
    priors = [open_network(str(path)).knowledge.causes["flat_battery"].prior for path in (one, other, one, other)]
    assert priors == [0.3, 0.2, 0.3, 0.2]
    assert len(list(cache.iterdir())) == 2


def test_a_copy_is_plain_json_below_two_lines(cache: Path, folder: Path) -> None:
    open_network(str(folder))
    (path,) = cache.iterdir()
    key, checksum, payload = path.read_bytes().split(b"\n", 2)
    assert checksum.decode() == hashlib.sha256(payload).hexdigest()
    assert key.decode() == open_network(str(folder)).key
    json.loads(payload)
