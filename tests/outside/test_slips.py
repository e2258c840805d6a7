"""Slips of the pen against rapidfuzz, which a triage does not load: it would cost more than the ten lines that stand for it."""

from __future__ import annotations

from hypothesis import example, given, settings
from hypothesis import strategies as st
from rapidfuzz.distance import OSA

from diagnose.wording import one_slip

WORDS = st.text("abc", max_size=6)


@settings(max_examples=400)
@given(WORDS, WORDS)
@example("ab", "ba")
@example("abc", "ca")
@example("", "")
def test_one_slip_is_a_distance_of_at_most_one(one: str, other: str) -> None:
    """Damerau 1964: a letter left out, added, mistaken, or exchanged with its neighbour (optimal string alignment)."""
    assert one_slip(one, other) == (OSA.distance(one, other) <= 1)
