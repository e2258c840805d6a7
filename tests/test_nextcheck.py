"""Which check comes next: filters, minutes, savings against brute force, the choice against the true optimum."""

from __future__ import annotations

import dataclasses
import itertools
import re
from pathlib import Path

import numpy as np
import pytest

from diagnose import nextcheck
from diagnose.evidence import Answer, read_evidence, reliability_of, seen_through
from diagnose.gain import information
from diagnose.network import Network, Opened
from diagnose.nextcheck import (
    VISIT,
    CheckScore,
    Choice,
    Situation,
    allowed,
    asked_of,
    barred,
    best_together,
    check_minutes,
    choose,
    rank_checks,
    remedy_way,
)
from diagnose.posterior import infer
from diagnose.records import CHECK, CIRCUMSTANCE, REPORT, Finding, Knowledge
from diagnose.repair import BEYOND, Repairs, best_plan, expected_cost
from tests.conftest import DOORBELL, load_network, write_network
from tests.test_gain import sampled_answers
from tests.test_repair import cheapest

FITTER = Situation(who="fitter")


def ask(opened: Opened, answers: list[Answer], situation: Situation, **options: object) -> Choice:
    evidence = read_evidence(opened.knowledge, opened.network, answers)
    return choose(opened.knowledge, opened.network, evidence, infer(opened.network, evidence), situation, **options)  # type: ignore[arg-type]


def rank(opened: Opened, answers: list[Answer], situation: Situation) -> list[CheckScore]:
    evidence = read_evidence(opened.knowledge, opened.network, answers)
    return rank_checks(opened.knowledge, opened.network, evidence, infer(opened.network, evidence), situation)


def score_of(scores: list[CheckScore] | tuple[CheckScore, ...], name: str) -> CheckScore:
    return next(score for score in scores if score.finding == name)


# --- who may do what -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("finding", "situation", "reason"), [
    ("rings_when_bridged", Situation(), ""),
    ("volts_at_bell", Situation(), "not for the customer"),
    ("volts_at_bell", FITTER, ""),
    ("volts_at_bell", FITTER._replace(tools=frozenset()), "no meter"),
    ("volts_at_bell", Situation(who="workshop"), ""),
    ("silent", Situation(), ""),
    ("silent", Situation(asked=frozenset({"silent"})), "asked before"),
    ("silent", Situation(skipped=frozenset({"silent"})), "skipped or impossible"),
    ("has_chime", Situation(circumstances={"has_chime": "yes"}), "asked before"),
])
def test_reasons(doorbell: Opened, finding: str, situation: Situation, reason: str) -> None:
    assert barred(doorbell.knowledge, doorbell.knowledge.findings[finding], situation) == reason
    assert allowed(doorbell.knowledge, doorbell.knowledge.findings[finding], situation) == (reason == "")


def changed(doorbell: Opened, name: str, **fields: object) -> tuple[Knowledge, Finding]:
    finding = doorbell.knowledge.findings[name]._replace(**fields)  # type: ignore[arg-type]
    return doorbell.knowledge, finding


def test_either_of_two_tools_will_do(doorbell: Opened) -> None:
    knowledge, finding = changed(doorbell, "rings_when_bridged", tools=(("meter", "lamp"), ("pliers",)))
    assert barred(knowledge, finding, Situation(tools=frozenset({"lamp", "pliers"}))) == ""
    assert barred(knowledge, finding, Situation(tools=frozenset({"lamp"}))) == "no pliers"
    assert barred(knowledge, finding, Situation()) == "no meter or lamp"  # unknown is none for the customer


def test_a_set_up_for_others_shuts_a_person_out_even_where_it_is_made(doorbell: Opened) -> None:
    header = doorbell.knowledge.header
    knowledge = doorbell.knowledge._replace(header=header._replace(
        set_ups={"cover_off": header.set_ups["cover_off"]._replace(who=("fitter",))}))
    finding = doorbell.knowledge.findings["rings_when_bridged"]._replace(set_ups=("cover_off",))
    made = frozenset({"cover_off"})
    assert barred(knowledge, finding, Situation(made=made)) == "set-up not for the customer: cover_off"
    assert allowed(knowledge, finding, FITTER)
    assert allowed(knowledge, finding, Situation(who="workshop"))


def test_preconditions_known_likely_or_not(doorbell: Opened) -> None:
    knowledge, finding = changed(doorbell, "rings_when_bridged", needs={"has_chime": "yes"})
    assert not allowed(knowledge, finding, Situation())  # base rate 0.3
    assert allowed(knowledge, finding, Situation(), {"has_chime": 0.6})
    assert allowed(knowledge, finding, Situation(circumstances={"has_chime": "yes"}))
    assert not allowed(knowledge, finding, Situation(circumstances={"has_chime": "no"}), {"has_chime": 0.9})
    knowledge, finding = changed(doorbell, "rings_when_bridged", needs={"has_chime": "no"})
    assert allowed(knowledge, finding, Situation())
    assert not allowed(knowledge, finding, Situation(), {"has_chime": 0.6})


