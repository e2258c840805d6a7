"""Numbers with units, a meter's error over bands, and the readings: properties, refusals and their registry."""

from __future__ import annotations

import doctest
import inspect
import json
import math
import subprocess
import sys
from types import ModuleType
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from diagnose import quantities, readings
from diagnose.conductors import ampacity, blade_fuse, fuse_current, opening_window, voltage_drop, wire, wire_resistance
from diagnose.evidence import reading_likelihood
from diagnose.network import Opened
from diagnose.quantities import (
    Argument,
    Judgement,
    MeterError,
    band_likelihood,
    held,
    interpolate,
    level_of,
    meter_likelihood,
    parse_quantity,
    short,
    standard_uncertainty,
)
from diagnose.readings import (
    READINGS,
    REST_VOLTS,
    SOURCES,
    cranking,
    describe,
    key_off_current,
    output_bias,
    run,
    speaker,
    state_of_charge,
)
from diagnose.source import InputError

EXACT = MeterError(0.0, 0.0, 0.0)

# --- numbers with units ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("text", "unit", "value"), [
    ("11.9", "V", 11.9), ("0.2 V", "V", 0.2), ("0.2v", "V", 0.2), (" 12 Volts ", "V", 12.0), ("-0,3", "V", -0.3),
    ("\u22120.3 V", "V", -0.3), ("200 mV", "V", 0.2), ("0.2 V", "mV", 200.0), ("+5", "V", 5.0), (".5", "V", 0.5),
    ("86 mA", "mA", 86.0), ("86 mA", "A", 0.086), ("0.086 A", "mA", 86.0), ("86 ma", "mA", 86.0), ("500 uA", "mA", 0.5),
    ("500 µA", "mA", 0.5), ("1e-3 A", "mA", 1.0),
    ("2,5 mm2", "mm2", 2.5), ("2.5 mm²", "mm2", 2.5), ("2.5 mm^2", "mm2", 2.5), ("2.5", "mm2", 2.5),
    ("-5 C", "C", -5.0), ("-5 °C", "C", -5.0), ("23 F", "C", -5.0), ("268.15 K", "C", -5.0), ("5 C", "K", 5.0),
    ("9 F", "K", 5.0),
    ("100 min", "min", 100.0), ("2 h", "min", 120.0), ("1.5 days", "h", 36.0), ("36 hours", "days", 1.5), ("90 s", "min", 1.5),
    ("4.7 kohm", "ohm", 4700.0), ("4.7 kΩ", "ohm", 4700.0), ("20 Mohm", "ohm", 2e7), ("35 mohm", "ohm", 0.035),
    ("0.5 ohm", "mohm", 500.0), ("3 kHz", "Hz", 3000.0), ("600 mAh", "Ah", 0.6), ("150 cm", "m", 1.5), ("40 %", "%", 40.0),
    ("2000 rpm", "rpm", 2000.0), ("2000 /min", "rpm", 2000.0), ("3", "", 3.0), ("1200", "V", 1200.0), ("0,125", "V", 0.125),
    ("12 furlongs", "furlongs", 12.0)])
def test_quantities(text: str, unit: str, value: float) -> None:
    assert parse_quantity(text, unit) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(("unit", "names"), [
    ("V", "v volt volts"), ("A", "a amp amps ampere amperes"), ("ohm", "ohms Ω"), ("W", "w watt watts"), ("Hz", "hz hertz"),
    ("Ah", "ah"), ("m", "metre metres meter meters"), ("s", "sec second seconds"), ("min", "mins minute minutes"),
    ("h", "hr hour hours"), ("days", "d day"), ("C", "c °c degc celsius °"), ("F", "°f degf fahrenheit"), ("K", "k kelvin"),
    ("mm2", "mm² mm^2 sqmm qmm"), ("%", "percent"), ("rpm", "/min 1/min r/min")])
def test_every_name_of_a_unit_means_that_unit(unit: str, names: str) -> None:
    for name in names.split():
        assert parse_quantity(f"12.5 {name}", unit) == 12.5, name
        assert parse_quantity(f"12.5 {name.upper()}", unit) == 12.5, name


@pytest.mark.parametrize(("one", "other", "factor"), [
    ("min", "s", 60), ("h", "min", 60), ("days", "h", 24), ("s", "ms", 1000), ("m", "cm", 100), ("m", "mm", 1000),
    ("km", "m", 1000), ("V", "mV", 1000), ("V", "uV", 1e6), ("V", "µV", 1e6), ("V", "μV", 1e6), ("kV", "V", 1000),
    ("Mohm", "kohm", 1000), ("kohm", "ohm", 1000), ("Kohm", "ohm", 1000), ("ohm", "mohm", 1000), ("MHz", "kHz", 1000),
    ("kW", "W", 1000), ("Ah", "mAh", 1000)])
