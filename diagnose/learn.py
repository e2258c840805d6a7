"""Learning from resolved cases: counts that add up, EM over them, and the overlay of learned values.

A resolved case says which causes were present. Given that, every observation of a finding depends only on (finding, how its
true level shows through the observation, which linked causes were present), so a log of any length shrinks to a table of
counts over such cells: additive, mergeable without the cases, and all that EM needs. The E-step shares each cell out over the
present causes and the leak exactly (noisy-MAX responsibilities; methods 5.4), the M-step adds the full pseudo-counts of the
expert's Dirichlet or Beta prior (methods 0.3, 5.2).
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, NamedTuple

import numpy as np

from diagnose.case import answers_in_force
from diagnose.caserecord import CLOSED, Case
from diagnose.evidence import Answer, likelihood_of, reliability_of
from diagnose.network import UNLISTED, Array, Network, Opened, assemble
from diagnose.records import REPORT, Finding
from diagnose.source import complaint

SCHEMA = 1
PRIOR_STRENGTH = 300.0  # equivalent callbacks behind the expert's share of each cause
ROUNDS = 200
SETTLED = 1e-9  # largest change of a parameter at which EM stops
DIGITS = 6  # of a likelihood that makes a cell of its own

Cell = tuple[str, tuple[float, ...], tuple[str, ...]]  # finding, likelihood over its true levels, present linked causes


@dataclass
class Statistics:
    """Counts from resolved cases; two of them add up. cells: Cell -> weight; present, known: weight of cases in which a cause
    was present, and in which it is known whether it was; cases: how many, and a hash over which."""

    network: str
    knowledge: str
    cells: dict[Cell, float] = field(default_factory=dict)
    present: dict[str, float] = field(default_factory=dict)
    known: dict[str, float] = field(default_factory=dict)
    cases: int = 0
    weight: float = 0.0
    marks: list[str] = field(default_factory=list)

    def add(self, other: Statistics) -> None:
        """Add another table of the same network; InputError if it is of another one or shares cases with this."""
        if other.network != self.network:
            raise complaint(f"these counts are of the network {other.network!r}", f"merge counts of {self.network!r} only")
        both = set(self.marks) & set(other.marks)
        if both:
            raise complaint(f"{len(both)} cases stand in both tables of counts", "leave one of them out")
        for cell, weight in other.cells.items():
            self.cells[cell] = self.cells.get(cell, 0.0) + weight
        for mine, theirs in ((self.present, other.present), (self.known, other.known)):
            for cause, weight in theirs.items():
                mine[cause] = mine.get(cause, 0.0) + weight
        self.cases += other.cases
        self.weight += other.weight
        self.marks = sorted([*self.marks, *other.marks])


class Parameters(NamedTuple):
    """The free numbers of a network. priors: cause -> P. leaks, links: -> probability of each level above 0."""

    priors: dict[str, float]
    leaks: dict[str, tuple[float, ...]]
    links: dict[tuple[str, str], tuple[float, ...]]


class Overlay(NamedTuple):
    """Learned values with where they come from. parameters: only those that moved; counts: weight behind each."""

    network: str
    knowledge: str
    cases: int
    mark: str
    half_life: float
    parameters: Parameters


def parameters_of(network: Network) -> Parameters:
    """The parameters of an assembled network."""
    links = {}
    for j, finding in enumerate(network.findings):
        size = int(network.levels[j])
        for row in range(int(network.start[j]), int(network.start[j + 1])):
            links[network.causes[int(network.link_cause[row])], finding] = _above(network.link[row, :size])
    leaks = {finding: _above(network.leak[j, : int(network.levels[j])]) for j, finding in enumerate(network.findings)}
    return Parameters(dict(zip(network.causes, network.prior.tolist(), strict=True)), leaks, links)


def _above(cumulative: Array) -> tuple[float, ...]:
    return tuple(np.diff(cumulative).tolist())


def network_with(network: Network, parameters: Parameters) -> Network:
    """The network with other numbers in the same places."""
    return assemble(parameters.priors, parameters.leaks, parameters.links,
                    unlisted=UNLISTED if network.unlisted >= 0 else "")


def usable(case: Case, network: str) -> bool:
    """Whether a case teaches anything: closed, of this network, with a cause found, listed or not."""
    return case.status == CLOSED and case.network == network and bool(case.confirmed or case.unlisted)


def count_cases(opened: Opened, cases: Iterable[Case], *, half_life: float = 0.0, as_of: str = "") -> Statistics:
    """The counts of resolved cases, in any order.

    Causes confirmed are present; the others count as absent only where the case was fully put right. A report that nobody
    asked about counts as not volunteered, a check not done as nothing at all. half_life: days after which a case weighs half
    as much, counted back from ``as_of`` (0: no forgetting).
    """
    knowledge, network = opened.knowledge, opened.network
    found = Statistics(knowledge.header.id, knowledge.header.version)
    linked = {finding: frozenset(network.causes[int(i)] for i in network.link_cause[network.rows(j)])
              for j, finding in enumerate(network.findings)}
    reports = knowledge.of_kind(REPORT)
    for case in cases:
        if not usable(case, knowledge.header.id):
            continue
        weight = _weight(case, half_life, as_of)
        present = frozenset(c for c in case.confirmed if c in network.cause_index) | ({UNLISTED} if case.unlisted else set())
        if not present or weight <= 0:
            continue
        complete = case.fully_put_right
        for cause in network.causes if complete else present:
            found.known[cause] = found.known.get(cause, 0.0) + weight
        for cause in present:
            found.present[cause] = found.present.get(cause, 0.0) + weight
        if complete:
            _count_findings(opened, case, present, linked, reports, weight, found.cells)
        found.cases += 1
        found.weight += weight
        found.marks.append(hashlib.sha256(f"{case.id} {case.closed}".encode()).hexdigest()[:16])
    found.marks.sort()
    return found


def _weight(case: Case, half_life: float, as_of: str) -> float:
    if half_life <= 0:
        return 1.0
    try:
        age = (datetime.fromisoformat(as_of) - datetime.fromisoformat(case.closed)).total_seconds() / 86_400
    except (ValueError, TypeError):
        return 1.0
    return float(round(0.5 ** (max(age, 0.0) / half_life), 9))


def _count_findings(opened: Opened, case: Case, present: frozenset[str], linked: Mapping[str, frozenset[str]],
                    reports: list[Finding], weight: float, cells: dict[Cell, float]) -> None:
    answered = set()
    for answer in answers_in_force(case):
        if answer.unanswered or answer.finding not in linked:
            continue
        answered.add(answer.finding)
        seen = shows_through(opened, Answer(*answer[:6]))
        key: Cell = (answer.finding, seen, tuple(sorted(present & linked[answer.finding])))
        cells[key] = cells.get(key, 0.0) + weight
    for report in reports:
        if report.id not in answered and report.salience > 0:
            seen = (1.0, *([1.0 - report.salience] * (len(report.levels) - 1)))
            key = (report.id, seen, tuple(sorted(present & linked[report.id])))
            cells[key] = cells.get(key, 0.0) + weight


def shows_through(opened: Opened, answer: Answer) -> tuple[float, ...]:
    """P(this answer | true level), for every level: the person's reliability, an unsure word, a meter's error."""
    finding = opened.knowledge.findings[answer.finding]
    said = likelihood_of(opened.knowledge.header, finding, answer)
    sensitivity, specificity = reliability_of(opened.knowledge.header, finding, answer)
    size = len(said)
    seen = sensitivity * said + (1.0 - sensitivity) * said[0]
    seen[0] = specificity * said[0] + (1.0 - specificity) * said[1:].sum() / (size - 1)
    return tuple(round(float(x), DIGITS) for x in seen / seen.max())


class _Table(NamedTuple):
    """Leaks and links as rows of one array. keys: finding for a leak, (cause, finding) for a link; expert: (rows, L)
    probabilities of all levels, padded with 0."""

    keys: list[Any]
    expert: Array
    sizes: list[int]


class _Batch(NamedTuple):
    """Cells with the same number of origins. origins: (c, k) rows of the table, the leak first; seen: (c, L) likelihood, padded
    with 0; weight: (c,)."""

    origins: Any
    seen: Array
    weight: Array


def fit(network: Network, statistics: Statistics, *, strength: float, prior_strength: float = PRIOR_STRENGTH,
        rounds: int = ROUNDS) -> tuple[Parameters, list[float]]:
    """Learned parameters, and the objective (log posterior up to a constant) before every round of EM: it never falls.

    strength: equivalent cases behind each of the expert's links and leaks. Cells are taken in sorted order, so that the result
    is the same to the bit for the same counts.
    """
    expert = parameters_of(network)
    table = _as_table(expert)
    batches = _as_batches(table, statistics)
    touched = np.unique(np.concatenate([batch.origins.ravel() for batch in batches])) if batches else np.zeros(0, dtype=int)
    now, priors = table.expert.copy(), dict(expert.priors)
    trail: list[float] = []
    for _ in range(rounds):
        fired, log_p = _share_out(now, batches)
        trail.append(log_p + float((strength * table.expert * np.log(np.maximum(now, 1e-300))).sum())
                     + _log_causes(priors, expert.priors, statistics, prior_strength))
        counts = strength * table.expert[touched] + fired[touched]
        step = now.copy()
        step[touched] = counts / counts.sum(axis=1, keepdims=True)
        next_priors = _next_priors(priors, expert.priors, statistics, prior_strength)
        moved = max(float(np.abs(step - now).max(initial=0.0)), *(abs(next_priors[k] - v) for k, v in priors.items()), 0.0)
        now, priors = step, next_priors
        if moved < SETTLED:
            break
    leaks, links = dict(expert.leaks), dict(expert.links)
    for row in touched.tolist():
        key, above = table.keys[row], tuple(now[row, 1 : table.sizes[row]].tolist())
        if isinstance(key, tuple):
            links[key] = above
        else:
            leaks[key] = above
    return Parameters(priors, leaks, links), trail


def _as_table(expert: Parameters) -> _Table:
    keys: list[Any] = [*expert.leaks, *expert.links]
    rows = [_levels(above) for above in (*expert.leaks.values(), *expert.links.values())]
    width = max(len(row) for row in rows)
    return _Table(keys, np.array([row + [0.0] * (width - len(row)) for row in rows]), [len(row) for row in rows])


def _as_batches(table: _Table, statistics: Statistics) -> list[_Batch]:
    place = {key: row for row, key in enumerate(table.keys)}
    width = table.expert.shape[1]
    grouped: dict[int, list[tuple[list[int], list[float], float]]] = {}
    for (finding, seen, causes), weight in sorted(statistics.cells.items()):
        if weight > 0 and finding in place and len(seen) == table.sizes[place[finding]]:
            origins = [place[finding], *(place[c, finding] for c in causes if (c, finding) in place)]
            grouped.setdefault(len(origins), []).append((origins, [*seen, *([0.0] * (width - len(seen)))], weight))
    return [_Batch(np.array([o for o, _, _ in cells]), np.array([s for _, s, _ in cells]), np.array([w for *_, w in cells]))
            for _, cells in sorted(grouped.items())]


def _share_out(now: Array, batches: list[_Batch]) -> tuple[Array, float]:
    """Expected contributions of every origin by level, and log P of all cells.

    P(cell | an origin contributes level x) = L(x) * P(others <= x) + sum over y > x of P(others = y) * L(y).
    """
    fired = np.zeros_like(now)
    log_p = 0.0
    for origins, seen, weight in batches:
        tables = now[origins]
        cumulative = np.cumsum(tables, axis=2)
        whole = cumulative.prod(axis=1)
        p = (np.diff(whole, axis=1, prepend=0.0) * seen).sum(axis=1)
        log_p += float(weight @ np.log(np.maximum(p, 1e-300)))
        for number in range(origins.shape[1]):
            others = np.delete(cumulative, number, axis=1).prod(axis=1)
            alone = np.diff(others, axis=1, prepend=0.0) * seen
            tail = np.cumsum(alone[:, ::-1], axis=1)[:, ::-1] - alone
            share = tables[:, number] * (seen * others + tail) * (weight / np.maximum(p, 1e-300))[:, None]
            np.add.at(fired, origins[:, number], share)
    return fired, log_p


def _levels(above: tuple[float, ...]) -> list[float]:
    return [max(0.0, 1.0 - sum(above)), *above]


def _next_priors(priors: Mapping[str, float], expert: Mapping[str, float], statistics: Statistics,
                 prior_strength: float) -> dict[str, float]:
    unseen = _unseen(priors, statistics)
    found = {}
    for cause, prior in expert.items():
        known = statistics.known.get(cause, 0.0)
        yes = prior_strength * prior + statistics.present.get(cause, 0.0)
        found[cause] = yes / (prior_strength + known + unseen) if known else prior
    return found


def _unseen(priors: Mapping[str, float], statistics: Statistics) -> float:
    """Expected number of would-be callbacks without any cause, which nobody makes: somebody called, so at least one cause was
    there; the shares of causes are those among all, seen and unseen."""
    none = math.prod(1.0 - p for p in priors.values())
    return statistics.weight * none / (1.0 - none) if none < 1.0 else 0.0


def _log_causes(priors: Mapping[str, float], expert: Mapping[str, float], statistics: Statistics, prior_strength: float) -> float:
    """Log P of which causes were there, given that at least one was, and of the priors' own prior."""
    total = 0.0
    for cause, p in priors.items():
        yes, known = statistics.present.get(cause, 0.0), statistics.known.get(cause, 0.0)
        total += _times_log(yes + prior_strength * expert[cause], p)
        total += _times_log(known - yes + prior_strength * (1.0 - expert[cause]), 1.0 - p)
    none = math.prod(1.0 - p for p in priors.values())
    return total - _times_log(statistics.weight, 1.0 - none)


