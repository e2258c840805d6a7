"""How far the posterior of a cause hangs on single numbers of the files, and on all of them at once.

P(cause, e) and P(e) are linear in any one prior, link or leak t, so P(cause | e) = (a t + b) / (c t + d) (Laskey 1995;
Castillo et al. 1997; Coupe & van der Gaag 2002; methods 4.3). The other levels of the same row keep their proportions.

All constants come from a few sweeps. An open finding is a signed sum over its states x of products: P(F <= x | causes) is
one. With the finding replaced by such a product, P(cause i) tells how much P(e) owes to that cause's link at that state.

One kind of number is not of that form: the leak of a finding that a fallible person answered, as the links are seen through
the same person relative to the leak (evidence.seen_through); so is, rarely, a link that the same function holds monotone.
These are reckoned anew at each value instead, if their slope is worth it.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from diagnose.about import Through, through
from diagnose.evidence import Answer, Evidence, read_evidence, reliability_of
from diagnose.explain import Parts, all_but, cause_number, put_together, ranked, take_apart
from diagnose.network import UNLISTED, Array, Network, Opened
from diagnose.plan import make_plan
from diagnose.posterior import Posterior, infer, weigh_batch
from diagnose.records import CIRCUMSTANCE, REPORT, SECTION_OF, Finding
from diagnose.source import ImpossibleEvidence
from diagnose.uncertainty import plausible

TINY = 1e-100  # stands for a factor 0 where what it multiplies is wanted
SMALL = 1e-12  # parameters and differences below it are nought
STRAIGHT = 1e-11  # deviation from a straight line that is rounding
LEAST = 0.001  # swing from which on a parameter is listed


class Parameter(NamedTuple):
    """One number of the network. kind: prior, leak or link; cause, finding, level: "" where they do not apply; value: as in
    force; where: place in the files; through: the conditions whose strengths it is made of, for a link not given itself."""

    kind: str
    cause: str
    finding: str
    level: str
    value: float
    where: str
    through: tuple[Through, ...]


class Lean(NamedTuple):
    """How the posterior depends on one parameter t.

    constants: (a, b, c, d) of (a t + b) / (c t + d), None where it is not of that form. slope: at the value in force. low,
    high: 5 and 95 % of the parameter's uncertainty; p_low, p_high: the posterior there; swing: their distance. turns_at:
    value at which the cause and its rival are equally probable, if there is one in 0..1; turn: how far away that is in
    natural log odds of the parameter, None if nowhere or at 0 or 1.
    """

    parameter: Parameter
    constants: tuple[float, float, float, float] | None
    slope: float
    low: float
    high: float
    p_low: float
    p_high: float
    swing: float
    turns_at: float | None
    turn: float | None

    def at(self, t: float) -> float:
        """The posterior were the parameter t; ValueError where it is not a ratio of linear functions."""
        if self.constants is None:
            raise ValueError(f"the posterior is no ratio of linear functions of this {self.parameter.kind}")
        a, b, c, d = self.constants
        return (a * t + b) / (c * t + d)


class Sensitivity(NamedTuple):
    """One-way sensitivity of a cause. rival: the cause it is ranked against, "" if there is none. leans: by falling swing.
    leans_on: the first of them. turns_first: the one that turns the ranking with the least change in log odds."""

    cause: str
    rival: str
    p: float
    p_rival: float
    leans: tuple[Lean, ...]
    leans_on: Lean | None
    turns_first: Lean | None


# --- how a finding looks through whoever answered ----------------------------------------------------------------------


class _View(NamedTuple):
    """An answer as a signed sum of products: likelihood = sum over k of slope_k * first_k * product of stays_ik over the
    causes present. first, slope: (k,); stays: (rows, k)."""

    first: Array
    slope: Array
    stays: Array


def _view(opened: Opened, network: Network, answer: Answer) -> _View:
    """The view of an answer in a network with these leaks and links."""
    one = read_evidence(opened.knowledge, replace(network, prior=np.ones(len(network.causes))), [answer], unmentioned=False)
    if not one.axes:
        causes = network.link_cause[network.rows(network.finding_index[answer.finding])]
        return _View(np.array([math.exp(one.log_factor)]), np.ones(1), one.present[causes, None])
    axis = one.axes[0]
    slope = axis.last - np.append(axis.last[1:], 0.0)
    return _View(np.cumsum(axis.first), slope, np.diagonal(axis.steps, axis1=1, axis2=2).copy())


def _rows_at(cumulative: Array, level: int, t: float) -> Array:
    """Cumulative rows (c, L) with P(level) = t, the other levels in proportion; what was certain leaves the rest at 0."""
    p = np.maximum(np.diff(cumulative, axis=1, prepend=0.0), 0.0)
    p[:, level] = 0.0
    left = p.sum(axis=1, keepdims=True)
    p = np.where(left > 0, p / np.where(left > 0, left, 1.0), np.eye(p.shape[1])[0])
    p = (1.0 - t) * p
    p[:, level] += t
    result = np.cumsum(p, axis=1)
    result[:, -1] = 1.0
    return np.asarray(result)


def _stays_at(opened: Opened, answer: Answer | None, finding: Finding, level: int, t: float) -> Array:
    """(rows, k) of a finding's view with P(level) of all its links at t; the silence about it where there is no answer."""
    network = opened.network
    j = network.finding_index[finding.id]
    size, rows = int(network.levels[j]), network.rows(j)
    changed = _rows_at(network.link[rows, :size], level, t)
    if answer is None:
        return 1.0 - finding.salience * (1.0 - changed[:, :1])
    link = network.link.copy()
    link[rows, :size] = changed
    return _view(opened, replace(network, link=link), answer).stays


