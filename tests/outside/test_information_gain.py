"""Information in bits and the best sets of checks, against published and hand-worked figures.

Sources: Quinlan 1986 (the weather table; many lecture notes print 0.246 or 0.247, 0.151, 0.048, 0.029); Russell & Norvig (the
restaurant: 0.541, digits from memory); the rest are methods.md's own worked examples, computed there by enumeration. Raiffa's
drilling problem is one of payoffs, not of repairs, and does not fit the form of ours.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from diagnose import gain
from diagnose.evidence import plain_evidence
from diagnose.gain import grown_sets, information
from diagnose.network import assemble
from diagnose.posterior import infer
from diagnose.worlds import fold_in, look_at, split_causes
from tests.outside.test_published_networks import belief, chest_clinic, evidence

BATCH_P = np.array([0.5, 0.3, 0.2])
BATCH_YES = np.array([(0.9, 0.2, 0.1), (0.85, 0.25, 0.1), (0.1, 0.8, 0.3), (0.3, 0.1, 0.8)])


def of_counts(*groups: tuple[int, int]) -> float:
    """Gain of an attribute about the class; groups: (yes, no) counts for each of its values."""
    table = np.array(groups, dtype=float)
    return information(table.sum(axis=0) / table.sum(), (table / table.sum(axis=0)).T)


def batch_chances(*checks: int) -> np.ndarray:
    """(3, 2, 2, ...) probability of each combination of answers, independent given the hypothesis."""
    joint = np.ones((3, 1))
    for c in checks:
        joint = (joint[:, :, None] * np.stack([BATCH_YES[c], 1 - BATCH_YES[c]], axis=1)[:, None]).reshape(3, -1)
    return joint


@pytest.mark.parametrize(("groups", "bits"), [
    (((2, 3), (4, 0), (3, 2)), 0.2467498198),  # outlook
    (((3, 4), (6, 1)), 0.1518355014),  # humidity
    (((6, 2), (3, 3)), 0.0481270304),  # wind
    (((2, 2), (4, 2), (3, 1)), 0.0292225657),  # temperature
])
def test_weather_table(groups: tuple[tuple[int, int], ...], bits: float) -> None:
    """Quinlan 1986: 14 days, outlook, humidity, wind and temperature."""
    assert of_counts(*groups) == pytest.approx(bits, abs=5e-11)


def test_entropies() -> None:
    """methods 3.1 and 5.5 [C]: the class of the weather table, 9 of 14; guessing evenly over 60."""
    assert gain.entropy(np.array([9, 5]) / 14) == pytest.approx(0.9402859587, abs=5e-11)
    assert gain.entropy(np.full(60, 1 / 60)) == pytest.approx(5.9068906, abs=5e-8)


def mutual(one: str, other: str, **given: bool) -> float:
    """I(one; other | given) of two nodes of the chest clinic, from the sweep's probabilities."""
    p = belief(chest_clinic, one, **given)
    shown = [belief(chest_clinic, other, **given, **{one: state}) for state in (False, True)]
    return information(np.array([1 - p, p]), np.array([[1 - x, x] for x in shown]))


CLINIC = [  # methods 3.1 [C]
    ({}, {"LX": 0.184807, "TX": 0.031604, "BX": 0.001141, "EX": 0.223790, "LD": 0.025382, "BD": 0.361561, "BS": 0.066654}),
    ({"D": True}, {"LX": 0.301746, "TX": 0.047233, "BX": 0.020248, "EX": 0.370381, "BS": 0.018614}),
    ({"A": True, "D": True}, {"LX": 0.229905, "TX": 0.198899, "BX": 0.039325, "EX": 0.499353, "BS": 0.023891}),
    ({"A": True}, {"LD": 0.023581306}),
]


@pytest.mark.parametrize(("given", "pair", "bits"), [
    (given, pair, bits) for given, row in CLINIC for pair, bits in row.items()])
def test_chest_clinic_information(given: dict[str, bool], pair: str, bits: float) -> None:
    """The whole table, every number by our own sweep and our own measure."""
    assert mutual(*pair, **given) == pytest.approx(bits, abs=5e-7)


def test_chest_clinic_entropies() -> None:
    """methods 3.1 [C]."""
    for name, bits in {"L": 0.307268, "T": 0.083433, "B": 0.992774, "E": 0.346319}.items():
        p = belief(chest_clinic, name)
        assert gain.entropy(np.array([1 - p, p])) == pytest.approx(bits, abs=5e-7)


def test_information_needs_the_parents_only() -> None:
    """methods 3.1 [C]: with A, about everything hidden D tells H(D) less the expected H(D | E, B); about B and L less."""
    d = belief(chest_clinic, "D", A=True)
    worlds = [(e, b) for e in (False, True) for b in (False, True)]
    p = np.array([evidence(chest_clinic, A=True, E=e, B=b) for e, b in worlds]) / evidence(chest_clinic, A=True)
    given = np.array([belief(chest_clinic, "D", A=True, E=e, B=b) for e, b in worlds])
    shows = np.stack([1 - given, given], axis=1)
    assert gain.entropy(np.array([1 - d, d])) == pytest.approx(0.992814206, abs=5e-10)
    assert p @ gain.entropy(shows) == pytest.approx(0.590097846, abs=5e-10)
    assert information(p, shows) == pytest.approx(0.402716360, abs=5e-10)
    pairs = np.array([evidence(chest_clinic, A=True, L=x, B=b) for x, b in worlds]) / evidence(chest_clinic, A=True)
    coarse = np.array([belief(chest_clinic, "D", A=True, L=x, B=b) for x, b in worlds])
    assert information(pairs, np.stack([1 - coarse, coarse], axis=1)) == pytest.approx(0.365944865, abs=5e-10)


