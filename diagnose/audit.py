"""Checks over a whole network, once it is loaded: what no single file can get wrong.

The loader refuses what cannot be read. Here stands what can be read and is still a gap or a danger: a cause that nothing
shows, two causes that no finding tells apart, a step with a dangerous word and no caution. Strengths are read off the
flattened links, so conditions count.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from diagnose import network
from diagnose.cautions import called_for
from diagnose.network import Array, Network, Opened
from diagnose.records import CHECK, REPORT, SECTION_OF, Cause, Finding, Knowledge
from diagnose.source import Problem, nearest

WEAK = 0.05  # a link below this tells nothing
ALIKE = 0.1  # total variation up to which two distributions count as the same
ROUNDING = 1e-9  # so that 1 - 0.95 is 0.05
FEWEST_PHRASES = 5  # ways of saying a report, below which it is seldom recognised


class Audit(NamedTuple):
    """What the whole-set checks found, each part in file order. errors: to be mended before use; warnings: to be judged."""

    errors: tuple[Problem, ...]
    warnings: tuple[Problem, ...]


def audit(opened: Opened) -> Audit:
    """All whole-set checks of a loaded network; see the functions below for each."""
    knowledge, arrays = opened.knowledge, opened.network
    links = single_cause_distributions(arrays)
    strength = 1.0 - links[:, :, 0]  # (causes, findings) probability that the cause alone makes the finding show
    errors = [*_undetected(knowledge, arrays, strength), *_unwarned(knowledge), *_forbidden(knowledge),
              *_grave_without_caution(knowledge), *_beyond_everybody(knowledge), *_by_phone_without_customer(knowledge),
              *_first_checks(knowledge), *_two_meanings(knowledge)]
    warnings = [*_unnoticed(knowledge, arrays, strength), *_unmoved(knowledge, arrays, strength),
                *_inseparable(knowledge, arrays, links), *_shared_phrases(knowledge), *_few_phrases(knowledge),
                *_unbrought(knowledge)]
    return Audit(*(tuple(sorted(found, key=lambda p: (p.file, p.line))) for found in (errors, warnings)))


def check_general_model(opened: Opened) -> Problem | None:
    """None if the network, written out for the general library, passes that library's own check; else what it said.

    The check asks that the graph has no loops, that every variable has a table, that tables fit their parents and that
    every column adds up to 1. Takes seconds: the library is slow to import and the tables are many.
    """
    header = opened.knowledge.header
    try:
        passed, said = network.to_pgmpy(opened.network).check_model(), "it returned False"
    except ValueError as error:
        passed, said = False, " ".join(str(error).split())
    if passed:
        return None
    return Problem(header.file, header.line, "network", f"the general library refuses the model: {said}",
                   "mend the probabilities or names it speaks of")


def single_cause_distributions(arrays: Network) -> Array:
    """(causes, findings, levels) P(level | that cause alone), leaks aside; without a link level 0 is certain."""
    return np.diff(arrays.given_each_cause(), prepend=0.0, axis=2)


def _listed(arrays: Network) -> npt.NDArray[np.int64]:
    """The causes that the files list: all but the one that stands for everything else."""
    return np.array([i for i in range(len(arrays.causes)) if i != arrays.unlisted], dtype=np.int64)


def _at_cause(cause: Cause, what: str, mend: str, key: str = "") -> Problem:
    return Problem(cause.file, cause.line, f"causes.{cause.id}{key}", what, mend)


def _at_finding(finding: Finding, what: str, mend: str, key: str = "") -> Problem:
    return Problem(finding.file, finding.line, f"{SECTION_OF[finding.kind]}.{finding.id}{key}", what, mend)


def _undetected(knowledge: Knowledge, arrays: Network, strength: Array) -> Iterator[Problem]:
    """A cause that no report and no check shows: nothing anybody does could bring it to light."""
    seen = [j for j, name in enumerate(arrays.findings) if knowledge.findings[name].kind in (REPORT, CHECK)]
    for i in _listed(arrays):
        if strength[i, seen].max(initial=0.0) <= WEAK + ROUNDING:
            yield _at_cause(knowledge.causes[arrays.causes[i]], f"no report and no check shows it above {WEAK:g}",
                            "link it to a finding or bring a condition about", ".links")


def _unnoticed(knowledge: Knowledge, arrays: Network, strength: Array) -> Iterator[Problem]:
    """A cause without a report: the customer cannot notice it, so nobody would call about it."""
    reports = [j for j, name in enumerate(arrays.findings) if knowledge.findings[name].kind == REPORT]
    for i in _listed(arrays):
        if strength[i, reports].max(initial=0.0) <= WEAK + ROUNDING:
            yield _at_cause(knowledge.causes[arrays.causes[i]], f"no report shows it above {WEAK:g}: a customer cannot "
                            "notice it", "link it to what the customer notices", ".links")


def _unmoved(knowledge: Knowledge, arrays: Network, strength: Array) -> Iterator[Problem]:
    """A finding that no listed cause moves: asking for it tells nothing."""
    strongest = strength[_listed(arrays)].max(axis=0, initial=0.0)
    for j, name in enumerate(arrays.findings):
        if strongest[j] <= WEAK + ROUNDING:
            yield _at_finding(knowledge.findings[name], f"no cause moves it above {WEAK:g}",
                              "link a cause or a condition to it, or drop it")


def inseparable_pairs(arrays: Network, links: Array) -> list[tuple[int, int, float]]:
    """Pairs of listed causes (i, k, largest difference) with i before k, that no finding tells apart.

    The difference at a finding is the total variation between P(finding | cause i alone) and P(finding | cause k alone),
    leaks included: half the sum of the absolute differences over its levels. links: see single_cause_distributions.
    """
    listed = _listed(arrays)
    seen = np.diff(np.cumsum(links[listed], axis=2) * arrays.leak, prepend=0.0, axis=2)
    one, other = np.triu_indices(len(listed), 1)
    largest = np.zeros(len(one))
    for j in np.argsort(-np.diff(arrays.start)):  # most linked first, because pairs told apart are dropped at once
        difference = np.abs(seen[one, j] - seen[other, j]).sum(axis=1) / 2
        alike = difference <= ALIKE + ROUNDING
        one, other, largest = one[alike], other[alike], np.maximum(largest, difference)[alike]
    return [(int(listed[i]), int(listed[k]), float(d)) for i, k, d in zip(one, other, largest, strict=True)]


def _inseparable(knowledge: Knowledge, arrays: Network, links: Array) -> Iterator[Problem]:
    for i, k, difference in inseparable_pairs(arrays, links):
        one, other = (knowledge.causes[arrays.causes[x]] for x in (i, k))
        yield _at_cause(one, f"no finding tells it from {other.id!r} ({other.file}:{other.line}): the largest difference "
                        f"is {difference:.2f}", "add a check on which the two differ, or make them one cause", ".links")


def _unbrought(knowledge: Knowledge) -> Iterator[Problem]:
    """A condition that no cause brings about, or that shows nothing."""
    brought = {name for cause in knowledge.causes.values() for name in cause.brings}
    for condition in knowledge.conditions.values():
        if condition.id not in brought:
            yield Problem(condition.file, condition.line, f"conditions.{condition.id}", "no cause brings it about",
                          "name it in some cause's 'brings', or drop it")
        if not condition.shows:
            yield Problem(condition.file, condition.line, f"conditions.{condition.id}.shows", "it shows nothing",
                          "name the findings it shows, or drop it")


def _unwarned(knowledge: Knowledge) -> Iterator[Problem]:
    """A check or a remedy whose steps contain a caution's trigger and that does not list the caution."""
    for caution in knowledge.cautions.values():
        mend = f"add {caution.id!r} to its cautions, or say it without that word"
        for check in knowledge.of_kind(CHECK):
            for person, steps in check.how.items():
                kept = caution.id in check.cautions and person in check.only_for.get(caution.id, (person,))
                if not kept and (word := called_for(caution, steps)):
                    yield _at_finding(check, f"a step says {word!r} but the caution {caution.id!r} is not listed", mend,
                                      f".how.{person}")
        for cause in knowledge.causes.values():
            for key, texts in (("steps", cause.remedy.steps), ("by_phone_how", (cause.remedy.by_phone_how,))):
                if caution.id not in cause.remedy.cautions and (word := called_for(caution, texts)):
                    yield _at_cause(cause, f"it says {word!r} but the caution {caution.id!r} is not listed", mend,
                                    f".remedy.{key}")


