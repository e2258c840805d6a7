"""What happens to a case from its first answer to its closing, and the store: a folder with one YAML file for each case.

Every writer holds the store's lock file (which also marks the folder as a store), writes beside the file and renames, and a
file that somebody else has changed since it was read is never overwritten. Files are made to be mended by hand; comments
added there stay only until the program next saves the case.
"""

from __future__ import annotations

import errno
import hashlib
import os
from array import array
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from itertools import chain
from pathlib import Path
from typing import NamedTuple

from diagnose.caserecord import (
    CASE_ID,
    CLOSED,
    LONGEST_NOTE,
    OPEN,
    SCHEMA,
    SKIPPED,
    UNKNOWN,
    Case,
    CaseAnswer,
    Note,
    RemedyTried,
    ending_text,
    parse,
    quick_case,
    to_text,
)
from diagnose.records import Knowledge
from diagnose.source import (
    LARGEST_FILE,
    InputError,
    Node,
    Problem,
    complaint,
    locked,
    nearest,
    parse_yaml,
    put_file,
    read_plain_file,
)

MARKER = ".diagnose-cases"  # marks a folder as a store, and is the file that writers lock
VARIABLE = "DIAGNOSE_CASES"
__all__ = [
    "CLOSED", "LONGEST_NOTE", "MARKER", "OPEN", "SCHEMA", "SKIPPED", "UNKNOWN", "VARIABLE", "Case", "CaseAnswer", "CaseFile",
    "Note", "RemedyTried", "answers_in_force", "closed_as", "count", "create", "iterate", "load", "load_all", "new_id",
    "now", "parse", "reopened", "save", "stale_findings", "store_path", "to_text", "with_answer", "with_circumstance",
    "with_note", "with_remedy", "without_last_answer",
]


class CaseFile(NamedTuple):
    """A case as it was read from, or written to, its file; fingerprint: hash of the file's bytes."""

    case: Case
    path: Path
    fingerprint: str


def now() -> str:
    """The present time as ISO 8601 with the offset from UTC, to the second."""
    return datetime.now().astimezone().isoformat(timespec="seconds")


def with_circumstance(case: Case, name: str, level: str) -> Case:
    """The case with a fact about the object or the work on it set to yes or no."""
    return _opened(case)._replace(circumstances={**case.circumstances, name: level})


def with_answer(case: Case, answer: CaseAnswer) -> Case:
    """The case with one more answer at the end; InputError if it is closed or the answer is not exactly one thing."""
    if (answer.level is not None) + (answer.reading is not None) + bool(answer.unanswered) != 1:
        raise complaint("an answer is a level, a reading, or unanswered", "give one of them", key=answer.finding)
    _note_fits(answer.note)
    return _opened(case)._replace(answers=(*case.answers, answer))


def without_last_answer(case: Case) -> Case:
    """The case as it was before its last answer; InputError if there is none."""
    if not _opened(case).answers:
        raise complaint("there is no answer to take back")
    kept = case.answers[:-1]
    remedies = tuple(tried._replace(answers_before=min(tried.answers_before, len(kept))) for tried in case.remedies)
    return case._replace(answers=kept, remedies=remedies)


def with_remedy(case: Case, remedy: RemedyTried) -> Case:
    """The case with a remedy tried after all its answers so far (``answers_before`` is set here)."""
    _note_fits(remedy.note)
    return _opened(case)._replace(remedies=(*case.remedies, remedy._replace(answers_before=len(case.answers))))


def with_note(case: Case, text: str, *, at: str) -> Case:
    """The case, open or closed, with one more note; InputError if it is empty or longer than LONGEST_NOTE."""
    if not text:
        raise complaint("the note is empty", "write something", key="note")
    _note_fits(text)
    return case._replace(notes=(*case.notes, Note(at, text)))


