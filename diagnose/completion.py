"""What the shell may complete: ids of the network in use, its people and tools, the cases of the log.

A completion never fails: where files cannot be read there is nothing to offer, and the command itself will say why.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from diagnose.records import Knowledge

Offers = Iterable[tuple[str, str]]
Completion = Callable[[Any, str], list[tuple[str, str]]]


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
        from diagnose.network import open_network

        return offers(open_network(params.get("network") or "head_unit").knowledge)

    return _completion(from_params)


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
