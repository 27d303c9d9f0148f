"""Weights, water and energy of runs added up by hand; what is said of them, and what is next."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from trialkit.alignment.mist import COVERAGE
from trialkit.decision import use as using
from trialkit.decision.cells import MOST_TOLD, cells_sentence, common_answer
from trialkit.decision.further import next_setting
from trialkit.decision.headline import _by_cell, _with_saving, sure_savings
from trialkit.decision.use import (
    _from_timer,
    _in_step,
    _per_kg,
    _weighed,
    planned_use,
    run_findings,
    use_by_level,
)
from trialkit.decision.use_lines import _line, _reason, missing_pieces, use_lines
from trialkit.trial.sections import RigSection
from trialkit.wording import read_wording

TIMERS = {
    "a": SimpleNamespace(duty_pct=10.0, on_s=20.0), "b": SimpleNamespace(duty_pct=5.0, on_s=20.0),
    "held": SimpleNamespace(duty_pct=None, on_s=None),
}  # fmt: skip


def trial(**change: Any) -> Any:
    given: dict[str, Any] = {
        "rig": RigSection(mist_l_h=0.5, fogger_w=40.0, fan_w=10.0, fan="always"),
        "primary": SimpleNamespace(name="m", levels=TIMERS, reference="a", applied_to=("batch",)),
        "levels": {"batch": ["1", "2"], "chamber": ["T1", "T2"]}, "logs": {}, "batches": {},
    }  # fmt: skip
    return SimpleNamespace(**(given | change))


# ------------------------------------------------------------------ weights


def table(*rows: tuple[str, int, float | None, str]) -> pd.DataFrame:
    """One row per block: chamber, unit, weight and state; all of batch 1."""
    made = pd.DataFrame(list(rows), columns=["chamber", "unit", "fresh_g", "status"])
    made["fresh_g"] = made["fresh_g"].astype(float)
    return made.assign(batch="1", m=np.where(made["chamber"] == "T1", "a", "b"))


def weigh(rows: pd.DataFrame) -> dict[str, Any]:
    got = _weighed(rows, ["batch", "chamber"], "m")
    return dict(got.set_index("chamber").loc["T1"])


def test_blocks_not_weighed_are_as_the_others_where_half_are_weighed() -> None:
    """300 and 500 g of two, and two that nobody weighed: 1.6 kg; of three open it is not known."""
    two = table(("T1", 1, 300.0, "ok"), ("T1", 2, 500.0, "ok"), ("T1", 3, None, "ok"),
                ("T1", 4, None, "missing"))  # fmt: skip
    got = weigh(two)
    assert (got["kg"], got["kg_all"]) == (pytest.approx(0.8), pytest.approx(1.6))
    assert (got["started"], got["blocks"], got["lost"], got["unweighed"]) == (4, 2, 0, 2)
    assert got["m"] == "a"
    three = pd.concat([two, table(("T1", 5, None, "ok"))], ignore_index=True)
    assert math.isnan(weigh(three)["kg_all"])
    assert weigh(three)["kg"] == pytest.approx(0.8)
    assert weigh(two.iloc[:2])["kg_all"] == pytest.approx(0.8)


def test_lost_blocks_give_nothing_and_are_not_filled_in() -> None:
    lost = table(("T1", 1, 300.0, "ok"), ("T1", 2, None, "contaminated"),
                 ("T1", 3, None, "discarded"))  # fmt: skip
    got = weigh(lost)
    assert (got["kg_all"], got["blocks"], got["lost"], got["unweighed"]) == (0.3, 1, 2, 0)
    whole = weigh(table(("T1", 1, None, "contaminated"), ("T2", 2, 200.0, "ok")))
    assert (whole["kg_all"], whole["lost"], whole["blocks"]) == (0.0, 1, 0)
    # weighed and thrown away later is weighed
    kept = weigh(table(("T1", 1, 250.0, "contaminated")))
    assert (kept["kg"], kept["lost"]) == (0.25, 0)
    untold = weigh(table(("T1", 1, 250.0, "ok"), ("T1", 2, None, "x")).drop(columns="status"))
    assert (untold["lost"], untold["unweighed"], untold["kg_all"]) == (0, 1, 0.5)


def test_each_flush_is_filled_in_by_its_own() -> None:
    """First flush 400 of one of two, second 100 and 60: 800 + 160 g of two blocks."""
    flushes = table(("T1", 1, 400.0, "ok"), ("T1", 2, None, "ok"), ("T1", 1, 100.0, "ok"),
                    ("T1", 2, 60.0, "ok")).assign(flush=[1, 1, 2, 2])  # fmt: skip
    got = weigh(flushes)
    assert got["kg_all"] == pytest.approx(0.96)
    assert (got["started"], got["blocks"], got["unweighed"]) == (2, 2, 1)


def test_a_batch_of_which_nothing_is_known_is_not_in() -> None:
    rows = table(("T1", 1, 300.0, "ok"), ("T1", 2, None, "missing"))
    later = rows.assign(batch="2", fresh_g=np.nan, status="missing")
    both = _weighed(pd.concat([rows, later], ignore_index=True), ["batch", "chamber"], "m")
    assert both["batch"].tolist() == ["1"]
    spoilt = later.assign(status=["contaminated", "missing"])  # something is known: it is
    both = _weighed(pd.concat([rows, spoilt], ignore_index=True), ["batch", "chamber"], "m")
    assert both["batch"].tolist() == ["1", "2"]


# ------------------------------------------------------------------ water and energy


def test_a_day_of_each_timer_by_hand() -> None:
    """A tenth of the day is 2.4 h: 1.2 L, 96 Wh and 240 Wh of a fan that always runs."""
    got = planned_use(trial()).set_index("level")
    assert got.loc["a"].tolist() == pytest.approx([10.0, 8640.0, 1.2, 0.336])
    assert got.loc["b"].tolist() == pytest.approx([5.0, 4320.0, 0.6, 0.288])
    assert got.loc["held"].isna().all()
    assert planned_use(trial(), ["b"])["level"].tolist() == ["b"]


def test_runs_without_enough_log_are_taken_from_the_timer() -> None:
    """Three days of b: 1.8 L; a level held by a sensor has no timer to take it from."""
    totals = pd.DataFrame({"m": ["a", "b", "held"], "water_l": [9.0, np.nan, np.nan],
                           "window_h": 72.0, COVERAGE: 50.0})  # fmt: skip
    got = _from_timer(trial(), totals.copy())
    assert got["water_l"].tolist() == pytest.approx([9.0, 1.8, math.nan], nan_ok=True)
    assert got["planned"].tolist() == [False, True, False]
    for lacks in (totals.drop(columns="window_h"), totals.drop(columns=COVERAGE),
                  totals.assign(water_l=np.nan)):  # fmt: skip
        same = _from_timer(trial(), lacks.copy())
        assert same["water_l"].tolist() == pytest.approx(lacks["water_l"].tolist(), nan_ok=True)
        assert not same["planned"].any()


def test_use_per_kilogram_of_what_gave_something() -> None:
    totals = pd.DataFrame({"water_l": [3.0, 3.0, 3.0], "kg_all": [2.0, 0.0, 0.5]})
    got = _per_kg(totals.copy())["water_l_per_kg"].tolist()
    assert got == pytest.approx([1.5, math.nan, 6.0], nan_ok=True)
    assert "energy_kwh_per_kg" not in _per_kg(totals.copy())


def test_a_use_in_step_with_another_is_compared_alike() -> None:
    """0.08 kWh for each litre: estimate and limits are so much smaller, the saving is the same."""
    totals = pd.DataFrame({"water_l": [3.0, 5.0, np.nan], "energy_kwh": [0.24, 0.4, np.nan]})
    before = {"water_l": pd.DataFrame({"estimate": [2.0], "low": [1.5], "high": [3.0],
                                       "change": [0.8]})}  # fmt: skip
    got = _in_step(totals, "energy_kwh", before)
    assert got is not None
    assert got.iloc[0].tolist() == pytest.approx([0.16, 0.12, 0.24, 0.8])
    for apart in ([0.24, 0.41, np.nan], [0.24, 0.4, 0.3], [0.24, 0.4 * (1 + 1e-8), np.nan]):
        assert _in_step(totals.assign(energy_kwh=apart), "energy_kwh", before) is None
    still = totals.assign(water_l=[3.0, 0.0, np.nan], energy_kwh=[0.24, 0.0, np.nan])
    assert _in_step(still, "energy_kwh", before) is None
    assert _in_step(totals, "energy_kwh", {}) is None


def test_use_needs_four_runs_that_are_counted_and_weighed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Savings are what is left to a whole: 1 − 0.8 is 20 %, its limits change ends."""
    compared = pd.DataFrame({
        "level": ["a", "b"], "estimate": [2.0, 1.6], "low": [1.8, 1.4], "high": [2.2, 1.8],
        "change": [np.nan, 0.8], "change_low": [np.nan, 0.7], "change_high": [np.nan, 0.95],
        "runs": [2, 2],
    })  # fmt: skip
    monkeypatch.setattr(using, "ratio_of_totals", lambda *given, known: compared)
    totals = pd.DataFrame({"m": list("abab"), "kg_all": 1.0, "water_l": 2.0,
                           "planned": [True, False, True, True]})  # fmt: skip
    got, found = use_by_level(trial(), totals)
    assert found == []
    row = got.set_index("level").loc["b"]
    saved = row[["saving_pct", "saving_low_pct", "saving_high_pct"]].tolist()
    assert saved == pytest.approx([20.0, 5.0, 30.0])
    assert (row["use"], row["unit"], row["planned"]) == ("water_l", "L/kg", 1)
    assert got.set_index("level").loc["a", "planned"] == 2
    for column in ("kg_all", "water_l"):
        few = totals.copy()
        few.loc[0, column] = np.nan
        assert use_by_level(trial(), few)[0].empty
    assert use_by_level(trial(), totals.drop(columns="water_l"))[0].empty
    unmarked, _ = use_by_level(trial(), totals.drop(columns="planned"))
    assert unmarked["planned"].tolist() == [0, 0]


