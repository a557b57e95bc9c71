"""The page in a real browser: what is read there is what the forecaster says, for everyone."""

import re
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from typing import Any

import pypdf
import pytest
from axe_playwright_python.sync_playwright import Axe

import forecast
from forecast._notes import languages
from forecast.figures import CONFIG, plot_estimate

WCAG = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
SIZES = {"tablet": (768, 1024), "phone": (390, 844), "desk at 200 %": (640, 450)}
QUICK = {("tablet", "light")}
REQUIRED = ("skin_type", "ink_density", "layering")
COMMON = forecast.Enquiry("V", "forearm", "black;red", "medium", "single")


class Visit:
    """One open page that records what it asks for and what goes wrong."""

    def __init__(self, context: Any, address: str) -> None:
        self.page = context.new_page()
        self.requests: list[str] = []
        self.errors: list[str] = []
        context.on("request", lambda request: self.requests.append(request.url))
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.page.on("console", lambda said: said.type == "error" and self.errors.append(said.text))
        self.page.goto(address)

    def fill(self, enquiry: forecast.Enquiry) -> None:
        """Fill in an enquiry as a practitioner does."""
        for ink in str(enquiry.inks).split(";"):
            self.page.check(f"input[name=inks][value={ink}]")
        for name in REQUIRED:
            self.page.check(f"input[name={name}][value={getattr(enquiry, name)}]")
        self.page.select_option("#body_site", enquiry.body_site)
        for name in ("origin", "scarring", "smoker"):
            if getattr(enquiry, name) is not None:
                self.open_folds()
                self.page.check(f"input[name={name}][value={getattr(enquiry, name)}]")
        for name in ("age_years", "area_cm2", "tattoo_age_years", "sessions_elsewhere"):
            if getattr(enquiry, name):
                self.open_folds()
                self.page.fill(f"#{name}", f"{getattr(enquiry, name):g}")

    def open_folds(self) -> None:
        self.page.eval_on_selector_all("details", "all => all.forEach(one => one.open = true)")

    def settled(self) -> str:
        """Return the headline once nothing is being asked any more."""
        self.page.wait_for_selector("#answer[aria-busy=false]")
        return str(self.page.inner_text("#headline"))


@pytest.fixture
def visit(browser: Any, page_address: str) -> Iterator[Visit]:
    context = browser.new_context(viewport={"width": 1024, "height": 768})
    visited = Visit(context, page_address)
    yield visited
    assert visited.errors == []
    # not one request leaves for another host
    assert all(url.startswith(page_address) for url in visited.requests)
    context.close()


@pytest.fixture
def filled_in(visit: Visit) -> Visit:
    visit.fill(COMMON)
    visit.settled()
    return visit


def axe_violations(page: Any) -> list[str]:
    found = Axe().run(page, options=WCAG).response["violations"]
    return [f"{one['id']}: {one['nodes'][0]['html']}" for one in found]


def enquiries(frame: Any) -> list[forecast.Enquiry]:
    names = list(forecast.Enquiry.__dataclass_fields__)
    rows = frame[[name for name in names if name in frame]].to_dict("records")
    return [forecast.Enquiry(**row) for row in rows]


def numbers(text: str) -> list[int]:
    return [int(part) for part in re.findall(r"\d+", text)]


@pytest.mark.slow
def test_twenty_enquiries_read_in_the_browser_are_the_forecasters(
    browser: Any, page_address: str, files: Path
):
    forecaster = forecast.load_forecaster(files / "model.json")
    context = browser.new_context(viewport={"width": 1024, "height": 768})
    for enquiry in enquiries(forecast.simulate_log(20, seed=3).courses):
        visited = Visit(context, page_address)
        visited.fill(enquiry)
        read = visited.settled()
        assert visited.errors == []
        estimate = forecaster.estimate(enquiry)
        low, high = (25 if end is None else end for end in estimate.interval)
        before = ("Refer", "Questions before starting")
        lines = [line for line in read.splitlines() if line and not line.startswith(before)]
        assert numbers(lines[0]) == [estimate.median or 25]
        assert numbers(lines[1]) == [8, 10, low, high]
        assert numbers(lines[2]) == [round(100 * estimate.not_within_horizon) or 1, 100, 25]
        visited.page.close()
    context.close()


