"""Old jobs from a plain CSV into cases, and cases out into a CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from diagnose import case as cases
from diagnose.caserecord import Case
from diagnose.correspondence import with_words
from diagnose.network import Opened
from diagnose.source import Fields, InputError, Node, Problem, complaint, nearest, read_yaml

LARGEST_TABLE = 20_000_000  # bytes of one CSV file
COLUMNS = ("id", "opened", "closed", "status", "reference", "reports", "circumstances", "confirmed", "not_found", "unlisted",
           "fully_put_right", "verified", "minutes", "parts")
_YES, _NO = {"yes", "y", "true", "1", "x"}, {"no", "n", "false", "0", ""}


class TableMapping(NamedTuple):
    """How a table is read. columns: our field -> heading in the table; causes: words in the table -> cause id; dates: the form
    of the dates, as ``datetime.strptime`` takes it."""

    columns: Mapping[str, str]
    causes: Mapping[str, str]
    dates: str


def read_mapping(path: Path, opened: Opened) -> TableMapping:
    """The mapping in a YAML file with the keys ``columns`` (date, words, cause, and optional reference, minutes, put_right,
    verified), ``causes`` and optional ``dates``. Raises InputError with file and line."""
    problems: list[Problem] = []
    root = read_yaml(path)
    top = Fields(root, str(path), "", problems)
    columns: dict[str, str] = {}
    known = ("date", "words", "cause", "reference", "minutes", "put_right", "verified")
    for name, node in top.items("columns", required=True):
        if name not in known:
            problems.append(Problem(str(path), node.line, f"columns.{name}", f"{name!r} is not known", nearest(name, known)))
        columns[name] = str(node.value)
    for name in ("date", "words", "cause"):
        if name not in columns:
            top.complain("columns", f"no column is named for {name!r}", "name the heading of the table")
    causes: dict[str, str] = {}
    for words, node in top.items("causes"):
        cause = top.word_of(Node(str(node.value), node.line), "causes", opened.knowledge.causes)
        causes[words.strip().lower()] = cause
    dates = top.text("dates", "%Y-%m-%d")
    top.done()
    if problems:
        raise InputError(problems)
    return TableMapping(columns, causes, dates)


def read_table(path: Path, mapping: TableMapping, opened: Opened) -> tuple[list[Case], list[Problem]]:
    """Closed cases from a table, without ids, and a Problem for every row that cannot be read; nothing is written.

    Raises InputError if the file cannot be read or lacks a heading that the mapping names.
    """
    try:
        if path.stat().st_size > LARGEST_TABLE:
            raise complaint("the table is too large", f"keep it under {LARGEST_TABLE:,} bytes", file=str(path))
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise complaint(f"cannot be read ({error.strerror})", "check the path", file=str(path)) from error
    except UnicodeDecodeError as error:
        raise complaint("this is not UTF-8 text", "save the table as CSV in UTF-8", file=str(path)) from error
    rows = csv.DictReader(io.StringIO(text))
    try:
        headings = rows.fieldnames or []
    except csv.Error as error:
        raise _no_table(error, path, rows.line_num) from error
    missing = [heading for heading in mapping.columns.values() if heading not in headings]
    if missing:
        raise complaint(f"the table has no heading {missing[0]!r}", nearest(missing[0], headings), file=str(path), line=1)
    found, problems = [], []
    try:
        for row in rows:
            try:
                found.append(_case_of(row, mapping, opened))
            except InputError as error:
                problems += [p._replace(file=str(path), line=rows.line_num) for p in error.problems]
    except csv.Error as error:
        raise _no_table(error, path, rows.line_num) from error
    return found, problems


def _no_table(error: csv.Error, path: Path, line: int) -> InputError:
    return complaint(f"not a valid table ({error})", "check the quotes", file=str(path), line=line)


def _case_of(row: Mapping[str, str | None], mapping: TableMapping, opened: Opened) -> Case:
    def cell(name: str) -> str:
        return (row.get(mapping.columns.get(name, "")) or "").strip()

    try:
        moment = datetime.strptime(cell("date"), mapping.dates).replace(tzinfo=UTC).isoformat()
    except ValueError as error:
        raise complaint(f"the date {cell('date')[:30]!r} is not of the form {mapping.dates}", "mend it, or set 'dates'",
                        key="date") from error
    header = opened.knowledge.header
    case = Case("", moment, header.id, header.version, cell("reference"))
    case, _ = with_words(opened, case, cell("words"))
    if not case.answers:
        raise complaint(f"nothing in {cell('words')[:40]!r} was understood", "name the trouble in other words", key="words")
    words = cell("cause").lower()
    cause = mapping.causes.get(words, words.replace(" ", "_"))
    minutes = cell("minutes")
    try:
        number = float(minutes) if minutes else None
    except ValueError as error:
        raise complaint(f"{minutes[:20]!r} is no number of minutes", "mend it", key="minutes") from error
    put_right = cell("put_right").lower()
    if put_right not in _YES | _NO:
        raise complaint(f"{put_right[:20]!r} is neither yes nor no", "write yes or no", key="put_right")
    if words and cause not in opened.knowledge.causes:
        return cases.closed_as(case, at=moment, fully_put_right=put_right in _YES, unlisted=cell("cause"),
                               verified=cell("verified"), minutes=number)
    return cases.closed_as(case, at=moment, fully_put_right=put_right in _YES, confirmed=(cause,) if words else (),
                           not_found=not words, verified=cell("verified"), minutes=number)


def write_table(some: Iterable[Case]) -> str:
    """Cases as CSV text, one a row, lists joined by semicolons; a cell that a spreadsheet would run is quoted with a '."""
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    table.writerow(COLUMNS)
    for case in some:
        answers = [a for a in case.answers if not a.unanswered]
        reports = ";".join(f"{a.finding}={a.level if a.level is not None else a.reading}" for a in answers)
        facts = ";".join(f"{name}={level}" for name, level in case.circumstances.items())
        row = [case.id, case.opened, case.closed, case.status, case.reference, reports, facts, ";".join(case.confirmed),
               "yes" if case.not_found else "no", case.unlisted, "yes" if case.fully_put_right else "no", case.verified,
               "" if case.minutes is None else f"{case.minutes:g}", ";".join(case.parts)]
        table.writerow([f"'{cell}" if cell[:1] in ("=", "+", "-", "@") else cell for cell in row])
    return out.getvalue()
