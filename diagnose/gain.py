"""What an answer would tell about the causes in question: exact information in bits, or a bound where it is cut short.

I(F; C | e) = H(F | e) - E[H(F | C) | e], C the causes in question. Causes that no open finding touches are independent of
everything and are folded into the leaks. Given C a finding depends only on which of its own linked causes are present,
so the gain needs the joint posterior of those few. Two ways to it:

- On the grid of all thresholds of the open findings each cause is a factor, so P(exactly these present, e) is a sum of
  products over the cells, all candidates together. Every pattern of up to 8 linked causes is weighed, exactly; of more
  causes, every subset of the likeliest four with up to two of the others. The sums are signed: where they would round to
  worse than 1e-5 of P(e) the grid is left.
- With too many open findings for a grid the most probable worlds (sets of causes, all others absent) stand in.

What is not listed counts as one more case whose share and whose prediction are known exactly. The gain is then that about
a coarser variable: never negative, never too high, and what it lacks is bounded (``Gain.at_most``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from diagnose.evidence import Evidence
from diagnose.network import Array
from diagnose.posterior import Posterior, weigh_batch
from diagnose.worlds import (
    FEW_CAUSES,
    NEGLIGIBLE,
    Indexes,
    Split,
    View,
    Worlds,
    axis_factors,
    likely_worlds,
    predicted,
)

MOST_CELLS = 2048  # of a block of the grid
QUICK_CELLS = 64  # up to which blocks are joined
COMBINATIONS = 400  # of answers that a set of questions may have
SWEPT_CELLS = 2_000_000  # cells of a batch of sweeps
SURELY = 1e-150  # next to nothing, as the odds are to be finite
GRID_ERROR = 1e-5  # relative error of P(e) from which on the grid's signed sums are not trusted
LISTED = 4  # of a finding with more than 8 linked causes: of the likeliest so many all subsets are weighed, ...
PAIRED = 12  # ... with up to two of the next so many, or with one of any


class Gain(NamedTuple):
    """Information about the causes in question, bits; the exact value lies from at_least to at_most. p: probability of each
    answer, or of each combination of answers."""

    bits: float
    at_least: float
    at_most: float
    p: Array


def entropy(p: Array) -> Array:
    """Entropy in bits along the last axis; 0 log 0 is 0."""
    return np.asarray(-np.einsum("...i,...i->...", p, np.log2(np.maximum(p, 1e-300))))


def information(p: Array, chances: Array) -> float:
    """Bits that an answer gives about a hypothesis. p: (s,) of each hypothesis; chances: (s, ...) of each answer given it."""
    flat = chances.reshape(len(chances), -1)
    return max(0.0, float(entropy(p @ flat) - p @ entropy(flat)))


def _binary_entropy(p: Array) -> Array:
    return entropy(np.stack([p, 1.0 - p], axis=-1))


# --- the grid -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Block:
    """The thresholds of open findings that share causes, C cells; the last cause is a blank one.

    signed: (C,) what each cell counts with all causes summed out. factor: (q + 1, C) P(below all thresholds) given a cause.
    log_sum: (q + 1, C) log of absent + present * factor. absent, odds: (q + 1,). A cause of another block is neutral here.
    """

    signed: Array
    factor: Array
    log_sum: Array
    absent: Array
    odds: Array


class World(NamedTuple):
    """The cause that ties the blocks together is absent or present; else there is one world. weight: of the product of the
    blocks' sums, so that all worlds together make 1."""

    weight: float
    blocks: tuple[Block, ...]


def open_grid(evidence: Evidence, posterior: Posterior, split: Split) -> tuple[World, ...] | None:
    """The grid, or None if a block has too many cells or if its signed sums lose too many digits of P(e).

    Few large blocks are quicker, many small ones lose fewer digits, so these come second.
    """
    axes = axis_factors(evidence, split.causes)
    groups = sorted((group.axes for group in posterior.plan.groups), key=len)
    if any(_cells(axes, group) > MOST_CELLS for group in groups):
        return None
    joined: list[tuple[int, ...]] = []
    for group in groups:
        if joined and _cells(axes, joined[-1] + group) <= QUICK_CELLS:
            joined[-1] += group
        else:
            joined.append(group)
    first = _grid(evidence, posterior, split, axes, joined)
    return first if first or len(joined) == len(groups) else _grid(evidence, posterior, split, axes, groups)


