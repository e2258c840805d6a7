"""The trade's tables and worked examples against the readings that use them.

Source beside each check, by the keys of ``diagnose.readings.SOURCES``; D is arithmetic from the figures of the same line,
CP common practice without a source, M a value from memory, E an estimate. Where sources disagree, the difference is the
tolerance, and the check says between which figures the answer must lie.
"""

from __future__ import annotations

import math

import pytest

from diagnose import readings
from diagnose.conductors import (
    ampacity,
    blade_fuse,
    fuse_colour,
    fuse_current,
    insulation,
    opening_window,
    voltage_drop,
    wire,
    wire_resistance,
)
from diagnose.quantities import MeterError
from diagnose.readings import (
    aerial_lead,
    bus_pair,
    charging,
    cranking,
    key_off_current,
    output_bias,
    ripple,
    speaker,
    state_of_charge,
    wake_current,
)

# --- battery at rest -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("volts", "percent"), [(12.65, 100), (12.45, 75), (12.24, 50), (12.06, 25), (11.89, 0)])  # ocv1
def test_flooded_battery(volts: float, percent: float) -> None:
    assert state_of_charge(volts).value == pytest.approx(percent, abs=1e-9)


@pytest.mark.parametrize(("volts", "percent"), [(12.6, 100), (12.4, 75), (12.2, 50), (12.0, 25), (11.7, 0)])  # ocv2, rounded
def test_the_rounded_table_agrees_within_a_tenth_of_a_volt(volts: float, percent: float) -> None:
    assert abs(state_of_charge(volts).value - percent) < 10.0  # the tables differ by up to 0.06 V above flat


@pytest.mark.parametrize(("volts", "percent"), [(12.9, 100), (12.6, 75), (12.3, 50), (12.0, 25), (11.8, 0)])  # agm1
def test_agm_battery(volts: float, percent: float) -> None:
    assert state_of_charge(volts, "agm").value == pytest.approx(percent, abs=1e-9)


def test_agm_full_differs_between_sources() -> None:
    assert state_of_charge(12.8, "agm").value > 90.0  # agm2: full from 12.8 V; agm1: 12.9 V
    assert state_of_charge(13.2, "agm").value == 100.0  # agm2: 12.8 to 13.2 V


def test_calcium_battery_sits_a_tenth_higher_when_full() -> None:
    assert state_of_charge(12.75, "calcium").value == pytest.approx(100.0)  # M
    assert state_of_charge(12.65, "calcium").value < 100.0


def test_rest_before_the_reading() -> None:
    assert "8 h, better 24 h" in state_of_charge(12.4).limits  # rest


def test_interpolated_example() -> None:
    assert state_of_charge(12.35).value == pytest.approx(50.0 + 25.0 * 0.11 / 0.21)  # D: 63 %


def test_one_per_cent_of_meter_error_is_about_fifteen_per_cent_of_charge() -> None:
    judged = state_of_charge(12.35, meter=MeterError(0.01, 0.0, 0.0))
    assert judged.figure("standard uncertainty") == pytest.approx(0.12, abs=0.005)  # ocv3
    assert (judged.figure("highest by meter error") - judged.figure("lowest by meter error")) / 2 == pytest.approx(15, abs=2)


# ocv4: rested volts of a full flooded battery by temperature
@pytest.mark.parametrize(("celsius", "volts"), [
    (48.9, 12.663), (43.3, 12.661), (37.8, 12.658), (32.2, 12.655), (26.7, 12.650), (21.1, 12.643), (15.6, 12.634),
    (10.0, 12.622), (4.4, 12.606), (-1.1, 12.588), (-6.7, 12.566), (-12.2, 12.542), (-17.8, 12.516)])
def test_full_battery_by_temperature(celsius: float, volts: float) -> None:
    judged = state_of_charge(volts, temperature=celsius)
    assert judged.figure("volts at 27 C") == pytest.approx(12.65, abs=1e-9)
    assert judged.value == pytest.approx(100.0, abs=1e-6)