def test_restaurant() -> None:
    """Russell & Norvig, digits from memory."""
    assert of_counts((0, 2), (4, 0), (2, 4)) == pytest.approx(0.5408520830, abs=5e-11)  # patrons
    assert of_counts((1, 1), (1, 1), (2, 2), (2, 2)) == pytest.approx(0.0, abs=1e-12)  # type


@pytest.mark.parametrize(("prior", "sensitivity", "specificity", "bits"), [
    (0.5, 0.9, 0.9, 0.5310044064), (0.3, 0.9, 0.8, 0.3304521243), (0.01, 0.99, 0.95, 0.0407176057)])
def test_one_cause_and_one_check(prior: float, sensitivity: float, specificity: float, bits: float) -> None:
    """methods 3.1, by the whole way: leak 1 - specificity and the link that makes it up to the sensitivity."""
    link = 1 - (1 - sensitivity) / specificity
    network = assemble({"cause": prior}, {"check": (1 - specificity,), "seen": (0.5,)},
                       {("cause", "check"): (link,), ("cause", "seen"): (1e-12,)})
    seen = plain_evidence(network, {"seen": 1})
    posterior = infer(network, seen, somebody_called=False)
    split = split_causes(seen, posterior, somebody_called=False)
    view = fold_in(look_at(network, [0], [(network.leak[0], network.link[network.rows(0)])]), split)
    assert gain.gains(seen, posterior, split, view)[0].bits == pytest.approx(bits, abs=1e-9)


def test_information_is_not_value() -> None:
    """methods 3.1 [C]."""
    assert information(np.array([0.8, 0.2]), np.array([[0.6, 0.4], [0.5, 0.5]])) == pytest.approx(0.0046934195, abs=5e-11)


def test_the_check_worth_asking() -> None:
    """methods 3.4: the check whose answer saves 1.9."""
    assert information(BATCH_P, batch_chances(0)) == pytest.approx(0.452526, abs=5e-7)


@pytest.mark.parametrize(("checks", "bits"), [
    ((0,), 0.452526), ((1,), 0.356743), ((2,), 0.306734), ((3,), 0.199089), ((0, 1), 0.623184), ((0, 2), 0.661817),
    ((0, 3), 0.644672), ((1, 2), 0.593624), ((1, 3), 0.547251), ((2, 3), 0.490952), ((0, 2, 3), 0.822191),
    ((0, 1, 2, 3), 0.955775)])
def test_batches(checks: tuple[int, ...], bits: float) -> None:
    """methods 3.5."""
    assert information(BATCH_P, batch_chances(*checks)) == pytest.approx(bits, abs=5e-7)


def test_greedy_growth_takes_the_best_third_and_not_the_second_best_alone() -> None:
    """methods 3.5: t0, then t2 although t1 tells more alone, then t3: the best triple."""
    singles = [batch_chances(c) for c in range(4)]
    assert grown_sets(BATCH_P, singles, 2, starts=[0]) == [(0, 2)]
    assert grown_sets(BATCH_P, singles, 3, starts=[0]) == [(0, 2, 3)]
    assert set(grown_sets(BATCH_P, singles, 3)[0]) == {0, 2, 3}
    best = max(itertools.combinations(range(4), 3), key=lambda some: information(BATCH_P, batch_chances(*some)))
    assert best == (0, 2, 3)


def test_a_further_check_tells_less_the_more_are_known() -> None:
    """methods 3.5: no violation of diminishing returns where answers are independent given the hypothesis (Krause & Guestrin
    2005); 300 random models of 4 hypotheses and 4 checks, every pair of nested sets."""
    rng = np.random.default_rng(35)
    for _ in range(300):
        p, yes = rng.dirichlet(np.ones(4)), rng.random((4, 4))

        def bits(some: tuple[int, ...], p: np.ndarray = p, yes: np.ndarray = yes) -> float:
            joint = np.ones((4, 1))
            for c in some:
                joint = (joint[:, :, None] * np.stack([yes[c], 1 - yes[c]], axis=1)[:, None]).reshape(4, -1)
            return information(p, joint)

        for few, more, new in (((), (0,), 1), ((0,), (0, 1), 2), ((0, 1), (0, 1, 2), 3), ((), (0, 1, 2), 3)):
            assert bits((*more, new)) - bits(more) <= bits((*few, new)) - bits(few) + 1e-12


def test_two_checks_worthless_alone_and_decisive_together() -> None:
    """methods 3.5: the target is whether two fair bits differ; each check reads one of them."""
    p = np.full(4, 0.25)  # worlds 00, 01, 10, 11
    first, second = np.eye(2)[[0, 0, 1, 1]], np.eye(2)[[0, 1, 0, 1]]
    differs = np.array([0, 1, 1, 0])
    given = np.array([p[differs == x] for x in (0, 1)])

    def about_target(chances: np.ndarray) -> float:
        return information(given.sum(axis=1), np.array([(2 * p[differs == x]) @ chances[differs == x] for x in (0, 1)]))

    assert about_target(first) == pytest.approx(0, abs=1e-12)
    assert about_target(second) == pytest.approx(0, abs=1e-12)
    both = (first[:, :, None] * second[:, None]).reshape(4, 4)
    assert about_target(both) == pytest.approx(1, abs=1e-12)
