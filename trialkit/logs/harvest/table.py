"""The table of a harvest log."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.logs.harvest.entries import Entries
from trialkit.logs.reading import Reading


def harvest_table(reading: Reading, entries: Entries) -> pd.DataFrame:
    """Give the table of a harvest log, in the order of the plan."""
    units, table = reading.trial.unit_table(), entries.table
    picked = units.iloc[table["unit_at"].to_numpy()].reset_index(drop=True)
    time = table["ns"].to_numpy()
    stamps = time.astype("datetime64[ns]")  # NO_TIME is "not a time" in this type
    files = np.array([a.file for a in entries.accounts] or [""], dtype=object)
    out = picked.assign(
        flush=table["flush"].to_numpy(dtype=np.int64),
        time=pd.DatetimeIndex(stamps).tz_localize("UTC"),
        **{name: table[name].to_numpy() for name in reading.trial.harvest_columns},
        status=table["status"].to_numpy(dtype=object),
        note=table["note"].to_numpy(dtype=object),
        file=files[table["sheet"].to_numpy(dtype=np.int64)],
        row=table["row"].to_numpy(dtype=np.int64),
    )
    order = np.lexsort((time, table["flush"].to_numpy(), table["unit_at"].to_numpy()))
    return out.iloc[order].reset_index(drop=True)
