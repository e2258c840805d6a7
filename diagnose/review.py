"""The log looked back upon: every case predicted as if it came in new, how good that was, whether learned values may be used.

Prequential (Dawid 1984): the log is cut into blocks in the order of time, and every block is predicted by what the blocks
before it taught. So the learned values are judged on cases that they have not seen.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from diagnose.case import answers_in_force
from diagnose.caserecord import CLOSED, Case
from diagnose.evidence import Answer, Evidence, read_evidence
from diagnose.hindsight import Asking, compared
from diagnose.learn import Statistics, added, as_it_came_in, counting, faded, fit, statistics_of, weight_of
from diagnose.network import UNLISTED, Array, Network, Opened
from diagnose.overlay import Moved, Overlay, moved, overlay_of
from diagnose.posterior import infer
from diagnose.records import REPORT
from diagnose.scores import (
    TENTHS,
    Bin,
    Paired,
    Rate,
    brier,
    calibration,
    calibration_error,
    error_by_chance,
    paired,
    parts,
    rate,
    wilson,
)
from diagnose.source import ImpossibleEvidence, InputError
from diagnose.surprise import Surprise, surprises

BLOCKS = 8
MOST = 500  # cases that are predicted, evenly taken from the log
MOST_WORDS = 200  # causes that the files lack, of which the words are kept
MOST_ASKED = 20  # cases that are gone through again with the tool's order of questions: its choice is the dear part
FEWEST = 10  # predicted cases below which nothing is said about improvement
LEAST_P = 1e-6  # what a network is taken to have given a set of causes that it holds (nearly) impossible
GUARD_ROUNDS = 20  # of EM for a block: enough for predictions
EDGES = (0.0, 0.02, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8, 1.0)
SUSPECT_CASES, SUSPECT_SHARE, SUSPECT_EXCESS = 5, 1 / 3, 0.1  # see Suspect
STRIKING, STRIKING_CASES, MOST_STRIKING = 3.0, 3.0, 12  # standard deviations, cases and number of links worth attention


class Sampled(NamedTuple):
    """A resolved case that is predicted, and the block it stands in."""

    block: int
    case: Case


class Spent(NamedTuple):
    """What closed cases took. cases: closed ones; questions: answers in all; timed, minutes: those with minutes, and their
    sum; tried, right_first: those in which a remedy was tried and a cause confirmed, and those where the first one fitted."""

    cases: int = 0
    questions: int = 0
    timed: int = 0
    minutes: float = 0.0
    tried: int = 0
    right_first: int = 0


class Log(NamedTuple):
    """A log after one pass. cases: how many there were; left_out: why some teach nothing -> how many; statistics: all counts,
    those it began with too (began: there were such); taught: for every block what was known when it began; sampled: cases to
    be predicted; lacking: how many cases had a cause that the files lack; unlisted: (case, words) of the newest of them."""

    cases: int
    left_out: Mapping[str, int]
    statistics: Statistics
    began: bool
    taught: tuple[Network, ...]
    sampled: tuple[Sampled, ...]
    lacking: int
    unlisted: tuple[tuple[str, str], ...]
    spent: Spent
    half_life: float
    as_of: str


class Forecast(NamedTuple):
    """What a network said of a case. p: (n,) P(cause | e); loss: -ln P(exactly the confirmed causes | e)."""

    p: Array
    loss: float


class Prediction(NamedTuple):
    """A case predicted by the expert and by what earlier cases had taught; present: (n,) which causes it was."""

    case: str
    block: int
    present: npt.NDArray[np.bool_]
    expert: Forecast
    learned: Forecast


class Suspect(NamedTuple):
    """A cause confirmed in ``cases`` cases; by the answers ``expected`` were likely, and in ``against`` they spoke against it.

    With the true cause the answers seldom speak against it: the mean of P(e | not c) / P(e | c) is 1 where c is true (Good
    1950). Suspect: against in at least SUSPECT_CASES and, at the low end of the 95 % interval, in SUSPECT_SHARE of its cases;
    and so many more of them than expected that they make up SUSPECT_EXCESS of the log. A file that pictures a cause wrongly
    looks alike, but only where that cause is a large part of the work.
    """

    cause: str
    cases: int
    against: int
    expected: float


class Verdict(NamedTuple):
    """Whether learned values may be used. gain: nats a case by which they predicted better, with its interval; expert, learned:
    log loss; expert_likely, learned_likely: the same as a chance; why: in words."""

    accepted: bool
    why: str
    gain: Paired
    expert: float
    learned: float
    expert_likely: float
    learned_likely: float
    suspects: tuple[Suspect, ...]


class Scores(NamedTuple):
    """How good forecasts were. top1, top3: a confirmed cause came first, or among the first three. log_loss: nats a case, of
    the exact set of causes; likely: the same as a chance, exp(-log loss). brier and its parts: summed over the causes, a case;
    parts over forecasts rounded to 1 %. bins: calibration over all causes. error: expected calibration error of the cause that
    came first; by_chance: what a perfect forecaster stays under in 19 of 20 such logs.
    """

    top1: Rate
    top3: Rate
    log_loss: float
    likely: float
    brier: float
    reliability: float
    resolution: float
    uncertainty: float
    bins: tuple[Bin, ...]
    error: float
    by_chance: float


class Miss(NamedTuple):
    """A case in which no confirmed cause came first. p: P of the likeliest confirmed cause; first, first_p: what did."""

    case: str
    confirmed: tuple[str, ...]
    p: float
    first: str
    first_p: float


class Lesson(NamedTuple):
    """What a log teaches. statistics: all counts, merged ones too; overlay: ready to be laid on, whether it may be or not;
    moved: what it changes, the largest move first."""

    verdict: Verdict
    statistics: Statistics
    overlay: Overlay
    moved: tuple[Moved, ...]


class Review(NamedTuple):
    """The whole look back. learned: predictions by earlier cases; expert: by the files alone. asking: the questions put,
    against the tool's order; None if that was not wanted."""

    log: Log
    predicted: int
    expert: Scores
    learned: Scores
    verdict: Verdict
    asking: Asking | None
    misses: tuple[Miss, ...]
    attention: tuple[Surprise, ...]


