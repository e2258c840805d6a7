"""Ground floor: YAML files read as nodes with their places, input errors, atomic files, the compiled copy.

YAML is read as plain text nodes and typed by the field that is being read, never by YAML's own guess, so that
``off`` stays a word, ``1e-3`` becomes a number only where a number is due, and every value knows its line.
"""

from __future__ import annotations

import contextlib
import errno
import functools
import hashlib
import json
import math
import os
import re
import shutil
import stat
import sys
import time
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

LARGEST_FILE = 4_000_000  # bytes of one YAML file
DEEPEST_NESTING = 24
LARGEST_TEXT = 4_000  # characters of one text field
LONGEST_KEY = 120  # characters of a key that a sentence repeats
MOST_UNKNOWN_KEYS = 20  # named one by one for one mapping

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
# Never meant in a file: controls, line ends that editors do not count, byte order marks within it.
_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029\ufeff\ufffe\uffff]")
# Never meant in a field either: marks that turn the writing direction, so that a screen shows another text than there is.
_TURNING = re.compile(f"{_CONTROL.pattern[:-1]}\u202a-\u202e\u2066-\u2069]")


class Problem(NamedTuple):
    """One thing to mend in an input: where it is, what is wrong, how to mend it."""

    file: str
    line: int
    key: str
    what: str
    mend: str

    def __str__(self) -> str:
        file = _from_here(self.file)
        place = f"{file}:{self.line}: " if self.line else f"{file}: " if file else ""
        key = f"{self.key if len(self.key) <= LONGEST_KEY else self.key[:LONGEST_KEY] + '...'}: " if self.key else ""
        mend = f"; {self.mend}" if self.mend else ""
        return f"{place}{key}{self.what}{mend}"


def _from_here(file: str) -> str:
    """A path as people read it: from the folder they stand in, if it lies below it."""
    with contextlib.suppress(OSError):  # the folder may be gone
        if os.path.isabs(file) and Path(file).is_relative_to(Path.cwd()):
            return os.path.relpath(file)
    return file


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
        return "text" if isinstance(self.value, str) else "list" if isinstance(self.value, list) else "mapping"


def read_yaml(path: Path, *, shown_as: str | None = None) -> Node:
    """The mapping at the top of a YAML file.

    Raises InputError for what cannot be read (missing, no plain file, too large, not UTF-8), for broken YAML, and for
    what a file of ours never needs: anchors, aliases, tags, merge keys, doubled keys, a second document, deep nesting.
    """
    name = shown_as or str(path)
    return parse_yaml(read_plain_file(path, name), name)


def read_plain_file(path: Path, name: str, *, largest: int = LARGEST_FILE) -> bytes:
    """The bytes of a file. A folder, pipe or device is refused unopened: reading one may never end."""
    try:
        found = path.stat()
        if not stat.S_ISREG(found.st_mode):
            raise complaint("this is a folder, a pipe or a device", "put a file here or rename this", file=name)
        if found.st_size > largest:
            raise complaint(f"the file has {found.st_size:,} bytes", f"keep it under {largest:,}", file=name)
        return path.read_bytes()
    except OSError as error:
        raise complaint(f"cannot be read ({error.strerror or error})", "check the path and its rights", file=name) from error


def parse_yaml(raw: bytes, name: str) -> Node:
    """The mapping at the top of a YAML text; see read_yaml."""
    import yaml

    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise complaint("this byte is not UTF-8 text", "save the file as UTF-8", file=name, line=line) from error
    if odd := _CONTROL.search(text):
        line = text.count("\n", 0, odd.start()) + 1
        raise complaint(f"control character {odd.group()!a}", "remove it", file=name, line=line)
    loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
    try:
        root = _build(yaml.parse(text, Loader=loader), yaml, name)
    except yaml.MarkedYAMLError as error:
        never_closed = error.context_mark is not None and "end of stream" in str(error.problem)
        mark = error.context_mark if never_closed else error.problem_mark or error.context_mark
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
    for event in events:
        line = event.start_mark.line + 1
        if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None):
            raise complaint("anchors and aliases (& and *) are not used here", "write the value out", file=name, line=line)
        if getattr(event, "tag", None):
            raise complaint(f"tags such as {event.tag!r} are not used here", "remove the tag", file=name, line=line)
        if isinstance(event, yaml.DocumentStartEvent):
            if root is not None:
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
            if isinstance(event, yaml.MappingStartEvent):
                node = Node({}, line, {})
            else:
                node = Node(event.value if isinstance(event, yaml.ScalarEvent) else [], line)
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

    words = sorted(filter(None, known))
    for close in difflib.get_close_matches(word[:80], words, n=1, cutoff=0.6):
        return f"did you mean {close!r}?"
    return f"known: {', '.join(words[:8])}{', ...' if len(words) > 8 else ''}" if words else ""


