"""The commands that say why: why, explain, report; and of a network: export, show."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from diagnose.cli_call import NetworkOption, StoreOption, open_case
from diagnose.source import complaint

JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON instead of a screen.")]


def why(
    case: Annotated[str, typer.Argument(metavar="CASE", help="The case, or the beginning of its id.")],
    cause: Annotated[str, typer.Argument(metavar="CAUSE", help="Id or words of a cause; without it the first.")] = "",
    as_json: JsonOption = False,
    store: StoreOption = None,
) -> None:
    """Say why: what each answer weighs, whether the answers fit together, how the belief moved, what it leans on."""
    from diagnose.conversation import find_cause
    from diagnose.reasons import reasons_as_plain, reasons_of
    from diagnose.session import standing

    opened, file = open_case(case, store)
    name = find_cause(opened, cause) if cause else ""
    now = standing(opened, file.case)
    reasons = reasons_of(opened, now.evidence, now.posterior, name)
    if as_json:
        _print_json({"schema": 1, "case": file.case.id, "network": opened.knowledge.header.id, **reasons_as_plain(reasons)})
        return
    from diagnose import screens, screens_explain

    screens_explain.show_reasons(screens.console(), reasons, opened.knowledge)


def explain(
    name: Annotated[str, typer.Argument(metavar="ID", help="A cause, report, check, condition, circumstance or caution.")],
    network: NetworkOption = "head_unit",
    as_json: JsonOption = False,
) -> None:
    """Show everything that is known about one id: what it is tied to and how strongly, what looks like it."""
    from diagnose.about import about
    from diagnose.network import open_network

    opened = open_network(network)
    found = about(opened, name)
    if as_json:
        from diagnose.reasons import about_as_plain

        _print_json({"schema": 1, "network": opened.knowledge.header.id, **about_as_plain(found)})
        return
    from diagnose import screens, screens_explain

    screens_explain.show_about(screens.console(), found, opened.knowledge)


def _print_json(data: Any) -> None:
    utf = (sys.stdout.encoding or "").lower().startswith("utf")
    print(json.dumps(data, indent=2, ensure_ascii=not utf, allow_nan=False))


def _write(file: Path, text: str) -> None:
    """Put a file whole; InputError if it cannot be written."""
    from diagnose.source import put_file

    try:
        put_file(file, text.encode("utf-8", "replace"))
    except (OSError, ValueError) as error:
        why_not = getattr(error, "strerror", None) or "the name cannot be"
        raise complaint(f"cannot be written ({why_not})", "check the folder", file=str(file)) from error


def register(app: typer.Typer, network_app: typer.Typer) -> None:
    """Hang the commands on the program."""
    app.command(epilog="Example: diagnose why 20261125-0930 feeds_exchanged")(why)
    app.command(epilog="Example: diagnose explain memory_feed_key_off")(explain)
