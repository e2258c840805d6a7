"""Order and cost of a sweep, decided before any work: which open findings belong together, which cause comes when.

The axis whose remaining causes widen the array least is finished first; an axis is open only from its first cause to its last.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from diagnose.evidence import Axis, Evidence
from diagnose.network import Network
from diagnose.source import complaint

MEMORY = 64 * 2**20  # bytes that one sweep may keep; twice that where a cause is conditioned on. About a second of work


class Step(NamedTuple):
    """One step of a sweep. kind: open, cause or close. which: the axis or the cause. moves: for a cause, per linked axis
    (axis, row of its steps, cells before, its states, cells after). position: where an axis is closed among those open."""

    kind: str
    which: int
    moves: tuple[tuple[int, int, int, int, int], ...]
    position: int


class Group(NamedTuple):
    """Open findings that share causes. axes: their numbers. alone: (axis, cause, row) of causes that touch one axis
    only. steps: the sweep of the other causes. causes: all of them. widest: cells of the widest array. size: bytes."""

    axes: tuple[int, ...]
    alone: tuple[tuple[int, int, int], ...]
    steps: tuple[Step, ...]
    causes: tuple[int, ...]
    widest: int
    size: int


class Plan(NamedTuple):
    """Order and cost of a sweep, decided before any work. outside: causes that no open finding touches. hub: the cause
    that is conditioned on, or -1, with its (axis, row) pairs."""

    groups: tuple[Group, ...]
    outside: tuple[int, ...]
    hub: int
    hub_rows: tuple[tuple[int, int], ...]

    @property
    def size(self) -> int:
        """Bytes kept by the largest group."""
        return max((group.size for group in self.groups), default=0)


def make_plan(network: Network, evidence: Evidence, *, memory: int = MEMORY) -> Plan:
    """The sweep's order; InputError if it would keep more than ``memory`` bytes.

    The axis whose remaining causes widen the array least is finished first.
    """
    axes, possible = evidence.axes, (evidence.present > 0).tolist()
    touched: dict[int, list[tuple[int, int]]] = {}
    for a, axis in enumerate(axes):
        for row, cause in enumerate(axis.causes.tolist()):
            if possible[cause]:
                touched.setdefault(cause, []).append((a, row))
    outside = tuple(i for i in range(len(evidence.absent)) if i not in touched)
    hub = network.unlisted if len(touched.get(network.unlisted, ())) > 1 else -1
    hub_rows = tuple(touched.pop(hub)) if hub >= 0 else ()
    groups = [_plan_group(axes, members, touched, memory) for members in connected(len(axes), touched)]
    return Plan(tuple(groups), outside, hub, hub_rows)


def connected(count: int, touched: dict[int, list[tuple[int, int]]]) -> list[list[int]]:
    """The axes in groups that share causes."""
    home = list(range(count))

    def root(a: int) -> int:
        while home[a] != a:
            home[a] = home[home[a]]
            a = home[a]
        return a

    for members in touched.values():
        for a, _ in members[1:]:
            home[root(a)] = root(members[0][0])
    found: dict[int, list[int]] = {}
    for a in range(count):
        found.setdefault(root(a), []).append(a)
    return list(found.values())


def _plan_group(axes: Sequence[Axis], members: list[int], touched: dict[int, list[tuple[int, int]]], memory: int) -> Group:
    width = {a: len(axes[a].first) for a in members}
    mine = set(members)
    linked = {c: rows for c, rows in touched.items() if rows[0][0] in mine}
    alone = tuple((rows[0][0], c, rows[0][1]) for c, rows in linked.items() if len(rows) == 1)
    if len(members) == 1:
        return Group(tuple(members), alone, (), tuple(sorted(linked)), 1, 8)
    left: dict[int, set[int]] = {a: set() for a in members}
    near: dict[int, set[int]] = {a: {a} for a in members}  # the axes that would have to be open with this one
    for c, rows in linked.items():
        if len(rows) > 1:
            together = [a for a, _ in rows]
            for a in together:
                left[a].add(c)
                near[a].update(together)
    open_axes: list[int] = []
    steps: list[Step] = []
    widest = kept = 1
    unfinished, unopened = set(members), set(members)
    log_width = {a: math.log(width[a]) for a in members}

    def growth(a: int) -> tuple[float, int]:
        return sum(log_width[b] for b in near[a] & unopened), a

    def note(size: int) -> None:
        nonlocal widest, kept
        widest, kept = max(widest, size), kept + size * 8
        if kept > memory:
            raise complaint(
                f"{len(members)} answers that are abnormal or unsure share their causes: too many to reckon exactly "
                f"(over {memory // 2**20} MiB)", "leave out the least certain of them", key="answers")

    size = 1
    places: dict[int, tuple[int, int, int]] = {}  # open axis -> cells before it, its states, cells after it
    while unfinished:
        target = min(unfinished, key=growth)
        for cause in sorted(left[target], key=lambda c: (len(linked[c]), c)):
            for a, _ in linked[cause]:
                if a in unopened:
                    note(size)
                    steps.append(Step("open", a, (), 0))
                    open_axes.append(a)
                    unopened.discard(a)
                    size *= width[a]
                    places = _places(open_axes, width, size)
            for a, _ in linked[cause]:
                left[a].discard(cause)
            note(size)
            steps.append(Step("cause", cause, tuple((a, row, *places[a]) for a, row in linked[cause]), 0))
        for a in [b for b in open_axes if not left[b]]:
            steps.append(Step("close", a, (), open_axes.index(a)))
            open_axes.remove(a)
            unfinished.discard(a)
            size //= width[a]
        places = _places(open_axes, width, size)
    return Group(tuple(members), alone, tuple(steps), tuple(sorted(linked)), widest, kept)


def _places(open_axes: list[int], width: dict[int, int], size: int) -> dict[int, tuple[int, int, int]]:
    found, before = {}, 1
    for a in open_axes:
        found[a] = (before, width[a], size // (before * width[a]))
        before *= width[a]
    return found
