"""Exact posterior of several simultaneous causes: plan, then sweep.

Every open finding is one array axis that holds its running maximum. The sweep takes the causes one by one,
f <- absent * f + present * T f, where T raises each linked axis; backward the same with the transpose, so that
P(cause | e) of all causes comes from two passes. Only sums of non-negative terms: stable where inclusion-exclusion over
the abnormal findings (Heckerman 1989) loses digits. Findings that share no cause are swept apart, and an axis is open
only from its first cause to its last.
"""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from operator import mul
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from diagnose.evidence import Axis, Evidence
from diagnose.network import Array, Network
from diagnose.plan import MEMORY, Group, Plan, Step, make_plan
from diagnose.source import ImpossibleEvidence, Problem

RARE = 1e-6  # P(at least one cause) below which 1 - P(none) has lost too many digits
COUNTED = 4  # the number of causes present is told apart up to 3; the last slot is "more"


@dataclass(frozen=True, eq=False)
class Posterior:
    """P(cause | e), given that at least one cause is present when ``somebody_called``.

    p: (n,). none, some: P(no cause at all | e) and P(at least one | e), before that condition. log_evidence: natural log of
    P(e). in_question: causes linked to a finding that is not as it should be.
    """

    p: Array
    none: float
    some: float
    log_evidence: float
    in_question: tuple[int, ...]
    plan: Plan


class CauseSet(NamedTuple):
    """A set of causes in question that are present together, all others absent, and its probability."""

    causes: tuple[int, ...]
    p: float


def _raise_axis(f: Array, move: Array, before: int, k: int, after: int) -> Array:
    """``move`` applied along one axis of ``f``, seen as (before, k, after)."""
    if after == 1:
        return np.asarray(f.reshape(before, k) @ move.T)
    if before <= 16:
        return np.asarray(np.matmul(move, f.reshape(before, k, after)))
    old = f.reshape(before, k, after)
    new = np.empty_like(old)
    for x, row in enumerate(move.tolist()):
        np.multiply(old[:, 0], row[0], out=new[:, x])
        for y in range(1, k):
            if row[y] != 0.0:
                new[:, x] += row[y] * old[:, y]
    return new


def _present_branch(f: Array, step: Step, axes: Sequence[Axis], lead: int, *, transposed: bool = False) -> Array:
    """T f for one cause; ``lead`` cells stand before the axes (worlds, batches, counts)."""
    g = f
    for a, row, before, k, after in step.moves:
        move = axes[a].steps[row]
        g = _raise_axis(g, move.T if transposed else move, lead * before, k, after)
    return g.reshape(f.shape)


def infer(network: Network, evidence: Evidence, *, somebody_called: bool = True, memory: int = MEMORY) -> Posterior:
    """P(cause | e) of every cause, exactly.

    somebody_called: condition on at least one cause being present. Raises ImpossibleEvidence when P(e) is 0 and
    InputError when the open findings need more than ``memory`` bytes.
    """
    planned = make_plan(network, evidence, memory=memory)
    absent, present, axes = evidence.absent, evidence.present, evidence.axes
    p = np.zeros(len(network.causes))
    outside = np.array(planned.outside, dtype=np.int64)
    total = absent[outside] + present[outside]
    p[outside] = np.divide(present[outside], total, out=np.zeros_like(total), where=total > 0)
    worlds, firsts = _worlds(planned, evidence)
    joint = np.zeros((len(worlds), len(network.causes)))
    alone = _lone_causes(planned, evidence, firsts)
    backs: dict[int, Array] = {}
    shares = [_sweep_group(group, evidence, firsts, joint, alone, backs) for group in planned.groups]
    if alone is not None:
        alone.write(backs, joint)
    with np.errstate(divide="ignore", invalid="ignore"):
        log_worlds = np.log(worlds) + sum(np.log(share) for share in shares)
        log_z = float(np.logaddexp.reduce(log_worlds)) + evidence.log_factor + float(np.log(total).sum())
        log_none = evidence.log_factor + float(np.log(absent).sum())
        log_none += float(sum(np.log(axis.first @ axis.last) for axis in axes))
    if not math.isfinite(log_z):
        raise _impossible(network, evidence)
    none = math.exp(log_none - log_z)
    some = 1.0 - none
    if some < RARE:
        counts = weigh_batch(planned, evidence, present[None, :], count=True)[0]
        some = float(counts[1:].sum() / counts.sum())
    if somebody_called and some <= 0.0:
        raise _impossible(network, evidence)
    weight = np.exp(log_worlds - np.logaddexp.reduce(log_worlds))
    for group, share in zip(planned.groups, shares, strict=True):
        members = np.array(group.causes, dtype=np.int64)
        p[members] = np.divide(weight, share, out=np.zeros_like(share), where=share > 0) @ joint[:, members]
    if planned.hub >= 0:
        p[planned.hub] = weight[1]
    if somebody_called:
        p = p / some
    return Posterior(np.minimum(p, 1.0), none, some, log_z, _in_question(network, evidence), planned)


