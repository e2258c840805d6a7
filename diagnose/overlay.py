"""Learned values beside the cases, laid over the expert's knowledge: the file, and the network that is in force.

The file says from which cases and upon which knowledge it was learned; whatever does not fit is named in one sentence and
passed over, so that the expert's knowledge answers instead. Counts for another workshop travel in a file of the same make.
"""

from __future__ import annotations

import hashlib
import json
from array import array
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from diagnose.case import MARKER
from diagnose.learn import Fit, Statistics, layout_of, rows_of
from diagnose.network import Array, Network, Opened
from diagnose.source import LARGEST_FILE, InputError, complaint, locked, put_file, read_plain_file

FILE = "learned.json"
SCHEMA, COUNTS_SCHEMA = 1, 2
LARGEST_COUNTS = 64_000_000  # bytes of a file of counts
DIGITS = 6  # significant digits of learned values
ROUNDING = 1e-5  # what rounding to these may add to a sum of 1
EXPERT = "the expert's knowledge"


class Overlay(NamedTuple):
    """Learned values with where they come from.

    expert: hash of the numbers they were learned upon. cases: how many taught, merged ones included; log: hash over which.
    half_life, as_of, strength: how. better: by how much predictions improved (nats a case, and the ends of its 95 % interval;
    0, 0, 0 where too few cases could be predicted to say). priors, leaks, links: only what moved; of leaks and links the
    probability of each level above 0.
    """

    network: str
    knowledge: str
    expert: str
    cases: int
    log: str
    half_life: float
    as_of: str
    strength: float
    better: tuple[float, float, float]
    priors: Mapping[str, float]
    leaks: Mapping[str, Sequence[float]]
    links: Mapping[str, Mapping[str, Sequence[float]]]


class Moved(NamedTuple):
    """One number that learning moved. cause, finding: a link has both, a prior only a cause, a leak only a finding. cases: how
    many speak about it. before, after: the prior, or P(above level 0)."""

    cause: str
    finding: str
    cases: float
    before: float
    after: float


def expert_mark(network: Network) -> str:
    """A short hash over all numbers of a network."""
    digest = hashlib.sha256(layout_of(network).encode())
    for numbers in (network.prior, network.leak, network.link):
        digest.update(numbers.astype("<f8").tobytes())
    return digest.hexdigest()[:16]


def moved(opened: Opened, fitted: Fit, statistics: Statistics) -> list[Moved]:
    """What learning moved, the largest move first (by the difference of square roots, which is alike for rare and common)."""
    network, m = opened.network, len(opened.network.findings)
    before, after = (1.0 - rows_of(n)[:, 0] for n in (network, fitted.network))
    names = [("", name) for name in network.findings]
    names += [(network.causes[int(i)], network.findings[j]) for j in range(m) for i in network.link_cause[network.rows(j)]]
    found = [Moved(*names[row], float(fitted.visits[row]), float(before[row]), float(after[row]))
             for row in np.flatnonzero(before != after).tolist()]
    found += [Moved(cause, "", statistics.causes.get(cause, 0.0), float(p), float(q))
              for cause, p, q in zip(network.causes, network.prior, fitted.network.prior, strict=True) if p != q]
    return sorted(found, key=lambda x: (-abs(x.before**0.5 - x.after**0.5), x.cause, x.finding))


def overlay_of(opened: Opened, fitted: Fit, statistics: Statistics, *, half_life: float, as_of: str, strength: float,
               better: tuple[float, float, float]) -> Overlay:
    """The overlay of learned values, each to DIGITS significant digits."""
    network, m = opened.network, len(opened.network.findings)
    old, new = rows_of(network), rows_of(fitted.network)
    leaks: dict[str, list[float]] = {}
    links: dict[str, dict[str, list[float]]] = {}
    for j, finding in enumerate(network.findings):
        size = int(network.levels[j])
        if (old[j] != new[j]).any():
            leaks[finding] = _short(new[j, 1:size].tolist())
        for row in range(int(network.start[j]), int(network.start[j + 1])):
            if (old[m + row] != new[m + row]).any():
                cause = network.causes[int(network.link_cause[row])]
                links.setdefault(finding, {})[cause] = _short(new[m + row, 1:size].tolist())
    priors = {cause: _short([q])[0] for cause, p, q in
              zip(network.causes, network.prior.tolist(), fitted.network.prior.tolist(), strict=True) if p != q}
    log = hashlib.sha256(_in_order(statistics.marks)).hexdigest()[:16]
    header = opened.knowledge.header
    return Overlay(header.id, header.version, expert_mark(network), statistics.cases, log, half_life,
                   as_of if half_life else "", strength, better, priors, leaks, links)


def _short(numbers: list[float]) -> list[float]:
    return [float(f"{x:.{DIGITS}g}") for x in numbers]


