"""Parts of a plan and its power one by one, with values counted or worked out by hand."""

import datetime as dt
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from trialkit.design.layout.allocation import Allocation
from trialkit.design.layout.draw_record import UNKNOWN, has_begun, whole_levels
from trialkit.design.layout.joined_units import joined_efficiency
from trialkit.design.layout.site import _neighbours, _units_named
from trialkit.design.points.search import _exchange
from trialkit.design.power import looks, questions, simulate
from trialkit.design.power.power import power
from trialkit.design.power.questions import Wanted, _mean_clear
from trialkit.design.power.remains import of_what_remains
from trialkit.design.sheets.plan_dates import under_names_here
from trialkit.design.sheets.plan_folder import _check_units
from trialkit.design.strata import error_terms
from trialkit.design.strata.comparisons import Comparison
from trialkit.design.strata.error_terms import BatchTerm, LevelErrors, batch_term
from trialkit.design.variation import of_sorted
from trialkit.errors import PlanError
from trialkit.structure import parse_structure

CHAMBERS = parse_structure("(batch * chamber) / block")
RUNS = ("batch", "chamber")


# ------------------------------------------------------------------ batch × treatment


def test_more_batches_tell_more_of_batch_and_treatment() -> None:
    """Two batches more of three levels: 2 · (3 − 1) for the term; of 12 in all the rest."""
    assert BatchTerm((2, 6), 0.8).with_batches(2, 3, 12) == BatchTerm((6, 14), 0.8)
    assert BatchTerm().with_batches(2, 3, 12) == BatchTerm()


def test_what_a_layout_tells_of_batch_and_treatment() -> None:
    """Four batches of six chambers, each of three levels twice in each batch.

    Where chambers keep their level, 23 df less 3 for batches and 5 for chambers leave 3 · 2 for
    the term and 9. Where levels go round, chambers 0 and 3, 1 and 4, 2 and 5 run alike: three
    pairs in four batches span 12 dimensions, as batches and levels do, of which 1 is the mean,
    3 are batches', 2 the pairs' and 2 levels'; 4 are left. Of 23 − 3 − 5 − 2 = 13 that is.
    """
    counts = {"batch": 4, "chamber": 6, "block": 3}
    turns = np.array([(np.arange(6) + k) % 3 for k in range(4)]).ravel()
    assert batch_term(CHAMBERS, counts, RUNS, turns, 3).df == (4, 9)
    assert batch_term(CHAMBERS, counts, RUNS, np.tile(np.arange(6) % 3, 4), 3).df == (6, 9)
    one = {"batch": 1, "chamber": 6, "block": 3}
    assert batch_term(CHAMBERS, one, RUNS, turns[:6], 3) == BatchTerm()
    assert batch_term(CHAMBERS, counts, ("chamber",), turns[:6], 3) == BatchTerm()


def test_of_very_many_units_ranks_are_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    """3 · 2 for the term, and of 23 df 3, 5, 2 and 6 are taken."""
    counts = {"batch": 4, "chamber": 6, "block": 3}
    turns = np.array([(np.arange(6) + k) % 3 for k in range(4)]).ravel()
    monkeypatch.setattr(error_terms, "_MANY", 23)
    assert batch_term(CHAMBERS, counts, RUNS, turns, 3) == BatchTerm((6, 7))
    monkeypatch.setattr(error_terms, "_MANY", 24)
    assert batch_term(CHAMBERS, counts, RUNS, turns, 3).df == (4, 9)  # worked out in full


def test_chambers_tell_their_part_of_batch_and_treatment_less_precisely() -> None:
    """A share of 0.7, and 0.3 at variances of 5 and 20: 0.7 + 0.3 · 5/20."""
    comparison = SimpleNamespace(
        batch_term=BatchTerm((6, 7), 0.7), stratum=RUNS, finest=RUNS,
        sizes={RUNS: 24, ("chamber",): 6},
        contrast_weights=lambda stratum, n, lost: {":".join(stratum): 1.0},
    )  # fmt: skip
    at = {"batch:chamber": 5.0, "chamber": 20.0}
    assert Comparison.batch_term_at(comparison, at) == BatchTerm((6, 7), 0.775)
    comparison.sizes = {RUNS: 24}
    assert Comparison.batch_term_at(comparison, at) == BatchTerm((6, 7), 1.0)
    comparison.batch_term = BatchTerm((6, 7), 1.0)
    assert Comparison.batch_term_at(comparison, at) == BatchTerm((6, 7), 1.0)


