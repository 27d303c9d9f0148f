"""Figures are functions of tables: what is drawn is what the table holds, in words and marks."""

import inspect
import io
import warnings
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from tests.test_one_picture import make_tables
from trialkit import figures
from trialkit.figures.rows import spread
from trialkit.figures.yields import decimals_of
from trialkit.style import INK, SERIES
from trialkit.wording import read_wording

LEVELS = ["usual", "sparse", "$\\alpha$ <b>&"]  # the last as a user might name it
RUNS = [(b, c) for b in ("B1", "B2") for c in ("T1", "T2", "T3")]


def level_of(i):
    return LEVELS[(i + i // 3) % 3]


WEIGHTS = pd.DataFrame(
    [
        {"batch": b, "chamber": c, "schedule": level_of(i), "flush": f, "block": k,
         "fresh_g": 300 / f + 10 * i + k}
        for i, (b, c) in enumerate(RUNS) for f in (1, 2) for k in (1, 2)
    ]
)  # fmt: skip
POINTS = figures.unit_means(WEIGHTS, factor="schedule", units=["batch", "chamber"])
BY_FLUSH = figures.unit_means(WEIGHTS, factor="schedule", units=["batch", "chamber"], by=["flush"])
MEANS = pd.DataFrame(
    {"level": LEVELS, "estimate": [250.0, 240.0, 230.0], "low": [230.0, 215.0, 212.0],
     "high": [270.0, 265.0, 248.0]}
)  # fmt: skip
RATIOS = pd.DataFrame(
    {"level": LEVELS[1:], "reference": "usual", "ratio": [0.96, 0.92], "low": [0.88, 0.81],
     "high": [1.05, np.inf]}
)  # fmt: skip
DIFFERENCES = pd.DataFrame(
    {"first": LEVELS[1:], "second": "usual", "estimate": [-10.0, -20.0], "low": [-30.0, -38.0],
     "high": [10.0, -2.0]}
)  # fmt: skip
START = pd.Timestamp("2031-01-13 08:00", tz="UTC")
TIMES = pd.date_range(START, periods=1440, freq="5min")
AIR = pd.DataFrame({"time": TIMES, "rh_pct": 88 + 4 * np.sin(np.arange(1440) / 40)})
AIR = AIR.drop(index=range(600, 700))
BEGIN = pd.date_range(START, periods=1000, freq="7min")
MIST = pd.DataFrame({"start": BEGIN, "stop": BEGIN + pd.Timedelta("20s")})
HOURS = pd.DataFrame(
    [{"batch": b, "chamber": c, "schedule": level_of(i), "hours_below_band": 10.0 * i,
      "hours_in_band": 80.0, "hours_above_band": 5.0, "window_h": 160.0}
     for i, (b, c) in enumerate(RUNS)]
)  # fmt: skip
DUTY = pd.DataFrame(
    {"level": [level_of(i) for i in range(6)], "delivered_duty_pct": [8.3, 4.1, 6, 4.2, 7, 8.4],
     "planned_duty_pct": [8.33, 4.17, np.nan, 4.17, np.nan, 8.33]}
)  # fmt: skip
USE = pd.DataFrame(
    {"use": ["water_l"] * 2 + ["energy_kwh"] * 2, "level": LEVELS[:2] * 2,
     "estimate": 1.0, "low": 1.0, "high": 1.0,
     "saving_pct": [np.nan, 48.0] * 2, "saving_low_pct": [np.nan, 40.0] * 2,
     "saving_high_pct": [np.nan, 55.0] * 2}
)  # fmt: skip
PRICES = pd.DataFrame(
    [{"price": "water", "at": a, "level": level, "gain": a * g, "low": a * g - 5,
      "high": a * g + 5} for level, g in ((LEVELS[1], 2), (LEVELS[2], -1)) for a in (2.0, 4, 8)]
)  # fmt: skip
CURVE = pd.DataFrame({"n": [4, 6, 8], "power": [0.4, 0.6, 0.8]})
MOVES = pd.DataFrame(
    {"term": "batch", "level": ["B1", "B2", "B3"], "change_se": [0.2, -1.4, np.nan]}
)
SURFACE = pd.DataFrame(
    [{"mist": m, "light": x, "estimate": 480.5 - 3 * (m - 6) ** 2 - (x - 500) ** 2 / 1e4}
     for m in (2.0, 4, 6, 8, 10) for x in (100.0, 300, 500, 700, 900)]
)  # fmt: skip
SURFACE = SURFACE.assign(
    low=SURFACE["estimate"] - 30,
    high=SURFACE["estimate"] + 30,
    within=(SURFACE["mist"] - 6).abs() < 3,
)
FRONTIER = pd.DataFrame(
    {"use": [0.5, 1.0, 1.5], "yield": [400.5, 450, 470], "yield_low": [360.5, 410, 430],
     "yield_high": [440.5, 490, 510], "loses_no_more": [False, False, True]}
)  # fmt: skip
ONE_PICTURE = make_tables(level_names=LEVELS)
RESIDUALS = np.random.default_rng(2).normal(size=60)

TOGETHER = pd.DataFrame(
    {"trial": ["spring", "$\\alpha$ <b>&", "a farm with a name of many, many, many letters"],
     "ratio": [0.96, 1.02, 0.91], "low": [0.85, 0.93, 0.0], "high": [1.08, 1.12, np.inf]}
)  # fmt: skip

DRAW = {
    "answers_together": lambda **k: figures.answers_together(
        TOGETHER,
        pooled={"ratio": 0.97, "low": 0.9, "high": 1.04, "next_low": 0.8, "next_high": 1.15},
        control="usual",
        margin_pct=10,
        basis="n = 3 trials.",
        **k,
    ),
    "yield_by_level": lambda **k: figures.yield_by_level(
        MEANS, POINTS, reference="usual", margin_pct=10, units="chamber runs", **k
    ),
    "ratio_to_reference": lambda **k: figures.ratio_to_reference(
        RATIOS, margin_pct=10, basis="n = 6 chamber runs.", **k
    ),
    "flush_profiles": lambda **k: figures.flush_profiles(
        BY_FLUSH, order=LEVELS, units="chamber runs", **k
    ),
    "effects": lambda **k: figures.effects(
        DIFFERENCES, quantity="fresh weight [g]", basis="n = 6 chamber runs.", **k
    ),
    "humidity_timeline": lambda **k: figures.humidity_timeline(
        AIR, MIST, start=TIMES[0], stop=TIMES[-1], band=(82, 95), zone="Europe/Vienna", **k
    ),
    "hours_by_band": lambda **k: figures.hours_by_band(HOURS, factor="schedule", **k),
    "exposure_by_run": lambda **k: figures.exposure_by_run(
        HOURS.assign(rh_pct=np.linspace(80, 95, len(HOURS))), "rh_pct", factor="schedule", **k
    ),
    "delivered_against_planned": lambda **k: figures.delivered_against_planned(DUTY, **k),
    "residuals_by_fitted": lambda **k: figures.residuals_by_fitted(
        pd.DataFrame({"fitted": 300.0, "residual": RESIDUALS}), **k
    ),
    "residuals_by_normal": lambda **k: figures.residuals_by_normal(RESIDUALS, **k),
    "influence": lambda **k: figures.influence(MOVES, **k),
    "randomisation_null": lambda **k: figures.randomisation_null(
        RESIDUALS, 1.9, p=0.05, statistic="difference [g]", **k
    ),
    "variance_shares": lambda **k: figures.variance_shares(
        pd.Series({"batch": 100.0, "chamber": -25.0}), unit="g", basis="n = 24 weights.", **k
    ),
    "power_curve": lambda **k: figures.power_curve(CURVE, x="n", axis="batches", runs=1000, **k),
    "savings": lambda **k: figures.savings(USE, basis="n = 6 chamber runs.", **k),
    "price_sensitivity": lambda **k: figures.price_sensitivity(
        PRICES,
        price="water",
        currency="EUR",
        order=LEVELS,
        now=4.0,
        basis="n = 6 chamber runs.",
        **k,
    ),
    "trial_in_one_picture": lambda **k: figures.trial_in_one_picture(ONE_PICTURE, **k),
    "setting_curve": lambda **k: figures.setting_curve(
        SURFACE[SURFACE["light"] == 500],
        setting="mist",
        axis="mist [% of the time]",
        quantity="fresh weight [g]",
        today=8.0,
        basis="n = 24 blocks.",
        **k,
    ),
    "setting_error": lambda **k: figures.setting_error(
        SURFACE.assign(error_pct=3 + (SURFACE["mist"] - 6).abs()),
        settings=["mist", "light"],
        labels=["mist [% of the time]", "light [lux]"],
        today={"mist": 8.0, "light": 300.0},
        tried=pd.DataFrame({"mist": [2.0, 10], "light": [100.0, 900], "n": [1, 2]}),
        held={"warmth [°C]": 18.0},
        basis="n = 24 blocks.",
        **k,
    ),
    "setting_map": lambda **k: figures.setting_map(
        SURFACE,
        settings=["mist", "light"],
        labels=["mist [% of the time]", "light [lux]"],
        quantity="fresh weight [g]",
        today={"mist": 8.0, "light": 300.0},
        best={"mist": 6.0, "light": 500.0},
        tried=pd.DataFrame({"mist": [2.0, 10], "light": [100.0, 900], "n": [1, 2]}),
        basis="n = 24 blocks.",
        **k,
    ),
    "yield_against_use": lambda **k: figures.yield_against_use(
        FRONTIER,
        today={"use": 2.5, "yield": 430.5},
        axis="water [L]",
        quantity="fresh weight [g]",
        basis="n = 24 blocks.",
        **k,
    ),
}


def words(ax):
    """Every word on the axes, as drawn."""
    ax.figure.savefig(io.BytesIO(), format="svg")
    return " | ".join(text for one in (ax, *ax.child_axes) for text in own_words(one))


def own_words(ax):
    """List the words of one pair of axes."""
    out = [ax.get_xlabel(), ax.get_ylabel(), *(t.get_text() for t in ax.texts)]
    out += [t.get_text() for t in (*ax.get_xticklabels(), *ax.get_yticklabels())]
    legend = ax.get_legend()
    out += [t.get_text() for t in legend.get_texts()] if legend else []
    return out


def marks(ax, mark):
    """Places of the marks of one kind: (x, y) pairs."""
    lines = [line for line in ax.lines if line.get_marker() == mark]
    return [xy for line in lines for xy in zip(line.get_xdata(), line.get_ydata(), strict=True)]


def test_every_figure_is_tried_here():
    drawing = {
        name
        for name in figures.__all__
        if "ax" in inspect.signature(getattr(figures, name)).parameters
    }
    assert drawing == set(DRAW)


@pytest.mark.parametrize("name", DRAW)
def test_axes_in_axes_out(name):
    ax = Figure(figsize=(6, 4)).subplots()
    assert DRAW[name](ax=ax) is ax
    assert isinstance(DRAW[name](), Axes)


@pytest.mark.parametrize("name", DRAW)
def test_units_counts_and_intervals_are_written_on_the_figure(name):
    shown = words(DRAW[name]())
    if name != "humidity_timeline":
        assert "n = " in shown or "1,000 simulated" in shown
    ax = DRAW[name]()
    named = [one.get_xlabel() for one in (ax.child_axes or [ax])]
    assert all(named) or name == "humidity_timeline"
    if name in ("yield_by_level", "ratio_to_reference", "effects", "savings"):
        assert "95 % limits" in shown or "hold together at 95 %" in shown


@pytest.mark.parametrize("name", DRAW)
def test_all_numbers_are_written_by_the_locale(name):
    """A point between digits in French would be English; commas are French."""
    import re

    shown = words(DRAW[name](wording=read_wording("fr")))
    assert not re.search(r"\d\.\d", shown), shown


@pytest.mark.parametrize("name", DRAW)
def test_names_from_files_are_never_read_as_mathematics(name):
    ax = DRAW[name](ax=Figure().subplots())
    words(ax)
    for text in ax.findobj(match=lambda a: hasattr(a, "get_parse_math")):
        if "$" in text.get_text():
            assert not text.get_parse_math()


@pytest.mark.parametrize("name", DRAW)
def test_equal_tables_give_equal_drawings(name):
    def drawn():
        target = io.BytesIO()
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            DRAW[name]().figure.savefig(target, format="raw", dpi=40)
        return target.getvalue()

    assert drawn() == drawn()


def test_tables_are_left_as_they_were():
    before = [frame.copy() for frame in (MEANS, POINTS, RATIOS, HOURS, DUTY, AIR, MIST, USE)]
    for draw in DRAW.values():
        draw()
    after = (MEANS, POINTS, RATIOS, HOURS, DUTY, AIR, MIST, USE)
    for a, b in zip(before, after, strict=True):
        pd.testing.assert_frame_equal(a, b)


def test_the_points_are_units_not_weights():
    """Six chamber runs: six points, each the mean of its four weights, worked out here."""
    assert len(POINTS) == 6
    first = WEIGHTS[(WEIGHTS["batch"] == "B1") & (WEIGHTS["chamber"] == "T1")]
    assert POINTS["value"].iloc[0] == first["fresh_g"].sum() / 4
    assert POINTS["rows"].tolist() == [4] * 6
    ax = DRAW["yield_by_level"]()
    open_marks = [
        x
        for line in ax.lines
        if line.get_markerfacecolor() == "none" and line.get_marker() in "os^"
        for x in line.get_xdata()
    ]
    assert sorted(open_marks) == sorted(POINTS["value"])


def test_means_and_limits_stand_where_the_table_says():
    ax = DRAW["yield_by_level"]()
    for row, mark in zip(MEANS.itertuples(), "os^", strict=True):
        assert row.estimate in [x for x, _ in marks(ax, mark)]
        assert {row.low, row.high} <= {x for x, _ in marks(ax, "|")}
    assert 225.0 in [line.get_xdata()[0] for line in ax.lines]  # 10 % below 250
    assert "250 (230 to 270)" in words(ax).replace("  ", " ")


def test_ratios_are_drawn_as_changes_and_open_ends_get_an_arrow():
    ax = DRAW["ratio_to_reference"]()
    assert [x for x, _ in marks(ax, "s")] == [pytest.approx(-4.0)]
    assert [x for x, _ in marks(ax, ">")] == [ax.get_xlim()[1]]
    assert -10 in [line.get_xdata()[0] for line in ax.lines]
    assert "∞" in words(ax)


def test_a_level_that_cannot_be_estimated_says_so():
    means = MEANS.assign(estimate=[250.0, np.nan, 230.0], low=[230, np.nan, 212.0])
    shown = words(figures.yield_by_level(means, POINTS, reference="usual", margin_pct=10))
    assert "cannot be estimated" in shown


def test_one_level_keeps_its_look_in_every_figure():
    ax = DRAW["price_sensitivity"]()  # has no line for the reference
    lines = {line.get_label(): line.get_color() for line in ax.lines}
    assert lines["sparse"] == SERIES[1]


def test_a_run_without_a_reading_is_drawn_empty():
    """A chamber whose logger was silent for a whole batch still gets its stretch."""
    ax = figures.humidity_timeline(
        pd.DataFrame({"time": pd.to_datetime([], utc=True), "rh_pct": pd.Series([], dtype=float)}),
        None,
        start=pd.Timestamp("2031-01-13", tz="UTC"),
        stop=pd.Timestamp("2031-01-20", tz="UTC"),
        band=(82, 95),
        zone="UTC",
    )
    middle = next(line for line in ax.lines if line.get_color() == INK)
    assert np.isnan(middle.get_ydata()).all()


def test_a_gap_in_the_log_is_hatched_and_never_bridged():
    ax = DRAW["humidity_timeline"]()
    middle = next(line for line in ax.lines if line.get_color() == INK)
    assert np.isnan(middle.get_ydata()).any()
    hatched = [p for p in ax.patches if p.get_hatch()]
    assert len(hatched) == 1
    import matplotlib.dates as dates

    left = dates.num2date(hatched[0].get_x())
    assert abs(left - TIMES[600]) < pd.Timedelta("30min")


def test_dense_logs_without_gaps_show_none():
    ax = figures.humidity_timeline(
        AIR.iloc[:300], start=TIMES[0], stop=TIMES[290], bins=5000, zone="UTC"
    )
    assert not [p for p in ax.patches if p.get_hatch()]


def test_the_middle_of_each_stretch_is_that_of_pandas():
    shuffled = AIR.sample(frac=1, random_state=3)
    ax = figures.humidity_timeline(
        shuffled, start=TIMES[0], stop=TIMES[-1], bins=40, zone="UTC", band=(None, None)
    )
    middle = next(line for line in ax.lines if line.get_color() == INK)
    edges = pd.date_range(TIMES[0], TIMES[-1], periods=41)
    stretch = pd.cut(AIR["time"], edges, right=False)
    expected = AIR.groupby(stretch, observed=False)["rh_pct"].median()
    assert np.allclose(middle.get_ydata(), expected, equal_nan=True)


def test_seconds_of_mist_by_brute_force():
    rng = np.random.default_rng(8)
    start = np.sort(rng.integers(0, 5000, 60))
    stop = start + rng.integers(1, 90, 60)
    frame = pd.DataFrame(
        {"start": START + pd.to_timedelta(start, "s"), "stop": START + pd.to_timedelta(stop, "s")}
    )
    edges = pd.date_range(START, START + pd.Timedelta("80min"), periods=23)
    on = figures.on_seconds(frame, edges)
    limits = (edges - START).total_seconds().to_numpy()
    for k, (a, b) in enumerate(pairwise(limits)):
        expected = np.clip(np.minimum(stop, b) - np.maximum(start, a), 0, None).sum()
        assert on[k] == pytest.approx(expected, abs=1e-6)


def test_shares_of_time_add_up_to_the_window():
    ax = DRAW["hours_by_band"]()
    ends = {}
    for bar in ax.patches:
        if bar.get_height() == pytest.approx(0.72):
            ends[round(bar.get_y(), 2)] = max(
                ends.get(round(bar.get_y(), 2), 0), bar.get_x() + bar.get_width()
            )
    assert list(ends.values()) == pytest.approx([100.0] * 6)


def test_the_band_of_the_normal_figure_is_that_of_order_statistics():
    """The middle of 3 normal values has quantiles of Beta(2, 2); F(x) = 3x² − 2x³."""
    from scipy import optimize, special

    ax = figures.residuals_by_normal([-1.0, 0.0, 1.0])
    band = ax.collections[0].get_paths()[0].vertices
    at_zero = sorted({round(float(y), 6) for x, y in band if abs(x) < 1e-9})
    p = optimize.brentq(lambda x: 3 * x**2 - 2 * x**3 - 0.975, 0, 1)
    assert at_zero[-1] == pytest.approx(special.ndtri(p), abs=1e-5)


def test_heaped_points_move_apart_the_same_way_every_time():
    values = [1.0, 1.0, 1.0, 2.0]
    moves = spread(values, width=0.1, step=1.0)
    assert sorted(moves[:3]) == [0, 1, 2]
    assert moves[3] == 0
    assert moves == spread(values, width=0.1, step=1.0)


@pytest.mark.parametrize(("half", "decimals"), [(20.0, 0), (3.0, 0), (2.0, 1), (0.2, 2)])
def test_decimals_follow_the_width_of_the_interval(half, decimals):
    assert decimals_of(pd.DataFrame({"low": [10 - half], "high": [10 + half]})) == decimals


def test_influence_shows_the_largest_move_first_and_no_missing_one():
    ax = DRAW["influence"]()
    assert [t.get_text() for t in ax.get_yticklabels()] == ["batch B2", "batch B1"]


def test_trials_stand_above_their_mean_and_the_next_room():
    ax = DRAW["answers_together"]()
    names = [t.get_text() for t in ax.get_yticklabels()]
    assert names[0] == "spring"
    assert names[-2:] == ["mean", "next room or season"]
    assert [x for x, _ in marks(ax, "D")] == [pytest.approx(-3.0)] * 2
    ends = sorted(x for x, y in marks(ax, "|") if y == 4)
    assert ends == [pytest.approx(-20.0), pytest.approx(15.0)]