def with_overlay(opened: Opened, overlay: Overlay) -> Opened:
    """The network with learned values laid over the expert's.

    Raises InputError if they were learned for another network or upon other numbers than those of the files now.
    """
    network = opened.network
    if overlay.network != opened.knowledge.header.id:
        raise complaint(f"the learned values are of the network {overlay.network!r}", "learn from cases of this network")
    if overlay.expert != expert_mark(network):
        raise complaint("the expert's files have changed since these values were learned", "learn again: diagnose learn")
    prior, rows = network.prior.copy(), []
    values: list[Sequence[float]] = []
    try:
        prior[[network.cause_index[cause] for cause in overlay.priors]] = list(overlay.priors.values())
        for finding, above in overlay.leaks.items():
            rows.append(network.finding_index[finding])
            values.append(above)
        for finding, by_cause in overlay.links.items():
            mine = network.rows(network.finding_index[finding])
            first = len(network.findings) + mine.start
            place = {network.causes[i]: row for row, i in enumerate(network.link_cause[mine].tolist(), first)}
            rows += [place[cause] for cause in by_cause]
            values += by_cause.values()
        below = _laid(network, rows, values)
        if not ((prior >= 0.0) & (prior <= 1.0)).all():
            raise ValueError("no probabilities")
    except (KeyError, ValueError, TypeError, OverflowError) as error:
        raise complaint("the learned values are damaged", "learn again: diagnose learn") from error
    m = len(network.findings)
    return opened._replace(network=replace(network, prior=prior, leak=below[:m].copy(), link=below[m:].copy()))


def _laid(network: Network, rows: list[int], values: list[Sequence[float]]) -> Array:
    """Leaks and links, P(<= level), with some rows replaced by probabilities of the levels above 0. ValueError if they are
    none."""
    below = np.concatenate([network.leak, network.link])
    levels = np.concatenate([network.levels, np.repeat(network.levels, np.diff(network.start))])
    by_size: dict[int, list[int]] = {}
    for number, above in enumerate(values):
        by_size.setdefault(len(above) + 1, []).append(number)
    for size, numbers in by_size.items():
        chosen = [rows[number] for number in numbers]
        beyond = np.cumsum(np.array([values[number] for number in numbers], dtype=float)[:, ::-1], axis=1)[:, ::-1]
        if (levels[chosen] != size).any() or not (beyond <= 1.0 + ROUNDING).all() or (np.diff(beyond, axis=1) > 0).any():
            raise ValueError("not the probabilities of this finding's levels")
        below[chosen, : size - 1] = np.maximum(1.0 - beyond, 0.0)
    if not ((below >= 0.0) & (below <= 1.0)).all():
        raise ValueError("no probabilities")
    return below


def in_force(opened: Opened, store: Path) -> tuple[Opened, str]:
    """The network to answer with, and in words where its numbers come from: "values learned from 57 cases", or the expert.

    Never raises: learned values that are damaged, of another network or of an earlier state of the files are passed over,
    and the words say so.
    """
    path = store / FILE
    try:
        overlay = read_overlay(path)
        if overlay is None:
            return opened, EXPERT
        laid = with_overlay(opened, overlay)
    except InputError as error:
        problem = error.problems[0]
        return opened, f"{EXPERT}; {path.name} is passed over: {problem.what}; {problem.mend}"
    return laid, f"values learned from {overlay.cases:,} case{'s' if overlay.cases != 1 else ''}"


def read_overlay(path: Path) -> Overlay | None:
    """The overlay in a file; None if there is no file. InputError if it cannot be read or holds anything else."""
    found = _read(path, LARGEST_FILE)
    if found is None:
        return None
    data = found[0]
    try:
        _check_kind(data, "learned values", SCHEMA, path)
        better = data["better"]
        return Overlay(
            _text(data["network"]), _text(data["knowledge"]), _text(data["expert"]), int(data["cases"]), _text(data["log"]),
            float(data["half_life"]), _text(data["as_of"]), float(data["strength"]),
            (float(better[0]), float(better[1]), float(better[2])),
            dict(data["priors"]), dict(data["leaks"]), {k: dict(part) for k, part in data["links"].items()})
    except (ValueError, KeyError, TypeError, AttributeError, IndexError, OverflowError) as error:
        raise complaint("these are no learned values, or they are damaged", "learn again: diagnose learn",
                        file=str(path)) from error


