"""The commands of the log: close a case, list, show, reopen, import and export."""

from __future__ import annotations

import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeVar

import typer

from diagnose import completion
from diagnose.cli_call import (
    CaseArgument,
    CaseNetworkOption,
    JsonOption,
    NetworkOption,
    StoreOption,
    open_case,
    print_json,
    say_where,
    write_text,
)
from diagnose.knowledge import DEFAULT_NETWORK
from diagnose.source import InputError, complaint
from diagnose.wording import proper_text

if TYPE_CHECKING:
    from diagnose.caserecord import Case
    from diagnose.network import Opened

Answered = TypeVar("Answered")
MOST_NAMED = 5  # causes in words that an import names
cases_app = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="The log of callbacks.")


def close(
    case: CaseArgument,
    cause: Annotated[list[str] | None, typer.Option(metavar="ID", help="A cause that was found; may be repeated.",
                                                     autocompletion=completion.causes)] = None,
    not_found: Annotated[bool, typer.Option("--not-found", help="No cause was found.")] = False,
    unlisted: Annotated[str, typer.Option(metavar="WORDS", help="The cause in words, if the files do not list it.")] = "",
    put_right: Annotated[bool | None, typer.Option("--put-right/--not-put-right", help="Does everything work now?")] = None,
    verified: Annotated[str | None, typer.Option(metavar="WORDS", help="How that was made sure.")] = None,
    minutes: Annotated[float | None, typer.Option(metavar="MIN", min=0, max=10_000, help="Minutes of work on site.")] = None,
    part: Annotated[list[str] | None, typer.Option(metavar="ID", help="A part that was used; may be repeated.",
                                                    autocompletion=completion.parts)] = None,
    network: CaseNetworkOption = "",
    as_json: Annotated[bool, typer.Option("--json", help="Print the case as JSON; nothing is asked.")] = False,
    store: StoreOption = None,
) -> None:
    """Close a case: the cause found, what put it right, how that was verified. Asks for what is missing."""
    from diagnose import case as cases
    from diagnose import screens
    from diagnose.conversation import find_cause
    from diagnose.source import nearest

    opened, file = open_case(case, store, network)
    if file.case.status == cases.CLOSED:
        raise complaint(f"the case {file.case.id} is closed", f"open it again first: diagnose cases reopen {file.case.id}")
    parts = opened.knowledge.header.parts
    for name in part or []:
        if name not in parts:
            raise complaint(f"there is no part {name[:40]!r}", nearest(name, parts), key="--part")
    confirmed = list(dict.fromkeys(find_cause(opened, name) for name in cause or []))
    if bool(confirmed) + not_found + bool(unlisted) > 1:  # before anything is asked
        raise complaint("a case is closed with causes that were found, as not found, or with a cause in words",
                        "give one of --cause, --not-found, --unlisted", key="close")
    if as_json:
        _nothing_missing(bool(confirmed or not_found or unlisted), put_right, verified, minutes)
    if not (confirmed or not_found or unlisted):
        confirmed, not_found, unlisted = _ask_cause(opened, file.case)
    if put_right is None:
        put_right = _ask("does everything work now? (yes, no)", "--put-right or --not-put-right", _yes_or_no)
    now = file.case
    if sys.stdin.isatty() and not as_json:
        now = _with_remedies(opened, now, confirmed) if put_right else _with_what_is_left(opened, now)
    if verified is None:
        hint = opened.knowledge.causes[confirmed[0]].remedy.verified if confirmed else ""
        example = f" (for example: {hint})" if hint else ""
        verified = _ask(f"how was it made sure?{example}", "--verified", str) if put_right else ""
    if minutes is None:
        minutes = _ask("minutes of work on site? (Enter: not known)", "--minutes", _minutes, empty=True)
    closed = cases.closed_as(now, at=cases.now(), fully_put_right=put_right, confirmed=confirmed, not_found=not_found,
                             unlisted=unlisted, verified=verified, minutes=minutes, parts=part or ())
    file = cases.save(file, closed)
    if as_json:
        print_json({"schema": 1, "file": str(file.path), "case": closed})
        return
    screens.tell([f"case {closed.id} closed: {', '.join(confirmed) or unlisted or 'not found'}"])


def _nothing_missing(ended: bool, put_right: bool | None, verified: str | None, minutes: float | None) -> None:
    """InputError for the first thing that would have to be asked: where JSON is wanted, nobody is."""
    for there, option in ((ended, "--cause, --not-found or --unlisted"),
                          (put_right is not None, "--put-right or --not-put-right"),
                          (verified is not None or not put_right, "--verified"), (minutes is not None, "--minutes")):
        if not there:
            raise complaint("something is missing, and with --json nobody is asked", f"give {option}", key="close")


