"""What is kept of a log to judge its clocks by: half hours and lamps, counted by hand."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from trialkit.logs.climate.clock_evidence import _lamps, _starts, thin_records

MINUTE = 60 * 1_000_000_000


def records(minutes: list[float], temp: list[float], **more: list) -> SimpleNamespace:
    n, values = len(minutes), {"temp_c": np.array(temp)}
    if "lux" in more:
        values["light_lux"] = np.array(more["lux"])
    return SimpleNamespace(
        time=np.array([round(m * MINUTE) for m in minutes]), values=values,
        part=np.array(more.get("part", [0] * n)), accounts=["first", "second"],
        index=np.arange(n), chamber=np.zeros(n, int), sensor=np.zeros(n, int), sensors=["s"],
        shelf=None,
    )  # fmt: skip


def test_of_each_half_hour_the_first_and_last_record_are_kept() -> None:
    """Records each 10 min: 0, 10, 20 | 30, 40, 50 | 60; the first bears the mean of its three."""
    made = records([0, 10, 20, 30, 40, 50, 60], [1.0, 2.0, 6.0, 4.0, np.nan, 8.0, 9.0])
    (part,) = thin_records(made, np.arange(7), np.zeros(7, int))
    assert (part.time // MINUTE).tolist() == [0, 20, 30, 50, 60]
    assert np.array_equal(part.values["temp_c"], [3.0, np.nan, 6.0, np.nan, 9.0], equal_nan=True)


def test_each_series_and_each_part_has_half_hours_of_its_own() -> None:
    """Two loggers read at once: 0 and 10 min each; then a part of another file."""
    made = records([0, 10, 0, 10, 20], [1.0, 3.0, 5.0, 9.0, 2.0], part=[0, 0, 0, 0, 1])
    first, second = thin_records(made, np.arange(5), np.array([0, 0, 1, 1, 1]))
    assert first.values["temp_c"][[0, 2]].tolist() == [2.0, 7.0]
    assert (first.time // MINUTE).tolist() == [0, 10, 0, 10]
    assert second.values["temp_c"].tolist() == [2.0]


def test_a_half_hour_without_readings_has_no_mean() -> None:
    made = records([0, 31], [np.nan, 4.0])
    (part,) = thin_records(made, np.arange(2), np.zeros(2, int))
    assert np.array_equal(part.values["temp_c"], [np.nan, 4.0], equal_nan=True)
    assert thin_records(made, np.array([], int), np.array([], int)) == []


def test_a_lamp_that_comes_on_is_kept_with_the_record_before() -> None:
    """Light above 10 lux after 10 or less; not across loggers, and not where it goes out."""
    lux = np.array([0.0, 10.0, 10.5, 300.0, 0.0, np.nan, 50.0])
    assert _lamps(lux, np.zeros(7, int)).tolist() == [0, 1, 1, 0, 1, 0, 1]
    assert _lamps(lux, np.array([0, 0, 1, 1, 1, 1, 1])).tolist() == [0, 0, 0, 0, 1, 0, 1]
    made = records([0, 1, 2, 3, 4, 5, 6], [1.0] * 7, lux=lux.tolist())
    (part,) = thin_records(made, np.arange(7), np.zeros(7, int))
    assert (part.time // MINUTE).tolist() == [0, 1, 2, 4, 6]


def test_a_run_starts_where_any_key_changes() -> None:
    keys = np.array([1, 1, 2, 2, 2]), np.array([5, 5, 5, 6, 6])
    assert _starts(*keys).tolist() == [True, False, True, True, False]