def closed_as(case: Case, *, at: str, fully_put_right: bool, confirmed: Collection[str] = (), not_found: bool = False,
              unlisted: str = "", verified: str = "", minutes: float | None = None, parts: Collection[str] = ()) -> Case:
    """The case closed: exactly one of confirmed causes, not_found, unlisted (words); InputError otherwise."""
    if bool(confirmed) + not_found + bool(unlisted) != 1:
        raise complaint("a case is closed with confirmed causes, as not found, or with an unlisted cause", "give one of them")
    return _opened(case)._replace(
        status=CLOSED, closed=at, confirmed=tuple(confirmed), not_found=not_found, unlisted=unlisted,
        fully_put_right=fully_put_right, verified=verified, minutes=minutes, parts=tuple(parts))


def reopened(case: Case, *, at: str) -> Case:
    """A closed case open again; how it had been closed is kept in a note. InputError if it is not closed."""
    if case.status != CLOSED:
        raise complaint(f"the case {case.id} is open")
    blank = Case(case.id, case.opened, case.network, case.knowledge)
    again = case._replace(**{key: getattr(blank, key) for key in Case._fields[Case._fields.index("status"):]})
    return with_note(again, f"Opened again; before, it was\n{ending_text(case).strip()}", at=at)


def _opened(case: Case) -> Case:
    if case.status == CLOSED:
        raise complaint(f"the case {case.id} is closed", "open it again first")
    return case


def _note_fits(text: str) -> None:
    if len(text) > LONGEST_NOTE:
        raise complaint(f"the note has {len(text):,} characters", f"keep it to {LONGEST_NOTE:,}", key="note")


def answers_in_force(case: Case, moves: Mapping[str, Collection[str]] | None = None) -> tuple[CaseAnswer, ...]:
    """The latest answer to every finding, circumstances first; ``Answer(*one[:6])`` makes it one for the evidence.

    moves: cause -> findings it can move. A remedy tried makes the earlier answers that its cause moves stale: they are left
    out until asked again. An unknown takes an earlier answer back, a skipped question does not. Source: design, section 3.
    """
    return tuple(_latest(case, moves)[0].values())


def stale_findings(case: Case, moves: Mapping[str, Collection[str]]) -> tuple[str, ...]:
    """The findings whose answer no longer counts because of a remedy, to be asked again."""
    return tuple(_latest(case, moves)[1])


def _latest(case: Case, moves: Mapping[str, Collection[str]] | None) -> tuple[dict[str, CaseAnswer], dict[str, CaseAnswer]]:
    valid = {name: CaseAnswer(name, level, at=case.opened) for name, level in case.circumstances.items()}
    stale: dict[str, CaseAnswer] = {}
    for place, answer in enumerate(case.answers):
        if answer.unanswered == SKIPPED:
            continue
        for part in (valid, stale):
            part.pop(answer.finding, None)
        if not answer.unanswered:
            old = any(place < tried.answers_before and answer.finding in (moves or {}).get(tried.cause, ())
                      for tried in case.remedies)
            (stale if old else valid)[answer.finding] = answer
    return valid, stale


def store_path(option: str | None = None) -> tuple[Path, str]:
    """The folder of the cases and, in words, why that one; it need not exist yet.

    The option if given, else the environment variable, else a folder 'cases' here that holds cases or the marker, else one in
    the user's data folder. Raises InputError if the option is empty or there is no data folder.
    """
    if option is not None:
        if not option:
            raise complaint("the folder of the cases is named by an empty text", "name a folder, or leave the option out")
        return _path(option), "named by the option"
    named = os.environ.get(VARIABLE)
    if named:
        return _path(named), f"named by the environment variable {VARIABLE}"
    here = Path("cases")
    if (here / MARKER).exists() or _holds_cases(here):
        return here, "the folder 'cases' here"
    import platformdirs

    try:
        return platformdirs.user_data_path("diagnose") / "cases", "your data folder, as no other was named"
    except (OSError, RuntimeError) as error:
        raise complaint("there is no data folder for this user", f"name a folder in {VARIABLE}") from error


def _path(text: str) -> Path:
    try:
        return Path(text).expanduser()
    except RuntimeError as error:
        raise complaint(f"{text[:60]!r} names no folder ({error})", "write the path out") from error