def test_a_circumstance_that_what_is_wrong_makes_likely_opens_its_checks(head_unit: Opened) -> None:
    """Whoever complains of a missing reversing picture most likely has a camera, asked or not, unless it is denied."""
    check = next(f for f in head_unit.knowledge.of_kind(CHECK) if "camera_fitted" in f.needs and not f.tools)
    complaint = [Answer("reverse_picture_missing", "yes", "customer", "volunteered")]
    other = [Answer("fm_weak", "yes", "customer", "volunteered")]
    offered = {score.finding for score in rank(head_unit, complaint, FITTER)}
    assert check.id in offered
    assert check.id not in {score.finding for score in rank(head_unit, other, FITTER)}
    in_vain = FITTER._replace(asked=frozenset({"camera_fitted"}))
    assert check.id in {score.finding for score in rank(head_unit, complaint, in_vain)}
    denied = [*complaint, Answer("camera_fitted", "no", "fitter")]
    assert check.id not in {score.finding for score in rank(head_unit, [*denied, *other], FITTER)}
    thought = [*other, Answer("camera_fitted", "yes", "customer", sure=False)]
    assert check.id in {score.finding for score in rank(head_unit, thought, FITTER)}


def test_what_a_report_has_answered_too_is_not_asked(head_unit: Opened) -> None:
    """Both rear speakers silent: not just one, not all; a black reverse picture has no shape. A denial, or a thought, says
    nothing of the others."""
    for said, settled in [("front_or_rear_silent", "one_speaker_silent"), ("dead_with_key_on", "touch_wrong"),
                          ("reverse_picture_missing", "reverse_picture_misshaped")]:
        complaint = [Answer(said, "yes", "customer", "volunteered")]
        asked = {score.finding for score in rank(head_unit, complaint, Situation())}
        assert settled not in asked
        assert asked & {finding.id for finding in head_unit.knowledge.of_kind(REPORT)}
        for answer in (Answer(said, "no"), Answer(said, "yes", sure=False)):
            assert settled in {score.finding for score in rank(head_unit, [answer, Answer("hot_to_touch", "yes")], Situation(
                circumstances={"camera_fitted": "yes", "touch_screen": "yes"}))}


def test_what_a_check_has_answered_too_is_not_asked(head_unit: Opened) -> None:
    """Nothing too hot to touch, now or earlier: it is not asked again; nor after a fault in the answer."""
    complaint = Answer("stops_when_hot", "yes", "customer", "volunteered")
    none, warm = Answer("smell_smoke_heat", "none"), Answer("smell_smoke_heat", "warm")
    for said, asked in [([], True), ([none], False), ([warm], False), ([none._replace(sure=False)], True)]:
        assert ("hot_to_touch" in {score.finding for score in rank(head_unit, [complaint, *said], Situation())}) is asked


def test_reports_that_cannot_be_there_together_settle_each_other(head_unit: Opened) -> None:
    """None is left open by one of two: a report that is settled settles back, unless the first one includes it."""
    includes = {
        ("am_dead_fm_weak", "fm_weak"), ("other_fuse_blows_again", "other_fuse_blown"), ("forgets_at_key_off", "clock_wrong"),
        ("engine_turns_not_firing", "battery_flat_after_standing"), ("noise_on_one_source", "steady_hiss_or_hum"),
        ("works_only_with_lamps", "dead_with_key_on")}
    findings = head_unit.knowledge.findings
    one_way = {(report.id, other) for report in head_unit.knowledge.of_kind(REPORT) for other in report.settles
               if report.id not in findings[other].settles}
    assert one_way == includes


def test_words_forbidden_to_a_person(head_unit: Opened) -> None:
    knowledge = head_unit.knowledge
    caution = next(c for c in knowledge.cautions.values() if "customer" in c.forbidden_to)
    check = next(f for f in knowledge.of_kind(CHECK) if "customer" in f.who and not f.tools and not f.set_ups and not f.needs)
    assert allowed(knowledge, check, Situation())
    words = check._replace(how={**check.how, "customer": (f"Look at the {caution.triggers[0]}.",)})
    assert barred(knowledge, words, Situation()) == f"forbidden to the customer: {caution.id}"
    assert allowed(knowledge, words, FITTER)
    inside = check._replace(how={**check.how, "customer": (f"Look at the x{caution.triggers[0]}x.",)})
    assert allowed(knowledge, inside, Situation())  # only whole words count
    without = check._replace(how={name: steps for name, steps in check.how.items() if name != "customer"})
    assert not allowed(knowledge, without, Situation())


