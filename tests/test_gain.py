"""Gain in bits against brute-force mutual information; bounds where it is cut short; the properties it must have."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from diagnose import gain, worlds
from diagnose.evidence import Answer, Evidence, plain_evidence, read_evidence, seen_through
from diagnose.gain import Gain, gains, information, joint_gain, sweep_predictions
from diagnose.network import Network, Opened, assemble
from diagnose.posterior import Posterior, infer
from diagnose.worlds import Split, View, fold_in, likely_worlds, look_at, predicted, split_causes
from tests.enumeration import Truth, enumerate_causes, level_probabilities
from tests.strategies import Situation, random_situation, situations

CLOSE = 1e-9
ROUNDING = 1e-6  # of the grid's signed sums with six abnormal findings; it is given up where they lose more than 1e-5


class Question:
    """A network with evidence, taken apart for its findings that have not been seen."""

    def __init__(self, situation: Situation, *, called: bool = True, abnormal: int | None = None) -> None:
        tables, seen = situation
        self.situation = situation
        self.network: Network = assemble(tables.priors, tables.leaks, tables.links, unlisted=tables.unlisted)
        self.evidence: Evidence = plain_evidence(self.network, dict(seen))
        if abnormal is not None:  # as if the other answers were thought to be normal
            self.evidence = dataclasses.replace(self.evidence, abnormal=self.evidence.abnormal[:abnormal])
        self.called = called
        self.posterior: Posterior = infer(self.network, self.evidence, somebody_called=called)
        self.split: Split = split_causes(self.evidence, self.posterior, somebody_called=called)
        self.open = [name for name in tables.leaks if name not in seen]
        places = [self.network.finding_index[name] for name in self.open]
        self.view: View = view_findings(self.network, self.split, places, [plain(self.network, j) for j in places])

    def gains(self) -> list[Gain]:
        return gains(self.evidence, self.posterior, self.split, self.view)

    def oracle(self, truth: Truth, *findings: str) -> float:
        """Mutual information of the findings and the causes in question, by enumeration."""
        table = np.ones((len(truth.worlds), 1))
        for name in findings:
            levels = level_probabilities(self.situation.tables, name, truth.worlds)
            table = (table[:, :, None] * levels[:, None]).reshape(len(table), -1)
        weight = truth.weight * (truth.worlds.any(axis=1) if self.called else 1.0)
        asked = [truth.causes.index(self.network.causes[i]) for i in self.split.causes[self.split.asked]]
        key = truth.worlds[:, asked] @ (1 << np.arange(len(asked)))
        joint = np.zeros((1 << len(asked), table.shape[1]))
        np.add.at(joint, key, weight[:, None] * table)
        joint /= joint.sum()
        apart = joint.sum(axis=1, keepdims=True) * joint.sum(axis=0)
        some = joint > 0
        return float((joint[some] * np.log2(joint[some] / apart[some])).sum())


def view_findings(network: Network, split: Split, findings: list[int], seen: list[tuple[np.ndarray, np.ndarray]]) -> View:
    return fold_in(look_at(network, findings, seen), split)


def plain(network: Network, j: int) -> tuple[np.ndarray, np.ndarray]:
    return seen_through(network, j, (1.0, 1.0))


def possible(situation: Situation, *, called: bool) -> Truth:
    """The truth, for situations that can be; not so rare that rounding decides."""
    truth = enumerate_causes(*situation)
    assume(truth.evidence > 1e-9 and (truth.some > 1e-6 or not called))
    return truth


# --- exact -----------------------------------------------------------------------------------------------------------


@settings(max_examples=200)
@given(situations(spare=2), st.booleans())
def test_gain_equals_enumeration(situation: Situation, called: bool) -> None:
    truth = possible(situation, called=called)
    question = Question(situation, called=called)
    for name, found in zip(question.open, question.gains(), strict=True):
        wanted = question.oracle(truth, name)
        assert found.at_least - CLOSE <= wanted <= found.at_most + CLOSE
        if len(question.split.causes) <= 8:
            assert found.bits == pytest.approx(wanted, abs=CLOSE)
            assert found.at_most - found.at_least < CLOSE


@settings(max_examples=200)
@given(situations(exact=False, spare=2), st.integers(0, 1), st.booleans())
def test_gain_with_answers_thought_to_be_normal(situation: Situation, abnormal: int, called: bool) -> None:
    truth = possible(situation, called=called)
    question = Question(situation, called=called, abnormal=abnormal)
    for name, found in zip(question.open, question.gains(), strict=True):
        wanted = question.oracle(truth, name)
        assert found.bits == pytest.approx(wanted, abs=CLOSE)


@settings(max_examples=200)
@given(situations(exact=False, spare=3, findings=7), st.booleans())
def test_joint_gain_equals_enumeration(situation: Situation, called: bool) -> None:
    truth = possible(situation, called=called)
    question = Question(situation, called=called)
    listed = likely_worlds(question.evidence, question.posterior, question.split)
    some = range(min(3, len(question.open)))
    found = joint_gain(listed, question.view, list(some))
    assert found.bits == pytest.approx(question.oracle(truth, *question.open[:3]), abs=CLOSE)
    assert found.p.sum() == pytest.approx(1, abs=CLOSE)


@settings(max_examples=100)
@given(situations(exact=False, spare=1), st.booleans())
def test_both_ways_agree(situation: Situation, called: bool) -> None:
    """The grid of thresholds and the list of worlds are different sums for the same number."""
    possible(situation, called=called)
    question = Question(situation, called=called)
    grid = gain.open_grid(question.evidence, question.posterior, question.split)
    assume(grid is not None and question.split.asked.all() and len(question.split.causes) <= 8)
    one = gain._gains_on_grid(grid, question.split, question.view, question.view.base, question.split.asked)
    listed = likely_worlds(question.evidence, question.posterior, question.split)
    other = gain._gains_in_worlds(question.evidence, question.posterior, listed, question.view)
    assert [x.bits for x in one] == pytest.approx([x.bits for x in other], abs=CLOSE)


@settings(max_examples=100)
@given(situations(exact=False, spare=1), st.booleans())
def test_chances_of_each_answer_equal_enumeration(situation: Situation, called: bool) -> None:
    truth = possible(situation, called=called)
    question = Question(situation, called=called)
    weight = truth.weight * (truth.worlds.any(axis=1) if called else 1.0)
    swept = sweep_predictions(question.evidence, question.posterior, question.split, question.view)
    for c, (name, found) in enumerate(zip(question.open, question.gains(), strict=True)):
        wanted = weight / weight.sum() @ level_probabilities(situation.tables, name, truth.worlds)
        assert found.p == pytest.approx(wanted, abs=CLOSE)
        assert swept[c, : len(wanted)] == pytest.approx(np.cumsum(wanted), abs=CLOSE)


@settings(max_examples=100)
@given(situations(exact=False, spare=1))
def test_worlds_have_the_weights_of_enumeration(situation: Situation) -> None:
    truth = possible(situation, called=True)
    question = Question(situation)
    listed = likely_worlds(question.evidence, question.posterior, question.split)
    names = [question.network.causes[i] for i in question.split.causes]
    for row, p in zip(listed.present, listed.p, strict=True):
        assert p == pytest.approx(truth.exactly([n for n, x in zip(names, row, strict=True) if x], names), abs=CLOSE)
    assert listed.p.sum() + listed.rest == pytest.approx(1, abs=CLOSE)


# --- cut short -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(40))
@pytest.mark.parametrize("way", ["grid", "worlds"])
def test_bounds_hold_where_it_is_cut_short(way: str, seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Few patterns, few worlds, many causes: the exact value lies between the bounds, the figure never above it."""
    situation = random_situation(seed, 11, 6, density=0.8, spare=2)
    truth = enumerate_causes(*situation)
    if not truth.evidence > 1e-9:
        pytest.skip("the drawn answers cannot be")
    if way == "grid":
        monkeypatch.setattr(gain, "LISTED", 2)
        monkeypatch.setattr(gain, "PAIRED", 3)
        gain._selections.cache_clear()
    else:
        monkeypatch.setattr(gain, "MOST_CELLS", 0)
    question = Question(situation)
    cut = likely_worlds(question.evidence, question.posterior, question.split, most=60)
    found = question.gains()
    if way == "worlds":
        found = gain._gains_in_worlds(question.evidence, question.posterior, cut, question.view)
    gain._selections.cache_clear()
    for name, one in zip(question.open, found, strict=True):
        wanted = question.oracle(truth, name)
        assert one.at_least - CLOSE <= wanted <= one.at_most + CLOSE
        if question.split.asked.all():
            assert 0 <= one.bits <= wanted + CLOSE
    joint = joint_gain(cut, question.view, range(len(question.open)))
    assert joint.at_least - CLOSE <= question.oracle(truth, *question.open) <= joint.at_most + CLOSE


