"""Replay, scores of a log and the guard over learned values: against enumeration, plain inference, and logs made to mislead."""

from __future__ import annotations

import gc
import itertools
import math
import time
import tracemalloc

import numpy as np
import pytest

from diagnose import review
from diagnose.caserecord import Case, CaseAnswer, RemedyTried
from diagnose.evidence import Answer, read_evidence
from diagnose.learn import count_cases, fit, statistics_of
from diagnose.network import UNLISTED, Opened
from diagnose.posterior import infer
from diagnose.review import Forecast, Prediction, forecast, judge, misses, read_log, replay, score, silence_of, suspects
from tests.enumeration import Tables
from tests.simulated_cases import AT, perturbed, simulated
from tests.small_networks import EXACT, opened_of
from tests.strategies import random_situation
from tests.test_learn import case_of


def log_of(head_unit: Opened, count: int, seed: int, *, spread: float = 0.7) -> list[Case]:
    """A log drawn from a network whose numbers differ by so much (standard deviation of the log odds)."""
    generator = np.random.default_rng(seed)
    return list(simulated(head_unit, count, generator, truth=perturbed(head_unit.network, generator, spread=spread)))


def present_of(opened: Opened, case: Case) -> np.ndarray:
    """(n,) which causes a case had."""
    return np.array([c in (case.confirmed or (UNLISTED,)) for c in opened.network.causes])


@pytest.mark.parametrize("seed", range(12))
def test_the_loss_is_that_of_the_exact_set(seed: int) -> None:
    """Over all sets of causes but the empty one, the probabilities are those of enumeration and add up to 1."""
    tables = random_situation(seed, 5, 4).tables
    opened = opened_of(tables, salience={"f0": 0.7})
    generator = np.random.default_rng(seed)
    seen = {"f1": 1, "f2": int(generator.integers(len(tables.leaks["f2"]) + 1))} if len(tables.leaks) > 2 else {"f1": 1}
    seen = {name: level for name, level in seen.items() if name in tables.leaks}
    case = case_of(["c0"], seen)
    silence = silence_of(opened, opened.network)
    total = 0.0
    weights = {}
    for size in range(1, len(tables.priors) + 1):
        for chosen in itertools.combinations(tables.priors, size):
            present = np.array([c in chosen for c in tables.priors])
            p = math.exp(-forecast(opened, opened.network, case, present, silence).loss)
            weights[chosen] = math.prod(q if c in chosen else 1.0 - q for c, q in tables.priors.items())
            for name, level in seen.items():
                weights[chosen] *= shows(tables, name, chosen, level)
            for cause in ("", *chosen):  # the thinned product of a report that nobody mentioned
                above = tables.links.get((cause, "f0"), (0.0,)) if cause else tables.leaks["f0"]
                weights[chosen] *= 1.0 - 0.7 * sum(above)
            weights[chosen] = weights[chosen], p
            total += p
    assert total == pytest.approx(1.0, abs=len(weights) * review.LEAST_P)
    whole = sum(w for w, _ in weights.values())
    for w, p in weights.values():
        assert p == pytest.approx(max(w / whole, review.LEAST_P), abs=1e-9)


def shows(tables: Tables, name: str, chosen: tuple[str, ...], level: int) -> float:
    """P(the finding is at this level | exactly these causes), by the formula."""
    def below(x: int) -> float:
        above = [tables.leaks[name], *(tables.links.get((c, name), ()) for c in chosen)]
        return math.prod(1.0 - sum(part[x:]) for part in above) if x >= 0 else 0.0

    return below(level) - below(level - 1)


