"""The notebooks: paired, stripped, plain, and running on any trial from top to bottom."""

import json
import os
import re
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest

import trialkit as tk
from tests.bare_plans import write_bare
from trialkit.demo import copy_demo
from trialkit.errors import TrialkitError
from trialkit.templates import new_trial
from trialkit.templates.notebooks import copy_notebooks, find_trial_folder, notebook_folder

BOOKS = sorted(notebook_folder().glob("*.ipynb"))
NAMES = [path.stem for path in BOOKS]


def cells_of(path):
    """Give the cells of a notebook; the library for them takes seconds to import."""
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    return [SimpleNamespace(**cell | {"source": "".join(cell["source"])}) for cell in cells]


def cells_of_script(path):
    """Split a percent script into (kind, text), magics and markdown as a notebook has them."""
    text = path.read_text(encoding="utf-8").split("# ---\n", 2)[2]
    out = []
    for part in re.split(r"(?m)^# %%", text)[1:]:
        head, _, body = part.partition("\n")
        body = body.strip("\n")
        if "[markdown]" in head:
            lines = [line.removeprefix("#").removeprefix(" ") for line in body.split("\n")]
            out.append(("markdown", "\n".join(lines)))
        else:
            out.append(("code", re.sub(r"(?m)^# %", "%", body)))
    return out


def execute(path, folder, *, home):
    """Run a notebook with `folder` set, in `home`; give it back with its outputs."""
    import nbformat
    from nbclient import NotebookClient

    book = nbformat.read(path, as_version=4)
    cell = next(c for c in book.cells if "parameters" in c.metadata.get("tags", []))
    cell.source = f"folder = {str(folder)!r}"
    client = NotebookClient(book, timeout=300, resources={"metadata": {"path": str(home)}})
    return client.execute()


def test_there_are_nine():
    assert NAMES == [
        "1_design", "2_check_logs", "3_analyse", "4_report", "5_commissioning",
        "6_pilot_to_sample_size", "7_sizing_up", "8_best_setting", "9_several_trials",
    ]  # fmt: skip


@pytest.mark.parametrize("path", BOOKS, ids=NAMES)
def test_text_and_notebook_are_the_same(path):
    script = path.with_suffix(".py")
    if not script.exists():
        return
    assert [(c.cell_type, c.source) for c in cells_of(path)] == cells_of_script(script)


@pytest.mark.parametrize("path", BOOKS, ids=NAMES)
def test_outputs_are_stripped(path):
    for cell in cells_of(path):
        if cell.cell_type == "code":
            assert cell.outputs == []
            assert cell.execution_count is None


@pytest.mark.parametrize("path", BOOKS, ids=NAMES)
def test_the_first_code_cell_names_the_folder(path):
    first = next(c for c in cells_of(path) if c.cell_type == "code")
    assert first.metadata["tags"] == ["parameters"]
    assert first.source.startswith('folder = "')


@pytest.mark.parametrize("path", BOOKS, ids=NAMES)
def test_no_functions_and_a_sentence_after_every_code_cell(path):
    cells = cells_of(path)
    for here, after in zip(cells, [*cells[1:], None], strict=True):
        if here.cell_type != "code" or "parameters" in here.metadata.get("tags", []):
            continue
        assert not re.search(r"(?m)^\s*(def|class) |lambda", here.source)
        assert after is not None
        assert after.cell_type == "markdown"
        assert re.search(r"[.!?)]", after.source)
    assert "## What to do next" in "".join(c.source for c in cells if c.cell_type == "markdown")


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """Copy the demo, so that what is written stays out of the package."""
    return copy_demo(tmp_path_factory.mktemp("demo") / "trial")


def grown(folder, trial):
    """Fill in the harvest sheet of a planned trial with plain numbers."""
    plan = tk.assign(trial)
    write_bare(plan, folder)
    sheet = pd.read_csv(folder / "plan" / "harvest_sheet.csv", dtype=str, keep_default_na=False)
    rows = pd.Series(range(len(sheet)))
    sheet["date"] = "2031-02-01"
    sheet["fresh_g"] = (400 + 7 * (rows % 5) + 11 * (rows % 3) - 13 * (rows % 7)).astype(str)
    sheet.to_csv(folder / "logs" / "harvest.csv", index=False)
    return folder