def test_how_units_of_a_kind_compare(one: str, other: str, factor: float) -> None:
    assert parse_quantity(f"3 {one}", other) == pytest.approx(3.0 * factor, rel=1e-12)


def test_prefixes_keep_the_last_digit() -> None:
    assert [parse_quantity(f"{n} mA", "A") for n in (86, 7, 0.3)] == [0.086, 0.007, 0.0003]
    assert parse_quantity("0.086 A", "mA") == 86.0


@pytest.mark.parametrize(("text", "unit"), [
    ("", "V"), ("   ", "V"), ("V", "V"), ("twelve", "V"), ("12 A", "V"), ("12 V", "A"), ("12.4.5", "V"), ("1.234,5", "V"),
    ("12 V 13", "V"), ("12 -13", "V"), ("--5", "V"), ("1,200", "V"), ("12,345 V", "V"), ("nan", "V"), ("inf", "V"),
    ("-inf V", "V"), ("1e999", "V"), ("9" * 400, "V"), ("86 MA", "A"), ("86 MA", "mA"), ("12 MV", "V"), ("5 K", "V"),
    ("100 m", "min"), ("5 min", "m"), ("0x10", "V"), ("12\x00", "V"), ("12\n13", "V"), ("٣", "V"), ("<1 mV", "mV"),
    ("5 %", "V"), ("3 V", ""), ("12 furlongs", "V"), ("1_000", "V"), ("½", "V"), ("OL", "ohm")])
