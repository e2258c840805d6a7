"""The pages: what they show is what was reckoned, nothing in a case can become markup, and they need nothing but themselves.

The rules for pages are those of WCAG 2.2 (W3C Recommendation, 2023), named beside the checks.
"""

from __future__ import annotations

import itertools
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

from diagnose import case as cases
from diagnose import maps, pages
from diagnose.caserecord import CLOSED, Case, CaseAnswer, Note, RemedyTried
from diagnose.cli import run
from diagnose.evidence import Answer, read_evidence
from diagnose.exchange import export_case, export_model
from diagnose.explain import History, Moment
from diagnose.network import Opened, flatten
from diagnose.posterior import infer
from diagnose.reasons import reasons_of
from diagnose.session import standing
from diagnose.triage import percent

AT = "2026-11-25T09:30:00+00:00"
LOG = Path(__file__).resolve().parent.parent / "cases"
TEMPLATES = Path(pages.__file__).parent / "templates"
HOSTILE = '</title><script>alert(1)</script><img src=x onerror=alert(1)> {{ 7*7 }} {% raw %} "\'&amp; \x1b[31mred\x07 \u202egnp'
VOID = {"meta", "br", "img", "link", "input", "hr"}

class Page(HTMLParser):
    """A page taken apart: tags with attributes and the tags they stand in, text by tag, whether every tag is closed."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str], tuple[str, ...]]] = []
        self.open: list[tuple[str, bool]] = []
        self.text: list[tuple[str, str]] = []
        self.hidden_from_readers: list[bool] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        hidden = given.get("aria-hidden") == "true" or any(one for _, one in self.open)
        self.tags.append((tag, given, tuple(name for name, _ in self.open)))
        self.hidden_from_readers.append(hidden)
        if tag not in VOID:
            self.open.append((tag, hidden))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open and self.open[-1][0] == tag, f"</{tag}> closes {self.open[-1:]}"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        if data.strip():
            self.text.append((self.open[-1][0] if self.open else "", " ".join(data.split())))

    def words(self) -> str:
        return " ".join(data for tag, data in self.text if tag != "style")


def case_of(opened: Opened, *answers: tuple[str, str], **more: object) -> Case:
    header = opened.knowledge.header
    case = Case("20261125-0930", AT, header.id, header.version, "job-7")
    for finding, level in answers:
        who, method = ("customer", "volunteered") if opened.knowledge.findings[finding].kind == "report" else ("fitter", None)
        case = cases.with_answer(case, CaseAnswer(finding, level, who, method, True, None, "", AT))
    return case._replace(**more)  # type: ignore[arg-type]


FEEDS = (("forgets_at_key_off", "yes"), ("memory_feed_key_off", "dead"), ("switched_feed_key_off", "live"))


def both_pages(opened: Opened, case: Case) -> tuple[str, str]:
    now = standing(opened, case)
    reasons = reasons_of(opened, now.evidence, now.posterior, draws=5)
    return pages.report_page(opened, case, now.triage, reasons), pages.customer_page(opened, case, now.triage)


CLOSING = {"status": CLOSED, "closed": AT, "confirmed": ("feeds_exchanged",), "fully_put_right": True,
           "verified": "two key-offs, stations kept", "minutes": 25.0, "parts": ("bullets",)}


@pytest.fixture(scope="module")
def made(head_unit: Opened) -> dict[str, str]:
    """Pages of an open case, of a closed one, and of one in which nothing was said."""
    found = {}
    for name, case in (("open", case_of(head_unit, *FEEDS)), ("closed", case_of(head_unit, *FEEDS, **CLOSING)),
                       ("empty", case_of(head_unit)), ("danger", case_of(head_unit, ("smell_smoke_heat", "smell_or_smoke")))):
        found[f"{name} report"], found[f"{name} customer"] = both_pages(head_unit, case)
    for name in ("aerial", "memory_feed_key_off", "feeds_exchanged"):
        found[f"network {name}"] = pages.network_page(head_unit, name)
    found["network overview"] = pages.overview_page(head_unit)
    return found


def test_pages_need_nothing_but_themselves(made: dict[str, str]) -> None:
    for name, text in made.items():
        for tag, attributes, _ in Page(text).tags:
            assert tag not in ("script", "link", "iframe", "img", "object", "embed", "base", "form", "a"), name
            assert not {"src", "href", "srcset", "style"} & set(attributes) and not any(a.startswith("on") for a in attributes)
        assert not re.search(r"https?:|//|url\(|@import", text), name
        assert "default-src 'none'" in text


def test_pages_are_built_as_readers_need_them(made: dict[str, str]) -> None:
    """WCAG 2.2: 3.1.1 language, 2.4.2 title, 1.3.1 headings and header cells, 1.1.1 a text for every picture."""
    for name, text in made.items():
        page = Page(text)
        assert text.startswith("<!DOCTYPE html>") and not page.open, name
        assert ("html", {"lang": "en"}, ()) in page.tags
        assert any(tag == "title" and words for tag, words in page.text)
        heads = [int(tag[1]) for tag, _, _ in page.tags if re.fullmatch("h[1-6]", tag)]
        assert heads[0] == 1 and heads.count(1) == 1
        assert all(after <= before + 1 for before, after in itertools.pairwise(heads)), name
        identities = {attributes["id"] for _, attributes, _ in page.tags if "id" in attributes}
        for (tag, attributes, _), hidden in zip(page.tags, page.hidden_from_readers, strict=True):
            if tag == "svg" and not hidden:
                assert attributes["role"] == "img" and set(attributes["aria-labelledby"].split()) <= identities
            if tag == "th":
                assert attributes.get("scope") in ("col", "row", "rowgroup")


def colours(css: str) -> list[dict[str, str]]:
    """The sets of colours of the style sheet: one for each :root."""
    return [dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", block)) for block in re.findall(r":root \{(.*?)\}", css, re.S)]


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_contrast_by_day_by_night_and_on_paper() -> None:
    """WCAG 2.2: 1.4.3 asks 4.5 for text; 1.4.11 asks 3 for pictures, which these exceed as well."""
    assert contrast("#ffffff", "#000000") == pytest.approx(21)
    css = (TEMPLATES / "base.html").read_text(encoding="utf-8")
    sets = colours(css)
    assert len(sets) == 3 and "prefers-color-scheme: dark" in css and "@media print" in css
    for one in sets:
        for name, colour in one.items():
            if name not in ("paper", "edge"):
                assert contrast(colour, one["paper"]) >= 4.5, (name, colour)
    assert luminance(sets[1]["paper"]) < 0.05 < luminance(sets[2]["paper"])


def test_paper_and_telephone(made: dict[str, str]) -> None:
    for text in made.values():
        assert "size: A4" in text and 'content="width=device-width, initial-scale=1"' in text


def test_nothing_in_a_case_becomes_markup(head_unit: Opened) -> None:
    def pages_with(words: str) -> tuple[str, str]:
        return both_pages(head_unit, case_of(
            head_unit, *FEEDS, reference=words, notes=(Note(AT, words),), status=CLOSED, closed=AT, unlisted=words,
            fully_put_right=True, verified=words, parts=(words,),
            remedies=(RemedyTried("feeds_exchanged", "cured", AT, "fitter", note=words, answers_before=3),)))

    for text, tame in zip(pages_with(HOSTILE), pages_with("words"), strict=True):
        page = Page(text)
        assert not page.open and page.tags == Page(tame).tags, "the same tags and attributes as with harmless words"
        assert "<script>alert(1)</script>" in page.words() and "{{ 7*7 }}" in page.words(), "shown as text"
        assert "<script" not in text and "<img" not in text and " 49 " not in page.words()
        assert not set(text) & {"\x1b", "\x07", "\u202e"}


def test_hostile_words_in_the_files_stay_words(doorbell: Opened) -> None:
    knowledge = doorbell.knowledge
    causes = {name: cause._replace(title=HOSTILE, description=HOSTILE) for name, cause in knowledge.causes.items()}
    opened = doorbell._replace(knowledge=knowledge._replace(causes=causes))
    for text in both_pages(opened, case_of(opened, ("silent", "yes"))):
        assert "<script" not in text and "<img" not in text and not Page(text).open and "\x1b" not in text


def test_the_chart_is_drawn_from_the_data(head_unit: Opened) -> None:
    told = History(("a", "b"), ("A", "B"), (Moment("", "", "", (0.0, 1.0)), Moment("f", "F", "yes", ()),
                                           Moment("g", "G", "yes", (0.25, 0.5)), Moment("h", "H", "no", (1.0, 0.0))))
    chart = pages.chart_of(told)
    assert chart is not None

    def points(part: str) -> list[tuple[float, float]]:
        return [(float(x), float(y)) for x, y in (point.split(",") for point in part.split())]

    first, rest = (points(part) for part in chart.lines[0].parts)
    height = pages.BOTTOM - pages.TOP
    assert [y for _, y in first + rest] == pytest.approx([pages.BOTTOM - height * p for p in (0, 0.25, 1)], abs=0.06)
    assert rest[0][0] - first[0][0] == pytest.approx(2 * (rest[1][0] - rest[0][0]), abs=0.11), "a gap where nothing can be true"
    assert chart.words == "A: from 0 % to 100 %; B: from 100 % to 0 %"
    assert pages.chart_of(History((), (), told.moments)) is None
    assert pages.chart_of(History(("a",), ("A",), told.moments[:1])) is None


def test_labels_at_the_ends_of_lines_keep_apart() -> None:
    moved = pages._spread([189.0, 190.0, 188.0, 20.0, 190.0])
    assert sorted(moved) == pytest.approx([20, 154, 166, 178, 190])
    assert moved[2] < moved[0] < moved[1]


def test_the_report_shows_what_was_reckoned(head_unit: Opened, made: dict[str, str]) -> None:
    case = case_of(head_unit, *FEEDS)
    now = standing(head_unit, case)
    reasons = reasons_of(head_unit, now.evidence, now.posterior, draws=5)
    words = Page(made["open report"]).words()
    for one in now.triage.ranking:
        assert f"{percent(one.p)} {one.title}" in words
    assert reasons.weights is not None
    for weight in reasons.weights.answers:
        assert f"{weight.alone:+.1f} {weight.title}" in words
    for caution in now.triage.advice.cautions:
        assert caution.title in words and caution.text in words
    remedy = head_unit.knowledge.causes[reasons.cause].remedy
    assert all(step in words for step in (remedy.summary, *remedy.steps)) and now.triage.notice in words
    assert made["open report"].count("<polyline") == len(reasons.history.causes)


def test_two_causes_that_are_there_together_both_have_their_remedy(head_unit: Opened) -> None:
    case = case_of(head_unit, *FEEDS, ("fm_weak", "yes"), ("aerial_supply_volts", "none"))
    text, _ = both_pages(head_unit, case)
    words = Page(text).words()
    for name in ("feeds_exchanged", "aerial_amplifier_unsupplied"):
        remedy = head_unit.knowledge.causes[name].remedy
        assert remedy.summary in words and all(step in words for step in remedy.steps)
    assert "Memory and switched feeds exchanged + Amplified aerial without its supply" in words
    caution = words.index("Twelve volts can start a fire")
    assert caution < words.index(head_unit.knowledge.causes["feeds_exchanged"].remedy.steps[0]), "before the steps"


def test_no_line_ends_between_a_number_and_its_unit(made: dict[str, str]) -> None:
    for name, text in made.items():
        assert not re.search(r">[^<]*\d [%V][^<]*<", text.partition("</style>")[2]), name
        assert "network" not in name or "\N{NO-BREAK SPACE}%" in text or name == "network overview"


def test_the_customer_reads_nothing_of_the_inner_workings(head_unit: Opened, made: dict[str, str]) -> None:
    knowledge = head_unit.knowledge
    case = case_of(head_unit, *FEEDS, notes=(Note(AT, "the customer was rude"),), **CLOSING)
    _, text = both_pages(head_unit, case)
    for words in (text, made["open customer"], made["danger customer"]):
        body = Page(words).words()
        assert not re.search(r"\d %|deciban|prior|posterior|evidence|\bbit\b|rude|probab", body)
        assert not any(name in words for name in [*knowledge.causes, *knowledge.findings] if "_" in name)
        assert not any(label in body for label in knowledge.header.answers_for.values())
        assert knowledge.header.notice in body


def test_the_customer_reads_what_was_wrong_what_was_done_and_what_to_mind(head_unit: Opened, made: dict[str, str]) -> None:
    cause = head_unit.knowledge.causes["feeds_exchanged"]
    words = Page(made["closed customer"]).words()
    assert cause.title in words and cause.description in words and cause.remedy.summary in words
    assert "What was wrong" in words and "two key-offs, stations kept" in words and "Everything worked again" in words
    assert head_unit.knowledge.findings["forgets_at_key_off"].title in words, "the surest report of the cause"
    assert head_unit.knowledge.findings["stays_on_key_out"].title not in words, "a report it hardly ever brings"
    still = Page(made["open customer"]).words()
    assert "What may be wrong" in still and "very likely" in still and "Nothing has been changed" in still
    danger = Page(made["danger customer"]).words()
    assert "Stop now. " + head_unit.knowledge.header.advice["stop_now"] in danger and "Stop now" not in still
    cautions = head_unit.knowledge.cautions
    assert danger.index(cautions["smell_smoke_heat_stop"].text) < danger.index(cautions["safety_fuses_hands_off"].text)


@pytest.mark.parametrize(("more", "told"), [({"confirmed": (), "not_found": True}, "We have not found the cause"),
                                            ({"confirmed": (), "unlisted": "a mouse"}, "a mouse"),
                                            ({"fully_put_right": False}, "we will come back to you")])
def test_other_endings_are_told_to_the_customer(head_unit: Opened, more: dict[str, object], told: str) -> None:
    case = case_of(head_unit, *FEEDS, **{**CLOSING, **more})
    assert told in Page(pages.customer_page(head_unit, case, standing(head_unit, case).triage)).words()


def test_the_command_writes_the_page_whole_or_says_why_not(head_unit: Opened, tmp_path: Path,
                                                           capsys: pytest.CaptureFixture[str]) -> None:
    log = tmp_path / "log"
    name = cases.create(log, case_of(head_unit, *FEEDS)).case.id
    target = tmp_path / "page.html"
    assert run(["report", name, "--html", str(target), "--cases", str(log)]) == 0
    assert not Page(target.read_text(encoding="utf-8")).open
    assert run(["report", name, "--html", "-", "--customer", "--cases", str(log)]) == 0
    assert "<h1>About your radio</h1>" in capsys.readouterr().out
    assert run(["report", name, "--html", str(tmp_path / "none" / "page.html"), "--customer", "--cases", str(log)]) == 2
    assert "cannot be written" in capsys.readouterr().err
    assert run(["report", "--help"]) == 0
    assert "Example: diagnose report " in capsys.readouterr().out


# --- a network around an item --------------------------------------------------------------------------------------------


def test_the_picture_of_a_cause_holds_its_links_with_their_strengths(head_unit: Opened) -> None:
    cause = head_unit.knowledge.causes["feeds_exchanged"]
    links = maps.links_around(head_unit, cause.id)
    own = {(one.target, one.column): one.p for one in links if one.source == cause.id}
    assert {name: p for (name, column), p in own.items() if column == 0} == dict(cause.brings)
    for finding, above in cause.links.items():
        assert own[finding, 2] == pytest.approx(sum(above)), finding
    for one in links:
        if one.column == 1:
            assert one.source in cause.brings
            assert one.p == pytest.approx(sum(head_unit.knowledge.conditions[one.source].shows[one.target]))
    page = Page(pages.network_page(head_unit, cause.id))
    assert [tag for tag, _, _ in page.tags].count("path") == len(links)
    assert f"97 % {cause.title}" in page.words()


def test_the_picture_of_an_area_holds_its_causes(head_unit: Opened) -> None:
    knowledge = head_unit.knowledge
    links = maps.links_around(head_unit, "aerial")
    assert {one.source for one in links if one.column != 1} <= {c.id for c in knowledge.causes.values() if c.area == "aerial"}
    assert min(one.p for one in links) >= 0.3 and len(links) <= maps.MOST_DRAWN


@pytest.mark.parametrize("item", ["aerial", "memory_feed_key_off", "memory_feed_dead"])
def test_no_two_boxes_lie_on_each_other(head_unit: Opened, item: str) -> None:
    places = re.findall(r"translate\((\d+) ([\d.]+)\)", pages.network_page(head_unit, item))
    assert len(places) > 2
    for x in {x for x, _ in places}:
        rows = sorted(float(y) for column, y in places if column == x)
        assert all(below - above >= 18 for above, below in itertools.pairwise(rows))


def test_an_item_that_is_not_there_is_told_in_a_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = tmp_path / "x.html"
    assert run(["network", "show", "aerials", "--html", str(target)]) == 2
    assert "aerial" in capsys.readouterr().err and not target.exists()
    assert run(["network", "show", "aerial", "--html", str(target)]) == 0
    assert not Page(target.read_text(encoding="utf-8")).open
    assert run(["network", "show", "--help"]) == 0 and run(["network", "export", "--help"]) == 0
    shown = capsys.readouterr().out
    assert "Example: diagnose network show " in shown and "Example: diagnose network export " in shown


# --- a network by its areas ---------------------------------------------------------------------------------------------


def test_the_overview_holds_every_item_once_and_every_link(head_unit: Opened) -> None:
    """Counted anew from the records and from the flattened links of each cause."""
    knowledge, found = head_unit.knowledge, maps.overview(head_unit)
    for part, records in (("causes", list(knowledge.causes.values())),
                          *((f"{kind}s", knowledge.of_kind(kind)) for kind in ("report", "check", "circumstance"))):
        held = [(area.id, one.id, one.title) for area in found.areas for one in getattr(area, part)]
        assert sorted(held) == sorted((one.area, one.id, one.title) for one in records)
    assert [one.id for one in found.conditions] == list(knowledge.conditions)
    causes = [cause for cause in knowledge.causes.values() if cause.area == "earths"]
    strengths = [sum(above) for cause in causes for finding, above in flatten(knowledge, cause).items()
                 if knowledge.findings[finding].area == "noise" and any(above)]
    (one,) = [one for one in found.between if (one.source, one.target) == ("earths", "noise")]
    assert one.links == len(strengths) > 10 and one.brings == pytest.approx(sum(strengths) / len(causes))
    assert [one.brings for one in found.between] == sorted((one.brings for one in found.between), reverse=True)
    needed = sum(len(cause.needs) for cause in knowledge.causes.values())
    listed = sum(1 for i in head_unit.network.link_cause.tolist() if i != head_unit.network.unlisted)
    assert sum(one.links for one in found.between) == listed - needed


def test_the_overview_is_told_on_the_screen_and_as_a_page(head_unit: Opened, capsys: pytest.CaptureFixture[str],
                                                          monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    assert run(["network", "show"]) == 0
    screen = capsys.readouterr().out
    assert max(map(len, screen.splitlines())) <= 80
    page = Page(pages.overview_page(head_unit))
    found, shown, words = maps.overview(head_unit), set(re.findall(r"\w+", screen)), page.words()
    every = [one for area in found.areas for part in area[2:] for one in part] + list(found.conditions)
    assert len(every) > 300
    assert {one.id for one in every} <= shown and all(f"{one.title} {one.id}" in words for one in every)
    drawn = [one for one in found.between if one.brings >= maps.WORTH_DRAWING]
    assert [tag for tag, _, _ in page.tags].count("path") == len(drawn) < len(found.between)
    for one in drawn:
        assert f"{one.target} {one.brings:.1f} ({one.links})" in " ".join(screen.split())


@pytest.mark.parametrize("item", ["aerial", "feeds_exchanged", "memory_feed_key_off"])
def test_the_links_around_an_item_are_told_on_the_screen(head_unit: Opened, capsys: pytest.CaptureFixture[str],
                                                         item: str) -> None:
    assert run(["network", "show", item]) == 0
    shown = capsys.readouterr().out
    rows = re.findall(r"^ +(?:<1|\d+) % ", shown, re.M)
    links = maps.links_around(head_unit, item)
    assert len(rows) == len(links) and {name for one in links for name in one[:2]} - {item} <= set(re.findall(r"\w+", shown))


# --- export ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("form", ["bif", "xmlbif"])
def test_an_area_of_the_shipped_network_comes_back_the_same(head_unit: Opened, tmp_path: Path, form: str) -> None:
    """The noisy-MAX of a finding taken apart into a chain, so that no table has more than three parents."""
    from pgmpy.inference import VariableElimination
    from pgmpy.readwrite import BIFReader, XMLBIFReader

    from diagnose.evidence import plain_evidence

    path = tmp_path / f"part.{form}"
    assert run(["network", "export", "head_unit", str(path), "--format", form, "--area", "aerial"]) == 0
    assert path.stat().st_size < 200_000
    model = (BIFReader if form == "bif" else XMLBIFReader)(str(path)).get_model()
    assert model.check_model()
    assert max(len(table.variables) for table in model.get_cpds()) <= 4
    knowledge = head_unit.knowledge
    names = [f.id for f in knowledge.findings.values() if f.area == "aerial" and f.kind == "report"][:2]
    assert len(names) == 2 and {f.id for f in knowledge.findings.values() if f.area == "aerial"} <= set(model.nodes())
    ours = infer(head_unit.network, plain_evidence(head_unit.network, dict.fromkeys(names, 1)), somebody_called=False)
    engine = VariableElimination(model)
    seen = {name: knowledge.findings[name].levels[1] for name in names}
    causes = [c.id for c in knowledge.causes.values() if c.area == "aerial"][:4]
    for cause in causes:
        theirs = engine.query([cause], evidence=seen, show_progress=False).get_value(**{cause: "present"})
        assert theirs == pytest.approx(float(ours.p[head_unit.network.cause_index[cause]]), abs=1e-9)


@pytest.mark.parametrize("form", ["bif", "xmlbif"])
def test_what_comes_back_gives_the_same_posteriors(doorbell: Opened, tmp_path: Path, form: str) -> None:
    """Written, read back by the general library, and asked by its own engine (variable elimination)."""
    from pgmpy.inference import VariableElimination
    from pgmpy.readwrite import BIFReader, XMLBIFReader

    from diagnose.evidence import plain_evidence

    chosen = ["silent", "volts_at_bell", "rings_when_bridged"]
    path = tmp_path / f"bell.{form}"
    path.write_text(export_model(doorbell, chosen, form), encoding="utf-8")
    model = (BIFReader if form == "bif" else XMLBIFReader)(str(path)).get_model()
    assert model.check_model()
    seen = {"silent": "yes", "volts_at_bell": "low", "rings_when_bridged": "silent"}
    levels = {name: doorbell.knowledge.findings[name].level(level) for name, level in seen.items()}
    ours = infer(doorbell.network, plain_evidence(doorbell.network, levels), somebody_called=False)
    engine = VariableElimination(model)
    for cause in ("flat_battery", "broken_wire", "shorted_wire", "chime_loads"):
        theirs = engine.query([cause], evidence=seen, show_progress=False).get_value(**{cause: "present"})
        assert theirs == pytest.approx(float(ours.p[doorbell.network.cause_index[cause]]), abs=1e-9)


def test_another_program_reads_the_export(head_unit: Opened, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Read and asked by a second general engine, which knows nothing of the first."""
    gum = pytest.importorskip("pyagrum")
    from diagnose.evidence import plain_evidence

    path = tmp_path / "part.bif"
    arguments = ["network", "export", "head_unit", "--finding", "forgets_at_key_off", "--finding", "memory_feed_key_off"]
    assert run([*arguments, str(path)]) == 0
    engine = gum.LazyPropagation(gum.loadBN(str(path)))
    engine.setEvidence({"forgets_at_key_off": "yes", "memory_feed_key_off": "dead"})
    engine.makeInference()
    dead = head_unit.knowledge.findings["memory_feed_key_off"].level("dead")
    evidence = plain_evidence(head_unit.network, {"forgets_at_key_off": 1, "memory_feed_key_off": dead})
    ours = infer(head_unit.network, evidence, somebody_called=False)
    for cause in ("feeds_exchanged", "feeds_both_switched", "memory_feed_not_connected"):
        theirs = engine.posterior(cause)[{cause: "present"}]
        # it reads numbers in single precision: 0.0382 comes back as 0.03819999843835831
        assert theirs == pytest.approx(float(ours.p[head_unit.network.cause_index[cause]]), abs=1e-6)


