"""Parts of ``python -m tests.benchmark``: learning and reviewing as the log grows, and learning against general libraries.

Each log is learned in a process of its own, with the most memory that process ever held; ``python -m tests.benchmark_learning
10000`` does one log and prints its figures as JSON.
"""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import time
import warnings
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from diagnose.caserecord import CLOSED, Case, CaseAnswer
from diagnose.learn import count_cases, fit
from diagnose.network import Network, Opened, open_network
from diagnose.review import lesson, read_log, review
from tests.benchmark import most_held, print_table, sample_levels, spread, verdict
from tests.enumeration import Tables
from tests.outside.engines import pruned_tables
from tests.simulated_cases import AT, simulated
from tests.small_networks import EXACT, opened_of

BARS_S = {10_000: 10.0, 100_000: 60.0}  # read, learned and reviewed: design section 9
LOGS = (1_000, 10_000, 100_000)
COMPLETE = (500, 10_000)  # rows against general libraries
PARENTS = range(2, 6)  # causes of a finding there: their tables have a row for every combination
FINDINGS = 40
STEPS = ("counting", "learning", "reviewing")


def learning(sizes: Sequence[int] = LOGS, repeats: int = 3) -> None:
    """Logs of growing length, the cases drawn one by one; the time of drawing them is taken off. The longest is done once."""
    rows: list[list[str]] = []
    first = 0.0
    for size in sizes:
        found = []
        for _ in range(1 if size == max(sizes) else repeats):
            command = [sys.executable, "-m", "tests.benchmark_learning", str(size)]
            found.append(json.loads(subprocess.run(command, check=True, capture_output=True).stdout))
        whole = [sum(one[step] for step in STEPS) for one in found]
        each = 1000 * statistics.median(whole) / size
        first = first or each
        rows.append([f"{size:,}", *(spread([one[step] for one in found], 1) for step in STEPS), f"{each:.2f}",
                     f"{each / first:.2f}", f"{found[0]['entries']:,}", f"{max(one['held'] for one in found):.0f}",
                     verdict(statistics.median(whole), BARS_S.get(size))])
    print_table("Learning from simulated logs, s of processor time",
                ["cases", *STEPS, "ms a case", "x the first", "counts kept", "most MiB held", ""], rows)


def figures(opened: Opened, size: int) -> dict[str, float]:
    """Seconds of each step, how many counts a log of this size comes to, and the most memory held, in MiB."""
    began = time.process_time()
    for _ in _cases(opened, size):
        pass
    drawn = time.process_time()
    log = read_log(opened, _cases(opened, size), expected=size)
    counted = time.process_time()
    lesson(opened, log)
    learned = time.process_time()
    review(opened, log)
    reviewed = time.process_time()
    return {"counting": max(counted - drawn - (drawn - began), 0.0), "learning": learned - counted,
            "reviewing": reviewed - learned, "entries": len(log.statistics.cells) + len(log.statistics.touched),
            "held": most_held()}


def _cases(opened: Opened, size: int) -> Iterator[Case]:
    return iter(simulated(opened, size, np.random.default_rng(12)))


# --- against general libraries ---------------------------------------------------------------------------------------


def against_libraries(opened: Opened, repeats: int) -> None:
    """Complete data: every cause and every finding of every case is known. Ours starts from case records, the others from a
    table that is ready; theirs learn a free table for each finding, ours its links. Error: of P(finding | one cause alone)."""
    tables = _part(opened)
    small = opened_of(tables)
    rows = []
    for size in COMPLETE:
        rng = np.random.default_rng(size)
        worlds = rng.random((size * 2, len(small.network.causes))) < small.network.prior
        worlds = worlds[worlds.any(axis=1)][:size]
        levels = {name: sample_levels(small.network, worlds, name, rng) for name in small.network.findings}
        mine = 0.0
        for name, learn in (("ours", _ours), ("pgmpy", _pgmpy), ("pyagrum", _agrum)):
            times = []
            for _ in range(repeats):
                began = time.process_time()
                p, ready = learn(small, tables, worlds, levels)
                times.append(time.process_time() - began - ready)
            mine = mine or statistics.median(times)
            apart = [abs(p[pair] - (1 - (1 - above[0]) * (1 - tables.leaks[pair[1]][0])))
                     for pair, above in tables.links.items()]
            rows.append([f"{len(worlds):,}", name, spread(times), f"x {statistics.median(times) / mine:.2f}",
                         f"{np.mean(apart):.4f}", f"{max(apart):.3f}"])
    print_table(f"Learning from complete data: {len(tables.priors)} causes, {len(tables.leaks)} findings of "
                f"{PARENTS.start} to {PARENTS.stop - 1} causes, s",
                ["cases", "library", "s", "ratio", "mean error", "largest error"], rows)


