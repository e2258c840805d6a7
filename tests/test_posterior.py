"""The exact sweep against enumeration, and the properties it must have whatever the network."""

from __future__ import annotations

import itertools
import math
import time
from decimal import Decimal, localcontext
from fractions import Fraction
from random import Random
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from diagnose.evidence import Answer, Evidence, plain_evidence, read_evidence
from diagnose.network import Network, Opened, assemble
from diagnose.plan import make_plan
from diagnose.posterior import Posterior, infer, likely_sets, number_of_causes, probability_of_any
from diagnose.records import REPORT
from diagnose.source import ImpossibleEvidence, InputError
from tests.enumeration import Tables, Truth, enumerate_causes
from tests.strategies import Situation, random_situation, situations

CLOSE = 1e-9  # design section 9: agreement with brute force
ONE_CAUSE = Tables({"c": 0.1}, {"f": (0.01,)}, {("c", "f"): (0.8,)})


def build(situation: Situation) -> tuple[Network, Evidence]:
    tables, seen = situation
    network = assemble(tables.priors, tables.leaks, tables.links, unlisted=tables.unlisted)
    return network, plain_evidence(network, dict(seen))


def answer(tables: Tables, **seen: int | tuple[float, ...]) -> Posterior:
    return infer(*build(Situation(tables, seen)))


def check_called(situation: Situation, truth: Truth) -> Posterior:
    network, evidence = build(situation)
    posterior = infer(network, evidence)
    assert posterior.p == pytest.approx([truth.called[name] for name in network.causes], abs=CLOSE)
    return posterior


def possible(situation: Situation) -> Truth:
    """The truth, for situations that can be and in which a cause can be present."""
    truth = enumerate_causes(*situation)
    assume(truth.evidence > 0 and truth.some > 0)
    return truth


# --- against enumeration ---------------------------------------------------------------------------------------------


@settings(max_examples=300)
@given(situations())
def test_posterior_equals_enumeration_with_noughts_and_ones(situation: Situation) -> None:
    check_called(situation, possible(situation))


@settings(max_examples=200)
@given(situations(exact=False))
def test_posterior_equals_enumeration_with_ordinary_numbers(situation: Situation) -> None:
    check_called(situation, possible(situation))


@settings(max_examples=200)
@given(situations())
def test_posterior_without_a_call_equals_enumeration(situation: Situation) -> None:
    truth = enumerate_causes(*situation)
    assume(truth.evidence > 0)
    network, evidence = build(situation)
    posterior = infer(network, evidence, somebody_called=False)
    assert posterior.p == pytest.approx([truth.p[name] for name in network.causes], abs=1e-12)
    assert posterior.none == pytest.approx(truth.none, abs=1e-12)
    assert math.exp(posterior.log_evidence) == pytest.approx(truth.evidence, rel=1e-12)


@settings(max_examples=200)
@given(situations())
def test_impossible_evidence_is_said_to_be_so_and_nothing_else_is(situation: Situation) -> None:
    truth = enumerate_causes(*situation)
    network, evidence = build(situation)
    if truth.evidence > 0:
        assert np.isfinite(infer(network, evidence, somebody_called=False).p).all()
    else:
        with pytest.raises(ImpossibleEvidence, match="cannot all be true together"):
            infer(network, evidence, somebody_called=False)


@settings(max_examples=200)
@given(situations())
def test_number_of_causes_equals_enumeration(situation: Situation) -> None:
    truth = possible(situation)
    network, evidence = build(situation)
    counts = number_of_causes(network, evidence, infer(network, evidence))
    assert counts == pytest.approx(truth.counts, abs=1e-12)


@settings(max_examples=200)
@given(situations(), st.lists(st.sets(st.integers(0, 8)), min_size=1, max_size=4))
def test_probability_of_any_equals_enumeration(situation: Situation, sets: list[set[int]]) -> None:
    truth = possible(situation)
    network, evidence = build(situation)
    members = [sorted(i for i in chosen if i < len(network.causes)) for chosen in sets]
    found = probability_of_any(network, evidence, infer(network, evidence), members)
    wanted = [truth.any_of([network.causes[i] for i in chosen]) for chosen in members]
    assert found == pytest.approx(wanted, abs=CLOSE)


