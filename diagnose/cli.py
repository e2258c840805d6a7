"""Commands only: parse, load, call, show; and the one place that maps errors to exit codes.

Exit codes: 0 answered, 2 input to be mended, 3 a bug of ours, 130 interrupted.
"""

from __future__ import annotations

import contextlib
import io
import os
import sys
from typing import Annotated, Any

import typer

from diagnose import cli_call, cli_cases, cli_explain, cli_learn, cli_simulate, completion
from diagnose.knowledge import DEFAULT_NETWORK
from diagnose.source import InputError, complaint
from diagnose.wording import whole_letters

app = typer.Typer(
    name="diagnose", no_args_is_help=True, add_completion=True, rich_markup_mode=None, pretty_exceptions_enable=False,
    help="Fault diagnosis for the fitter who is called back. Start with: diagnose triage \"what the customer said\"",
    epilog="Exit codes: 0 answered, 2 input to be mended (one sentence says what, where and how), 3 a mistake of ours, 130 "
           "interrupted.")
network_app = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="Look at the networks that the tool knows.")
app.add_typer(network_app, name="network")

_USAGE: Any = typer.BadParameter.__mro__[2]  # the root of usage errors; where it lives differs between releases
INTERRUPTED = 130


@app.command(short_help="How urgent it is, what it is, what to do and bring.",
             epilog='Example: diagnose triage "forgets its stations every night and the battery was flat this morning"')
def triage(
    words: Annotated[list[str] | None, typer.Argument(metavar="WORDS...", help="What the customer said ('-': read).")] = None,
    report: Annotated[list[str] | None, typer.Option(metavar="ID", help="A report that is so.",
                                                    autocompletion=completion.reports)] = None,
    normal: Annotated[list[str] | None, typer.Option(metavar="ID", help="A finding that is as it should be.",
                                                    autocompletion=completion.askable)] = None,
    circumstance: Annotated[list[str] | None, typer.Option(metavar="ID=yes|no", help="A fact about the case.",
                                                          autocompletion=completion.circumstance_levels)] = None,
    check: Annotated[list[str] | None, typer.Option(metavar="ID=LEVEL", help="What a check showed: level or reading.",
                                                   autocompletion=completion.check_levels)] = None,
    who: Annotated[str, typer.Option(metavar="WHO", help="Who did the checks: customer, fitter or workshop.",
                                     autocompletion=completion.people)] = "customer",
    network: cli_call.NetworkOption = DEFAULT_NETWORK,
    cautions: Annotated[bool, typer.Option("--cautions", help="Show every caution in full.")] = False,
    as_json: cli_call.JsonOption = False,
    store: cli_call.StoreOption = None,
) -> None:
    """How urgent is it, what is it likely to be, what to do and what to bring."""
    from diagnose.cli_call import chooser, opened_in_force
    from diagnose.evidence import parse_answers, read_evidence
    from diagnose.intake import agreed, answers_from_ids, answers_from_words
    from diagnose.posterior import infer
    from diagnose.triage import SWEEP_MEMORY, advise

    opened = opened_in_force(network, store)
    text = cli_call.cleaned(cli_call.standard_input() if words == ["-"] else " ".join(words or []))
    understood, answers = answers_from_words(opened, text, choose=None if as_json else chooser(opened)) if text else (None, [])
    cli_call.check_people(opened, who, [])
    given = answers_from_ids(opened.knowledge, report or [], normal or [])
    given += parse_answers(circumstance or [], opened.knowledge, who="fitter", kinds=("circumstance",))
    given += parse_answers(check or [], opened.knowledge, who=who)
    answers += agreed(given)
    if not answers and understood is None:
        raise complaint("nothing was said yet", "give the customer's words, or --report ID (diagnose findings WORDS finds ids)")
    evidence = read_evidence(opened.knowledge, opened.network, answers)
    result = advise(opened, evidence, infer(opened.network, evidence, memory=SWEEP_MEMORY))
    if as_json:
        cli_call.print_json(_triage_json(result, understood))
        return
    from diagnose import screens

    screens.show_triage(screens.console(), result, understood, opened.knowledge, in_full=cautions)


@app.command(short_help="Find ids of reports, checks and circumstances by words.",
             epilog="Example: diagnose findings stations lost")
