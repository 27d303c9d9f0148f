"""The trial in one picture: what is drawn is what the tables hold, for trials of every shape."""

import math

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from tests.drawn_text import text_outside, text_over_text
from trialkit.figures import trial_in_one_picture
from trialkit.figures.picture_words import picture_alt
from trialkit.figures.strips import outside_band
from trialkit.figures.trial_tables import TrialTables
from trialkit.style import DRY, FLAG, PAPER, SERIES, WET
from trialkit.wording import read_wording

LONG = "a schedule whose name somebody wrote out in full, with its reason"


def make_tables(runs=24, levels=3, flushes=3, *, air=True, mist=True, names="B{b} T{t}",
                level_names=None, faults=True):  # fmt: skip
    """Make tables of a trial of any size: `runs` runs shared among `levels` levels."""
    rng = np.random.default_rng(5)
    called = level_names or [f"level {i}" for i in range(levels)]
    rows = pd.DataFrame(
        [
            {"run": f"B{i}:T{i % 6}", "name": names.format(b=i // 6 + 1, t=i % 6 + 1),
             "level": called[i * levels // runs], "value": 600 + 60 * rng.normal(),
             "water_l": 10.0 + i % 3 if mist else math.nan, "energy_kwh": math.nan,
             "last_day": 26.0 if air or flushes else math.nan}
            for i in range(runs)
        ]
    )  # fmt: skip
    groups = pd.DataFrame(
        [
            {"level": name, "setting": "20 s on, 220 s off", "estimate": 600.0, "low": 540.0,
             "high": 660.0,
             "verdict": "the control" if i == 0 else "not enough evidence, −13 % (−24 to −1 %)",
             "used": "5 L/kg, saves 20 %" if mist else ""}
            for i, name in enumerate(called)
        ]
    )  # fmt: skip
    steps = np.arange(104) / 4
    strips = pd.concat(
        [
            pd.DataFrame({"run": r, "start_day": steps, "stop_day": steps + 0.25,
                          "dry": np.where(steps > 20, 5.0, 0.0),
                          "wet": np.where(steps < 3, 2.0, 0.0)})
            for r in rows["run"]
        ]
    )  # fmt: skip
    picked = [
        {"run": r, "flush": f + 1, "day": 7.0 + 8 * f, "weight_g": 3000.0 / (f + 1)}
        for r in rows["run"] for f in range(flushes)
    ]  # fmt: skip
    told = [
        {"run": rows["run"].iloc[i], "start_day": d, "stop_day": d + 3, "kind": k, "words": w}
        for i, d, k, w in ((0, 22.0, "doubted", "sensor stuck: left out"),
                           (0, 23.0, "mist", "mist on, but the air did not get wetter"),
                           (1, 1.0, "gap", "no records"))
        if faults and i < runs
    ]  # fmt: skip
    columns = ["run", "start_day", "stop_day", "kind", "words"]
    return TrialTables(
        runs=rows,
        groups=groups,
        air=strips if air else strips.iloc[:0],
        flushes=pd.DataFrame(picked, columns=["run", "flush", "day", "weight_g"]),
        faults=pd.DataFrame(told, columns=columns),
        band=(82.0, 95.0),
        reference=called[0],
        quantity="fresh weight of one block over all 3 flushes [g]",
        units="chamber runs",
        title="Yes: level 1 is not worse than level 0 by more than the accepted 10 %",
        subtitle="Can we mist less? Oyster mushroom, 24 chamber runs. Invented demo data.",
    )


ODD = {
    "usual": {},
    "four runs": {"runs": 4, "levels": 2},
    "one run": {"runs": 1, "levels": 1},
    "one schedule": {"runs": 6, "levels": 1},
    "sixty runs of six": {"runs": 60, "levels": 6},
    "one flush": {"flushes": 1},
    "seven flushes": {"flushes": 7},
    "no climate": {"air": False, "faults": False},
    "no mist": {"mist": False},
    "harvest only, no days": {"air": False, "mist": False, "flushes": 0, "faults": False},
    "long names": {"names": "batch of the {b}th of January, tent number {t} in the cellar",
                   "level_names": [LONG, LONG + " and more", "b" * 90]},
}  # fmt: skip


@pytest.mark.parametrize("narrow", [False, True], ids=["wide", "phone"])
@pytest.mark.parametrize("name", ODD)
def test_no_word_covers_another_and_none_leaves_the_frame(name, narrow):
    figure = trial_in_one_picture(make_tables(**ODD[name]), narrow=narrow).figure
    assert text_over_text(figure) == []
    assert text_outside(figure) == []
    wide = figure.get_size_inches()[0] * 96
    assert wide <= (351 if narrow else 1000)


def test_covered_words_would_be_found():
    figure = Figure()
    ax = figure.subplots()
    ax.text(0.5, 0.5, "one")
    ax.text(0.5, 0.5, "two")
    ax.text(1.4, 0.5, "outside")
    assert ("one", "two") in text_over_text(figure)
    assert text_outside(figure) == ["outside"]


def parts(ax):
    """Give the inset axes by what they show."""
    return {inner.get_xlabel().split("\n")[0].split(" ")[0]: inner for inner in ax.child_axes}


def test_every_run_has_one_open_mark_at_its_yield_and_every_group_its_mean():
    tables = make_tables()
    gave = parts(trial_in_one_picture(tables))["fresh"]
    opened = [
        x for line in gave.lines if line.get_markerfacecolor() == "none" for x in line.get_xdata()
    ]
    assert sorted(opened) == sorted(tables.runs["value"])
    filled = [line for line in gave.lines if line.get_markersize() == 9.5]
    assert [line.get_xdata()[0] for line in filled] == [600.0] * 3


def test_dry_rises_from_below_and_wet_hangs_from_above():
    tables = make_tables(runs=1, levels=1, faults=False)
    air = parts(trial_in_one_picture(tables))["days"]
    shapes = {p.get_facecolor(): p.get_path().vertices for p in air.patches}
    from matplotlib.colors import to_rgba

    dry, wet = shapes[to_rgba(DRY)], shapes[to_rgba(WET)]
    strip = shapes[to_rgba(PAPER)]
    top, bottom = strip[:, 1].min(), strip[:, 1].max()  # the axis runs downwards
    assert dry[:, 1].max() == pytest.approx(bottom)
    assert dry[:, 1].min() == pytest.approx(bottom - (bottom - top) * 5 / 8)
    assert wet[:, 1].min() == pytest.approx(top)
    assert wet[:, 1].max() == pytest.approx(top + (bottom - top) * 2 / 8)
    assert (dry[:, 0].min(), wet[:, 0].max()) == (20.25, 3.0)


def test_the_area_of_a_flush_is_its_weight():
    air = parts(trial_in_one_picture(make_tables(runs=1, levels=1)))["days"]
    (marks,) = air.collections
    first, second, third = marks.get_sizes()
    assert (first / second, first / third) == (pytest.approx(2), pytest.approx(3))


def test_faults_are_named_where_they_happened_in_the_colour_of_faults():
    air = parts(trial_in_one_picture(make_tables()))["days"]
    named = {t.get_text(): t for t in air.texts}
    assert set(named) == {"sensor stuck: left out", "mist on, but the air did not get wetter",
                          "no records"}  # fmt: skip
    assert {t.get_color() for t in named.values()} == {FLAG}
    assert named["no records"].get_position()[0] == pytest.approx(1.0)


def test_what_was_not_recorded_is_no_part_of_the_picture():
    shown = parts(trial_in_one_picture(make_tables(air=False, mist=False, flushes=0)))
    assert set(shown) == {"fresh"}
    assert "litres" not in parts(trial_in_one_picture(make_tables(mist=False)))
    words = picture_alt(make_tables(), read_wording())
    assert "level 2: 8 runs, mean 600 (540 to 660); not enough evidence" in words


def test_the_first_level_has_the_first_colour():
    used = parts(trial_in_one_picture(make_tables()))["litres"]
    from matplotlib.colors import to_rgb

    assert [p.get_facecolor()[:3] for p in used.patches] == [to_rgb(c) for c in SERIES[:3]]
    bars = [p.get_path().to_polygons() for p in used.patches]
    assert [len(boxes) for boxes in bars] == [8, 8, 8]


HOURS = pd.date_range("2031-01-01", periods=48, freq="15min", tz="UTC")


def test_six_hours_outside_the_band_by_hand():
    """Hours at 80, 80, 80, 90, 90, 99: 2 points too dry for 3 of 6, 4 too wet for 1 of 6."""
    values = np.repeat([80.0, 80, 80, 90, 90, 99, *[90] * 6], 4)
    air = pd.DataFrame({"time": HOURS, "rh_pct": values})
    stop = HOURS[0] + pd.Timedelta("12h")
    out = outside_band(air, start=HOURS[0], stop=stop, band=(82.0, 95.0))
    assert out["dry"].tolist() == [1.0, 0.0]
    assert out["wet"].tolist() == [pytest.approx(4 / 6), 0.0]
    assert out["stop_day"].tolist() == [0.25, 0.5]


def test_six_hours_with_fewer_than_three_recorded_are_not_known():
    air = pd.DataFrame({"time": HOURS[:32], "rh_pct": 70.0})  # 8 of 12 hours
    stop = HOURS[0] + pd.Timedelta("12h")
    out = outside_band(air, start=HOURS[0], stop=stop, band=(82.0, None))
    assert out["dry"].tolist()[0] == 12.0
    assert math.isnan(out["dry"].tolist()[1])
    empty = outside_band(air.iloc[:0], start=HOURS[0], stop=stop, band=(82.0, 95.0))
    assert empty["wet"].isna().all()


def test_a_log_with_a_record_every_other_hour_still_fills_its_strip():
    air = pd.DataFrame({"time": HOURS[::8], "rh_pct": 70.0})
    stop = HOURS[0] + pd.Timedelta("12h")
    out = outside_band(air, start=HOURS[0], stop=stop, band=(82.0, 95.0))
    assert out["dry"].tolist() == [12.0, 12.0]