def _cells(axes: Sequence[tuple[Array, Array, Array]], group: Sequence[int]) -> int:
    return int(np.prod([len(axes[a][1]) for a in group]))


def _grid(evidence: Evidence, posterior: Posterior, split: Split, axes: Sequence[tuple[Array, Array, Array]],
          groups: Sequence[tuple[int, ...]]) -> tuple[World, ...] | None:
    """The grid with these groups of open findings as blocks; the cause that ties several together is conditioned on."""
    position = {int(cause): x for x, cause in enumerate(split.causes)}
    hub = position.get(posterior.plan.hub, -1) if len(groups) > 1 else -1
    members = [sorted({position[int(i)] for a in group for i in evidence.axes[a].causes if int(i) in position} - {hub})
               for group in groups]
    untouched = sorted(set(range(len(split.causes))).difference({hub}, *members))
    total = evidence.absent + evidence.present
    share = np.minimum(evidence.present[split.causes] / total[split.causes], 1.0 - 1e-15)  # finite odds
    worlds = []
    for there in (False, True) if hub >= 0 else (False,):
        weight = 1.0 if hub < 0 else float(share[hub]) if there else 1.0 - float(share[hub])
        blocks = [_block([axes[a] for a in group], some, share, hub if there else -1)
                  for group, some in zip(groups, members, strict=True)]
        if untouched or not blocks:
            blocks.append(_block([], untouched, share, -1))
        if hub >= 0:  # its own odds say which world this is
            blocks[-1].absent[hub], blocks[-1].odds[hub] = (SURELY, 1.0 / SURELY) if there else (1.0, 0.0)
        worlds.append((weight, blocks))
    sums = [weight * float(np.prod([block.signed.sum() for block in blocks])) for weight, blocks in worlds]
    log_z = evidence.log_factor + float(np.log(np.maximum(total, 1e-300)).sum()) - posterior.log_evidence
    if not abs(sum(sums) * np.exp(log_z) - 1.0) < GRID_ERROR:
        return None
    return tuple(World(weight / sum(sums), tuple(blocks)) for weight, blocks in worlds)


def _block(axes: Sequence[tuple[Array, Array, Array]], members: Sequence[int], share: Array, hub: int) -> Block:
    """One block; hub: the cause that is present in this world and belongs to no block, or -1."""
    factor, signed = np.ones((len(share), 1)), np.ones(1)
    for own, start, slope in axes:
        factor = (factor[:, :, None] * own[:, None, :]).reshape(len(factor), len(start) * factor.shape[1])
        signed = (signed[:, None] * (start * slope * (own[hub] if hub >= 0 else 1.0))).ravel()
    here = np.zeros(len(share), dtype=bool)
    here[list(members)] = True
    factor[~here] = 1.0
    log_sum = np.log1p(-share[:, None] * (1.0 - factor))
    blank = np.zeros((1, len(signed)))
    return Block(signed * np.exp(log_sum.sum(axis=0)), np.concatenate([factor, blank + 1.0]), np.concatenate([log_sum, blank]),
                 np.append(np.where(here, 1.0 - share, 1.0), 1.0), np.append(np.where(here, share / (1.0 - share), 1.0), 0.0))


