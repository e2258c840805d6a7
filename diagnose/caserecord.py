"""The record of one callback, read from YAML with every mistake's place and written back as the same record.

Lists keep the order in which things were said and done, and that order is the truth: a clock that is set back changes
nothing. There is no field for a person's name, telephone number or number plate; a case carries a job reference only.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from datetime import datetime
from typing import Any, NamedTuple

from diagnose.records import METHODS, Knowledge
from diagnose.source import LARGEST_TEXT, Fields, InputError, Node, Problem, complaint, dump_yaml, nearest

SCHEMA = 1
LONGEST_NOTE = 100_000  # characters
OPEN, CLOSED = "open", "closed"
CURED, NO_CHANGE, PARTLY = "cured", "no_change", "partly"
SKIPPED, UNKNOWN = "skipped", "unknown"
CASE_ID = re.compile(r"[0-9]{8}-[0-9]{4}(-[1-9][0-9]{0,5})?")  # day, time of day, and a number where that is taken
_WORD, _UNIT = re.compile(r"[\w.-]{1,80}"), re.compile(r"[\w%/°.-]{1,12}")
_REFERENCE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_./#-]{0,39}")

# The form that ``to_text`` gives a case, where every scalar stands on one line: plain, or for a text in single quotes.
_TIME = r"[0-9]{4}-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9][+-][0-2][0-9]:[0-5][0-9]"
_ID, _NUMBER = r"[A-Za-z0-9][A-Za-z0-9_.-]{0,79}", r"[0-9]{1,5}(?:\.[0-9]{1,9})?"
_LETTER = "A-Za-z0-9\u00c0-\u024f"
_TEXT = rf"[{_LETTER}][{_LETTER} _.+/,;()'-]*(?<! )|'(?:[ -&(-~\u00a0-\u024f\u2010-\u2027]|'')+'"
_FRAME = re.compile(
    rf"schema: {SCHEMA}\ncase: ({CASE_ID.pattern})\nopened: ({_TIME})\nnetwork: ({_ID})\nknowledge: ({_ID})\n"
    rf"(?:reference: ([A-Za-z1-9][A-Za-z0-9_./#-]{{0,39}})\n)?(?:circumstances:\n((?:  {_ID}: (?:no|yes)\n)+))?"
    r"(?:answers:\n((?:[- ] .*\n)+))?(?:remedies:\n((?:[- ] .*\n)+))?(?:notes:\n((?:[- ] .*\n)+))?status: (open|closed)\n"
    rf"(?:closed: ({_TIME})\n)?(?:confirmed:\n((?:- {_ID}\n)+))?(?:not_found: (yes)\n)?(?:unlisted: ({_TEXT})\n)?"
    rf"(?:fully_put_right: (no|yes)\n)?(?:verified: ({_TEXT})\n)?(?:minutes: ({_NUMBER})\n)?(?:parts:\n((?:- {_ID}\n)+))?")
_ANSWER = re.compile(
    rf"- finding: ({_ID})\n(?:  level: ({_ID})\n|  reading: (-?{_NUMBER})\n(?:  unit: ([A-Za-z%][A-Za-z0-9%/]{{0,11}})\n)?|"
    rf"  unanswered: ({SKIPPED}|{UNKNOWN})\n)  who: ({_ID})\n(?:  method: ({'|'.join(METHODS)})\n)?  sure: (no|yes)\n"
    rf"  at: ({_TIME})\n(?:  note: ({_TEXT})\n)?")
_REMEDY = re.compile(
    rf"- cause: ({_ID})\n  outcome: ({CURED}|{NO_CHANGE}|{PARTLY})\n  at: ({_TIME})\n(?:  minutes: ({_NUMBER})\n)?"
    rf"  who: ({_ID})\n(?:  note: ({_TEXT})\n)?  answers_before: ([0-9]{{1,5}})\n")
_NOTE = re.compile(rf"- at: ({_TIME})\n  text: ({_TEXT})\n")


class CaseAnswer(NamedTuple):
    """One thing asked, and what came of it; the first six fields are those of ``evidence.Answer``, in its order.

    Exactly one of level, reading and unanswered is set. reading: a number in ``unit``. method: how it was found out, None
    for the finding's own. sure False: "I think so". at: ISO 8601 with the offset from UTC. unanswered: skipped (not put, or
    passed over) or unknown (nobody can say).
    """

    finding: str
    level: str | None = None
    who: str = "customer"
    method: str | None = None
    sure: bool = True
    reading: float | None = None
    unit: str = ""
    at: str = ""
    note: str = ""
    unanswered: str = ""


class RemedyTried(NamedTuple):
    """A remedy that was tried: outcome cured, no_change or partly; answers_before: how many answers the case had by then."""

    cause: str
    outcome: str
    at: str
    who: str
    minutes: float | None = None
    note: str = ""
    answers_before: int = 0


class Note(NamedTuple):
    """Free words, written down at a time."""

    at: str
    text: str


class Case(NamedTuple):
    """One callback. opened, closed: ISO 8601 with the offset from UTC. knowledge: version of the network's files.

    circumstances: id -> yes or no. A closed case has exactly one of confirmed (cause ids), not_found, unlisted (a cause that
    the files do not list, in words). fully_put_right: nothing else was left wrong. minutes: spent in all. parts: ids used.
    """

    id: str
    opened: str
    network: str
    knowledge: str
    reference: str = ""
    circumstances: Mapping[str, str] = {}  # read only
    answers: tuple[CaseAnswer, ...] = ()
    remedies: tuple[RemedyTried, ...] = ()
    notes: tuple[Note, ...] = ()
    status: str = OPEN
    closed: str = ""
    confirmed: tuple[str, ...] = ()
    not_found: bool = False
    unlisted: str = ""
    fully_put_right: bool = False
    verified: str = ""
    minutes: float | None = None
    parts: tuple[str, ...] = ()


def quick_case(data: bytes) -> Case | None:
    """The case in a text of the form that ``to_text`` gives most cases, as ``parse`` would have it; None for any other form.

    A long log is read many times as fast by it. Whatever is odd in any way is left to the YAML parser, and to be told there.
    """
    try:
        frame = _FRAME.fullmatch(data.decode())
        if frame is None:
            return None
        (name, _, opened, network, knowledge, reference, facts, answers, remedies, notes, status, closed, confirmed, not_found,
         unlisted, right, verified, minutes, parts) = frame.groups()
        pairs = [line.strip().split(": ") for line in (facts or "").splitlines()]
        case = Case(
            name, opened, network, knowledge, reference or "", dict(pairs),
            tuple(CaseAnswer(finding, level, who, method, sure == "yes", float(reading) if reading else None, unit or "", at,
                             _unquoted(note), nothing or "")
                  for finding, level, reading, unit, nothing, who, method, sure, at, note in _each(_ANSWER, answers)),
            tuple(RemedyTried(cause, outcome, at, who, float(spent) if spent else None, _unquoted(note), int(before))
                  for cause, outcome, at, spent, who, note, before in _each(_REMEDY, remedies)),
            tuple(Note(at, _unquoted(text)) for at, text in _each(_NOTE, notes)), status, closed or "",
            _items(confirmed), not_found == "yes", _unquoted(unlisted), right == "yes", _unquoted(verified),
            float(minutes) if minutes else None, _items(parts))
        for time in (opened, *(a.at for a in case.answers), *(r.at for r in case.remedies), *(n.at for n in case.notes),
                     closed or opened):
            datetime.fromisoformat(time)
    except ValueError:  # not UTF-8, no such time, or entries of another form
        return None
    if len(case.circumstances) < len(pairs) or any(r.answers_before > len(case.answers) for r in case.remedies):
        return None
    if any(len(set(names)) < len(names) for names in (case.confirmed, case.parts)):
        return None
    if max(map(len, (case.unlisted, case.verified)), default=0) > LARGEST_TEXT or len(data) > LONGEST_NOTE:
        return None
    ends = bool(confirmed) + bool(not_found) + bool(unlisted)
    if status == CLOSED:
        return case if closed and right and ends == 1 else None
    return None if closed or right or verified or minutes or parts or ends else case


def _each(form: re.Pattern[str], text: str | None) -> list[tuple[Any, ...]]:
    """The groups of one entry after the other; ValueError if anything else stands between them."""
    found, end = [], 0
    for match in form.finditer(text or ""):
        if match.start() != end:
            raise ValueError("not in this form")
        found.append(match.groups())
        end = match.end()
    if end != len(text or ""):
        raise ValueError("not in this form")
    return found


def _items(text: str | None) -> tuple[str, ...]:
    return tuple(line[2:] for line in (text or "").splitlines())


def _unquoted(text: str | None) -> str:
    return (text[1:-1].replace("''", "'") if text[0] == "'" else text) if text else ""


def parse(root: Node, file: str, *, knowledge: Knowledge | None = None) -> Case:
    """The case in a YAML mapping; ids and levels are looked up if the knowledge is given.

    Raises InputError with every Problem, each with its line. A schema other than ours is named and nothing else is read.
    """
    problems: list[Problem] = []
    top = Fields(root, file, "case", problems)
    schema = top.text("schema", required=True)
    if not schema:
        raise InputError(problems)
    if schema != str(SCHEMA):
        age = "an older one than" if schema.isdecimal() and int(schema[:9]) < SCHEMA else "not"
        raise complaint(f"the case is written in schema {schema[:20]!r}, {age} the schema {SCHEMA} of this program",
                        "open it with the program that wrote it; the file is left as it is", file=file, line=top.line("schema"))
    of_network = knowledge if knowledge and top.text("network") == knowledge.header.id else None
    causes = of_network.causes if of_network else None
    circumstances = {}
    for name, node in top.items("circumstances"):
        circumstances[name] = top.word_of(node, f"circumstances.{name}", ("no", "yes"))
        _matches(top, "circumstances", name, _WORD, of_network.findings if of_network else None, line=node.line)
    answers = tuple(_answer(fields, of_network) for fields in _entries(top, "answers"))
    case = Case(
        _word(top, "case", CASE_ID), _time(top, "opened"), _word(top, "network"), _word(top, "knowledge"),
        _reference(top), circumstances, answers,
        tuple(_remedy(fields, of_network, answers) for fields in _entries(top, "remedies")),
        tuple(_note(fields) for fields in _entries(top, "notes")),
        top.word("status", (OPEN, CLOSED), required=True), _time(top, "closed", required=False),
        _ids(top, "confirmed", causes), _yes(top, "not_found"), _exact(top, "unlisted", LARGEST_TEXT),
        _yes(top, "fully_put_right"), _exact(top, "verified", LARGEST_TEXT), _minutes(top),
        _ids(top, "parts", of_network.header.parts if of_network else None))
    _check_closing(top, case)
    top.done()
    if problems:
        raise InputError(problems)
    return case


def _check_closing(top: Fields, case: Case) -> None:
    if case.status == OPEN:
        for key in ("closed", "confirmed", "not_found", "unlisted", "fully_put_right", "verified", "minutes", "parts"):
            if top.has(key):
                top.complain(key, "an open case has no such entry yet", "remove it, or write 'status: closed'")
    if case.status == CLOSED:
        for key in ("closed", "fully_put_right"):
            top.get(key, required=True)
        if bool(case.confirmed) + case.not_found + bool(case.unlisted) != 1:
            top.complain("status", "a closed case has exactly one of confirmed, not_found: yes, unlisted", "give one of them")


def _entries(top: Fields, key: str) -> list[Fields]:
    node = top.get(key)
    if node is None:
        return []
    if not isinstance(node.value, list):
        top.complain(key, f"a list is wanted, here is a {node.kind}", "begin every entry with '- '")
        return []
    return [Fields(item, top.file, f"{top.path}.{key}.{number}", top.problems) for number, item in enumerate(node.value, 1)]


def _answer(fields: Fields, knowledge: Knowledge | None) -> CaseAnswer:
    name = _word(fields, "finding", known=knowledge.findings if knowledge else None)
    finding = knowledge.findings.get(name) if knowledge else None
    given = [key for key in ("level", "reading", "unanswered") if fields.has(key)]
    if len(given) != 1:
        fields.complain("", f"an answer has one of level, reading and unanswered, here are {len(given)}", "keep one")
    if fields.has("unit") and not fields.has("reading"):
        fields.complain("unit", "a unit without a reading", "add the reading or remove the unit")
    if finding and fields.has("reading") and finding.reading is None:
        fields.complain("reading", f"{name!r} is not read as a number", f"its levels: {', '.join(finding.levels)}")
    answer = CaseAnswer(
        name, _word(fields, "level", known=finding.levels if finding else None, required=False) or None,
        _who(fields, knowledge), fields.word("method", METHODS) or None,
        fields.word("sure", ("no", "yes"), "yes") == "yes",
        fields.number("reading", low=-1e9, high=1e9) if fields.has("reading") else None,
        _word(fields, "unit", _UNIT, required=False), _time(fields, "at"), _exact(fields, "note"),
        fields.word("unanswered", (SKIPPED, UNKNOWN)))
    fields.done()
    return answer


def _remedy(fields: Fields, knowledge: Knowledge | None, answers: tuple[CaseAnswer, ...]) -> RemedyTried:
    at = _time(fields, "at")
    counted = fields.has("answers_before")
    before = fields.number("answers_before", low=0, high=len(answers)) if counted else float(_earlier(answers, at))
    if before != int(before):
        fields.complain("answers_before", f"{before:g} is not a whole number", "count the answers given before the remedy")
    remedy = RemedyTried(
        _word(fields, "cause", known=knowledge.causes if knowledge else None),
        fields.word("outcome", (CURED, NO_CHANGE, PARTLY), NO_CHANGE, required=True), at, _who(fields, knowledge),
        _minutes(fields), _exact(fields, "note"), int(before))
    fields.done()
    return remedy


def _earlier(answers: tuple[CaseAnswer, ...], at: str) -> int:
    """How many answers stand up to the last one given no later than ``at``: for a remedy that was entered by hand."""
    moment = _moment(at)
    times = [_moment(answer.at) for answer in answers]
    return max((place for place, time in enumerate(times, 1) if time and moment and time <= moment), default=0)


def _note(fields: Fields) -> Note:
    note = Note(_time(fields, "at"), _exact(fields, "text", required=True))
    if fields.has("text") and not note.text:
        fields.complain("text", "the note is empty", "fill it in or remove it")
    fields.done()
    return note


def _moment(text: str) -> datetime | None:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment if moment.utcoffset() is not None else None


def _time(fields: Fields, key: str, *, required: bool = True) -> str:
    text = fields.text(key, required=required)
    if text and _moment(text) is None:
        fields.complain(key, f"{text[:40]!r} is no time with its offset from UTC", "write it like 2026-11-05T14:32:07+00:00")
    return text


def _matches(fields: Fields, key: str, word: str, form: re.Pattern[str], known: Collection[str] | None, *,
             line: int = 0) -> None:
    if not form.fullmatch(word):
        fields.complain(key, f"{word[:40]!r} has not the form of this entry", "use letters, digits, _ - .", line=line)
    elif known is not None and word not in known:
        fields.complain(key, f"{word!r} is not known here", nearest(word, known), line=line)


def _word(fields: Fields, key: str, form: re.Pattern[str] = _WORD, *, known: Collection[str] | None = None,
          required: bool = True) -> str:
    word = fields.text(key, required=required)
    if word:
        _matches(fields, key, word, form, known)
    return word


def _who(fields: Fields, knowledge: Knowledge | None) -> str:
    return _word(fields, "who", known=knowledge.header.people if knowledge else None)


def _ids(fields: Fields, key: str, known: Collection[str] | None) -> tuple[str, ...]:
    names = fields.words(key, known)
    for place, name in enumerate(names):
        _matches(fields, key, name, _WORD, None)
        if name in names[:place]:
            fields.complain(key, f"{name!r} stands here twice", "keep one")
    return names


def _reference(fields: Fields) -> str:
    text = _word(fields, "reference", _REFERENCE, required=False)
    if re.fullmatch(r"0[0-9]{9,}", text):
        fields.complain("reference", "this looks like a telephone number", "give a job reference only")
    return text


def _exact(fields: Fields, key: str, longest: int = LONGEST_NOTE, *, required: bool = False) -> str:
    """A text as it stands, white space and all."""
    node = fields.get(key, required=required)
    if node is None:
        return ""
    if not isinstance(node.value, str):
        fields.complain(key, f"text is wanted, here is a {node.kind}", "put the text in quotes")
        return ""
    if len(node.value) > longest:
        fields.complain(key, f"the text has {len(node.value):,} characters", f"keep it to {longest:,}")
    return node.value


def _yes(fields: Fields, key: str) -> bool:
    return fields.word(key, ("no", "yes"), "no") == "yes"


def _minutes(fields: Fields) -> float | None:
    return fields.number("minutes", low=0, high=1e6) if fields.has("minutes") else None


def to_text(case: Case) -> str:
    """The case as YAML, fields in a fixed order, empty ones left out; ``parse`` gives back an equal case."""
    return dump_yaml(_filled({
        "schema": SCHEMA, "case": case.id, "opened": case.opened, "network": case.network, "knowledge": case.knowledge,
        "reference": case.reference, "circumstances": dict(sorted(case.circumstances.items())),
        "answers": [_row(answer, "finding level reading unit unanswered who method sure at note") for answer in case.answers],
        "remedies": [_row(remedy, "cause outcome at minutes who note answers_before") for remedy in case.remedies],
        "notes": [_row(note, "at text") for note in case.notes], **_ending(case)}))


def ending_text(case: Case) -> str:
    """How the case stands or ended, as the lines of its file from the status on."""
    return dump_yaml(_ending(case))


def _ending(case: Case) -> dict[str, Any]:
    return _filled({
        "status": case.status, "closed": case.closed, "confirmed": list(case.confirmed), "not_found": case.not_found or None,
        "unlisted": case.unlisted, "fully_put_right": case.fully_put_right if case.status == CLOSED else None,
        "verified": case.verified, "minutes": case.minutes, "parts": list(case.parts)})


def _row(record: Any, keys: str) -> dict[str, Any]:
    return _filled({key: getattr(record, key) for key in keys.split()})


def _filled(data: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in data.items() if value not in (None, "", [], {})}
