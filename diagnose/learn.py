"""Learning from resolved cases: counts that add up, and EM over them.

A resolved case says which causes were present. Given that, the findings are independent of each other, and what was seen of one
depends only on how its true level shows through the answer and on which of its causes were present. So a log of any length
shrinks to a table of counts over (finding, likelihood, causes): additive, mergeable without the cases, all that EM needs. The
E-step shares each count out over the present causes and the leak (methods 5.4), the M-step adds the full pseudo-counts of the
expert's Beta or Dirichlet prior (methods 0.3, 5.2).
"""

from __future__ import annotations

import hashlib
from array import array
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import lru_cache
from itertools import chain
from typing import Any, NamedTuple, TypeVar

import numpy as np
import numpy.typing as npt

from diagnose.case import answers_in_force
from diagnose.caserecord import CLOSED, NO_CHANGE, Case
from diagnose.evidence import Answer, check_answer, confusion, likelihood_of, reliability_of
from diagnose.network import UNLISTED, Array, Network, Opened
from diagnose.records import CIRCUMSTANCE, METHODS, REPORT
from diagnose.source import InputError, complaint

BROADER = 15.0  # how many times a leak or a prior outweighs a link: every case tests it, not only those with its cause
STRETCH = 5.0  # how many times its ordinary weight a number may get on account of being rare
RAREST = 1.0  # cases that the rarest level of a leak or link is worth, as far as STRETCH allows
RAREST_CAUSE = 2.0  # the same for a cause: a single case raises it by half at most
ROUNDS = 400
SETTLED = 1e-7  # largest change of a probability at which EM stops
WORTH_SORTING = 0.8  # share of findings still moving below which the settled ones are taken out
MOST_KEPT = 4096  # answers whose likelihoods are kept at hand: readings may be any number
SLICE = 4096  # cells worked on at once, so that the tables of a round stay small however many there are
_GRAIN = 2.0**20  # weights are whole multiples of 1 / this: their sums are exact, so that no order of cases matters
TINY = 1e-300
ROUNDING = 1e-13  # what differences of cumulative probabilities may leave where there is nothing

Cell = tuple[str, tuple[float, ...], tuple[str, ...]]  # finding, P(answer | true level), its causes present
Present = tuple[str, ...]  # causes present together, sorted
_Key = TypeVar("_Key")


def _weights() -> dict[Any, float]:
    return defaultdict(float)


@dataclass
class Statistics:
    """Counts from resolved cases of one network; two of them add up.

    layout: which causes, findings and links the counts are about. weight: of all cases: less than their number where old cases
    fade. causes: cause -> weight of the cases that had it. heard: weight of the cases with a record of what the customer said;
    touched: (report, those of its causes that were present, at least one) -> weight of these among them. cells: Cell -> weight
    of answers; an empty likelihood stands for an answer that tells nothing. marks: 64 bits for each case, to see it if a case
    comes twice. Nothing but these eight bytes grows with every case: what causes say of findings that are not theirs is not
    kept, so that other causes found beside them make no new entries.
    """

    network: str
    layout: str
    weight: float = 0.0
    heard: float = 0.0
    causes: dict[str, float] = field(default_factory=_weights)
    touched: dict[tuple[str, Present], float] = field(default_factory=_weights)
    cells: dict[Cell, float] = field(default_factory=_weights)
    marks: array[int] = field(default_factory=lambda: array("Q"))

    @property
    def cases(self) -> int:
        """How many cases were counted."""
        return len(self.marks)


class Fit(NamedTuple):
    """A network with learned numbers. visits: (m + k,) weight of the cases that speak about each leak and link row. objective:
    log posterior, up to a constant, before every round of EM and after the last: it never falls."""

    network: Network
    visits: Array
    objective: tuple[float, ...]


def layout_of(network: Network) -> str:
    """A short hash over which causes, findings, levels and links there are, whatever their numbers."""
    digest = hashlib.sha256("\n".join((*network.causes, "", *network.findings)).encode())
    for numbers in (network.levels, network.start, network.link_cause):
        digest.update(numbers.astype("<i8").tobytes())
    return digest.hexdigest()[:16]


def statistics_of(opened: Opened) -> Statistics:
    """An empty table of counts for this network."""
    return Statistics(opened.knowledge.header.id, layout_of(opened.network))


