"""YAML files of one network -> frozen records, every error with file and line."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

from diagnose import source
from diagnose.records import (
    ALARMS,
    BY_PHONE,
    CHECK,
    CIRCUMSTANCE,
    METHODS,
    PEOPLE,
    REPORT,
    SAFETY_CLASSES,
    SECTION_OF,
    UNKNOWN,
    Cause,
    Caution,
    Condition,
    Finding,
    Header,
    Knowledge,
    Meter,
    Reading,
    Remedy,
    SetUp,
    Unlisted,
)
from diagnose.source import Fields, InputError, Node, Problem, complaint

SECTIONS = ("network", "conditions", "reports", "checks", "circumstances", "cautions", "causes")
UNITS = ("V", "mV", "A", "mA", "ohm", "kohm", "K", "C", "min", "h", "days", "Ah", "bar", "mm", "%")
DEFAULT_NETWORK = "head_unit"
RESERVED = ("unlisted",)  # the cause that the program adds itself
MOST_PROBLEMS = 200  # reading stops there: the file is another sort of file

_ID = re.compile(r"[a-z][a-z0-9_]*")
_CHECK_METHODS = tuple(method for method in METHODS if method != "volunteered")  # nobody volunteers a check


def networks_folder() -> Path:
    """The folder of the networks that come with the program (inside the wheel, or beside the package in a checkout)."""
    here = Path(__file__).resolve().parent
    inside = here / "networks"
    return inside if inside.is_dir() else here.parent / "networks"


def find_network(name: str) -> Path:
    """The folder of a network, given its name or a path; InputError if there is none."""
    folder = networks_folder()
    known = sorted(p.name for p in folder.iterdir() if (p / "network.yaml").is_file()) if folder.is_dir() else []
    if name in known:
        return folder / name
    path = Path(name)
    try:
        if (path / "network.yaml").is_file():
            return path
        if path.is_dir():
            raise complaint(f"the folder {name!r} holds no network.yaml", "name a network or its folder", key="network")
    except OSError as error:
        raise complaint(f"the network {name[:60]!r} cannot be opened ({error.strerror})", source.nearest(name, known),
                        key="network") from error
    raise complaint(f"there is no network {name[:60]!r}", source.nearest(name, known), key="network")


def network_files(folder: Path) -> list[Path]:
    """The YAML files of a network in sorted order; hidden files (an editor's) do not count."""
    try:
        return sorted(path for path in folder.iterdir() if path.suffix == ".yaml" and not path.name.startswith("."))
    except OSError as error:
        raise complaint(f"cannot be listed ({error.strerror})", "check its rights", file=str(folder)) from error


def load_knowledge(folder: Path) -> Knowledge:
    """All records of the network in ``folder``.

    Raises InputError with every Problem found, in file order: what one file gets wrong, ids that do not exist,
    probabilities outside 0..1, level names that do not exist.
    """
    problems: list[Problem] = []
    sections: dict[str, dict[str, tuple[Node, str]]] = {name: {} for name in SECTIONS}
    for path in network_files(folder):
        _gather(path, sections, problems)
    if not sections["network"] and not problems:  # else it may stand in a file that could not be read
        problems.append(Problem(str(folder), 0, "network", "no file has the key 'network'", "add network.yaml"))
    if problems:
        raise InputError(problems)
    header = _header(*sections["network"]["network"], problems)
    if header is None:
        raise InputError(problems)
    reader = _Reader(header, sections, problems)
    cautions = reader.each("cautions", reader.caution)
    findings = reader.findings
    for kind, section in SECTION_OF.items():
        for name, record in reader.each(section, lambda f, n, k=kind: reader.finding(f, n, k)).items():  # type: ignore[misc]
            if name in findings:
                problems.append(Problem(record.file, record.line, name, f"{name!r} is also a {findings[name].kind}",
                                        "rename one of them"))
            findings[name] = record
    reader.names_that_clash()
    conditions = reader.each("conditions", reader.condition)
    causes = reader.each("causes", reader.cause)
    if problems:
        raise InputError(problems)
    return Knowledge(header, *(dict(sorted(part.items())) for part in (conditions, findings, cautions, causes)))


def _gather(path: Path, sections: dict[str, dict[str, tuple[Node, str]]], problems: list[Problem]) -> None:
    name = str(path)
    try:
        root = source.read_yaml(path, shown_as=name)
    except InputError as error:
        problems.extend(error.problems)
        return
    unknown = [section for section in root.value if section not in SECTIONS]
    if (more := len(unknown) - source.MOST_UNKNOWN_KEYS) > 0:
        problems.append(Problem(name, 0, "", f"{more:,} more sections are not known here", "remove them"))
    for section in [*(section for section in root.value if section in SECTIONS), *unknown[:source.MOST_UNKNOWN_KEYS]]:
        node, line = root.value[section], (root.keys or {})[section]
        if section not in SECTIONS:
            problems.append(Problem(name, line, section, f"the section {section!r} is not known",
                                    source.nearest(section, SECTIONS)))
        elif not isinstance(node.value, dict):
            problems.append(Problem(name, line, section, f"a mapping is wanted, here is a {node.kind}",
                                    "write 'id:' lines below"))
        elif section == "network":
            if sections[section]:
                problems.append(Problem(name, line, section, "a second 'network' section", "keep one"))
            sections[section]["network"] = (node, name)
        else:
            for key, record in node.value.items():
                at = (node.keys or {})[key]
                if not _ID.fullmatch(key):
                    problems.append(Problem(name, at, section, f"{key[:60]!r} is no snake_case id",
                                            "use small letters, digits and _, a letter first"))
                if key in sections[section]:
                    other, file = sections[section][key]
                    problems.append(Problem(name, at, f"{section}.{key}", f"{key!r} stands also in "
                                            f"{Path(file).name}:{other.line}", "keep one of them"))
                sections[section][key] = (Node(record.value, at, record.keys), name)


def _header(node: Node, file: str, problems: list[Problem]) -> Header | None:
    before = len(problems)
    top = Fields(node, file, "network", problems)
    texts = {key: top.text(key, required=True) for key in ("id", "title", "version", "object", "notice")}
    areas = _labels(top, "areas")
    defaults = top.fields("defaults", required=True)
    numbers = {"brings": 0.9, "leak": 0.005, "salience": 0.6, "strength": 20.0}
    if defaults:
        for key in numbers:
            numbers[key] = defaults.number(key, numbers[key], low=0.1 if key == "strength" else 0,
                                          high=1e6 if key == "strength" else 1)
        defaults.done()
    unlisted = Unlisted("", 0.0, 0.0)
    if extra := top.fields("unlisted", required=True):
        unlisted = Unlisted(extra.text("title", required=True), extra.number("prior", low=0, high=1, required=True),
                            extra.number("link", low=0, high=1, required=True))
        extra.done()
    stop = top.fields("stop_threshold", required=True)
    limits = ("alarm", "otherwise", "asked", "do_not_use")
    thresholds = {key: stop.number(key, 0.05, low=0, high=1, required=True) for key in limits} if stop else {}
    if stop:
        stop.done()
    advice = _labels(top, "advice")
    for name in (*SAFETY_CLASSES, UNKNOWN):
        if name not in advice:
            top.complain("advice", f"there is no advice for the class {name!r}", "add it")
    people = _labels(top, "people")
    for name in PEOPLE:
        if name not in people:
            top.complain("people", f"{name!r} is missing", "add who that is")
    reliability = _reliability(top, people)
    set_ups: dict[str, SetUp] = {}
    for name, item in top.items("set_ups"):
        one = Fields(item, file, f"network.set_ups.{name}", problems)
        set_ups[name] = SetUp(one.text("title", required=True), one.number("minutes", low=0, high=10_000, required=True),
                              one.words("who", PEOPLE, required=True))
        one.done()
    meters: dict[str, Meter] = {}
    for name, item in top.items("meters"):
        one = Fields(item, file, f"network.meters.{name}", problems)
        meters[name] = Meter(one.word("unit", UNITS, required=True), one.number("relative", low=0, high=1, required=True),
                             one.number("digits", low=0, high=100), one.number("resolution", low=1e-9, high=1e6, required=True),
                             one.number("lowest", low=-1e9, high=1e9, required=True),
                             one.number("highest", low=-1e9, high=1e9, required=True))
        if meters[name].lowest >= meters[name].highest and one.has("highest"):
            one.complain("highest", "it is not above 'lowest'", "give the largest reading that makes sense")
        one.done()
    answers_for, tools, parts = (_labels(top, key) for key in ("answers_for", "tools", "parts"))
    first = top.words("first_checks")
    returned = top.words("returned_parts", parts)
    same_words = tuple(tuple(word.strip().lower() for word in line.split(",")) for line in top.words("same_words"))
    top.done()
    if len(problems) > before:
        return None
    return Header(texts["id"], texts["title"], texts["version"], texts["object"], areas, numbers["brings"],
                  numbers["leak"], numbers["salience"], numbers["strength"], unlisted, thresholds, advice,
                  texts["notice"], first, people, reliability, answers_for, tools, set_ups, meters, parts, returned,
                  same_words, file, node.line)


def _labels(top: Fields, key: str) -> dict[str, str]:
    one = top.fields(key, required=key in ("areas", "advice", "people", "answers_for"))
    if one is None:
        return {}
    found = {name: one.text(name, required=True) for name in one.node.value}
    one.done()
    return found


def _reliability(top: Fields, people: dict[str, str]) -> dict[str, dict[str, tuple[float, float]]]:
    table: dict[str, dict[str, tuple[float, float]]] = {}
    for who, row in top.items("reliability", required=True):
        if who not in people:
            top.complain("reliability", f"{who!r} is not one of the people", source.nearest(who, people))
            continue
        one = Fields(row, top.file, f"network.reliability.{who}", top.problems)
        table[who] = {}
        for method in METHODS:
            node = one.get(method, required=True)
            if node is None or not isinstance(node.value, list) or len(node.value) != 2:
                if one.has(method):
                    one.complain(method, "two probabilities are wanted", "write [right when it is so, right when it is not]")
                continue
            sensitivity, specificity = (one.number_of(item, method, 0.9, low=0, high=1) for item in node.value)
            if sensitivity + specificity <= 1:
                one.complain(method, "the two add up to 1 or less, so the answer would mean its opposite", "raise them")
            table[who][method] = (sensitivity, specificity)
        one.done()
    for who in people:
        if who not in table:
            top.complain("reliability", f"there is no row for {who!r}", "add it")
    return table


class _Reader:
    """Reads the records of all sections against the ids that exist."""

    def __init__(self, header: Header, sections: dict[str, dict[str, tuple[Node, str]]], problems: list[Problem]) -> None:
        self.header = header
        self.sections = sections
        self.problems = problems
        self.findings: dict[str, Finding] = {}

    def each(self, section: str, build: Callable[[Fields, str], Any]) -> dict[str, Any]:
        found = {}
        for name, (node, file) in self.sections[section].items():
            fields = Fields(node, file, f"{section}.{name}", self.problems)
            found[name] = build(fields, name)
            fields.done()
            if len(self.problems) >= MOST_PROBLEMS:
                raise InputError([*self.problems[:MOST_PROBLEMS], Problem("", 0, "", "too many problems to go on",
                                                                          "mend these first")])
        return found

    def names_that_clash(self) -> None:
        """Complain of causes that carry the name of a finding, or one that the program uses itself."""
        for name, (node, file) in self.sections["causes"].items():
            if name in self.findings or name in RESERVED:
                other = f"also a {self.findings[name].kind}" if name in self.findings else "used by the program itself"
                self.problems.append(Problem(file, node.line, f"causes.{name}", f"{name!r} is {other}", "rename the cause"))

    def caution(self, fields: Fields, name: str) -> Caution:
        return Caution(name, fields.text("title", required=True), fields.text("text", required=True),
                       tuple(word.lower() for word in fields.words("triggers")), fields.words("forbidden_to", PEOPLE),
                       fields.file, fields.node.line, fields.text("briefly"))

    def finding(self, fields: Fields, name: str, kind: str) -> Finding:
        levels, meanings = self._levels(fields, kind)
        title = fields.text("title", required=True)
        area = fields.word("area", self.header.areas, required=True)
        ask = fields.text("ask", required=True)
        if ask and not ask.endswith("?"):
            fields.complain("ask", "the question does not end with '?'", "make it a question")
        one = Finding(name, kind, title, area, ask, levels, meanings, (), fields.file, fields.node.line,
                      see=fields.words("see"), cautions=fields.words("cautions", self.sections["cautions"]))
        if kind == CIRCUMSTANCE:
            if len(levels) > 2:
                fields.complain("levels", f"a circumstance has two levels, here are {len(levels)}", "keep two")
            return one._replace(leak=(fields.number("base_rate", 0.5, low=0, high=1, required=True),),
                                who=fields.words("who", PEOPLE), phrases=self._phrases(fields, "phrases", levels))
        one = one._replace(leak=self._leak(fields, levels), needs=self._needs(fields), alarm=self._alarm(fields, levels),
                           settles=fields.words("settles", sorted(self.sections["reports"].keys() - {name})))
        if kind == REPORT:
            phrases = tuple((levels[-1], words) for words in fields.words("phrases", required=True))
            phrases += tuple((levels[0], words) for words in fields.words("normal_phrases"))
            return one._replace(salience=fields.number("salience", self.header.salience, low=0, high=1), phrases=phrases)
        return self._check(fields, one._replace(phrases=self._phrases(fields, "phrases", levels)))

    def _check(self, fields: Fields, check: Finding) -> Finding:
        how: dict[str, tuple[str, ...]] = {}
        if one := fields.fields("how", required=True):
            how = {person: steps for person in PEOPLE if (steps := one.words(person))}
            one.done()
        who = fields.words("who", PEOPLE, required=True)
        for person in who:
            if not how.get(person) and not (person == "workshop" and how.get("fitter")):
                fields.complain("how", f"no steps for the {person}, who is named in 'who'", f"add how.{person}")
        tools = [tuple(word.strip() for word in item.split(" or ")) for item in fields.words("tools")]
        for tool in (tool for choice in tools for tool in choice if tool not in self.header.tools):
            fields.complain("tools", f"the tool {tool!r} is not known", source.nearest(tool, self.header.tools))
        only: dict[str, tuple[str, ...]] = {}
        if own := fields.fields("cautions_for"):
            for person in PEOPLE:
                only |= {name: (*only.get(name, ()), person) for name in own.words(person, self.sections["cautions"])}
            own.done()
        for name in sorted({*check.cautions} & only.keys()):
            fields.complain("cautions_for", f"{name!r} is among the cautions for everybody too", "keep one of the two")
        return check._replace(
            cautions=(*check.cautions, *only), only_for=only, how=how, who=who, tools=tuple(tools),
            set_ups=fields.words("set_ups", self.header.set_ups), reading=self._reading(fields, check.levels),
            minutes=fields.number("minutes", low=0, high=10_000, required=True),
            method=fields.word("method", _CHECK_METHODS, "look", required=True))

    def _needs(self, fields: Fields) -> dict[str, str]:
        """Circumstance -> level that must hold."""
        return {name: fields.word_of(node, f"needs.{name}", self._level_names(name), "yes")
                for name, node in fields.items("needs") if self._known(fields, "needs", name, node, "circumstances")}

    def _alarm(self, fields: Fields, levels: tuple[str, ...]) -> dict[str, str]:
        """Level -> alarm; a bare word is meant for the highest level."""
        node = fields.get("alarm")
        if node is None:
            return {}
        if not isinstance(node.value, dict):
            return {levels[-1]: fields.word_of(node, "alarm", ALARMS)}
        return {fields.word_of(Node(level, item.line), "alarm", levels): fields.word_of(item, f"alarm.{level}", ALARMS)
                for level, item in node.value.items()}

    def _known(self, fields: Fields, key: str, name: str, node: Node, section: str) -> bool:
        if name in self.sections[section]:
            return True
        self.problems.append(Problem(fields.file, node.line, f"{fields.path}.{key}",
                                     f"{name!r} is not one of the {section}", source.nearest(name, self.sections[section])))
        return False

    def _level_names(self, circumstance: str) -> tuple[str, ...]:
        """The level names of a circumstance, which may not have been read yet."""
        given = self.sections["circumstances"][circumstance][0].value
        levels = given.get("levels") if isinstance(given, dict) else None
        return tuple(levels.value) if levels is not None and isinstance(levels.value, dict) else ("no", "yes")

    def _levels(self, fields: Fields, kind: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
        items = fields.items("levels", required=kind == CHECK)
        if not items:
            return ("no", "yes"), ("does not show", "shows")
        one = Fields(Node(dict(items), fields.line("levels"), {}), fields.file, f"{fields.path}.levels", self.problems)
        if len(items) < 2:
            fields.complain("levels", "there is only one level", "name at least two, the normal one first")
        for name, node in items:
            if not _ID.fullmatch(name):
                fields.complain("levels", f"{name[:60]!r} is no plain word", "use small letters, digits and _", line=node.line)
        return tuple(name for name, _ in items), tuple(one.text(name, required=True) for name, _ in items)

    def _leak(self, fields: Fields, levels: tuple[str, ...]) -> tuple[float, ...]:
        above = levels[1:]
        share = self.header.leak / max(len(above), 1)
        node = fields.get("leak")
        if node is None:
            return tuple(share for _ in above)
        if not isinstance(node.value, dict):
            if len(above) > 1:
                fields.complain("leak", "this finding has several levels", "write {level: probability}")
            return (fields.number("leak", self.header.leak, low=0, high=1),) * len(above)
        given = self._by_level(fields, "leak", node, levels)
        leak = tuple(given.get(name, share) for name in above)
        if sum(given.values()) <= 1 < sum(leak) - 1e-9:
            fields.complain("leak", f"with {share:g} for each level not named it adds up to {sum(leak):g}", "keep the sum at 1")
        return leak

    def _by_level(self, fields: Fields, key: str, node: Node, levels: tuple[str, ...]) -> dict[str, float]:
        given: dict[str, float] = {}
        for name, item in node.value.items():
            if name not in levels[1:]:
                reason = "is level 0: what is left over goes there" if name == levels[0] else "is no level of it"
                self.problems.append(Problem(fields.file, item.line, f"{fields.path}.{key}", f"{name!r} {reason}",
                                             f"levels above 0: {', '.join(levels[1:])}"))
                continue
            given[name] = fields.number_of(item, f"{key}.{name}", low=0, high=1)
        if sum(given.values()) > 1 + 1e-9:
            self.problems.append(Problem(fields.file, node.line, f"{fields.path}.{key}", "the probabilities add up to "
                                         f"{sum(given.values()):g}", "keep the sum at 1 or below"))
        return given

    def _phrases(self, fields: Fields, key: str, levels: tuple[str, ...]) -> tuple[tuple[str, str], ...]:
        one = fields.fields(key)
        if one is None:
            return ()
        found = []
        for name in one.node.value:
            if name not in levels:
                one.complain(name, f"{name!r} is no level of it", source.nearest(name, levels))
            found += [(name, words) for words in one.words(name)]
        one.done()
        return tuple(found)

    def _reading(self, fields: Fields, levels: tuple[str, ...]) -> Reading | None:
        one = fields.fields("reading")
        if one is None:
            return None
        unit = one.word("unit", UNITS, required=True)
        meter = one.word("meter", self.header.meters, required=True)
        if meter and unit and self.header.meters[meter].unit != unit:
            one.complain("unit", f"the meter {meter!r} reads {self.header.meters[meter].unit}, not {unit}", "make them agree")
        bands: dict[str, tuple[float, float]] = {}
        if one.has("bands") and one.node.value["bands"].value == {}:
            one.complain("bands", "there is no band", "write level: [low, high]")
        for name, node in one.items("bands", required=True):
            if name not in levels:
                one.complain("bands", f"{name!r} is no level of this check", source.nearest(name, levels), line=node.line)
            elif not isinstance(node.value, list) or len(node.value) != 2:
                one.complain("bands", f"the band of {name!r} has no two ends", "write it as [low, high]", line=node.line)
            else:
                before = len(self.problems)
                low, high = (one.number_of(item, f"bands.{name}") for item in node.value)
                if not low < high and len(self.problems) == before:
                    one.complain("bands", f"the band of {name!r} is empty: {low:g} to {high:g}", "write it as [low, high]",
                                 line=node.line)
                bands[name] = (low, high)
        if bands and meter:
            self._covered(one, sorted(bands.values()), meter)
        quantity = one.text("quantity", required=True)
        one.done()
        return Reading(unit, quantity, meter, bands)

    def _covered(self, reading: Fields, bands: list[tuple[float, float]], name: str) -> None:
        """Complain of a gap between bands, where a number would fit no level, and of bands beyond the meter."""
        meter = self.header.meters[name]
        reached = bands[0][1]
        for low, high in bands[1:]:
            if low > reached:
                reading.complain("bands", f"a reading between {reached:g} and {low:g} {meter.unit} fits no level",
                                 "let the bands meet or overlap")
            reached = max(reached, high)
        if bands[0][0] < meter.lowest or reached > meter.highest:
            reading.complain("bands", f"they run from {bands[0][0]:g} to {reached:g}, the meter {name!r} from "
                             f"{meter.lowest:g} to {meter.highest:g} {meter.unit}", "keep the bands within the meter")

    def _links(self, fields: Fields, key: str) -> dict[str, tuple[float, ...]]:
        links: dict[str, tuple[float, ...]] = {}
        for name, node in fields.items(key):
            finding = self.findings.get(name)
            if finding is None:
                self.problems.append(Problem(fields.file, node.line, f"{fields.path}.{key}", f"there is no finding {name!r}",
                                             source.nearest(name, self.findings)))
                continue
            if isinstance(node.value, dict):
                given = self._by_level(fields, f"{key}.{name}", node, finding.levels)
            else:
                given = {finding.levels[-1]: fields.number_of(node, f"{key}.{name}", low=0, high=1)}
            links[name] = tuple(given.get(level, 0.0) for level in finding.levels[1:])
        return links

    def condition(self, fields: Fields, name: str) -> Condition:
        return Condition(name, fields.text("title", required=True), fields.text("description", required=True),
                         self._links(fields, "shows"), fields.file, fields.node.line)

    def cause(self, fields: Fields, name: str) -> Cause:
        brings: dict[str, float] = {}
        for condition, node in fields.items("brings"):
            if self._known(fields, "brings", condition, node, "conditions"):
                default = node.value in ("", "~", "null")
                brings[condition] = (self.header.brings if default
                                     else fields.number_of(node, f"brings.{condition}", low=0, high=1))
        before = len(self.problems)
        answers: dict[str, float] = {}
        for who, node in fields.items("answers_for", required=True):
            if fields.word_of(Node(who, node.line), "answers_for", self.header.answers_for):
                answers[who] = fields.number_of(node, f"answers_for.{who}", low=0, high=1)
        if abs(sum(answers.values()) - 1) > 1e-6 and len(self.problems) == before:
            fields.complain("answers_for", f"the shares add up to {sum(answers.values()):g}", "make them add up to 1")
        return Cause(
            name, fields.text("title", required=True), fields.word("area", self.header.areas, required=True),
            fields.text("description", required=True), fields.text("origin", required=True),
            fields.number("prior", low=0, high=1, required=True), brings, self._links(fields, "links"),
            fields.words("needs", self.sections["circumstances"]), self._remedy(fields), answers,
            fields.word("safety", SAFETY_CLASSES, "normal", required=True), fields.text("source", required=True),
            fields.words("see"), fields.file, fields.node.line)

    def _remedy(self, fields: Fields) -> Remedy:
        one = fields.fields("remedy", required=True)
        if one is None:
            return Remedy("", (), 0.0, (), (), (), "no", "", "", ())
        by_phone = one.word("by_phone", BY_PHONE, "no", required=True)
        how = one.text("by_phone_how")
        if by_phone != "no" and not how:
            one.complain("by_phone", f"by_phone is {by_phone!r} but nothing says how", "add by_phone_how")
        remedy = Remedy(
            one.text("summary", required=True), one.words("steps", required=True),
            one.number("minutes", low=0, high=10_000, required=True), one.words("set_ups", self.header.set_ups),
            one.words("bring", self.header.parts), one.words("who", PEOPLE, required=True), by_phone, how,
            one.text("verified", required=True), one.words("cautions", self.sections["cautions"]))
        one.done()
        return remedy