def test_errors_by_level_of_more_units() -> None:
    """Twice the degrees of freedom are twice the expected squares; the rest stays."""
    small = LevelErrors(np.ones((2, 2, 2)), np.eye(2), np.diag([3.0, 5.0]))
    large = small.scaled(2.0)
    assert large.squares.tolist() == [[6.0, 0.0], [0.0, 10.0]]
    assert large.own is small.own


# ------------------------------------------------------------------ power


def test_chance_that_a_mean_stands_clear(monkeypatch: pytest.MonkeyPatch) -> None:
    """Variances 1600 on 6 df and 2500 on 3: law 4100²/(1600²/6 + 2500²/3); mean 100.

    The chance is that of scipy's noncentral t beyond the critical value for the fewer df.
    """
    asked = []

    def critical(at, rows, df, wanted, near):
        asked.append((df, near))
        return 2.0

    monkeypatch.setattr(questions, "split_variance", lambda *_: (1600.0, 2500.0))
    monkeypatch.setattr(questions, "critical_value", critical)
    comparison = SimpleNamespace(mean_row=lambda level: None)
    wanted = SimpleNamespace(reference=0)
    law = 4100**2 / (1600**2 / 6 + 2500**2 / 3)
    got = _mean_clear(comparison, None, None, (6.0, 3.0), 1.0, wanted)
    assert got == pytest.approx(stats.nct.sf(2.0, law, 100 / 4100**0.5), abs=1e-9)
    _mean_clear(comparison, None, None, (20.0, 3.0), 1.0, wanted)
    assert asked[0] == (6.0, 6.0)
    assert asked[1] == (pytest.approx(4100**2 / (1600**2 / 20 + 2500**2 / 3)), 20.0)
    monkeypatch.setattr(questions, "split_variance", lambda *_: (1600.0, 0.0))
    assert _mean_clear(comparison, None, None, (6.0, 3.0), 1.0, wanted) == 1.0


def test_of_batches_that_differ_widely_no_ratio_is_found(make_trial) -> None:
    """Two batches, 1 df between them, 300 % apart: the reference's mean is rarely clear of zero.

    2.5 % of t with 1 df lie beyond 12.706, and of t noncentral by 100/(300/√2) hardly more. No
    ratio has limits where the mean is not clear, so that its chance is no larger.
    """
    trial = make_trial(
        "structure = '(batch * chamber) / block'\nbatch = 2\nchamber = 6\nblock = 3",
        {"schedule": ("batch:chamber", 2, "")},
    )

    def chance(batch: float) -> float:
        spread = {"batch": batch, "chamber": 0.1, "batch:chamber": 0.1, "batch:chamber:block": 0.1}
        found = power(trial, variation=spread, margin_pct=10, lost=0, questions=["no worse"])
        return float(found.table["power"].iloc[0])

    assert 0.001 < chance(300.0) < stats.nct.sf(12.706, 1, 100 / (300 / 2**0.5)) + 1e-4
    assert chance(0.1) > 0.99


def test_a_plan_that_ends_early_keeps_the_looks_before() -> None:
    """After 5 of 2, 4 and 6 batches: df halfway between 9 and 15, all that can be told."""
    plan = looks.LookPlan((2, 4, 6), (3.0, 9.0, 15.0), (0.3, 0.6, 1.0), 2, 0.5)
    early = looks.LookPlan((2, 4, 5), (3.0, 9.0, 12.0), (0.3, 0.6, 1.0), 2, 0.5)
    assert looks.ending_after(plan, 5) == early
    assert looks.ending_after(plan, 4) == looks.LookPlan((2, 4), (3.0, 9.0), (0.3, 1.0), 2, 0.5)
    assert looks.ending_after(plan, 6) is plan


def test_power_counts_the_units_that_are_grown() -> None:
    """24 chamber runs leave 24 − 1 − 3 − 5 = 15 df beside batches and chambers.

    One run gone leaves 14, a whole batch gone 18 − 1 − 2 − 5 = 10.
    """
    whole = pd.DataFrame([(f"b{i}", f"c{j}") for i in range(4) for j in range(6)], columns=RUNS)
    table = pd.DataFrame({"error_df": [13, 3], "n_units": 24, "detectable_pct": 9.0})
    for gone, left in ((whole.index[:1], [12, 2]), (whole.index[:6], [8, 0]), ([], [13, 3])):
        trial = SimpleNamespace(
            structure=CHAMBERS, unit_table=lambda: whole,
            grown_units=lambda gone=gone: whole.drop(index=gone),
        )  # fmt: skip
        found = of_what_remains(trial, SimpleNamespace(stratum=RUNS), table)
        assert found["error_df"].tolist() == left
        assert found["n_units"].unique().tolist() == [24 - len(gone)]
        assert found["detectable_pct"].isna().all()


