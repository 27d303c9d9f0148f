"""Every figure there is, drawn for trials of odd shapes: tables as such trials would give them."""

from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd

from tests.test_one_picture import LONG, make_tables
from trialkit import figures
from trialkit.chamber import Room, compare_settings, identify_room, simulate, size_up
from trialkit.figures.rooms import cost_by_chambers, room_fit, setting_courses

START = pd.Timestamp("2031-01-13 08:00", tz="UTC")
TENT = Room(volume_m3=2.0, air_changes_h=4.0, mist_l_h=0.3, room_rh_pct=60.0)


@dataclass(frozen=True)
class Odd:
    """The shape of a trial: its levels, how many runs share them, what was recorded."""

    levels: tuple[str, ...] = ("usual", "sparse", "banded")
    runs: int = 12
    logs: bool = True
    chamber: str = "T{}"
    quantity: str = "fresh weight [g]"

    def level_of(self, run):
        return self.levels[run % len(self.levels)]


ODD = {
    "one schedule": Odd(levels=("usual",), runs=6),
    "one run": Odd(levels=("usual",), runs=1),
    "no logs": Odd(logs=False),
    "sixty runs": Odd(levels=tuple(f"level {i}" for i in range(6)), runs=60),
    "long names": Odd(
        levels=(LONG, LONG + " and more", "b" * 90),
        chamber="the tent in the cellar behind the old stove, number {}",
        quantity="dry weight of what was picked from one block in all flushes, with stems [g]",
    ),
}


def _runs(odd):
    rng = np.random.default_rng(3)
    return pd.DataFrame(
        [
            {"batch": f"B{i // 6 + 1}", "chamber": odd.chamber.format(i % 6 + 1), "unit": str(i),
             "level": odd.level_of(i), "schedule": odd.level_of(i), "flush": f,
             "value": 1200 / f + 90 * rng.normal(), "rh_pct": 88 + rng.normal(),
             "hours_below_band": 10.0, "hours_in_band": 120.0, "hours_above_band": 20.0,
             "window_h": 160.0, "delivered_duty_pct": 8.0 + rng.normal(), "planned_duty_pct": 8.3}
            for i in range(odd.runs) for f in (1, 2, 3)
        ]
    )  # fmt: skip


def _of_yields(odd, runs):
    first, others = odd.levels[0], list(odd.levels[1:])
    width = [60.0 + 40 * i for i in range(len(odd.levels))]
    means = pd.DataFrame({"level": odd.levels, "estimate": 1234.5})
    means = means.assign(low=means["estimate"] - width, high=means["estimate"] + width)
    ratios = pd.DataFrame(
        {"level": others, "reference": first, "ratio": 0.96, "low": 0.81, "high": 1.12,
         "said": "a loss, but it may be smaller or larger than the accepted 10 %"}
    )  # fmt: skip
    both = pd.DataFrame(
        {"first": others, "second": first, "estimate": -1234.5, "low": -2234.5, "high": 10.5}
    )
    once = runs[runs["flush"] == 1]
    basis = f"n = {odd.runs} chamber runs."
    return {
        "yield_by_level": lambda: figures.yield_by_level(
            means, once, reference=first, margin_pct=10, quantity=odd.quantity, units="runs"
        ),
        "ratio_to_reference": lambda: figures.ratio_to_reference(
            ratios, margin_pct=10, basis=basis
        ),
        "flush_profiles": lambda: figures.flush_profiles(runs, order=odd.levels, units="runs"),
        "effects": lambda: figures.effects(both, quantity=odd.quantity, basis=basis),
        "answers_together": lambda: figures.answers_together(
            pd.DataFrame(
                {"trial": [odd.chamber.format(i) for i in range(odd.runs)], "ratio": 0.96,
                 "low": 0.85, "high": 1.08}
            ),
            pooled={"ratio": 0.97, "low": 0.9, "high": 1.04, "next_low": 0.8, "next_high": 1.15},
            control=first,
            margin_pct=10,
            basis=basis,
        ),
    }  # fmt: skip


