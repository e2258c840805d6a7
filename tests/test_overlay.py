"""The file of learned values: round trip, what is passed over and how it is said, speed, counts that travel."""

from __future__ import annotations

import json
import math
import os
import tempfile
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.learn import Fit, Statistics, count_cases, fit, rows_of
from diagnose.network import Opened
from diagnose.overlay import (
    EXPERT,
    FILE,
    Overlay,
    counts_text,
    in_force,
    moved,
    overlay_of,
    overlay_text,
    read_counts,
    read_overlay,
    remove_overlay,
    with_overlay,
    write_overlay,
)
from diagnose.source import InputError
from tests.conftest import DOORBELL, load_network, write_network
from tests.simulated_cases import perturbed, simulated


def lesson_of(opened: Opened, count: int = 60) -> tuple[Statistics, Fit, Overlay]:
    """What a log drawn from another network teaches."""
    generator = np.random.default_rng(1)
    cases = simulated(opened, count, generator, truth=perturbed(opened.network, generator), checks=3, asked=1)
    statistics = count_cases(opened, cases)
    fitted = fit(opened, statistics)
    return statistics, fitted, overlay_of(opened, fitted, statistics, half_life=0.0, as_of="", strength=20.0,
                                          better=(0.1, 0.05, 0.15))


def test_what_was_learned_is_in_force_after_a_trip_through_the_file(head_unit: Opened, tmp_path: Path) -> None:
    _, fitted, overlay = lesson_of(head_unit)
    path = write_overlay(tmp_path, overlay)
    assert read_overlay(path) == overlay
    laid, words = in_force(head_unit, tmp_path)
    assert words == "values learned from 60 cases"
    for name in ("prior", "leak", "link"):
        assert getattr(laid.network, name) == pytest.approx(getattr(fitted.network, name), abs=2e-6)
    assert laid.knowledge is head_unit.knowledge
    assert with_overlay(head_unit, overlay).network.link.tolist() == laid.network.link.tolist()
    assert not laid.network.link.flags.writeable


def test_the_file_is_the_same_to_the_byte_for_the_same_log(head_unit: Opened) -> None:
    assert overlay_text(lesson_of(head_unit)[2]) == overlay_text(lesson_of(head_unit)[2])
    lines = overlay_text(lesson_of(head_unit)[2]).splitlines()
    assert [line.split(":")[0] for line in lines[1:5]] == ['"kind"', '"schema"', '"network"', '"knowledge"']


def test_only_what_moved_is_written_down(doorbell: Opened) -> None:
    statistics, fitted, overlay = lesson_of(doorbell, 3)
    assert set(overlay.priors) == set(doorbell.network.causes)  # every case says of every cause whether it was there
    assert "has_chime" not in overlay.leaks
    seen = {finding for finding, _, _ in statistics.cells} | {f.id for f in doorbell.knowledge.of_kind("report")}
    assert set(overlay.leaks) <= seen
    found = moved(doorbell, fitted, statistics)
    assert len(found) == len(overlay.priors) + len(overlay.leaks) + sum(map(len, overlay.links.values()))
    sizes = [abs(math.sqrt(m.before) - math.sqrt(m.after)) for m in found]
    assert sizes == sorted(sizes, reverse=True)
    reports = {f.id for f in doorbell.knowledge.of_kind("report")}
    link = next(m for m in found if m.cause and m.finding in reports)
    assert link.cases == sum(w for (report, causes), w in statistics.touched.items()
                             if report == link.finding and link.cause in causes)
    prior = next(m for m in found if not m.finding)
    assert prior.cases == statistics.causes[prior.cause]


def test_without_a_file_the_expert_answers(head_unit: Opened, tmp_path: Path) -> None:
    assert in_force(head_unit, tmp_path) == (head_unit, EXPERT)
    assert in_force(head_unit, tmp_path / "nowhere") == (head_unit, EXPERT)


@pytest.mark.parametrize(("changes", "says"), [
    ({"network": "taps"}, "of the network 'taps'"), ({"expert": "0" * 16}, "the expert's files have changed"),
    ({"schema": 9}, "written in schema 9"), ({"kind": "counts"}, "no learned values"), ({"priors": ...}, "no learned values"),
    ({"priors": {"feeds_exchanged": 1.5}}, "damaged"), ({"priors": {"feeds_exchanged": math.nan}}, "damaged"),
    ({"priors": {"gone": 0.5}}, "damaged"), ({"priors": {"feeds_exchanged": "much"}}, "damaged"),
    ({"leaks": {"smell_smoke_heat": [0.5]}}, "damaged"), ({"leaks": {"smell_smoke_heat": [0.7, 0.7]}}, "damaged"),
    ({"leaks": {"smell_smoke_heat": [-0.1, 0.1]}}, "damaged"), ({"links": {"dead_with_key_on": {"gone": [0.5]}}}, "damaged"),
    ({"links": {"dead_with_key_on": {"feeds_exchanged": [[0.5]]}}}, "damaged"), ({"links": [1]}, "no learned values"),
    ({"cases": "x"}, "no learned values"), ({"better": None}, "no learned values")])
