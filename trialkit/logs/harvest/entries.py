"""Entries of the harvest sheets: of one file, all under each other, and as the log's table."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from trialkit.logs.ledger import FileAccount
from trialkit.logs.opening import Opened
from trialkit.wording import Message, message

#: What the names of columns begin with in which a sheet names the level of a treatment.
WRITTEN = "written_"


@dataclass
class Sheet:
    """One harvest file read, before the rules that look across rows.

    Parameters
    ----------
    opened : Opened
    unit, flush : ndarray of int, shape (n,)
        Index among the trial's units, -1 unknown; flush number, 0 unknown.
    time : ndarray of int64
        Nanoseconds since 1970, UTC; `NO_TIME` where there is none.
    date_only : ndarray of bool
    values : dict of ndarray of float
        Harvest column → its values.
    status, note : ndarray of object
    written : dict of ndarray of object
        Treatment → the level that the sheet names in each row, as text.
    """

    opened: Opened
    unit: np.ndarray
    flush: np.ndarray
    time: np.ndarray
    date_only: np.ndarray
    values: dict[str, np.ndarray]
    status: np.ndarray
    note: np.ndarray
    written: dict[str, np.ndarray] = field(default_factory=dict)


@dataclass
class Entries:
    """All entries that are still kept, under each other.

    Parameters
    ----------
    table : DataFrame
        ``sheet, index, unit_at, flush, ns, date_only``, the harvest columns, ``status, note, row``;
        `unit_at` is the index among the trial's units, `ns` the time (`NO_TIME` where none).
    sheets : list of Sheet
    units : DataFrame
        The trial's units, as `Trial.unit_table` lists them.
    """

    table: pd.DataFrame
    sheets: list[Sheet]
    units: pd.DataFrame

    @property
    def accounts(self) -> list[FileAccount]:
        """The accounts of the files."""
        return [sheet.opened.account for sheet in self.sheets]

    def alive(self) -> np.ndarray:
        """Whether each entry is still kept."""
        alive = np.zeros(len(self.table), bool)
        sheet, index = self.table["sheet"].to_numpy(), self.table["index"].to_numpy()
        for k, account in enumerate(self.accounts):
            mine = sheet == k
            alive[mine] = account.alive[index[mine]]
        return alive

    def where(self, row: pd.Series) -> Message:
        """Say where an entry stands."""
        file = self.accounts[int(row["sheet"])].file
        form = "row_of_file" if len(self.sheets) > 1 else "row"
        return message(f"place.{form}", row=int(row["row"]), file=file)

    def each(self, mask: np.ndarray) -> Iterator[tuple[FileAccount, pd.DataFrame]]:
        """Give the marked entries file by file."""
        for k, account in enumerate(self.accounts):
            part = self.table[mask & (self.table["sheet"].to_numpy() == k)]
            if len(part):
                yield account, part

    def head(self, part: pd.DataFrame, column: str) -> str:
        """Give the head of a column in the file of some entries."""
        sheet = self.sheets[int(part["sheet"].iloc[0])]
        return sheet.opened.columns.heads.get(column, column)


def stack_sheets(sheets: list[Sheet], units: pd.DataFrame) -> Entries:
    """Put all rows that are still kept under each other."""
    frames = []
    for k, sheet in enumerate(sheets):
        n = sheet.opened.raw.n
        frame = pd.DataFrame(
            {
                "sheet": k,
                "index": np.arange(n),
                "unit_at": sheet.unit,
                "flush": sheet.flush,
                "ns": sheet.time,
                "date_only": sheet.date_only,
                **sheet.values,
                "status": pd.Series(sheet.status, dtype=object),
                "note": pd.Series(sheet.note, dtype=object),
                "row": sheet.opened.raw.rows,
                **{
                    f"{WRITTEN}{name}": pd.Series(cells, dtype=object)
                    for name, cells in sheet.written.items()
                },
            }
        )
        frames.append(frame[sheet.opened.account.alive[:n]])
    return Entries(pd.concat(frames, ignore_index=True), sheets, units)


def harvest_table(entries: Entries, columns: Iterable[str]) -> pd.DataFrame:
    """Give the table of a harvest log, in the order of the plan."""
    table = entries.table
    picked = entries.units.iloc[table["unit_at"].to_numpy()].reset_index(drop=True)
    time = table["ns"].to_numpy()
    stamps = time.astype("datetime64[ns]")  # NO_TIME is "not a time" in this type
    files = np.array([a.file for a in entries.accounts] or [""], dtype=object)
    out = picked.assign(
        flush=table["flush"].to_numpy(dtype=np.int64),
        time=pd.DatetimeIndex(stamps).tz_localize("UTC"),
        **{name: table[name].to_numpy() for name in columns},
        status=table["status"].to_numpy(dtype=object),
        note=table["note"].to_numpy(dtype=object),
        file=files[table["sheet"].to_numpy(dtype=np.int64)],
        row=table["row"].to_numpy(dtype=np.int64),
    )
    for name in (name for name in table if str(name).startswith(WRITTEN)):
        out[name] = table[name].fillna("").to_numpy(dtype=object)
    order = np.lexsort((time, table["flush"].to_numpy(), table["unit_at"].to_numpy()))
    return out.iloc[order].reset_index(drop=True)


def unit_flush(unit: str, flush: int) -> Message:
    """Name a unit and one of its flushes."""
    return message("place.unit_flush", unit=str(unit), flush=int(flush))


def show_values(values: Iterable[float]) -> list[str]:
    """Write weights and counts for the ledger."""
    return [f"{v:.6g}" for v in values]