@pytest.mark.parametrize("form", ["bif", "xmlbif"])
def test_a_case_comes_back_with_the_same_posteriors(doorbell: Opened, tmp_path: Path, form: str) -> None:
    """People, an unsure answer, a reading, a level 0, silence, a remedy tried in vain and the call itself: all in the file."""
    from pgmpy.inference import VariableElimination
    from pgmpy.readwrite import BIFReader, XMLBIFReader

    answers = [Answer("silent", "yes"), Answer("faint", "yes", sure=False),
               Answer("volts_at_bell", None, "fitter", reading=1.4),
               Answer("rings_when_bridged", "silent", "customer")]
    evidence = read_evidence(doorbell.knowledge, doorbell.network, answers, tried=["flat_battery"])
    path = tmp_path / f"case.{form}"
    path.write_text(export_case(doorbell, evidence, form), encoding="utf-8")
    model = (BIFReader if form == "bif" else XMLBIFReader)(str(path)).get_model()
    assert model.check_model()
    engine = VariableElimination(model)
    seen = {name: "so" for name in model.nodes() if name.endswith("-seen")}
    assert len(seen) == 1 + len(evidence.axes)
    ours, compared = infer(doorbell.network, evidence), 0
    for i, cause in enumerate(doorbell.network.causes):
        if cause in model.nodes():
            theirs = engine.query([cause], evidence=seen, show_progress=False).get_value(**{cause: "present"})
            assert theirs == pytest.approx(float(ours.p[i]), abs=1e-9)
            compared += 1
    assert compared >= 4