def read_log(opened: Opened, cases: Iterable[Case], *, expected: int, half_life: float = 0.0, as_of: str = "",
             strength: float | None = None, start: Statistics | None = None) -> Log:
    """One pass over a log, in the order of time, keeping one table of counts, what every block was to be predicted by, and at
    most about MOST cases.

    expected: about how many cases there are, from which the blocks get their size. half_life, as_of: see learn.counting; a
    block is predicted with old cases weighing as they did when it began. strength: see learn.fit. start: counts from
    elsewhere. Raises InputError if cases are counted twice or the counts are of another network.
    """
    count = counting(opened, half_life=half_life, as_of=as_of)
    size, stride = max(1, math.ceil(expected / BLOCKS)), max(1, math.ceil(expected / MOST))
    statistics = added([statistics_of(opened), *([start] if start else [])])
    began = statistics.cases > 0

    def taught_by_now(weight: float) -> Network:
        return fit(opened, faded(statistics, 1.0 / weight), strength=strength, rounds=GUARD_ROUNDS).network

    taught = [taught_by_now(1.0) if began else opened.network]
    left_out: dict[str, int] = {}
    unlisted: deque[tuple[str, str]] = deque(maxlen=MOST_WORDS)
    sampled, spent, seen, used, lacking = [], Spent(), 0, 0, 0
    for case in cases:
        seen += 1
        spent = _with(spent, case)
        if case.unlisted:
            lacking += 1
            unlisted.append((case.id, case.unlisted))
        heard = statistics.heard
        reason = count(case, statistics)
        if reason:
            left_out[reason] = left_out.get(reason, 0) + 1
            continue
        if used % stride == 0 and statistics.heard > heard:
            sampled.append(Sampled(len(taught) - 1, case))
        used += 1
        if used % size == 0 and used < expected:
            taught.append(taught_by_now(weight_of(case, half_life, as_of)))
    return Log(seen, left_out, added([statistics]), began, tuple(taught), tuple(sampled), lacking, tuple(unlisted), spent,
               half_life, as_of)


def _with(spent: Spent, case: Case) -> Spent:
    if case.status != CLOSED:
        return spent
    tried = bool(case.remedies and case.confirmed)
    return Spent(spent.cases + 1, spent.questions + len(case.answers), spent.timed + (case.minutes is not None),
                 spent.minutes + (case.minutes or 0.0), spent.tried + tried,
                 spent.right_first + (tried and case.remedies[0].cause in case.confirmed))


def evidence_as_it_came_in(opened: Opened, network: Network, case: Case, silence: Silence) -> Evidence:
    """What was known of a case before the first remedy that changed anything; the same as ``read_evidence`` gives, quicker."""
    before = as_it_came_in(case)
    answers = [Answer(*a[:6]) for a in answers_in_force(before)]
    seen = read_evidence(opened.knowledge, network, answers, unmentioned=False, tried=[r.cause for r in before.remedies])
    said = {answer.finding for answer in answers}
    silent = np.array([name not in said for name in silence.reports], dtype=bool)
    return replace(seen, present=seen.present * silence.factors[silent].prod(axis=0),
                   log_factor=seen.log_factor + float(silence.leaks[silent].sum()))


