"""A part of ``python -m tests.benchmark``: learning as the log grows, with its memory."""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Iterator, Sequence

import numpy as np

from diagnose.caserecord import Case
from diagnose.network import Opened
from diagnose.review import lesson, read_log
from tests.benchmark import print_table, verdict
from tests.simulated_cases import simulated

BAR_LEARNING_S = 10.0  # 10,000 cases: design section 9
LOGS = (1_000, 2_000, 4_000, 10_000)


def learning(opened: Opened, sizes: Sequence[int] = LOGS) -> None:
    """Counting and fitting logs of growing length; memory: the most that counting held at once, cases come one by one."""
    rows, first = [], 0.0
    for size in sizes:
        began = time.process_time()
        log = read_log(opened, _cases(opened, size), expected=size)
        drawing = time.process_time() - began
        began = time.process_time()
        for _ in _cases(opened, size):
            pass
        counting = max(drawing - (time.process_time() - began), 0.0)
        began = time.process_time()
        lesson(opened, log)
        fitting = time.process_time() - began
        first = first or (counting + fitting) / size
        rows.append([f"{size:,}", f"{counting:.1f}", f"{fitting:.1f}", f"{(counting + fitting) / size / first:.2f}",
                     f"{_memory(opened, min(size, 4_000)) / 2**20:.1f}" if size <= 4_000 else "",
                     verdict(counting + fitting, BAR_LEARNING_S if size == 10_000 else None)])
    print_table("Learning from simulated logs, s",
                ["cases", "counting", "fitting and judging", "each, x the first", "MiB while counting", ""], rows)


def _cases(opened: Opened, size: int) -> Iterator[Case]:
    return iter(simulated(opened, size, np.random.default_rng(12)))


def _memory(opened: Opened, size: int) -> int:
    tracemalloc.start()
    try:
        read_log(opened, _cases(opened, size), expected=size)
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