def _of_air(odd, runs):
    once = runs[(runs["flush"] == 1) & odd.logs]
    times = pd.date_range(START, periods=1440 if odd.logs else 0, freq="5min")
    air = pd.DataFrame({"time": times, "rh_pct": 88 + 4 * np.sin(np.arange(len(times)) / 40)})
    begin = pd.date_range(START, periods=900 if odd.logs else 0, freq="7min")
    mist = pd.DataFrame({"start": begin, "stop": begin + pd.Timedelta("20s")})
    stop = START + pd.Timedelta("5D")
    return {
        "humidity_timeline": lambda: figures.humidity_timeline(
            air, mist, start=START, stop=stop, band=(82, 95), flags=mist[:1], troubles=mist[1:2]
        ),
        "hours_by_band": lambda: figures.hours_by_band(once, factor="schedule"),
        "exposure_by_run": lambda: figures.exposure_by_run(
            once, "rh_pct", factor="schedule", order=odd.levels
        ),
        "delivered_against_planned": lambda: figures.delivered_against_planned(
            once, order=odd.levels
        ),
    }


def _of_checks(odd, runs):
    left = np.random.default_rng(2).normal(size=odd.runs)
    rows = pd.DataFrame({"fitted": 1000.0, "residual": 100 * left, "group": runs["level"].iloc[0]})
    moves = pd.DataFrame(
        {"term": "chamber", "level": [odd.chamber.format(i) for i in range(odd.runs)],
         "change_se": left}
    )  # fmt: skip
    shares = pd.Series({"batch": 10_000.0, "batch:chamber": -25.0, "residual": 900.0})
    return {
        "residuals_by_fitted": lambda: figures.residuals_by_fitted(rows),
        "residuals_by_normal": lambda: figures.residuals_by_normal(left),
        "influence": lambda: figures.influence(moves),
        "randomisation_null": lambda: figures.randomisation_null(
            left, 1.9, p=0.05, statistic=f"difference of {odd.quantity}"
        ),
        "variance_shares": lambda: figures.variance_shares(
            shares, labels={"batch": odd.chamber.format(1)}, unit="g", basis="n = 24 weights."
        ),
    }


def _of_choices(odd, runs):
    curve = pd.DataFrame(
        [{"n": n, "power": n / 20, "by": level} for level in odd.levels for n in (4, 8, 16)]
    )
    use = pd.DataFrame(
        [
            {"use": what, "level": level, "saving_pct": np.nan if i == 0 else 48.5,
             "saving_low_pct": 40.5, "saving_high_pct": 55.5}
            for what in ("water_l", "energy_kwh") for i, level in enumerate(odd.levels)
        ]
    )  # fmt: skip
    prices = pd.DataFrame(
        [
            {"price": "water", "at": at, "level": level, "gain": at * i, "low": -5.0, "high": 50.0}
            for i, level in enumerate(odd.levels[1:]) for at in (2000.0, 4000.0, 8000.0)
        ],
        columns=["price", "at", "level", "gain", "low", "high"],
    )  # fmt: skip
    return {
        "power_curve": lambda: figures.power_curve(
            curve, x="n", axis=odd.quantity, by="by", runs=1000
        ),
        "savings": lambda: figures.savings(use, basis=f"n = {odd.runs} chamber runs."),
        "price_sensitivity": lambda: figures.price_sensitivity(
            prices, price="water", currency="EUR", order=odd.levels, now=8000.0, basis="n = 6."
        ),
    }