def test_temperature_corrections_of_other_sources_lie_within_the_tolerance() -> None:
    """Rectangular tolerance from nothing to twice ocv4's shift: temp1 0.12 V and temp2 0.10 V at about -1 C, temp3 none."""
    shift = 12.5 - state_of_charge(12.5, temperature=-1.1).figure("volts at 27 C")
    assert shift < 0.0
    for printed in (0.12, 0.10, 0.0):
        assert 0.0 <= printed <= 2.0 * -shift
    exact = MeterError(0.0, 0.0, 0.0)
    assert state_of_charge(12.5, temperature=-1.1, meter=exact).figure("standard uncertainty") == pytest.approx(
        -shift / math.sqrt(3.0))


# --- charging and cranking -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("volts", "regulation", "level"), [
    (13.5, "conventional", "in_window"), (14.8, "conventional", "in_window"),  # chg
    (13.8, "conventional", "in_window"), (14.4, "conventional", "in_window"),  # CP: middle of the road
    (13.1, "conventional", "low"), (15.1, "conventional", "high"),  # CP
    (12.2, "smart", "in_window"), (15.1, "smart", "in_window"), (12.0, "smart", "low"), (15.4, "smart", "high")])  # M
def test_charging(volts: float, regulation: str, level: str) -> None:
    assert charging(volts, regulation).level == level


def test_charging_lead_may_lose_half_a_volt() -> None:
    assert "more than the 0.5 V" not in charging(14.0, alternator=14.4).sentence  # chg
    assert "more than the 0.5 V" in charging(14.0, alternator=14.6).sentence


# load1, load3; at 20 C and above 9.6 V
LOAD_TEST_ONE = [(20, 9.6), (16, 9.5), (10, 9.4), (4, 9.3), (-1, 9.1), (-7, 8.9), (-12, 8.7), (-18, 8.5)]
LOAD_TEST_TWO = [(21, 9.6), (10, 9.4), (0, 9.1), (-10, 8.8), (-18, 8.0)]  # load2


@pytest.mark.parametrize(("celsius", "volts"), LOAD_TEST_ONE + LOAD_TEST_TWO)
def test_load_test_tables(celsius: float, volts: float) -> None:
    judged = cranking(9.0, celsius)
    tables = judged.figure("floor, lower table"), judged.figure("floor, higher table")
    assert min(abs(volts - floor) for floor in tables) < 1e-9


def test_load_test_tables_agree_down_to_minus_ten_and_part_below() -> None:
    for celsius in range(-10, 40):
        judged = cranking(9.0, celsius)
        assert judged.figure("floor, higher table") - judged.figure("floor, lower table") < 0.1
    judged = cranking(8.25, -18)
    assert (judged.figure("floor, lower table"), judged.figure("floor, higher table")) == (8.0, 8.5)  # load2, load3
    assert "proves nothing" in judged.sentence
    assert cranking(7.9, -18).level == "low"
    assert cranking(8.6, -18).level == "passes"


def test_a_restart_with_a_sound_battery_points_at_the_feed() -> None:
    assert "points at its own feed" in cranking(10.2).sentence  # trade-facts 1.3, CP; crank: 9.6 V
    assert "battery, starter or engine" in cranking(9.2).sentence  # crank


def test_cranking_floor_when_warm() -> None:
    assert cranking(9.7, 30).level == "passes"
    assert cranking(9.5, 30).level == "low"  # load1, load2, crank: 9.6 V
    assert cranking(9.6, 30).figure("corrected to 20 C") == pytest.approx(9.6)


# --- joints ----------------------------------------------------------------------------------------------------------


def test_a_meter_alone_hardly_loads_the_circuit() -> None:
    """drop1: a single strand then reads full volts."""
    assert "a meter alone hardly loads the circuit" in voltage_drop(0.1).limits


def test_joint_example() -> None:
    judged = voltage_drop(0.5, supply=12.6, other=10.0)
    assert judged.figure("current") == 1.75  # D: 21 W at 12 V
    assert judged.figure("joint resistance") == pytest.approx(0.29, abs=0.005)  # D
    assert judged.figure("lost at the other current") == pytest.approx(2.9, abs=0.05)  # D
    assert judged.figure("left at the other current") == pytest.approx(9.7, abs=0.05)  # D


