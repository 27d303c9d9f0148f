"""The true model behind the invented harvest: what an analysis ought to find.

Every number is made up; sizes were chosen to look like a small oyster farm.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from trialkit.trial import Trial

#: Mean fresh weight of a block over all flushes under the usual schedule and dim light [g].
MEAN_G = 705.0
#: Share of that weight in each flush.
FLUSH_SHARE = (0.55, 0.30, 0.15)
#: True effect of each level on fresh weight, as a fraction of the control.
EFFECTS: dict[str, dict[str, float]] = {
    "schedule": {"usual": 0.0, "sparse": -0.04, "banded": 0.06},
    "light": {"dim": 0.0, "bright": 0.015},
}
#: Standard deviation of each random part, as a fraction of the mean.
SPREAD = {
    "batch": 0.06,
    "chamber": 0.02,
    "batch:chamber": 0.03,
    "batch:chamber:shelf": 0.02,
    "batch:chamber:shelf:block": 0.11,
    "flush": 0.12,
}
#: Mean day of picking after the start of fruiting, per flush.
PICKED_DAY = (7.0, 15.5, 23.5)
#: Mean weight of one cap [g].
CAP_G = 17.0


def make_harvest(trial: Trial, assignment: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Draw the harvest of every block and flush from the true model.

    Parameters
    ----------
    trial : Trial
        The demo trial.
    assignment : DataFrame
        One row per block with its unit columns, `unit`, `schedule` and `light`.
    rng : Generator
        Source of chance.

    Returns
    -------
    DataFrame
        One row per block and flush: `unit`, `batch`, `flush`, `picked` (local date),
        `fresh_g` [g, whole], `caps`, `state`, `remarks`.
    """
    table = assignment.reset_index(drop=True)
    parts = np.zeros(len(table))
    for term, spread in SPREAD.items():
        if term == "flush":
            continue
        groups = table.groupby(term.split(":"), sort=False).ngroup().to_numpy()
        parts += spread * rng.standard_normal(groups.max() + 1)[groups]
    for factor, effects in EFFECTS.items():
        parts += table[factor].map(effects).to_numpy(dtype=float)
    rows = []
    for flush, share in enumerate(FLUSH_SHARE, 1):
        noise = SPREAD["flush"] * rng.standard_normal(len(table))
        grams = np.rint(np.maximum(MEAN_G * share * (1 + parts + noise), 4)).astype(int)
        late = np.where(table["schedule"] == "sparse", 0.6, 0.0)
        days = PICKED_DAY[flush - 1] + late + 0.8 * rng.standard_normal(len(table))
        rows.append(
            pd.DataFrame(
                {
                    "unit": table["unit"],
                    "batch": table["batch"],
                    "flush": flush,
                    "picked": harvest_dates(trial, table["batch"], days),
                    "fresh_g": grams,
                    "caps": 1 + rng.poisson(grams / CAP_G),
                    "state": "ok",
                    "remarks": "",
                }
            )
        )
    out = pd.concat(rows)
    out["order"] = out["unit"].map({unit: i for i, unit in enumerate(table["unit"])})
    return out.sort_values(["batch", "flush", "order"], kind="stable").reset_index(drop=True)


def batch_span(trial: Trial, batch: str) -> tuple[pd.Timestamp, pd.Timestamp]:
    """Give start and end of a batch in UTC; the demo knows both."""
    dates = trial.batches[batch]
    assert dates.start is not None
    assert dates.end is not None
    return pd.Timestamp(dates.start), pd.Timestamp(dates.end)


def harvest_dates(trial: Trial, batches: pd.Series, days: np.ndarray) -> list[pd.Timestamp]:
    """Turn days after the start of a batch into local dates, never past its end."""
    spans = {
        batch: [
            moment.tz_convert(trial.zone).normalize().tz_localize(None)
            for moment in batch_span(trial, batch)
        ]
        for batch in trial.levels["batch"]
    }
    return [
        min(spans[batch][0] + pd.Timedelta(days=round(float(day))), spans[batch][1])
        for batch, day in zip(batches, days, strict=True)
    ]
