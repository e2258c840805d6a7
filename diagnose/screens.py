"""Records -> terminal; everything rich. Text from people and files goes in as plain Text, control characters replaced."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, TextIO

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from diagnose.records import CHECK, PEOPLE, REPORT
from diagnose.triage import percent

if TYPE_CHECKING:
    from diagnose.phrases import Doubt, Understood
    from diagnose.quantities import Judgement
    from diagnose.records import Finding, Knowledge
    from diagnose.source import Problem
    from diagnose.triage import CautionInForce, Heard, Share, Triage

COURSES = {
    "stop_now": "Stop now",
    "phone": "Talk it through by phone",
    "visit": "Book a visit",
    "workshop": "Send to a qualified workshop",
    "return": "Return the part to its supplier",
    "ask": "Ask more first",
}
CLASSES = {"stop_now": "STOP NOW", "do_not_use": "LEAVE IT OFF", "normal": "CARRY ON", "unknown": "NOT SURE YET"}
STYLES = {"stop_now": "bold red", "do_not_use": "bold yellow", "normal": "bold green", "unknown": "bold"}
CHANCES = {"phone": "words alone", "workshop": "a qualified workshop", "return": "a part sent back"}
BAR_CELLS = 20
WIDE, NARROW = 100, 70  # columns from which there is room for everything; below which bars are left out
LEAST_WIDTH = 20
WORTH_NAMING = 0.005  # probability that rounds to 1 % or more
WORTH_READING = 0.25  # probability from which a caution for the work on site is shown in full
WORTH_TELLING = 0.05  # probability from which causes that are there together are worth a line of their own
_GLUE = "\ue000"  # stands for a space that must not end a line
_CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff\ue000\ufeff]")


def console(stream: TextIO | None = None, *, width: int | None = None) -> Console:
    """A console on stdout (or ``stream``); width and colour as rich finds them, no escapes at all with NO_COLOR, and never
    so narrow that words are lost: a width of 0, which some surroundings report, means that nobody knows."""
    out = Console(file=stream or sys.stdout, width=width, color_system=None if os.environ.get("NO_COLOR") else "auto",
                  highlight=False, soft_wrap=False, emoji=False, markup=False)
    if out.width < LEAST_WIDTH:
        out.width = LEAST_WIDTH if out.width > 0 else 80
    return out


def plain(text: str) -> str:
    """Text on one line that cannot steer a terminal: control and direction characters become visible marks."""
    return _CONTROL.sub("\N{REPLACEMENT CHARACTER}", re.sub(r"[\t\r\n]+", " ", text))


def bar(out: Console, p: float, *, cells: int = BAR_CELLS) -> Text:
    """A bar of ``cells`` cells, filled in proportion to ``p``; plain characters where the stream knows no others."""
    full = max(1, round(p * cells)) if p > 0 else 0
    fancy = (out.encoding or "").lower().replace("-", "").startswith("utf")
    return Text(("■" if fancy else "#") * full, style="cyan")


def _glued(text: str) -> str:
    """A number keeps its unit beside it when lines are wrapped, an option its value."""
    return re.sub(r"(?<=\d) (?=%|min\b)|(?<=--check) |(?<=--report) ", _GLUE, text)


def _heading(out: Console, words: str, style: str = "bold") -> None:
    out.print()
    out.print(Text(words, style=style))


def _lines(out: Console, texts: Iterable[str | Text], *, mark: str = "- ", style: str = "") -> None:
    """Wrapped lines with a hanging indent; a Text keeps its own styles."""
    indent, lines = "  " + mark, []
    width = max(out.width - len(indent), 10)
    for text in texts:
        whole = text if isinstance(text, Text) else Text(_glued(plain(text)), style=style)
        wrapped = whole.wrap(out, width)
        lines += [Text(indent if number == 0 else " " * len(indent)) + line for number, line in enumerate(wrapped)]
    if lines:
        out.print(Text("\n").join(lines), no_wrap=True, crop=False)


def _grid(out: Console, rows: Sequence[Sequence[Text]], *, right: Sequence[int] = ()) -> None:
    table = Table.grid(padding=(0, 2, 0, 0), pad_edge=False)
    for number in range(max((len(row) for row in rows), default=0)):
        table.add_column(justify="right" if number in right else "left", overflow="fold", no_wrap=number in right)
    for row in rows:
        table.add_row(*row)
    out.print(Padding(table, (0, 0, 0, 2)))


def show_problems(problems: Iterable[Problem | str]) -> None:
    """Problems, or what is to be said beside an answer, to stderr, one a line."""
    err = console(sys.stderr)
    for problem in problems:
        err.print(Text(plain(str(problem))), soft_wrap=not err.is_terminal)


def source_line(speaks_from: str, network: str, version: str) -> str:
    """Whose numbers a screen speaks from."""
    return f"This speaks from {speaks_from}: {network}, version {version}."


def tell(sentences: Iterable[str]) -> None:
    """What was done, each sentence wrapped to the window, to stdout."""
    emit(console(), lambda inner: inner.print(Text("\n".join(plain(sentence) for sentence in sentences))))


def emit(out: Console, draw: Callable[[Console], None]) -> None:
    """Draw, then write it in one go, without the blanks that pad the ends of lines; what the stream cannot write becomes a
    question mark."""
    with out.capture() as captured:
        draw(out)
    text = re.sub(r"[ ]+((?:\x1b\[[0-9;]*m)*)\n", r"\1\n", captured.get()).replace(_GLUE, " ")
    encoding = out.encoding or "utf-8"
    out.file.write(text.encode(encoding, "replace").decode(encoding))
    out.file.flush()


def show_triage(out: Console, triage: Triage, understood: Understood | None, knowledge: Knowledge, *,
                in_full: bool = False) -> None:
    """The whole triage, in the order in which a call goes: what to say at once, whether it was heard rightly, what it may
    be, what to do, what to pack, who answers for it, what to mind at work.

    knowledge: for the titles of what the customer may have meant. in_full: every caution with all its words.
    """
    emit(out, lambda inner: _draw_triage(inner, triage, understood, knowledge, in_full=in_full))


def _draw_triage(out: Console, triage: Triage, understood: Understood | None, knowledge: Knowledge, *, in_full: bool) -> None:
    _show_advice(out, triage)
    _show_heard(out, triage, understood, knowledge)
    known = triage.course.kind != "ask"  # some trouble, so that there is something to weigh
    if known:
        _show_ranking(out, triage)
    _show_course(out, triage)
    _show_phone(out, triage)
    bring = "BRING" if triage.course.kind != "phone" else "BRING IF IT COMES TO A VISIT"
    _show_shares(out, f"{bring} (chance that it is needed)", triage.parts if known else ())
    _show_shares(out, "ANSWERS FOR IT", triage.answers_for if known else ())
    _show_site_cautions(out, triage.advice.cautions, in_full=in_full)
    out.print()
    _lines(out, [triage.notice, source_line(triage.speaks_from, triage.network, triage.version)], mark="", style="dim")


def _show_advice(out: Console, triage: Triage) -> None:
    advice = triage.advice
    unless = ", UNLESS ALL IS WELL AT WHAT IS ASKED FIRST" if advice.lifted_by else ""
    out.print(Text(f"TELL THE CUSTOMER: {CLASSES[advice.safety]}{unless}", style=STYLES[advice.safety]))
    for question in advice.ask_first:
        _lines(out, [f"Ask first: {question.ask}"], mark="")
        _lines(out, [f"(--check {question.finding}={'|'.join(question.levels)})"], mark="", style="dim")
    _lines(out, [advice.text], mark="")
    by_phone = {name for item in advice.phone for name in item.cautions}
    _lines(out, [_caution(c) for c in advice.cautions if c.now and c.id not in by_phone])
    for what, safety, p, limit in (("something dangerous", "stop_now", advice.p_stop, advice.threshold),
                                   ("something to leave off", "do_not_use", advice.p_do_not_use, advice.threshold_do_not_use)):
        first = next((f", first of all: {ranked.title}" for ranked in triage.ranking if ranked.safety == safety), "")
        if p >= WORTH_NAMING:
            _lines(out, [f"(chance of {what} {percent(p)}, it counts from {percent(limit)}{first})"], mark="", style="dim")


def _caution(caution: CautionInForce) -> str:
    return f"{caution.title}: {caution.text}"


def _show_heard(out: Console, triage: Triage, understood: Understood | None, knowledge: Knowledge) -> None:
    words = {(m.finding, m.level): m.words for m in understood.matches} if understood else {}
    _heading(out, "UNDERSTOOD AS")
    _lines(out, [_heard_line(heard, words.get((heard.finding, heard.level), "")) for heard in triage.heard] or ["nothing yet"])
    if understood and understood.doubts:
        _heading(out, "NOT SURE ABOUT (not counted)")
        for doubt in understood.doubts:
            _lines(out, [f'"{doubt.words}" may mean:'], mark="")
            for name, level, _ in doubt.candidates:
                finding = knowledge.findings[name]
                option = Text(_glued(option_for(finding, level)), style="cyan")
                _lines(out, [Text(plain(finding.title) + ("  " if level == "yes" else f": {level}  ")) + option])
    if understood and understood.left_over:
        _heading(out, "NOT UNDERSTOOD")
        _lines(out, [", ".join(understood.left_over)], mark="")
    if not triage.heard:
        _lines(out, ["Say it in other words, or find what to give with --report: diagnose findings WORDS"], mark="")


def _heard_line(heard: Heard, quote: str) -> Text:
    said = f"{heard.reading} ({heard.level})" if heard.reading else "" if heard.level == "yes" else heard.level
    text = Text(plain(heard.title) + (": " if said else ""))
    text.append(plain(said), style="green" if heard.normal else "bold")
    text.append("" if heard.sure else " (not sure)")
    text.append("" if heard.who == PEOPLE[0] else f" ({plain(heard.who)})")
    text.append(f"  {heard.finding}", style="cyan")
    return text.append(f'  "{plain(quote)}"' if quote else "", style="dim")


def option_for(finding: Finding, level: str) -> str:
    """The option that says this on the command line."""
    if finding.kind == REPORT and level in (finding.levels[0], finding.levels[-1]):
        return f"--{'normal' if level == finding.levels[0] else 'report'} {finding.id}"
    return f"--{'check' if finding.kind in (CHECK, REPORT) else 'circumstance'} {finding.id}={level}"


def _show_ranking(out: Console, triage: Triage) -> None:
    _heading(out, "LIKELY CAUSES (several may be there at once)")
    rows = []
    for ranked in triage.ranking:
        marks = {"stop_now": "stop now", "do_not_use": "leave off", "normal": ""}[ranked.safety]
        phone = {"yes": "by phone", "partly": "partly by phone", "no": ""}[ranked.by_phone]
        place = {"workshop": "workshop", "return": "supplier"}.get(ranked.where, "")
        note = Text(", ".join(word for word in (marks, phone, place) if word), style=STYLES[ranked.safety] if marks else "dim")
        cells = [Text(_glued(percent(ranked.p))), bar(out, ranked.p, cells=10 if out.width < WIDE else BAR_CELLS),
                 Text(plain(ranked.title)), note]
        if out.width < NARROW:
            cells = [cells[0], cells[2] + Text(" ") + Text("[") + note + Text("]") if note else cells[2]]
        rows.append(cells)
    blank = [Text("")] if out.width >= NARROW else []
    others = [("others in question, each less likely", triage.less_likely), ("nothing that the files know", triage.unexplained)]
    rows += [[Text(_glued(percent(p)), style="dim"), *blank, Text(words, style="dim")] for words, p in others if p > 0]
    _grid(out, rows, right=[0])
    together = [s for s in triage.sets if s.p >= WORTH_TELLING]
    if any(len(s.causes) > 1 for s in together):
        _heading(out, "TOGETHER (this and nothing else)")
        _grid(out, [[Text(_glued(percent(s.p))), Text(plain(" + ".join(s.titles)))] for s in together], right=[0])


def _show_course(out: Console, triage: Triage) -> None:
    course = triage.course
    _heading(out, f"COURSE: {COURSES[course.kind]}", STYLES["stop_now"] if course.kind == "stop_now" else "bold")
    _lines(out, course.reasons)
    chances = ", ".join(f"{CHANCES[name]} {percent(p)}" for name, p in course.chances.items() if p >= WORTH_NAMING)
    if chances and course.kind != "stop_now":
        _lines(out, [f"chance of each way: {chances}"])
    if triage.ranking:
        _lines(out, [f"time once it is found: {course.minutes:.0f} min expected, plan for {course.plan_minutes:.0f} min"])
    if course.set_ups:
        _lines(out, ["likely needed for it: " + ", ".join(f"{s.label} {percent(s.p)}" for s in course.set_ups)])


def _show_phone(out: Console, triage: Triage) -> None:
    """What the customer can do, what must be said before it first."""
    if not triage.advice.phone:
        return
    _heading(out, "WHAT THE CUSTOMER CAN DO" + ("" if triage.course.kind == "phone" else " MEANWHILE"))
    first = {name for item in triage.advice.phone for name in item.cautions}
    if first:
        _lines(out, ["Say first:"], mark="")
        _lines(out, [_caution(c) for c in triage.advice.cautions if c.id in first])
        _lines(out, ["Then:"], mark="")
    _lines(out, [f"{item.title} ({percent(item.p)}{'' if item.fully else ', helps in part'}): {item.words}"
                 for item in triage.advice.phone])


def _show_shares(out: Console, heading: str, shares: Sequence[Share]) -> None:
    if shares:
        _heading(out, heading)
        _lines(out, [", ".join(f"{share.label} {percent(share.p)}" for share in shares)], mark="")


def _show_site_cautions(out: Console, cautions: Sequence[CautionInForce], *, in_full: bool) -> None:
    """Cautions for the work itself: in full where the work is likely or all are wanted, else by title."""
    full = [c for c in cautions if not c.now and (in_full or c.p >= WORTH_READING)]
    short = [c for c in cautions if not c.now and c not in full]
    if full or short:
        _heading(out, "MIND ON SITE")
    _lines(out, [_caution(caution) for caution in full])
    if short:
        titles = "; ".join(caution.title for caution in short)
        _lines(out, [f"if it comes to it: {titles} (in full with --cautions)"])


def show_findings(out: Console, knowledge: Knowledge, found: Sequence[tuple[str, float]]) -> None:
    """Findings of a search: id, kind, title, levels."""
    rows = []
    for name, _ in found:
        finding: Finding = knowledge.findings[name]
        row = [Text(name, style="cyan"), Text(finding.kind), Text(plain(finding.title))]
        rows.append(row if out.width < WIDE else [*row, Text(", ".join(finding.levels), style="dim")])
    nothing = Text("nothing like that; try fewer or other words")
    emit(out, lambda inner: _grid(inner, rows) if rows else inner.print(nothing))


def show_network(out: Console, counts: dict[str, int], title: str, warnings: Sequence[Problem], seconds: float) -> None:
    """The result of a network check."""

    def draw(inner: Console) -> None:
        inner.print(Text(plain(title), style="bold"))
        _grid(inner, [[Text(str(number)), Text(name)] for name, number in counts.items()], right=[0])
        for warning in warnings:
            inner.print(Text("warning: ", style="yellow") + Text(plain(str(warning))), soft_wrap=True)
        inner.print(Text(f"well-formed; the general library's own check passes too ({seconds:.1f} s); "
                         f"warnings: {len(warnings)}"))

    emit(out, draw)


def ask_which(out: Console, doubt: Doubt, knowledge: Knowledge) -> tuple[str, str] | None:
    """Ask what a doubtful stretch of words means: (finding, level), or None for none of them."""

    def draw(inner: Console) -> None:
        _heading(inner, f'What does "{plain(doubt.words)}" mean?')
        for number, (name, level, _) in enumerate(doubt.candidates, 1):
            finding = knowledge.findings[name]
            said = "" if level == "yes" else f": {level}"
            _lines(inner, [f"{finding.title}{said}"], mark=f"{number}  ")
        _lines(inner, ["none of these"], mark="0  ")

    emit(out, draw)
    while True:
        try:
            answer = out.input("number (Enter for none): ").strip()
        except EOFError:
            out.print()
            return None
        if answer in ("", "0"):
            return None
        if answer.isdecimal() and 1 <= int(answer) <= len(doubt.candidates):
            name, level, _ = doubt.candidates[int(answer) - 1]
            return name, level
        out.print(Text(f"type a number from 0 to {len(doubt.candidates)}"))


def show_readings(out: Console, found: Sequence[Mapping[str, Any]], *, in_full: bool) -> None:
    """Readings with what they need, or in full: every argument with its limits and what it is usually."""
    def draw(inner: Console) -> None:
        if not in_full:
            _grid(inner, [[Text(one["name"], style="cyan"), Text(one["title"]),
                           Text(" ".join(a["name"] for a in one["arguments"] if a["required"]), style="dim")] for one in found])
            _lines(inner, ["diagnose reading NAME says what one takes; diagnose reading NAME VALUE... works it out"], mark="",
                   style="dim")
            return
        for one in found:
            _heading(inner, f"{one['name']}: {one['title']}")
            rows = []
            for argument in one["arguments"]:
                limits = f"{argument['lowest']:g} to {argument['highest']:g} {argument['unit']}"
                takes = ", ".join(argument["choices"]) or limits
                default = "" if argument["default"] is None else f"usually {argument['default']}"
                needed = "needed" if argument["required"] else default
                row = [Text(argument["name"], style="cyan"), Text(takes), Text(needed), Text(argument["meaning"], style="dim")]
                rows.append(row)
            _grid(inner, rows)

    emit(out, draw)


def show_judgement(out: Console, judgement: Judgement) -> None:
    """What a reading says: the sentence, the figures, how likely each level is, formula, sources and limits."""
    def draw(inner: Console) -> None:
        inner.print(Text(plain(judgement.sentence), style="bold"))
        _grid(inner, [[Text(f.name), Text(f"{f.value:.4g} {f.unit}".strip())] for f in judgement.figures])
        _heading(inner, "levels, likelihood with the meter's error")
        _grid(inner, [[Text(level.replace("_", " ")), bar(inner, p), Text(f"{p:.2g}")]
                      for level, p in judgement.likelihood.items()])
        _heading(inner, "how")
        _lines(inner, [judgement.formula, f"holds for: {judgement.limits}"])
        _lines(inner, [f"{key}: {words}" for key, words in judgement.sources.items()], style="dim")

    emit(out, draw)