@pytest.fixture(scope="module")
def harvest_only(tmp_path_factory):
    """Two boxes with shelves, one flush, three batches, no loggers."""
    folder = tmp_path_factory.mktemp("plain") / "trial"
    new_trial(folder, chambers=["left", "right"], shelves=["top", "low"], batches=4, blocks=2,
              flushes=1, seed=9)  # fmt: skip
    return grown(folder, tk.read_trial(folder))


FIELD = """
[trial]
title = "Three covers in a field"
[units]
structure = "block / plot / subplot"
block = 4
plot = 3
subplot = 2
[factors.cover]
applied_to = "block:plot"
control = "bare"
levels.bare = {}
levels.straw = {}
levels.bark = {}
[factors.water]
applied_to = "block:plot:subplot"
levels.less = {}
levels.more = {}
[question]
primary = "cover"
[logs.harvest]
files = ["logs/harvest.csv"]
columns = { time = "date" }
"""


@pytest.fixture(scope="module")
def field(tmp_path_factory):
    """Split plots in a field: no batch, no chamber, no mist, one harvest."""
    folder = tmp_path_factory.mktemp("field") / "trial"
    (folder / "logs").mkdir(parents=True)
    (folder / "trial.toml").write_text(FIELD)
    return grown(folder, tk.read_trial(folder))


@pytest.mark.slow
def test_notebook_1_begins_a_trial_and_draws_its_plan(tmp_path):
    copy_notebooks(tmp_path)
    book = execute(tmp_path / "notebooks" / "1_design.ipynb", "", home=tmp_path / "notebooks")
    assert (tmp_path / "trial.toml").exists()
    assert (tmp_path / "plan" / "assignment.csv").exists()
    assert any("image/png" in o.get("data", {}) for c in book.cells for o in c.get("outputs", []))


@pytest.mark.slow
@pytest.mark.parametrize("path", BOOKS, ids=NAMES)
def test_the_demo_runs_through(path, demo):
    book = execute(path, demo, home=demo.parent)
    outputs = [o for c in book.cells for o in c.get("outputs", [])]
    assert not [o for o in outputs if o.output_type == "stream" and o.name == "stderr"]
    assert any("image/png" in o.get("data", {}) for o in outputs)


@pytest.mark.slow
@pytest.mark.parametrize("path", BOOKS, ids=NAMES)
@pytest.mark.parametrize("kind", ["harvest_only", "field"])
def test_trials_of_other_shapes_run_through_unchanged(path, kind, request):
    folder = request.getfixturevalue(kind)
    execute(path, folder, home=folder.parent)


CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


def free_port():
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


def wait_for(address, process, seconds=90):
    until = time.time() + seconds
    while time.time() < until:
        assert process.poll() is None, "JupyterLab ended"
        try:
            with urllib.request.urlopen(address, timeout=5):
                return
        except (urllib.error.URLError, OSError):
            time.sleep(0.5)
    raise AssertionError(f"nothing answers at {address}")


