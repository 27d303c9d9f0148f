"""What comes next: ranges and values of a next trial, steps, and what would settle it, by hand."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from trialkit.decision import steps
from trialkit.decision.harvest_ahead import Ahead, carry_on
from trialkit.decision.logarithm import spread_grows
from trialkit.decision.next_ranges import (
    NextRange,
    _bounds,
    _even,
    _numbers,
    _short,
    candidate_values,
    candidates_of,
    chosen_values,
)
from trialkit.decision.settle import (
    _dip,
    first_fall,
    needed_range,
    settle_in_words,
    too_wide,
)
from trialkit.decision.steps import Outlook, next_steps
from trialkit.wording import message

# ------------------------------------------------------------------ ranges


@pytest.mark.parametrize(
    ("low", "high", "change"),
    [
        (2.0, 10.0, "kept"), (2.0, 9.51, "kept"), (2.0, 9.49, "narrower"), (3.0, 9.0, "narrower"),
        (2.0, 10.1, "beyond"), (1.9, 9.0, "beyond"), (2.0 - 4e-6, 10.0 + 4e-6, "kept"),
        (2.0 - 2e-5, 10.0, "beyond"), (2.0, 10.0 + 2e-5, "beyond"),
    ],
)  # fmt: skip
def test_a_range_is_narrower_from_a_sixteenth_on(low: float, high: float, change: str) -> None:
    """Of 2 to 10: half of an eighth of it is 0.5."""
    assert NextRange("m", "duty_pct", low, high, 2.0, 10.0, ()).change == change


@pytest.mark.parametrize(
    ("numbers", "even"),
    [
        ([1, 2, 3], True), ([1, 2, 3, 4.6], True), ([1, 2, 3, 4.61], False),
        ([1, 2, 3, 3.6], True), ([1, 2, 3, 3.59], False), ([50, 300, 1000], False), ([1, 2], True),
    ],
)  # fmt: skip
def test_steps_of_about_one_size(numbers: list[float], even: bool) -> None:
    """Up to 1.6 times and no less than 0.6 times the middle one."""
    assert _even(numbers) is even


@pytest.mark.parametrize(
    ("numbers", "low", "high", "want"),
    [
        ([2, 4, 6, 8, 10], 4, 8, [4, 6, 8]), ([2, 4, 6, 8, 10], 3.9, 8.1, [4, 6, 8]),
        ([2, 4, 6, 8, 10], 4.1, 10, [6, 8, 10]), ([2, 4, 6, 8, 10], 4.1, 9.7, [4, 6, 8]),
        ([2, 4, 6, 8, 10], 2, 3, [2, 4, 6]), ([2, 4, 6, 8, 10], 9.5, 12, [8, 10, 12]),
        ([0.1, 0.2, 0.3, 0.4], 0.1, 0.4, [0.1, 0.2, 0.3, 0.4]),
        ([10, 20, 30], 0, 40, [0, 10, 20, 30, 40]),
    ],
)  # fmt: skip
def test_even_steps_between_two_ends(
    numbers: list[float], low: float, high: float, want: list[float]
) -> None:
    assert candidate_values(numbers, low, high, stepped=True) == want


@pytest.mark.parametrize(
    ("low", "high", "want"),
    [
        (50, 1000, [50, 300, 1000]), (300, 300, [10, 50, 300]), (50, 2000, [50, 300, 1000, 2000]),
        (299.9999999999, 1000, [50, 300, 1000]), (900, 2500, [300, 1000, 2000]),
        (5, 60, [10, 50, 300]), (1500, 9000, [300, 1000, 2000]),
    ],
)  # fmt: skip
def test_uneven_values_inside_and_the_nearest_up_to_three(
    low: float, high: float, want: list[float]
) -> None:
    assert candidate_values([10, 50, 300, 1000, 2000], low, high, stepped=True) == want


@pytest.mark.parametrize(
    ("low", "high", "want"),
    [
        (2, 10, [2, 3, 4, 5, 6, 7, 8, 9, 10]), (0, 8000, list(range(0, 8001, 1000))),
        (0, 1, [0.0, 0.125, 0.25, 0.375, 0.5, 0.625, 0.75, 0.875, 1.0]),
    ],
)  # fmt: skip
def test_nine_values_where_any_can_be_set(low: float, high: float, want: list[float]) -> None:
    assert candidate_values([1, 2], low, high, stepped=False) == want


@pytest.mark.parametrize(
    ("value", "step", "want"),
    [
        (1.23456, 0.889, 1.235), (1.23456, 1.0, 1.23), (1.23456, 0.1, 1.235),
        (123.456, 88.9, 123.5), (123.456, 100.0, 123.0), (123.456, 5000.0, 123.0),
        (0.0123456, 0.0085, 0.01235), (2.7, 0.0, 3.0), (2.7, 0.5, 2.7),
    ],
)  # fmt: skip
def test_values_are_rounded_to_a_hundredth_of_a_step(
    value: float, step: float, want: float
) -> None:
    assert _short(value, step) == pytest.approx(want, abs=1e-12)


def factor(name: str, low: float, high: float, **setting: Any) -> Any:
    usual = SimpleNamespace(**({"start_below_rh": None, "stop_above_rh": None} | setting))
    return SimpleNamespace(tuned=SimpleNamespace(name=name, low=low, high=high),
                           levels={"usual": usual}, reference="usual")  # fmt: skip


@pytest.mark.parametrize(
    ("name", "low", "high", "want"),
    [
        ("duty_pct", 2, 10, (0.5, 95.0)), ("duty_pct", 2, 97, (0.5, 97.0)),
        ("hours", 8, 16, (0.0, 24.0)), ("lux", 50, 500, (0.0, math.inf)),
        ("ppfd_umol_m2_s", 5, 50, (0.0, math.inf)), ("start_below_rh", 80, 90, (30.0, 99.0)),
        ("fan", 0, 5, (0.0, math.inf)), ("fan", 2, 5, (0.0, math.inf)),
        ("temp_c", -2, 5, (-math.inf, math.inf)),
    ],
)  # fmt: skip
def test_settings_that_can_be(name: str, low: float, high: float, want: tuple) -> None:
    assert _bounds(factor(name, low, high)) == want


def test_a_band_leaves_room_above_where_it_starts() -> None:
    """From 85 to 92 %: seven points below 99 at the most; one end alone is no band."""
    band = factor("start_below_rh", 80, 90, start_below_rh=85.0, stop_above_rh=92.0)
    assert _bounds(band) == (30.0, 92.0)
    for lacks in ("start_below_rh", "stop_above_rh"):
        half = factor("start_below_rh", 80, 90, start_below_rh=85.0, stop_above_rh=92.0)
        setattr(half.levels["usual"], lacks, None)
        assert _bounds(half) == (30.0, 99.0)


@pytest.mark.parametrize(
    ("levels", "usual", "control", "want"),
    [
        # even without it; it fills a gap; it stands far off
        ({"a": 2.0, "b": 4.0, "c": 6.0, "u": 8.0}, "u", "u", [2, 4, 6]),
        ({"a": 2.0, "b": 4.0, "c": 6.0, "d": 10.0, "u": 8.0}, "u", "u", [2, 4, 6, 8, 10]),
        ({"a": 2.0, "b": 4.0, "c": 9.0, "u": 20.0}, "u", "u", [2, 4, 9]),
        ({"a": 2.0, "b": 4.0, "u": 6.0}, "u", "", [2, 4, 6]),  # no control: it was tried too
    ],
)  # fmt: skip
def test_todays_value_counts_where_it_stands_in_line(
    levels: dict[str, float], usual: str, control: str, want: list[float]
) -> None:
    given: Any = SimpleNamespace(
        levels=levels, control=control, reference=usual, number=lambda name: levels[name]
    )
    assert _numbers(given) == want


def span(*values: float) -> NextRange:
    return NextRange("m", "duty_pct", min(values), max(values), 0.0, 10.0, values)


def test_all_combinations_and_those_that_were_picked() -> None:
    both = candidates_of([span(1.0, 2.0), span(5.0, 6.0, 7.0)])
    assert both.tolist() == [[1, 5], [1, 6], [1, 7], [2, 5], [2, 6], [2, 7]]
    picked = np.array([[1.0, 5.0], [2.0, 5.0]])
    own = [span(1.0, 2.0, 3.0, 4.0), span(5.0, 6.0, 7.0, 9.0)]
    # of the first two are picked and 4 lies farthest from both; of the second one: 9, then 7
    assert chosen_values(own, picked, (99.0, 99.0)) == [(1.0, 2.0, 4.0), (5.0, 7.0, 9.0)]
    # today's stands apart and is never filled in; few values are all there are
    assert chosen_values(own, picked, (4.0, 5.0)) == [(1.0, 2.0, 3.0), (6.0, 7.0, 9.0)]
    assert chosen_values([span(1.0, 2.0)], picked[:, :1], (2.0,)) == [(1.0,)]
    many = np.array([[1.0], [2.0], [3.0], [4.0]])
    assert chosen_values(own[:1], many, (99.0,)) == [(1.0, 2.0, 3.0, 4.0)]


# ------------------------------------------------------------------ steps


def outlook(answer: str = "better", **change: Any) -> Outlook:
    given: dict[str, Any] = {
        "answer": answer, "level": "a", "table": pd.DataFrame(),
        "by": pd.DataFrame({"level": [], "factor": [], "at": [], "answer": []}),
        "use": pd.DataFrame({"level": ["a", "b"], "saving_low_pct": [-1.0, 5.0]}),
        "settle": pd.DataFrame(), "needed": 3,
    }  # fmt: skip
    return Outlook(**(given | change))


@pytest.fixture
def trial(monkeypatch: pytest.MonkeyPatch) -> Any:
    monkeypatch.setattr(steps, "next_setting", lambda trial, table: None)
    return SimpleNamespace(primary=SimpleNamespace(reference="usual"), prices=None)


def keys(said: Any) -> list[str]:
    return [m.key for m in said]


@pytest.mark.parametrize(
    ("answer", "want"),
    [
        ("better", ["step.use"]), ("no worse", ["step.use_if"]), ("worse", ["step.keep"]),
        ("not enough evidence", ["settled.unknown"]),
    ],
)  # fmt: skip
def test_the_step_of_each_answer(trial: Any, answer: str, want: list[str]) -> None:
    assert keys(next_steps(trial, outlook(answer), [])) == want


def test_a_stop_comes_before_all_and_the_harvest_before_an_answer(trial: Any) -> None:
    stop: Any = SimpleNamespace(cure=None, said=message("step.keep"))
    cured: Any = SimpleNamespace(cure=message("step.use"), said=message("step.keep"))
    said = next_steps(trial, outlook(), [stop, cured])
    assert keys(said) == ["step.first"] * 2
    assert [m.values["what"].key for m in said] == ["step.keep", "step.use"]
    for clear, want in (((), "step.carry_on.whole"), (("b",), "step.carry_on.whole"),
                        (("a",), "step.use")):  # fmt: skip
        said = next_steps(trial, outlook(ahead=ahead(clear=clear)), [])
        assert keys(said) == [want]


def test_what_the_prices_advise_comes_before_the_answer_alone(
    trial: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    further = SimpleNamespace(said=message("further.lower"))
    monkeypatch.setattr(steps, "next_setting", lambda trial, table: further)
    advised: Any = SimpleNamespace(said=message("step.keep"))
    silent: Any = SimpleNamespace(said=None)
    assert keys(next_steps(trial, outlook(advised=advised), [])) == ["step.keep", "further.lower"]
    assert keys(next_steps(trial, outlook(advised=silent), [])) == ["step.use", "further.lower"]
    cells = pd.DataFrame({"level": ["a"], "factor": ["light"], "at": ["dim"], "answer": ["better"]})
    assert keys(next_steps(trial, outlook(by=cells), [])) == ["step.use"]  # not over all cells
    said = next_steps(trial, outlook("not enough evidence", needed=None), [])
    assert keys(said) == ["settled.unknown", "step.margin_stays", "further.lower"]


def test_water_is_a_reason_only_where_its_limits_show_it(trial: Any) -> None:
    for low, reason in ((0.1, "saves"), (0.0, "easier"), (-1.0, "easier"), (math.nan, "easier")):
        use = pd.DataFrame({"level": ["a", "b"], "saving_low_pct": [low, 50.0]})
        [said] = next_steps(trial, outlook("no worse", use=use), [])
        assert said.values["reason"].key == f"step.reason.{reason}"


def test_a_step_for_each_level_that_it_depends_on(trial: Any) -> None:
    answers = ["better", "no worse", "worse", "not enough evidence"]
    by = pd.DataFrame({"level": ["a"] * 4 + ["b"], "factor": "light", "at": [*"wxyz", "w"],
                       "answer": [*answers, "worse"]})  # fmt: skip
    said = next_steps(trial, outlook("depends", by=by), [])
    assert keys(said) == [f"step.at.{form}" for form in ("use", "use_if", "keep", "open")]
    trial.prices = object()
    said = next_steps(trial, outlook("depends", by=by), [])
    assert keys(said)[-1] == "step.at.prices"
    assert len(said) == 5
    batches = by.assign(factor="batch")
    assert keys(next_steps(trial, outlook("depends", by=batches), [])) == ["step.by_batch"]


# ------------------------------------------------------------------ what is ahead


def ahead(*, to_come: int = 2, clear: tuple[str, ...] = (), look: Any = None) -> Ahead:
    batches: Any = SimpleNamespace(to_come=["B"] * to_come, planned=5)
    return Ahead(3, 8, message("doubt.parts.batch"), batches, look, clear)


@pytest.mark.parametrize(
    ("to_come", "look", "waits", "when"),
    [
        (2, None, "batches", "end"), (0, None, "parts", "end"), (1, (2, 5), "batches", "look"),
        (1, (5, 5), "batches", "end"), (0, (4, 5), "parts", "look"),
    ],
)  # fmt: skip
def test_what_is_waited_for_and_until_when(to_come: int, look: Any, waits: str, when: str) -> None:
    said = carry_on(ahead(to_come=to_come, look=look))
    assert said.values["waits"].key == f"step.carry_on.{waits}"
    assert said.values["when"].key == f"step.carry_on.{when}"
    want = {"count": to_come, "planned": 5} if waits == "batches" else {"count": 3, "parts": 8}
    assert {name: said.values["waits"].values[name] for name in want} == want


# ------------------------------------------------------------------ what would settle it


def chances(*middle: float, low: float = 0.1, high: float = 0.1, first: int = 2) -> pd.DataFrame:
    rows = []
    for k, value in enumerate(middle):
        row: dict[str, Any] = {"repeats": "batch", "count": first + k}
        for name in ("no_worse", "difference"):
            row |= {name: value, f"{name}_low": value - low, f"{name}_high": value + high}
        rows.append(row)
    return pd.DataFrame(rows)


def test_the_first_counts_at_which_both_ends_reach_the_chance() -> None:
    table = chances(0.61, 0.71, 0.81, 0.91, 0.95)
    assert needed_range(table) == (3, 5)
    assert needed_range(table, chance=0.7) == (2, 4)
    assert needed_range(table, chance=0.86) == (4, None)
    assert needed_range(table, chance=1.06) == (None, None)
    other = table.assign(difference_high=table["difference_high"] - 0.1)
    assert needed_range(other) == (4, 5)


@pytest.mark.parametrize(
    ("table", "needed", "key"),
    [
        (chances(), None, "unknown"), (chances(0.1, 0.2, 0.3), None, "never"),
        (chances(0.95, 0.97), 2, "near"), (chances(0.6, 0.75, 0.85, 0.95), 4, "more_or_less"),
        (chances(0.5, 0.9, 0.95, low=0.05, high=0.05), 3, "more"),
        (chances(0.3, 0.75, 0.79), None, "too_wide"),
        (chances(0.3, 0.85, 0.9, low=0.8, high=0.15), 3, "too_wide"),
    ],
)  # fmt: skip
def test_what_is_said_of_more_batches(table: pd.DataFrame, needed: int | None, key: str) -> None:
    assert settle_in_words(table, needed).key == f"settled.{key}"


def test_how_many_more_are_said() -> None:
    """Two are in; four give the chance, three to five the range."""
    said = settle_in_words(chances(0.6, 0.75, 0.85, 0.95), 4)
    values = said.values
    assert (values["count"], values["total"], values["times"]) == (2, 4, 8.0)
    assert (values["fewest"], values["most"]) == (3, 5)
    open_end = settle_in_words(chances(0.6, 0.75, 0.85), 4)
    assert open_end.values["most"].key == "settled.beyond"
    assert open_end.values["most"].values["last"] == 4
    # one more at the least, though the middle is reached already
    assert settle_in_words(chances(0.85, 0.95), 2).values["count"] == 1


def test_a_count_at_which_the_chance_falls_again() -> None:
    """0.85 at four, 0.78 at five: told, with the chance there; a fall within the chance is not."""
    table = chances(0.6, 0.75, 0.85, 0.78, 0.9)
    dip = _dip(table, 4, 0.8)
    assert dip is not None
    assert (dip.values["total"], dip.values["chance"]) == (5, pytest.approx(78.0))
    assert settle_in_words(table, 4).key == "settled.and_dip"
    assert _dip(chances(0.6, 0.75, 0.85, 0.8, 0.9), 4, 0.8) is None
    assert _dip(chances(0.6, 0.75, 0.85, 0.9), 4, 0.8) is None
    assert first_fall(table) == 5
    assert first_fall(chances(0.8, 0.7951)) is None
    assert first_fall(chances(0.8, 0.7949)) == 3


@pytest.mark.parametrize(("width", "wide"), [(0.2, False), (0.99, True)])
def test_ranges_that_tell_next_to_nothing(width: float, wide: bool) -> None:
    table = chances(0.5, 0.5, low=width / 2, high=width / 2)
    assert too_wide(table) is wide


# ------------------------------------------------------------------ spread that grows


def fit(upper: float, count: int = 30, middle: float = 1.2) -> Any:
    """Make residuals of ±1 in the lower third of fitted values and ± `upper` in the upper one."""
    third = count // 3
    size = np.full(count, middle)
    size[:third], size[-third:] = 1.0, upper
    size += np.arange(count) * 1e-9
    residuals = size * np.where(np.arange(count) % 2, 1.0, -1.0)
    return SimpleNamespace(residuals=residuals, y=np.arange(1.0, count + 1) + residuals)


@pytest.mark.parametrize(
    ("made", "grows"),
    [
        (fit(1.51), True), (fit(1.49), False), (fit(0.5), False), (fit(1.6, count=12), True),
        (fit(1.6, count=11), False), (fit(2.0, middle=1.5), True),
    ],
)  # fmt: skip
def test_spread_grows_from_half_more_on(made: Any, grows: bool) -> None:
    """Twelve values at least; the upper third against the lower, rising in rank."""
    assert spread_grows(made) is grows


def test_spread_that_does_not_rise_in_rank_or_has_nothing_to_rise_with() -> None:
    """One stray value makes the upper third larger, and no rise in rank of it."""
    residuals = np.full(30, 1.0)
    residuals[29] = 8.0
    assert not spread_grows(SimpleNamespace(residuals=residuals, y=np.arange(1.0, 31) + residuals))  # type: ignore[arg-type]
    grown = fit(2.0).residuals
    assert not spread_grows(SimpleNamespace(residuals=grown, y=5.0 + grown))  # type: ignore[arg-type]
