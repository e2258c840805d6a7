"""Simulated callbacks, and what different ways of choosing the next step cost until everything works again.

A callback is drawn once from a network - the one the tool knows, or one with its numbers moved that it does not know - and
then taken through every policy with the same luck, so that differences are paired. One flow for all: on the telephone with
the customer, then a visit paid once, with the fitter and all tools. A remedy costs its minutes whether or not its cause is
there; a search on site ends every callback.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from multiprocessing import get_context
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from diagnose.conversation import moved_checks
from diagnose.evidence import Answer, confusion, read_evidence, reliability_of
from diagnose.network import Array, Network, Opened
from diagnose.nextcheck import VISIT, Situation, asked_of, barred, check_minutes, known_now
from diagnose.policies import ASK, GO, POLICIES, REMEDY, SEARCH, Move, Policy, Standing, needed_chances, remedy_minutes
from diagnose.posterior import infer
from diagnose.records import REPORT, Finding
from diagnose.scores import SURE, TENTHS, calibration_error
from diagnose.source import InputError, complaint

REPORT_DRAWS = 10  # further callbacks per case for the calibration of the reports alone, which costs next to nothing
DRAWS = 400  # samples for an interval and for what chance does
_PERTURBED, _RANDOM, _REPORTS = 1, 2, 3  # which stream of random numbers

Levels = npt.NDArray[np.int64]


class Callback(NamedTuple):
    """One callback as it truly is. present: causes by index. leak: (m,) level of each finding without any cause; shown: cause
    -> (m,) level that this cause brings each finding to. luck: (people, m) uniform numbers that decide what each person
    says. volunteered: reports that the customer mentions unasked."""

    number: int
    present: tuple[int, ...]
    leak: Levels
    shown: Mapping[int, Levels]
    luck: Array
    volunteered: tuple[str, ...]

    def levels(self, removed: Iterable[int] = ()) -> Levels:
        """(m,) true level of every finding once some causes are put right (noisy-MAX: the largest one brought about)."""
        left = [self.shown[i] for i in self.present if i not in removed]
        return np.asarray(np.maximum.reduce([self.leak, *left]))


class Run(NamedTuple):
    """How one policy fared with one callback. minutes: until everything works. wrong: remedies of causes that were not there.
    unsafe: findings asked that may not be asked. top, right: probability of the likeliest listed cause when asking first
    ended, and whether it was there."""

    minutes: float
    questions: int
    remedies: int
    wrong: int
    unsafe: int
    searched: bool
    top: float
    right: bool


class Interval(NamedTuple):
    """A mean with its 95 % interval (normal)."""

    mean: float
    low: float
    high: float


class PolicyScore(NamedTuple):
    """One policy over all callbacks. minutes: to working. questions, wrong, searched: per callback. unsafe: in all. more:
    minutes more than the first policy, over the same callbacks; None for the first itself."""

    policy: str
    minutes: Interval
    questions: float
    wrong: float
    searched: float
    unsafe: int
    more: Interval | None


class Calibration(NamedTuple):
    """Expected calibration error of the likeliest cause over ``cases`` callbacks. by_chance: what a perfectly calibrated
    tool would show on average over so many, given these probabilities. low, high: 95 % interval of the true error."""

    cases: int
    error: float
    by_chance: float
    low: float
    high: float
    mean_top: float
    hit_rate: float


class Simulation(NamedTuple):
    """The whole result. spread: standard deviation of the shift of the log odds, 0 for the network as it is. conversation: of
    the first policy, when it has asked what it wants."""

    network: str
    version: str
    cases: int
    seed: int
    spread: float
    who: str
    search_minutes: float
    scores: tuple[PolicyScore, ...]
    reports: Calibration
    conversation: Calibration


# --- callbacks ------------------------------------------------------------------------------------------------------


def perturbed(network: Network, generator: np.random.Generator, spread: float) -> Network:
    """The network with the log odds of every prior, leak and link moved by a normal of this standard deviation; 0 and 1
    stay. Levels above 0 keep their proportions."""
    def moved(p: Array) -> Array:
        with np.errstate(divide="ignore"):
            odds = np.log(p) - np.log1p(-p)
        return np.asarray(1.0 / (1.0 + np.exp(-(odds + generator.normal(0.0, spread, p.shape)))))

    def cumulative(table: Array) -> Array:
        t = np.clip(1.0 - table[:, 0], 0.0, 1.0)
        scale = np.divide(moved(t), t, out=np.ones_like(t), where=t > 0)
        return np.clip(1.0 - (1.0 - table) * scale[:, None], 0.0, 1.0)

    return replace(network, prior=moved(network.prior), leak=cumulative(network.leak), link=cumulative(network.link))


def moved_network(network: Network, seed: int, number: int, spread: float) -> Network:
    """The network that this callback comes from; each from one of its own, so that the result is not that of one draw."""
    return perturbed(network, np.random.default_rng([seed, number, _PERTURBED]), spread) if spread > 0 else network


def draw_callback(opened: Opened, truth: Network, seed: Sequence[int]) -> Callback:
    """A callback of ``truth``, given that at least one cause is present; the same for the same seed, whose second number is
    the callback's. Raises InputError if no cause can be there."""
    generator = np.random.default_rng(seed)
    first = truth.prior * np.concatenate([[1.0], np.cumprod(1.0 - truth.prior)[:-1]])  # P(this one is the first present)
    if first.sum() <= 0:
        raise complaint("no cause has a prior above 0", "give the causes their share of callbacks", key="prior")
    leads = int(generator.choice(len(first), p=first / first.sum()))
    here = generator.random(len(first)) < truth.prior
    here[:leads], here[leads] = False, True
    present = tuple(np.flatnonzero(here).tolist())
    home = np.repeat(np.arange(len(truth.findings)), np.diff(truth.start))
    drawn = generator.random(len(truth.findings))[:, None]
    leak = (drawn > truth.leak[:, :-1]).sum(axis=1)
    shown = {}
    for i in present:
        rows = np.flatnonzero(truth.link_cause == i)
        shown[i] = np.zeros(len(truth.findings), dtype=np.int64)
        shown[i][home[rows]] = (generator.random(len(rows))[:, None] > truth.link[rows, :-1]).sum(axis=1)
    luck = generator.random((len(opened.knowledge.header.people), len(truth.findings)))
    mentions = generator.random(len(truth.findings))
    callback = Callback(seed[1], present, leak, shown, luck, ())
    levels = callback.levels()
    heard = [f.id for f in opened.knowledge.of_kind(REPORT)
             if levels[truth.finding_index[f.id]] and mentions[truth.finding_index[f.id]] < f.salience]
    return callback._replace(volunteered=tuple(heard))