def test_an_interaction_is_drawn_as_one_difference_of_differences() -> None:
    """Of the first two levels of both, and of 12 % in all; the third level has none of it."""
    table = pd.DataFrame([(a, b) for a in "xyz" for b in "pq"], columns=["a", "b"])
    comparison = SimpleNamespace(name="a:b", levels=(("x", "y", "z"), ("p", "q")))
    wanted = Wanted(12.0, 10.0, 0.0, 0.05, False, 0, {})
    _, drawn = simulate._true_effects(table, comparison, None, wanted)
    at = dict(zip(table["a"] + table["b"], drawn, strict=True))
    assert at["xp"] - at["yp"] - at["xq"] + at["yq"] == pytest.approx(12.0)
    assert at["zp"] == at["zq"] == 0.0
    assert sum(drawn) == pytest.approx(0.0)
    rows = SimpleNamespace(
        rows=lambda grid: np.eye(len(grid)), levels={"a": ("x", "y", "z"), "b": ("p", "q")}
    )
    assert rows.rows(table) @ drawn == pytest.approx(drawn)


def test_the_middle_of_two_values_lies_halfway() -> None:
    assert of_sorted(np.array([2.0, 4.0]), 0.5)[1] == 3.0
    assert of_sorted(np.array([0.0, 1.0, 10.0]), 0.5)[1] == 1.0


# ------------------------------------------------------------------ layouts


@pytest.mark.parametrize(("held", "want"), [([0, 1, 0, 2, 1, 2], 0.75), ([0, 0, 1, 1, 2, 2], 0.0)])
def test_what_is_left_of_a_treatment_in_blocks(make_trial, held, want) -> None:
    """Three levels in three blocks of two (Yates 1936): λ v/(r k) = 3/4; apart by blocks: none."""
    trial = make_trial("structure = 'block / plot'\nblock = 3\nplot = 2",
                       {"spawn": ("block:plot", 3, "")})  # fmt: skip
    table = pd.DataFrame({"block": np.repeat(["b0", "b1", "b2"], 2), "plot": ["p0", "p1"] * 3,
                          "spawn": np.array(["s0", "s1", "s2"])[held]})  # fmt: skip
    assert joined_efficiency(trial, table, "spawn") == pytest.approx(want, abs=1e-9)


def test_a_batch_without_a_date_has_not_begun() -> None:
    """A start at midnight counts from the day's end, another from its moment."""
    day = dt.datetime(2031, 3, 1, tzinfo=dt.UTC)
    batches = {
        "none": SimpleNamespace(start=None),
        "day": SimpleNamespace(start=day),
        "hour": SimpleNamespace(start=day + dt.timedelta(hours=9)),
    }
    trial = SimpleNamespace(batches=batches, zone=dt.UTC)
    late, noon = day + dt.timedelta(days=30), day + dt.timedelta(hours=12)
    assert not has_begun(trial, "none", late)
    assert not has_begun(trial, "unknown", late)
    assert not has_begun(trial, "day", noon)
    assert has_begun(trial, "day", day + dt.timedelta(days=1))
    assert has_begun(trial, "hour", noon)
    assert has_begun(trial, "hour", day + dt.timedelta(hours=9))
    assert not has_begun(trial, "hour", day + dt.timedelta(hours=8, minutes=59))


def test_levels_of_a_whole_table_and_of_part_of_one() -> None:
    whole = pd.DataFrame([(a, b) for a in "xy" for b in (1, 2, 3)], columns=["a", "b"])
    assert whole_levels(whole, ["a", "b"]) == {"a": ("x", "y"), "b": ("1", "2", "3")}
    assert whole_levels(whole.iloc[:5], ["a", "b"]) == {}