@settings(max_examples=200)
@given(situations(exact=False))
def test_likely_sets_equal_enumeration(situation: Situation) -> None:
    truth = possible(situation)
    network, evidence = build(situation)
    posterior = infer(network, evidence)
    asked = [network.causes[i] for i in posterior.in_question]
    found = likely_sets(network, evidence, posterior, cover=2.0, most=10**6, largest=len(asked))
    assert len(found) == max(2 ** len(asked) - 1, 0)
    for one in found:
        wanted = truth.exactly([network.causes[i] for i in one.causes], among=asked)
        assert one.p == pytest.approx(wanted, abs=CLOSE)


@given(situations(exact=False))
def test_likely_sets_come_in_falling_order_and_stop_when_enough_is_covered(situation: Situation) -> None:
    possible(situation)
    network, evidence = build(situation)
    found = [one.p for one in likely_sets(network, evidence, infer(network, evidence), cover=0.8, most=10**6, largest=9)]
    assert found == sorted(found, reverse=True)
    assert sum(found[:-1]) < 0.8


def test_likely_sets_with_a_cause_that_is_certain() -> None:
    tables = Tables({"sure": 1.0, "other": 0.2}, {"f": (0.1,)}, {("sure", "f"): (0.5,), ("other", "f"): (0.7,)})
    network, evidence = build(Situation(tables, {"f": 1}))
    truth = enumerate_causes(tables, {"f": 1})
    found = {one.causes: one.p for one in likely_sets(network, evidence, infer(network, evidence))}
    assert found[0,] == pytest.approx(truth.exactly(["sure"], ["sure", "other"]), abs=CLOSE)
    assert found[0, 1] == pytest.approx(truth.exactly(["sure", "other"], ["sure", "other"]), abs=CLOSE)


def test_likely_sets_sum_out_a_cause_that_only_an_unsure_normal_answer_touches(doorbell: Opened) -> None:
    """"I think it does not get hot" opens an axis, though nothing about it is abnormal: its causes are not in question,
    yet their share of that likelihood counts."""
    knowledge, network = doorbell.knowledge, doorbell.network
    answers = [Answer("rings_when_bridged", "rings", "workshop"), Answer("hot", "no", "workshop", sure=False)]
    evidence = read_evidence(knowledge, network, answers, unmentioned=False)
    posterior = infer(network, evidence)
    found = likely_sets(network, evidence, posterior, cover=2.0, most=100, largest=len(posterior.in_question))
    among = [network.causes[i] for i in posterior.in_question]
    truth = enumerate_causes(tables_of(network), {"rings_when_bridged": 1, "hot": (1.0, 0.25)})
    for one in found:
        assert one.p == pytest.approx(truth.exactly([network.causes[i] for i in one.causes], among), abs=CLOSE)


def test_many_answers_thought_to_be_normal_do_not_multiply_the_work(head_unit: Opened) -> None:
    """A customer who "thinks not" thirteen times over: still a matter of milliseconds."""
    knowledge, network = head_unit.knowledge, head_unit.network
    told, *others = (f for f in knowledge.of_kind(REPORT))
    answers = [Answer(told.id, told.levels[-1]), *(Answer(f.id, f.levels[0], sure=False) for f in others[:13])]
    evidence = read_evidence(knowledge, network, answers)
    posterior = infer(network, evidence)
    start = time.process_time()
    likely_sets(network, evidence, posterior)
    assert time.process_time() - start < 0.5


def tables_of(network: Network) -> Tables:
    """Plain tables read back from the arrays of a small network."""
    leaks, links = {}, {}
    for j, name in enumerate(network.findings):
        size = int(network.levels[j])
        leaks[name] = tuple(np.diff(network.leak[j, :size]))
        for row in range(*network.rows(j).indices(len(network.link))):
            links[network.causes[network.link_cause[row]], name] = tuple(np.diff(network.link[row, :size]))
    return Tables(dict(zip(network.causes, network.prior.tolist(), strict=True)), leaks, links)


# --- against other ways of reckoning ---------------------------------------------------------------------------------


