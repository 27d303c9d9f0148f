"""The true hill behind the invented harvest of the trial of settings: what ought to be found.

Every number is made up; sizes were chosen to look like a small oyster farm.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from trialkit.demo.truth import harvest_dates

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.arrays import Floats
    from trialkit.trial import Trial

#: The settings that truly give most: mist [% of the time] and light [lux].
BEST = {"mist": 6.5, "light": 600.0}
#: Fresh weight of a block there, in its one flush [g].
TOP_G = 500.0
#: Share of it that is lost at a distance from the best setting, in the setting's own unit.
LOSS = {"mist": (0.16, 4.0), "light": (0.10, 475.0)}
#: Mean day of picking after the start of fruiting.
PICKED_DAY = 7.5
#: Standard deviation of each random part, as a fraction of the mean.
SPREAD = {
    "batch": 0.08,
    "chamber": 0.03,
    "batch:chamber": 0.05,
    "batch:chamber:shelf": 0.03,
    "batch:chamber:shelf:block": 0.14,
}
#: A run whose timer was left at today's setting by mistake: batch, chamber.
LEFT = ("B2", "T5")


def true_mean(values: dict[str, Floats]) -> Floats:
    """Give the mean fresh weight of a block at some settings [g].

    Parameters
    ----------
    values : dict
        Treatment → settings in their own units, each of shape (n,).

    Examples
    --------
    >>> import numpy as np
    >>> true_mean({"mist": np.array([6.5, 2.5]), "light": np.array([600.0, 600.0])}).tolist()
    [500.0, 420.0]
    """
    lost = [
        share * ((values[name] - BEST[name]) / away) ** 2 for name, (share, away) in LOSS.items()
    ]
    return np.asarray(TOP_G * (1 - np.sum(lost, axis=0)))


def make_tuned_harvest(
    trial: Trial, assignment: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    """Draw the harvest of every block from the true hill.

    Parameters
    ----------
    trial : Trial
        The demo trial of settings.
    assignment : DataFrame
        One row per block with its unit columns, `unit`, and the level that it truly got.
    rng : Generator
        Source of chance.

    Returns
    -------
    DataFrame
        One row per block: `unit`, `batch`, `picked` (local date), `fresh_g` [g, whole], `state`.
    """
    table = assignment.reset_index(drop=True)
    numbers = {f.name: table[f.name].map(f.number).to_numpy(dtype=float) for f in trial.tuned}
    parts = true_mean(numbers) / TOP_G
    for term, spread in SPREAD.items():
        groups = table.groupby(term.split(":"), sort=False).ngroup().to_numpy()
        parts = parts + spread * rng.standard_normal(groups.max() + 1)[groups]
    days = PICKED_DAY + 0.8 * rng.standard_normal(len(table))
    return table[["unit", "batch"]].assign(
        picked=harvest_dates(trial, table["batch"], days),
        fresh_g=np.rint(TOP_G * parts).astype(int),
        state="ok",
    )
