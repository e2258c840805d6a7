"""The order of remedies, its expected cost, and what an observation saves: worked examples.

The figures are those of methods.md 3.3 and 3.4 [C], computed there over all orders, as no paper was found that prints a whole
table; the rule of probability per cost is that of Kadane & Simon 1977 and Heckerman, Breese & Rommelse 1995, the case of
several faults, of shared causes and of an observation follow Heckerman, Breese & Rommelse.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from diagnose.repair import Repairs, best_plan, expected_cost
from tests.test_repair import best, cost_of_order, plain

FOUR = Repairs((1, 2, 4, 8), (10, 3, 8, 1), (frozenset(),) * 4, {})
FOUR_P, FOUR_FAULTS = np.array([0.4, 0.3, 0.2, 0.1]), np.array([1, 2, 4, 8])


def test_one_fault_best_order() -> None:
    """methods 3.3 [C]: decreasing p/c, 11.3 (Kadane & Simon 1977)."""
    assert best(FOUR, FOUR_P, FOUR_FAULTS) == pytest.approx(11.3, abs=1e-12)
    assert [stage.remedy for stage in best_plan(FOUR, FOUR_P, FOUR_FAULTS)] in ([1, 3, 0, 2], [3, 1, 0, 2])


@pytest.mark.parametrize(("order", "cost"), [((1, 3, 0, 2), 11.3), ((3, 1, 0, 2), 11.3), ((0, 1, 2, 3), 14.3),
                                             ((3, 1, 2, 0), 12.5)])
def test_one_fault_other_orders(order: tuple[int, ...], cost: float) -> None:
    """methods 3.3 [C]: both best orders; by p alone 14.3, by cost alone 12.5."""
    assert cost_of_order(FOUR, FOUR_P, FOUR_FAULTS, order) == pytest.approx(cost, abs=1e-12)


def test_one_fault_best_and_worst_of_all_orders() -> None:
    """methods 3.3 [C]: 11.3 and 17.3 of 24 orders."""
    costs = [cost_of_order(FOUR, FOUR_P, FOUR_FAULTS, order) for order in itertools.permutations(range(4))]
    assert (min(costs), max(costs)) == pytest.approx((11.3, 17.3), abs=1e-12)


def test_remedies_that_share_causes() -> None:
    """methods 3.3 [C]: 3.65, where p/c taken greedily costs 4.2."""
    repairs = plain((3.9, 3, 2), (0b011, 0b101, 0b010))
    p, faults = np.array([0.45, 0.45, 0.10]), np.array([1, 2, 4])
    assert best(repairs, p, faults) == pytest.approx(3.65, abs=1e-12)
    assert [stage.remedy for stage in best_plan(repairs, p, faults)] == [2, 1]  # then nothing can be left: no third step
    assert cost_of_order(repairs, p, faults, (0, 1)) == pytest.approx(4.2, abs=1e-12)  # A first, the greedy order


def test_several_faults_at_once() -> None:
    """methods 3.3 [C]: 4.79, where marginal p/c costs 6.00."""
    repairs = plain((1, 1, 4))
    p, faults = np.array([0.60, 0.39, 0.01]), np.array([0b100, 0b111, 0b101])
    assert best(repairs, p, faults) == pytest.approx(4.79, abs=1e-12)
    assert [stage.remedy for stage in best_plan(repairs, p, faults)] == [2, 0, 1]
    assert cost_of_order(repairs, p, faults, (0, 1, 2)) == pytest.approx(6.00, abs=1e-12)


@pytest.mark.parametrize(("order", "cost"), [((0, 2, 1), 7.2), ((2, 0, 1), 7.4), ((1, 2, 0), 8.78)])
def test_pairs_of_faults(order: tuple[int, ...], cost: float) -> None:
    """methods 3.3 [C]."""
    repairs = plain((4, 5, 2))
    p = np.array([0.40, 0.25, 0.15, 0.12, 0.05, 0.03])
    faults = np.array([0b001, 0b010, 0b100, 0b011, 0b101, 0b110])
    assert cost_of_order(repairs, p, faults, order) == pytest.approx(cost, abs=1e-12)
    assert best(repairs, p, faults) == pytest.approx(7.2, abs=1e-12)


def test_with_an_observation() -> None:
    """methods 3.4 [C]: 17.0 without the check, 15.1 with it."""
    repairs, faults = plain((10, 6, 20)), np.array([1, 2, 4])
    p, positive = np.array([0.5, 0.3, 0.2]), np.array([0.9, 0.2, 0.1])
    assert best(repairs, p, faults) == pytest.approx(17.0, abs=1e-12)
    joint = np.array([p * positive, p * (1 - positive)])
    chance = joint.sum(axis=1)
    assert chance[0] == pytest.approx(0.53, abs=1e-12)
    after = expected_cost(repairs, joint, faults)
    assert after / chance == pytest.approx([11.660377, 16.851064], abs=5e-7)
    assert 1 + after.sum() == pytest.approx(15.1, abs=1e-12)
    assert [stage.remedy for stage in best_plan(repairs, joint[1] / chance[1], faults)] == [1, 2, 0]


def test_an_observation_that_changes_no_decision_saves_nothing() -> None:
    """methods 3.1: a gain of 0.0046934195 bit, the same expected cost of 1.2 with and without."""
    repairs, faults, p = plain((1, 1)), np.array([1, 2]), np.array([0.8, 0.2])
    positive = np.array([0.6, 0.5])
    assert best(repairs, p, faults) == pytest.approx(1.2, abs=1e-12)
    assert expected_cost(repairs, np.array([p * positive, p * (1 - positive)]), faults).sum() == pytest.approx(1.2, abs=1e-12)
