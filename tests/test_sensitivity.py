"""One-way sensitivity against reckoning the network anew, and the uncertainty of the numbers against closed forms."""

from __future__ import annotations

import math
import time

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from diagnose.evidence import Answer, Evidence, read_evidence
from diagnose.network import Opened
from diagnose.posterior import infer
from diagnose.sensitivity import Lean, Sensitivity, sensitivity, with_parameter
from diagnose.source import InputError
from diagnose.uncertainty import beta_quantiles, drawn_networks, plausible, posterior_draws
from tests.enumeration import Tables, enumerate_causes
from tests.small_networks import EXACT, FALLIBLE, answers_of, opened_of
from tests.strategies import Situation, situations

TWO = Tables({"a": 0.1, "b": 0.05}, {"f": (0.01,), "g": (0.02,)},
             {("a", "f"): (0.9,), ("a", "g"): (0.6,), ("b", "f"): (0.5,), ("b", "g"): (0.7,)})


def chances(opened: Opened, lean: Lean, t: float, evidence: Evidence, *causes: str, unmentioned: bool = True) -> list[float]:
    """P(cause | e) of each cause with the parameter set to t, the whole network reckoned anew."""
    changed = with_parameter(opened, lean.parameter, t)
    seen = read_evidence(changed.knowledge, changed.network, evidence.answers, unmentioned=unmentioned, tried=evidence.tried)
    p = infer(changed.network, seen).p
    return [float(p[changed.network.cause_index[name]]) for name in causes]


def check_against_reckoning(opened: Opened, evidence: Evidence, found: Sensitivity, *, every: int = 1) -> None:
    for lean in found.leans[::every]:
        value = lean.parameter.value
        if lean.constants:
            assert lean.at(value) == pytest.approx(found.p, abs=1e-9)
            for t in (0.07, 0.5, 0.93):
                assert lean.at(t) == pytest.approx(chances(opened, lean, t, evidence, found.cause)[0], abs=1e-7)
        for t, p in ((lean.low, lean.p_low), (lean.high, lean.p_high)):
            assert p == pytest.approx(chances(opened, lean, t, evidence, found.cause)[0], abs=1e-7)
        assert lean.swing == pytest.approx(abs(lean.p_high - lean.p_low), abs=1e-12)
        if 1e-3 < value < 1 - 1e-3:
            up, down = (chances(opened, lean, value + s * 1e-5, evidence, found.cause)[0] for s in (1, -1))
            assert lean.slope == pytest.approx((up - down) / 2e-5, abs=1e-4 * max(1.0, abs(lean.slope)))
        if lean.turns_at is not None and 1e-6 < lean.turns_at < 1 - 1e-6:
            one, other = chances(opened, lean, lean.turns_at, evidence, found.cause, found.rival)
            assert one == pytest.approx(other, abs=1e-6)
        elif lean.turns_at is None and lean.constants and found.rival:
            ends = [np.subtract(*chances(opened, lean, t, evidence, found.cause, found.rival)) for t in (0.001, 0.999)]
            assert ends[0] * ends[1] > -1e-12, "it turns somewhere in between"


@settings(max_examples=20)
@given(situations(exact=False, causes=5, findings=5, spare=1), st.sampled_from((EXACT, FALLIBLE)))
def test_every_parameter_equals_reckoning_anew(situation: Situation, who: str) -> None:
    tables, seen = situation
    salience = {name: 0.6 for name in tables.leaks if name not in seen}
    opened = opened_of(tables, salience=salience, wrong=(0.9, 0.95))
    evidence = read_evidence(opened.knowledge, opened.network, answers_of(seen, who=who))
    assume(infer(opened.network, evidence).in_question)
    found = sensitivity(opened, evidence, opened.network.causes[0], most=None, least=0.0)
    check_against_reckoning(opened, evidence, found, every=4)