def test_lamp_currents() -> None:
    assert voltage_drop(0.1, watts=5.0).figure("current") == pytest.approx(0.42, abs=0.005)  # D
    assert voltage_drop(0.1, watts=21.0).figure("current") == pytest.approx(1.75)  # D
    # a lamp marked 21 W may take 26.5 W at 13.5 V (UN Regulation No. 37): 1.96 A, given as measured
    assert voltage_drop(0.5, amps=26.5 / 13.5).figure("current") == pytest.approx(1.96, abs=0.005)


@pytest.mark.parametrize(("lost", "level"), [
    (0.4, "good"), (0.6, "suspect"),  # pin1, pin2: 0.5 V
    (0.9, "suspect"), (1.1, "high_resistance"),  # drop2: 1.0 V
    (11.5, "high_resistance"), (11.7, "dead"), (12.6, "dead")])  # CP: under 1 V left
def test_joint_classes(lost: float, level: str) -> None:
    assert voltage_drop(lost, supply=12.6).level == level


@pytest.mark.parametrize(("part", "limit"), [
    ("pin", 0.5),  # pin1, pin2
    ("earth", 0.1), ("wire", 0.2), ("switch", 0.3),  # drop1; drop2 allows the switch the same
    ("circuit", 0.6)])  # drop3: 5 % of 12 V
def test_limits_by_part(part: str, limit: float) -> None:
    assert voltage_drop(limit - 0.01, part=part).level == "good"
    assert voltage_drop(limit + 0.01, part=part).level == "suspect"


def test_injection_adapter_keeps_half_a_volt_at_a_tenth_of_an_ampere() -> None:
    """CP: series drop below 0.5 V; D: 5 ohm at 100 mA."""
    assert voltage_drop(0.5, amps=0.1).figure("joint resistance") == pytest.approx(5.0)


# --- key-off current -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("milliamps", "level"), [
    (10, "usual"), (30, "usual"),  # par1
    (49, "usual"),  # par2: under 50 mA
    (75, "look_further"),  # par4 calls up to 75 mA normal, par3 over 35 mA excessive: neither "usual" nor "high"
    (150, "high"),  # par4: runs batteries down
    (51, "look_further"), (99, "look_further"), (101, "high"),  # E, within the sources
    (186, "high"), (8, "usual"), (43, "usual")])  # one unit with both feeds live and wired right; another car in all
def test_key_off_classes(milliamps: float, level: str) -> None:
    assert key_off_current(milliamps).level == level


def test_sources_on_the_key_off_limit_are_named_as_tolerance() -> None:
    assert "35 to 75 mA" in key_off_current(40).limits  # par3, par4


def test_early_reading_is_not_held_against_the_vehicle() -> None:
    assert "awake" in key_off_current(120, asleep=5).sentence  # par1: above 100 mA for the first minutes; par5: up to 2 h
    assert "awake" not in key_off_current(120, asleep=60).sentence  # par2: one hour


def test_days_to_flat() -> None:
    fifty = key_off_current(85, capacity=50)
    assert fifty.figure("days to flat") * 24 == pytest.approx(588, abs=0.5)  # par5 and D: 24.5 days
    assert fifty.figure("days to flat") == pytest.approx(24.5, abs=0.05)
    assert key_off_current(500, capacity=60).figure("days to flat") == pytest.approx(5.0)  # par6 and D: 120 h
    assert key_off_current(50, capacity=60).figure("days to flat") == pytest.approx(50.0)  # par6 and D: 1,200 h


def test_days_to_no_start_from_reserve_minutes() -> None:
    wrong = key_off_current(30 + 186, reserve=100)  # par7 and D: 24 Ah / 0.216 A
    assert wrong.figure("capacity by 0.6 x reserve minutes") == pytest.approx(60.0)  # par7
    assert wrong.figure("Ah to no start") == pytest.approx(24.0)  # par7: 40 %
    assert wrong.figure("days to no start") * 24 == pytest.approx(111, abs=0.5)
    assert wrong.figure("days to no start") == pytest.approx(4.6, abs=0.05)
    right = key_off_current(30 + 8, reserve=100)
    assert right.figure("days to no start") * 24 == pytest.approx(632, abs=0.5)  # D
    assert right.figure("days to no start") == pytest.approx(26, abs=0.4)


