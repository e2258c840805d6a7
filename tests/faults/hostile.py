"""Whatever people, programs and bad luck may hand to the tool: damaged files, hostile YAML, senseless command lines.

All of it comes from a ``random.Random``, so that a seed repeats a run. Nothing here knows what is right; the tests do.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from typing import Any

import typer.main

from diagnose.cli import app

SPLINTERS = (  # of files: what tends to break readers
    b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b"\xed\xa0\x80", b"\x1b[2J", b"\r", b"\t", b"\n", b"&a ", b"*a", b"<<: ",
    b"!!int ", b"!!python/object/apply:os.abort []", b"---\n", b"...\n", b"%YAML 1.1\n", b"- ", b": ", b"? ", b"{", b"}",
    b"[", b"]", b'"', b"'", b"#", b"|\n", b">-\n", b"1e999", b"-1e999", b"1e-999", b"nan", b"NaN", b"Infinity", b"-0",
    b"0x1F", b"1_000", b"1" * 400, b"9" * 5000, b"null", b"true", b"~", b"=1+1", b",", b";", b'""', b"\xe2\x80\xae",
    b"\xc2\x85", b"a" * 3000, b"[" * 200, b'{"a":' * 200, b"2026-02-30T25:61:00+99:99", b"0001-01-01T00:00:00+14:00",
    b"9999-12-31T23:59:59-14:00")
ODD_TEXTS = (
    "", " ", "-", "--", "---", "=", "==", "a=", "=a", "a=b=c", "'", '"', "\\", "\n", "\t", "\x1b[2J\x07", "\u202e", "\u2028",
    "\ufeff", "\udcff", "\ud800", "é", "ß", "İ", "ﬁ", "ａ", "٣", "½", "²", "Ⅷ", "👍🏽", "e\u0301" * 40, "x" * 300, "x" * 25_000,
    "[bold]x[/bold]", "[/]", "{}", "%s", "%", "$HOME", "nan", "inf", "-inf", "1e9999", "-1e9999", "1e-9999", "0", "-0", "-1",
    "1", "2", "3.5", "1_000", "1,5", "1.234,5", "0x10", "9" * 400, "10**9", "1/0", "1/1e-320", "12 V", "12 kV", "1e300 V",
    "12..5", "+", "+-1", "1e", "yes", "no", "maybe", "None", "null", "true", "2026-11-25", "2026-02-30", "0001-01-01",
    "9999-12-31T23:59:59-14:00", "20261125", "25.11.2026", "help", "--help", "customer", "fitter", "workshop")


def damaged(rng: random.Random, data: bytes) -> bytes:
    """The bytes with one to four things done to them; now and then nothing of them is left."""
    if rng.random() < 0.03:
        return rng.randbytes(rng.randrange(400))
    for _ in range(rng.choice((1, 1, 1, 2, 2, 4))):
        a, b = sorted((rng.randrange(len(data) + 1), rng.randrange(len(data) + 1)))
        near = min(b, a + rng.randrange(1, 60))
        how = rng.randrange(9)
        if how == 0 and data:
            a = min(a, len(data) - 1)
            data = data[:a] + bytes([data[a] ^ (1 << rng.randrange(8))]) + data[a + 1:]
        elif how == 1:
            data = data[:a] + data[near:]
        elif how == 2:
            data = data[:near] + data[a:near] + data[near:]
        elif how == 3:
            data = data[:a]
        elif how == 4:
            data = data[:a] + rng.randbytes(rng.randrange(1, 9)) + data[a:]
        elif how == 5:
            data = data[:a] + rng.choice(SPLINTERS) + data[near:]
        elif how == 6:
            data = _word_exchanged(rng, data)
        elif how == 7:
            lines = data.splitlines(keepends=True)
            rng.shuffle(lines)
            data = b"".join(lines)
        else:
            data = data[:a] + rng.choice(SPLINTERS) + data[a:]
    return data


def _word_exchanged(rng: random.Random, data: bytes) -> bytes:
    """One word or number of the bytes put in the place of another, or a splinter: what stays well formed goes deepest."""
    words = data.replace(b":", b" ").replace(b",", b" ").replace(b"[", b" ").replace(b"]", b" ").replace(b'"', b" ").split()
    if not words:
        return data
    return data.replace(rng.choice(words), rng.choice((*SPLINTERS, rng.choice(words), rng.choice(words))), 1)


def hostile_yaml(rng: random.Random, size: int) -> Iterator[tuple[str, bytes]]:
    """Kinds of YAML that are meant to hurt, each by its name; size: how much of the thing there is."""
    n = rng.randrange(size // 2, size) + 1
    yield "deep flow", b"a: " + b"[" * n + b"]" * n
    yield "deep flow, never closed", b"{a: " * n
    yield "deep block", b"".join(b" " * i + b"a:\n" for i in range(min(n, 1500)))
    yield "deep lists", b"- " * n + b"a"
    yield "keys within keys", b"? " * n + b"a"
    steps = (b"a%d: &a%d [*a%d, *a%d]\n" % (i, i, i - 1, i - 1) for i in range(1, min(n, 90)))
    yield "bomb", b"a0: &a0 [x, x]\n" + b"".join(steps)
    yield "many anchors", b"".join(b"k%d: &k%d x\n" % (i, i) for i in range(n))
    yield "an alias of itself", b"a: &a [*a]\n"
    yield "merge", b"a: &a {x: 1}\nb: {<<: *a}\n"
    yield "merge of nothing", b"<<: {a: 1}\n"
    yield "one key many times", b"a: 1\n" * n
    yield "many keys", b"".join(b"k%d: %d\n" % (i, i) for i in range(n))
    yield "a long key", b"k" * n + b": 1\n"
    yield "a long key in quotes", b'"' + b"k" * n + b'": 1\n'
    yield "a long line", b"a: " + b"x" * (50 * n)
    yield "a long comment", b"# " + b"x" * (50 * n) + b"\na: 1\n"
    yield "only line ends", b"\n" * (50 * n)
    yield "only colons", b":" * n
    yield "only marks", b"- - - ? : " * n
    yield "many documents", b"---\na: 1\n" * n
    yield "a tag that runs", b"a: !!python/object/apply:os.abort []\n"
    yield "a tag of one's own", b"!mine\na: 1\n"
    yield "many tags", b"".join(b"k%d: !!binary eA==\n" % i for i in range(n))
    yield "a directive", b"%TAG ! tag:x,2000:\n--- \na: 1\n"
    yield "a future YAML", b"%YAML 9.9\n---\na: 1\n"
    yield "huge numbers", b"a: " + b"9" * n + b"\nb: 1e" + b"9" * n + b"\nc: -" + b"0" * n + b"1\n"
    yield "numbers of other kinds", b"a: 0o777\nb: 0x" + b"f" * n + b"\nc: 1:20:30\nd: .inf\ne: .nan\n"
    yield "NULs", b"a: \x00" + b"\x00" * n
    yield "other encodings", "network: {id: é}\n".encode(rng.choice(("utf-16", "utf-32", "latin-1", "utf-16-le", "cp500")))
    yield "half a letter", b"a: \xc3\n"
    yield "too long a form", b"a: \xc0\xaf\xe0\x80\xaf\n"
    yield "a surrogate", b'a: "\\ud800"\nb: \xed\xa0\x80\n'
    yield "a wrong escape", b'a: "\\q"\n'
    yield "beyond the last letter", b'a: "\\UFFFFFFFF"\n'
    yield "tabs", b"\ta:\t1\n"
    yield "a carriage return", b"a: 1\r b: 2\rc: 3\r\n"
    yield "an open quote", b"a: '" + b"x\n" * n
    yield "an open block", b"a: |9\n x\n"
    yield "a key that is a list", b"? [a, b]\n: c\n"
    yield "a key that is nothing", b"? \n: c\n"
    yield "noise", rng.randbytes(n)


def one_of(rng: random.Random, some: Sequence[str], wild: float = 0.4) -> str:
    """One of some words as it is, or (share ``wild``) with a slip in it, or quite another thing."""
    if some and rng.random() >= wild:
        return rng.choice(some)
    dice = rng.random()
    if dice < 0.4 and some:
        word = rng.choice(some)
        place = rng.randrange(len(word) + 1)
        return word[:place] + rng.choice(("", "_", "x", " ", "é", "=", word[:1])) + word[place + rng.randrange(2):]
    if dice < 0.9:
        return rng.choice(ODD_TEXTS)
    return "".join(chr(rng.choice((rng.randrange(32, 127), rng.randrange(1, 0x2FFF), rng.randrange(0xE000, 0x1FFFF))))
                   for _ in range(rng.randrange(1, 30))).replace("/", "|").replace("~", "-").replace("..", ".")


class CommandLines:
    """Random command lines: the program's own words and options in any order, with values from ``pools`` (by command and
    option, by option or argument alone, or ``words``) or nonsense. Paths are taken from the pools only, so that nothing points
    out of a test's folders. One line in ``SENSIBLE`` is what a command wants and no more: required parameters once each, and
    one of the sets in ``wants`` (by command), since chance alone seldom brings together what belongs together."""

    SENSIBLE = 4

    def __init__(self, rng: random.Random, pools: dict[str, Sequence[str]], wants: dict[str, list[list[str]]]) -> None:
        self.rng = rng
        self.pools = pools
        self.wants = wants
        self.commands = dict(self._leaves(typer.main.get_command(app)))

    def _leaves(self, group: Any, *before: str) -> Iterator[tuple[tuple[str, ...], Any]]:
        for name, command in group.commands.items():
            if hasattr(command, "commands"):
                yield from self._leaves(command, *before, name)
            else:
                yield (*before, name), command

    def line(self) -> list[str]:
        """One command line."""
        rng = self.rng
        if rng.random() < 0.02:
            return [one_of(rng, ["triage", "cases", "network", "--help"]) for _ in range(rng.randrange(4))]
        name, command = rng.choice(list(self.commands.items()))
        if rng.randrange(self.SENSIBLE) == 0:
            return self.sensible(name)
        words: list[list[str]] = []
        wild = rng.choice((0.0, 0.1, 0.5))
        for parameter in command.params:
            values = self._values(name, parameter)
            strict = parameter.name in self.pools["strict"]
            if parameter.param_type_name == "argument":
                for _ in range(rng.choice((1, 1, 1, 1, 1, 1, 0, 3 if parameter.nargs == -1 else 2))):
                    words.append([self._value(values, 0.0 if strict else wild)])
            elif rng.random() < (0.9 if parameter.name in self.pools["always"] else 0.25):
                for _ in range(rng.choice((1, 1, 1, 3))):
                    option = rng.choice(parameter.opts + parameter.secondary_opts)
                    if parameter.is_flag:
                        words.append([option])
                    else:
                        value = self._value(values, 0.0 if strict else wild)
                        words.append([f"{option}={value}"] if rng.random() < 0.3 else [option, value])
        if rng.random() < wild / 2:
            words.append([one_of(rng, ["--no-such", "-x", "--json", "--help", "--"])])
        rng.shuffle(words)
        return [*name, *(word for part in words for word in part)]

    def sensible(self, name: tuple[str, ...]) -> list[str]:
        """What this command wants and no more."""
        words = list(name)
        for parameter in (one for one in self.commands[name].params if one.required):
            words += parameter.opts[:1] if parameter.param_type_name == "option" else []
            words.append(self.rng.choice(self._values(name, parameter)))
        return [*words, *self.rng.choice(self.wants.get(" ".join(name), [[]]))]

    def _values(self, name: tuple[str, ...], parameter: Any) -> Sequence[str]:
        return self.pools.get(f"{name[-1]} {parameter.name}") or self.pools.get(parameter.name, self.pools["words"])

    def _value(self, values: Sequence[str], wild: float) -> str:
        return one_of(self.rng, values, wild)