def test_every_number_of_the_answered_findings_and_every_prior_has_a_line() -> None:
    tables = Tables({**TWO.priors, "c": 0.2}, {**TWO.leaks, "m": (0.1, 0.05), "s": (0.03,), "n": (0.4,)},
                    {**TWO.links, ("c", "m"): (0.3, 0.4), ("a", "m"): (0.2, 0.0), ("c", "s"): (0.5,), ("b", "n"): (0.9,)})
    opened = opened_of(tables, salience={"s": 0.5})
    evidence = read_evidence(opened.knowledge, opened.network, answers_of({"f": 1, "m": 1}))
    found = sensitivity(opened, evidence, "a", most=None, least=0.0)
    assert {(x.kind, x.cause, x.finding, x.level) for x in (lean.parameter for lean in found.leans)} == {
        ("prior", "a", "", ""), ("prior", "b", "", ""), ("prior", "c", "", ""), ("leak", "", "f", "l1"),
        ("leak", "", "m", "l1"), ("leak", "", "m", "l2"), ("link", "a", "f", "l1"), ("link", "b", "f", "l1"),
        ("link", "c", "m", "l1"), ("link", "c", "m", "l2"), ("link", "a", "m", "l1"), ("link", "c", "s", "l1")}
    assert [lean.swing for lean in found.leans] == sorted((lean.swing for lean in found.leans), reverse=True)
    assert found.leans_on == found.leans[0]
    check_against_reckoning(opened, evidence, found)


def test_constants_by_hand() -> None:
    """One cause, one positive answer, no call: p = pi q / (pi q + (1 - pi) l) with q = 1 - (1 - l)(1 - c)."""
    tables = Tables({"c": 0.1}, {"f": (0.2,)}, {("c", "f"): (0.5,)})
    opened = opened_of(tables)
    evidence = read_evidence(opened.knowledge, opened.network, answers_of({"f": 1}))
    found = sensitivity(opened, evidence, "c", most=None, least=0.0, somebody_called=False)
    prior, leak, link = (next(x for x in found.leans if x.parameter.kind == kind) for kind in ("prior", "leak", "link"))
    assert found.p == pytest.approx(0.06 / (0.06 + 0.18), abs=1e-12)
    for t in (0.0, 0.1, 0.3, 1.0):
        assert prior.at(t) == pytest.approx(0.6 * t / (0.6 * t + 0.2 * (1 - t)), abs=1e-12)
        assert leak.at(t) == pytest.approx(0.1 * (0.5 + 0.5 * t) / (0.1 * (0.5 + 0.5 * t) + 0.9 * t), abs=1e-12)
        q = 1 - 0.8 * (1 - t)
        assert link.at(t) == pytest.approx(0.1 * q / (0.1 * q + 0.18), abs=1e-12)
    assert found.rival == ""
    assert found.turns_first is None


def test_where_the_ranking_turns_by_hand() -> None:
    """Two causes of one finding without a leak: they are equal when prior times link is, each alone or both together."""
    tables = Tables({"a": 0.2, "b": 0.1}, {"f": (0.0,)}, {("a", "f"): (0.5,), ("b", "f"): (0.5,)})
    opened = opened_of(tables)
    evidence = read_evidence(opened.knowledge, opened.network, answers_of({"f": 1}))
    for cause, rival in (("a", "b"), ("b", "a")):
        found = sensitivity(opened, evidence, cause, most=None)
        assert found.rival == rival
        turns = {(x.parameter.kind, x.parameter.cause): x.turns_at for x in found.leans if x.turns_at is not None}
        assert turns["prior", "a"] == pytest.approx(0.1, abs=1e-12)
        assert turns["prior", "b"] == pytest.approx(0.2, abs=1e-12)
    truth = enumerate_causes(tables._replace(links={**tables.links, ("a", "f"): (turns["link", "a"] or 0.0,)}), {"f": 1})
    assert truth.p["a"] == pytest.approx(truth.p["b"], abs=1e-12)
    assert found.turns_first is not None
    assert found.turns_first.turn == min(x.turn for x in found.leans if x.turn is not None)
    odds = {x.parameter.cause: x.turn for x in found.leans if x.parameter.kind == "prior"}
    assert odds["a"] == pytest.approx(math.log(0.25 * 9), abs=1e-9)


