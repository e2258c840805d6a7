"""The commands why and explain: what they print agrees with the modules that reckon, whatever text is in the case."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import Any

import jsonschema
import pytest

import diagnose
from diagnose import case as cases
from diagnose.caserecord import Case, CaseAnswer, Note, RemedyTried
from diagnose.cli import run
from diagnose.evidence import Answer, Evidence, read_evidence
from diagnose.exchange import export_case
from diagnose.explain import weights_of_evidence
from diagnose.network import Opened
from diagnose.posterior import infer
from diagnose.reasons import about_as_plain, reasons_as_plain, reasons_of
from diagnose.records import CIRCUMSTANCE, Cause
from diagnose.sensitivity import with_parameter

SCHEMAS = Path(diagnose.__file__).parent / "schemas"
AT = "2026-11-25T09:30:00+00:00"
FEEDS = (("forgets_at_key_off", "yes", "customer", "volunteered"), ("memory_feed_key_off", "dead", "fitter", None),
         ("switched_feed_key_off", "live", "fitter", None))


class Log:
    """A folder of cases, and commands on it."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self.capsys = folder, capsys
        self.code = 0
        self.err = ""

    def put(self, opened: Opened, answers: Any = FEEDS, **more: Any) -> str:
        """A case with these answers on disk; its id."""
        header = opened.knowledge.header
        case = Case("", AT, more.pop("network", header.id), header.version, "job-7")
        for finding, level, who, method in answers:
            if opened.knowledge.findings[finding].kind == CIRCUMSTANCE:
                case = cases.with_circumstance(case, finding, level)
            else:
                case = cases.with_answer(case, CaseAnswer(finding, level, who, method, True, None, "", AT))
        return cases.create(self.folder, case._replace(**more)).case.id

    def run(self, *arguments: str) -> str:
        """What a command prints."""
        self.capsys.readouterr()
        self.code = run(list(arguments))
        out, self.err = self.capsys.readouterr()
        assert "Traceback" not in out + self.err
        return out