def _holds_cases(folder: Path) -> bool:
    try:
        with os.scandir(folder) as entries:
            return any(entry.name.endswith(".yaml") and CASE_ID.fullmatch(entry.name[:-5]) for entry in entries)
    except OSError:
        return False


def new_id(store: Path, *, at: str | None = None) -> str:
    """A free id for a case of this moment: day and time of day, ``20261105-1432``, then ``20261105-1432-2`` and so on.

    ``create`` takes it in one step, so that of two writers each gets one of its own.
    """
    try:
        moment = datetime.fromisoformat(at or now())
    except ValueError as error:
        raise complaint(f"{str(at)[:40]!r} is no time", "write it like 2026-11-05T14:32:07+00:00", key="opened") from error
    first = f"{moment.year:04}{moment.month:02}{moment.day:02}-{moment.hour:02}{moment.minute:02}"
    name, number = first, 1
    while os.path.lexists(store / f"{name}.yaml"):
        number += 1
        name = f"{first}-{number}"
    return name


def create(store: Path, case: Case) -> CaseFile:
    """Write a new case; one without an id gets that of the moment it was opened. The folder is made if need be.

    Raises InputError if a case of that id is there already, if the record is not valid, or if it cannot be written.
    """
    with _writing(store):
        while True:
            named = case if case.id else case._replace(id=new_id(store, at=case.opened))
            path = store / f"{named.id}.yaml"
            data = _bytes(named, path)
            try:
                put_file(path, data, new=True)
            except FileExistsError as error:
                if case.id:
                    raise complaint(f"there is a case {case.id} already", "leave its id out to get a new one",
                                    file=str(path)) from error
                continue
            return CaseFile(named, path, _hash(data))


def save(saved: CaseFile, case: Case) -> CaseFile:
    """Put a changed case in the place of the one read; the file is the old or the new one at every moment.

    Raises InputError, and writes nothing, if the file has changed since it was read, if the record is not valid, or if it
    cannot be written. ValueError for a case of another id.
    """
    if case.id != saved.case.id:
        raise ValueError(f"the case {case.id} cannot be saved as {saved.case.id}")
    if case == saved.case:
        return saved
    data = _bytes(case, saved.path)
    with _writing(saved.path.parent) as alone:
        if _hash(read_plain_file(saved.path, str(saved.path))) != saved.fingerprint:
            raise complaint("the file has changed since it was read; nothing was written", "read the case again and repeat "
                            "the last entry", file=str(saved.path))
        if alone:
            for left in saved.path.parent.glob(f".{saved.path.name}.*.tmp"):
                left.unlink(missing_ok=True)  # of a writer that was killed
        put_file(saved.path, data)
    return CaseFile(case, saved.path, _hash(data))


@contextmanager
def _writing(store: Path) -> Iterator[bool]:
    """Holds the lock of the store (False: there are no locks here); what the system refuses becomes an InputError."""
    try:
        store.mkdir(parents=True, exist_ok=True)
        with locked(store / MARKER) as alone:
            yield alone
    except OSError as error:
        full = error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
        mend = "make room there" if full else "check that it is a folder, and its rights, or name another with --cases"
        raise complaint(f"cannot be written ({error.strerror or error}); nothing was changed", mend, file=str(store)) from error


def _bytes(case: Case, path: Path) -> bytes:
    """The file's bytes, proved by reading them back; InputError for a record that could not be read again."""
    data = to_text(case).encode()
    if len(data) > LARGEST_FILE:
        raise complaint(f"the case would have {len(data):,} bytes", f"keep it under {LARGEST_FILE:,}", file=str(path))
    try:
        parse(parse_yaml(data, str(path)), str(path))
    except InputError as error:
        raise InputError(problem._replace(line=0) for problem in error.problems) from error
    return data