def test_an_answer_appears_once_all_that_is_needed_is_there(visit: Visit, files: Path):
    visit.settled()
    assert "Still needed" in visit.page.inner_text("#state")
    assert not visit.page.is_visible("#shown")
    visit.fill(COMMON)
    read = visit.settled()
    estimate = forecast.load_forecaster(files / "model.json").estimate(COMMON)
    assert f"About {estimate.median} sessions" in read
    low, high = estimate.interval
    assert f"8 of 10 clients like this need {low} to {high}." in read
    shown = visit.page.inner_text("#answer")
    for words in ("Look out for", "When", "Price", "What drives it", "published evidence"):
        assert words in shown
    # nothing of the answer is folded away
    assert visit.page.locator("#answer details").count() == 0


def test_the_picture_follows_the_reader(filled_in: Visit, files: Path):
    estimate = forecast.load_forecaster(files / "model.json").estimate(COMMON)
    page = filled_in.page
    page.focus("#n")
    for key, n in (("Home", 1), ("End", 25), ("ArrowLeft", 24)):
        page.keyboard.press(key)
        filled = page.locator("#picture .dot.on").count()
        assert abs(filled - 100 * estimate.chance_by(n)) <= 1
        assert f"By session {n}:" in page.inner_text("#by-session")
        assert page.get_attribute("#picture .icons", "aria-label").startswith(f"{filled} of 100")


def test_a_wrong_entry_is_told_at_its_field_and_what_it_needs_not_is_answered(filled_in: Visit):
    page = filled_in.page
    before = page.inner_text("#headline")
    filled_in.open_folds()
    page.fill("#age_years", "abc")
    filled_in.settled()
    assert "number from 0 to 110" in page.inner_text("#wrong-age_years")
    assert page.get_attribute("#age_years", "aria-invalid") == "true"
    assert "Answered without" in page.inner_text("#state")
    page.fill("#sessions_done", "-3")
    filled_in.settled()
    assert "Old answer" in page.inner_text("#state")
    assert page.inner_text("#headline") == before
    assert axe_violations(page) == []
    page.fill("#sessions_done", "")
    page.fill("#age_years", "40")
    filled_in.settled()
    assert not page.is_visible("#wrong-age_years")
    assert not page.is_visible("#state")
    filled_in.errors.clear()  # the browser logs the 422


def test_a_fault_before_the_first_answer_is_told_where_the_answer_will_stand(visit: Visit):
    page = visit.page
    page.set_viewport_size({"width": 390, "height": 844})
    visit.open_folds()
    page.fill("#sessions_done", "-3")
    visit.fill(COMMON)
    visit.settled()
    assert "beside the fields" in page.inner_text("#state")
    assert page.get_attribute("#bar", "href") == "#wrong-sessions_done"
    page.fill("#sessions_done", "")
    visit.settled()
    assert page.get_attribute("#bar", "href") == "#answer"
    visit.errors.clear()  # the browser logs the 422


@pytest.mark.parametrize("size", [(1440, 900), (820, 1180), (1024, 768)], ids=str)
def test_the_answer_stands_above_the_fold(visit: Visit, size: tuple[int, int]):
    page = visit.page
    page.set_viewport_size({"width": size[0], "height": size[1]})
    visit.fill(COMMON)
    page.evaluate("document.getElementById('under-way').open = true")
    page.fill("#sessions_done", "8")
    for place, (session, percent) in enumerate([("4", "55"), ("8", "56")]):
        row = page.locator(".grading").nth(place).locator("input")
        row.nth(0).fill(session)
        row.nth(1).fill(percent)
    visit.settled()
    page.evaluate("window.scrollTo(0, 0)")
    shown = page.inner_text("#headline")
    for answered in ("more session", "in all", "of 10 clients", "not clear after", "Faded less"):
        assert answered in shown
    # how many, how many more, whether it can be promised and whether it is stalled
    assert page.locator("#headline .line").last.bounding_box()["y"] < size[1]
    visit.errors.clear()  # the browser logs the 422 of half a grading


