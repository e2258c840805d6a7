"""Answers, readings and silence as likelihoods: the person's view, the meter's error, what is refused."""

from __future__ import annotations

import math
from contextlib import suppress
from itertools import accumulate, pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.evidence import (
    UNSURE_RATIO,
    Answer,
    confusion,
    likelihood_of,
    parse_answers,
    parse_reading,
    plain_evidence,
    read_evidence,
    reading_likelihood,
    seen_through,
)
from diagnose.network import Opened, assemble
from diagnose.posterior import infer
from diagnose.records import CHECK, CIRCUMSTANCE, REPORT, Finding, Header, Meter, Reading
from diagnose.source import ImpossibleEvidence, InputError
from tests.enumeration import Tables, enumerate_causes, up_to
from tests.strategies import Numbers
from tests.test_posterior import tables_of

CUSTOMER_LOOK = (0.85, 0.92)  # P(says so / is so), P(says not / is not)


# --- the person's view -----------------------------------------------------------------------------------------------


def said_by(levels: int, reliability: tuple[float, float]) -> np.ndarray:
    """[said, true] by enumeration: the level is noticed or missed, an alarm sounds or not, the higher is said."""
    sensitivity, specificity = reliability
    missed = (1 - sensitivity) / specificity  # so that missed and no alarm together are 1 - sensitivity
    table = np.zeros((levels, levels))
    for true in range(levels):
        for noticed, p in ((true, 1 - missed), (0, missed)):
            for alarm in range(levels):
                chance = specificity if alarm == 0 else (1 - specificity) / (levels - 1)
                table[max(noticed, alarm), true] += p * chance
    return table


def one_link(leak: tuple[float, ...], link: tuple[float, ...],
             reliability: tuple[float, float]) -> tuple[np.ndarray, np.ndarray]:
    network = assemble({"c": 0.5}, {"f": leak}, {("c", "f"): link})
    said_leak, said_link = seen_through(network, 0, reliability)
    return said_leak, said_link[0]


@pytest.mark.parametrize("leak", [0.0, 0.005, 0.4])
@pytest.mark.parametrize("link", [0.02, 0.6, 1.0])
@pytest.mark.parametrize("reliability", [(0.75, 0.85), (0.98, 0.999), (1.0, 0.9), (0.6, 1.0), (1.0, 1.0)])
def test_two_levels_are_exact_for_none_and_one_cause(leak: float, link: float, reliability: tuple[float, float]) -> None:
    """Design section 3: p' = p * sens + (1 - p) * (1 - spec), the plain two-by-two table."""
    sensitivity, specificity = reliability
    said_leak, said_link = one_link((leak,), (link,), reliability)
    p = 1 - (1 - leak) * (1 - link)
    assert 1 - said_leak[0] == pytest.approx(leak * sensitivity + (1 - leak) * (1 - specificity), abs=1e-15)
    assert 1 - said_leak[0] * said_link[0] == pytest.approx(p * sensitivity + (1 - p) * (1 - specificity), abs=1e-15)


def test_two_levels_worked_by_hand() -> None:
    """Leak 0.1, link 0.8, sensitivity 0.9, specificity 0.95, by hand: p = 0.82, p' = 0.738 + 0.009 = 0.747, leak' =
    0.09 + 0.045 = 0.135, link' = 0.612 / 0.865."""
    said_leak, said_link = one_link((0.1,), (0.8,), (0.9, 0.95))
    assert 1 - said_leak[0] == pytest.approx(0.135, abs=1e-15)
    assert 1 - said_link[0] == pytest.approx(0.612 / 0.865, abs=1e-15)


@settings(max_examples=200)
@given(st.integers(0, 2**32 - 1), st.integers(3, 5), st.floats(0.55, 1.0), st.floats(0.55, 1.0))
def test_several_levels_follow_the_confusion_table(seed: int, levels: int, sensitivity: float, specificity: float) -> None:
    """Exact for no cause; for one cause too wherever a product can say it. (With a large leak the quotient may fall: a missed
    leak and a missed cause are one miss. It is held monotone instead.)"""
    numbers = Numbers(seed, exact=False)
    leak, link = numbers.above(levels), numbers.above(levels)
    table = said_by(levels, (sensitivity, specificity))
    assert confusion(levels, (sensitivity, specificity)) == pytest.approx(np.cumsum(table, axis=0), abs=1e-12)
    assert 1 - table[0, 1:] == pytest.approx([sensitivity] * (levels - 1), abs=1e-12)
    none = np.array([up_to(leak, x) for x in range(levels)])
    one = none * np.array([up_to(link, x) for x in range(levels)])
    none, one = (np.cumsum(table @ np.diff(true, prepend=0.0)) for true in (none, one))
    said_leak, said_link = one_link(leak, link, (sensitivity, specificity))
    assert said_leak == pytest.approx(none, abs=1e-12)
    wanted = np.minimum(1.0, np.maximum.accumulate(one / none))
    assert said_leak * said_link == pytest.approx(none * wanted, abs=1e-12)
    if (np.diff(one / none) >= 0).all():
        assert said_leak * said_link == pytest.approx(one, abs=1e-12)


