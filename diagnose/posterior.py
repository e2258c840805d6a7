"""Exact posterior of several simultaneous causes: plan, then sweep.

Every open finding is one array axis that holds its running maximum. The sweep takes the causes one by one,
f <- absent * f + present * T f, where T raises each linked axis; backward the same with the transpose, so that
P(cause | e) of all causes comes from two passes. Only sums of non-negative terms: stable where inclusion-exclusion over
the abnormal findings (Heckerman 1989) loses digits. Findings that share no cause are swept apart, and an axis is open
only from its first cause to its last.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from operator import mul
from typing import NamedTuple

import numpy as np

from diagnose.evidence import Axis, Evidence
from diagnose.network import Array, Network
from diagnose.plan import MEMORY, Group, Plan, Step, connected, make_plan
from diagnose.source import ImpossibleEvidence, Problem

RARE = 1e-6  # P(at least one cause) below which 1 - P(none) has lost too many digits
COMBINATIONS = 512  # of levels of answers thought to be normal that are weighed together
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
    shares = [_sweep_group(group, evidence, firsts, joint) for group in planned.groups]
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
        counts = _forward(planned, evidence, present[None, :], count=True)[0]
        some = float(counts[1:].sum() / counts.sum())
    if somebody_called and some <= 0.0:
        raise _impossible(network, evidence)
    weight = np.exp(log_worlds - np.logaddexp.reduce(log_worlds))
    for group in planned.groups:
        members = list(group.causes)
        p[members] = weight @ joint[:, members]
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


def _sweep_group(group: Group, evidence: Evidence, firsts: Sequence[Array], joint: Array) -> Array:
    """Forward and backward over one group: P(e of the group | world), (W,); writes P(cause | e, world) into ``joint``."""
    axes, absent, present = evidence.axes, evidence.absent, evidence.present
    worlds = len(joint)
    rows: dict[int, list[tuple[int, int]]] = {a: [] for a in group.axes}
    for a, cause, row in group.alone:
        rows[a].append((cause, row))
    moves = {a: axes[a].steps.tolist() for a in group.axes}
    w0, w1 = absent.tolist(), present.tolist()
    starts, trails = {}, {}
    for a in group.axes:
        ends, trail = [], []
        for first in firsts[a].tolist():
            end, branches = _forward_alone(first, rows[a], moves[a], w0, w1)
            ends.append(end)
            trail.append(branches)
        starts[a], trails[a] = np.array(ends), trail
    backs: dict[int, Array] = {}
    if group.steps:
        z = _sweep_shared(group, evidence, starts, joint, backs)
    else:
        a = group.axes[0]
        z = starts[a] @ axes[a].last
        backs[a] = np.repeat(axes[a].last[None, :], worlds, axis=0)
    for a in group.axes:
        for w, back in enumerate(backs[a].tolist()):
            _backward_alone(back, rows[a], moves[a], w0, w1, trails[a][w], joint[w])
    with np.errstate(invalid="ignore", divide="ignore"):
        members = list(group.causes)
        joint[:, members] = np.where(z[:, None] > 0, joint[:, members] / z[:, None], 0.0)
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
    axes, absent, present = evidence.axes, evidence.absent, evidence.present
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


def _forward(planned: Plan, evidence: Evidence, present: Array, *, count: bool = False) -> Array:
    """P(e) up to log_factor for a batch of present weights (B, n): (B,), or (B, 5) by the number of causes present if
    ``count``."""
    layers = COUNTED + 1 if count else 1
    batch = len(present)

    def blend(f: Array, g: Array, i: int) -> Array:
        """absent * f + present * g, the latter one cause further; arrays (B, layers, cells)."""
        if count:
            shifted = np.zeros_like(g)
            shifted[:, 1:] = g[:, :-1]
            shifted[:, -1] += g[:, -1]
            g = shifted
        return np.asarray(evidence.absent[i] * f + present[:, i, None, None] * g)

    def world(firsts: Sequence[Array]) -> Array:
        unit = np.zeros((batch, layers, 1))
        unit[:, 0] = 1.0
        total = unit[:, :, 0]
        f = unit
        for i in planned.outside:
            f = blend(f, f, i)
        total = f[:, :, 0]
        for group in planned.groups:
            f = _forward_group(group, evidence, firsts, unit, blend)
            total = _add_counts(total, f[:, :, 0])
        return total

    weights, firsts = _worlds(planned, evidence)
    total = world([first[0] for first in firsts])
    if len(weights) > 1:
        other = world([first[1] for first in firsts])
        total = blend(total[:, :, None], other[:, :, None], planned.hub)[:, :, 0]
    return total if count else total[:, 0]


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
    z = _forward(posterior.plan, evidence, present)
    without = z[1:] / z[0]
    return np.asarray(np.clip((1.0 - without) / posterior.some, 0.0, 1.0))


def number_of_causes(network: Network, evidence: Evidence, posterior: Posterior) -> Array:
    """P(N = 0, 1, 2, 3, more than 3 | e) over all causes, (5,), not conditioned on somebody having called."""
    counts = _forward(posterior.plan, evidence, evidence.present[None, :], count=True)[0]
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
    sets = [s for size in range(1, largest + 1) for s in itertools.combinations(range(len(asked)), size)]
    chosen = np.zeros((len(sets), len(asked)), dtype=bool)
    for row, members in enumerate(sets):
        chosen[row, list(members)] = True
    absent, present = (np.log(np.maximum(weights, 1e-300)) for weights in (evidence.absent, evidence.present))
    log_p = np.full(len(sets), evidence.log_factor + float(absent[list(posterior.in_question)].sum()))
    log_p += chosen @ (present[asked] - absent[asked])
    thought_normal = []
    for axis in evidence.axes:
        if axis.finding in evidence.abnormal:
            log_p += np.log(np.maximum(_axis_likelihood(axis, asked, chosen), 1e-300))
        else:
            thought_normal.append(axis)
    log_p += np.log(_summed_out(evidence, thought_normal, posterior.in_question, asked, chosen))
    p = np.exp(log_p - posterior.log_evidence) / posterior.some
    order = np.argsort(-p, kind="stable")
    found, covered = [], 0.0
    for row in order[:most]:
        found.append(CauseSet(tuple(asked[x] for x in sets[row]), float(min(p[row], 1.0))))
        covered += float(p[row])
        if covered >= cover:
            break
    return found


def _summed_out(evidence: Evidence, axes: Sequence[Axis], in_question: Sequence[int], asked: Sequence[int],
                chosen: Array) -> Array:
    """(sets,) likelihood of the answers that are thought to be normal, with every cause out of question summed out.

    Such an answer's likelihood over the levels is a sum of "at most level k" terms; for each combination of these the causes
    are independent. Answers that share no cause out of question are taken apart; where more than COMBINATIONS would be left
    together, they are taken as independent given the set.
    """
    known = set(in_question)
    touched: dict[int, list[tuple[int, int]]] = {}
    for a, axis in enumerate(axes):
        for row, cause in enumerate(axis.causes.tolist()):
            if cause not in known:
                touched.setdefault(cause, []).append((a, row))
    free = [i for i in range(len(evidence.absent)) if i not in known and i not in touched]
    total = np.full(len(chosen), float(np.prod(evidence.absent[free] + evidence.present[free])))
    for members in connected(len(axes), touched):
        group = [axes[a] for a in members]
        others = sorted({c for c, rows in touched.items() if rows[0][0] in members})
        if math.prod(len(axis.last) for axis in group) <= COMBINATIONS:
            total = total * _combined(evidence, group, others, asked, chosen)
        else:
            weight = float(np.prod(evidence.absent[others] + evidence.present[others]))
            for axis in group:
                mine = [c for c in others if c in axis.causes]
                alone = float(np.prod(evidence.absent[mine] + evidence.present[mine]))
                total = total * _combined(evidence, [axis], mine, asked, chosen) / alone
            total = total * weight
    return np.asarray(np.maximum(total, 1e-300))


def _combined(evidence: Evidence, axes: Sequence[Axis], others: Sequence[int], asked: Sequence[int], chosen: Array) -> Array:
    total = np.zeros(len(chosen))
    for edges in itertools.product(*(range(len(axis.last)) for axis in axes)):
        share = 1.0
        below = np.ones(len(evidence.absent))
        for axis, k in zip(axes, edges, strict=True):
            following = axis.last[k + 1] if k + 1 < len(axis.last) else 0.0
            share *= float((axis.last[k] - following) * axis.first[: k + 1].sum())
            below[axis.causes] *= axis.steps[:, k, k]
        if share:
            out = float(np.prod(evidence.absent[others] + evidence.present[others] * below[others]))
            total += share * out * np.exp(chosen @ np.log(np.maximum(below[asked], 1e-300)))
    return total


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