def words_are_safe(knowledge: Knowledge, finding: Finding) -> bool:
    """No word that a caution forbids to the customer in what the customer would be told."""
    text = " ".join(finding.how.get("customer", ())).lower()
    forbidden = [word for c in knowledge.cautions.values() if "customer" in c.forbidden_to for word in c.triggers]
    return not any(re.search(rf"\b{re.escape(word)}\b", text) for word in forbidden)


def is_for_customer(knowledge: Knowledge, finding: Finding, situation: Situation) -> bool:
    """The other rules said once more, without the module: who, steps, tools, set-ups, what must be true."""
    tools = situation.tools or frozenset()
    if not all(situation.circumstances.get(name, level) == level for name, level in finding.needs.items()):
        return False
    if finding.kind != CHECK:
        return not (situation.alone and finding.who and "customer" not in finding.who)
    return (
        "customer" in finding.who and bool(finding.how.get("customer")) and all(set(choice) & tools for choice in finding.tools)
        and all("customer" in knowledge.header.set_ups[name].who for name in finding.set_ups))


def random_situation(knowledge: Knowledge, rng: np.random.Generator, who: str = "customer") -> Situation:
    def some(names: object, share: float) -> frozenset[str]:
        return frozenset(name for name in names if rng.random() < share)  # type: ignore[attr-defined]

    header = knowledge.header
    circumstances = {f.id: f.levels[int(rng.integers(2))] for f in knowledge.of_kind(CIRCUMSTANCE) if rng.random() < 0.3}
    return Situation(who, None if rng.random() < 0.2 else some(header.tools, rng.random()), some(header.set_ups, rng.random()),
                     some(knowledge.findings, 0.2 * rng.random()), some(knowledge.findings, 0.1), some(knowledge.findings, 0.1),
                     circumstances, bool(rng.random() < 0.5))


def check_customer_states(knowledge: Knowledge, seed: int, count: int) -> None:
    rng = np.random.default_rng(seed)
    safe = {name: finding.kind != CHECK or words_are_safe(knowledge, finding) for name, finding in knowledge.findings.items()}
    offered = set()
    for _ in range(count):
        situation = random_situation(knowledge, rng)
        chances = {f.id: float(rng.random()) for f in knowledge.of_kind(CIRCUMSTANCE)}
        for finding in knowledge.findings.values():
            if allowed(knowledge, finding, situation, chances):
                offered.add(finding.id)
                assert safe[finding.id], finding.id
                assert is_for_customer(knowledge, finding, situation), finding.id
                assert finding.id not in situation.asked | situation.skipped | situation.impossible
    assert len(offered) > 100  # not by offering nothing


def test_no_customer_is_offered_what_is_not_for_them(head_unit: Opened) -> None:
    check_customer_states(head_unit.knowledge, 1, 300)


@pytest.mark.slow
def test_no_customer_is_offered_what_is_not_for_them_in_thousands_of_states(head_unit: Opened) -> None:
    check_customer_states(head_unit.knowledge, 2, 5000)


def test_whatever_is_chosen_is_allowed(head_unit: Opened) -> None:
    """The whole way, from answers to the question and the plan, in random conversations."""
    knowledge = head_unit.knowledge
    rng = np.random.default_rng(3)
    for number in range(24):
        situation = random_situation(knowledge, rng, ("customer", "customer", "fitter")[number % 3])
        answers = sampled_answers(head_unit, rng, 1 + number % 4)
        choice = ask(head_unit, answers, situation, explained=0)
        answered = {answer.finding for answer in answers}
        for score in choice.scores:
            finding = knowledge.findings[score.finding]
            assert finding.id not in answered | situation.asked | situation.skipped | situation.impossible
            assert finding.id not in situation.circumstances
            if situation.who == "customer":
                assert is_for_customer(knowledge, finding, situation), finding.id
                assert finding.kind != CHECK or words_are_safe(knowledge, finding), finding.id
        for step in choice.plan:
            if step.way == "phone":
                remedy = knowledge.causes[step.cause].remedy
                assert situation.who == "customer"
                assert remedy.by_phone == "yes"
                assert "customer" in remedy.who
                assert remedy.by_phone_how


