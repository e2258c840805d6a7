"""The cheapest order of remedies and what it costs until everything works again, by exact dynamic programming.

Several causes may be present, remedies share set-ups, and a remedy that does not help is evidence: the order by
probability per minute is then no longer the best one (methods 3.3). What a further remedy costs depends only on the set
of those already done, so a table over all sets is exact. With P(F in R) the probability that the remedies of the set R
put right everything that is wrong, and c_a(R) the minutes of remedy a with the set-ups that R has not yet made:

    f(R) = min over a of  c_a(R) * (1 - P(F in R)) + f(R + a),  or handing over for good: fallback(R) * (1 - P(F in R))

Sources: Heckerman, Breese & Rommelse 1995 for the expected cost of repair; Ottosen & Jensen 2010 for shared set-ups.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from diagnose.network import Array

MOST_REMEDIES = 12  # 4096 sets
BEYOND = -1  # the mask of a fault set that no listed remedy puts right

Indexes = npt.NDArray[np.int64]


class Repairs(NamedTuple):
    """Remedies to choose from, at most 12, and what can be done beside them.

    mends: bit mask of the causes that each puts right. minutes: of each, set-ups apart. set_ups: names that each needs;
    set_up_minutes: name -> minutes, paid once. fallback, fallback_set_ups: minutes and set-ups of handing over at any time
    to somebody who surely puts it right; None if there is nobody, the fault then being at an end with the last remedy.
    """

    mends: tuple[int, ...]
    minutes: tuple[float, ...]
    set_ups: tuple[frozenset[str], ...]
    set_up_minutes: Mapping[str, float]
    fallback: float | None = None
    fallback_set_ups: frozenset[str] = frozenset()


class Stage(NamedTuple):
    """One step of a plan. remedy: its number, or -1 for handing over. minutes: with the set-ups still to be made.
    needed: probability that the plan comes to this step."""

    remedy: int
    minutes: float
    needed: float


@lru_cache(maxsize=16)
def _layers(count: int) -> list[tuple[Indexes, Indexes, Indexes]]:
    """For each size of set from count - 1 down to 0: sets (s,), remedies not in each (s, r), sets after each (s, r)."""
    masks = np.arange(1 << count)
    size = np.array([int(mask).bit_count() for mask in masks])
    inside = (masks[:, None] >> np.arange(count)) & 1
    layers = []
    for wanted in range(count - 1, -1, -1):
        sets = masks[size == wanted]
        left = np.nonzero(inside[sets] == 0)[1].reshape(len(sets), count - wanted)
        layers.append((sets, left, sets[:, None] | (1 << left)))
    return layers


def _members(count: int) -> Array:
    """(2^count, count): which remedies are in each set."""
    return ((np.arange(1 << count)[:, None] >> np.arange(count)) & 1).astype(float)


def step_costs(repairs: Repairs, made: frozenset[str] = frozenset()) -> tuple[Array, Array | None]:
    """Minutes of each remedy after each set of remedies, (sets, remedies), and of handing over, (sets,) or None.

    made: set-ups that are there already. Raises ValueError for more than 12 remedies.
    """
    count = len(repairs.minutes)
    if count > MOST_REMEDIES:
        raise ValueError(f"{count} remedies; the table holds {MOST_REMEDIES}")
    names = sorted(set(repairs.fallback_set_ups).union(*repairs.set_ups) - made)
    needs = np.array([[name in some for name in names] for some in (*repairs.set_ups, repairs.fallback_set_ups)], dtype=float)
    needs = needs.reshape(count + 1, len(names))
    there = (_members(count) @ needs[:-1]) > 0
    extra = ~there @ (needs * np.array([repairs.set_up_minutes[name] for name in names])).T
    fallback = None if repairs.fallback is None else repairs.fallback + extra[:, -1]
    return extra[:, :-1] + np.array(repairs.minutes), fallback


def still_wrong(p: Array, faults: Indexes, mends: Sequence[int], total: Array | None = None) -> Array:
    """P(something is left after the remedies of a set) for every set of remedies, (b, sets).

    p: (b, s) weight of each fault set in each of b cases. faults: (s,) bit masks of the causes in it, ``BEYOND`` for one
    that no remedy covers. total: (b,) weight of everything, fault sets that are not listed included; the sum of p if None.
    """
    width = max((m.bit_length() for m in mends), default=0)
    known = (faults >= 0) & (faults < 1 << width)
    inside = np.array([np.bincount(faults[known], weights=row[known], minlength=1 << width) for row in p])
    for bit in range(width):  # sums over all subsets
        halves = inside.reshape(len(p), -1, 2, 1 << bit)
        halves[:, :, 1] += halves[:, :, 0]
    mended = np.zeros(1, dtype=np.int64)
    for mask in mends:
        mended = np.concatenate([mended, mended | mask])
    whole = p.sum(axis=1) if total is None else total
    return np.asarray(np.maximum(whole[:, None] - inside[:, mended], 0.0))


def expected_costs(wrong: Array, costs: Array, fallback: Array | None) -> Array:
    """The table f, (b, sets): expected minutes from each set of remedies on, weighted as ``wrong`` is.

    f[:, 0] is the expected cost of repair. wrong: (b, sets) from ``still_wrong``. costs, fallback: from ``step_costs``.
    """
    upright = np.ascontiguousarray(wrong.T)  # cases last, so that a set's row is taken in one piece
    table = np.zeros_like(upright) if fallback is None else upright * fallback[:, None]
    for sets, left, after in _layers(costs.shape[1]):
        steps = table[after]
        steps += costs[sets[:, None], left][:, :, None] * upright[sets][:, None, :]
        best = steps.min(axis=1)
        table[sets] = best if fallback is None else np.minimum(best, table[sets])
    return np.asarray(table.T)


def expected_cost(repairs: Repairs, p: Array, faults: Indexes, *, made: frozenset[str] = frozenset(),
                  total: Array | None = None) -> Array:
    """(b,) expected minutes until everything works, by the best order, for b cases at once; see ``still_wrong``.

    Linear in the weights: with p the joint of an answer and the fault sets, the result is P(answer) times the expected
    cost after it. ``made`` holds for all b cases.
    """
    costs, fallback = step_costs(repairs, made)
    return np.asarray(expected_costs(still_wrong(p, faults, repairs.mends, total), costs, fallback)[:, 0])


def best_plan(repairs: Repairs, p: Array, faults: Indexes, *, made: frozenset[str] = frozenset(),
              total: float | None = None) -> list[Stage]:
    """The cheapest order of remedies, until nothing can be left to put right or handing over is cheaper.

    p: (s,) probability of each fault set.
    """
    costs, fallback = step_costs(repairs, made)
    wrong = still_wrong(p[None, :], faults, repairs.mends, None if total is None else np.array([total]))
    table = expected_costs(wrong, costs, fallback)[0]
    stages: list[Stage] = []
    done = 0
    while wrong[0, done] > 1e-12:
        left = [a for a in range(len(repairs.minutes)) if not done >> a & 1]
        onward = [float(costs[done, a] * wrong[0, done] + table[done | 1 << a]) for a in left]
        hand_over = float("inf") if fallback is None else float(fallback[done] * wrong[0, done])
        if not left or min(onward) >= hand_over:
            if fallback is not None:
                stages.append(Stage(-1, float(fallback[done]), float(wrong[0, done])))
            break
        best = left[int(np.argmin(onward))]
        stages.append(Stage(best, float(costs[done, best]), float(wrong[0, done])))
        done |= 1 << best
    return stages