def test_typical_battery_has_twenty_to_thirty_ampere_hours_to_no_start() -> None:
    for capacity in (50, 60, 75):
        assert 20 <= key_off_current(20, capacity=capacity).figure("Ah to no start") <= 30  # par7


def test_both_formulas_for_reserve_minutes() -> None:
    judged = key_off_current(50, reserve=100, rule="0.417")
    assert judged.figure("capacity by 0.417 x reserve minutes") == pytest.approx(25 * 100 / 60)  # rc and D
    assert judged.figure("Ah to flat") == pytest.approx(41.67, abs=0.005)
    assert "0.417" in judged.formula
    assert "0.6 x" in key_off_current(50, reserve=100).formula  # par7


def test_the_state_now_is_what_the_days_start_from() -> None:
    """D (trade-facts 1.6): from three quarters, 15 of 60 Ah less; at 60 % nothing is to spare of the 40 % usable (par7)."""
    assert key_off_current(100, capacity=60, charge=75).figure("Ah to no start") == pytest.approx(9.0)
    assert key_off_current(100, capacity=60, charge=60).figure("Ah to no start") == pytest.approx(0.0)


def test_a_hundred_milliamps_take_two_and_a_half_ampere_hours_a_day() -> None:
    judged = key_off_current(100, capacity=60)
    assert judged.figure("Ah to flat") / judged.figure("days to flat") == pytest.approx(2.4)  # D


# --- wake output, aerial lead, bus -----------------------------------------------------------------------------------


@pytest.mark.parametrize(("milliamps", "level"), [
    (100, "safe"), (149, "safe"),  # rad3: below 150 mA
    (200, "by_leaflet"), (299, "by_leaflet"),  # iso1: 150 to 300 mA
    (400, "over")])  # rad4: 400 mA is for all outputs together
def test_wake_output(milliamps: float, level: str) -> None:
    assert wake_current(milliamps).level == level


@pytest.mark.parametrize(("ohms", "part", "length", "level"), [
    (0.19, "lead", 4.0, "good"), (0.3, "lead", 4.0, "high"), (1e6, "lead", 4.0, "open"),  # aer4, aer5: 0.2 ohm
    (3.4, "low_capacitance_lead", 4.0, "good"), (3.6, "low_capacitance_lead", 4.0, "high"),  # aer4: 3.5 ohm
    (0.6, "base_to_body", 4.0, "high"), (0.55, "base_to_body", 4.0, "good"),  # aer4: 0 to 0.6 ohm
    (0.034, "screen_to_battery", 1.4, "good"), (0.036, "screen_to_battery", 1.4, "high"),  # aer6
    (0.059, "screen_to_battery", 3.0, "good"), (0.061, "screen_to_battery", 3.0, "high"),  # aer6
    (0.084, "screen_to_battery", 5.0, "good"), (0.086, "screen_to_battery", 5.0, "high")])  # aer6
def test_aerial_lead(ohms: float, part: str, length: float, level: str) -> None:
    assert aerial_lead(ohms, part, length).level == level


@pytest.mark.parametrize(("ohms", "level"), [
    (60, "good"), (120, "one_end_missing"), (0, "shorted"), (1e6, "open"),  # can1
    (49, "shorted"), (51, "good"), (74, "good"), (76, "one_end_missing"), (199, "one_end_missing"), (201, "open")])  # E
def test_bus_pair(ohms: float, level: str) -> None:
    assert bus_pair(ohms).level == level


def test_ends_seen_on_a_bus_pair() -> None:
    assert bus_pair(60).figure("ends seen") == 2.0  # can1 and D
    assert bus_pair(120).figure("ends seen") == 1.0


# --- fuses -----------------------------------------------------------------------------------------------------------

