"""A second trade, callbacks after a kitchen tap was fitted, runs on the same Python, and that Python names neither trade.

The expected diagnoses are those of published cases and guides, named beside each test (read in a stored copy), or common
practice of the trade where it says so. Reports count as volunteered, checks as done by whoever is named.
"""

from __future__ import annotations

import ast
import io
import re
import tokenize
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

import diagnose
from diagnose.audit import audit
from diagnose.evidence import Answer, parse_reading, plain_evidence, read_evidence, reading_likelihood
from diagnose.knowledge import find_network, load_knowledge
from diagnose.network import UNLISTED, Opened, build_network, flatten, open_network, to_pgmpy
from diagnose.posterior import infer
from diagnose.records import CHECK, REPORT, Knowledge
from diagnose.source import InputError
from diagnose.triage import Triage, advise
from tests.enumeration import Tables, enumerate_causes

ARITHMETIC = ("readings.py", "conductors.py")  # the modules of the trade's arithmetic, which may use its words
PYTHON = sorted(path for path in Path(diagnose.__file__).parent.glob("*.py") if path.name not in ARITHMETIC)
BOTH = ("head_unit", "kitchen_tap")


@pytest.fixture(scope="module")
def tap(own_cache: Path) -> Opened:
    return open_network("kitchen_tap")


def by(opened: Opened, name: str, given: str | float, who: str) -> Answer:
    finding = opened.knowledge.findings[name]
    method = "volunteered" if finding.kind == REPORT else None
    return Answer(name, given, who, method) if isinstance(given, str) else Answer(name, None, who, reading=given)


def triage(opened: Opened, customer: dict[str, str], fitter: dict[str, str | float] | None = None) -> Triage:
    """The triage of what the customer says and what the fitter finds."""
    answers = [by(opened, name, given, "customer") for name, given in customer.items()]
    answers += [by(opened, name, given, "fitter") for name, given in (fitter or {}).items()]
    evidence = read_evidence(opened.knowledge, opened.network, answers)
    return advise(opened, evidence, infer(opened.network, evidence))


def names(answer: Triage) -> list[str]:
    return [cause.cause for cause in answer.ranking]


# --- it is a whole network ---------------------------------------------------------------------------------------------


def test_it_opens_alike_from_its_files_and_from_the_compiled_copy(tap: Opened) -> None:
    from_files = load_knowledge(find_network("kitchen_tap"))
    again = open_network("kitchen_tap")
    assert from_files == tap.knowledge == again.knowledge
    for name in ("prior", "levels", "leak", "start", "link_cause", "link"):
        assert np.array_equal(getattr(build_network(from_files), name), getattr(again.network, name)), name


def test_it_has_the_extent_it_was_made_for(tap: Opened) -> None:
    """Value of ours: a small network, but one with every kind of record."""
    knowledge = tap.knowledge
    kinds = Counter(finding.kind for finding in knowledge.findings.values())
    assert (len(knowledge.causes), len(knowledge.conditions), dict(kinds)) == (
        15, 6, {"report": 14, "check": 13, "circumstance": 4})
    assert [f.id for f in knowledge.findings.values() if f.reading] == ["hot_side_pressure"]
    assert [c.id for c in knowledge.causes.values() if c.safety == "stop_now"] == ["water_onto_electrics"]
    assert sum(cause.prior for cause in knowledge.causes.values()) == pytest.approx(1.0, abs=0.1)


def test_the_whole_set_checks_find_nothing_to_mend(tap: Opened) -> None:
    found = audit(tap)
    assert [str(problem) for problem in (*found.errors, *found.warnings)] == []


def test_the_arrays_fit_each_other(tap: Opened) -> None:
    network = tap.network
    assert network.causes[network.unlisted] == UNLISTED
    assert network.start[-1] == len(network.link) == len(network.link_cause)
    assert network.leak.shape == (31, 4)  # the widest finding has four levels
    assert (np.diff(network.link, axis=1) >= -1e-12).all() and (network.link[:, -1] == 1).all()


def test_a_condition_passes_its_links_on(tap: Opened) -> None:
    """By hand: swarf restricts the outlet with 0.95, a restricted outlet shows as weak flow with 0.92."""
    links = flatten(tap.knowledge, tap.knowledge.causes["debris_in_outlet"])
    assert links["weak_flow"] == pytest.approx((0.95 * 0.92,))
    assert links["flow_in_jug"] == pytest.approx((0.0, 0.95 * 0.05, 0.95 * 0.85))


