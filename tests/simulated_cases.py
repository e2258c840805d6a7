"""Callbacks drawn from a network, as case records: what the customer volunteers, what checks show, how it was closed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from diagnose.caserecord import CLOSED, Case, CaseAnswer
from diagnose.evidence import confusion
from diagnose.learn import cumulative, rows_of
from diagnose.network import UNLISTED, Array, Network, Opened
from diagnose.records import CHECK, REPORT, Finding

AT = "2026-11-05T14:32:00+00:00"


def perturbed(network: Network, generator: np.random.Generator, *, spread: float = 0.7) -> Network:
    """The network with the log odds of every prior, leak and link moved at random; 0 and 1 stay."""
    def moved(p: Array) -> Array:
        with np.errstate(divide="ignore"):
            odds = np.log(p) - np.log1p(-p)
        return 1.0 / (1.0 + np.exp(-(odds + generator.normal(0.0, spread, p.shape))))

    rows = rows_of(network)
    t = 1.0 - rows[:, 0]
    with np.errstate(invalid="ignore", divide="ignore"):
        scale = np.where((t > 1e-9) & (t < 1.0 - 1e-9), moved(t) / t, 1.0)
    rows[:, 1:] *= scale[:, None]
    rows[:, 0] = 1.0 - rows[:, 1:].sum(axis=1)
    whole, m = cumulative(rows), len(network.findings)
    return replace(network, prior=moved(network.prior), leak=whole[:m].copy(), link=whole[m:].copy())


def true_levels(network: Network, present: Sequence[int], generator: np.random.Generator) -> np.ndarray:
    """The level of every finding, given the causes present: the largest that the leak or a cause brings about."""
    below = network.leak.copy()
    home = np.repeat(np.arange(len(network.findings)), np.diff(network.start))
    for i in present:
        rows = np.flatnonzero(network.link_cause == i)
        below[home[rows]] *= network.link[rows]
    return (generator.random(len(below))[:, None] > below[:, :-1]).sum(axis=1)


def said(finding: Finding, level: int, reliability: tuple[float, float], generator: np.random.Generator) -> int:
    """The level that somebody of this reliability reports."""
    return int((generator.random() > confusion(len(finding.levels), reliability)[:-1, level]).sum())


def simulated(opened: Opened, count: int, generator: np.random.Generator, *, checks: int = 6, asked: int = 4,
              truth: Network | None = None) -> Iterator[Case]:
    """Closed cases of ``truth`` (the network itself if None); those in which nobody had anything to report do not happen.

    checks, asked: checks done by the fitter, and reports asked about before anything is volunteered: that is how the tool
    takes them, where an answer stands in the place of what would have been said without asking."""
    knowledge, network = opened.knowledge, truth or opened.network
    header = knowledge.header
    place = network.finding_index
    reports, tests = knowledge.of_kind(REPORT), knowledge.of_kind(CHECK)
    number = 0
    while number < count:
        present = np.flatnonzero(generator.random(len(network.causes)) < network.prior).tolist()
        names = [network.causes[i] for i in present]
        if not names or (UNLISTED in names and len(names) > 1):
            continue
        levels = true_levels(network, present, generator)
        answers = []
        put = _drawn(reports, asked, generator)
        named = {f.id for f in put}
        for finding in (f for f in reports if f.id not in named):
            level = int(levels[place[finding.id]])
            sensitivity, specificity = header.reliability["customer"]["volunteered"]
            if level == 0 and generator.random() < (1.0 - specificity) / sensitivity:  # as the answer's likelihood has it
                level = int(generator.integers(1, len(finding.levels)))
            if level and generator.random() < finding.salience:
                answers.append(CaseAnswer(finding.id, finding.levels[level], "customer", "volunteered", at=AT))
        some = [(f, "customer", "look") for f in put]
        some += [(f, "fitter", f.method) for f in _drawn(tests, checks, generator)]
        for finding, who, method in some:
            level = said(finding, int(levels[place[finding.id]]), header.reliability[who][method], generator)
            answers.append(CaseAnswer(finding.id, finding.levels[level], who, method, at=AT))
        if any(knowledge.findings[a.finding].level(a.level or "") for a in answers):
            number += 1
            yield Case(f"{20200101 + number // 1440}-{number % 1440 // 60:02}{number % 60:02}", AT, header.id, header.version,
                       answers=tuple(answers), status=CLOSED, closed=AT, fully_put_right=True,
                       confirmed=() if names == [UNLISTED] else tuple(names), unlisted="" if names != [UNLISTED] else "a cause",
                       minutes=30.0)


def _drawn(some: Sequence[Finding], count: int, generator: np.random.Generator) -> list[Finding]:
    return [some[i] for i in generator.choice(len(some), min(count, len(some)), replace=False).tolist()]
