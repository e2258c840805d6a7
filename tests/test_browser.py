"""The pages in a real browser, at the width of a telephone and of a desk: nothing on the console, nothing fetched, nothing that
sticks out sideways (WCAG 2.2, 1.4.10: reflow), no text of a picture on another one, letters that can be read, dark where it is
wanted, A4 on paper. Skipped where there is no browser."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from diagnose import case as cases
from diagnose import pages
from diagnose.caserecord import CLOSED, Case, CaseAnswer
from diagnose.network import Opened, open_network
from diagnose.reasons import reasons_of
from diagnose.records import CIRCUMSTANCE
from diagnose.session import standing
from tests.browser import PROGRAM, Browser, browser
from tests.test_every_cause import decisive_checks, picture

pytestmark = pytest.mark.skipif(PROGRAM is None, reason="there is no browser here (chromium)")
ROOT = Path(__file__).resolve().parent.parent
LOG = sorted((ROOT / "cases").glob("*.yaml"))
AT = "2026-11-25T09:30:00+00:00"
WIDTHS = (390, 1280)
SMALLEST = 10.5  # pixels; common practice, no source
A4 = (595.0, 842.0)  # points (ISO 216: 210 mm x 297 mm)


@pytest.fixture(scope="module")
def window(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with browser(tmp_path_factory.mktemp("profile")) as opened:
        yield opened


def pages_of_case(opened: Opened, case: Case, draws: int = 5) -> dict[str, str]:
    now = standing(opened, case)
    reasons = reasons_of(opened, now.evidence, now.posterior, draws=draws)
    return {"report": pages.report_page(opened, case, now.triage, reasons),
            "customer": pages.customer_page(opened, case, now.triage)}


def in_log(path: Path) -> Case:
    return cases.load(path.parent, path.stem).case


def check(window: Browser, file: Path, text: str) -> None:
    """Everything that is demanded of a page, at both widths, light and dark."""
    file.write_text(text, encoding="utf-8")
    for width in WIDTHS:
        for dark in (False, True):
            seen = window.show(file, width, dark=dark)
            where = f"{file.name} at {width}"
            assert not seen.said and not seen.fetched, where
            found = seen.measured
            assert found["width"] == width and found["scroll"] <= width and not found["sideways"], (where, found)
            assert not found["covered"] and found["small"] >= SMALLEST, (where, found)
            assert found["dark"] is dark and found["paper"] == ("rgb(21, 24, 28)" if dark else "rgb(255, 255, 255)"), where


def test_the_browser_notices_what_is_wrong(window: Browser, tmp_path: Path) -> None:
    """The measurements themselves, on a page that has every fault."""
    page = tmp_path / "bad.html"
    page.write_text('<!DOCTYPE html><meta name="viewport" content="width=device-width">'
                    '<body><div style="width:2000px">wide</div>'
                    '<svg width="200" viewBox="0 0 400 50"><text x="5" y="20" font-size="12">one</text>'
                    '<text x="8" y="22" font-size="12">two</text></svg><img src="http://127.0.0.1:9/x.png">'
                    '<script>console.log("said"); no_such_thing()</script></body>', encoding="utf-8")
    seen = window.show(page, 390)
    assert len(seen.said) >= 2 and "http://127.0.0.1:9/x.png" in seen.fetched
    assert seen.measured["scroll"] > 390 and any(one.startswith("DIV") for one in seen.measured["sideways"])
    assert seen.measured["covered"] == ["one / two"] and seen.measured["small"] < SMALLEST


@pytest.mark.parametrize("path", LOG[::40], ids=lambda p: p.stem)
def test_pages_of_some_cases(window: Browser, head_unit: Opened, tmp_path: Path, path: Path) -> None:
    for name, text in pages_of_case(head_unit, in_log(path)).items():
        check(window, tmp_path / f"{path.stem}-{name}.html", text)


@pytest.mark.parametrize("item", ["aerial", "feeds_exchanged", "memory_feed_dead", "forgets_at_key_off"])
def test_pictures_of_some_items(window: Browser, head_unit: Opened, tmp_path: Path, item: str) -> None:
    check(window, tmp_path / f"{item}.html", pages.network_page(head_unit, item))


@pytest.mark.parametrize("network", ["head_unit", "kitchen_tap"])
def test_pictures_of_whole_networks(window: Browser, tmp_path: Path, network: str) -> None:
    check(window, tmp_path / f"{network}.html", pages.overview_page(open_network(network)))


def test_pages_print_on_a4(window: Browser, head_unit: Opened, tmp_path: Path) -> None:
    made = {**pages_of_case(head_unit, in_log(LOG[0])), "map": pages.network_page(head_unit, "aerial")}
    for name, text in made.items():
        file = tmp_path / f"{name}.html"
        file.write_text(text, encoding="utf-8")
        window.show(file, 1280)
        window.print(tmp_path / "page.pdf")
        data = (tmp_path / "page.pdf").read_bytes()
        boxes = [tuple(map(float, box.split())) for box in re.findall(rb"/MediaBox\s*\[([^\]]*)\]", data)]
        assert boxes and all(box[2:] == pytest.approx(A4, abs=1.5) for box in boxes)
        assert name != "customer" or len(boxes) == 1, "one sheet for the customer"


def test_the_picture_can_be_made_larger(window: Browser, head_unit: Opened, tmp_path: Path) -> None:
    file = tmp_path / "map.html"
    file.write_text(pages.network_page(head_unit, "aerial"), encoding="utf-8")
    window.show(file, 390)
    widths = []
    for size in ("size-fit", "size-plain", "size-large"):
        found = window.ask("Runtime.evaluate", returnByValue=True, expression=f"document.getElementById('{size}').click();"
                           "document.querySelector('svg').getBoundingClientRect().width")
        widths.append(found["result"]["value"])
    assert widths[0] <= 390 < widths[1] < widths[2]


@pytest.mark.slow
def test_every_case_of_the_demonstration(window: Browser, head_unit: Opened, tmp_path: Path) -> None:
    for path in LOG:
        for name, text in pages_of_case(head_unit, in_log(path)).items():
            check(window, tmp_path / f"{path.stem}-{name}.html", text)


@pytest.mark.slow
def test_the_reports_of_every_cause(window: Browser, head_unit: Opened, tmp_path: Path) -> None:
    """A case in which it is found, with its typical picture: once open, once closed."""
    header = head_unit.knowledge.header
    for cause in head_unit.knowledge.causes:
        case = Case("20261125-0930", AT, header.id, header.version, "job-7")
        for answer in (told := picture(head_unit.network, head_unit, cause)) + decisive_checks(head_unit, cause, told):
            if head_unit.knowledge.findings[answer.finding].kind == CIRCUMSTANCE:
                case = cases.with_circumstance(case, answer.finding, answer.level or "")
            else:
                case = cases.with_answer(case, CaseAnswer(answer.finding, answer.level, answer.who, answer.method, at=AT))
        closed = case._replace(status=CLOSED, closed=AT, confirmed=(cause,), fully_put_right=True, verified="tried twice")
        for state, one in (("open", case), ("closed", closed)):
            for name, text in pages_of_case(head_unit, one, draws=2).items():
                check(window, tmp_path / f"{cause}-{state}-{name}.html", text)


@pytest.mark.slow
@pytest.mark.parametrize("network", ["head_unit", "kitchen_tap"])
def test_every_cause_condition_finding_and_area(window: Browser, tmp_path: Path, network: str) -> None:
    opened = open_network(network)
    knowledge = opened.knowledge
    for item in (*knowledge.header.areas, *knowledge.causes, *knowledge.conditions, *knowledge.findings):
        check(window, tmp_path / f"{item}.html", pages.network_page(opened, item))
