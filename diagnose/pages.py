"""Records -> pages of HTML that need nothing else: no network, no script; every picture drawn from data and told in words.

Everything goes through templates that escape all text; nothing is ever marked as safe here.
"""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from diagnose.caserecord import CLOSED, CURED, NO_CHANGE, PARTLY, Case
from diagnose.explain import History, Weights
from diagnose.maps import WORTH_DRAWING, Link, grouped, links_around, overview, titles_of
from diagnose.network import Opened
from diagnose.reasons import Reasons
from diagnose.records import REPORT, SAFETY_CLASSES, Cause
from diagnose.screens import CLASSES, COURSES, plain
from diagnose.screens_explain import conflict_words, decibans, number_words, turn_words, weighed
from diagnose.triage import Triage, percent

if TYPE_CHECKING:
    import jinja2

LIKELY, VERY_LIKELY, WORTH_NAMING = 0.5, 0.8, 0.1  # probabilities from which a customer is told so
WORTH_LISTING = 0.05  # probability from which a set of causes has a line
GRAVE = ("stop_now", "do_not_use")  # classes whose advice stands out
NOTICED = 0.3  # link from which a report is worth looking out for
MOST_NOTICED = 6
LEFT, RIGHT, TOP, BOTTOM = 40.0, 375.0, 12.0, 190.0  # edges of the plot in its drawing
APART = 12.0  # between the labels at the ends of lines
COLUMNS, BOX_WIDTH, ROW = (4.0, 334.0, 664.0), 232.0, 34.0  # of the picture of a network
FITS, LETTER_ROW = 36, 12.0  # characters in a line of a box, of two; between these lines
UNIT = r"(?<=\d) (?=%|(?:[VA]|mA|min|bit|ohm)\b)"  # the space between a number and its unit, where no line ends
MONTHS = ("January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
          "December")
OUTCOMES = {CURED: "put it right", NO_CHANGE: "changed nothing", PARTLY: "helped in part"}


class Tick(NamedTuple):
    """A mark on an axis: its place and its label."""

    at: str
    label: str


class Line(NamedTuple):
    """One cause over time. number: 1 for the first; parts: points of each unbroken piece; label_y: place of the number."""

    number: int
    title: str
    parts: tuple[str, ...]
    dots: tuple[tuple[str, str], ...]
    label_y: str
    words: str


class Chart(NamedTuple):
    """Belief over time, ready to be drawn. words: the same as text."""

    lines: tuple[Line, ...]
    across: tuple[Tick, ...]
    up: tuple[Tick, ...]
    words: str


class Bar(NamedTuple):
    """A weight as a bar in 100 units of width, the middle at 50."""

    title: str
    said: str
    words: str
    x: str
    width: str
    side: str


def chart_of(told: History) -> Chart | None:
    """The picture of how belief moved; None where there is nothing to join by a line."""
    count = len(told.moments)
    if count < 2 or not told.causes:
        return None

    def x(k: int) -> float:
        return LEFT + (RIGHT - 15.0 - LEFT) * k / (count - 1)

    def y(p: float) -> float:
        return BOTTOM - (BOTTOM - TOP) * p

    ends = _spread([y(told.moments[-1].p[c]) for c in range(len(told.causes))])
    lines = []
    for c, title in enumerate(told.titles):
        pieces: list[list[tuple[str, str]]] = [[]]
        for k, moment in enumerate(told.moments):
            if moment.p:
                pieces[-1].append((f"{x(k):.1f}", f"{y(moment.p[c]):.1f}"))
            elif pieces[-1]:
                pieces.append([])
        first, last = (next(m.p[c] for m in some if m.p) for some in (told.moments, told.moments[::-1]))
        lines.append(Line(c + 1, title, tuple(" ".join(",".join(point) for point in piece) for piece in pieces if piece),
                          tuple(point for piece in pieces for point in piece), f"{ends[c]:.1f}",
                          f"{title}: from {percent(first)} to {percent(last)}"))
    every = math.ceil(count / 12)
    across = tuple(Tick(f"{x(k):.1f}", str(k)) for k in range(0, count, every))
    up = tuple(Tick(f"{y(p):.1f}", percent(p)) for p in (0.0, 0.25, 0.5, 0.75, 1.0))
    return Chart(tuple(lines), across, up, "; ".join(line.words for line in lines))