# fus1: milliohm, lowest and highest
FUSE_BANDS = {5: (16, 20), 7.5: (11, 12), 10: (6.8, 7.3), 15: (4.5, 4.8), 20: (3.2, 3.4), 25: (2.5, 3.4), 30: (1.79, 1.85)}
# mA by mV, band middle (D)
FUSE_TABLE = {0.1: (6, 9, 14, 22, 30), 0.2: (11, 17, 28, 43, 61), 0.5: (28, 43, 71, 108, 152), 1.0: (56, 87, 142, 215, 303),
              2.0: (111, 174, 284, 430, 606)}


@pytest.mark.parametrize(("rating", "band"), FUSE_BANDS.items())
def test_fuse_resistance_bands(rating: float, band: tuple[float, float]) -> None:
    judged = fuse_current(1.0, rating)
    assert judged.figure("fuse resistance") == pytest.approx(sum(band) / 2)
    assert judged.figure("highest by fuse spread") == pytest.approx(1000 / band[0])
    assert judged.figure("lowest by fuse spread") <= 1000 / band[1] + 1e-9


@pytest.mark.parametrize("millivolts", FUSE_TABLE)
def test_fuse_table(millivolts: float) -> None:
    for rating, milliamps in zip((5, 7.5, 10, 15, 20), FUSE_TABLE[millivolts], strict=True):
        assert fuse_current(millivolts, rating).value == pytest.approx(milliamps, abs=0.5 + 1e-9)


def test_ten_ampere_fuse_allows_both_sources() -> None:
    judged = fuse_current(1.0, 10)  # fus1: 137 to 147 mA; fus2: 130 mA
    assert judged.figure("lowest by fuse spread") == pytest.approx(130, abs=0.5)
    assert judged.figure("highest by fuse spread") == pytest.approx(147, abs=0.5)


@pytest.mark.parametrize(("millivolts", "rating", "family", "milliamps"), [
    (0.1, 15, "mini", 22), (1.0, 15, "mini", 218),  # fus3, fus5: 4.58 milliohm
    (1.0, 7.5, "mini", 92)])  # D from fus5: 10.85 milliohm
def test_printed_points_of_mini_fuses(millivolts: float, rating: float, family: str, milliamps: float) -> None:
    assert fuse_current(millivolts, rating, family).value == pytest.approx(milliamps, abs=0.5)


def test_printed_point_of_a_twenty_ampere_fuse_lies_in_the_band() -> None:
    judged = fuse_current(1.0, 20)  # D from fus4: 3.38 milliohm, 296 mA
    assert judged.figure("lowest by fuse spread") <= 296 <= judged.figure("highest by fuse spread")


# fus7
COLOURS = {1: "black", 2: "grey", 3: "violet", 4: "pink", 5: "tan", 7.5: "brown", 10: "red", 15: "light blue", 20: "yellow",
           25: "clear", 30: "light green", 35: "blue-green", 40: "orange"}


@pytest.mark.parametrize(("rating", "colour"), COLOURS.items())
def test_fuse_colours(rating: float, colour: str) -> None:
    assert fuse_colour(rating) == colour
    assert colour in blade_fuse(rating).sentence


def test_a_second_list_of_colours_differs_at_five_amperes_only() -> None:
    """fus8 has the same colours from 2 to 30 A and calls 5 A brown, which fus7 keeps for 7.5 A: the number rules."""
    for rating in (2, 3, 4, 7.5, 10, 15, 20, 25, 30):
        assert fuse_colour(rating) == COLOURS[rating]
    assert fuse_colour(5) == "tan" and "the colour only helps" in blade_fuse(5).limits


def test_imitation_fuses_are_warned_of() -> None:
    """fus3: a "10 A" was reported to hold 30 to 40 A."""
    assert "three times their rating" in blade_fuse(10).limits
    assert "imitation fuses break the method" in fuse_current(1.0, 10).limits


# fus8
@pytest.mark.parametrize(("rating", "colour"), [(20, "yellow"), (30, "green"), (40, "orange"), (50, "red"), (60, "blue")])
def test_high_current_fuse_colours(rating: float, colour: str) -> None:
    assert fuse_colour(rating, "high_current") == colour


