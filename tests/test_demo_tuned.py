"""The invented trial of settings: made by its seed, its truth stated, and found by the analysis."""

import gzip
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

import trialkit as tk
from trialkit.analysis.tuned_delivered import surfaces_delivered
from trialkit.cli import build
from trialkit.demo import copy_demo, write_demo
from trialkit.demo.tuned_truth import BEST, LEFT, TOP_G, true_mean
from trialkit.explore_choices import choices_at
from trialkit.pipeline import Pipeline
from trialkit.report.settings_delivered import _row
from trialkit.report.settings_page import _facts
from trialkit.settings.setting_range import SettingRange
from trialkit.surface.fit_surface import fit_surface
from trialkit.wording import read_wording

DEMO = tk.demo_folder(tuned=True)


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    return Pipeline(copy_demo(tmp_path_factory.mktemp("tuned"), tuned=True))


def content(path):
    data = path.read_bytes()
    return gzip.decompress(data) if path.suffix == ".gz" else data


@pytest.mark.slow
def test_writing_the_demo_makes_every_file_of_it(tmp_path):
    names = {str(path.relative_to(tmp_path)) for path in write_demo(tmp_path, tuned=True)}
    kept = [p for p in DEMO.rglob("*") if p.is_file() and ".cache" not in p.parts]
    assert names == {str(p.relative_to(DEMO)) for p in kept}
    for name in sorted(names):
        assert content(tmp_path / name) == content(DEMO / name), name


def test_it_is_small_marked_as_invented_and_states_its_truth(job):
    files = [p for p in DEMO.rglob("*") if p.is_file() and ".cache" not in p.parts]
    assert sum(p.stat().st_size for p in files) < 2e6
    assert job.trial.invented
    told = (DEMO / "README.md").read_text(encoding="utf-8")
    assert "The best setting is 6.5 % mist and 600 lux" in told
    assert "invented" in told


def test_the_stated_best_is_the_top_of_the_stated_hill():
    """By brute force over the range, on a grid that holds the stated best."""
    mist, light = np.meshgrid(np.linspace(2, 10, 81), np.linspace(50, 1000, 96))
    yields = true_mean({"mist": mist, "light": light})
    at = np.unravel_index(yields.argmax(), yields.shape)
    assert (mist[at], light[at]) == pytest.approx((BEST["mist"], BEST["light"]))
    assert yields.max() == pytest.approx(TOP_G)


def test_the_analysis_finds_what_the_demo_says_is_true(job):
    """The stated best lies in the region; what is promised of the least mist holds in truth."""
    found = job.best_setting
    settings, region = found.surface.settings, found.region
    nearest = [s.values[np.abs(s.values - BEST[s.name]).argmin()] for s in settings]
    at = np.isclose(region.values, nearest).all(axis=1)
    assert at.sum() == 1
    assert region.within[at].all()
    assert region.seen
    assert found.stationary.kind == "top"
    rows = found.choices.table.set_index("choice")
    least, today = (
        true_mean({n: np.array([rows[n][c]]) for n in BEST})[0] for c in ("least use", "today")
    )
    assert rows["use_change_pct"]["least use"] < 0
    assert least >= 0.9 * today


def test_the_timer_that_was_left_alone_is_the_only_fault_found(job):
    told = [f for f in job.findings() if f.severity != "note"]
    assert {f.code for f in told} == {"schedule_not_delivered", "schedules_overlap"}
    off = next(f for f in told if f.code == "schedule_not_delivered")
    assert all(name in str(off) for name in LEFT)


def duty_by_hand(job):
    """Add the logged seconds of each run by pandas alone: no aligning, no kernel."""
    mist = pd.read_csv(DEMO / "logs/mist.csv.gz", parse_dates=["mist from"])
    out = {}
    for batch, dates in job.trial.batches.items():
        start, end = (pd.Timestamp(t).tz_convert("Europe/Vienna") for t in (dates.start, dates.end))
        start, end = start.tz_localize(None), end.tz_localize(None)
        own = mist[(mist["mist from"] >= start) & (mist["mist from"] < end)]
        seconds = own.groupby("tent")["seconds"].sum()
        for tent, on in seconds.items():
            out[batch, tent] = 100 * on / (end - start).total_seconds()
    return out