@settings(max_examples=100)
@given(st.integers(0, 2**32 - 1), st.integers(2, 7), st.floats(0.55, 1.0), st.floats(0.55, 1.0))
def test_one_cause_and_no_leak_are_exact_at_any_number_of_levels(seed: int, levels: int, sensitivity: float,
                                                                 specificity: float) -> None:
    link = Numbers(seed, exact=False).above(levels)
    true = np.diff([up_to(link, x) for x in range(levels)], prepend=0.0)
    said_leak, said_link = one_link((0.0,) * (levels - 1), link, (sensitivity, specificity))
    assert said_leak * said_link == pytest.approx(np.cumsum(said_by(levels, (sensitivity, specificity)) @ true), abs=1e-12)


@settings(max_examples=200)
@given(st.integers(0, 2**32 - 1), st.integers(2, 7), st.floats(0.51, 1.0), st.floats(0.51, 1.0))
def test_what_is_said_is_a_distribution_in_rising_order(seed: int, levels: int, sensitivity: float, specificity: float) -> None:
    numbers = Numbers(seed, exact=True)
    leak, link = numbers.above(levels), numbers.above(levels)
    if sum(leak) == 1.0:
        leak = tuple(x / 2 for x in leak)
    for row in one_link(leak, link, (sensitivity, specificity)):
        assert (np.diff(row) >= -1e-15).all()
        assert row[0] >= 0.0
        assert row[-1] == 1.0


def test_a_finding_that_always_shows_seen_through_a_person_who_never_misses() -> None:
    """Leak 1 and sensitivity 1: nobody ever says "normal"; nothing to divide by, and no NaN."""
    said_leak, said_link = one_link((1.0,), (0.5,), (1.0, 0.9))
    assert said_leak.tolist() == [0.0, 1.0]
    assert np.isfinite(said_link).all()


def test_reliability_comes_from_who_and_how(doorbell: Opened) -> None:
    """The same words from different people: the surer the observer, the further the cause moves."""
    knowledge, network = doorbell[:2]
    wire = network.cause_index["broken_wire"]

    def p(who: str, method: str | None) -> float:
        answer = Answer("rings_when_bridged", "rings", who, method)
        return float(infer(network, read_evidence(knowledge, network, [answer])).p[wire])

    assert p("customer", "recall") < p("customer", None) < p("fitter", None) < p("workshop", None)
    assert p("customer", None) == p("customer", "exchange")  # the check's own method, as the file says


def test_facts_about_the_vehicle_are_taken_as_they_are(doorbell: Opened) -> None:
    knowledge, network = doorbell[:2]
    posterior = infer(network, read_evidence(knowledge, network, [Answer("has_chime", "no", "customer", "recall")]))
    assert posterior.p[network.cause_index["chime_loads"]] == 0.0


# --- whole answers against enumeration -------------------------------------------------------------------------------


def said_tables(tables: Tables, finding: str, reliability: tuple[float, float]) -> Tables:
    """The tables with one finding replaced by what a person says of it, worked from the confusion table."""
    leak = tables.leaks[finding]
    levels = len(leak) + 1
    table = said_by(levels, reliability)
    none = [up_to(leak, x) for x in range(levels)]

    def said(cumulative: list[float]) -> list[float]:
        return np.cumsum(table @ np.diff(cumulative, prepend=0.0)).tolist()

    links = dict(tables.links)
    for (cause, name), above in tables.links.items():
        if name == finding:
            one = said([n * up_to(above, x) for x, n in enumerate(none)])
            ratio = list(accumulate((min(1.0, o / n) for o, n in zip(one, said(none), strict=True)), max))
            links[cause, name] = tuple(np.diff(ratio))
    return tables._replace(leaks={**tables.leaks, finding: tuple(np.diff(said(none)))}, links=links)


