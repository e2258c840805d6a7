"""Whole-network checks: each on the small network of refused/valid/ with one thing changed, and on what is shipped."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from diagnose.audit import ALIKE, Audit, audit, check_general_model, inseparable_pairs, single_cause_distributions
from diagnose.knowledge import networks_folder
from diagnose.network import Network, Opened, assemble, open_network
from diagnose.source import Problem
from tests.conftest import load_network, write_network

VALID = Path(__file__).parent / "refused" / "valid"
TEXTS = {path.name: path.read_text(encoding="utf-8") for path in VALID.glob("*.yaml")}


def changed(folder: Path, *changes: tuple[str, str]) -> Opened:
    """The small network with texts replaced; each must stand there exactly once."""
    files = dict(TEXTS)
    for old, new in changes:
        (name,) = [name for name, text in files.items() if text.count(old) == 1]
        files[name] = files[name].replace(old, new)
    return load_network(write_network(folder, files))


def audited(folder: Path, *changes: tuple[str, str]) -> Audit:
    return audit(changed(folder, *changes))


def told(problems: tuple[Problem, ...]) -> list[str]:
    """The problems as sentences, their place checked against the file and left out."""
    for problem in problems:
        line = Path(problem.file).read_text(encoding="utf-8").splitlines()[problem.line - 1]
        key = "  id" if problem.key.startswith("network.") else f"  {problem.key.split('.')[1]}"
        assert line.startswith(f"{key}:"), "the place is where the record begins"
        assert problem.mend
    return [f"{problem.key}: {problem.what}" for problem in problems]


def test_nothing_is_wrong_with_the_small_network(tmp_path: Path) -> None:
    assert audited(tmp_path) == Audit((), ())


@pytest.mark.parametrize(("changes", "errors", "warnings"), [
    pytest.param([("    brings: {no_current: }\n", "    links: {dry_cells: 0.9, stays_dark: 0.05}\n")],
                 ["causes.bulb_blown.links: no report and no check shows it above 0.05"],
                 ["causes.bulb_blown.links: no report shows it above 0.05: a customer cannot notice it"],
                 id="a cause that only a circumstance shows"),
    pytest.param([("    links:\n      dim: 0.3\n      leak_look", "    links:\n      leak_look")], [],
                 ["causes.cells_leaking.links: no report shows it above 0.05: a customer cannot notice it"],
                 id="a cause that only a check shows"),
    pytest.param([("    links:\n      dim: 0.3\n      leak_look", "    links:\n      leak_look"), ("      dim: 0.5\n", "")], [],
                 ["reports.dim: no cause moves it above 0.05",
                  "causes.cells_leaking.links: no report shows it above 0.05: a customer cannot notice it"],
                 id="a report that no cause moves"),
    pytest.param([("      leak_look: {leaking: 0.9}\n", "      leak_look: {leaking: 0.04}\n")], [],
                 ["checks.leak_look: no cause moves it above 0.05"],
                 id="a check that a cause moves too little"),
    pytest.param([("    needs: [dry_cells]\n", "")], [], ["circumstances.dry_cells: no cause moves it above 0.05"],
                 id="a circumstance without a cause"),
    pytest.param([("    brings: {no_current: }\n", "    links: {stays_dark: 0.9}\n"), ("    brings: {no_current: 0.6}\n", "")],
                 [], ["conditions.no_current: no cause brings it about"], id="a condition that nothing brings about"),
    pytest.param([("    shows:\n      stays_dark: 0.95\n", ""),
                  ("    brings: {no_current: }\n", "    links: {stays_dark: 0.9}\n")],
                 [], ["conditions.no_current.shows: it shows nothing"], id="a condition that shows nothing"),
    # cautions
    pytest.param([("    cautions: [acid]\n    phrases", "    phrases")],
                 ["checks.leak_look.how.customer: a step says 'look at the cells' but the caution 'acid' is not listed",
                  "checks.leak_look.how.fitter: a step says 'look at the cells' but the caution 'acid' is not listed"], [],
                 id="a check without its caution"),
    pytest.param([("[Unscrew the lid., Fit new", "[Open it., LOOK AT\n        the Cells., Fit new")],
                 ["causes.cells_flat.remedy.steps: it says 'look at the cells' but the caution 'acid' is not listed"], [],
                 id="a remedy without its caution, in capitals and over two lines"),
    pytest.param([("by_phone_how: Unscrew the lid and", "by_phone_how: Look at the cells and")],
                 ["causes.cells_flat.remedy.by_phone_how: it says 'look at the cells' but the caution 'acid' is not listed"],
                 [], id="words on the phone without their caution"),
    pytest.param([("[Unscrew the lid., Fit new", "[Relook at the cells., Look at the cellshelf., Fit new")], [], [],
                 id="a trigger within longer words is none"),
    pytest.param([("triggers: [look at the cells]", "triggers: [look at the cells, c++ (old)]"),
                  ("steps: [Unscrew the head., ", "steps: [Mind c++ (old)., ")],
                 ["causes.bulb_blown.remedy.steps: it says 'c++ (old)' but the caution 'acid' is not listed"], [],
                 id="a trigger with signs in it"),
    pytest.param([("customer: [Unscrew the lid and look", "customer: [Solder the lid and look"), ("[acid]\n    phrases",
                  "[acid, no_soldering]\n    phrases")],
                 ["checks.leak_look.how.customer: a step for the customer says 'solder'"], [],
                 id="a step forbidden to the customer, caution or no caution"),
    pytest.param([("fitter: [Unscrew the lid and look", "fitter: [Solder the lid and look"), ("[acid]\n    phrases",
                  "[acid, no_soldering]\n    phrases")], [], [], id="the same step for the fitter"),
    pytest.param([("by_phone_how: Unscrew the lid and", "by_phone_how: Do not solder but"),
                  ("      verified: It lights.\n      cautions: []\n    answers_for: {use: 1.0}",
                   "      verified: It lights.\n      cautions: [no_soldering]\n    answers_for: {use: 1.0}")],
                 ["causes.cells_flat.remedy: what the customer is told says 'solder'"], [],
                 id="forbidden words on the phone, even as a warning"),
    pytest.param([("[Unscrew the lid., Fit new", "[Solder the lid., Fit new"), ("[cell]\n      who: [customer, fitter]",
                   "[cell]\n      who: [customer]"),
                  ("      verified: It lights.\n      cautions: []\n    answers_for: {use: 1.0}",
                   "      verified: It lights.\n      cautions: [no_soldering]\n    answers_for: {use: 1.0}")],
                 ["causes.cells_flat.remedy: what the customer is told says 'solder'"], [],
                 id="steps of a remedy that only the customer does"),
    pytest.param([("      cautions: [acid]\n    answers_for", "      cautions: []\n    answers_for")],
                 ["causes.cells_leaking.remedy.cautions: its safety class is 'stop_now' but its remedy lists no caution"], [],
                 id="stop now without a caution"),
    pytest.param([("      cautions: [acid]\n    answers_for", "      cautions: []\n    answers_for"),
                  ("safety: stop_now", "safety: do_not_use")],
                 ["causes.cells_leaking.remedy.cautions: its safety class is 'do_not_use' but its remedy lists no caution"], [],
                 id="do not use without a caution"),
    # who can do what
    pytest.param([("    set_ups: [case_open]\n    minutes: 2", "    set_ups: [case_open, bench]\n    minutes: 2"),
                  ("who: [fitter]\n    tools", "who: [customer]\n    tools"), ("fitter: [Put the", "customer: [Put the")],
                 ["checks.cell_volts.who: none of customer can make its set-ups (case_open, bench)"], [],
                 id="a check that nobody can come to"),
    pytest.param([("    set_ups: [case_open]\n    minutes: 2", "    set_ups: [case_open, bench]\n    minutes: 2"),
                  ("who: [fitter]\n    tools", "who: [customer, fitter]\n    tools"),
                  ("      fitter: [Put the", "      customer: [Put the meter to them.]\n      fitter: [Put the")], [], [],
                 id="a check that shuts out the customer only"),
    pytest.param([("    set_ups: [case_open]\n    minutes: 2", "    set_ups: [bench]\n    minutes: 2"),
                  ("who: [fitter]\n    tools", "who: [workshop]\n    tools")], [], [],
                 id="a workshop can make what the fitter can"),
    pytest.param([("{title: on the bench, minutes: 5, who: [fitter]}", "{title: on the bench, minutes: 5, who: [customer]}")],
                 ["causes.cells_leaking.remedy.who: none of fitter can make its set-ups (bench)"], [],
                 id="a remedy that nobody can come to"),
    pytest.param([("[cell]\n      who: [customer, fitter]", "[cell]\n      who: [fitter]")],
                 ["causes.cells_flat.remedy.who: by_phone is 'yes' but 'who' does not name the customer"], [],
                 id="by phone without the customer"),
    pytest.param([("[cell]\n      who: [customer, fitter]", "[cell]\n      who: [fitter]"),
                  ("by_phone: yes", "by_phone: partly")], [], [], id="partly by phone without the customer"),
    # first checks
    pytest.param([("first_checks: [leak_look]", "first_checks: [leak_lok]")],
                 ["network.first_checks: there is no check or report 'leak_lok'"], [], id="a first check that is not there"),
    pytest.param([("first_checks: [leak_look]", "first_checks: [stays_dark, cell_volts]")],
                 ["network.first_checks: 'cell_volts' is asked first in every conversation but is not for the customer"], [],
                 id="a first check that is not for the customer"),
    # phrases
    pytest.param([("gone weak,", "No  light - at all!,")], [],
                 ["reports.dim.phrases: the phrase 'no light at all' is given for 'stays_dark' too"],
                 id="a phrase of two reports, written otherwise"),
    pytest.param([("[stays dark, no light at all,", "[it doesn't light,"), ("gone weak,", "it doesnt light,")], [],
                 ["reports.dim.phrases: the phrase 'it doesnt light' is given for 'stays_dark' too",
                  "reports.stays_dark.phrases: it has 4 different phrases"], id="a phrase with and without its apostrophe"),
    pytest.param([("[lights as it should]", "[will not light]")],
                 ["reports.stays_dark.phrases: the phrase 'will not light' stands for 'yes' and for 'no'"], [],
                 id="a phrase with two meanings"),
    pytest.param([(", yellow and weak]", ", Gone  weak!]")], [], ["reports.dim.phrases: it has 4 different phrases"],
                 id="four phrases and one of them twice"),
])
def test_what_is_found(changes: list[tuple[str, str]], errors: list[str], warnings: list[str], tmp_path: Path) -> None:
    found = audited(tmp_path, *changes)
    assert sorted(told(found.errors)) == sorted(errors)
    assert sorted(told(found.warnings)) == sorted(warnings)


def test_two_causes_that_nothing_separates_are_both_named(tmp_path: Path) -> None:
    twin = TEXTS["records.yaml"].split("causes:\n")[1].split("  cells_leaking:\n")[0].split("  bulb_blown:\n")[1]
    found = audited(tmp_path, ("  cells_leaking:\n", f"  bulb_loose:\n{twin}  cells_leaking:\n"))
    assert found.errors == ()
    (warning,) = found.warnings
    assert warning.key == "causes.bulb_blown.links"
    line = (tmp_path / "records.yaml").read_text(encoding="utf-8").splitlines().index("  bulb_loose:") + 1
    assert warning.what == (f"no finding tells it from 'bulb_loose' ({tmp_path}/records.yaml:{line}): "
                            "the largest difference is 0.00")


def test_problems_come_in_file_order(tmp_path: Path) -> None:
    found = audited(tmp_path, ("first_checks: [leak_look]", "first_checks: [x]"), ("[acid]\n    phrases", "[]\n    phrases"),
                    ("[cell]\n      who: [customer, fitter]", "[cell]\n      who: [fitter]"))
    places = [(Path(problem.file).name, problem.line) for problem in found.errors]
    assert places == sorted(places)
    assert len(places) == 4


# --- single-cause distributions and their differences -----------------------------------------------------------------


def two_causes(one: dict[str, list[float]], other: dict[str, list[float]], leaks: dict[str, list[float]]) -> Network:
    links = {("one", name): link for name, link in one.items()} | {("other", name): link for name, link in other.items()}
    return assemble({"one": 0.1, "other": 0.2, "unlisted": 0.05},
                    leaks, links | {("unlisted", name): [0.5] * len(leak) for name, leak in leaks.items()
                                    if len(leak) == 1}, unlisted="unlisted")


def test_the_distribution_of_a_finding_under_one_cause_is_its_link() -> None:
    arrays = two_causes({"a": [0.3], "b": [0.2, 0.5]}, {"b": [0.0, 0.1]}, {"a": [0.01], "b": [0.02, 0.03]})
    found = single_cause_distributions(arrays)
    expected = [[[0.7, 0.3, 0], [0.3, 0.2, 0.5]], [[1, 0, 0], [0.9, 0, 0.1]], [[0.5, 0.5, 0], [1, 0, 0]]]
    assert found.shape == (3, 2, 3)
    np.testing.assert_allclose(found, expected, atol=1e-12)


@pytest.mark.parametrize(("one", "other", "leaks", "difference"), [
    # two levels, no leak: the difference is that of the links
    ({"a": [0.5]}, {"a": [0.42]}, {"a": [0.0]}, 0.08),
    # a leak hides part of it: (1 - 0.25) * (0.5 - 0.42)
    ({"a": [0.5]}, {"a": [0.42]}, {"a": [0.25]}, 0.06),
    # three levels: half of |0.5 - 0.5| + |0.3 - 0.22| + |0.2 - 0.28|
    ({"a": [0.3, 0.2]}, {"a": [0.22, 0.28]}, {"a": [0.0, 0.0]}, 0.08),
    # the largest over the findings counts
    ({"a": [0.5], "b": [0.30]}, {"a": [0.48], "b": [0.23]}, {"a": [0.0], "b": [0.0]}, 0.07),
    # no links at all
    ({}, {}, {"a": [0.0]}, 0.0),
    # a finding only one of them moves, a little
    ({"a": [0.09]}, {}, {"a": [0.0]}, 0.09),
])
def test_the_difference_of_two_causes_is_the_total_variation(
        one: dict[str, list[float]], other: dict[str, list[float]], leaks: dict[str, list[float]], difference: float) -> None:
    """Values worked out by hand from the definition (half the sum of absolute differences), leaks included."""
    arrays = two_causes(one, other, leaks)
    ((i, k, found),) = inseparable_pairs(arrays, single_cause_distributions(arrays))
    assert (arrays.causes[i], arrays.causes[k]) == ("one", "other")
    assert found == pytest.approx(difference, abs=1e-12)


@pytest.mark.parametrize(("link", "told_apart"), [(0.5 - ALIKE - 0.001, True), (0.5 - ALIKE, False)])
def test_the_limit_is_where_it_is_said_to_be(link: float, told_apart: bool) -> None:
    arrays = two_causes({"a": [0.5]}, {"a": [link]}, {"a": [0.0]})
    assert (inseparable_pairs(arrays, single_cause_distributions(arrays)) == []) == told_apart


def test_pairs_agree_with_a_plain_double_loop(head_unit: Opened) -> None:
    """The pruning over findings leaves exactly the pairs, and the differences, of the definition."""
    arrays = head_unit.network
    causes = list(range(0, len(arrays.causes) - 1, 7))
    links = single_cause_distributions(arrays)
    blurred = np.where(np.arange(links.shape[2]) == 0, 0.9, 0.0) + 0.1 * links  # so that many pairs are alike
    found = {(i, k): difference for i, k, difference in inseparable_pairs(arrays, blurred)}
    near = 0
    for i in causes:
        for k in (k for k in causes if k > i):
            largest = 0.0
            for j in range(len(arrays.findings)):
                p, q = (np.diff(np.cumsum(blurred[x, j]) * arrays.leak[j], prepend=0.0) for x in (i, k))
                largest = max(largest, float(np.abs(p - q).sum() / 2))
            assert ((i, k) in found) == (largest <= ALIKE)
            if (i, k) in found:
                assert found[i, k] == pytest.approx(largest, abs=1e-12)
                near += 1
    assert near > 20


# --- the general library's own check ---------------------------------------------------------------------------------


def test_the_general_library_accepts_the_small_network(tmp_path: Path) -> None:
    assert check_general_model(changed(tmp_path)) is None


def test_what_the_general_library_refuses_is_told(tmp_path: Path) -> None:
    """A cause and a finding of one name are one variable there; the loader refuses that, a hand-made network may hold it."""
    opened = changed(tmp_path)
    broken = assemble({"a": 0.1, "b": 0.1}, {"a": [0.1]}, {("a", "a"): [0.5], ("b", "a"): [0.5]})
    problem = check_general_model(Opened(opened.knowledge, broken, "", ""))
    assert problem is not None
    assert problem.what.startswith("the general library refuses the model: ")
    assert Path(problem.file).name == "network.yaml"


def test_a_table_that_does_not_add_up_is_told(tmp_path: Path) -> None:
    opened = changed(tmp_path)
    arrays = opened.network
    leak = arrays.leak.copy()
    leak[0, 1:] = 0.5  # the last level no longer reaches 1
    broken = Network(arrays.causes, arrays.findings, arrays.prior, arrays.levels, leak, arrays.start, arrays.link_cause,
                     arrays.link, arrays.unlisted)
    problem = check_general_model(Opened(opened.knowledge, broken, "", ""))
    assert problem is not None
    assert problem.mend


# --- what is shipped -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(path.parent.name for path in networks_folder().glob("*/network.yaml")))
def test_the_shipped_networks_have_no_error(name: str) -> None:
    assert [str(problem) for problem in audit(open_network(name)).errors] == []


def test_the_shipped_network_passes_the_general_librarys_check(head_unit: Opened) -> None:
    assert check_general_model(head_unit) is None
