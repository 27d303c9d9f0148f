"""Two logs that are one: stretches by brute force, and how many changes and values are enough."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from trialkit.logs.climate import same_readings
from trialkit.logs.climate.same_readings import (
    Track,
    _longest,
    same_stretch,
    tell_same_readings,
    track_records,
)

SLOT = 600 * 1_000_000_000
RNG = np.random.default_rng(21)


def stretch(one: np.ndarray, two: np.ndarray) -> tuple[int, int, int] | None:
    found = same_stretch(np.arange(len(one)) * SLOT, one, two)
    return None if found is None else (found.start // SLOT, found.stop // SLOT, found.readings)


def saw(n: int, values: int = 10) -> np.ndarray:
    """Change at every reading, between so many values."""
    return np.arange(n, dtype=float) % values


@pytest.mark.parametrize("share", [0.5, 0.8, 0.98])
def test_the_longest_stretch_with_enough_agreement(
    share: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Against all slices tried one by one; of several the longest counts."""
    monkeypatch.setattr(same_readings, "_SHARE", share)
    for chance in (0.3, 0.7, 0.95):
        agree = RNG.random(70) < chance
        sums = np.concatenate([[0], np.cumsum(agree)])
        lengths = [b - a for a in range(71) for b in range(a, 71)
                   if sums[b] - sums[a] >= share * (b - a) - 1e-12]  # fmt: skip
        first, last = _longest(agree)
        assert last - first == max(lengths)
        assert sums[last] - sums[first] >= share * (last - first) - 1e-9


@pytest.mark.parametrize(("readings", "found"), [(401, True), (400, False)])
def test_four_hundred_changes_are_enough(readings: int, found: bool) -> None:
    """The first reading is no change."""
    both = saw(readings)
    assert stretch(both, both) == ((1, 400, 400) if found else None)


@pytest.mark.parametrize(("changes", "found"), [(400, True), (399, False)])
def test_readings_that_stand_still_say_nothing(changes: int, found: bool) -> None:
    both = np.concatenate([np.zeros(100), saw(changes + 1)[1:]])
    assert (stretch(both, both) is not None) == found


@pytest.mark.parametrize(("values", "found"), [(10, True), (9, False)])
def test_ten_values_are_enough(values: int, found: bool) -> None:
    both = saw(500, values)
    assert (stretch(both, both) is not None) == found


def test_one_change_in_two_hundred_may_differ() -> None:
    """400 changes that agree and more that do not: 400/402 is above 0.995, 400/403 below."""
    one = saw(500)
    two = one.copy()
    two[401:] += 0.5
    assert stretch(one, two) == (1, 402, 402)


def test_sensors_that_agree_outside_the_stretch_too_are_two() -> None:
    """After 500 changes that agree one in 50 differs; of a part copied, nothing else agrees."""
    one = saw(1501)
    two = one.copy()
    two[501::50] += 0.5
    assert stretch(one, two) is None
    two[501:] = -1 - one[501:]  # all others differ: a part was copied
    assert stretch(one, two) == (1, 502, 502)


def test_a_change_of_one_alone_counts_against_it() -> None:
    one = np.repeat(saw(401), 2)
    two = one.copy()
    two[1::2] += 0.5  # between two changes of the one the other has one more
    assert stretch(one, two) is None


def test_readings_without_a_value_on_either_side_are_passed_over() -> None:
    one, two = saw(410), saw(410)
    one[3], two[5] = np.nan, np.nan
    assert stretch(one, two) == (1, 409, 407)
    few = saw(402)
    few[[3, 5]] = np.nan
    assert stretch(few, saw(402)) is None  # 400 readings are left


# ------------------------------------------------------------------ tracks


def records(minutes: list[float], **more: list[int]) -> SimpleNamespace:
    n = len(minutes)
    return SimpleNamespace(
        time=np.array([round(m * 60e9) for m in minutes]),
        chamber=np.array(more.get("chamber", [0] * n)),
        sensor=np.array(more.get("sensor", [0] * n)),
        sensors=["s1", "s2"],
        part=np.array(more.get("part", [0] * n)),
        accounts=[SimpleNamespace(file="a.csv"), SimpleNamespace(file="b.csv")],
        values={"temp_c": np.arange(n, dtype=float)},
    )


def test_the_first_record_of_ten_minutes_stands_for_them() -> None:
    made = records([0, 5, 9.9, 10, 25, 29, 30])
    [track] = track_records(made, np.arange(7), np.zeros(7, int), ["T1"])
    assert (track.time / 60e9).tolist() == [0, 10, 25, 30]
    assert track.values["temp_c"].tolist() == [0, 3, 4, 6]
    assert (track.chamber, track.sensor) == ("T1", "s1")


def test_each_series_is_a_track_of_its_own() -> None:
    made = records([0, 10, 0, 20, 5], chamber=[0, 0, 1, 1, 1], sensor=[0, 0, 1, 1, -1],
                   part=[0, 1, 1, 1, 0])  # fmt: skip
    found = track_records(made, np.arange(5), np.array([0, 0, 1, 1, 2]), ["T1", "T2"])
    assert [(t.chamber, t.sensor, len(t.time)) for t in found] == [
        ("T1", "s1", 2), ("T2", "s2", 2), ("T2", "", 1)
    ]  # fmt: skip
    assert found[0].where(0) == "a.csv"
    assert found[0].where(int(10 * 60e9)) == "b.csv"
    assert (
        track_records(made, np.array([3]), np.array([0, 0, 1, 1, 2]), ["T1", "T2"])[0].where(
            int(20 * 60e9)
        )
        == "b.csv"
    )


def track(chamber: str, values: np.ndarray, first: int = 0, file: str = "a.csv") -> Track:
    at = (np.arange(len(values)) + first) * SLOT
    return Track(chamber, "s", at, {"temp_c": values}, np.zeros(len(values), int), [file])


def told(*tracks: Track) -> list[tuple[str, str]]:
    return [(f.values["first"], f.values["second"]) for f in tell_same_readings(tracks)]


def test_two_chambers_with_one_log_are_told_and_one_chamber_with_two_is_not() -> None:
    one, other = saw(500), RNG.normal(0, 1, 500)
    assert told(track("T2", one), track("T1", one, file="b.csv")) == [("T1", "T2")]
    assert told(track("T1", one), track("T1", one)) == []
    assert told(track("T1", one), track("T2", other)) == []
    [found] = tell_same_readings([track("T1", one), track("T2", one)])
    assert dict(found.values)["first_file"] == "a.csv"
    assert [m.key for m in found.values["columns"]] == ["sensor_quantity.temp_c"]


@pytest.mark.parametrize(("shared", "found"), [(401, True), (400, False)])
def test_so_many_moments_must_be_shared(shared: int, found: bool) -> None:
    one = saw(700)
    two = track("T2", one[700 - shared :], first=700 - shared)
    assert bool(told(track("T1", one), two)) == found
    assert told(track("T1", one), track("T2", one, first=1000)) == []
    assert told(track("T1", one), track("T2", np.zeros(0))) == []


def test_quantities_that_only_one_log_has_are_not_compared() -> None:
    one, two = track("T1", saw(500)), track("T2", saw(500))
    two.values["rh_pct"] = two.values.pop("temp_c")
    assert told(one, two) == []