def _times_log(weight: float, p: float) -> float:
    return 0.0 if weight <= 0 else weight * math.log(max(p, 1e-300))


def to_json(value: Statistics | Overlay) -> str:
    """Counts or overlay as JSON text, keys in stable order."""
    if isinstance(value, Statistics):
        data: dict[str, Any] = {"kind": "counts", "schema": SCHEMA, "network": value.network, "knowledge": value.knowledge,
                                "cases": value.cases, "weight": value.weight, "marks": value.marks,
                                "present": dict(sorted(value.present.items())), "known": dict(sorted(value.known.items())),
                                "cells": [[*key, weight] for key, weight in sorted(value.cells.items())]}
    else:
        p = value.parameters
        data = {"kind": "overlay", "schema": SCHEMA, "network": value.network, "knowledge": value.knowledge,
                "cases": value.cases, "mark": value.mark, "half_life": value.half_life, "priors": p.priors, "leaks": p.leaks,
                "links": [[cause, finding, *above] for (cause, finding), above in sorted(p.links.items())]}
    return json.dumps(data, indent=1) + "\n"


def from_json(text: str, *, file: str) -> Statistics | Overlay:
    """The inverse of ``to_json``; InputError for anything else."""
    try:
        data = json.loads(text)
        if data["schema"] != SCHEMA:
            raise complaint(f"its form is {data['schema']!r}, this program reads {SCHEMA}", "use the program that wrote it",
                            file=file)
        if data["kind"] == "counts":
            cells = {(str(f), tuple(float(x) for x in seen), tuple(str(c) for c in causes)): float(weight)
                     for f, seen, causes, weight in data["cells"]}
            return Statistics(str(data["network"]), str(data["knowledge"]), cells, _numbers(data["present"]),
                              _numbers(data["known"]), int(data["cases"]), float(data["weight"]), [str(m) for m in data["marks"]])
        links = {(str(row[0]), str(row[1])): tuple(_share(x) for x in row[2:]) for row in data["links"]}
        leaks = {str(k): tuple(_share(x) for x in v) for k, v in data["leaks"].items()}
        priors = {str(k): _share(v) for k, v in data["priors"].items()}
        return Overlay(str(data["network"]), str(data["knowledge"]), int(data["cases"]), str(data["mark"]),
                       float(data["half_life"]), Parameters(priors, leaks, links))
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise complaint("these are no counts or learned values", "learn again, or take the file away", file=file) from error