def inclusion_exclusion(tables: Tables, seen: dict[str, int]) -> tuple[Decimal, dict[str, Decimal]]:
    """P(e) and P(cause, e) for two-level findings by Heckerman's alternating sum over the positive findings (UAI 1989;
    methods 2.4): exponential in the positives only, so that it can follow where enumeration cannot. In 40 digits, because
    in 16 the sum loses half of them here."""
    negative = [f for f, level in seen.items() if level == 0]
    positive = [f for f, level in seen.items() if level == 1]
    priors = {c: Decimal(p) for c, p in tables.priors.items()}
    stays = {f: 1 - Decimal(above[0]) for f, above in tables.leaks.items()}
    misses = {c: {f: 1 - Decimal(tables.links[c, f][0]) for f in seen if (c, f) in tables.links} for c in priors}
    total, joint = Decimal(0), dict.fromkeys(priors, Decimal(0))
    for size in range(len(positive) + 1):
        for chosen in itertools.combinations(positive, size):
            off = {*negative, *chosen}
            product = math.prod((stays[f] for f in off), start=Decimal((-1) ** size))
            share = {}
            for cause, p in priors.items():
                on = math.prod((miss for f, miss in misses[cause].items() if f in off), start=p)
                product *= 1 - p + on
                share[cause] = on / (1 - p + on)
            total += product
            for cause in priors:
                joint[cause] += product * share[cause]
    return total, joint


@pytest.mark.parametrize("seed", range(4))
def test_sixty_causes_against_inclusion_exclusion(seed: int) -> None:
    """Sizes of methods 0: 60 causes, 8 abnormal and 12 normal findings."""
    rng = np.random.default_rng(seed)
    causes, findings = [f"c{i}" for i in range(60)], [f"f{j}" for j in range(20)]
    tables = Tables({c: float(rng.uniform(0.005, 0.05)) for c in causes},
                    {f: (float(rng.uniform(0.005, 0.05)),) for f in findings},
                    {(c, f): (float(rng.uniform(0.05, 0.95)),) for c in causes for f in findings if rng.random() < 0.12})
    seen = {f: int(j < 8) for j, f in enumerate(findings)}
    with localcontext() as context:
        context.prec = 40
        total, joint = inclusion_exclusion(tables, seen)
    posterior = infer(*build(Situation(tables, dict(seen))), somebody_called=False)
    assert posterior.log_evidence == pytest.approx(math.log(total), abs=1e-12)
    assert posterior.p == pytest.approx([float(joint[c] / total) for c in causes], abs=1e-12)


@pytest.mark.parametrize("size", [Fraction(1, 10), Fraction(1, 10**4)])
def test_small_probabilities_keep_their_digits(size: Fraction) -> None:
    """Against exact fractions, to a relative error of 1e-11. Priors, leaks and links of 1e-4 make P(e) about 1e-13, where an
    alternating sum has three digits left. (Far below that the arrays set the limit: 1 - 1e-9 holds seven digits of 1e-9.)"""
    priors = {f"c{i}": size * (i + 1) for i in range(4)}
    leaks = {f"f{j}": size * (3 - j) / 2 for j in range(3)}
    links = {(c, f): size * (1 + (i + 2 * j) % 5) / 3 for i, c in enumerate(priors) for j, f in enumerate(leaks)}
    joint = dict.fromkeys(priors, Fraction(0))
    total = Fraction(0)
    for world in itertools.product((False, True), repeat=4):
        weight = Fraction(1)
        for present, prior in zip(world, priors.values(), strict=True):
            weight *= prior if present else 1 - prior
        for f, leak in leaks.items():
            off = 1 - leak
            for present, c in zip(world, priors, strict=True):
                off *= 1 - links[c, f] if present else 1
            weight *= 1 - off
        total += weight
        for present, c in zip(world, priors, strict=True):
            joint[c] += weight if present else 0
    tables = Tables({c: float(p) for c, p in priors.items()}, {f: (float(p),) for f, p in leaks.items()},
                    {key: (float(p),) for key, p in links.items()})
    posterior = infer(*build(Situation(tables, dict.fromkeys(leaks, 1))), somebody_called=False)
    assert posterior.log_evidence == pytest.approx(math.log(total), abs=1e-11)
    assert posterior.p == pytest.approx([float(joint[c] / total) for c in priors], rel=1e-11)


# --- invariances -----------------------------------------------------------------------------------------------------


@settings(max_examples=150)
@given(situations(exact=False), st.randoms(use_true_random=False))
def test_order_of_causes_findings_and_answers_changes_nothing(situation: Situation, random: Random) -> None:
    """Causes, findings, links and answers are shuffled, each on its own; the most likely sets too must be the same."""

    def shuffled(mapping: dict[Any, Any]) -> dict[Any, Any]:
        return dict(random.sample(list(mapping.items()), len(mapping)))

    tables, seen = situation
    other = Tables(*(shuffled(part) for part in tables[:3]), tables.unlisted)
    outcomes = []
    for network, evidence in (build(situation), build(Situation(other, shuffled(seen)))):
        posterior = infer(network, evidence)
        outcomes.append({
            **dict(zip(network.causes, posterior.p, strict=True)), "e": posterior.log_evidence, "none": posterior.none,
            **{frozenset(network.causes[i] for i in one.causes): one.p
               for one in likely_sets(network, evidence, posterior, cover=2.0, most=10**6)}})
    assert outcomes[1] == pytest.approx(outcomes[0], abs=CLOSE)