@contextmanager
def started_lab(spare, folder):
    """Start `trialkit lab` on a folder, with settings of its own; give its address."""
    port = free_port()
    # all cells stay in the page, so that one can see whether each has run; no news is fetched
    for plugin, setting in {
        "notebook-extension/tracker": {"windowingMode": "none"},
        "apputils-extension/notification": {"fetchNews": "false", "checkForUpdates": False},
    }.items():
        file = spare / "settings" / "@jupyterlab" / f"{plugin}.jupyterlab-settings"
        file.parent.mkdir(parents=True)
        file.write_text(json.dumps(setting))
    environment = os.environ | {
        "JUPYTER_CONFIG_DIR": str(spare / "config"),
        "JUPYTER_DATA_DIR": str(spare / "data"),
        "JUPYTERLAB_SETTINGS_DIR": str(spare / "settings"),
        "JUPYTERLAB_WORKSPACES_DIR": str(spare / "workspaces"),
        "JUPYTER_TOKEN": "test",
    }
    process = subprocess.Popen(
        [sys.executable, "-c", "from trialkit.cli import main; main()", "lab",
         str(folder), "--no-browser", "--port", str(port)],
        env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        wait_for(f"http://127.0.0.1:{port}/api", process)
        yield f"http://127.0.0.1:{port}"
    finally:
        process.terminate()
        process.wait(timeout=30)


def run_all_cells(page, address, name):
    """Open a notebook and run its cells; wait until each has its number."""
    page.goto(f"{address}/lab/tree/notebooks/{name}.ipynb?token=test&reset")
    page.wait_for_selector(".jp-Notebook .jp-CodeCell", timeout=90_000)
    page.get_by_text(re.compile(r"\| Idle$")).wait_for(timeout=90_000)  # the kernel is there
    page.wait_for_timeout(1000)
    page.get_by_role("menuitem", name="Run", exact=True).click()
    page.get_by_role("menuitem", name="Run All Cells", exact=True).click()
    page.wait_for_function(
        """() => {
          const prompts = [...document.querySelectorAll('.jp-CodeCell .jp-InputPrompt')];
          return prompts.length > 2 && prompts.every(one => /\\[\\d+\\]/.test(one.textContent));
        }""",
        timeout=300_000,
        polling=500,
    )
    page.wait_for_timeout(1500)


def no_error_shows(page, name):
    for wrong in (
        '[data-mime-type="application/vnd.jupyter.stderr"]',
        ".jp-OutputArea-output:has-text('Traceback')",
        ".jp-OutputArea-output:has-text('Error displaying widget')",
    ):
        assert page.locator(wrong).count() == 0, f"{name}: {wrong}"


@pytest.mark.slow
@pytest.mark.browser
@pytest.mark.skipif(CHROMIUM is None, reason="needs a Chromium on the machine")
@pytest.mark.parametrize("begun", [False, True], ids=["first plan", "demo"])
def test_notebooks_in_a_real_jupyterlab(begun, tmp_path):
    """Run all cells, move a slider: no error. Notebook 1 begins a trial, the others read one.

    In a thread of its own: another test's browser may still hold this one's event loop.
    """
    folder = copy_demo(tmp_path / "trial") if begun else tmp_path / "trial"
    drive = drive_the_others if begun else make_a_first_plan
    with started_lab(tmp_path, folder) as address, ThreadPoolExecutor(1) as pool:
        pool.submit(drive, address, folder).result()


@contextmanager
def opened_page():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"]
        )
        yield browser.new_page(viewport={"width": 1300, "height": 900})
        browser.close()


def move_the_first_slider(page, named=""):
    """Move it with the keyboard; say whether the words or the picture beside it changed."""
    area = page.locator(".jp-OutputArea").filter(has=page.locator(".widget-hslider"))
    area = area.filter(has_text=named).first
    before = shown_beside(area)
    handle = area.locator(".widget-hslider").filter(has_text=named).first
    handle.locator(".noUi-handle").first.focus()
    for _ in range(12):
        page.keyboard.press("ArrowRight")
    until = time.time() + 30
    while shown_beside(area) == before and time.time() < until:
        page.wait_for_timeout(500)
    return shown_beside(area) != before


def shown_beside(area):
    return area.evaluate(
        """one => [...one.querySelectorAll('.widget-html, img')]
          .map(part => part.src || part.textContent).join('|')"""
    )


def make_a_first_plan(address, folder):
    with opened_page() as page:
        run_all_cells(page, address, "1_design")
        assert (folder / "plan" / "assignment.csv").exists()
        assert move_the_first_slider(page, "mist off [s]")
        no_error_shows(page, "1_design")


def drive_the_others(address, folder):
    moved = []
    with opened_page() as page:
        for name in NAMES[1:]:
            run_all_cells(page, address, name)
            pictures = page.locator(".jp-OutputArea img, .jp-OutputArea svg").count()
            assert pictures, f"{name} shows no picture"
            if page.locator(".widget-hslider").count():
                assert move_the_first_slider(page), name
                moved.append(name)
            no_error_shows(page, name)
    assert (folder / "report.html").exists()
    assert moved == ["6_pilot_to_sample_size", "8_best_setting"]


def test_copies_read_the_trial_from_one_file_beside_them(tmp_path, monkeypatch):
    made = copy_notebooks(tmp_path / "mine")
    assert [path.stem for path in made] == NAMES
    for path in made:
        text = "".join("".join(c["source"]) for c in json.loads(path.read_text())["cells"])
        assert 'folder = ""' in text
    assert copy_notebooks(tmp_path / "mine") == []
    new_trial(tmp_path / "mine", seed=1)
    monkeypatch.chdir(tmp_path / "mine" / "notebooks")
    assert find_trial_folder().resolve() == tmp_path / "mine"
    new_trial(tmp_path / "other", seed=1)
    Path("trial-folder.txt").write_text(f"{tmp_path / 'other'}\n")
    assert find_trial_folder().resolve() == tmp_path / "other"


