"""The page in a real browser: accessible, silent, whole on a phone, in the dark and on paper."""

import io
from contextlib import contextmanager

import pytest

pytestmark = [pytest.mark.browser, pytest.mark.xdist_group("report")]

OPEN_ALL = "document.querySelectorAll('details').forEach(d => { d.open = true })"
# WCAG 2.2 A and AA, and the checker's own good practice
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}


@pytest.fixture(scope="module")
def browser(chromium):
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        flags = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
        running = playwright.chromium.launch(executable_path=chromium, args=flags)
        yield running
        running.close()


@contextmanager
def opened(browser, path, *, width=1280, height=800, scheme="light", script=True, stopped=None):
    """Open a page file; give the page and what it said and asked for."""
    context = browser.new_context(
        viewport={"width": width, "height": height},
        color_scheme=scheme,
        bypass_csp=script,  # the checker is injected; the policy is tested apart
    )
    page = context.new_page()
    said, asked = [], []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    page.on("requestfailed", lambda r: stopped is not None and stopped.append(r.failure))
    page.goto(path.as_uri())
    yield page, said, asked
    context.close()


@pytest.mark.parametrize("which", ["farm_page", "field_page"])
def test_it_asks_for_nothing_and_says_nothing(which, request, browser):
    path = request.getfixturevalue(which)
    with opened(browser, path, script=False) as (page, said, asked):
        page.evaluate(OPEN_ALL)
        page.wait_for_timeout(200)
        assert said == []
        assert asked == [path.as_uri()]


def test_its_own_policy_stops_scripts_and_requests(farm_page, browser, tmp_path):
    """Planted into the page after its policy: neither may run or load."""
    planted = tmp_path / "planted.html"
    harm = "<script>document.title='run'</script><img src='https://example.org/x.png'>"
    text = farm_page.read_text(encoding="utf-8")
    planted.write_text(text.replace("<main>", "<main>" + harm), encoding="utf-8")
    stopped = []
    with opened(browser, planted, script=False, stopped=stopped) as (page, said, asked):
        assert page.title() != "run"
        assert len(asked) == 2  # the picture was asked for, and the policy stopped it
        assert stopped == ["csp"]
        assert len([s for s in said if "Content Security Policy" in s]) >= 2


@pytest.mark.parametrize(
    ("which", "width", "scheme"),
    [
        ("farm_page", 1280, "light"),
        ("farm_page", 360, "dark"),
        ("farm_page", 360, "light"),
        ("farm_page", 1280, "dark"),
        ("field_page", 1280, "light"),
        ("field_page", 360, "dark"),
    ],
)
@pytest.mark.slow
def test_an_accessibility_checker_finds_nothing(which, width, scheme, request, browser):
    """axe-core, as shipped by axe-core-python, on the whole page with every part open."""
    from axe_core_python.sync_playwright import Axe

    path = request.getfixturevalue(which)
    with opened(browser, path, width=width, scheme=scheme) as (page, _, _):
        page.evaluate(OPEN_ALL)
        found = Axe().run(page, options=RULES)
        assert len(found["passes"]) > 20
        told = [
            (v["id"], v["help"], [n["html"][:160] for n in v["nodes"][:3]])
            for v in found["violations"]
        ]
        assert told == []


def test_the_checker_would_find_something(field_page, browser):
    """A pale word and a nameless button, planted, are both found."""
    from axe_core_python.sync_playwright import Axe

    rules = {"runOnly": {"type": "rule", "values": ["color-contrast", "button-name"]}}
    with opened(browser, field_page) as (page, _, _):
        page.evaluate(
            "document.querySelector('main').insertAdjacentHTML('afterbegin',"
            " '<p style=\"color:#ccc\">pale</p><button></button>')"
        )
        found = {v["id"] for v in Axe().run(page, options=rules)["violations"]}
        assert {"color-contrast", "button-name"} <= found


@pytest.mark.parametrize("width", [320, 360, 640, 1280])
def test_nothing_sticks_out_sideways(farm_page, browser, width):
    """320 px is 400 % zoom of a 1280 px window, 640 px is 200 % (WCAG 2.2, 1.4.10, 1.4.4)."""
    with opened(browser, farm_page, width=width) as (page, _, _):
        page.evaluate(OPEN_ALL)
        assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_headings_of_wide_tables_are_read_on_a_phone_without_sliding(farm_page, browser):
    with opened(browser, farm_page, width=360) as (page, _, _):
        page.evaluate(OPEN_ALL)
        measure = (
            "[...document.querySelectorAll('caption')].map(c => {"
            " const r = document.createRange(); r.selectNodeContents(c);"
            " return r.getBoundingClientRect().right })"
        )
        edges = page.evaluate(measure)
        assert edges
        assert max(edges) <= 360


