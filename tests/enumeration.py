"""Brute force: the noisy-MAX formula written out for every configuration of the causes.

The oracle that the sweep is held against. It works on plain tables and shares no line with ``diagnose``: no arrays of
``network``, no axes of ``evidence``, no order of causes. Cost 2^n for n causes, so n stays small.

P(F <= x | causes) = Leak(<= x) * product over the causes present of P_i(<= x) (Henrion 1989; Diez 1993; methods 2.1).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Seen = Mapping[str, int | Sequence[float]]


class Tables(NamedTuple):
    """A network in plain tables, as ``network.assemble`` takes them.

    priors: cause -> P(present). leaks: finding -> probability of each level above 0 by leak. links: (cause, finding) ->
    probability of each level above 0 given that cause alone. unlisted: the cause that stands for everything else, if any.
    """

    priors: dict[str, float]
    leaks: dict[str, tuple[float, ...]]
    links: dict[tuple[str, str], tuple[float, ...]]
    unlisted: str = ""


class Truth(NamedTuple):
    """What enumeration says. evidence: P(e). none: P(no cause | e). p: P(cause | e); called: the same given that at least
    one cause is present. counts: P(N = 0, 1, 2, 3, more | e). worlds: (2^n, n) present or not; weight: (2^n,) P(world | e).
    """

    causes: tuple[str, ...]
    evidence: float
    none: float
    p: dict[str, float]
    called: dict[str, float]
    counts: Array
    worlds: npt.NDArray[np.bool_]
    weight: Array

    @property
    def some(self) -> float:
        """P(at least one cause | e), summed, not 1 - none, which loses digits when it is small."""
        return float(self.weight[self.worlds.any(axis=1)].sum())

    def any_of(self, names: Iterable[str]) -> float:
        """P(at least one of these | e, at least one cause)."""
        columns = [self.causes.index(name) for name in names]
        return float(self.weight[self.worlds[:, columns].any(axis=1)].sum()) / self.some

    def exactly(self, names: Iterable[str], among: Iterable[str]) -> float:
        """P(these present and the rest of ``among`` absent | e, at least one cause); causes outside ``among`` are free."""
        names = set(names)
        wanted = np.ones(len(self.worlds), dtype=bool)
        for name in among:
            wanted &= self.worlds[:, self.causes.index(name)] == (name in names)
        wanted &= self.worlds.any(axis=1)
        return float(self.weight[wanted].sum()) / self.some


def up_to(above: Sequence[float], level: int) -> float:
    """P(<= level) from the probabilities of the levels above 0."""
    return max(0.0, 1.0 - math.fsum(above[level:]))


def level_probabilities(tables: Tables, finding: str, worlds: npt.NDArray[np.bool_]) -> Array:
    """(worlds, L) P(finding = level | world)."""
    leak = tables.leaks[finding]
    cumulative = np.ones((len(worlds), len(leak) + 1))
    for x in range(len(leak)):
        cumulative[:, x] = up_to(leak, x)
        for column, cause in enumerate(tables.priors):
            if (cause, finding) in tables.links:
                cumulative[worlds[:, column], x] *= up_to(tables.links[cause, finding], x)
    return np.diff(cumulative, axis=1, prepend=0.0)


def all_worlds(count: int) -> npt.NDArray[np.bool_]:
    """(2^count, count) every configuration."""
    return np.array(list(itertools.product((False, True), repeat=count)), dtype=bool).reshape(2**count, count)


def enumerate_causes(tables: Tables, seen: Seen) -> Truth:
    """The truth about every cause given definite levels (int) or likelihoods over levels; NaN if P(e) is 0."""
    causes = tuple(tables.priors)
    worlds = all_worlds(len(causes))
    joint = np.ones(len(worlds))
    for column, cause in enumerate(causes):
        prior = tables.priors[cause]
        joint *= np.where(worlds[:, column], prior, 1.0 - prior)
    for finding, given in seen.items():
        levels = level_probabilities(tables, finding, worlds)
        joint *= levels[:, given] if isinstance(given, int) else levels @ np.asarray(given, dtype=float)
    evidence = math.fsum(joint)
    with np.errstate(invalid="ignore", divide="ignore"):
        weight = joint / evidence
    number = worlds.sum(axis=1)
    some = float(weight[number > 0].sum())
    p = {cause: float(weight[worlds[:, column]].sum()) for column, cause in enumerate(causes)}
    called = {cause: value / some if some > 0 else math.nan for cause, value in p.items()}
    counts = np.array([weight[number == k].sum() for k in range(4)] + [weight[number > 3].sum()])
    return Truth(causes, evidence, float(weight[0]), p, called, counts, worlds, weight)


def literal_maximum(leak: Sequence[float], links: Sequence[Sequence[float]]) -> list[float]:
    """P(level) of the largest of independent contributions, straight from the word "largest": every combination of what
    the leak and each present cause give is listed. For checking ``level_probabilities`` itself."""
    found = [0.0] * (len(leak) + 1)
    parts = [[up_to(above, 0), *above] for above in (leak, *links)]
    for combination in itertools.product(range(len(found)), repeat=len(parts)):
        found[max(combination)] += math.prod(part[x] for part, x in zip(parts, combination, strict=True))
    return found
