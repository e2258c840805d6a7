"""The screens of a running conversation, of a visit sheet and of a written message."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from diagnose.cautions import cautions_for, steps_for, words_of
from diagnose.conversation import ORDERS, letters
from diagnose.records import CHECK
from diagnose.screens import CLASSES, COURSES, STYLES, _grid, _heading, _lines, bar, emit, plain, source_line
from diagnose.triage import inside, percent

if TYPE_CHECKING:
    from diagnose.caserecord import Case
    from diagnose.correspondence import Sheet, SheetCheck, SheetRemedy
    from diagnose.nextcheck import CheckScore, Choice
    from diagnose.records import Cause, Caution, Finding, Knowledge
    from diagnose.triage import Triage

SHOWN = 3  # causes in view beside a question
MUCH, SOMETHING = 0.3, 0.1  # bits from which a question tells much, or something


def show_belief(out: Console, triage: Triage, *, full: bool = False) -> None:
    """The likeliest causes in one glance."""
    def draw(inner: Console) -> None:
        shown = triage.ranking if full else triage.ranking[:SHOWN]
        rows = [[Text(percent(r.p)), bar(inner, r.p, cells=12), Text(plain(r.title), style="dim")] for r in shown]
        if rows:
            _heading(inner, plain(f"so far, by {triage.speaks_from}"), "dim")
            _grid(inner, rows, right=[0])
            _lines(inner, [f"none of the listed causes: {percent(triage.unexplained)}"], mark="", style="dim")

    emit(out, draw)


def show_safety(out: Console, triage: Triage) -> None:
    """What to tell the customer now, where it is more than a nuisance."""
    advice = triage.advice

    def draw(inner: Console) -> None:
        _heading(inner, CLASSES[advice.safety], STYLES[advice.safety])
        _lines(inner, [advice.text], mark="")
        _lines(inner, triage.course.reasons)

    emit(out, draw)


def show_question(out: Console, knowledge: Knowledge, finding: Finding, *, number: int, who: str, score: CheckScore | None,
                  again: bool = False, read: Collection[str] = ()) -> None:
    """One question: what to ask, how to do it, what to mind, and the answers it may have. read: cautions that were shown in
    full before."""
    def draw(inner: Console) -> None:
        minutes = f", about {max(1, round(score.minutes))} min{_pays(score)}" if score else ""
        asked = "asked again after the remedy, " if again else ""
        _heading(inner, f"{number}. {plain(finding.title)}", "bold cyan")
        _lines(inner, [f"({asked}for the {who}{minutes})"], mark="", style="dim")
        _lines(inner, [finding.ask], mark="", style="bold")
        _mind(inner, cautions_for(knowledge, finding, who), who, read)
        _lines(inner, steps_for(finding, who), mark="> ")
        rows = []
        for letter, level in letters(finding).items():
            meaning = finding.meanings[finding.level(level)] if finding.kind == CHECK else ""  # yes and no say it all
            rows.append([Text(letter, style="cyan"), Text(plain(level.replace("_", " "))), Text(plain(meaning), style="dim")])
        _grid(inner, rows)
        if finding.reading is not None:
            _lines(inner, [f"or the {finding.reading.quantity} as a number in {finding.reading.unit}"], mark="", style="dim")

    emit(out, draw)


def _pays(score: CheckScore) -> str:
    """Why a question is put, in a few words; ``why`` says it in full."""
    if score.first:
        return ", always first"
    saves = round(score.saving or 0.0)
    return f", {_tells(score.gain)}" + (f", saves about {saves} min" if saves >= 1 else "")


def _mind(out: Console, cautions: Iterable[Caution], who: str, read: Collection[str]) -> None:
    """Cautions before the action: in full the first time, by their titles later."""
    for caution in cautions:
        words = f"{caution.title}, as before" if caution.id in read else f"{caution.title}: {words_of(caution, who)}"
        _lines(out, [words], mark="! ", style="yellow")


def show_why(out: Console, knowledge: Knowledge, score: CheckScore, *, stops: Collection[str] = ()) -> None:
    """Why a question is asked: gain, minutes, what each answer would do. stops: levels after which nothing is tried."""
    def draw(inner: Console) -> None:
        saves = score.saving or 0.0
        saving = f", saves about {saves:.0f} min until it works again" if saves > 0.0 else ""
        if score.first:
            _lines(inner, ["this always comes first, whatever else is known"], mark="")
        _lines(inner, [f"tells {score.gain:.2f} bit about what is in question (1 bit halves what is possible), takes "
                       f"{score.minutes:.1f} min{saving}"], mark="")
        rows = []
        for outcome in score.outcomes:
            then = f"then {percent(outcome.cause_p)} {_title(knowledge, outcome.cause)}" if outcome.cause else ""
            if outcome.level in stops:
                then = "then stop now"
            level = Text(plain(outcome.level.replace("_", " ")))
            rows.append([Text(percent(outcome.p)), level, Text(plain(then), style="dim")])
        if rows:
            _grid(inner, rows, right=[0])

    emit(out, draw)


def _title(knowledge: Knowledge, cause: str) -> str:
    return knowledge.causes[cause].title.lower() if cause in knowledge.causes else cause


def show_others(out: Console, knowledge: Knowledge, scores: Sequence[CheckScore], *,
                heading: str = "other questions now") -> None:
    """Questions worth asking now."""
    def draw(inner: Console) -> None:
        _heading(inner, f"{heading} (ask ID puts one)")
        rows = [[Text(s.finding, style="cyan"), Text(_tells(s.gain)), Text(f"{max(1, round(s.minutes))} min"),
                 Text(plain(knowledge.findings[s.finding].title))] for s in scores]
        if rows:
            _grid(inner, rows)
        else:
            _lines(inner, ["none that this person can answer with what is at hand"], mark="")

    emit(out, draw)


def _tells(gain: float) -> str:
    """How much an answer tells, in a word; the number stands under ``why``."""
    return next(word for least, word in ((MUCH, "tells much"), (SOMETHING, "tells something"), (0.0, "tells little"))
                if gain >= least)


def show_no_check_pays(out: Console, knowledge: Knowledge, choice: Choice) -> None:
    """Why nothing more is asked: the best check that is left, what it tells and what it costs."""
    best = next((score for score in choice.scores if score.saving is not None), None)
    reason = choice.stop.reason if choice.stop else ""
    if best:
        title, saves = inside(knowledge.findings[best.finding].title), (best.saving or 0.0) + best.minutes
        reason += f": the best left ({title}) tells {best.gain:.2f} bit, takes {best.minutes:.1f} min, saves {saves:.1f} min"
    say(out, reason)


def say(out: Console, words: str) -> None:
    """A sentence of the program."""
    emit(out, lambda inner: _lines(inner, [words], mark=""))


def show_numbered(out: Console, titles: Sequence[str]) -> None:
    """What may be chosen by its number, from 1 on."""
    emit(out, lambda inner: _grid(inner, [[Text(str(n)), Text(plain(title))] for n, title in enumerate(titles, 1)], right=[0]))


def show_open_question(out: Console) -> None:
    """What to ask while no trouble is known."""
    def draw(inner: Console) -> None:
        _heading(inner, "What is the trouble?")
        _lines(inner, ["What does it do, or not do, and since when? In the customer's words; Enter for questions instead."],
               mark="")

    emit(out, draw)


def show_orders(out: Console) -> None:
    """What may be typed besides an answer."""
    def draw(inner: Console) -> None:
        _lines(inner, ["an answer: its letter, its word or first letters, yes or no, a number with unit, \"don't know\"; "
                       '"I think" before it if it is not sure'], mark="")
        _grid(inner, [[Text(name, style="cyan"), Text(meaning)] for name, meaning in ORDERS.items()])

    emit(out, draw)


def show_remedy(out: Console, knowledge: Knowledge, cause: Cause, *, way: str, p: float, read: Collection[str] = ()) -> None:
    """A remedy to be tried now: in the customer's words by phone, in steps on site. read: as in ``show_question``."""
    def draw(inner: Console) -> None:
        _heading(inner, f"Try now: {plain(cause.remedy.summary)}", "bold green")
        _lines(inner, [f"{percent(p)}: {cause.title}"], mark="", style="dim")
        cautions = [knowledge.cautions[name] for name in cause.remedy.cautions]
        _mind(inner, cautions, "customer" if way == "phone" else "fitter", read)
        _lines(inner, [cause.remedy.by_phone_how] if way == "phone" else cause.remedy.steps, mark="> ")
        _lines(inner, [f"verified when: {cause.remedy.verified}"], mark="")

    emit(out, draw)