def test_nonsense_quantities_are_refused_in_one_sentence(text: str, unit: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_quantity(text, unit, key="volts_at_plug")
    (problem,) = caught.value.problems
    assert problem.key == "volts_at_plug" and problem.what and "\n" not in str(caught.value)
    assert problem.mend


@given(st.text(max_size=60), st.sampled_from(["V", "mA", "ohm", "C", "K", "min", "mm2", "%", "", "rpm", "nonsense"]))
def test_any_text_gives_a_finite_number_or_an_input_error(text: str, unit: str) -> None:
    try:
        assert math.isfinite(parse_quantity(text, unit))
    except InputError as error:
        assert len(error.problems) == 1


PAIRS = [("V", "mV", 1e3), ("A", "mA", 1e3), ("ohm", "kohm", 1e-3), ("h", "min", 60.0), ("days", "h", 24.0), ("m", "cm", 100.0)]


@given(st.floats(-1e6, 1e6).map(lambda x: round(x, 6)), st.sampled_from(PAIRS))
def test_the_same_number_in_another_unit(value: float, units: tuple[str, str, float]) -> None:
    one, other, factor = units
    assert parse_quantity(f"{value:f} {one}", other) == pytest.approx(value * factor, rel=1e-12)
    assert parse_quantity(f"{value:f} {other}", one) == pytest.approx(value / factor, rel=1e-12)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_printed_number_reads_back(value: float) -> None:
    assert parse_quantity(repr(value), "V") == value


@given(st.floats(-1e12, 1e12).filter(lambda x: x == 0 or abs(x) > 1e-9))
def test_short_numbers_keep_three_digits(value: float) -> None:
    text = short(value)
    assert "e" not in text
    assert float(text.replace(",", "")) == pytest.approx(value, rel=0.5e-2, abs=1e-12)


@pytest.mark.parametrize("module", [quantities, readings])
def test_examples_in_the_documentation_run(module: ModuleType) -> None:
    done = doctest.testmod(module)
    assert done.attempted >= 1 and done.failed == 0


def test_interpolation_hits_its_points_and_stays_between_them() -> None:
    points = [(-1.0, 5.0), (0.0, 2.0), (4.0, 10.0)]
    assert [interpolate(points, x) for x in (-9.0, -1.0, -0.5, 0.0, 1.0, 4.0, 9.0)] == [5.0, 5.0, 3.5, 2.0, 4.0, 10.0, 10.0]


# --- a meter's error over bands --------------------------------------------------------------------------------------

BANDS = {"low": (10.0, 11.8), "middle": (11.8, 12.4), "high": (12.4, 15.0)}


def test_band_likelihood_of_the_worked_example() -> None:
    """methods 6.2: r = 11.9, u = 0.15; densities 0.1402736, 1.2451307, 0.0001650, scaled 0.1126578 : 1 : 0.0001325."""
    likelihood = band_likelihood(11.9, 0.15, BANDS)
    assert likelihood == pytest.approx({"low": 0.1126578, "middle": 1.0, "high": 0.0001325}, abs=5e-8)
    weights = {name: prior * likelihood[name] for name, prior in zip(BANDS, (0.2, 0.3, 0.5), strict=True)}
    assert [w / sum(weights.values()) for w in weights.values()] == pytest.approx([0.0698441, 0.9299505, 0.0002054], abs=5e-8)


def test_on_an_edge_the_ratio_is_that_of_the_inverse_widths() -> None:
    likelihood = band_likelihood(11.8, 0.15, BANDS)  # methods 6.2: 0.2777778, 0.8332805, 0.0000122
    assert likelihood["low"] == pytest.approx(0.2777778 / 0.8332805, rel=1e-6)
    assert likelihood["high"] == pytest.approx(0.0000122 / 0.8332805, rel=5e-3)
    assert band_likelihood(11.8, 0.0, BANDS) == pytest.approx({"low": 0.6 / 1.8, "middle": 1.0, "high": 0.0})


def test_display_rounding_adds_in_quadrature() -> None:
    assert standard_uncertainty(0.0, 0.0, 0.0, 0.1) == pytest.approx(0.0288675, abs=5e-8)  # methods 6.2: 0.1 step
    assert standard_uncertainty(15.0, 0.01, 0.0, 0.1) == pytest.approx(0.1527525, abs=5e-8)  # with 0.15


@given(st.floats(9.0, 16.0), st.floats(0.1, 3.0))
def test_band_likelihood_is_the_mean_of_the_density_over_the_band(value: float, uncertainty: float) -> None:
    """Against Simpson's rule, which knows nothing of error functions."""
    def mean(low: float, high: float) -> float:
        n = 400
        step = (high - low) / n
        at = held(value, BANDS)
        weights = [1, *[4, 2] * (n // 2 - 1), 4, 1]
        total = sum(w * math.exp(-0.5 * ((low + i * step - at) / uncertainty) ** 2) for i, w in enumerate(weights))
        return total * step / 3.0 / (high - low)

    means = {name: mean(*band) for name, band in BANDS.items()}
    largest = max(means.values())
    assert band_likelihood(value, uncertainty, BANDS) == pytest.approx({n: m / largest for n, m in means.items()}, abs=1e-6)


@given(st.floats(-1e300, 1e300), st.floats(0.0, 1e300),
       st.lists(st.tuples(st.floats(-1e6, 1e6), st.floats(1e-6, 1e6)), min_size=1, max_size=5))
def test_band_likelihood_is_always_sane(value: float, uncertainty: float, raw: list[tuple[float, float]]) -> None:
    bands = {f"l{i}": (low, low + width) for i, (low, width) in enumerate(raw) if low + width > low}
    assume(bands)
    likelihood = band_likelihood(value, uncertainty, bands)
    assert max(likelihood.values()) == 1.0
    assert all(0.0 <= x <= 1.0 for x in likelihood.values())


def test_a_value_in_a_wide_gap_counts_for_the_nearer_band() -> None:
    gap = {"usual": (0.0, 1.0), "high": (5.0, 10.0)}
    assert band_likelihood(2.0, 0.001, gap) == {"usual": 1.0, "high": 0.0}
    assert band_likelihood(4.0, 0.001, gap) == {"usual": 0.0, "high": 1.0}
    assert band_likelihood(2.0, 0.0, gap) == {"usual": 1.0, "high": 0.0}


def test_the_far_tail_keeps_its_digits() -> None:
    """Mirror images must agree: 8 standard uncertainties above a band or below it."""
    above = band_likelihood(8.5, 1.0, {"a": (0.0, 0.5), "b": (0.5, 8.5)})
    below = band_likelihood(-8.5, 1.0, {"a": (-0.5, 0.0), "b": (-8.5, -0.5)})
    assert above == pytest.approx(below, rel=1e-9)
    higher = {"x": (8.0, 9.0), "y": (9.0, 10.0), "z": (0.0, 7.0)}
    lower = {name: (-high, -low) for name, (low, high) in higher.items()}
    assert band_likelihood(4.0, 1.0, higher) == pytest.approx(band_likelihood(-4.0, 1.0, lower), rel=1e-9)


def test_a_reading_far_beyond_every_band_belongs_to_the_last() -> None:
    bands = {"usual": (0.0, 50.0), "high": (50.0, 1000.0)}
    likelihood = meter_likelihood(100_000.0, quantities.CLAMP_MILLIAMPS, bands)  # 3 % of 100 A would be 3,000 mA
    assert likelihood == {"usual": 0.0, "high": 1.0}


@pytest.mark.parametrize(("value", "uncertainty", "bands"), [
    (math.nan, 1.0, BANDS), (1.0, math.nan, BANDS), (1.0, -1.0, BANDS), (1.0, math.inf, BANDS), (1.0, 1.0, {}),
    (1.0, 1.0, {"a": (2.0, 2.0)}), (1.0, 1.0, {"a": (3.0, 2.0)}), (1.0, 1.0, {"a": (0.0, math.inf)})])
def test_slips_of_the_programmer_are_value_errors(value: float, uncertainty: float,
                                                  bands: dict[str, tuple[float, float]]) -> None:
    with pytest.raises(ValueError, match=r"wanted|width"):
        band_likelihood(value, uncertainty, bands)


def test_levels_by_bands() -> None:
    assert [level_of(x, BANDS) for x in (9.0, 10.0, 11.8, 12.4, 99.0)] == ["low", "low", "middle", "high", "high"]
    assert level_of(3.5, {"a": (0.0, 1.0), "b": (5.0, 6.0)}) == "b"


def test_evidence_and_readings_give_the_same_likelihood(head_unit: Opened) -> None:
    """Every check of the shipped network that is read as a number, at 40 readings across its bands."""
    header = head_unit.knowledge.header
    checked = 0
    for finding in head_unit.knowledge.findings.values():
        if finding.reading is None:
            continue
        meter = header.meters[finding.reading.meter]
        lowest = min(low for low, _ in finding.reading.bands.values())
        highest = max(high for _, high in finding.reading.bands.values())
        for step in range(41):
            value = lowest + (highest - lowest) * step / 40
            ours = meter_likelihood(value, MeterError(meter.relative, meter.digits, meter.resolution), finding.reading.bands)
            theirs = reading_likelihood(finding.reading, meter, finding, value)
            for name, likelihood in ours.items():
                assert theirs[finding.level(name)] == pytest.approx(likelihood, rel=1e-6, abs=2e-9), (finding.id, value)
            checked += 1
    assert checked >= 41 * 15


def test_default_meter_errors_are_those_of_the_network(head_unit: Opened) -> None:
    meters = head_unit.knowledge.header.meters
    for name, ours in {"dc_volts": quantities.VOLTS, "ac_volts": quantities.AC_VOLTS, "dc_millivolts": quantities.MILLIVOLTS,
                       "clamp_milliamps": quantities.CLAMP_MILLIAMPS, "ohms": quantities.OHMS,
                       "low_ohms": quantities.LOW_OHMS}.items():
        theirs = meters[name]
        assert ours == (theirs.relative, theirs.digits, theirs.resolution), name


# --- every reading ---------------------------------------------------------------------------------------------------


def value_of(argument: Argument) -> st.SearchStrategy[Any]:
    if argument.choices:
        return st.sampled_from(argument.choices)
    if argument.whole:
        return st.integers(int(argument.lowest), int(argument.highest))
    numbers = st.one_of(st.floats(argument.lowest, argument.highest), st.sampled_from((argument.lowest, argument.highest)))
    return numbers | st.none() if argument.default is None and not argument.required else numbers


def check_sane(judged: Judgement, name: str) -> None:
    assert judged.reading == name
    assert judged.figures
    assert all(math.isfinite(figure.value) for figure in judged.figures), judged.figures
    assert len({figure.name for figure in judged.figures}) == len(judged.figures)
    if judged.level:
        assert judged.level in judged.likelihood
        assert max(judged.likelihood.values()) == 1.0
    assert all(0.0 <= x <= 1.0 for x in judged.likelihood.values())
    assert judged.sentence.endswith(".") and ". " not in judged.sentence and "\n" not in judged.sentence
    assert "nan" not in judged.sentence and "inf" not in judged.sentence
    assert judged.formula and judged.limits.endswith(".")
    assert judged.sources and set(judged.sources) <= set(SOURCES)
    assert json.loads(json.dumps(judged.as_json(), allow_nan=False))["sentence"] == judged.sentence


METERS = st.builds(MeterError, st.floats(0.0, 0.5), st.floats(0.0, 100.0), st.floats(0.0, 100.0))


@pytest.mark.parametrize("name", sorted(READINGS))
@given(data=st.data())
def test_every_sane_input_gives_a_finite_judgement_or_an_input_error(name: str, data: st.DataObject) -> None:
    spec = READINGS[name]
    values = {argument.name: data.draw(value_of(argument), label=argument.name) for argument in spec.arguments}
    meter = data.draw(st.just(spec.meter) | METERS, label="meter")
    try:
        check_sane(spec.call(**values, meter=meter), name)
    except InputError as error:
        assert all(problem.what and problem.key for problem in error.problems)


ANYTHING = st.one_of(st.floats(), st.integers(), st.text(max_size=5), st.none(), st.booleans())


@pytest.mark.parametrize("name", sorted(READINGS))
@given(data=st.data())
def test_any_input_gives_a_finite_judgement_or_an_input_error(name: str, data: st.DataObject) -> None:
    spec = READINGS[name]
    values = {argument.name: data.draw(value_of(argument) | ANYTHING, label=argument.name) for argument in spec.arguments}
    try:
        check_sane(spec.call(**values), name)
    except InputError as error:
        assert all(problem.what for problem in error.problems)


@pytest.mark.parametrize("name", sorted(READINGS))
@settings(max_examples=50)
@given(data=st.data())
def test_any_texts_give_a_judgement_or_an_input_error(name: str, data: st.DataObject) -> None:
    names = [argument.name for argument in READINGS[name].arguments]
    texts = data.draw(st.lists(st.one_of(st.text(max_size=20), st.builds("{}={}".format, st.sampled_from(names), st.one_of(
        st.text(max_size=8), st.floats().map(str), st.integers(-5, 100).map(str)))), max_size=6))
    try:
        check_sane(run(name, texts), name)
    except InputError as error:
        assert all(problem.what for problem in error.problems)


# these three count the spread between tables or fuses as uncertainty, so that no meter makes them exact
@pytest.mark.parametrize("name", sorted(set(READINGS) - {"state_of_charge", "cranking", "fuse_current"}))
@given(data=st.data())
def test_well_inside_a_band_the_likeliest_level_is_the_level(name: str, data: st.DataObject) -> None:
    """With an exact meter the likelihood and the class cannot disagree, except on an edge or where bands overlap."""
    spec = READINGS[name]
    values = {argument.name: data.draw(value_of(argument), label=argument.name) for argument in spec.arguments}
    try:
        judged = spec.call(**values, meter=EXACT)
    except InputError:
        return
    if judged.level:
        possible = {level for level, x in judged.likelihood.items() if x > 0.0}
        assert judged.level in possible
        assert len(possible) <= 2


# --- single readings: monotone, and consistent with their inverse ----------------------------------------------------

REST = st.sampled_from(sorted(REST_VOLTS))


@given(REST, st.floats(-18.0, 50.0), st.floats(0.0, 13.6), st.floats(0.0, 13.6))
def test_more_volts_are_never_less_charge(battery: str, temperature: float, one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert state_of_charge(low, battery, temperature).value <= state_of_charge(high, battery, temperature).value


@given(REST, st.floats(0.0, 100.0), st.floats(-17.8, 48.9))
def test_charge_from_the_volts_of_a_charge(battery: str, percent: float, temperature: float) -> None:
    volts = interpolate([(p, v) for v, p in REST_VOLTS[battery]], percent) + interpolate(readings.REST_SHIFT, temperature)
    assert state_of_charge(volts, battery, temperature).value == pytest.approx(percent, abs=1e-6)


@given(REST, st.floats(11.0, 13.0), st.floats(-18.0, 50.0))
def test_a_cold_battery_with_the_same_volts_is_fuller(battery: str, volts: float, temperature: float) -> None:
    warm, cold = state_of_charge(volts, battery, 50.0), state_of_charge(volts, battery, temperature)
    assert cold.value >= warm.value - 1e-9


@given(st.floats(11.0, 13.0), st.floats(0.0, 0.02), st.floats(0.0, 0.02))
def test_a_worse_meter_leaves_a_wider_range(volts: float, one: float, other: float) -> None:
    better, worse = sorted((one, other))
    narrow, wide = (state_of_charge(volts, meter=MeterError(e, 0.0, 0.01)) for e in (better, worse))
    assert narrow.figure("lowest by meter error") >= wide.figure("lowest by meter error")
    assert narrow.figure("highest by meter error") <= wide.figure("highest by meter error")


@given(st.floats(-18.0, 60.0), st.floats(-18.0, 60.0))
def test_the_cranking_floor_never_falls_with_warmth(one: float, other: float) -> None:
    cold, warm = sorted((one, other))
    assert cranking(9.0, cold).figure("floor") <= cranking(9.0, warm).figure("floor") + 1e-12


@given(st.floats(0.0, 11.0), st.floats(0.1, 50.0))
def test_a_joint_loses_at_its_own_current_what_was_measured(lost: float, amps: float) -> None:
    judged = voltage_drop(lost, amps=amps, other=amps)
    assert judged.figure("lost at the other current") == pytest.approx(lost, rel=1e-12, abs=1e-12)
    assert judged.figure("left at the other current") + judged.figure("lost at the other current") == pytest.approx(12.6)


@given(st.floats(0.0, 11.5), st.floats(0.0, 100.0), st.floats(0.0, 100.0))
def test_more_current_never_loses_less(lost: float, one: float, other: float) -> None:
    less, more = (voltage_drop(lost, other=amps).figure("lost at the other current") for amps in sorted((one, other)))
    assert less <= more <= 12.6


@given(st.floats(-12.6, 12.6))
def test_crossed_probes_read_the_same_drop(lost: float) -> None:
    assert voltage_drop(lost)[:3] == voltage_drop(-lost)[:3]


@given(st.sampled_from([5.0, 7.5, 10.0, 15.0, 20.0, 25.0, 30.0]), st.sampled_from(["regular", "mini"]), st.floats(0.0, 30.0))
def test_fuse_millivolts_back_from_the_milliamps(rating: float, family: str, millivolts: float) -> None:
    judged = fuse_current(millivolts, rating, family)
    assert judged.value * judged.figure("fuse resistance") / 1000.0 == pytest.approx(millivolts, rel=1e-12, abs=1e-12)
    assert judged.figure("lowest by fuse spread") <= judged.value <= judged.figure("highest by fuse spread")


@given(st.floats(1.0, 20_000.0), st.floats(5.0, 300.0), st.floats(0.0, 100.0), st.floats(1.0, 100.0))
def test_days_times_current_is_the_charge(current: float, capacity: float, charge: float, usable: float) -> None:
    judged = key_off_current(current, capacity, charge=charge, usable=usable)
    assert judged.figure("days to flat") * 24.0 * current / 1000.0 == pytest.approx(capacity * charge / 100.0)
    assert judged.figure("days to no start") <= judged.figure("days to flat")
    full = key_off_current(current, capacity, usable=usable)
    assert full.figure("Ah to no start") == pytest.approx(capacity * usable / 100.0)


@given(st.floats(1.0, 1000.0), st.floats(1.0, 1000.0))
def test_more_current_leaves_fewer_days(one: float, other: float) -> None:
    less, more = sorted((one, other))
    assert key_off_current(less, 60.0).figure("days to flat") >= key_off_current(more, 60.0).figure("days to flat")


SECTIONS = st.floats(0.5, 25.0)


@given(SECTIONS, SECTIONS, st.integers(1, 40), st.sampled_from(["plain", "tinned"]))
def test_a_thicker_wire_is_never_worse(one: float, other: float, wires: int, cable: str) -> None:
    thin, thick = sorted((one, other))
    assert wire_resistance(thin, cable=cable) >= wire_resistance(thick, cable=cable) - 1e-9
    for lesser, greater in zip(ampacity(thin, wires), ampacity(thick, wires), strict=True):
        assert lesser <= greater + 1e-9


@given(SECTIONS, st.floats(0.1, 100.0), st.floats(-40.0, 150.0), st.floats(0.05, 6.0), st.sampled_from([1, 2]))
def test_the_longest_run_loses_just_what_is_permitted(section: float, current: float, temperature: float, permitted: float,
                                                      ways: int) -> None:
    longest = wire(section, 1.0, current, temperature, permitted, ways).figure("longest one-way run")
    assume(longest <= 50.0)
    judged = wire(section, longest, current, temperature, permitted, ways)
    assert judged.value == pytest.approx(permitted, rel=1e-9)
    assert judged.figure("heat") == pytest.approx(permitted * current, rel=1e-9)
    assert wire(section, longest * 0.99, current, temperature, permitted, ways).level == "within"


@given(st.floats(0.0, 2000.0), st.floats(0.0, 2000.0), st.sampled_from(["regular", "mini", "any"]))
def test_a_fuse_never_opens_later_at_more_current(one: float, other: float, family: str) -> None:
    less, more = sorted((one, other))
    slow, quick = opening_window(less, family), opening_window(more, family)
    assert slow[0] >= quick[0] and slow[1] >= quick[1]
    assert quick[0] <= quick[1]


@given(st.sampled_from([1.0, 5.0, 10.0, 30.0]), st.floats(-40.0, 100.0), st.floats(-40.0, 100.0))
def test_heat_never_raises_what_a_fuse_carries(rating: float, one: float, other: float) -> None:
    cool, hot = sorted((one, other))
    assert blade_fuse(rating, temperature=cool).value >= blade_fuse(rating, temperature=hot).value
    assert blade_fuse(rating, temperature=cool).value < rating


@given(st.floats(0.6, 9.9), st.integers(1, 8))
def test_speakers_in_parallel_share_the_load(ohms: float, parallel: int) -> None:
    alone, together = speaker(ohms), speaker(ohms, parallel=parallel)
    assume(any(figure.name == "load" for figure in alone.figures))
    assert together.figure("load") * parallel == pytest.approx(alone.figure("load"))


@given(st.floats(-0.5, 13.0), st.floats(-0.5, 13.0))
def test_which_output_is_called_plus_does_not_matter(plus: float, minus: float) -> None:
    one, other = output_bias(plus, minus), output_bias(minus, plus)
    assert one.level == other.level
    assert one.likelihood == pytest.approx(other.likelihood)


# --- refusals --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "texts", "key", "words"), [
    ("state_of_charge", ["volts=24"], "volts", "cannot be"),
    ("state_of_charge", ["volts=-12"], "volts", "cannot be"),
    ("state_of_charge", ["volts=12.4", "battery=gel"], "battery", "not known"),
    ("state_of_charge", ["volts=12.4", "temperature=200"], "temperature", "cannot be"),
    ("state_of_charge", ["volts=12 A"], "volts", "does not fit"),
    ("state_of_charge", ["volts=12", "volts=13"], "volts", "twice"),
    ("state_of_charge", [], "state_of_charge", "volts is missing"),
    ("state_of_charge", ["volts=12.4", "agm"], "", "NAME=VALUE"),
    ("state_of_charge", ["volt=12.4", "volts=12.4"], "state_of_charge", "no argument 'volt'"),
    ("state_of_charge", ["volts=12.4", "percent=-1"], "percent", "cannot be"),
    ("charging", ["volts=28"], "volts", "cannot be"),
    ("cranking", ["volts=9", "temperature=-30"], "temperature", "cannot be"),
    ("voltage_drop", ["lost=15"], "lost", "cannot be lost"),
    ("voltage_drop", ["lost=0.2", "amps=0"], "amps", "cannot be"),
    ("fuse_current", ["millivolts=12000", "rating=10"], "millivolts", "12,000 mV"),
    ("fuse_current", ["millivolts=1", "rating=12"], "rating", "12 A"),
    ("fuse_current", ["millivolts=1", "rating=40"], "rating", "no resistance is known"),
    ("fuse_current", ["millivolts=1", "rating=10", "family=micro"], "family", "not known"),
    ("blade_fuse", ["rating=12"], "rating", "12 A"),
    ("key_off_current", ["current=-5"], "current", "cannot be"),
    ("key_off_current", ["current=50", "capacity=60", "reserve=100"], "capacity", "both given"),
    ("key_off_current", ["current=50", "capacity=60", "charge=120"], "charge", "cannot be"),
    ("wire", ["section=0", "length=1", "current=1"], "section", "cannot be"),
    ("wire", ["section=1", "length=-1", "current=1"], "length", "cannot be"),
    ("wire", ["section=1", "length=1", "current=1", "wires=2.5"], "wires", "whole number"),
    ("speaker", ["ohms=-3"], "ohms", "cannot be"),
    ("output_bias", ["plus=16", "minus=6.5"], "plus", "more than the supply"),
    ("ripple", ["volts=0.1", "rpm=20"], "rpm", "cannot be"),
    ("bus_pair", ["ohms=-1"], "ohms", "cannot be")])
def test_nonsense_is_refused_in_one_sentence(name: str, texts: list[str], key: str, words: str) -> None:
    with pytest.raises(InputError) as caught:
        run(name, texts)
    (problem,) = caught.value.problems
    assert problem.key == key
    assert words in problem.what
    assert problem.mend
    assert "\n" not in str(caught.value)


def test_what_is_needed_may_stand_without_its_name() -> None:
    named = run("wire", ["section=1.5 mm2", "length=3 m", "current=10 A", "cable=tinned"])
    assert run("wire", ["1.5mm2", "cable=tinned", "3m", "10A"]) == named
    assert run("wire", ["length=3 m", "1.5", "cable=tinned", "10"]) == named
    with pytest.raises(InputError, match=r"'V' is not of the form NAME=VALUE"):  # only what is needed, and no unit apart
        run("charging", ["13.9", "V"])
    with pytest.raises(InputError, match="section"):
        run("wire", ["3m", "1.5mm2", "10A"])


def test_all_that_is_wrong_is_said_at_once() -> None:
    with pytest.raises(InputError) as caught:
        run("wire", ["section=1,200", "lenght=3", "current=5", "current=6", "cable=gold"])
    assert len(caught.value.problems) == 5  # ambiguous number, unknown name, twice, unknown word, length missing


def test_unknown_reading_names_the_nearest() -> None:
    for call in (lambda: run("state_of_change", []), lambda: describe("state_of_change")):
        with pytest.raises(InputError, match="did you mean 'state_of_charge'"):
            call()


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, "12", True, None])
def test_what_is_no_number_is_refused_without_texts_too(value: Any) -> None:
    with pytest.raises(InputError, match="not a number"):
        state_of_charge(value)