@pytest.mark.parametrize("language", languages())
def test_what_it_costs_and_the_sheet_stand_above_the_fold_of_a_laptop(visit: Visit, language: str):
    page = visit.page
    page.set_viewport_size({"width": 1280, "height": 900})
    page.goto(f"{page.url}?language={language}")
    visit.fill(COMMON)
    assert "€" in visit.settled()
    page.evaluate("window.scrollTo(0, 0)")
    for name in ("#headline :text('€')", "#picture", "#sheet-form"):
        box = page.locator(name).bounding_box()
        assert box["y"] + box["height"] <= 900, name
    assert not page.is_visible("#headline .asked")


def test_the_printed_page_says_what_was_asked(filled_in: Visit):
    printed = pypdf.PdfReader(BytesIO(filled_in.page.pdf()))
    text = " ".join(printed.pages[0].extract_text().split())
    assert "What we looked at: aim: Removal; Fitzpatrick type: V; body site: forearm" in text
    assert "Sheet for the client" not in text


@pytest.mark.parametrize("language", languages())
def test_all_that_is_needed_is_asked_above_the_fold_of_a_tablet(visit: Visit, language: str):
    page = visit.page
    page.set_viewport_size({"width": 810, "height": 1080})
    page.goto(f"{page.url}?language={language}")
    left = 1080 - 180  # by the browser's own bars and the line that opens a course of the daybook
    for name in (*REQUIRED, "inks", "body_site"):
        box = page.locator(f"[data-field={name}]").bounding_box()
        assert box["y"] + box["height"] <= left, name
    assert page.evaluate("document.documentElement.scrollWidth") == 810


def test_a_server_that_is_gone_is_told_and_the_answer_marked_as_old(filled_in: Visit):
    page = filled_in.page
    before = page.inner_text("#headline")
    page.context.set_offline(True)
    page.select_option("#body_site", "foot")
    filled_in.settled()
    assert "does not answer" in page.inner_text("#state")
    assert page.inner_text("#headline") == before
    page.context.set_offline(False)
    page.select_option("#body_site", "back")
    filled_in.settled()
    assert not page.is_visible("#state")
    filled_in.errors.clear()  # the browser logs what it could not reach


def test_a_course_under_way_is_asked_about_with_its_gradings(filled_in: Visit, files: Path):
    page = filled_in.page
    filled_in.open_folds()
    page.fill("#sessions_done", "4")
    page.locator("input[name=after]").nth(0).fill("2")
    page.locator("input[name=fading]").nth(0).fill("25")
    page.locator("input[name=after]").nth(1).fill("4")
    page.locator("input[name=fading]").nth(1).fill("45")
    read = filled_in.settled()
    forecaster = forecast.load_forecaster(files / "model.json")
    later = forecaster.update(COMMON, sessions_done=4, gradings=[(2, 25.0), (4, 45.0)])
    assert f"About {later.remaining.median} more session" in read
    assert page.locator(".grading:visible").count() == 3  # a row for the next one
    filled_in.errors.clear()  # half-typed gradings are refused on the way


def test_a_goal_without_a_model_says_that_it_cannot_say(filled_in: Visit):
    filled_in.page.check("input[name=goal][value=lighten]")
    filled_in.settled()
    assert "Cannot say" in filled_in.page.inner_text("#state")
    assert not filled_in.page.is_visible("#headline")


def test_the_next_client_starts_with_an_empty_page(filled_in: Visit):
    filled_in.page.click("button[type=reset]")
    filled_in.settled()
    assert not filled_in.page.is_visible("#shown")
    assert filled_in.page.locator("#entries input[name=inks]:checked").count() == 0


def test_the_page_is_filled_in_by_keyboard_alone(visit: Visit):
    page = visit.page
    for _ in range(120):
        page.keyboard.press("Tab")
        here = page.evaluate("() => [document.activeElement.name, document.activeElement.value]")
        if here == ["inks", "black"] or here[0] in REQUIRED:
            page.keyboard.press("Space")
            visit.settled()
        elif here[0] == "body_site":
            page.keyboard.type("foot")
        if page.is_visible("#shown") and page.evaluate("() => document.activeElement.id") == "n":
            break
    assert "About" in visit.settled()
    assert page.evaluate("() => document.activeElement.id") == "n"


