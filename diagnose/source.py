"""Ground floor: YAML files read as nodes with their places, input errors, atomic files, the compiled copy.

YAML is read as plain text nodes and typed by the field that is being read, never by YAML's own guess, so that
``off`` stays a word, ``1e-3`` becomes a number only where a number is due, and every value knows its line.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import tempfile
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

LARGEST_FILE = 4_000_000  # bytes of one YAML file
DEEPEST_NESTING = 24
LARGEST_TEXT = 4_000  # characters of one text field


class Problem(NamedTuple):
    """One thing to mend in an input: where it is, what is wrong, how to mend it."""

    file: str
    line: int
    key: str
    what: str
    mend: str

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}: " if self.line else f"{self.file}: " if self.file else ""
        key = f"{self.key}: " if self.key else ""
        mend = f"; {self.mend}" if self.mend else ""
        return f"{place}{key}{self.what}{mend}"


class InputError(Exception):
    """Input that somebody has to mend; holds one Problem or several, in file order."""

    def __init__(self, problems: Problem | Iterable[Problem]) -> None:
        listed = [problems] if isinstance(problems, Problem) else list(problems)
        self.problems: list[Problem] = sorted(listed, key=lambda p: (p.file, p.line))
        super().__init__("\n".join(str(p) for p in self.problems))


class ImpossibleEvidence(InputError):
    """Answers that cannot all be true together: their joint probability is zero."""


def complaint(what: str, mend: str = "", *, file: str = "", line: int = 0, key: str = "") -> InputError:
    """An InputError with a single Problem."""
    return InputError(Problem(file, line, key, what, mend))


class Node(NamedTuple):
    """A YAML node: ``value`` is a str (scalar), list[Node] (sequence) or dict[str, Node] (mapping).

    ``line`` is where the node starts, counted from 1; ``keys`` gives the lines of a mapping's keys.
    """

    value: Any
    line: int
    keys: dict[str, int] | None = None

    @property
    def kind(self) -> str:
        """text, list or mapping, as a word for people."""
        return {str: "text", list: "list", dict: "mapping"}[type(self.value)]


def read_yaml(path: Path, *, shown_as: str | None = None) -> Node:
    """The mapping at the top of a YAML file.

    Raises InputError for what cannot be read (missing, too large, not UTF-8), for broken YAML, and for what a file
    of ours never needs: anchors, aliases, tags, merge keys, doubled keys, a second document, deep nesting.
    """
    name = shown_as or str(path)
    try:
        size = path.stat().st_size
        if size > LARGEST_FILE:
            raise complaint(f"the file has {size:,} bytes", f"keep it under {LARGEST_FILE:,}", file=name)
        raw = path.read_bytes()
    except OSError as error:
        raise complaint(f"cannot be read ({error.strerror or error})", "check the path and its rights",
                        file=name) from error
    return parse_yaml(raw, name)


def parse_yaml(raw: bytes, name: str) -> Node:
    """The mapping at the top of a YAML text; see read_yaml."""
    import yaml

    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise complaint("this byte is not UTF-8 text", "save the file as UTF-8", file=name, line=line) from error
    odd = re.search(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]", text)
    if odd:
        line = text.count("\n", 0, odd.start()) + 1
        raise complaint(f"control character {odd.group()!r}", "remove it", file=name, line=line)
    loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
    try:
        root = _build(yaml.parse(text, Loader=loader), yaml, name)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line = mark.line + 1 if mark else 1
        raise complaint(f"not valid YAML ({error.problem or error.context})", "mend the indentation or the quotes here",
                        file=name, line=line) from error
    except (yaml.YAMLError, RecursionError) as error:
        raise complaint("not valid YAML", "mend the file", file=name, line=1) from error
    if root is None:
        raise complaint("the file is empty", "see DEVELOPERS.md for what goes in", file=name, line=1)
    if not isinstance(root.value, dict):
        raise complaint(f"a mapping is wanted at the top, here is a {root.kind}", "start with 'key:' lines",
                        file=name, line=root.line)
    return root


def _build(events: Iterator[Any], yaml: Any, name: str) -> Node | None:
    """Nodes from a stream of YAML events, without recursion."""
    root: Node | None = None
    open_nodes: list[Node] = []
    pending: list[tuple[str, int] | None] = []
    documents = 0
    for event in events:
        line = event.start_mark.line + 1
        if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None):
            raise complaint("anchors and aliases (& and *) are not used here", "write the value out", file=name,
                            line=line)
        if getattr(event, "tag", None):
            raise complaint(f"tags such as {event.tag!r} are not used here", "remove the tag", file=name, line=line)
        if isinstance(event, yaml.DocumentStartEvent):
            documents += 1
            if documents > 1:
                raise complaint("a second document starts here", "keep one document to a file", file=name, line=line)
        elif isinstance(event, (yaml.MappingEndEvent, yaml.SequenceEndEvent)):
            open_nodes.pop()
            pending.pop()
        elif isinstance(event, yaml.ScalarEvent | yaml.MappingStartEvent | yaml.SequenceStartEvent):
            parent = open_nodes[-1] if open_nodes else None
            if parent is not None and isinstance(parent.value, dict) and pending[-1] is None:
                if not isinstance(event, yaml.ScalarEvent):
                    raise complaint("a key must be a plain word", "quote or rename it", file=name, line=line)
                _note_key(parent, event.value, line, name)
                pending[-1] = (event.value, line)
                continue
            if isinstance(event, yaml.ScalarEvent):
                node = Node(event.value, line)
            elif isinstance(event, yaml.MappingStartEvent):
                node = Node({}, line, {})
            else:
                node = Node([], line)
            if parent is None:
                root = node
            elif isinstance(parent.value, dict):
                key, _ = pending[-1] or ("", 0)
                parent.value[key] = node
                pending[-1] = None
            else:
                parent.value.append(node)
            if not isinstance(event, yaml.ScalarEvent):
                if len(open_nodes) >= DEEPEST_NESTING:
                    raise complaint(f"nested deeper than {DEEPEST_NESTING} levels", "flatten it", file=name, line=line)
                open_nodes.append(node)
                pending.append(None)
    return root


def _note_key(parent: Node, key: str, line: int, name: str) -> None:
    assert parent.keys is not None
    if key == "<<":
        raise complaint("merge keys (<<) are not used here", "write the values out", file=name, line=line)
    if key in parent.keys:
        raise complaint(f"the key {key!r} stands here a second time (first in line {parent.keys[key]})",
                        "keep one of them", file=name, line=line, key=key)
    parent.keys[key] = line


def nearest(word: str, known: Iterable[str]) -> str:
    """A mending hint that names the nearest known word, or lists a few."""
    import difflib

    words = sorted(known)
    close = difflib.get_close_matches(word, words, n=1, cutoff=0.6)
    if close:
        return f"did you mean {close[0]!r}?"
    if not words:
        return ""
    return "known: " + ", ".join(words[:8]) + (", ..." if len(words) > 8 else "")


class Fields:
    """Reads the fields of one mapping node by type, gathering Problems instead of stopping at the first."""

    def __init__(self, node: Node, file: str, path: str, problems: list[Problem]) -> None:
        self.file = file
        self.path = path
        self.problems = problems
        self.node = node
        self._seen: set[str] = set()
        if not isinstance(node.value, dict):
            self.complain("", f"a mapping is wanted, here is a {node.kind}", "write 'key: value' lines")
            self.node = Node({}, node.line, {})

    def complain(self, key: str, what: str, mend: str = "", *, line: int = 0) -> None:
        """Note a Problem at a key of this mapping (or at the mapping itself)."""
        at = line or (self.node.value[key].line if key and key in self.node.value else self.node.line)
        path = f"{self.path}.{key}" if key and self.path else key or self.path
        self.problems.append(Problem(self.file, at, path, what, mend))

    def has(self, key: str) -> bool:
        """Whether the key is there."""
        return key in self.node.value

    def line(self, key: str) -> int:
        """The line of a key's value, or of the mapping."""
        return int(self.node.value[key].line) if key in self.node.value else self.node.line

    def get(self, key: str, *, required: bool = False) -> Node | None:
        """The node under a key, marked as read."""
        self._seen.add(key)
        node: Node | None = self.node.value.get(key)
        if node is None and required:
            self.complain("", f"the key {key!r} is missing", "add it")
        return node

    def text(self, key: str, default: str = "", *, required: bool = False) -> str:
        """A text field, white space folded."""
        node = self.get(key, required=required)
        if node is None:
            return default
        if not isinstance(node.value, str):
            self.complain(key, f"text is wanted, here is a {node.kind}")
            return default
        text = " ".join(node.value.split())
        if required and not text:
            self.complain(key, "the text is empty", "fill it in")
        if len(text) > LARGEST_TEXT:
            self.complain(key, f"the text has {len(text):,} characters", f"keep it under {LARGEST_TEXT:,}")
        return text

    def number(self, key: str, default: float = 0.0, *, low: float = float("-inf"), high: float = float("inf"),
               required: bool = False) -> float:
        """A number within [low, high]."""
        node = self.get(key, required=required)
        return default if node is None else self.number_of(node, key, default, low=low, high=high)

    def number_of(self, node: Node, key: str, default: float = 0.0, *, low: float = float("-inf"),
                  high: float = float("inf")) -> float:
        """The number in a node that belongs to a key of this mapping."""
        path = f"{self.path}.{key}"
        try:
            value = float(node.value)
        except (TypeError, ValueError):
            self.problems.append(Problem(self.file, node.line, path, f"a number is wanted, here is {_shown(node)}", ""))
            return default
        if not low <= value <= high:
            limits = f"between {low:g} and {high:g}" if high != float("inf") else f"not below {low:g}"
            self.problems.append(Problem(self.file, node.line, path, f"{value:g} is out of range", f"it must be {limits}"))
            return default
        return value

    def word(self, key: str, allowed: Iterable[str], default: str = "", *, required: bool = False) -> str:
        """One of the allowed words."""
        node = self.get(key, required=required)
        if node is None:
            return default
        return self.word_of(node, key, allowed, default)

    def word_of(self, node: Node, key: str, allowed: Iterable[str], default: str = "") -> str:
        """The word in a node, which must be one of those allowed."""
        words = list(allowed)
        if not isinstance(node.value, str) or node.value not in words:
            self.problems.append(Problem(self.file, node.line, f"{self.path}.{key}", f"{_shown(node)} is not known here",
                                         nearest(str(node.value), words)))
            return default
        return node.value

    def words(self, key: str, allowed: Iterable[str] | None = None, *, required: bool = False) -> tuple[str, ...]:
        """A list of texts, each of the allowed words if these are given."""
        node = self.get(key, required=required)
        if node is None:
            return ()
        if not isinstance(node.value, list):
            self.complain(key, f"a list is wanted, here is a {node.kind}", "write it as [a, b] or with '- ' lines")
            return ()
        words = list(allowed) if allowed is not None else None
        found: list[str] = []
        for item in node.value:
            if not isinstance(item.value, str):
                self.problems.append(Problem(self.file, item.line, f"{self.path}.{key}", "a text is wanted here", ""))
            elif words is None:
                found.append(" ".join(item.value.split()))
            elif item.value in words:
                found.append(item.value)
            else:
                self.word_of(item, key, words)
        return tuple(found)

    def items(self, key: str, *, required: bool = False) -> list[tuple[str, Node]]:
        """The entries of a mapping under a key."""
        node = self.get(key, required=required)
        if node is None:
            return []
        if not isinstance(node.value, dict):
            self.complain(key, f"a mapping is wanted, here is a {node.kind}")
            return []
        return list(node.value.items())

    def fields(self, key: str, *, required: bool = False) -> Fields | None:
        """The mapping under a key, to be read on in the same way."""
        node = self.get(key, required=required)
        return None if node is None else Fields(node, self.file, f"{self.path}.{key}", self.problems)

    def done(self) -> None:
        """Complain about keys that nobody read."""
        assert self.node.keys is not None
        for key, line in self.node.keys.items():
            if key not in self._seen:
                self.complain("", f"the key {key!r} is not known here", nearest(key, self._seen), line=line)