def test_a_replayed_case_has_the_evidence_of_a_live_one(head_unit: Opened) -> None:
    silence = silence_of(head_unit, head_unit.network)
    for case in log_of(head_unit, 25, 3):
        live = read_evidence(head_unit.knowledge, head_unit.network, [Answer(*a[:6]) for a in case.answers])
        quick = review.evidence_as_it_came_in(head_unit, head_unit.network, case, silence)
        assert quick.present == pytest.approx(live.present, abs=1e-14)
        assert quick.log_factor == pytest.approx(live.log_factor, abs=1e-12)
        found = forecast(head_unit, head_unit.network, case, present_of(head_unit, case), silence)
        assert found.p == pytest.approx(infer(head_unit.network, live).p, abs=1e-12)


def test_what_was_found_out_after_the_cure_does_not_help(head_unit: Opened) -> None:
    case = log_of(head_unit, 1, 4)[0]
    later = (*case.answers, CaseAnswer("earth_drop", "bad", "fitter", at=AT))
    cured = case._replace(answers=later, remedies=(RemedyTried("x", "cured", AT, "fitter", answers_before=len(case.answers)),))
    silence = silence_of(head_unit, head_unit.network)
    one, other = (forecast(head_unit, head_unit.network, c, present_of(head_unit, case), silence) for c in (case, cured))
    assert one.p.tolist() == other.p.tolist()


def test_what_a_network_holds_impossible_has_a_bounded_loss() -> None:
    opened = opened_of(Tables({"a": 0.3, "b": 0.3}, {"f": (0.0,)}, {("a", "f"): (0.5,)}))
    silence = silence_of(opened, opened.network)
    bounded = -math.log(review.LEAST_P)
    assert forecast(opened, opened.network, case_of(["b"], {"f": 1}), np.array([False, True]), silence).loss == bounded
    nothing = opened_of(Tables({"a": 0.3}, {"f": (0.0,)}, {}))
    found = forecast(nothing, nothing.network, case_of(["a"], {"f": 1}), np.array([True]), silence_of(nothing, nothing.network))
    assert (found.loss, found.p.tolist()) == (bounded, [pytest.approx(1.0)])


def test_every_block_is_predicted_by_those_before_it(head_unit: Opened) -> None:
    cases = log_of(head_unit, 48, 5)
    log = read_log(head_unit, cases, expected=48)
    assert [sum(one.block == block for one in log.sampled) for block in range(8)] == [6] * 8
    predictions = replay(head_unit, log)
    assert [x.case for x in predictions] == [case.id for case in cases]
    assert all(x.expert is x.learned for x in predictions[:6])
    x = predictions[20]
    taught = fit(head_unit, count_cases(head_unit, cases[: 6 * x.block]), rounds=review.GUARD_ROUNDS).network
    found = forecast(head_unit, taught, cases[20], x.present, silence_of(head_unit, taught))
    assert (x.block, x.learned.loss, x.learned.p.tolist()) == (3, found.loss, found.p.tolist())


def test_counts_from_elsewhere_help_from_the_first_case(head_unit: Opened) -> None:
    cases = log_of(head_unit, 150, 6)
    log = read_log(head_unit, cases[:40], expected=40, start=count_cases(head_unit, cases[40:]))
    begun = replay(head_unit, log)
    assert log.began and log.statistics == count_cases(head_unit, cases)
    assert begun[0].learned.loss != begun[0].expert.loss
    assert judge(head_unit, begun, start=True).gain.number == 40