def _worlds(planned: Plan, evidence: Evidence) -> tuple[Array, list[Array]]:
    """Weights of the worlds without and with the hub, (W,), and what each axis starts with in them, (W, K) each."""
    firsts = [axis.first[None, :] for axis in evidence.axes]
    if planned.hub < 0:
        return np.ones(1), firsts
    firsts = [np.repeat(first, 2, axis=0) for first in firsts]
    for a, row in planned.hub_rows:
        firsts[a][1] = evidence.axes[a].steps[row] @ firsts[a][1]
    return np.array([evidence.absent[planned.hub], evidence.present[planned.hub]]), firsts


def _in_question(network: Network, evidence: Evidence) -> tuple[int, ...]:
    found = {i for j in evidence.abnormal for i in network.link_cause[network.rows(j)].tolist()}
    return tuple(sorted(i for i in found if evidence.present[i] > 0))


def _impossible(network: Network, evidence: Evidence) -> ImpossibleEvidence:
    said = ", ".join(f"{a.finding}={a.level if a.level is not None else a.reading}" for a in evidence.answers)
    names = said or ", ".join(network.findings[axis.finding] for axis in evidence.axes)
    return ImpossibleEvidence(Problem("", 0, "answers", f"these cannot all be true together: {names}",
                                      "take back the least certain one"))


class LoneCauses(NamedTuple):
    """Causes that touch one two-state axis only, in closed form. With U = w0 + w1 P(<= top) for each, an axis that starts
    with the total t, of which the share q lies below, ends with t prod U, of which q prod (1 - w1 P(top) / U) lies below:
    sums of logs, log1p and expm1 keep the digits.

    axes: their numbers. place, cause: (l,) position of the axis, and the cause, of each link. total, below: (W, A) the total
    an axis ends with and the log of the share below. own: (l,) what a cause adds to that log when present instead of weighed.
    scale: (l,) w1 P(<= top) / U. ends: (2, W, A) the two states each axis ends with.
    """

    axes: dict[int, int]
    place: npt.NDArray[np.int64]
    cause: npt.NDArray[np.int64]
    total: Array
    below: Array
    own: Array
    scale: Array
    ends: Array

    def write(self, backs: dict[int, Array], joint: Array) -> None:
        """P(cause, e | world) of these causes into ``joint``."""
        back = np.array([backs[a] for a in self.axes])[self.place]  # (l, W, 2)
        share = (self.below[:, self.place] + self.own).T
        value = back[:, :, 0] * np.exp(share) - back[:, :, 1] * np.expm1(share)
        joint[:, self.cause] = (self.scale[:, None] * self.total.T[self.place] * value).T