# --- registry --------------------------------------------------------------------------------------------------------


def test_texts_and_numbers_give_the_same_judgement() -> None:
    by_texts, by_numbers = run("state_of_charge", ["volts=12350 mV", "battery=AGM", "temperature=41 F"]), state_of_charge(
        12.35, "agm", 5.0)
    assert [f.value for f in by_texts.figures] == pytest.approx([f.value for f in by_numbers.figures], rel=1e-12)
    assert (by_texts.level, by_texts.sentence) == (by_numbers.level, by_numbers.sentence)
    assert run("wire", ["section=2,5 mm2", "length=300 cm", "current=10", "fuse=15"]) == wire(2.5, 3.0, 10.0, fuse=15.0)


def test_the_meter_can_be_given_in_texts() -> None:
    judged = run("state_of_charge", ["volts=12.35", "percent=0.5", "digits=1", "resolution=0.01"])
    assert judged == state_of_charge(12.35, meter=MeterError(0.005, 1.0, 0.01))


def test_a_figure_that_is_not_there_is_a_slip() -> None:
    with pytest.raises(ValueError, match="no figure 'colour'"):
        state_of_charge(12.4).figure("colour")
    assert (state_of_charge(12.65).value, state_of_charge(12.65).unit) == (100.0, "%")


def test_descriptions_say_all_that_a_command_needs() -> None:
    described = describe()
    assert json.loads(json.dumps(described, allow_nan=False)) == json.loads(json.dumps(described))
    assert [entry["name"] for entry in described] == list(READINGS)
    assert describe("wire") == [entry for entry in described if entry["name"] == "wire"]
    for entry in described:
        assert entry["title"]
        names = [argument["name"] for argument in entry["arguments"]]
        assert names[-3:] == ["percent", "digits", "resolution"]
        assert len(set(names)) == len(names)
        for argument in entry["arguments"]:
            assert argument["meaning"]
            if argument["choices"]:
                assert argument["default"] in argument["choices"] or argument["required"]
            else:
                assert argument["lowest"] < argument["highest"]
                if argument["default"] is not None:
                    assert argument["lowest"] <= argument["default"] <= argument["highest"]


def test_defaults_and_order_are_those_of_the_functions() -> None:
    for name, spec in READINGS.items():
        parameters = list(inspect.signature(spec.call).parameters.values())
        assert [p.name for p in parameters] == [*(a.name for a in spec.arguments), "meter"], name
        for parameter, argument in zip(parameters, spec.arguments, strict=False):
            assert argument.required == (parameter.default is inspect.Parameter.empty)
            if not argument.required:
                assert argument.default == parameter.default


def test_a_reading_must_describe_its_arguments() -> None:
    with pytest.raises(ValueError, match="described in this order"):
        @quantities.reading({}, "x", Argument("a", "V", "a", 0.0, 1.0))
        def wrong(b: float, *, meter: MeterError = EXACT) -> Judgement:
            raise AssertionError


def test_readings_start_light() -> None:
    code = ("import sys, diagnose.readings;"
            "print([m for m in ('numpy', 'yaml', 'rich', 'typer', 'pgmpy', 'inspect') if m in sys.modules])")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
