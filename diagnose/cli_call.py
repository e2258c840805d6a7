"""The commands of a conversation: call, reply, sheet."""

from __future__ import annotations

import json
import os
import re
import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from diagnose import completion
from diagnose.knowledge import DEFAULT_NETWORK
from diagnose.source import InputError, complaint
from diagnose.wording import proper_text

if TYPE_CHECKING:
    from diagnose.case import Case, CaseFile
    from diagnose.intake import Choose
    from diagnose.network import Opened

LONGEST_TEXT = 20_000  # characters of a customer's words
LEARNED = "learned.json"  # beside the cases; only where it stands is the code that reads it loaded

StoreOption = Annotated[str | None, typer.Option("--cases", metavar="FOLDER", help="Folder of the cases.")]
NetworkOption = Annotated[str, typer.Option("--network", metavar="NAME", help="Network to use: a name, or a folder of files.",
                                            autocompletion=completion.networks)]
CaseNetworkOption = Annotated[str, typer.Option("--network", metavar="NAME", help="Network of the case: a name, or a folder of "
                                                "files; without it the one that the case names.",
                                                autocompletion=completion.networks)]
WhoOption = Annotated[str, typer.Option(metavar="WHO", help="On the line or on site: customer, fitter or workshop.",
                                        autocompletion=completion.people)]
ToolOption = Annotated[list[str] | None, typer.Option("--tool", metavar="ID", help="A tool that is at hand; may be repeated.",
                                                      autocompletion=completion.tools)]
CaseArgument = Annotated[str, typer.Argument(metavar="CASE", help="The case, or the beginning of its id.",
                                             autocompletion=completion.case_ids)]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON instead of a screen.")]


def call(
    words: Annotated[list[str] | None, typer.Argument(metavar="CASE|WORDS...", autocompletion=completion.case_ids,
                                                      help="A case to take up again, or what the customer said.")] = None,
    who: WhoOption = "customer",
    tool: ToolOption = None,
    reference: Annotated[str, typer.Option(metavar="JOB", help="Job reference of a new case (no names, no plates).")] = "",
    by_gain: Annotated[bool, typer.Option("--by-gain", help="Choose by bits per minute alone, without looking ahead.")] = False,
    network: NetworkOption = DEFAULT_NETWORK,
    store: StoreOption = None,
) -> None:
    """Guide the conversation: one question at a time, kept on disk after every answer."""
    from diagnose import screens
    from diagnose.session import Session, converse

    opened, file = _case_for(network, words or [], reference, store, who=who, tools=tool or [])
    session = Session(opened, file, screens.console(), who, frozenset(tool) if tool else None, by_gain=by_gain)
    try:
        converse(session)
    except KeyboardInterrupt:
        print(f"\nkept; take it up again with: diagnose call {_again(session.case, network)}")
        raise


def sheet(
    case: CaseArgument,
    tool: ToolOption = None,
    most: Annotated[int, typer.Option(metavar="N", min=1, max=20, help="How many checks at most.")] = 6,
    network: CaseNetworkOption = "",
    as_json: JsonOption = False,
    store: StoreOption = None,
) -> None:
    """Print the visit sheet: what is known, checks and remedies in order, parts, minutes, cautions, who answers."""
    from diagnose import screens, screens_call
    from diagnose.correspondence import sheet_of
    from diagnose.session import Session, choice_of, standing

    opened, file = open_case(case, store, network)
    session = Session(opened, file, screens.console(), "fitter", frozenset(tool) if tool else None)
    now = standing(opened, file.case)
    found = sheet_of(opened, file.case, now.triage, choice_of(session, now), most=most)
    if as_json:
        print_json({"schema": 1, **found._asdict()})
        return
    screens_call.show_sheet(screens.console(), found)