def _minutes(text: str) -> float | None:
    if not text:
        return None
    try:
        number = float(text)
    except ValueError:
        number = -1.0
    if not 0 <= number <= 10_000:
        raise complaint(f"{text[:20]!r} is no number of minutes", "give a number from 0 to 10000", key="minutes")
    return number


def _yes_or_no(text: str) -> bool:
    if text.lower() not in ("yes", "y", "no", "n"):
        raise complaint(f"{text[:20]!r} is neither yes nor no", "answer yes or no")
    return text.lower().startswith("y")


def _ask(prompt: str, option: str, read: Callable[[str], Answered], *, empty: bool = False) -> Answered:
    """An answer from the terminal, asked again until ``read`` takes it; InputError that names the option where nobody can be
    asked, or the input ends; interrupted, as there, nothing is written, and that is said. empty: an empty line is an answer."""
    from diagnose import screens

    if not sys.stdin.isatty():
        raise complaint("something is missing and nobody can be asked here", f"give {option}", key="close")
    while True:
        screens.tell([prompt])
        try:
            answer = proper_text(input("> "))
        except EOFError as error:
            print()
            raise complaint("the input ended; nothing was changed, the case stays open", "close it again",
                            key="close") from error
        except KeyboardInterrupt:
            print("\nnothing was changed, the case stays open")
            raise
        try:
            if answer or empty:
                return read(answer)
        except InputError as error:
            screens.show_problems(error.problems)


def _ask_cause(opened: Opened, case: Case) -> tuple[list[str], bool, str]:
    from diagnose import screens, screens_call
    from diagnose.conversation import find_cause
    from diagnose.session import standing

    try:
        ranking = [ranked.cause for ranked in standing(opened, case).triage.ranking]
    except InputError:  # answers that cannot all be true, or that the files no longer know: it can be closed all the same
        ranking = []
    screens_call.show_numbered(screens.console(), [opened.knowledge.causes[name].title for name in ranking])

    def understood(text: str) -> tuple[list[str], bool, str]:
        if text.lower() == "not found":
            return [], True, ""
        if text.lower().startswith("other:") and text[6:].strip():
            return [], False, text[6:].strip()
        names = [one.strip() for one in text.split(",") if one.strip()]
        for name in names:
            if name.isdecimal() and not (len(name) < 4 and 0 < int(name) <= len(ranking)):
                raise complaint(f"there is no number {name[:9]} in the list", "give one of it, an id or words of a cause")
        chosen = [ranking[int(name) - 1] if name.isdecimal() else find_cause(opened, name) for name in names]
        if not chosen:
            raise complaint("no cause is named", "give a number, an id, 'not found', or 'other:' and a few words")
        return list(dict.fromkeys(chosen)), False, ""

    return _ask("what was it? (numbers, ids or words, separated by commas; 'not found'; 'other: words')", "--cause",
                understood)


def _with_remedies(opened: Opened, case: Case, confirmed: list[str]) -> Case:
    """The case with what put each confirmed cause right, asked where no remedy of it is written down as having done so; one
    that helped only in part has left something to be put right."""
    from diagnose import case as cases
    from diagnose.caserecord import CURED, PARTLY, RemedyTried

    for name in confirmed:
        outcomes = {tried.outcome for tried in case.remedies if tried.cause == name}
        if CURED not in outcomes:
            cause = opened.knowledge.causes[name]
            asked = "it helped in part; what put the rest right?" if PARTLY in outcomes else "what put it right?"
            words = _ask(f"{cause.title}: {asked} (Enter: {cause.remedy.summary})", "--cause", str, empty=True)
            case = cases.with_remedy(case, RemedyTried(name, CURED, cases.now(), "fitter", note=words))
    return case


def _with_what_is_left(opened: Opened, case: Case) -> Case:
    """The case with a note of what is still wrong, asked where a remedy helped in part and nothing put the rest right."""
    from diagnose import case as cases
    from diagnose.caserecord import CURED, PARTLY

    cured = {tried.cause for tried in case.remedies if tried.outcome == CURED}
    for name in dict.fromkeys(tried.cause for tried in case.remedies if tried.outcome == PARTLY and tried.cause not in cured):
        title = opened.knowledge.causes[name].title if name in opened.knowledge.causes else name
        words = _ask(f"{title}: it helped in part; what remained? (Enter: nothing to add)", "--not-put-right", str, empty=True)
        if words:
            case = cases.with_note(case, f"{title}: helped in part; what remained: {words}", at=cases.now())
    return case


