"""Records -> terminal; everything rich. Text from people and files goes in as plain Text, control characters replaced."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, TextIO

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

if TYPE_CHECKING:
    from diagnose.phrases import Doubt, Understood
    from diagnose.records import Finding, Knowledge
    from diagnose.source import Problem
    from diagnose.triage import Share, Triage

COURSES = {
    "stop_now": "Stop now",
    "phone": "Talk it through by phone",
    "visit": "Book a visit",
    "workshop": "Send to a qualified workshop",
    "return": "Return the part to its supplier",
}
CLASSES = {"stop_now": "STOP NOW", "do_not_use": "LEAVE IT OFF", "normal": "CARRY ON", "unknown": "NOT YET"}
STYLES = {"stop_now": "bold red", "do_not_use": "bold yellow", "normal": "bold green", "unknown": "bold"}
BAR_CELLS = 20
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069\ufeff]")


def console(stream: TextIO | None = None, *, width: int | None = None) -> Console:
    """A console on stdout (or ``stream``); colour, width and NO_COLOR as rich finds them."""
    return Console(file=stream or sys.stdout, width=width, highlight=False, soft_wrap=False, emoji=False, markup=False)


def plain(text: str) -> str:
    """Text that cannot steer a terminal: control and direction characters become visible marks."""
    return _CONTROL.sub("\N{REPLACEMENT CHARACTER}", text.replace("\t", " ").replace("\r", " "))


def percent(p: float) -> str:
    """A probability as people read it; never 0 % or 100 % for something that is neither."""
    if p >= 0.995:
        return ">99 %" if p < 1 else "100 %"
    if p < 0.005:
        return "<1 %" if p > 0 else "0 %"
    return f"{p * 100:.0f} %"


def bar(out: Console, p: float, *, cells: int = BAR_CELLS) -> Text:
    """A bar of ``cells`` cells, filled in proportion to ``p``; plain characters where the stream knows no others."""
    full = max(1, round(p * cells)) if p > 0 else 0
    fancy = (out.encoding or "").lower().replace("-", "").startswith("utf")
    return Text(("■" if fancy else "#") * full, style="cyan")


def _heading(out: Console, words: str, style: str = "bold") -> None:
    out.print()
    out.print(Text(words, style=style))


def _lines(out: Console, texts: Iterable[str], *, mark: str = "- ", style: str = "") -> None:
    """Wrapped lines with a hanging indent."""
    for text in texts:
        table = Table.grid(padding=0)
        table.add_column(width=2 + len(mark))
        table.add_column()
        table.add_row(Text("  " + mark), Text(plain(text), style=style))
        out.print(table)


def _grid(out: Console, rows: Sequence[Sequence[Text]], *, right: Sequence[int] = ()) -> None:
    table = Table.grid(padding=(0, 2, 0, 0), pad_edge=False)
    for number in range(max(len(row) for row in rows)):
        table.add_column(justify="right" if number in right else "left", overflow="fold", no_wrap=number in right)
    for row in rows:
        table.add_row(*row)
    out.print(Padding(table, (0, 0, 0, 2)))


def show_problems(problems: Iterable[Problem]) -> None:
    """Problems to stderr, one a line."""
    err = console(sys.stderr)
    for problem in problems:
        err.print(Text(plain(str(problem))), soft_wrap=True)


def emit(out: Console, draw: Callable[[Console], None]) -> None:
    """Draw, then write it in one go without the blanks that pad the ends of lines."""
    with out.capture() as captured:
        draw(out)
    text = re.sub(r"[ ]+((?:\x1b\[[0-9;]*m)*)\n", r"\1\n", captured.get())
    out.file.write(text)
    out.file.flush()


def show_triage(out: Console, triage: Triage, understood: Understood | None) -> None:
    """The whole triage, gravest first."""
    emit(out, lambda inner: _draw_triage(inner, triage, understood))


def _draw_triage(out: Console, triage: Triage, understood: Understood | None) -> None:
    advice = triage.advice
    out.print(Text(plain(triage.title), style="bold"), end="")
    out.print(Text(f"  ({plain(triage.speaks_from)}, version {plain(triage.version)})", style="dim"))
    _show_heard(out, triage, understood)
    _heading(out, f"TELL THE CUSTOMER: {CLASSES[advice.safety]}", STYLES[advice.safety])
    _lines(out, [advice.text], mark="")
    if advice.lifted_by:
        asked = ", ".join(advice.lifted_by)
        first = advice.lifted_by[0]
        _lines(out, [f"Ask first, before anything else: {asked}. All well there (--normal {first}) may lift this."], mark="")
    for share in advice.phone:
        _lines(out, [f"Meanwhile ({percent(share.p)} to be of use): {share.label}"], mark="")
    _show_ranking(out, triage)
    course = triage.course
    _heading(out, f"COURSE: {COURSES[course.kind]}", STYLES["stop_now"] if course.kind == "stop_now" else "bold")
    _lines(out, course.reasons)
    chances = ", ".join(f"{name} {percent(p)}" for name, p in course.chances.items() if p >= 0.005)
    if chances:
        _lines(out, [f"chances: {chances}"])
    if triage.ranking:
        extra = ", ".join(f"{s.label} {percent(s.p)}" for s in course.set_ups)
        _lines(out, [f"putting it right once found: about {course.minutes:.0f} min, plan {course.plan_minutes:.0f} min"
                     + (f" (with {extra})" if extra else "")])
    _show_shares(out, "BRING", triage.parts, "needed")
    _show_shares(out, "ANSWERS FOR IT", triage.answers_for, "")
    if advice.cautions:
        _heading(out, "CAUTIONS")
        _lines(out, [share.label for share in advice.cautions])
    out.print()
    out.print(Text(plain(triage.notice), style="dim"))


def _show_heard(out: Console, triage: Triage, understood: Understood | None) -> None:
    words = {m.finding: m.words for m in understood.matches} if understood else {}
    _heading(out, "UNDERSTOOD AS")
    rows = []
    for heard in triage.heard:
        said = heard.reading or (heard.level if heard.level != "yes" else "")
        sure = "" if heard.sure else " (not sure)"
        quote = f'"{plain(words[heard.finding])}"' if heard.finding in words else ""
        level = Text(f"{said}{sure}" or "yes", style="green" if heard.normal else "")
        rows.append([Text(heard.finding, style="cyan"), level, Text(plain(heard.title)), Text(quote, style="dim")])
    if rows:
        _grid(out, rows if out.width >= 100 else [row[:3] for row in rows])
    else:
        _lines(out, ["nothing yet"], mark="")
    if understood and understood.doubts:
        _heading(out, "NOT SURE ABOUT (not counted)")
        for doubt in understood.doubts:
            _lines(out, [f'"{plain(doubt.words)}": {doubt_choices(doubt)}'])
    if understood and understood.left_over:
        _heading(out, "NOT UNDERSTOOD")
        _lines(out, [", ".join(plain(words) for words in understood.left_over)], mark="")


def doubt_choices(doubt: Doubt) -> str:
    """What a doubtful stretch may mean, as ids that the options take."""
    return " or ".join(f"{finding}={level}" for finding, level, _ in doubt.candidates) + "?"


def _show_ranking(out: Console, triage: Triage) -> None:
    _heading(out, "LIKELY CAUSES (several may be there at once)")
    narrow = out.width < 100
    rows = []
    for ranked in triage.ranking:
        marks = {"stop_now": "stop now", "do_not_use": "leave off", "normal": ""}[ranked.safety]
        phone = {"yes": "by phone", "partly": "partly by phone", "no": ""}[ranked.by_phone]
        note = ", ".join(word for word in (marks, phone) if word)
        cells = [Text(percent(ranked.p)), bar(out, ranked.p, cells=10 if narrow else BAR_CELLS), Text(plain(ranked.title))]
        rows.append([*cells, Text(note, style=STYLES[ranked.safety] if marks else "dim")])
    if rows:
        _grid(out, rows, right=[0])
    rest = f"none of these: {percent(triage.unexplained)}"
    _lines(out, [rest + " (nothing that the files list)"], mark="", style="dim")
    if triage.sets:
        _heading(out, "TOGETHER (this and nothing else)")
        _grid(out, [[Text(percent(s.p)), Text(plain(" + ".join(s.titles)))] for s in triage.sets[:4]], right=[0])


def _show_shares(out: Console, heading: str, shares: Sequence[Share], word: str) -> None:
    if not shares:
        return
    _heading(out, heading + (f" (chance that it is {word})" if word else ""))
    text = ", ".join(f"{plain(share.label)} {percent(share.p)}" for share in shares)
    _lines(out, [text], mark="")


def show_findings(out: Console, knowledge: Knowledge, found: Sequence[tuple[str, float]]) -> None:
    """Findings of a search: id, kind, title, levels."""
    if not found:
        out.print(Text("nothing like that; try fewer or other words"))
        return
    narrow = out.width < 100
    rows = []
    for name, _ in found:
        finding: Finding = knowledge.findings[name]
        row = [Text(name, style="cyan"), Text(finding.kind), Text(plain(finding.title))]
        rows.append(row if narrow else [*row, Text(", ".join(finding.levels), style="dim")])
    _grid(out, rows)


def show_network(out: Console, counts: dict[str, int], title: str, warnings: Sequence[Problem], seconds: float) -> None:
    """The result of a network check."""
    out.print(Text(plain(title), style="bold"))
    _grid(out, [[Text(str(number)), Text(name)] for name, number in counts.items()], right=[0])
    for warning in warnings:
        out.print(Text("warning: ", style="yellow") + Text(plain(str(warning))), soft_wrap=True)
    out.print(Text(f"well-formed; the general library's own check passes too ({seconds:.1f} s); {len(warnings)} warnings"))


def ask_which(out: Console, doubt: Doubt, knowledge: Knowledge) -> tuple[str, str] | None:
    """Ask what a doubtful stretch of words means: (finding, level), or None for neither."""
    out.print()
    out.print(Text(f'What does "{plain(doubt.words)}" mean?', style="bold"))
    for number, (name, level, _) in enumerate(doubt.candidates, 1):
        finding = knowledge.findings[name]
        said = "" if level == "yes" else f" [{level}]"
        out.print(Text(f"  {number}  {plain(finding.title)}{said}"))
    out.print(Text("  0  neither of these"))
    while True:
        try:
            answer = out.input("number: ").strip()
        except EOFError:
            return None
        if answer in ("", "0"):
            return None
        if answer.isdecimal() and 1 <= int(answer) <= len(doubt.candidates):
            name, level, _ = doubt.candidates[int(answer) - 1]
            return name, level
        out.print(Text(f"type a number from 0 to {len(doubt.candidates)}"))