def thinned_tables(tables: Tables, finding: str, salience: float) -> Tables:
    """The tables with one report replaced by what a customer volunteers of it: links and leak times the salience."""
    def thin(above: tuple[float, ...]) -> tuple[float, ...]:
        return tuple(salience * x for x in above)

    links = {key: thin(above) if key[1] == finding else above for key, above in tables.links.items()}
    return tables._replace(leaks={**tables.leaks, finding: thin(tables.leaks[finding])}, links=links)


@st.composite
def doorbell_answers(draw: Any) -> list[tuple[str, int, str, str, bool]]:
    """(finding, level, who, how, sure) about some findings of the door bell."""
    sizes = {"silent": 2, "faint": 2, "hot": 2, "false_rings": 2, "volts_at_bell": 3, "idle_current": 2,
             "rings_when_bridged": 2, "has_chime": 2}
    return [(name, draw(st.integers(0, sizes[name] - 1)), draw(st.sampled_from(("customer", "fitter", "workshop"))),
             draw(st.sampled_from(("volunteered", "recall", "look", "meter", "exchange"))), draw(st.booleans()))
            for name in draw(st.lists(st.sampled_from(sorted(sizes)), unique=True))]


@settings(max_examples=150)
@given(answers=doorbell_answers(), unmentioned=st.booleans())
def test_answers_of_all_kinds_equal_enumeration(doorbell: Opened, answers: list[tuple[str, int, str, str, bool]],
                                                unmentioned: bool) -> None:
    knowledge, network = doorbell[:2]
    tables = tables_of(network)
    seen: dict[str, Any] = {}
    given_answers = []
    for name, level, who, how, sure in answers:
        finding = knowledge.findings[name]
        given_answers.append(Answer(name, finding.levels[level], who, how, sure))
        if finding.kind != CIRCUMSTANCE:
            tables = said_tables(tables, name, knowledge.header.reliability[who][how])
        seen[name] = level if sure else tuple(1.0 if x == level else 0.25 for x in range(len(finding.levels)))
    if unmentioned:
        for report in knowledge.of_kind(REPORT):
            if report.id not in seen:
                tables = thinned_tables(tables, report.id, report.salience)
                seen[report.id] = 0
    truth = enumerate_causes(tables, seen)
    evidence = read_evidence(knowledge, network, given_answers, unmentioned=unmentioned)
    if truth.evidence == 0.0:
        with pytest.raises(ImpossibleEvidence):
            infer(network, evidence)
        return
    posterior = infer(network, evidence)
    assert posterior.p == pytest.approx([truth.called[name] for name in network.causes], abs=1e-9)
    assert posterior.log_evidence == pytest.approx(math.log(truth.evidence), abs=1e-9)


def test_the_order_of_answers_changes_nothing(doorbell: Opened) -> None:
    knowledge, network = doorbell[:2]
    answers = [Answer("silent", "yes"), Answer("volts_at_bell", "low", "fitter"), Answer("hot", "no"),
               Answer("idle_current", None, "fitter", reading=86.0), Answer("has_chime", "yes")]
    one = infer(network, read_evidence(knowledge, network, answers))
    two = infer(network, read_evidence(knowledge, network, answers[::-1]))
    assert two.p == pytest.approx(one.p, abs=1e-12)


def test_a_later_answer_replaces_an_earlier_one(doorbell: Opened) -> None:
    knowledge, network = doorbell[:2]
    both = read_evidence(knowledge, network, [Answer("silent", "yes"), Answer("silent", "no", "fitter")])
    last = read_evidence(knowledge, network, [Answer("silent", "no", "fitter")])
    assert both.answers == last.answers
    assert infer(network, both).p.tobytes() == infer(network, last).p.tobytes()


def test_abnormal_are_only_findings_that_are_likelier_not_as_they_should_be(doorbell: Opened) -> None:
    knowledge, network = doorbell[:2]

    def abnormal(answer: Answer) -> bool:
        return bool(read_evidence(knowledge, network, [answer]).abnormal)

    assert abnormal(Answer("silent", "yes"))
    assert abnormal(Answer("silent", "yes", sure=False))
    assert not abnormal(Answer("silent", "no"))
    assert not abnormal(Answer("silent", "no", sure=False))
    assert abnormal(Answer("volts_at_bell", None, "fitter", reading=11.0))
    assert not abnormal(Answer("volts_at_bell", None, "fitter", reading=13.0))


