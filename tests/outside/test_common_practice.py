"""Facts of the trade that fitters state and no standard does: common practice, no source."""

from __future__ import annotations

import pytest

from diagnose.evidence import Answer, likelihood_of, parse_answers, read_evidence
from diagnose.intake import answers_from_ids, answers_from_words
from diagnose.network import Opened, open_network
from diagnose.posterior import infer
from diagnose.triage import Triage, advise


@pytest.fixture(scope="module")
def opened() -> Opened:
    return open_network("head_unit")


def triaged(opened: Opened, words: str = "", *, reports: tuple[str, ...] = (), said: tuple[str, ...] = (),
            who: str = "fitter") -> tuple[Triage, dict[str, float]]:
    answers: list[Answer] = answers_from_words(opened, words)[1] if words else []
    answers += answers_from_ids(opened.knowledge, reports, ()) + parse_answers(said, opened.knowledge, who=who)
    evidence = read_evidence(opened.knowledge, opened.network, answers)
    posterior = infer(opened.network, evidence)
    return advise(opened, evidence, posterior), dict(zip(opened.network.causes, posterior.p.tolist(), strict=True))


def test_stations_lost_with_a_straight_through_loom_puts_exchanged_feeds_first(opened: Opened) -> None:
    """Common practice, no source: stations lost at every key-off, loom joined straight through: the feeds are exchanged."""
    triage, p = triaged(opened, reports=("forgets_at_key_off",), said=("straight_through_loom=yes",))
    assert triage.ranking[0].cause == "feeds_exchanged"
    _, matched = triaged(opened, reports=("forgets_at_key_off",), said=("straight_through_loom=no",))
    odds = p["feeds_exchanged"] / (1 - p["feeds_exchanged"])
    assert odds > 5 * matched["feeds_exchanged"] / (1 - matched["feeds_exchanged"])
    assert matched["feeds_exchanged"] < 0.5 < p["feeds_exchanged"]


@pytest.mark.parametrize(("check", "volts", "level"), [
    ("switched_feed_key_off", 0.0, "off"), ("switched_feed_key_off", 12.4, "live"),
    ("switched_feed_key_on", 11.5, "live"), ("switched_feed_key_on", 12.5, "live"),
])
def test_a_switched_feed_reads_nothing_with_the_key_off_and_about_twelve_with_it_on(
    opened: Opened, check: str, volts: float, level: str
) -> None:
    """Common practice, no source: 0 V with the key off, about 11.5 to 12.5 V with it on."""
    finding = opened.knowledge.findings[check]
    likelihood = likelihood_of(opened.knowledge.header, finding, Answer(check, reading=volts))
    assert likelihood[finding.level(level)] == likelihood.max()


def test_no_volts_with_the_key_on_is_not_live(opened: Opened) -> None:
    """Common practice, no source: a switched feed that reads 0 V with the key on is dead (or hangs on another circuit)."""
    finding = opened.knowledge.findings["switched_feed_key_on"]
    likelihood = likelihood_of(opened.knowledge.header, finding, Answer(finding.id, reading=0.0))
    assert likelihood[finding.level("live")] == 0.0
    assert likelihood[finding.level("dead")] > 0.1


def test_poor_reception_with_the_supply_wire_left_off_an_aerial_amplifier(opened: Opened) -> None:
    """Common practice, no source: an amplified aerial without its supply wire receives poorly."""
    before, p = triaged(opened, "poor reception on every station", said=("aerial_amplifier=yes",))
    assert before.ranking[0].cause == "aerial_amplifier_unsupplied"
    after, later = triaged(opened, "poor reception on every station", said=("aerial_amplifier=yes", "aerial_supply_volts=0 V"))
    assert after.ranking[0].cause == "aerial_amplifier_unsupplied"
    assert later["aerial_amplifier_unsupplied"] > max(0.9, p["aerial_amplifier_unsupplied"])
    _, fed = triaged(opened, "poor reception on every station", said=("aerial_amplifier=yes", "aerial_supply_volts=12.1 V"))
    assert fed["aerial_amplifier_unsupplied"] < p["aerial_amplifier_unsupplied"] / 4


def test_ten_amperes_for_the_radio_beside_an_original_of_five_in_a_two_way_tap_is_no_fault(opened: Opened) -> None:
    """Common practice, no source: each fuse of a tap protects its own wire, so a larger added fuse is not an up-rated one."""
    _, p = triaged(opened, reports=("forgets_at_key_off",), who="fitter",
                   said=("fuse_tap_used=yes", "radio_fuse_look=whole", "fuse_tap_orientation=right_or_none"))
    cause = opened.knowledge.causes["fuse_uprated_or_bridged"]
    assert p[cause.id] < cause.prior
    assert "two-way tap" in f"{cause.description} {cause.origin}"


@pytest.mark.parametrize("words", [
    "there is a warm smell near the lamp in the boot", "burning smell by the roof light housing"])
def test_a_warm_smell_near_a_lamp_housing_stops_the_call(opened: Opened, words: str) -> None:
    """Common practice, no source: a warm smell near a lamp housing: stop, look on site."""
    triage, _ = triaged(opened, words)
    assert triage.advice.safety == "stop_now"
    assert triage.course.kind == "stop_now"
    assert not triage.advice.phone


def test_a_fuse_that_blows_again_after_one_replacement_means_a_live_short_stop(opened: Opened) -> None:
    """Common practice, no source: one replacement; if it blows again there is a live short."""
    triage, p = triaged(opened, "the radio fuse blew, I put a new one in and it blew again straight away")
    assert triage.course.kind == "stop_now"
    shorts = [c for c in opened.knowledge.causes.values() if "feed_shorted" in c.brings]
    assert sum(p[c.id] for c in shorts) > 0.5
    assert triage.ranking[0].safety == "stop_now"
