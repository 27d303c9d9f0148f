"""What unequal numbers of units mean for an answer, told before the trial."""

from __future__ import annotations

from typing import TYPE_CHECKING

from trialkit.errors import Finding
from trialkit.model.unequal_spread import UNEQUAL

if TYPE_CHECKING:
    import pandas as pd


def fragile_counts(counts: pd.Series) -> list[Finding]:
    """Say where unequal numbers of units make an answer lean on equal spreads.

    Parameters
    ----------
    counts : Series
        Number of units of each level, named after the treatment.

    Returns
    -------
    list of Finding
        One caution where one level has at least `UNEQUAL` times the units of another.

    Examples
    --------
    >>> import pandas as pd
    >>> [f.code for f in fragile_counts(pd.Series({"usual": 8, "sparse": 4}, name="schedule"))]
    ['unequal_replication']
    >>> fragile_counts(pd.Series({"usual": 6, "sparse": 6}, name="schedule"))
    []
    """
    used = counts[counts > 0]
    if len(used) < 2 or used.max() < UNEQUAL * used.min():
        return []
    shown = ", ".join(f"{level} {n}" for level, n in used.items())
    return [
        Finding(
            "unequal_replication",
            "caution",
            f"{counts.name} has unequal numbers of units ({shown}): if the level with few spreads "
            "more than the others, one common error would be too small, so the analysis tells "
            "the error apart by level, which costs some power",
            "give each level as many units unless there is a reason not to",
        )
    ]