def findings(
    words: Annotated[list[str], typer.Argument(metavar="WORDS...", help="A few words of what you look for.")],
    network: cli_call.NetworkOption = DEFAULT_NETWORK,
    as_json: cli_call.JsonOption = False,
) -> None:
    """Find the ids of reports, checks and circumstances by a few words."""
    from diagnose import screens
    from diagnose.network import open_network
    from diagnose.phrases import search

    knowledge = open_network(network).knowledge
    found = search(knowledge, " ".join(words))
    if as_json:
        rows = [{"id": name, "kind": (f := knowledge.findings[name]).kind, "title": f.title, "levels": f.levels, "score": score}
                for name, score in found]
        cli_call.print_json({"schema": 1, "findings": rows})
        return
    screens.show_findings(screens.console(), knowledge, found)


@app.command(short_help="Work out what a reading means.",
             epilog="Example: diagnose reading state_of_charge volts=12.35")
def reading(
    name: Annotated[str | None, typer.Argument(metavar="NAME", help="Which reading; without it all are listed.",
                                                autocompletion=completion.reading_names)] = None,
    values: Annotated[list[str] | None, typer.Argument(metavar="[NAME=]VALUE", help="Its numbers, with units; those that "
                                                       "it needs may stand without their names, in order.")] = None,
    as_json: cli_call.JsonOption = False,
) -> None:
    """Work out what a reading means: formula, source, limits, and how likely each level is with the meter's error."""
    from diagnose import readings, screens

    if name is None or not values:
        found = readings.describe(name)
        if as_json:
            cli_call.print_json({"schema": 1, "readings": found})
        else:
            screens.show_readings(screens.console(), found, in_full=name is not None)
        return
    judgement = readings.run(name, values)
    if as_json:
        cli_call.print_json({"schema": 1, **judgement.as_json()})
    else:
        screens.show_judgement(screens.console(), judgement)


@network_app.command("check", short_help="Check a network's files; mistakes with file and line.",
                     epilog="Example: diagnose network check head_unit")
def network_check(
    network: Annotated[str, typer.Argument(metavar="NAME", help="A name, or a folder of files.",
                                           autocompletion=completion.networks)] = DEFAULT_NETWORK,
    as_json: cli_call.JsonOption = False,
) -> None:
    """Check a network's files: every mistake with file and line, then the general library's own check."""
    import time

    from diagnose.audit import audit, check_general_model
    from diagnose.knowledge import find_network, load_knowledge
    from diagnose.network import Opened, build_network

    began = time.perf_counter()
    knowledge = load_knowledge(find_network(network))
    opened = Opened(knowledge, build_network(knowledge), "", "")
    found = audit(opened)
    if found.errors:
        raise InputError(found.errors)
    problem = check_general_model(opened)
    if problem:
        raise InputError(problem)
    kinds = ["report", "check", "circumstance"]
    counts = {"causes": len(knowledge.causes), "conditions": len(knowledge.conditions),
              **{f"{kind}s": len(knowledge.of_kind(kind)) for kind in kinds}, "cautions": len(knowledge.cautions),
              "links": len(opened.network.link_cause)}
    if as_json:
        cli_call.print_json({"schema": 1, "network": knowledge.header.id, "counts": counts,
                     "warnings": [w._asdict() for w in found.warnings]})
        return
    from diagnose import screens

    screens.show_network(screens.console(), counts, knowledge.header.title, found.warnings, time.perf_counter() - began)


@network_app.command("list", epilog="Example: diagnose network list")
def network_list(as_json: cli_call.JsonOption = False) -> None:
    """List the networks that come with the tool."""
    from diagnose.knowledge import networks_folder
    from diagnose.network import open_network

    names = [path.parent.name for path in sorted(networks_folder().glob("*/network.yaml"))]
    if as_json:
        headers = [open_network(name).knowledge.header for name in names]
        cli_call.print_json({"schema": 1, "networks": [{"id": h.id, "title": h.title, "version": h.version} for h in headers]})
        return
    for name in names:
        print(name)