def reply(
    words: Annotated[list[str], typer.Argument(metavar="CASE|WORDS...", help="A case, or what the customer wrote.",
                                               autocompletion=completion.case_ids)],
    questions: Annotated[int, typer.Option(metavar="N", min=1, max=6, help="How many questions at most.")] = 3,
    tool: ToolOption = None,
    read: Annotated[str | None, typer.Option(metavar="FILE", help="Read the customer's answer ('-': standard input).")] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Take doubtful answers too, without asking.")] = False,
    reference: Annotated[str, typer.Option(metavar="JOB", help="Job reference of a new case (no names, no plates).")] = "",
    network: NetworkOption = DEFAULT_NETWORK,
    as_json: JsonOption = False,
    store: StoreOption = None,
) -> None:
    """Compose a written reply with the few questions best asked together, or read the customer's answer back in."""
    from diagnose import correspondence, screens, screens_call

    opened, file = _case_for(network, words, reference, store, who="customer", tools=tool or [])
    if read is None:
        file, findings, safety = correspondence.compose(opened, file, count=questions, tools=frozenset(tool or ()))
        message = screens_call.message_text(opened.knowledge, findings, greeting=safety)
        if as_json:
            asked = [{"finding": f.id, "ask": f.ask, "levels": dict(zip(f.levels, f.meanings, strict=True))} for f in findings]
            print_json({"schema": 1, "case": file.case.id, "message": message, "questions": asked})
            return
        print(message)
        screens.show_problems([f"(case {file.case.id}, chosen by {opened.speaks_from}; read the answer in with: diagnose reply "
                               f"{_again(file.case, network)} --read -)"])
        return
    text = _text_of(read)
    found = correspondence.read_answer(opened, file.case, text)
    if not as_json:
        screens_call.show_understood(screens.console(), {line.question: line.understood for line in found})
    taken = [line for line in found if line.answer and (yes or not line.doubt or (not as_json and _confirmed(line)))]
    file = correspondence.keep_answers(file, taken)
    if as_json:
        keys = ("finding", "question", "words", "understood", "doubt")
        rows = [{**{key: getattr(line, key) for key in keys}, "taken": line in taken} for line in found]
        print_json({"schema": 1, "case": file.case.id, "answers": rows})
        return
    for line in found:
        if line in taken:
            continue
        screens.tell([f"not taken: {line.question}: {line.words} ({line.doubt or 'not answered'})"])
    again = _again(file.case, network)
    kept = "1 answer" if len(taken) == 1 else f"{len(taken)} answers"
    screens.tell([f"{kept} kept; go on with: diagnose reply {again}, or: diagnose call {again}"])


def _confirmed(line: Any) -> bool:
    if not sys.stdin.isatty():
        return False
    answer = input(f"{line.question} -- {line.words!r} taken as {line.understood!r}? (yes, no) ")
    return answer.strip().lower() in ("y", "yes")


def _text_of(name: str) -> str:
    if name == "-":
        return cleaned(standard_input())
    try:
        with Path(name).open("rb") as stream:
            return cleaned(stream.read(4 * LONGEST_TEXT + 4).decode("utf-8", "replace"))
    except OSError as error:
        raise complaint(f"cannot be read ({error.strerror})", "check the path", file=name) from error


def cleaned(text: str) -> str:
    """A customer's words as proper text; InputError if there is too much of it."""
    if len(text) > LONGEST_TEXT:
        raise complaint(f"the text has more than {LONGEST_TEXT:,} characters", "keep to what matters")
    return proper_text(text)


def standard_input() -> str:
    """What is typed or piped in, a little more than may be used at most."""
    if sys.stdin is None:
        return ""
    if sys.stdin.isatty():
        print("type what the customer said, then Ctrl-D on a line of its own", file=sys.stderr)
    raw = getattr(sys.stdin, "buffer", None)
    if raw is None:
        return sys.stdin.read(LONGEST_TEXT + 1)
    return str(raw.read(4 * LONGEST_TEXT + 4).decode("utf-8", "replace"))  # four bytes a character at most


def write_text(path: Path, text: str, *, new: bool = False) -> int:
    """Put a text into a file, whole or not at all, or print it for '-'; the bytes written, 0 if it was printed. new: only where
    no file is. InputError if it cannot be written."""
    from diagnose.source import put_file

    if str(path) == "-":
        print(text, end="")
        return 0
    data = text.encode("utf-8", "replace")
    try:
        put_file(path, data, new=new)
    except FileExistsError as error:
        raise complaint("there is a file already", "name another one, or write over it with --replace",
                        file=str(path)) from error
    except (OSError, ValueError) as error:
        why_not = getattr(error, "strerror", None) or "the name cannot be"
        raise complaint(f"cannot be written ({why_not})", "check the folder", file=str(path)) from error
    return len(data)


def print_json(data: Any) -> None:
    """Records or plain data as JSON on stdout, in characters that it can carry."""
    from diagnose.records import as_data

    utf = (sys.stdout.encoding or "").lower().startswith("utf")
    text = json.dumps(as_data(data), indent=2, ensure_ascii=not utf, allow_nan=False)
    # escaped, what steers a terminal (C1 codes, changes of direction) is the same text to whoever reads the JSON
    print("".join(c if c.isprintable() or c == "\n" else json.dumps(c)[1:-1] for c in text))


def opened_in_force(network: str, store: str | None) -> Opened:
    """A network with the values learned from the cases in the store, if there are any, laid over the expert's."""
    from diagnose.network import open_network

    opened = open_network(network)
    if not _learned_somewhere(store):
        return opened
    from diagnose import case as cases
    from diagnose.overlay import in_force

    learned, words = in_force(opened, cases.store_path(store)[0])
    return learned._replace(speaks_from=words)


