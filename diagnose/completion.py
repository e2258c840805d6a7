"""What the shell may complete: ids of the network in use, its people and tools, the cases of the log.

A completion never fails: where files cannot be read there is nothing to offer, and the command itself will say why.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Iterator, MutableMapping
from contextlib import contextmanager, redirect_stdout
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from diagnose.records import Knowledge

Offers = Iterable[tuple[str, str]]
Completion = Callable[[Any, str], list[tuple[str, str]]]


def join_words(environ: MutableMapping[str, str]) -> str:
    """Put together what bash has taken apart: it ends a word at every ``=``, so that ``ID=LEVEL`` reaches the program as three
    words, one a line. What stands up to the last ``=`` of the value to complete, which bash does not want back."""
    given = environ.get("COMP_WORDS", "").split("\n")
    if "=" not in given or not environ.get("COMP_CWORD", "").isdecimal():
        return ""
    words: list[str] = []
    place = 0
    for number, word in enumerate(given):
        if words and (word == "=" or words[-1].endswith("=")):
            words[-1] += word
        else:
            words.append(word)
        if number == int(environ["COMP_CWORD"]):
            place = len(words) - 1
    environ["COMP_WORDS"], environ["COMP_CWORD"] = "\n".join(words), str(place)
    value = words[place].partition("=")[2] if words[place].startswith("--") else words[place]
    return value[: value.rfind("=") + 1]


@contextmanager
def as_bash_wants_it(environ: MutableMapping[str, str]) -> Iterator[None]:
    """Where bash asks what it may complete: words put together before, offers without what bash has already after."""
    kept = join_words(environ) if environ.get("_DIAGNOSE_COMPLETE") == "complete_bash" else ""
    if not kept:
        yield
        return
    offered = io.StringIO()
    try:
        with redirect_stdout(offered):
            yield
    finally:
        print("\n".join(line.removeprefix(kept) for line in offered.getvalue().splitlines()))


def _completion(offers: Callable[[Any], Offers]) -> Completion:
    """What the shell calls: of the offers, each an id with words about it, those that begin like the word begun."""
    def complete(ctx: Any, incomplete: str) -> list[tuple[str, str]]:
        try:
            return [(name, _tame(words)) for name, words in offers(ctx.params) if name.startswith(incomplete)]
        except Exception:  # a shell in the middle of a line is no place for any message
            return []

    return complete


def _tame(words: str) -> str:
    """Words about an offer that can neither steer a terminal nor break the shell's list of offers."""
    return " ".join("".join(c if c.isprintable() else " " for c in words).split())


def _of_network(offers: Callable[[Knowledge], Offers]) -> Completion:
    def from_params(params: Any) -> Offers:
        from diagnose.knowledge import DEFAULT_NETWORK
        from diagnose.network import open_network

        return offers(open_network(params.get("network") or _network_of_case(params) or DEFAULT_NETWORK).knowledge)

    return _completion(from_params)


def _network_of_case(params: Any) -> str:
    """The network that a case on the command line names; empty if there is none."""
    from diagnose import case as cases
    from diagnose.source import InputError

    try:
        return cases.load(cases.store_path(params.get("store"))[0], params.get("case") or "").case.network
    except InputError:
        return ""


def _findings(*kinds: str) -> Completion:
    return _of_network(lambda k: ((f.id, f.title) for f in k.findings.values() if not kinds or f.kind in kinds))


def _levels(kind: str) -> Completion:
    return _of_network(lambda k: ((f"{f.id}={level}", f.title) for f in k.findings.values() if f.kind == kind
                                  for level in f.levels))


def _titles(records: Iterable[Any]) -> Iterator[tuple[str, str]]:
    return ((record.id, record.title) for record in records)


def _cases(params: Any) -> Offers:
    from diagnose import case as cases

    folder, _ = cases.store_path(params.get("store"))
    return ((path.stem, "") for path in sorted(folder.glob("*.yaml"), reverse=True))


def _networks(params: Any) -> Offers:
    from diagnose.knowledge import networks_folder

    return ((path.parent.name, "") for path in sorted(networks_folder().glob("*/network.yaml")))


def _readings(params: Any) -> Offers:
    from diagnose import readings

    return ((spec["name"], spec["title"]) for spec in readings.describe())


def _policies(params: Any) -> Offers:
    from diagnose.policies import POLICIES

    return ((name, "") for name in POLICIES)


def words(*given: str) -> Completion:
    """Completes a fixed set of words."""
    return _completion(lambda _: ((word, "") for word in given))


case_ids = _completion(_cases)
networks = _completion(_networks)
reading_names = _completion(_readings)
policy_names = _completion(_policies)
schema_names = _completion(lambda _: ((p.stem, "") for p in sorted((Path(__file__).parent / "schemas").glob("*.json"))))
causes = _of_network(lambda k: _titles(k.causes.values()))
reports = _findings("report")
askable = _findings("report", "check")
findings = _findings()
check_levels = _levels("check")
circumstance_levels = _levels("circumstance")
people = _of_network(lambda k: k.header.people.items())
tools = _of_network(lambda k: k.header.tools.items())
parts = _of_network(lambda k: k.header.parts.items())
areas = _of_network(lambda k: k.header.areas.items())
every_id = _of_network(lambda k: (pair for part in (k.causes, k.findings, k.conditions, k.cautions)
                                  for pair in _titles(part.values())))
drawable = _of_network(lambda k: (*k.header.areas.items(), *(pair for part in (k.causes, k.conditions, k.findings)
                                                             for pair in _titles(part.values()))))
