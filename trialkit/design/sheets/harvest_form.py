"""The empty harvest sheet: every unit and flush, and the columns filled in by hand."""

from __future__ import annotations

from typing import TYPE_CHECKING

from trialkit.design.layout.allocation import Allocation
from trialkit.trial import Trial

if TYPE_CHECKING:
    import pandas as pd


def entries(trial: Trial) -> tuple[str, ...]:
    """List the columns of the harvest sheet that are filled in by hand."""
    return ("date", *trial.harvest_columns, "status", "note")


def harvest_sheet(plan: Allocation) -> pd.DataFrame:
    """List every unit and flush, with empty columns to fill in at harvest."""
    import pandas as pd

    trial = plan.trial
    units = plan.table[["unit", *trial.structure.factors]]
    parts = [units.assign(flush=flush) for flush in range(1, trial.flushes + 1)]
    sheet = pd.concat(parts, ignore_index=True)
    for name in entries(trial):
        sheet[name] = ""
    return sheet