@app.command(epilog="Example: diagnose schema triage")
def schema(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Whose JSON (--list names all).",
                                        autocompletion=completion.schema_names)] = "triage",
    list_all: Annotated[bool, typer.Option("--list", help="Only list the names of the schemas.")] = False,
) -> None:
    """Print the JSON Schema of a command's --json output."""
    from pathlib import Path

    folder = Path(__file__).parent / "schemas"
    known = sorted(path.stem for path in folder.glob("*.json"))
    if list_all:
        print("\n".join(known))
        return
    if name not in known:
        from diagnose.source import nearest

        raise complaint(f"there is no schema {name[:40]!r}", nearest(name, known), key="schema")
    print((folder / f"{name}.json").read_text(encoding="utf-8"), end="")


cli_call.register(app)
cli_cases.register(app)
cli_explain.register(app, network_app)
cli_learn.register(app)
cli_simulate.register(app)


def _triage_json(result: Any, understood: Any) -> dict[str, Any]:
    from diagnose.phrases import as_plain

    words = as_plain(understood) if understood else {"matches": [], "doubts": [], "not_understood": []}
    return {"schema": 1, **result._asdict(), "words": words}


def main() -> None:
    """Run a command and leave with its exit code."""
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:  # closed by whoever called
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115 - open until the end
    sys.exit(run())


def run(arguments: list[str] | None = None) -> int:
    """Run a command; the exit code. Errors become sentences on stderr here and nowhere else."""
    if isinstance(sys.stdout, io.TextIOWrapper) and sys.stdout.errors == "strict":
        sys.stdout.reconfigure(errors="backslashreplace")  # a path or a word that is no text must not end the answer
    if isinstance(sys.stdin, io.TextIOWrapper) and sys.stdin.errors == "strict":
        sys.stdin.reconfigure(errors="surrogateescape")  # nor what is typed: wording.proper_text reads it
    arguments = [whole_letters(word) for word in (sys.argv[1:] if arguments is None else arguments)]
    try:
        command = typer.main.get_command(_only_what_is_asked_for(arguments))
        with completion.as_bash_wants_it(os.environ):
            code = command(args=arguments, prog_name="diagnose", standalone_mode=False)
        sys.stdout.flush()
        if code == INTERRUPTED:
            print("interrupted", file=sys.stderr)
        return int(code or 0)
    except InputError as error:
        from diagnose import screens

        screens.show_problems(error.problems)
        return 2
    except _USAGE as error:
        error.show()
        return 2
    except typer.Exit as error:
        return error.exit_code
    except (KeyboardInterrupt, typer.Abort):
        print("interrupted", file=sys.stderr)
        return INTERRUPTED
    except SystemExit as error:
        if isinstance(error.__context__, BrokenPipeError):
            return _output_ended(None)
        return error.code if isinstance(error.code, int) else 0
    except OSError as error:
        return _output_ended(error) if error.filename is None and error.errno else _own_bug(error)
    except Exception as error:
        return _own_bug(error)


def _only_what_is_asked_for(arguments: list[str]) -> typer.Typer:
    """The program with the one command that the first argument names, else the whole of it.

    typer inspects the signature of every command it holds, which takes longer than the answer.
    """
    names = typer.main.get_command_name
    called = {c.name or names(c.callback.__name__): c for c in app.registered_commands if c.callback}
    one = [called[word] for word in arguments[:1] if word in called]
    if not one or "_DIAGNOSE_COMPLETE" in os.environ:
        return app
    narrow = typer.Typer(name="diagnose", rich_markup_mode=None, pretty_exceptions_enable=False, add_completion=False)
    narrow.registered_commands = one
    narrow.callback()(lambda: None)  # keeps it a group of commands
    return narrow


def _output_ended(error: OSError | None) -> int:
    """Whoever read the answer has seen enough, or it cannot be written; nothing more goes out, at exit neither."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    if error is None or isinstance(error, BrokenPipeError):
        return 0
    print(f"the answer could not be written ({error.strerror}); make room, or send it elsewhere", file=sys.stderr)
    return 2


def _own_bug(error: Exception) -> int:
    """A mistake of ours: one sentence on stderr, the details in a file that can be sent."""
    import tempfile
    import traceback

    details = "".join(traceback.format_exception(error))
    try:
        with tempfile.NamedTemporaryFile("w", prefix="diagnose-", suffix=".log", delete=False, encoding="utf-8") as log:
            log.write(details)
        where = f"; the details are in {log.name}"
    except OSError:
        where = ""
    print(f"diagnose made a mistake of its own ({type(error).__name__}){where}", file=sys.stderr)
    return 3
