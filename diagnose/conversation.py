"""The running conversation: a case -> evidence and what to ask; a typed line -> an answer or an order.

Everything here is a pure function of the case and the line; writing the case down and drawing the screen are elsewhere.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import NamedTuple

from diagnose.case import answers_in_force, stale_findings
from diagnose.caserecord import CLOSED, CURED, SKIPPED, UNKNOWN, Case, CaseAnswer
from diagnose.evidence import Answer, Evidence, likelihood_of, parse_reading, read_evidence
from diagnose.network import Network, Opened
from diagnose.records import CHECK, CIRCUMSTANCE, REPORT, Finding
from diagnose.source import complaint
from diagnose.wording import NEGATIONS, SMALL, stem, the_one_named, words_and_stops

A_STORY = 3  # spaces in a line from which it may be news rather than an answer
MOVES = 0.1  # link strength from which a remedy makes an earlier check stale
ORDERS = {
    "back": "take the last answer back",
    "skip": "not possible here; ask something else",
    "why": "why this question, and what each answer would do",
    "else": "other good questions now",
    "ask ID": "put that one instead",
    "tell WORDS": "something new the customer mentions",
    "tried CAUSE": "a remedy was tried",
    "reading NAME NAME=VALUE ...": "work out what a reading means, as the command does",
    "who PERSON": "somebody else is on the line",
    "note WORDS": "keep a note",
    "belief": "where things stand",
    "stop": "leave; the case can be taken up again",
    "help": "this list",
}
_UNSURE = re.compile(r"^(?:i think|i guess|i believe|maybe|perhaps|probably|possibly|not sure,?(?: but)?|think)[, ]+", re.I)
_OPINION = {"think so": "yes", "believe so": "yes", "guess so": "yes", "probably": "yes", "maybe": "yes", "suppose so": "yes",
            "dont think so": "no", "do not think so": "no", "think not": "no", "probably not": "no", "doubt it": "no"}
_DONT_KNOW = re.compile(
    r"\?+|dk|d/k|unknown|unsure|dunno|no (?:idea|clue)|not sure|cant (?:tell|say|remember|see|check)|"
    r"(?:dont|do not|didnt) (?:really )?(?:know|remember|look|notice|check)|havent (?:looked|checked|noticed|tried)|"
    r"never (?:looked|checked|noticed|tried)")
_OPENING = re.compile(r"(?:sorry|well|er+m?|um+|oh|im|i|he|she|they|we|really|honestly|just)[, ]+")  # goes before an answer
_YES = frozenset("yes y yep yeah aye yup correct definitely always".split())  # noqa: SIM905
_NO = frozenset("no n nope nah none nothing never not".split())  # noqa: SIM905
# Words that may stand behind a yes or a no without adding to it: those that say nothing, but for these.
_MERE = (SMALL | NEGATIONS | frozenset(["all", "course", "definitely", "at", "there", "sort", "whatsoever", "mate",
                                             "sir", "madam", "love", "pal", "sorry", "thanks", "afraid"])) - frozenset("""
    after again ago already because been before cos during longer may maybe more most now ok okay once since some soon till
    until well when where while
