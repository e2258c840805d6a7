"""Old jobs from a table, and the log as a table: forms of CSV, wrong mappings, bad rows, duplicates, there and back."""

from __future__ import annotations

import csv
import io
from datetime import datetime
from pathlib import Path

import pytest

from diagnose import case as cases
from diagnose.caserecord import CLOSED, OPEN, Case, CaseAnswer
from diagnose.cli import run
from diagnose.learn import as_it_came_in
from diagnose.network import Opened
from diagnose.records import CIRCUMSTANCE, REPORT
from diagnose.source import InputError
from diagnose.transfer import COLUMNS, EXPORTED, FIELDS, TableMapping, new_ones, read_mapping, read_table, write_table
from tests.simulated_cases import AT

DEMONSTRATION = Path(__file__).resolve().parent.parent / "cases"
MAPPING = """\
columns:
  date: Date
  words: Complaint
  cause: Found
  reference: Job
  minutes: Time
  put_right: OK
  verified: Tested
causes:
  swapped yellow and red: feeds_exchanged
  plug off; aerial: aerial_plug_not_home
  nothing found: not_found
dates: "%d.%m.%Y"
"""
HEAD = "Job,Date,Complaint,Found,Time,OK,Tested\n"
GOOD = 'J1,05.11.2025,forgets its stations every night,swapped yellow and red,35,yes,"key off and on, twice"\n'


@pytest.fixture
def mapping(head_unit: Opened, tmp_path: Path) -> TableMapping:
    return read_mapping(file_of(tmp_path, MAPPING), head_unit)


def file_of(folder: Path, text: str | bytes, name: str = "mapping.yaml") -> Path:
    path = folder / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def table(folder: Path, text: str | bytes, mapping: TableMapping, opened: Opened) -> tuple[list[Case], list[str]]:
    found, problems = read_table(file_of(folder, text, "jobs.csv"), mapping, opened)
    return found, [str(problem).replace(f"{folder}/", "") for problem in problems]


def plain(case: Case) -> Case:
    return case._replace(id="", notes=())


# --- reading ----------------------------------------------------------------------------------------------------------


def test_a_row_becomes_a_closed_case(head_unit: Opened, mapping: TableMapping, tmp_path: Path) -> None:
    (case,), problems = table(tmp_path, HEAD + GOOD, mapping, head_unit)
    assert problems == []
    assert (case.id, case.status) == ("", CLOSED)
    assert case.opened == case.closed == "2025-11-05T00:00:00+00:00"
    assert (case.reference, case.confirmed, case.minutes, case.fully_put_right) == ("J1", ("feeds_exchanged",), 35.0, True)
    assert (case.verified, case.not_found, case.unlisted) == ("key off and on, twice", False, "")
    assert ("forgets_at_key_off", "yes", "customer") in [(a.finding, a.level, a.who) for a in case.answers]
    assert {a.at for a in case.answers} == {case.opened}  # not the day of the import
    assert [note.text for note in case.notes] == ["said: forgets its stations every night"]


@pytest.mark.parametrize("form", ["plain", "bom", "crlf", "semicolon", "tab", "blank lines", "last line open", "other order"])
def test_every_usual_form_of_table_is_read_alike(form: str, head_unit: Opened, mapping: TableMapping, tmp_path: Path) -> None:
    rows = [line.split(",") for line in ("Job,Date,Complaint,Found,Time,OK,Tested",
                                         "J1,05.11.2025,forgets its stations every night,swapped yellow and red,35,yes,twice")]
    one, _ = table(tmp_path, "\n".join(",".join(row) for row in rows) + "\n", mapping, head_unit)
    between = {"semicolon": ";", "tab": "\t"}.get(form, ",")
    if form == "other order":
        rows = [list(reversed(row)) for row in rows]
    text = "\n".join(between.join(row) for row in rows) + "\n"
    text = {"bom": "\ufeff" + text, "crlf": text.replace("\n", "\r\n"), "blank lines": text + "\n\n,,,,,,\n",
            "last line open": text.rstrip("\n")}.get(form, text)
    other, problems = table(tmp_path, text.encode(), mapping, head_unit)
    assert problems == []
    assert other == one
    assert len(one) == 1