def answer_to(opened: Opened, callback: Callback, levels: Levels, finding: Finding, who: str,
              method: str | None = None) -> Answer:
    """What this person says about a finding; the same person says the same as long as its true level stays the same."""
    header, j = opened.knowledge.header, opened.network.finding_index[finding.id]
    level = int(levels[j])
    answer = Answer(finding.id, finding.levels[level], who, method)
    if method == "volunteered":  # nobody calls to mention what is not there
        return answer
    below = confusion(len(finding.levels), reliability_of(header, finding, answer))[:, level]
    said = int((callback.luck[list(header.people).index(who), j] >= below[:-1]).sum())
    return answer._replace(level=finding.levels[said])


# --- the flow -------------------------------------------------------------------------------------------------------


@dataclass
class _State:
    """Where one callback stands under one policy."""

    situation: Situation
    answers: dict[str, Answer]
    tried: list[str] = field(default_factory=list)
    removed: set[int] = field(default_factory=set)
    minutes: float = 0.0
    questions: int = 0
    in_a_row: int = 0
    wrong: int = 0
    unsafe: int = 0


def run_callback(opened: Opened, callback: Callback, policy: Policy, situation: Situation | None = None, *,
                 seed: int = 0) -> Run:
    """One callback taken through one policy until everything works.

    situation: how it begins, on the telephone if None; with the fitter as ``who`` it begins on site, the journey paid. Once
    answers are too many for exact inference, it ends in a search.
    """
    knowledge, network = opened.knowledge, opened.network
    levels = callback.levels()
    said = [answer_to(opened, callback, levels, knowledge.findings[name], "customer", "volunteered")
            for name in callback.volunteered]
    state = _State(situation or Situation(), {answer.finding: answer for answer in said})
    luck = np.random.default_rng([seed, callback.number, _RANDOM])
    listed = np.array([i for i in range(len(network.causes)) if i != network.unlisted])
    top, right, searched = 0.0, False, False
    p = network.prior
    while True:
        try:
            evidence = read_evidence(knowledge, network, state.answers.values(), tried=state.tried)
            posterior = infer(network, evidence)
            p = posterior.p
            standing = Standing(opened, state.situation, evidence, posterior, state.in_a_row, luck)
            move = policy(standing)
        except InputError:  # too many open findings at once, or answers that cannot all be true
            move = Move(GO if state.situation.who == "customer" else SEARCH)
        if move.kind in (REMEDY, SEARCH) and not state.tried:
            leader = int(listed[np.argmax(p[listed])])
            top, right = float(p[leader]), leader in callback.present
        if move.kind == ASK:
            _ask(state, standing, callback, knowledge.findings[move.what])
        elif move.kind == GO:
            missing = VISIT not in state.situation.made
            state.minutes += state.situation.visit_minutes if missing else 0.0
            state.situation = state.situation._replace(who="fitter", made=state.situation.made | {VISIT})
            state.in_a_row = 0
        elif move.kind == REMEDY:
            _carry_out(state, opened, callback, move.what)
            if state.removed == set(callback.present):
                break
        else:
            state.minutes += state.situation.unexplained_minutes
            searched = True
            break
    return Run(state.minutes, state.questions, len(state.tried), state.wrong, state.unsafe, searched, top, right)