def _gains_on_grid(grid: tuple[World, ...], split: Split, view: View, base: Array, asked: npt.NDArray[np.bool_]) -> list[Gain]:
    """Gains about the causes that ``asked`` marks; ``base``: view.base with those folded in that it does not mark."""
    every, every_link = _likeliest_first(split, view, np.ones(len(asked), dtype=bool))
    marked, own = (every, every_link) if asked.all() else _likeliest_first(split, view, asked)
    reach = (every < len(asked)).sum(axis=1)
    empty = _nothing(grid, asked)
    count = (marked < len(asked)).sum(axis=1)
    groups: dict[tuple[int, int], list[int]] = {}
    for c, (links, levels) in enumerate(zip(count.tolist(), view.levels.tolist(), strict=True)):
        groups.setdefault((max(4, _rounded_up(links)), _rounded_up(levels)), []).append(c)
    found: dict[int, Gain] = {}
    for some in groups.values():
        top, wide, most = int(view.levels[some].max()) - 1, int(count[some].max()), int(reach[some].max())
        high = base[some, :top]
        mass, cumulative = _patterns(grid, marked[some, :wide], own[some, :wide, :top])
        mean = _mean_on_grid(grid, every[some, :most], every_link[some, :most, :top]) * view.base[some, :top]
        answers = _assess(split, empty, mass, cumulative * high[:, None], mean, view.leak[some, :top], high,
                          own[some, :wide, :top].prod(axis=1) * high)
        found.update(zip(some, answers, strict=True))
    return [found[c]._replace(p=found[c].p[:size]) for c, size in enumerate(view.levels.tolist())]


def _likeliest_first(split: Split, view: View, marked: npt.NDArray[np.bool_]) -> tuple[Indexes, Array]:
    """For each finding its marked causes as positions in the split, (c, r), padded with q, and their links (c, r, L)."""
    q = len(split.causes)
    position = np.full(len(split.outside) + 1, q)
    position[split.causes[marked]] = np.flatnonzero(marked)
    places = position[view.causes]
    order = np.argsort(places, axis=1, kind="stable")
    row = np.arange(len(places))[:, None]
    places, links = places[row, order], view.links[row, order]
    links[places == q] = 1.0
    return places, links


def _rounded_up(number: int) -> int:
    """The next power of two, at most 32: findings of about the same size are worked side by side."""
    return number if number < 3 else min(1 << (number - 1).bit_length(), 32)


def _nothing(grid: tuple[World, ...], asked: npt.NDArray[np.bool_]) -> float:
    """P(none of the marked causes is present | e)."""
    marked = np.flatnonzero(asked)
    return float(sum(world.weight * np.prod([
        block.absent[marked].prod() * (block.signed @ np.exp(-block.log_sum[marked].sum(axis=0))) for block in world.blocks])
        for world in grid))


def _mean_on_grid(grid: tuple[World, ...], places: Indexes, links: Array) -> Array:
    """(g, levels - 1) P(<= level | e), leaks and causes outside apart."""
    mean = np.zeros((len(places), links.shape[2]))
    for world in grid:
        product = np.full(mean.shape, world.weight)
        for block in world.blocks:
            absent = block.absent[places][:, :, None, None]
            with_link = absent + (1.0 - absent) * links[..., None] * block.factor[places][:, :, None, :]
            cells = block.signed * np.exp(-block.log_sum[places].sum(axis=1))
            product *= np.einsum("gxc,gc->gx", with_link.prod(axis=1), cells)
        mean += product
    return mean