@pytest.mark.parametrize(("percent", "family", "not_before", "not_after"), [
    (110, "regular", 360_000, math.inf), (110, "mini", 360_000, math.inf),  # fus4, fus5: 100 h
    (135, "regular", 0.75, 600), (135, "mini", 0.75, 600),
    (160, "regular", 0.25, 50),  # the 160 % row is printed for the regular type only
    (200, "regular", 0.15, 5), (200, "mini", 0.15, 5),
    (350, "regular", 0.08, 0.5), (350, "mini", 0.08, 0.5),
    (600, "regular", 0.03, 0.15), (600, "mini", 0.03, 0.1),
    (135, "any", 0.75, 1800), (350, "any", 0.04, 0.5)])  # some families: 1,800 s at 135 %, 0.04 s at 350 %
def test_opening_times(percent: float, family: str, not_before: float, not_after: float) -> None:
    assert opening_window(percent, family) == (not_before, not_after)


def test_a_chafed_wire_may_never_open_its_fuse() -> None:
    for amps in (11.0, 12.0, 13.0):  # D: 11 to 13 A through a 10 A fuse only heats
        judged = blade_fuse(10, amps)
        assert judged.level == "only_heats"
        assert opening_window(amps * 10, "regular")[1] == math.inf


def test_dead_short_opens_a_ten_ampere_fuse_at_once() -> None:
    """D: 12.6 V over about 0.11 ohm of battery, 3 m of 0.75 mm2, fuse and body is more than 100 A: well under 0.1 s by type."""
    assert 12.6 / 0.11 > 100.0
    assert 3.0 * wire_resistance(0.75) / 1000.0 < 0.11
    assert opening_window(12.6 / 0.11 / 10.0 * 100.0, "mini")[1] <= 0.1


@pytest.mark.parametrize(("celsius", "amps"), [(20, 13), (100, 9)])  # fus5
def test_heat_derating_of_a_fifteen_ampere_mini_fuse(celsius: float, amps: float) -> None:
    assert blade_fuse(15, temperature=celsius).value == pytest.approx(amps)


def test_continuous_load_rule() -> None:
    assert blade_fuse(10).figure("continuous by rule") == pytest.approx(7.5)  # CP: 75 to 80 %


# --- speakers and outputs --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("ohms", "nominal"), [
    (1.2, 2), (1.9, 2), (3.1, 4), (3.6, 4), (3.99, 4), (4.2, 6), (5.6, 6), (6.5, 8), (8.0, 8)])  # spk1
def test_speaker_classes(ohms: float, nominal: float) -> None:
    judged = speaker(ohms)
    assert judged.figure("nominal impedance") == nominal
    assert "between the usual ranges" not in judged.sentence


def test_where_the_printed_speaker_ranges_overlap_both_are_named() -> None:
    assert "6 or 8 ohm" in speaker(5.8).sentence  # spk1: 6 ohm 4.0 to 6, 8 ohm 5.7 to 8


def test_each_half_of_a_bridge_sees_half_the_load() -> None:
    """btl: neither output may touch earth, its half of 4 ohm would be 2; the limit stands with the reading."""
    assert "neither output may touch earth" in output_bias(6.5, 6.5).limits


def test_two_speakers_in_parallel() -> None:
    judged = speaker(3.6, parallel=2)
    assert judged.figure("load") == 2.0  # D
    assert "too low" in judged.sentence  # CP: 4 ohm is the least
    assert "enough" in speaker(3.6).sentence


@pytest.mark.parametrize(("plus", "minus", "supply", "level"), [
    (6.5, 6.5, 13.0, "half_supply"),  # spk2
    (7.5, 7.48, 14.4, "half_supply"),  # spk3: 7 to 8 V; M: tens of millivolts apart
    (0.0, 6.5, 13.0, "at_rail"), (13.0, 6.5, 13.0, "at_rail"),  # CP: one output at 0 V or full supply
    (6.5, 6.75, 13.0, "half_supply"), (6.5, 6.85, 13.0, "at_rail"),  # E: 0.3 V apart
    (0.02, 0.0, 13.0, "off")])  # D
def test_output_bias(plus: float, minus: float, supply: float, level: str) -> None:
    judged = output_bias(plus, minus, supply)
    assert judged.level == level
    assert judged.figure("half the supply") == supply / 2


# --- wires -----------------------------------------------------------------------------------------------------------

