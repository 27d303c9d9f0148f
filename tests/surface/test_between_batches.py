"""Whether settings act alike in every batch: least squares of another library, drawn trials."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from trialkit.decision.range_doubts import batch_doubts
from trialkit.settings.setting_range import SettingRange
from trialkit.surface.between_batches import slopes_between_batches
from trialkit.surface.fit_surface import fit_surface

MIST = SettingRange("mist", -1, 1, 0.5)
LIGHT = SettingRange("light", -1, 1, 0.5)


def drawn(seed: int, batches: int = 4, slope_sd: float = 0.0) -> pd.DataFrame:
    """Give runs of six chambers a batch, two settings crossed, batches 40 g apart, runs 30 g."""
    rng = np.random.default_rng(seed)
    rows = [
        (b, m, li) for b in range(batches) for m in (-1.0, 0.0, 1.0) for li in (-1.0, 1.0)
    ]  # light is at its middle in one run of each batch
    table = pd.DataFrame(rows, columns=["batch", "mist", "light"])
    table.loc[table.index % 6 == 2, "light"] = 0.0
    at = table["batch"].to_numpy()
    slopes = slope_sd * rng.standard_normal(batches)
    table["fresh_g"] = (
        500 - 20 * table["mist"] ** 2 + slopes[at] * table["mist"]
        + 40 * rng.standard_normal(batches)[at] + 30 * rng.standard_normal(len(table))
    )  # fmt: skip
    return table.assign(batch="B" + table["batch"].astype(str))


def test_f_is_that_of_least_squares() -> None:
    """Batches fixed, one row a run: the partial F of each batch × slope, by statsmodels."""
    table = drawn(3)
    surface = fit_surface(table, [MIST, LIGHT], response="fresh_g", random=["batch"])
    ours = slopes_between_batches(surface, "batch")
    whole = "fresh_g ~ mist + light + I(mist**2) + I(light**2) + mist:light + C(batch)"
    base = smf.ols(whole, table).fit()
    for name in ("mist", "light"):
        more = smf.ols(f"{whole} + C(batch):{name}", table).fit()
        f, p, df = more.compare_f_test(base)
        assert ours.loc[name, ["F", "p", "num_df"]].tolist() == pytest.approx([f, p, df])
        assert ours.loc[name, "den_df"] == pytest.approx(more.df_resid)
    low, high = sorted(ours["p"])
    assert sorted(ours["p_holm"]) == pytest.approx(sorted([min(2 * low, 1), max(2 * low, high)]))


def test_nothing_is_said_where_the_units_cannot_tell() -> None:
    """A setting that never varies within a batch; two rows over; no batch; one batch."""
    table = drawn(4, batches=6)
    by_batch = table.assign(mist=table["batch"].map(dict(zip(
        sorted(table["batch"].unique()), [-1.0, 0.0, 1.0] * 2, strict=True))))  # fmt: skip
    surface = fit_surface(by_batch, [MIST], response="fresh_g", random=["batch"])
    assert slopes_between_batches(surface, "batch").isna().all(axis=None)
    few = drawn(5, batches=2).iloc[[0, 2, 4, 6, 8, 10]]  # 6 runs, 3 + 1 + 1 columns
    surface = fit_surface(few, [MIST], response="fresh_g", random=["batch"])
    assert slopes_between_batches(surface, "batch").isna().all(axis=None)
    plain = fit_surface(drawn(6), [MIST], response="fresh_g")
    assert slopes_between_batches(plain, "batch").isna().all(axis=None)
    assert batch_doubts(slopes_between_batches(plain, "batch")) == []


def test_each_setting_below_ten_per_cent_is_told() -> None:
    """By the p that allows for several settings."""
    between = pd.DataFrame(
        {"p": [0.05, 0.0501, np.nan], "p_holm": [0.1, 0.1002, np.nan]}, index=["mist", "light", "x"]
    )
    (told,) = batch_doubts(between)
    assert told.code == "settings_differ_by_batch"
    assert told.severity == "caution"
    assert str(told.said).startswith("mist ")
    assert "0.050" in str(told.said)


@pytest.mark.slow
def test_batches_alike_are_seldom_told_apart_and_unlike_ones_often() -> None:
    """10 % of 400 drawn trials where slopes are alike; most where they differ by 60 g a step."""
    alike, unlike = (
        np.mean([
            slopes_between_batches(
                fit_surface(drawn(s, slope_sd=sd), [MIST], response="fresh_g", random=["batch"]),
                "batch",
            ).loc["mist", "p"] <= 0.10
            for s in range(400)
        ])
        for sd in (0.0, 60.0)
    )  # fmt: skip
    assert alike == pytest.approx(0.10, abs=0.045)  # three standard errors
    assert unlike > 0.6