def test_a_log_is_counted_once_and_said_what_was_left_out(head_unit: Opened) -> None:
    cases = log_of(head_unit, 30, 7)
    cases[3] = cases[3]._replace(status="open")
    cases[4] = cases[4]._replace(confirmed=(), not_found=True, unlisted="")
    cases[5] = cases[5]._replace(confirmed=(), unlisted="a mouse", minutes=None)
    cases[6] = cases[6]._replace(answers=())
    log = read_log(head_unit, iter(cases), expected=30)
    assert (log.cases, log.left_out) == (30, {"still open": 1, "no cause found": 1})
    assert log.unlisted == ((cases[5].id, "a mouse"), *((c.id, c.unlisted) for c in cases[6:] if c.unlisted))
    assert log.lacking == len(log.unlisted)
    assert log.statistics.cases == 28
    assert len(log.sampled) == 27  # the one without a word of what was wrong teaches its cause, but cannot be predicted
    assert (log.spent.cases, log.spent.timed, log.spent.minutes) == (29, 28, 28 * 30.0)
    assert log.spent.questions == sum(len(c.answers) for n, c in enumerate(cases) if n != 3)
    cases[7] = cases[7]._replace(remedies=(RemedyTried(cases[7].confirmed[0], "cured", AT, "fitter", answers_before=9),))
    cases[8] = cases[8]._replace(confirmed=("loom",), unlisted="", remedies=(RemedyTried("x", "no_change", AT, "y"),))
    assert read_log(head_unit, cases, expected=30).spent[-2:] == (2, 1)