@settings(max_examples=30)
@given(situations(exact=False, causes=5, findings=4))
def test_log_odds_move_no_further_than_the_parameters_do(situation: Situation) -> None:
    """|d p / d t| <= p (1 - p) / (t (1 - t)), with equality for the cause's own prior, without a call (Chan & Darwiche 2002;
    methods 4.3). For two levels."""
    tables, seen = situation
    two = {name: above for name, above in tables.leaks.items() if len(above) == 1 and isinstance(seen.get(name, 0), int)}
    assume(two)
    tables = Tables(tables.priors, two, {k: v for k, v in tables.links.items() if k[1] in two}, tables.unlisted)
    opened = opened_of(tables)
    evidence = read_evidence(opened.knowledge, opened.network, answers_of({k: v for k, v in seen.items() if k in two}))
    cause = opened.network.causes[0]
    found = sensitivity(opened, evidence, cause, most=None, least=0.0, somebody_called=False)
    for lean in found.leans:
        t = lean.parameter.value
        bound = found.p * (1 - found.p) / (t * (1 - t))
        assert abs(lean.slope) <= bound * (1 + 1e-6) + 1e-9
        if lean.parameter.kind == "prior" and lean.parameter.cause == cause:
            assert abs(lean.slope) == pytest.approx(bound, rel=1e-6)


def test_a_cause_that_an_answer_excludes_could_come_back() -> None:
    """"Normal" of somebody who is never wrong, with a link of 1: only that link can be in doubt."""
    tables = Tables({"a": 0.2, "b": 0.1}, {"f": (0.01,), "g": (0.01,)},
                    {("a", "f"): (0.9,), ("b", "f"): (0.3,), ("a", "g"): (1.0,)})
    opened = opened_of(tables)
    evidence = read_evidence(opened.knowledge, opened.network, answers_of({"f": 1, "g": 0}))
    found = sensitivity(opened, evidence, "a", most=None, least=0.0)
    assert found.p == 0.0
    link = next(x for x in found.leans if x.parameter.finding == "g" and x.parameter.kind == "link")
    for t in (0.0, 0.5, 0.9):
        assert link.at(t) == pytest.approx(chances(opened, link, t, evidence, "a")[0], abs=1e-9)
    a, b = 0.1 * 0.8 * 0.307, 0.2 * 0.9 * 0.901  # alone: b with f, a with f; both together count for both
    assert link.turns_at == pytest.approx(1 - a / b, abs=1e-9)


def test_condition_links_say_what_they_come_from(doorbell: Opened) -> None:
    answers = [Answer("silent", "yes"), Answer("volts_at_bell", "none", "fitter"), Answer("has_chime", "yes")]
    evidence = read_evidence(doorbell.knowledge, doorbell.network, answers)
    found = sensitivity(doorbell, evidence, "flat_battery", most=None, least=0.0)
    links = {(x.parameter.cause, x.parameter.finding, x.parameter.level): x.parameter for x in found.leans}
    through = links["flat_battery", "volts_at_bell", "none"]
    assert through.where == "causes.flat_battery.brings"
    assert [(t.condition, t.brings, t.shows) for t in through.through] == [
        ("no_current", 0.6, {"low": 0.05, "none": 0.9}), ("weak_current", 0.7, {"low": 0.7, "none": 0.1})]
    assert through.value == pytest.approx(1 - (1 - 0.6 * 0.9) * (1 - 0.7 * 0.1), abs=1e-12)
    assert links["broken_wire", "silent", "yes"].where == "causes.broken_wire.links.silent"
    assert links["broken_wire", "silent", "yes"].through == ()
    assert links["", "has_chime", "yes"].where == "circumstances.has_chime.base_rate"
    assert links["", "silent", "yes"].where == "reports.silent.leak"
    assert links["unlisted", "silent", "yes"].where == "network.unlisted.link"
    assert ("chime_loads", "has_chime", "yes") not in links  # a needed circumstance is no number