def _lone_causes(planned: Plan, evidence: Evidence, firsts: Sequence[Array]) -> LoneCauses | None:
    """None if there are no such causes, or if a nought among them calls for the plain way."""
    axes = {a: position for position, a in enumerate(
        a for group in planned.groups for a in group.axes if len(evidence.axes[a].first) == 2)}
    links = [(axes[a], cause, evidence.axes[a].steps[row])
             for group in planned.groups for a, cause, row in group.alone if a in axes]
    if not links:
        return None
    place, cause = (np.array([link[x] for link in links]) for x in (0, 1))
    steps = np.array([link[2] for link in links])
    first = np.array([firsts[a] for a in axes])
    w0, w1 = evidence.absent[cause], evidence.present[cause]
    top = steps[:, 1, 1]
    weighed = w0 + w1 * top
    total = first.sum(axis=2)
    if not (weighed.min() > 0 and top.min() > 0 and total.min() > 0):
        return None
    with np.errstate(divide="ignore"):
        share = np.log1p(-w1 * steps[:, 1, 0] / weighed)
        if np.isinf(share).any():
            return None
        own = np.log1p(-steps[:, 1, 0] / top) - share
        below = np.log1p(-first[:, :, 1] / total).T + np.bincount(place, share, len(axes))
    total = total.T * np.exp(np.bincount(place, np.log(weighed), len(axes)))
    ends = np.array([total * np.exp(below), -total * np.expm1(below)])
    return LoneCauses(axes, place, cause, total, below, own, w1 * top / weighed, ends)


def _sweep_group(group: Group, evidence: Evidence, firsts: Sequence[Array], joint: Array, alone: LoneCauses | None,
                 backs: dict[int, Array]) -> Array:
    """Forward and backward over one group: P(e of the group | world), (W,); writes P(cause, e | world) into ``joint``."""
    axes, worlds = evidence.axes, len(joint)
    closed = alone.axes if alone is not None else {}
    rows: dict[int, list[tuple[int, int]]] = {a: [] for a in group.axes if a not in closed}
    moves = {a: axes[a].steps.tolist() for a in rows}
    w0, w1 = (evidence.absent.tolist(), evidence.present.tolist()) if rows else ([], [])
    for a, cause, row in group.alone:
        if a in rows:
            rows[a].append((cause, row))
    starts, trails = {}, {}
    for a in group.axes:
        if alone is not None and a in closed:
            starts[a] = alone.ends[:, :, closed[a]].T
            continue
        ends, trail = [], []
        for first in firsts[a].tolist():
            end, branches = _forward_alone(first, rows[a], moves[a], w0, w1)
            ends.append(end)
            trail.append(branches)
        starts[a], trails[a] = np.array(ends), trail
    if group.steps:
        z = _sweep_shared(group, evidence, starts, joint, backs)
    else:
        a = group.axes[0]
        z = starts[a] @ axes[a].last
        backs[a] = np.repeat(axes[a].last[None, :], worlds, axis=0)
    for a in rows:
        for w, back in enumerate(backs[a].tolist()):
            _backward_alone(back, rows[a], moves[a], w0, w1, trails[a][w], joint[w])
    return z


def _forward_alone(first: list[float], rows: list[tuple[int, int]], moves: list[list[list[float]]], w0: list[float],
                   w1: list[float]) -> tuple[list[float], list[list[float]]]:
    """One axis through the causes that touch it alone; plain floats, as arrays this small cost more than they save."""
    f, branches = first, []
    for cause, row in rows:
        g = [sum(map(mul, line, f)) for line in moves[row]]
        branches.append(g)
        u, v = w0[cause], w1[cause]
        f = [u * x + v * y for x, y in zip(f, g, strict=True)]
    return f, branches