def added(tables: Iterable[Statistics]) -> Statistics:
    """The sum of tables of counts.

    Raises InputError if they are of different networks or share cases; ValueError if there is none.
    """
    total: Statistics | None = None
    for table in tables:
        if total is None:
            total = Statistics(table.network, table.layout)
        if (table.network, table.layout) != (total.network, total.layout):
            raise complaint(f"these counts are of another network than {total.network!r}, or of another version of it",
                            "count those cases again with this version")
        total.weight += table.weight
        total.heard += table.heard
        _add(total.causes, table.causes)
        _add(total.touched, table.touched)
        _add(total.cells, table.cells)
        total.marks.extend(table.marks)
    if total is None:
        raise ValueError("there are no counts to add")
    _put_in_order(total.marks)
    return total


def _put_in_order(marks: array[int]) -> None:
    """Sort the marks where they are; InputError if one of them is there twice."""
    if marks:
        numbers = np.frombuffer(marks, dtype=np.uint64)
        numbers.sort()
        twice = int((numbers[1:] == numbers[:-1]).sum())
        if twice:
            raise complaint(f"{twice} cases were counted twice", "leave one of the tables out")


def _add(mine: dict[_Key, float], theirs: Mapping[_Key, float]) -> None:
    for key, weight in theirs.items():
        mine[key] = mine.get(key, 0.0) + weight


def faded(statistics: Statistics, factor: float) -> Statistics:
    """The same counts with every weight times ``factor``."""
    return replace(statistics, weight=statistics.weight * factor, heard=statistics.heard * factor,
                   causes={key: weight * factor for key, weight in statistics.causes.items()},
                   touched={key: weight * factor for key, weight in statistics.touched.items()},
                   cells={key: weight * factor for key, weight in statistics.cells.items()})


def as_it_came_in(case: Case) -> Case:
    """The case before the first remedy that changed anything: later answers are about what was left then."""
    for number, tried in enumerate(case.remedies):
        if tried.outcome != NO_CHANGE:
            return case._replace(answers=case.answers[: tried.answers_before], remedies=case.remedies[:number])
    return case


def teaches_nothing(opened: Opened, case: Case) -> str:
    """Why a case cannot be learned from, in words; empty if it can.

    One that was not fully put right is left out: there a cause is known only if it was found, which would raise its share.
    """
    if case.status != CLOSED:
        return "still open"
    if case.network != opened.knowledge.header.id:
        return "of another network"
    if case.not_found:
        return "no cause found"
    if not case.fully_put_right:
        return "not fully put right"
    if case.unlisted:
        return "" if opened.network.unlisted >= 0 else "a cause that is not listed"
    return "" if all(c in opened.network.cause_index for c in case.confirmed) else "a cause that the files no longer have"


def weight_of(case: Case, half_life: float, as_of: str) -> float:
    """How much a case counts: 1, or half as much for every ``half_life`` days between its closing and ``as_of``."""
    if half_life <= 0:
        return 1.0
    age = (datetime.fromisoformat(as_of) - datetime.fromisoformat(case.closed)).total_seconds() / 86_400
    return float(round(0.5 ** (max(age, 0.0) / half_life) * _GRAIN) / _GRAIN)


def mark_of(case: Case) -> int:
    """What a case is known by in a table of counts: a hash of its content, as two workshops may use the same ids."""
    return int.from_bytes(hashlib.sha256(repr(case).encode()).digest()[:8], "big")


def counting(opened: Opened, *, half_life: float = 0.0, as_of: str = "") -> Callable[[Case, Statistics], str]:
    """A function that adds a case to a table of counts; it gives back why not, in words, or an empty text.

    half_life: days after which a case weighs half as much, counted back from ``as_of``, ISO 8601 with its offset (0: no
    forgetting). Circumstances teach nothing: they are written down where they matter, so that those written down say nothing
    about how common they are.
    """
    network, findings = opened.network, opened.knowledge.findings
    linked = {name: frozenset(network.causes[int(i)] for i in network.link_cause[network.rows(j)])
              for j, name in enumerate(network.findings) if findings[name].kind != CIRCUMSTANCE}
    own = {name: name for name in network.causes}  # one text for each name, however many cases bring their own
    alone: dict[str, Present] = {name: (name,) for name in network.causes}
    brings = {name: tuple(f for f, causes in linked.items() if name in causes and findings[f].kind == REPORT) for name in own}
    likelihood = lru_cache(MOST_KEPT)(lambda key: shows_through(opened, Answer(*key)))

    def count(case: Case, into: Statistics) -> str:
        reason = teaches_nothing(opened, case)
        if reason:
            return reason
        weight = weight_of(case, half_life, as_of)
        if weight == 0.0:
            return "too old to count"
        present = tuple(own[c] for c in sorted(case.confirmed or (UNLISTED,)))
        found, telling = [], False
        for answer in answers_in_force(as_it_came_in(case)):
            causes = linked.get(answer.finding)
            if causes is None:
                continue
            seen = likelihood(answer[:6])
            telling = telling or (bool(seen) and seen[0] < max(seen))
            found.append((answer.finding, seen, _those_of(present, causes, alone)))
        into.weight += weight
        for cause in present:
            into.causes[cause] += weight
        into.marks.append(mark_of(case))
        if telling:  # without anything amiss in it, it is no record of what was said
            into.heard += weight
            for report in {name for cause in present for name in brings[cause]}:
                into.touched[report, _those_of(present, linked[report], alone)] += weight
            for cell in found:
                into.cells[cell] += weight
        return ""

    return count