class Silence(NamedTuple):
    """What a report that nobody mentioned does. factors: (reports, n) to each cause; leaks: (reports,) log of the leak's."""

    reports: tuple[str, ...]
    factors: Array
    leaks: Array


def silence_of(opened: Opened, network: Network) -> Silence:
    """What every report does while nobody mentions it (see ``evidence.read_evidence``)."""
    reports = [f for f in opened.knowledge.of_kind(REPORT) if f.salience > 0]
    factors, leaks = np.ones((len(reports), len(network.causes))), np.zeros(len(reports))
    for number, report in enumerate(reports):
        j = network.finding_index[report.id]
        rows = network.rows(j)
        factors[number, network.link_cause[rows]] = 1.0 - report.salience * (1.0 - network.link[rows, 0])
        leaks[number] = math.log1p(-report.salience * (1.0 - float(network.leak[j, 0])))
    return Silence(tuple(f.id for f in reports), factors, leaks)


def forecast(opened: Opened, network: Network, case: Case, present: npt.NDArray[np.bool_], silence: Silence) -> Forecast:
    """What a network says of a case, given somebody called, and of its being exactly the causes ``present`` (n,)."""
    try:
        evidence = evidence_as_it_came_in(opened, network, case, silence)
        posterior = infer(network, evidence)
    except ImpossibleEvidence:
        return Forecast(network.prior / (1.0 - float(np.prod(1.0 - network.prior))), -math.log(LEAST_P))
    weights = np.where(present, evidence.present, evidence.absent)
    if not weights.all():
        return Forecast(posterior.p, -math.log(LEAST_P))
    log_p = float(np.log(weights).sum()) + evidence.log_factor - posterior.log_evidence - math.log1p(-posterior.none)
    for axis in evidence.axes:
        state = axis.first
        for row in np.flatnonzero(present[axis.causes]).tolist():
            state = axis.steps[row] @ state
        log_p += math.log(max(float(state @ axis.last), 1e-300))
    return Forecast(posterior.p, min(-log_p, -math.log(LEAST_P)))


def replay(opened: Opened, log: Log) -> list[Prediction]:
    """Every sampled case, predicted by the expert and by what the blocks before its own taught. Cases that the network can no
    longer read, or not in the memory there is, are left out."""
    expert_silence = silence = silence_of(opened, opened.network)
    found, latest = [], opened.network
    for block, case in log.sampled:
        learned = log.taught[block]
        if learned is not latest:
            latest, silence = learned, silence_of(opened, learned)
        present = np.zeros(len(opened.network.causes), dtype=bool)
        present[[opened.network.cause_index[c] for c in case.confirmed or (UNLISTED,)]] = True
        try:
            expert = forecast(opened, opened.network, case, present, expert_silence)
            same = learned is opened.network
            found.append(Prediction(case.id, block, present, expert,
                                    expert if same else forecast(opened, learned, case, present, silence)))
        except (InputError, ValueError):
            continue
    return found


def suspects(opened: Opened, predictions: Sequence[Prediction]) -> tuple[Suspect, ...]:
    """Causes confirmed far more often than the answers support, most cases first; see ``Suspect``."""
    network = opened.network
    prior = network.prior / (1.0 - float(np.prod(1.0 - network.prior)))
    found = []
    p = np.array([x.expert.p for x in predictions]).reshape(-1, len(prior))
    present = np.array([x.present for x in predictions], dtype=bool).reshape(p.shape)
    against = (present & (p < prior)).sum(axis=0)
    cases, expected = present.sum(axis=0), p.sum(axis=0)
    for i in np.flatnonzero((against >= SUSPECT_CASES) & (cases - expected >= SUSPECT_EXCESS * len(p))).tolist():
        if i != network.unlisted and wilson(int(against[i]), int(cases[i]))[0] > SUSPECT_SHARE:
            found.append(Suspect(network.causes[i], int(cases[i]), int(against[i]), float(expected[i])))
    return tuple(sorted(found, key=lambda s: (-s.against, s.cause)))