def test_further_causes_of_answers_thought_to_be_normal_widen_the_bounds_no_more_than_they_must() -> None:
    """Many causes, an open finding that is not abnormal: the figure lies in bounds that hold the exact value."""
    widths = []
    for seed in range(30):
        situation = random_situation(seed, 11, 6, density=0.3, spare=2)
        truth = enumerate_causes(*situation)
        if not truth.evidence > 1e-9:
            continue
        question = Question(situation, abnormal=1)
        for name, found in zip(question.open, question.gains(), strict=True):
            wanted = question.oracle(truth, name)
            assert found.at_least - CLOSE <= wanted <= found.at_most + CLOSE
            assert found.at_least <= found.bits <= found.at_most
            widths.append(found.at_most - found.at_least)
    assert len(widths) > 20
    assert min(widths) < CLOSE  # and where nothing ties them together, nothing is lost


def sampled_answers(opened: Opened, rng: np.random.Generator, count: int) -> list[Answer]:
    """So many abnormal reports and checks of one drawn callback."""
    knowledge, network = opened.knowledge, opened.network
    share = network.prior[:-1] / network.prior[:-1].sum()
    while True:
        present = set(rng.choice(len(share), size=3, replace=False, p=share).tolist())
        found = []
        for finding in knowledge.findings.values():
            j = network.finding_index[finding.id]
            cumulative = network.leak[j].copy()
            for cause, link in zip(network.link_cause[network.rows(j)].tolist(), network.link[network.rows(j)], strict=True):
                if cause in present:
                    cumulative = cumulative * link
            level = int((rng.random() >= cumulative).sum())
            if level and finding.kind != "circumstance" and rng.random() < 0.7:
                found.append(Answer(finding.id, finding.levels[level]))
        if len(found) >= count:
            return [found[x] for x in rng.permutation(len(found))[:count]]