@pytest.mark.parametrize("who", ["customer", "workshop"])
def test_readings_unsure_answers_and_remedies_equal_reckoning_anew(doorbell: Opened, who: str) -> None:
    answers = [Answer("silent", "yes", who), Answer("volts_at_bell", None, who, reading=11.9), Answer("hot", "no", who),
               Answer("rings_when_bridged", "silent", who, sure=False)]
    evidence = read_evidence(doorbell.knowledge, doorbell.network, answers, tried=["broken_wire"])
    for cause in ("flat_battery", "broken_wire", "unlisted"):
        found = sensitivity(doorbell, evidence, cause, most=None, least=0.0)
        assert len(found.leans) > 20
        assert any(lean.constants is None for lean in found.leans) == (who == "customer")
        check_against_reckoning(doorbell, evidence, found, every=5)


def test_answers_without_the_not_mentioned_rule(doorbell: Opened) -> None:
    evidence = read_evidence(doorbell.knowledge, doorbell.network, [Answer("silent", "yes")], unmentioned=False)
    found = sensitivity(doorbell, evidence, "flat_battery", most=None, least=0.0)
    assert {x.parameter.finding for x in found.leans} == {"", "silent"}
    for lean in found.leans:
        assert lean.p_high == pytest.approx(
            chances(doorbell, lean, lean.high, evidence, "flat_battery", unmentioned=False)[0], abs=1e-9)


def test_other_levels_keep_their_proportions() -> None:
    tables = Tables({"a": 0.1}, {"f": (0.1, 0.2)}, {("a", "f"): (0.3, 0.2)})
    opened = opened_of(tables)
    evidence = read_evidence(opened.knowledge, opened.network, answers_of({"f": 1}))
    found = sensitivity(opened, evidence, "a", most=None, least=0.0)
    link = next(x.parameter for x in found.leans if x.parameter.kind == "link" and x.parameter.level == "l2")
    changed = with_parameter(opened, link, 0.6).network
    assert np.diff(changed.link[0], prepend=0.0) == pytest.approx([0.25, 0.15, 0.6], abs=1e-12)
    leak = next(x.parameter for x in found.leans if x.parameter.kind == "leak" and x.parameter.level == "l1")
    changed = with_parameter(opened, leak, 0.55).network
    assert np.diff(changed.leak[0], prepend=0.0) == pytest.approx([0.35, 0.55, 0.1], abs=1e-12)


def test_a_cause_that_does_not_exist_is_refused(doorbell: Opened) -> None:
    evidence = read_evidence(doorbell.knowledge, doorbell.network, [Answer("silent", "yes")])
    with pytest.raises(InputError, match="flat_battery"):
        sensitivity(doorbell, evidence, "flat_batery")


def test_a_lean_that_is_no_ratio_has_no_function(doorbell: Opened) -> None:
    evidence = read_evidence(doorbell.knowledge, doorbell.network, [Answer("silent", "yes")])
    leak = next(x for x in sensitivity(doorbell, evidence, "flat_battery", least=0.0).leans if x.constants is None)
    with pytest.raises(ValueError, match="no ratio of linear functions of this leak"):
        leak.at(0.5)


SIX = [Answer("forgets_at_key_off", "yes", "customer", "volunteered"), Answer("battery_flat_after_standing", "yes"),
       Answer("clock_wrong", "no"), Answer("switched_feed_key_off", "live", "fitter"),
       Answer("memory_feed_key_off", "dead", "customer"), Answer("needs_button_each_time", "no")]


def test_the_shipped_network_equals_reckoning_anew_and_is_quick(head_unit: Opened) -> None:
    """Bar: under a second for six answers, here in time of the processor."""
    evidence = read_evidence(head_unit.knowledge, head_unit.network, SIX)
    sensitivity(head_unit, evidence, "feeds_exchanged")
    began = time.process_time()
    found = sensitivity(head_unit, evidence, "feeds_exchanged", most=None)
    assert time.process_time() - began < 1.0
    assert found.cause == "feeds_exchanged" and found.leans_on is not None
    check_against_reckoning(head_unit, evidence, found, every=12)


