"""The shipped checks against handbook values: which level a number is likeliest to be, which way an answer about a noise
points, and what the files say of plugs, pins and lead colours.

Sources by the keys of ``diagnose.readings.SOURCES`` (what they are stands there and in test_trade_tables); beside those col1,
col2: trade pages of usual aftermarket lead colours; iso1, iso2, iso3: pin-out and club pages of the ISO 10487 plug; aer2: a
workshop page on phantom supply; srs1, srs2: workshop manuals on restraint systems; rad1, rad2: measured key-off currents. CP is
common practice without a source, M from memory, E an estimate, D arithmetic.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import numpy as np
import pytest

from diagnose.evidence import Answer, likelihood_of
from diagnose.network import Opened, open_network

# check, number in its unit, likeliest level (one of several with the same band), source
HANDBOOK = [
    ("battery_volts_rested", 12.65, "good", "ocv1: full"), ("battery_volts_rested", 12.6, "good", "ocv2: full"),
    ("battery_volts_rested", 12.9, "good", "agm1: full"), ("battery_volts_rested", 12.3, "half", "agm1: 50 %"),
    ("battery_volts_rested", 12.24, "half", "ocv1: 50 %"), ("battery_volts_rested", 12.06, "low", "ocv1: 25 %"),
    ("battery_volts_rested", 12.0, "low", "ocv2, agm1: 25 %"), ("battery_volts_rested", 11.7, "flat", "ocv2: 0 %"),
    ("battery_volts_rested", 6.0, "flat", "CP"),
    ("charging_volts", 13.5, "in_window", "chg"), ("charging_volts", 14.8, "in_window", "chg"),
    ("charging_volts", 13.8, "in_window", "CP"), ("charging_volts", 14.4, "in_window", "CP"),
    ("charging_volts", 12.65, "low", "ocv1: what a full battery shows that nothing charges"),
    ("charging_volts", 15.5, "high", "CP: above 15.0 V"),
    ("cranking_volts", 10.2, "passes", "load1, load2, crank: 9.6 V at 20 C"), ("cranking_volts", 9.0, "low", "load1, crank"),
    ("key_off_current", 10, "usual", "par1"), ("key_off_current", 30, "usual", "par1"), ("key_off_current", 8, "usual", "rad1"),
    ("key_off_current", 43, "usual", "rad2, par2: under 50 mA"), ("key_off_current", 75, "look_further", "par3, par4"),
    ("key_off_current", 150, "high", "par4"), ("key_off_current", 186, "high", "rad1: both feeds live"),
    ("loaded_feed_drop", 0.3, "good", "pin1, pin2: under 0.5 V"), ("loaded_feed_drop", 0.75, "suspect", "CP"),
    ("loaded_feed_drop", 1.5, "high_resistance", "drop2: over 1.0 V"), ("loaded_feed_drop", 12.0, "dead", "CP"),
    ("earth_drop", 0.05, "good", "drop1: 0.1 V"), ("earth_drop", 0.3, "poor", "drop1"),
    ("earth_drop", 0.8, "bad", "pin1, pin2: over 0.5 V"),
    ("fuse_millivolts_asleep", 0.1, "quiet", "D from fus1: 14 mA through 10 A"),
    ("fuse_millivolts_asleep", 1.3, "radio_circuit", "D from fus1 and rad1: 186 mA through 10 A is 1.3 mV"),
    ("aerial_supply_volts", 12.0, "fed", "aer2"), ("aerial_supply_volts", 0.0, "none", "aer2"),
    ("aerial_lead_ohms", 0.1, "good", "aer5: below 0.2 ohm"), ("aerial_lead_ohms", 3.0, "good", "aer4: 3.5 ohm"),
    ("aerial_lead_ohms", 1e6, "open", "aer5: broken inner"),
    ("bus_pair_ohms", 60, "good", "can1"), ("bus_pair_ohms", 120, "one_end_missing", "can1"),
    ("bus_pair_ohms", 0, "shorted", "can1"),
    ("speaker_ohms", 3.1, "rated", "spk1: 4 ohm"), ("speaker_ohms", 4.0, "rated", "spk1: 4 ohm"),
    ("speaker_ohms", 8.0, "rated", "spk1: 8 ohm"), ("speaker_ohms", 1.2, "too_low", "spk1: 2 ohm"),
    ("speaker_ohms", 2000, "open", "CP"),
    ("speaker_output_volts", 0.03, "half_supply", "spk2; M: tens of millivolts between the two"),
    ("speaker_output_volts", 6.5, "at_rail", "D from spk2: one at 6.5 V, its partner at 0 V or at 13 V"),
    ("supply_ripple_volts", 0.05, "good", "rip3"), ("supply_ripple_volts", 0.09, "good", "rip1"),
    ("supply_ripple_volts", 0.25, "suspect", "rip4: too much at the battery"), ("supply_ripple_volts", 0.7, "failed", "rip5"),
    ("amplifier_wake_volts", 12.0, "follows_unit", "col1, col2"), ("amplifier_wake_volts", 0.0, "none", "CP"),
    ("amplifier_supply", 0.3, "good", "pin1, pin2"), ("amplifier_supply", 0.9, "fails", "pin1, pin2: over 0.5 V"),
    ("memory_feed_key_off", 12.6, "good", "iso1, col1: permanent 12 V"), ("memory_feed_key_off", 0.0, "dead", "CP"),
    ("reverse_trigger_volts", 12.0, "present", "col1: 12 V in reverse"), ("reverse_trigger_volts", 0.0, "none", "CP"),
    ("lamps_on_wire", 12.0, "follows_lamps", "iso1: 12 V with the lamps on"), ("lamps_on_wire", 0.2, "never_rises", "CP"),
    ("lamps_on_wire", 6.0, "moves_with_dimmer", "col1: a dimmer wire goes from 0 to 12 V"),
    ("parking_brake_wire", 1.0, "right", "col1: earth when applied"), ("parking_brake_wire", 1e6, "not_earthed", "col1"),
]

# what points to the first cause rather than the second (trade-facts 6): check, "yes" level, "no" level, first, second
NOISE = [
    ("pitch_follows_revs", "follows", "does_not_follow", "ripple_on_supply", "interference_from_added_device",
     "nois: what follows the engine comes from charging"),
    ("noise_at_zero_volume", "stays", "gone", "unit_amplifier_earth_loop", "source_on_charge",
     "nois: after or before the volume control"),
    ("same_on_every_source", "one_source", "all_sources", "source_on_charge", "ripple_on_supply",
     "CP: that source or its charger, or a common stage"),
    ("amplifier_inputs_shorted", "quiet", "still_noisy", "signal_lead_beside_power", "ripple_on_supply",
     "CP: down the signal lead, or the amplifier's own supply"),
    ("temporary_earth", "cured", "no_change", "earth_shared_with_noisy_load", "signal_lead_beside_power", "CP: earth or not"),
    ("buzz_with_loads", "yes", "no", "earth_shared_with_noisy_load", "source_on_charge", "CP: a shared earth or feed"),
    ("phone_off_charge", "noise_gone", "no_change", "source_on_charge", "unit_amplifier_earth_loop",
     "CP: a loop through the charger"),
]

# what a lead or a pin is for, wherever the files name it: pattern, words of which one stands in the same record, source
NAMED = [
    (r"\bblue-white\b", r"wake|amplifier", "col1, col2"),
    (r"\bblue (?:wire|output|aerial|feeds)", r"aerial|wake|amplifier", "col1, iso1: aerial output; blue-white: amplifier"),
    (r"\busually yellow\b|\byellow is\b", r"memory", "col1, col2"),
    (r"\blight violet\b", r"reverse", "col1"),
    (r"\bA2\b", r"mute", "iso1, iso2"),
    (r"\bA4\b", r"permanent|exchanged|switched on A4", "iso1, iso2, iso3"),
    (r"\bA6\b", r"lamps", "iso1"),
    (r"\bA7\b", r"switched|permanent on A7|exchanged|unused", "iso1, iso2, iso3, rad4"),
]


@pytest.fixture(scope="module")
def opened() -> Opened:
    return open_network("head_unit")


@pytest.mark.parametrize(("check", "number", "level", "source"), HANDBOOK, ids=[f"{row[0]} {row[1]}" for row in HANDBOOK])
def test_a_handbook_value_is_likeliest_its_level(opened: Opened, check: str, number: float, level: str, source: str) -> None:
    finding = opened.knowledge.findings[check]
    likelihood = likelihood_of(opened.knowledge.header, finding, Answer(check, None, "fitter", reading=number))
    assert likelihood[finding.level(level)] == pytest.approx(likelihood.max()), source


def test_every_check_that_reads_a_number_has_a_handbook_value(opened: Opened) -> None:
    """No outside source: those that are left out have a place of their own, or none in the handbooks."""
    elsewhere = {"switched_feed_key_off", "switched_feed_key_on"}  # test_common_practice
    without = {"camera_supply", "fuse_load_side_ohms", "speaker_wires_to_body"}  # E: nothing printed was found
    reads = {finding.id for finding in opened.knowledge.findings.values() if finding.reading}
    assert reads == {row[0] for row in HANDBOOK} | elsewhere | without


@pytest.mark.parametrize(("check", "yes", "no", "one", "other", "source"), NOISE, ids=[row[0] for row in NOISE])
def test_an_answer_about_a_noise_points_where_it_should(opened: Opened, check: str, yes: str, no: str, one: str, other: str,
                                                        source: str) -> None:
    """"Yes" speaks for the first cause against the second, "no" the other way round; leaks included."""
    network, finding = opened.network, opened.knowledge.findings[check]
    j = network.finding_index[check]
    chances = np.diff(network.given_each_cause()[:, j] * network.leak[j], axis=1, prepend=0.0)
    odds = [chances[network.cause_index[one], level] / chances[network.cause_index[other], level]
            for level in (finding.level(yes), finding.level(no))]
    assert odds[0] > 1.0 > odds[1], source


def records_of(opened: Opened) -> Iterator[str]:
    """What the files say in their own words, record by record: descriptions, steps, where it comes from."""
    for cause in opened.knowledge.causes.values():
        yield " ".join([cause.description, cause.origin, cause.remedy.summary, *cause.remedy.steps, cause.remedy.by_phone_how,
                        *cause.see])
    for finding in opened.knowledge.findings.values():
        yield " ".join([finding.ask, *finding.meanings, *(step for steps in finding.how.values() for step in steps),
                        *finding.see])


@pytest.mark.parametrize(("name", "purpose", "source"), NAMED, ids=[row[0] for row in NAMED])
def test_leads_and_pins_are_named_for_what_they_usually_do(opened: Opened, name: str, purpose: str, source: str) -> None:
    found = [text for text in records_of(opened) if re.search(name, text)]
    assert found, f"nothing in the files is about {name}"
    assert [text for text in found if not re.search(purpose, text, re.I)] == [], source


def test_the_wait_before_restraint_work_spans_what_makers_say(opened: Opened) -> None:
    """srs1, srs2 (workshop manuals, see trade-facts 8; no outside source read here): 90 s and 3 min; the maker goes first."""
    text = opened.knowledge.cautions["restraint_hands_off"].text
    assert "a minute and a half to three minutes" in text and "vehicle maker" in text


def test_half_of_the_callbacks_are_feeds_aerial_supply_wake_or_settings(opened: Opened) -> None:
    """E (trade-facts 9): about 50 %, here with fuses and earths among the feeds; and a remedy takes 15 to 60 minutes."""
    causes = opened.knowledge.causes.values()
    total = sum(cause.prior for cause in causes)
    common = ("power", "fuses", "earths", "aerial", "amplifiers", "settings")
    share = sum(cause.prior for cause in causes if cause.area in common)
    assert 0.4 <= share / total <= 0.6
    assert 15 <= sum(cause.prior * cause.remedy.minutes for cause in causes) / total <= 60
