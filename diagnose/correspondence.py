"""In writing: the few questions best asked together, a customer's numbered answer read back in, and the visit sheet."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple

from diagnose import case as cases
from diagnose.case import CaseFile
from diagnose.caserecord import UNKNOWN, Case, CaseAnswer
from diagnose.cautions import cautions_for
from diagnose.conversation import (
    already_asked,
    as_answer,
    evidence_of,
    letters,
    named_levels,
    no_longer_valid,
    told_answers,
    understand_reply,
)
from diagnose.intake import Choose, answers_from_words
from diagnose.network import Opened
from diagnose.nextcheck import Choice, Situation, best_together, remedy_way
from diagnose.posterior import infer
from diagnose.records import CHECK, CIRCUMSTANCE, REPORT, Finding
from diagnose.source import InputError, complaint
from diagnose.triage import SWEEP_MEMORY, Heard, Share, Triage, advise, inside, is_troubled
from diagnose.wording import words_and_stops

_ASKED = "asked in writing: "
WORTH_A_LINE = 0.1  # probability from which a remedy stands on the sheet though the plan searches first
_OPEN = "Please tell us in a sentence or two what it does or does not do, and since when."
_ADDS = 0.1  # bits that one more question must add to what the others tell before a customer is troubled with it
_PAYS = 0.02  # bits a check must tell to stand on the sheet
_LIKE = 78.0  # per cent of likeness from which free words are offered as a level


class ReadLine(NamedTuple):
    """One question of a message and what the customer's answer to it was taken for. words: as written; doubt: why it is not
    taken without asking, or ''."""

    finding: str
    question: str
    words: str
    understood: str
    answer: CaseAnswer | None
    doubt: str


class SheetCheck(NamedTuple):
    """A check to be done on site. minutes: of its own; set_ups: titles of those to be made first, which the lines before it
    have not made, and their minutes; cautions: ids."""

    finding: str
    title: str
    minutes: float
    set_ups: tuple[str, ...]
    set_up_minutes: float
    cautions: tuple[str, ...]


class SheetRemedy(NamedTuple):
    """A remedy. p: that it comes to it; way: here, or workshop where only that can do it; verified: how to make sure that it
    worked; the rest as for a check."""

    cause: str
    title: str
    p: float
    way: str
    minutes: float
    set_ups: tuple[str, ...]
    set_up_minutes: float
    summary: str
    verified: str
    cautions: tuple[str, ...]


class SheetCaution(NamedTuple):
    """A caution in full."""

    id: str
    title: str
    text: str


class Sheet(NamedTuple):
    """What to take along to a visit. safety, advice: the class in force and what to tell the customer; stale: titles of what
    is no longer valid after a remedy; likely: causes with their probability; checks_minutes: of all checks with their
    set-ups; plan_minutes: enough for putting it right in nine of ten cases; minutes: expected of the remedies in their order
    without a check. All without the journey. cautions: in the order in which the lines call for them, each once."""

    case: str
    reference: str
    safety: str
    advice: str
    known: tuple[Heard, ...]
    stale: tuple[str, ...]
    notes: tuple[str, ...]
    likely: tuple[Share, ...]
    checks: tuple[SheetCheck, ...]
    remedies: tuple[SheetRemedy, ...]
    bring: tuple[Share, ...]
    checks_minutes: float
    plan_minutes: float
    minutes: float
    answers_for: tuple[Share, ...]
    cautions: tuple[SheetCaution, ...]
    notice: str
    speaks_from: str
    network: str
    version: str


def sheet_of(opened: Opened, case: Case, triage: Triage, choice: Choice, *, most: int) -> Sheet:
    """The visit sheet of a case. choice: of the next check for the fitter who goes there; most: checks at most.

    What comes first in every conversation comes first here; then checks that need less taken apart, among those what tells
    more a minute; remedies in the cheapest order. A set-up is named and counted where it is made.
    """
    knowledge, made = opened.knowledge, set[str]()

    def set_up(names: Sequence[str]) -> tuple[tuple[str, ...], float]:
        new = [knowledge.header.set_ups[name] for name in names if name not in made]
        made.update(names)
        return tuple(one.title for one in new), sum(one.minutes for one in new)

    paying = [s for s in choice.scores if s.kind == CHECK and (s.first or s.gain >= _PAYS)][:most]
    checks = []
    for score in sorted(paying, key=lambda s: (not s.first, len(knowledge.findings[s.finding].set_ups), -s.bits_per_minute)):
        finding = knowledge.findings[score.finding]
        minded = tuple(caution.id for caution in cautions_for(knowledge, finding, "fitter"))
        checks.append(SheetCheck(finding.id, finding.title, finding.minutes, *set_up(finding.set_ups), minded))
    planned = {step.cause: step.needed for step in choice.plan if step.cause in knowledge.causes}
    planned |= {r.cause: r.p for r in triage.ranking if r.cause not in planned and r.p >= WORTH_A_LINE}
    remedies = []
    for name, p in planned.items():
        cause = knowledge.causes[name]
        way = remedy_way(knowledge, cause, Situation(who="fitter"))
        ready = set_up(cause.remedy.set_ups) if way == "here" else ((), 0.0)
        remedies.append(SheetRemedy(name, cause.title, p, way, cause.remedy.minutes, *ready, cause.remedy.summary,
                                    cause.remedy.verified, cause.remedy.cautions))
    cautions = [caution.id for caution in triage.advice.cautions if caution.now]
    cautions += [name for check in checks for name in check.cautions] + [name for one in remedies for name in one.cautions]
    return Sheet(
        case.id, case.reference, triage.advice.safety, triage.advice.text, triage.heard,
        tuple(knowledge.findings[name].title for name in no_longer_valid(opened, case)),
        tuple(note.text for note in case.notes), tuple(Share(r.cause, r.title, r.p) for r in triage.ranking), tuple(checks),
        tuple(remedies), triage.parts, sum(check.minutes + check.set_up_minutes for check in checks),
        triage.course.plan_minutes, choice.minutes, triage.answers_for,
        tuple(SheetCaution(n, knowledge.cautions[n].title, knowledge.cautions[n].text) for n in dict.fromkeys(cautions)),
        triage.notice, triage.speaks_from, knowledge.header.id, triage.version)


def with_words(opened: Opened, case: Case, text: str, *, choose: Choose | None = None,
               at: str = "") -> tuple[Case, tuple[str, ...]]:
    """A case with what a customer said or wrote in it, and a line each on what was understood, doubtful and left over.

    choose: decides what a doubtful stretch means, if anybody can. at: when it was said; now if empty.
    """
    understood, answers = answers_from_words(opened, text, choose=choose)
    findings = opened.knowledge.findings
    at = at or cases.now()
    for answer in answers:
        if findings[answer.finding].kind == CIRCUMSTANCE and answer.level:
            case = cases.with_circumstance(case, answer.finding, answer.level)
    for entry in told_answers(opened, answers, at=at):
        case = cases.with_answer(case, entry)
    told = [f"understood: {findings[a.finding].title}: {str(a.level).replace('_', ' ')}{'' if a.sure else ' (not sure)'}"
            for a in answers]
    told += [f"not counted, may mean {' or '.join(findings[name].title for name, _, _ in doubt.candidates)}: {doubt.words}"
             for doubt in understood.doubts]
    told += [f"not understood: {', '.join(understood.left_over)}"] if understood.left_over else []
    return cases.with_note(case, f"said: {text}", at=at), tuple(told)


def compose(opened: Opened, file: CaseFile, *, count: int, tools: frozenset[str]) -> tuple[CaseFile, list[Finding], str]:
    """The questions for a message, at most ``count``, noted in the case, and how the message begins.

    While a stop is in force only the first checks that may lift it are asked; while nothing is known to be wrong, these and
    what it is. Raises InputError where no question is left.
    """
    knowledge = opened.knowledge
    evidence = evidence_of(opened, file.case)
    posterior = infer(opened.network, evidence, memory=SWEEP_MEMORY)
    triage = advise(opened, evidence, posterior)
    advice = triage.advice
    noted = [inside(heard.title) for heard in triage.heard if heard.who == "customer" and not heard.normal]
    greeting = "Thank you for your message."
    if advice.safety in ("stop_now", "do_not_use"):
        greeting += f" {advice.text}"
    greeting += f"\n\nWe have noted: {'; '.join(noted)}. Tell us if that is not right." if noted else ""
    troubled = is_troubled(knowledge, triage.heard)
    greeting += "" if troubled else f"\n\n{_OPEN}"
    asked = already_asked(opened, file.case, "customer")
    first = [name for name in knowledge.header.first_checks if name not in asked]
    if advice.safety == "stop_now" or not troubled:
        count = len(first)
    if (advice.safety == "stop_now" and not advice.lifted_by) or (count == 0 and not troubled):
        return file, [], greeting
    situation = Situation(who="customer", tools=tools, asked=asked, circumstances=dict(file.case.circumstances), alone=True)
    together = best_together(knowledge, opened.network, evidence, posterior, situation, count)
    least = 1 + len([name for name in together.findings if name in first])
    while len(together.findings) > least:
        fewer = best_together(knowledge, opened.network, evidence, posterior, situation, len(together.findings) - 1)
        if together.bits - fewer.bits >= _ADDS:
            break
        together = fewer
    if not together.findings:
        raise complaint("there is nothing left that this customer could answer in writing", "see: diagnose sheet",
                        key=file.case.id)
    note = _ASKED + ", ".join(together.findings)
    file = cases.save(file, cases.with_note(file.case, note, at=cases.now()))
    return file, [knowledge.findings[name] for name in together.findings], greeting


def questions_asked(case: Case) -> list[str]:
    """The findings of the last message, in its numbering."""
    for note in reversed(case.notes):
        if note.text.startswith(_ASKED):
            return note.text.removeprefix(_ASKED).split(", ")
    return []


def read_answer(opened: Opened, case: Case, text: str) -> list[ReadLine]:
    """What a customer's answer says to the questions of the last message; InputError if none was sent.

    Answers are found by their numbers in rising order ("1 yes 2. no, only sometimes 3) 11.9v"); whatever is not plainly an
    answer is marked with a doubt.
    """
    names = [name for name in questions_asked(case) if name in opened.knowledge.findings]
    if not names:
        raise complaint("no questions were sent in writing yet", f"compose them with: diagnose reply {case.id}", key=case.id)
    parts, marks = split_numbered(text, len(names)), _marks(text, len(names))
    before = text[:marks[0][1]] if marks else "" if parts else text
    in_order = {} if parts else _unnumbered(text, len(names))
    lines = [_read_line(opened, opened.knowledge.findings[name], parts.get(number) or in_order.get(number, ""))
             for number, name in enumerate(names, 1)]
    if in_order:
        lines = [line._replace(doubt=line.doubt or "no number before it") for line in lines]
    return lines + _said_besides(opened, case, [before, *(line.words for line in lines if line.doubt)], names)


def _said_besides(opened: Opened, case: Case, pieces: Sequence[str], asked: Sequence[str]) -> list[ReadLine]:
    """Trouble that a customer mentions beside the answers and that the case does not hold yet; always doubtful."""
    known = {answer.finding for answer in case.answers} | set(asked)
    found = []
    for piece in pieces:
        understood, answers = answers_from_words(opened, piece)
        for match, answer in zip(understood.matches, answers, strict=True):
            finding = opened.knowledge.findings[match.finding]
            if finding.kind != REPORT or finding.id in known or finding.level(match.level) == 0:
                continue
            known.add(finding.id)
            entry = told_answers(opened, [answer], at=cases.now())[0]
            found.append(ReadLine(finding.id, finding.title, match.words, match.level, entry, "said besides"))
    return found


def split_numbered(text: str, count: int) -> dict[int, str]:
    """Number -> the words behind it, for the numbers 1 to ``count`` in rising order; all of it for a single question."""
    marks = _marks(text, count)
    if not marks:
        return {1: text.strip()} if count == 1 else {}
    ends = [begin for _, begin, _ in marks[1:]] + [len(text)]
    return {number: text[begin:end].strip(" ,;.\n\t") for (number, _, begin), end in zip(marks, ends, strict=True)}


def _marks(text: str, count: int) -> list[tuple[int, int, int]]:
    """The numbers 1 to ``count`` in rising order: number, where it stands, where what belongs to it begins."""
    marks: list[tuple[int, int, int]] = []
    start = 0
    for number in range(1, count + 1):
        found = re.compile(rf"(?:(?<=^)|(?<=[\s,;.]))[(#]?{number}(?:\s*[.):]\s*(?=\S)|\s+(?:-\s+)?(?=\S)|(?=[a-z]\b))",
                           re.I).search(text, start)
        if found:
            marks.append((number, found.start(), found.end()))
            start = found.end()
    return marks


def _unnumbered(text: str, count: int) -> dict[int, str]:
    """As many lines, or as many words between commas, as there were questions: taken in their order, else nothing."""
    for pieces in (text.splitlines(), text.split(",")):
        said = [piece.strip() for piece in pieces if piece.strip()]
        if len(said) == count:
            return dict(enumerate(said, 1))
    return {}


def _copied(finding: Finding, words: str) -> str:
    """The letter, where it stands before nothing but words of the choice that it belongs to, else the words as they are."""
    letter, _, rest = words.partition(")") if words[1:3].strip().startswith(")") else ("", "", "")
    level = letters(finding).get(letter.strip().lower())
    if level is None:
        return words
    meaning = set(words_and_stops(finding.meanings[finding.level(level)]))
    return letter.strip() if meaning.issuperset(words_and_stops(rest)) else words


def _read_line(opened: Opened, finding: Finding, words: str) -> ReadLine:
    if not words:
        return ReadLine(finding.id, finding.ask, words, "(no answer)", None, "")
    at = cases.now()
    words = _copied(finding, words)
    head, separator, rest = words.partition(",")
    for attempt, doubt in ((words, ""), (head if separator else "", f"there is more: {rest.strip()}"),
                           (words.split()[0].rstrip(".,;:)"), "there is more behind it")):
        if not attempt.strip():
            continue
        try:
            reply = understand_reply(opened, finding, attempt, who="customer")
        except InputError:
            continue
        if reply.order != "answer":
            continue
        unit = finding.reading.unit if finding.reading else ""
        shown = reply.unanswered or reply.level or f"{reply.reading:g} {unit}".strip()
        if doubt and reply.unanswered != UNKNOWN:
            reply = reply._replace(sure=False)
        return ReadLine(finding.id, finding.ask, words, shown + ("" if reply.sure else " (not sure)"),
                        as_answer(finding, reply, who="customer", at=at), doubt)
    return _by_likeness(finding, words, at)


def _by_likeness(finding: Finding, words: str, at: str) -> ReadLine:
    """A level of whose name the words have a part, or whose meaning is like them; always doubtful."""
    from rapidfuzz import fuzz, process

    named = named_levels(finding, words, within=True)
    best = process.extractOne(words.lower(), [m.lower() for m in finding.meanings], scorer=fuzz.token_set_ratio,
                              score_cutoff=_LIKE)
    if len(named) != 1 and best is None:
        return ReadLine(finding.id, finding.ask, words, "(not understood)", None, "not understood")
    level = named[0] if len(named) == 1 or best is None else finding.levels[best[2]]
    answer = CaseAnswer(finding.id, level, "customer", None, False, None, "", at)
    return ReadLine(finding.id, finding.ask, words, f"{level} (not sure)", answer, "read from free words")


def keep_answers(file: CaseFile, lines: Sequence[ReadLine]) -> CaseFile:
    """The case with these answers, on disk."""
    case = file.case
    for line in lines:
        if line.answer is not None:
            case = cases.with_answer(case, line.answer)
    return cases.save(file, case)
