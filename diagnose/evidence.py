"""Answers and readings -> likelihoods over levels, ready for the exact sweep.

Three kinds of answer end here. A definite level 0 is a product over causes: it only changes their weights. A definite
higher level, an unsure answer or a reading keeps an axis. A report that nobody mentioned is the thinned product
(1 - r * leak) * prod(1 - r * link), r its salience: not mentioned is not unknown.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from diagnose.network import Array, Network
from diagnose.records import CHECK, CIRCUMSTANCE, REPORT, Finding, Header, Knowledge, Meter, Reading
from diagnose.source import InputError, Problem, complaint, nearest

REMEDY_FAILS = 0.05  # chance that a remedy carried out leaves its cause in place (estimate)
UNSURE_RATIO = 4.0  # "I think so": how much likelier the stated level is than each other one


class Answer(NamedTuple):
    """What one person said or read about one finding.

    Exactly one of level and reading is set; reading is a number in the unit of the check. method is how it was found
    out (a key of the reliability table), None for the finding's own. sure False means "I think so".
    """

    finding: str
    level: str | None = None
    who: str = "customer"
    method: str | None = None
    sure: bool = True
    reading: float | None = None


class Axis(NamedTuple):
    """One open finding in the sweep: the running maximum over its K states.

    first: (K,) what the leak starts it with. causes: (c,) linked causes in rising order. steps: (c, K, K) how a present
    cause moves it, new state by old. last: (K,) likelihood of each state at the end.
    """

    finding: int
    first: Array
    causes: npt.NDArray[np.int64]
    steps: Array
    last: Array


@dataclass(frozen=True, eq=False)
class Evidence:
    """All answers as the sweep wants them.

    absent, present: (n,) weight of each cause being absent or present (prior times all products). axes: the open
    findings. log_factor: log of what no cause enters. abnormal: findings that are not (surely) as they should be, a
    circumstance that holds among them, as it can be all there is to go by. tried: causes whose remedy was carried out and
    did not (wholly) help.
    """

    answers: tuple[Answer, ...]
    absent: Array
    present: Array
    axes: tuple[Axis, ...]
    log_factor: float
    abnormal: tuple[int, ...]
    tried: tuple[str, ...] = ()


def read_evidence(knowledge: Knowledge, network: Network, answers: Iterable[Answer], *, unmentioned: bool = True,
                  tried: Iterable[str] = ()) -> Evidence:
    """Evidence from answers; a later answer about the same finding replaces an earlier one.

    unmentioned: count reports that nobody asked about or mentioned as not volunteered (see the module's text). tried: causes
    whose remedy was carried out without the trouble going away; each is there only if its remedy failed.
    Raises InputError for an unknown finding, level, person or method and for a reading that cannot be.
    """
    latest = {answer.finding: answer for answer in answers}
    failed = tuple(dict.fromkeys(name for name in tried if name in network.cause_index))
    present = network.prior.copy()
    present[[network.cause_index[name] for name in failed]] *= REMEDY_FAILS
    absent = 1.0 - present
    log_factor = 0.0
    axes: list[Axis] = []
    abnormal: list[int] = []
    for answer in latest.values():
        finding = check_answer(knowledge, answer)
        j = network.finding_index[finding.id]
        likelihood = likelihood_of(knowledge.header, finding, answer)
        leak, link = seen_through(network, j, reliability_of(knowledge.header, finding, answer))
        if likelihood[1:].any():
            axes.append(_axis(network, j, leak, link, likelihood))
            if likelihood[0] < likelihood.max():
                abnormal.append(j)
        else:
            log_factor += _log(leak[0] * likelihood[0])
            np.multiply.at(present, network.link_cause[network.rows(j)], link[:, 0])
    if unmentioned:
        silence = np.zeros(len(network.findings))
        for finding in knowledge.of_kind(REPORT):
            if finding.id not in latest:
                silence[network.finding_index[finding.id]] = finding.salience
        with np.errstate(divide="ignore"):
            log_factor += float(np.log1p(-silence * (1.0 - network.leak[:, 0])).sum())
        thinned = 1.0 - np.repeat(silence, np.diff(network.start)) * (1.0 - network.link[:, 0])
        np.multiply.at(present, network.link_cause, thinned)
    for array in (absent, present):
        array.setflags(write=False)
    return Evidence(tuple(latest.values()), absent, present, tuple(axes), log_factor, tuple(abnormal), failed)


def plain_evidence(network: Network, levels: dict[str, int | Sequence[float]]) -> Evidence:
    """Evidence without people or salience: finding -> definite level, or a likelihood over its levels.

    This is the textbook's network as it stands, for checks against other engines and for simulation. Raises ValueError for a
    level that the finding does not have.
    """
    absent, present = 1.0 - network.prior, network.prior.copy()
    log_factor, axes, abnormal = 0.0, [], []
    for name, given in levels.items():
        j = network.finding_index[name]
        size = int(network.levels[j])
        likelihood = np.asarray(given, dtype=float)
        if likelihood.ndim == 0:
            if given not in range(size):
                raise ValueError(f"{name} has levels 0 to {size - 1}, not {given}")
            likelihood = np.eye(size)[int(likelihood)]
        elif likelihood.shape != (size,):
            raise ValueError(f"{name} wants a likelihood over {size} levels, not {likelihood.size}")
        leak, link = network.leak[j, :size], network.link[network.rows(j), :size]
        if likelihood[1:].any():
            axes.append(_axis(network, j, leak, link, likelihood))
            abnormal.append(j)
        else:
            log_factor += _log(float(leak[0] * likelihood[0]))
            np.multiply.at(present, network.link_cause[network.rows(j)], link[:, 0])
    return Evidence((), absent, present, tuple(axes), log_factor, tuple(abnormal))


def _log(p: float) -> float:
    return math.log(p) if p > 0 else -math.inf


def check_answer(knowledge: Knowledge, answer: Answer) -> Finding:
    """The finding an answer is about; InputError if the finding, the level, the person or the method does not exist."""
    finding = knowledge.findings.get(answer.finding)
    if finding is None:
        raise complaint(f"there is no finding {answer.finding!r}", nearest(answer.finding, knowledge.findings),
                        key="finding")
    if answer.level is not None and answer.level not in finding.levels:
        raise complaint(f"{answer.level!r} is no level of {finding.id!r}", f"its levels: {', '.join(finding.levels)}",
                        key=finding.id)
    if (answer.level is None) == (answer.reading is None):
        raise complaint("an answer is either a level or a reading", "give one of them", key=finding.id)
    if answer.who not in knowledge.header.people:
        raise complaint(f"{answer.who!r} is not one of the people", nearest(answer.who, knowledge.header.people), key="who")
    return finding


def reliability_of(header: Header, finding: Finding, answer: Answer) -> tuple[float, float]:
    """(P(says abnormal | is abnormal), P(says normal | is normal)) of an answer; circumstances are exact."""
    if finding.kind == CIRCUMSTANCE:
        return 1.0, 1.0
    method = answer.method or (finding.method if finding.kind == CHECK else "look")
    row = header.reliability[answer.who]
    if method not in row:
        raise complaint(f"{method!r} is no way of finding out", nearest(method, row), key="method")
    return row[method]


def confusion(levels: int, reliability: tuple[float, float]) -> Array:
    """(L, L) P(said <= s | true level x): what is said is the higher of what was noticed and a false alarm.

    A level above 0 is noticed rightly or missed altogether; a false alarm, chance 1 - specificity, falls evenly on the levels
    above 0. P(said abnormal | abnormal) is the sensitivity and P(said normal | normal) the specificity, at any size.
    """
    sensitivity, specificity = reliability
    missed = (1.0 - sensitivity) / specificity  # missed and no false alarm, both together: 1 - sensitivity
    level = np.arange(levels)
    no_alarm = 1.0 - (1.0 - specificity) * (levels - 1 - level) / (levels - 1)
    return np.asarray(np.where(level > level[:, None], missed, 1.0) * no_alarm[:, None])


def seen_through(network: Network, j: int, reliability: tuple[float, float]) -> tuple[Array, Array]:
    """Leak and links of a finding as they look through a person: P(says <= level), (L,) and (c, L).

    By ``confusion`` P(says <= x) = P(no false alarm above x) * (m + (1 - m) * P(level <= x)), m the chance to miss; the link is
    the quotient of that with one cause present and with none, so that the product is exact for none or one cause (with two
    levels the formula of design section 3). Where a large leak makes the quotients fall they are held monotone.
    """
    size = int(network.levels[j])
    leak, link = network.leak[j, :size], network.link[network.rows(j), :size]
    if reliability == (1.0, 1.0):
        return leak, link
    sensitivity, specificity = reliability
    missed, no_alarm = (1.0 - sensitivity) / specificity, confusion(size, reliability)[:, 0]
    none, single = (missed + (1.0 - missed) * p for p in (leak, leak * link))
    said_link = np.divide(single, none, out=np.ones_like(single), where=none > 0)
    return no_alarm * none, np.minimum(1.0, np.maximum.accumulate(said_link, axis=1))


def likelihood_of(header: Header, finding: Finding, answer: Answer) -> Array:
    """(L,) likelihood over what is said: one level, an unsure level (4 to 1), or a reading through the meter's error."""
    size = len(finding.levels)
    if answer.reading is not None:
        if finding.reading is None:
            raise complaint(f"{finding.id!r} is not read as a number", f"its levels: {', '.join(finding.levels)}",
                            key=finding.id)
        return reading_likelihood(finding.reading, header.meters[finding.reading.meter], finding, answer.reading)
    given = np.zeros(size)
    given[finding.level(answer.level or "")] = 1.0
    return given if answer.sure else np.where(given > 0, 1.0, 1.0 / UNSURE_RATIO)


def reading_likelihood(reading: Reading, meter: Meter, finding: Finding, value: float) -> Array:
    """(L,) likelihood of a number over the levels, by bands and the meter's error; a level without a band gets zero.

    With standard uncertainty u (rounding of the display included) and a true value uniform inside a band [a, b):
    [Phi((b - r) / u) - Phi((a - r) / u)] / (b - a), divided by the width so that a wide band does not win by being
    wide (methods 6.2). A value outside every band counts for the nearest one. Raises InputError for what the meter
    cannot show.
    """
    if not math.isfinite(value) or not meter.lowest <= value <= meter.highest:
        raise complaint(f"{value:g} {reading.unit} is no sane reading for {finding.title!r}",
                        f"it lies between {meter.lowest:g} and {meter.highest:g} {reading.unit}", key=finding.id)
    from diagnose.quantities import MeterError, meter_likelihood

    found = meter_likelihood(value, MeterError(meter.relative, meter.digits, meter.resolution), reading.bands)
    return np.array([found.get(level, 0.0) for level in finding.levels])


def parse_reading(text: str, finding: Finding) -> float:
    """The number in ``"11.9"``, ``"0.2 V"`` or ``"86 mA"``, in the unit of the check; InputError if it is none."""
    if finding.reading is None:
        raise complaint(f"{finding.id!r} is not read as a number", f"its levels: {', '.join(finding.levels)}", key=finding.id)
    from diagnose.quantities import parse_quantity

    return parse_quantity(text, finding.reading.unit, key=finding.id)


def _axis(network: Network, j: int, leak: Array, link: Array, likelihood: Array) -> Axis:
    """The axis of a finding: two states for a definite level (below it, at it), else all levels."""
    positive = np.flatnonzero(likelihood)
    top = int(positive[-1])
    edges = [top - 1, top] if len(positive) == 1 else list(range(top + 1))
    leak, link = leak[edges], link[:, edges]
    size = len(edges)
    steps = np.zeros((len(link), size, size))
    alone = np.diff(link, axis=1, prepend=0.0)
    for new in range(size):
        steps[:, new, :new] = np.maximum(alone[:, new : new + 1], 0.0)
        steps[:, new, new] = link[:, new]
    last = likelihood[edges]
    return Axis(j, np.maximum(np.diff(leak, prepend=0.0), 0.0), network.link_cause[network.rows(j)], steps, last)


def parse_answers(texts: Iterable[str], knowledge: Knowledge, *, who: str, kinds: Sequence[str] = ()) -> list[Answer]:
    """Answers from ``ID=LEVEL`` or ``ID=READING`` texts; InputError that gathers what is wrong with them.

    kinds: if given, only findings of these kinds are taken."""
    answers, problems = [], []
    for text in texts:
        name, separator, value = text.partition("=")
        name, value = name.strip(), value.strip()
        try:
            if not separator or not value:
                raise complaint(f"{text[:60]!r} is not of the form ID=LEVEL or ID=READING", "write for example id=yes")
            finding = knowledge.findings.get(name)
            if finding is None:
                raise complaint(f"there is no finding {name[:60]!r}", nearest(name, knowledge.findings))
            if kinds and finding.kind not in kinds:
                raise complaint(f"{name!r} is a {finding.kind}, not a {' or '.join(kinds)}", "use the option for that")
            if value in finding.levels or finding.reading is None or not re.match(r"[+\-\u2212]?\s*[.,]?\d", value):
                answer = Answer(name, value, who)
            else:
                answer = Answer(name, None, who, reading=parse_reading(value, finding))
            check_answer(knowledge, answer)
            likelihood_of(knowledge.header, finding, answer)
            answers.append(answer)
        except InputError as error:
            problems += [Problem("", 0, p.key or name, p.what, p.mend) for p in error.problems]
    if problems:
        raise InputError(problems)
    return answers
