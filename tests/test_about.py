"""Everything about an id: records, ties both ways, cautions, look-alikes and what tells them apart."""

from __future__ import annotations

import math

import numpy as np
import pytest

from diagnose.about import PRESENT, About, Tie, about, look_alikes, through
from diagnose.network import Opened, flatten
from diagnose.records import CHECK, CIRCUMSTANCE, REPORT
from diagnose.source import InputError
from tests.enumeration import Tables
from tests.small_networks import opened_of


def ties(found: About) -> dict[str, Tie]:
    assert len({(t.kind, t.id) for t in found.ties}) == len(found.ties)
    return {t.id: t for t in found.ties}


def test_a_cause(doorbell: Opened) -> None:
    found = about(doorbell, "chime_loads")
    assert (found.kind, found.title) == ("cause", "The second chime takes too much")
    assert found.record is doorbell.knowledge.causes["chime_loads"]
    tied = ties(found)
    assert [t.kind for t in found.ties] == ["condition", REPORT, REPORT, CHECK, CIRCUMSTANCE]
    assert tied["weak_current"].p == {PRESENT: 0.8}
    assert tied["faint"].p == {"yes": pytest.approx(0.8 * 0.8)}
    assert tied["faint"].through[0][:2] == ("weak_current", 0.8)
    assert tied["volts_at_bell"].p == {"low": pytest.approx(0.56), "none": pytest.approx(0.08)}
    assert (tied["has_chime"].needed, tied["has_chime"].through) == ("yes", ())


def test_an_own_link_comes_through_no_condition(doorbell: Opened) -> None:
    tied = ties(about(doorbell, "broken_wire"))
    assert (tied["silent"].p, tied["silent"].through) == ({"yes": pytest.approx(0.99)}, ())
    assert tied["volts_at_bell"].through != ()


def test_a_report_names_its_causes_the_strongest_first(doorbell: Opened) -> None:
    found = about(doorbell, "silent")
    assert found.kind == REPORT
    assert [t.id for t in found.ties if t.kind == "condition"] == ["no_current", "weak_current"]
    causes = [t for t in found.ties if t.kind == "cause"]
    assert causes[0].id == "broken_wire"
    assert [t.strength for t in causes] == sorted((t.strength for t in causes), reverse=True)
    assert causes[-1].id == "unlisted"
    assert causes[-1].title == doorbell.knowledge.header.unlisted.title


def test_a_circumstance_names_what_needs_it(doorbell: Opened) -> None:
    found = about(doorbell, "has_chime")
    assert [(t.id, t.needed, t.p) for t in found.ties] == [("chime_loads", "yes", {"yes": 1.0})]


def test_a_condition_names_what_brings_and_what_shows_it(doorbell: Opened) -> None:
    found = about(doorbell, "weak_current")
    assert found.kind == "condition"
    assert [(t.id, t.p[PRESENT]) for t in found.ties if t.kind == "cause"] == [
        ("shorted_wire", 1.0), ("chime_loads", 0.8), ("flat_battery", 0.7)]
    assert ties(found)["volts_at_bell"].p == {"low": 0.7, "none": 0.1}


@pytest.fixture(scope="module")
def everything(head_unit: Opened) -> dict[str, About]:
    """What is known about every id of the shipped network."""
    return {name: about(head_unit, name) for part in head_unit.knowledge[1:] for name in part}


def test_a_caution_names_what_carries_it(head_unit: Opened, everything: dict[str, About]) -> None:
    knowledge = head_unit.knowledge
    for name in knowledge.cautions:
        found = everything[name]
        assert found.kind == "caution"
        carrying = {t.id for t in found.ties}
        assert carrying == {f.id for f in knowledge.findings.values() if name in f.cautions} | {
            c.id for c in knowledge.causes.values() if name in c.remedy.cautions}
        for other in carrying:
            assert name in [caution.id for caution in everything[other].cautions]


def test_every_tie_leads_back_with_the_same_strength(everything: dict[str, About]) -> None:
    for name, found in everything.items():
        for tie in found.ties:
            if tie.id == "unlisted" or found.kind == "caution":
                continue
            back = ties(everything[tie.id])[name]
            assert (back.p, back.through, back.needed) == (tie.p, tie.through, tie.needed), (name, tie.id)
            assert tie.title == everything[tie.id].title