# --- not mentioned ---------------------------------------------------------------------------------------------------


def test_not_mentioned_is_the_thinned_product(doorbell: Opened) -> None:
    """By hand, for one report about which only ``shorted_wire`` (0.3) and the unlisted cause (0.03) have links, leak 0.01,
    salience 0.6: (1 - 0.006), times (1 - 0.18) and (1 - 0.018) for these two."""
    knowledge, network = doorbell[:2]
    others = [Answer(f.id, "no", "workshop") for f in knowledge.of_kind(REPORT) if f.id != "false_rings"]
    without = read_evidence(knowledge, network, others, unmentioned=False)
    silent = read_evidence(knowledge, network, others)
    ratio = silent.present / without.present
    assert silent.log_factor - without.log_factor == pytest.approx(math.log(1 - 0.6 * 0.01), abs=1e-15)
    assert ratio[network.cause_index["shorted_wire"]] == pytest.approx(1 - 0.6 * 0.3, abs=1e-15)
    assert ratio[network.cause_index["unlisted"]] == pytest.approx(1 - 0.6 * 0.03, abs=1e-15)
    assert np.delete(ratio, [network.cause_index["shorted_wire"], network.cause_index["unlisted"]]) == pytest.approx(1, abs=0)
    assert (silent.absent == without.absent).all()


def test_not_mentioned_lies_between_not_asked_and_denied(doorbell: Opened) -> None:
    knowledge, network = doorbell[:2]
    wire = network.cause_index["shorted_wire"]

    def p(answers: list[Answer], *, unmentioned: bool) -> float:
        return float(infer(network, read_evidence(knowledge, network, answers, unmentioned=unmentioned)).p[wire])

    others = [Answer(f.id, "no", "workshop") for f in knowledge.of_kind(REPORT) if f.id != "false_rings"]
    denied = [*others, Answer("false_rings", "no", "workshop")]
    assert p(denied, unmentioned=True) < p(others, unmentioned=True) < p(others, unmentioned=False)
    assert p(denied, unmentioned=True) == p(denied, unmentioned=False)  # asking replaces it


# --- readings: methods 6.2 -------------------------------------------------------------------------------------------

BANDS = {"none": (10.0, 11.8), "low": (11.8, 12.4), "good": (12.4, 15.0)}
FINE = Meter("V", 0.0, 0.15 / 1e-9, 1e-9, -16.0, 32.0)  # standard uncertainty 0.15, no rounding to speak of


def finding_with(bands: dict[str, tuple[float, float]], levels: tuple[str, ...]) -> Finding:
    leak = (0.1,) * (len(levels) - 1)
    return Finding("volts", CHECK, "Volts", "supply", "How many?", levels, ("",) * len(levels), leak, "", 0,
                   reading=Reading("V", "volts", "fine", bands))


def likelihood(value: float, bands: dict[str, tuple[float, float]] = BANDS, meter: Meter = FINE) -> dict[str, float]:
    finding = finding_with(bands, tuple(bands))
    assert finding.reading
    return dict(zip(bands, reading_likelihood(finding.reading, meter, finding, value), strict=True))


def test_a_reading_inside_a_band() -> None:
    """methods 6.2, r = 11.9, u = 0.15: scaled 0.1126578 : 1 : 0.0001325."""
    found = likelihood(11.9)
    assert found == pytest.approx({"none": 0.1402736 / 1.2451307, "low": 1.0, "good": 0.0001650 / 1.2451307}, abs=5e-8)
    assert found == pytest.approx({"none": 0.1126578, "low": 1.0, "good": 0.0001325}, abs=5e-8)


def test_the_width_is_divided_out() -> None:
    """methods 6.2: with priors 0.2, 0.3, 0.5 the posterior is 0.0698441, 0.9299505, 0.0002054 (0.1837, 0.8155, 0.0008 with the
    masses wrongly taken for likelihoods)."""
    found = likelihood(11.9)
    weights = {level: found[level] * prior for level, prior in (("none", 0.2), ("low", 0.3), ("good", 0.5))}
    total = sum(weights.values())
    assert [w / total for w in weights.values()] == pytest.approx([0.0698441, 0.9299505, 0.0002054], abs=5e-8)