# --- how sure the numbers are ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("q", [0.05, 0.5, 0.95])
def test_beta_quantiles_against_closed_forms(q: float) -> None:
    """Beta(1, b): 1 - (1 - q)^(1/b); Beta(a, 1): q^(1/a); Beta(2, 2): the root of 3 x^2 - 2 x^3 = q."""
    a, b = np.array([1.0, 1.0, 1.0, 7.0, 500.0, 2.0]), np.array([1.0, 3.0, 999.0, 1.0, 1.0, 2.0])
    x = 1 / (1 + np.exp(-beta_quantiles(a, b, q)))
    assert x[:3] == pytest.approx(1 - (1 - q) ** (1 / b[:3]), rel=5e-4)
    assert 1 - x[3:5] == pytest.approx(1 - q ** (1 / a[3:5]), rel=5e-4)
    assert 3 * x[5] ** 2 - 2 * x[5] ** 3 == pytest.approx(q, rel=5e-4)


def test_what_is_certain_stays_certain() -> None:
    low, high = plausible(np.array([0.0, 0.5, 1.0]), 20.0)
    assert (low[0], high[0], low[2], high[2]) == (0.0, 0.0, 1.0, 1.0)
    assert low[1] < 0.5 < high[1]
    tables = Tables({"a": 0.1, "sure": 1.0, "never": 0.0}, {"f": (0.2, 0.0)},
                    {("a", "f"): (0.0, 0.9), ("sure", "f"): (1.0, 0.0)})
    for network in drawn_networks(opened_of(tables).network, 20.0, 50, np.random.default_rng(1)):
        assert network.prior[1:].tolist() == [1.0, 0.0]
        assert (network.leak[0, 1], network.link[1].tolist()) == (1.0, [0.0, 1.0, 1.0])
        assert network.link[0, 0] == pytest.approx(network.link[0, 1], abs=1e-15)


def test_draws_have_the_mean_and_the_range_that_is_said() -> None:
    """The last is worth less than one case: 20 x 0.005."""
    tables = Tables({"a": 0.02}, {"f": (0.3,), "g": (0.005,)}, {("a", "f"): (0.8,)})
    drawn = drawn_networks(opened_of(tables).network, 20.0, 4000, np.random.default_rng(2))
    for values, at, prior in (([n.prior[0] for n in drawn], 0.02, True), ([1 - n.link[0, 0] for n in drawn], 0.8, False),
                              ([1 - n.leak[0, 0] for n in drawn], 0.3, False),
                              ([1 - n.leak[1, 0] for n in drawn], 0.005, False)):
        low, high = plausible(np.array([at]), 20.0, prior=prior)
        assert np.mean(values) == pytest.approx(at, rel=0.06)
        assert np.quantile(values, [0.05, 0.95]) == pytest.approx([low[0], high[0]], rel=0.15)
    assert low[0] < 0.001
    assert high[0] == pytest.approx(3 * 0.005, rel=0.1)  # an exponential's 95 % point: -ln 0.05 = 3.0 times its mean


def test_more_cases_behind_the_numbers_narrow_the_range() -> None:
    spread = []
    for strength in (2.0, 20.0, 2000.0):
        opened = opened_of(TWO, strength=strength)
        p = posterior_draws(opened, answers_of({"f": 1, "g": 1}), [0])
        spread.append(np.quantile(p, 0.95) - np.quantile(p, 0.05))
    assert spread[0] > spread[1] > spread[2]
    exact = infer(opened.network, read_evidence(opened.knowledge, opened.network, answers_of({"f": 1, "g": 1}))).p[0]
    assert np.median(p) == pytest.approx(float(exact), abs=0.01)


def test_draws_count_silence_and_remedies_as_the_evidence_does() -> None:
    """With numbers worth very many cases every draw is the posterior itself."""
    opened = opened_of(TWO, salience={"f": 0.9, "g": 0.7}, strength=1e9)
    answers = answers_of({"f": 1})
    for unmentioned in (True, False):
        for tried in ((), ("a",)):
            evidence = read_evidence(opened.knowledge, opened.network, answers, unmentioned=unmentioned, tried=tried)
            drawn = posterior_draws(opened, answers, [0, 1], unmentioned=unmentioned, tried=tried, draws=3)
            assert drawn == pytest.approx(np.tile(infer(opened.network, evidence).p[:2], (3, 1)), rel=1e-3)