def test_strengths_are_those_of_the_files(head_unit: Opened, everything: dict[str, About]) -> None:
    knowledge = head_unit.knowledge
    for cause in knowledge.causes.values():
        tied = {t.id: t for t in everything[cause.id].ties if t.kind != "condition"}
        given = {finding: above for finding, above in flatten(knowledge, cause).items() if any(above)}
        assert tied.keys() == given.keys()
        for finding, above in given.items():
            assert list(tied[finding].p.values()) == pytest.approx(list(above), abs=1e-12)
            ways = through(knowledge, cause.id, finding)
            assert bool(ways) == (finding not in cause.links and finding not in cause.needs)
            misses = math.prod(1 - way.brings * sum(way.shows.values()) for way in ways)
            if ways:
                assert tied[finding].strength == pytest.approx(1 - misses, abs=1e-12)


def test_an_id_that_does_not_exist_is_refused_with_the_nearest(doorbell: Opened) -> None:
    with pytest.raises(InputError, match="flat_battery"):
        about(doorbell, "flat_batery")


# --- look-alikes -------------------------------------------------------------------------------------------------------

ALIKE = Tables({"a": 0.1, "b": 0.1, "c": 0.1, "mute": 0.1, "mute_too": 0.1},
               {"r": (0.1,), "s": (0.05,), "k": (0.1,), "m": (0.1, 0.1)},
               {("a", "r"): (0.9,), ("b", "r"): (0.8,), ("b", "s"): (0.2,), ("c", "s"): (0.9,), ("a", "k"): (0.9,),
                ("b", "m"): (0.2, 0.7), ("mute", "k"): (0.5,)})


def test_look_alikes_by_hand() -> None:
    opened = opened_of(ALIKE, salience={"r": 0.5, "s": 0.5})
    found = look_alikes(opened, "a")
    assert [one.cause for one in found] == ["b"]
    r = math.sqrt(0.91 * 0.82) + math.sqrt(0.09 * 0.18)
    s = math.sqrt(0.05 * (1 - 0.95 * 0.8)) + math.sqrt(0.95 * 0.95 * 0.8)
    assert found[0].overlap == pytest.approx(r * s, abs=1e-12)
    assert [one.check for one in found[0].told_apart_by] == ["k", "m"]
    by_id = {one.check: one for one in found[0].told_apart_by}
    assert by_id["k"].difference == pytest.approx(0.91 - 0.1, abs=1e-12)
    assert by_id["k"].here == {"l0": pytest.approx(0.09), "l1": pytest.approx(0.91)}
    assert by_id["m"].there == {"l0": pytest.approx(0.08), "l1": pytest.approx(0.9 * 0.3 - 0.08), "l2": pytest.approx(0.73)}
    assert by_id["m"].difference == pytest.approx(0.8 - 0.08, abs=1e-12)


def test_the_unlisted_cause_looks_like_nothing_in_particular() -> None:
    tables = Tables({**ALIKE.priors, "unlisted": 0.1}, ALIKE.leaks, {**ALIKE.links, ("unlisted", "r"): (0.9,)}, "unlisted")
    assert [one.cause for one in look_alikes(opened_of(tables, salience={"r": 0.5, "s": 0.5}), "a")] == ["b"]


def test_causes_that_show_nothing_do_not_look_alike() -> None:
    opened = opened_of(ALIKE, salience={"r": 0.5, "s": 0.5})
    assert look_alikes(opened, "mute") == ()


def test_a_network_without_reports_or_checks_has_no_look_alikes() -> None:
    assert look_alikes(opened_of(ALIKE), "a") == ()
    everything = opened_of(ALIKE, salience=dict.fromkeys(ALIKE.leaks, 0.5))
    assert all(one.told_apart_by == () for one in look_alikes(everything, "a", alike=0.0))


def test_look_alikes_of_the_shipped_network_are_mutual_and_fall(head_unit: Opened) -> None:
    some = list(head_unit.knowledge.causes)[::5]
    found = {name: {one.cause: one.overlap for one in look_alikes(head_unit, name, most=999)} for name in some}
    for name, others in found.items():
        assert name not in others and "unlisted" not in others
        assert list(others.values()) == sorted(others.values(), reverse=True)
        for other, overlap in others.items():
            if other in found:
                assert found[other][name] == pytest.approx(overlap, abs=1e-12)
            assert 0.5 <= overlap <= 1.0 + 1e-12


def test_every_two_that_look_alike_can_be_told_apart_by_a_check(everything: dict[str, About]) -> None:
    """Otherwise no conversation could end: a check has to differ by a tenth at least."""
    for name, found in everything.items():
        for one in found.look_alikes:
            assert one.told_apart_by, (name, one.cause)
            differences = [s.difference for s in one.told_apart_by]
            assert differences == sorted(differences, reverse=True)
            for separator in one.told_apart_by:
                here, there = (np.array(list(p.values())) for p in (separator.here, separator.there))
                assert (here.sum(), there.sum()) == (pytest.approx(1.0), pytest.approx(1.0))
                assert separator.difference == pytest.approx(np.abs(here - there).sum() / 2, abs=1e-12)