@pytest.fixture
def log(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Log:
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setenv("COLUMNS", "110")
    return Log(tmp_path / "log", capsys)


def schema(name: str) -> dict[str, Any]:
    return json.loads((SCHEMAS / f"{name}.json").read_text(encoding="utf-8"))  # type: ignore[no-any-return]


def valid(name: str, data: Any) -> None:
    jsonschema.Draft202012Validator(schema(name)).validate(data)


def objects_of(node: Any) -> list[dict[str, Any]]:
    """Every object of a schema that lists properties."""
    found = [node] if isinstance(node, dict) and "properties" in node else []
    for part in node.values() if isinstance(node, dict) else node if isinstance(node, list) else ():
        found += objects_of(part)
    return found


@pytest.mark.parametrize("name", ["why", "explain"])
def test_the_schemas_are_schemas_and_let_nothing_else_in(name: str) -> None:
    jsonschema.Draft202012Validator.check_schema(schema(name))
    for part in objects_of(schema(name)):
        assert part["additionalProperties"] is False and set(part["required"]) == set(part["properties"])


def test_why_agrees_with_the_modules_and_its_schema(log: Log, head_unit: Opened) -> None:
    data = json.loads(log.run("why", log.put(head_unit), "--json", "--cases", str(log.folder)))
    valid("why", data)
    evidence = read_evidence(head_unit.knowledge, head_unit.network, [Answer(f, x, who, m) for f, x, who, m in FEEDS])
    weights = weights_of_evidence(head_unit, evidence, data["cause"])
    assert [one["alone"]["decibans"] for one in data["weights"]["answers"]] == pytest.approx([w.alone for w in weights.answers])
    posterior = infer(head_unit.network, evidence)
    assert data["p"] == pytest.approx(float(posterior.p.max()))
    # weights in order add up to the posterior (Good 1985, "Weight of evidence": the log odds are additive in order)
    total = sum(one["in_order"]["decibans"] for one in [data["weights"]["tried"], data["weights"]["unmentioned"],
                                                        *data["weights"]["answers"]])
    assert data["weights"]["prior"]["decibans"] + total == pytest.approx(10 * math.log10(data["p"] / (1 - data["p"])))
    assert data["history"]["moments"][-1]["p"][0] == pytest.approx(data["p"])
    assert data["covered"] == pytest.approx(sum(one["p"] for one in data["sets"])) and data["covered"] >= 0.95


def test_the_value_at_which_the_ranking_turns_turns_it(log: Log, head_unit: Opened) -> None:
    data = json.loads(log.run("why", log.put(head_unit), "--json", "--cases", str(log.folder)))
    evidence = read_evidence(head_unit.knowledge, head_unit.network, [Answer(f, x, who, m) for f, x, who, m in FEEDS])
    reasons = reasons_of(head_unit, evidence, infer(head_unit.network, evidence), draws=2)
    assert reasons.sensitivity is not None
    lean = reasons.sensitivity.turns_first
    assert lean is not None and lean.turns_at == pytest.approx(data["sensitivity"]["turns_first"]["turns_at"])
    changed = with_parameter(head_unit, lean.parameter, lean.turns_at or 0.0)
    moved = read_evidence(changed.knowledge, changed.network, evidence.answers)
    p = infer(changed.network, moved).p
    one, other = (changed.network.cause_index[name] for name in (reasons.cause, reasons.sensitivity.rival))
    assert p[one] == pytest.approx(p[other], rel=1e-6)


def by_another_engine(opened: Opened, evidence: Evidence, file: Path, *causes: str) -> list[float]:
    """P(cause | e) by a second general engine from the exported case (it reads numbers in single precision)."""
    gum = pytest.importorskip("pyagrum")
    file.write_text(export_case(opened, evidence, "bif"), encoding="utf-8")
    read = gum.loadBN(str(file))
    engine = gum.LazyPropagation(read)
    engine.setEvidence({name: "so" for name in read.names() if name.endswith("-seen")})
    engine.makeInference()
    return [engine.posterior(cause)[{cause: "present"}] for cause in causes]


def test_weights_and_turning_points_by_another_engine(head_unit: Opened, tmp_path: Path) -> None:
    """Answers that disagree: each check left out in turn; just below and just above a turning point another cause is first."""
    file, said = tmp_path / "case.bif", [Answer("forgets_at_key_off", "yes", method="volunteered"),
                                         Answer("memory_feed_key_off", "good"), Answer("dead_with_key_on", "yes"),
                                         Answer("radio_fuse_look", "whole", "fitter")]

    def odds(p: float) -> float:
        return 10 * math.log10(p / (1 - p))

    evidence = read_evidence(head_unit.knowledge, head_unit.network, said)
    reasons = reasons_of(head_unit, evidence, infer(head_unit.network, evidence), draws=2)
    assert reasons.weights is not None and reasons.sensitivity is not None and reasons.conflict.recheck
    (whole,) = by_another_engine(head_unit, evidence, file, reasons.cause)
    for k in (1, 3):  # a report left out is no report that nobody mentioned, so the checks only
        rest = read_evidence(head_unit.knowledge, head_unit.network, [one for one in said if one is not said[k]])
        (without,) = by_another_engine(head_unit, rest, file, reasons.cause)
        assert odds(whole) - odds(without) == pytest.approx(reasons.weights.answers[k].alone, abs=1e-5)
    found = reasons.sensitivity
    assert found.leans_on != found.turns_first
    for lean in (found.leans_on, found.turns_first):
        assert lean is not None and lean.turns_at is not None
        ahead = []
        for t in (lean.turns_at * (1 - 1e-3), lean.turns_at * (1 + 1e-3)):
            moved = with_parameter(head_unit, lean.parameter, t)
            again = read_evidence(moved.knowledge, moved.network, said)
            one, other = by_another_engine(moved, again, file, found.cause, found.rival)
            ahead.append(one > other)
        assert ahead[0] is not ahead[1], lean.parameter


def test_a_cause_that_is_there_as_well_is_no_rival(head_unit: Opened) -> None:
    answers = [*(Answer(f, x, who, m) for f, x, who, m in FEEDS), Answer("fm_weak", "yes", method="volunteered"),
               Answer("aerial_amplifier", "yes", "fitter"), Answer("aerial_supply_volts", "none", "fitter")]
    evidence = read_evidence(head_unit.knowledge, head_unit.network, answers)
    reasons = reasons_of(head_unit, evidence, infer(head_unit.network, evidence), draws=2)
    assert set(reasons.sets[0].causes) == {"feeds_exchanged", "aerial_amplifier_unsupplied"}
    assert [one.cause for one in reasons.ranking[:2]] == ["feeds_exchanged", "aerial_amplifier_unsupplied"]
    assert reasons.sensitivity is not None and reasons.sensitivity.rival == reasons.ranking[2].cause


@pytest.mark.parametrize(("cause", "told"), [("feeds_exchanged", "it would be overtaken by"),
                                             ("feeds_both_switched", "it would overtake")])
def test_who_would_overtake_whom(log: Log, head_unit: Opened, cause: str, told: str) -> None:
    shown = log.run("why", log.put(head_unit, FEEDS[:1]), cause, "--cases", str(log.folder))
    assert told in " ".join(shown.split())


def test_every_screen_and_page_says_whose_numbers_it_speaks_from(log: Log, head_unit: Opened) -> None:
    case = log.put(head_unit)
    commands = (("why", case), ("explain", "feeds_exchanged"), ("network", "show"), ("network", "show", "aerial"),
                ("report", case, "--html", "-"), ("network", "show", "aerial", "--html", "-"))
    for arguments in commands:
        assert "the expert's knowledge" in log.run(*arguments, "--cases", str(log.folder)).replace("&#39;", "'"), arguments
    (log.folder / "learned.json").write_text("{}", encoding="utf-8")
    for arguments in commands[:4]:
        shown = " ".join(log.run(*arguments, "--cases", str(log.folder)).split())
        assert "learned.json is passed over" in shown, "not in silence"


def test_a_weight_of_nothing_has_no_bar_and_the_strongest_stands_first(log: Log, head_unit: Opened) -> None:
    shown = log.run("why", log.put(head_unit, [("smell_smoke_heat", "none", "customer", "recall"), *FEEDS]),
                    "--cases", str(log.folder))
    rows = re.findall(r"^ +([+-][0-9.]+|0\.0) +(■*)│(■*) ", shown, re.M)
    values = [float(value) for value, *_ in rows]
    assert len(rows) == 5 and values == sorted(values, reverse=True) and 0.0 in values
    for value, against, speaks_for in zip(values, *list(zip(*rows, strict=True))[1:], strict=True):
        assert (bool(against), bool(speaks_for)) == (value < 0, value > 0)


def test_why_says_every_part_on_the_screen(log: Log, head_unit: Opened) -> None:
    shown = log.run("why", log.put(head_unit), "--cases", str(log.folder))
    assert log.code == 0 and "\x1b" not in shown
    for part in ("WELL SUPPORTED", "SETS OF CAUSES", "WEIGHT OF EVIDENCE", "DO THE ANSWERS FIT TOGETHER",
                 "HOW THE BELIEF MOVED", "WHAT IT LEANS ON MOST",
                 "something that the files do not list", "none of the causes in question"):
        assert part in shown, part
    assert "+14.5" in shown and max(map(len, shown.splitlines())) <= 110


def test_bars_go_to_either_side(log: Log, head_unit: Opened) -> None:
    shown = log.run("why", log.put(head_unit), "vehicle_radio_fuse_blown", "--cases", str(log.folder))
    against = next(line for line in shown.splitlines() if line.strip().startswith("-") and "Switched feed" in line)
    assert "■│" in against and "│■" not in against
    assert any("│■" in line for line in shown.splitlines())


def test_a_verdict_that_fails_names_the_condition(log: Log, head_unit: Opened) -> None:
    answers = [("forgets_at_key_off", "yes", "customer", "volunteered")]
    case = log.put(head_unit, answers)
    data = json.loads(log.run("why", case, "--json", "--cases", str(log.folder)))
    failed = [one["text"] for one in data["support"]["requirements"] if not one["holds"]]
    assert data["support"]["well"] is False and failed
    shown = log.run("why", case, "--cases", str(log.folder))
    assert "NOT WELL SUPPORTED" in shown and all(text.split(",")[0][:60] in shown for text in failed)


def test_answers_that_disagree_name_the_one_to_ask_again(log: Log, head_unit: Opened) -> None:
    case = log.put(head_unit, [("forgets_at_key_off", "yes", "customer", "volunteered"),
                               ("switched_feed_key_off", "live", "fitter", None),
                               ("memory_feed_key_off", "good", "fitter", None)])
    data = json.loads(log.run("why", case, "--json", "--cases", str(log.folder)))
    found = data["conflict"]
    assert found["bits"] > 0 and found["recheck"]
    least = min(found["answers"], key=lambda one: one["without"])
    assert found["recheck"] == least["finding"]
    shown = log.run("why", case, "--cases", str(log.folder))
    assert "they disagree by" in shown and ("if in doubt, ask again" if found["explained"] else "ask again first") in shown


def test_an_excluded_cause_has_no_numbers_without_end_in_json(doorbell: Opened) -> None:
    answers = [Answer("faint", "yes"), Answer("has_chime", "no", "fitter")]
    evidence = read_evidence(doorbell.knowledge, doorbell.network, answers)
    reasons = reasons_of(doorbell, evidence, infer(doorbell.network, evidence), "chime_loads", draws=2)
    data = {"schema": 1, "case": "c", "network": "doorbell", **reasons_as_plain(reasons)}
    valid("why", json.loads(json.dumps(data, allow_nan=False)))
    chime = next(one for one in data["weights"]["answers"] if one["finding"] == "has_chime")
    assert chime["alone"] == {"decibans": None, "infinite": "against"}
    assert data["weights"]["posterior"] == {"decibans": None, "infinite": "against"} and data["p"] == 0


def test_why_without_any_answer(log: Log, head_unit: Opened) -> None:
    case = log.put(head_unit, [])
    assert "No answer points at a cause" in log.run("why", case, "--cases", str(log.folder))
    data = json.loads(log.run("why", case, "--json", "--cases", str(log.folder)))
    valid("why", data)
    assert data["cause"] == "" and data["weights"] is None and data["unexplained"] == 1
    valid("why", json.loads(log.run("why", case, "feeds_exchanged", "--json", "--cases", str(log.folder))))


def test_a_remedy_tried_in_vain_weighs_against_its_cause(log: Log, head_unit: Opened) -> None:
    tried = RemedyTried("feeds_exchanged", "no_change", AT, "fitter", answers_before=1)
    case = log.put(head_unit, FEEDS[:1], remedies=(tried,))
    data = json.loads(log.run("why", case, "feeds_exchanged", "--json", "--cases", str(log.folder)))
    valid("why", data)
    assert data["weights"]["tried"]["alone"]["decibans"] < -5
    assert data["history"]["moments"][-1]["title"] == "remedies tried in vain"
    assert "remedies tried in vain" in log.run("why", case, "feeds_exchanged", "--cases", str(log.folder))


def test_hostile_text_steers_no_terminal(log: Log, head_unit: Opened) -> None:
    bad = "\x1b]0;owned\x07 [red]markup[/red] <b>x</b> \u202e"
    case = log.put(head_unit, notes=(Note(AT, bad),))
    shown = log.run("why", case, "--cases", str(log.folder))
    assert log.code == 0 and "\x1b" not in shown and "\u202e" not in shown
    for arguments in (("why", case, bad), ("explain", bad), ("why", bad)):
        where = () if arguments[0] == "explain" else ("--cases", str(log.folder))
        shown = log.run(*arguments, *where)
        assert log.code == 2 and not shown and "\x1b" not in log.err and "\u202e" not in log.err, arguments


@pytest.mark.parametrize(("arguments", "told"), [(("why", "20200101"), "20200101"),
                                                 (("explain", "feeds_exchagned"), "feeds_exchanged"),
                                                 (("explain", "fuse", "blown"), "vehicle_radio_fuse_blown; say which")])
def test_what_is_not_there_is_told_in_a_sentence(log: Log, head_unit: Opened, arguments: tuple[str, ...], told: str) -> None:
    log.put(head_unit)
    log.run(*arguments, *(("--cases", str(log.folder)) if arguments[0] == "why" else ()))
    assert log.code == 2 and told in log.err and len(log.err.splitlines()) == 1


@pytest.mark.parametrize("words", [("earth", "loop", "amplifier"), ("unit_amplifier_earth_loop",), ("Earth loop between",)])
def test_what_is_explained_is_found_by_words_too(log: Log, words: tuple[str, ...]) -> None:
    assert "Earth loop between unit and amplifier" in log.run("explain", *words).splitlines()[0]


def every_id(opened: Opened) -> list[str]:
    knowledge = opened.knowledge
    return [*knowledge.causes, *knowledge.findings, *knowledge.conditions, *knowledge.cautions]


def test_no_note_on_a_fact_carries_a_code_that_nobody_can_look_up(head_unit: Opened) -> None:
    knowledge = head_unit.knowledge
    notes = [note for record in (*knowledge.causes.values(), *knowledge.findings.values()) for note in record.see]
    assert len(notes) > 150
    assert [note for note in notes if re.search(r"\b(?!mm2\b|obd2\b)[a-z]{2,4}\d\b", note)] == []


def test_explain_fits_its_schema_for_every_id(head_unit: Opened) -> None:
    from diagnose.about import about

    check = jsonschema.Draft202012Validator(schema("explain"))
    for name in every_id(head_unit):
        found = about(head_unit, name)
        check.validate(json.loads(json.dumps({"schema": 1, "network": "head_unit", **about_as_plain(found)}, allow_nan=False)))


@pytest.mark.parametrize("name", ["feeds_exchanged", "forgets_at_key_off", "memory_feed_key_off", "memory_feed_switched",
                                  "straight_through_loom", "twelve_volts_can_burn"])
def test_explain_shows_and_links_both_ways(log: Log, name: str) -> None:
    data = json.loads(log.run("explain", name, "--json"))
    valid("explain", data)
    shown = log.run("explain", name)
    assert log.code == 0 and data["title"] in shown and data["kind"] in shown
    for tie in data["ties"][:3]:
        assert tie["id"] in shown
        back = json.loads(log.run("explain", tie["id"], "--json"))
        assert name in {one["id"] for one in back["ties"]} | {one["id"] for one in back["cautions"]}, tie["id"]


def test_explain_tells_the_cautions_before_the_steps_and_all_that_the_record_holds(log: Log, head_unit: Opened) -> None:
    knowledge = head_unit.knowledge
    for name in ("feeds_exchanged", "memory_feed_key_off", "smell_smoke_heat"):
        shown = " ".join(log.run("explain", name).split())
        record = knowledge.causes.get(name) or knowledge.findings[name]
        carried = record.remedy.cautions if isinstance(record, Cause) else record.cautions
        steps = record.remedy.steps if isinstance(record, Cause) else [step for some in record.how.values() for step in some]
        assert carried and steps and all(" ".join(step.split()) in shown for step in steps)
        for one in carried:
            assert shown.index(knowledge.cautions[one].text[:40]) < shown.index(steps[0][:40])
    shown = " ".join(log.run("explain", "smell_smoke_heat").split())
    assert '"stop now" at smell or smoke' in shown and "area: Heat damage (heat)" in shown
    assert "read in V: good 12.4 to 13.2" in " ".join(log.run("explain", "battery_volts_rested").split())
    said = next(words for level, words in knowledge.findings["fm_weak"].phrases if level == "yes")
    assert f'"{said}"' in " ".join(log.run("explain", "fm_weak").split())


def test_explain_names_what_separates_look_alikes(log: Log, head_unit: Opened) -> None:
    data = json.loads(log.run("explain", "feeds_exchanged", "--json"))
    other = data["look_alikes"][0]
    assert 0.5 <= other["overlap"] <= 1 and other["told_apart_by"]
    best = other["told_apart_by"][0]
    apart = sum(abs(p - best["there"][level]) for level, p in best["here"].items()) / 2  # total variation distance
    assert best["difference"] == pytest.approx(apart)
    shown = log.run("explain", "feeds_exchanged")
    assert other["cause"] in shown and best["title"] in shown


def test_each_command_ends_its_help_with_an_example(log: Log) -> None:
    for name in ("why", "explain"):
        assert f"Example: diagnose {name} " in log.run(name, "--help")