@cases_app.command("list", short_help="List the cases of the log, newest last.",
                   epilog="Example: diagnose cases list --status open")
def list_cases(
    status: Annotated[str, typer.Option(metavar="STATUS", help="Only open or closed ones.",
                                         autocompletion=completion.words("open", "closed"))] = "",
    cause: Annotated[str, typer.Option(metavar="ID", help="Only those in which this cause was confirmed: id or words.",
                                        autocompletion=completion.causes)] = "",
    since: Annotated[str, typer.Option(metavar="DAY", help="Only those opened on this day (2026-11-25) or later.")] = "",
    network: NetworkOption = DEFAULT_NETWORK,
    as_json: JsonOption = False,
    store: StoreOption = None,
) -> None:
    """List the cases of the log, newest last; files that cannot be read are named on stderr."""
    from diagnose import case as cases
    from diagnose import screens, screens_call
    from diagnose.source import Problem, nearest

    if status not in ("", cases.OPEN, cases.CLOSED):
        raise complaint(f"there is no status {status[:40]!r}", nearest(status, (cases.OPEN, cases.CLOSED)), key="--status")
    first = _day(since) if since else ""
    folder, why = cases.store_path(store)
    problems: list[Problem] = []
    found = [c for c in cases.iterate(folder, problems) if status in ("", c.status) and c.opened[:10] >= first]
    if cause:
        found = _with_cause(found, cause, network)
    if as_json:
        keys = ("opened", "status", "reference", "confirmed", "not_found", "unlisted", "minutes")
        rows = [{"case": c.id, **{key: getattr(c, key) for key in keys}} for c in found]
        print_json({"schema": 1, "folder": str(folder), "cases": rows})
    else:
        screens_call.show_cases(screens.console(), found, folder=f"{folder} ({why})")
    screens.show_problems(problems)


def _day(text: str) -> str:
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError as error:
        raise complaint(f"{text[:40]!r} is no day", "write it like 2026-11-25", key="--since") from error


def _with_cause(found: list[Case], cause: str, network: str) -> list[Case]:
    """The cases in which a cause was confirmed; InputError for one that neither a case nor the network has."""
    from diagnose.conversation import find_cause
    from diagnose.network import open_network

    name = cause if any(cause in case.confirmed for case in found) else find_cause(open_network(network), cause)
    return [case for case in found if name in case.confirmed]


@cases_app.command("show", epilog="Example: diagnose cases show 20261125-0930")
def show_case(
    case: CaseArgument,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON instead of the file's text.")] = False,
    store: StoreOption = None,
) -> None:
    """Show a case as it is on disk."""
    from diagnose import case as cases
    from diagnose import screens, screens_call

    folder, why = cases.store_path(store)
    file = cases.load(folder, case)
    say_where(file.case, folder, why)
    if as_json:
        print_json({"schema": 1, "file": str(file.path), "case": file.case})
        return
    screens_call.show_file(screens.console(), cases.to_text(file.case))


@cases_app.command("reopen", short_help="Open a closed case again.", epilog="Example: diagnose cases reopen 20261125-0930")
def reopen(
    case: CaseArgument,
    as_json: JsonOption = False,
    store: StoreOption = None,
) -> None:
    """Open a closed case again; how it had been closed is kept in a note."""
    from diagnose import case as cases

    folder, why = cases.store_path(store)
    file = cases.load(folder, case)
    say_where(file.case, folder, why)
    file = cases.save(file, cases.reopened(file.case, at=cases.now()))
    if as_json:
        print_json({"schema": 1, "file": str(file.path), "case": file.case})
        return
    print(f"case {file.case.id} is open again")


@cases_app.command("import", short_help="Take old jobs from a table into the log.",
                   epilog="Example: diagnose cases import old-jobs.csv --mapping old-jobs.yaml --dry-run")