def _numbers(data: Mapping[str, Any]) -> dict[str, float]:
    return {str(k): float(v) for k, v in data.items()}


def _share(value: Any) -> float:
    number = float(value)
    if not 0.0 <= number <= 1.0:
        raise ValueError(f"{number} is no probability")
    return number


def overlay_of(network: Network, statistics: Statistics, learned: Parameters, *, half_life: float) -> Overlay:
    """The overlay of learned values: what the log moved, and which log that was."""
    expert = parameters_of(network)
    moved = Parameters({k: v for k, v in learned.priors.items() if v != expert.priors[k]},
                       {k: v for k, v in learned.leaks.items() if v != expert.leaks[k]},
                       {k: v for k, v in learned.links.items() if v != expert.links[k]})
    mark = hashlib.sha256("\n".join(statistics.marks).encode()).hexdigest()[:16]
    return Overlay(statistics.network, statistics.knowledge, statistics.cases, mark, half_life, moved)


def with_overlay(opened: Opened, overlay: Overlay) -> Opened:
    """The network with learned values laid over the expert's; those of causes or findings that are gone are passed over.

    Raises InputError if the overlay is of another network.
    """
    if overlay.network != opened.knowledge.header.id:
        raise complaint(f"the learned values are of the network {overlay.network!r}", "learn from a log of this network")
    expert = parameters_of(opened.network)
    p = overlay.parameters
    merged = Parameters(
        {k: p.priors.get(k, v) for k, v in expert.priors.items()},
        {k: p.leaks[k] if len(p.leaks.get(k, ())) == len(v) else v for k, v in expert.leaks.items()},
        {k: p.links[k] if len(p.links.get(k, ())) == len(v) else v for k, v in expert.links.items()})
    return opened._replace(network=network_with(opened.network, merged))
