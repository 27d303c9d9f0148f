"""Pages for the growing room: complete, escaped, blinded, and of the right size."""

import datetime as dt
import re
import shutil
import subprocess
from dataclasses import replace
from html import unescape

import numpy as np
import pytest

import trialkit as tk
from tests.design.conftest import write_trial
from trialkit.cautions import list_cautions, uses_of
from trialkit.design.sheets.label_formats import FORMATS, find_format
from trialkit.design.sheets.printed import (
    cards_page,
    checklist_page,
    labels_page,
    minutes_and_seconds,
    weighing_page,
)
from trialkit.design.sheets.timers import daily_use, timer_table
from trialkit.design.sheets.weighing import ROWS, weighing_pages
from trialkit.errors import PlanError
from trialkit.trial import Setting

HOSTILE = "<script>alert(1)</script> & Söhne"


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sheets")
    write_trial(
        folder,
        "structure = '(batch * chamber) / shelf / block'\nbatch = 2\nchamber = 4\nshelf = 2\n"
        "block = 2",
        {"schedule": ("batch:chamber", [], "levels.usual = { on_s = 20, off_s = 220 }\n"
                      "levels.banded = { start_below_rh = 86, stop_above_rh = 93 }"),
         "light": ("batch:chamber:shelf", [], "levels.dim = { lux = 150, hours = 10 }\n"
                   "levels.bright = { lux = 600, hours = 10 }")},
        extra="[rig]\nmist_l_h = 1.2\nfogger_w = 60\nfan_w = 15\nreservoir_l = 12\n",
    )  # fmt: skip
    toml = folder / "trial.toml"
    toml.write_text(toml.read_text().replace("title = 'invented'", f"title = '{HOSTILE}'"))
    return tk.assign(tk.read_trial(folder))


def test_one_label_for_each_unit_with_its_code(plan):
    page = labels_page(plan)
    assert page.count('<article class="label">') == len(plan.table) == 32
    for unit in plan.table["unit"]:
        assert f">{unit}</div>" in page
        assert f'aria-label="scannable code {unit}"' in page


def test_labels_are_blind_unless_asked(plan):
    blind, told = labels_page(plan), labels_page(plan, blind=False)
    for level in ("usual", "banded", "bright"):
        assert level not in blind
        assert level in told


def test_a_code_is_the_unit_code_to_another_reader(plan):
    """Every code of the page, drawn from its SVG cells and decoded by an independent library."""
    import zxingcpp

    page = labels_page(plan)
    found = re.findall(r'aria-label="scannable code ([^"]+)">(<svg.*?</svg>)', page, re.DOTALL)
    assert len(found) == len(plan.table)
    for unit, drawn in found[::7]:
        codes = zxingcpp.read_barcodes(drawn_from_svg(drawn))
        assert [code.text for code in codes] == [unit]


def drawn_from_svg(drawn, scale=6):
    """Paint the strokes of a code's SVG (horizontal runs, one cell high) as grey pixels."""
    size = int(re.search(r'viewBox="0 0 (\d+) (\d+)"', drawn).group(1))
    cells = np.full((size, size), 255, dtype=np.uint8)
    x, y = 0.0, 0.0
    for move, a, b in re.findall(r"([Mmh])\s*(-?[\d.]+)(?:[ ,]?(-?[\d.]+))?",
                                 re.search(r' d="([^"]+)"', drawn).group(1)):  # fmt: skip
        if move == "M":
            x, y = float(a), float(b)
        elif move == "m":
            x, y = x + float(a), y + float(b)
        else:
            cells[int(y), int(x) : int(x + float(a))] = 0
            x += float(a)
    return np.kron(cells, np.ones((scale, scale), dtype=np.uint8))


def test_cards_say_settings_and_daily_use(plan):
    """20 s of every 240 s is 1/12: 2 h a day, so 2.4 L, and 75 W for 2 h is 0.15 kWh."""
    page = cards_page(plan)
    assert page.count('<article class="card parts-1">') == 8
    assert "20 s" in page
    assert "220 s" in page
    assert "86 %" in page
    assert "2.40 L" in page
    assert "0.15 kWh" in page
    assert "120 h" in page  # 12 L at 2.4 L a day last 5 days
    assert "360" in page  # cycles a day
    assert "150 lux, 10 h a day" in page