def test_the_general_library_accepts_the_model(tap: Opened) -> None:
    assert to_pgmpy(tap.network).check_model()


@pytest.mark.parametrize("seen", [
    {"weak_flow": 1, "hot_side_weak": 1, "outlet_screen": 0, "flow_in_jug": 2, "gravity_fed_hot": 1},
    {"water_under_sink": 1, "water_near_electrics": 1, "paper_under_joints": 3, "tap_wobbles": 0},
    {"pipes_bang": 1, "drips_when_shut": 1, "hot_side_pressure": (0.1, 1.0, 0.2), "lever_stiff": 0},
])
def test_the_sweep_agrees_with_brute_force(tap: Opened, seen: dict[str, int | tuple[float, ...]]) -> None:
    """All 2^16 configurations of the causes; bar: 1e-9."""
    knowledge = tap.knowledge
    priors = {name: cause.prior for name, cause in knowledge.causes.items()} | {UNLISTED: knowledge.header.unlisted.prior}
    links = {(name, finding): above for name, cause in knowledge.causes.items()
             for finding, above in flatten(knowledge, cause).items()}
    links |= {(UNLISTED, f.id): (knowledge.header.unlisted.link,) for f in knowledge.of_kind(REPORT)}
    truth = enumerate_causes(Tables(priors, {f.id: f.leak for f in knowledge.findings.values()}, links), seen)
    posterior = infer(tap.network, plain_evidence(tap.network, dict(seen)))
    assert dict(zip(tap.network.causes, posterior.p, strict=True)) == pytest.approx(truth.called, abs=1e-9)


@pytest.mark.parametrize("cause", sorted(load_knowledge(find_network("kitchen_tap")).causes))
def test_every_cause_comes_first_in_its_typical_picture(tap: Opened, cause: str) -> None:
    """What it needs, the reports it brings more often than not (else its strongest) and the checks that show it, by the
    plumber. No outside source: the knowledge must tell its own causes apart."""
    knowledge = tap.knowledge
    links = flatten(knowledge, knowledge.causes[cause])
    reports = {f.id: links[f.id][0] for f in knowledge.of_kind(REPORT) if f.id in links}
    strong = [name for name, p in reports.items() if p >= 0.5] or [max(reports, key=lambda name: reports[name])]
    said = dict.fromkeys([*knowledge.causes[cause].needs, *strong], "yes")
    found: dict[str, str | float] = {f.id: f.levels[1 + int(np.argmax(links[f.id]))] for f in knowledge.of_kind(CHECK)
                                     if max(links.get(f.id, (0.0,))) >= 0.8}
    assert names(triage(tap, said, found))[0] == cause


# --- diagnoses a plumber expects -----------------------------------------------------------------------------------------


def test_hot_and_cold_the_wrong_way_round(tap: Opened) -> None:
    """Hot belongs on the left (Approved Document G, 5.5, after sinkadvice.co.uk/Fittingatap); exchanged hoses are the
    plumber's first thought (common practice)."""
    answer = triage(tap, {"hot_cold_swapped": "yes"})
    assert names(answer)[0] == "hoses_exchanged"
    assert answer.ranking[0].p > 0.9
    assert answer.answers_for[0].id == "workmanship"
    assert "hot_water_scalds" in [caution.id for caution in answer.advice.cautions]


def test_weak_flow_leads_to_the_screen_first_and_with_a_clean_one_to_the_valves(tap: Opened) -> None:
    """Screen first, then the valves below the sink, then the hoses: rbrohant.com, "why is my faucet running so slow";
    greenyplace.com, "can a bad kitchen faucet cause low water pressure"."""
    assert names(triage(tap, {"weak_flow": "yes"}))[0] == "debris_in_outlet"
    clean = triage(tap, {"weak_flow": "yes"}, {"outlet_screen": "clean"})
    assert names(clean)[0] == "isolating_valve_part_closed"
    assert names(clean).index("hose_kinked") < names(clean).index("debris_in_outlet")
    valve = triage(tap, {"weak_flow": "yes"}, {"outlet_screen": "clean", "valve_slots": "not_in_line"})
    assert valve.ranking[0].p > 0.9
    hose = triage(tap, {"weak_flow": "yes"}, {"outlet_screen": "clean", "valve_slots": "in_line", "hose_run_look": "pinched"})
    assert names(hose)[0] == "hose_kinked"