# res1
PLAIN = {0.5: 39.0, 0.75: 26.0, 1.0: 19.5, 1.5: 13.3, 2.5: 7.98, 4.0: 4.95, 6.0: 3.30, 10.0: 1.91, 16.0: 1.21, 25.0: 0.78}
TINNED = {0.5: 40.1, 0.75: 26.7, 1.0: 20.0, 1.5: 13.7, 2.5: 8.21, 4.0: 5.09, 6.0: 3.39, 10.0: 1.95, 16.0: 1.24, 25.0: 0.795}
AT_SIXTY = {0.5: 45.1, 0.75: 30.1, 1.0: 22.6, 1.5: 15.4, 2.5: 9.2}  # D, class 5
VEHICLE = {0.65: 29.4, 1.0: 18.9, 1.5: 12.5, 2.0: 9.4, 2.5: 7.5, 3.0: 6.0}  # res3
ISO = {0.5: 37.1, 0.75: 24.7, 1.0: 18.5, 1.5: 12.7, 2.5: 7.60}  # ISO 6722 / 19642, M
# res2: resistance at 20 C / at this temperature
FACTORS = {5: 1.064, 10: 1.042, 15: 1.020, 20: 1.0, 25: 0.980, 30: 0.962, 35: 0.943, 40: 0.926, 45: 0.909, 50: 0.893,
           60: 0.862, 70: 0.833, 80: 0.806, 90: 0.781, 100: 0.758}


def test_class_five_conductors() -> None:
    for table, cable in ((PLAIN, "plain"), (TINNED, "tinned")):
        for section, milliohm in table.items():
            assert wire_resistance(section, cable=cable) == pytest.approx(milliohm)


@pytest.mark.parametrize(("section", "milliohm"), AT_SIXTY.items())
def test_conductors_at_sixty_degrees(section: float, milliohm: float) -> None:
    assert wire_resistance(section, 60.0) == pytest.approx(milliohm, abs=0.05)


@pytest.mark.parametrize(("celsius", "factor"), FACTORS.items())
def test_temperature_factors(celsius: float, factor: float) -> None:
    """res2 rests on 0.4 % per kelvin, the reading on 0.393 % (M): within a half per cent up to 100 C."""
    assert wire_resistance(1.0) / wire_resistance(1.0, celsius) == pytest.approx(factor, abs=0.005)


@pytest.mark.parametrize(("section", "milliohm"), [*VEHICLE.items(), *ISO.items()])
def test_other_tables_lie_a_little_below_class_five(section: float, milliohm: float) -> None:
    """Vehicle cable (res3, and ISO from memory) has at most the class 5 resistance, and not less than 90 % of it."""
    assert 0.90 * wire_resistance(section) <= milliohm <= 1.001 * wire_resistance(section)


def test_five_metres_of_half_a_square_at_ten_amperes() -> None:
    judged = wire(0.5, 5.0, 10.0)
    assert judged.value == pytest.approx(1.95)  # res4: 39 ohm/km
    assert judged.figure("heat") == pytest.approx(19.5)  # D
    assert judged.level == "over"


@pytest.mark.parametrize(("section", "metres"), [(0.5, 0.51), (0.75, 0.77), (1.0, 1.03), (1.5, 1.50), (2.5, 2.51)])  # D
def test_longest_run_for_two_tenths_of_a_volt_at_ten_amperes(section: float, metres: float) -> None:
    assert wire(section, 1.0, 10.0, permitted=0.2).figure("longest one-way run") == pytest.approx(metres, abs=0.006)


@pytest.mark.parametrize(("section", "amps"), [
    (0.65, 5.75), (1.0, 8.75), (1.5, 12.75), (2.0, 17.5), (2.5, 21.75), (3.0, 25.5),  # res3
    (0.5, 5), (0.75, 7), (1.0, 9), (1.5, 13), (2.0, 15), (2.5, 17), (6.0, 35), (25.0, 80)])  # amp2
def test_ampacity_lists(section: float, amps: float) -> None:
    strict, generous = ampacity(section)
    assert strict <= amps + 1e-9 and amps <= generous + 1e-9
    assert min(abs(amps - strict), abs(amps - generous)) < 1e-9