def _learned_somewhere(store: str | None) -> bool:
    """Whether learned values lie in any folder that may be the store, so that the store need not be looked into."""
    import platformdirs

    named = store or os.environ.get("DIAGNOSE_CASES")
    try:
        folders = [Path(named).expanduser()] if named else [Path("cases"), platformdirs.user_data_path("diagnose") / "cases"]
        return any((folder / LEARNED).exists() for folder in folders)
    except (OSError, RuntimeError, ValueError):
        return False


def check_people(opened: Opened, who: str, tools: list[str]) -> None:
    """InputError for a person or a tool that the network does not know."""
    from diagnose.source import nearest

    header = opened.knowledge.header
    asked = [(who, header.people, "people", "--who"), *((tool, header.tools, "tools", "--tool") for tool in tools)]
    for name, known, what, option in asked:
        if name not in known:
            raise complaint(f"{name[:60]!r} is not one of the {what}", nearest(name, known), key=option)


def chooser(opened: Opened) -> Choose | None:
    """Who decides what doubtful words mean: the person at the terminal, or nobody."""
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        return None
    from diagnose import screens

    out = screens.console()
    return lambda doubt: screens.ask_which(out, doubt, opened.knowledge)


def open_case(name: str, store: str | None, network: str = "") -> tuple[Opened, CaseFile]:
    """A case and the network it belongs to; network: where that is a folder of files, the folder."""
    from diagnose import case as cases

    folder, why = cases.store_path(store)
    file = cases.load(folder, name)
    say_where(file.case, folder, why)
    return _network_of(file.case, network, store), file


def say_where(case: Case, folder: Path, why: str) -> None:
    """Which store a case lies in, on stderr, so that what was asked for stands alone on stdout."""
    from diagnose.screens import show_problems

    show_problems([f"case {case.id} in {folder} ({why})"])


def _network_of(case: Case, network: str, store: str | None) -> Opened:
    """The network that a case names, or the one given; InputError if that is another, or there is none of that name here."""
    from diagnose.conversation import check_known
    from diagnose.knowledge import find_network

    try:
        find_network(network or case.network)
    except InputError as error:
        if network:
            raise
        raise complaint(f"the case belongs to the network {case.network[:40]!r}, and there is none of that name here",
                        "name the folder of its files with --network", key=case.id) from error
    opened = opened_in_force(network or case.network, store)
    check_known(opened, case)
    return opened


def _again(case: Case, network: str) -> str:
    """What names a case on a command line, with the folder of its network if it was opened with one."""
    folder = "" if network in ("", DEFAULT_NETWORK, case.network) else f" --network {shlex.quote(network)}"
    return f"{case.id}{folder}"


def _case_for(network: str, words: list[str], reference: str, store: str | None, *, who: str,
              tools: list[str]) -> tuple[Opened, CaseFile]:
    """The case named by the one word given with the network it belongs to, or a new one that starts with what the customer
    said; nothing is written for a person or a tool that the network does not know."""
    from diagnose import case as cases
    from diagnose.caserecord import CASE_ID, Case

    folder, why = cases.store_path(store)
    if len(words) == 1 and (CASE_ID.fullmatch(words[0]) or re.fullmatch(r"\d[\d-]*", words[0])):
        file = cases.load(folder, words[0])
        say_where(file.case, folder, why)
        opened = _network_of(file.case, "" if network == DEFAULT_NETWORK else network, store)
        check_people(opened, who, tools)
        return opened, file
    opened = opened_in_force(network, store)
    check_people(opened, who, tools)
    header = opened.knowledge.header
    case = Case("", cases.now(), header.id, header.version, reference)
    text = cleaned(" ".join(words))
    if text:
        from diagnose.correspondence import with_words
        from diagnose.screens import show_problems

        case, told = with_words(opened, case, text, choose=chooser(opened))
        show_problems(told)
    file = cases.create(folder, case)
    say_where(file.case, folder, why)
    return opened, file


def register(app: typer.Typer) -> None:
    """Hang the commands on the program."""
    app.command(short_help="Guide the conversation, one question at a time.",
                epilog='Example: diagnose call "no sound from any speaker" --reference job-117')(call)
    app.command(short_help="Ask the customer in writing; read the answer back in.",
                epilog='Example: diagnose reply "poor reception since the fitting" --questions 3')(reply)
    app.command(short_help="Print what to check, put right and bring on a visit.",
                epilog="Example: diagnose sheet 20261125-0930")(sheet)