def test_a_reading_on_the_edge_counts_by_inverse_widths() -> None:
    """methods 6.2, r = 11.8: 0.2777778, 0.8332805, 0.0000122."""
    found = likelihood(11.8)
    assert found["none"] == pytest.approx(0.2777778 / 0.8332805, abs=5e-8)
    assert found["good"] == pytest.approx(0.0000122 / 0.8332805, abs=1e-7)


def test_the_rounding_of_the_display_is_added() -> None:
    """methods 6.2: a display of 0.1 steps turns u = 0.15 into 0.1527525. Phi from the standard library's erf."""
    u = 0.1527525232

    def phi(z: float) -> float:
        return (1 + math.erf(z / math.sqrt(2))) / 2

    density = {name: (phi((high - 11.9) / u) - phi((low - 11.9) / u)) / (high - low) for name, (low, high) in BANDS.items()}
    found = likelihood(11.9, meter=Meter("V", 0.0, 1.5, 0.1, -16.0, 32.0))
    assert found == pytest.approx({name: d / density["low"] for name, d in density.items()}, abs=1e-9)


def test_a_share_of_the_reading_is_added() -> None:
    """1 % of 12 V + 3 counts of 0.01 V = 0.15 V."""
    assert likelihood(12.0, meter=Meter("V", 0.01, 0.03 / 1e-9, 1e-9, -16, 32)) == pytest.approx(likelihood(12.0), abs=1e-9)


def test_mass_inside_one_two_and_three_uncertainties() -> None:
    """methods 6.2: 0.6826895, 0.9544997, 0.9973002, here for bands of these half widths around the reading."""
    bands = {f"{k}": (12 - 0.15 * k, 12 + 0.15 * k) for k in (1, 2, 3)}
    found = likelihood(12.0, bands)
    assert found == pytest.approx({"1": 1.0, "2": 0.9544997 / 2 / 0.6826895, "3": 0.9973002 / 3 / 0.6826895}, abs=1e-7)


def test_a_perfect_meter_gives_hard_evidence() -> None:
    assert likelihood(11.9, meter=Meter("V", 0.0, 0.0, 1e-9, -16, 32)) == {"none": 0.0, "low": 1.0, "good": 0.0}


def test_a_level_far_away_is_ruled_out() -> None:
    """What is a billion times less likely than the best is dropped: 14 V is 10 uncertainties above the band of 'low'."""
    assert likelihood(14.0) == {"none": 0.0, "low": 0.0, "good": 1.0}


@pytest.mark.parametrize(("value", "edge"), [(20.0, 15.0), (3.0, 10.0), (-5.0, 10.0)])
def test_a_value_beyond_every_band_counts_for_the_nearest(value: float, edge: float) -> None:
    assert likelihood(value) == likelihood(edge)


@pytest.mark.parametrize(("value", "nearest"), [
    (2.6, "dead"), (6.0, "dead"), (11.0, "good"),
    (8.0, "good")])
def test_a_value_in_a_gap_between_bands_counts_for_the_nearer(value: float, nearest: str) -> None:
    found = likelihood(value, {"good": (11.5, 15.5), "dead": (0.0, 2.0)})
    assert found == {name: float(name == nearest) for name in found}


def test_bands_may_overlap_and_a_level_may_have_none() -> None:
    finding = finding_with({"good": (10.0, 16.0), "odd": (10.0, 16.0)}, ("good", "odd", "unread"))
    assert finding.reading
    assert reading_likelihood(finding.reading, FINE, finding, 12.0).tolist() == [1.0, 1.0, 0.0]


@settings(max_examples=200)
@given(st.floats(-16.0, 32.0))
def test_every_sane_reading_gives_a_likelihood(value: float) -> None:
    found = likelihood(value, meter=Meter("V", 0.01, 2, 0.01, -16, 32))
    assert all(0.0 <= x <= 1.0 for x in found.values())
    assert max(found.values()) == 1.0


def test_every_reading_of_the_shipped_network_gives_a_likelihood(head_unit: Opened) -> None:
    """At all edges, between them and at what the meter can show at most and least."""
    for finding in head_unit.knowledge.findings.values():
        if finding.reading is None:
            continue
        meter = head_unit.knowledge.header.meters[finding.reading.meter]
        edges = sorted({edge for band in finding.reading.bands.values() for edge in band} | {meter.lowest, meter.highest})
        middles = [(one + other) / 2 for one, other in pairwise(edges)]
        for value in (*edges, *middles):
            if meter.lowest <= value <= meter.highest:
                found = reading_likelihood(finding.reading, meter, finding, value)
                assert np.isfinite(found).all() and found.max() == 1.0, (finding.id, value)


