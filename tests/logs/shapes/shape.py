"""What a shape of file is: its bytes, what the trial file says of it, and how pandas reads it."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass

import pandas as pd

ZONE = "Europe/Vienna"
START = pd.Timestamp("2031-01-13 10:00")
N = 150  # records: a day and an hour, one every ten minutes
#: Lines of a trial file that name the columns of time, temperature and humidity.
NAMED = 'columns = {{ time = "{}", temp_c = "{}", rh_pct = "{}" }}\n'


@dataclass(frozen=True)
class Shape:
    """One shape of file.

    Parameters
    ----------
    name : str
    seen : str
        What kind of source writes files of this shape.
    file : str
    data : bytes
    logs : str
        Lines of the trial file, without `files`.
    by_pandas : callable
        Reads the bytes without trialkit: a table with `time` (local and naive, or with a zone) and
        the columns of the glossary; with `chamber` where the file is not T1's alone.
    other_rows : int
        Lines that are read as rows and must be set aside: footers, comments and the like.
    """

    name: str
    seen: str
    file: str
    data: bytes
    logs: str
    by_pandas: Callable[[bytes], pd.DataFrame]
    other_rows: int = 0


def temp(i: int) -> float:
    """Give an invented temperature [°C]."""
    return round(17.3 + (i * 37 % 61) / 10, 1)


def rh(i: int) -> float:
    """Give an invented humidity [%]."""
    return round(80.2 + (i * 29 % 153) / 10, 1)


def moments(n: int, every: str = "10min", start: pd.Timestamp = START) -> list[pd.Timestamp]:
    """Give moments at equal distances."""
    return list(pd.date_range(start, periods=n, freq=every))


def text(data: bytes, encoding: str = "utf-8") -> io.StringIO:
    """Give a file as pandas reads text."""
    return io.StringIO(data.decode(encoding))


def climate(
    time: object, temp_c: object, rh_pct: object | None = None, **more: object
) -> pd.DataFrame:
    """Make the table that pandas has read."""
    out = {"time": pd.Series(time).reset_index(drop=True)}
    out["temp_c"] = pd.Series(temp_c).reset_index(drop=True).astype(float)
    if rh_pct is not None:
        out["rh_pct"] = pd.Series(rh_pct).reset_index(drop=True).astype(float)
    for name, values in more.items():
        out[name] = pd.Series(values).reset_index(drop=True)
    return pd.DataFrame(out)


def comma(value: float | str) -> str:
    """Write numbers with decimal commas."""
    return str(value).replace(".", ",")


def rows_of(form: str, n: int = N, every: str = "10min") -> list[str]:
    """Write rows; `form` sees the moment `t`, the number `i`, and the values `c` and `h`."""
    return [
        form.format(t=t, i=i, c=temp(i), h=rh(i), f=round(temp(i) * 1.8 + 32, 2))
        for i, t in enumerate(moments(n, every))
    ]


def file_of(*lines: str) -> bytes:
    """Write lines as a text file."""
    return ("\n".join(lines) + "\n").encode()
