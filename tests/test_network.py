"""Records to arrays: conditions flattened, the compiled copy, the export."""

from __future__ import annotations

import itertools
import math
import re
from pathlib import Path

import numpy as np
import pytest

from diagnose import network as network_module
from diagnose.evidence import Answer, read_evidence
from diagnose.network import Network, Opened, assemble, build_network, flatten, open_network, to_pgmpy
from diagnose.records import REPORT, Knowledge
from diagnose.source import InputError
from tests.conftest import DOORBELL, load_network, write_network

ARRAYS = ("prior", "levels", "leak", "start", "link_cause", "link")


def same(one: Network, other: Network) -> bool:
    return (one.causes, one.findings, one.unlisted) == (other.causes, other.findings, other.unlisted) and all(
        getattr(one, name).tobytes() == getattr(other, name).tobytes() for name in ARRAYS)


def link_of(network: Network, cause: str, finding: str) -> list[float] | None:
    """P(<= level) given the cause alone, or None."""
    rows = network.rows(network.finding_index[finding])
    for row in range(rows.start, rows.stop):
        if network.causes[network.link_cause[row]] == cause:
            return network.link[row, : network.levels[network.finding_index[finding]]].tolist()
    return None


# --- conditions ------------------------------------------------------------------------------------------------------


def test_conditions_are_flattened_by_hand(doorbell: Opened) -> None:
    """Battery flat brings no current (0.6) and too little (0.7). Silent: 1 - (1 - 0.6 * 0.95)(1 - 0.7 * 0.1) = 0.6001. Volts:
    above "good" 1 - (1 - 0.6 * 0.95)(1 - 0.7 * 0.8) = 0.8108, above "low" 1 - (1 - 0.6 * 0.9)(1 - 0.7 * 0.1) = 0.5722."""
    links = flatten(doorbell.knowledge, doorbell.knowledge.causes["flat_battery"])
    assert links["silent"] == pytest.approx((0.6001,), abs=1e-15)
    assert links["faint"] == pytest.approx((0.7 * 0.8,), abs=1e-15)
    assert links["volts_at_bell"] == pytest.approx((0.8108 - 0.5722, 0.5722), abs=1e-15)
    assert links["rings_when_bridged"] == (0.02,)
    assert set(links) == {"silent", "faint", "volts_at_bell", "rings_when_bridged"}


def test_a_link_of_the_cause_wins_over_its_conditions(doorbell: Opened) -> None:
    links = flatten(doorbell.knowledge, doorbell.knowledge.causes["broken_wire"])
    assert links["silent"] == (0.99,)
    assert links["volts_at_bell"] == pytest.approx((0.9 * 0.05, 0.9 * 0.9), abs=1e-15)  # the stated default of 0.9


def test_a_needed_circumstance_is_linked_with_certainty(doorbell: Opened) -> None:
    assert flatten(doorbell.knowledge, doorbell.knowledge.causes["chime_loads"])["has_chime"] == (1.0,)


def through_conditions(knowledge: Knowledge, cause: str, finding: str) -> list[float]:
    """P(level of a finding | this cause alone) by listing which of its conditions are there and what each of these shows."""
    size = len(knowledge.findings[finding].levels)
    brought = knowledge.causes[cause].brings
    found = [0.0] * size
    for there in itertools.product((False, True), repeat=len(brought)):
        weight = math.prod(p if on else 1 - p for on, p in zip(there, brought.values(), strict=True))
        parts = []
        for on, condition in zip(there, brought, strict=True):
            above = knowledge.conditions[condition].shows.get(finding)
            if on and above:
                parts.append([1 - sum(above), *above])
        for levels in itertools.product(range(size), repeat=len(parts)):
            found[max(levels, default=0)] += weight * math.prod(part[x] for part, x in zip(parts, levels, strict=True))
    return found


def test_flattening_is_exact_for_a_cause_alone(doorbell: Opened, head_unit: Opened) -> None:
    """Every cause and finding of both networks, against the enumeration of the conditions between them."""
    checked = 0
    for opened in (doorbell, head_unit):
        knowledge = opened.knowledge
        for name, cause in knowledge.causes.items():
            links = flatten(knowledge, cause)
            for finding, above in links.items():
                if finding in cause.links or finding in cause.needs:
                    continue
                assert list(above) == pytest.approx(through_conditions(knowledge, name, finding)[1:], abs=1e-12)
                assert link_of(opened.network, name, finding)[0] == pytest.approx(1 - sum(above), abs=1e-12)
                checked += 1
    assert checked > 150


def test_the_unlisted_cause_comes_last_and_touches_reports_only(doorbell: Opened) -> None:
    knowledge, network = doorbell.knowledge, doorbell.network
    assert network.causes[network.unlisted] == "unlisted" and network.unlisted == len(network.causes) - 1
    assert network.prior[network.unlisted] == 0.05
    for finding in knowledge.findings.values():
        wanted = [1 - 0.03, 1.0] if finding.kind == REPORT else None
        assert link_of(network, "unlisted", finding.id) == (None if wanted is None else pytest.approx(wanted, abs=1e-15))