def with_parameter(opened: Opened, parameter: Parameter, t: float) -> Opened:
    """The network with one parameter set to t, the other levels of its row in proportion."""
    network = opened.network
    if parameter.kind == "prior":
        prior = network.prior.copy()
        prior[network.cause_index[parameter.cause]] = t
        return opened._replace(network=replace(network, prior=prior))
    finding = opened.knowledge.findings[parameter.finding]
    j, level = network.finding_index[finding.id], finding.level(parameter.level)
    size = int(network.levels[j])
    if parameter.kind == "leak":
        leak = network.leak.copy()
        leak[j, :size] = _rows_at(network.leak[j : j + 1, :size], level, t)[0]
        return opened._replace(network=replace(network, leak=leak))
    rows = network.rows(j)
    row = rows.start + int(np.flatnonzero(network.link_cause[rows] == network.cause_index[parameter.cause])[0])
    link = network.link.copy()
    link[row, :size] = _rows_at(network.link[row : row + 1, :size], level, t)[0]
    return opened._replace(network=replace(network, link=link))


# --- the constants -----------------------------------------------------------------------------------------------------


class _Flow(NamedTuple):
    """P of everything, with the cause and with its rival present, (w,), as shares of P(e); none: P(no cause | e), 0 where it
    does not count. present: (w, n) P(cause i present, ...). owed: for each answer (w, k, rows), how much each P owes to each
    linked cause at each state, per unit of stays; states: (w, k) how much to the state, per unit of first."""

    worlds: Array
    none: float
    present: Array
    owed: list[Array]
    states: list[Array]


class _Setting(NamedTuple):
    """What is asked. forced: -1 and the numbers of the cause and its rival. spread: 5 and 95 % points of all links, (k, L)
    each. least: smallest effect that is reckoned anew."""

    opened: Opened
    parts: Parts
    views: tuple[_View, ...]
    forced: tuple[int, ...]
    spread: tuple[Array, Array]
    least: float
    somebody_called: bool


def _flow(setting: _Setting, posterior: Posterior) -> _Flow:
    network, parts, forced = setting.opened.network, setting.parts, setting.forced
    base = put_together(parts, least=TINY)
    sweeps = [_swept(network, base, cause, posterior.log_evidence) for cause in forced]
    worlds, present = np.array([share for share, _ in sweeps]), np.array([share * p for share, p in sweeps])
    flow = _Flow(worlds, posterior.none if setting.somebody_called else 0.0, present, [], [])
    for number, (answer, view) in enumerate(zip(parts.answers, setting.views, strict=True)):
        causes = network.link_cause[network.rows(network.finding_index[answer.finding])]
        stays = np.maximum(view.stays, TINY)
        if not parts.each[number].axes:
            flow.owed.append((present[:, causes] / stays[:, 0])[:, None])
            flow.states.append((worlds / view.first)[:, None])
            continue
        owed, states = np.zeros((len(forced), len(view.first), len(causes))), np.zeros((len(forced), len(view.first)))
        rest = put_together(parts, chosen=all_but(parts, number), least=TINY)
        for k in range(len(view.first)):
            weight = rest.present.copy()
            weight[causes] *= stays[:, k]
            for w, cause in enumerate(forced):
                share, p = _swept(network, replace(rest, present=weight), cause, posterior.log_evidence)
                states[w, k] = view.slope[k] * share
                owed[w, k] = states[w, k] * view.first[k] * p[causes] / stays[:, k]
        flow.owed.append(owed)
        flow.states.append(states)
    return flow


