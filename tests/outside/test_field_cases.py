"""Real cases told by others (each address in field_cases.yaml): how often the confirmed cause comes first, or nearly.

The floors are what was measured, less one case. They are no promise: the causes were listed with these pages known.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from diagnose.evidence import Answer
from diagnose.knowledge import find_network
from diagnose.network import Network, Opened
from diagnose.source import InputError
from tests.outside.field_cases import FILE, PLACES, FieldCase, Outcome, hits, load_cases, main, place, run_cases

CASES = 30
FLOOR_BY_REPORTS = {1: 13, 3: 18, 5: 26}
FLOOR_AFTER_CHECKS = {1: 20, 3: 27, 5: 29}
JITTER = 0.3  # standard deviation of the log odds by which every number of the network is moved
SEEDS = range(10)


@pytest.fixture(scope="module")
def cases(head_unit: Opened) -> list[FieldCase]:
    return load_cases(head_unit.knowledge)


@pytest.fixture(scope="module")
def outcomes(head_unit: Opened, cases: list[FieldCase]) -> list[Outcome]:
    return run_cases(head_unit, cases)


# --- the translation ---------------------------------------------------------------------------------------------------


def test_every_case_is_there_once_with_its_source_and_its_cause(cases: list[FieldCase]) -> None:
    assert len({case.source for case in cases}) == len(cases) == CASES
    for case in cases:
        assert case.source.startswith(("http://", "https://"))
        assert 1 <= len(case.causes) <= 2, case.id
        assert not set(case.causes) & set(case.also), case.id
        assert len({a.finding for a in (*case.circumstances, *case.reports, *case.checks)}) == sum(
            len(part) for part in (case.circumstances, case.reports, case.checks)), f"{case.id} answers something twice"


@pytest.mark.parametrize(("wrong", "said"), [
    ("reports: [radio_sulks]", "radio_sulks"),
    ("checks: {bench_supply: perhaps}", "perhaps"),
    ("checks: {older_vehicle: yes}", "older_vehicle"),
    ("causes: [gremlins]", "gremlins"),
    ("causes: [feeds_exchanged]\n    cuases: []", "cuases"),
])
def test_a_wrong_id_or_level_is_refused(head_unit: Opened, tmp_path: Path, wrong: str, said: str) -> None:
    rest = "" if "causes" in wrong else "\n    causes: [feeds_exchanged]"
    file = tmp_path / "cases.yaml"
    file.write_text(f"cases:\n  one:\n    source: http://example.org\n    facts: told\n    {wrong}{rest}\n")
    with pytest.raises(InputError, match=said):
        load_cases(head_unit.knowledge, file)


# --- the rates ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("within", PLACES)
def test_rates_do_not_fall_below_the_floors(outcomes: list[Outcome], within: int) -> None:
    assert hits([one.by_reports for one in outcomes], within) >= FLOOR_BY_REPORTS[within]
    assert hits([one.after_checks for one in outcomes], within) >= FLOOR_AFTER_CHECKS[within]


def test_recorded_checks_help(outcomes: list[Outcome]) -> None:
    """Over all cases the checks raise the mean log probability of the confirmed cause."""
    before, after = (np.mean([np.log(at.p) for at in places]) for places in (
        [one.by_reports for one in outcomes], [one.after_checks for one in outcomes]))
    assert after > before + np.log(2.0)


def test_place_counts_only_causes_in_question(head_unit: Opened) -> None:
    answers = (Answer("wheel_buttons_dead", "yes", "customer", "volunteered"),)
    assert place(head_unit.network, head_unit.knowledge, answers, ("tuner_fault",)).rank == 0
    assert place(head_unit.network, head_unit.knowledge, answers, ("tuner_fault", "button_lead_off")).rank == 1


def test_the_runner_prints_every_case_and_the_rates(capsys: pytest.CaptureFixture[str], cases: list[FieldCase]) -> None:
    assert main() == 0
    printed = capsys.readouterr().out
    assert all(re.search(rf"^{case.id}\s+\d", printed, re.MULTILINE) for case in cases)
    assert len(re.findall(rf"first [135]: \d+ of {CASES}", printed)) == 6
    assert "no reason is written down" not in printed


# --- no number is tuned to a case --------------------------------------------------------------------------------------


def jittered(network: Network, seed: int) -> Network:
    """Every prior and link moved by its own random step in log odds; 0 and 1 stay."""
    rng = np.random.default_rng(seed)

    def moved(p: np.ndarray, step: np.ndarray) -> np.ndarray:
        with np.errstate(divide="ignore"):
            return 1.0 / (1.0 + (1.0 / np.clip(p, 0.0, 1.0) - 1.0) * np.exp(-step))

    prior = moved(network.prior, rng.normal(0.0, JITTER, network.prior.shape))
    link = moved(network.link, rng.normal(0.0, JITTER, (len(network.link), 1)))
    return replace(network, prior=prior, link=link)


def test_rates_do_not_hang_on_single_numbers(head_unit: Opened, cases: list[FieldCase]) -> None:
    """With every number some thirty percent off at random the mean rates stay: none was set finely to lift one case.

    One case below the floor is allowed at the first place, where near ties turn over, and half a case within five, which is
    what ten draws leave open (over 30 draws the mean is 25.8 with a standard error of 0.2).
    """
    runs = [run_cases(head_unit, cases, jittered(head_unit.network, seed)) for seed in SEEDS]
    for within in PLACES:
        give = {1: 1.0, 3: 0.0, 5: 0.5}[within]
        by_reports = np.mean([hits([one.by_reports for one in moved], within) for moved in runs])
        after_checks = np.mean([hits([one.after_checks for one in moved], within) for moved in runs])
        assert by_reports >= FLOOR_BY_REPORTS[within] - give
        assert after_checks >= FLOOR_AFTER_CHECKS[within] - give


def test_cases_carry_no_numbers_and_knowledge_no_cases(cases: list[FieldCase]) -> None:
    told = re.sub(r"(?m)^    (source|facts): (>-\n(      .*\n)+|.*\n)", "", FILE.read_text(encoding="utf-8"))
    told = "\n".join(line for line in told.splitlines() if not line.startswith("#"))
    assert not re.search(r"\b0?\.\d+\b", told)
    knowledge = "\n".join(path.read_text(encoding="utf-8") for path in find_network("head_unit").glob("*.yaml"))
    assert not [case.id for case in cases if case.source in knowledge or case.id in knowledge]