def show_stop(out: Console, knowledge: Knowledge, triage: Triage, choice: Choice) -> None:
    """Why nothing more is asked, and what comes next."""
    def draw(inner: Console) -> None:
        assert choice.stop is not None
        _heading(inner, f"No more questions: {choice.stop.reason}")
        here = choice.stop.course == "here"
        course = "Put it right here and now" if here else COURSES.get(choice.stop.course, choice.stop.course)
        _lines(inner, [f"course: {course}; about {choice.minutes:.0f} min until it works again"], mark="")
        rows = []
        for step in choice.plan:
            title = knowledge.causes[step.cause].title if step.cause in knowledge.causes else "search on site"
            minutes = Text(f"{step.minutes:.0f} min", style="dim")
            rows.append([Text(percent(step.needed)), Text(plain(title)), Text(step.way), minutes])
        if rows:
            _lines(inner, ["in this order (chance that it comes to the step):"], mark="")
            _grid(inner, rows, right=[0])

    emit(out, draw)


def show_sheet(out: Console, sheet: Sheet) -> None:
    """The visit sheet: what is known, checks and remedies in order, parts, minutes, who answers; a caution stands in full
    where it is called for first, later with its title."""
    in_full = {one.id: one for one in sheet.cautions}
    titles = {one.id: one.title for one in sheet.cautions}

    def mind(inner: Console, names: Sequence[str]) -> None:
        new = [in_full.pop(name) for name in names if name in in_full]
        again = [titles[name] for name in names if name not in {one.id for one in new}]
        _lines(inner, [f"{one.title}: {one.text}" for one in new], mark="  ! ", style="yellow")
        _lines(inner, [f"as above: {'; '.join(map(inside, again))}"] if again else [], mark="  ! ", style="yellow")

    def draw(inner: Console) -> None:
        inner.print(Text(f"Visit sheet {plain(f'{sheet.case} {sheet.reference}'.strip())}", style="bold"))
        if sheet.safety in ("stop_now", "do_not_use"):
            _heading(inner, CLASSES[sheet.safety], STYLES[sheet.safety])
            _lines(inner, [sheet.advice], mark="")
        _heading(inner, "KNOWN")
        rows = []
        for heard in sheet.known:
            said = (heard.reading or heard.level.replace("_", " ")) + ("" if heard.sure else " (not sure)")
            rows.append([Text(plain(heard.title)), Text(plain(said)), Text(heard.who, style="dim")])
        if rows:
            _grid(inner, rows)
        _lines(inner, [f"no longer valid after the remedy, check again: {title}" for title in sheet.stale], mark="")
        _lines(inner, [f"note: {note}" for note in sheet.notes], mark="")
        called_for = {name for check in sheet.checks for name in check.cautions}
        called_for |= {name for one in sheet.remedies for name in one.cautions}
        mind(inner, [one.id for one in sheet.cautions if one.id not in called_for])
        _heading(inner, "LIKELY")
        if sheet.likely:
            _grid(inner, [[Text(percent(one.p)), Text(plain(one.label))] for one in sheet.likely], right=[0])
        else:
            _lines(inner, ["nothing stands out yet"], mark="")
        _heading(inner, "CHECKS ON SITE, IN ORDER")
        for check in sheet.checks:
            _lines(inner, [f"{check.title}, {_minutes_of(check)}"])
            mind(inner, check.cautions)
        _heading(inner, "REMEDIES, IN ORDER (chance that it comes to each)")
        for one in sheet.remedies:
            minutes = "for a qualified workshop" if one.way == "workshop" else _minutes_of(one)
            summary, verified = one.summary.rstrip("."), one.verified
            _lines(inner, [f"{percent(one.p)} {one.title}: {summary}, {minutes}. Verified when: {verified}"])
            mind(inner, one.cautions)
        _heading(inner, "BRING")
        _lines(inner, [", ".join(f"{plain(s.label)} {percent(s.p)}" for s in sheet.bring) or "nothing special"], mark="")
        _heading(inner, "MINUTES, the journey apart")
        _lines(inner, [f"{sheet.checks_minutes:.0f} for all of these checks",
                       f"{sheet.plan_minutes:.0f} for putting it right, enough in nine of ten cases",
                       f"{sheet.minutes:.0f} on average if the remedies are tried in this order without a check"], mark="")
        _heading(inner, "ANSWERS FOR IT")
        _lines(inner, [", ".join(f"{plain(s.label)} {percent(s.p)}" for s in sheet.answers_for)], mark="")
        inner.print()
        _lines(inner, [sheet.notice, source_line(sheet.speaks_from, sheet.network, sheet.version)], mark="", style="dim")

    emit(out, draw)


