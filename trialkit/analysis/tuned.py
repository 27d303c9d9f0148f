"""Fit the surface of a trial whose treatments are settings tuned as numbers."""

from __future__ import annotations

from typing import TYPE_CHECKING

from trialkit.analysis.table import analysis_table, told_apart
from trialkit.columns.response import response_of
from trialkit.errors import ModelError
from trialkit.settings.setting_range import SettingRange

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.alignment.result import Aligned
    from trialkit.surface.fit_surface import Surface
    from trialkit.trial import Trial


def analyse_settings(trial: Trial, data: Aligned, *, response: str | None = None) -> Surface:
    """Fit a second-order surface of a response over the trial's settings.

    Parameters
    ----------
    trial : Trial
        Whose treatments have ranges.
    data : Aligned
    response : str, optional
        Column to explain; that of the question by default.

    Returns
    -------
    Surface
        Of what a harvested block gave over all flushes; the random terms are the trial's units.

    Raises
    ------
    ModelError
        If the trial has no ranges, nothing was weighed, or too few settings came in.
    """
    from trialkit.surface.fit_surface import fit_surface

    if not trial.tuned or len(trial.tuned) != len(trial.factors):
        raise ModelError("the treatments of this trial have named levels, no ranges; use analyse")
    wanted = response or trial.question.response
    rows = rows_of_settings(trial, data, wanted)
    strata = [":".join(term) for term in trial.structure.strata(trial.counts)[:-1]]
    return fit_surface(
        rows,
        settings_of(trial),
        response=wanted,
        columns={factor.name: setting_column(factor.name) for factor in trial.tuned},
        random=told_apart(strata, rows),
        level=trial.question.level,
    )


def rows_of_settings(trial: Trial, data: Aligned, response: str) -> pd.DataFrame:
    """Give one row per block that gave something, with its settings as numbers.

    Raises
    ------
    ModelError
        If nothing was weighed.
    """
    rows = per_block(trial, analysis_table(trial, data, response), response)
    if not len(rows):
        raise ModelError(f"no row has a value of {response!r}: fill in the harvest sheet")
    for factor in trial.tuned:
        rows[setting_column(factor.name)] = rows[factor.name].map(factor.number).astype(float)
    return rows


def settings_of(trial: Trial) -> list[SettingRange]:
    """Give the trial's ranges, each named as its treatment."""
    from dataclasses import replace

    return [replace(f.tuned, name=f.name) for f in trial.tuned if f.tuned is not None]


def per_block(trial: Trial, table: pd.DataFrame, response: str) -> pd.DataFrame:
    """Give one row per block that gave something: sums over flushes, or means.

    A block of which a flush is not in, and that was not lost, is left out: what it gave in all
    is not known.
    """
    asked = response_of(response, trial.harvest_columns)
    keys = [*trial.structure.factors, "unit", *trial.factors]
    known = table[table[response].notna()]
    groups = known.groupby(keys, sort=False, observed=True)[response]
    rows = (groups.sum() if asked.additive else groups.mean()).reset_index()
    if asked.additive and "status" in table:
        open_ = table[table[response].isna() & (table["status"] == "missing")]["unit"]
        rows = rows[~rows["unit"].isin(open_)]
    return rows.reset_index(drop=True)


def setting_column(name: str) -> str:
    """Name the column that holds a treatment's settings as numbers."""
    return f"{name} as a number"
