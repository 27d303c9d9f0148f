"""Pictures of the chamber model: they show what the results hold."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from trialkit.chamber import Room, compare_settings, identify_room, simulate, size_up
from trialkit.figures.rooms import cost_by_chambers, room_fit, setting_courses

TENT = Room(volume_m3=2.0, air_changes_h=4.0, mist_l_h=0.3, room_rh_pct=60.0)


def words(ax):
    notes = [text.get_text() for text in ax.texts]
    legend = ax.get_legend()
    return notes + ([text.get_text() for text in legend.get_texts()] if legend else [])


def test_courses_start_with_the_mist_and_show_the_settled_range():
    levels = {
        "usual": {"on_s": 20, "off_s": 220},
        "a$b$": {"start_below_rh": 86, "stop_above_rh": 93},
    }
    result = compare_settings(TENT, levels, band=(85, 95))
    ax = setting_courses(result.results, band=result.band)
    line = ax.get_lines()[0].get_ydata()
    usual = result.results["usual"]
    assert line.min() == pytest.approx(usual.low_rh_pct, abs=0.2)
    assert line.max() == pytest.approx(usual.high_rh_pct, abs=0.2)
    assert line[1] > line[0]  # rising: the mist is on
    assert "usual: 20 s every 4 min" in words(ax)
    assert "a$b$: mist from 86 % up to 93 %" in words(ax)
    assert "[%]" in ax.get_ylabel()


def test_the_fit_is_drawn_over_the_readings():
    trace = simulate(TENT, {"on_s": 120, "off_s": 1080}, 3.0).trace
    start = pd.Timestamp("2031-03-01", tz="UTC")
    log = pd.DataFrame(
        {
            "time": start + pd.to_timedelta(trace["time_s"], unit="s"),
            "temp_c": trace["temp_c"],
            "rh_pct": trace["sensor_rh_pct"],
        }
    )
    on = start + pd.to_timedelta(np.arange(0, 10800, 1200), unit="s")
    found = identify_room(log, pd.DataFrame({"start": on, "stop": on + pd.Timedelta("120s")}))
    ax = room_fit(found, hours=2.0)
    readings, fitted = (line.get_ydata() for line in ax.get_lines())
    assert len(readings) == len(fitted) == 721
    assert np.abs(readings - fitted).max() < 0.5
    assert any("air changes an hour" in text for text in words(ax))


def test_cost_or_energy_against_chambers():
    plan = size_up(TENT, low_rh=85, high_rh=95, chambers=[1, 4])
    ax = cost_by_chambers(plan)
    assert "L/day" in ax.get_ylabel()  # nobody gave the fogger's power
    plan = size_up(TENT.change(fogger_w=25.0), low_rh=85, high_rh=95, chambers=[1, 4])
    ax = cost_by_chambers(plan)
    assert "kWh/day" in ax.get_ylabel()
    prices = {"water_per_m3": 4.0, "energy_per_kwh": 0.3, "chamber_each": 200.0}
    powered = TENT.change(fogger_w=25.0)
    plan = size_up(powered, low_rh=85, high_rh=95, chambers=[1, 4], prices=prices)
    ax = cost_by_chambers(plan, currency="EUR")
    assert "EUR/day" in ax.get_ylabel()
    assert list(ax.get_lines()[0].get_xdata()) == [1, 4]
    assert any("800 EUR to build" in text for text in words(ax))


def test_a_fit_that_determines_nothing_shows_no_number():
    """Readings every 10 min of a 4 min cycle: the same few moments again and again."""
    rng = np.random.default_rng(2)
    trace = simulate(TENT, {"on_s": 20, "off_s": 220}, 12.0, step_s=600).trace
    begin = pd.Timestamp("2031-01-01", tz="UTC")
    log = pd.DataFrame(
        {
            "time": begin + pd.to_timedelta(trace["time_s"], unit="s"),
            "temp_c": trace["temp_c"],
            "rh_pct": trace["sensor_rh_pct"] + rng.normal(0, 1, len(trace)),
        }
    )
    on = begin + pd.to_timedelta(np.arange(0, 43200, 240), unit="s")
    found = identify_room(log, pd.DataFrame({"start": on, "stop": on + pd.Timedelta("20s")}))
    ax = room_fit(found, hours=12.0)
    told = " ".join(words(ax))
    assert "not determined" in told
    assert "nan" not in told
    assert ax.get_legend_handles_labels()[1][1] == "one of many lines that fit"
