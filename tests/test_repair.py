"""The order of remedies and its expected cost against brute force over all orders; worked examples: outside/test_repairs.py."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np
import pytest

from diagnose.repair import BEYOND, Repairs, best_plan, expected_cost, step_costs, still_wrong


def plain(costs: Sequence[float], mends: Sequence[int] | None = None) -> Repairs:
    """Remedies without set-ups, each for a cause of its own unless said."""
    return Repairs(tuple(mends or (1 << a for a in range(len(costs)))), tuple(costs), (frozenset(),) * len(costs), {})


def cost_of_order(repairs: Repairs, p: np.ndarray, faults: np.ndarray, order: Sequence[int]) -> float:
    """What one order costs, step by step as the formula of methods 3.3 says, without the module's tables."""
    total, mended, made = 0.0, 0, set()
    for a in order:
        left = sum(x for x, f in zip(p.tolist(), faults.tolist(), strict=True) if f == BEYOND or f & ~mended)
        total += left * (repairs.minutes[a] + sum(repairs.set_up_minutes[s] for s in repairs.set_ups[a] - made))
        mended |= repairs.mends[a]
        made |= repairs.set_ups[a]
    left = sum(x for x, f in zip(p.tolist(), faults.tolist(), strict=True) if f == BEYOND or f & ~mended)
    if repairs.fallback is not None:
        total += left * (repairs.fallback + sum(repairs.set_up_minutes[s] for s in repairs.fallback_set_ups - made))
    return total


def cheapest(repairs: Repairs, p: np.ndarray, faults: np.ndarray) -> float:
    """The cheapest of all orders, and with a fallback of all beginnings of orders."""
    numbers = range(len(repairs.minutes))
    lengths = [len(numbers)] if repairs.fallback is None else range(len(numbers) + 1)
    orders = (order for length in lengths for order in itertools.permutations(numbers, length))
    return min(cost_of_order(repairs, p, faults, order) for order in orders)


def best(repairs: Repairs, p: np.ndarray, faults: np.ndarray) -> float:
    return float(expected_cost(repairs, p[None, :], faults)[0])


def random_problem(rng: np.random.Generator, *, fallback: bool) -> tuple[Repairs, np.ndarray, np.ndarray]:
    count = int(rng.integers(1, 6))
    names = ("a", "b")
    set_ups = tuple(frozenset(name for name in names if rng.random() < 0.4) for _ in range(count))
    mends = tuple(1 << a | (int(rng.integers(1 << count)) if rng.random() < 0.3 else 0) for a in range(count))
    p = rng.dirichlet(np.ones(6))
    faults = rng.integers(1, 1 << count, size=6)
    if fallback:
        faults[0] = BEYOND
    return Repairs(mends, tuple(rng.uniform(1, 20, count).tolist()), set_ups, {"a": 7.0, "b": 3.0},
                   float(rng.uniform(1, 40)) if fallback else None, frozenset({"a"} if rng.random() < 0.5 else ())), p, faults


# --- against all orders ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("fallback", [False, True])
def test_no_order_is_cheaper(fallback: bool) -> None:
    rng = np.random.default_rng(3)
    for _ in range(150):
        repairs, p, faults = random_problem(rng, fallback=fallback)
        wanted = cheapest(repairs, p, faults)
        assert best(repairs, p, faults) == pytest.approx(wanted, abs=1e-9)
        plan = best_plan(repairs, p, faults)
        assert sum(stage.minutes * stage.needed for stage in plan) == pytest.approx(wanted, abs=1e-9)


def test_probability_per_cost_is_best_for_one_fault_and_own_causes() -> None:
    rng = np.random.default_rng(4)
    for _ in range(150):
        count = int(rng.integers(2, 7))
        p, costs = rng.dirichlet(np.ones(count)), rng.uniform(1, 20, count)
        order = sorted(range(count), key=lambda a: -p[a] / costs[a])
        repairs, faults = plain(costs.tolist()), 1 << np.arange(count)
        wanted = cost_of_order(repairs, p, faults, order)
        assert wanted == pytest.approx(cheapest(repairs, p, faults), abs=1e-9)
        assert best(repairs, p, faults) == pytest.approx(wanted, abs=1e-9)


def test_shared_set_ups_make_one_after_the_other_cheaper() -> None:
    alone = Repairs((1, 2), (5, 5), (frozenset({"out"}), frozenset({"out"})), {"out": 20})
    p, faults = np.array([0.5, 0.5]), np.array([1, 2])
    assert best(alone, p, faults) == pytest.approx(25 + 0.5 * 5, abs=1e-12)
    assert float(expected_cost(alone, p[None, :], faults, made=frozenset({"out"}))[0]) == pytest.approx(7.5, abs=1e-12)


def test_handing_over_costs_its_journey_only_once() -> None:
    repairs = Repairs((1,), (10,), (frozenset({"visit"}),), {"visit": 60}, 30, frozenset({"visit"}))
    p, faults = np.array([0.7, 0.3]), np.array([1, BEYOND])
    assert best(repairs, p, faults) == pytest.approx(70 + 0.3 * 30, abs=1e-12)
    first, second = best_plan(repairs, p, faults)
    assert first == (0, 70, 1)
    assert second == (-1, 30, pytest.approx(0.3))


def test_cost_is_linear_in_the_weights() -> None:
    rng = np.random.default_rng(5)
    repairs, p, faults = random_problem(rng, fallback=True)
    assert expected_cost(repairs, np.array([p * 0.25]), faults)[0] == pytest.approx(best(repairs, p, faults) / 4, abs=1e-12)


def test_knowing_more_never_costs_more() -> None:
    rng = np.random.default_rng(6)
    for _ in range(100):
        repairs, p, faults = random_problem(rng, fallback=True)
        answers = rng.dirichlet(np.ones(3), size=len(p))
        assert expected_cost(repairs, (p[:, None] * answers).T, faults).sum() <= best(repairs, p, faults) + 1e-9


def test_a_total_above_the_listed_sets_counts_as_beyond_repair() -> None:
    repairs = plain((4,))._replace(fallback=10.0)
    listed = expected_cost(repairs, np.array([[0.6]]), np.array([1]), total=np.array([1.0]))[0]
    assert listed == pytest.approx(best(repairs, np.array([0.6, 0.4]), np.array([1, BEYOND])), abs=1e-12)


def test_everything_left_is_reckoned_for_every_set() -> None:
    repairs = plain((1, 1, 1))
    p, faults = np.array([0.2, 0.3, 0.5]), np.array([0b001, 0b011, BEYOND])
    wrong = still_wrong(p[None, :], faults, repairs.mends)[0]
    assert wrong == pytest.approx([1, 0.8, 1, 0.5, 1, 0.8, 1, 0.5], abs=1e-12)


def test_more_than_twelve_remedies_are_refused() -> None:
    with pytest.raises(ValueError, match="13 remedies"):
        step_costs(plain([1.0] * 13))


def test_no_remedy_at_all_is_handing_over() -> None:
    repairs = Repairs((), (), (), {}, 30.0)
    assert best(repairs, np.array([1.0]), np.array([BEYOND])) == 30
    assert math.isclose(sum(s.minutes for s in best_plan(repairs, np.array([1.0]), np.array([BEYOND]))), 30)