def _those_of(present: Present, causes: frozenset[str], alone: Mapping[str, Present]) -> Present:
    """The present causes that are among ``causes``; equal ones are one object where that is easy, as many are kept."""
    some = [c for c in present if c in causes]
    return alone[some[0]] if len(some) == 1 else present if len(some) == len(present) else tuple(some)


def count_cases(opened: Opened, cases: Iterable[Case], *, half_life: float = 0.0, as_of: str = "") -> Statistics:
    """The counts of all cases that teach something; see ``counting``."""
    found = statistics_of(opened)
    count = counting(opened, half_life=half_life, as_of=as_of)
    for case in cases:
        count(case, found)
    _put_in_order(found.marks)
    return found


def shows_through(opened: Opened, answer: Answer) -> tuple[float, ...]:
    """P(this answer | true level) for every level, readings up to a factor: the person's reliability, whether it is mentioned
    at all, an unsure word, a meter's error. Empty for an answer that the network cannot read (any more). The same observation
    model as ``evidence.seen_through``, exact for any number of causes."""
    header = opened.knowledge.header
    try:
        finding = check_answer(opened.knowledge, answer)
        said = likelihood_of(header, finding, answer)
        table = confusion(len(said), reliability_of(header, finding, answer))
    except InputError:
        return ()
    seen = said @ np.diff(table, axis=0, prepend=0.0) / max(1.0, said.sum())
    if answer.method == METHODS[0] and finding.salience > 0:  # volunteered
        seen = seen * finding.salience
    digits = 9 if answer.reading is None else 3  # so that readings which say the same fall into one cell
    return tuple(float(f"{x:.{digits}g}") for x in seen.tolist())


class Batch(NamedTuple):
    """Cells with the same number of origins. origins: (c, o) rows of the table, the leak first. seen: (c, L) likelihood,
    padded with 0. weight: (c,). finding: (c,)."""

    origins: npt.NDArray[np.int64]
    seen: Array
    weight: Array
    finding: npt.NDArray[np.int64]

    def part(self, which: Any) -> Batch:
        """Some of the cells."""
        return Batch(self.origins[which], self.seen[which], self.weight[which], self.finding[which])


def rows_of(network: Network) -> Array:
    """(m + k, L) probability of every level by each leak, then by each link; padded with 0."""
    p = np.diff(np.concatenate([network.leak, network.link]), axis=1, prepend=0.0)
    return np.where(p > ROUNDING, p, 0.0)


def batches_of(opened: Opened, statistics: Statistics) -> list[Batch]:
    """The cells in sorted order, the reports that nobody mentioned among them."""
    network = opened.network
    place = {(network.causes[int(i)], j): len(network.findings) + row for j in range(len(network.findings))
             for row, i in enumerate(network.link_cause[network.rows(j)], int(network.start[j]))}
    width = network.leak.shape[1]
    grouped: dict[int, tuple[array[int], array[float], array[float], array[int]]] = {}
    counted = ((cell, statistics.cells[cell]) for cell in sorted(statistics.cells))
    for (name, seen, causes), weight in chain(counted, _unmentioned(opened, statistics)):
        j = network.finding_index.get(name, -1)
        if weight > 0 and j >= 0 and len(seen) == network.levels[j] and len(set(seen)) > 1:
            origins = [j, *(place[c, j] for c in causes if (c, j) in place)]
            columns = grouped.setdefault(len(origins), (array("q"), array("d"), array("d"), array("q")))
            columns[0].extend(origins)
            columns[1].extend([*seen, *[0.0] * (width - len(seen))])
            columns[2].append(weight)
            columns[3].append(j)
    found = []
    for size, (rows, chances, weights, home) in sorted(grouped.items()):
        whole = Batch(np.frombuffer(rows, np.int64).reshape(-1, size), np.frombuffer(chances).reshape(-1, width),
                      np.frombuffer(weights), np.frombuffer(home, np.int64))
        found += [whole.part(slice(at, at + SLICE)) for at in range(0, len(weights), SLICE)]
    return found