def test_the_surface_over_the_mist_delivered_is_that_of_a_table_made_by_hand(job):
    plan = pd.read_csv(DEMO / "plan/assignment.csv")
    sheet = pd.read_csv(DEMO / "logs/harvest.csv")
    table = plan.merge(sheet, left_on="unit", right_on="block code")
    duty = duty_by_hand(job)
    table["duty"] = [duty[key] for key in zip(table["batch"], table["chamber"], strict=True)]
    table["lux"] = table["light"].map(lambda v: 300.0 if v == "today" else float(v.split()[0]))
    (by_duty, _), missed = surfaces_delivered(job.trial, job.data)
    assert missed == []
    assert by_duty.exposure == "duty_pct"
    light = SettingRange("lux", 50, 1000, 300)
    mist = SettingRange("duty", min(duty.values()), max(duty.values()), 8.3)
    random = ["batch", "chamber", "batch:chamber", "batch:chamber:shelf"]
    expected = fit_surface(table, [mist, light], response="fresh", random=random)
    # seconds at the ends of a run are cut by the second here, by the moment there
    assert by_duty.surface.estimate == pytest.approx(expected.estimate, abs=0.2)
    off = by_duty.runs.set_index(["batch", "chamber"])["dose"]
    assert off[LEFT] == pytest.approx(100 / 12, abs=0.01)  # 20 s of 240
    assert by_duty.runs.set_index(["batch", "chamber"])["level"][LEFT] == "10 %"
    set_ = job.best_setting.surface.estimate
    assert np.abs(by_duty.surface.estimate - set_).max() > 1  # one run in 24 moved


def test_a_surface_over_air_that_hardly_differed_is_not_given_and_said(job):
    from dataclasses import replace

    runs = job.data.runs.assign(rh_pct=90.0)
    found, missed = surfaces_delivered(job.trial, replace(job.data, runs=runs))
    assert [d.exposure for d in found] == ["duty_pct"]
    assert [f.code for f in missed] == ["delivered_not_fitted"]
    assert "hardly differs" in str(missed[0])


def test_the_report_marks_what_was_delivered_as_not_randomised(job, tmp_path):
    page = job.write_report(tmp_path / "page.html").read_text(encoding="utf-8")
    assert "By what chambers really got (not randomised)" in page
    assert page.count('id="delivered') >= 1
    assert "This was not randomised" in page


def test_the_command_copies_it_and_ends_by_naming_the_report(tmp_path):
    made = CliRunner().invoke(
        build(rich_help=False), ["demo", "--tuned", str(tmp_path / "demo")], env={"COLUMNS": "120"}
    )
    assert made.exit_code == 0, made.output
    assert "mist and light as ranges" in made.output
    assert "Best near mist" in made.output
    assert "With relative humidity in place of what was set: best near" in made.output
    assert made.output.rstrip().endswith("report.html")


@pytest.mark.parametrize(
    ("open_low", "open_high", "says", "ends"),
    [
        (False, False, "may be 300 to 1,000", (300, 1000)),
        (False, True, "may be 300 or more", (300, np.inf)),
        (True, False, "may be 1,000 or less", (-np.inf, 1000)),
        (True, True, "may be any setting of the range", (-np.inf, np.inf)),
    ],
)
def test_the_page_says_alike_everywhere_where_the_best_stays_open(open_low, open_high, says, ends):
    region = SimpleNamespace(
        seen=True, best=[600.0], open_low=(open_low,), open_high=(open_high,),
        limits=lambda: [(300.0, 1000.0)],
    )  # fmt: skip
    light = SettingRange("light", 50, 1000, 300, "lux")
    inputs = SimpleNamespace(
        say=read_wording(), names=["light"], unit=lambda i: "lux",
        found=SimpleNamespace(region=region, surface=SimpleNamespace(settings=(light,))),
    )  # fmt: skip
    (fact,) = _facts(inputs)
    assert fact.limits.replace("\u00a0", " ") == says
    row = _row("light", region, 0, 0.01, 24)
    assert (row["low"], row["high"]) == ends


def test_prices_of_ones_own_give_a_table_with_units_and_levels_as_planned(job):
    """Heads name gram and euro; 6.993 % of whole seconds is the level that the plan calls 7 %."""
    picture, shown = choices_at(
        job.trial, job.data, job.best_setting,
        mushrooms=8.0, water=4.0, energy=0.3, margin=10.0,
    )  # fmt: skip
    assert picture.startswith(b"\x89PNG")
    assert "a block gave [g]" in shown
    assert "falls short by [EUR]" in shown
    assert "{" not in shown
    assert "6.99" not in shown
    assert ">7<" in shown