def _swept(network: Network, evidence: Evidence, forced: int, log_scale: float) -> tuple[float, Array]:
    """P(e, the forced cause present) over exp(log_scale), and P(cause | e, forced present), (n,)."""
    if forced >= 0:
        absent = evidence.absent.copy()
        absent[forced] = 0.0
        evidence = replace(evidence, absent=absent)
    try:
        found = infer(network, evidence, somebody_called=False)
    except ImpossibleEvidence:
        return 0.0, np.zeros(len(network.causes))
    return math.exp(found.log_evidence - log_scale), found.p


def sensitivity(opened: Opened, evidence: Evidence, cause: str, *, rival: str | None = None, most: int | None = 20,
                least: float = LEAST, somebody_called: bool = True) -> Sensitivity:
    """How the posterior of a cause depends on every prior, link and leak that the evidence brings into play.

    rival: the cause it is ranked against; by default the first of the ranking, or the second for the first. most: how many
    parameters are listed, all if None; ``leans_on`` and ``turns_first`` are chosen among all. least: a parameter whose swing
    is smaller has no line unless the ranking turns on it. No line either for parameters that are 0 and for the link of a
    needed circumstance, which is no number of the files. Raises InputError for a cause that does not exist,
    ImpossibleEvidence, and ValueError for evidence of another network.
    """
    network = opened.network
    parts = take_apart(opened, evidence)
    posterior = infer(network, evidence, somebody_called=somebody_called)
    if rival is None:
        rival = next((network.causes[i] for i in ranked(network, posterior) if network.causes[i] != cause), "")
    forced = (-1, cause_number(opened, cause), *((cause_number(opened, rival),) if rival else ()))
    spread = plausible(np.diff(network.link, axis=1, prepend=0.0), opened.knowledge.header.strength)
    setting = _Setting(opened, parts, tuple(_view(opened, network, answer) for answer in parts.answers), forced, spread, least,
                       somebody_called)
    flow = _flow(setting, posterior)
    leans = [lean for part in (_of_priors, _of_links, _of_leaks) for lean in part(setting, flow)
             if lean.swing >= least or lean.turns_at is not None]
    leans.sort(key=lambda lean: (-lean.swing, lean.parameter.where, lean.parameter.finding, lean.parameter.level))
    turning = [lean for lean in leans if lean.turn is not None]
    return Sensitivity(cause, rival, float(posterior.p[forced[1]]), float(posterior.p[forced[2]]) if rival else 0.0,
                       tuple(leans[:most]), leans[0] if leans else None,
                       min(turning, key=lambda lean: lean.turn or 0.0, default=None))


def _lean(parameter: Parameter, flow: _Flow, moves: Array, none_moves: float, spread: tuple[float, float]) -> Lean:
    """The record from what each P moves by per unit of t, (w,): the function is known exactly from value and slope."""
    now, at = flow.worlds, parameter.value
    whole, move = float(now[0] - flow.none), float(moves[0] - none_moves)
    constants = (float(moves[1]), float(now[1] - at * moves[1]), move, whole - at * move)

    def p(t: float) -> float:
        return min(max((constants[0] * t + constants[1]) / (constants[2] * t + constants[3]), 0.0), 1.0)

    turns_at = None
    if len(now) > 2 and abs(moves[1] - moves[2]) > 1e-15:
        t = at + float((now[2] - now[1]) / (moves[1] - moves[2]))
        turns_at = t if 0.0 <= t <= 1.0 else None
    low, high = spread
    p_low, p_high = p(low), p(high)
    slope = (float(moves[1]) * whole - float(now[1]) * move) / whole**2
    return Lean(parameter, constants, slope, low, high, p_low, p_high, abs(p_high - p_low), turns_at, _turn(at, turns_at))


def _turn(value: float, turns_at: float | None) -> float | None:
    """Distance in natural log odds; None where one of the two is 0 or 1."""
    if turns_at is None or not (0.0 < turns_at < 1.0 and 0.0 < value < 1.0):
        return None
    return abs(math.log(turns_at / (1.0 - turns_at)) - math.log(value / (1.0 - value)))