def _spread(places: Sequence[float]) -> list[float]:
    """Places moved apart until none covers another, within the plot if there is room."""
    order = sorted(range(len(places)), key=lambda c: places[c])
    result = list(places)
    at = -math.inf
    for c in order:
        at = result[c] = max(places[c], at + APART)
    limit = BOTTOM
    for c in reversed(order):
        limit = result[c] = min(result[c], limit)
        limit -= APART
    return result


def bars_of(weights: Weights) -> tuple[Bar, ...]:
    """The weight of every answer as a bar to either side, the strongest a full side."""
    every = weighed(weights)
    most = max((abs(one.alone) for one in every if math.isfinite(one.alone)), default=0.0)
    bars = []
    for one in every:
        share = 50.0 if not math.isfinite(one.alone) else 50.0 * abs(one.alone) / most if most else 0.0
        bars.append(Bar(one.title, one.said, decibans(one.alone), f"{50.0 - share if one.alone < 0 else 50.0:.1f}",
                        f"{share:.1f}", "against" if one.alone < 0 else "for"))
    return tuple(bars)


def report_page(opened: Opened, case: Case, triage: Triage, reasons: Reasons) -> str:
    """The page of a case for the fitter: advice, ranking, belief over time, answers with weights, remedies, cautions."""
    knowledge = opened.knowledge
    found = reasons.sensitivity
    lean = (number_words(found.leans_on, knowledge), turn_words(found.leans_on, found, knowledge)) if (
        found and found.leans_on) else None
    likely = {*(one.cause for one in triage.ranking[:1]), *(reasons.sets[0].causes if reasons.sets else ())}
    first = [knowledge.causes[one.cause] for one in triage.ranking if one.cause in likely]
    done = [knowledge.causes[name] for name in case.confirmed if name in knowledge.causes]
    return _render(
        "report.html", title=", ".join(filter(None, (f"Case {case.id}", case.reference))), case=case, triage=triage,
        reasons=reasons, chart=chart_of(reasons.history), bars=bars_of(reasons.weights) if reasons.weights else (),
        safety=CLASSES[triage.advice.safety].capitalize(), course=COURSES[triage.course.kind], remedies=done or first,
        opened_on=day_in_words(case.opened), found=bool(done), tried=_tried(opened, case), closing=_closing(opened, case),
        sets=[one for one in reasons.sets if one.p >= WORTH_LISTING],
        support=reasons.support.requirements if reasons.support.well else reasons.support.failed,
        lean=lean, conflict=conflict_words(reasons), parts=knowledge.header.parts)


def _tried(opened: Opened, case: Case) -> list[tuple[str, str, str]]:
    """Title, outcome in words and note of every remedy tried."""
    causes = opened.knowledge.causes
    return [(causes[r.cause].title if r.cause in causes else r.cause, OUTCOMES[r.outcome], r.note) for r in case.remedies]


def _closing(opened: Opened, case: Case) -> dict[str, str]:
    """How a case ended, in words; empty while it is open."""
    if case.status != CLOSED:
        return {}
    causes, parts = opened.knowledge.causes, opened.knowledge.header.parts
    what = ", ".join(causes[name].title if name in causes else name for name in case.confirmed) or case.unlisted
    rows = {"Cause found": what or "none", "Everything works again": "yes" if case.fully_put_right else "no",
            "Made sure by": case.verified, "Parts used": ", ".join(parts.get(name, name) for name in case.parts),
            "Minutes": "" if case.minutes is None else f"{case.minutes:g}"}
    return {label: words for label, words in rows.items() if words}


class Told(NamedTuple):
    """What a customer is told about one cause."""

    title: str
    description: str
    sure: str