def _minutes_of(line: SheetCheck | SheetRemedy) -> str:
    """The minutes of a line and the set-ups to be made for it."""
    first = f" (first: {', '.join(line.set_ups)}, {line.set_up_minutes:.0f} min)" if line.set_ups else ""
    return f"{line.minutes:.0f} min{first}"


def message_text(knowledge: Knowledge, findings: Sequence[Finding], *, greeting: str) -> str:
    """A written message: the greeting (paragraphs apart by an empty line), numbered questions, each with what to mind, how to
    do it and its answers, then the notice."""
    lines = [*greeting.split("\n"), ""]
    if findings:
        these = "this question" if len(findings) == 1 else f"these {len(findings)} questions"
        lines += [f"So that we can help you quickly, please answer {these}.", ""]
    said: set[str] = set()
    for number, finding in enumerate(findings, 1):
        lines.append(f"{number}. {finding.ask}")
        cautions = cautions_for(knowledge, finding, "customer")
        mind = " ".join(words_of(caution, "customer") for caution in cautions if caution.id not in said)
        again = ", ".join(inside(caution.title) for caution in cautions if caution.id in said)
        lines += [f"   Please mind: {mind}"] if mind else []
        lines += [f"   Please mind as before: {again}."] if again else []
        said.update(caution.id for caution in cautions)
        lines += [f"   - {step}" for step in steps_for(finding, "customer")]
        lines += _choices(finding)
        lines.append("")
    if findings:
        example = ", ".join(f"{number} {_example(finding)}" for number, finding in list(enumerate(findings, 1))[-2:])
        lines += [f'Just write the number and your answer, for example "{example}". "Don\'t know" is an answer too.', ""]
    lines.append(knowledge.header.notice)
    return "\n".join(_wrapped(plain(line)) for line in lines)