def _backward_alone(back: list[float], rows: list[tuple[int, int]], moves: list[list[list[float]]], w0: list[float],
                    w1: list[float], branches: list[list[float]], joint: Array) -> None:
    b = back
    for (cause, row), g in zip(reversed(rows), reversed(branches), strict=True):
        u, v = w0[cause], w1[cause]
        joint[cause] = v * sum(map(mul, b, g))
        b = [u * x + v * sum(map(mul, column, b)) for x, column in zip(b, zip(*moves[row], strict=True), strict=True)]


def _sweep_shared(group: Group, evidence: Evidence, starts: dict[int, Array], joint: Array, backs: dict[int, Array]) -> Array:
    """The array sweep over causes that touch several axes. ``backs`` gets, for each axis, the likelihood of each state
    it may start in given all the rest, (W, K); result P(e of the group | world), (W,)."""
    axes, absent, present = evidence.axes, evidence.absent.tolist(), evidence.present.tolist()
    worlds = len(joint)
    f = np.ones((worlds, 1))
    kept: list[Array] = []
    shapes: list[tuple[int, ...]] = []
    open_shape: list[int] = []
    for step in group.steps:
        if step.kind == "cause":
            g = _present_branch(f, step, axes, worlds)
            kept.append(g)
            f = absent[step.which] * f + present[step.which] * g
        elif step.kind == "open":
            kept.append(f)
            start = starts[step.which]
            f = (f[:, :, None] * start[:, None, :]).reshape(worlds, -1)
            open_shape.append(start.shape[1])
        else:
            before, k, after = _around(open_shape, step.position)
            shapes.append((before, k, after))
            f = np.matmul(axes[step.which].last, f.reshape(worlds * before, k, after)).reshape(worlds, -1)
            del open_shape[step.position]
    z = f[:, 0].copy()
    b = np.ones((worlds, 1))
    for step in reversed(group.steps):
        if step.kind == "cause":
            g = kept.pop()
            joint[:, step.which] = present[step.which] * np.einsum("ws,ws->w", b, g)
            b = absent[step.which] * b + present[step.which] * _present_branch(b, step, axes, worlds, transposed=True)
        elif step.kind == "open":
            start = starts[step.which]
            split = b.reshape(worlds, -1, start.shape[1])
            backs[step.which] = np.einsum("wsk,ws->wk", split, kept.pop())
            b = np.einsum("wsk,wk->ws", split, start)
        else:
            before, k, after = shapes.pop()
            last = axes[step.which].last
            b = (b.reshape(worlds * before, 1, after) * last[:, None]).reshape(worlds, -1)
    return z


def _around(shape: Sequence[int], position: int) -> tuple[int, int, int]:
    return math.prod(shape[:position]), shape[position], math.prod(shape[position + 1 :])


def weigh_batch(planned: Plan, evidence: Evidence, present: Array, *, absent: Array | None = None,
                count: bool = False) -> Array:
    """P(e) up to log_factor by one forward sweep for a batch of present weights (B, n), and of absent ones (B, n) if these
    differ: (B,), or (B, 5) by the number of causes present if ``count``. An event that is a product over the causes, as
    "none of these present" or "finding at most at this level", is such a change of weights."""
    missing = evidence.absent[None, :] if absent is None else absent
    layers = COUNTED + 1 if count else 1
    batch = len(present)

    def blend(f: Array, g: Array, i: int) -> Array:
        """absent * f + present * g, the latter one cause further; arrays (B, layers, cells)."""
        if count:
            shifted = np.zeros_like(g)
            shifted[:, 1:] = g[:, :-1]
            shifted[:, -1] += g[:, -1]
            g = shifted
        return np.asarray(missing[:, i, None, None] * f + present[:, i, None, None] * g)

    def world(firsts: Sequence[Array]) -> Array:
        unit = np.zeros((batch, layers, 1))
        unit[:, 0] = 1.0
        total = outside
        for group in planned.groups:
            f = _forward_group(group, evidence, firsts, unit, blend)
            total = _add_counts(total, f[:, :, 0])
        return total

    outside = _outside(planned, missing, present, layers)
    weights, firsts = _worlds(planned, evidence)
    total = world([first[0] for first in firsts])
    if len(weights) > 1:
        other = world([first[1] for first in firsts])
        total = blend(total[:, :, None], other[:, :, None], planned.hub)[:, :, 0]
    return total if count else total[:, 0]


