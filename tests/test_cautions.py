"""Which cautions reach whom. No outside source: what is asked is that the program loses none that the files give."""

from __future__ import annotations

import pytest

from diagnose.cautions import called_for, cautions_for, steps_for, words_of
from diagnose.network import Opened
from diagnose.records import CHECK, REPORT


def test_nobody_is_spared_a_caution_of_a_check_that_the_files_do_not_keep_for_others(head_unit: Opened) -> None:
    knowledge = head_unit.knowledge
    for check in knowledge.of_kind(CHECK):
        for person in ("customer", "fitter", "workshop"):
            if not steps_for(check, person):
                continue
            as_who = person if person in check.how else "fitter"
            seen = [caution.id for caution in cautions_for(knowledge, check, person)]
            assert seen == [name for name in check.cautions if as_who in check.only_for.get(name, (as_who,))], check.id
            called = [c.id for c in knowledge.cautions.values() if called_for(c, steps_for(check, person))]
            assert set(called) <= set(seen), check.id


@pytest.mark.parametrize(("check", "person", "caution"), [
    ("cranking_volts", "customer", "engine_in_the_open"), ("charging_volts", "fitter", "engine_in_the_open"),
    ("restraint_fault_read", "workshop", "restraint_hands_off"), ("radio_fuse_look", "fitter", "one_fuse_only"),
    ("smell_smoke_heat", "customer", "smell_smoke_heat_stop"), ("smell_smoke_heat", "fitter", "safety_fuses_hands_off")])
def test_cautions_of_dangerous_checks_are_there_for_whoever_makes_them(
        head_unit: Opened, check: str, person: str, caution: str) -> None:
    finding = head_unit.knowledge.findings[check]
    assert caution in [one.id for one in cautions_for(head_unit.knowledge, finding, person)]


def test_a_caution_kept_for_the_fitter_does_not_trouble_the_customer(head_unit: Opened) -> None:
    finding = head_unit.knowledge.findings["smell_smoke_heat"]
    assert "safety_fuses_hands_off" not in [one.id for one in cautions_for(head_unit.knowledge, finding, "customer")]


def test_a_question_about_reversing_carries_its_caution(head_unit: Opened) -> None:
    """Whoever is asked what happens in reverse may go and try it."""
    for report in head_unit.knowledge.of_kind(REPORT):
        if "reversing_check" in report.cautions and "reverse" in report.ask.lower():
            assert [c.id for c in cautions_for(head_unit.knowledge, report, "customer")] == ["reversing_check"], report.id


def test_a_customer_is_told_briefly_where_there_are_brief_words(head_unit: Opened) -> None:
    caution = head_unit.knowledge.cautions["reversing_check"]
    assert words_of(caution, "customer") == caution.briefly != caution.text == words_of(caution, "fitter")


def test_a_trigger_is_a_whole_word(head_unit: Opened) -> None:
    caution = head_unit.knowledge.cautions["reversing_check"]
    assert called_for(caution, ["nothing here", "Select reverse for a moment"]) == "select reverse"
    assert called_for(caution, ["reselect reverses"]) == ""