def test_a_tall_new_tap_under_a_tank_a_metre_higher(tap: Opened) -> None:
    """azbuilders.co.uk, "low water pressure problem solved": flow was right with the old tap and poor with the new one, the
    tank stood less than a metre above; a tap made for it cured it. A metre of height gives 0.1 bar, and taps for high
    pressure ask for 1 bar (mbd-bathrooms.co.uk, "understanding water pressures and bar rating")."""
    answer = triage(tap, {"weak_flow": "yes", "gravity_fed_hot": "yes"}, {"outlet_screen": "clean", "hot_side_pressure": 0.1})
    assert names(answer)[0] == "tap_needs_more_pressure"
    without = triage(tap, {"weak_flow": "yes", "gravity_fed_hot": "no"}, {"outlet_screen": "clean", "hot_side_pressure": 0.1})
    assert "tap_needs_more_pressure" not in names(without)


def test_the_overflow_runs_when_hot_and_cold_run_together(tap: Opened) -> None:
    """woodysmodelingdiary.blogspot.com, 2024/09, "running water": new kitchen, mains cold, hot from a tank; with both on the
    overflow gushed; a one-way valve on the hot side cured it."""
    answer = triage(tap, {"other_taps_run_wrong": "yes", "gravity_fed_hot": "yes"})
    assert names(answer)[0] == "check_valves_missing"
    assert answer.ranking[0].p > 0.9
    assert "check_valves" in [part.id for part in answer.parts]


def test_the_spray_does_not_go_back(tap: Opened) -> None:
    """callchampionservices.com, "kitchen faucet sprayer won't retract": hose tangled in the drain pipes, or the weight at
    the wrong place."""
    assert names(triage(tap, {"spray_head_hangs": "yes"}))[0] == "spray_weight_fouled"


def test_pipes_bang_with_a_lever_that_shuts_fast(tap: Opened) -> None:
    """burkesbackyard.com.au, "fixing water hammer": flick mixers, loose pipes and high pressure."""
    answer = triage(tap, {"pipes_bang": "yes"}, {"hot_side_pressure": 6.5})
    assert names(answer)[0] == "water_hammer"
    assert {"pipe_clips", "pressure_reducer"} <= {part.id for part in answer.parts}


def test_water_under_the_sink(tap: Opened) -> None:
    """The seal of a flexible hose is its washer (eatsip365.com, "how to troubleshoot a leaking flexible pipe"); a leak only
    while the sink empties is the waste (engineerfix.com, "how to fix a sink drain pipe leaking at the connection")."""
    leak = triage(tap, {"water_under_sink": "yes"})
    assert names(leak)[:2] == ["hose_joint_leaks", "waste_joint_disturbed"]
    assert leak.advice.safety == "do_not_use"
    assert names(triage(tap, {"water_under_sink": "yes"}, {"paper_under_joints": "at_waste"}))[0] == "waste_joint_disturbed"
    joint = triage(tap, {"water_under_sink": "yes"}, {"paper_under_joints": "at_hose_end"})
    assert names(joint)[0] == "hose_joint_leaks"
    assert joint.ranking[0].p > 0.95


def test_a_loose_tap_and_a_leak_below_are_told_together(tap: Opened) -> None:
    """Common practice, no source: a wobbling tap does not explain away a puddle below it."""
    answer = triage(tap, {"tap_wobbles": "yes", "water_under_sink": "yes"})
    assert names(answer)[:2] == ["base_nut_loose", "hose_joint_leaks"]
    assert answer.ranking[1].p > 0.3


def test_the_lever_past_its_soft_stop_is_settled_by_phone(tap: Opened) -> None:
    """Common practice, no source."""
    answer = triage(tap, {"not_hot_enough": "yes", "full_lift": "now_right"})
    assert names(answer)[0] == "eco_setting_not_known"
    assert answer.course.kind == "phone"
    assert answer.answers_for[0].id == "use"


