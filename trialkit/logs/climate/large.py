"""`read_large_environment`: climate logs larger than memory, read by the rules of all others.

Files are read one after the other, exactly as `trialkit.read_environment` reads them, and their
records put on disk by chamber. What is judged across files (copies, contradictions, loggers that
are not named) is then judged chamber by chamber. A large text file of
many chambers is first cut by chamber. In memory are, at any time, one file, one chamber of a file,
or one chamber of the log, and one byte for every row read.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from trialkit.arrays import Ints
from trialkit.errors import Finding, LogError
from trialkit.logs.cache import ships
from trialkit.logs.climate.chamber_store import ChamberStore
from trialkit.logs.climate.clock_evidence import thin_records
from trialkit.logs.climate.copies import set_copies_aside
from trialkit.logs.climate.doubts import count_steps, doubt_units, tell_disorder
from trialkit.logs.climate.logger_clocks import tell_clocks
from trialkit.logs.climate.loggers import name_sensors
from trialkit.logs.climate.outline import Outline
from trialkit.logs.climate.read import read_parts
from trialkit.logs.climate.records import (
    Part,
    order_records,
    stack_parts,
    tabulate_records,
    tabulate_spans,
)
from trialkit.logs.climate.same_readings import Track, track_records
from trialkit.logs.climate.scratch_parts import ScratchCases, ScratchParts, Waiting
from trialkit.logs.climate.shifted_copies import tell_one_log_twice
from trialkit.logs.climate.split_file import is_splittable, likely_bytes, read_split
from trialkit.logs.clocks.zones import Change
from trialkit.logs.ledger import FileAccount, Ledger
from trialkit.logs.log import LogFile, no_spans
from trialkit.logs.mapping.propose import advise_columns
from trialkit.logs.opening import (
    Opened,
    Reading,
    files_there,
    for_each_file,
    raise_together,
    start_reading,
    tell_unread,
)
from trialkit.logs.text.files import find_files
from trialkit.short_repr import short_repr
from trialkit.trial import Trial
from trialkit.wording import message

if TYPE_CHECKING:
    import pandas as pd

#: Climate logs whose files are larger than this together, unpacked, are read chamber by chamber
#: [bytes].
LARGE_BYTES = 512 * 1024**2
Told = Callable[[int, int], object]


@dataclass(frozen=True)
class LargeLog:
    """A climate log on disk, with the account of every row. Made by `read_large_environment`.

    Takes the place of a `Log` for `trialkit.align`; the records are read one chamber at a time.

    Parameters
    ----------
    kind : str
        ``"environment"``.
    store : ChamberStore
    ledger : Ledger
        Rows read = kept + set aside, per file; every change with its reason.
    findings : tuple of Finding
    files : tuple of LogFile
    spans : DataFrame
        What each file covers: ``file, chamber, sensor, first, last, records``.
    """

    kind: str
    store: ChamberStore
    ledger: Ledger
    findings: tuple[Finding, ...] = ()
    files: tuple[LogFile, ...] = ()
    spans: pd.DataFrame = field(repr=False, kw_only=True)
    _room: Any = field(repr=False, default=None, kw_only=True)

    __repr__ = short_repr

    @property
    def outline(self) -> Outline:
        """What is known of the whole log."""
        return self.store.outline

    def read(self, chamber: str) -> pd.DataFrame:
        """Give the records of a chamber, as `trialkit.read_environment` would."""
        return self.store.read(chamber)

    def __str__(self) -> str:
        head = message(f"log_rows.{self.kind}", count=self.outline.rows)
        return "\n".join([str(head), str(self.ledger), *map(str, self.findings)])


def is_large(trial: Trial) -> bool:
    """Tell a trial whose climate log is too large to be read at once.

    Examples
    --------
    >>> import trialkit as tk
    >>> is_large(tk.read_trial(tk.demo_folder()))
    False
    """
    spec = trial.logs.get("environment")
    if spec is None or "chamber" not in trial.levels:
        return False
    try:
        paths = [path for path, _ in find_files(trial.folder, spec.files)]
        return sum(map(likely_bytes, paths)) > LARGE_BYTES
    except (LogError, OSError):
        return False  # which reading will say


def read_large_environment(trial: Trial, *, progress: Told | None = None) -> LargeLog:
    """Read a climate log that is larger than memory, with an account of every row.

    Parameters
    ----------
    trial : Trial
        As for `trialkit.read_environment`.
    progress : callable, optional
        Told (steps done, steps in all): a step is a file or a chamber.

    Returns
    -------
    LargeLog
        The same records, ledger, findings and spans as `trialkit.read_environment` gives. Whether
        a file's values only make sense in another unit is judged before copies are set aside.

    Raises
    ------
    LogError
        As `trialkit.read_environment`.

    Examples
    --------
    >>> import trialkit as tk
    >>> log = read_large_environment(tk.read_trial(tk.demo_folder()))
    >>> bool(log.ledger.adds_up), len(log.read("T1")) > 1000
    (True, True)
    """
    if "chamber" not in trial.levels:
        raise LogError(
            "the trial has no chambers, so climate logs belong to nothing "
            "→ add chamber to the unit structure, or leave out [logs.environment]"
        )
    room = _make_room(trial)
    for name in ("parts", "cases", "chambers"):
        (Path(room.name) / name).mkdir()
    work = _Work(trial, Path(room.name), progress)
    return work.read(room)


def _make_room(trial: Trial) -> Any:
    """Make a folder beside the logs, where there is room for them; it goes with the log."""
    if ships(trial.folder):
        return tempfile.TemporaryDirectory(prefix="trialkit-")
    try:
        place = trial.folder / ".cache"
        place.mkdir(exist_ok=True)
        (place / ".gitignore").write_text("*\n", encoding="utf-8")
        return tempfile.TemporaryDirectory(dir=place, prefix="chambers-")
    except OSError:
        return tempfile.TemporaryDirectory(prefix="trialkit-")


class EvenRows:
    """Line numbers that follow each other, without a number in memory for each."""

    def __init__(self, first: int, count: int) -> None:
        self.first, self.count = first, count

    def __len__(self) -> int:
        return self.count

    def __getitem__(self, index: Any) -> Any:
        return np.asarray(index) + self.first


class _Work:
    """A log while it is read."""

    def __init__(self, trial: Trial, room: Path, progress: Told | None) -> None:
        self.trial, self.progress = trial, progress
        self.reading: Reading = start_reading(trial, "environment", advise_columns)
        self.room = room
        self.scratch = ScratchParts(room / "parts")
        self.cases = ScratchCases(room / "cases")
        self.store = ChamberStore(room / "chambers")
        self.units: dict[tuple[str, str, int], Finding] = {}
        self.named: list[Finding] = []
        self.thin: list[Part] = []
        self.tracks: list[Track] = []
        self.spans: list[tuple[int, int, pd.DataFrame]] = []
        self.steps: Ints  # of each file, once all are read
        self.done = 0

    def read(self, room: Any) -> LargeLog:
        """Read all files, then go through the chambers."""
        reading, chambers = self.reading, self.trial.levels["chamber"]
        self.files = len(find_files(self.trial.folder, reading.spec.files))
        self._read_files()
        self.steps = np.zeros((len(self.scratch.names), 2), np.int64)
        for group in self.scratch.groups():
            self._take_chambers(self.scratch.of(group))
            self._tell()
        self.cases.tell(reading.account.files)
        records = stack_parts(self.thin)
        series = records.series()
        reading.findings += [
            *self.named,
            *tell_disorder(self.scratch.names, self.steps),
            *self.units.values(),
            *reading.account.tell_doubled(),
            *tell_clocks(
                records,
                order_records(records, series),
                series,
                stayed=reading.stayed,
                zone=reading.zone,
                kind=reading.kind,
            ),
            *tell_one_log_twice(self.tracks),
        ]
        self.done = self.files + len(chambers) - 1
        self._tell()
        log = reading.close(no_spans(), self._all_spans())
        return LargeLog(
            log.kind,
            self.store.close(),
            log.ledger,
            log.findings,
            log.files,
            spans=log.spans,
            _room=room,
        )

    def _tell(self) -> None:
        planned = self.files + len(self.trial.levels["chamber"])
        self.done += 1
        if self.progress is not None:
            self.progress(min(self.done, planned), planned)

    def _read_files(self) -> None:
        """Read the files in their order: large ones of many chambers in pieces, others whole."""
        reading = self.reading
        troubles: list[str] = []
        grave: list[str] = []
        read = 0
        for path, name in files_there(reading, troubles):
            before = len(reading.stayed), len(reading.findings)
            try:
                in_pieces = self._read_in_pieces(path, name)
            except LogError as problem:  # a part of it may have been taken already
                grave.append(str(problem))
                continue
            try:
                if not in_pieces:
                    alone = reading.spec.model_copy(update={"files": [name]})
                    for_each_file(replace(reading, spec=alone), self._take_file)
                read += 1
            except LogError as problem:
                troubles.append(str(problem))
            _merge_stayed(reading.stayed, before[0])
            reading.findings[before[1] :] = dict.fromkeys(reading.findings[before[1] :])
            self._tell()
        raise_together([*grave, *(() if read else troubles)])
        reading.findings += [tell_unread(reading.kind, trouble) for trouble in troubles]

    def _read_in_pieces(self, path: Path, name: str) -> bool:
        """Read a file chamber by chamber; say whether that was possible."""
        if not is_splittable(path):
            return False
        folder = self.room / f"pieces-{self.done}"
        folder.mkdir()
        taken = 0

        def take(opened: Opened) -> None:
            nonlocal taken
            self._take_file(opened, piece=taken)
            taken += 1

        return read_split(self.reading, path, name, folder, take)

    def _take_file(self, opened: Opened, *, piece: int | None = None) -> None:
        """Read a file, or a piece of one, and put its records on disk."""
        parts = read_parts(self.reading, opened)
        for part in parts:
            records = stack_parts([part])
            for found in doubt_units(records, np.arange(len(records.time))):
                number = len(self.units) if piece is None else -1  # told once of all pieces
                self.units.setdefault((part.account.file, found.remedy, number), found)
        self.scratch.put(parts, piece=bool(piece))
        _lighten(opened.account)

    def _take_chambers(self, waiting: Sequence[Waiting]) -> None:
        """Judge the records of chambers across files, and keep them."""
        chambers, shelves = self.trial.levels["chamber"], self.trial.levels.get("shelf", ())
        records = stack_parts([one.take() for one in waiting])
        self.named += name_sensors(records, chambers)
        series = records.series()
        order = order_records(records, series)
        set_copies_aside(records, series, order, report=self.cases.put)
        kept = order if records.alive.all() else order[records.alive[order]]
        numbers = np.array([one.number for one in waiting])
        np.add.at(self.steps, numbers, count_steps(records, series))
        self.thin += thin_records(records, kept, series)
        self.tracks += track_records(records, kept, series, chambers)
        codes, files = records.chamber[kept], numbers[records.part[kept]]
        for chamber in np.unique(codes).tolist():
            mine = kept[codes == chamber]
            rows = tabulate_records(records, mine, chambers, shelves)
            self.store.add(str(chambers[chamber]), rows.drop(columns="chamber"))
            for number in np.unique(files[codes == chamber]).tolist():
                own = mine[numbers[records.part[mine]] == number]
                self.spans.append((number, chamber, tabulate_spans(records, own, chambers)))

    def _all_spans(self) -> pd.DataFrame:
        import pandas as pd

        ordered = sorted(self.spans, key=lambda one: one[:2])
        tables = [table for _, _, table in ordered]
        return pd.concat(tables, ignore_index=True) if tables else no_spans()


def _merge_stayed(stayed: list[tuple[str, Change, int]], first: int) -> None:
    """Join what the pieces of one file say of the same change of clocks."""
    merged: dict[tuple[str, Change], int] = {}
    for file, change, records in stayed[first:]:
        merged[file, change] = merged.get((file, change), 0) + records
    stayed[first:] = [(file, change, count) for (file, change), count in merged.items()]


def _lighten(account: FileAccount) -> None:
    """Keep line numbers that follow each other as the first of them alone."""
    rows = account.rows
    if len(rows) and int(rows[-1]) - int(rows[0]) + 1 == len(rows) and (np.diff(rows) == 1).all():
        account.rows = EvenRows(int(rows[0]), len(rows))  # type: ignore[assignment]