@pytest.mark.parametrize(
    ("size", "scheme"),
    [
        pytest.param(size, scheme, marks=[] if (size, scheme) in QUICK else pytest.mark.slow)
        for size in SIZES
        for scheme in ("light", "dark")
    ],
)
def test_axe_finds_nothing_and_nothing_scrolls_sideways(
    browser: Any, page_address: str, size: str, scheme: str
):
    width, height = SIZES[size]
    context = browser.new_context(
        viewport={"width": width, "height": height}, color_scheme=scheme, reduced_motion="reduce"
    )
    visited = Visit(context, page_address)
    visited.settled()
    assert axe_violations(visited.page) == []
    visited.fill(COMMON)
    visited.open_folds()
    visited.page.check("input[name=facts][value=infection]")
    visited.settled()
    assert axe_violations(visited.page) == []
    overflow = "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"
    assert visited.page.evaluate(overflow) <= 0
    context.close()


@pytest.mark.parametrize("language", languages())
@pytest.mark.parametrize("width", [1100, 768])
def test_no_choice_is_clipped_or_spills_out_of_its_box(
    browser: Any, page_address: str, language: str, width: int
):
    context = browser.new_context(viewport={"width": width, "height": 900})
    visited = Visit(context, f"{page_address}?language={language}")
    visited.open_folds()
    spills = visited.page.eval_on_selector_all(
        ".choices label",
        "all => all.filter(one => one.scrollWidth > one.clientWidth).map(one => one.textContent)",
    )
    assert spills == []
    context.close()


def test_what_is_touched_is_large_enough_for_a_finger(filled_in: Visit):
    filled_in.open_folds()
    heights = filled_in.page.eval_on_selector_all(
        "#entries label:has(input[type=radio], input[type=checkbox]), #entries select,"
        " #entries input[type=text]:not([name=after]):not([name=fading]), button, summary, #n",
        "all => all.map(one => one.getBoundingClientRect().height).filter(height => height > 0)",
    )
    assert len(heights) > 40
    assert min(heights) >= 44


def test_nothing_that_is_typed_stays_in_the_browser(filled_in: Visit):
    kept = "() => [localStorage.length, sessionStorage.length, document.cookie, location.search]"
    assert filled_in.page.evaluate(kept) == [0, 0, "", ""]


def test_the_sheet_stops_saying_not_asked_once_the_page_is_told(filled_in: Visit):
    page = filled_in.page
    page.locator("summary", has_text="Questions before starting").click()
    for ticked in (False, True):
        page.set_checked("input[name=questions]", ticked)
        page.wait_for_function("!document.querySelector('#sheet-form button').disabled")
        with page.context.expect_page() as opened:
            page.click("#sheet-form button")
        said = opened.value.locator("body").inner_text()
        assert ("Questions before starting: not asked." in said) is not ticked


def test_the_sheet_prints_on_a_sheet_of_paper_and_says_the_same(filled_in: Visit, files: Path):
    page = filled_in.page
    headline = page.inner_text("#headline .big")
    with page.context.expect_page() as opened:
        page.click("#sheet-form button")
    sheet = opened.value
    sheet.wait_for_load_state("load")
    assert axe_violations(sheet) == []
    printed = pypdf.PdfReader(BytesIO(sheet.pdf(prefer_css_page_size=True)))
    assert len(printed.pages) <= 2
    text = " ".join(" ".join(page.extract_text() for page in printed.pages).split())
    assert headline in " ".join(printed.pages[0].extract_text().split())
    assert page.inner_text("#headline .line >> nth=0") in text
    for words in ("When", "Price", "Look out for", "not a promise", "What would change"):
        assert words in text
    assert "Print or save" not in text


@pytest.mark.parametrize(
    "config",
    [
        pytest.param(CONFIG, id="our config"),
        pytest.param(None, id="layout alone", marks=pytest.mark.slow),
    ],
)
def test_the_bar_over_a_figure_has_no_button_that_uploads(forecaster, browser, tmp_path, config):
    enquiry = forecast.Enquiry("II", "forearm", "black", "medium", "single")
    path = tmp_path / "figure.html"
    figure = plot_estimate(forecaster.estimate(enquiry))
    figure.write_html(path, include_plotlyjs="directory", config=config)
    page = browser.new_page()
    page.goto(path.as_uri())
    page.wait_for_selector(".modebar-btn", state="attached")
    titles = page.eval_on_selector_all(
        ".modebar-btn", "buttons => buttons.map(b => b.getAttribute('data-title') || '')"
    )
    page.close()
    assert any("Zoom" in title for title in titles)
    assert not any("hare" in title or "loud" in title for title in titles)
