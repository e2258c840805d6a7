"""Small networks as knowledge and arrays, straight from plain tables: findings called by the table's names, levels l0, l1, ...

The workshop is never wrong, the customer sometimes is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from diagnose.evidence import UNSURE_RATIO, Answer
from diagnose.network import UNLISTED, Opened, assemble
from diagnose.records import CHECK, METHODS, REPORT, Cause, Finding, Header, Knowledge, Remedy, Unlisted
from tests.enumeration import Tables

EXACT, FALLIBLE = "workshop", "customer"
_NO_REMEDY = Remedy("", (), 0.0, (), (), (), "no", "", "", ())


def opened_of(tables: Tables, *, salience: Mapping[str, float] | None = None, strength: float = 20.0,
              wrong: tuple[float, float] = (0.8, 0.9)) -> Opened:
    """salience: the findings that are reports; the others are checks. strength: cases that every number is worth.
    wrong: P(customer says abnormal | abnormal), P(customer says normal | normal)."""
    heard = salience or {}
    findings = {}
    for name, above in tables.leaks.items():
        levels = tuple(f"l{x}" for x in range(len(above) + 1))
        findings[name] = Finding(name, REPORT if name in heard else CHECK, name, "", "?", levels, levels, tuple(above), "", 0,
                                 salience=heard.get(name, 0.0))
    causes = {}
    for name, prior in tables.priors.items():
        if name != tables.unlisted:
            links = {finding: above for (cause, finding), above in tables.links.items() if cause == name}
            causes[name] = Cause(name, name, "", "", "", prior, {}, links, (), _NO_REMEDY, {}, "normal", "", (), "", 0)
    everything = Unlisted("something else", tables.priors[tables.unlisted] if tables.unlisted else 0.0, 0.0)
    reliability = {EXACT: dict.fromkeys(METHODS, (1.0, 1.0)), FALLIBLE: dict.fromkeys(METHODS, wrong)}
    header = Header("small", "", "1", "", {}, 0.9, 0.005, 0.6, strength, everything, {}, {}, "", (),
                    dict.fromkeys((EXACT, FALLIBLE, "fitter"), ""), reliability, {}, {}, {}, {}, {}, (), (), "", 0)
    assert tables.unlisted in ("", UNLISTED)
    network = assemble(tables.priors, tables.leaks, tables.links, unlisted=tables.unlisted)
    return Opened(Knowledge(header, {}, findings, {}, causes), network, "", "")


def answers_of(seen: Mapping[str, int | Sequence[float]], *, who: str = EXACT) -> list[Answer]:
    """Answers that say what was seen; a likelihood becomes "I think so" about its likeliest level."""
    found = []
    for name, given in seen.items():
        level = given if isinstance(given, int) else max(range(len(given)), key=lambda x: given[x])
        found.append(Answer(name, f"l{level}", who, sure=isinstance(given, int)))
    return found


def seen_of(tables: Tables, answers: Sequence[Answer]) -> dict[str, int | tuple[float, ...]]:
    """What answers of somebody who is never wrong mean to the enumeration."""
    seen: dict[str, int | tuple[float, ...]] = {}
    for answer in answers:
        level = int((answer.level or "")[1:])
        size = len(tables.leaks[answer.finding]) + 1
        unsure = tuple(1.0 if x == level else 1.0 / UNSURE_RATIO for x in range(size))
        seen[answer.finding] = level if answer.sure else unsure
    return seen


def with_silence(tables: Tables, salience: Mapping[str, float], asked: Sequence[str]) -> tuple[Tables, dict[str, int]]:
    """The tables with a finding more for each report that nobody mentioned: the same thinned by its salience, not seen."""
    leaks, links, seen = dict(tables.leaks), dict(tables.links), {}
    for name, heard in salience.items():
        if name not in asked and heard > 0:
            seen[f"~{name}"] = 0
            leaks[f"~{name}"] = (heard * sum(tables.leaks[name]),)
            for (cause, finding), above in tables.links.items():
                if finding == name:
                    links[cause, f"~{name}"] = (heard * sum(above),)
    return Tables(tables.priors, leaks, links, tables.unlisted), seen