def _of_priors(setting: _Setting, flow: _Flow) -> Iterator[Lean]:
    """Leans on the priors; where a remedy was tried in vain, the weights are those of what it left."""
    network, parts = setting.opened.network, setting.parts
    used = np.flatnonzero((network.prior > 0) & (network.prior < 1))
    low, high = plausible(network.prior[used], setting.opened.knowledge.header.strength, prior=True)
    for i, spread in zip(used.tolist(), zip(low.tolist(), high.tolist(), strict=True), strict=True):
        prior, name = float(network.prior[i]), network.causes[i]
        left, rest = float(parts.tried_present[i]) / prior, float(parts.tried_absent[i])
        moves = flow.present[:, i] / prior - (flow.worlds - flow.present[:, i]) * left / rest
        where = "network.unlisted.prior" if name == UNLISTED else f"causes.{name}.prior"
        yield _lean(Parameter("prior", name, "", "", prior, where, ()), flow, moves, -flow.none * left / rest, spread)


def _of_links(setting: _Setting, flow: _Flow) -> Iterator[Lean]:
    """Leans on the links of all findings that were answered, and of the reports whose silence counts."""
    opened, parts = setting.opened, setting.parts
    network = opened.network
    sources: list[tuple[Answer | None, Finding, Array, Array]] = []
    for answer, view, owed in zip(parts.answers, setting.views, flow.owed, strict=True):
        sources.append((answer, opened.knowledge.findings[answer.finding], view.stays, owed))
    asked = {answer.finding for answer in parts.answers}
    for finding in opened.knowledge.of_kind(REPORT):
        if parts.silent and finding.id not in asked and finding.salience > 0:
            rows = network.rows(network.finding_index[finding.id])
            stays = 1.0 - finding.salience * (1.0 - network.link[rows, :1])
            owed = flow.present[:, network.link_cause[rows]] / np.maximum(stays[:, 0], TINY)
            sources.append((None, finding, stays, owed[:, None]))
    for number, (asker, finding, stays, owed) in enumerate(sources):
        rows = network.rows(network.finding_index[finding.id])
        p = np.diff(network.link[rows], axis=1, prepend=0.0)
        for x in range(1, len(finding.levels)):
            start, end = (_stays_at(opened, asker, finding, x, t) for t in (0.0, 1.0))
            straight = np.abs(start + (end - start) * p[:, x : x + 1] - stays).max(axis=1, initial=0.0) < STRAIGHT
            moves = np.einsum("wkr,rk->rw", owed, end - start)
            for row in np.flatnonzero(p[:, x] > SMALL).tolist():
                parameter = _link_parameter(opened, int(network.link_cause[rows][row]), finding, x, float(p[row, x]))
                spread = float(setting.spread[0][rows][row, x]), float(setting.spread[1][rows][row, x])
                if parameter and straight[row]:
                    yield _lean(parameter, flow, moves[row], 0.0, spread)
                elif parameter:  # silence is always straight
                    yield from _reckoned(setting, flow, number, parameter, spread)


def _link_parameter(opened: Opened, i: int, finding: Finding, level: int, value: float) -> Parameter | None:
    """The parameter of a link, None for a needed circumstance, which is no number of the files."""
    name, record = opened.network.causes[i], opened.knowledge.causes.get(opened.network.causes[i])
    if record is not None and finding.id in record.needs:
        return None
    conditions = through(opened.knowledge, name, finding.id)
    where = "network.unlisted.link" if record is None else f"causes.{name}.{'brings' if conditions else f'links.{finding.id}'}"
    return Parameter("link", name, finding.id, finding.levels[level], value, where, conditions)


def _of_leaks(setting: _Setting, flow: _Flow) -> Iterator[Lean]:
    """Leans on the leaks of the findings that were answered; a report's silence has its leak as a common factor only."""
    opened = setting.opened
    network, header = opened.network, opened.knowledge.header
    for number, (answer, view) in enumerate(zip(setting.parts.answers, setting.views, strict=True)):
        finding = opened.knowledge.findings[answer.finding]
        value = np.diff(network.leak[network.finding_index[finding.id], : len(finding.levels)], prepend=0.0)
        low, high = plausible(value, header.strength)
        where = f"{SECTION_OF[finding.kind]}.{finding.id}.{'base_rate' if finding.kind == CIRCUMSTANCE else 'leak'}"
        for x in np.flatnonzero(value > SMALL).tolist():
            parameter = Parameter("leak", "", finding.id, finding.levels[x], float(value[x]), where, ())
            spread = float(low[x]), float(high[x])
            if x and reliability_of(header, finding, answer) != (1.0, 1.0):
                yield from _reckoned(setting, flow, number, parameter, spread)
            elif x and len(view.first) > 1:  # else a common factor too
                start, end = (_view(opened, with_parameter(opened, parameter, t).network, answer).first for t in (0.0, 1.0))
                yield _lean(parameter, flow, flow.states[number] @ (end - start), _none_moves(flow, view, end - start), spread)