def _hash(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _read(path: Path, knowledge: Knowledge | None) -> CaseFile:
    data = read_plain_file(path, str(path))
    quick = quick_case(data) if knowledge is None else None
    if quick is not None and path.name == f"{quick.id}.yaml":
        return CaseFile(quick, path, _hash(data))
    root = parse_yaml(data, str(path))
    case = parse(root, str(path), knowledge=knowledge)
    if path.name != f"{case.id}.yaml":
        raise InputError(_misnamed(path, root))
    return CaseFile(case, path, _hash(data))


def _misnamed(path: Path, root: Node) -> Problem:
    """The problem of a file that holds a case under another name: a synchronised folder's copy, or one made by hand."""
    node = root.value["case"]
    right = path.with_name(f"{node.value}.yaml")
    mend = f"compare it with {right.name}, keep what is right there and remove this file" if right.exists() else (
        f"rename it to {right.name}")
    return Problem(str(path), node.line, "case", f"this is case {node.value} under another name, so it was not read", mend)


def _listing(store: Path) -> tuple[array[int], list[str]]:
    """Ids of the case files in the order of time, eight bytes each (see ``_number_of``), and names of the other YAML files;
    nothing if there is no such folder."""
    ids = array("q")
    others: list[str] = []
    try:
        with os.scandir(store) as entries:
            for entry in entries:
                stem, ending = os.path.splitext(entry.name)
                if ending == ".yaml" and CASE_ID.fullmatch(stem):
                    ids.append(_number_of(stem))
                elif ending.lower() in (".yaml", ".yml") and not stem.startswith("."):
                    others.append(entry.name)
    except FileNotFoundError:
        return ids, []
    except OSError as error:
        raise complaint(f"cannot be listed ({error.strerror or error})", "check that it is a folder, and its rights",
                        file=str(store)) from error
    return array("q", sorted(ids)), sorted(others)


def _number_of(name: str) -> int:
    """An id as one whole number, in the order of time: day, time of day, and the number of those of one minute."""
    day, clock, *number = map(int, name.split("-"))
    return (day * 10_000 + clock) * 1_000_000 + (number[0] if number else 0)


def _name_of(number: int) -> str:
    moment, which = divmod(number, 1_000_000)
    return f"{moment // 10_000:08}-{moment % 10_000:04}{f'-{which}' if which else ''}"


def count(store: Path) -> int:
    """How many files of the store are cases by their names."""
    return len(_listing(store)[0])


def load(store: Path, id_or_prefix: str, *, knowledge: Knowledge | None = None) -> CaseFile:
    """The case with this id, or the only one whose id begins so; with the knowledge, ids and levels are looked up.

    Raises InputError if there is none, if several begin so, or for what is wrong with the file.
    """
    ids = _listing(store)[0]
    found = [name for name in map(_name_of, ids) if id_or_prefix and name.startswith(id_or_prefix)]
    if id_or_prefix in found:
        found = [id_or_prefix]
    if len(found) > 1:
        raise complaint(f"{id_or_prefix!r} is the beginning of {len(found)} cases, the last {', '.join(found[-4:])}",
                        "write more of it", file=str(store))
    if not found:
        raise complaint(f"there is no case {id_or_prefix[:40]!r}", nearest(id_or_prefix[:40], list(map(_name_of, ids[-200:]))),
                        file=str(store))
    return _read(store / f"{found[0]}.yaml", knowledge)


def iterate(store: Path, problems: list[Problem] | None = None) -> Iterator[Case]:
    """The cases of the store one after the other, in the order of their ids, without holding more than one.

    What cannot be read is left out and added to ``problems``; without such a list it is raised as InputError.
    """
    ids, others = _listing(store)
    strays = (name for name in others if _holds_a_case(store / name))
    for name in chain(strays, (f"{_name_of(one)}.yaml" for one in ids)):
        try:
            case = _read(store / name, None).case
        except InputError as error:
            if problems is None:
                raise
            problems.extend(error.problems)
        else:
            yield case


def _holds_a_case(path: Path) -> bool:
    """Whether a file of another name is about a case (or cannot be read): other things may live beside the cases."""
    try:
        return "case" in parse_yaml(read_plain_file(path, str(path)), str(path)).value
    except InputError:
        return True


def load_all(store: Path) -> tuple[list[Case], list[Problem]]:
    """All cases of the store that can be read, in the order of their ids, and what is wrong with the others."""
    problems: list[Problem] = []
    return list(iterate(store, problems)), problems