""".split())  # noqa: SIM905


class Reply(NamedTuple):
    """A typed line understood. order: a key of ORDERS (its first word), or "answer"; argument: the rest of an order."""

    order: str
    argument: str = ""
    level: str | None = None
    reading: float | None = None
    sure: bool = True
    unanswered: str = ""


def moved_checks(opened: Opened) -> Mapping[str, frozenset[str]]:
    """Cause -> checks that putting it right may change, so that an earlier answer counts no longer."""
    return _moved_by(opened.network, frozenset(finding.id for finding in opened.knowledge.of_kind(CHECK)))


@lru_cache(maxsize=4)
def _moved_by(network: Network, checks: frozenset[str]) -> Mapping[str, frozenset[str]]:
    moves: dict[str, set[str]] = {name: set() for name in network.causes}
    for j, name in enumerate(network.findings):
        if name in checks:
            rows = network.rows(j)
            for cause, normal in zip(network.link_cause[rows].tolist(), network.link[rows, 0].tolist(), strict=True):
                if 1.0 - normal >= MOVES:
                    moves[network.causes[cause]].add(name)
    return {cause: frozenset(findings) for cause, findings in moves.items()}


def evidence_of(opened: Opened, case: Case) -> Evidence:
    """The evidence of a case: circumstances, answers in force, remedies that did not help; of one closed as put right, as it
    stood before the cure.

    Raises InputError if the case names findings or levels that the network no longer has.
    """
    case = _before_the_cure(case)
    answers = [Answer(*a[:6]) for a in answers_in_force(case, moved_checks(opened)) if not a.unanswered]
    failed = [r.cause for r in case.remedies if r.outcome != CURED]
    return read_evidence(opened.knowledge, opened.network, answers, tried=failed)


def no_longer_valid(opened: Opened, case: Case) -> tuple[str, ...]:
    """Checks whose answers a remedy tried since has made stale; worth asking again."""
    return stale_findings(_before_the_cure(case), moved_checks(opened))


def _before_the_cure(case: Case) -> Case:
    """A case closed as put right, without what put it right and what was looked at afterwards: nothing is to be asked again,
    and the answers that led to the cause go on speaking for it. Any other case as it is."""
    if case.status != CLOSED or not case.fully_put_right:
        return case
    for number, tried in enumerate(case.remedies):
        if tried.outcome == CURED:
            return case._replace(answers=case.answers[: tried.answers_before], remedies=case.remedies[:number])
    return case


def already_asked(opened: Opened, case: Case, who: str) -> frozenset[str]:
    """What was answered, and what was put to this person in vain: somebody else may know or be able to do it. What only one
    person can answer was put to that one, whoever is on the line."""
    findings = opened.knowledge.findings

    def in_vain(answer: CaseAnswer) -> bool:
        finding = findings.get(answer.finding)
        only = finding is None or finding.kind == REPORT or bool(
            finding.kind == CIRCUMSTANCE and finding.who and who not in finding.who)
        return only or answer.who == who

    answered = {a.finding for a in case.answers if not a.unanswered or in_vain(a)}
    return frozenset(answered) | frozenset(case.circumstances)


def letters(finding: Finding) -> dict[str, str]:
    """Letter -> level, as the screen offers them."""
    return {chr(ord("a") + number): level for number, level in enumerate(finding.levels)}


def understand_reply(opened: Opened, finding: Finding, line: str, *, who: str) -> Reply:
    """What a typed line means for the question at hand.

    Orders, don't know, a level by letter, word or first letters, yes or no, a reading with unit; "I think" before or "?"
    behind makes it unsure. Raises InputError with one sentence if it is none of these.
    """
    text = " ".join(line.split())
    if text.lower() == "skip":
        return Reply("answer", unanswered=SKIPPED)
    ordered = order_in(text)
    if ordered:
        return ordered
    if _knows_not(text):
        return Reply("answer", unanswered=UNKNOWN)
    opinion = _OPINION.get(_bare(text))
    sure = not (opinion or _UNSURE.match(text) or (len(text) > 1 and text.endswith("?")))
    said = opinion or _UNSURE.sub("", text).rstrip("?. ").strip()
    if finding.reading is not None and re.match(r"[+\-\u2212]?\s*[.,]?\d", said):
        value = parse_reading(said, finding)
        likelihood_of(opened.knowledge.header, finding, Answer(finding.id, None, who, reading=value))
        return Reply("answer", reading=value, sure=sure)
    return Reply("answer", level=_level(finding, said.lower()), sure=sure)


def order_in(text: str) -> Reply | None:
    """The order that a typed line is, if it is one; InputError for one that wants something after it."""
    word, _, rest = text.partition(" ")
    order = word.lower()
    names = {name.split()[0] for name in ORDERS}
    if order in names and (rest.strip() or " " not in _full(order)) and not (rest and " " not in _full(order)):
        return Reply(order, rest.strip())
    if order in names and not rest:
        raise complaint(f"{order} wants something after it", _full(order))
    return None


def _full(order: str) -> str:
    return next(name for name in ORDERS if name.split()[0] == order)


def _bare(text: str) -> str:
    """A typed line in small letters, without apostrophes, stops at its end and what people say first."""
    said = text.lower().replace("'", "").replace("\u2019", "").rstrip(" .!,")
    while (found := _OPENING.match(said)) and found.end() < len(said):
        said = said[found.end():]
    return said


def _knows_not(text: str) -> bool:
    """Whether a line says no more than that one does not know."""
    found = _DONT_KNOW.match(_bare(text))
    return bool(found) and _MERE.issuperset(re.findall(r"\w+", _bare(text)[found.end() if found else 0:]))


def _yes_or_no(said: str) -> str:
    """"yes" or "no" for a line that says so and nothing else ("no, nothing like that"), else ''."""
    first, *rest = [word for word in words_and_stops(said) if word[0].isalnum()] or [""]
    if first not in _YES | _NO or not _MERE.issuperset(rest):
        return ""
    contrary = NEGATIONS | _NO if first in _YES else _YES
    return "" if contrary.intersection(rest) else "yes" if first in _YES else "no"


def _level(finding: Finding, said: str) -> str:
    offered = letters(finding)
    if said in offered:
        return offered[said]
    plain = said.replace(" ", "_").replace("-", "_")
    if plain in finding.levels:
        return plain
    answer = _yes_or_no(_bare(said))
    if answer and {"no", "yes"} == set(finding.levels):
        return answer
    if answer == "no" and finding.levels[0] in ("no", "none"):
        return finding.levels[0]
    starts = [level for level in finding.levels if len(plain) >= 2 and level.startswith(plain)] or named_levels(finding, said)
    if len(starts) == 1:
        return starts[0]
    choices = ", ".join(f"{letter} ({level.replace('_', ' ')})" for letter, level in offered.items())
    number = f", or a number in {finding.reading.unit}" if finding.reading is not None else ""
    if len(starts) > 1:
        raise complaint(f"{said[:40]!r} may mean {' or '.join(starts).replace('_', ' ')}", f"answer {choices}{number}")
    if answer:
        raise complaint("yes or no does not tell which of these it is", f"answer {choices}{number}")
    told = "; if it is something new: tell and the words" if said.count(" ") >= A_STORY else ""
    raise complaint(f"{said if len(said) <= 60 else said[:57] + '...'!r} is no answer to this",
                    f"answer {choices}{number}, or 'help'{told}")


def named_levels(finding: Finding, said: str, *, within: bool = False) -> list[str]:
    """Levels whose names hold all these words ("smoke" for smell_or_smoke). within: those of which the words hold one that
    no other level's name has ("much worse than hers" for worse_here). None where something is denied."""
    said_words = [word for word in words_and_stops(said) if word[0].isalnum()]
    words = set[str]() if NEGATIONS.intersection(said_words) else {stem(word) for word in said_words if word not in SMALL}
    names = {level: {stem(word) for word in level.split("_") if len(word) > 2 and word not in SMALL | NEGATIONS}
             for level in finding.levels}
    if within:
        return [level for level, own in names.items()
                if words & own.difference(*(other for name, other in names.items() if name != level))]
    return [level for level, own in names.items() if words and words <= own]