def test_a_reading_moves_the_causes_as_its_likelihood_does(doorbell: Opened) -> None:
    """The whole way: 11.9 V from a workshop, whose word is exact, equals enumeration with the likelihood itself."""
    knowledge, network = doorbell[:2]
    finding = knowledge.findings["volts_at_bell"]
    answer = Answer("volts_at_bell", None, "workshop", reading=11.9)
    levels = likelihood_of(knowledge.header, finding, answer)
    truth = enumerate_causes(tables_of(network), {"volts_at_bell": tuple(levels)})
    posterior = infer(network, read_evidence(knowledge, network, [answer], unmentioned=False))
    assert posterior.p == pytest.approx([truth.called[name] for name in network.causes], abs=1e-9)


def test_unsure_is_four_to_one(doorbell: Opened) -> None:
    """"I think so, 4 to 1" (methods 6.1): a likelihood over the levels, not over the causes."""
    knowledge = doorbell.knowledge
    found = likelihood_of(knowledge.header, knowledge.findings["volts_at_bell"], Answer("volts_at_bell", "low", sure=False))
    assert found.tolist() == [1 / UNSURE_RATIO, 1.0, 1 / UNSURE_RATIO]
    assert UNSURE_RATIO == 4.0


# --- numbers as people type them -------------------------------------------------------------------------------------


def finding_in(unit: str) -> Finding:
    return finding_with(BANDS, tuple(BANDS))._replace(reading=Reading(unit, "quantity", "fine", BANDS))


@pytest.mark.parametrize(("text", "unit", "value"), [
    ("11.9", "V", 11.9), ("11,9", "V", 11.9), ("0.2 V", "V", 0.2), ("0.2V", "V", 0.2), (" 12.4 volts ", "V", 12.4),
    ("-0.3", "V", -0.3), ("+5", "V", 5.0), ("86 mA", "mA", 86.0), ("86 mA", "A", 0.086), ("0.086 A", "mA", 86.0),
    ("200 mV", "V", 0.2), ("0.2 v", "mV", 200.0), ("1.2 kohm", "ohm", 1200.0), ("4.7 ohms", "ohm", 4.7), ("4,7 Ω", "ohm", 4.7),
    ("2 Mohm", "ohm", 2e6), ("35 µA", "mA", 0.035), ("12 amps", "A", 12.0), ("0", "V", 0.0),
])
def test_a_number_with_or_without_its_unit(text: str, unit: str, value: float) -> None:
    assert parse_reading(text, finding_in(unit)) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(("text", "unit"), [
    ("abc", "V"), ("", "V"), ("V", "V"), ("1e999", "V"), ("nan", "V"), ("inf", "V"), ("1.2.3", "V"), ("--3", "V"),
    ("12 furlongs", "V"),    ("12 V 13", "V"), ("12 A", "V"), ("0.2 V", "mA"), ("3 V", "ohm"), ("0x10", "V"), ("12;rm", "V"),
    ("12\x00", "V"), ("[bold]12", "V"), ("about 12", "V"), ("1/2", "V"), ("\u2014", "V"),
])
def test_what_is_no_number_in_the_unit_is_refused_in_a_sentence(text: str, unit: str) -> None:
    with pytest.raises(InputError) as refused:
        parse_reading(text, finding_in(unit))
    (problem,) = refused.value.problems
    assert problem.what and problem.mend


def test_a_text_too_long_to_be_a_number_is_refused_not_cut() -> None:
    for text in ("9" * 400, "11.9" + " " * 70 + "or so"):
        with pytest.raises(InputError):
            parse_reading(text, finding_in("V"))


@settings(max_examples=300)
@given(st.text("0123456789.,+-eEVvmkAΩµ \t\x00\u0967", max_size=12))
def test_any_text_gives_a_number_or_an_input_error(text: str) -> None:
    with suppress(InputError):
        assert math.isfinite(parse_reading(text, finding_in("V")))


@pytest.mark.parametrize("value", [400.0, -20.0, math.nan, math.inf, -math.inf, 1e300])
def test_what_the_meter_cannot_show_is_refused(value: float) -> None:
    """400 V at a 12 V plug (design section 3)."""
    with pytest.raises(InputError, match=r"between -16 and 32"):
        likelihood(value)