def test_what_is_told_of_runs() -> None:
    """Lost whole, not weighed whole, filled in, and where a log is short."""
    totals = pd.DataFrame({
        "batch": "1", "chamber": ["T1", "T2", "T3", "T4"], "kg_all": [0.0, np.nan, 1.0, 0.0],
        "lost": [4, 0, 0, 0], "unweighed": [0, 3, 1, 0],
    })  # fmt: skip

    def told(table: pd.DataFrame) -> dict[str, int]:
        return {f.code: f.values.get("count", -1) for f in run_findings(trial(), table)}

    usual = {"runs_lost": 1, "runs_incomplete": 1, "runs_filled": 1}
    assert told(totals) == usual
    assert told(totals.assign(planned=True)) == usual | {"use_from_timer": -1}
    assert told(totals.assign(planned=False)) == usual
    logged = totals.assign(**{COVERAGE: 50.0}, planned=[True, True, False, False],
                           water_l=[1.0, 1.0, np.nan, 1.0], energy_kwh=np.nan)  # fmt: skip
    assert told(logged) == usual | {"use_planned": 2, "mist_log_short": 1}
    whole = logged.assign(planned=False, water_l=1.0)
    assert told(whole) == usual
    assert run_findings(trial(), totals.iloc[:0]) == []


