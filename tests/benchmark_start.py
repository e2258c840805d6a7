"""A part of ``python -m tests.benchmark``: what a whole process costs, against processes that only import."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from typing import NamedTuple

from tests.benchmark import HERE, print_table, spread, verdict

START_BARS = {"floor": 1.5, "pgmpy": 0.25}  # triage against a process that only imports; design section 9
WORDS = "forgets its stations every night"
HELD = """
import runpy, sys
how, sys.argv = sys.argv[1], sys.argv[2:]
try:
    exec(sys.argv[0]) if how == "-c" else runpy.run_module(sys.argv[0], run_name="__main__", alter_sys=True)
except SystemExit:
    pass
for line in open("/proc/self/status"):
    if line.startswith("VmHWM:"):
        print(line.split()[1], file=sys.stderr)
"""  # the same program, which then says how much it held


class Used(NamedTuple):
    """Clock and processor time of a process in ms (clock for both where processor time is not counted), and why it failed, or
    ''."""

    clock: float
    work: float
    failed: str


def run_process(command: Sequence[str], environment: dict[str, str]) -> Used:
    """A whole process, its answer thrown away."""
    start = time.perf_counter()
    with tempfile.TemporaryFile() as said:
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=said, cwd=HERE, env=environment)
        if hasattr(os, "wait4"):
            _, status, used = os.wait4(process.pid, 0)
            process.returncode = os.waitstatus_to_exitcode(status)
            clock, work = time.perf_counter() - start, used.ru_utime + used.ru_stime
        else:
            process.wait()
            clock = work = time.perf_counter() - start
        said.seek(0)
        last = (said.read().decode(errors="replace").strip().splitlines() or ["failed"])[-1][:60]
    return Used(clock * 1e3, work * 1e3, last if process.returncode else "")


def held_by(command: Sequence[str], environment: dict[str, str]) -> str:
    """The most MiB that a process holds; '' where the system does not tell."""
    at = next(place for place, word in enumerate(command) if word in ("-c", "-m"))
    done = subprocess.run([*command[:at], "-c", HELD, *command[at:]], capture_output=True, text=True, cwd=HERE, env=environment,
                          check=False)
    said = (done.stderr.strip().splitlines() or [""])[-1]
    return f"{int(said) / 2**10:.0f}" if done.returncode == 0 and said.isdecimal() else ""


def start_up(repeats: int) -> None:
    """A whole triage as a process against processes that only import, in turn so that a busy machine hits all alike."""
    commands = {
        "python alone": [sys.executable, "-c", "pass"],
        "imports numpy, typer, rich, yaml": [sys.executable, "-c", "import numpy, typer, rich, yaml"],
        "triage": [sys.executable, "-m", "diagnose", "triage", WORDS],
        "triage as JSON": [sys.executable, "-m", "diagnose", "triage", WORDS, "--json"],
        "imports pgmpy.models": [sys.executable, "-W", "ignore", "-c", "import pgmpy.models"],
    }
    with tempfile.TemporaryDirectory() as compiled:  # as after an installation: every module compiled once, by the first round
        environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
        environment["PYTHONPYCACHEPREFIX"] = compiled
        _time_processes(commands, environment, repeats)


def _time_processes(commands: dict[str, list[str]], environment: dict[str, str], repeats: int) -> None:
    found: dict[str, list[Used]] = {name: [] for name in commands}
    for number in range(repeats + 1):
        for name, command in commands.items():
            used = run_process(command, environment)
            if number:  # the first round warms the caches
                found[name].append(used)
    medians = {name: statistics.median([one.work for one in some]) for name, some in found.items() if not some[0].failed}
    floor, heavy = medians["imports numpy, typer, rich, yaml"], medians.get("imports pgmpy.models", float("nan"))
    rows = []
    for name, some in found.items():
        if some[0].failed:
            rows.append([name, some[0].failed, "", "", "", "", ""])
            continue
        ratio, share = medians[name] / floor, medians[name] / heavy
        said = f"floor {verdict(ratio, START_BARS['floor'])}, pgmpy {verdict(share, START_BARS['pgmpy'])}"
        rows.append([name, spread([one.work for one in some], 0), spread([one.clock for one in some], 0), f"{ratio:.2f}",
                     f"{share:.2f}", held_by(commands[name], environment), said if name == "triage" else ""])
    print_table(f"Starting up, a whole process, warm (median of {repeats}; ratios of processor time)",
                ["process", "processor ms", "clock ms", "x floor", "x pgmpy", "MiB", ""], rows)
