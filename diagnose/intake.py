"""What was said or typed -> answers: a customer's text, ids, and what several of them agree on."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, TypeAlias

from diagnose.evidence import Answer
from diagnose.network import Opened
from diagnose.records import REPORT, Knowledge
from diagnose.source import InputError, Problem, complaint, nearest

if TYPE_CHECKING:
    from diagnose.phrases import Doubt, Understood

Choose: TypeAlias = "Callable[[Doubt], tuple[str, str] | None]"  # what a doubtful stretch means: finding, level


def answers_from_words(
    opened: Opened, text: str, *, choose: Choose | None = None
) -> tuple[Understood, list[Answer]]:
    """What a customer's text says, and the answers in it. choose: decides what a doubtful stretch means, if anybody can."""
    from diagnose.phrases import open_lexicon, understand

    understood = understand(open_lexicon(opened.copy_name, opened.key, opened.knowledge), text)
    answers = [_said(opened.knowledge, m.finding, m.level, m.sure) for m in understood.matches]
    open_doubts = []
    for doubt in understood.doubts:
        chosen = choose(doubt) if choose else None
        if chosen:
            answers.append(_said(opened.knowledge, *chosen, True))
        elif choose is None:
            open_doubts.append(doubt)
    return understood._replace(doubts=tuple(open_doubts)), answers


def _said(knowledge: Knowledge, finding: str, level: str, sure: bool) -> Answer:
    kind = knowledge.findings[finding].kind
    return Answer(finding, level, "customer", "volunteered" if kind == REPORT else None, sure)


def answers_from_ids(knowledge: Knowledge, reports: Sequence[str], normal: Sequence[str]) -> list[Answer]:
    """Answers from ids: reports that are so, findings that are as they should be; InputError for unknown ones."""
    problems, answers = [], []
    for name, so in [*((r, True) for r in reports), *((r, False) for r in normal)]:
        finding = knowledge.findings.get(name)
        if finding is None or (so and finding.kind != REPORT):
            known = [f.id for f in knowledge.findings.values() if f.kind == REPORT or not so]
            what = f"there is no {'report' if so else 'finding'} {name[:60]!r}"
            problems.append(Problem("", 0, "--report" if so else "--normal", what, nearest(name, known)))
        else:
            answers.append(_said(knowledge, name, finding.levels[-1 if so else 0], True))
    if problems:
        raise InputError(problems)
    return answers


def agreed(answers: Sequence[Answer]) -> list[Answer]:
    """The same answers, unless two of them say different things about one finding: InputError."""
    first: dict[str, str] = {}
    for answer in answers:
        said = answer.level if answer.reading is None else f"{answer.reading:g}"
        if first.setdefault(answer.finding, said or "") != said:
            raise complaint(f"given as {first[answer.finding]} and as {said}", "keep one of the two", key=answer.finding)
    return list(answers)