def test_a_long_log_is_sampled_evenly(doorbell: Opened, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(review, "MOST", 10)
    cases = list(simulated(doorbell, 95, np.random.default_rng(1), checks=2, asked=1))
    log = read_log(doorbell, cases, expected=95)
    assert [case.id for _, case in log.sampled] == [case.id for case in cases[::10]]
    assert len(log.taught) == 8


def test_where_the_files_are_wrong_learning_predicts_better(head_unit: Opened) -> None:
    log = read_log(head_unit, log_of(head_unit, 150, 8, spread=1.2), expected=150)
    verdict = judge(head_unit, replay(head_unit, log))
    assert verdict.accepted
    assert verdict.gain.low > 0.0
    assert verdict.gain.mean == pytest.approx(verdict.expert - verdict.learned, abs=1e-12)


def predictions_of(losses: list[tuple[float, float]]) -> list[Prediction]:
    """Predictions with these losses (expert, learned), after the first block."""
    p, present = np.array([1.0]), np.array([True])
    return [Prediction(str(n), 1, present, Forecast(p, a), Forecast(p, b)) for n, (a, b) in enumerate(losses)]


def test_values_that_predict_worse_are_refused() -> None:
    opened = opened_of(Tables({"a": 0.1}, {"f": (0.1,)}, {}))
    worse, no_worse, better = (judge(opened, predictions_of([(1.0, x), (2.0, y)] * 8))
                               for x, y in ((1.1, 2.0), (1.1, 1.9), (0.9, 1.7)))
    assert (worse.accepted, worse.why) == (False, "predictions got worse by them")
    assert (no_worse.accepted, no_worse.why) == (True, "predictions got no worse by them")
    assert (better.accepted, better.why) == (True, "predictions got better by them")
    few = judge(opened, predictions_of([(1.0, 0.5)] * 9))
    assert not few.accepted
    assert few.why.startswith("only 9 cases could be predicted")
    assert not judge(opened, []).accepted


@pytest.mark.parametrize("share", [1.0, 0.5])
def test_a_log_that_closes_every_case_alike_is_refused(head_unit: Opened, share: float) -> None:
    generator = np.random.default_rng(9)
    cases = [case._replace(confirmed=("feeds_exchanged",), unlisted="") if generator.random() < share else case
             for case in log_of(head_unit, 60, 9, spread=0.0)]
    verdict = judge(head_unit, replay(head_unit, read_log(head_unit, cases, expected=60)))
    assert verdict.gain.mean > 0.0  # it predicts itself well, which is why that is not enough
    assert not verdict.accepted
    assert [s.cause for s in verdict.suspects] == ["feeds_exchanged"]
    assert "Memory and switched feeds exchanged" in verdict.why


def test_an_honest_log_is_not_suspected(head_unit: Opened) -> None:
    cases = log_of(head_unit, 150, 10)
    common = max(head_unit.network.causes, key=lambda c: sum(c in case.confirmed for case in cases))
    cases += [case for case in log_of(head_unit, 900, 10)[150:] if common in case.confirmed]  # common here
    predictions = replay(head_unit, read_log(head_unit, cases, expected=len(cases)))
    index = head_unit.network.cause_index[common]
    confirmed, expected = (sum(float(p[index]) for p in some) for some in ([x.present for x in predictions],
                                                                          [x.expert.p for x in predictions]))
    assert confirmed - expected > review.SUSPECT_EXCESS * len(predictions)
    assert suspects(head_unit, predictions) == ()


# For every log drawn from the network itself the mean of P(e | not c) / P(e | c) over cases with c is 1 (Good, 1950).
def test_answers_seldom_speak_against_the_true_cause(head_unit: Opened) -> None:
    predictions = replay(head_unit, read_log(head_unit, log_of(head_unit, 150, 12, spread=0.0), expected=150))
    prior = head_unit.network.prior / (1.0 - np.prod(1.0 - head_unit.network.prior))
    odds = []
    for x in predictions:
        p, q = x.expert.p[x.present], prior[x.present]
        odds += ((1.0 - p) / p * q / (1.0 - q)).tolist()
    assert np.mean(np.array(odds) > 1.0) < 0.25  # 0.19 over 16 such logs, single ones 0.16 to 0.24
    assert np.mean(np.minimum(odds, 50.0)) < 1.3


def test_scores_by_hand() -> None:
    opened = opened_of(Tables({"a": 0.3, "b": 0.2, "c": 0.1, "d": 0.1, UNLISTED: 0.1}, {"f": (0.1,)}, {}, UNLISTED))
    rows = [([0.6, 0.3, 0.1, 0.0, 0.9], [1, 0, 0, 0, 0], 0.5), ([0.5, 0.7, 0.2, 0.1, 0.0], [1, 0, 0, 0, 0], 1.5),
            ([0.4, 0.3, 0.2, 0.1, 0.0], [0, 0, 0, 1, 0], 2.0), ([0.4, 0.3, 0.2, 0.1, 0.8], [0, 0, 0, 0, 1], 2.0)]
    predictions = [Prediction(str(n), 1, np.array(y) > 0, Forecast(np.array(p), loss), Forecast(np.array(p), loss))
                   for n, (p, y, loss) in enumerate(rows)]
    found = score(opened, predictions, "expert")
    assert (found.top1[:2], found.top3[:2]) == ((1, 4), (2, 4))  # what is not listed is never ranked
    assert found.log_loss == 1.5
    by_hand = sum((p - y) ** 2 for ps, ys, _ in rows for p, y in zip(ps, ys, strict=True)) / 4
    assert found.brier == pytest.approx(by_hand, abs=1e-12)
    assert found.brier == pytest.approx(found.reliability - found.resolution + found.uncertainty, abs=1e-12)
    assert sum(b.number for b in found.bins) == 20
    assert [(m.case, m.first, m.confirmed) for m in misses(opened, predictions, "expert")] == [
        ("2", "a", ("d",)), ("1", "b", ("a",)), ("3", "a", (UNLISTED,))]


def test_where_the_files_are_right_forecasts_are_calibrated(head_unit: Opened) -> None:
    found = score(head_unit, replay(head_unit, read_log(head_unit, log_of(head_unit, 200, 13, spread=0.0), expected=200)),
                  "expert")
    assert found.error < 1.3 * found.by_chance
    assert sum(b.at_least <= b.forecast <= b.at_most for b in found.bins) >= len(found.bins) - 2


def test_links_that_the_log_contradicts_are_named(head_unit: Opened) -> None:
    cases = [case_of(["feeds_exchanged"], {}, number=n)._replace(network="head_unit", id=f"20260101-{n:04}", answers=(
        CaseAnswer("forgets_at_key_off", "no", "fitter", at=AT), CaseAnswer("dead_with_key_on", "yes", "fitter", at=AT)))
        for n in range(12)]
    found = review.review(head_unit, read_log(head_unit, cases, expected=12))
    assert ("feeds_exchanged", "forgets_at_key_off") in [(s.cause, s.finding) for s in found.attention]
    assert all(abs(s.z) >= review.STRIKING for s in found.attention)


def test_an_empty_log_is_reviewed_too(head_unit: Opened) -> None:
    found = review.review(head_unit, read_log(head_unit, [], expected=0))
    assert (found.predicted, found.misses, found.attention) == (0, (), ())
    assert math.isnan(found.expert.log_loss)
    assert found.log.statistics == statistics_of(head_unit)


def test_a_case_that_cannot_be_read_any_more_is_passed_over(head_unit: Opened) -> None:
    cases = log_of(head_unit, 12, 14)
    cases[2] = cases[2]._replace(answers=(*cases[2].answers, CaseAnswer("gone", "yes", EXACT, at=AT)))
    assert len(replay(head_unit, read_log(head_unit, cases, expected=12))) == 11


@pytest.mark.slow
def test_the_log_loss_of_what_was_learned_nears_that_of_the_truth(head_unit: Opened) -> None:
    """On cases that taught nothing: the way that is left to the true network's loss, against the whole way from the files."""
    generator = np.random.default_rng(21)
    truth = perturbed(head_unit.network, generator, spread=0.7)
    losses = []
    for count in (0, 2000, 20_000):
        counted = count_cases(head_unit, simulated(head_unit, count, np.random.default_rng(22), truth=truth))
        learned = fit(head_unit, counted).network
        fresh = list(simulated(head_unit, 400, np.random.default_rng(23), truth=truth))
        known, right = silence_of(head_unit, learned), silence_of(head_unit, truth)
        losses.append(np.mean([forecast(head_unit, learned, c, present_of(head_unit, c), known).loss
                               - forecast(head_unit, truth, c, present_of(head_unit, c), right).loss for c in fresh]))
    files, short, long = losses
    assert files > short > long > -0.02 * files
    assert long < 0.3 * files


def held_by(opened: Opened, cases: list[Case]) -> int:
    """Bytes held after reading a log, cases given one by one, over those of an empty one."""
    def read(some: list[Case]) -> int:
        tracemalloc.start()
        try:
            log = read_log(opened, (Case(*case) for case in some), expected=len(some))
            assert log.cases == len(some)
            gc.collect()
            return tracemalloc.get_traced_memory()[0]
        finally:
            tracemalloc.stop()

    return read(cases) - read([])


def test_memory_does_not_grow_with_the_log(doorbell: Opened, monkeypatch: pytest.MonkeyPatch) -> None:
    for name, few in (("MOST", 50), ("MOST_WORDS", 50), ("BLOCKS", 1)):
        monkeypatch.setattr(review, name, few)
    cases = list(simulated(doorbell, 1600, np.random.default_rng(4), checks=2, asked=1))
    cases = [case._replace(confirmed=(), unlisted=f"a mouse {n}") if n % 3 == 0 else case for n, case in enumerate(cases)]
    read_log(doorbell, cases[:10], expected=10)  # whatever is kept for good from the first time on
    short, long = held_by(doorbell, cases[:800]), held_by(doorbell, cases)
    assert long - short < 24 * 800  # eight bytes a case to know it by, and room for a few more counts; a text alone takes 60


@pytest.mark.slow
def test_ten_thousand_cases_are_read_judged_and_learned_in_ten_seconds(head_unit: Opened) -> None:
    cases = log_of(head_unit, 10_000, 15)
    began = time.process_time()
    sum(range(20_000_000))  # a quarter of a second where the ten seconds hold; on a busy machine everything takes longer
    yardstick = time.process_time() - began
    began = time.process_time()
    log = read_log(head_unit, cases, expected=10_000)
    verdict = judge(head_unit, replay(head_unit, log))
    fit(head_unit, log.statistics)
    assert time.process_time() - began < 40.0 * yardstick
    assert verdict.accepted