@pytest.mark.parametrize("name", ["20260511-1215", "20260623-1005", "20260702-0945", "20261123-1220"])
def test_another_program_finds_what_a_case_of_the_log_says(head_unit: Opened, tmp_path: Path, name: str) -> None:
    """Three to seven answers, cases with a remedy tried in vain among them; the second general engine, which knows only the
    file and the rule that every node ending in -seen is so. It reads numbers in single precision. 11 of the 61 cases of the log
    are beyond 3 GB of memory for it: those with many causes behind each answer."""
    gum = pytest.importorskip("pyagrum")
    path = tmp_path / "case.bif"
    assert run(["network", "export", "head_unit", str(path), "--case", name, "--cases", str(LOG)]) == 0
    read = gum.loadBN(str(path))
    seen = [node for node in read.names() if node.endswith("-seen")]
    assert path.stat().st_size < 500 * len(read.names())  # small tables only: grows with the nodes, not with their product
    engine = gum.LazyPropagation(read)
    engine.setEvidence(dict.fromkeys(seen, "so"))
    engine.makeInference()
    ours = standing(head_unit, cases.load(LOG, name).case).posterior
    causes = [cause for cause in head_unit.network.causes if cause in read.names()]
    assert len(causes) > 10 and head_unit.network.causes[int(ours.p.argmax())] in causes
    for cause in causes:
        theirs = engine.posterior(cause)[{cause: "present"}]
        assert theirs == pytest.approx(float(ours.p[head_unit.network.cause_index[cause]]), abs=1e-6)


@pytest.mark.parametrize(("arguments", "told"), [
    (["--case", "20260203-0912", "--area", "aerial"], "--case"), (["--case", "20200101"], "20200101"),
    (["--format", "dot", "--area", "aerial"], "no format"), ([], "nothing is chosen"), (["--area", "kitchen"], "no area"),
    (["--finding", "forgets_at_key_of"], "forgets_at_key_off"), (["--area", "\x1b[31m"], "no area")])
def test_a_wrong_export_is_told_in_a_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: list[str],
                                              told: str) -> None:
    assert run(["network", "export", "head_unit", *arguments, str(tmp_path / "x.bif")]) == 2
    err = capsys.readouterr().err
    assert told in err and len(err.splitlines()) == 1 and "\x1b" not in err and not list(tmp_path.iterdir())
