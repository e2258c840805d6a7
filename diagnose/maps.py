"""What hangs on what: the links around an item, and the whole network by its areas.

Strengths are those of the network in force; a link that comes through conditions is told through them, with the files' numbers.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from diagnose.network import Opened
from diagnose.records import CHECK, CIRCUMSTANCE, REPORT, Knowledge
from diagnose.source import complaint, nearest

STRONG, FAINT = 0.3, 0.02  # link from which on an area's picture, an item's picture, has a line for it
MOST_DRAWN = 160
WORTH_DRAWING = 0.2  # findings of one area that a cause of another brings on average, from which on that has a line


class Link(NamedTuple):
    """A link. p: probability that the one alone brings the other about; column: 0 from cause to condition, 1 from condition to
    finding, 2 from cause to finding."""

    source: str
    target: str
    p: float
    column: int


class Group(NamedTuple):
    """Links that have one end in common, the strongest first. start: whether that end is where they start; rows: strength,
    id and title of the other end."""

    start: bool
    id: str
    title: str
    rows: tuple[tuple[float, str, str], ...]


class Item(NamedTuple):
    """A record by its id and title."""

    id: str
    title: str


class Area(NamedTuple):
    """An area and what belongs to it, in the order of the files."""

    id: str
    title: str
    causes: tuple[Item, ...]
    reports: tuple[Item, ...]
    checks: tuple[Item, ...]
    circumstances: tuple[Item, ...]


class Between(NamedTuple):
    """The links from the causes of one area to the findings of one (itself or another). links: how many; brings: how many
    findings of the one a cause of the other brings, on average over its causes (the sum of the strengths over the causes)."""

    source: str
    target: str
    links: int
    brings: float


class Overview(NamedTuple):
    """A whole network by its areas. conditions: they belong to none; between: the most first. A circumstance that a cause
    cannot be without counts as no link."""

    title: str
    version: str
    areas: tuple[Area, ...]
    conditions: tuple[Item, ...]
    between: tuple[Between, ...]


def overview(opened: Opened) -> Overview:
    """The areas of a network with their items, and how strongly they hang together."""
    knowledge, network = opened.knowledge, opened.network
    areas = []
    for name, title in knowledge.header.areas.items():
        causes = tuple(Item(c.id, c.title) for c in knowledge.causes.values() if c.area == name)
        kinds = (tuple(Item(f.id, f.title) for f in knowledge.of_kind(kind) if f.area == name)
                 for kind in (REPORT, CHECK, CIRCUMSTANCE))
        areas.append(Area(name, title, causes, *kinds))
    count: dict[tuple[str, str], list[float]] = {}
    for j, finding in enumerate(network.findings):
        rows = network.rows(j)
        for i, link in zip(network.link_cause[rows].tolist(), network.link[rows], strict=True):
            cause = knowledge.causes.get(network.causes[i])
            if cause and finding not in cause.needs:
                count.setdefault((cause.area, knowledge.findings[finding].area), []).append(1.0 - float(link[0]))
    of_area = {area.id: len(area.causes) for area in areas}
    between = [Between(*pair, len(found), math.fsum(found) / of_area[pair[0]]) for pair, found in count.items()]
    return Overview(knowledge.header.title, knowledge.header.version, tuple(areas),
                    tuple(Item(c.id, c.title) for c in knowledge.conditions.values()),
                    tuple(sorted(between, key=lambda one: (-one.brings, one.source, one.target))))


def titles_of(knowledge: Knowledge) -> dict[str, str]:
    """The title of every cause, condition and finding."""
    return {name: part[name].title for part in (knowledge.causes, knowledge.conditions, knowledge.findings) for name in part}


def links_around(opened: Opened, item: str) -> list[Link]:
    """The links around a cause, condition or finding, or those of an area's causes that are strong enough to be drawn.

    A link that comes through conditions is told through them, with the strengths of the files; a link of its own has the
    strength in force. Raises InputError if there is no such item.
    """
    knowledge, network = opened.knowledge, opened.network
    known = [*knowledge.header.areas, *knowledge.causes, *knowledge.conditions, *knowledge.findings]
    if item not in known:
        raise complaint(f"there is no area, cause, condition or finding {item[:60]!r}", nearest(item, known), key="show")
    by_area = item in knowledge.header.areas and item not in (*knowledge.causes, *knowledge.conditions, *knowledge.findings)
    least = STRONG if by_area else FAINT
    causes = [c for c in knowledge.causes.values() if c.area == item] if by_area else list(knowledge.causes.values())
    found = [Link(c.id, name, p, 0) for c in causes for name, p in c.brings.items()]
    found += [Link(name, finding, math.fsum(above), 1) for name, condition in knowledge.conditions.items()
              for finding, above in condition.shows.items()]
    for cause in causes:
        for finding in (*cause.links, *cause.needs):
            rows = network.rows(network.finding_index[finding])
            row = np.flatnonzero(network.link_cause[rows] == network.cause_index[cause.id])
            found += [Link(cause.id, finding, 1.0 - float(network.link[rows][r, 0]), 2) for r in row.tolist()]
    found = [one for one in found if one.p >= least]
    if by_area:
        near = {one.target for one in found if one.column == 0}
        kept = [one for one in found if one.column != 1 or one.source in near]
    else:
        near = {item, *(one.source for one in found if one.column == 1 and one.target == item),
                *(one.target for one in found if one.column == 0 and one.source == item)}
        kept = [one for one in found if item in one[:2] or (one.column == 1 and one.source in near and item in knowledge.causes)
                or (one.column == 0 and one.target in near and item in knowledge.findings)]
    return sorted(kept, key=lambda one: (-one.p, one.source, one.target))[:MOST_DRAWN]


def grouped(links: Sequence[Link], titles: Mapping[str, str]) -> list[Group]:
    """The links under what they have in common: where they start or where they end, whichever says it in fewer groups."""
    starts: dict[str, list[Link]] = {}
    ends: dict[str, list[Link]] = {}
    for one in links:
        starts.setdefault(one.source, []).append(one)
        ends.setdefault(one.target, []).append(one)
    start = len(starts) <= len(ends)

    def rows(some: Sequence[Link]) -> tuple[tuple[float, str, str], ...]:
        others = ((one.p, one.target if start else one.source) for one in some)
        return tuple((p, other, titles[other]) for p, other in others)

    return [Group(start, name, titles[name], rows(some)) for name, some in (starts if start else ends).items()]