@pytest.mark.parametrize("count", [1, 4, 6])
def test_bounds_on_the_shipped_network(head_unit: Opened, count: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is cut short there lies within its bounds of a reckoning with far more patterns, and the bounds are narrow."""
    network = head_unit.network
    rng = np.random.default_rng(count)
    for _ in range(3):
        evidence = read_evidence(head_unit.knowledge, network, sampled_answers(head_unit, rng, count))
        posterior = infer(network, evidence)
        split = split_causes(evidence, posterior)
        places = [j for j, name in enumerate(network.findings) if name not in {a.finding for a in evidence.answers}]
        view = view_findings(network, split, places, [plain(network, j) for j in places])
        quick = gains(evidence, posterior, split, view)
        with monkeypatch.context() as patch:
            patch.setattr(gain, "LISTED", 7)
            patch.setattr(gain, "PAIRED", 30)
            gain._selections.cache_clear()
            thorough = gains(evidence, posterior, split, view)
        gain._selections.cache_clear()
        for one, other in zip(quick, thorough, strict=True):
            assert one.at_least - ROUNDING <= other.bits
            assert other.at_most <= one.at_most + ROUNDING
            assert one.at_most - one.at_least < 0.05
        swept = sweep_predictions(evidence, posterior, split, view)
        for c, one in enumerate(quick):
            assert np.cumsum(one.p) == pytest.approx(swept[c, : len(one.p)], abs=ROUNDING)
        best = max(quick, key=lambda one: one.bits)
        assert best.at_most - best.at_least < 0.02 * best.bits


def test_a_wide_sweep_takes_its_rows_a_few_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    question = Question(random_situation(5, 8, 6, density=0.7, spare=3))
    whole = sweep_predictions(question.evidence, question.posterior, question.split, question.view)
    monkeypatch.setattr(gain, "SWEPT_CELLS", 2)
    assert (sweep_predictions(question.evidence, question.posterior, question.split, question.view) == whole).all()


def test_many_open_findings_fall_back_to_worlds(head_unit: Opened) -> None:
    """More cells than the grid may have: still an answer, with bounds that say how good it is."""
    network = head_unit.network
    evidence = read_evidence(head_unit.knowledge, network, sampled_answers(head_unit, np.random.default_rng(8), 13))
    posterior = infer(network, evidence)
    split = split_causes(evidence, posterior)
    assert gain.open_grid(evidence, posterior, split) is None
    places = list(range(0, len(network.findings), 7))
    for one in gains(evidence, posterior, split, view_findings(network, split, places, [plain(network, j) for j in places])):
        assert 0 <= one.at_least <= one.bits <= one.at_most
        assert one.p.sum() == pytest.approx(1, abs=1e-6)


# --- properties ------------------------------------------------------------------------------------------------------


@settings(max_examples=150)
@given(situations(exact=False, spare=3, findings=7))
def test_gain_is_never_negative_and_joint_gain_never_below_the_best_single(situation: Situation) -> None:
    possible(situation, called=True)
    question = Question(situation)
    singles = question.gains()
    assert all(one.bits >= 0 for one in singles)
    listed = likely_worlds(question.evidence, question.posterior, question.split, most=20)
    alone = [joint_gain(listed, question.view, [c]).bits for c in range(len(question.open))]
    assert joint_gain(listed, question.view, range(len(question.open))).bits >= max(alone) - 1e-12


def test_a_finding_without_links_tells_nothing() -> None:
    network = assemble({"c": 0.2, "d": 0.1}, {"seen": (0.1,), "other": (0.3,)}, {("c", "seen"): (0.9,)})
    evidence = plain_evidence(network, {"seen": 1})
    posterior = infer(network, evidence, somebody_called=False)
    split = split_causes(evidence, posterior, somebody_called=False)
    view = view_findings(network, split, [1], [plain(network, 1)])
    assert gains(evidence, posterior, split, view)[0].bits == pytest.approx(0, abs=1e-12)


def test_a_check_done_less_well_tells_less() -> None:
    network = assemble({"c": 0.2, "d": 0.1}, {"seen": (0.1,), "check": (0.02,)},
                       {("c", "seen"): (0.9,), ("d", "seen"): (0.5,), ("c", "check"): (0.9,)})
    evidence = plain_evidence(network, {"seen": 1})
    posterior = infer(network, evidence)
    split = split_causes(evidence, posterior)
    bits = [gains(evidence, posterior, split, view_findings(network, split, [1], [seen_through(network, 1, pair)]))[0].bits
            for pair in ((1.0, 1.0), (0.97, 0.98), (0.88, 0.93), (0.75, 0.85))]
    assert bits == sorted(bits, reverse=True)
    assert bits[-1] > 0


def test_all_causes_are_in_question_while_nothing_is_seen() -> None:
    network = assemble({"c": 0.3}, {"f": (0.0,)}, {("c", "f"): (1.0,)})
    evidence = plain_evidence(network, {})
    posterior = infer(network, evidence, somebody_called=False)
    split = split_causes(evidence, posterior, somebody_called=False)
    view = view_findings(network, split, [0], [plain(network, 0)])
    assert gains(evidence, posterior, split, view)[0].bits == pytest.approx(0.8812908992306927, abs=CLOSE)  # h(0.3)


def test_predictions_of_several_findings_add_up_to_those_of_each(head_unit: Opened) -> None:
    network = head_unit.network
    evidence = read_evidence(head_unit.knowledge, network, sampled_answers(head_unit, np.random.default_rng(2), 3))
    posterior = infer(network, evidence)
    split = split_causes(evidence, posterior)
    places = np.argsort(-np.diff(network.start))[:3].tolist()
    view = view_findings(network, split, places, [plain(network, j) for j in places])
    listed = likely_worlds(evidence, posterior, split, most=100)
    together = predicted(listed, view, [0, 1, 2])
    assert together.sum(axis=(2, 3)) == pytest.approx(predicted(listed, view, [0]), abs=1e-12)
    assert together.sum(axis=(1, 2)) == pytest.approx(predicted(listed, view, [2]), abs=1e-12)


def test_worlds_cut_short_keep_the_most_probable() -> None:
    situation = random_situation(5, 11, 5, density=0.7, spare=1)
    question = Question(situation)
    whole = likely_worlds(question.evidence, question.posterior, question.split, most=10_000)
    cut = likely_worlds(question.evidence, question.posterior, question.split, most=40)
    assert len(cut.p) == 40
    assert sorted(cut.p)[1:] == pytest.approx(sorted(whole.p)[-39:], abs=1e-12)
    assert cut.rest == pytest.approx(1 - cut.p.sum(), abs=1e-12)


def test_information_of_a_useless_answer_is_nought() -> None:
    assert information(np.array([0.2, 0.8]), np.full((2, 3), 1 / 3)) == 0.0


def test_bounds_say_how_many_worlds_are_listed() -> None:
    assert worlds.MOST_WORLDS >= 1 << worlds.FEW_CAUSES  # all worlds of few causes fit
