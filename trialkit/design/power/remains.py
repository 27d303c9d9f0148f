"""A power of the units that remain, where some never began."""

from __future__ import annotations

from typing import TYPE_CHECKING

from trialkit.design.strata.comparisons import Comparison
from trialkit.trial import Trial
from trialkit.wording import Message, Units, message

if TYPE_CHECKING:
    import pandas as pd


def of_what_remains(trial: Trial, c: Comparison, table: pd.DataFrame) -> pd.DataFrame:
    """Count the units that are grown; what can be detected is known for whole counts alone."""
    inside = trial.grown_units()[list(c.stratum)].drop_duplicates()
    whole = trial.unit_table()[list(c.stratum)].drop_duplicates()
    gone = _free_of_holders(trial, c, whole) - _free_of_holders(trial, c, inside)
    left = (table["error_df"] - gone).clip(lower=0)
    return table.assign(n_units=len(inside), error_df=left, detectable_pct=float("nan"))


def _free_of_holders(trial: Trial, c: Comparison, units: pd.DataFrame) -> int:
    """Count the degrees of freedom of units once the larger units that hold them are taken out."""
    import numpy as np
    import pandas as pd

    holders = [np.ones((len(units), 1))]
    for term in trial.structure.terms:
        if set(term) < set(c.stratum):
            names = units[list(term)].astype(str).agg(":".join, axis=1)
            holders.append(pd.get_dummies(names).to_numpy(dtype=float))
    return len(units) - int(np.linalg.matrix_rank(np.hstack(holders)))


def remains_notes(trial: Trial) -> list[Message]:
    """Say that units which never began are not counted."""
    absent = len(trial.never_grown)
    smallest = Units((trial.structure.smallest[-1],), absent)
    return [message("power.remains", number=absent, units=smallest)] if absent else []