class Fields:
    """Reads the fields of one mapping node by type, gathering Problems instead of stopping at the first."""

    def __init__(self, node: Node, file: str, path: str, problems: list[Problem]) -> None:
        self.file = file
        self.path = path
        self.problems = problems
        self.node = node
        self._seen: set[str] = set()
        self._is_mapping = isinstance(node.value, dict)
        if not self._is_mapping:
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
        if node is None and required and self._is_mapping:
            self.complain("", f"the key {key!r} is missing", "add it")
        return node

    def text(self, key: str, default: str = "", *, required: bool = False) -> str:
        """A text field, white space folded."""
        node = self.get(key, required=required)
        if node is None:
            return default
        if not isinstance(node.value, str):
            self.complain(key, f"text is wanted, here is a {node.kind}", "put the text in quotes")
            return default
        return self._folded(node, key, may_be_empty=not required)

    def _folded(self, node: Node, key: str, *, may_be_empty: bool = False) -> str:
        """The text of a scalar, white space folded."""
        text = " ".join(node.value.split())
        if not text and not may_be_empty:
            self.complain(key, "the text is empty", "fill it in", line=node.line)
        if odd := _TURNING.search(text):
            self.complain(key, f"control character {odd.group()!a}", "remove it", line=node.line)
        if len(text) > LARGEST_TEXT:
            self.complain(key, f"the text has {len(text):,} characters", f"keep it under {LARGEST_TEXT:,}", line=node.line)
        return text

    def number(self, key: str, default: float = 0.0, *, low: float = -math.inf, high: float = math.inf,
               required: bool = False) -> float:
        """A number within [low, high]."""
        node = self.get(key, required=required)
        return default if node is None else self.number_of(node, key, default, low=low, high=high)

    def number_of(self, node: Node, key: str, default: float = 0.0, *, low: float = -math.inf, high: float = math.inf) -> float:
        """The number in a node that belongs to a key of this mapping."""
        text = node.value.strip() if isinstance(node.value, str) else ""
        value = float(text) if _NUMBER.fullmatch(text) else math.nan
        if math.isnan(value):
            self.complain(key, f"a number is wanted, here is {_shown(node)}", "write it like 0.25", line=node.line)
        elif math.isinf(value):
            self.complain(key, f"{text} is too large", "give a smaller number", line=node.line)
        elif not low <= value <= high:
            limits = f"between {low:g} and {high:g}" if high != math.inf else f"not below {low:g}"
            self.complain(key, f"{value:g} is out of range", f"it must be {limits}", line=node.line)
        else:
            return value
        return default

    def word(self, key: str, allowed: Iterable[str], default: str = "", *, required: bool = False) -> str:
        """One of the allowed words."""
        node = self.get(key, required=required)
        return default if node is None else self.word_of(node, key, allowed, default)

    def word_of(self, node: Node, key: str, allowed: Iterable[str], default: str = "") -> str:
        """The word in a node, which must be one of those allowed."""
        words = list(allowed)
        if not isinstance(node.value, str) or node.value not in words:
            self.complain(key, f"{_shown(node)} is not known here", nearest(str(node.value), words), line=node.line)
            return default
        return node.value

    def words(self, key: str, allowed: Iterable[str] | None = None, *, required: bool = False) -> tuple[str, ...]:
        """A list of texts; if allowed words are given, each must be one of these and stand once."""
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
                self.complain(key, f"a text is wanted here, not a {item.kind}", "put it in quotes if it holds ': '",
                              line=item.line)
            elif words is None:
                found.append(self._folded(item, key))
            elif item.value in found:
                self.complain(key, f"{item.value!r} stands here twice", "keep one of them", line=item.line)
            elif item.value in words:
                found.append(item.value)
            else:
                self.word_of(item, key, words)
        if required and not node.value:
            self.complain(key, "the list is empty", "fill it in")
        return tuple(found)

    def items(self, key: str, *, required: bool = False) -> list[tuple[str, Node]]:
        """The entries of a mapping under a key."""
        node = self.get(key, required=required)
        if node is None:
            return []
        if not isinstance(node.value, dict):
            self.complain(key, f"a mapping is wanted, here is a {node.kind}", "write 'key: value' lines")
            return []
        return list(node.value.items())

    def fields(self, key: str, *, required: bool = False) -> Fields | None:
        """The mapping under a key, to be read on in the same way."""
        node = self.get(key, required=required)
        return None if node is None else Fields(node, self.file, f"{self.path}.{key}", self.problems)

    def done(self) -> None:
        """Complain about keys that nobody read."""
        assert self.node.keys is not None
        unknown = [(key, line) for key, line in self.node.keys.items() if key not in self._seen]
        for key, line in unknown[:MOST_UNKNOWN_KEYS]:
            self.complain("", f"the key {key[:60]!r} is not known here", nearest(key, self._seen), line=line)
        if len(unknown) > MOST_UNKNOWN_KEYS:
            self.complain("", f"{len(unknown) - MOST_UNKNOWN_KEYS:,} more keys are not known here", "remove them",
                          line=unknown[MOST_UNKNOWN_KEYS][1])