def test_what_does_not_fit_is_named_and_passed_over(changes: dict[str, object], says: str, head_unit: Opened,
                                                    tmp_path: Path) -> None:
    data = json.loads(overlay_text(lesson_of(head_unit, 12)[2])) | changes
    (tmp_path / FILE).write_text(json.dumps({key: value for key, value in data.items() if value is not ...}))
    opened, words = in_force(head_unit, tmp_path)
    assert opened is head_unit
    assert words.startswith(f"{EXPERT}; {FILE} is passed over: ")
    assert says in words
    assert "diagnose learn" in words or "learn from cases" in words
    assert "\n" not in words


@given(data=st.binary(max_size=60) | st.text(max_size=60).map(str.encode)
       | st.sampled_from((b"[]", b"{}", b"null", b"[" * 9999)))
def test_any_bytes_are_passed_over(head_unit: Opened, data: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / FILE).write_bytes(data)
        words = in_force(head_unit, Path(folder))[1]
    assert words.startswith(f"{EXPERT}; {FILE} is passed over: ")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_a_pipe_in_the_place_of_the_file_does_not_hang(head_unit: Opened, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / FILE)
    assert f"{FILE} is passed over: this is a folder, a pipe or a device" in in_force(head_unit, tmp_path)[1]


def test_a_folder_in_the_place_of_the_file_is_passed_over(head_unit: Opened, tmp_path: Path) -> None:
    (tmp_path / FILE).mkdir()
    assert "this is a folder, a pipe or a device" in in_force(head_unit, tmp_path)[1]
    with pytest.raises(InputError, match="cannot be"):
        write_overlay(tmp_path, lesson_of(head_unit, 12)[2])
    with pytest.raises(InputError, match="cannot be removed"):
        remove_overlay(tmp_path)


def test_changed_files_of_the_expert_put_learned_values_aside(doorbell: Opened, tmp_path: Path) -> None:
    write_overlay(tmp_path, lesson_of(doorbell, 30)[2])
    assert in_force(doorbell, tmp_path)[1] == "values learned from 30 cases"
    causes = DOORBELL["causes.yaml"].replace("prior: 0.3", "prior: 0.31")
    changed = load_network(write_network(tmp_path / "changed", {**DOORBELL, "causes.yaml": causes}))
    assert "have changed since" in in_force(changed, tmp_path)[1]


def test_values_of_another_network_are_not_written_over(head_unit: Opened, doorbell: Opened, tmp_path: Path) -> None:
    write_overlay(tmp_path, lesson_of(head_unit)[2])
    before = (tmp_path / FILE).read_bytes()
    with pytest.raises(InputError, match="values of the network 'head_unit', which would be lost; take them away first"):
        write_overlay(tmp_path, lesson_of(doorbell)[2])
    assert (tmp_path / FILE).read_bytes() == before
    (tmp_path / FILE).write_bytes(before[:-9])  # damaged: nothing is lost
    write_overlay(tmp_path, lesson_of(doorbell)[2])


def test_undo_takes_the_file_away(head_unit: Opened, tmp_path: Path) -> None:
    assert not remove_overlay(tmp_path)
    write_overlay(tmp_path, lesson_of(head_unit, 12)[2])
    assert remove_overlay(tmp_path)
    assert in_force(head_unit, tmp_path)[1] == EXPERT


def test_putting_values_in_force_is_quick(head_unit: Opened, tmp_path: Path) -> None:
    write_overlay(tmp_path, lesson_of(head_unit, 1500)[2])
    text = (tmp_path / FILE).read_text()
    times, yardsticks = [], []
    for _ in range(15):
        began = time.process_time()
        in_force(head_unit, tmp_path)
        middle = time.process_time()
        json.loads(text)
        times.append(middle - began)
        yardsticks.append(time.process_time() - middle)
    assert min(times) < 8.0 * min(yardsticks)  # reading the JSON takes about 0.6 ms where in_force has 5


def test_counts_make_the_trip_to_another_workshop(head_unit: Opened, tmp_path: Path) -> None:
    statistics = lesson_of(head_unit, 25)[0]
    path = tmp_path / "counts.json"
    path.write_text(counts_text(statistics))
    again = read_counts(path)
    assert again == statistics
    assert rows_of(fit(head_unit, again).network).tobytes() == rows_of(fit(head_unit, statistics).network).tobytes()
    assert "customer" not in path.read_text()


@pytest.mark.parametrize("text", ["", "{}", "[1]", '{"kind": "learned values"}', '{"kind": "counts", "schema": 2, "cells": 3}',
                                  '{"kind": "counts", "schema": 1}'])
def test_what_are_no_counts_is_refused(text: str, tmp_path: Path) -> None:
    (tmp_path / "counts.json").write_text(text)
    with pytest.raises(InputError, match=r"counts\.json"):
        read_counts(tmp_path / "counts.json")
    with pytest.raises(InputError, match="no such file"):
        read_counts(tmp_path / "none.json")