def _outside(planned: Plan, absent: Array, present: Array, layers: int) -> Array:
    """(B, layers) weight of the causes that no open finding touches, by how many of them are present."""
    members = np.array(planned.outside, dtype=np.int64)
    w0, w1 = absent[:, members], present[:, members]
    if layers == 1:
        return np.asarray((w0 + w1).prod(axis=1, keepdims=True))
    rows = []
    for some0, some1 in zip(np.broadcast_to(w0, w1.shape).tolist(), w1.tolist(), strict=True):
        counts = [1.0] + [0.0] * (layers - 1)
        for u, v in zip(some0, some1, strict=True):
            last = (u + v) * counts[-1] + v * counts[-2]
            counts = [u * counts[0], *(u * own + v * fewer for fewer, own in itertools.pairwise(counts[:-1])), last]
        rows.append(counts)
    return np.array(rows)


def _forward_group(group: Group, evidence: Evidence, firsts: Sequence[Array], unit: Array,
                   blend: Callable[[Array, Array, int], Array]) -> Array:
    axes = evidence.axes
    lead = unit.shape[0] * unit.shape[1]

    def started(a: int) -> Array:
        f = unit * firsts[a]
        for b, cause, row in group.alone:
            if b == a:
                f = blend(f, f @ axes[a].steps[row].T, cause)
        return f

    if not group.steps:
        return np.asarray(started(group.axes[0]) @ axes[group.axes[0]].last)[:, :, None]
    f = unit
    open_shape: list[int] = []
    for step in group.steps:
        if step.kind == "cause":
            f = blend(f, _present_branch(f, step, axes, lead), step.which)
        elif step.kind == "open":
            f = _open_counted(f, started(step.which))
            open_shape.append(len(axes[step.which].first))
        else:
            before, k, after = _around(open_shape, step.position)
            f = np.matmul(axes[step.which].last, f.reshape(lead * before, k, after)).reshape(*unit.shape[:2], -1)
            del open_shape[step.position]
    return f


def _open_counted(f: Array, start: Array) -> Array:
    """(B, layers, S) and (B, layers, K) -> (B, layers, S * K): counts add, cells multiply."""
    batch, layers, cells = f.shape
    out = np.zeros((batch, layers, cells, start.shape[2]))
    for x in range(layers):
        for y in range(layers):
            out[:, min(x + y, layers - 1)] += f[:, x, :, None] * start[:, y, None, :]
    return out.reshape(batch, layers, -1)


def _add_counts(one: Array, other: Array) -> Array:
    """The distribution of the sum of two capped counts, (B, layers) each."""
    return _open_counted(one[:, :, None], other[:, :, None])[:, :, 0]


def probability_of_any(network: Network, evidence: Evidence, posterior: Posterior, sets: Sequence[Iterable[int]]) -> Array:
    """P(at least one cause of the set is present | e, somebody called), for every set; exact, one sweep for all."""
    if not sets:
        return np.zeros(0)
    present = np.tile(evidence.present, (len(sets) + 1, 1))
    for row, members in enumerate(sets):
        present[row + 1, list(members)] = 0.0
    z = weigh_batch(posterior.plan, evidence, present)
    without = z[1:] / z[0]
    return np.asarray(np.clip((1.0 - without) / posterior.some, 0.0, 1.0))


def number_of_causes(network: Network, evidence: Evidence, posterior: Posterior) -> Array:
    """P(N = 0, 1, 2, 3, more than 3 | e) over all causes, (5,), not conditioned on somebody having called."""
    counts = weigh_batch(posterior.plan, evidence, evidence.present[None, :], count=True)[0]
    return np.asarray(counts / counts.sum())


