"""Fit the surface of a trial whose treatments are settings tuned as numbers."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from trialkit.analysis.table import analysis_table, told_apart
from trialkit.arrays import Floats
from trialkit.columns.harvest import LOST
from trialkit.columns.response import response_of
from trialkit.errors import ModelError
from trialkit.settings.setting_range import SettingRange

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

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
    _check_ranges(trial)
    return fit_settings(trial, data, settings_of(trial), response=response)


def fit_settings(
    trial: Trial,
    data: Aligned,
    settings: Sequence[SettingRange],
    delivered: Mapping[str, pd.DataFrame] | None = None,
    *,
    response: str | None = None,
) -> Surface:
    """Fit a second-order surface over settings as set, or as delivered.

    Parameters
    ----------
    trial : Trial
        Whose treatments have ranges.
    data : Aligned
    settings : sequence of SettingRange
        One per treatment, in the trial's order.
    delivered : mapping, optional
        Treatment → keys of chamber runs and the `dose` that takes the place of what was set;
        blocks of other runs are left out.
    response : str, optional
        Column to explain; that of the question by default.

    Returns
    -------
    Surface

    Raises
    ------
    ModelError
        If nothing was weighed, or too few settings came in.
    """
    from trialkit.surface.fit_surface import fit_surface

    wanted = response or trial.question.response
    rows = rows_of_settings(trial, data, wanted, delivered)
    settings = [
        _as_tried(s, rows[setting_column(f.name)].to_numpy(dtype=float))
        for s, f in zip(settings, trial.tuned, strict=True)
    ]
    strata = [":".join(term) for term in trial.structure.strata(trial.counts)[:-1]]
    names = [s.name for s in settings]
    return fit_surface(
        rows,
        settings,
        response=wanted,
        columns={n: setting_column(f.name) for n, f in zip(names, trial.tuned, strict=True)},
        random=told_apart(strata, rows),
        level=trial.question.level,
    )


def _as_tried(setting: SettingRange, tried: Floats) -> SettingRange:
    """Cut a range to what was tried: nothing is known of the rest."""
    low, high = min(tried.min(), setting.usual), max(tried.max(), setting.usual)
    steps = tuple(s for s in setting.steps if low - 1e-9 <= s <= high + 1e-9)
    if not low < high or 0 < len(steps) < 3:
        return setting  # too few to see a curve, which the fit says
    return replace(setting, low=float(low), high=float(high), steps=steps)


def _check_ranges(trial: Trial) -> None:
    if not trial.tuned:
        raise ModelError("the treatments of this trial have named levels, no ranges; use analyse")
    named = [name for name, factor in trial.factors.items() if factor.tuned is None]
    if named:
        raise ModelError(
            f"{named[0]} has named levels and {trial.tuned[0].name} a range; a surface is fitted "
            "where all treatments have ranges → give all of them named levels in the trial file: "
            "those that were set"
        )


def rows_of_settings(
    trial: Trial,
    data: Aligned,
    response: str,
    delivered: Mapping[str, pd.DataFrame] | None = None,
) -> pd.DataFrame:
    """Give one row per block that gave something, with its settings as numbers.

    Parameters
    ----------
    trial : Trial
    data : Aligned
    response : str
    delivered : mapping, optional
        As in `fit_settings`.

    Raises
    ------
    ModelError
        If nothing was weighed.
    """
    rows = per_block(trial, analysis_table(trial, data, response), response)
    if not len(rows):
        raise ModelError(f"no row has a value of {response!r}: fill in the harvest sheet")
    for factor in trial.tuned:
        column = setting_column(factor.name)
        own = None if delivered is None else delivered.get(factor.name)
        if own is None:
            rows[column] = rows[factor.name].map(factor.number).astype(float)
            continue
        keys = [name for name in own if name in trial.structure.factors]
        doses = own[[*keys, "dose"]].rename(columns={"dose": column})
        same = rows.astype(dict.fromkeys(keys, str))
        rows = same.merge(doses.astype(dict.fromkeys(keys, str)), how="inner", on=keys)
    return rows


def settings_of(trial: Trial) -> list[SettingRange]:
    """Give the trial's ranges, each named as its treatment."""
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
        open_ = table[table[response].isna() & ~table["status"].isin(LOST)]["unit"]
        rows = rows[~rows["unit"].isin(open_)]
    return rows.reset_index(drop=True)


def setting_column(name: str) -> str:
    """Name the column that holds a treatment's settings as numbers."""
    return f"{name} as a number"