def test_a_plan_drawn_in_parts_is_one_that_was_not_drawn_whole() -> None:
    def plan(rows: int, *draws: int):
        return SimpleNamespace(
            table=range(rows), trial=SimpleNamespace(unit_table=lambda: range(6)),
            draws=[SimpleNamespace(units=range(n), at=UNKNOWN if n == 2 else "") for n in draws],
        )  # fmt: skip

    for given, parts in (
        (plan(6, 6), False), (plan(6, 4, 2), True), (plan(6, 4), True), (plan(6), False),
        (plan(4, 4), True),
    ):  # fmt: skip
        assert Allocation.in_parts.fget(given) is parts
    assert Allocation.undated.fget(plan(6, 4, 2))
    assert not Allocation.undated.fget(plan(6, 6))


def test_units_that_a_rule_names() -> None:
    """By all their levels together, or by one of them."""
    levels = {"batch": ("1", "2"), "chamber": ("A", "B", "C")}
    place = {"batch": np.repeat([0, 1], 3), "chamber": np.tile([0, 1, 2], 2)}
    site = SimpleNamespace(term=RUNS, place=place)
    assert np.flatnonzero(_units_named("2:B", site, levels, "schedule")).tolist() == [4]
    assert np.flatnonzero(_units_named("2 : A", site, levels, "schedule")).tolist() == [3]
    assert np.flatnonzero(_units_named("C", site, levels, "schedule")).tolist() == [2, 5]


def test_batches_stand_beside_no_others() -> None:
    """Of two batches of three chambers, a middle chamber has two neighbours in its batch."""
    assert _neighbours(("batch",), {"batch": 3}).tolist() == [[-1]] * 3
    beside = [sorted(n for n in row if n >= 0) for row in
              _neighbours(RUNS, {"batch": 2, "chamber": 3}).tolist()]  # fmt: skip
    assert beside == [[1], [0, 2], [1], [4], [3, 5], [4]]


def test_settings_of_neighbouring_units_change_places() -> None:
    """Whatever two units gain by the change, first and second as well as second and last."""
    units = np.arange(4)
    wanted = np.array([1.0, -1.0, 0.5, 0.0])
    task = SimpleNamespace(
        given_to=[units],
        scores=lambda plans: 1 + ((plans[..., 0] - wanted) ** 2).sum(axis=-1),
        allowed=lambda rows: np.ones(len(rows), dtype=bool),
    )
    for swapped in ([1, 0, 2, 3], [0, 2, 1, 3], [0, 1, 3, 2], [3, 1, 2, 0]):
        coded, pinned = wanted[swapped][:, None], np.zeros((4, 1), dtype=bool)
        start = float(task.scores(coded[None])[0])
        best, _, value = _exchange(task, coded, pinned, start, 0)
        assert best[:, 0].tolist() == wanted.tolist()
        assert value == 1.0


# ------------------------------------------------------------------ sheets


def test_a_renamed_level_is_read_under_its_name_of_today() -> None:
    """The chamber T1 is called tent now; its unit too."""
    trial = SimpleNamespace(
        aliases={"chamber": {"T1": "tent"}, "light": {"x": "y"}},
        structure=SimpleNamespace(factors=RUNS),
    )
    table = pd.DataFrame({"unit": ["1-T1", "1-T2"], "batch": [1, 1], "chamber": ["T1", "T2"]})
    found = under_names_here(trial, table)
    assert found["unit"].tolist() == ["1-tent", "1-T2"]
    assert table["chamber"].tolist() == ["T1", "T2"]  # the plan's own table stays
    bare = under_names_here(trial, table.drop(columns="batch"))
    assert bare["unit"].tolist() == ["1-T1", "1-T2"]
    trial.aliases = {}
    assert under_names_here(trial, table) is table


def test_a_plan_by_hand_gives_each_unit_one_level(tmp_path) -> None:
    trial = SimpleNamespace(
        factors={"schedule": SimpleNamespace(applied_to=RUNS, stratum="batch:chamber")}
    )
    table = pd.DataFrame({"batch": ["1", "1", "2"], "chamber": ["A", "A", "A"],
                          "schedule": ["wet", "wet", "dry"]})  # fmt: skip
    _check_units(trial, table, tmp_path)
    table.loc[1, "schedule"] = "dry"
    with pytest.raises(PlanError, match="gives 1:A more than one schedule"):
        _check_units(trial, table, tmp_path)
    trial.factors["schedule"] = SimpleNamespace(applied_to=("chamber",), stratum="chamber")
    with pytest.raises(PlanError, match="gives A more than one schedule"):
        _check_units(trial, table, tmp_path)