def _patterns(grid: tuple[World, ...], places: Indexes, links: Array) -> tuple[Array, Array]:
    """Probability (g, patterns) that exactly these of the marked causes are present, and P(<= level) then, (g, patterns,
    levels - 1); the first pattern is none of them. All patterns of up to 8 causes; of more, see ``LISTED``.

    A pattern is a subset of the first causes with a selection of the others, so one product of matrices weighs all."""
    count, wide = places.shape
    first = min(wide - wide // 2, LISTED)
    selected = _subsets if wide <= 2 * LISTED else _selected
    mass = 0.0
    for world in grid:
        product = world.weight
        for block in world.blocks:
            factor = block.odds[places][:, :, None] * block.factor[places]
            cells = block.signed * np.exp(-block.log_sum[places].sum(axis=1)) * block.absent[places].prod(axis=1)[:, None]
            right = selected(np.ones_like(cells[:, None]), factor[:, first:])
            product = product * np.matmul(_subsets(cells[:, None], factor[:, :first]), right.transpose(0, 2, 1))
        mass = mass + product
    blank = np.ones((count, 1, links.shape[2]))
    cumulative = _subsets(blank, links[:, :first])[:, :, None] * selected(blank, links[:, first:])[:, None]
    return np.maximum(mass, 0.0).reshape(count, -1), cumulative.reshape(count, -1, links.shape[2])


def _selected(start: Array, factor: Array) -> Array:
    """``start`` (g, 1, x) times none, each, and each pair of the first ``PAIRED`` of the factors (g, l, x)."""
    one, other = _selections(factor.shape[1])
    padded = np.concatenate([factor, np.ones_like(start)], axis=1)
    return np.asarray(start * padded[:, one] * padded[:, other])


def _subsets(start: Array, factor: Array) -> Array:
    """``start`` (g, 1, x) times the product of each subset of the factors (g, l, x): (g, 2^l, x), the empty one first."""
    for t in range(factor.shape[1]):
        start = np.concatenate([start, start * factor[:, t, None]], axis=1)
    return start


@lru_cache(maxsize=32)
def _selections(count: int) -> tuple[Indexes, Indexes]:
    """None, each, and each pair of the first ``PAIRED`` of so many causes, as two lists of places; ``count`` is a blank."""
    first, second = np.triu_indices(min(count, PAIRED), 1)
    blanks = np.full(count + 1, count)
    return np.concatenate([[count], np.arange(count), first]), np.concatenate([blanks, second])


def _assess(split: Split, empty: float, mass: Array, cumulative: Array, mean: Array, leak: Array, high: Array,
            low: Array) -> list[Gain]:
    """Gains from listed patterns; what is not listed counts as one more.

    mass: (g, patterns), before "no cause at all" is taken out; cumulative: (g, patterns, levels - 1); mean: the
    exact average (g, levels - 1); empty: P(nothing in question). leak, high, low: (g, levels - 1) P(<= level) by leak
    alone, with no marked cause and with all of them.
    """
    none, some = split.none, split.some
    kept = max(empty - none, 0.0)
    corrected = np.clip((empty * high - none * leak) / kept, 0.0, 1.0) if kept > 1e-15 else leak
    mass = np.concatenate([np.full((len(mass), 1), kept), mass], axis=1)
    mass[:, 1] = np.maximum(mass[:, 1] - empty, 0.0)
    mass /= some
    chances = _levels(np.concatenate([corrected[:, None], cumulative], axis=1))
    listed = np.einsum("gp,gpx->gx", mass, chances)
    left = np.maximum(_levels((mean - none * leak) / some) - listed, 0.0)
    rest = np.maximum(1.0 - mass.sum(axis=1), 0.0)
    rest[rest < NEGLIGIBLE] = 0.0
    left *= (rest / np.maximum(left.sum(axis=1), 1e-300))[:, None]
    inner = np.einsum("gp,gp->g", mass, entropy(chances))
    return _bounded(listed, inner, left, rest, high, low)


def _levels(cumulative: Array) -> Array:
    """Probabilities of the levels from P(<= level) of all but the last."""
    chances = np.empty((*cumulative.shape[:-1], cumulative.shape[-1] + 1))
    chances[..., :-1] = cumulative
    chances[..., -1] = 1.0
    chances[..., 1:] -= cumulative
    return np.maximum(chances, 0.0, out=chances)


def _bounded(listed: Array, inner: Array, left: Array, rest: Array, high: Array, low: Array) -> list[Gain]:
    """Gains of c findings. listed, left: (c, levels) what the listed cases and the rest add to the answer's probability;
    inner: (c,) expected entropy over the listed cases; rest: (c,) share of the others."""
    mean = listed + left
    average = left / np.maximum(rest, 1e-300)[:, None]
    most = rest * entropy(average)
    least = rest * _least_entropy(average, high, low)
    bits = np.maximum(entropy(mean) - inner - most, 0.0)
    lacking = np.maximum(most - least, 0.0)
    return [Gain(b, b, b + x, p) for b, x, p in zip(bits.tolist(), lacking.tolist(), mean, strict=True)]


def _least_entropy(mean: Array, high: Array, low: Array) -> Array:
    """(c,) a lower bound of the expected entropy over cases not listed, given their average answer (c, levels).

    For each threshold the probability lies between that with all marked causes and with none; the binary entropy is
    concave, so its average is at least that on the chord, and the whole entropy is at least the binary one.
    """
    at = np.clip(np.cumsum(mean, axis=1)[:, :-1], low, high)
    share = np.divide(at - low, high - low, out=np.ones_like(at), where=high - low > 1e-12)
    return np.asarray((share * _binary_entropy(high) + (1.0 - share) * _binary_entropy(low)).max(axis=1))


# --- worlds ---------------------------------------------------------------------------------------------------------


def sweep_predictions(evidence: Evidence, posterior: Posterior, split: Split, view: View) -> Array:
    """(c, L) P(answer <= level | e) of every finding, exactly, in one batched sweep: the event is a change of weights."""
    below = np.arange(view.leak.shape[1])[None, :] < view.levels[:, None] - 1
    dense = np.ones((*view.leak.shape, len(split.outside) + 1))
    dense[np.arange(len(dense))[:, None], :, view.causes] = view.links
    rows = dense[below][:, :-1] * evidence.present
    rows = np.concatenate([rows, evidence.present[None, :]])
    widest = max((group.widest for group in posterior.plan.groups), default=1)
    at_once = max(1, SWEPT_CELLS // widest)  # a wide sweep takes its rows a few at a time
    z = np.concatenate([weigh_batch(posterior.plan, evidence, rows[at : at + at_once]) for at in range(0, len(rows), at_once)])
    cumulative = np.ones(view.leak.shape)
    cumulative[below] = view.leak[below] * (z[:-1] / z[-1])
    return np.asarray(np.clip((cumulative - split.none * view.leak) / split.some, 0.0, 1.0))


def _gains_in_worlds(evidence: Evidence, posterior: Posterior, worlds: Worlds, view: View) -> list[Gain]:
    exact = sweep_predictions(evidence, posterior, worlds.split, view) if worlds.rest else None
    found = []
    for c, size in enumerate(view.levels.tolist()):
        chances = predicted(worlds, view, [c])
        weight, merged = worlds.merged(chances)
        listed = worlds.p @ chances
        left = np.zeros(size)
        if exact is not None:
            left = np.maximum(np.diff(exact[c, :size], prepend=0.0) - listed, 0.0)
            left *= worlds.rest / max(float(left.sum()), 1e-300)
        high = view.base[c, : size - 1]
        low = high * view.links[c, np.isin(view.causes[c], worlds.split.causes), : size - 1].prod(axis=0)
        inner, rest = np.array([weight @ entropy(merged)]), np.array([worlds.rest])
        gain = _bounded(listed[None], inner, left[None], rest, high[None], low[None])[0]
        apart = 0.0 if worlds.split.asked.all() else float(_binary_entropy(np.array(worlds.rest)))
        found.append(gain._replace(at_least=max(0.0, gain.bits - apart)))
    return found


# --- both -----------------------------------------------------------------------------------------------------------


def gains(evidence: Evidence, posterior: Posterior, split: Split, view: View) -> list[Gain]:
    """The gain of every finding of the view about the causes in question."""
    grid = open_grid(evidence, posterior, split)
    whole = bool(split.asked.all())
    if grid is None or (not whole and len(split.causes) <= FEW_CAUSES):
        return _gains_in_worlds(evidence, posterior, likely_worlds(evidence, posterior, split), view)
    about_all = _gains_on_grid(grid, split, view, view.base, np.ones(len(split.causes), dtype=bool))
    if whole:
        return about_all
    # An answer that is not (surely) abnormal ties further causes to those in question. Folded in as if independent they
    # give the figure; counted as if in question, an upper bound; less their own entropy, a lower one.
    share = np.zeros(len(split.outside) + 1)
    spare = split.causes[~split.asked]
    share[spare] = posterior.p[spare]
    share = share[view.causes]
    base = view.base * (1.0 - share[:, :, None] * (1.0 - view.links)).prod(axis=1)
    doubt = _binary_entropy(share).sum(axis=1)
    if split.none > 0:  # that somebody called ties a finding to them too, while nothing in question is present
        nothing = max(_nothing(grid, split.asked) - split.none, 1e-300)
        alone = np.clip((_nothing(grid, np.ones(len(split.causes), dtype=bool)) - split.none) / nothing, 0.0, 1.0)
        doubt += nothing / split.some * _binary_entropy(alone)
    figures = _gains_on_grid(grid, split, view, base, split.asked)
    return [Gain(min(max(f.bits, a.bits - d), a.at_most), max(0.0, a.bits - d), a.at_most, a.p)
            for f, a, d in zip(figures, about_all, doubt.tolist(), strict=True)]


def joint_gain(worlds: Worlds, view: View, some: Sequence[int]) -> Gain:
    """Bits that the answers to several findings give together; its ``p`` is the table of all combinations of answers.

    Unlisted worlds are left out: with r their share, (1 - r) * I within the listed ones <= I <= the same + h(r) + r * log2
    of the number of combinations. Never below the same figure of one of the findings alone.
    """
    weight, merged = worlds.merged(predicted(worlds, view, some))
    total = float(weight.sum())
    bits = total * information(weight / total, merged)
    apart = float(_binary_entropy(np.array(worlds.rest))) if worlds.rest else 0.0
    width = float(np.log2(view.levels[list(some)]).sum())
    table = np.tensordot(weight / total, merged, axes=1)
    return Gain(bits, bits if worlds.split.asked.all() else max(0.0, bits - apart), bits + apart + worlds.rest * width, table)


def grown_sets(p: Array, chances: Sequence[Array], count: int, *, given: tuple[int, ...] = (), starts: Sequence[int] = (),
               kept: int = 5) -> list[tuple[int, ...]]:
    """Sets of ``count`` checks that tell much together, the best first: grown one by one from each of the starts.

    p: (s,) of each hypothesis. chances: for each check (s, levels) of its answers; given the hypothesis they are taken to be
    independent, so that all next candidates are one product of matrices. given: members of every set. starts: all checks if
    none is named. Greedy growth reaches at least 1 - 1/e of the best set (Krause & Guestrin 2005; methods 3.5).
    """
    inner = np.array([p @ entropy(one) for one in chances])
    blocks = np.cumsum([0, *(one.shape[1] for one in chances)])
    side = np.concatenate(chances, axis=1)

    def joined(table: Array, c: int) -> Array:
        return np.asarray((table[:, :, None] * chances[c][:, None, :]).reshape(len(table), -1))

    def grow(chosen: tuple[int, ...], table: Array) -> tuple[float, tuple[int, ...]]:
        """The set filled up; table: (s, combinations) probability of each hypothesis with each combination of answers."""
        left = [c for c in range(len(chances)) if c not in chosen and table.shape[1] * chances[c].shape[1] <= COMBINATIONS]
        if len(chosen) >= count or not left:
            return float(entropy(table.sum(axis=0))) - float(inner[list(chosen)].sum()), chosen
        joint = table.T @ side
        joint *= np.log2(np.maximum(joint, 1e-300))
        bits = -np.add.reduceat(joint.sum(axis=0), blocks[:-1]) - inner
        c = left[int(np.argmax(bits[left]))]
        return grow((*chosen, c), joined(table, c))

    table = p[:, None]
    for c in given:
        table = joined(table, c)
    singles = [c for c in starts or range(len(chances)) if c not in given]
    if len(given) >= count or not singles:
        return [given]
    grown: dict[frozenset[int], tuple[float, tuple[int, ...]]] = {}
    for c in singles:
        bits, some = grow((*given, c), joined(table, c))
        grown.setdefault(frozenset(some), (bits, some))
    return [some for _, some in sorted(grown.values(), key=lambda one: -one[0])[:kept]]
