"""How sure the numbers of the files are, and what that does to a posterior.

Every prior, link and leak is an estimate worth ``strength`` cases (network.defaults.strength):

- a link or leak row with probabilities p_x is Dirichlet(strength * p_x), but no level that is possible is worth less than
  one case, or the small ones would be nearly always 0: level x gets the weight p_x * Gamma(s_x) / s_x with
  s_x = max(strength * p_x, 1), and the weights are scaled to 1;
- a prior p is Beta(strength, strength * (1 - p) / p): the expert has seen the cause itself ``strength`` times.

Links that come through one condition are drawn one by one, as if they were given apart. (Methods 4.4.)
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from diagnose.evidence import Answer, read_evidence
from diagnose.network import Array, Network, Opened
from diagnose.posterior import infer
from diagnose.records import REPORT

DRAWS = 200
RANGE = (0.05, 0.95)
_WIDTH, _CELLS = 16.0, 1601  # half width in standard deviations, and cells, of the grid for quantiles


def beta_quantiles(a: Array, b: Array, q: float) -> Array:
    """The q-quantile of Beta(a, b), in log odds, to about four digits for a, b of at least 1; arrays of one shape (m,).

    Trapezoids over the density in log odds, which falls off exponentially on both sides.
    """
    spread = np.sqrt(1.0 / a + 1.0 / b)
    x = np.log(a / b)[:, None] + spread[:, None] * np.linspace(-_WIDTH, _WIDTH, _CELLS)
    log_density = a[:, None] * x - (a + b)[:, None] * np.logaddexp(0.0, x)
    density = np.exp(log_density - log_density.max(axis=1, keepdims=True))
    mass = np.cumsum((density[:, 1:] + density[:, :-1]) / 2.0, axis=1)
    mass = np.concatenate([np.zeros((len(a), 1)), mass], axis=1) / mass[:, -1:]
    return np.array([np.interp(q, mass[m], x[m]) for m in range(len(a))])


def plausible(values: Array, strength: float, *, prior: bool = False) -> tuple[Array, Array]:
    """The 5 and 95 % points of priors, or of links and leaks, whose estimates are ``values``; 0 and 1 are certain."""
    ends = np.array([values, values], dtype=float)
    open_ = (values > 0) & (values < 1)
    p, where = np.unique(values[open_], return_inverse=True)
    if len(p):
        if prior:
            a, b = np.full(len(p), strength), strength * (1.0 - p) / p
        else:
            a, b = np.maximum(strength * p, 1.0), np.maximum(strength * (1.0 - p), 1.0)
        shift = np.log(p / (1.0 - p)) - np.log(a / b)
        for end, q in zip(ends, RANGE, strict=True):
            end[open_] = (1.0 / (1.0 + np.exp(-(beta_quantiles(a, b, q) + shift))))[where]
    return ends[0], ends[1]


def drawn_networks(network: Network, strength: float, draws: int, generator: np.random.Generator,
                   findings: Sequence[int] | None = None) -> list[Network]:
    """Networks whose priors, links and leaks are drawn; 0 and 1 stay, so whatever could be can be.

    findings: only the numbers of these are drawn, as nothing else is looked at; all if None.
    """
    chosen = np.arange(len(network.findings)) if findings is None else np.array(sorted(findings), dtype=np.int64)
    rows = np.array([row for j in chosen for row in range(network.start[j], network.start[j + 1])], dtype=np.int64)
    prior = np.tile(network.prior, (draws, 1))
    unsure = (network.prior > 0) & (network.prior < 1)
    p = network.prior[unsure]
    prior[:, unsure] = generator.beta(strength, strength * (1.0 - p) / p, size=(draws, len(p)))
    leaks, links = (_drawn_rows(some, strength, draws, generator) for some in (network.leak[chosen], network.link[rows]))
    drawn = []
    for d in range(draws):
        leak, link = network.leak.copy(), network.link.copy()
        leak[chosen], link[rows] = leaks[d], links[d]
        drawn.append(replace(network, prior=prior[d], leak=leak, link=link))
    return drawn


def _drawn_rows(cumulative: Array, strength: float, draws: int, generator: np.random.Generator) -> Array:
    """(draws, rows, L) cumulative rows, drawn around ``cumulative`` (rows, L)."""
    p = np.maximum(np.diff(cumulative, axis=1, prepend=0.0), 0.0)
    possible = p > 1e-15
    shape = np.maximum(strength * p[possible], 1.0)
    weight = np.zeros((draws, *p.shape))
    weight[:, possible] = generator.standard_gamma(shape, size=(draws, len(shape))) * (p[possible] / shape)
    drawn = np.cumsum(weight, axis=2)
    drawn = drawn / drawn[:, :, -1:]
    drawn[:, cumulative >= 1.0] = 1.0
    return np.asarray(drawn)


def posterior_draws(opened: Opened, answers: Sequence[Answer], causes: Sequence[int], *, unmentioned: bool = True,
                    tried: Iterable[str] = (), draws: int = DRAWS, generator: np.random.Generator | None = None,
                    somebody_called: bool = True) -> Array:
    """(draws, causes) P(cause | e) under drawn numbers of the network.

    unmentioned: whether the not-mentioned rule is in use. tried: causes whose remedies were tried in vain. generator: by
    default one with a fixed seed, so that the same answers give the same range.
    """
    knowledge, network = opened.knowledge, opened.network
    generator = np.random.default_rng(0) if generator is None else generator
    asked = {answer.finding for answer in answers}
    silent = [f for f in knowledge.of_kind(REPORT) if unmentioned and f.id not in asked and f.salience > 0]
    places = [network.rows(network.finding_index[f.id]) for f in silent]
    rows = np.array([row for place in places for row in range(place.start, place.stop)], dtype=np.int64)
    heard = np.array([f.salience for f, place in zip(silent, places, strict=True) for _ in range(place.start, place.stop)])
    looked_at = [network.finding_index[name] for name in {*asked, *(f.id for f in silent)}]
    found = np.empty((draws, len(causes)))
    for row, drawn in zip(found, drawn_networks(network, knowledge.header.strength, draws, generator, looked_at), strict=True):
        seen = read_evidence(knowledge, drawn, answers, unmentioned=False, tried=tried)
        present = seen.present.copy()
        np.multiply.at(present, network.link_cause[rows], 1.0 - heard * (1.0 - drawn.link[rows, 0]))  # as in read_evidence
        row[:] = infer(drawn, replace(seen, present=present), somebody_called=somebody_called).p[list(causes)]
    return found