def _of_settings(odd, runs):
    grid = pd.DataFrame(
        [
            {"mist": m, "light": x, "estimate": 1480 - 3 * (m - 6) ** 2 - (x - 500) ** 2 / 1e4}
            for m in (2.0, 4, 6, 8, 10) for x in (100.0, 300, 500, 700, 900)
        ]
    )  # fmt: skip
    grid = grid.assign(low=grid["estimate"] - 30, high=grid["estimate"] + 30, within=True)
    tried = pd.DataFrame({"mist": [2.0, 10], "light": [100.0, 900], "n": [1, odd.runs]})
    use = pd.DataFrame(
        {"use": [0.5, 1.0, 1.5], "yield": [400.5, 450, 470], "yield_low": [360.5, 410, 430],
         "yield_high": [440.5, 490, 510], "loses_no_more": [False, False, True]}
    )  # fmt: skip
    return {
        "setting_curve": lambda: figures.setting_curve(
            grid[grid["light"] == 500], setting="mist", axis=odd.quantity, quantity=odd.quantity,
            today=10.0, basis="n = 24 blocks.",
        ),
        "setting_error": lambda: figures.setting_error(
            grid.assign(error_pct=3 + (grid["mist"] - 6).abs()), settings=["mist", "light"],
            labels=["mist [%]", odd.quantity], today={"mist": 10.0, "light": 900.0}, tried=tried,
            held={odd.quantity: 18.0}, basis="n = 24 blocks.",
        ),
        "setting_map": lambda: figures.setting_map(
            grid, settings=["mist", "light"], labels=["mist [%]", odd.quantity],
            quantity=odd.quantity, today={"mist": 10.0, "light": 900.0},
            best={"mist": 6.0, "light": 500.0}, tried=tried, basis="n = 24 blocks.",
        ),
        "yield_against_use": lambda: figures.yield_against_use(
            use, today={"use": 2.5, "yield": 430.5}, axis=odd.quantity, quantity=odd.quantity,
            marks={odd.levels[-1]: (1.0, 450.0)},
        ),
    }  # fmt: skip


@cache
def _trace():
    return simulate(TENT, {"on_s": 120, "off_s": 1080}, 3.0).trace


@cache
def _sized(most):
    prices = {"water_per_m3": 4.0, "energy_per_kwh": 0.3, "chamber_each": 200.0}
    room = TENT.change(fogger_w=25.0)
    return size_up(room, low_rh=85, high_rh=95, chambers=[1, most], prices=prices)


def _of_rooms(odd, runs):
    timers = {name: {"on_s": 20, "off_s": 200 + 60 * i} for i, name in enumerate(odd.levels)}
    trace = _trace()
    log = pd.DataFrame(
        {"time": START + pd.to_timedelta(trace["time_s"], unit="s"), "temp_c": trace["temp_c"],
         "rh_pct": trace["sensor_rh_pct"], "chamber": odd.chamber.format(1)}
    )  # fmt: skip
    on = START + pd.to_timedelta(np.arange(0, 10800, 1200), unit="s")
    mist = pd.DataFrame(
        {"start": on, "stop": on + pd.Timedelta("120s"), "chamber": odd.chamber.format(1)}
    )
    most = min(odd.runs, 12) + 1
    return {
        "setting_courses": lambda: setting_courses(
            compare_settings(TENT, timers, band=(85, 95)).results, band=(85, 95)
        ),
        "room_fit": lambda: room_fit(identify_room(log, mist), hours=2.0),
        "cost_by_chambers": lambda: cost_by_chambers(_sized(most), currency="EUR"),
    }


def drawings(odd):
    """Give name → a function that draws it, for every figure."""
    runs = _runs(odd)
    out = {}
    for some in (_of_yields, _of_air, _of_checks, _of_choices, _of_settings, _of_rooms):
        out |= some(odd, runs)
    names = {"names": f"{{b}} {odd.chamber.format('{t}')}", "level_names": list(odd.levels)}
    shape = {"runs": odd.runs, "levels": len(odd.levels), **names}
    whole = make_tables(**shape, air=odd.logs, mist=odd.logs, faults=odd.logs)
    return out | {"trial_in_one_picture": lambda: figures.trial_in_one_picture(whole)}
