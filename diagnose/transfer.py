"""Old jobs from a plain CSV into cases, and cases out into a CSV.

What ``write_table`` writes can be read back with the mapping ``EXPORTED``: answers as they stood when the case came in, and how
it ended. Who answered and how, remedies tried and notes have no column, so they stay behind.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from diagnose import case as cases
from diagnose.caserecord import CLOSED, OPEN, Case, CaseAnswer, parse, to_text
from diagnose.correspondence import with_words
from diagnose.evidence import parse_answers
from diagnose.learn import as_it_came_in
from diagnose.network import Opened
from diagnose.records import CHECK, CIRCUMSTANCE, REPORT
from diagnose.source import Fields, InputError, Problem, complaint, nearest, parse_yaml, read_yaml

LARGEST_TABLE = 20_000_000  # bytes of one CSV file
COLUMNS = ("id", "opened", "closed", "status", "reference", "reports", "checks", "circumstances", "confirmed", "not_found",
           "unlisted", "fully_put_right", "verified", "minutes", "parts")
FIELDS = ("date", "closed", "words", "reports", "checks", "circumstances", "cause", "unlisted", "reference", "minutes",
          "put_right", "verified", "parts", "status")  # what a column of a table may be
NOT_FOUND = "not_found"  # what words of the cause column may be mapped to, beside the causes
ISO = "iso"  # dates with or without a time, as ISO 8601
_YES, _NO = {"yes", "y", "true", "1", "x"}, {"no", "n", "false", "0"}
_RUN = ("=", "+", "-", "@", "\t", "\r")  # a cell that begins so is run by spreadsheets (from memory: OWASP, "CSV Injection")
_SEPARATORS = (",", ";", "\t")


class TableMapping(NamedTuple):
    """How a table is read. columns: our field -> heading in the table; causes: words in the table, lower case -> cause id or
    NOT_FOUND; dates: the form of the dates, as ``datetime.strptime`` takes it, or ISO; put_right: what an empty cell means."""

    columns: Mapping[str, str]
    causes: Mapping[str, str] = {}
    dates: str = ISO
    put_right: bool = False


EXPORTED = TableMapping({
    "date": "opened", "closed": "closed", "reports": "reports", "checks": "checks", "circumstances": "circumstances",
    "cause": "confirmed",
    "unlisted": "unlisted", "reference": "reference", "minutes": "minutes", "put_right": "fully_put_right",
    "verified": "verified", "parts": "parts", "status": "status"})


def read_mapping(path: Path, opened: Opened) -> TableMapping:
    """The mapping in a YAML file: ``columns`` (our fields -> headings; date, cause, and words or reports are wanted),
    ``causes``, ``dates``, ``put_right``. Raises InputError with file and line."""
    problems: list[Problem] = []
    top = Fields(read_yaml(path), str(path), "", problems)
    columns: dict[str, str] = {}
    under = top.fields("columns", required=True)
    for name, node in top.items("columns"):
        if name not in FIELDS:
            problems.append(Problem(str(path), node.line, f"columns.{name}", f"{name!r} is not known", nearest(name, FIELDS)))
        elif under is not None:
            columns[name] = under.text(name, required=True)
    for wanted in (("date",), ("cause",), ("words", "reports")):
        if under is not None and not any(name in columns for name in wanted):
            top.complain("columns", f"no column is named for {' or '.join(map(repr, wanted))}", "name the heading of the table")
    allowed = (*opened.knowledge.causes, NOT_FOUND)
    causes = {words.strip().lower(): top.word_of(node, f"causes.{words}", allowed) for words, node in top.items("causes")}
    dates = top.text("dates", ISO)
    if dates != ISO and not _is_form(dates):
        top.complain("dates", f"{dates[:30]!r} is no form of dates with day, month and year", "write it like %d.%m.%Y")
    put_right = top.word("put_right", ("no", "yes"), "no") == "yes"
    top.done()
    if problems:
        raise InputError(problems)
    return TableMapping(columns, causes, dates, put_right)


def _is_form(dates: str) -> bool:
    day, other = datetime(2026, 11, 25), datetime(2015, 11, 25)  # of years with the same calendar, so that only a year tells
    try:
        return day.strftime(dates) != other.strftime(dates) and datetime.strptime(day.strftime(dates), dates) == day
    except (ValueError, re.error):
        return False


def read_table(path: Path, mapping: TableMapping, opened: Opened) -> tuple[list[Case], list[Problem]]:
    """Cases from a table, without ids, and a Problem for every row that cannot be read; nothing is written.

    The cells stand apart by comma, semicolon or tab. Raises InputError if the file cannot be read or lacks a heading that the
    mapping names.
    """
    text = _text_of(path)
    try:
        headings, separator = _headings(text, mapping)
    except csv.Error as error:
        raise _no_table(error, path, 1) from error
    missing = [heading for heading in mapping.columns.values() if heading not in headings]
    if missing:
        raise complaint(f"the table has no heading {missing[0]!r}", nearest(missing[0], headings), file=str(path), line=1)
    rows = csv.DictReader(io.StringIO(text, newline=""), delimiter=separator, restkey="")
    found, problems = [], []
    try:
        for row in rows:
            try:
                if "" in row and "" not in headings and any(row[""] or []):
                    raise complaint("the row has more cells than the table has headings", "put text with separators in quotes")
                cells = {name: _plain(row[heading]) for name, heading in mapping.columns.items()}
                if any(cells.values()):
                    found.append(_case_of(cells, mapping, opened))
            except InputError as error:
                problems += [p._replace(file=str(path), line=rows.line_num) for p in error.problems]
    except csv.Error as error:
        raise _no_table(error, path, rows.line_num) from error
    return found, problems


def _no_table(error: csv.Error, path: Path, line: int) -> InputError:
    return complaint(f"not a valid table ({error})", "check the quotes", file=str(path), line=line)


def _text_of(path: Path) -> str:
    try:
        if path.stat().st_size > LARGEST_TABLE:
            raise complaint("the table is too large", f"keep it under {LARGEST_TABLE:,} bytes", file=str(path))
        return path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise complaint(f"cannot be read ({error.strerror})", "check the path", file=str(path)) from error
    except UnicodeDecodeError as error:
        raise complaint("this is not UTF-8 text", "save the table as CSV in UTF-8", file=str(path)) from error


def _headings(text: str, mapping: TableMapping) -> tuple[list[str], str]:
    """The first row and the separator by which most of the headings of the mapping are found in it."""
    wanted = set(mapping.columns.values())
    rows = [(next(csv.reader(io.StringIO(text, newline=""), delimiter=one), []), one) for one in _SEPARATORS]
    return max(rows, key=lambda row: len(wanted.intersection(row[0])))


def _plain(cell: str | None) -> str:
    """A cell without the quote that ``_guarded`` puts before it."""
    text = (cell or "").strip()
    return text[1:] if text[:1] == "'" and text[1:2] in ("'", *_RUN) else text


def _guarded(cell: str) -> str:
    return f"'{cell}" if cell[:1] in ("'", *_RUN) else cell


def _case_of(cells: Mapping[str, str], mapping: TableMapping, opened: Opened) -> Case:
    def cell(name: str) -> str:
        return cells.get(name, "")

    knowledge = opened.knowledge
    moment = _moment(cell("date"), mapping.dates)
    case = Case("", moment, knowledge.header.id, knowledge.header.version, cell("reference"))
    for fact in parse_answers(_parts(cell("circumstances")), knowledge, who="fitter", kinds=(CIRCUMSTANCE,)):
        case = cases.with_circumstance(case, fact.finding, fact.level or "")
    told = [a._replace(method="volunteered" if knowledge.findings[a.finding].level(a.level or "") else "look")
            for a in parse_answers(_parts(cell("reports")), knowledge, who="customer", kinds=(REPORT,))]
    for answer in (*told, *parse_answers(_parts(cell("checks")), knowledge, who="fitter", kinds=(CHECK,))):
        reading = knowledge.findings[answer.finding].reading
        unit = reading.unit if reading is not None and answer.reading is not None else ""
        case = cases.with_answer(case, CaseAnswer(*answer, unit=unit, at=moment))
    if cell("words"):
        case, _ = with_words(opened, case, cell("words"), at=moment)
    if not case.answers:
        raise complaint(f"nothing in {cell('words')[:40]!r} was understood", "name the trouble in other words", key="words")
    if cell("status").lower() != OPEN:
        case = _closed(case, cell, mapping, opened)
    named = case._replace(id="20000101-0000")  # proved as it will be read again; ids are given when it is written
    try:
        parse(parse_yaml(to_text(named).encode(), ""), "", knowledge=knowledge)
    except InputError as error:
        raise InputError(p._replace(key=p.key.removeprefix("case.")) for p in error.problems) from error
    return case


def _closed(case: Case, cell: Callable[[str], str], mapping: TableMapping, opened: Opened) -> Case:
    minutes = cell("minutes").replace(",", ".")
    try:
        number = float(minutes) if minutes else None
    except ValueError as error:
        raise complaint(f"{minutes[:20]!r} is no number of minutes", "mend it", key="minutes") from error
    put_right = cell("put_right").lower()
    if put_right and put_right not in _YES | _NO:
        raise complaint(f"{put_right[:20]!r} is neither yes nor no", "write yes or no", key="put_right")
    confirmed, unlisted = _cause_of(cell("cause"), mapping, opened)
    unlisted = unlisted or ("" if confirmed else cell("unlisted"))
    at = _moment(cell("closed"), mapping.dates) if cell("closed") else case.opened
    return cases.closed_as(
        case, at=at, fully_put_right=put_right in _YES if put_right else mapping.put_right, confirmed=confirmed,
        not_found=not (confirmed or unlisted), unlisted=unlisted, verified=cell("verified"), minutes=number,
        parts=_parts(cell("parts")))


def _cause_of(text: str, mapping: TableMapping, opened: Opened) -> tuple[list[str], str]:
    """The causes that a cell names, apart by semicolons: words of the mapping, ids or titles. Where one of them is none, the
    whole cell is a cause that is not listed, in words."""
    causes = opened.knowledge.causes
    known = {cause.title.lower(): name for name, cause in causes.items()} | {name: name for name in causes} | {**mapping.causes}
    whole = " ".join(text.lower().split())
    names = [whole] if whole in known else [" ".join(part.split()) for part in whole.split(";") if part.strip()]
    found = [known.get(name) or known.get(name.replace(" ", "_"), "") for name in names]
    if "" in found:
        return [], text
    return [name for name in dict.fromkeys(found) if name != NOT_FOUND], ""


def _parts(text: str) -> list[str]:
    return [part.strip() for part in text.split(";") if part.strip()]


def _moment(text: str, dates: str) -> str:
    """A date of the table as ISO 8601 with its offset from UTC; one that has none is taken as UTC."""
    try:
        moment = datetime.fromisoformat(text) if dates == ISO else datetime.strptime(text, dates)
    except ValueError as error:
        form = "like 2026-11-25" if dates == ISO else f"of the form {dates}"
        raise complaint(f"the date {text[:30]!r} is not {form}", "mend it, or set 'dates' in the mapping",
                        key="date") from error
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).isoformat(timespec="seconds")


def new_ones(found: Iterable[Case], there: Iterable[Case]) -> tuple[list[Case], int]:
    """The cases that are not in the log yet and stand in the table for the first time, and how many do not: alike in
    everything but the id."""
    seen = {_content(case) for case in there}
    fresh, twice = [], 0
    for case in found:
        content = _content(case)
        twice += content in seen
        if content not in seen:
            fresh.append(case)
        seen.add(content)
    return fresh, twice


def _content(case: Case) -> str:
    return repr(case._replace(id="", circumstances=dict(sorted(case.circumstances.items()))))


def write_table(some: Iterable[Case], opened: Opened) -> tuple[str, int]:
    """Cases as CSV (RFC 4180), one a row, lists joined by semicolons, and how many; a cell that a spreadsheet would run
    gets a ' before it. opened: tells reports from checks."""
    out = io.StringIO(newline="")
    table = csv.writer(out)
    table.writerow(COLUMNS)
    count, findings = 0, opened.knowledge.findings
    for case in some:
        count += 1
        said: dict[str, list[str]] = {REPORT: [], CHECK: [], CIRCUMSTANCE: []}
        for answer in cases.answers_in_force(as_it_came_in(case)):
            kind = findings[answer.finding].kind if answer.finding in findings else CHECK
            said[kind].append(f"{answer.finding}={answer.level if answer.reading is None else format(answer.reading, 'g')}")
        ends = case.status == CLOSED
        row = [case.id, case.opened, case.closed, case.status, case.reference, *(";".join(texts) for texts in said.values()),
               ";".join(case.confirmed), _word(case.not_found) if ends else "", case.unlisted,
               _word(case.fully_put_right) if ends else "", case.verified,
               "" if case.minutes is None else f"{case.minutes:g}", ";".join(case.parts)]
        table.writerow([_guarded(cell) for cell in row])
    return out.getvalue(), count


def _word(value: bool) -> str:
    return "yes" if value else "no"