def _unmentioned(opened: Opened, statistics: Statistics) -> Iterator[tuple[Cell, float]]:
    """Cells of the reports nobody asked about or mentioned: all cases with the same causes, less those with an answer; in a
    fixed order."""
    reports = {f.id: f for f in opened.knowledge.of_kind(REPORT) if f.salience > 0}
    left: dict[tuple[str, Present], float] = {(name, ()): statistics.heard for name in reports}
    for (name, causes), weight in statistics.touched.items():
        if name in reports:
            left[name, causes] = weight
            left[name, ()] -= weight
    for (name, _, causes), weight in statistics.cells.items():
        if (name, causes) in left:
            left[name, causes] -= weight
    silent = {name: (1.0, *[1.0 - f.salience] * (len(f.levels) - 1)) for name, f in reports.items()}
    for name, causes in sorted(left):
        if left[name, causes] > 0:
            yield (name, silent[name], causes), left[name, causes]


def _share_out(rows: Array, batches: Sequence[Batch], findings: int) -> tuple[Array, Array]:
    """Expected contributions of every origin by level (rows, L), and log P of each finding's cells (findings,).

    P(cell | an origin contributes level x) = seen(x) * P(others <= x) + sum over y > x of P(others = y) * seen(y).
    """
    fired, log_p = np.zeros(rows.size), np.zeros(findings)
    levels = np.arange(rows.shape[1])
    for batch in batches:
        p, slopes = slopes_of(rows, batch)
        log_p += np.bincount(batch.finding, batch.weight * np.log(np.maximum(p, TINY)), findings)
        factor = (batch.weight / np.maximum(p, TINY))[:, None]
        for number, slope in enumerate(slopes):
            origin = batch.origins[:, number]
            where = (origin[:, None] * rows.shape[1] + levels).ravel()
            fired += np.bincount(where, (rows[origin] * slope * factor).ravel(), rows.size)
    return fired.reshape(rows.shape), log_p


def slopes_of(rows: Array, batch: Batch) -> tuple[Array, list[Array]]:
    """P of each cell (c,), and for each origin the derivative of that by its probability of each level (c, L)."""
    cumulative = np.cumsum(rows[batch.origins], axis=2)
    count = cumulative.shape[1]
    before, after = [np.ones_like(batch.seen)], [np.ones_like(batch.seen)]
    for number in range(count - 1):
        before.append(before[-1] * cumulative[:, number])
        after.append(after[-1] * cumulative[:, count - 1 - number])
    p = (np.diff(before[-1] * cumulative[:, -1], axis=1, prepend=0.0) * batch.seen).sum(axis=1)
    slopes = []
    for number in range(count):
        others = before[number] * after[count - 1 - number]
        alone = np.diff(others, axis=1, prepend=0.0) * batch.seen
        tail = np.cumsum(alone[:, ::-1], axis=1)[:, ::-1] - alone
        slopes.append(batch.seen * others + tail)
    return p, slopes


def worth(p: Array, base: float, rarest: float = RAREST) -> Array:
    """(rows,) equivalent cases behind the expert's distributions (rows, L): ``base``, or so many more, up to STRETCH times,
    that the rarest level is worth ``rarest`` cases; otherwise a single case would rewrite what is rare."""
    return np.asarray(np.clip(rarest / np.where(p > 0, p, 1.0).min(axis=1), base, STRETCH * base))


