"""The commands that look back on the log: learn from it, review it."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from diagnose.cli_call import JsonOption, NetworkOption, StoreOption, opened_in_force, print_json, write_text
from diagnose.knowledge import DEFAULT_NETWORK
from diagnose.source import complaint

if TYPE_CHECKING:
    from diagnose.learn import Statistics
    from diagnose.network import Opened
    from diagnose.review import Log

HalfLifeOption = Annotated[float | None, typer.Option("--half-life", metavar="DAYS", min=1, max=100_000,
                                                      help="A case counts half as much after so many days.")]
AsOfOption = Annotated[str, typer.Option("--as-of", metavar="DAY", help="Count those days back from this day, not from now.")]
StrengthOption = Annotated[float | None, typer.Option(metavar="CASES", min=1, max=100_000, help="How many cases each number of "
                                                      "the files is worth; without it what the network says.")]


def learn(
    half_life: HalfLifeOption = None,
    as_of: AsOfOption = "",
    strength: StrengthOption = None,
    anyway: Annotated[bool, typer.Option("--anyway", help="Use the values even if they are refused.")] = False,
    undo: Annotated[bool, typer.Option("--undo", help="Take the learned values away.")] = False,
    partial: Annotated[Path | None, typer.Option(metavar="FILE", help="Only write the counts to a file, to be merged "
                                                 "elsewhere; there are no cases in it.")] = None,
    merge: Annotated[list[Path] | None, typer.Option(metavar="FILE", help="Counts from elsewhere; may be repeated.")] = None,
    network: NetworkOption = DEFAULT_NETWORK,
    as_json: JsonOption = False,
    store: StoreOption = None,
) -> None:
    """Learn from the closed cases: the files' numbers move by your own work, if that makes predictions better."""
    from diagnose import case as cases
    from diagnose import overlay, screens, screens_learn
    from diagnose.learn import added, statistics_of
    from diagnose.network import open_network
    from diagnose.review import lesson

    folder, why = cases.store_path(store)
    where = f"{folder} ({why})"
    if undo:
        there = overlay.remove_overlay(folder) if folder.is_dir() else False
        done = f"the learned values in {where} are taken away" if there else f"there are no learned values in {where}"
        if as_json:
            print_json({"schema": 1, "undone": there, "folder": str(folder)})
        else:
            screens.tell([f"{done}; the files answer"])
        return
    opened = open_network(network)
    start = added([statistics_of(opened), *(overlay.read_counts(path) for path in merge or [])])
    log = _log_of(opened, folder, half_life, as_of, strength=strength, start=start)
    if partial is not None:
        write_text(partial, overlay.counts_text(log.statistics))
        screens.show_problems([f"counts of {log.statistics.cases} cases written to {partial}"])
        return
    found = lesson(opened, log, strength=strength)
    applied = (found.verdict.accepted or anyway) and found.statistics.cases > 0
    before = (folder / overlay.FILE).exists()
    file = overlay.write_overlay(folder, found.overlay) if applied else None
    if as_json:
        print_json({
            "schema": 1, "network": opened.knowledge.header.id, "folder": str(folder), **_counted(log),
            "taught": found.statistics.cases, "verdict": found.verdict, "applied": applied, "file": str(file or ""),
            "overlay": {name: getattr(found.overlay, name) for name in ("knowledge", "expert", "log", "half_life", "as_of",
                                                                        "strength")}, "moved": found.moved})
        return
    screens_learn.show_lesson(screens.console(), opened.knowledge, log, found, folder=where, file=str(file or ""),
                              before=before)


def review(
    half_life: HalfLifeOption = None,
    as_of: AsOfOption = "",
    strength: StrengthOption = None,
    questions: Annotated[int, typer.Option(metavar="CASES", min=0, max=100_000, help="How many cases are gone through again "
                                           "with the tool's order of questions (a few seconds for 20).")] = 20,
    network: NetworkOption = DEFAULT_NETWORK,
    as_json: JsonOption = False,
    store: StoreOption = None,
) -> None:
    """Look back on the closed cases: how often it was right, how far its numbers can be trusted, what the files lack."""
    from diagnose import case as cases
    from diagnose import review as look_back
    from diagnose import screens, screens_learn
    from diagnose.network import open_network

    folder, why = cases.store_path(store)
    opened = open_network(network)
    log = _log_of(opened, folder, half_life, as_of, strength=strength)
    found = look_back.review(opened, log, asked=questions)
    if as_json:
        parts = found._asdict()
        del parts["log"]
        print_json({"schema": 1, "network": opened.knowledge.header.id, "folder": str(folder), **_counted(log), **parts})
        return
    screens_learn.show_review(screens.console(), opened_in_force(network, store), found, folder=f"{folder} ({why})")


def _log_of(opened: Opened, folder: Path, half_life: float | None, as_of: str, *, strength: float | None,
            start: Statistics | None = None) -> Log:
    """The log in a folder; files that cannot be read are named on stderr and left out."""
    from diagnose import case as cases
    from diagnose import screens
    from diagnose.review import read_log
    from diagnose.source import Problem

    if as_of and half_life is None:
        raise complaint("a day alone changes nothing", "give --half-life too", key="--as-of")
    at = _moment(as_of) if as_of else cases.now()
    problems: list[Problem] = []
    log = read_log(opened, cases.iterate(folder, problems), expected=cases.count(folder), half_life=half_life or 0.0,
                   as_of=at if half_life else "", strength=strength, start=start)
    screens.show_problems(problems)
    return log


def _moment(text: str) -> str:
    """A day or a time as ISO 8601 with its offset; the beginning of the day here if none is said."""
    try:
        return datetime.fromisoformat(text).astimezone().isoformat(timespec="seconds")
    except (ValueError, OverflowError, OSError) as error:
        raise complaint(f"{text[:40]!r} is no day", "write it like 2026-11-25", key="--as-of") from error


def _counted(log: Log) -> dict[str, Any]:
    return {"cases": log.cases, "left_out": log.left_out, "spent": log.spent, "lacking": log.lacking,
            "unlisted": [{"case": case, "words": words} for case, words in log.unlisted]}


def register(app: typer.Typer) -> None:
    """Hang the commands on the program."""
    app.command(short_help="Let your closed cases move the numbers of the files.",
                epilog="Example: diagnose learn --half-life 365")(learn)
    app.command(short_help="Look back: how often was it right, what do the files lack.",
                epilog="Example: diagnose review")(review)
