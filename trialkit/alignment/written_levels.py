"""Levels of a treatment that are written in the harvest sheet, beside those of the plan."""

from __future__ import annotations

import pandas as pd

from trialkit.errors import Finding
from trialkit.logs.harvest.entries import WRITTEN
from trialkit.trial import Trial
from trialkit.wording import finding, message, several

_MOST_NAMED = 4


def written_findings(
    trial: Trial,
    harvest: pd.DataFrame | None,
    planned: pd.DataFrame | None,
    given: pd.DataFrame | None,
) -> list[Finding]:
    """Tell rows whose sheet names another level than the unit was planned to get, or got.

    The comparison follows the plan and what stands under ``[[happened]]``; a sheet that says
    otherwise is either wrong itself, or the only witness of a slip.

    Parameters
    ----------
    trial : Trial
    harvest : DataFrame or None
        Harvest table; the columns of levels that its sheets have begin with `WRITTEN`.
    planned, given : DataFrame or None
        One row per unit with its levels, as planned and as given; None where there are none.

    Returns
    -------
    list of Finding
        One for each treatment with such rows.
    """
    found: list[Finding] = []
    # settings of ranges are written in too many ways to be compared
    if planned is None or harvest is None or trial.tuned:
        return found
    for name, factor in trial.factors.items():
        column = f"{WRITTEN}{name}"
        if column not in harvest:
            continue
        rows = harvest[["unit", column]].drop_duplicates()
        rows = rows[rows[column].astype(str).str.strip() != ""]
        known = {level.casefold(): level for level in map(str, factor.levels)}
        text = rows[column].astype(str).str.strip()
        written = text.str.casefold().map(known).fillna(text)
        meant = [
            rows["unit"].map(table.drop_duplicates("unit").set_index("unit")[name].astype(str))
            for table in (planned, given)
            if table is not None
        ]
        other = meant[0].notna()
        for level in meant:
            other &= written != level
        odd = rows[other.to_numpy()]
        if not len(odd):
            continue
        named = [
            message("place.written_level", unit=str(unit), written=str(own), planned=str(plan))
            for unit, own, plan in zip(
                odd["unit"], written[other], meant[0][other], strict=True
            )
        ]  # fmt: skip
        found.append(
            finding(
                "level_written",
                "caution",
                treatment=name,
                count=int(odd["unit"].nunique()),
                units=several(named, _MOST_NAMED),
            )
        )
    return found
