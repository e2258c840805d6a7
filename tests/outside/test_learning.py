"""Learning from resolved cases: conjugate counting and EM for the links of a noisy-OR, against worked examples.

methods.md 5.1 and 5.4: computed there ([C]); the limit of EM also by direct maximisation. Its 5.2 and 5.3 (a hidden cause,
two coins, missing causes) are not of our form: the log teaches by cases whose causes are known. 5.5 and 5.6: test_scores.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from diagnose import learn
from diagnose.caserecord import Case
from diagnose.learn import count_cases, fit, rows_of
from diagnose.network import Opened
from diagnose.uncertainty import beta_quantiles
from tests.enumeration import Tables
from tests.small_networks import opened_of
from tests.test_learn import cases_of, leak, link


# Methods 5.1: Beta(2, 8), 3 of 7 -> mean 5 / 17 = 0.2941176 (computed; any textbook on the Beta distribution).
def test_a_complete_log_is_hand_counting() -> None:
    opened = opened_of(Tables({"a": 0.5, "b": 0.5}, {"f": (0.0,), "g": (0.0,), "amiss": (0.5,)},
                              {("a", "f"): (0.2,), ("b", "g"): (0.4,)}))
    log = cases_of([(["a"], {"f": 1}, 3), (["a"], {"f": 0, "g": 0}, 4), (["b"], {"f": 0}, 5), (["b"], {"g": 1}, 6)])
    learned = fit(opened, count_cases(opened, log), strength=10.0).network
    assert link(opened, learned, "a", "f") == pytest.approx(0.2941176, abs=5e-8)
    assert link(opened, learned, "b", "g") == pytest.approx((4 + 6) / (10 + 6), abs=1e-12)


# Methods 5.1: Dirichlet(1, 1, 1) + (3, 0, 1) -> 4/7, 1/7, 2/7.
def test_levels_are_counted_as_a_dirichlet() -> None:
    opened = opened_of(Tables({"a": 0.5}, {"f": (0.0, 0.0), "amiss": (0.5,)}, {("a", "f"): (1 / 3, 1 / 3)}))
    log = cases_of([(["a"], {"f": 0}, 3), (["a"], {"f": 2}, 1)])
    learned = fit(opened, count_cases(opened, log), strength=3.0).network
    assert rows_of(learned)[2] == pytest.approx([4 / 7, 1 / 7, 2 / 7], abs=1e-9)


NOISY_OR = [((0, 0, 1), 2), ((0, 0, 0), 48), ((1, 0, 1), 14), ((1, 0, 0), 16), ((0, 1, 1), 9), ((0, 1, 0), 1), ((1, 1, 1), 10)]


def noisy_or() -> tuple[Opened, list[Case]]:
    """The table of methods 5.4; "other" is what was wrong where neither cause was present."""
    priors = {"x1": 0.3, "x2": 0.2, "other": 0.5}
    opened = opened_of(Tables(priors, {"f": (0.05,), "amiss": (0.5,)}, {("x1", "f"): (0.5,), ("x2", "f"): (0.5,)}))
    rows = [([*(["x1"] if x1 else []), *(["x2"] if x2 else []), *([] if x1 or x2 else ["other"])], {"f": f}, count)
            for (x1, x2, f), count in NOISY_OR]
    return opened, cases_of(rows)


# Methods 5.4 (computed there; the limit also by direct maximisation): EM for the links of a noisy-OR.
@pytest.mark.parametrize(("rounds", "leaks", "first", "second"), [
    (1, 0.0484621, 0.4972678, 0.7564403), (2, 0.0441694, 0.4743642, 0.8711846), (400, 0.0397048, 0.4507125, 0.9320506)])
def test_noisy_or_by_maximum_likelihood(rounds: int, leaks: float, first: float, second: float,
                                        monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(learn, "SETTLED", 1e-12)
    opened, log = noisy_or()
    learned = fit(opened, count_cases(opened, log), strength=1e-9, rounds=rounds).network
    assert leak(opened, learned, "f") == pytest.approx(leaks, abs=5e-8)
    assert link(opened, learned, "x1", "f") == pytest.approx(first, abs=5e-8)
    assert link(opened, learned, "x2", "f") == pytest.approx(second, abs=5e-8)


# Methods 5.4: the same with pseudo-counts (1, 49), (5, 5), (5, 5).
def test_noisy_or_with_the_experts_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(learn, "BROADER", 5.0)
    opened, log = noisy_or()
    network = replace(opened.network, leak=np.array([[0.98, 1.0], [0.5, 1.0]]))
    opened = opened._replace(network=network)
    learned = fit(opened, count_cases(opened, log), strength=10.0).network
    assert leak(opened, learned, "f") == pytest.approx(0.0304559, abs=2e-7)
    assert link(opened, learned, "x1", "f") == pytest.approx(0.4812176, abs=2e-7)
    assert link(opened, learned, "x2", "f") == pytest.approx(0.7494912, abs=2e-7)


# Methods 5.1: Beta(2, 8) and 3 of 7 is Beta(5, 12): 95 % interval 0.110170 to 0.523771 (computed; any table of the Beta),
# to the four digits that are promised.
def test_the_interval_of_a_beta() -> None:
    a, b = np.array([5.0]), np.array([12.0])
    found = [1 / (1 + math.exp(-float(beta_quantiles(a, b, q)[0]))) for q in (0.025, 0.975)]
    assert found == pytest.approx((0.110170, 0.523771), abs=5e-5)


# Methods 5.4: with both causes there P = 0.7625, of which the leak has 0.0655738 and each link 0.6557377.
def test_the_first_responsibilities(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(learn, "STRETCH", 1.0)
    opened, _ = noisy_or()
    log = cases_of([(["x1", "x2"], {"f": 1}, 1)])
    learned = fit(opened, count_cases(opened, log), strength=1e-9, rounds=1).network
    assert leak(opened, learned, "f") == pytest.approx(0.0655738, abs=5e-8)
    assert [link(opened, learned, name, "f") for name in ("x1", "x2")] == pytest.approx([0.6557377] * 2, abs=5e-8)


# Methods 5.4: the log likelihood at the limit, -32.8288332.
def test_the_log_likelihood_at_the_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(learn, "SETTLED", 1e-12)
    opened, log = noisy_or()
    learned = fit(opened, count_cases(opened, log), strength=1e-9).network
    absent = [1 - leak(opened, learned, "f"), 1 - link(opened, learned, "x1", "f"), 1 - link(opened, learned, "x2", "f")]
    total = 0.0
    for (x1, x2, f), count in NOISY_OR:
        quiet = absent[0] * absent[1] ** x1 * absent[2] ** x2
        total += count * math.log(1 - quiet if f else quiet)
    assert total == pytest.approx(-32.8288332, abs=5e-8)