def test_remedies_by_phone_are_for_the_customer_and_say_nothing_forbidden(head_unit: Opened) -> None:
    knowledge = head_unit.knowledge
    forbidden = [word for c in knowledge.cautions.values() if "customer" in c.forbidden_to for word in c.triggers]
    ways = {name: remedy_way(knowledge, cause, Situation()) for name, cause in knowledge.causes.items()}
    assert {"phone", "visit", "workshop"} == set(ways.values())
    for name, way in ways.items():
        remedy = knowledge.causes[name].remedy
        if way == "phone":
            assert "customer" in remedy.who
            assert remedy.by_phone == "yes"
            assert not any(re.search(rf"\b{re.escape(word)}\b", remedy.by_phone_how.lower()) for word in forbidden)
        if way == "workshop":
            assert remedy.who == ("workshop",)
        assert remedy_way(knowledge, knowledge.causes[name], FITTER) == ("workshop" if remedy.who == ("workshop",) else "here")


def test_a_remedy_with_forbidden_words_is_not_told_by_phone(head_unit: Opened) -> None:
    knowledge = head_unit.knowledge
    caution = next(c for c in knowledge.cautions.values() if "customer" in c.forbidden_to)
    cause = next(c for c in knowledge.causes.values() if remedy_way(knowledge, c, Situation()) == "phone")
    told = cause._replace(remedy=cause.remedy._replace(by_phone_how=f"Undo the {caution.triggers[0]}."))
    assert remedy_way(knowledge, told, Situation()) == "visit"


# --- minutes ---------------------------------------------------------------------------------------------------------


def test_set_ups_are_paid_once(doorbell: Opened) -> None:
    volts = doorbell.knowledge.findings["volts_at_bell"]
    assert check_minutes(doorbell.knowledge, volts, FITTER) == (5.0, ("cover_off",))
    assert check_minutes(doorbell.knowledge, volts, FITTER._replace(made=frozenset({"cover_off"}))) == (3.0, ())


def test_a_question_takes_half_a_minute(doorbell: Opened) -> None:
    assert check_minutes(doorbell.knowledge, doorbell.knowledge.findings["silent"], Situation()) == (0.5, ())
    assert check_minutes(doorbell.knowledge, doorbell.knowledge.findings["has_chime"], Situation()) == (0.5, ())


def test_what_only_the_customer_notices_is_asked_of_the_customer(doorbell: Opened) -> None:
    findings = doorbell.knowledge.findings
    assert asked_of(findings["silent"], FITTER) == "customer"
    assert asked_of(findings["volts_at_bell"], FITTER) == "fitter"
    assert asked_of(findings["has_chime"], FITTER) == "fitter"


# --- what it tells and saves, against brute force ---------------------------------------------------------------------


class ByHand:
    """The doorbell worked out world by world: all 32 sets of its causes, people and silence included."""

    def __init__(self, opened: Opened, answers: list[Answer], situation: Situation) -> None:
        self.opened, self.situation = opened, situation
        self.knowledge, self.network = opened.knowledge, opened.network
        self.worlds = np.array(list(itertools.product((0, 1), repeat=len(self.network.causes))), dtype=bool)
        weight = np.where(self.worlds, self.network.prior, 1 - self.network.prior).prod(axis=1)
        answered = {answer.finding for answer in answers}
        abnormal = set()
        for answer in answers:
            finding = self.knowledge.findings[answer.finding]
            level = finding.level(answer.level or "")
            weight *= self.levels(self.network, finding, answer)[:, level]
            abnormal |= {finding.id} if level else set()
        for finding in self.knowledge.of_kind(REPORT):
            if finding.id not in answered:  # not volunteered
                j = self.network.finding_index[finding.id]
                for row in range(*self.network.rows(j).indices(10_000)):
                    silent = 1 - finding.salience * (1 - self.network.link[row, 0])
                    weight[self.worlds[:, self.network.link_cause[row]]] *= silent
        weight[~self.worlds.any(axis=1)] = 0.0
        self.weight = weight / weight.sum()
        rows = [self.network.rows(self.network.finding_index[name]) for name in abnormal]
        self.asked = sorted({i for some in rows for i in self.network.link_cause[some].tolist()})

    def levels(self, network: Network, finding: Finding, answer: Answer) -> np.ndarray:
        """(worlds, L) probability of each level as it is said."""
        j = network.finding_index[finding.id]
        leak, links = seen_through(network, j, reliability_of(self.knowledge.header, finding, answer))
        cumulative = np.tile(leak, (len(self.worlds), 1))
        for cause, link in zip(network.link_cause[network.rows(j)].tolist(), links, strict=True):
            cumulative[self.worlds[:, cause]] *= link
        return np.diff(cumulative, axis=1, prepend=0.0)

    def chances(self, name: str) -> np.ndarray:
        """(worlds, L) probability of each answer to a question, given that nobody mentioned the matter."""
        finding = self.knowledge.findings[name]
        network = self.network
        if finding.kind == REPORT:
            r = finding.salience

            def left(p: np.ndarray) -> np.ndarray:
                return 1 - (1 - r) * (1 - p) / (1 - r * (1 - p[:, :1]))  # two levels

            network = dataclasses.replace(network, leak=left(network.leak), link=left(network.link))
        return self.levels(network, finding, Answer(name, finding.levels[0], asked_of(finding, self.situation)))

    def key(self) -> np.ndarray:
        return self.worlds[:, self.asked] @ (1 << np.arange(len(self.asked)))

    def gain(self, name: str) -> float:
        chances = self.chances(name)
        p = np.bincount(self.key(), weights=self.weight)
        joint = np.zeros((len(p), chances.shape[1]))
        np.add.at(joint, self.key(), self.weight[:, None] * chances)
        some = p > 0
        return information(p[some], joint[some] / p[some, None])

    def cost(self, weight: np.ndarray, made: frozenset[str]) -> float:
        """Expected cost of repair by trying every order."""
        names = [self.network.causes[i] for i in self.asked]
        listed = [x for x, name in enumerate(names) if name != "unlisted"]
        causes = [self.knowledge.causes[names[x]] for x in listed]
        ways = [remedy_way(self.knowledge, cause, self.situation) for cause in causes]
        away = frozenset({VISIT} if self.situation.who == "customer" else set())
        minutes = {name: s.minutes * (name not in made) for name, s in self.knowledge.header.set_ups.items()}
        repairs = Repairs(tuple(1 << x for x in range(len(causes))), tuple(cause.remedy.minutes for cause in causes),
                          tuple(frozenset(c.remedy.set_ups) | (away if w == "visit" else frozenset())
                                for c, w in zip(causes, ways, strict=True)),
                          {**minutes, VISIT: self.situation.visit_minutes}, self.situation.unexplained_minutes, away)
        present = self.worlds[:, self.asked]
        masks = present[:, listed] @ (1 << np.arange(len(listed)))
        others = present.sum(axis=1) != present[:, listed].sum(axis=1)
        faults = np.where(others | ~present.any(axis=1), BEYOND, masks)
        return cheapest(repairs, weight, faults)

    def saving(self, name: str) -> float:
        finding = self.knowledge.findings[name]
        minutes, _ = check_minutes(self.knowledge, finding, self.situation)
        chances = self.chances(name)
        made = self.situation.made
        after = sum(self.cost(self.weight * chances[:, x], made | set(finding.set_ups)) for x in range(chances.shape[1]))
        return self.cost(self.weight, made) - after - minutes