def _part(opened: Opened) -> Tables:
    """A part of the shipped network that general libraries can learn, its causes frequent enough to be learned."""
    network = opened.network
    few = [name for j, name in enumerate(network.findings)
           if network.start[j + 1] - network.start[j] in PARENTS and network.levels[j] == 2]
    tables = pruned_tables(network, few[:FINDINGS])
    return tables._replace(priors=dict.fromkeys(tables.priors, 0.1))


Learned = tuple[dict[tuple[str, str], float], float]  # (cause, finding) -> P(finding | that cause alone); seconds to make ready


def _ours(small: Opened, tables: Tables, worlds: np.ndarray, levels: dict[str, np.ndarray]) -> Learned:
    began = time.process_time()
    network = small.network
    cases = [Case(f"{20200101 + row // 1440}-{row % 1440 // 60:02}{row % 60:02}", AT, "small", "1", status=CLOSED, closed=AT,
                  answers=tuple(CaseAnswer(name, f"l{found[row]}", EXACT, at=AT) for name, found in levels.items()),
                  fully_put_right=True, confirmed=tuple(network.causes[i] for i in np.flatnonzero(world)))
             for row, world in enumerate(worlds)]
    ready = time.process_time() - began
    learned = fit(small, count_cases(small, cases), strength=1.0).network
    return {pair: _alone(learned, *pair) for pair in tables.links}, ready


def _alone(network: Network, cause: str, finding: str) -> float:
    rows, j = network.rows(network.finding_index[finding]), network.finding_index[finding]
    at = rows.start + network.link_cause[rows].tolist().index(network.cause_index[cause])
    return 1.0 - float(network.link[at, 0] * network.leak[j, 0])


def _table(small: Opened, worlds: np.ndarray, levels: dict[str, np.ndarray]) -> Any:
    import pandas as pd

    return pd.DataFrame({**dict(zip(small.network.causes, worlds.T.astype(int), strict=True)), **levels})


def _pgmpy(small: Opened, tables: Tables, worlds: np.ndarray, levels: dict[str, np.ndarray]) -> Learned:
    began = time.process_time()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from pgmpy.models import DiscreteBayesianNetwork
        from pgmpy.parameter_estimator import DiscreteBayesianEstimator

        data = _table(small, worlds, levels)
        model = DiscreteBayesianNetwork(list(tables.links))
        ready = time.process_time() - began
        model.fit(data, estimator=DiscreteBayesianEstimator(prior_type="BDeu", equivalent_sample_size=1))
    found = {}
    for cause, finding in tables.links:
        table = model.get_cpds(finding)
        found[cause, finding] = table.get_value(**{finding: 1, **{name: int(name == cause) for name in table.variables[1:]}})
    return found, ready


def _agrum(small: Opened, tables: Tables, worlds: np.ndarray, levels: dict[str, np.ndarray]) -> Learned:
    began = time.process_time()
    import pyagrum as gum

    data = _table(small, worlds, levels)
    template = gum.BayesNet()
    for name in data.columns:
        template.add(gum.LabelizedVariable(name, name, 2))
    for cause, finding in tables.links:
        template.addArc(cause, finding)
    ready = time.process_time() - began
    learner = gum.BNLearner(data, template)
    learner.setNumberOfThreads(1)
    learner.useSmoothingPrior(0.1)
    model = learner.learnParameters(template.dag())
    found = {}
    for cause, finding in tables.links:
        table = model.cpt(finding)
        found[cause, finding] = float(table[{name: int(name == cause) for name in table.names if name != finding}][1])
    return found, ready


if __name__ == "__main__":
    print(json.dumps(figures(open_network("head_unit"), int(sys.argv[1]))))