def _shown(node: Node) -> str:
    return repr(node.value[:60]) if isinstance(node.value, str) else f"a {node.kind}"


def write_atomically(path: Path, data: bytes) -> None:
    """Put ``data`` at ``path`` so that a reader sees the old file or the whole new one, also after a power cut."""
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(temporary, path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise
    if os.name == "posix":
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def fingerprint(paths: Iterable[Path], *extra: str) -> str:
    """A hash over names and contents of files and over further texts; equal only if all of them are equal."""
    digest = hashlib.sha256()
    for text in extra:
        digest.update(f"{len(text)}:{text}".encode())
    for path in sorted(paths, key=lambda p: p.name):
        try:
            raw = path.read_bytes()
        except OSError as error:
            raise complaint(f"cannot be read ({error.strerror or error})", "check the path and its rights",
                            file=str(path)) from error
        digest.update(f"{path.name}:{len(raw)}:".encode())
        digest.update(raw)
    return digest.hexdigest()


def read_copy(name: str, key: str) -> Any | None:
    """The compiled copy stored under ``name`` for ``key``; None if there is none, or it is stale or damaged.

    The file is three lines: the key, a hash of the payload, the payload as JSON. Nothing in it is executed.
    """
    path = _copy_path(name)
    if path is None:
        return None
    try:
        raw = path.read_bytes()
        stored_key, checksum, payload = raw.split(b"\n", 2)
        if stored_key.decode() != key or hashlib.sha256(payload).hexdigest() != checksum.decode():
            return None
        return json.loads(payload)
    except (OSError, ValueError, RecursionError):
        return None


def write_copy(name: str, key: str, data: Any) -> None:
    """Store a compiled copy; a folder that cannot be written only costs speed, so it is passed over in silence."""
    path = _copy_path(name)
    if path is None:
        return
    payload = json.dumps(data, separators=(",", ":")).encode()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_atomically(path, b"\n".join([key.encode(), hashlib.sha256(payload).hexdigest().encode(), payload]))
    except OSError:
        return


def _copy_path(name: str) -> Path | None:
    import platformdirs

    try:
        return platformdirs.user_cache_path("diagnose") / f"{name}.json"
    except (OSError, RuntimeError):
        return None
