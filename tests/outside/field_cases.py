"""Real cases told by others, put to the tool: where does the confirmed cause come in the ranking?

``python -m tests.outside.field_cases`` prints the table. The cases, with the address each was told at, stand in
``field_cases.yaml``. Ranked are the causes in question by probability, the unlisted one apart; once from what was
complained of and the known circumstances alone, once with the recorded checks as well.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import NamedTuple

from diagnose import source
from diagnose.evidence import Answer, read_evidence
from diagnose.network import UNLISTED, Network, Opened, open_network
from diagnose.posterior import infer
from diagnose.records import CIRCUMSTANCE, REPORT, Knowledge
from diagnose.source import Fields, InputError, Problem

FILE = Path(__file__).with_name("field_cases.yaml")
PLACES = (1, 3, 5)  # the ranks whose share is stated


class FieldCase(NamedTuple):
    """One case. reports: what was complained of and what was said to be well. checks: what was found afterwards.

    causes: any of these counts as right. also: confirmed beside it.
    """

    id: str
    source: str
    facts: str
    circumstances: tuple[Answer, ...]
    reports: tuple[Answer, ...]
    checks: tuple[Answer, ...]
    causes: tuple[str, ...]
    also: tuple[str, ...]
    note: str
    missed_by_reports: str
    missed_after_checks: str


class Place(NamedTuple):
    """Where a cause comes: rank from 1 (0 if not in question), its probability, and the three causes before all others."""

    rank: int
    p: float
    first: tuple[tuple[str, float], ...]


class Outcome(NamedTuple):
    """A case put to the tool: the place of its cause by reports alone, and after the checks; those of ``also`` last."""

    case: FieldCase
    by_reports: Place
    after_checks: Place
    also: tuple[tuple[str, Place], ...]


def load_cases(knowledge: Knowledge, path: Path = FILE) -> list[FieldCase]:
    """The cases of the file; InputError with everything that does not exist in the knowledge or is misspelt."""
    problems: list[Problem] = []
    top = Fields(source.read_yaml(path, shown_as=path.name), path.name, "", problems)
    cases = [_case(Fields(node, path.name, name, problems), name, knowledge)
             for name, node in top.items("cases", required=True)]
    top.done()
    if problems:
        raise InputError(problems)
    return cases


def _case(one: Fields, name: str, knowledge: Knowledge) -> FieldCase:
    who = one.word("done_by", ("customer", "fitter", "workshop"), "customer")
    reports = {finding.id for finding in knowledge.of_kind(REPORT)}
    told = [Answer(report, "yes", "customer", "volunteered") for report in one.words("reports", reports)]
    told += [Answer(report, "no", "customer", "volunteered") for report in one.words("normal", reports)]
    case = FieldCase(
        name, one.text("source", required=True), one.text("facts", required=True),
        tuple(_answers(one, "circumstances", knowledge, "customer")), tuple(told),
        tuple(_answers(one, "checks", knowledge, who)),
        one.words("causes", knowledge.causes, required=True), one.words("also", knowledge.causes),
        one.text("note"), one.text("missed_by_reports"), one.text("missed_after_checks"))
    one.done()
    return case


def _answers(one: Fields, key: str, knowledge: Knowledge, who: str) -> list[Answer]:
    found = []
    for name, node in one.items(key):
        finding = knowledge.findings.get(name)
        if finding is None or (finding.kind == CIRCUMSTANCE) != (key == "circumstances"):
            one.complain(key, f"{name!r} does not belong here", source.nearest(name, knowledge.findings), line=node.line)
            continue
        level = one.word_of(node, key, finding.levels, finding.levels[0])
        found.append(Answer(name, level, who))
    return found


def place(network: Network, knowledge: Knowledge, answers: tuple[Answer, ...], causes: tuple[str, ...]) -> Place:
    """The best place among ``causes`` once the answers are in."""
    posterior = infer(network, read_evidence(knowledge, network, answers))
    asked = sorted(posterior.in_question, key=lambda i: (-posterior.p[i], network.causes[i]))
    ranked = [network.causes[i] for i in asked if network.causes[i] != UNLISTED]
    p = {cause: float(posterior.p[network.cause_index[cause]]) for cause in network.causes}
    best = min(causes, key=lambda cause: ranked.index(cause) if cause in ranked else len(ranked))
    rank = ranked.index(best) + 1 if best in ranked else 0
    return Place(rank, p[best], tuple((cause, p[cause]) for cause in ranked[:3]))


def run_cases(opened: Opened, cases: list[FieldCase], network: Network | None = None) -> list[Outcome]:
    """Every case by its reports and circumstances alone, and with its checks; ``network`` in place of the opened one."""
    knowledge, net = opened.knowledge, network or opened.network
    outcomes = []
    for case in cases:
        told = case.circumstances + case.reports
        everything = told + case.checks
        also = tuple((cause, place(net, knowledge, everything, (cause,))) for cause in case.also)
        outcomes.append(Outcome(case, place(net, knowledge, told, case.causes),
                                place(net, knowledge, everything, case.causes), also))
    return outcomes


def hits(places: list[Place], within: int) -> int:
    """How many causes come among the first ``within``."""
    return sum(1 <= one.rank <= within for one in places)


def report(outcomes: list[Outcome]) -> str:
    """The table, the rates and the misses as text."""
    lines = [f"{'case':37} {'told':>4} {'by reports':>15} {'after checks':>15}"]
    for one in outcomes:
        yes = sum(answer.level == "yes" for answer in one.case.reports)
        lines.append(f"{one.case.id:37} {yes:4d} {_shown(one.by_reports):>15} {_shown(one.after_checks):>15}")
        lines += [f"  also {cause:30} {'':>20} {_shown(at):>15}" for cause, at in one.also]
    lines.append("")
    for title, places in (("by reports alone", [one.by_reports for one in outcomes]),
                          ("after the recorded checks", [one.after_checks for one in outcomes])):
        rates = ", ".join(f"first {n}: {hits(places, n)} of {len(places)}" for n in PLACES)
        lines.append(f"{title:26} {rates}")
    for title, name in (("by reports alone", "by_reports"), ("after the recorded checks", "after_checks")):
        lines += ["", f"not among the first three {title}:"]
        for one in outcomes:
            at: Place = getattr(one, name)
            if not 1 <= at.rank <= 3:
                why = one.case.missed_by_reports if name == "by_reports" else one.case.missed_after_checks
                before = ", ".join(f"{cause} {p:.2f}" for cause, p in at.first)
                lines.append(f"  {one.case.id} ({' or '.join(one.case.causes)}: {_shown(at).strip()}): before it {before}")
                lines.append(f"    {why or 'no reason is written down'}")
    return "\n".join(lines)


def _shown(at: Place) -> str:
    return f"{at.rank or '-':>4}  p {at.p:.3f}"


def main() -> int:
    """Print the report for the shipped network."""
    opened = open_network("head_unit")
    print(report(run_cases(opened, load_cases(opened.knowledge))))
    return 0


if __name__ == "__main__":
    sys.exit(main())