# ------------------------------------------------------------------ in words


@pytest.mark.parametrize(
    ("saving", "planned", "key"),
    [(12.0, 0, "measured.less"), (-12.0, 0, "measured.more"), (0.0, 2, "planned.less")],
)
def test_a_use_in_words(saving: float, planned: int, key: str) -> None:
    row = {"level": "b", "use": "water_l", "unit": "L/kg", "estimate": 1.6, "saving_pct": saving,
           "planned": planned}  # fmt: skip
    said = _line(trial(), row)
    assert said.key == f"use_line.{key}"
    assert (said.values["size"], said.values["amount"]) == (abs(saving), 1.6)


def test_only_levels_with_a_saving_are_said_and_nothing_where_it_is_blocked() -> None:
    use = pd.DataFrame({"level": ["a", "b"] * 2, "use": ["water_l"] * 2 + ["energy_kwh"] * 2,
                        "unit": "L/kg", "estimate": 1.0, "saving_pct": [np.nan, 3.0] * 2,
                        "planned": 0})  # fmt: skip
    verdict: Any = SimpleNamespace(answer="better", use=use, totals=pd.DataFrame())
    assert len(use_lines(trial(), verdict)) == 2
    verdict.answer = "blocked"
    assert use_lines(trial(), verdict) == []
    half = missing_pieces(trial(), pd.DataFrame(), use.iloc[:2])
    assert len(half) == 1


@pytest.mark.parametrize(
    ("change", "totals", "key"),
    [
        ({"levels": {}}, {}, "smaller"), ({"rig": RigSection()}, {}, "rig.mist_l_h"),
        ({}, {}, "sensor"), ({"logs": {"mist": 1}}, {"water_l": [1.0] * 3}, "short"),
        ({"logs": {"mist": 1}}, {"water_l": [1.0] * 4}, "no_fit"),
        ({"logs": {"mist": 1}}, {}, "short"),
        ({"logs": {"mist": 1}}, {"kg_all": [1.0, 1.0, 1.0, np.nan]}, "few"),
        ({"logs": {"mist": 1}, "batches": {"1": SimpleNamespace(start=None, end=1)}}, {}, "dates"),
        ({"logs": {"mist": 1}, "batches": {"1": SimpleNamespace(start=1, end=None)}}, {}, "dates"),
        ({"logs": {"mist": 1}, "batches": {"1": SimpleNamespace(start=None, end=1)}},
         {"water_l": [1.0] * 4}, "no_fit"),
    ],
)  # fmt: skip
def test_the_piece_that_lacks(change: dict[str, Any], totals: dict[str, Any], key: str) -> None:
    """Four runs at the least."""
    frame = pd.DataFrame({"kg_all": [1.0] * 4})
    for name, values in totals.items():
        frame = frame.assign(**{name: [*values, *[np.nan] * (4 - len(values))]})
    assert _reason(trial(**change), frame, "water_l").key == f"use_missing.{key}"