SAYS = [
    [Answer("silent", "yes", "customer", "volunteered")],
    [Answer("faint", "yes", "customer", "volunteered"), Answer("hot", "no")],
    [Answer("silent", "yes", "customer", "volunteered"), Answer("volts_at_bell", "low", "fitter"), Answer("hot", "no")],
    [Answer("silent", "yes", "customer", "volunteered"), Answer("rings_when_bridged", "rings"), Answer("has_chime", "no")],
]


@pytest.mark.parametrize("answers", SAYS, ids=lambda some: "+".join(a.finding for a in some))
@pytest.mark.parametrize("situation", [Situation(), FITTER, FITTER._replace(made=frozenset({"cover_off"}))],
                         ids=["customer", "fitter", "cover off"])
def test_gain_and_saving_equal_brute_force(doorbell: Opened, answers: list[Answer], situation: Situation,
                                           monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(nextcheck, "FINALISTS", 100)
    by_hand = ByHand(doorbell, answers, situation)
    choice = ask(doorbell, answers, situation)
    assert choice.minutes == pytest.approx(by_hand.cost(by_hand.weight, situation.made), abs=1e-9)
    assert len(choice.scores) >= 3
    for score in choice.scores:
        assert score.gain == pytest.approx(by_hand.gain(score.finding), abs=1e-9)
        assert score.bits_per_minute == pytest.approx(score.gain / score.minutes)
        if score.saving is not None:
            assert score.saving == pytest.approx(by_hand.saving(score.finding), abs=1e-9)
            assert score.saving >= -score.minutes - 1e-9  # before its minutes no check does harm


def test_not_there_when_asked_is_plainly_not_there(doorbell: Opened) -> None:
    """Not mentioned, then denied by somebody who never errs: the same weight as denied at once."""
    silence = ByHand(doorbell, SAYS[0], Situation()).weight
    exact = doorbell.knowledge._replace(header=doorbell.knowledge.header._replace(
        reliability=dict.fromkeys(doorbell.knowledge.header.people, doorbell.knowledge.header.reliability["workshop"])))
    sure = doorbell._replace(knowledge=exact)
    silence = ByHand(sure, SAYS[0], Situation())
    denied = ByHand(sure, [*SAYS[0], Answer("faint", "no")], Situation())
    after = silence.weight * silence.chances("faint")[:, 0]
    assert after / after.sum() == pytest.approx(denied.weight, abs=1e-12)


def test_what_each_answer_would_do(doorbell: Opened) -> None:
    answers = SAYS[0]
    choice = ask(doorbell, answers, FITTER, explained=3)
    explained = [score for score in choice.scores if score.outcomes]
    assert [score.finding for score in explained] == [score.finding for score in choice.scores[:3]]
    for score in explained:
        finding = doorbell.knowledge.findings[score.finding]
        assert [outcome.level for outcome in score.outcomes] == list(finding.levels)
        assert sum(outcome.p for outcome in score.outcomes) == pytest.approx(1, abs=1e-9)
        for outcome in score.outcomes:
            evidence = read_evidence(doorbell.knowledge, doorbell.network,
                                     [*answers, Answer(finding.id, outcome.level, score.asked_of)])
            after = infer(doorbell.network, evidence)
            best = max((i for i in after.in_question if i != doorbell.network.unlisted), key=lambda i: after.p[i])
            assert (outcome.cause, outcome.cause_p) == (doorbell.network.causes[best], pytest.approx(after.p[best], abs=1e-12))


# --- the choice ------------------------------------------------------------------------------------------------------


def test_smell_and_heat_come_first(head_unit: Opened) -> None:
    first = head_unit.knowledge.header.first_checks[0]
    for who in ("customer", "fitter"):
        choice = ask(head_unit, [Answer("forgets_at_key_off", "yes", "customer", "volunteered")], Situation(who=who))
        assert choice.ask == first
        assert choice.scores[0].first
    asked = Situation(asked=frozenset({first}))
    assert ask(head_unit, [Answer("forgets_at_key_off", "yes", "customer", "volunteered")], asked).ask != first


def test_first_checks_come_first_even_where_nothing_else_is_known(head_unit: Opened) -> None:
    choice = ask(head_unit, [], Situation())
    assert choice.ask == head_unit.knowledge.header.first_checks[0]
    assert choice.plan == ()


def test_stops_when_nothing_pays(doorbell: Opened, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(nextcheck, "QUESTION_MINUTES", 500.0)
    answers = [*SAYS[0], Answer("hot", "no")]
    choice = ask(doorbell, answers, Situation(impossible=frozenset({"rings_when_bridged"})))
    assert choice.stop is not None
    assert (choice.ask, choice.pair) == ("", "")
    assert choice.stop is not None
    assert choice.stop.reason == "no check saves more minutes than it takes"
    assert choice.stop.course == choice.plan[0].way == "phone"  # a new battery, as the likeliest and cheapest
    assert choice.plan[0].cause == "flat_battery"
    assert sum(step.minutes * step.needed for step in choice.plan) == pytest.approx(choice.minutes, abs=1e-9)


def test_stops_when_nothing_is_left(doorbell: Opened) -> None:
    everything = Situation(skipped=frozenset(doorbell.knowledge.findings))
    choice = ask(doorbell, SAYS[0], everything)
    assert choice.scores == ()
    assert choice.stop is not None
    assert choice.stop.reason == "nothing is left that may be asked here"


def test_nothing_in_question_and_nothing_to_ask(doorbell: Opened) -> None:
    choice = ask(doorbell, [], Situation(skipped=frozenset(doorbell.knowledge.findings)))
    assert choice.stop is not None
    assert choice.stop.course == "ask"


def test_the_best_saving_wins_and_gain_alone_on_request(head_unit: Opened) -> None:
    answers = [Answer("forgets_at_key_off", "yes", "customer", "volunteered"), Answer("smell_smoke_heat", "none")]
    choice = ask(head_unit, answers, FITTER)
    finalists = [score for score in choice.scores if score.saving is not None]
    assert len(finalists) == nextcheck.FINALISTS
    assert choice.ask == max(finalists, key=lambda score: score.saving or 0.0).finding
    by_gain = ask(head_unit, answers, FITTER, by_gain=True)
    assert by_gain.ask == max(by_gain.scores, key=lambda score: score.bits_per_minute).finding
    assert all(score.saving is None for score in by_gain.scores)


def test_a_circumstance_that_settles_it_is_asked(doorbell: Opened) -> None:
    """Circumstances and reports stand among the candidates."""
    kinds = {doorbell.knowledge.findings[score.finding].kind for score in rank(doorbell, SAYS[1], Situation())}
    assert kinds == {CHECK, REPORT, CIRCUMSTANCE}


def test_ranking_is_by_bits_per_minute_after_the_first_checks(head_unit: Opened) -> None:
    scores = rank(head_unit, [Answer("dead_with_key_on", "yes", "customer", "volunteered")], FITTER)
    assert [score.first for score in scores] == sorted((score.first for score in scores), reverse=True)
    rates = [score.bits_per_minute for score in scores if not score.first]
    assert rates == sorted(rates, reverse=True)
    assert len(scores) > 100


def test_order_of_answers_changes_nothing(head_unit: Opened) -> None:
    answers = sampled_answers(head_unit, np.random.default_rng(9), 4)
    one, other = rank(head_unit, answers, Situation()), rank(head_unit, answers[::-1], Situation())
    gains = {score.finding: score.gain for score in other}
    assert all(gains[score.finding] == pytest.approx(score.gain, abs=1e-6) for score in one)


def test_a_remedy_that_did_not_help_counts(doorbell: Opened) -> None:
    knowledge, network = doorbell.knowledge, doorbell.network
    evidence = read_evidence(knowledge, network, SAYS[0], tried=["flat_battery"])
    choice = choose(knowledge, network, evidence, infer(network, evidence), FITTER, explained=9)
    assert choice.plan[0].cause != "flat_battery"
    assert all(outcome.cause != "flat_battery" for score in choice.scores for outcome in score.outcomes if outcome.p > 0.5)


PAIR = {
    "network.yaml": DOORBELL["network.yaml"].replace("prior: 0.05, link: 0.03", "prior: 0.0, link: 0.0")
    .replace("first_checks: [hot]", "first_checks: []"),
    "all.yaml": """
reports:
  silent: {title: Silent, area: sounder, ask: Silent?, phrases: [silent], leak: 0.25}
checks:
  one: {title: One, area: supply, ask: One?, how: {fitter: [Look.]}, who: [fitter], minutes: 0.5, method: recall,
        levels: {good: good, bad: bad}, leak: {bad: 0.2}}
  two: {title: Two, area: supply, ask: Two?, how: {fitter: [Look.]}, who: [fitter], minutes: 0.5, method: recall,
        levels: {good: good, bad: bad}, leak: {bad: 0.2}}
causes:
  only:
    {title: The only cause, area: supply, description: One., origin: Age., prior: 0.3, links: {silent: 0.6, one: 0.8, two: 0.8},
     remedy: {summary: Mend it., steps: [Mend it.], minutes: 50, bring: [], who: [fitter], by_phone: no, verified: It rings.},
     answers_for: {use: 1.0}, safety: normal, source: estimate}
  other:
    {title: Something else, area: supply, description: Two., origin: Age., prior: 0.3, links: {silent: 0.6},
     remedy: {summary: Mend it., steps: [Mend it.], minutes: 200, bring: [], who: [fitter], by_phone: no, verified: It rings.},
     answers_for: {use: 1.0}, safety: normal, source: estimate}
""",
}


def test_a_pair_pays_where_no_single_check_does(tmp_path: Path) -> None:
    opened = load_network(write_network(tmp_path / "pair", PAIR))
    answers = [Answer("silent", "yes", "customer", "volunteered")]
    choice = ask(opened, answers, FITTER)
    assert all((score.saving or 0.0) <= 0 for score in choice.scores)
    assert {choice.ask, choice.pair} == {"one", "two"}
    assert choice.stop is None
    by_hand = ByHand(opened, answers, FITTER)
    spent = 0.5  # the first check; the second only after answers where it pays
    for first in by_hand.chances("one").T:
        weight = by_hand.weight * first
        both = sum(by_hand.cost(weight * second, frozenset()) for second in by_hand.chances("two").T)
        spent += min(by_hand.cost(weight, frozenset()), 0.5 * weight.sum() + both)
    assert by_hand.cost(by_hand.weight, frozenset()) - spent > 0.1
    dearer = write_network(tmp_path / "dearer", PAIR | {"all.yaml": PAIR["all.yaml"].replace("minutes: 0.5", "minutes: 3")})
    assert ask(load_network(dearer), answers, FITTER).stop is not None


# --- several at once -------------------------------------------------------------------------------------------------


def test_questions_for_one_message(head_unit: Opened) -> None:
    knowledge, network = head_unit.knowledge, head_unit.network
    evidence = read_evidence(knowledge, network, [Answer("fm_weak", "yes", "customer", "volunteered")])
    posterior = infer(network, evidence)
    found = [best_together(knowledge, network, evidence, posterior, Situation(), k) for k in (1, 2, 3, 4)]
    assert all(set(knowledge.header.first_checks) <= set(some.findings) for some in found)
    assert [len(set(some.findings)) for some in found] == [1, 2, 3, 4]
    assert all(more.bits >= fewer.bits - 1e-9 for fewer, more in itertools.pairwise(found))
    assert all(some.bits <= some.at_most for some in found)
    with pytest.raises(ValueError, match="0 questions"):
        best_together(knowledge, network, evidence, posterior, Situation(), 0)


def test_together_tells_at_least_as_much_as_the_best_single(doorbell: Opened) -> None:
    knowledge, network = doorbell.knowledge, doorbell.network
    evidence = read_evidence(knowledge, network, [*SAYS[0], Answer("hot", "no")])
    posterior = infer(network, evidence)
    singles = rank_checks(knowledge, network, evidence, posterior, FITTER)
    pair = best_together(knowledge, network, evidence, posterior, FITTER, 2)
    assert pair.bits >= max(score.gain for score in singles) - 1e-9
    assert pair.minutes <= sum(score_of(singles, name).minutes for name in pair.findings) + 1e-9


def test_nothing_to_ask_together(doorbell: Opened) -> None:
    evidence = read_evidence(doorbell.knowledge, doorbell.network, SAYS[0])
    nothing = Situation(skipped=frozenset(doorbell.knowledge.findings))
    found = best_together(doorbell.knowledge, doorbell.network, evidence, infer(doorbell.network, evidence), nothing, 3)
    assert found == ((), 0.0, 0.0, 0.0)


# --- against the true optimum ----------------------------------------------------------------------------------------


class Problem:
    """One fault of five, each with a remedy of its own, five noisy checks: small enough for the true optimum (methods 0.2)."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.p = rng.dirichlet(np.ones(5))
        self.minutes = rng.uniform(2, 20, 5)
        self.check_minutes = rng.uniform(0.3, 3, 5)
        self.positive = np.where(rng.random((5, 5)) < 0.5, rng.uniform(0.02, 0.25, (5, 5)), rng.uniform(0.7, 0.98, (5, 5)))
        self.repairs = Repairs(tuple(1 << a for a in range(5)), tuple(self.minutes.tolist()), (frozenset(),) * 5, {})
        self.faults = 1 << np.arange(5)

    def after(self, weight: np.ndarray, check: int) -> tuple[np.ndarray, np.ndarray]:
        return weight * self.positive[check], weight * (1 - self.positive[check])

    def optimum(self, weight: np.ndarray, asked: frozenset[int], known: dict[object, float], key: tuple[int, ...]) -> float:
        """The least expected minutes from here, weighted with what is left; key: the answers so far and what is mended."""
        if weight.sum() <= 1e-15:
            return 0.0
        if key not in known:
            best = min(self.minutes[a] * weight.sum() + self.optimum(np.where(np.arange(5) == a, 0.0, weight), asked, known,
                                                                    (*key[:5], key[5] | 1 << a))
                       for a in range(5) if not key[5] >> a & 1)
            for check in range(5):
                if check not in asked and np.count_nonzero(weight) > 1:
                    cost = self.check_minutes[check] * weight.sum()
                    for level, left in enumerate(self.after(weight, check)):
                        cost += self.optimum(left, asked | {check}, known, (*key[:check], level + 1, *key[check + 1 :]))
                    best = min(best, cost)
            known[key] = best
        return known[key]

    def policy(self, weight: np.ndarray, asked: frozenset[int]) -> float:
        """Expected minutes of the rule of ``choose``: gain per minute picks three, the saving decides; else a remedy."""
        total = float(weight.sum())
        if total <= 1e-15:
            return 0.0
        now = float(expected_cost(self.repairs, weight[None], self.faults)[0])
        p = weight / total
        rates = [information(p, np.stack([x, 1 - x], axis=1)) for x in self.positive] / self.check_minutes
        left = sorted((c for c in range(5) if c not in asked), key=lambda c: -rates[c])
        savings = {c: now - float(expected_cost(self.repairs, np.array(self.after(weight, c)), self.faults).sum())
                   - self.check_minutes[c] * total for c in left[:3]}
        best = max(savings, key=lambda c: savings[c], default=-1)
        if best >= 0 and savings[best] > 1e-12:
            return self.check_minutes[best] * total + sum(self.policy(w, asked | {best}) for w in self.after(weight, best))
        first = best_plan(self.repairs, p, self.faults)[0].remedy
        return self.minutes[first] * total + self.policy(np.where(np.arange(5) == first, 0.0, weight), asked)


def ratios(seed: int, count: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(count):
        problem = Problem(rng)
        optimum = problem.optimum(problem.p, frozenset(), {}, (0,) * 6)
        found.append(problem.policy(problem.p, frozenset()) / optimum)
    return np.array(found)


def test_one_step_is_near_the_true_optimum() -> None:
    """methods 0.2 has 1.013 on average and 1.098 at worst over 300 problems of its own."""
    found = ratios(11, 6)
    assert found.min() >= 1 - 1e-9
    assert found.mean() < 1.05


@pytest.mark.slow
def test_one_step_is_near_the_true_optimum_on_300_problems() -> None:
    found = ratios(12, 300)
    assert found.min() >= 1 - 1e-9
    assert found.mean() < 1.03
    assert np.quantile(found, 0.9) < 1.08
