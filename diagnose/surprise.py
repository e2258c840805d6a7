"""How a log speaks for or against each number of the files: score tests from its counts."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from diagnose.learn import ROUNDING, TINY, Statistics, batches_of, rows_of, slopes_of
from diagnose.network import Array, Opened


class Surprise(NamedTuple):
    """How the log speaks about one leak (cause None) or link: cases that speak about it, the file's P(above level 0), and how
    many standard deviations the log lies above it (a score test, which allows for what was not seen, less half a case)."""

    cause: str | None
    finding: str
    cases: float
    p: float
    z: float


def surprises(opened: Opened, statistics: Statistics) -> list[Surprise]:
    """Every leak and link that the log speaks about, the most surprising first."""
    network = opened.network
    rows = rows_of(network)
    t = 1.0 - rows[:, 0]
    slope, information, cases = scores_of(opened, statistics)
    m = len(network.findings)
    names: list[tuple[str | None, str]] = [(None, name) for name in network.findings]
    names += [(network.causes[int(i)], network.findings[j]) for j in range(m) for i in network.link_cause[network.rows(j)]]
    half = np.divide(0.5, t * (1.0 - t), out=np.zeros_like(t), where=(t > 0) & (t < 1))  # of a case: the continuity correction
    slope = np.sign(slope) * np.maximum(np.abs(slope) - half, 0.0)
    found = [Surprise(*names[row], float(cases[row]), float(t[row]), float(slope[row] / np.sqrt(information[row])))
             for row in np.flatnonzero((information > 0) & (t > 0) & (t < 1)).tolist()]
    return sorted(found, key=lambda s: (-abs(s.z), s.finding, s.cause or ""))


def scores_of(opened: Opened, statistics: Statistics) -> tuple[Array, Array, Array]:
    """For each leak and link row: slope of the log likelihood, information, and weight of the cases, (m + k,) each.

    By t = P(above level 0), the levels above 0 in proportion: U = sum of weight * P' / P, I = sum of weight * Q'^2 /
    (Q * (1 - Q)), Q the chance that the answer says anything amiss (see ``_amiss_at_all``): the information in whether it does,
    whatever it says, so that it does not hang on how the answers came out. U / sqrt(I) is the score test's z. Source: Rao 1948.
    For sure answers it is the binomial (hits - n t) / sqrt(n t (1 - t)).
    """
    rows = rows_of(opened.network)
    t = 1.0 - rows[:, 0]
    direction = np.divide(rows, t[:, None], out=np.zeros_like(rows), where=t[:, None] > 0)
    direction[:, 0] = np.where(t > 0, -1.0, 0.0)
    slope, information, cases = np.zeros(len(rows)), np.zeros(len(rows)), np.zeros(len(rows))
    for batch in batches_of(opened, statistics):
        p, by_level = slopes_of(rows, batch)
        q, at_all = slopes_of(rows, batch._replace(seen=_amiss_at_all(batch.seen, opened.network.levels[batch.finding])))
        for origin, slopes, either in zip(batch.origins.T, by_level, at_all, strict=True):
            by_t, q_by_t = ((some * direction[origin]).sum(axis=1) for some in (slopes, either))
            slope += np.bincount(origin, batch.weight * by_t / np.maximum(p, TINY), len(rows))
            spread = np.divide(q_by_t**2, q * (1.0 - q), out=np.zeros_like(q), where=(q > TINY) & (q < 1.0 - ROUNDING))
            information += np.bincount(origin, batch.weight * spread, len(rows))
            cases += np.bincount(origin, batch.weight, len(rows))
    return slope, information, cases


def _amiss_at_all(seen: Array, levels: npt.NDArray[np.int64]) -> Array:
    """(c, L) what P(answer | true level) would be of "something is amiss" in the place of answers that name a level above 0:
    noticed as surely at every one of them, and false alarms, which fall evenly on them, taken together. Others as they are."""
    best = seen[:, 1:].max(axis=1)
    place = np.arange(seen.shape[1])
    any_level = np.where((place > 0) & (place < levels[:, None]), best[:, None], 0.0)
    any_level[:, 0] = np.minimum((levels - 1) * seen[:, 0], 1.0)
    return np.where((best > seen[:, 0])[:, None], any_level, seen)