def as_answer(finding: Finding, reply: Reply, *, who: str, at: str) -> CaseAnswer:
    """The entry of the case record for a reply."""
    unit = finding.reading.unit if finding.reading is not None and reply.reading is not None else ""
    return CaseAnswer(finding.id, reply.level, who, "look" if finding.kind == REPORT else None, reply.sure, reply.reading, unit,
                      at, "", reply.unanswered)


def told_answers(opened: Opened, matches: Sequence[Answer], *, at: str) -> list[CaseAnswer]:
    """Entries for findings that a customer's own words carried; circumstances go elsewhere."""
    kinds = opened.knowledge.findings
    return [CaseAnswer(a.finding, a.level, a.who, a.method, a.sure, None, "", at) for a in matches
            if kinds[a.finding].kind != CIRCUMSTANCE]


def find_cause(opened: Opened, text: str) -> str:
    """The cause meant by an id, by the beginning of an id, by a piece of a title or by words of both; InputError if none or
    several fit."""
    return the_one_named(text, {cause.id: cause.title for cause in opened.knowledge.causes.values()}, what="cause")


def check_known(opened: Opened, case: Case) -> None:
    """InputError if the case belongs to another network."""
    if case.network != opened.knowledge.header.id:
        raise complaint(f"the case belongs to the network {case.network!r}", f"name {case.network}, or the folder of its "
                        "files, as the network", key=case.id)