def test_daily_use_by_hand(plan):
    use = daily_use(plan.trial, Setting(on_s=20, off_s=220))
    assert use.duty_pct == pytest.approx(100 / 12)
    assert use.water_l_day == pytest.approx(2.4)
    assert use.energy_kwh_day == pytest.approx(0.15)
    assert use.refill_hours == pytest.approx(120)
    unknown = daily_use(plan.trial, Setting(start_below_rh=86, stop_above_rh=93))
    assert unknown.water_l_day is None  # the room is not known: no number is made up
    assert "depends on the room" in unknown.basis


def test_long_times_stand_in_minutes_too_on_the_cards(plan):
    """930 s are 15 min 30 s: 15 × 60 + 30; by hand."""
    assert "3 min 40 s" in unescape(cards_page(plan))  # 220 s off
    written = {59: "", 60: "1 min", 930: "15 min 30 s", 3600: "1 h"}
    assert {s: minutes_and_seconds(s) for s in written} == written
    assert minutes_and_seconds(5430) == "1 h 30 min 30 s"


def test_timer_table_has_one_row_for_each_treated_unit(plan):
    table = timer_table(plan)
    assert len(table) == 8 + 16
    timed = table[table["kind"] == "timed"]
    assert (timed["on_s"] == 20).all()
    assert (timed["water_l_day"].round(9) == 2.4).all()


def test_checklist_carries_the_cautions_where_they_belong(plan):
    page = checklist_page(plan)
    parts = re.split(r"<h2>", page)
    by_title = {part.split("</h2>")[0]: part for part in parts[1:]}
    before, start, daily, harvest, clean, full = by_title.values()
    assert "Mains power beside water" in before
    assert "measured with a jug" not in before  # the rig says both figures
    unmeasured = plan.trial.rig.model_copy(update={"fogger_w": None})
    open_rig = replace(plan, trial=replace(plan.trial, rig=unmeasured))
    assert "measured with a jug" in checklist_page(open_rig)
    assert "Spores and breathing" in harvest
    assert "Food hygiene" in harvest
    assert "Mist carries what is in the water" in daily
    assert "Carbon dioxide in closed rooms" in daily
    assert "Legionella in warm standing water" in before
    assert "Cleaning agents and disinfectants" in clean
    assert "licensed" in page
    for caution in list_cautions(where="sheets", uses=uses_of(plan.trial)):
        assert caution.text in unescape(full)
        assert caution.source in unescape(full)
        assert unescape(page).count(caution.short) == 1  # in full at the end alone
        assert caution.text not in unescape(before + start + daily + harvest + clean)
    # a box for each of 28 days where no batch is dated, one for each flush, none elsewhere
    assert re.findall(r"<i>(\d+)</i>", daily)[:28] == [str(day) for day in range(1, 29)]
    assert daily.count("<li>") * 28 == daily.count("<i>")
    assert harvest.count("<li>") * plan.trial.flushes == harvest.count("<i>")
    assert "<i>" not in before + start + clean


def test_the_daily_boxes_last_as_long_as_the_longest_batch(plan):

    from trialkit.design.sheets.checklist import fruiting_days
    from trialkit.trial.trial import BatchDates

    day = dt.datetime(2031, 1, 13, 9, tzinfo=dt.UTC)
    dated = {"B1": BatchDates(day, day + dt.timedelta(days=26, hours=3)), "B2": BatchDates(day)}
    assert fruiting_days(replace(plan.trial, batches=dated)) == 27


@pytest.mark.parametrize("make", [labels_page, cards_page, checklist_page, weighing_page])
def test_pages_escape_names_and_fetch_nothing(plan, make):
    page = make(plan)
    assert "<script" not in page
    assert "&lt;script&gt;" in page
    outside = re.findall(r"""(?:src|href|url\()\s*=?\s*["']?(https?:[^"')\s]+)""", page)
    assert [url for url in outside if "w3.org" not in url] == []