def test_cells_may_hold_lines_quotes_and_commas(head_unit: Opened, mapping: TableMapping, tmp_path: Path) -> None:
    row = 'J1,05.11.2025,"forgets its ""stations"", every\nnight",swapped yellow and red,35,yes,"a, b"\n'
    (case,), problems = table(tmp_path, HEAD + row + GOOD.replace("05.11", "45.11"), mapping, head_unit)
    assert case.notes[0].text == 'said: forgets its "stations", every\nnight'
    assert len(problems) == 1 and problems[0].startswith("jobs.csv:4: ")  # the row before took two lines


def test_half_bad_tables_name_every_bad_row(head_unit: Opened, mapping: TableMapping, tmp_path: Path) -> None:
    rows = [GOOD, GOOD.replace("05.11.2025", "2025-11-05"), GOOD.replace("35", "soon"), GOOD.replace("yes", "perhaps"),
            GOOD.replace("forgets its stations every night", "qwertz"), GOOD.replace("J1", "Mr Smith 01"),
            GOOD.replace("J1", "07700900123"), GOOD.replace("35", "-3"), GOOD.replace("\n", ",surplus\n"), "J9,05.11.2025\n"]
    found, problems = table(tmp_path, HEAD + "".join(rows), mapping, head_unit)
    assert len(found) == 1
    wanted = ["3: date: the date '2025-11-05' is not of the form %d.%m.%Y", "4: minutes: 'soon' is no number of minutes",
              "5: put_right: 'perhaps' is neither yes nor no", "6: words: nothing in 'qwertz' was understood",
              "7: reference: 'Mr Smith 01' has not the form", "8: reference: this looks like a telephone number",
              "9: minutes: -3 is out of range", "10: the row has more cells than the table has headings",
              "11: words: nothing in '' was understood"]
    assert [problem[: len(f"jobs.csv:{start}")] for problem, start in zip(problems, wanted, strict=True)] == [
        f"jobs.csv:{start}" for start in wanted]


@pytest.mark.parametrize(("cell", "confirmed", "not_found", "unlisted"), [
    ("swapped yellow and red", ("feeds_exchanged",), False, ""), ("Swapped  YELLOW and red", ("feeds_exchanged",), False, ""),
    ("feeds_exchanged", ("feeds_exchanged",), False, ""), ("Feeds exchanged", ("feeds_exchanged",), False, ""),
    ("Memory and switched feeds exchanged", ("feeds_exchanged",), False, ""),  # the title of the files
    ("swapped yellow and red; aerial_plug_not_home", ("feeds_exchanged", "aerial_plug_not_home"), False, ""),
    ("feeds_exchanged;feeds_exchanged", ("feeds_exchanged",), False, ""),
    ("plug off; aerial", ("aerial_plug_not_home",), False, ""), ("", (), True, ""), ("Nothing found", (), True, ""),
    ("a mouse in the loom", (), False, "a mouse in the loom"),
    ("feeds_exchanged; a mouse", (), False, "feeds_exchanged; a mouse")])
def test_causes_by_mapping_id_title_or_in_words(cell: str, confirmed: tuple[str, ...], not_found: bool, unlisted: str,
                                                head_unit: Opened, tmp_path: Path) -> None:
    mapping = read_mapping(file_of(tmp_path, MAPPING), head_unit)
    text = HEAD + GOOD.replace("swapped yellow and red", f'"{cell}"')
    (case,), problems = table(tmp_path, text, mapping, head_unit)
    assert problems == []
    assert (case.confirmed, case.not_found, case.unlisted) == (confirmed, not_found, unlisted)


@pytest.mark.parametrize(("default", "cell", "right"), [
    ("no", "", False), ("yes", "", True), ("yes", "no", False), ("no", "x", True)])
def test_whether_it_was_put_right_may_be_said_once(default: str, cell: str, right: bool, head_unit: Opened,
                                                   tmp_path: Path) -> None:
    mapping = read_mapping(file_of(tmp_path, MAPPING + f"put_right: {default}\n"), head_unit)
    (case,), _ = table(tmp_path, HEAD + GOOD.replace("yes", cell), mapping, head_unit)
    assert case.fully_put_right is right