def _forbidden(knowledge: Knowledge) -> Iterator[Problem]:
    """Text for a person that contains a trigger of a caution forbidden to that person.

    The customer's text of a remedy is ``by_phone_how``, and ``steps`` too where nobody else can do it.
    """
    for caution in knowledge.cautions.values():
        for person in caution.forbidden_to:
            mend = f"leave it out: nothing about {caution.title!r} is asked of the {person}"
            for check in knowledge.of_kind(CHECK):
                if word := called_for(caution, check.how.get(person, ())):
                    yield _at_finding(check, f"a step for the {person} says {word!r}", mend, f".how.{person}")
            for cause in knowledge.causes.values():
                told = [cause.remedy.by_phone_how] if person == "customer" else []
                if cause.remedy.who == (person,):
                    told += cause.remedy.steps
                if word := called_for(caution, told):
                    yield _at_cause(cause, f"what the {person} is told says {word!r}", mend, ".remedy")


def _grave_without_caution(knowledge: Knowledge) -> Iterator[Problem]:
    """A cause that stops the use of something, and a remedy that warns of nothing."""
    for cause in knowledge.causes.values():
        if cause.safety != "normal" and not cause.remedy.cautions:
            yield _at_cause(cause, f"its safety class is {cause.safety!r} but its remedy lists no caution",
                            "list the caution that goes with it", ".remedy.cautions")


