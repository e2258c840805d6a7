"""The measuring tools themselves, where a mistake would make every figure wrong."""

from __future__ import annotations

import os
import sys

import pytest

from tests.benchmark import milliseconds, most_held, spread, verdict
from tests.benchmark_start import held_by, run_process


def test_a_line_has_the_median_and_both_ends() -> None:
    assert spread([3.0, 1.0, 2.0, 10.0], 1) == "2.5 [1.0 to 10.0]"
    assert (verdict(1.0, 2.0), verdict(2.0, 1.0), verdict(1.0, None)) == ("ok (bar 2)", "OVER (bar 1)", "no bar")


def test_time_is_that_of_one_call() -> None:
    """A hundred times the work takes many times as long, however often each is repeated."""
    def work(count: int) -> float:
        return milliseconds(lambda: sum(range(count)), 3)

    assert 10 < work(200_000) / work(2_000) < 1000


@pytest.mark.skipif(not os.path.exists("/proc/self/status"), reason="the system does not tell")
def test_memory_is_that_of_the_process_alone() -> None:
    """Not that of the one it was started from, which holds more."""
    large = bytearray(b"x") * (200 << 20)
    nothing, some = (int(held_by([sys.executable, "-c", code], dict(os.environ))) for code in
                     ("pass", "x = bytearray(b'x') * (60 << 20)"))
    assert nothing < 30 and 58 < some - nothing < 75
    assert most_held() > len(large) / 2**20


def test_a_process_that_fails_says_why() -> None:
    used = run_process([sys.executable, "-c", "raise SystemExit('no such thing')"], dict(os.environ))
    assert used.failed == "no such thing"
    fine = run_process([sys.executable, "-c", "pass"], dict(os.environ))
    assert fine.failed == "" and 0 < fine.work <= fine.clock * 1.5