def fit(opened: Opened, statistics: Statistics, *, strength: float | None = None, rounds: int = ROUNDS) -> Fit:
    """The network with learned numbers. strength: equivalent cases behind each of the expert's links (the file's if None);
    leaks and priors weigh BROADER times that.

    Deterministic: cells are taken in sorted order and sums of weights are exact, so equal logs in any order give equal bits.
    """
    network = opened.network
    strength = opened.knowledge.header.strength if strength is None else strength
    if strength <= 0:
        raise ValueError(f"the strength {strength} is not above 0")
    m = len(network.findings)
    rows, visits, trail = _fit_rows(opened, statistics, strength, rounds)
    prior, other = _fit_priors(network, statistics, BROADER * strength, rounds)
    learned = np.where((visits > 0)[:, None], cumulative(rows), np.concatenate([network.leak, network.link]))
    objective = [trail[min(n, len(trail) - 1)] + other[min(n, len(other) - 1)] for n in range(max(len(trail), len(other)))]
    return Fit(replace(network, prior=prior, leak=learned[:m].copy(), link=learned[m:].copy()), visits, tuple(objective))


def _fit_rows(opened: Opened, statistics: Statistics, strength: float, rounds: int) -> tuple[Array, Array, list[float]]:
    """EM over leaks and links: the rows, the weight of the cases that speak about each, the objective before every round and
    after the last. Given the causes, the findings do not touch each other, so one that has settled is left alone."""
    expert = rows_of(opened.network)
    m = len(opened.network.findings)
    home = np.concatenate([np.arange(m), np.repeat(np.arange(m), np.diff(opened.network.start))])
    pseudo = expert * np.concatenate([worth(expert[:m], BROADER * strength), worth(expert[m:], strength)])[:, None]
    batches = batches_of(opened, statistics)
    visits = np.zeros(len(expert))
    for batch in batches:
        visits += np.bincount(batch.origins.ravel(), np.repeat(batch.weight, batch.origins.shape[1]), len(expert))
    rows, going = expert.copy(), batches
    active = np.bincount(home, visits, m) > 0
    log_p, trail = np.zeros(m), []
    for number in range(rounds + 1):
        fired, latest = _share_out(rows, going, m)
        latest += np.bincount(home, (pseudo * np.log(np.maximum(rows, TINY))).sum(axis=1), m)
        log_p[active] = latest[active]
        trail.append(float(log_p.sum()))
        if number == rounds or not active.any():
            break
        mine = active[home] & (visits > 0)
        counts = pseudo[mine] + fired[mine]
        step = counts / counts.sum(axis=1, keepdims=True)
        moved = np.zeros(m)
        np.maximum.at(moved, home[mine], np.abs(step - rows[mine]).max(axis=1, initial=0.0))
        rows[mine] = step
        still = active & (moved >= SETTLED)
        if still.sum() < WORTH_SORTING * active.sum() or not still.any():
            active = still
            going = [b.part(active[b.finding]) for b in batches]
    return rows, visits, trail


def _fit_priors(network: Network, statistics: Statistics, base: float, rounds: int) -> tuple[Array, list[float]]:
    """EM over the causes' shares, and the objective as for the rows.

    Somebody called, so at least one cause was there; the shares are those among all, seen or not, so what is missing is the
    would-be callbacks without a cause, which nobody makes. The objective: log P of which causes were there, given that one
    was, and of the expert's Beta priors.
    """
    weight, yes = statistics.weight, np.zeros(len(network.causes))
    for cause, some in statistics.causes.items():
        if cause in network.cause_index:
            yes[network.cause_index[cause]] = some
    p = network.prior.copy()
    behind = worth(np.stack([p, 1.0 - p], axis=1), base, RAREST_CAUSE)
    a, b = behind * p + yes, behind * (1.0 - p) + weight - yes
    trail = []
    for number in range(rounds + 1):
        none = float(np.prod(1.0 - p))
        seen = weight * np.log(max(1.0 - none, TINY))
        trail.append(float(a @ np.log(np.maximum(p, TINY)) + b @ np.log(np.maximum(1.0 - p, TINY)) - seen))
        if number == rounds or weight == 0.0:
            break
        unseen = weight * none / (1.0 - none) if none < 1.0 else 0.0
        new = a / (a + b + unseen)
        moved, p = float(np.abs(new - p).max()), new
        if moved < SETTLED:
            break
    return p, trail


def cumulative(p: Array) -> Array:
    """(rows, L) P(<= level) from probabilities of the levels: exactly 1 at the end, and 0 up to the first that can be."""
    above = np.cumsum(p[:, ::-1], axis=1)[:, ::-1]
    below = np.where(np.cumsum(p, axis=1) > 0, np.clip(1.0 - np.roll(above, -1, axis=1), 0.0, 1.0), 0.0)
    below[:, -1] = 1.0
    return below
