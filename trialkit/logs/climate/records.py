"""Records of climate logs while they are read: those of one file, and all under each other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trialkit.logs.ledger import FileAccount


@dataclass
class Part:
    """Records of one file (or of one chamber of a wide file).

    Parameters
    ----------
    account : FileAccount
    index : ndarray of int, shape (n,)
        Positions of the records among the rows of the file.
    chamber : ndarray of int, shape (n,)
        Index among the trial's chambers.
    sensor : ndarray of int, shape (n,)
        Index among `sensors`; -1 where the file does not tell.
    sensors : tuple of str
    time : ndarray of int64
        Nanoseconds since 1970, UTC.
    values : dict
        Column → values in house units.
    shelf : ndarray of int or None
        Index among the trial's shelves; -1 where not told.
    """

    account: FileAccount
    index: np.ndarray
    chamber: np.ndarray
    sensor: np.ndarray
    sensors: tuple[str, ...]
    time: np.ndarray
    values: dict[str, np.ndarray]
    shelf: np.ndarray | None = None


@dataclass
class Records:
    """All records under each other, in the order of the files and their rows."""

    parts: list[Part]
    part: np.ndarray
    index: np.ndarray
    chamber: np.ndarray
    sensor: np.ndarray
    sensors: list[str]
    shelf: np.ndarray | None
    time: np.ndarray
    values: dict[str, np.ndarray]
    alive: np.ndarray

    def series(self) -> np.ndarray:
        """Give each record the number of its series: chamber, sensor and shelf, in order."""
        rank = np.empty(len(self.sensors) + 1, np.int64)
        rank[np.argsort([*self.sensors, ""], kind="stable")] = np.arange(len(self.sensors) + 1)
        code = self.chamber * len(rank) + rank[self.sensor]
        if self.shelf is not None:
            code = code * (int(self.shelf.max(initial=-1)) + 2) + self.shelf + 1
        return np.asarray(code)