def test_a_mistyped_folder_stops_with_those_that_are_there(tmp_path, monkeypatch):
    for name in ("spring", "autumn"):
        new_trial(tmp_path / name, seed=1)
    (tmp_path / "empty").mkdir()
    monkeypatch.chdir(tmp_path)
    for name, told in (("sprnig", "is not there"), ("empty", r"holds no trial\.toml")):
        with pytest.raises(TrialkitError, match=f"{told}.*autumn, spring"):
            find_trial_folder(name)
    assert find_trial_folder("empty", may_begin=True) == Path("empty")
    with pytest.raises(TrialkitError, match="is not there"):
        find_trial_folder("nowhere", may_begin=True)
    Path("trial-folder.txt").write_text("sprnig")
    with pytest.raises(TrialkitError, match=r"trial-folder\.txt: the folder 'sprnig'"):
        find_trial_folder()
    assert not Path("trialkit-demo").exists()


def test_the_demo_comes_only_where_nothing_is_named_and_says_what_it_is(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    home = find_trial_folder()
    assert home == Path("trialkit-demo")
    trial = tk.read_trial(home)
    told = "This trial is invented"
    for shown in (trial, tk.trial_status(trial), tk.read_plan(trial)):
        assert told in shown._repr_html_()
    assert told not in tk.read_trial(new_trial(tmp_path / "mine", seed=1))._repr_html_()


@pytest.mark.parametrize("path", BOOKS, ids=NAMES)
def test_links_lead_to_notebooks_that_are_there(path):
    text = "".join(c.source for c in cells_of(path) if c.cell_type == "markdown")
    linked = re.findall(r"\]\((\w+)\.ipynb\)", text)
    assert linked
    assert set(linked) <= set(NAMES)


def test_sliders_show_what_a_setting_holds_and_say_what_is_assumed(tmp_path):
    from trialkit.explore import schedule_sliders

    known = schedule_sliders(tk.read_trial(tk.demo_folder()))
    sliders = {child.description: child for child in known.children[:-2]}
    picture, words = known.children[-2:]
    assert bytes(picture.value).startswith(b"\x89PNG")
    assert "were assumed" not in words.value
    before = words.value
    sliders["mist off [s]"].value = 460
    assert words.value != before
    new_trial(tmp_path, seed=1)  # a rig that says nothing of output, volume and air changes
    unknown = schedule_sliders(tk.read_trial(tmp_path))
    assert "were assumed: mist_l_h, chamber_m3, and air_changes_h" in unknown.children[-1].value


def test_sliders_of_prices_redraw_the_frontier_and_agree_with_the_analysis(tmp_path):
    """Dear water moves the most money to less mist."""
    from trialkit.explore_choices import choice_sliders, choices_at
    from trialkit.pipeline import Pipeline

    steps = Pipeline(copy_demo(tmp_path / "tuned", tuned=True))
    trial, data, found = steps.trial, steps.data, steps.best_setting
    box = choice_sliders(trial, data, found)
    sliders, (picture, words) = box.children[:-2], box.children[-2:]
    assert [slider.value for slider in sliders] == pytest.approx([9.5, 4.1, 0.31, 10], abs=0.1)
    before = bytes(picture.value)
    assert before.startswith(b"\x89PNG")
    _, told = choices_at(trial, data, found, mushrooms=9.5, water=4.1, energy=0.31, margin=10)
    worth = found.choices.table.set_index("choice")["worth_change"]["most money"]
    assert f"{worth:.3f}" in told
    sliders[3].value = 25
    assert bytes(picture.value) != before
    assert words.value
    dear = choices_at(trial, data, found, mushrooms=2, water=30, energy=2, margin=10)[1]
    assert mist_for_most_money(dear) < mist_for_most_money(told)


def mist_for_most_money(table):
    row = re.search(r"<tr>(?:(?!</tr>).)*most money.*?</tr>", table, re.S).group(0)
    return float(re.findall(r"<t[dh][^>]*>([\d.]+)<", row)[0])