def likely_sets(network: Network, evidence: Evidence, posterior: Posterior, *, cover: float = 0.95, most: int = 8,
                pool: int = 26, largest: int = 3) -> list[CauseSet]:
    """The most probable sets of causes in question, present together with every other one absent, until ``cover``.

    Causes out of question are summed out. All sets of up to ``largest`` causes out of the ``pool`` most probable ones
    are weighed exactly; the empty set is left out, as somebody called.
    """
    asked = sorted(posterior.in_question, key=lambda i: -posterior.p[i])[:pool]
    if not asked:
        return []
    sets, chosen = _choices(len(asked), largest)
    absent, present = (np.log(np.maximum(weights, 1e-300)) for weights in (evidence.absent, evidence.present))
    log_p = np.full(len(sets), evidence.log_factor + float(absent[list(posterior.in_question)].sum()))
    log_p += chosen @ (present[asked] - absent[asked])
    for axis in evidence.axes:
        log_p += np.log(np.maximum(_axis_likelihood(axis, asked, chosen), 1e-300))
    order = np.argsort(-log_p, kind="stable")[:most]
    if len(evidence.axes) > len(evidence.abnormal):  # then causes out of question touch open findings too
        p = _probability_of_exactly(evidence, posterior, [[asked[x] for x in sets[row]] for row in order])
    else:
        others = np.delete(evidence.absent + evidence.present, posterior.in_question)
        with np.errstate(divide="ignore"):
            p = np.exp(log_p[order] + float(np.log(others).sum()) - posterior.log_evidence) / posterior.some
    found, covered = [], 0.0
    for number in np.argsort(-p, kind="stable"):
        found.append(CauseSet(tuple(asked[x] for x in sets[order[number]]), float(min(p[number], 1.0))))
        covered += float(p[number])
        if covered >= cover:
            break
    return found


@functools.cache
def _choices(count: int, largest: int) -> tuple[list[tuple[int, ...]], Array]:
    """All sets of up to ``largest`` out of ``count``, and the same as rows of 0 and 1."""
    sets = [s for size in range(1, largest + 1) for s in itertools.combinations(range(count), size)]
    sizes = np.array([len(members) for members in sets])
    chosen = np.zeros((len(sets), count))
    chosen[np.repeat(np.arange(len(sets)), sizes), list(itertools.chain.from_iterable(sets))] = 1.0
    chosen.setflags(write=False)
    return sets, chosen


def _probability_of_exactly(evidence: Evidence, posterior: Posterior, sets: Sequence[Sequence[int]]) -> Array:
    """P(exactly these of the causes in question | e, somebody called) of each set, by one sweep over all."""
    absent, present = (np.tile(weights, (len(sets) + 1, 1)) for weights in (evidence.absent, evidence.present))
    for row, members in enumerate(sets, start=1):
        present[row, list(set(posterior.in_question).difference(members))] = 0.0
        absent[row, list(members)] = 0.0
    z = weigh_batch(posterior.plan, evidence, present, absent=absent)
    return np.asarray(z[1:] / z[0] / posterior.some)


def _axis_likelihood(axis: Axis, asked: Sequence[int], chosen: Array) -> Array:
    """(sets,) likelihood of one open finding for each set of causes, by cumulative products."""
    k = len(axis.first)
    below = np.cumsum(axis.first)
    log_step = np.zeros((len(asked), k))
    for x, cause in enumerate(asked):
        at = np.searchsorted(axis.causes, cause)
        if at < len(axis.causes) and axis.causes[at] == cause:
            diagonal = np.diagonal(axis.steps[at])
            log_step[x] = np.log(np.maximum(diagonal, 1e-300))
    cumulative = below * np.exp(chosen @ log_step)
    return np.maximum(np.diff(cumulative, axis=1, prepend=0.0), 0.0) @ axis.last
