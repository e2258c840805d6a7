"""What somebody experienced in the trade reads from a complaint: urgency, likeliest cause, course. A table of cases.

Each row names its source: the title of a published one as in the knowledge files, or common practice, no source. Rows say
only what holds whatever the single numbers are.
"""

from __future__ import annotations

import pytest

from diagnose.network import Opened, open_network
from tests.outside.test_common_practice import triaged

CP = "common practice, no source"
CALM = "smell_smoke_heat=none"


@pytest.fixture(scope="module")
def opened() -> Opened:
    return open_network("head_unit")


# source, reports, what else is known, urgency, likeliest (any of these), courses
ROWS = [
    (CP, "dead_with_key_on", "", "normal", "vehicle_radio_fuse_blown memory_feed_not_connected", "visit"),
    (CP, "radio_fuse_blown_once", "", "normal", "vehicle_radio_fuse_blown", "phone visit"),
    (CP, "radio_fuse_blows_again", "", "stop_now", "feed_pinched_behind_unit bare_strands_touching", "stop_now"),
    (CP, "cuts_out_when_loud", f"powerful_unit=yes {CALM}", "do_not_use", "feed_too_thin", "visit"),
    (CP, "restarts_when_cranking", "cranking_volts=passes", "normal", "switched_feed_drops_in_cranking", "visit"),
    ("a page on retained accessory power: it ends with the driver's door or a timer", "stays_on_key_out",
     "driver_door_wait=goes_off_by_itself", "normal", "retained_power_as_designed", "phone"),
    ("a workshop page on phantom supply: an active aerial wants 12 V", "fm_weak", "aerial_amplifier=yes", "normal",
     "aerial_amplifier_unsupplied", "visit"),
    (CP, "fm_weak", "aerial_amplifier=no", "normal", "aerial_plug_not_home", "visit"),
    (CP, "front_or_rear_silent", "", "normal", "fader_or_zone_off_centre", "phone"),
    ("a page of test signals: bass cancels where one side is reversed", "thin_sound", "", "normal", "speaker_side_reversed",
     "visit"),
    ("workshop manuals: an output with a short is switched off and reported", "protection_message", "", "do_not_use",
     "speaker_wire_to_body", "visit"),
    (CP, "protection_message", f"{CALM} speaker_plug_off=stays", "do_not_use", "output_stage_failed", "return visit"),
    (CP, "whine_with_engine noise_on_one_source", "", "normal", "source_on_charge", "phone"),
    (CP, "whine_with_engine", "added_amplifier=yes", "normal", "unit_amplifier_earth_loop", "visit"),
    ("workshop manuals on restraint systems: stored fault, nothing probed, read by a workshop", "restraint_lamp_on", "",
     "do_not_use", "restraint_plug_parted", "workshop"),
    (CP, "no_change_to_camera", "camera_fitted=yes", "normal", "reverse_trigger_not_connected", "visit"),
    (CP, "works_only_with_lamps", "", "normal", "switched_feed_from_lamp_circuit", "visit"),
    (CP, "asks_for_code", "", "normal", "security_code_wanted", "phone"),
    (CP, "socket_dead", "", "normal", "socket_or_port_fuse_blown", "phone"),
    ("a workshop manual: chimes made by the radio on request", "chimes_missing", "", "do_not_use",
     "tones_lost_with_old_radio", "visit"),
    (CP, "unit_or_trim_loose", "press_corners=loom_hanging", "stop_now", "loom_loose_at_feet", "stop_now"),
    (CP, "dead_with_key_on", f"{CALM} bench_supply=follows_unit", "normal", "unit_defective_from_new", "return"),
    (CP, "subwoofer_silent", "added_amplifier=yes", "normal", "subwoofer_lead_off subwoofer_output_off", "visit phone"),
    (CP, "subwoofer_silent", "subwoofer_menu=plays", "normal", "subwoofer_output_off", "phone"),
    (CP, "subwoofer_silent", "subwoofer_menu=silent subwoofer_signal_trial=plays_with_other", "normal", "subwoofer_lead_off",
     "visit"),
    ("the standard of the radio data system: traffic announcements interrupt, alternative frequencies are followed",
     "unbidden_changes", "", "normal", "broadcast_services_on", "phone"),
    (CP, "unbidden_changes wheel_buttons_wrong", f"{CALM} programme_menu=still", "normal", "button_values_too_close", "visit"),
    (CP, "memory_stick_not_read", "other_stick=other_plays", "normal", "stick_unsuitable", "phone"),
    (CP, "memory_stick_not_read phone_hot_or_slow_charge", f"{CALM} other_stick=same", "normal", "wireless_or_socket_fault",
     "return visit"),
    (CP, "camera_out_of_reverse", "camera_fitted=yes", "normal", "reverse_trigger_live_forwards", "visit"),
    (CP, "screen_dark_sound_plays", "brightness_menu=cured", "normal", "brightness_set_wrong", "phone"),
    (CP, "engine_turns_not_firing", CALM, "normal", "vehicle_fault_before fuse_left_out_or_misplaced", "visit workshop"),
]


@pytest.mark.parametrize(("source", "reports", "said", "urgency", "first", "courses"), ROWS,
                         ids=[f"{reports} {said}".strip() for _, reports, said, *_ in ROWS])
def test_a_master_would_sign_it(opened: Opened, source: str, reports: str, said: str, urgency: str, first: str,
                                courses: str) -> None:
    triage, _ = triaged(opened, reports=tuple(reports.split()), said=tuple(said.split()))
    assert triage.ranking[0].cause in first.split(), source
    assert triage.advice.safety == urgency, source
    assert triage.course.kind in courses.split(), source


@pytest.mark.parametrize("report", ["asks_for_code", "works_only_with_lamps", "satellite_position_poor", "restraint_lamp_on",
                                    "chimes_missing", "reverse_picture_misshaped", "diagnostic_port_dead"])
def test_a_complaint_of_one_plain_thing_is_seldom_without_a_known_reason(opened: Opened, report: str) -> None:
    """Common practice, no source: what names one function that was touched in the fitting has a reason that fitters know."""
    triage, _ = triaged(opened, reports=(report,))
    assert triage.unexplained < 0.25
