"""The screens of learning and of the look back on the log."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from diagnose.network import cause_title
from diagnose.screens import NARROW, _grid, _heading, _lines, emit, plain
from diagnose.triage import percent

if TYPE_CHECKING:
    from diagnose.hindsight import Asking
    from diagnose.network import Opened
    from diagnose.overlay import Moved
    from diagnose.records import Knowledge
    from diagnose.review import Lesson, Log, Review, Scores, Verdict
    from diagnose.scores import Bin, Rate
    from diagnose.surprise import Surprise

SHOWN = 10  # lines of a list


def show_lesson(out: Console, knowledge: Knowledge, log: Log, lesson: Lesson, *, folder: str, file: str, before: bool) -> None:
    """What was learned, from how many cases, whether it predicts better, and where it went. file: written, if it was; before:
    there were learned values already."""
    verdict = lesson.verdict

    def draw(inner: Console) -> None:
        _show_counted(inner, log.cases, log.left_out, lesson.statistics.cases, folder)
        _show_verdict(inner, verdict)
        if lesson.moved:
            _heading(inner, "WHAT MOVES MOST" if file else "WHAT WOULD MOVE MOST")
            _grid(inner, [[Text(percent(m.before)), Text("to"), Text(percent(m.after)), Text(_cases(m.cases), style="dim"),
                           Text(plain(_name(knowledge, m)))] for m in lesson.moved[:SHOWN]], right=[0, 2, 3])
            _more(inner, len(lesson.moved))
        _heading(inner, "IN USE" if file else "NOT USED", "bold green" if file else "bold yellow")
        if file:
            _lines(inner, [f"laid over the files by {file}", "take them away with: diagnose learn --undo"], mark="")
        else:
            force = ["use it all the same with: diagnose learn --anyway"] if lesson.statistics.cases else []
            _lines(inner, [verdict.why, "what was learned before stays in use" if before else
                           "the expert's knowledge answers as before", *force], mark="")

    emit(out, draw)


def _show_counted(out: Console, cases: int, left_out: Mapping[str, int], taught: int, folder: str) -> None:
    out.print(Text(f"{_cases(cases)} in {plain(folder)}; learned from {taught:,}", style="bold"))
    _lines(out, [f"left out, {reason}: {number}" for reason, number in sorted(left_out.items(), key=lambda x: (-x[1], x[0]))],
           style="dim")


def _more(out: Console, count: int) -> None:
    if count > SHOWN:
        _lines(out, [f"and {count - SHOWN:,} more (all with --json)"], mark="", style="dim")


def _cases(number: float) -> str:
    return f"{number:,.0f} case{'' if round(number) == 1 else 's'}"


def _name(knowledge: Knowledge, moved: Moved | Surprise) -> str:
    """What a number is about."""
    cause = cause_title(knowledge, moved.cause) if moved.cause else ""
    if not moved.finding:
        return f"{cause}: share of callbacks"
    finding = knowledge.findings[moved.finding].title
    return f"{cause}: {finding}" if cause else f"{finding}: with none of the listed causes"


def _show_verdict(out: Console, verdict: Verdict) -> None:
    gain = verdict.gain
    if not gain.number:
        return
    _heading(out, "DOES IT PREDICT BETTER?")
    _lines(out, [
        f"{gain.number:,} cases predicted from the ones before them; chance given to exactly what it was:",
        f"by the files {100 * verdict.expert_likely:.1f} %, by what was learned {100 * verdict.learned_likely:.1f} %"], mark="")
    if gain.number > 1:
        better = "better" if gain.mean >= 0 else "worse"
        _lines(out, [f"log loss {verdict.expert:.3f} and {verdict.learned:.3f}: {better} by {abs(gain.mean):.3f} a case "
                     f"(95 % interval of the gain {gain.low:+.3f} to {gain.high:+.3f})"], mark="", style="dim")


def show_review(out: Console, opened: Opened, review: Review, *, folder: str) -> None:
    """The whole look back. opened: the network in force now."""
    log, better, header = review.log, review.verdict.accepted, opened.knowledge.header
    best = review.learned if better else review.expert

    def draw(inner: Console) -> None:
        _show_counted(inner, log.cases, log.left_out, log.statistics.cases, folder)
        if review.predicted:
            _heading(inner, f"HOW GOOD IT WAS ({_cases(review.predicted)}, each predicted as if it came in new)")
            _grid(inner, _score_rows(review.expert, review.learned), right=[1, 2])
            _heading(inner, f"WHAT CAME OF ITS CHANCES ({'learned as it went' if better else 'by the files'})")
            head = [Text(name, style="dim") for name in ("it said", "times", "on average", "came true", "95 % interval")]
            _grid(inner, [head, *(_bin_row(b) for b in best.bins)], right=[0, 1, 2, 3, 4])
            _show_verdict(inner, review.verdict)
            if not better:
                _lines(inner, [review.verdict.why], mark="! ", style="yellow")
        _show_spent(inner, log)
        if review.asking and review.asking.cases:
            _show_asking(inner, review.asking)
        _show_lists(inner, opened.knowledge, review)
        inner.print()
        _lines(inner, [f"In use now: {opened.speaks_from}: {header.id}, version {header.version}."], mark="", style="dim")

    emit(out, draw)


def _score_rows(expert: Scores, learned: Scores) -> list[list[Text]]:
    def row(name: str, *values: str) -> list[Text]:
        return [Text(name), *(Text(value) for value in values)]

    def share(rate: Rate) -> str:
        return f"{percent(rate.hits / rate.number)} ({percent(rate.low)} to {percent(rate.high)})"

    both = (expert, learned)
    return [
        row("", "by the files", "learned as it went"),
        row("a right cause came first", *(share(s.top1) for s in both)),
        row("among the first three", *(share(s.top3) for s in both)),
        row("chance given to exactly what it was", *(f"{100 * s.likely:.1f} %" for s in both)),
        row("log loss, a case", *(f"{s.log_loss:.3f}" for s in both)),
        row("Brier score, over all causes", *(f"{s.brier:.3f}" for s in both)),
        row("  reliability (lower is better)", *(f"{s.reliability:.3f}" for s in both)),
        row("  resolution (higher is better)", *(f"{s.resolution:.3f}" for s in both)),
        row("  uncertainty (of the cases)", *(f"{s.uncertainty:.3f}" for s in both)),
        row("calibration error of the first cause", *(f"{s.error:.3f}" for s in both)),
        row("  by chance alone up to", *(f"{s.by_chance:.3f}" for s in both))]


def _bin_row(found: Bin) -> list[Text]:
    return [Text(f"{100 * found.low:.0f} to {100 * found.high:.0f} %"), Text(f"{found.number:,}"),
            Text(f"{100 * found.forecast:.1f} %"), Text(f"{100 * found.observed:.1f} %"),
            Text(f"{100 * found.at_least:.1f} to {100 * found.at_most:.1f} %")]


def _show_spent(out: Console, log: Log) -> None:
    spent = log.spent
    if not spent.cases:
        return
    _heading(out, "WHAT IT TOOK")
    lines = [f"{_cases(spent.cases)} closed, {spent.questions / spent.cases:.1f} answers each"]
    if spent.timed:
        lines.append(f"{spent.minutes / spent.timed:.0f} minutes each on average, {spent.minutes:,.0f} in all "
                     f"(written down in {_cases(spent.timed)})")
    if spent.tried:
        lines.append(f"the first remedy was the right one in {spent.right_first} of {_cases(spent.tried)}")
    _lines(out, lines, mark="")


def _show_asking(out: Console, asking: Asking) -> None:
    _heading(out, "WHAT WAS ASKED, AND WHAT THE TOOL WOULD HAVE ASKED")
    _lines(out, [f"{_cases(asking.cases)} of {asking.fit:,} with enough questions, evenly taken, each gone through again by "
                 "the files: the same questions with the same answers, in the tool's order"], mark="")
    rows = [("all that was asked", asking.put), ("the tool would have asked no more after", asking.stopped)]
    if asking.reached:
        rows += [("until a right cause came first to stay, as it was asked", asking.really),
                 ("  the same in the tool's order", asking.tools)]
    head = [Text(name, style="dim") for name in ("", "questions", "minutes")]
    _grid(out, [head, *([Text(name), Text(f"{x.questions:.1f}"), Text(f"{x.minutes:.0f}")] for name, x in rows)], right=[1, 2])
    then, last = asking.right_then, asking.right_at_last
    said = [f"a right cause came first in {then.hits} of {then.number} when the tool would have asked no more, in {last.hits} "
            "after all questions"]
    gain = asking.saved_minutes
    if gain.number > 1:
        less = "less" if gain.mean >= 0 else "more"
        said.append(f"until one came first to stay, its order took {abs(gain.mean):.1f} minutes {less} (95 % interval of what "
                    f"it saves {gain.low:+.1f} to {gain.high:+.1f})")
    _lines(out, [*said, "minutes are those of the files for each check, without journeys"], mark="", style="dim")


def _show_lists(out: Console, knowledge: Knowledge, review: Review) -> None:
    if review.misses:
        _heading(out, f"CASES IT GOT WRONG ({len(review.misses)})")
        by_row = out.width >= NARROW
        rows = [[Text(m.case), Text(f"it was {_named(knowledge, m.confirmed)} ({percent(m.p)})"),
                 Text(f"first came {cause_title(knowledge, m.first)} ({percent(m.first_p)})", style="dim")]
                for m in review.misses[:SHOWN]]
        if by_row:
            _grid(out, rows)
        else:
            _lines(out, [f"{row[0].plain}: {row[1].plain}; {row[2].plain}" for row in rows])
        _more(out, len(review.misses))
    if review.log.unlisted:
        _heading(out, "CAUSES THAT THE FILES LACK")
        _lines(out, [f"{case}: {words}" for case, words in review.log.unlisted[-SHOWN:]])
        _more(out, review.log.lacking)
    if review.attention:
        _heading(out, "NUMBERS OF THE FILES WORTH A LOOK")
        _lines(out, [f"{_name(knowledge, s)}: the files say {percent(s.p)}, {_cases(s.cases)} say clearly "
                     f"{'more' if s.z > 0 else 'less'} ({abs(s.z):.1f} standard deviations)" for s in review.attention])


def _named(knowledge: Knowledge, causes: tuple[str, ...]) -> str:
    return plain(" and ".join(cause_title(knowledge, cause) for cause in causes))