def test_the_answer_is_on_the_first_screen(farm_page, browser):
    with opened(browser, farm_page) as (page, _, _):
        for selector in (".answer h2", ".lead", ".shown svg"):
            box = page.locator(selector).first.bounding_box()
            assert box["y"] + box["height"] < 800, selector
    with opened(browser, farm_page, width=360, height=740) as (page, _, _):
        box = page.locator(".answer h2").bounding_box()
        assert box["y"] + box["height"] < 740


def test_the_keyboard_reaches_the_answer_and_opens_the_parts(farm_page, browser):
    with opened(browser, farm_page) as (page, _, _):
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.className") == "skip"
        assert page.locator(".skip").is_visible()
        page.locator("summary").first.focus()
        page.keyboard.press("Enter")
        assert page.evaluate("document.querySelector('details').open")


def test_figures_change_their_colours_in_the_dark(farm_page, browser):
    look = "getComputedStyle(document.querySelector('.shown svg text')).fill"
    seen = []
    for scheme in ("light", "dark"):
        with opened(browser, farm_page, scheme=scheme) as (page, _, _):
            seen.append(page.evaluate(look))
    assert seen == ["rgb(34, 48, 46)", "rgb(228, 235, 232)"]


def test_paper_holds_what_is_open_and_cuts_no_figure(farm_page, browser):
    """Printed on A4; a sheet of US Letter is 279.4 mm high, margins of 13 mm on each."""
    from pypdf import PdfReader

    with opened(browser, farm_page) as (page, _, _):
        short = PdfReader(io.BytesIO(page.pdf(format="A4")))
        assert len(short.pages) < 10
        text = "\n".join(p.extract_text() for p in short.pages)
        assert "The model in words and numbers" in text
        assert "Tests of each part of the model" not in text
        page.evaluate(OPEN_ALL)
        page.emulate_media(media="print")
        sizes = page.evaluate(
            "[...document.querySelectorAll('figure')].map(f => f.getBoundingClientRect().height)"
        )
        printed = PdfReader(io.BytesIO(page.pdf(format="A4")))
        assert printed.pages[0].mediabox.height / 72 * 25.4 > 279.4
        inside = (279.4 - 26) / 25.4 * 96
        assert max(sizes) < inside  # with break-inside: avoid, what fits is not cut
        text = "\n".join(p.extract_text() for p in printed.pages)
        assert "Humidity in batch B2" in text
        assert "Tests of each part of the model" in text


def test_figures_are_drawn_for_a_phone(farm_page, browser):
    """At 390 px every figure but the map fits its place, with words of 10 px and more."""
    with opened(browser, farm_page, width=390) as (page, _, _):
        page.evaluate(OPEN_ALL)
        seen = page.evaluate(
            "[...document.querySelectorAll('.canvas:not(.slides)')]"
            ".filter(c => c.getBoundingClientRect().width > 0).map(c => {"
            " const box = c.querySelector('svg').getBoundingClientRect();"
            " const scale = box.width / c.querySelector('svg').viewBox.baseVal.width;"
            " const sizes = [...c.querySelectorAll('text')]"
            "   .map(t => parseFloat(t.style.fontSize) * scale);"
            " return [c.scrollWidth <= c.clientWidth, Math.min(...sizes)] })"
        )
        assert len(seen) >= 10
        assert all(fits for fits, _ in seen)
        assert min(size for _, size in seen) >= 8.5


def test_what_is_pressed_on_a_phone_is_44_px_high(farm_page, browser):
    with opened(browser, farm_page, width=390) as (page, _, _):
        heights = page.evaluate(
            "[...document.querySelectorAll('nav a, .up a, .minded a, summary')]"
            ".filter(a => a.getClientRects().length > 0)"
            ".map(a => a.getBoundingClientRect().height)"
        )
        assert len(heights) > 20
        assert min(heights) >= 44


def test_the_short_version_is_one_sheet(farm, browser, tmp_path):
    from pypdf import PdfReader

    path = tmp_path / "short.html"
    farm.report(path, short=True)
    with opened(browser, path) as (page, said, _):
        for paper in ("A4", "Letter"):
            assert len(PdfReader(io.BytesIO(page.pdf(format=paper))).pages) == 1
        assert said == []