@settings(max_examples=100)
@given(situations(), st.integers(0, 1))
def test_a_finding_without_links_changes_nothing(situation: Situation, level: int) -> None:
    possible(situation)
    tables, seen = situation
    more = tables._replace(leaks={**tables.leaks, "loose": (0.25,)})
    before = infer(*build(situation), somebody_called=False)
    after = infer(*build(Situation(more, {**seen, "loose": level})), somebody_called=False)
    assert after.p == pytest.approx(before.p, abs=1e-12)
    assert after.none == pytest.approx(before.none, abs=1e-12)
    assert after.log_evidence == pytest.approx(before.log_evidence + math.log((0.75, 0.25)[level]), abs=1e-12)


@settings(max_examples=100)
@given(situations(spare=1))
def test_a_flat_likelihood_changes_nothing(situation: Situation) -> None:
    possible(situation)
    tables, seen = situation
    unseen, leak = list(tables.leaks.items())[-1]
    before = infer(*build(situation), somebody_called=False)
    after = infer(*build(Situation(tables, {**seen, unseen: (0.5,) * (len(leak) + 1)})), somebody_called=False)
    assert after.p == pytest.approx(before.p, abs=1e-12)


@settings(max_examples=100)
@given(situations(spare=1))
def test_probabilities_of_all_levels_add_up(situation: Situation) -> None:
    """sum over levels of P(F = level, e) = P(e), and the posterior is their mixture."""
    truth = possible(situation)
    tables, seen = situation
    unseen, leak = list(tables.leaks.items())[-1]
    total, mixed = 0.0, np.zeros(len(tables.priors))
    for level in range(len(leak) + 1):
        try:
            one = infer(*build(Situation(tables, {**seen, unseen: level})), somebody_called=False)
        except ImpossibleEvidence:
            continue
        total += math.exp(one.log_evidence)
        mixed += math.exp(one.log_evidence) * one.p
    assert total == pytest.approx(truth.evidence, rel=1e-12)
    assert mixed / total == pytest.approx(list(truth.p.values()), abs=1e-12)


@settings(max_examples=100)
@given(situations(exact=False))
def test_while_nothing_is_abnormal_a_normal_finding_never_raises_a_linked_cause(situation: Situation) -> None:
    """With only level 0 seen the causes stay independent (methods 2.1): each odds is its prior's times what is left."""
    tables, _ = situation
    seen: dict[str, int] = {}
    before = infer(*build(Situation(tables, {})), somebody_called=False).p
    for finding in tables.leaks:
        seen[finding] = 0
        posterior = infer(*build(Situation(tables, dict(seen))), somebody_called=False)
        assert (posterior.p <= before + 1e-15).all()
        before = posterior.p
    for cause, p in zip(tables.priors, before, strict=True):
        prior = tables.priors[cause]
        left = math.prod(1 - sum(tables.links[cause, f]) for f in tables.leaks if (cause, f) in tables.links)
        assert p == pytest.approx(prior * left / (1 - prior + prior * left), abs=1e-12)


@settings(max_examples=100)
@given(situations(exact=False))
def test_counts_and_marginals_agree_with_each_other(situation: Situation) -> None:
    possible(situation)
    network, evidence = build(situation)
    posterior = infer(network, evidence)
    counts = number_of_causes(network, evidence, posterior)
    assert counts.sum() == pytest.approx(1.0, abs=1e-12)
    assert counts[0] == pytest.approx(posterior.none, abs=1e-12)
    everything = probability_of_any(network, evidence, posterior, [range(len(network.causes)), []])
    assert everything == pytest.approx([1.0, 0.0], abs=CLOSE)
    singles = probability_of_any(network, evidence, posterior, [[i] for i in range(len(network.causes))])
    assert singles == pytest.approx(posterior.p, abs=CLOSE)


def test_asking_again_gives_the_same_bits() -> None:
    network, evidence = build(random_situation(7, 9, 6))
    assert infer(network, evidence).p.tobytes() == infer(network, evidence).p.tobytes()