def customer_page(opened: Opened, case: Case, triage: Triage) -> str:
    """The page for the customer: what was wrong, what was done, what to look out for; nothing of the inner workings."""
    knowledge = opened.knowledge
    closed = case.status == CLOSED
    causes = [(knowledge.causes[name], 1.0) for name in case.confirmed if name in knowledge.causes]
    if not closed:
        causes = [(knowledge.causes[one.cause], one.p) for one in triage.ranking if one.p >= WORTH_NAMING][:3]
    safety = triage.advice.safety
    told = [Told(cause.title, cause.description, "" if closed else _sure(p)) for cause, p in causes]
    cured = [knowledge.causes[r.cause].remedy.summary for r in case.remedies
             if r.outcome == CURED and r.cause in knowledge.causes]
    if closed and case.fully_put_right and not cured:
        cured = [cause.remedy.summary for cause, _ in causes]
    done = list(dict.fromkeys(cured))
    grave = max((cause.safety for cause, p in causes if closed or p >= LIKELY), key=SAFETY_CLASSES.index, default="normal")
    return _render(
        "customer.html", title=f"About your {knowledge.header.object}", case=case, told=told, closed=closed, done=done,
        day=day_in_words(case.closed or case.opened), parts=[knowledge.header.parts.get(name, name) for name in case.parts],
        noticed=noticed(opened, [cause for cause, _ in causes]), notice=triage.notice,
        advice="" if closed else triage.advice.text, urgent=CLASSES[safety].capitalize() if safety in GRAVE else "",
        cautions=() if closed else [one for one in triage.advice.cautions if one.now],
        again=knowledge.header.advice[grave] if grave != "normal" else "")


def day_in_words(at: str) -> str:
    """The day of a moment in ISO 8601 as people write it: 4 February 2026."""
    day = date.fromisoformat(at[:10])
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def _sure(p: float) -> str:
    return "very likely" if p >= VERY_LIKELY else "likely" if p >= LIKELY else "possible"


def noticed(opened: Opened, causes: Sequence[Cause]) -> list[str]:
    """The titles of the reports that these causes bring, the surest first: what to look out for."""
    network, strongest = opened.network, dict[str, float]()
    for cause in causes:
        for j, row in network.rows_of_cause(network.cause_index[cause.id]):
            name = network.findings[j]
            if opened.knowledge.findings[name].kind == REPORT:
                strongest[name] = max(strongest.get(name, 0.0), 1.0 - float(network.link[row, 0]))
    names = sorted((name for name, p in strongest.items() if p >= NOTICED), key=lambda name: (-strongest[name], name))
    return [opened.knowledge.findings[name].title for name in names[:MOST_NOTICED]]


def _render(template: str, **values: Any) -> str:
    """A page from a template; all text is escaped, control and direction characters become visible marks."""
    return _environment().get_template(template).render(**values)


def _environment() -> jinja2.Environment:
    import jinja2

    def shown(value: Any) -> Any:
        return re.sub(UNIT, "\N{NO-BREAK SPACE}", plain(value)) if type(value) is str else value

    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(Path(__file__).parent / "templates", encoding="utf-8"), autoescape=True,
        undefined=jinja2.StrictUndefined, finalize=shown, trim_blocks=True, lstrip_blocks=True)
    environment.filters["percent"] = percent
    return environment


# --- a network around an item ------------------------------------------------------------------------------------------


class Box(NamedTuple):
    """An item in the picture: its title, the lines of it that fit with the place of each, its own place."""

    title: str
    lines: tuple[tuple[str, str], ...]
    x: str
    y: str


class Stroke(NamedTuple):
    """A link in the picture, as a curve."""

    path: str
    width: str
    opacity: str


class Picture(NamedTuple):
    """A network ready to be drawn. words: the same told; heads: above the columns."""

    title: str
    words: str
    height: str
    heads: list[Tick]
    boxes: list[Box]
    strokes: list[Stroke]


def network_page(opened: Opened, item: str) -> str:
    """The page of a network around an item: causes, conditions and findings as a picture, and the same links as a table."""
    knowledge = opened.knowledge
    links = links_around(opened, item)
    titles = titles_of(knowledge)
    title = titles.get(item) or knowledge.header.areas.get(item, item)
    counts = [len({one[end] for one in links if one.column in columns}) for end, columns in ((0, (0, 2)), (1, (1, 2)))]
    conditions = {one.target for one in links if one.column == 0} | {one.source for one in links if one.column == 1}
    words = (f"causes on the left: {counts[0]}; conditions in the middle: {len(conditions)}; findings on the right: "
             f"{counts[1]}; the stronger a link, the thicker its line; a line straight from a cause to a finding counts in "
             "place of the way through conditions; every link stands in the table below")
    return _render("network.html", title=title, item=item, groups=grouped(links, titles),
                   picture=_drawn(links, titles, f"What hangs on what: {title}", words),
                   network=knowledge.header.title, version=knowledge.header.version, speaks_from=opened.speaks_from)