def read_counts(path: Path) -> Statistics:
    """The counts in a file that ``diagnose learn --partial`` wrote; InputError for anything else."""
    found = _read(path, LARGEST_COUNTS)
    if found is None:
        raise complaint("there is no such file", "check the path", file=str(path))
    data = found[0]
    try:
        _check_kind(data, "counts", COUNTS_SCHEMA, path)
        return Statistics(
            _text(data["network"]), _text(data["layout"]), _weight(data["weight"]), _weight(data["heard"]),
            {_text(cause): _weight(w) for cause, w in data["causes"].items()},
            {(_text(f), tuple(map(_text, causes))): _weight(w) for f, causes, w in data["touched"]},
            {(_text(f), _chances(seen), tuple(map(_text, causes))): _weight(w)
             for f, seen, causes, w in data["cells"]}, _marks(data["marks"]))
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError) as error:
        raise complaint("these are no counts, or they are damaged", "write them again with: diagnose learn --partial FILE",
                        file=str(path)) from error


def _read(path: Path, largest: int) -> list[Any] | None:
    """What a JSON file holds, in a list; None if there is no file."""
    try:
        return [json.loads(read_plain_file(path, str(path), largest=largest))]
    except InputError as error:
        if isinstance(error.__cause__, FileNotFoundError):
            return None
        raise
    except (ValueError, RecursionError) as error:
        raise complaint("it is damaged (not whole JSON)", "learn again: diagnose learn", file=str(path)) from error


def _check_kind(data: Any, kind: str, schema: int, path: Path) -> None:
    if data["kind"] != kind:
        raise ValueError(f"{data['kind']!r} instead of {kind!r}")
    if data["schema"] != schema:
        raise complaint(f"it is written in schema {str(data['schema'])[:20]}, not the {schema} of this program",
                        "learn again: diagnose learn" if kind != "counts" else "write it again with this program",
                        file=str(path))


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError(f"{value!r} is no text")
    return value


def _chances(values: Any) -> tuple[float, ...]:
    numbers = tuple(map(float, values))
    if not all(0.0 <= x <= 1.0 for x in numbers):
        raise ValueError(f"{numbers} are no probabilities")
    return numbers


def _weight(value: Any) -> float:
    number = float(value)
    if not 0.0 <= number < 1e12:
        raise ValueError(f"{number} is no weight")
    return number


def _in_order(marks: array[int]) -> bytes:
    """Marks from the smallest on, eight bytes each."""
    return np.sort(np.array(marks, dtype=np.uint64)).astype(">u8").tobytes()


def _marks(value: Any) -> array[int]:
    return array("Q", np.frombuffer(bytes.fromhex(_text(value)), dtype=">u8").astype(np.uint64).tobytes())


def overlay_text(overlay: Overlay) -> str:
    """The overlay as JSON, everything in a fixed order."""
    return _json({"kind": "learned values", "schema": SCHEMA, **overlay._asdict()})


def counts_text(statistics: Statistics) -> str:
    """Counts as JSON, everything in a fixed order."""
    return _json({"kind": "counts", "schema": COUNTS_SCHEMA, "network": statistics.network, "layout": statistics.layout,
                  "weight": statistics.weight, "heard": statistics.heard, "causes": dict(sorted(statistics.causes.items())),
                  "touched": [[f, list(causes), w] for (f, causes), w in sorted(statistics.touched.items())],
                  "cells": [[f, list(seen), list(causes), w] for (f, seen, causes), w in sorted(statistics.cells.items())],
                  "marks": _in_order(statistics.marks).hex()})


def _json(data: Mapping[str, Any]) -> str:
    """One line for each key, so that a file can be looked at and compared."""
    lines = [f"{json.dumps(key)}: {json.dumps(value, separators=(', ', ': '))}" for key, value in data.items()]
    return "{\n" + ",\n".join(lines) + "\n}\n"


def write_overlay(store: Path, overlay: Overlay) -> Path:
    """Put the overlay into the store, whole or not at all; the path. InputError if it cannot be written, or would take the
    place of values of another network."""
    path = store / FILE
    try:
        with locked(store / MARKER):
            if (there := _network_of(path)) not in ("", overlay.network):
                raise complaint(f"here lie learned values of the network {there!r}, which would be lost",
                                "take them away first with: diagnose learn --undo, or keep each network's cases in a folder "
                                "of their own", file=str(path))
            put_file(path, overlay_text(overlay).encode())
    except OSError as error:
        raise complaint(f"cannot be written ({error.strerror or error}); nothing was changed", "check the folder",
                        file=str(path)) from error
    return path


def _network_of(path: Path) -> str:
    """The network of the learned values in a file; empty if there are none that can be read."""
    try:
        overlay = read_overlay(path)
    except InputError:
        return ""
    return overlay.network if overlay else ""


def remove_overlay(store: Path) -> bool:
    """Take the learned values away; False if there were none. InputError if they cannot be removed."""
    path = store / FILE
    try:
        with locked(store / MARKER):
            path.unlink()
    except FileNotFoundError:
        return False
    except OSError as error:
        raise complaint(f"cannot be removed ({error.strerror or error})", "check the folder", file=str(path)) from error
    return True