# --- safety ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("also", [{}, {"water_under_sink": "yes"}, {"weak_flow": "yes"}, {"electrics_under_sink": "yes"}])
def test_water_near_a_socket_leads_and_stops_remote_work(tap: Opened, also: dict[str, str]) -> None:
    answer = triage(tap, {"water_near_electrics": "yes"} | also)
    stop = next(cause for cause in answer.ranking if cause.cause == "water_onto_electrics")
    assert stop.p > 10 * answer.advice.threshold
    if "weak_flow" not in also:  # two troubles: the second has its own cause
        assert answer.ranking[0] == stop
    assert (answer.advice.safety, answer.course.kind, answer.advice.phone) == ("stop_now", "stop_now", ())
    assert answer.advice.text == tap.knowledge.header.advice["stop_now"]
    assert answer.advice.cautions[0].id == "water_and_electricity"


@pytest.mark.parametrize("said", [{"tingle_or_trip": "yes"}, {"water_under_sink": "yes", "electrics_first": "wet"}])
def test_a_tingle_or_a_wet_socket_seen_stops_too(tap: Opened, said: dict[str, str]) -> None:
    assert triage(tap, said).advice.safety == "stop_now"


@pytest.mark.parametrize("said", [
    {"water_under_sink": "yes", "electrics_under_sink": "yes"}, {"water_under_sink": "yes", "electrics_first": "none"},
    {"weak_flow": "yes"}, {"tap_wobbles": "yes"}, {"water_near_electrics": "no", "water_under_sink": "yes"}])
def test_what_is_dry_does_not_cry_wolf(tap: Opened, said: dict[str, str]) -> None:
    assert triage(tap, said).advice.safety != "stop_now"


def test_the_words_for_a_wet_socket_follow_the_safety_charity(tap: Opened) -> None:
    """Electrical Safety First, after successdigestonline.com/?p=1527303: supply off at the fuse box only if it is safe;
    leave a wet fuse box alone; a registered electrician sees to what got wet."""
    said = tap.knowledge.header.advice["stop_now"] + tap.knowledge.cautions["water_and_electricity"].text
    for words in ("touch no socket", "dry hands", "the box itself is dry", "main stopcock", "emergency services",
                  "qualified electrician"):
        assert words in said, words


def test_what_a_customer_is_asked_is_safe(tap: Opened) -> None:
    """Nothing that undoes a joint, opens anything electric or uses force, and the electric look comes first."""
    knowledge = tap.knowledge
    assert knowledge.header.first_checks == ("electrics_first",)
    asked = [step for f in knowledge.of_kind(CHECK) for step in f.how.get("customer", ())]
    asked += [c.remedy.by_phone_how for c in knowledge.causes.values()]
    for text in asked:
        assert not re.search(r"\b(undo|unplug|part the|take the cartridge|basin wrench|hose nut)\b", text.lower()), text
    for check in knowledge.of_kind(CHECK):
        if "cupboard_cleared" in check.set_ups and "customer" in check.who:
            assert "water_and_electricity" in check.cautions, check.id


# --- the reading ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("bar", "level"), [(0.3, "low"), (0.5, "low"), (2.0, "usual"), (4.0, "usual"), (7.0, "high")])
def test_the_gauge(tap: Opened, bar: float, level: str) -> None:
    """Low pressure is 0.5 bar and less, 2 to 4 bar are usual in a home, over 6 bar is abnormal (greenyplace.com, "what
    pressure is a low pressure kitchen tap"; mincost.co.uk, "how to measure water pressure from a garden tap")."""
    finding = tap.knowledge.findings["hot_side_pressure"]
    assert finding.reading is not None
    meter = tap.knowledge.header.meters[finding.reading.meter]
    likelihood = reading_likelihood(finding.reading, meter, finding, bar)
    assert finding.levels[int(np.argmax(likelihood))] == level


def test_the_gauge_takes_bar_and_nothing_else(tap: Opened) -> None:
    finding = tap.knowledge.findings["hot_side_pressure"]
    assert parse_reading("0,4 bar", finding) == 0.4
    with pytest.raises(InputError, match="bar"):
        parse_reading("3 V", finding)
    with pytest.raises(InputError, match="no sane reading"):
        triage(tap, {}, {"hot_side_pressure": 60.0})