def test_likelihoods_count_by_their_ratios_only() -> None:
    one, two = answer(ONE_CAUSE, f=(0.2, 0.8)), answer(ONE_CAUSE, f=(0.05, 0.2))
    assert two.p == pytest.approx(one.p, abs=1e-15)
    assert two.log_evidence == pytest.approx(one.log_evidence + math.log(0.25), abs=1e-12)


# --- somebody called -------------------------------------------------------------------------------------------------


@settings(max_examples=200)
@given(situations())
def test_somebody_called_divides_by_the_chance_that_there_is_a_cause(situation: Situation) -> None:
    truth = possible(situation)
    assume(truth.some > 1e-3)
    network, evidence = build(situation)
    called, free = infer(network, evidence), infer(network, evidence, somebody_called=False)
    assert called.p == pytest.approx(free.p / (1 - free.none), abs=1e-12)
    assert called.none == free.none
    assert called.log_evidence == free.log_evidence


def test_a_lone_cause_is_certain_once_somebody_called() -> None:
    assert answer(ONE_CAUSE).p == pytest.approx([1.0], abs=1e-15)
    assert answer(ONE_CAUSE, f=0).p == pytest.approx([1.0], abs=1e-12)


def test_no_cause_possible_contradicts_the_call() -> None:
    """A prior of nought, or a finding that only no cause at all leaves open."""
    with pytest.raises(ImpossibleEvidence):
        answer(ONE_CAUSE._replace(priors={"c": 0.0}))
    with pytest.raises(ImpossibleEvidence):
        answer(ONE_CAUSE._replace(links={("c", "f"): (1.0,)}), f=0)


def test_a_call_with_no_cause_possible_is_seen_through_rounding() -> None:
    """The finding seen as normal excludes the only cause; the others make 1 - P(none | e) come out as 1e-16 and not as 0."""
    tables = Tables({"c": 0.1}, {"a": (0.9,), **{f"f{j}": (j / 7,) for j in range(1, 6)}},
                    {("c", "a"): (1.0,), **{("c", f"f{j}"): (0.3,) for j in range(1, 6)}})
    for number in range(1, 6):
        with pytest.raises(ImpossibleEvidence):
            answer(tables, a=0, **{f"f{j}": (0.3, 0.7) for j in range(1, number + 1)})




@pytest.mark.parametrize("prior", [1e-3, 1e-6, 1e-9, 1e-12])
def test_rare_causes_keep_their_shares_once_somebody_called(prior: float) -> None:
    """Two causes, one three times as frequent, and a finding that tells nothing apart: 1/4 and 3/4 whatever the priors, up to
    both being present."""
    tables = Tables({"a": prior, "b": 3 * prior}, {"f": (0.01,)}, {("a", "f"): (0.5,), ("b", "f"): (0.5,)})
    truth = enumerate_causes(tables, {"f": 0})
    assert answer(tables, f=0).p == pytest.approx([truth.called["a"], truth.called["b"]], abs=CLOSE)


# --- impossible, and too much ----------------------------------------------------------------------------------------


def test_impossible_answers_are_named(doorbell: Opened) -> None:
    """The lone cause of a finding without leak is excluded by a finding it always brings."""
    tables = Tables({"c": 0.5, "d": 0.5}, {"f": (0.0,), "g": (0.1,)}, {("c", "f"): (0.5,), ("c", "g"): (1.0,)})
    with pytest.raises(ImpossibleEvidence, match="f"):
        answer(tables, f=1, g=0)
    answers = [Answer("silent", "yes", "workshop"), Answer("faint", "no", "workshop")]
    evidence = read_evidence(doorbell.knowledge, doorbell.network, answers)
    impossible = Evidence(evidence.answers, evidence.absent, evidence.present, evidence.axes, -math.inf, evidence.abnormal)
    with pytest.raises(ImpossibleEvidence, match=r"silent=yes, faint=no.*least certain"):
        infer(doorbell.network, impossible)


def test_a_likelihood_of_nothing_is_impossible() -> None:
    with pytest.raises(ImpossibleEvidence):
        answer(ONE_CAUSE, f=(0.0, 0.0))


def crowd(findings: int, levels: int = 2) -> tuple[Network, Evidence]:
    """Thirty causes, each linked to every finding, all findings abnormal: the worst case for a sweep."""
    above = (0.5 / (levels - 1),) * (levels - 1)
    names = [f"f{j}" for j in range(findings)]
    tables = Tables({f"c{i}": 0.01 for i in range(30)}, dict.fromkeys(names, (0.01,) * (levels - 1)),
                    {(f"c{i}", f): above for i in range(30) for f in names})
    return build(Situation(tables, dict.fromkeys(names, levels - 1)))


