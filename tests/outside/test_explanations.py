"""Explanations against published examples: weights of evidence, conflict, sensitivity, ranges. Numbers: methods.md section 4.

The published networks are no two-layer noisy-OR networks. Where one is used, its joint distribution is written out in full
from the printed tables, and a small network of our form is made that has the same probabilities in all that is asked.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping

import numpy as np
import pytest

from diagnose.evidence import read_evidence
from diagnose.explain import conflict, sets_covering, weights_of_evidence
from diagnose.network import Opened
from diagnose.posterior import infer
from diagnose.sensitivity import sensitivity
from tests.enumeration import Tables
from tests.small_networks import answers_of, opened_of

World = Mapping[str, bool]
Joint = Callable[[World], float]
PRINTED = 5e-7  # half a unit in the last digit of methods.md


def chest_clinic(w: World) -> float:
    """Lauritzen & Spiegelhalter 1988; tables as printed in the BUGS examples, vol. 2, "Asia". A visit to Asia, S smoker,
    T tuberculosis, L lung cancer, B bronchitis, X x-ray, D dyspnoea."""
    either = w["T"] or w["L"]
    p = {"A": 0.01, "S": 0.5, "T": 0.05 if w["A"] else 0.01, "L": 0.1 if w["S"] else 0.01, "B": 0.6 if w["S"] else 0.3,
         "X": 0.98 if either else 0.05, "D": (0.9 if either else 0.8) if w["B"] else 0.7 if either else 0.1}
    return math.prod(q if w[name] else 1 - q for name, q in p.items())


def burglary(w: World) -> float:
    """Pearl 1988; Russell & Norvig. B burglary, E earthquake, A alarm, J and M call."""
    p = {"B": 0.001, "E": 0.002, "A": ((0.95 if w["E"] else 0.94) if w["B"] else 0.29 if w["E"] else 0.001),
         "J": 0.9 if w["A"] else 0.05, "M": 0.7 if w["A"] else 0.01}
    return math.prod(q if w[name] else 1 - q for name, q in p.items())


def fire(w: World) -> float:
    """Poole & Mackworth, the fire alarm. T tampering, F fire, A alarm, K smoke, L leaving, R report."""
    alarm = (0.5 if w["F"] else 0.85) if w["T"] else 0.99 if w["F"] else 0.0001
    p = {"T": 0.02, "F": 0.01, "A": alarm, "K": 0.9 if w["F"] else 0.01, "L": 0.88 if w["A"] else 0.001,
         "R": 0.75 if w["L"] else 0.01}
    return math.prod(q if w[name] else 1 - q for name, q in p.items())


def probability(joint: Joint, names: str, **seen: bool) -> float:
    """P(seen), summed over all worlds of a published network."""
    worlds = (dict(zip(names, values, strict=True)) for values in itertools.product((False, True), repeat=len(names)))
    return math.fsum(joint(w) for w in worlds if all(w[name] == value for name, value in seen.items()))


def clinic(**seen: bool) -> float:
    return probability(chest_clinic, "ASTLBXD", **seen)


def link(leak: float, whole: float) -> tuple[float]:
    """The net link that makes a finding as frequent as ``whole`` with its only cause present."""
    return (1 - (1 - whole) / (1 - leak),)


# --- weights of evidence -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("order", "weights", "total", "posterior"), [
    ("DX", (2.939809, 11.560071), 2.149189, 0.621253),
    ("XD", (12.154555, 2.345326), 2.149189, 0.621253),
    ("ADX", (0.0, 2.785303, 8.593228), -0.972160, 0.444271),
    ("SDX", (2.808266, 1.952125, 11.772381), 4.182081, 0.723714),
])
def test_chest_clinic_weights_for_lung_cancer(order: str, weights: tuple[float, ...], total: float, posterior: float) -> None:
    """Good's weight of evidence in decibans (methods 4.1, V19). The small network: lung cancer alone, each finding as frequent
    with and without it as in the clinic given the findings before it."""
    leaks, links = {}, {}
    for k, name in enumerate(order):
        before = dict.fromkeys(order[:k], True)
        chance = [clinic(**before, L=ill, **{name: True}) / clinic(**before, L=ill) for ill in (False, True)]
        leaks[name] = (chance[0],)
        links["L", name] = link(*chance)
    opened = opened_of(Tables({"L": clinic(L=True)}, leaks, links))
    evidence = read_evidence(opened.knowledge, opened.network, answers_of(dict.fromkeys(order, 1)))
    found = weights_of_evidence(opened, evidence, "L", somebody_called=False)
    assert found.prior == pytest.approx(-12.350691, abs=PRINTED)
    assert [w.in_order for w in found.answers] == pytest.approx(weights, abs=PRINTED)
    assert (found.posterior, found.p) == pytest.approx((total, posterior), abs=PRINTED)


def test_jaynes_two_boxes() -> None:
    """Jaynes, Probability Theory, chapter 4: a box with a third of bad widgets, a priori 1 in 11, else a sixth: -10 dB, each
    bad one +3.0103, each good one -0.9691 (the printed +3 and -1 from memory)."""
    names = [f"draw{k}" for k in range(5)]
    tables = Tables({"bad_box": 1 / 11}, dict.fromkeys(names, (1 / 6,)), {("bad_box", n): link(1 / 6, 1 / 3) for n in names})
    opened = opened_of(tables)
    drawn = {"draw0": 1, "draw1": 1, "draw2": 0, "draw3": 1, "draw4": 0}
    evidence = read_evidence(opened.knowledge, opened.network, answers_of(drawn))
    found = weights_of_evidence(opened, evidence, "bad_box", somebody_called=False)
    assert found.prior == pytest.approx(-10.0, abs=1e-9)
    for weight in found.answers:
        wanted = 3.0103 if drawn[weight.finding] else -0.9691
        assert (weight.alone, weight.in_order) == pytest.approx((wanted, wanted), abs=5e-5)


@pytest.mark.parametrize(("p", "dB"), [(0.5, 0.0), (2 / 3, 3.0103), (0.75, 4.7712), (0.8, 6.0206), (0.9, 9.5424),
                                       (0.95, 12.7875), (0.99, 19.9564), (0.999, 29.9957)])
def test_table_of_odds_in_decibans(p: float, dB: float) -> None:
    """Methods 4.1, computed there."""
    opened = opened_of(Tables({"c": p}, {"f": (0.5,)}, {("c", "f"): (0.0,)}))
    evidence = read_evidence(opened.knowledge, opened.network, answers_of({"f": 1}))
    assert weights_of_evidence(opened, evidence, "c", somebody_called=False).posterior == pytest.approx(dB, abs=5e-5)


def test_a_finding_that_weighs_nothing_by_itself_still_takes_from_another() -> None:
    """Explaining away, after the visit to Asia (methods 4.1): a mark of the rival weighs 0 before, negative after the x-ray."""
    tables = Tables({"lung": clinic(L=True), "tub": clinic(T=True)}, {"visit": (0.01,), "xray": (0.05,)},
                    {("tub", "visit"): (0.04,), ("lung", "xray"): link(0.05, 0.98), ("tub", "xray"): link(0.05, 0.98)})
    opened = opened_of(tables)
    first, last = (weights_of_evidence(opened, read_evidence(opened.knowledge, opened.network, answers_of(seen)), "lung",
                                       somebody_called=False) for seen in ({"visit": 1, "xray": 1}, {"xray": 1, "visit": 1}))
    assert first.answers[0].in_order == pytest.approx(0.0, abs=1e-9)
    assert last.answers[1].in_order < -0.5
    assert first.answers[0].alone == pytest.approx(last.answers[1].alone, abs=1e-9)


# --- conflict ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("joint", "names", "first", "second", "bits"), [
    (chest_clinic, "ASTLBXD", ("X", True), ("D", True), -0.555567),
    (chest_clinic, "ASTLBXD", ("X", True), ("D", False), 0.650846),
    (chest_clinic, "ASTLBXD", ("S", False), ("X", True), 0.679244),
    (burglary, "BEAJM", ("J", True), ("M", True), -1.768007),
    (burglary, "BEAJM", ("J", True), ("M", False), 0.041820),
    (burglary, "BEAJM", ("B", True), ("A", False), 4.055740),
    (fire, "TFAKLR", ("K", True), ("R", True), -3.508879),
    (fire, "TFAKLR", ("K", True), ("R", False), 0.515607),
    (fire, "TFAKLR", ("K", False), ("R", True), 0.321982),
])
def test_conflict_of_two_findings(joint: Joint, names: str, first: tuple[str, bool], second: tuple[str, bool],
                                  bits: float) -> None:
    """Jensen, Chamberlain, Nordahl & Jensen 1990; values of methods 4.2. The small network: a cause that is the first finding
    itself, and the second as frequent with and without it as in the published one."""
    one, other = first[0], second[0]
    p = probability(joint, names, **{one: True})
    with_it, without = (probability(joint, names, **{one: so, other: True}) / (p if so else 1 - p) for so in (True, False))
    tables = Tables({"c": p}, {"one": (0.0,), "other": (without,)},
                    {("c", "one"): (1.0,), ("c", "other"): link(without, with_it)})
    opened = opened_of(tables)
    evidence = read_evidence(opened.knowledge, opened.network, answers_of({"one": int(first[1]), "other": int(second[1])}))
    found = conflict(opened, evidence, somebody_called=False)
    assert found.bits == pytest.approx(bits, abs=PRINTED)
    assert bool(found.recheck) == (bits > 0)


def hidden_alarm() -> Opened:
    """The alarm as the cause that both calls come from: exactly of our form."""
    return opened_of(Tables({"alarm": probability(burglary, "BEAJM", A=True)}, {"J": (0.05,), "M": (0.01,)},
                            {("alarm", "J"): link(0.05, 0.9), ("alarm", "M"): link(0.01, 0.7)}))


@pytest.mark.parametrize(("seen", "bits"), [({"J": 1, "M": 1}, -1.768007), ({"J": 1, "M": 0}, 0.041820)])
def test_conflict_with_a_hidden_alarm(seen: dict[str, int], bits: float) -> None:
    """Methods 4.2 once more, by the alarm instead of by the joint distribution."""
    opened = hidden_alarm()
    evidence = read_evidence(opened.knowledge, opened.network, answers_of(seen))
    assert conflict(opened, evidence, somebody_called=False).bits == pytest.approx(bits, abs=PRINTED)


def test_a_report_without_smoke_is_explained_by_tampering() -> None:
    """Fire network, no smoke and a report: +0.321982 bit; with tampering -4.324172 (methods 4.2, V20). The small network: smoke
    as a cause of its own, tampering, and the report as frequent as there without smoke, with and without tampering, and on the
    whole."""
    def p(**seen: bool) -> float:
        return probability(fire, "TFAKLR", **seen)

    neither, tampered = (p(R=True, K=False, T=t) / p(K=False, T=t) for t in (False, True))
    smoke, tampering, report = p(K=True), 0.02, p(R=True)
    tamper = link(neither, tampered)[0]
    silent = (1 - report - (1 - smoke) * (1 - p(R=True, K=False) / (1 - smoke))) / smoke  # no report, given smoke
    smoky = 1 - silent / ((1 - neither) * (1 - tampering * tamper))
    tables = Tables({"smoke": smoke, "tampering": tampering}, {"K": (0.0,), "R": (neither,)},
                    {("smoke", "K"): (1.0,), ("smoke", "R"): (smoky,), ("tampering", "R"): (tamper,)})
    opened = opened_of(tables)
    evidence = read_evidence(opened.knowledge, opened.network, answers_of({"K": 0, "R": 1}))
    found = conflict(opened, evidence, somebody_called=False)
    assert found.bits == pytest.approx(0.321982, abs=PRINTED)
    assert (found.cause, found.explained) == ("tampering", True)
    assert found.given_cause == pytest.approx(-4.324172, abs=PRINTED)


# --- sensitivity ---------------------------------------------------------------------------------------------------------


def both_call(strength: float = 20.0, prior: float = 0.001) -> Opened:
    """Burglary with "both neighbours call" as one finding."""
    calls = [probability(burglary, "BEAJM", B=b, J=True, M=True) / probability(burglary, "BEAJM", B=b) for b in (False, True)]
    return opened_of(Tables({"B": prior}, {"JM": (calls[0],)}, {("B", "JM"): link(*calls)}), strength=strength)


def test_burglary_as_a_function_of_its_prior() -> None:
    """Methods 4.3, V21: k1 t / (k1 t + k0 (1 - t)) with k1 = 0.59224259, k0 = 0.001493351."""
    opened = both_call()
    evidence = read_evidence(opened.knowledge, opened.network, answers_of({"JM": 1}))
    found = sensitivity(opened, evidence, "B", most=None, least=0.0, somebody_called=False)
    prior = next(x for x in found.leans if x.parameter.kind == "prior")
    assert prior.constants is not None
    a, b, c, d = (x / prior.constants[0] * 0.59224259 for x in prior.constants)
    assert (a, b) == pytest.approx((0.59224259, 0.0), abs=1e-12)
    assert (c, d) == pytest.approx((0.59224259 - 0.001493351, 0.001493351), abs=5e-10)
    for t, p in ((0.0001, 0.038149), (0.0005, 0.165549), (0.001, 0.284172), (0.002, 0.442823), (0.005, 0.665875),
                 (0.01, 0.800237)):
        assert prior.at(t) == pytest.approx(p, abs=PRINTED)
    assert prior.slope == pytest.approx(203.621825, abs=PRINTED)
    assert prior.at(0.002515177) == pytest.approx(0.5, abs=PRINTED)


def test_burglary_as_a_function_of_how_often_the_second_neighbour_calls() -> None:
    """Methods 4.3: (2.999e-8 + 0.000846018 t) / (0.000498741779 + 0.0022647978 t), t = P(M | alarm). The link is
    (t - 0.01) / 0.99, and both calls speak of the burglar through the alarm only."""
    opened = hidden_alarm()
    evidence = read_evidence(opened.knowledge, opened.network, answers_of({"J": 1, "M": 1}))
    found = sensitivity(opened, evidence, "alarm", most=None, least=0.0, somebody_called=False)
    calls = next(x for x in found.leans if x.parameter.kind == "link" and x.parameter.finding == "M")
    burglar = [probability(burglary, "BEAJM", A=a, B=True) / probability(burglary, "BEAJM", A=a) for a in (False, True)]
    for t, p in ((0.5, 0.259352), (0.7, 0.284172), (0.9, 0.300129), (1.0, 0.306147)):
        alarm = calls.at((t - 0.01) / 0.99)
        assert alarm * burglar[1] + (1 - alarm) * burglar[0] == pytest.approx(p, abs=PRINTED)


@pytest.mark.parametrize(("strength", "low", "high"), [(1.0, 0.019957, 0.543596), (10.0, 0.177186, 0.384114)])
def test_range_of_burglary_under_an_uncertain_prior(strength: float, low: float, high: float) -> None:
    """Methods 4.4: P(B) ~ Beta(1, 999) and Beta(10, 9990), that is a prior of 0.001 from 1 and from 10 burglaries."""
    opened = both_call(strength)
    evidence = read_evidence(opened.knowledge, opened.network, answers_of({"JM": 1}))
    found = sensitivity(opened, evidence, "B", most=None, least=0.0, somebody_called=False)
    prior = next(x for x in found.leans if x.parameter.kind == "prior")
    assert (prior.p_low, prior.p_high) == pytest.approx((low, high), rel=1e-3)


# --- sets ----------------------------------------------------------------------------------------------------------------


def test_the_best_set_is_not_the_set_of_the_best_causes() -> None:
    """Methods 4.5, given that there is some cause: marginals add up to more than 1, the third cause leads, alone."""
    tables = Tables({"c1": 0.1, "c2": 0.1, "c3": 0.06}, {"s1": (0.01,), "s2": (0.01,)},
                    {**{(c, "s1"): (0.9,) for c in ("c1", "c2", "c3")}, ("c1", "s2"): (0.3,), ("c2", "s2"): (0.3,),
                     ("c3", "s2"): (0.9,)})
    opened = opened_of(tables)
    evidence = read_evidence(opened.knowledge, opened.network, answers_of({"s1": 1, "s2": 1}))
    posterior = infer(opened.network, evidence)
    found = sets_covering(opened, evidence, posterior, cover=0.9999)
    some = 1 - 0.00075
    by_name = {tuple(opened.network.causes[i] for i in sorted(one.causes)): one.p * some for one in found.sets}
    wanted = {("c3",): 0.38815, ("c2",): 0.23022, ("c1",): 0.23022, ("c2", "c3"): 0.04895, ("c1", "c3"): 0.04895,
              ("c1", "c2"): 0.04715, ("c1", "c2", "c3"): 0.00561}
    assert by_name == {name: pytest.approx(p, abs=6e-6) for name, p in wanted.items()}
    assert found.covered == pytest.approx(1.0, abs=1e-9)
    assert np.sum(posterior.p) > 1
