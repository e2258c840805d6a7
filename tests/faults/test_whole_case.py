"""A whole working life of some cases, at random, against a model that knows nothing but lists.

Every step is a run of a command of its own (so everything is taken up again from the disk), in a store of its own, on the
network of the door bell. After every step the cases on disk are those of the model, to the answer.
"""

from __future__ import annotations

import json
import shutil
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    Bundle,
    RuleBasedStateMachine,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from diagnose import case as cases
from diagnose import knowledge
from tests.conftest import DOORBELL, write_network
from tests.faults.sandbox import Sandbox

CHECKS = {"volts_at_bell": ("good", "low", "none"), "idle_current": ("usual", "high"),
          "rings_when_bridged": ("silent", "rings")}
CAUSES = ("flat_battery", "broken_wire", "chime_loads")
OPENINGS = {"": [], "it gets hot": [("hot", "yes", True, "")], "rings faintly": [("faint", "yes", True, "")]}
TRIAGE = ("triage", "rings faintly", "--network", "doorbell", "--json")


@dataclass
class Modelled:
    """What a case should be: answers as (finding, level, sure, unanswered), how many remedies and notes, how it was closed."""

    answers: list[tuple[str, str | None, bool, str]]
    notes: int
    remedies: list[tuple[str, str, int]] = field(default_factory=list)
    closed: tuple[str, ...] | None = None


class WorkingLife(RuleBasedStateMachine):
    """Commands at random; the model is ``self.cases``."""

    names = Bundle("names")

    def __init__(self) -> None:
        super().__init__()
        self.root = Path(tempfile.mkdtemp())
        self.patch = pytest.MonkeyPatch()
        self.box = Sandbox(self.root, self.patch)
        networks = self.box.here / "networks"
        write_network(networks / "doorbell", DOORBELL)
        self.patch.setattr(knowledge, "networks_folder", lambda: networks)
        self.cases: dict[str, Modelled] = {}
        self.first = self.box.run(*TRIAGE).out
        self.learned = False

    def teardown(self) -> None:
        self.box.check_nothing_strayed()
        self.patch.undo()
        shutil.rmtree(self.root)

    def call(self, name: str, *lines: str) -> None:
        """The conversation of a case taken up, some lines typed, and left by the end of the input."""
        done = self.box.run("call", name, "--network", "doorbell", "--who", "fitter", stdin="\n".join([*lines, ""]).encode())
        assert done.code == 0, done.err

    @rule(target=names, words=st.sampled_from(sorted(OPENINGS)))
    def open(self, words: str) -> object:
        before = {path.stem for path in self.box.store.glob("*.yaml")}
        assert self.box.run("call", *([words] if words else []), "--network", "doorbell", "--who", "fitter").code == 0
        (name,) = {path.stem for path in self.box.store.glob("*.yaml")} - before
        self.cases[name] = Modelled(list(OPENINGS[words]), bool(words))
        return name

    @rule(name=names, check=st.sampled_from(sorted(CHECKS)), data=st.data())
    def answer(self, name: str, check: str, data: st.DataObject) -> None:
        level = data.draw(st.sampled_from([*CHECKS[check], "don't know", "skip"]))
        sure = data.draw(st.booleans()) or level in ("don't know", "skip")
        line = level if sure else f"i think {level}"
        self.call(name, f"ask {check}", line)
        if self.cases[name].closed is None:
            unanswered = {"don't know": "unknown", "skip": "skipped"}.get(level, "")
            self.cases[name].answers.append((check, None if unanswered else level, sure, unanswered))

    @rule(name=names, lines=st.lists(st.sampled_from(["why", "else", "belief", "help", "?", "nonsense", "ask nothing",
                                                      "who nobody", "tried nothing", ""]), max_size=4))
    def look(self, name: str, lines: list[str]) -> None:
        self.call(name, *lines)

    @rule(name=names)
    def back(self, name: str) -> None:
        self.call(name, "back")
        case = self.cases[name]
        if case.closed is None and case.answers:
            case.answers.pop()
            case.remedies = [(cause, outcome, min(before, len(case.answers))) for cause, outcome, before in case.remedies]

    @rule(name=names, words=st.sampled_from(["x", "said: no", "ünïcode ☂"]))
    def note(self, name: str, words: str) -> None:
        self.call(name, f"note {words}")
        self.cases[name].notes += 1

    @rule(name=names, cause=st.sampled_from(CAUSES), outcome=st.sampled_from(["yes", "no", "partly"]))
    def tried(self, name: str, cause: str, outcome: str) -> None:
        self.call(name, f"tried {cause}", outcome)
        case = self.cases[name]
        if case.closed is None:
            kept = {"yes": "cured", "no": "no_change", "partly": "partly"}[outcome]
            case.remedies.append((cause, kept, len(case.answers)))

    @rule(name=names, cause=st.sampled_from([(), CAUSES[:1], CAUSES[1:]]), put_right=st.booleans())
    def close(self, name: str, cause: tuple[str, ...], put_right: bool) -> None:
        found = [part for one in cause for part in ("--cause", one)] or ["--not-found"]
        done = self.box.run("close", name, *found, "--put-right" if put_right else "--not-put-right", "--verified", "x",
                            "--minutes", "5")
        if self.cases[name].closed is None:
            self.cases[name].closed = cause
        assert done.code == (0 if f"case {name} closed" in done.out else 2)

    @rule(name=names)
    def reopen(self, name: str) -> None:
        done = self.box.run("cases", "reopen", name)
        case = self.cases[name]
        assert done.code == (2 if case.closed is None else 0)
        if case.closed is not None:
            case.closed, case.notes = None, case.notes + 1  # how it had been closed is kept in a note

    @rule()
    def learn(self) -> None:
        done = self.box.run("learn", "--anyway", "--network", "doorbell", "--json")
        assert done.code == 0
        taught = json.loads(done.out)["taught"]
        closed = [case for case in self.cases.values() if case.closed is not None]
        assert taught <= len(closed)
        self.learned = self.learned or taught > 0

    @precondition(lambda self: self.learned)
    @rule()
    def undo(self) -> None:
        assert self.box.run("learn", "--undo").code == 0
        self.learned = False
        assert self.box.run(*TRIAGE).out == self.first

    @invariant()
    def the_disk_holds_the_model(self) -> None:
        found, problems = cases.load_all(self.box.store)
        assert problems == []
        assert {case.id for case in found} == set(self.cases)
        for case in found:
            model = self.cases[case.id]
            assert [(a.finding, a.level, a.sure, a.unanswered) for a in case.answers] == model.answers
            assert [(r.cause, r.outcome, r.answers_before) for r in case.remedies] == model.remedies
            assert len(case.notes) == model.notes
            assert (case.status, case.confirmed) == (("open", ()) if model.closed is None else ("closed", model.closed))

    @invariant()
    def learned_values_are_there_as_long_as_they_should(self) -> None:
        assert (self.box.store / "learned.json").exists() == self.learned


def _live(examples: int, steps: int) -> None:
    run_state_machine_as_test(WorkingLife, settings=settings(
        max_examples=examples, stateful_step_count=steps, deadline=None, suppress_health_check=list(HealthCheck),
        phases=[Phase.generate]))  # a failure is told as it came: to make it smaller takes many minutes


def test_a_short_working_life() -> None:
    _live(3, 10)


@pytest.mark.slow
def test_a_long_working_life() -> None:
    _live(60, 50)
