"""The screen of simulated callbacks: a bar of progress on stderr, a table of policies with bars."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from diagnose.screens import NARROW, _grid, _heading, _lines, console, emit, plain, source_line

if TYPE_CHECKING:
    from diagnose.network import Opened
    from diagnose.simulate import Calibration, Interval, Simulation

CELLS = 24


@contextmanager
def progress(total: int) -> Iterator[Callable[[], None]]:
    """A bar on stderr while callbacks run, where that is a terminal; gives what is to be called after each."""
    import sys

    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    out = console(sys.stderr)
    columns = (TextColumn("callbacks"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=out, transient=True, disable=not out.is_terminal) as shown:
        task = shown.add_task("callbacks", total=total)
        yield lambda: shown.advance(task)


def show_simulation(out: Console, found: Simulation, opened: Opened) -> None:
    """Minutes of every policy with interval and bar, what they asked and got wrong, the difference to the first, and how
    well probabilities agree with what was so."""
    def draw(inner: Console) -> None:
        source = "the network as it is" if not found.spread else f"networks moved by {found.spread:g} in log odds"
        _heading(inner, f"{found.cases} simulated callbacks, {plain(found.network)}")
        begins = f"beginning with the {found.who}; a search takes {found.search_minutes:g} min"
        _lines(inner, [f"drawn from {source}, seed {found.seed}", begins], mark="", style="dim")
        longest = max(score.minutes.high for score in found.scores)
        rows = []
        for score in found.scores:
            row = [Text(score.policy.replace("_", " ")), Text(_interval(score.minutes))]
            if inner.width >= NARROW:
                row.append(_bar(score.minutes, longest))
            rows.append(row)
        _heading(inner, "minutes until everything works (95 % interval)")
        _grid(inner, rows)
        _heading(inner, "per callback")
        table = [[Text(name, style="dim") for name in ("", "questions", "wrong remedies", "searches", "unsafe asks (all)")]]
        for s in found.scores:
            figures = (f"{s.questions:.1f}", f"{s.wrong:.2f}", f"{s.searched:.2f}")
            unsafe = Text(str(s.unsafe), style="bold red" if s.unsafe else "")
            table.append([Text(s.policy.replace("_", " ")), *(Text(figure) for figure in figures), unsafe])
        _grid(inner, table, right=[1, 2, 3, 4])
        others = [s for s in found.scores if s.more]
        if others:
            _heading(inner, f"minutes more than {found.scores[0].policy.replace('_', ' ')}, same callbacks")
            _grid(inner, [[Text(s.policy.replace("_", " ")), Text(_interval(s.more, signed=True))] for s in others if s.more])
        _heading(inner, "expected calibration error of the likeliest cause")
        _lines(inner, [f"reports alone: {_calibration(found.reports)}", f"after asking: {_calibration(found.conversation)}"])
        header = opened.knowledge.header
        inner.print()
        _lines(inner, [source_line(opened.speaks_from, header.id, header.version)], mark="", style="dim")

    emit(out, draw)


def _interval(figure: Interval, *, signed: bool = False) -> str:
    sign = "+" if signed else ""
    return f"{figure.mean:{sign}.1f} ({figure.low:{sign}.1f} to {figure.high:{sign}.1f})"


def _bar(figure: Interval, longest: float) -> Text:
    """A bar up to the mean, with the interval drawn across its end."""
    low, mean, high = (min(CELLS, max(0, round(CELLS * value / longest))) if longest > 0 else 0
                       for value in (figure.low, figure.mean, figure.high))
    text = "".join("|" if x == mean else "-" if low <= x <= high else "=" if x < mean else " " for x in range(CELLS + 1))
    return Text(text, style="cyan")


def _calibration(figure: Calibration) -> str:
    return (f"{figure.error:.3f} over {figure.cases} callbacks (chance alone gives {figure.by_chance:.3f}, "
            f"so truly {figure.low:.3f} to {figure.high:.3f}); stated {figure.mean_top:.2f}, right {figure.hit_rate:.2f}")
