"""The frozen records that the knowledge files become; everything above speaks in them.

Named tuples, because they cost nothing at import and turn into JSON and back by position (``pack`` and ``unpack``).
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

REPORT, CHECK, CIRCUMSTANCE = "report", "check", "circumstance"
SECTION_OF = {REPORT: "reports", CHECK: "checks", CIRCUMSTANCE: "circumstances"}  # kind -> where it stands in the files
SAFETY_CLASSES = ("normal", "do_not_use", "stop_now")  # in rising gravity
UNKNOWN = "unknown"  # the advice when nothing is known yet
METHODS = ("volunteered", "recall", "look", "meter", "exchange")
PEOPLE = ("customer", "fitter", "workshop")
BY_PHONE = ("no", "partly", "yes")
ALARMS = ("watch", "stop_now")


class Reading(NamedTuple):
    """A check that is read as a number: the bands turn it into a likelihood over levels.

    bands: level -> (low, high) in ``unit``; bands may overlap; a level may have none.
    """

    unit: str
    quantity: str
    meter: str
    bands: dict[str, tuple[float, float]]


class Finding(NamedTuple):
    """Anything observable: a report, a check or a circumstance.

    levels: ordered; level 0 is as it should be, higher levels dominate. leak: probability of each level above 0 with
    no listed cause present. salience: chance that a customer volunteers a present report. alarm: level -> what an
    answer of that level sets off. phrases: (level, words) that customers use. tools: alternatives inside, all of the outer
    needed. who: may do the check or know the circumstance, anybody if empty. needs: circumstances without which the check
    cannot be made or the report not be noticed, and their level. only_for: caution -> the people whose steps call for it,
    where it is not for everybody. settles: reports that whoever noticed this one, or made this check, has answered with it.
    """

    id: str
    kind: str
    title: str
    area: str
    ask: str
    levels: tuple[str, ...]
    meanings: tuple[str, ...]
    leak: tuple[float, ...]
    file: str
    line: int
    salience: float = 0.0
    alarm: dict[str, str] = {}  # noqa: RUF012
    phrases: tuple[tuple[str, str], ...] = ()
    cautions: tuple[str, ...] = ()
    how: dict[str, tuple[str, ...]] = {}  # noqa: RUF012 - all read only
    who: tuple[str, ...] = ()
    tools: tuple[tuple[str, ...], ...] = ()
    set_ups: tuple[str, ...] = ()
    minutes: float = 0.0
    method: str = "look"
    reading: Reading | None = None
    needs: dict[str, str] = {}  # noqa: RUF012
    see: tuple[str, ...] = ()
    only_for: dict[str, tuple[str, ...]] = {}  # noqa: RUF012
    settles: tuple[str, ...] = ()

    def level(self, name: str) -> int:
        """The index of a level; ValueError if there is none of that name."""
        return self.levels.index(name)


class Remedy(NamedTuple):
    """What puts a cause right; minutes on site once it is found, set-ups apart."""

    summary: str
    steps: tuple[str, ...]
    minutes: float
    set_ups: tuple[str, ...]
    bring: tuple[str, ...]
    who: tuple[str, ...]
    by_phone: str
    by_phone_how: str
    verified: str
    cautions: tuple[str, ...]


class Cause(NamedTuple):
    """What may be wrong. prior: share of callbacks; brings: condition -> probability; links: finding -> probability of
    each level above 0, given this cause alone; needs: circumstances without which it cannot exist; answers_for: shares."""

    id: str
    title: str
    area: str
    description: str
    origin: str
    prior: float
    brings: dict[str, float]
    links: dict[str, tuple[float, ...]]
    needs: tuple[str, ...]
    remedy: Remedy
    answers_for: dict[str, float]
    safety: str
    source: str
    see: tuple[str, ...]
    file: str
    line: int


class Condition(NamedTuple):
    """A named physical condition; shows: finding -> probability of each level above 0, given the condition."""

    id: str
    title: str
    description: str
    shows: dict[str, tuple[float, ...]]
    file: str
    line: int


class Caution(NamedTuple):
    """A warning in plain words; triggers oblige a step that contains one to carry it. briefly: what matters most of it, for
    somebody who is asked on the telephone or in writing; '' where the text is short enough."""

    id: str
    title: str
    text: str
    triggers: tuple[str, ...]
    forbidden_to: tuple[str, ...]
    file: str
    line: int
    briefly: str = ""


class Meter(NamedTuple):
    """Error of a meter: standard uncertainty = relative x reading + digits x resolution; lowest and highest are what a
    sane reading can be."""

    unit: str
    relative: float
    digits: float
    resolution: float
    lowest: float
    highest: float


class SetUp(NamedTuple):
    """Something that has to be made once before checks or remedies: minutes, and who can make it."""

    title: str
    minutes: float
    who: tuple[str, ...]


class Unlisted(NamedTuple):
    """The cause that stands for everything the files do not list."""

    title: str
    prior: float
    link: float


class Header(NamedTuple):
    """What holds for the whole network: words, defaults, reliability of answers, thresholds, registries."""

    id: str
    title: str
    version: str
    object: str
    areas: dict[str, str]
    brings: float
    leak: float
    salience: float
    strength: float
    unlisted: Unlisted
    stop_threshold: dict[str, float]
    advice: dict[str, str]
    notice: str
    first_checks: tuple[str, ...]
    people: dict[str, str]
    reliability: dict[str, dict[str, tuple[float, float]]]
    answers_for: dict[str, str]
    tools: dict[str, str]
    set_ups: dict[str, SetUp]
    meters: dict[str, Meter]
    parts: dict[str, str]
    returned_parts: tuple[str, ...]
    same_words: tuple[tuple[str, ...], ...]
    file: str
    line: int


class Knowledge(NamedTuple):
    """Everything the files of one network say, ids in sorted order."""

    header: Header
    conditions: dict[str, Condition]
    findings: dict[str, Finding]
    cautions: dict[str, Caution]
    causes: dict[str, Cause]

    def of_kind(self, kind: str) -> list[Finding]:
        """The findings of one kind."""
        return [finding for finding in self.findings.values() if finding.kind == kind]


def pack(knowledge: Knowledge) -> list[Any]:
    """Knowledge as plain lists and dicts for JSON."""
    return [list(knowledge.header), *({key: list(value) for key, value in part.items()} for part in knowledge[1:])]


def unpack(data: list[Any]) -> Knowledge:
    """The inverse of ``pack`` after a trip through JSON."""
    head = list(data[0])
    fields = Header._fields
    head[fields.index("unlisted")] = Unlisted(*head[fields.index("unlisted")])
    head[fields.index("set_ups")] = {k: SetUp(v[0], v[1], tuple(v[2])) for k, v in head[fields.index("set_ups")].items()}
    head[fields.index("meters")] = {k: Meter(*v) for k, v in head[fields.index("meters")].items()}
    reliability = head[fields.index("reliability")]
    head[fields.index("reliability")] = {w: {m: (v[0], v[1]) for m, v in row.items()} for w, row in reliability.items()}
    for name in ("first_checks", "returned_parts"):
        head[fields.index(name)] = tuple(head[fields.index(name)])
    head[fields.index("same_words")] = tuple(tuple(group) for group in head[fields.index("same_words")])
    return Knowledge(
        Header(*head),
        {key: Condition(row[0], row[1], row[2], _tuples(row[3]), row[4], row[5]) for key, row in data[1].items()},
        {key: _finding(row) for key, row in data[2].items()},
        {key: Caution(row[0], row[1], row[2], tuple(row[3]), tuple(row[4]), *row[5:]) for key, row in data[3].items()},
        {key: _cause(row) for key, row in data[4].items()},
    )


def _tuples(mapping: dict[str, list[Any]]) -> dict[str, tuple[Any, ...]]:
    return {key: tuple(value) for key, value in mapping.items()}


def _finding(row: list[Any]) -> Finding:
    (id_, kind, title, area, ask, levels, meanings, leak, file, line, salience, alarm, phrases, cautions, how, who, tools,
     set_ups, minutes, method, reading, needs, see, only_for, settles) = row
    bands = Reading(reading[0], reading[1], reading[2], _tuples(reading[3])) if reading else None
    return Finding(id_, kind, title, area, ask, tuple(levels), tuple(meanings), tuple(leak), file, line, salience, alarm,
                   tuple((level, words) for level, words in phrases), tuple(cautions), _tuples(how), tuple(who),
                   tuple(tuple(some) for some in tools), tuple(set_ups), minutes, method, bands, needs, tuple(see),
                   _tuples(only_for), tuple(settles))


def _cause(row: list[Any]) -> Cause:
    (id_, title, area, description, origin, prior, brings, links, needs, remedy, answers_for, safety, source, see, file,
     line) = row
    summary, steps, minutes, set_ups, bring, who, by_phone, how, verified, cautions = remedy
    return Cause(id_, title, area, description, origin, prior, brings, _tuples(links), tuple(needs),
                 Remedy(summary, tuple(steps), minutes, tuple(set_ups), tuple(bring), tuple(who), by_phone, how, verified,
                        tuple(cautions)),
                 answers_for, safety, source, tuple(see), file, line)


def as_data(value: Any) -> Any:
    """Records as plain mappings and lists, for JSON; a number that is not finite becomes null."""
    if hasattr(value, "_asdict"):
        value = value._asdict()
    if isinstance(value, dict):
        return {name: as_data(item) for name, item in value.items()}
    if isinstance(value, list | tuple):
        return [as_data(item) for item in value]
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    return value
