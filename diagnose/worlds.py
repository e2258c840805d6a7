"""Sets of causes that may be present, given the answers, and how further findings would be answered in each.

The causes that an open finding touches make the worlds: a set of them present, all others absent, with its exact
probability. Causes that no open finding touches are independent of everything; they are averaged over.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from diagnose.evidence import Evidence
from diagnose.network import Array, Network
from diagnose.posterior import Posterior

FEW_CAUSES = 9  # up to here all worlds are listed
MOST_WORLDS = 1000
BREADTH = 120  # sets of each size that grow by one more cause
LARGEST = 7  # causes in a world
NEGLIGIBLE = 1e-9  # share left out from which on it is accounted for

Indexes = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Split:
    """Which causes the open findings touch. causes: (q,) indexes, by falling probability. asked: (q,) whether in question.
    outside: (n,) probability of every other cause, 0 for these. none, some: P(no cause at all | e) and P(at least one | e) if
    somebody called, else 0 and 1: what is taken out, and what all is divided by."""

    causes: Indexes
    asked: npt.NDArray[np.bool_]
    outside: Array
    none: float
    some: float


@dataclass(frozen=True, eq=False)
class Worlds:
    """Sets of causes that may be present, given the answers. present: (s, q) 1 or 0, the first row the empty set. p: (s,)
    their probabilities, none at all taken out; rest: probability of all worlds that are not listed."""

    split: Split
    present: Array
    p: Array
    rest: float

    def merged(self, values: Array) -> tuple[Array, Array]:
        """Weights (g,) and averages (g, ...) of predictions (s, ...) over the worlds that agree in what is in question."""
        asked = self.split.asked
        if asked.all():
            return self.p, values
        _, group = np.unique(self.present[:, asked], axis=0, return_inverse=True)
        weight = np.asarray(np.bincount(group.ravel(), weights=self.p), dtype=float)
        total = np.zeros((len(weight), *values.shape[1:]))
        column = (-1, *[1] * (values.ndim - 1))
        np.add.at(total, group.ravel(), self.p.reshape(column) * values)
        return weight, total / np.maximum(weight, 1e-300).reshape(column)


class View(NamedTuple):
    """How c findings would be answered, at most L levels. findings: (c,) indexes. levels: (c,). leak: (c, L) P(<= level) by
    leak alone. base: the same with the causes outside folded in. causes: (c, r) linked causes, padded with n, a cause that
    does not exist. links: (c, r, L) their P(<= level), padded with 1."""

    findings: Indexes
    levels: Indexes
    leak: Array
    base: Array
    causes: Indexes
    links: Array

    def take(self, places: Sequence[int]) -> View:
        """The view of some of its findings."""
        rows = list(places)
        return View(self.findings[rows], self.levels[rows], self.leak[rows], self.base[rows], self.causes[rows],
                    self.links[rows])


def split_causes(evidence: Evidence, posterior: Posterior, *, somebody_called: bool = True) -> Split:
    """Which causes the open findings touch and which are in question; all of them while nothing is in question yet."""
    in_question = set(posterior.in_question)
    inside = in_question | {int(i) for axis in evidence.axes for i in axis.causes if evidence.present[i] > 0}
    if not in_question:
        inside = in_question = set(np.flatnonzero(evidence.present > 0).tolist())
    causes = np.array(sorted(inside, key=lambda i: (-posterior.p[i], i)), dtype=np.int64)
    total = evidence.absent + evidence.present
    outside = np.divide(evidence.present, total, out=np.zeros_like(total), where=total > 0)
    outside[causes] = 0.0
    asked = np.array([i in in_question for i in causes.tolist()], dtype=bool)
    return Split(causes, asked, outside, *((posterior.none, posterior.some) if somebody_called else (0.0, 1.0)))


def look_at(network: Network, findings: Sequence[int], seen: Sequence[tuple[Array, Array]]) -> View:
    """The view of some findings, nothing folded in yet. seen: for each its leak (levels,) and links (r, levels) as they look
    through whoever answers (``evidence.seen_through``)."""
    n, width = len(network.causes), int(network.levels.max())
    longest = max((len(linked) for _, linked in seen), default=0)
    leak = np.ones((len(findings), width))
    causes = np.full((len(findings), longest), n)
    links = np.ones((len(findings), longest, width))
    for c, (j, (alone, linked)) in enumerate(zip(findings, seen, strict=True)):
        leak[c, : len(alone)] = alone
        causes[c, : len(linked)] = network.link_cause[network.rows(j)]
        links[c, : len(linked), : linked.shape[1]] = linked
    return View(np.array(findings, dtype=np.int64), network.levels[list(findings)], leak, leak, causes, links)


def fold_in(view: View, split: Split) -> View:
    """The view with the causes outside the split averaged over."""
    share = np.append(split.outside, 0.0)[view.causes]
    return view._replace(base=view.leak * (1.0 - share[:, :, None] * (1.0 - view.links)).prod(axis=1))


def axis_factors(evidence: Evidence, causes: Indexes) -> list[tuple[Array, Array, Array]]:
    """Each open finding as products of cumulatives: factor of each cause (q, k), start (k,), and the slope (k,) that turns
    P(<= x) into the likelihood: sum over levels of P(<= x) * (last_x - last_(x+1))."""
    where = {int(cause): x for x, cause in enumerate(causes)}
    found = []
    for axis in evidence.axes:
        factor = np.ones((len(causes), len(axis.first)))
        for row, cause in enumerate(axis.causes.tolist()):
            if cause in where:
                factor[where[cause]] = np.diagonal(axis.steps[row])
        found.append((factor, np.cumsum(axis.first), axis.last - np.append(axis.last[1:], 0.0)))
    return found


def likely_worlds(evidence: Evidence, posterior: Posterior, split: Split, *, most: int = MOST_WORLDS) -> Worlds:
    """The most probable worlds: all of them for up to 9 causes, else up to ``most``, with the exact rest."""
    causes = split.causes
    total = evidence.absent + evidence.present
    absent = np.maximum(evidence.absent[causes], 1e-300)
    others = np.ones(len(total), dtype=bool)
    others[causes] = False
    with np.errstate(divide="ignore"):
        log_odds = np.log(evidence.present[causes]) - np.log(absent)
        log_base = evidence.log_factor - posterior.log_evidence + float(np.log(absent).sum() + np.log(total[others]).sum())
    members, weights = _list_worlds(axis_factors(evidence, causes), log_odds, log_base)
    weights[0] = max(weights[0] - split.none, 0.0)
    weights /= split.some
    if len(causes) > FEW_CAUSES and len(weights) > most:
        chosen = np.append(0, np.argpartition(-weights[1:], most - 1)[: most - 1] + 1)
        members, weights = members[chosen], weights[chosen]
    present = np.zeros((len(members), len(causes) + 1))
    present[np.arange(len(members))[:, None], members] = 1.0
    rest = max(0.0, 1.0 - float(weights.sum()))
    return Worlds(split, present[:, :-1], weights, rest if rest > NEGLIGIBLE else 0.0)


def _list_worlds(axes: list[tuple[Array, Array, Array]], log_odds: Array, log_base: float) -> tuple[Indexes, Array]:
    """Members (s, largest) as positions padded with q, and weights (s,), size by size; the first is the empty set.

    Sets grow by a less probable cause each time, so that none comes twice; beyond pairs only the best of each size grow.
    """
    q = len(log_odds)
    whole = q <= FEW_CAUSES
    members, log_prior = np.zeros((1, 0), dtype=np.int64), np.array([log_base])
    cumulatives = [start[None, :] for _, start, _ in axes]
    found, weights = [members], [_weights(axes, cumulatives, log_prior)]
    for size in range(1, (q if whole else min(LARGEST, q)) + 1):
        if size > 2 and not whole and len(members) > BREADTH:
            best = np.argpartition(-weights[-1], BREADTH)[:BREADTH]
            members, log_prior = members[best], log_prior[best]
            cumulatives = [cumulative[best] for cumulative in cumulatives]
        last = members[:, -1] if size > 1 else np.full(len(members), -1)
        parent, cause = np.nonzero(np.arange(q)[None, :] > last[:, None])
        if not len(parent):
            break
        members = np.concatenate([members[parent], cause[:, None]], axis=1)
        log_prior = log_prior[parent] + log_odds[cause]
        cumulatives = [cumulative[parent] * axis[0][cause] for cumulative, axis in zip(cumulatives, axes, strict=True)]
        found.append(members)
        weights.append(_weights(axes, cumulatives, log_prior))
        if size > 2 and not whole and weights[-1].sum() < 1e-4:
            break
    width = found[-1].shape[1]
    padded = [np.pad(some, ((0, 0), (0, width - some.shape[1])), constant_values=q) for some in found]
    return np.concatenate(padded), np.concatenate(weights)


def _weights(axes: list[tuple[Array, Array, Array]], cumulatives: list[Array], log_prior: Array) -> Array:
    weight = np.exp(log_prior)
    for (_, _, slope), cumulative in zip(axes, cumulatives, strict=True):
        weight = weight * np.maximum(cumulative @ slope, 0.0)
    return weight


def predicted(worlds: Worlds, view: View, some: Sequence[int]) -> Array:
    """(s, L1, L2, ...) probability of each combination of answers to the findings at these places of the view, in each
    world. Given the world they still share causes outside it, which are averaged over exactly."""
    split = worlds.split
    sizes = [int(view.levels[c]) for c in some]
    inside, leak = np.ones((len(worlds.p), 1)), np.ones(1)
    common = np.ones((len(split.outside), 1))
    for c, size in zip(some, sizes, strict=True):
        links = np.ones((len(common) + 1, size))
        links[view.causes[c]] = view.links[c, :, :size]
        links = links[:-1]
        own = np.exp(worlds.present @ np.log(np.maximum(links[split.causes], 1e-300)))
        inside = (inside[:, :, None] * own[:, None, :]).reshape(len(inside), -1)
        common = (common[:, :, None] * links[:, None, :]).reshape(len(common), -1)
        leak = (leak[:, None] * view.leak[c, :size]).ravel()
    share = split.outside[:, None]
    cumulative = inside * (leak * (1.0 - share * (1.0 - common)).prod(axis=0))
    if split.none > 0:
        none, kept = split.none / split.some, float(worlds.p[0])
        cumulative[0] = np.clip((cumulative[0] * (kept + none) - leak * none) / kept, 0.0, 1.0) if kept > 1e-15 else leak
    chances = cumulative.reshape(len(cumulative), *sizes)
    for axis in range(1, chances.ndim):
        chances = np.diff(chances, axis=axis, prepend=0.0)
    return np.asarray(np.maximum(chances, 0.0))