def overview_page(opened: Opened) -> str:
    """The page of a whole network: how its areas hang together as a picture and as a table, and the items of each."""
    found = overview(opened)
    drawn = [one for one in found.between if one.brings >= WORTH_DRAWING]
    most = max((one.brings for one in drawn), default=1.0)
    links = [Link(f"causes of {one.source}", f"findings of {one.target}", one.brings / most, 2) for one in drawn]
    titles = {f"{kind} of {area.id}": area.title for kind in ("causes", "findings") for area in found.areas}
    names = {area.id: area.title for area in found.areas}
    ties = {area.id: [(names[one.target], one) for one in found.between
                      if one.source == area.id and one.brings >= WORTH_DRAWING] for area in found.areas}
    return _render("overview.html", title=found.title, found=found, ties=ties, speaks_from=opened.speaks_from,
                   picture=_drawn(links, titles, "How the areas hang together",
                                  "on the left the areas by their causes, on the right by their findings; the more findings of "
                                  "an area a cause brings, the thicker the line; the numbers stand in the table below",
                                  heads=("Causes of", "", "Findings of"), order=list(titles)))


def _drawn(links: Sequence[Link], titles: Mapping[str, str], title: str, words: str, *,
           heads: tuple[str, str, str] = ("Causes", "Conditions", "Findings"), order: Sequence[str] = ()) -> Picture:
    """The picture of these links; each column in this order, else in the order of what it hangs on, so that few lines cross."""
    columns: list[dict[str, None]] = [{}, {}, {}]
    for one in links:
        columns[1 if one.column == 1 else 0][one.source] = None
        columns[1 if one.column == 0 else 2][one.target] = None
    longest = max((len(column) for column in columns), default=1)
    place: dict[str, tuple[float, float]] = {}
    for number, column in enumerate(columns):
        names = [name for name in order if name in column] or sorted(
            column, key=lambda name: (_middle(name, links, place), titles[name]))
        step = longest * ROW / max(len(names), 1)
        for k, name in enumerate(names):
            place[name] = (COLUMNS[number], 24.0 + step * (k + 0.5))
    boxes = [Box(titles[name], _lines(titles[name]), f"{x:.0f}", f"{y:.1f}") for name, (x, y) in place.items()]
    strokes = []
    for one in reversed(links):
        (x1, y1), (x2, y2) = place[one.source], place[one.target]
        x1 += BOX_WIDTH
        bend = (x2 - x1) / 2.0
        strokes.append(Stroke(f"M{x1:.0f},{y1:.1f} C{x1 + bend:.0f},{y1:.1f} {x2 - bend:.0f},{y2:.1f} {x2:.0f},{y2:.1f}",
                              f"{0.5 + 3.5 * one.p:.1f}", f"{0.25 + 0.75 * one.p:.2f}"))
    marks = [Tick(f"{x:.0f}", head) for x, head in zip(COLUMNS, heads, strict=True) if head]
    return Picture(title, words, f"{30.0 + longest * ROW:.0f}", marks, boxes, strokes)


def _middle(name: str, links: Sequence[Link], place: Mapping[str, tuple[float, float]]) -> float:
    above = [place[one.source][1] for one in links if one.target == name and one.source in place]
    return sum(above) / len(above) if above else 0.0


def _lines(title: str) -> tuple[tuple[str, str], ...]:
    """A title in one line or two, each with its place under the middle of its box."""
    lines = textwrap.wrap(title, FITS, max_lines=2, placeholder="…")
    top = -LETTER_ROW * (len(lines) - 1) / 2.0
    return tuple((line, f"{top + LETTER_ROW * k:.0f}") for k, line in enumerate(lines))