def test_negative_ohms_are_refused(head_unit: Opened) -> None:
    ohms = [f for f in head_unit.knowledge.findings.values() if f.reading and f.reading.unit == "ohm"]
    assert len(ohms) > 3
    for finding in ohms:
        with pytest.raises(InputError, match="no sane reading"):
            read_evidence(*head_unit[:2], [Answer(finding.id, None, "fitter", reading=-5.0)])


# --- refused answers -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("answer", "words"), [
    (Answer("silnt", "yes"), "no finding 'silnt'.*did you mean 'silent'"),
    (Answer("silent", "perhaps"), "'perhaps' is no level of 'silent'.*no, yes"),
    (Answer("silent", "yes", "neighbour"), "'neighbour' is not one of the people"),
    (Answer("silent", "yes", "customer", "smell"), "'smell' is no way of finding out"),
    (Answer("silent"), "either a level or a reading"),
    (Answer("volts_at_bell", "low", "fitter", reading=3.0), "either a level or a reading"),
    (Answer("silent", None, reading=3.0), "not read as a number"),
])
def test_an_answer_that_does_not_fit_is_refused_in_a_sentence(doorbell: Opened, answer: Answer, words: str) -> None:
    with pytest.raises(InputError, match=f"(?s){words}"):
        read_evidence(*doorbell[:2], [answer])


def test_answers_from_texts(doorbell: Opened) -> None:
    knowledge = doorbell.knowledge
    texts = ["silent=yes", " volts_at_bell = 11,9 V ", "idle_current=0.086 A", "has_chime=no"]
    found = parse_answers(texts, knowledge, who="fitter")
    assert [(a.finding, a.level, a.reading) for a in found] == [
        ("silent", "yes", None), ("volts_at_bell", None, 11.9), ("idle_current", None, pytest.approx(86.0)),
        ("has_chime", "no", None)]
    assert {a.who for a in found} == {"fitter"}


def test_all_that_is_wrong_with_texts_is_said_at_once(doorbell: Opened) -> None:
    knowledge = doorbell.knowledge
    texts = ["silent", "silnt=yes", "volts_at_bell=400 V", "idle_current=-5", "volts_at_bell=12 mA", "silent=perhaps", "hot=no"]
    with pytest.raises(InputError) as refused:
        parse_answers(texts, knowledge, who="fitter")
    assert len(refused.value.problems) == 6


# --- the arrays ------------------------------------------------------------------------------------------------------


def test_evidence_cannot_be_changed_and_changes_nothing(doorbell: Opened) -> None:
    knowledge, network = doorbell[:2]
    before = network.prior.tobytes()
    evidence = read_evidence(knowledge, network, [Answer("silent", "yes"), Answer("hot", "no")])
    infer(network, evidence)
    assert network.prior.tobytes() == before
    for array in (evidence.absent, evidence.present):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 0.5


def test_plain_evidence_is_the_network_as_it_stands() -> None:
    """One cause of prior 0.1, leak 0.01, link 0.8, by hand: P(f) = 0.9 * 0.01 + 0.1 * (1 - 0.99 * 0.2) = 0.0892."""
    network = assemble({"c": 0.1}, {"f": (0.01,)}, {("c", "f"): (0.8,)})
    seen = infer(network, plain_evidence(network, {"f": 1}), somebody_called=False)
    assert math.exp(seen.log_evidence) == pytest.approx(0.0892, abs=1e-15)
    assert seen.p == pytest.approx([0.0802 / 0.0892], abs=1e-12)


def test_header_reliabilities_are_used(doorbell: Opened) -> None:
    header: Header = doorbell.knowledge.header
    assert header.reliability["customer"]["look"] == CUSTOMER_LOOK


@pytest.mark.parametrize("given", [-1, 3, np.int64(3), 0.5, (1.0, 0.0)])
def test_a_level_that_is_not_there_is_refused_in_plain_evidence(doorbell: Opened, given: Any) -> None:
    with pytest.raises(ValueError, match="volts_at_bell"):
        plain_evidence(doorbell.network, {"volts_at_bell": given})


def test_a_whole_number_of_any_kind_is_a_level(doorbell: Opened) -> None:
    network = doorbell.network
    one, other = (plain_evidence(network, {"volts_at_bell": given}).axes[0].last for given in (2, np.int64(2)))
    assert one.tolist() == other.tolist()