def _shown(node: Node) -> str:
    return repr(node.value[:60]) if isinstance(node.value, str) else f"a {node.kind}"


def fingerprint(paths: Iterable[Path], *extra: str) -> str:
    """A hash over names and contents of files and over further texts; equal only if all of them are equal."""
    digest = hashlib.sha256()
    for text in extra:
        digest.update(f"{len(text)}:{text}".encode())
    for path in sorted(paths, key=lambda p: p.name):
        raw = read_plain_file(path, str(path))
        digest.update(f"{path.name}:{len(raw)}:".encode() + raw)
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
    payload = json.dumps(data, separators=(",", ":")).encode()
    with contextlib.suppress(OSError):
        if path is not None:
            path.parent.mkdir(parents=True, exist_ok=True)
            put_file(path, b"\n".join([key.encode(), hashlib.sha256(payload).hexdigest().encode(), payload]))


def _copy_path(name: str) -> Path | None:
    import platformdirs

    try:
        return platformdirs.user_cache_path("diagnose") / f"{name}.json"
    except (OSError, RuntimeError):
        return None


def dump_yaml(data: Any) -> str:
    """Plain data as YAML text that ``parse_yaml`` reads back, text by text; booleans are yes and no, controls are escaped."""
    return str(_dump()(data))


@functools.cache
def _dump() -> Any:
    import yaml

    tag = "tag:yaml.org,2002:str"
    untidy = re.compile("[^\n\x20-\x7e\xa0-\u2027\u202a-\ud7ff\ue000-\ufefe\uff00-\ufffd\U00010000-\U0010ffff]")
    dumper: Any = type("Dumper", (getattr(yaml, "CSafeDumper", yaml.SafeDumper),),
                       {"ignore_aliases": lambda self, data: True, "yaml_implicit_resolvers": {}})

    def text(self: Any, value: str) -> Any:
        value = re.sub("[\ud800-\udfff]", "\ufffd", value)  # half of a surrogate pair is no character
        clean = not untidy.search(value) and all(line == line.strip() for line in (value, *value.split("\n")))
        return self.represent_scalar(tag, value, style='"' if not clean else "|" if "\n" in value else None)

    dumper.add_representer(str, text)
    dumper.add_representer(bool, lambda self, value: self.represent_scalar(tag, "yes" if value else "no"))
    for kind in (int, float):
        dumper.add_representer(kind, lambda self, value: self.represent_scalar(tag, repr(value).removesuffix(".0")))
    return functools.partial(yaml.dump, Dumper=dumper, sort_keys=False, allow_unicode=True, width=1 << 30)


@contextlib.contextmanager
def locked(path: Path, *, wait: float = 10.0) -> Iterator[bool]:
    """Holds the lock file at ``path``, which stays; the system frees it when the process ends, in whatever way. Yields False
    where there are no locks. InputError if it is still held after ``wait`` seconds; OSError if it cannot be made."""
    handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    try:
        yield _seized(handle, path, time.monotonic() + wait)
    finally:
        os.close(handle)


def _seized(handle: int, path: Path, deadline: float) -> bool:
    while True:
        try:
            if sys.platform == "win32":
                import msvcrt

                msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
            else:
                import fcntl

                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return True
        except OSError as error:
            if error.errno not in (errno.EAGAIN, errno.EACCES, errno.EDEADLK):
                return False
            if time.monotonic() >= deadline:
                raise complaint("another run is writing here", "try again when it is done", file=str(path.parent)) from error
            time.sleep(0.01)


def put_file(path: Path, data: bytes, *, new: bool = False) -> None:
    """Put ``data`` at ``path`` whole or not at all, also after a power cut; an existing file keeps its rights. ``new``:
    FileExistsError if something is there, also if another process is quicker. OSError: then nothing has changed."""
    path = path if new else Path(os.path.realpath(path))
    if path.is_dir():
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
    temporary = path.with_name(f".{path.name}.{os.urandom(4).hex()}.tmp")
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    try:
        with os.fdopen(os.open(temporary, flags, 0o666), "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        if not new and path.exists():
            shutil.copymode(path, temporary)
        _name_new(temporary, path) if new else os.replace(temporary, path)
    finally:
        temporary.unlink(missing_ok=True)
    if os.name == "posix":
        folder = os.open(path.parent, os.O_RDONLY)
        with contextlib.suppress(OSError):  # the file has its name already; some file systems cannot sync a folder
            os.fsync(folder)
        os.close(folder)


def _name_new(temporary: Path, path: Path) -> None:
    try:
        os.rename(temporary, path) if os.name == "nt" else os.link(temporary, path)
    except OSError as error:
        if error.errno not in (errno.EPERM, errno.ENOTSUP, errno.ENOSYS):
            raise
        os.close(os.open(path, os.O_CREAT | os.O_EXCL, 0o666))  # no hard links here: an empty file keeps the name
        os.replace(temporary, path)
