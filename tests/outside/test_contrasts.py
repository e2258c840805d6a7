"""Look-alikes: the same complaint, the decisive check turned round, and the likeliest cause turns round with it.

The groups and what separates them: common practice, no source, unless a row names a published page. Rows say what wins, never
with what probability.
"""

from __future__ import annotations

import pytest

from diagnose.network import Opened, open_network
from tests.outside.test_common_practice import triaged

CP = "common practice, no source"
CALM = "smell_smoke_heat=none"

# source, reports, what is known beforehand, then each outcome of the decisive checks with its cause
GROUPS: list[tuple[str, str, str, dict[str, str]]] = [
    (CP, "forgets_at_key_off", "", {
        "memory_feed_key_off=dead switched_feed_key_off=live": "feeds_exchanged",
        "memory_feed_key_off=dead switched_feed_key_off=off": "feeds_both_switched"}),
    ("cranking below 9.6 V at 20 C: a worn battery (load-test tables in test_trade_tables)", "forgets_now_and_then", "", {
        "memory_feed_key_off=dead switched_feed_key_off=live": "feeds_exchanged",
        "memory_feed_key_off=good switched_feed_key_off=off cranking_volts=low": "battery_worn"}),
    ("a page on retained accessory power: it ends with the driver's door or a timer", "stays_on_key_out", "", {
        "driver_door_wait=goes_off_by_itself": "retained_power_as_designed",
        "driver_door_wait=stays_on switched_feed_key_off=live wires_by_function=one_on_wrong_circuit": "feeds_both_permanent"}),
    (CP, "stays_on_key_out battery_flat_after_standing", "driver_door_wait=stays_on", {
        "switched_feed_key_off=live wires_by_function=one_on_wrong_circuit": "feeds_both_permanent",
        "switched_feed_key_off=off radio_fuse_out_overnight=holds": "unit_does_not_sleep",
        "fuse_millivolts_asleep=interface_circuit": "interface_keeps_awake"}),
    (CP, "dead_with_key_on", "", {
        "radio_fuse_look=new_one_holds": "vehicle_radio_fuse_blown",
        "radio_fuse_look=blows_again fuse_load_side_ohms=wire_shorted": "feed_pinched_behind_unit"}),
    (CP, "radio_fuse_blows_again", "", {
        "lamp_in_place_of_fuse=found_radio_loom fuse_load_side_ohms=wire_shorted": "feed_pinched_behind_unit",
        "lamp_in_place_of_fuse=found_unit fuse_load_side_ohms=only_with_unit_in": "output_stage_failed"}),
    (CP, "cuts_out_when_loud", "", {
        "lamp_side_test=feed_side joint_temperatures=plug_or_joint_hot": "high_resistance_feed_joint",
        "lamp_side_test=feed_side joint_temperatures=whole_wire_warm": "feed_too_thin",
        "lamp_side_test=earth_side": "earth_on_poor_point"}),
    (CP, "all_speakers_silent", "factory_amplifier=yes", {
        "amplifier_wake_volts=none": "factory_amplifier_not_woken",
        "amplifier_wake_volts=follows_unit mute_wire_parted=sound_returns": "mute_wire_held",
        "amplifier_wake_volts=follows_unit speaker_plug_off=gone": "speaker_wire_to_body",
        "four_corners=returns_when_centred": "fader_or_zone_off_centre"}),
    (CP, "fm_weak", "aerial_amplifier=yes", {
        "aerial_supply_volts=none": "aerial_amplifier_unsupplied",
        "aerial_supply_volts=fed aerial_plug_and_test_wire=returns_on_pressing": "aerial_plug_not_home",
        "aerial_supply_volts=fed aerial_lead_ohms=moves_when_flexed": "aerial_lead_damaged"}),
    (CP, "fm_weak", "aerial_amplifier=no", {
        "aerial_plug_and_test_wire=returns_on_pressing": "aerial_plug_not_home",
        "aerial_plug_and_test_wire=better_with_test_wire tug_joints=sound": "aerial_adapter_wrong"}),
    (CP, "fm_weak am_dead_fm_weak", "aerial_amplifier=yes", {
        "aerial_supply_volts=none": "aerial_amplifier_unsupplied",
        "aerial_supply_volts=fed aerial_plug_and_test_wire=no_change bench_supply=follows_unit": "tuner_fault"}),
    (CP, "digital_radio_poor", "digital_radio=yes", {
        "digital_aerial_refit=list_returns": "digital_aerial_fault",
        "unplug_added_devices=returns": "interference_from_added_device"}),
    (CP, "whine_with_engine", "added_amplifier=yes", {
        "supply_ripple_volts=failed": "ripple_on_supply",
        "supply_ripple_volts=good same_on_every_source=one_source phone_off_charge=noise_gone": "source_on_charge",
        "supply_ripple_volts=good temporary_earth=cured": "unit_amplifier_earth_loop"}),
    (CP, "buzz_with_loads", "", {
        "temporary_earth=cured": "earth_shared_with_noisy_load",
        "temporary_earth=no_change look_along_route=sound": "signal_lead_beside_power"}),
    (CP, "no_change_to_camera reverse_picture_missing", "camera_fitted=yes", {
        "camera_menu=picture_by_hand": "reverse_trigger_not_connected",
        "camera_menu=no_change camera_supply=fails": "camera_supply_or_earth_bad",
        "camera_menu=no_change camera_supply=pulsed": "reverse_lamp_line_pulsed"}),
    (CP, "wheel_buttons_dead", "wheel_buttons=yes", {
        "button_learning_repeated=cured": "buttons_not_learned",
        "button_learning_repeated=no_change button_lead_look=left_off": "button_lead_off",
        "button_learning_repeated=no_change button_lead_look=home buttons_wheel_turned=come_and_go":
            "clock_spring_or_switch_worn"}),
    (CP, "other_fuse_blown", "", {
        "other_fuse_look=blows_again smell_smoke_heat=warm": "lead_over_interior_lamp",
        f"other_fuse_look=new_one_holds {CALM}": "socket_or_port_fuse_blown",
        f"other_fuse_look=slot_empty_or_wrong {CALM}": "fuse_left_out_or_misplaced"}),
    ("a page of test signals: bass cancels where one side is reversed", "thin_sound", "", {
        "mono_bass_balance=weaker_in_centre": "speaker_side_reversed",
        "mono_bass_balance=fuller_in_centre speaker_ohms=separate_tweeter_lead": "filter_or_equalising_lost",
        "mono_bass_balance=fuller_in_centre four_corners=returns_when_centred": "fader_or_zone_off_centre"}),
    ("workshop manuals on restraint systems: a stored fault is read by a workshop", "restraint_lamp_on", "", {
        "handbook_fuse_list=safety_slot_tapped restraint_fault_read=supply_fault": "safety_circuit_tapped",
        "handbook_fuse_list=nothing_shared restraint_fault_read=open_circuit": "restraint_plug_parted"}),
    (CP, "unit_or_trim_loose", "", {
        "press_corners=moves": "unit_not_latched", "press_corners=loom_hanging": "loom_loose_at_feet"}),
]


@pytest.fixture(scope="module")
def opened() -> Opened:
    return open_network("head_unit")


@pytest.mark.parametrize(("source", "reports", "known", "outcomes"), GROUPS,
                         ids=[f"{reports} {known}".strip() for _, reports, known, _ in GROUPS])
def test_the_decisive_check_decides(opened: Opened, source: str, reports: str, known: str, outcomes: dict[str, str]) -> None:
    assert len(set(outcomes.values())) == len(outcomes) > 1
    _, before = triaged(opened, reports=tuple(reports.split()), said=tuple(known.split()))
    for said, cause in outcomes.items():
        triage, after = triaged(opened, reports=tuple(reports.split()), said=(*known.split(), *said.split()))
        assert triage.ranking[0].cause == cause, f"{source}: {said}"
        for rival in set(outcomes.values()) - {cause}:
            assert after[cause] / after[rival] > before[cause] / before[rival], f"{source}: {said} against {rival}"