def judge(opened: Opened, predictions: Sequence[Prediction], *, start: bool = False) -> Verdict:
    """Whether learned values may be used: they predicted no worse than the expert, and nothing in the log is suspect.

    start: the first block, too, was predicted by something learned.
    """
    later = [x for x in predictions if x.block > 0 or start]
    expert, learned = (np.array([getattr(x, name).loss for x in later]) for name in ("expert", "learned"))
    gain, doubtful = paired(expert - learned), suspects(opened, predictions)
    losses = (float(expert.mean()), float(learned.mean())) if later else (math.nan, math.nan)
    why, accepted = "predictions got better by them" if gain.low > 0 else "predictions got no worse by them", False
    if doubtful:
        titles = "; ".join(f"{opened.knowledge.causes[s.cause].title} ({s.cases} times, likely {s.expected:.0f} times by the "
                           f"answers, which spoke against it {s.against} times)" for s in doubtful)
        why = f"confirmed far more often than the answers support: {titles}"
    elif len(later) < FEWEST:
        why = f"only {len(later)} cases could be predicted from earlier ones; {FEWEST} are wanted before values are changed"
    elif gain.mean < 0.0:
        why = "predictions got worse by them"
    else:
        accepted = True
    return Verdict(accepted, why, gain, *losses, math.exp(-losses[0]), math.exp(-losses[1]), doubtful)


def score(opened: Opened, predictions: Sequence[Prediction], which: str) -> Scores:
    """Scores of the forecasts ``which``: expert or learned."""
    network = opened.network
    forecasts: list[Forecast] = [getattr(x, which) for x in predictions]
    n = len(network.causes)
    p = np.array([f.p for f in forecasts]).reshape(-1, n)
    y = np.array([x.present for x in predictions], dtype=float).reshape(-1, n)
    order = np.argsort(-_listed(network, p), axis=1, kind="stable")
    hit = np.take_along_axis(y, order, axis=1) > 0
    flat, outcome = p.ravel(), y.ravel()
    _, reliability, resolution, uncertainty = parts(np.round(flat, 2), outcome)
    bins = calibration(flat, outcome, EDGES)
    first = np.take_along_axis(p, order[:, :1], axis=1)[:, 0]
    loss = float(np.mean([f.loss for f in forecasts])) if forecasts else math.nan
    return Scores(
        rate(int(hit[:, :1].any(axis=1).sum()), len(p)), rate(int(hit[:, :3].any(axis=1).sum()), len(p)),
        loss, math.exp(-loss), n * brier(flat, outcome), n * reliability, n * resolution,
        n * uncertainty, tuple(bins), calibration_error(first, hit[:, 0], TENTHS),
        error_by_chance(first, TENTHS))


def _listed(network: Network, p: Array) -> Array:
    """Forecasts (cases, n) without the cause that is not listed, which is never ranked."""
    listed = p.copy()
    if network.unlisted >= 0:
        listed[:, network.unlisted] = -1.0
    return listed


def misses(opened: Opened, predictions: Sequence[Prediction], which: str) -> tuple[Miss, ...]:
    """The cases in which no confirmed cause came first, the surest mistakes first."""
    network = opened.network
    found = []
    for x in predictions:
        p = _listed(network, getattr(x, which).p[None, :])[0]
        first = int(np.argmax(p))
        if not x.present[first]:
            confirmed = tuple(network.causes[i] for i in np.flatnonzero(x.present).tolist())
            found.append(Miss(x.case, confirmed, float(getattr(x, which).p[x.present].max()), network.causes[first],
                              float(p[first])))
    return tuple(sorted(found, key=lambda m: (m.p - m.first_p, m.case)))


def review(opened: Opened, log: Log, *, asked: int = MOST_ASKED) -> Review:
    """The whole look back on a log. asked: how many cases at most are gone through again with the tool's questions."""
    asking = compared(opened, (one.case for one in log.sampled), asked) if asked else None
    predictions = replay(opened, log)
    verdict = judge(opened, predictions, start=log.began)
    striking = [s for s in surprises(opened, log.statistics) if abs(s.z) >= STRIKING and s.cases >= STRIKING_CASES]
    wrong = misses(opened, predictions, "learned" if verdict.accepted else "expert")
    return Review(log, len(predictions), score(opened, predictions, "expert"), score(opened, predictions, "learned"), verdict,
                  asking, wrong, tuple(striking[:MOST_STRIKING]))


def lesson(opened: Opened, log: Log, *, strength: float | None = None) -> Lesson:
    """What a log, with the counts it began with, teaches, and whether that may be used. opened: the expert's network."""
    verdict = judge(opened, replay(opened, log), start=log.began)
    worth = opened.knowledge.header.strength if strength is None else strength
    fitted = fit(opened, log.statistics, strength=worth)
    gain = verdict.gain
    better = (gain.mean, gain.low, gain.high) if gain.number > 1 else (0.0, 0.0, 0.0)
    overlay = overlay_of(opened, fitted, log.statistics, half_life=log.half_life, as_of=log.as_of, strength=worth,
                         better=better)
    return Lesson(verdict, log.statistics, overlay, tuple(moved(opened, fitted, log.statistics)))
