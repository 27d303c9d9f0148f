"""Cells of a workbook's sheets, read in a process of its own with bounded memory and time."""

from __future__ import annotations

import datetime as dt
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

from trialkit.errors import LogError
from trialkit.visible_text import visible_name

#: Memory that reading may take whatever the size of the workbook [bytes].
SPARE_BYTES = 800 * 1024**2
#: Further memory for each byte of the unpacked workbook.
BYTES_EACH = 6
#: Time that reading may take: at least, and for each megabyte unpacked [s].
LEAST_S, EACH_MB_S = 60.0, 1.0


def read_grids(data: bytes, name: str, *, unpacked: int) -> list[tuple[str, list[list[Any]]]]:
    """Read the cells of every sheet.

    Parameters
    ----------
    data : bytes
        The workbook.
    name : str
        File name for messages.
    unpacked : int
        Size of what the workbook unpacks to [bytes].

    Returns
    -------
    list of (sheet, rows)
        Cells are text, numbers, true or false, dates, times and spans; empty ones empty text.

    Raises
    ------
    LogError
        If it is damaged, or needs more memory or time than its size explains.
    """
    child = Path(__file__).with_name("workbook_child.py")
    most = SPARE_BYTES + BYTES_EACH * max(unpacked, len(data))
    # -P: the script's own folder is not searched for modules
    command = [sys.executable, "-P", str(child), str(most)]
    wait = LEAST_S + EACH_MB_S * unpacked / 1e6
    try:
        done = subprocess.run(command, input=data, capture_output=True, timeout=wait, check=False)
    except subprocess.TimeoutExpired:
        raise LogError(f"{name}: takes too long to read {_REMEDY}") from None
    except OSError as problem:
        why = problem.strerror
        raise LogError(f"{name}: cannot be read ({why}) → export it as CSV") from None
    if done.returncode:
        if b"MemoryError" in done.stderr or b"alloc" in done.stderr or b"capacity" in done.stderr:
            raise LogError(
                f"{name}: a cell far from the others makes a sheet too large to be read {_REMEDY}"
            )
        raise LogError(f"{name}: is not a sound workbook → open it and save it again, or {_CSV}")
    return [
        (visible_name(sheet), [[_cell(cell) for cell in row] for row in rows])
        for sheet, rows in json.loads(done.stdout)
    ]


_CSV = "export it as CSV"
_REMEDY = f"→ delete the empty rows and columns behind the table, or {_CSV}"


def _cell(value: Any) -> Any:
    """Give a cell back as the kind that the child has written."""
    if value is None:
        return ""
    if not isinstance(value, list):
        return value
    kind, written = value
    if kind == "span":
        return dt.timedelta(seconds=written)
    read: dict[str, Any] = {"datetime": dt.datetime, "date": dt.date, "time": dt.time}
    return read[kind].fromisoformat(written)