def _ask(state: _State, standing: Standing, callback: Callback, finding: Finding) -> None:
    opened = standing.opened
    known = known_now(opened.knowledge, standing.evidence, state.situation)
    state.unsafe += bool(barred(opened.knowledge, finding, known, needed_chances(standing, finding, known)))
    minutes, set_ups = check_minutes(opened.knowledge, finding, state.situation)
    who = asked_of(finding, state.situation)
    state.answers[finding.id] = answer_to(opened, callback, callback.levels(state.removed), finding, who)
    state.minutes += minutes
    state.questions += 1
    state.in_a_row += 1
    state.situation = state.situation._replace(made=state.situation.made | frozenset(set_ups))


def _carry_out(state: _State, opened: Opened, callback: Callback, cause: str) -> None:
    """A remedy. The customer then says again what still shows; checks that it can move no longer count, as in a call."""
    minutes, names = remedy_minutes(opened, cause, state.situation)
    state.minutes += sum(minutes)
    state.situation = state.situation._replace(made=state.situation.made | names)
    state.tried.append(cause)
    state.in_a_row = 0
    i = opened.network.cause_index[cause]
    if i in callback.present:
        state.removed.add(i)
    else:
        state.wrong += 1
    levels = callback.levels(state.removed)
    stale = set(moved_checks(opened).get(cause, ()))
    for name, answer in list(state.answers.items()):
        finding = opened.knowledge.findings[name]
        if finding.kind == REPORT:
            state.answers[name] = answer_to(opened, callback, levels, finding, answer.who, answer.method)
        elif name in stale:
            del state.answers[name]


# --- many callbacks -------------------------------------------------------------------------------------------------


class _Task(NamedTuple):
    opened: Opened
    policies: tuple[str, ...]
    situation: Situation
    seed: int
    spread: float


class _Result(NamedTuple):
    runs: tuple[Run, ...]
    reports: tuple[tuple[float, bool], ...]


_task: list[_Task] = []  # of this process


def _begin(task: _Task) -> None:
    _task[:] = [task]


def _one(number: int, task: _Task | None = None) -> _Result:
    job = task or _task[0]
    truth = moved_network(job.opened.network, job.seed, number, job.spread)
    callback = draw_callback(job.opened, truth, [job.seed, number])
    runs = tuple(run_callback(job.opened, callback, POLICIES[name], job.situation, seed=job.seed) for name in job.policies)
    tops = []
    for again in range(REPORT_DRAWS):
        other = draw_callback(job.opened, truth, [job.seed, number, _REPORTS, again])
        tops.append(_top_of_reports(job.opened, other))
    return _Result(runs, tuple(tops))


def _top_of_reports(opened: Opened, callback: Callback) -> tuple[float, bool]:
    levels = callback.levels()
    said = [answer_to(opened, callback, levels, opened.knowledge.findings[name], "customer", "volunteered")
            for name in callback.volunteered]
    p = infer(opened.network, read_evidence(opened.knowledge, opened.network, said)).p.copy()
    if opened.network.unlisted >= 0:
        p[opened.network.unlisted] = -1.0
    leader = int(np.argmax(p))
    return float(p[leader]), leader in callback.present


