"""The commands that say why: why, explain, report; and of a network: export, show."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from diagnose import completion
from diagnose.cli_call import (
    CaseArgument,
    CaseNetworkOption,
    JsonOption,
    NetworkOption,
    StoreOption,
    open_case,
    opened_in_force,
    print_json,
    write_text,
)
from diagnose.knowledge import DEFAULT_NETWORK
from diagnose.source import complaint, nearest

if TYPE_CHECKING:
    from diagnose.records import Knowledge

FORMATS = ("bif", "xmlbif")
WrittenOption = Annotated[bool, typer.Option("--json", help="Say in JSON what was written.")]


def why(
    case: CaseArgument,
    cause: Annotated[str, typer.Argument(metavar="CAUSE", help="Id or words of a cause; without it the first.",
                                         autocompletion=completion.causes)] = "",
    network: CaseNetworkOption = "",
    as_json: JsonOption = False,
    store: StoreOption = None,
) -> None:
    """Say why: what each answer weighs, whether the answers fit together, how the belief moved, what it leans on."""
    from diagnose.conversation import find_cause
    from diagnose.reasons import reasons_as_plain, reasons_of
    from diagnose.session import standing

    opened, file = open_case(case, store, network)
    name = find_cause(opened, cause) if cause else ""
    now = standing(opened, file.case)
    reasons = reasons_of(opened, now.evidence, now.posterior, name)
    if as_json:
        print_json({"schema": 1, "case": file.case.id, "network": opened.knowledge.header.id, **reasons_as_plain(reasons)})
        return
    from diagnose import screens, screens_explain

    screens_explain.show_reasons(screens.console(), reasons, opened)


def explain(
    name: Annotated[list[str], typer.Argument(metavar="ID|WORDS...", help="A cause, report, check, condition, circumstance or "
                                              "caution: its id, or words of its title.", autocompletion=completion.every_id)],
    network: NetworkOption = DEFAULT_NETWORK,
    as_json: JsonOption = False,
    store: StoreOption = None,
) -> None:
    """Show everything that is known about one thing: what it is tied to and how strongly, what looks like it."""
    from diagnose.about import about

    opened = opened_in_force(network, store)
    found = about(opened, " ".join(name))
    if as_json:
        from diagnose.reasons import about_as_plain

        print_json({"schema": 1, "network": opened.knowledge.header.id, **about_as_plain(found)})
        return
    from diagnose import screens, screens_explain

    screens_explain.show_about(screens.console(), found, opened)


def report(
    case: CaseArgument,
    html: Annotated[Path, typer.Option("--html", metavar="FILE", help="The page to write ('-': standard output).")],
    customer: Annotated[bool, typer.Option("--customer", help="For the customer: no inner workings, plain words.")] = False,
    network: CaseNetworkOption = "",
    as_json: WrittenOption = False,
    store: StoreOption = None,
) -> None:
    """Write a case as one page that needs nothing else: belief over time, ranking, answers, remedy, cautions."""
    from diagnose import pages
    from diagnose.reasons import reasons_of
    from diagnose.session import standing

    _not_both(html, as_json)
    opened, file = open_case(case, store, network)
    now = standing(opened, file.case)
    if customer:
        page = pages.customer_page(opened, file.case, now.triage)
    else:
        page = pages.report_page(opened, file.case, now.triage, reasons_of(opened, now.evidence, now.posterior))
    _write(html, page, as_json)


def export(
    network: Annotated[str, typer.Argument(metavar="NAME", help="A network: a name, or a folder of files.",
                                           autocompletion=completion.networks)],
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The file to write ('-': standard output).")],
    form: Annotated[str, typer.Option("--format", metavar="bif|xmlbif", help="The interchange format.",
                                       autocompletion=completion.words(*FORMATS))] = "bif",
    area: Annotated[str, typer.Option(metavar="AREA", help="All findings of this area, and every cause linked to them.",
                                       autocompletion=completion.areas)] = "",
    finding: Annotated[list[str] | None, typer.Option(metavar="ID", help="This finding; may be repeated.",
                                                     autocompletion=completion.findings)] = None,
    case: Annotated[str, typer.Option(metavar="CASE", help="What this case touches, as seen through its answers; told 'so' of "
                                      "every node whose name ends in -seen, a program finds the posteriors of the case.",
                                      autocompletion=completion.case_ids)] = "",
    as_json: WrittenOption = False,
    store: StoreOption = None,
) -> None:
    """Write a part of a network in an open interchange format for general programs."""
    from diagnose.exchange import export_case, export_model

    _not_both(file, as_json)
    if form not in FORMATS:
        raise complaint(f"there is no format {form[:40]!r}", nearest(form, FORMATS), key="--format")
    if not case:
        opened = opened_in_force(network, store)
        _write(file, export_model(opened, _chosen(opened.knowledge, area, finding or []), form), as_json)
        return
    if area or finding:
        raise complaint("a case chooses its findings itself", "give --case, or --area and --finding", key="--case")
    from diagnose.session import standing

    opened, found = open_case(case, store, network)
    now = standing(opened, found.case)
    if not now.evidence.axes:
        raise complaint("no answer of the case points at a cause yet", "choose by --area or --finding", key="--case")
    _write(file, export_case(opened, now.evidence, form), as_json)


def _chosen(knowledge: Knowledge, area: str, finding: list[str]) -> list[str]:
    """The findings of an area and those named; InputError where there are none, or no such ones."""
    areas, findings = knowledge.header.areas, knowledge.findings
    if not area and not finding:
        raise complaint("nothing is chosen, and a whole network is too large for general programs",
                        f"give --case CASE, --finding ID, or --area with one of {', '.join(areas)}", key="export")
    if area and area not in areas:
        raise complaint(f"there is no area {area[:40]!r}", nearest(area, areas), key="--area")
    for name in finding:
        if name not in findings:
            raise complaint(f"there is no finding {name[:60]!r}", nearest(name, findings), key="--finding")
    chosen = [f.id for f in findings.values() if f.area == area or f.id in finding]
    if not chosen:
        raise complaint(f"the area {area!r} has no findings", "choose another one", key="--area")
    return chosen


def show(
    item: Annotated[str, typer.Argument(metavar="AREA|ID", help="An area, or the id of a cause, condition or finding; without "
                                        "it the whole network by its areas.", autocompletion=completion.drawable)] = "",
    html: Annotated[Path | None, typer.Option("--html", metavar="FILE", help="The page to write ('-': standard output)."),
                    ] = None,
    network: NetworkOption = DEFAULT_NETWORK,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON instead of a screen or a page.")] = False,
    store: StoreOption = None,
) -> None:
    """Show a network around an item (what hangs on what, how strongly) or as a whole, on the screen or as one page."""
    from diagnose import maps

    if html is not None and as_json:
        raise complaint("it is either a page or JSON", "give --html FILE, or --json", key="show")
    opened = opened_in_force(network, store)
    if html is not None:
        from diagnose import pages

        _write(html, pages.network_page(opened, item) if item else pages.overview_page(opened))
    elif as_json and item:
        rows = [{"from": one.source, "to": one.target, "p": one.p} for one in maps.links_around(opened, item)]
        print_json({"schema": 1, "network": opened.knowledge.header.id, "item": item, "links": rows})
    elif as_json:
        print_json({"schema": 1, "network": opened.knowledge.header.id, **maps.overview(opened)._asdict()})
    else:
        from diagnose import screens, screens_explain

        if item:
            screens_explain.show_links(screens.console(), maps.links_around(opened, item), item, opened)
        else:
            screens_explain.show_overview(screens.console(), maps.overview(opened), opened)


def _not_both(file: Path, as_json: bool) -> None:
    """InputError where what is written and the JSON about it would go to the same place."""
    if as_json and str(file) == "-":
        raise complaint("the page and the JSON cannot both go to standard output", "name a file", key="--json")


def _write(file: Path, text: str, as_json: bool = False) -> None:
    """Put a file whole and say so, or print it for '-'; InputError if it cannot be written."""
    size = write_text(file, text)
    if str(file) == "-":
        return
    if as_json:
        print_json({"schema": 1, "written": str(file), "bytes": size})
    else:
        from diagnose.screens import tell

        tell([f"written: {file}"])


def register(app: typer.Typer, network_app: typer.Typer) -> None:
    """Hang the commands on the program."""
    app.command(short_help="Say why: what each answer weighs, what it leans on.",
                epilog="Example: diagnose why 20261125-0930 feeds_exchanged")(why)
    app.command(short_help="Show everything that is known about one id.",
                epilog="Example: diagnose explain memory_feed_key_off")(explain)
    app.command(short_help="Write a case as one page, for the job file or the customer.",
                epilog="Example: diagnose report 20261125-0930 --html job-117.html --customer")(report)
    network_app.command("export", short_help="Write a part of a network for general programs.",
                        epilog="Example: diagnose network export head_unit --area aerial aerial.bif")(export)
    network_app.command("show", short_help="Show what hangs on what, on the screen or as a page.",
                        epilog="Example: diagnose network show aerial --html aerial.html")(show)
