"""Random small networks and evidence for property tests.

Sizes and shape are drawn one by one, so that a failing example shrinks to few causes and findings; the numbers come from one
drawn seed, which is ten times quicker than a draw per number. Probabilities come in 64ths, nought and one included, so that
their sums are exact in binary and "impossible" is a fact, not a rounding; or, on request, as ordinary fractions.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from hypothesis import strategies as st

from tests.enumeration import Tables

UNLISTED = "unlisted"


class Situation(NamedTuple):
    """A network and what was seen: finding -> definite level, or a likelihood over its levels."""

    tables: Tables
    seen: dict[str, int | tuple[float, ...]]


class Numbers:
    """Probabilities from a seed; exact: 64ths, nought and one about once in twenty each."""

    def __init__(self, seed: int, *, exact: bool) -> None:
        self.rng = np.random.default_rng(seed)
        self.exact = exact

    def probability(self) -> float:
        """One probability."""
        if self.exact:
            return min(max(int(self.rng.integers(-3, 68)), 0), 64) / 64
        return float(self.rng.random())

    def above(self, levels: int) -> tuple[float, ...]:
        """Probabilities of the levels above 0; they add up to at most 1."""
        cuts = sorted(self.probability() for _ in range(levels - 1))
        return tuple(high - low for low, high in zip(cuts, [*cuts[1:], 1.0], strict=True))

    def below(self, number: int) -> int:
        """A whole number from 0 to ``number`` - 1."""
        return int(self.rng.integers(number))


def random_situation(seed: int, causes: int, findings: int, *, exact: bool = False, density: float = 0.5,
                     unlisted: bool = False, spare: int = 0) -> Situation:
    """The situation of a seed. density: share of cause-finding pairs that are linked; an unlisted cause is linked to all.
    spare: of the last so many findings nothing has been seen."""
    numbers = Numbers(seed, exact=exact)
    names = [f"c{i}" for i in range(causes)]
    if unlisted:
        names[-1] = UNLISTED
    levels = {f"f{j}": (2, 2, 3, 4)[numbers.below(4)] for j in range(findings)}
    priors = {name: numbers.probability() for name in names}
    leaks = {name: numbers.above(size) for name, size in levels.items()}
    links = {(cause, finding): numbers.above(size) for finding, size in levels.items() for cause in names
             if cause == UNLISTED or numbers.rng.random() < density}
    seen: dict[str, int | tuple[float, ...]] = {}
    for name, size in list(levels.items())[: findings - spare]:
        how = numbers.below(8)
        if how < 5:
            seen[name] = numbers.below(size)
        elif how < 7:
            seen[name] = tuple(numbers.probability() for _ in range(size))
    return Situation(Tables(priors, leaks, links, UNLISTED if unlisted else ""), seen)


@st.composite
def situations(draw: Any, *, exact: bool = True, causes: int = 9, findings: int = 6, spare: int = 0) -> Situation:
    """Networks of up to ``causes`` causes and ``findings`` findings of 2 to 4 levels, dense or falling apart into groups,
    with or without an unlisted cause that is linked to everything, each with some evidence."""
    return random_situation(
        draw(st.integers(0, 2**32 - 1)), draw(st.integers(1, causes)), draw(st.integers(1 + spare, findings)),
        exact=exact, density=draw(st.sampled_from((0.2, 0.4, 0.7, 1.0))), unlisted=draw(st.booleans()), spare=spare)
