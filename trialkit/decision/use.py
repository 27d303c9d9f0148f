"""Water and energy per kilogram, measured on the chamber run: the unit that used them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from trialkit.errors import Finding, ModelError
from trialkit.wording import finding, message

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.alignment.result import Aligned
    from trialkit.trial import Trial

#: Use columns and the unit each is given in, per kilogram of fresh mushrooms.
USES = {"water_l": "L/kg", "energy_kwh": "kWh/kg"}


#: Columns of the table of use per kilogram.
USE_COLUMNS = [
    "use", "unit", "level", "estimate", "low", "high", "saving_pct", "saving_low_pct",
    "saving_high_pct", "runs",
]  # fmt: skip


def run_totals(trial: Trial, data: Aligned) -> pd.DataFrame:
    """Add up yield, water and energy of every chamber run.

    Parameters
    ----------
    trial : Trial
    data : Aligned

    Returns
    -------
    DataFrame
        One row per chamber run: `batch, chamber` (those the trial has), the primary level,
        `kg` fresh mushrooms [kg], `blocks` weighed, `water_l` [L], `energy_kwh` [kWh], and
        `water_l_per_kg`, `energy_kwh_per_kg`. Empty when the primary treatment is given to
        something smaller than a chamber run, whose use cannot be told apart.
    """
    import pandas as pd

    keys = [name for name in ("batch", "chamber") if name in trial.levels]
    primary = trial.primary
    if not keys or not set(primary.applied_to) <= set(keys) or "fresh_g" not in data.table:
        return pd.DataFrame()
    weighed = data.table[data.table["fresh_g"].notna()]
    groups = weighed.groupby(keys, sort=False, observed=True)
    totals = groups.agg(
        kg=("fresh_g", lambda g: g.sum() / 1000),
        blocks=("unit", "nunique"),
        level=(primary.name, "first"),
    ).reset_index()
    totals = totals.rename(columns={"level": primary.name})
    runs = data.runs
    if runs is None or not len(runs) or "water_l" not in runs:
        return totals
    whole = runs[runs["window"] == "whole"]
    kept = [*keys, *(name for name in USES if name in whole), "coverage_pct"]
    totals = totals.merge(whole[[k for k in kept if k in whole]], how="left", on=keys)
    for name in USES:
        if name in totals:
            totals[f"{name}_per_kg"] = totals[name] / totals["kg"].where(totals["kg"] > 0)
    return totals


def fit_by_run(trial: Trial, totals: pd.DataFrame, response: str):  # type: ignore[no-untyped-def]
    """Fit a run total against the primary treatment, batches and chambers being random.

    Raises
    ------
    ModelError
        If the runs cannot carry the model.
    """
    import pandas as pd

    from trialkit.model.fit import fit

    primary = trial.primary
    usable = totals[totals[response].notna()].copy()
    order = [primary.reference, *(x for x in primary.levels if x != primary.reference)]
    seen = [x for x in order if (usable[primary.name] == x).any()]
    if len(seen) < 2 or primary.reference not in seen:
        raise ModelError(f"too few chamber runs have {response}")
    usable[primary.name] = pd.Categorical(usable[primary.name].astype(str), categories=seen)
    above = [
        ":".join(term)
        for term in trial.structure.strata(trial.counts)
        if set(term) < {"batch", "chamber"} & set(trial.levels)
    ]
    return fit(
        usable,
        response=response,
        fixed=primary.name,
        random=[term for term in above if usable[term].nunique() > 1],
        level=trial.question.level,
    )


def use_by_level(trial: Trial, totals: pd.DataFrame) -> tuple[pd.DataFrame, list[Finding]]:
    """Estimate water and energy per kilogram for each level, and the saving.

    Parameters
    ----------
    trial : Trial
    totals : DataFrame
        From `run_totals`.

    Returns
    -------
    table : DataFrame
        One row per level and use: `use, unit, level, estimate, low, high` (per kg),
        `saving_pct, saving_low_pct, saving_high_pct` against the control (NaN for it),
        `runs`.
    findings : list of Finding
    """
    import pandas as pd

    rows, found = [], []
    primary = trial.primary
    for name, unit in USES.items():
        column = f"{name}_per_kg"
        if column not in totals or totals[column].notna().sum() < 4:
            continue
        try:
            fit = fit_by_run(trial, totals, column)
            means = fit.means(primary.name).set_index("level")
            ratios = fit.noninferior(primary.name, against=primary.reference, margin_pct=50)
        except ModelError as problem:
            use = message(f"figure.use.{name}")
            found.append(finding("use_not_estimated", "note", use=use, problem=str(problem)))
            continue
        ratios = ratios.set_index("level")
        count = totals[totals[column].notna()][primary.name].value_counts()
        for level in means.index:
            row: dict[str, object] = {"use": name, "unit": unit, "level": str(level)}
            row |= {str(k): means.loc[level, k] for k in ("estimate", "low", "high")}
            for column_name in ("saving_pct", "saving_low_pct", "saving_high_pct"):
                row[column_name] = float("nan")
            if level in ratios.index:
                got = ratios.loc[level]
                row["saving_pct"] = 100 * (1 - got["ratio"])
                row["saving_low_pct"] = 100 * (1 - got["high"])
                row["saving_high_pct"] = 100 * (1 - got["low"])
            row["runs"] = int(count.get(level, 0))
            rows.append(row)
    return pd.DataFrame(rows, columns=USE_COLUMNS), found


def planned_use(trial: Trial, levels: Sequence[str] | None = None) -> pd.DataFrame:
    """Give the water and energy a day that timed schedules are set to use.

    Returns
    -------
    DataFrame
        `level, duty_pct, mist_on_s_day, water_l_day, energy_kwh_day`; NaN where the rig's
        figures or the setting do not say.
    """
    import pandas as pd

    rig, rows = trial.rig, []
    for level in levels or trial.primary.levels:
        duty = trial.primary.levels[level].duty_pct
        on = float("nan") if duty is None else 864 * duty
        water = on / 3600 * rig.mist_l_h if rig.mist_l_h else float("nan")
        fan_on = 86400 if rig.fan == "always" else on
        watts = None if rig.fogger_w is None else rig.fogger_w * on + (rig.fan_w or 0) * fan_on
        rows.append(
            {
                "level": level,
                "duty_pct": float("nan") if duty is None else duty,
                "mist_on_s_day": on,
                "water_l_day": water,
                "energy_kwh_day": float("nan") if watts is None else watts / 3.6e6,
            }
        )
    return pd.DataFrame(rows)