def test_map_names_every_level_and_escapes_titles(plan):
    from trialkit.design.sheets.map import map_svg

    drawn = map_svg(plan)
    assert "<script>" not in drawn
    for level in ("usual", "banded", "dim", "bright"):
        assert drawn.count(f">{level}<") >= 4
    assert drawn == map_svg(plan)


@pytest.mark.parametrize(
    ("units", "factors"),
    [
        ("structure = 'pot'\npot = 12", {"a": ("pot", 3, "")}),
        ("structure = 'rep / (row * column)'\nrep = 2\nrow = 4\ncolumn = 3",
         {"v": ("rep:row", 4, ""), "n": ("rep:column", 3, "")}),
        ("structure = 'block / plot'\nblock = 6\nplot = 4",
         dict.fromkeys("NPK", ("block:plot", 2, ""))),
        ("structure = 'block / plot / subplot'\nblock = 3\nplot = 3\nsubplot = 4",
         {"v": ("block:plot", 3, ""), "n": ("block:plot:subplot", 4, "")}),
    ],
)  # fmt: skip
def test_other_layouts_have_maps_and_pages_too(make_trial, tmp_path, units, factors):
    trial = make_trial(units, factors)
    paths = tk.assign(trial).write(tmp_path)
    assert all(path.stat().st_size > 0 for path in paths)


@pytest.mark.slow
@pytest.mark.browser
@pytest.mark.parametrize("paper", [("8.27in", "11.69in"), ("8.5in", "11in")], ids=["A4", "Letter"])
def test_labels_and_cards_keep_to_their_pages(plan, tmp_path, paper):
    """Printed by a browser on A4 and Letter: ten labels and four cards to a page, none cut."""
    browser = shutil.which("chromium") or shutil.which("google-chrome")
    info = shutil.which("pdfinfo")
    if not browser or not info:
        pytest.fail("needs a Chromium and pdfinfo on the machine")
    pages = {"labels": (labels_page(plan), 4), "cards": (cards_page(plan), 1 + 2)}
    for name, (text, expected) in pages.items():
        sized = text.replace("@page { margin: 10mm; }",
                             f"@page {{ size: {paper[0]} {paper[1]}; margin: 10mm; }}")  # fmt: skip
        source = tmp_path / f"{name}.html"
        source.write_text(sized, encoding="utf-8")
        target = tmp_path / f"{name}.pdf"
        subprocess.run(
            [browser, "--headless", "--no-sandbox", "--disable-gpu",
             "--disable-background-networking", "--no-pdf-header-footer",
             f"--print-to-pdf={target}", source.as_uri()],
            check=True, capture_output=True, timeout=120,
        )  # fmt: skip
        told = subprocess.run([info, str(target)], check=True, capture_output=True, text=True)
        assert int(re.search(r"Pages:\s+(\d+)", told.stdout).group(1)) == expected


