"""What waits on disk while a large log is read: records of files, and rows to be told of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from trialkit.logs.climate.copies import RULES, Case, tell_case
from trialkit.logs.climate.records import Part
from trialkit.logs.ledger import FileAccount


@dataclass(frozen=True)
class Waiting:
    """Records of one file and chamber on disk.

    Parameters
    ----------
    number : int
        Place of the part among all parts, in the order in which files were read.
    chamber : int
        Index among the trial's chambers.
    account : FileAccount
    sensors : tuple of str
    path : Path
    """

    number: int
    chamber: int
    account: FileAccount
    sensors: tuple[str, ...]
    path: Path

    def take(self) -> Part:
        """Give the records, and remove them from the disk."""
        arrays = _take(self.path)
        values = {n.removeprefix("v_"): a for n, a in arrays.items() if n.startswith("v_")}
        return Part(
            self.account,
            arrays["index"],
            np.full(len(arrays["index"]), self.chamber),
            arrays["sensor"],
            self.sensors,
            arrays["time"],
            values,
            arrays.get("shelf"),
        )


def _take(path: Path) -> dict[str, np.ndarray]:
    """Give the arrays of a file, and remove it from the disk."""
    with np.load(path) as stored:
        arrays = {str(name): stored[name] for name in stored.files}
    path.unlink()
    return arrays


class ScratchParts:
    """Parts of files, each cut by chamber and put on disk.

    Parameters
    ----------
    folder : Path
        An empty folder.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._files = 0
        self._linked: dict[int, int] = {}
        self.waiting: list[Waiting] = []
        self.names: list[str] = []

    def put(self, parts: Sequence[Part], *, piece: bool = False) -> None:
        """Put the parts of one file on disk, or those of one more piece of the last file.

        Chambers of a wide file, whose rows hold several of them, are linked: whether a row is
        used is known only when all of them are looked at.
        """
        for part in parts:
            if not piece:
                self.names.append(part.account.file)
            number = len(self.names) - 1
            for chamber in np.unique(part.chamber).tolist():
                self._write(number, int(chamber), part)
        wide = sorted({int(c) for part in parts for c in np.unique(part.chamber)})
        if len(parts) > 1:
            for chamber in wide:
                self._link(wide[0], chamber)

    def groups(self) -> list[list[int]]:
        """List the chambers that have records, those that are linked together, in order."""
        out: dict[int, list[int]] = {}
        for chamber in sorted({w.chamber for w in self.waiting}):
            out.setdefault(self._root(chamber), []).append(chamber)
        return sorted(out.values())

    def of(self, chambers: Sequence[int]) -> list[Waiting]:
        """List the parts of some chambers, in the order in which they were read."""
        return [w for w in self.waiting if w.chamber in chambers]

    def _write(self, number: int, chamber: int, part: Part) -> None:
        mine = np.flatnonzero(part.chamber == chamber)
        path = self._folder / f"{len(self.waiting)}.npz"
        shelf = {} if part.shelf is None else {"shelf": part.shelf[mine]}
        values = {f"v_{name}": v[mine] for name, v in part.values.items()}
        fixed = {"index": part.index[mine], "time": part.time[mine], "sensor": part.sensor[mine]}
        np.savez(path, **fixed, **shelf, **values)  # type: ignore[arg-type]
        self.waiting.append(Waiting(number, chamber, part.account, part.sensors, path))

    def _root(self, chamber: int) -> int:
        while (up := self._linked.get(chamber, chamber)) != chamber:
            chamber = up
        return chamber

    def _link(self, one: int, two: int) -> None:
        first, second = sorted((self._root(one), self._root(two)))
        if first != second:
            self._linked[second] = first


class ScratchCases:
    """Rows of files that stand in them twice, until all chambers are looked at.

    A file may hold many chambers, row by row in turn; told chamber by chamber, every row would
    take a line of its own.

    Parameters
    ----------
    folder : Path
        An empty folder.
    """

    def __init__(self, folder: Path) -> None:
        self._folder, self._count = folder, 0
        self._waiting: dict[tuple[int, str], tuple[FileAccount, list[Path]]] = {}

    def put(self, case: Case) -> None:
        """Put rows on disk."""
        path = self._folder / f"{self._count}.npz"
        np.savez(path, index=case.index, time=case.time, gone=case.gone)
        key = (id(case.account), case.rule)
        self._waiting.setdefault(key, (case.account, []))[1].append(path)
        self._count += 1

    def tell(self, accounts: Sequence[FileAccount]) -> None:
        """Tell the rows of each file, all chambers together."""
        for account in accounts:
            for rule in RULES:
                _, paths = self._waiting.get((id(account), rule), (account, []))
                if not paths:
                    continue
                stored = [_take(path) for path in paths]
                index, time, gone = (
                    np.concatenate([one[name] for one in stored])
                    for name in ("index", "time", "gone")
                )
                order = np.argsort(index, kind="stable")
                tell_case(Case(account, rule, index[order], time[order], gone[order]))
