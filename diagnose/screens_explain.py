"""The screens that say why: the reasons for a cause in a case, and all that is known about one id."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from diagnose.maps import WORTH_DRAWING, grouped, titles_of
from diagnose.reasons import LISTED
from diagnose.records import CIRCUMSTANCE, REPORT, Cause, Caution, Finding
from diagnose.screens import WIDE, _glued, _grid, _heading, _lines, bar, emit, plain, source_line
from diagnose.triage import percent

if TYPE_CHECKING:
    from diagnose.about import About, LookAlike, Tie
    from diagnose.explain import Weight, Weights
    from diagnose.maps import Link, Overview
    from diagnose.network import Opened
    from diagnose.reasons import Reasons
    from diagnose.records import Header, Knowledge
    from diagnose.sensitivity import Lean, Sensitivity

SIDE = 10  # cells of a bar to either side
WORTH_A_BAR = 0.05  # decibans: below it a weight is shown as 0.0
AREA_PARTS = ("causes", "reports", "checks", "circumstances")
WORTH_QUOTING = 8  # phrases of a report
WORTH_ALL = 30  # ties of one kind that are listed in full
KINDS = {"cause": "CAUSES", "condition": "CONDITIONS", "report": "REPORTS", "check": "CHECKS", "circumstance": "CIRCUMSTANCES"}


def show_reasons(out: Console, reasons: Reasons, opened: Opened) -> None:
    """Why: the verdict, the sets of causes, the weight of each answer, conflict, history, what it leans on."""
    def draw(inner: Console) -> None:
        knowledge = opened.knowledge
        if not reasons.cause:
            _lines(inner, ["No answer points at a cause yet."], mark="")
            return
        inner.print(Text(plain(f"{reasons.title}: {percent(reasons.p)}"), style="bold"))
        _draw_support(inner, reasons)
        _draw_sets(inner, reasons)
        if reasons.weights:
            _draw_weights(inner, reasons.weights)
        _draw_conflict(inner, reasons, knowledge)
        _draw_history(inner, reasons)
        _draw_leans(inner, reasons, knowledge)
        _draw_source(inner, opened)

    emit(out, draw)


def _draw_source(out: Console, opened: Opened) -> None:
    header = opened.knowledge.header
    out.print()
    _lines(out, [source_line(opened.speaks_from, header.id, header.version)], mark="", style="dim")


def _draw_support(out: Console, reasons: Reasons) -> None:
    support = reasons.support
    first = reasons.ranking[0].title if reasons.ranking else ""
    _heading(out, f"{'WELL SUPPORTED' if support.well else 'NOT WELL SUPPORTED YET'}: {plain(first)}",
             "bold green" if support.well else "bold yellow")
    _lines(out, [one.text for one in (support.requirements if support.well else support.failed)])


def _draw_sets(out: Console, reasons: Reasons) -> None:
    _heading(out, f"SETS OF CAUSES (each: these and nothing else; together {percent(reasons.covered)})")
    rows = [[Text(percent(one.p)), bar(out, one.p, cells=SIDE), Text(plain(" + ".join(one.titles)))]
            for one in reasons.sets[:LISTED]]
    rest = math.fsum(one.p for one in reasons.sets[LISTED:])
    if rest > 0:
        rows.append([Text(percent(rest)), Text(""), Text(f"{len(reasons.sets) - LISTED} more sets", style="dim")])
    _grid(out, rows, right=[0])
    _lines(out, [f"something that the files do not list, alone or with others: {percent(reasons.unlisted)}",
                 f"none of the causes in question, so something that no answer points at: {percent(reasons.unexplained)}"],
           mark="", style="dim")


def decibans(value: float) -> str:
    """Decibans with their sign; what decides by itself says so."""
    if not math.isfinite(value):
        return "decides for" if value > 0 else "rules out"
    return f"{value:+.1f}" if abs(value) >= WORTH_A_BAR else "0.0"


def weighed(weights: Weights) -> list[Weight]:
    """Everything that has a weight, from what speaks most for the cause to what speaks most against it."""
    found = list(weights.answers)
    for words, one in (("reports that nobody mentioned", weights.unmentioned), ("remedies tried in vain", weights.tried)):
        if one.alone or one.in_order:
            found.append(one._replace(title=words))
    return sorted(found, key=lambda one: -one.alone)


def two_sided(out: Console, value: float, most: float, *, cells: int = SIDE) -> Text:
    """A bar to the left of the middle for what speaks against, to the right for what speaks for; ``most`` fills a side."""
    share = 1.0 if not math.isfinite(value) else min(abs(value) / most, 1.0) if most > 0 else 0.0
    full = 0 if abs(value) < WORTH_A_BAR else max(1, round(share * cells))
    fancy = (out.encoding or "").lower().replace("-", "").startswith("utf")
    mark, middle = ("■", "│") if fancy else ("#", "|")
    text = Text(" " * (cells - full) + mark * full if value < 0 else " " * cells, style="red")
    text.append(middle, style="dim")
    return text.append(mark * full if value > 0 else "", style="green")


def _draw_weights(out: Console, weights: Weights) -> None:
    _heading(out, "WEIGHT OF EVIDENCE (decibans: 10 is odds of ten to one; right speaks for it, left against it)")
    every = weighed(weights)
    most = max((abs(one.alone) for one in every if math.isfinite(one.alone)), default=0.0)
    cells = SIDE if out.width >= WIDE else SIDE // 2
    _grid(out, [[Text(decibans(one.alone)), two_sided(out, one.alone, most, cells=cells),
                 Text(plain(one.title + (f": {one.said}" if one.said else "")))] for one in every], right=[0])
    _lines(out, [f"before anything was said {decibans(weights.prior)}, now {decibans(weights.posterior)}; each line is what "
                 "leaving that one out takes away, so together they need not add up"], mark="", style="dim")


def _draw_conflict(out: Console, reasons: Reasons, knowledge: Knowledge) -> None:
    found = reasons.conflict
    _heading(out, "DO THE ANSWERS FIT TOGETHER")
    if not found.recheck:
        _lines(out, ["they do" if len(found.answers) > 1 else "there are too few to disagree"], mark="")
        return
    _lines(out, conflict_words(reasons), mark="")
    _lines(out, [knowledge.findings[found.recheck].ask], mark="", style="cyan")


def conflict_words(reasons: Reasons) -> list[str]:
    """How much the answers disagree, whether the first cause explains it, which to ask again."""
    found = reasons.conflict
    if not found.recheck:
        return []
    doubt = next(one for one in found.answers if one.finding == found.recheck)
    amount = "they disagree by next to nothing"
    if found.bits >= WORTH_A_BAR:
        amount = (f"they disagree by {found.bits:.1f} bit: together they are {2.0**found.bits:.1f} times as rare as if none "
                  "had to do with another")
    explained = f"; {reasons.ranking[0].title} explains it" if found.explained else ""
    again = "if in doubt, ask again" if found.explained else "ask again first"
    return [amount + explained, f"{again}: {doubt.title}: {doubt.said} (chance of that given the other answers: "
                                f"{percent(doubt.p_given_others)})"]


def _draw_history(out: Console, reasons: Reasons) -> None:
    told = reasons.history
    if len(told.moments) < 2:
        return
    _heading(out, "HOW THE BELIEF MOVED")
    _lines(out, ["; ".join(f"{number} {title}" for number, title in enumerate(told.titles, 1))], mark="", style="dim")
    rows = [[*(Text(str(number), style="bold") for number in range(1, len(told.causes) + 1)), Text("after", style="bold")]]
    for moment in told.moments:
        words = f"{moment.title}: {moment.said}" if moment.title else "somebody called"
        shown = [percent(p) for p in moment.p] if moment.p else ["-"] * len(told.causes)
        rows.append([*(Text(p) for p in shown), Text(plain(words))])
    _grid(out, rows, right=list(range(len(told.causes))))


def _draw_leans(out: Console, reasons: Reasons, knowledge: Knowledge) -> None:
    found = reasons.sensitivity
    if found is None or found.leans_on is None:
        return
    _heading(out, "WHAT IT LEANS ON MOST")
    lean = found.leans_on
    low, high = sorted((lean.p_low, lean.p_high))
    _lines(out, [f"{number_words(lean, knowledge)}; anywhere from {lean.low:.2g} to {lean.high:.2g} is plausible, and "
                 f"{reasons.title} would have {percent(low)} to {percent(high)}",
                 turn_words(lean, found, knowledge)], mark="")
    _lines(out, [f"in the files: {lean.parameter.where}"], mark="", style="dim")
    soonest = found.turns_first
    if soonest is not None and soonest.parameter != lean.parameter:
        _lines(out, [f"the number whose change would turn it soonest: {number_words(soonest, knowledge)}; "
                     f"{turn_words(soonest, found, knowledge)}"], mark="")


def number_words(lean: Lean, knowledge: Knowledge) -> str:
    """A number of the network in words, with its value."""
    one = lean.parameter
    cause = knowledge.causes[one.cause].title if one.cause in knowledge.causes else knowledge.header.unlisted.title
    finding = knowledge.findings[one.finding].title if one.finding else ""
    level = one.level.replace("_", " ")
    what = {"prior": f"share of callbacks with \"{cause}\"",
            "leak": f"chance of \"{finding}: {level}\" without any listed cause",
            "link": f"chance that \"{cause}\" brings \"{finding}: {level}\""}[one.kind]
    return f"{what}, {one.value:.2g}"


def turn_words(lean: Lean, found: Sensitivity, knowledge: Knowledge) -> str:
    """At which value of a number the cause and its rival would change places, in words."""
    rival = found.rival
    other = knowledge.causes[rival].title if rival in knowledge.causes else knowledge.header.unlisted.title
    if not rival or lean.turns_at is None:
        return "no value of it would turn the ranking"
    if found.p < found.p_rival:
        return f"at {lean.turns_at:.2g} it would overtake \"{other}\""
    return f"at {lean.turns_at:.2g} it would be overtaken by \"{other}\""


def show_about(out: Console, found: About, opened: Opened) -> None:
    """Everything known about one id: its record, its ties both ways, its cautions, what looks like it."""
    def draw(inner: Console) -> None:
        knowledge = opened.knowledge
        inner.print(Text(plain(found.title), style="bold") + Text(f"  {found.kind}  ") + Text(found.id, style="cyan"))
        _lines(inner, description_lines(found, knowledge), mark="")
        if found.cautions:
            _heading(inner, "CAUTIONS")
            _lines(inner, [f"{one.title}: {one.text}" for one in found.cautions], mark="! ", style="yellow")
            inner.print()
        for line in record_lines(found, knowledge):
            step, stop, words = line.partition(". ") if line.startswith("  ") else ("", "", line)
            _lines(inner, [words], mark=step + stop)
        for kind, heading in KINDS.items():
            ties = [tie for tie in found.ties if tie.kind == kind]
            if ties:
                meaning = _meaning(found.kind, kind) if any(tie.p for tie in ties) else ""
                _draw_ties(inner, ties, f"{heading} ({len(ties)}{meaning})")
        if found.look_alikes:
            _heading(inner, "LOOK-ALIKES (described in nearly the same way) AND WHAT SEPARATES THEM")
            for other in found.look_alikes:
                _draw_look_alike(inner, other)
        _draw_source(inner, opened)

    emit(out, draw)


def _meaning(of: str, kind: str) -> str:
    """What the percentages beside the ties of one kind are, for the heading."""
    if "circumstance" in (of, kind):
        return ": chance that it goes with each"
    if of == "cause" or (of == "condition" and kind != "cause"):
        return ": chance that this brings each"
    return ": chance that each brings this"


def description_lines(found: About, knowledge: Knowledge) -> list[str]:
    """What the record is about, in sentences."""
    said = (("", "description"), ("", "text"), ("", "ask"), ("how it comes about: ", "origin"), ("in few words: ", "briefly"))
    lines = [f"{words}{value}" for words, name in said if (value := getattr(found.record, name, ""))]
    area = getattr(found.record, "area", "")
    return [*lines, f"area: {knowledge.header.areas[area]} ({area})"] if area else lines


def record_lines(found: About, knowledge: Knowledge) -> list[str]:
    """What the record itself says, in sentences."""
    record = found.record
    if isinstance(record, Cause):
        lines = _cause_lines(record, knowledge.header)
    elif isinstance(record, Finding):
        lines = _finding_lines(record, knowledge.header)
    elif isinstance(record, Caution):
        lines = _said(("steps that name one of these carry it: ", ", ".join(record.triggers)),
                      ("no such step for: ", ", ".join(knowledge.header.people[who] for who in record.forbidden_to)))
    else:
        lines = []
    return lines + _said(("in the files: ", f"{record.file}:{record.line}" if record.file else ""))


def _said(*pairs: tuple[str, str]) -> list[str]:
    """A line for each pair of words and value that has a value."""
    return [words + value for words, value in pairs if value]


def _numbered(steps: Sequence[str]) -> list[str]:
    return [f"  {number}. {step}" for number, step in enumerate(steps, 1)]


def _cause_lines(cause: Cause, header: Header) -> list[str]:
    remedy = cause.remedy
    shares = ", ".join(f"{header.answers_for[name]} {percent(p)}" for name, p in cause.answers_for.items())
    phone = f"{remedy.by_phone} - {remedy.by_phone_how}" if remedy.by_phone_how else remedy.by_phone
    return [
        f"share of callbacks: {percent(cause.prior)}", f"class: {cause.safety.replace('_', ' ')}",
        f"remedy: {remedy.summary} ({remedy.minutes:g} min)", *_numbered(remedy.steps),
        *_said(("to be set up: ", ", ".join(header.set_ups[name].title for name in remedy.set_ups)),
               ("done by: ", "; ".join(header.people[who] for who in remedy.who)), ("by phone: ", phone),
               ("made sure by: ", remedy.verified), ("bring: ", ", ".join(header.parts[part] for part in remedy.bring)),
               ("answers for it: ", shares), ("source: ", cause.source), ("see: ", "; ".join(cause.see)))]


def _finding_lines(finding: Finding, header: Header) -> list[str]:
    levels = list(zip(finding.levels, finding.meanings, strict=True))
    without = "how often: " if finding.kind == CIRCUMSTANCE else "without any listed cause: "
    read = finding.reading
    bands = read and "; ".join(f"{_words(name)} {low:g} to {high:g}" for name, (low, high) in read.bands.items())
    tools = (" or ".join(header.tools[tool] for tool in some) for some in finding.tools)
    phrases = [words for level, words in finding.phrases if level != finding.levels[0]]
    shares = ", ".join(f"{_words(name)} {percent(p)}" for name, p in zip(finding.levels[1:], finding.leak, strict=True))
    lines = _said(
        ("levels: ", "; ".join(f"{_words(name)} ({meaning})" if meaning else _words(name) for name, meaning in levels)),
        ("sets off: ", "; ".join(f"\"{_words(what)}\" at {_words(name)}" for name, what in finding.alarm.items())),
        (f"read in {read.unit}: " if read else "", bands or ""),
        (without, shares),
        ("mentioned unasked where it is so: ", percent(finding.salience) if finding.kind == REPORT else ""),
        ("in customers' words: ", "; ".join(f"\"{words}\"" for words in phrases[:WORTH_QUOTING])
         + (f"; {len(phrases) - WORTH_QUOTING} more" if len(phrases) > WORTH_QUOTING else "")),
        ("answers these too, so they are not asked after it: ", ", ".join(finding.settles)),
        ("answered by: ", "; ".join(header.people[who] for who in finding.who)))
    for who, steps in finding.how.items():
        lines += [f"for the {who}:", *_numbered(steps)]
    return lines + _said(
        ("minutes: ", f"{finding.minutes:g}" if finding.minutes else ""), ("tools: ", ", ".join(tools)),
        ("to be set up: ", ", ".join(header.set_ups[name].title for name in finding.set_ups)),
        ("see: ", "; ".join(finding.see)))


def _words(name: str) -> str:
    return name.replace("_", " ")


def _draw_ties(out: Console, ties: Sequence[Tie], heading: str) -> None:
    _heading(out, heading)
    rows = []
    for tie in ties[:WORTH_ALL]:
        levels = ", ".join(f"{level.replace('_', ' ')} {percent(p)}" for level, p in tie.p.items()
                           if p > 0 and level not in ("present", "yes"))
        through = f"through {', '.join(one.condition for one in tie.through)}" if tie.through else ""
        needed = f"needs it: {tie.needed}" if tie.needed else ""
        note = "; ".join(words for words in (levels, through, needed) if words)
        strength = [Text(percent(tie.strength)), bar(out, tie.strength, cells=SIDE // 2)] if tie.p else [Text(""), Text("")]
        words = Text(plain(tie.title)) + Text(f"  {tie.id}", style="cyan")
        rows.append([*strength, words + Text(_glued(plain(f"  {note}")), style="dim") if note else words])
    _grid(out, rows, right=[0])
    if len(ties) > WORTH_ALL:
        _lines(out, [f"and {len(ties) - WORTH_ALL} more (all with --json)"], mark="", style="dim")


def _draw_look_alike(out: Console, other: LookAlike) -> None:
    _lines(out, [Text(plain(other.title)) + Text(f"  {other.cause}", style="cyan") + Text(f"  alike {percent(other.overlap)}")])
    apart = []
    for one in other.told_apart_by:
        here, there = (max(p, key=lambda level: p[level]) for p in (one.here, one.there))
        if here == there:  # alike in what shows most often: the level that shows it best
            here = there = max(one.here, key=lambda level: abs(one.here[level] - one.there[level]))
        apart.append(f"{one.title}: here {_words(here)} {percent(one.here[here])}, there {_words(there)} "
                     f"{percent(one.there[there])}")
    _lines(out, apart or ["no check tells them apart"], mark="    ", style="dim")


def show_overview(out: Console, found: Overview, opened: Opened) -> None:
    """A whole network by its areas: how much each holds, how they hang together, the ids of their items."""
    def draw(inner: Console) -> None:
        inner.print(Text(plain(found.title), style="bold"))
        _heading(inner, "AREAS")
        counts = [[len(part) for part in area[2:]] for area in found.areas]
        rows = [[*(Text(str(count)) for count in row), Text(plain(area.title)) + Text(f"  {area.id}", style="cyan")]
                for row, area in zip(counts, found.areas, strict=True)]
        rows.append([*(Text(str(sum(column))) for column in zip(*counts, strict=True)), Text("all areas")])
        _grid(inner, [[*(Text(words, style="bold") for words in AREA_PARTS), Text("")], *rows], right=range(len(AREA_PARTS)))
        _heading(inner, "HOW THEY HANG TOGETHER (findings that one cause of an area brings, on average; in brackets: links)")
        for area in found.areas:
            ties = [one for one in found.between if one.source == area.id and one.brings >= WORTH_DRAWING]
            if ties:
                _lines(inner, [f"{area.title}: " + ", ".join(f"{one.target} {one.brings:.1f} ({one.links})" for one in ties)],
                       mark="")
        for area in found.areas:
            _heading(inner, plain(area.title.upper()))
            for words, part in zip(AREA_PARTS, area[2:], strict=True):
                if part:
                    _lines(inner, [f"{words}: " + ", ".join(one.id for one in part)], mark="")
        _heading(inner, f"CONDITIONS (between causes and findings, of no area: {len(found.conditions)})")
        _lines(inner, [", ".join(one.id for one in found.conditions)], mark="")
        _draw_source(inner, opened)

    emit(out, draw)


def show_links(out: Console, links: Sequence[Link], item: str, opened: Opened) -> None:
    """The links around an item, under what they have in common."""
    def draw(inner: Console) -> None:
        titles = titles_of(opened.knowledge)
        title = titles.get(item) or opened.knowledge.header.areas[item]
        inner.print(Text(plain(title), style="bold") + Text(f"  {item}", style="cyan"))
        if not links:
            _lines(inner, ["Nothing is linked strongly enough to be shown."], mark="")
        for group in grouped(links, titles):
            _heading(inner, f"{'FROM' if group.start else 'TO'}: {plain(group.title)}  {group.id}")
            rows = [[Text(percent(p)), bar(inner, p, cells=SIDE // 2), Text(plain(words)) + Text(f"  {end}", style="cyan")]
                    for p, end, words in group.rows]
            _grid(inner, rows, right=[0])
        _draw_source(inner, opened)

    emit(out, draw)