def test_labels_on_half_a_square_span_the_lists() -> None:
    strict, generous = ampacity(0.5)
    assert 3.0 <= strict <= generous <= 11.0  # res4: sellers say 3, 6 and 11 A


@pytest.mark.parametrize(("wires", "factor"), [(1, 1.0), (3, 1.0), (4, 0.7), (6, 0.7), (7, 0.6), (24, 0.6), (25, 0.5)])  # M
def test_bundle_factors(wires: int, factor: float) -> None:
    assert ampacity(1.0, wires)[0] == pytest.approx(8.75 * factor)


def test_fuse_and_wire() -> None:
    assert "a 7.5 A fuse protects it" in wire(1.0, 1.0, 1.0, fuse=7.5).sentence  # CP: rating not above ampacity; res3 8.75 A
    assert "does not protect" in wire(1.0, 1.0, 1.0, fuse=10).sentence
    assert "does not protect" in wire(1.0, 1.0, 1.0, fuse=7.5, wires=5).sentence  # M: 0.7
    assert "between the lists" in wire(2.5, 1.0, 1.0, fuse=20).sentence  # amp2 17 A, res3 21.75 A
    assert "a 20 A fuse protects it" in wire(4.0, 1.0, 1.0, fuse=20).sentence


@pytest.mark.parametrize(("name", "limit"), [
    ("A", 85), ("B", 100), ("C", 125), ("D", 150), ("E", 175), ("F", 200), ("G", 225), ("H", 250)])  # tclass
def test_insulation_classes(name: str, limit: float) -> None:
    assert insulation(limit).level == name
    assert insulation(limit + 0.5).level != name


def test_covered_lamps_are_over_class_a_and_b() -> None:
    for celsius in (111, 137):  # a measured small cabin lamp, at first and later (owner's measurement; pvc2 for melting)
        assert insulation(celsius).level not in ("A", "B")
    assert insulation(105).level == "C"  # M: a 105 C PVC is usual, and more than class B


def test_wire_on_a_lamp() -> None:
    judged = insulation(137)  # a measured small cabin lamp: over every class A and B limit
    assert judged.level == "D" and "A or B does not" in judged.sentence
    assert "melts" not in judged.sentence and "melts" in insulation(177).sentence  # pvc2


# --- noise -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("volts", "place", "level"), [
    (0.05, "battery", "good"), (0.09, "battery", "good"),  # rip3, rip1
    (0.11, "battery", "suspect"), (0.5, "battery", "failed"),  # rip2, rip5
    (0.2, "alternator", "good"), (0.3, "alternator", "suspect")])  # rip4
def test_ripple_classes(volts: float, place: str, level: str) -> None:
    assert ripple(volts, place=place).level == level


@pytest.mark.parametrize(("rpm", "hertz"), [(800, 1200), (2000, 3000)])  # formula M, D
def test_ripple_frequency(rpm: float, hertz: float) -> None:
    assert ripple(0.05, rpm).figure("expected frequency") == pytest.approx(hertz)


def test_every_source_is_cited_by_some_reading() -> None:
    """No outside source: a source that nothing cites would be an idle claim."""
    samples: dict[str, list[str]] = {
        "state_of_charge": ["volts=12.4"], "charging": ["volts=14"], "cranking": ["volts=10"],
        "key_off_current": ["current=20"], "speaker": ["ohms=3.6"], "output_bias": ["plus=6.5", "minus=6.5"],
        "ripple": ["volts=0.05"], "bus_pair": ["ohms=60"],
        "wake_current": ["current=100"], "aerial_lead": ["ohms=0.1"], "voltage_drop": ["lost=0.2"],
        "fuse_current": ["millivolts=1", "rating=10"], "blade_fuse": ["rating=10"],
        "wire": ["section=1", "length=2", "current=3"], "insulation": ["temperature=80"]}
    assert set(samples) == set(readings.READINGS)
    cited = {key for name, texts in samples.items() for key in readings.run(name, texts).sources}
    cited |= set(readings.run("state_of_charge", ["volts=12.4", "battery=agm"]).sources)
    assert cited == set(readings.SOURCES)