@contextmanager
def _results(task: _Task, cases: int, processes: int) -> Iterator[Iterator[_Result]]:
    """The callbacks in order, over so many processes; each draws from its own number, so that these change nothing."""
    if processes <= 1:
        yield (_one(number, task) for number in range(cases))
        return
    with ProcessPoolExecutor(processes, get_context("spawn"), _begin, (task,)) as pool:
        try:
            yield pool.map(_one, range(cases), chunksize=max(1, min(8, cases // (4 * processes))))
        finally:
            pool.shutdown(wait=False, cancel_futures=True)


def simulate(opened: Opened, *, cases: int, seed: int, policies: Sequence[str] = tuple(POLICIES),
             situation: Situation | None = None, spread: float = 0.0, processes: int = 1,
             advance: Callable[[], None] | None = None) -> Simulation:
    """So many callbacks through every policy; the first one is what the others are compared with.

    situation: how callbacks begin, and the minutes of journeys and of a search. spread: 0 draws from the network itself,
    else each from one whose log odds are moved so far at random (``perturbed``). advance: called after every callback. Raises
    InputError for a policy or a person that does not exist.
    """
    if unknown := next((name for name in policies if name not in POLICIES), None):
        raise complaint(f"there is no policy {unknown[:40]!r}", f"there are {', '.join(POLICIES)}", key="policies")
    begins = situation or Situation()
    if begins.who not in ("customer", "fitter"):
        raise complaint(f"a callback cannot begin with {begins.who[:40]!r}", "customer or fitter", key="who")
    if not policies or cases < 2:
        raise complaint("too little to compare", "give at least one policy and two callbacks", key="cases")
    policies = tuple(dict.fromkeys(policies))
    found = []
    with _results(_Task(opened, policies, begins, seed, spread), cases, processes) as results:
        for result in results:
            found.append(result)
            if advance:
                advance()
    return _summed(opened, found, policies, begins, seed, spread)


def _summed(opened: Opened, found: Sequence[_Result], policies: Sequence[str], begins: Situation, seed: int,
            spread: float) -> Simulation:
    header = opened.knowledge.header
    runs = [[result.runs[x] for result in found] for x in range(len(policies))]
    return Simulation(header.id, header.version, len(found), seed, spread, begins.who, begins.unexplained_minutes,
                      tuple(_score(name, some, runs[0]) for name, some in zip(policies, runs, strict=True)),
                      calibration([top for result in found for top in result.reports], seed),
                      calibration([(run.top, run.right) for run in runs[0]], seed))


def _score(policy: str, runs: Sequence[Run], ours: Sequence[Run]) -> PolicyScore:
    minutes = np.array([run.minutes for run in runs])
    more = None if runs is ours else interval(minutes - np.array([run.minutes for run in ours]))
    return PolicyScore(policy, interval(minutes), float(np.mean([run.questions for run in runs])),
                       float(np.mean([run.wrong for run in runs])), float(np.mean([run.searched for run in runs])),
                       sum(run.unsafe for run in runs), more)


def interval(values: Array) -> Interval:
    """Mean and normal 95 % interval of at least two values."""
    mean, half = float(values.mean()), SURE * float(values.std(ddof=1)) / math.sqrt(len(values))
    return Interval(mean, mean - half, mean + half)


def calibration(tops: Sequence[tuple[float, bool]], seed: int = 0) -> Calibration:
    """Calibration of stated probabilities against what was so.

    The interval is the basic bootstrap one (Davison & Hinkley 1997, section 5.2), which takes out the upward bias that the
    error has over few cases: twice the error less the quantiles of the errors of samples drawn anew.
    """
    p, right = np.array([top for top, _ in tops]), np.array([hit for _, hit in tops], dtype=bool)
    generator = np.random.default_rng([seed, len(p)])
    chance = [calibration_error(p, generator.random(len(p)) < p, TENTHS) for _ in range(DRAWS)]
    error = calibration_error(p, right, TENTHS)
    again = [calibration_error(p[some], right[some], TENTHS) for some in generator.integers(len(p), size=(DRAWS, len(p)))]
    low, high = (max(0.0, 2.0 * error - float(q)) for q in np.quantile(again, [0.975, 0.025]))
    return Calibration(len(p), error, float(np.mean(chance)), low, high, float(p.mean()), float(right.mean()))
