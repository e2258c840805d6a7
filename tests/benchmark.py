"""What the program costs, measured in one run: ``python -m tests.benchmark``.

Every figure stands beside the bar it must clear. One thread on one processor, and processor time, so that what else the
machine does counts little; each time is the best of several repeats of one callback, and the line gives the median over
callbacks with the lowest and the highest. The callbacks are drawn from the shipped network itself. General engines get the
same findings and only the causes linked to them, each in a process of its own with a limit on time and memory; whoever does
not come back within it "did not finish".
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import NamedTuple

import numpy as np
from rich.console import Console

from diagnose import case as cases
from diagnose.caserecord import Case
from diagnose.conversation import Reply, as_answer, told_answers
from diagnose.evidence import Answer, plain_evidence, read_evidence
from diagnose.network import Network, Opened, open_network
from diagnose.nextcheck import Situation, asked_of, choose, rank_checks
from diagnose.posterior import infer, likely_sets, number_of_causes, probability_of_any
from diagnose.records import CHECK, REPORT, Knowledge
from diagnose.session import Session, choice_of, standing
from diagnose.simulate import Callback as Drawn
from diagnose.simulate import answer_to, draw_callback

ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMEXPR_NUM_THREADS"), "1")
ABNORMAL = (1, 2, 4, 6, 10, 14)
NORMAL_CHECKS = 4
CALLBACKS = 12
BAR_MS = {1: 1.0, 2: 1.0, 4: 1.0, 6: 1.0, 14: 20.0}  # posterior of all causes: design section 9
RANKING_BAR_MS = {6: 25.0}  # every candidate check; design section 9
QUESTIONS, CONVERSATION_BAR_S = 10, 0.5  # computing of a whole conversation
MEMORY = 8 * 2**30  # bytes that a general engine may take
PARTS = ("posterior", "ranking", "conversation", "learning", "growth", "engines", "engine_ranking", "packaged", "start")
ENGINES = ("pgmpy", "pyagrum")
ENGINE_CALLBACKS = 3  # of each number of abnormal reports
HERE = Path(__file__).resolve().parent.parent


class Callback(NamedTuple):
    """Reports that are not as they should be, and checks that are: finding -> level."""

    abnormal: dict[str, int]
    normal: dict[str, int]

    @property
    def seen(self) -> dict[str, int]:
        """All of them."""
        return self.abnormal | self.normal


# --- callbacks drawn from the network --------------------------------------------------------------------------------


def sample_levels(network: Network, worlds: np.ndarray, finding: str, rng: np.random.Generator) -> np.ndarray:
    """(worlds,) a level of a finding in each configuration of the causes."""
    j = network.finding_index[finding]
    size = int(network.levels[j])
    cumulative = np.ones((len(worlds), size)) * network.leak[j, :size]
    for row in range(int(network.start[j]), int(network.start[j + 1])):
        present = worlds[:, network.link_cause[row]]
        cumulative[present] *= network.link[row, :size]
    return (rng.random(len(worlds))[:, None] >= cumulative).sum(axis=1)


def draw_callbacks(opened: Opened, counts: Sequence[int], each: int, seed: int = 20261125) -> dict[int, list[Callback]]:
    """Callbacks with exactly so many abnormal reports, ``each`` of every count (fewer where they are too rare to find), and
    with four checks near the causes in question that show nothing."""
    knowledge, network = opened.knowledge, opened.network
    rng = np.random.default_rng(seed)
    reports = [f.id for f in knowledge.of_kind(REPORT)]
    found: dict[int, list[Callback]] = {count: [] for count in counts}
    for _ in range(20):
        worlds = rng.random((40_000, len(network.causes))) < network.prior
        worlds = worlds[worlds.any(axis=1)]
        levels = np.stack([sample_levels(network, worlds, name, rng) for name in reports], axis=1)
        shown = (levels > 0).sum(axis=1)
        for count in counts:
            for row in np.flatnonzero(shown == count)[: each - len(found[count])]:
                abnormal = {name: int(level) for name, level in zip(reports, levels[row], strict=True) if level}
                found[count].append(Callback(abnormal, _normal_checks(knowledge, network, abnormal, worlds[row], rng)))
        if all(len(callbacks) == each for callbacks in found.values()):
            break
    return found


def _normal_checks(knowledge: Knowledge, network: Network, abnormal: dict[str, int], world: np.ndarray,
                   rng: np.random.Generator) -> dict[str, int]:
    """Checks linked to causes of what is abnormal that show level 0 in this world."""
    asked = {int(i) for name in abnormal for i in network.link_cause[network.rows(network.finding_index[name])]}
    near = [f.id for f in knowledge.of_kind(CHECK)
            if asked & set(network.link_cause[network.rows(network.finding_index[f.id])].tolist())]
    shuffled = rng.permutation(near).tolist()
    normal = [name for name in shuffled if sample_levels(network, world[None], name, rng)[0] == 0]
    return dict.fromkeys(normal[:NORMAL_CHECKS], 0)


def answers_of(knowledge: Knowledge, callback: Callback) -> list[Answer]:
    """The same as people say it: the customer volunteers reports, the fitter makes checks."""
    answers = [Answer(name, knowledge.findings[name].levels[level], "customer", "volunteered")
               for name, level in callback.abnormal.items()]
    return answers + [Answer(name, knowledge.findings[name].levels[0], "fitter") for name in callback.normal]


# --- timing ----------------------------------------------------------------------------------------------------------


def milliseconds(call: Callable[[], object], repeats: int) -> float:
    """Processor time, the best of ``repeats``, each of as many calls as make up about 5 ms."""
    start = time.process_time()
    call()
    inner = max(1, min(200, int(0.005 / max(time.process_time() - start, 1e-6))))
    best = float("inf")
    for _ in range(repeats):
        start = time.process_time()
        for _ in range(inner):
            call()
        best = min(best, (time.process_time() - start) / inner)
    return best * 1e3


def spread(values: Sequence[float], digits: int = 2) -> str:
    """Median [lowest to highest]."""
    return f"{statistics.median(values):.{digits}f} [{min(values):.{digits}f} to {max(values):.{digits}f}]"


def verdict(value: float, bar: float | None) -> str:
    """ok or over, with the bar."""
    if bar is None:
        return "no bar"
    return f"{'ok' if value < bar else 'OVER'} (bar {bar:g})"


def print_table(title: str, head: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """A title and columns as wide as they need to be."""
    widths = [max(len(row[i]) for row in [head, *rows]) for i in range(len(head))]
    print(f"\n{title}")
    for row in [head, ["-" * width for width in widths], *rows]:
        print("  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())
    sys.stdout.flush()


# --- our own times ---------------------------------------------------------------------------------------------------


def our_times(opened: Opened, callbacks: dict[int, list[Callback]], repeats: int) -> None:
    """Posterior of all causes on the whole network, as a triage asks for it: people, silence and all."""
    knowledge, network = opened.knowledge, opened.network
    rows, rest = [], []
    sets = [[i] for i in range(20)]
    for count, some in callbacks.items():
        if not some:
            rows.append([str(count), "none drawn", "", "", ""])
            continue
        times: list[list[float]] = [[] for _ in range(5)]
        widest = []
        for one in some:
            answers = answers_of(knowledge, one)
            evidence = read_evidence(knowledge, network, answers)
            posterior = infer(network, evidence)
            widest.append(max((group.widest for group in posterior.plan.groups), default=1))
            known = (network, evidence, posterior)
            calls = (partial(infer, network, evidence), partial(read_evidence, knowledge, network, answers),
                     partial(number_of_causes, *known), partial(likely_sets, *known), partial(probability_of_any, *known, sets))
            for found, call in zip(times, calls, strict=True):
                found.append(milliseconds(call, repeats))
        rows.append([str(count), str(len(some)), spread(times[0]), f"{statistics.median(widest):.0f}, {max(widest)}",
                     verdict(statistics.median(times[0]), BAR_MS.get(count))])
        rest.append([str(count), *(spread(some_times, 1) for some_times in times[1:])])
    title = f"Posterior of all {len(network.causes)} causes, ms"
    print_table(f"{title} (abnormal reports, {NORMAL_CHECKS} normal checks, the other reports not mentioned)",
                ["abnormal", "callbacks", "ms", "cells: median, most", ""], rows)
    print_table("What else a triage asks for, ms",
                ["abnormal", "reading the answers", "number of causes", "likely sets", "any of 20 sets"], rest)


def ranking_times(opened: Opened, callbacks: dict[int, list[Callback]], repeats: int) -> None:
    """Every candidate by gain, and the whole choice with its look-ahead, on the telephone and on site."""
    knowledge, network = opened.knowledge, opened.network
    rows = []
    for count, some in callbacks.items():
        for who in ("customer", "fitter") if some else ():
            ranked, chosen, candidates = [], [], 0
            for one in some:
                evidence = read_evidence(knowledge, network, answers_of(knowledge, one))
                known = (knowledge, network, evidence, infer(network, evidence), Situation(who=who))
                ranked.append(milliseconds(partial(rank_checks, *known), repeats))
                chosen.append(milliseconds(partial(choose, *known), repeats))
                candidates = max(candidates, len(rank_checks(*known)))
            rows.append([str(count), who, str(candidates), spread(ranked, 1),
                         verdict(statistics.median(ranked), RANKING_BAR_MS.get(count)), spread(chosen, 1)])
    print_table("Ranking every candidate check, ms", ["abnormal", "asked", "candidates", "ms", "", "with look-ahead"], rows)


def conversation_times(opened: Opened, count: int) -> None:
    """Simulated callbacks through what ``diagnose call`` does between two questions, answers put on disk and all; drawing
    the screen is left out. Where it would stop before ten questions, the next best one is put, as ``ask`` does."""
    seconds = []
    for number in range(count):
        callback = draw_callback(opened, opened.network, [QUESTIONS, number])
        if callback.volunteered:
            with tempfile.TemporaryDirectory() as folder:
                used, asked = _conversation(opened, callback, Path(folder))
            if asked == QUESTIONS:
                seconds.append(used)
    print_table(f"A conversation of {QUESTIONS} questions, s of processor time",
                ["conversations", "s", ""],
                [[str(len(seconds)), spread(seconds), verdict(statistics.median(seconds), CONVERSATION_BAR_S)]])


def _conversation(opened: Opened, callback: Drawn, folder: Path) -> tuple[float, int]:
    header, levels = opened.knowledge.header, callback.levels()
    said = [answer_to(opened, callback, levels, opened.knowledge.findings[name], "customer", "volunteered")
            for name in callback.volunteered]
    case = Case("", cases.now(), header.id, header.version, "")
    for entry in told_answers(opened, said, at=cases.now()):
        case = cases.with_answer(case, entry)
    session = Session(opened, cases.create(folder, case), Console(), "fitter")
    used, asked = 0.0, 0
    while asked < QUESTIONS:
        start = time.process_time()
        choice = choice_of(session, standing(opened, session.case))
        used += time.process_time() - start
        name = choice.ask or next((score.finding for score in choice.scores), "")
        if not name:
            break
        finding = opened.knowledge.findings[name]
        answer = answer_to(opened, callback, levels, finding, asked_of(finding, Situation(who="fitter")))
        start = time.process_time()
        entry = as_answer(finding, Reply("answer", level=answer.level), who=answer.who, at=cases.now())
        session.keep(cases.with_answer(session.case, entry))
        session.made.update(finding.set_ups)
        used += time.process_time() - start
        asked += 1
    return used, asked


# --- general engines -------------------------------------------------------------------------------------------------


def against_engines(callbacks: dict[int, list[Callback]], limit: float) -> None:
    """The same findings and the causes linked to them, as the networks stand (no people, no silence); each of us in a process
    of its own. Medians over callbacks with the lowest and the highest; MiB: the most that any of those processes held."""
    rows = []
    for count, some in callbacks.items():
        chosen = some[:ENGINE_CALLBACKS]
        if not chosen:
            continue
        ours = [run_engine("ours", one, limit) for one in chosen]
        row = [f"{count} + {len(chosen[0].normal)}", spread([one["ms"] for one in ours])]
        held, apart = [max(one["mib"] for one in ours)], 0.0
        for engine in ENGINES:
            theirs = _answers(engine, chosen, limit)
            if "failed" in theirs[-1]:
                row += [theirs[-1]["failed"], ""]
                continue
            row += [spread([one["ms"] for one in theirs], 1),
                    f"x {statistics.median([one['ms'] / own['ms'] for one, own in zip(theirs, ours, strict=True)]):,.0f}"]
            apart = max(apart, *(abs(p - own["p"][name]) for one, own in zip(theirs, ours, strict=True)
                                 for name, p in one["p"].items()))
            held.append(max(one["mib"] for one in theirs))
        rows.append([*row, f"{apart:.0e}" if len(held) > 1 else "", ", ".join(f"{mib:.0f}" for mib in held)])
    title = "Against general engines, ms for all causes linked to these findings"
    print_table(f"{title} (limits {limit:g} s, {MEMORY // 2**30} GB; building their model is not counted)",
                ["abnormal + normal", "ours", "pgmpy", "ratio", "pyagrum", "ratio", "apart", "MiB of each"], rows)


def _answers(engine: str, some: Sequence[Callback], limit: float) -> list[dict]:
    """What an engine makes of callbacks, up to the first at which it fails."""
    found: list[dict] = []
    for one in some:
        found.append(run_engine(engine, one, limit))
        if "failed" in found[-1]:
            break
    return found


def run_engine(engine: str, callback: Callback, limit: float) -> dict:
    """Time, posteriors and memory of an engine in a process of its own, or why there are none."""
    command = [sys.executable, "-W", "ignore", "-m", "tests.benchmark", "--engine", engine, "--seen", json.dumps(callback.seen)]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=limit, cwd=HERE, check=False)
    except subprocess.TimeoutExpired:
        return {"failed": f"did not finish in {limit:g} s"}
    if done.returncode != 0:
        last = (done.stderr.strip().splitlines() or ["killed"])[-1]
        return {"failed": "out of memory" if "emory" in last or done.returncode < 0 else last[:40]}
    return dict(json.loads(done.stdout.splitlines()[-1]))


def engine_process(engine: str, seen: dict[str, int]) -> None:
    """One engine on one callback; prints its best time, its posteriors and the most MiB it held as JSON."""
    if sys.platform != "win32":
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    network = open_network("head_unit").network
    if engine == "ours":
        evidence = plain_evidence(network, dict(seen))
        linked = {i for name in seen for i in network.link_cause[network.rows(network.finding_index[name])].tolist()}
        infers = partial(infer, network, evidence, somebody_called=False)
        p = infers().p
        own = {network.causes[i]: float(p[i]) for i in linked}
        print(json.dumps({"ms": milliseconds(infers, 7), "p": own, "mib": most_held()}))
        return
    from tests.outside import engines

    tables = engines.pruned_tables(network, seen)
    if engine == "pgmpy":
        ask = partial(engines.pgmpy_posteriors, engines.pgmpy_engine(network, list(seen)), tables.priors, seen)
    else:
        ask = partial(engines.agrum_posteriors, engines.agrum_network(tables), tables.priors, seen)
    found = ask()
    print(json.dumps({"ms": milliseconds(ask, 3), "p": found, "mib": most_held()}))


def most_held() -> float:
    """The most memory that this process ever held, MiB; nan where the system does not count it. Linux tells it apart from
    that of the process it was started from, elsewhere it is at least that."""
    with contextlib.suppress(OSError):
        for line in Path("/proc/self/status").read_text(encoding="ascii").splitlines():
            if line.startswith("VmHWM:"):
                return int(line.split()[1]) / 2**10
    if sys.platform == "win32":
        return float("nan")
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (2**20 if sys.platform == "darwin" else 2**10)


# --- the command -----------------------------------------------------------------------------------------------------


def main() -> None:
    """Runs all parts, or the ones named."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmark", description=__doc__)
    parser.add_argument("parts", nargs="*", metavar="PART", help=f"{', '.join(PARTS)} (all if none is named)")
    parser.add_argument("--repeats", type=int, default=7, help="of each measurement (default 7)")
    parser.add_argument("--limit", type=float, default=120.0, help="seconds for a general engine (default 120)")
    parser.add_argument("--engine", choices=("ours", *ENGINES), help=argparse.SUPPRESS)
    parser.add_argument("--seen", type=json.loads, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if set(given.parts) - set(PARTS):
        parser.error(f"the parts are {', '.join(PARTS)}")
    if any(os.environ.get(name) != value for name, value in ONE_THREAD.items()):  # must stand before numpy is loaded
        again = [sys.executable, "-m", "tests.benchmark", *sys.argv[1:]]
        sys.exit(subprocess.call(again, cwd=HERE, env=os.environ | ONE_THREAD))
    if given.engine:
        engine_process(given.engine, given.seen)
        return
    parts = given.parts or PARTS
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {max(os.sched_getaffinity(0))})
    opened = open_network("head_unit")
    network = opened.network
    load = f"; load before {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else ""
    print(f"Python {platform.python_version()}, numpy {np.__version__}, {platform.machine()}{load}")
    print(f"network {opened.knowledge.header.id} {opened.knowledge.header.version}: {len(network.causes)} causes, "
          f"{len(network.findings)} findings, {len(network.link)} links")
    drawn = {"posterior", "ranking", "engines", "engine_ranking"} & set(parts)
    callbacks = draw_callbacks(opened, ABNORMAL, CALLBACKS) if drawn else {}
    if "posterior" in parts:
        our_times(opened, callbacks, given.repeats)
    if "ranking" in parts:
        ranking_times(opened, callbacks, given.repeats)
    if "conversation" in parts:
        conversation_times(opened, 3 * CALLBACKS)
    if "learning" in parts:
        from tests.benchmark_learning import against_libraries, learning

        learning()
        against_libraries(opened, min(given.repeats, 3))
    if "growth" in parts:
        from tests.benchmark_growth import ABNORMAL as SIX
        from tests.benchmark_growth import growth

        print_table(f"The network growing, {SIX} abnormal reports, ms",
                    ["causes", "links", "callbacks", "posterior", "x the first", "ranking", "x the first"],
                    growth(draw_callbacks, milliseconds, given.repeats))
    if "engines" in parts:
        against_engines(callbacks, given.limit)
    if "engine_ranking" in parts:
        from tests.benchmark_growth import ranking_by_engines

        print_table("Ranking every check with general engines (ours in ms)",
                    ["abnormal + normal", "checks", "ours", "pgmpy", "ratio", "pyagrum", "ratio"],
                    ranking_by_engines(opened, callbacks, given.repeats, given.limit))
    if "packaged" in parts:
        from tests.benchmark_growth import packaged_parts

        print_table("Two-layer noisy-OR parts of networks packaged with pgmpy, ms for all causes",
                    ["network", "causes", "findings", "links", "ours", "pgmpy", "ratio", "apart"],
                    packaged_parts(given.repeats))
    if "start" in parts:
        from tests.benchmark_start import start_up

        start_up(2 * given.repeats + 1)


if __name__ == "__main__":
    main()
