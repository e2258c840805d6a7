"""Parts of ``python -m tests.benchmark``: the network growing, and ranking against general engines."""

from __future__ import annotations

import statistics
import warnings
from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from diagnose.evidence import plain_evidence, read_evidence
from diagnose.network import Opened, assemble
from diagnose.nextcheck import Situation, rank_checks
from diagnose.posterior import infer
from tests.enumeration import Tables
from tests.small_networks import EXACT, answers_of, opened_of

if TYPE_CHECKING:
    from tests.benchmark import Callback

CAUSES = (50, 100, 200, 400)
ABNORMAL = 6
NEIGHBOURS = 12  # causes that share their findings: an area of the shipped network has 9 on average
REPORTS, CHECKS, LINKS = 78 / 144, 89 / 144, 11  # for each cause, as in the shipped network
PRIORS = 1.14  # what they sum up to there


def synthetic(causes: int, seed: int = 1) -> Opened:
    """A network with as many findings and links for each cause as the shipped one has, the same range of numbers and about as
    much overlap: four links in five lead to findings of the cause's own neighbourhood."""
    rng = np.random.default_rng(seed)
    reports = [f"r{j}" for j in range(round(causes * REPORTS))]
    checks = [f"k{j}" for j in range(round(causes * CHECKS))]
    findings = [*reports, *checks]
    home = {name: rng.integers(max(1, causes // NEIGHBOURS)) for name in findings}
    links: dict[tuple[str, str], tuple[float, ...]] = {}
    for i in range(causes):
        near = [name for name in findings if home[name] == i // NEIGHBOURS] or findings
        for _ in range(LINKS):
            name = str(rng.choice(near if rng.random() < 0.8 else findings))
            links[f"c{i}", name] = (float(rng.beta(0.8, 1.0)),)
    priors = dict.fromkeys([f"c{i}" for i in range(causes)], PRIORS / causes)
    return opened_of(Tables(priors, dict.fromkeys(findings, (0.005,)), links), salience=dict.fromkeys(reports, 0.6))


def growth(draw: Callable[..., dict[int, list[Callback]]], time: Callable[..., float], repeats: int) -> list[list[str]]:
    """Rows: causes, links, posterior of all causes, ranking of every check; median over callbacks with their spread, ms."""
    from tests.benchmark import spread

    rows, first = [], (0.0, 0.0)
    for causes in CAUSES:
        opened = synthetic(causes)
        knowledge, network = opened.knowledge, opened.network
        infers, ranks = [], []
        for one in draw(opened, (ABNORMAL,), 8)[ABNORMAL]:
            evidence = read_evidence(knowledge, network, answers_of(one.seen))
            known = (knowledge, network, evidence, infer(network, evidence), Situation(who=EXACT))
            infers.append(time(partial(infer, network, evidence), repeats))
            ranks.append(time(partial(rank_checks, *known), repeats))
        now = (statistics.median(infers), statistics.median(ranks))
        first = first if first[0] else now
        rows.append([str(causes), str(len(network.link)), str(len(infers)), spread(infers), f"{now[0] / first[0]:.1f}",
                     spread(ranks, 1), f"{now[1] / first[1]:.1f}"])
    return rows


def ranking_by_engines(opened: Opened, callbacks: dict[int, list[Callback]], repeats: int, limit: float) -> list[list[str]]:
    """Rows: what a general engine has to do to rank every check, the posterior of every linked cause for every outcome of every
    candidate, worked out from two of the candidates; ours gives the gain about all causes together."""
    from tests.benchmark import ENGINES, milliseconds, run_engine

    knowledge, network = opened.knowledge, opened.network
    rows = []
    for count in (2, 6):
        one = callbacks[count][0]
        evidence = plain_evidence(network, dict(one.seen))
        posterior = infer(network, evidence, somebody_called=False)
        known = (knowledge, network, evidence, posterior, Situation(who="fitter"))
        scores = [score for score in rank_checks(*known) if score.kind == "check" and score.gain > 0]
        mine = milliseconds(partial(rank_checks, *known), repeats)
        tried = [scores[len(scores) * place // 3].finding for place in (1, 2)]
        row = [f"{count} + {len(one.normal)}", str(len(scores)), f"{mine:.1f}"]
        outcomes = sum(len(knowledge.findings[score.finding].levels) for score in scores)
        for engine in ENGINES:
            asked = [one._replace(normal={**one.normal, name: level})
                     for name in tried for level in range(len(knowledge.findings[name].levels))]
            times: list[float] = []
            while len(times) < len(asked) and "failed" not in (found := run_engine(engine, asked[len(times)], limit)):
                times.append(found["ms"])
            whole = statistics.mean(times or [0.0]) * outcomes
            finished = len(times) == len(asked)
            row += [f"{whole / 1e3:,.1f} s", f"x {whole / mine:,.0f}"] if finished else ["did not finish", ""]
        rows.append(row)
    return rows


def packaged_parts(repeats: int) -> list[list[str]]:
    """Rows: the parts of pgmpy's packaged networks that have our form, every finding seen, their tables as in the files."""
    from tests.benchmark import milliseconds
    from tests.outside.packaged import noisy_or_part, pgmpy_answers

    rows = []
    for name in ("asia", "win95pts", "hepar2", "andes"):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            part = noisy_or_part(name)
            tables = part.tables
            network = assemble(tables.priors, tables.leaks, tables.links)
            seen = {one: number % 2 if 0.0 < leak[0] < 1.0 else 0 for number, (one, leak) in enumerate(tables.leaks.items())}
            evidence = plain_evidence(network, dict(seen))
            theirs = pgmpy_answers(part, seen)
            mine = infer(network, evidence, somebody_called=False).p.tolist()
            ours = milliseconds(partial(infer, network, evidence, somebody_called=False), repeats)
            library = milliseconds(partial(pgmpy_answers, part, seen), 3)
        apart = max(abs(p - theirs[cause]) for cause, p in zip(network.causes, mine, strict=True))
        rows.append([name, str(len(network.causes)), str(len(network.findings)), str(len(network.link)), f"{ours:.2f}",
                     f"{library:.1f}", f"x {library / ours:,.0f}", f"{apart:.0e}"])
    return rows
