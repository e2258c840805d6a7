"""All that the files say about one id: its record, what it is tied to both ways and how strongly, what looks like it.

Strengths are those of the network in force, so learned values show where an overlay is in use; which condition a link
comes through is said by the files.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

import numpy as np

from diagnose.network import Array, Opened, cause_title
from diagnose.records import CHECK, REPORT, Cause, Caution, Condition, Finding, Knowledge
from diagnose.wording import the_one_named

CAUSE, CONDITION, CAUTION = "cause", "condition", "caution"
PRESENT = "present"  # the key under which a strength without a level stands
ALIKE = 0.5  # overlap of what the customer notices from which on two causes look alike
SHARED = 0.1  # both must bring one report at least this often, or what they share is that nothing shows
MOST_ALIKE, MOST_APART = 5, 3
WORTH_CHECKING = 0.1  # difference from which on a check tells two causes apart


class Through(NamedTuple):
    """A condition on the way from a cause to a finding. brings: P(condition | cause); shows: level -> P(level | condition)."""

    condition: str
    brings: float
    shows: dict[str, float]


class Tie(NamedTuple):
    """What an id is tied to. p: level above 0 -> probability given that cause or condition alone ("present" where there
    are no levels), empty where the tie has no strength; through: the conditions a link comes from, empty for one of its
    own; needed: the level of the circumstance without which it cannot be, or makes no sense."""

    kind: str
    id: str
    title: str
    p: dict[str, float]
    through: tuple[Through, ...] = ()
    needed: str = ""

    @property
    def strength(self) -> float:
        """Probability that anything shows."""
        return sum(self.p.values())


class Separator(NamedTuple):
    """A check that tells two causes apart. difference: total variation between its two distributions, 0 to 1; here, there:
    level -> probability given the one cause alone or the other, leak included."""

    check: str
    title: str
    difference: float
    here: dict[str, float]
    there: dict[str, float]


class LookAlike(NamedTuple):
    """A cause that a customer describes in nearly the same way.

    overlap: Bhattacharyya coefficient of all reports given the one cause alone or the other: 1 the same, 0 never the same.
    Half of it bounds the error of guessing between the two, equally likely before, from the reports (Kailath 1967).
    """

    cause: str
    title: str
    overlap: float
    told_apart_by: tuple[Separator, ...]


class About(NamedTuple):
    """Everything about one id. kind: cause, report, check, circumstance, condition or caution; record: as in the files;
    ties: the strongest first, kind by kind; cautions: those it carries; look_alikes: for a cause."""

    id: str
    kind: str
    title: str
    record: Cause | Finding | Condition | Caution
    ties: tuple[Tie, ...]
    cautions: tuple[Caution, ...]
    look_alikes: tuple[LookAlike, ...]


def about(opened: Opened, name: str) -> About:
    """Everything about the cause, finding, condition or caution of that id, or that alone these words fit; InputError if there
    is none."""
    knowledge = opened.knowledge
    parts: dict[str, Mapping[str, Any]] = {
        CAUTION: knowledge.cautions, CONDITION: knowledge.conditions, "": knowledge.findings, CAUSE: knowledge.causes}
    records = {one: (kind, record) for kind, part in parts.items() for one, record in part.items()}
    name = the_one_named(name, {one: record.title for one, (_, record) in records.items()}, what="id", key="id")
    found, record = records[name]
    if isinstance(record, Cause):
        ties, carried = _ties_of_cause(opened, record), record.remedy.cautions
    elif isinstance(record, Finding):
        ties, carried, found = _ties_of_finding(opened, record), record.cautions, record.kind
    elif isinstance(record, Condition):
        ties, carried = _ties_of_condition(knowledge, record), ()
    else:
        ties, carried = _carriers(knowledge, name), ()
    return About(name, found, record.title, record, tuple(_sorted(ties)), tuple(knowledge.cautions[c] for c in carried),
                 look_alikes(opened, name) if isinstance(record, Cause) else ())


def _sorted(ties: Iterator[Tie]) -> list[Tie]:
    order = (CONDITION, CAUSE, REPORT, CHECK)
    return sorted(ties, key=lambda t: (order.index(t.kind) if t.kind in order else len(order), -t.strength, t.id))


def through(knowledge: Knowledge, cause: str, finding: str) -> tuple[Through, ...]:
    """The conditions that the link of a cause to a finding comes from; none where the cause has a link of its own."""
    record = knowledge.causes.get(cause)
    if record is None or finding in record.links or finding in record.needs:
        return ()
    levels = knowledge.findings[finding].levels[1:]
    return tuple(Through(name, brought, dict(zip(levels, knowledge.conditions[name].shows[finding], strict=True)))
                 for name, brought in record.brings.items() if finding in knowledge.conditions[name].shows)


def _ties_of_cause(opened: Opened, cause: Cause) -> Iterator[Tie]:
    knowledge, network = opened.knowledge, opened.network
    for name, brought in cause.brings.items():
        yield Tie(CONDITION, name, knowledge.conditions[name].title, {PRESENT: brought})
    for j, row in network.rows_of_cause(network.cause_index[cause.id]):
        finding = knowledge.findings[network.findings[j]]
        yield Tie(finding.kind, finding.id, finding.title, _above(network.link[row], finding),
                  through(knowledge, cause.id, finding.id), finding.levels[-1] if finding.id in cause.needs else "")


def _ties_of_finding(opened: Opened, finding: Finding) -> Iterator[Tie]:
    knowledge, network = opened.knowledge, opened.network
    rows = network.rows(network.finding_index[finding.id])
    for i, link in zip(network.link_cause[rows].tolist(), network.link[rows], strict=True):
        name = network.causes[i]
        needed = finding.levels[-1] if name in knowledge.causes and finding.id in knowledge.causes[name].needs else ""
        yield Tie(CAUSE, name, cause_title(knowledge, name), _above(link, finding), through(knowledge, name, finding.id),
                  needed)
    for condition in knowledge.conditions.values():
        if finding.id in condition.shows:
            shows = dict(zip(finding.levels[1:], condition.shows[finding.id], strict=True))
            yield Tie(CONDITION, condition.id, condition.title, shows)
    for name, level in finding.needs.items():
        other = knowledge.findings[name]
        yield Tie(other.kind, name, other.title, {}, needed=level)
    for check in knowledge.findings.values():
        if finding.id in check.needs:
            yield Tie(check.kind, check.id, check.title, {}, needed=check.needs[finding.id])


def _ties_of_condition(knowledge: Knowledge, condition: Condition) -> Iterator[Tie]:
    for cause in knowledge.causes.values():
        if condition.id in cause.brings:
            yield Tie(CAUSE, cause.id, cause.title, {PRESENT: cause.brings[condition.id]})
    for name, above in condition.shows.items():
        finding = knowledge.findings[name]
        yield Tie(finding.kind, name, finding.title, dict(zip(finding.levels[1:], above, strict=True)))


def _carriers(knowledge: Knowledge, caution: str) -> Iterator[Tie]:
    """Whatever carries a caution: remedies, by their cause, and findings."""
    for cause in knowledge.causes.values():
        if caution in cause.remedy.cautions:
            yield Tie(CAUSE, cause.id, cause.title, {})
    for finding in knowledge.findings.values():
        if caution in finding.cautions:
            yield Tie(finding.kind, finding.id, finding.title, {})


def _above(cumulative: Array, finding: Finding) -> dict[str, float]:
    p = np.diff(cumulative[: len(finding.levels)])
    return dict(zip(finding.levels[1:], np.maximum(p, 0.0).tolist(), strict=True))


def look_alikes(opened: Opened, cause: str, *, alike: float = ALIKE, most: int = MOST_ALIKE) -> tuple[LookAlike, ...]:
    """The causes whose reports are nearly the same as those of this one, the most alike first, and what separates them."""
    knowledge, network = opened.knowledge, opened.network
    reports = np.array([network.finding_index[f.id] for f in knowledge.of_kind(REPORT)], dtype=np.int64)
    if not len(reports):
        return ()
    shows, link = _distributions(opened, reports)
    own = network.cause_index[cause]
    overlap = np.sqrt(shows * shows[own]).sum(axis=2).prod(axis=1)
    shared = (np.minimum(link, link[own]) >= SHARED).any(axis=1)
    shared[[own] if network.unlisted < 0 else [own, network.unlisted]] = False
    found = [i for i in np.argsort(-overlap, kind="stable").tolist() if shared[i] and overlap[i] >= alike][:most]
    names = [network.causes[i] for i in found]
    apart = _separators(opened, own, found)
    return tuple(LookAlike(name, knowledge.causes[name].title, float(overlap[i]), separators)
                 for name, i, separators in zip(names, found, apart, strict=True))


def _distributions(opened: Opened, findings: np.ndarray[Any, Any]) -> tuple[Array, Array]:
    """P(level | this cause alone), leak included, (n, findings, L), and P(above level 0) by the link itself, (n, findings)."""
    network = opened.network
    cumulative = network.given_each_cause()[:, findings]
    link = 1.0 - cumulative[:, :, 0]
    return np.maximum(np.diff(cumulative * network.leak[findings], axis=2, prepend=0.0), 0.0), link


def _separators(opened: Opened, own: int, others: list[int]) -> list[tuple[Separator, ...]]:
    """For each of the other causes the checks with the largest difference."""
    knowledge, network = opened.knowledge, opened.network
    checks = knowledge.of_kind(CHECK)
    if not checks:
        return [() for _ in others]
    shows, _ = _distributions(opened, np.array([network.finding_index[check.id] for check in checks], dtype=np.int64))
    result = []
    for i in others:
        difference = np.abs(shows[i] - shows[own]).sum(axis=1) / 2.0
        best = [c for c in np.argsort(-difference, kind="stable")[:MOST_APART].tolist() if difference[c] >= WORTH_CHECKING]
        result.append(tuple(
            Separator(checks[c].id, checks[c].title, float(difference[c]),
                      *(dict(zip(checks[c].levels, shows[x, c].tolist(), strict=False)) for x in (own, i))) for c in best))
    return result