def test_what_is_no_table_is_refused(head_unit: Opened, mapping: TableMapping, tmp_path: Path) -> None:
    def refused(text: str | bytes) -> str:
        with pytest.raises(InputError) as caught:
            table(tmp_path, text, mapping, head_unit)
        return str(caught.value)

    assert "the table has no heading 'Date'" in refused("")
    assert "no heading 'Complaint'; did you mean 'Complaints'?" in refused(HEAD.replace("Complaint", "Complaints") + GOOD)
    assert "not UTF-8 text" in refused(HEAD.encode() + b"J1,05.11.2025,\xe4,,,,\n")
    assert "check the path" in refused_path(tmp_path / "none.csv", mapping, head_unit)
    assert "not a valid table" in refused("x" * 200_000 + HEAD)
    assert "not a valid table" in refused(HEAD + "J1," + "x" * 200_000 + "\n")  # csv.field_size_limit


def refused_path(path: Path, mapping: TableMapping, opened: Opened) -> str:
    with pytest.raises(InputError) as caught:
        read_table(path, mapping, opened)
    return str(caught.value)


@pytest.mark.parametrize(("old", "new", "line", "says"), [
    ("  date: Date\n", "  dte: Date\n", 2, "columns.dte: 'dte' is not known; did you mean 'date'?"),
    ("  date: Date\n", "", 2, "no column is named for 'date'"),
    ("  words: Complaint\n", "", 2, "no column is named for 'words' or"),
    ("  date: Date", "  date: [Date]", 2, "text is wanted"), ("columns:", "colums:", 1, "the key 'columns' is missing"),
    (": feeds_exchanged", ": feeds_exchange", 10, "did you mean 'feeds_exchanged'?"),
    ('"%d.%m.%Y"', '"%d.%m"', 13, "is no form of dates"), ('"%d.%m.%Y"', '"%Q"', 13, "is no form of dates"),
    ("dates:", "date:", 13, "'date' is not known")])