def _none_moves(flow: _Flow, view: _View, first: Array) -> float:
    """How fast P(no cause, e) moves when an answer's first moves by so much."""
    return flow.none and flow.none * float(view.slope @ first) / float(view.slope @ view.first)


# --- where nothing is linear -------------------------------------------------------------------------------------------


def _reckoned(setting: _Setting, flow: _Flow, number: int, parameter: Parameter, spread: tuple[float, float]) -> Iterator[Lean]:
    """The record of a parameter that an answer's view does not depend on linearly, unless its slope is too small to matter."""
    opened, answer, view = setting.opened, setting.parts.answers[number], setting.views[number]
    at, (low, high) = parameter.value, spread
    step = 1e-5 * min(at, 1.0 - at)
    if not step:
        return
    down, up = (_view(opened, with_parameter(opened, parameter, t).network, answer) for t in (at - step, at + step))
    first, stays = (up.first - down.first) / (2.0 * step), (up.stays - down.stays) / (2.0 * step)
    moves = flow.states[number] @ first + np.einsum("wkr,rk->w", flow.owed[number], stays)
    slope = _lean(parameter, flow, moves, _none_moves(flow, view, first), spread).slope
    if abs(slope) * (high - low) < setting.least:
        return
    values = [0.0, low, high, 1.0]
    chances = _reckoner(setting, number, parameter)
    p = chances(values)
    turns_at = None
    if p.shape[1] > 1:
        now = float(flow.worlds[1] - flow.worlds[2])
        lead = {**{t: float(q[0] - q[1]) for t, q in zip(values, p, strict=True)}, at: now / float(flow.worlds[0] - flow.none)}
        points = sorted(t for t in lead if math.isfinite(lead[t]))
        turns = [_crossing(lambda t: float(np.subtract(*chances([t])[0])), (x, lead[x]), (y, lead[y]))
                 for x, y in itertools.pairwise(points) if lead[x] * lead[y] < 0]
        turns_at = min(turns, key=lambda t: abs(t - at), default=None)
    p_low, p_high = float(p[1, 0]), float(p[2, 0])
    yield Lean(parameter, None, slope, low, high, p_low, p_high, abs(p_high - p_low), turns_at, _turn(at, turns_at))


def _reckoner(setting: _Setting, number: int, parameter: Parameter) -> Callable[[Sequence[float]], Array]:
    """P(cause | e) and P(rival | e), (values, 1 or 2), for values of a parameter that one answer's view depends on.

    All of them in one batched sweep over the rest of the evidence, which the answer enters as a sum of products.
    """
    opened, forced, answer = setting.opened, setting.forced, setting.parts.answers[number]
    network = opened.network
    rest = put_together(setting.parts, chosen=all_but(setting.parts, number))
    planned = make_plan(network, rest)
    causes = network.link_cause[network.rows(network.finding_index[answer.finding])]
    none = math.prod(rest.absent.tolist()) * math.prod(float(axis.first @ axis.last) for axis in rest.axes)

    def chances(values: Sequence[float]) -> Array:
        seen = [_view(opened, with_parameter(opened, parameter, t).network, answer) for t in values]
        first, stays = np.array([view.first for view in seen]), np.array([view.stays for view in seen])
        weights = np.tile(rest.present, (len(values), first.shape[1], len(forced), 1))
        weights[..., causes] *= np.moveaxis(stays, 2, 1)[:, :, None, :]
        for w, cause in enumerate(forced[1:], 1):
            weights[:, :, w, cause] = 0.0
        z = weigh_batch(planned, rest, weights.reshape(-1, weights.shape[-1])).reshape(weights.shape[:-1])
        p = np.einsum("tk,tkw->tw", first * seen[0].slope, z)
        whole = p[:, :1] - (first @ seen[0].slope)[:, None] * (none if setting.somebody_called else 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray((p[:, :1] - p[:, 1:]) / whole)

    return chances


def _crossing(lead: Callable[[float], float], one: tuple[float, float], other: tuple[float, float]) -> float:
    """Where ``lead`` is 0 between two points (t, lead) of opposite sign: false position, halving the weight of an end that
    stays (the Illinois rule)."""
    (low, at_low), (high, at_high) = one, other
    side = 0
    for _ in range(60):
        t = (low * at_high - high * at_low) / (at_high - at_low)
        here = lead(t)
        if abs(here) < SMALL or high - low < SMALL * high:
            break
        if (here > 0) == (at_high > 0):
            high, at_high, at_low, side = t, here, at_low / (2.0 if side > 0 else 1.0), 1
        else:
            low, at_low, at_high, side = t, here, at_high / (2.0 if side < 0 else 1.0), -1
    return t
