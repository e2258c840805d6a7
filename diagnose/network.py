"""Records -> flat arrays of a two-layer leaky noisy-MAX network, and the same network for a general library.

A cause reaches a finding by its own link or through conditions; ``flatten`` works the conditions out exactly. The arrays
have their write flag off: answering is a pure function of (network, evidence).

Noisy-MAX: P(F <= x | causes) = Leak(<= x) * product over the causes present of P_i(<= x) (Henrion 1989; Diez 1993).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt

from diagnose import source
from diagnose.knowledge import find_network, load_knowledge, network_files
from diagnose.records import REPORT, Cause, Knowledge, pack, unpack

if TYPE_CHECKING:
    from pgmpy.models import DiscreteBayesianNetwork

Array = npt.NDArray[np.float64]
UNLISTED = "unlisted"


@dataclass(frozen=True, eq=False)
class Network:
    """The arrays. n causes (the last may be ``unlisted``), m findings, k links, at most L levels.

    prior: (n,) P(cause present). levels: (m,) number of levels. leak: (m, L) P(leak <= level), padded with 1.
    start: (m + 1,) link rows of finding j are start[j]:start[j + 1]. link_cause: (k,). link: (k, L) P(<= level) given
    that cause alone, padded with 1. unlisted: index of the cause that stands for everything else, or -1.
    """

    causes: tuple[str, ...]
    findings: tuple[str, ...]
    prior: Array
    levels: npt.NDArray[np.int64]
    leak: Array
    start: npt.NDArray[np.int64]
    link_cause: npt.NDArray[np.int64]
    link: Array
    unlisted: int

    def __post_init__(self) -> None:
        for name in ("prior", "levels", "leak", "start", "link_cause", "link"):
            getattr(self, name).setflags(write=False)
        object.__setattr__(self, "cause_index", {name: i for i, name in enumerate(self.causes)})
        object.__setattr__(self, "finding_index", {name: j for j, name in enumerate(self.findings)})

    cause_index: Mapping[str, int] = None  # type: ignore[assignment]
    finding_index: Mapping[str, int] = None  # type: ignore[assignment]

    def rows(self, finding: int) -> slice:
        """The link rows of a finding."""
        return slice(int(self.start[finding]), int(self.start[finding + 1]))

    def rows_of_cause(self, cause: int) -> list[tuple[int, int]]:
        """The finding and the row of every link of a cause, in the order of the findings."""
        rows = np.flatnonzero(self.link_cause == cause)
        return list(zip((np.searchsorted(self.start, rows, side="right") - 1).tolist(), rows.tolist(), strict=True))

    def given_each_cause(self) -> Array:
        """(n, m, L) P(finding <= level | that cause alone), leaks aside; 1 where there is no link."""
        found = np.ones((len(self.causes), *self.leak.shape))
        found[self.link_cause, np.repeat(np.arange(len(self.findings)), np.diff(self.start))] = self.link
        return found


def cause_title(knowledge: Knowledge, name: str) -> str:
    """The title of a cause, the one that stands for everything else included; KeyError if there is none of that name."""
    return knowledge.header.unlisted.title if name == UNLISTED else knowledge.causes[name].title


class Opened(NamedTuple):
    """A network ready for use: what the files say, the arrays, a name and key under which compiled copies are kept, and in
    words whose numbers the arrays hold."""

    knowledge: Knowledge
    network: Network
    copy_name: str
    key: str
    speaks_from: str = "the expert's knowledge"


def assemble(
    priors: Mapping[str, float],
    leaks: Mapping[str, Sequence[float]],
    links: Mapping[tuple[str, str], Sequence[float]],
    *,
    unlisted: str = "",
) -> Network:
    """A network from plain tables.

    priors: cause -> P(present). leaks: finding -> probability of each level above 0 by leak. links: (cause, finding) ->
    probability of each level above 0 given that cause alone. Raises ValueError for a probability outside 0..1 or a link
    whose levels do not match its finding.
    """
    causes, findings = tuple(priors), tuple(leaks)
    cause_index = {name: i for i, name in enumerate(causes)}
    widest = max((len(leak) + 1 for leak in leaks.values()), default=1)
    by_finding: dict[str, list[tuple[int, Sequence[float]]]] = {name: [] for name in findings}
    for (cause, finding), above in links.items():
        if len(above) != len(leaks[finding]):
            raise ValueError(f"link {cause} -> {finding} has {len(above)} levels, the finding {len(leaks[finding])}")
        if any(above):
            by_finding[finding].append((cause_index[cause], above))
    rows = [row for name in findings for row in sorted(by_finding[name])]
    network = Network(
        causes, findings,
        np.array([priors[name] for name in causes], dtype=float),
        np.array([len(leaks[name]) + 1 for name in findings], dtype=np.int64),
        np.array([_cumulative(leaks[name], widest) for name in findings], dtype=float).reshape(len(findings), widest),
        np.cumsum([0, *(len(by_finding[name]) for name in findings)], dtype=np.int64),
        np.array([cause for cause, _ in rows], dtype=np.int64),
        np.array([_cumulative(above, widest) for _, above in rows], dtype=float).reshape(len(rows), widest),
        cause_index.get(unlisted, -1),
    )
    for values in (network.prior, network.leak, network.link):
        if values.size and not (values.min() >= -1e-12 and values.max() <= 1 + 1e-12):
            raise ValueError("a probability is outside 0..1")
    return network


def _cumulative(above: Sequence[float], width: int) -> list[float]:
    """P(<= level) for every level, padded with 1, from the probabilities of the levels above 0."""
    rest = [max(0.0, 1.0 - sum(above[x:])) for x in range(len(above))]
    return rest + [1.0] * (width - len(above))


def flatten(knowledge: Knowledge, cause: Cause) -> dict[str, tuple[float, ...]]:
    """Finding -> probability of each level above 0, given this cause alone.

    An explicit link wins. Otherwise the conditions the cause brings about act as independent noisy-MAX inputs: with
    a = P(condition | cause) and b(x) = P(finding > x | condition), P(finding > x) = 1 - prod(1 - a * b(x)). A needed
    circumstance is linked with probability 1, so that its absence excludes the cause.
    """
    links = dict(cause.links)
    through: dict[str, list[float]] = {}
    for condition, brought in cause.brings.items():
        for finding, above in knowledge.conditions[condition].shows.items():
            if finding not in cause.links:
                stays = through.setdefault(finding, [1.0] * len(above))
                for x in range(len(above)):
                    stays[x] *= 1.0 - brought * sum(above[x:])
    for finding, stays in through.items():
        beyond = [1.0 - s for s in stays] + [0.0]
        links[finding] = tuple(max(0.0, beyond[x] - beyond[x + 1]) for x in range(len(stays)))
    for circumstance in cause.needs:
        links[circumstance] = (1.0,)
    return links


def build_network(knowledge: Knowledge) -> Network:
    """The arrays of the whole network, the unlisted cause last (a weak link to every report)."""
    priors = {name: cause.prior for name, cause in knowledge.causes.items()}
    leaks = {name: finding.leak for name, finding in knowledge.findings.items()}
    links = {(name, finding): above for name, cause in knowledge.causes.items()
             for finding, above in flatten(knowledge, cause).items()}
    unlisted = knowledge.header.unlisted
    if unlisted.prior > 0:
        priors[UNLISTED] = unlisted.prior
        for finding in knowledge.of_kind(REPORT):
            links[UNLISTED, finding.id] = (unlisted.link / len(finding.leak),) * len(finding.leak)
    return assemble(priors, leaks, links, unlisted=UNLISTED)


def open_network(name: str) -> Opened:
    """Knowledge and arrays of a network, from the compiled copy if that is up to date, else from the files.

    The copy's key is a hash over the network's files and over the code that reads them, so that a change of either makes
    a new one; a damaged copy is rebuilt. Raises InputError.
    """
    folder = find_network(name)
    here = Path(__file__).parent
    modules = ("source", "records", "knowledge", "network")
    code = [path for path in (here / f"{module}.py" for module in modules) if path.is_file()]
    key = source.fingerprint(network_files(folder), source.fingerprint(code), str(folder))
    copy_name = f"{folder.name}-{source.fingerprint([], str(folder.resolve()))[:12]}"
    data = source.read_copy(copy_name, key)
    if data is not None:
        try:
            return Opened(unpack(data[0]), _from_lists(data[1]), copy_name, key)
        except (AttributeError, IndexError, KeyError, TypeError, ValueError):
            pass  # of another shape than ours: built anew below
    knowledge = load_knowledge(folder)
    network = build_network(knowledge)
    source.write_copy(copy_name, key, [pack(knowledge), _to_lists(network)])
    return Opened(knowledge, network, copy_name, key)


def _to_lists(network: Network) -> list[Any]:
    return [list(network.causes), list(network.findings), *(getattr(network, name).tolist() for name in (
        "prior", "levels", "leak", "start", "link_cause", "link")), network.unlisted]


def _from_lists(data: list[Any]) -> Network:
    causes, findings, prior, levels, leak, start, link_cause, link, unlisted = data
    width = max(levels, default=1)
    return Network(tuple(causes), tuple(findings), np.array(prior, dtype=float), np.array(levels, dtype=np.int64),
                   np.array(leak, dtype=float).reshape(len(findings), width), np.array(start, dtype=np.int64),
                   np.array(link_cause, dtype=np.int64), np.array(link, dtype=float).reshape(len(link_cause), width), unlisted)


def to_pgmpy(network: Network, findings: Sequence[str] | None = None) -> DiscreteBayesianNetwork:
    """The same model as an ordinary discrete network of the general library, for checking and export.

    A finding with many causes is written as a chain of running maxima ``finding~1``, ``finding~2``, ..., the last of
    which is the finding itself, so that no table grows beyond levels x levels x 2. findings: only these and the causes
    linked to them; all if None.
    """
    from pgmpy.factors.discrete import TabularCPD
    from pgmpy.models import DiscreteBayesianNetwork

    chosen = [network.finding_index[name] for name in (network.findings if findings is None else findings)]
    model = DiscreteBayesianNetwork()
    used = sorted({int(i) for j in chosen for i in network.link_cause[network.rows(j)]})
    if findings is None:
        used = list(range(len(network.causes)))
    tables = []
    for i in used:
        p = float(network.prior[i])
        model.add_node(network.causes[i])
        tables.append(TabularCPD(network.causes[i], 2, [[1 - p], [p]]))
    for j in chosen:
        name, size = network.findings[j], int(network.levels[j])
        leak = np.diff(network.leak[j, :size], prepend=0.0)
        rows = range(int(network.start[j]), int(network.start[j + 1]))
        names = [f"{name}~{number}" for number in range(len(rows))] + [name]
        model.add_node(names[0])
        tables.append(TabularCPD(names[0], size, leak.reshape(size, 1)))
        for number, row in enumerate(rows):
            cause = network.causes[int(network.link_cause[row])]
            step = _running_max(network.link[row, :size])
            model.add_edge(names[number], names[number + 1])
            model.add_edge(cause, names[number + 1])
            table = np.stack([np.eye(size), step], axis=-1).reshape(size, size * 2)
            tables.append(TabularCPD(names[number + 1], size, table, [names[number], cause], [size, 2]))
    model.add_cpds(*tables)
    return model


def _running_max(cumulative: Array) -> Array:
    """T[new, old]: how the running maximum moves when a contribution of this distribution is added."""
    size = len(cumulative)
    alone = np.diff(cumulative, prepend=0.0)
    step = np.tril(np.repeat(alone[:, None], size, axis=1), -1)
    step[np.arange(size), np.arange(size)] = cumulative
    return step