def test_without_a_prior_there_is_no_unlisted_cause(tmp_path: Path) -> None:
    text = DOORBELL["network.yaml"].replace("prior: 0.05", "prior: 0")
    network = load_network(write_network(tmp_path / "net", {**DOORBELL, "network.yaml": text})).network
    assert network.unlisted == -1
    assert "unlisted" not in network.causes


# --- the arrays ------------------------------------------------------------------------------------------------------


def test_arrays_of_a_network_from_tables() -> None:
    """Two causes, a finding of two levels and one of three; links in the order of the causes, padding 1."""
    network = assemble({"a": 0.1, "b": 0.2}, {"f": (0.25,), "g": (0.25, 0.125)},
                       {("b", "f"): (0.5,), ("a", "f"): (0.75,), ("b", "g"): (0.25, 0.5), ("a", "g"): (0.0, 0.0)})
    assert network.prior.tolist() == [0.1, 0.2]
    assert network.levels.tolist() == [2, 3]
    assert network.leak.tolist() == [[0.75, 1.0, 1.0], [0.625, 0.875, 1.0]]
    assert network.start.tolist() == [0, 2, 3]
    assert network.link_cause.tolist() == [0, 1, 1]  # a link of nothing is no link
    assert network.link.tolist() == [[0.25, 1.0, 1.0], [0.5, 1.0, 1.0], [0.25, 0.5, 1.0]]
    assert (network.cause_index["b"], network.finding_index["g"], network.unlisted) == (1, 1, -1)


def test_arrays_cannot_be_changed(doorbell: Opened) -> None:
    for name in ARRAYS:
        with pytest.raises(ValueError, match="read-only"):
            getattr(doorbell.network, name)[...] = 0


@pytest.mark.parametrize(("priors", "leaks", "links"), [
    ({"a": 1.5}, {"f": (0.1,)}, {}),
    ({"a": -0.5}, {"f": (0.1,)}, {}),
    ({"a": 0.5}, {"f": (1.5,)}, {("a", "f"): (-0.5,)}),
    ({"a": 0.5}, {"f": (0.1, 0.1)}, {("a", "f"): (0.5,)}),
])
def test_tables_that_cannot_be_are_refused(priors: dict, leaks: dict, links: dict) -> None:
    with pytest.raises(ValueError, match=r"outside 0\.\.1|levels"):
        assemble(priors, leaks, links)


@pytest.mark.parametrize("name", ["doorbell", "head_unit"])
def test_every_row_is_a_distribution(name: str, request: pytest.FixtureRequest) -> None:
    network = request.getfixturevalue(name).network
    for rows, sizes in ((network.leak, network.levels), (network.link, np.repeat(network.levels, np.diff(network.start)))):
        assert rows.min() >= 0.0 and rows.max() <= 1.0
        assert (np.diff(rows, axis=1) >= -1e-15).all()
        for row, size in zip(rows, sizes, strict=True):
            assert (row[size - 1 :] == 1.0).all()
    assert network.link_cause.max() < len(network.causes)
    assert network.start[-1] == len(network.link)
    for j in range(len(network.findings)):
        assert (np.diff(network.link_cause[network.rows(j)]) > 0).all()


# --- files -----------------------------------------------------------------------------------------------------------


def test_names_and_order_of_files_change_nothing(doorbell: Opened, tmp_path: Path) -> None:
    """The same records, one to a file, in files whose names sort the other way round."""
    files = {"zz.yaml": DOORBELL["network.yaml"]}
    records = []
    for text in (DOORBELL["findings.yaml"], DOORBELL["causes.yaml"]):
        for section, body in re.findall(r"^(\w+):\n((?:[ \n].*\n?)+)", text, re.MULTILINE):
            records += [(section, record) for record in re.split(r"^(?=  \w+:)", body, flags=re.MULTILINE) if record.strip()]
    assert len(records) == 14
    for number, (section, record) in enumerate(records):
        files[f"{99 - number}.yaml"] = f"{section}:\n{record}"
    scattered = load_network(write_network(tmp_path / "scattered", files))
    assert same(scattered.network, doorbell.network)
    for one, other in zip(scattered.knowledge[1:], doorbell.knowledge[1:], strict=True):
        strip = {name: record._replace(file="", line=0) for name, record in one.items()}
        assert strip == {name: record._replace(file="", line=0) for name, record in other.items()}
        assert list(one) == list(other)


def test_the_compiled_copy_is_the_network_to_the_bit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = write_network(tmp_path / "net", DOORBELL)
    first = open_network(str(folder))
    monkeypatch.setattr(network_module, "load_knowledge", lambda path: pytest.fail("the files were read again"))
    second = open_network(str(folder))
    assert same(first.network, second.network)
    assert first == second._replace(network=first.network)