def import_table(
    table: Annotated[Path, typer.Argument(metavar="TABLE", help="A CSV file with one old job a row.")],
    mapping: Annotated[Path | None, typer.Option(metavar="FILE", help="A YAML file that says what its columns are (see the "
                                                 "README); without it the table is one that export wrote.")] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only say what would be taken.")] = False,
    skip_bad: Annotated[bool, typer.Option("--skip-bad", help="Leave rows out that cannot be read.")] = False,
    network: NetworkOption = DEFAULT_NETWORK,
    as_json: JsonOption = False,
    store: StoreOption = None,
) -> None:
    """Take old jobs from a table into the log: all or, if one cannot be read, none; those already there are left out."""
    from diagnose import case as cases
    from diagnose import screens, transfer
    from diagnose.network import open_network

    opened = open_network(network)
    columns = transfer.read_mapping(mapping, opened) if mapping else transfer.EXPORTED
    found, problems = transfer.read_table(table, columns, opened)
    folder, why = cases.store_path(store)
    if problems and not (skip_bad or dry_run):
        rows = len({problem.line for problem in problems})
        screens.show_problems([f"nothing was taken; mend the table, or leave {_rows(rows)} out with --skip-bad"])
        raise InputError(problems)
    screens.show_problems(problems)
    fresh, twice = transfer.new_ones(found, cases.iterate(folder, []))
    if not dry_run:
        fresh = [cases.create(folder, one).case for one in fresh]
    if as_json:
        print_json({"schema": 1, "folder": str(folder), "dry_run": dry_run, "taken": len(fresh),
                    "cases": [one.id for one in fresh if one.id], "there_already": twice,
                    "unreadable": len({problem.line for problem in problems}),
                    "not_found": sum(one.not_found for one in fresh), "unlisted": sum(bool(one.unlisted) for one in fresh),
                    "not_put_right": sum(one.status == cases.CLOSED and not one.fully_put_right for one in fresh)})
        return
    _say_taken(fresh, twice, len({problem.line for problem in problems}), "would be taken" if dry_run else "taken",
               f"{folder} ({why})")


def _say_taken(fresh: list[Case], twice: int, bad: int, taken: str, folder: str) -> None:
    from diagnose import screens
    from diagnose.caserecord import CLOSED

    said = [f"{len(fresh)} {'case' if len(fresh) == 1 else 'cases'} {taken} into {folder}"]
    if twice:
        said.append(f"{_rows(twice)} left out: these cases are in the log already, or stand in the table twice")
    if bad:
        said.append(f"{_rows(bad)} left out: they cannot be read")
    lacking = list(dict.fromkeys(one.unlisted for one in fresh if one.unlisted))
    words = ", ".join(map(repr, lacking[:MOST_NAMED])) + (", ..." if len(lacking) > MOST_NAMED else "")
    for reason, some in (
            ("with no cause found", [one for one in fresh if one.not_found]),
            (f"with a cause that is not listed: {words}", [one for one in fresh if one.unlisted]),
            ("as not fully put right, so that nothing is learned from them",
             [one for one in fresh if one.status == CLOSED and not one.fully_put_right])):
        if some:
            said.append(f"{len(some)} of them {taken} {reason}")
    screens.tell(said)


def _rows(count: int) -> str:
    return f"{count} row{'' if count == 1 else 's'}"


@cases_app.command("export", epilog="Example: diagnose cases export jobs.csv")
def export_table(
    table: Annotated[Path, typer.Argument(metavar="TABLE", help="The CSV file to write ('-': standard output).")],
    replace: Annotated[bool, typer.Option("--replace", help="Write over a file that is there.")] = False,
    network: NetworkOption = DEFAULT_NETWORK,
    as_json: JsonOption = False,
    store: StoreOption = None,
) -> None:
    """Write the log as a table, one case a row."""
    from diagnose import case as cases
    from diagnose import screens, transfer
    from diagnose.network import open_network
    from diagnose.source import Problem

    if as_json and str(table) == "-":
        raise complaint("the table and JSON cannot both go to standard output", "name a file", key="cases export")
    folder, why = cases.store_path(store)
    problems: list[Problem] = []
    text, count = transfer.write_table(cases.iterate(folder, problems), open_network(network))
    screens.show_problems(problems)
    if str(table) == "-":
        from diagnose.screens_call import plain_lines

        print(plain_lines(text.replace("\r\n", "\n")), end="")
        return
    size = write_text(table, text, new=not replace)
    if as_json:
        print_json({"schema": 1, "folder": str(folder), "cases": count, "written": str(table), "bytes": size})
        return
    screens.tell([f"{count} {'case' if count == 1 else 'cases'} of {folder} ({why}) written to {table}"])


def register(app: typer.Typer) -> None:
    """Hang the commands on the program."""
    app.command(short_help="Close a case: what it was, what put it right, how verified.",
                epilog="Example: diagnose close 20261125-0930 --cause feeds_exchanged --put-right --minutes 35 "
                       "--verified \"two key-offs, stations kept\"")(close)
    app.add_typer(cases_app, name="cases")