def _choices(finding: Finding) -> list[str]:
    """The answers a question may have, one a line; none where yes or no says it."""
    if set(finding.levels) == {"no", "yes"}:
        return []
    number = finding.reading
    lines = [f"   Please write the {number.quantity} as a number in {number.unit}, or a letter:" if number is not None
             else "   Please answer with a letter:"]
    return lines + [f"   {letter}) {meaning}" for letter, meaning in zip(letters(finding), finding.meanings, strict=True)]


def _example(finding: Finding) -> str:
    """What an answer may look like."""
    return "yes" if set(finding.levels) == {"no", "yes"} else "b"


def _wrapped(line: str) -> str:
    """A line of a message in 78 columns; what follows a number, a letter or a dash hangs under its first word."""
    import re
    import textwrap

    mark = re.match(r" *(?:(?:-|[a-z]\)|\d+\.) )?", line)
    hanging = " " * (mark.end() if mark else 0)
    return textwrap.fill(line, 78, subsequent_indent=hanging, break_on_hyphens=False) if line.strip() else ""


def plain_lines(text: str) -> str:
    """Several lines without anything that steers a terminal."""
    return "\n".join(plain(line) for line in text.split("\n"))


def show_file(out: Console, text: str) -> None:
    """The text of a file: wrapped to the window at a terminal, as it is for a program that reads it."""
    if out.is_terminal:
        emit(out, lambda inner: inner.print(Text(plain_lines(text)), end=""))
    else:
        out.file.write(plain_lines(text))


def show_understood(out: Console, rows: Mapping[str, str]) -> None:
    """How an answered message was understood."""
    def draw(inner: Console) -> None:
        _heading(inner, "UNDERSTOOD")
        _grid(inner, [[Text(plain(question)), Text(plain(answer), style="cyan")] for question, answer in rows.items()])

    emit(out, draw)


def show_cases(out: Console, found: Sequence[Case], *, folder: str) -> None:
    """Cases of the log, one a line."""
    def draw(inner: Console) -> None:
        rows = []
        for case in found:
            ending = ", ".join(case.confirmed) or case.unlisted or ("not found" if case.not_found else "")
            words = ending or ", ".join(a.finding for a in case.answers if a.method == "volunteered")
            row = [Text(case.id, style="cyan"), Text(case.status), Text(plain(case.reference)), Text(plain(words))]
            rows.append(row)
        if rows:
            _grid(inner, rows)
        inner.print(Text(f"{len(found)} case{'' if len(found) == 1 else 's'} in {plain(folder)}", style="dim"))

    emit(out, draw)
