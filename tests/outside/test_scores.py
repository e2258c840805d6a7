"""Scores against scikit-learn, scipy and worked examples; values and sources in the comments."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose import learn, scores
from diagnose.learn import count_cases, fit
from tests.enumeration import Tables
from tests.small_networks import opened_of
from tests.test_learn import cases_of, link


# scikit-learn's documentation of log_loss: labels spam, ham, ham, spam with these probabilities give 0.21616.
def test_log_loss_of_the_documentation() -> None:
    assert scores.log_loss(np.array([0.9, 0.9, 0.8, 0.65])) == pytest.approx(0.2161618747, abs=5e-11)
    assert scores.log_loss(np.full(7, 1 / 60)) == pytest.approx(4.0943446, abs=5e-8)  # ln 60: guessing evenly


# scikit-learn's documentation of brier_score_loss: 0.0375.
def test_brier_of_the_documentation() -> None:
    assert scores.brier(np.array([0.1, 0.9, 0.8, 0.3]), np.array([0.0, 1.0, 1.0, 0.0])) == pytest.approx(0.0375, abs=1e-12)


# Murphy 1973, a partition worked by hand: 0.241 = 0.046 - 0.055 + 0.25 (methods 5.5).
def test_murphys_parts_by_hand() -> None:
    p = np.array([0.2] * 5 + [0.7] * 4 + [0.5])
    y = np.array([0, 0, 1, 0, 1, 1, 0, 1, 1, 0], dtype=float)
    assert scores.parts(p, y) == pytest.approx((0.241, 0.046, 0.055, 0.25), abs=1e-12)
    assert scores.log_loss(np.where(y > 0, p, 1 - p)) == pytest.approx(0.6855451, abs=5e-8)


# Wilson 1927; 8 of 10 and 27 of 30 (methods 5.5).
@pytest.mark.parametrize(("hits", "count", "low", "high"), [(8, 10, 0.490162, 0.943318), (27, 30, 0.743789, 0.965400),
                                                          (0, 0, 0.0, 1.0)])
def test_wilson_intervals(hits: int, count: int, low: float, high: float) -> None:
    assert scores.wilson(hits, count) == pytest.approx((low, high), abs=1e-6)


# scikit-learn's documentation of calibration_curve: observed 0, 0.5, 1; predicted 0.2, 0.525, 0.85.
def test_calibration_curve_of_the_documentation() -> None:
    y = np.array([0, 0, 0, 0, 1, 1, 1, 1, 1], dtype=float)
    bins = scores.calibration(np.array([0.1, 0.2, 0.3, 0.4, 0.65, 0.7, 0.8, 0.9, 1.0]), y, [0, 1 / 3, 2 / 3, 1])
    assert [b.observed for b in bins] == pytest.approx([0.0, 0.5, 1.0], abs=1e-12)
    assert [b.forecast for b in bins] == pytest.approx([0.2, 0.525, 0.85], abs=1e-12)
    assert [b.number for b in bins] == [3, 2, 4]


# The documentation of a public metrics library on its binary calibration error: 0.29 with two bins (methods 5.5).
def test_calibration_error_of_the_documentation() -> None:
    p, y = np.array([0.25, 0.25, 0.55, 0.75, 0.75]), np.array([0.0, 0.0, 1.0, 1.0, 1.0])
    assert scores.calibration_error(p, y, [0.0, 0.5, 1.0]) == pytest.approx(0.29, abs=1e-12)


# Methods 5.5: a perfect forecaster with ten bins shows 0.143 at the 95 % point with 100 cases, 0.045 with 1000.
@pytest.mark.parametrize(("count", "error"), [(100, 0.143), (1000, 0.045)])
def test_even_a_perfect_forecaster_shows_an_error(count: int, error: float) -> None:
    p = np.random.default_rng(1).random(count)
    found = scores.error_by_chance(p, np.linspace(0, 1, 11).tolist(), draws=600)
    assert found == pytest.approx(error, rel=0.1)


@settings(max_examples=25)
@given(st.integers(0, 2**32 - 1), st.integers(2, 60))
def test_the_scores_are_those_of_scikit_learn(seed: int, count: int) -> None:
    from sklearn.calibration import calibration_curve
    from sklearn.metrics import brier_score_loss, log_loss

    rng = np.random.default_rng(seed)
    p, y = rng.integers(1, 100, count) / 100, rng.integers(0, 2, count).astype(float)
    y[:2] = 0.0, 1.0
    assert scores.brier(p, y) == pytest.approx(brier_score_loss(y, p), abs=1e-12)
    assert scores.log_loss(np.where(y > 0, p, 1 - p)) == pytest.approx(log_loss(y, p), abs=1e-12)
    found = scores.parts(p, y)
    assert found.brier == pytest.approx(found.reliability - found.resolution + found.uncertainty, abs=1e-12)
    odd = np.clip(p + 0.001, 0, 1)  # no forecast on an edge, which the two give to different bins
    observed, predicted = calibration_curve(y, odd, n_bins=5)
    bins = scores.calibration(odd, y, np.linspace(0, 1, 6).tolist())
    assert [b.observed for b in bins] == pytest.approx(observed.tolist(), abs=1e-12)
    assert [b.forecast for b in bins] == pytest.approx(predicted.tolist(), abs=1e-12)


def test_students_points_and_intervals_are_those_of_scipy() -> None:
    from scipy import stats

    for freedom in (1, 2, 3, 5, 9, 30, 1000):
        assert scores.student(freedom) == pytest.approx(stats.t.ppf(0.975, freedom), rel=2e-3)
    d = np.random.default_rng(4).normal(0.1, 1.0, 40)
    found, theirs = scores.paired(d), stats.ttest_1samp(d, 0.0).confidence_interval(0.95)
    assert (found.low, found.high) == pytest.approx((theirs.low, theirs.high), abs=1e-6)
    assert scores.paired(d[:1])[2:] == (-math.inf, math.inf)


# Dawid 1984: with conjugate updating the summed log loss is -ln of the marginal likelihood: 1/20 for Beta(1, 1) and 1, 1, 0, 1;
# B(5, 15) / B(2, 8) = 0.0012383901 for Beta(2, 8) and 3 successes of 10; 0.0390625 for Beta(1/2, 1/2) (methods 5.6). There a
# number is worth one case, less than the tool would ever have it: no more is made of it for being rare.
@pytest.mark.parametrize(("mean", "strength", "outcomes", "marginal"), [
    (0.5, 2.0, (1, 1, 0, 1), 1 / 20), (0.2, 10.0, (0, 1, 0, 0, 1, 0, 0, 0, 1, 0), 0.0012383901),
    (0.5, 1.0, (1, 1, 0, 1), 0.0390625)])
def test_learning_case_by_case_has_the_marginal_likelihood(mean: float, strength: float, outcomes: tuple[int, ...],
                                                           marginal: float, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(learn, "STRETCH", 1.0)
    opened = opened_of(Tables({"a": 0.5}, {"f": (0.0,), "amiss": (0.5,)}, {("a", "f"): (mean,)}))
    total = 0.0
    for number, outcome in enumerate(outcomes):
        earlier = cases_of([(["a"], {"f": x}, 1) for x in outcomes[:number]])
        p = link(opened, fit(opened, count_cases(opened, earlier), strength=strength).network, "a", "f")
        total -= math.log(p if outcome else 1.0 - p)
    assert math.exp(-total) == pytest.approx(marginal, abs=5e-11 if marginal < 0.01 else 1e-12)


def test_scores_of_nothing_are_not_numbers() -> None:
    """No outside source: a mean of nothing is not 0."""
    none = np.zeros(0)
    whole = [0.0, 1.0]
    assert all(math.isnan(x) for x in (scores.log_loss(none), scores.brier(none, none), *scores.parts(none, none),
                                       scores.calibration_error(none, none, whole), scores.error_by_chance(none, whole)))
    assert scores.calibration(none, none, [0.0, 1.0]) == []