def test_a_wrong_mapping_is_told_with_its_line(old: str, new: str, line: int, says: str, head_unit: Opened,
                                               tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        read_mapping(file_of(tmp_path, MAPPING.replace(old, new)), head_unit)
    assert any(problem.line == line and says in str(problem) for problem in caught.value.problems), str(caught.value)


def test_a_form_without_a_year_is_not_even_tried(head_unit: Opened, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Python 3.13 and later warn of a day of the month without its year (its documentation of strptime)."""
    class Strict(datetime):
        @classmethod
        def strptime(cls, text: str, form: str) -> datetime:  # type: ignore[override]
            assert "%y" in form.lower() or "%x" in form
            return datetime.strptime(text, form)

    monkeypatch.setattr("diagnose.transfer.datetime", Strict)
    for form in ("%d.%m", "%d %b", "%A %d %B", "%U", "%j"):
        with pytest.raises(InputError, match="is no form of dates"):
            read_mapping(file_of(tmp_path, MAPPING.replace("%d.%m.%Y", form)), head_unit)
    for form in ("%d.%m.%Y", "%m/%d/%y", "%x", "%Y %j"):
        assert read_mapping(file_of(tmp_path, MAPPING.replace("%d.%m.%Y", form)), head_unit).dates == form


# --- the way there and back -------------------------------------------------------------------------------------------


def expected_back(case: Case, opened: Opened) -> Case:
    """What is left of a case after the trip: answers as it came in, from the customer or the fitter; no remedies, no notes."""
    kinds = opened.knowledge.findings
    facts, told, checks = dict(case.circumstances), [], []
    for answer in cases.answers_in_force(as_it_came_in(case)._replace(circumstances={})):
        kind = kinds[answer.finding].kind
        if kind == CIRCUMSTANCE:
            facts[answer.finding] = answer.level or ""
        elif kind == REPORT:
            method = "volunteered" if kinds[answer.finding].level(answer.level or "") else "look"
            told.append(CaseAnswer(answer.finding, answer.level, "customer", method, at=case.opened))
        else:
            checks.append(CaseAnswer(answer.finding, answer.level, "fitter", None, True, answer.reading, answer.unit,
                                     case.opened))
    version = opened.knowledge.header.version
    return case._replace(id="", knowledge=version, circumstances=facts, answers=(*told, *checks), remedies=(), notes=())


def test_the_demonstration_log_makes_the_trip(head_unit: Opened, tmp_path: Path) -> None:
    log = list(cases.iterate(DEMONSTRATION))
    text, count = write_table(log, head_unit)
    assert count == len(log)
    back, problems = table(tmp_path, text, EXPORTED, head_unit)
    assert problems == []
    assert back == [expected_back(case, head_unit) for case in log]
    assert {case.status for case in back} == {OPEN, CLOSED}
    assert any(len(case.confirmed) > 1 for case in back) and any(case.unlisted for case in back)
    assert any(answer.reading is not None for case in back for answer in case.answers)
    again, _ = write_table(back, head_unit)
    assert again.replace("\r\n", "\n").splitlines()[0] == ",".join(COLUMNS)
    assert table(tmp_path, again, EXPORTED, head_unit)[0] == back


# OWASP "CSV Injection" (from memory): cells that begin with = + - @ tab or carriage return are run by spreadsheets.
@pytest.mark.parametrize("words", [
    "=1+1", "+1", "-1", "@sum", "'=1", "'quoted'", "plain", 'a "b", c', "two\nlines", "a;b", "é — ü"])
def test_cells_that_would_be_run_are_quoted_and_come_back(words: str, head_unit: Opened, tmp_path: Path) -> None:
    header = head_unit.knowledge.header
    told = CaseAnswer("clock_wrong", "yes", "customer", "volunteered", at=AT)
    case = Case("", AT, header.id, header.version, answers=(told,),
                status=CLOSED, closed=AT, unlisted=words, fully_put_right=True, verified=words)
    text, _ = write_table([case], head_unit)
    row = next(csv.DictReader(io.StringIO(text, newline="")))
    assert row["unlisted"][0] not in "=+-@\t\r"
    (back,), problems = table(tmp_path, text, EXPORTED, head_unit)
    assert (problems, back.unlisted, back.verified) == ([], words, words)


def test_every_field_of_a_mapping_is_one_that_export_fills_or_words() -> None:
    assert set(FIELDS) - set(EXPORTED.columns) == {"words"}
    assert set(EXPORTED.columns.values()) <= set(COLUMNS)


def test_the_same_job_is_taken_once(head_unit: Opened, mapping: TableMapping, tmp_path: Path) -> None:
    found, _ = table(tmp_path, HEAD + GOOD + GOOD + GOOD.replace("J1", "J2"), mapping, head_unit)
    fresh, twice = new_ones(found, [])
    assert ([case.reference for case in fresh], twice) == (["J1", "J2"], 1)
    for case in fresh:
        cases.create(tmp_path / "log", case)
    assert new_ones(found, cases.iterate(tmp_path / "log")) == ([], 3)


# --- the commands -----------------------------------------------------------------------------------------------------


class Shell:
    """The program on one log in one folder."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self.capsys = folder, capsys
        self.log = folder / "log"
        file_of(folder, MAPPING)

    def __call__(self, *arguments: str) -> tuple[int, str, str]:
        self.capsys.readouterr()
        code = run(["cases", *arguments, "--cases", str(self.log)])
        done = self.capsys.readouterr()
        assert "Traceback" not in done.out + done.err
        return code, " ".join(done.out.split()), " ".join(done.err.split())

    def take(self, text: str, *more: str) -> tuple[int, str, str]:
        """Import a table."""
        path = file_of(self.folder, text, "jobs.csv")
        return self("import", str(path), "--mapping", str(self.folder / "mapping.yaml"), *more)

    @property
    def files(self) -> list[str]:
        """What lies in the log."""
        return sorted(path.name for path in self.log.iterdir()) if self.log.exists() else []


@pytest.fixture
def shell(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Shell:
    monkeypatch.setenv("NO_COLOR", "1")
    return Shell(tmp_path, capsys)


def test_a_dry_run_says_the_same_and_writes_nothing(shell: Shell) -> None:
    text = HEAD + GOOD + GOOD.replace("J1", "J2").replace("swapped yellow and red", "")
    code, said, _ = shell.take(text, "--dry-run")
    assert (code, shell.files) == (0, [])
    assert said.startswith("2 cases would be taken into") and "1 of them would be taken with no cause found" in said
    code, done, _ = shell.take(text)
    assert done == said.replace("would be taken", "taken")
    assert len([name for name in shell.files if name.endswith(".yaml")]) == 2
    assert [case.reference for case in cases.iterate(shell.log)] == ["J1", "J2"]


def test_causes_that_are_not_listed_are_named_before_they_are_taken(shell: Shell) -> None:
    slips = [GOOD.replace("swapped yellow and red", f"feeds exchangd {n}").replace("J1", f"J{n}") for n in range(7)]
    code, said, _ = shell.take(HEAD + "".join(slips), "--dry-run")
    assert code == 0 and "7 of them would be taken with a cause that is not listed: 'feeds exchangd 0', 'feeds" in said
    assert "'feeds exchangd 4', ..." in said


def test_a_half_bad_table_is_taken_not_at_all_or_without_the_bad_rows(shell: Shell) -> None:
    text = HEAD + GOOD + GOOD.replace("35", "soon") + GOOD.replace("J1", "J3")
    code, _, said = shell.take(text)
    assert (code, shell.files) == (2, [])
    assert "nothing was taken" in said and "jobs.csv:3: minutes: 'soon' is no number of minutes" in said
    code, done, said = shell.take(text, "--dry-run")
    assert (code, shell.files) == (0, []) and "1 row left out: they cannot be read" in done and "jobs.csv:3" in said
    code, done, _ = shell.take(text, "--skip-bad")
    assert code == 0 and done.startswith("2 cases taken into")
    assert [case.reference for case in cases.iterate(shell.log)] == ["J1", "J3"]


def test_a_table_taken_again_adds_only_what_is_new(shell: Shell) -> None:
    shell.take(HEAD + GOOD)
    code, said, _ = shell.take(HEAD + GOOD + GOOD.replace("J1", "J2"))
    assert code == 0
    assert said.startswith("1 case taken") and "1 row left out: these cases are in the log already" in said
    assert len(list(cases.iterate(shell.log))) == 2


def test_what_was_imported_teaches(shell: Shell, head_unit: Opened) -> None:
    from diagnose.learn import count_cases

    shell.take(HEAD + GOOD)
    assert dict(count_cases(head_unit, cases.iterate(shell.log)).causes) == {"feeds_exchanged": 1.0}


def test_export_writes_over_nothing_unasked(shell: Shell, tmp_path: Path) -> None:
    shell.take(HEAD + GOOD)
    out = tmp_path / "out.csv"
    assert shell("export", str(out))[:1] == (0,)
    first = out.read_bytes()
    code, _, said = shell("export", str(out))
    assert code == 2 and "there is a file already" in said and out.read_bytes() == first
    code, said, _ = shell("export", str(out), "--replace")
    assert code == 0 and said.startswith("1 case of ")
    code, said, _ = shell("export", "-")
    assert code == 0 and said.startswith("id,opened,closed")
    assert shell("export", str(tmp_path / "none" / "x.csv"))[0] == 2


def test_the_exported_table_is_imported_without_a_mapping(shell: Shell, tmp_path: Path) -> None:
    shell.take(HEAD + GOOD)
    shell("export", str(tmp_path / "out.csv"))
    before = [plain(case) for case in cases.iterate(shell.log)]
    shell.log = tmp_path / "other"
    assert shell("import", str(tmp_path / "out.csv"))[0] == 0
    assert [plain(case) for case in cases.iterate(shell.log)] == before


def test_an_unreadable_case_is_named_and_the_rest_exported(shell: Shell) -> None:
    shell.take(HEAD + GOOD)
    (shell.log / "20251106-0000.yaml").write_text("schema: 1\n")
    code, out, said = shell("export", "-")
    assert code == 0 and "J1" in out and "20251106-0000.yaml" in said


def test_the_readme_names_every_field_of_a_mapping() -> None:
    text = (Path(__file__).resolve().parent.parent / "README.md").read_text()
    listed = text[text.index("#### Old jobs from a table"):]
    assert all(f"`{name}`" in listed for name in FIELDS)