def test_savings_that_are_sure() -> None:
    """The lower limit is above nothing; half a point of difference is said once."""
    say = read_wording()

    def verdict(water: float, energy: float, low: float = 1.0) -> Any:
        return SimpleNamespace(level="b", use=pd.DataFrame({
            "level": ["b", "b", "a"], "use": ["water_l", "energy_kwh", "water_l"],
            "saving_pct": [water, energy, 50.0], "saving_low_pct": [low, low, 40.0],
        }))  # fmt: skip

    assert sure_savings(verdict(20.0, 30.0), "b") == {"water_l": 20.0, "energy_kwh": 30.0}
    assert sure_savings(verdict(20.0, 30.0, low=0.0), "b") == {}
    assert sure_savings(verdict(20.0, math.inf), "b") == {"water_l": 20.0}
    assert sure_savings(SimpleNamespace(use=pd.DataFrame()), "b") == {}  # type: ignore[arg-type]
    assert _with_saving(verdict(20.0, 30.0, low=0.0), say, "x") == "x"
    both = say.text("answer.saved.both")
    assert both in _with_saving(verdict(20.0, 20.4), say, "x")
    assert both not in _with_saving(verdict(20.0, 20.5), say, "x")
    assert say.text("answer.saved.water_l") in _with_saving(verdict(20.0, 20.6), say, "x")


@pytest.mark.parametrize(("cells", "told"), [(0, False), (1, True), (3, True), (4, False)])
def test_up_to_three_cells_are_in_the_headline(cells: int, told: bool) -> None:
    by = pd.DataFrame({"level": "b", "at": list("wxyz")[:cells], "answer": "better"},
                      index=range(cells))  # fmt: skip
    verdict: Any = SimpleNamespace(by=by, level="b", answer="depends", depends_on="light")
    result: Any = SimpleNamespace(
        terms=SimpleNamespace(response="fresh_g"), trial=SimpleNamespace(harvest_columns={})
    )
    words = {"level": "b", "reference": "a", "noun": "yield", "margin": "10 %", "factor": "light"}
    said = _by_cell(result, verdict, read_wording(), "x", words)
    assert (said != "x") is told
    verdict.answer = "blocked"
    assert _by_cell(result, verdict, read_wording(), "x", words) == "x"


def test_what_all_cells_say_together() -> None:
    assert common_answer(["worse", "worse"]) == "worse"
    assert common_answer(["no worse", "better", "better"]) == "no worse"
    assert common_answer(["no worse", "worse"]) == "depends"
    assert MOST_TOLD == 4
    rows = pd.DataFrame({"factor": "light", "at": list("vwxyz"), "level": "b", "reference": "a",
                         "answer": ["better"] * 3 + ["worse"] * 2, "ratio": np.nan})  # fmt: skip
    many = cells_sentence(rows, "depends", None, margin_pct=10, level=0.95)  # type: ignore[arg-type]
    assert [m.key for m in many.parts][1] == "cells.all"
    assert [m.values["times"] for m in many.parts[1].values["told"]] == [3, 2]
    few = cells_sentence(rows.iloc[:4], "depends", None, margin_pct=10, level=0.95)  # type: ignore[arg-type]
    assert [m.key for m in few.parts][1:] == ["cells.no_ratio"] * 4


# ------------------------------------------------------------------ a next setting


@pytest.mark.parametrize(
    ("duty", "on", "off"),
    [
        # half of it; pauses of 100 s and more to ten seconds, shorter ones to one
        (10.0, 20.0, 380.0), (34.0, 20.0, 98.0), (33.0, 20.0, 100.0), (9.0, 20.0, 420.0),
    ],
)  # fmt: skip
def test_pauses_a_timer_can_be_set_to(duty: float, on: float, off: float) -> None:
    levels = {
        "a": SimpleNamespace(duty_pct=50.0, on_s=on),
        "b": SimpleNamespace(duty_pct=duty, on_s=on),
    }
    given: Any = SimpleNamespace(
        primary=SimpleNamespace(levels=levels, reference="a"),
        question=SimpleNamespace(margin_pct=10.0),
    )
    found = next_setting(given, pd.DataFrame({"level": ["b"], "answer": ["no worse"]}))
    assert found is not None
    assert (found.on_s, found.off_s) == (on, off)
    assert found.duty_pct == pytest.approx(100 * on / (on + off))
    assert found.said.key == "further.lower"
    worse = next_setting(given, pd.DataFrame({"level": ["b"], "answer": ["worse"]}))
    assert worse is not None
    assert worse.said.key == "further.between"
    assert worse.duty_pct == pytest.approx((50 + duty) / 2, rel=0.02)
    assert next_setting(given, pd.DataFrame({"level": ["x"], "answer": ["worse"]})) is None