def _beyond_everybody(knowledge: Knowledge) -> Iterator[Problem]:
    """A check or remedy that needs a set-up which nobody who may do it can make. A workshop can make what a fitter can."""
    set_ups = knowledge.header.set_ups

    def shut_out(person: str, needed: Iterable[str]) -> bool:
        as_who = {person, "fitter"} if person == "workshop" else {person}
        return any(as_who.isdisjoint(set_ups[name].who) for name in needed)

    for check in knowledge.of_kind(CHECK):
        if all(shut_out(person, check.set_ups) for person in check.who):
            yield _at_finding(check, f"none of {', '.join(check.who)} can make its set-ups ({', '.join(check.set_ups)})",
                              "name somebody in 'who' who can, or change the set-ups", ".who")
    for cause in knowledge.causes.values():
        needed = cause.remedy.set_ups
        if all(shut_out(person, needed) for person in cause.remedy.who):
            yield _at_cause(cause, f"none of {', '.join(cause.remedy.who)} can make its set-ups ({', '.join(needed)})",
                            "name somebody in 'who' who can, or change the set-ups", ".remedy.who")


def _by_phone_without_customer(knowledge: Knowledge) -> Iterator[Problem]:
    """A remedy that is wholly done by phone although the customer is not among those who can do it.

    ``partly`` may leave the customer out: there the phone only helps until somebody comes.
    """
    for cause in knowledge.causes.values():
        if cause.remedy.by_phone == "yes" and "customer" not in cause.remedy.who:
            yield _at_cause(cause, "by_phone is 'yes' but 'who' does not name the customer",
                            "add the customer to 'who', or make by_phone 'partly'", ".remedy.who")


def _first_checks(knowledge: Knowledge) -> Iterator[Problem]:
    """A finding that opens every conversation and does not exist, or that the customer cannot be asked."""
    header = knowledge.header
    for name in header.first_checks:
        finding = knowledge.findings.get(name)
        if finding is None:
            yield Problem(header.file, header.line, "network.first_checks", f"there is no check or report {name!r}",
                          nearest(name, knowledge.findings))
        elif finding.kind == CHECK and "customer" not in finding.who:
            yield Problem(header.file, header.line, "network.first_checks", f"{name!r} is asked first in every "
                          "conversation but is not for the customer", "add the customer to its 'who', with steps")


def _plain(phrase: str) -> str:
    """A phrase as it is compared: lower case, words only."""
    return " ".join(re.findall(r"\w+", phrase.lower().replace("'", "").replace("\u2019", "")))


def _meanings(knowledge: Knowledge) -> dict[str, list[tuple[Finding, str]]]:
    """Plain phrase -> the findings and levels that it is given for."""
    meanings: dict[str, list[tuple[Finding, str]]] = {}
    for finding in knowledge.findings.values():
        for level, phrase in dict.fromkeys((level, _plain(phrase)) for level, phrase in finding.phrases):
            meanings.setdefault(phrase, []).append((finding, level))
    return meanings


def _two_meanings(knowledge: Knowledge) -> Iterator[Problem]:
    """A phrase that stands for two levels of one finding."""
    for phrase, uses in _meanings(knowledge).items():
        for number, (finding, level) in enumerate(uses):
            for other, other_level in uses[number + 1:]:
                if other is finding:
                    yield _at_finding(finding, f"the phrase {phrase!r} stands for {level!r} and for {other_level!r}",
                                      "keep it for one of them", ".phrases")


def _shared_phrases(knowledge: Knowledge) -> Iterator[Problem]:
    """A phrase given for two findings: a customer's words would set off both."""
    for phrase, uses in _meanings(knowledge).items():
        findings = list(dict.fromkeys(finding.id for finding, _ in uses))
        if len(findings) > 1:
            others = ", ".join(repr(name) for name in findings[1:])
            yield _at_finding(uses[0][0], f"the phrase {phrase!r} is given for {others} too", "reword all but one", ".phrases")


def _few_phrases(knowledge: Knowledge) -> Iterator[Problem]:
    """A report that a customer's words will seldom be matched to."""
    for report in knowledge.of_kind(REPORT):
        count = len({_plain(phrase) for level, phrase in report.phrases if level != report.levels[0]})
        if count < FEWEST_PHRASES:
            yield _at_finding(report, f"it has {count} different phrases", f"give at least {FEWEST_PHRASES} ways in which "
                              "customers say it", ".phrases")