def test_too_many_open_answers_are_refused_by_the_memory_allowed() -> None:
    network, evidence = crowd(8)
    assert infer(network, evidence, memory=2**20).plan.size < 2**20
    with pytest.raises(InputError, match=r"8 answers .* share their causes: too many to reckon exactly .*leave out"):
        infer(network, evidence, memory=2**12)


@pytest.mark.parametrize("findings", [26, 60, 200])
def test_a_hopeless_sweep_is_refused_at_once(findings: int) -> None:
    """2^26 cells x 30 causes would be 16 GB; refused before anything is reckoned, so in a blink and without memory."""
    network, evidence = crowd(findings)
    start = time.perf_counter()
    with pytest.raises(InputError, match="too many to reckon exactly"):
        infer(network, evidence)
    assert time.perf_counter() - start < 1.0


def test_every_report_of_the_shipped_network_at_once_is_answered_or_refused_quickly(head_unit: Opened) -> None:
    knowledge, network = head_unit.knowledge, head_unit.network
    everything = [Answer(f.id, f.levels[-1], "customer", "volunteered") for f in knowledge.of_kind(REPORT)]
    evidence = read_evidence(knowledge, network, everything)
    start = time.perf_counter()
    with pytest.raises(InputError, match="too many to reckon exactly"):
        infer(network, evidence)
    assert time.perf_counter() - start < 1.0


# --- the plan --------------------------------------------------------------------------------------------------------


def test_findings_that_share_no_cause_are_swept_apart() -> None:
    """Two hundred abnormal findings with a cause each: no array grows beyond one axis."""
    names = range(200)
    tables = Tables({f"c{i}": 0.1 for i in names}, {f"f{i}": (0.05,) for i in names},
                    {(f"c{i}", f"f{i}"): (0.7,) for i in names})
    network, evidence = build(Situation(tables, {f"f{i}": 1 for i in names}))
    planned = make_plan(network, evidence)
    assert len(planned.groups) == 200
    assert planned.size <= 64
    one = 0.1 * (1 - 0.95 * 0.3) / (0.1 * (1 - 0.95 * 0.3) + 0.9 * 0.05)  # methods 2.3
    assert infer(network, evidence, somebody_called=False).p == pytest.approx([one] * 200, abs=1e-12)


def test_a_chain_of_shared_causes_keeps_few_axes_open() -> None:
    """Cause i joins findings i and i + 1: forty abnormal findings, never more than two axes at a time."""
    tables = Tables({f"c{i}": 0.1 for i in range(39)}, {f"f{j}": (0.05,) for j in range(40)},
                    {(f"c{i}", f"f{j}"): (0.6,) for i in range(39) for j in (i, i + 1)})
    network, evidence = build(Situation(tables, {f"f{j}": 1 for j in range(40)}))
    assert max(group.widest for group in make_plan(network, evidence).groups) == 4
    posterior = infer(network, evidence, somebody_called=False)
    assert posterior.p == pytest.approx(posterior.p[::-1], abs=1e-12)  # the chain looks the same from both ends


def test_an_unlisted_cause_linked_to_everything_does_not_join_the_groups() -> None:
    names = range(8)
    tables = Tables({**{f"c{i}": 0.1 for i in names}, "unlisted": 0.05}, {f"f{i}": (0.05,) for i in names},
                    {**{(f"c{i}", f"f{i}"): (0.7,) for i in names}, **{("unlisted", f"f{i}"): (0.3,) for i in names}},
                    "unlisted")
    seen = {f"f{i}": 1 for i in names}
    network, evidence = build(Situation(tables, dict(seen)))
    planned = make_plan(network, evidence)
    assert len(planned.groups) == 8
    assert network.causes[planned.hub] == "unlisted"
    check_called(Situation(tables, dict(seen)), enumerate_causes(tables, seen))


def test_causes_in_question_are_those_linked_to_what_is_abnormal() -> None:
    tables = Tables({"a": 0.1, "b": 0.1, "d": 0.1}, {"f": (0.1,), "g": (0.1,)}, {("a", "f"): (0.5,), ("b", "g"): (0.5,)})
    assert answer(tables, f=1, g=0).in_question == (0,)
    assert answer(tables, f=1, g=1).in_question == (0, 1)
    assert answer(tables).in_question == ()