def test_a_changed_file_makes_a_new_copy(tmp_path: Path) -> None:
    folder = write_network(tmp_path / "net", DOORBELL)
    before = open_network(str(folder)).network
    path = folder / "causes.yaml"
    path.write_text(path.read_text().replace("prior: 0.3", "prior: 0.25"), encoding="utf-8")
    after = open_network(str(folder)).network
    assert before.prior[before.cause_index["flat_battery"]] == 0.3
    assert after.prior[after.cause_index["flat_battery"]] == 0.25


@pytest.mark.parametrize("damage", [b"", b"nonsense", b"{}\n{}\n{}", None])
def test_a_damaged_copy_is_made_anew(tmp_path: Path, own_cache: Path, damage: bytes | None) -> None:
    """Emptied, overwritten, cut, or with one digit of a probability changed."""
    folder = write_network(tmp_path / "net", DOORBELL)
    opened = open_network(str(folder))
    (path,) = own_cache.rglob(f"{opened.copy_name}*")
    raw = path.read_bytes()
    path.write_bytes(raw.replace(b"0.3,", b"0.4,", 1) if damage is None else damage)
    assert path.read_bytes() != raw
    assert same(open_network(str(folder)).network, opened.network)
    assert path.read_bytes() == raw


def test_without_a_cache_folder_it_still_opens(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    blocked = tmp_path / "blocked"
    blocked.write_text("a file where the folder should be")
    monkeypatch.setenv("XDG_CACHE_HOME", str(blocked))
    folder = write_network(tmp_path / "net", DOORBELL)
    assert len(open_network(str(folder)).network.causes) == 5


@pytest.mark.parametrize("name", ["head_unti", "", "no/such/folder", "x" * 5000, "head\x00unit"])
def test_a_network_that_does_not_exist_is_refused_in_a_sentence(name: str) -> None:
    with pytest.raises(InputError):
        open_network(name)


def test_a_network_without_links_opens_the_same_from_its_copy(tmp_path: Path) -> None:
    """A network somebody has just begun: a check, no causes yet."""
    check = DOORBELL["findings.yaml"].split("checks:\n")[1].split("  idle_current:")[0]
    header = DOORBELL["network.yaml"].replace("first_checks: [hot]", "first_checks: []")
    folder = write_network(tmp_path / "net", {"network.yaml": header, "checks.yaml": f"checks:\n{check}"})
    for _ in range(2):
        opened = open_network(str(folder))
        evidence = read_evidence(opened.knowledge, opened.network, [Answer("volts_at_bell", "low", "fitter")])
        assert len(evidence.axes) == 1


def test_copies_of_two_networks_do_not_mix(tmp_path: Path) -> None:
    one = write_network(tmp_path / "one" / "net", DOORBELL)
    text = DOORBELL["causes.yaml"].replace("prior: 0.3", "prior: 0.2")
    other = write_network(tmp_path / "other" / "net", {**DOORBELL, "causes.yaml": text})
    for _ in range(2):
        assert open_network(str(one)).network.prior.sum() != open_network(str(other)).network.prior.sum()


# --- the export ------------------------------------------------------------------------------------------------------


def test_the_export_passes_the_general_librarys_own_check(doorbell: Opened) -> None:
    """Every table has at most three variables, whatever the number of causes; priors as they are. Order of states: no, yes."""
    model = to_pgmpy(doorbell.network)
    assert model.check_model()
    assert set(doorbell.network.causes) | set(doorbell.network.findings) <= set(model.nodes())
    assert max(len(table.variables) for table in model.cpds) == 3
    assert model.get_cpds("flat_battery").values.tolist() == pytest.approx([0.7, 0.3])
    assert model.get_cpds("volts_at_bell~0").values.tolist() == pytest.approx([0.97, 0.02, 0.01])


def test_the_export_of_some_findings_holds_only_their_causes(doorbell: Opened) -> None:
    model = to_pgmpy(doorbell.network, ["idle_current"])
    assert set(model.nodes()) == {"shorted_wire", "idle_current~0", "idle_current"}


def test_building_twice_gives_the_same_arrays(doorbell: Opened) -> None:
    assert same(build_network(doorbell.knowledge), build_network(doorbell.knowledge))


def test_the_rows_of_a_cause_and_what_each_cause_alone_shows() -> None:
    """Read off the tables, with a finding that nothing is linked to in between."""
    network = assemble({"a": 0.1, "b": 0.2}, {"f": (0.1,), "lone": (0.2,), "g": (0.0, 0.0)},
                       {("a", "f"): (0.5,), ("b", "f"): (0.25,), ("b", "g"): (0.25, 0.5)})
    assert [network.rows_of_cause(i) for i in (0, 1)] == [[(0, 0)], [(0, 1), (2, 2)]]
    found = network.given_each_cause()
    assert found[0].tolist() == [[0.5, 1, 1], [1, 1, 1], [1, 1, 1]]
    assert found[1].tolist() == [[0.75, 1, 1], [1, 1, 1], [0.25, 0.5, 1]]
