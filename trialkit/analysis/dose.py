"""Yield against what was really delivered: dose and response, with chamber-run error.

The dose of a chamber run is one number, so its effect is judged between chamber runs. The
analysis as assigned answers the question that was randomised; this one helps to understand
it and is never mixed with it: doses were not randomised, schedules were.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from trialkit.alignment.slow_findings import HUMID
from trialkit.alignment.slow_readings import too_slow
from trialkit.analysis.by_run import run_keys
from trialkit.analysis.dose_doubts import (
    dose_uncertain,
    exposure_label,
    optimum_outside,
    quantity_key,
)
from trialkit.analysis.mist_coverage import covered_runs, least_coverage
from trialkit.analysis.run_doses import doses_of_runs, likeness
from trialkit.analysis.table import analysis_table
from trialkit.analysis.terms import derive_terms
from trialkit.columns import head
from trialkit.display import Shown, show_table
from trialkit.errors import Finding, ModelError
from trialkit.right_kind import check_kinds
from trialkit.short_repr import short_repr
from trialkit.tabular import Tabular
from trialkit.trial.over_time import START_NO
from trialkit.wording import finding, message, spoken

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

    from trialkit.alignment.result import Aligned
    from trialkit.model.fit import Fit
    from trialkit.trial import Trial

Curve = Literal["straight", "curved", "plateau"]
#: Two exposures more alike than this between runs of a batch cannot be told apart.
TOO_ALIKE = 0.9
_GRID = 41


@dataclass(frozen=True)
class Dose(Tabular):
    """Response to a delivered exposure. Make it with `dose_response`.

    Parameters
    ----------
    exposure, response : str
        Columns.
    curve : {"straight", "curved", "plateau"}
    table : DataFrame
        The curve: `dose, estimate, low, high` over the range delivered.
    summary : DataFrame
        What the curve says: `quantity` (``"slope"``, ``"optimum"`` or ``"knee"``), `estimate`
        (missing where it lies outside the doses given), `low, high, p, df`; an open limit is
        infinite.
    runs : DataFrame
        One row per chamber run: dose, mean response, level of the primary treatment.
    alike : DataFrame
        How alike the exposures are between runs of a batch: `exposure, correlation, runs`
        (those that have both).
    beside : DataFrame
        As assigned and as delivered side by side, per level: `level, runs, dose,
        as_assigned, as_delivered` (each the mean response).
    findings : tuple of Finding
    """

    exposure: str
    response: str
    curve: Curve
    table: pd.DataFrame
    summary: pd.DataFrame
    runs: pd.DataFrame
    alike: pd.DataFrame
    beside: pd.DataFrame
    findings: tuple[Finding, ...]

    _entries = ("exposure", "response", "curve", "table", "summary", "findings")
    __repr__ = short_repr

    def shown(self) -> Shown:
        """Format what the curve says."""
        say = spoken()
        columns = ["quantity", "estimate", "low", "high", "p", "df"]
        table = self.summary.assign(
            quantity=[
                say.text(f"dose.quantity.{quantity_key(q)}") for q in self.summary["quantity"]
            ]
        )
        return show_table(
            table,
            columns=columns,
            heads={name: say.text(f"column.{name}") for name in columns},
            caption=say.text(
                "dose.caption",
                response=head(self.response),
                exposure=head(self.exposure),
                curve=message(f"dose.curve.{self.curve}"),
                runs=len(self.runs),
            ),
            notes=[say.text("dose.not_randomised"), *map(str, self.findings)],
        )

    def __str__(self) -> str:
        return self.shown().text()

    def _repr_html_(self) -> str:
        return self.shown().html()


def dose_response(
    trial: Trial,
    data: Aligned,
    *,
    exposure: str = "duty_pct",
    curve: Curve = "straight",
    window: str = "whole",
    response: str | None = None,
) -> Dose:
    """Fit yield against an exposure that each chamber run received.

    Parameters
    ----------
    trial : Trial
    data : Aligned
    exposure : str
        Column of ``data.runs``, such as ``"duty_pct"``, ``"vpd_kpa"`` or ``"water_l"``.
    curve : {"straight", "curved", "plateau"}
        A straight line; a parabola, with its optimum; or a line that stops rising (or
        falling) at a knee.
    window : str
        Window of ``data.runs`` the dose is taken from.
    response : str, optional
        Column; that of the question by default.

    Returns
    -------
    Dose

    Raises
    ------
    ModelError
        If the exposure was not recorded or hardly differs between runs.

    Notes
    -----
    Straight and curved fits use the trial's own random terms, so the dose is judged against
    the variation between chamber runs. The limits of the optimum hold the doses at which the
    slope is not different from zero (Fieller's argument). Nothing is known of doses that no run
    had: an optimum or knee outside is missing and a limit outside is open. Runs whose mist log
    covers too little have no dose of mist. Where a dose is known with a standard uncertainty u,
    a slope comes out flatter by up to the share of ``mean u²`` in the variance of the dose
    between runs of a batch, and a finding says so. The plateau is fitted by least squares
    to run means with batches removed; the limits of its knee are the doses at which the
    residual sum of squares is not larger than the smallest by the F distribution [1]_.

    References
    ----------
    .. [1] Draper, N. R. and Smith, H. (1998). Applied Regression Analysis, 3rd ed., ch. 24
       (likelihood-type regions of nonlinear parameters).

    Examples
    --------
    >>> import trialkit as tk
    >>> trial = tk.read_trial(tk.demo_folder())
    >>> data = tk.align(trial, tk.read_harvest(trial), None, tk.read_mist(trial))
    >>> dose = tk.dose_response(trial, data, exposure="duty_pct")
    >>> dose.beside.set_index("level")["dose"].round(1).to_dict()  # % of the time, as delivered
    {'usual': 8.3, 'banded': 7.1, 'sparse': 4.2}
    """
    check_kinds("dose_response", trial=trial, data=data)
    import numpy as np
    import pandas as pd

    terms = derive_terms(trial, response=response, data=data)
    data = replace(data, runs=covered_runs(data.runs, trial.rig, least_pct=least_coverage(data)))
    runs, found = doses_of_runs(
        trial, data, exposure, window=window, response=terms.response, factor=trial.primary
    )
    alike = likeness(trial, data, exposure, window)
    for _, row in alike.iterrows():
        if abs(row["correlation"]) > TOO_ALIKE:
            found.append(
                finding(
                    "exposures_alike",
                    "caution",
                    first=exposure_label(exposure),
                    second=exposure_label(str(row["exposure"])),
                    correlation=float(row["correlation"]),
                )
            )
    if exposure in HUMID and too_slow(data.runs[data.runs["window"] == window]).any():
        found.append(finding("dose_by_slow_readings", "caution", exposure=exposure_label(exposure)))
    if curve == "plateau":
        grid, summary = _plateau(trial, runs)
    else:
        grid, summary = _mixed(trial, data, runs, terms.response, curve)
    found += optimum_outside(summary, runs, exposure)
    found += dose_uncertain(data, runs, exposure, window)
    beside = runs.groupby("level", sort=False, observed=True).agg(
        runs=("mean", "size"), dose=("dose", "mean"), as_assigned=("mean", "mean")
    )
    beside = beside.reset_index()
    beside["as_delivered"] = np.interp(beside["dose"], grid["dose"], grid["estimate"])
    return Dose(
        exposure=exposure,
        response=terms.response,
        curve=curve,
        table=grid,
        summary=summary,
        runs=runs,
        alike=pd.DataFrame(alike),
        beside=beside,
        findings=tuple(found),
    )


def _mixed(
    trial: Trial, data: Aligned, runs: pd.DataFrame, response: str, curve: Curve
) -> tuple[pd.DataFrame, pd.DataFrame]:
    from trialkit.model.fit import fit as fit_model

    keys = run_keys(trial)
    centre, spread = float(runs["dose"].mean()), float(runs["dose"].std())
    table = analysis_table(trial, data, response)
    table = table[table[response].notna()].merge(runs[[*keys, "dose"]], how="inner", on=keys)
    table["dose"] = (table["dose"] - centre) / spread
    table["dose2"] = table["dose"] ** 2
    terms = derive_terms(trial, response=response, data=data)
    others = [f.name for f in trial.factors.values() if not set(f.applied_to) <= set(keys)]
    fixed = ["dose"] + (["dose2"] if curve == "curved" else []) + others
    fixed += [name for name in (START_NO, "flush") if name in terms.fixed.split(" + ")]
    fit = fit_model(
        table,
        response=response,
        fixed=" + ".join(fixed),
        random=list(terms.random),
        level=trial.question.level,
    )
    grid = _curve_on_grid(fit, runs, centre, spread)
    if curve == "straight":
        return grid, _slope(fit, spread)
    return grid, _optimum(fit, runs, centre, spread, trial.question.level)


def _rows_at(fit: Fit, doses: np.ndarray) -> np.ndarray:
    """Give fixed-effect rows at scaled doses, other factors weighted equally."""
    from itertools import product

    import numpy as np
    import pandas as pd

    levels = fit.design.levels
    cells = list(product(*levels.values())) or [()]
    grid = pd.DataFrame(
        [(*cell, d, d * d) for d in doses for cell in cells], columns=[*levels, "dose", "dose2"]
    )
    rows = np.asarray(fit.design.rows(grid))
    return np.asarray(rows.reshape(len(doses), len(cells), -1).mean(axis=1))


def _curve_on_grid(fit: Fit, runs: pd.DataFrame, centre: float, spread: float) -> pd.DataFrame:
    import numpy as np

    doses = np.linspace(runs["dose"].min(), runs["dose"].max(), _GRID)
    got = fit.contrast(_rows_at(fit, (doses - centre) / spread))
    return got[["estimate", "low", "high"]].assign(dose=doses)[["dose", "estimate", "low", "high"]]


def _slope(fit: Fit, spread: float) -> pd.DataFrame:
    import pandas as pd

    row = fit.coefficients.loc["dose"]
    out = {"quantity": "slope", **{k: row[k] / spread for k in ("estimate", "low", "high")}}
    return pd.DataFrame([{**out, "p": row["p"], "df": row["df"]}])


def _optimum(
    fit: Fit, runs: pd.DataFrame, centre: float, spread: float, level: float
) -> pd.DataFrame:
    """Give the dose where the parabola turns, and the doses where its slope may be zero."""
    import numpy as np
    import pandas as pd
    from scipy import special

    b1, b2 = fit.coefficients["estimate"].astype(float)[["dose", "dose2"]]
    at = {name: i for i, name in enumerate(fit.names)}
    half = float(np.ptp((runs["dose"] - centre) / spread))
    doses = np.linspace(-3 * half, 3 * half, 1201)
    L = np.zeros((2, len(fit.names)))
    L[0, at["dose"]], L[1, at["dose2"]] = 1.0, 2.0
    cov = fit.contrast_cov(L)
    point = special.stdtrit(float(fit.contrast(L)["df"].min()), (1 + level) / 2)
    wide = point * np.sqrt(cov[0, 0] + 2 * doses * cov[0, 1] + doses**2 * cov[1, 1])
    flat = doses[np.abs(b1 + 2 * b2 * doses) <= wide]
    turn = -b1 / (2 * b2) if b2 else np.nan
    least, most = float(runs["dose"].min()), float(runs["dose"].max())
    low, high = -np.inf, np.inf
    if len(flat):
        ends = centre + spread * flat.min(), centre + spread * flat.max()
        low, high = (ends[0] if ends[0] > least else low), (ends[1] if ends[1] < most else high)
    turn = centre + spread * turn
    if not least < turn < most:  # nobody saw it turn
        turn = np.nan
    bend = fit.coefficients.loc["dose2"]
    kind = "optimum" if b2 < 0 else "lowest point"
    return pd.DataFrame(
        [
            {
                "quantity": kind,
                "estimate": turn,
                "low": low,
                "high": high,
                "p": bend["p"],
                "df": bend["df"],
            }
        ]
    )


def _plateau(trial: Trial, runs: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Fit a line with a knee to run means, batches removed; scan the knee."""
    import numpy as np
    import pandas as pd
    from scipy import special

    y, x = runs["mean"].to_numpy(float), runs["dose"].to_numpy(float)
    batches = runs["batch"] if "batch" in runs else pd.Series(["all"] * len(runs))
    base = np.eye(batches.nunique())[batches.factorize()[0]]
    df = len(y) - base.shape[1] - 2
    if df < 1:
        raise ModelError("a plateau needs more chamber runs than batches plus two")

    def fitted(knee: float) -> tuple[float, np.ndarray]:
        X = np.column_stack([base, np.minimum(x, knee)])
        beta = np.linalg.lstsq(X, y, rcond=None)[0]
        return float(np.sum((y - X @ beta) ** 2)), beta

    knees = np.linspace(x.min(), x.max(), 402)[1:]
    sums = np.array([fitted(knee)[0] for knee in knees])
    best = float(knees[sums.argmin()])
    least, beta = fitted(best)
    level = trial.question.level
    bound = least * (1 + special.fdtri(1, df, level) / df)
    inside = knees[sums <= bound]
    low = -np.inf if inside[0] <= knees[0] else inside[0]
    high = np.inf if inside[-1] >= knees[-1] else inside[-1]
    doses = np.linspace(x.min(), x.max(), _GRID)
    weights = base.mean(axis=0)
    X = np.column_stack([base, np.minimum(x, best)])
    inverse = np.linalg.pinv(X.T @ X) * least / df
    L = np.column_stack([np.tile(weights, (_GRID, 1)), np.minimum(doses, best)])
    middle = L @ beta
    reach = special.stdtrit(df, (1 + level) / 2) * np.sqrt(np.einsum("ij,jk,ik->i", L, inverse, L))
    grid = pd.DataFrame(
        {"dose": doses, "estimate": middle, "low": middle - reach, "high": middle + reach}
    )
    straight = sums[-1]
    F = (straight - least) / (least / df) if least > 0 else np.inf
    p = float(special.fdtrc(1, df, F))
    seen = best if best < knees[-1] else np.nan  # a line that never bends has no knee
    knee = {"quantity": "knee", "estimate": seen, "low": low, "high": high, "p": p, "df": df}
    return grid, pd.DataFrame([knee])