# --- neither trade is in the Python ----------------------------------------------------------------------------------------


# Words of ids that are also plain English, words of this program or of its field, or units; everything else that occurs in
# two ids or more is a word of a trade.
EVERYDAY = frozenset("""
    added again back base behind blows body both broken calibration caller catch check clock closed code connected
    contact corners current cuts damaged data dead defective designed device display disturbed down drop drops
    exchanged factory fault faulty filter first fitted flow follows forgets from front hands held high home
    interface joint joints lead learned left level line load loaded locked look loop loose lost main memory menu
    message missing mixed moving near needs noise noisy ohms older only open other outlet output over pair part
    parted permanent phone picture place poor port power press projection read reset restarts reverse reversed
    safety screen second security setting side signal silent slot software source starved stop stuck supply switch
    switched test thin through time touch touching trigger trim twin under unit values volts volume weak when will
    with works worn wrong zone
""".split())  # noqa: SIM905 - a list of words reads better so


def ids(knowledge: Knowledge) -> set[str]:
    return {*knowledge.causes, *knowledge.findings, *knowledge.conditions, *knowledge.cautions}


@pytest.fixture(scope="module")
def all_ids() -> set[str]:
    both = [ids(load_knowledge(find_network(name))) for name in BOTH]
    assert not both[0] & both[1]
    return both[0] | both[1]


@pytest.fixture(scope="module")
def trade_words(all_ids: set[str]) -> set[str]:
    counted = Counter(word for name in all_ids for word in set(name.split("_")))
    return {word for word, count in counted.items() if count >= 2 and len(word) >= 4} - EVERYDAY


def tokens(code: str, *, comments: bool) -> Iterator[tuple[int, str]]:
    """(line, text) of names, strings and, if wanted, comments of a module. Left out: docstrings and what their examples
    show, and the ``Example: ...`` lines of the commands, which stand in for docstrings there."""
    docstrings = {(node.body[0].lineno, node.body[0].col_offset) for node in ast.walk(ast.parse(code))
                  if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef)
                  and ast.get_docstring(node) is not None}
    kinds = {getattr(tokenize, kind) for kind in ("NAME", "STRING", "FSTRING_MIDDLE") if hasattr(tokenize, kind)}
    for token in tokenize.generate_tokens(io.StringIO(code).readline):
        example = re.match(r"\w*[\"']+Examples?: ", token.string)
        if (token.type in kinds and token.start not in docstrings and not example) or (
                comments and token.type == tokenize.COMMENT):
            yield token.start[0], token.string


def ids_in(code: str, known: set[str]) -> list[str]:
    return [f"{line}: {word}" for line, text in tokens(code, comments=True)
            for word in re.findall(r"\w+", text) if word in known]


def words_in(code: str, known: set[str]) -> list[str]:
    return [f"{line}: {word}" for line, text in tokens(code, comments=False)
            for word in re.findall(r"[a-z]+", text.lower()) if word in known]


def test_the_hunt_for_trade_words_finds_them(trade_words: set[str], all_ids: set[str]) -> None:
    """The tests below would pass on an empty list or a blind search; this one would not."""
    assert {"radio", "fuse", "aerial", "battery", "speaker", "vehicle", "valve", "hose", "sink", "spray"} <= trade_words
    assert len(trade_words) > 60
    code = ('"""Module of forgets_at_key_off."""\n'
            'def fuse_value(x):\n    """A radio_fuse_look."""\n    # hose_kinked\n    return f"the aerial {x}" + "weak_flow"\n'
            'EPILOG = "Example: ask about the aerial"\n')
    assert words_in(code, trade_words) == ["2: fuse", "5: aerial"]
    assert ids_in(code, all_ids) == ["4: hose_kinked", "5: weak_flow"]


@pytest.mark.parametrize("path", PYTHON, ids=lambda path: path.name)
def test_no_id_of_either_network_stands_in_the_python(path: Path, all_ids: set[str]) -> None:
    assert ids_in(path.read_text(encoding="utf-8"), all_ids) == []


@pytest.mark.parametrize("path", PYTHON, ids=lambda path: path.name)
def test_no_word_of_either_trade_stands_in_the_python(path: Path, trade_words: set[str]) -> None:
    assert words_in(path.read_text(encoding="utf-8"), trade_words) == []