@pytest.mark.browser
def test_a_long_title_keeps_to_one_line_of_its_label(plan, tmp_path):
    """The plan's number, by which a stray label is traced, is never cut."""
    from playwright.sync_api import sync_playwright

    chromium = shutil.which("chromium") or shutil.which("google-chrome")
    if not chromium:
        pytest.fail("needs a Chromium on the machine")
    long = replace(plan, trial=replace(plan.trial, title="Does short mist beat long mist? " * 4))
    source = tmp_path / "labels.html"
    source.write_text(labels_page(long), encoding="utf-8")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=chromium, args=["--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page()
        page.goto(source.as_uri())
        label, number = (
            page.evaluate(f"document.querySelector('{s}').getBoundingClientRect().toJSON()")
            for s in (".label", ".label .foot b")
        )
        browser.close()
    assert number["bottom"] <= label["bottom"]
    assert number["right"] <= label["right"]
    assert number["height"] < 15  # one line of 7 point [px]


def test_the_weighing_form_lists_every_block_once_a_flush_and_hides_what_it_receives(plan):
    page = weighing_page(plan)
    flushes = plan.trial.flushes
    for unit in plan.table["unit"]:
        assert page.count(f">{unit}</th>") == flushes
    for level in ("usual", "banded", "dim", "bright"):
        assert level not in page
    pages = weighing_pages(plan)
    assert sum(len(p["units"]) * len(p["flushes"]) for p in pages) == len(plan.table) * flushes
    # a page for each of the 8 chamber runs, with its own blocks and all its flushes
    assert [(p["batch"], p["place"]) for p in pages] == [
        (batch, chamber if not chamber.isdigit() else f"chamber {chamber}")
        for batch in plan.trial.levels["batch"]
        for chamber in plan.trial.levels["chamber"]
    ]
    for one in pages:
        assert one["flushes"] == list(range(1, flushes + 1))
        mine = plan.table[plan.table["batch"] == one["batch"]]
        assert set(one["units"]) <= set(mine["unit"])
        assert len(one["units"]) == 4


@pytest.mark.parametrize(("blocks", "expected"), [
    (6, [(6, [1, 2, 3])]),  # 3 x (18 + 54) = 216 of 236 mm
    (9, [(9, [1, 2]), (9, [3])]),  # 99 mm each
    (30, [(24, [1]), (6, [1]), (24, [2]), (6, [2]), (24, [3]), (6, [3])]),  # 218 / 9 = 24 rows
])  # fmt: skip
def test_flushes_share_a_page_where_they_fit(make_trial, blocks, expected):
    units = f"structure = 'chamber / block'\nchamber = 4\nblock = {blocks}\nflushes = 3"
    plan = tk.assign(make_trial(units, {"schedule": ("chamber", 2, "")}))
    pages = [(len(p["units"]), p["flushes"]) for p in weighing_pages(plan)]
    assert pages == expected * 4
    assert ROWS == 24


def test_the_form_has_room_for_two_columns_of_the_trials_own_and_names_the_rest(make_trial):
    own = "".join(
        f"[columns.{n}_mm]\nrange = [1, 99]\nunit = 'mm'\npools = 'mean'\n"
        for n in ("cap", "stem", "gill")
    )
    units = "structure = 'chamber / block'\nchamber = 4\nblock = 2"
    plan = tk.assign(make_trial(units, {"schedule": ("chamber", 2, "")}, extra=own))
    page = weighing_page(plan)
    heads = re.findall(r'<th scope="col">([^<]+)</th>', page)[:7]
    assert heads[0:3] == ["block", "weight [g]", "caps"]
    assert [head for head in heads if "[mm]" in head] == ["cap mm [mm]", "stem mm [mm]"]
    assert "Also measure, and enter in the harvest sheet: gill mm [mm]." in page
    widths = [float(w) for w in re.findall(r'<col style="width: ([\d.]+)mm">', page)[:7]]
    assert sum(widths) == pytest.approx(190)
    assert min(widths) >= 17


@pytest.mark.parametrize("form", FORMATS.values(), ids=FORMATS)
def test_labels_of_every_size_fit_their_page(plan, form):
    wide, tall = {"A4": (210, 297), "Letter": (215.9, 279.4), "cut": (190, 259)}.get(
        form.page, (form.width_mm, form.height_mm)
    )
    assert form.across * form.width_mm + (form.across - 1) * form.gap_mm <= wide
    assert form.down * form.height_mm <= tall
    page = labels_page(plan, size=form.name)
    assert page.count('<section class="page labels">') == -(-len(plan.table) // form.each_page)
    assert page.count('<div class="weights">') == len(plan.table)
    assert page.count("<i>g</i>") == len(plan.table) * plan.trial.flushes
    scan = float(re.search(r"\.label \.scan svg \{ width: calc\(([\d.]+) \*", page).group(1))
    assert 8 <= scan < form.height_mm


def test_margins_of_known_sheets():
    """Three columns of 70 mm fill A4; eight rows of 37 mm leave 1 mm: half above, half below."""
    assert find_format("70 x 37 mm").margins_mm == (0.5, 0.0)
    # 7 x 38.1 = 266.7 of 297 mm; 3 x 63.5 + 2 x 2.5 = 195.5 of 210 mm
    assert find_format("64x38").margins_mm == (15.15, 7.25)


def test_a_size_that_is_not_known_is_answered_with_those_that_are():
    with pytest.raises(PlanError, match="70x37"):
        find_format("12x12")


def test_brighter_light_is_lighter_on_the_map(plan):
    from matplotlib.colors import to_rgb

    from trialkit.design.sheets.map import _fill

    light = plan.trial.factors["light"]
    shade = {name: to_rgb(_fill(light, name, 1)["facecolor"])[0] for name in light.levels}
    assert shade["bright"] > shade["dim"]


@pytest.mark.browser
@pytest.mark.parametrize("treatments", [1, 2, 3])
def test_a_card_holds_all_that_is_set_in_its_chamber(make_trial, tmp_path, treatments):
    """Mist, light and air for one chamber: on screen and on paper nothing is cut off."""
    from playwright.sync_api import sync_playwright

    chromium = shutil.which("chromium") or shutil.which("google-chrome")
    if not chromium:
        pytest.fail("needs a Chromium on the machine")
    factors = {
        "schedule": ("batch:chamber", [], "levels.usual = { on_s = 20, off_s = 220 }\n"
                     "levels.sparse = { on_s = 20, off_s = 344 }"),
        "light": ("batch:chamber", [], "levels.dim = { lux = 400, hours = 12 }\n"
                  "levels.bright = { lux = 1200, hours = 11 }"),
        "air": ("batch:chamber", [], "levels.less = { value = 4, unit = 'air changes an hour' }\n"
                "levels.more = { value = 8, unit = 'air changes an hour' }"),
    }  # fmt: skip
    trial = make_trial(
        "structure = '(batch * chamber) / block'\nbatch = 4\nchamber = 4\nblock = 2",
        dict(list(factors.items())[:treatments]),
        extra="[rig]\nmist_l_h = 1.2\nfogger_w = 60\nfan_w = 15\nreservoir_l = 12\n",
    )
    source = tmp_path / "cards.html"
    source.write_text(cards_page(tk.assign(trial)), encoding="utf-8")
    cut = """() => [...document.querySelectorAll('.card')]
        .filter(e => e.scrollHeight > e.clientHeight + 1).length"""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=chromium, args=["--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page(viewport={"width": 1000, "height": 800})
        page.goto(source.as_uri())
        for medium in ("screen", "print"):
            page.emulate_media(media=medium)
            assert page.evaluate("document.querySelectorAll('.card').length") == 16
            assert page.evaluate(cut) == 0, medium
        words = page.inner_text("body")
        browser.close()
    if treatments > 1:
        assert "light a day" in words
        assert "11 h" in words


def test_no_page_is_wider_than_a_phone(plan, tmp_path):
    """Nothing that is shown reaches beyond 390 px, and words are 10 px or more (labels shrink)."""
    from playwright.sync_api import sync_playwright

    chromium = shutil.which("chromium") or shutil.which("google-chrome")
    if not chromium:
        pytest.fail("needs a Chromium on the machine")
    pages = {
        "labels": labels_page(plan),
        "wide labels": labels_page(plan, size="105x57"),
        "cards": cards_page(plan),
        "checklist": checklist_page(plan),
        "weighing": weighing_page(plan),
    }
    beyond = """() => [...document.querySelectorAll('body *')]
        .filter(e => e.getBoundingClientRect().right > 390.5).map(e => e.className || e.tagName)"""
    tiny = """() => [...document.querySelectorAll('body *:not(svg *)')].filter(e =>
        !e.closest('.label') && e.getClientRects().length &&
        [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim()) &&
        parseFloat(getComputedStyle(e).fontSize) < 10).map(e => e.className || e.tagName)"""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=chromium, args=["--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page(viewport={"width": 390, "height": 800})
        for name, text in pages.items():
            source = tmp_path / f"{name}.html"
            source.write_text(text, encoding="utf-8")
            page.goto(source.as_uri())
            assert page.evaluate(beyond) == [], name
            assert page.evaluate("document.documentElement.scrollWidth") <= 390, name
            assert page.evaluate(tiny) == [], name
        browser.close()
