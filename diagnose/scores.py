"""Scores for probabilities: log loss, Brier and its parts, calibration, intervals; arithmetic alone, no network in it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
SURE = 1.959963984540054  # standard deviations of a 95 % interval
TENTHS = tuple(x / 10 for x in range(11))  # edges of ten bins


class Parts(NamedTuple):
    """Brier score = reliability - resolution + uncertainty. Source: Murphy 1973."""

    brier: float
    reliability: float
    resolution: float
    uncertainty: float


class Bin(NamedTuple):
    """Forecasts from ``low`` up to ``high``: how many, their mean, how often they came true, its 95 % interval (Wilson)."""

    low: float
    high: float
    number: int
    forecast: float
    observed: float
    at_least: float
    at_most: float


class Paired(NamedTuple):
    """Mean of paired differences with its 95 % interval (Student); infinite ends where fewer than two say nothing of it."""

    number: int
    mean: float
    low: float
    high: float


class Rate(NamedTuple):
    """A share with its 95 % interval (Wilson)."""

    hits: int
    number: int
    low: float
    high: float


def log_loss(p: Array) -> float:
    """Mean of -ln p, p (n,) what was forecast for what came true; nan for none."""
    return float(-np.log(p).mean()) if len(p) else math.nan


def brier(p: Array, y: Array) -> float:
    """Mean squared difference of forecasts (n,) and outcomes 0 or 1 (n,); nan for none. Source: Brier 1950."""
    return float(((p - y) ** 2).mean()) if len(p) else math.nan


def parts(p: Array, y: Array) -> Parts:
    """The Brier score and its three parts over groups of equal forecasts, exact; nan for none."""
    if not len(p):
        return Parts(math.nan, math.nan, math.nan, math.nan)
    forecast, group = np.unique(p, return_inverse=True)
    count = np.bincount(group)
    observed, base = np.bincount(group, y) / count, float(y.mean())
    reliability = float((count * (forecast - observed) ** 2).sum()) / len(p)
    resolution = float((count * (observed - base) ** 2).sum()) / len(p)
    return Parts(brier(p, y), reliability, resolution, base * (1.0 - base))


def wilson(hits: float, count: float) -> tuple[float, float]:
    """The 95 % interval of a share (Wilson 1927); 0 to 1 if nothing was counted."""
    if count <= 0:
        return 0.0, 1.0
    share, z2 = hits / count, SURE**2
    middle = share + z2 / (2.0 * count)
    half = SURE * math.sqrt(share * (1.0 - share) / count + z2 / (4.0 * count**2))
    return max(0.0, (middle - half) / (1.0 + z2 / count)), min(1.0, (middle + half) / (1.0 + z2 / count))


def rate(hits: int, count: int) -> Rate:
    """A share with its interval."""
    return Rate(hits, count, *wilson(hits, count))


def calibration(p: Array, y: Array, edges: Sequence[float]) -> list[Bin]:
    """What came of the forecasts in each bin between rising ``edges``; the last bin holds its upper edge. Empty bins are left
    out."""
    place = _places(p, edges)
    found = []
    for number in np.unique(place).tolist():
        inside = place == number
        count, hits = int(inside.sum()), float(y[inside].sum())
        found.append(Bin(edges[number], edges[number + 1], count, float(p[inside].mean()), hits / count, *wilson(hits, count)))
    return found


def _places(p: Array, edges: Sequence[float]) -> npt.NDArray[np.int64]:
    """(n,) the bin of each forecast, by number."""
    return np.clip(np.searchsorted(np.asarray(edges), p, side="right") - 1, 0, len(edges) - 2)


def calibration_error(p: Array, y: npt.NDArray[Any], edges: Sequence[float]) -> float:
    """Expected calibration error of forecasts (n,) and outcomes 0 or 1 (n,): mean over the forecasts of |mean forecast - share
    come true| of their bin; nan for none. Source: Naeini, Cooper & Hauskrecht 2015."""
    return float(np.abs(np.bincount(_places(p, edges), p - y)).sum()) / len(p) if len(p) else math.nan


def error_by_chance(p: Array, edges: Sequence[float], *, draws: int = 200) -> float:
    """The calibration error that a perfect forecaster with these forecasts stays under in 19 of 20 logs; nan for none.

    The error is biased upward, the more the fewer the cases (methods 5.5), so it means something only beside this number.
    """
    if not len(p):
        return math.nan
    generator = np.random.default_rng(0)
    errors = [calibration_error(p, generator.random(len(p)) < p, edges) for _ in range(draws)]
    return float(np.quantile(errors, 0.95))


def paired(differences: Array) -> Paired:
    """Mean of paired differences (n,) with its 95 % interval."""
    count = len(differences)
    mean = float(differences.mean()) if count else 0.0
    if count < 2:
        return Paired(count, mean, -math.inf, math.inf)
    half = student(count - 1) * float(differences.std(ddof=1)) / math.sqrt(count)
    return Paired(count, mean, mean - half, mean + half)


def student(freedom: int) -> float:
    """The 97.5 % point of Student's t. Source: Abramowitz and Stegun 26.7.5, an expansion about the normal's; exact for one
    and two degrees of freedom."""
    if freedom <= 2:
        return (12.706204736432095, 4.302652729911275)[freedom - 1]
    z, v = SURE, float(freedom)
    return (z + (z**3 + z) / (4 * v) + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * v**2)
            + (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / (384 * v**3)
            + (79 * z**9 + 776 * z**7 + 1482 * z**5 - 1920 * z**3 - 945 * z) / (92160 * v**4))
