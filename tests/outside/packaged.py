"""Networks that come inside pgmpy's package: the parts of them that have our form, tables as printed in the files.

Hardly any published network is two layers of noisy-OR as a whole. But every one of them has nodes whose table is one exactly,
perhaps with the states of the node or of a parent turned round (an AND is an OR of the opposites). Such nodes, and the nodes
with one parent, which always fit, make up a part: parents as causes, nodes as findings. The part is given to the library with
the file's own tables, and to the sweep as links and leaks read from them.
"""

from __future__ import annotations

import gzip
import itertools
import warnings
from collections.abc import Iterator
from importlib import resources
from typing import Any, NamedTuple

import numpy as np

from tests.enumeration import Tables

Array = np.ndarray
ROUNDING = 1e-9


class Part(NamedTuple):
    """A two-layer part. model: pgmpy's, with the tables of the file. tables: the same for us. state_of: (node, our level) ->
    the file's state."""

    model: Any
    tables: Tables
    state_of: dict[tuple[str, int], str]


class _Fit(NamedTuple):
    """A table as a noisy-OR. out: the state that is level 0. turned: parents whose first state is "present"."""

    leak: float
    links: dict[str, float]
    out: int
    turned: dict[str, bool]


def packaged(name: str) -> Any:
    """The network of that name as pgmpy reads it."""
    from pgmpy.readwrite import BIFReader

    file = resources.files("pgmpy") / "utils" / "example_models" / f"{name}.bif.gz"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return BIFReader(string=gzip.decompress(file.read_bytes()).decode()).get_model()


def _fits(table: Any) -> Iterator[_Fit]:
    """Every way in which a table of two-state nodes is a noisy-OR."""
    parents = table.variables[1:]
    for out, turned in itertools.product((0, 1), itertools.product((False, True), repeat=len(parents))):
        quiet = np.asarray(table.values)[out]
        for axis, flip in enumerate(turned):
            quiet = np.flip(quiet, axis) if flip else quiet
        base = quiet[(0,) * len(parents)]
        if base <= 0.0:
            continue
        alone = [float(quiet[tuple(int(a == axis) for a in range(len(parents)))] / base) for axis in range(len(parents))]
        product = base * np.ones_like(quiet)
        for axis, p in enumerate(alone):
            product = product * np.array([1.0, p]).reshape([2 if a == axis else 1 for a in range(len(parents))])
        if max(alone) <= 1.0 + ROUNDING and np.allclose(product, quiet, atol=ROUNDING, rtol=0.0):
            yield _Fit(1.0 - float(base), {name: max(0.0, 1.0 - p) for name, p in zip(parents, alone, strict=True)}, out,
                       dict(zip(parents, turned, strict=True)))


def noisy_or_part(name: str) -> Part:
    """The part of a packaged network, nodes with several parents first. A parent with a prior of its own in the file keeps it,
    another one gets an even one, as above it is not our form."""
    from pgmpy.factors.discrete import TabularCPD
    from pgmpy.models import DiscreteBayesianNetwork

    whole = packaged(name)
    chosen: dict[str, _Fit] = {}
    turned: dict[str, bool] = {}
    tables = [cpd for cpd in whole.get_cpds() if len(cpd.variables) > 1 and set(cpd.cardinality) == {2}]
    for cpd in sorted(tables, key=lambda cpd: -len(cpd.variables)):
        node, parents = cpd.variables[0], cpd.variables[1:]
        if node in turned or set(parents) & set(chosen):
            continue
        for fit in _fits(cpd):
            if all(turned.get(parent, way) == way for parent, way in fit.turned.items()):
                chosen[node] = fit
                turned |= fit.turned
                break
    model = DiscreteBayesianNetwork([(parent, node) for node, fit in chosen.items() for parent in fit.links])
    priors, state_of = {}, {}
    for cause, way in turned.items():
        own = whole.get_cpds(cause)
        states = own.state_names[cause]
        p = np.asarray(own.values) if len(own.variables) == 1 else np.array([0.5, 0.5])
        priors[cause] = float(p[0 if way else 1])
        model.add_cpds(TabularCPD(cause, 2, [[x] for x in p], state_names={cause: states}))
        state_of |= {(cause, level): states[int(way) ^ level] for level in (0, 1)}
    for node, fit in chosen.items():
        table = whole.get_cpds(node)
        model.add_cpds(table)
        state_of |= {(node, level): table.state_names[node][fit.out ^ level] for level in (0, 1)}
    leaks = {node: (fit.leak,) for node, fit in chosen.items()}
    links = {(parent, node): (p,) for node, fit in chosen.items() for parent, p in fit.links.items()}
    return Part(model, Tables(priors, leaks, links), state_of)


def pgmpy_answers(part: Part, seen: dict[str, int]) -> dict[str, float]:
    """P(cause present | seen) of every cause, by variable elimination over the file's own tables."""
    from pgmpy.inference import VariableElimination

    engine = VariableElimination(part.model)
    given = {name: part.state_of[name, level] for name, level in seen.items()}
    found = {}
    for cause in part.tables.priors:
        answer = engine.query([cause], evidence=given, show_progress=False)
        found[cause] = float(answer.get_value(**{cause: part.state_of[cause, 1]}))
    return found
