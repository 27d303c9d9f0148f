"""One hostile case for each number: what is written into a folder, and how it is judged."""

from __future__ import annotations

import bz2
import contextlib
import gzip
import io
import lzma
import random
import shutil
import zipfile
import zlib
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from tests.fuzzing import damage, seeds
from tests.fuzzing.judging import Outcome, judge_log, judge_trial, lines_of
from tests.logs.folder import TRIAL
from trialkit.trial import Trial, read_trial

#: Share of each area among the cases.
AREAS = {"log": 0.55, "trial file": 0.25, "packed": 0.12, "parquet": 0.04, "workbook": 0.04}
_LOGS = {kind: f'\n[logs.{kind}]\nfiles = ["log.*"]\n' for kind in seeds.KINDS}
_WHOLE = TRIAL + (
    '\n[logs.harvest]\nfiles = ["logs/harvest.csv"]\nday_first = true\n'
    '[logs.environment]\nfiles = ["logs/*.csv"]\nmax_gap_min = 30\n'
    'trust = [{ chamber = "T1", flag = "stuck", since = 2031-01-14T00:00:00, '
    'until = 2031-01-15T00:00:00, because = "seen" }]\n'
    '[columns.cap_mm]\nunit = "mm"\nrange = [1, 200]\npools = "mean"\n'
)


class Bench:
    """A folder in which case after case is laid and judged."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.folder, self.seed = folder, seed
        self.trials: dict[str, Trial] = {}
        for kind, logs in _LOGS.items():
            place = folder / kind
            place.mkdir(parents=True)
            (place / "trial.toml").write_text(TRIAL + logs, encoding="utf-8")
            self.trials[kind] = read_trial(place)
        (folder / "trial").mkdir()

    def run(self, number: int) -> tuple[str, Outcome]:
        """Make and judge one case; gives its area and what became of it."""
        rng = random.Random(f"{self.seed}-{number}")
        area = rng.choices(list(AREAS), list(AREAS.values()))[0]
        if area == "trial file":
            place = self.folder / "trial"
            (place / "trial.toml").write_bytes(damage.trial_of(_WHOLE, rng))
            return area, judge_trial(place)
        kind = rng.choice(seeds.KINDS)
        data, seen = _MAKERS[area](kind, rng)
        place = self.folder / kind
        for old in place.glob("log.*"):
            old.unlink()
        (place / "log.dat").write_bytes(data)
        return area, judge_log(self.trials[kind], kind, seen)

    def keep(self, number: int, folder: Path) -> None:
        """Lay a case down in a folder, to be looked at."""
        self.run(number)
        shutil.copytree(self.folder, folder / f"case-{self.seed}-{number}", dirs_exist_ok=True)


def _log(kind: str, rng: random.Random) -> tuple[bytes, list[str]]:
    table = seeds.table(kind, rng, rng.choice((2, 6, 25)))
    way = rng.random()
    if way < 0.5:
        table = damage.cells_of(table, rng)
    if rng.random() < 0.15:
        width = len(table[0])
        data = seeds.json_lines([table[0], *(r for r in table[1:] if len(r) == width)])
    else:
        data = seeds.text(table, rng)
    if way > 0.3:
        data = damage.bytes_of(data, rng)
    return data, lines_of(data)


def _packed(kind: str, rng: random.Random) -> tuple[bytes, list[str]]:
    """Pack a log and damage the packet; only what was packed may come out."""
    plain, seen = _log(kind, rng)
    name = rng.choice(("gz", "bz2", "xz", "zip", "zip of gz", "two names"))
    if name == "gz":
        data = gzip.compress(plain, mtime=0)
    elif name == "bz2":
        data = bz2.compress(plain)
    elif name == "xz":
        data = lzma.compress(plain)
    else:
        inner = gzip.compress(plain, mtime=0) if name == "zip of gz" else plain
        data = _zip([("log.csv", inner)] * (2 if name == "two names" else 1))
    if rng.random() < 0.7:
        data = damage.bytes_of(data, rng)
    if not data.startswith((b"\x1f\x8b", b"BZh", b"\xfd7zXZ", b"PK")):
        seen = seen + lines_of(data)  # it is no packet any more
    return data, seen + lines_of(_in_cut_stream(data))


def _in_cut_stream(data: bytes) -> bytes:
    """Unpack what stands in a stream that lacks its end; empty for any other.

    Its check sum is gone with the end, so that what was damaged inside too is what the file holds.
    """
    for magic, start in _STREAMS.items():
        if data.startswith(magic):
            unpacker = start()
            with contextlib.suppress(zlib.error, OSError, lzma.LZMAError, EOFError):
                out = unpacker.decompress(data)
                return b"" if unpacker.eof else out
    return b""


_STREAMS = {
    b"\x1f\x8b": lambda: zlib.decompressobj(wbits=31),
    b"BZh": bz2.BZ2Decompressor,
    b"\xfd7zXZ": lzma.LZMADecompressor,
}


def _zip(members: list[tuple[str, bytes]]) -> bytes:
    import warnings

    out = io.BytesIO()
    with warnings.catch_warnings(), zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        warnings.simplefilter("ignore")
        for name, data in members:
            archive.writestr(zipfile.ZipInfo(name), data, zipfile.ZIP_DEFLATED)
    return out.getvalue()


def _parquet(kind: str, rng: random.Random) -> tuple[bytes, list[str]]:
    data = seeds.parquet(seeds.table(kind, rng, rng.choice((6, 25))), rng)
    if rng.random() < 0.8:
        data = damage.bytes_of(data, rng)
    seen = lines_of(data)
    with contextlib.suppress(Exception):  # read by itself, whatever can be read
        table = pq.read_table(io.BytesIO(data))
        for row in zip(*(_written(table[name]) for name in table.column_names), strict=True):
            seen.append(" ; ".join(row))
    return data, seen


def _written(column: pa.ChunkedArray) -> list[str]:
    """Write the cells of a column; damaged text as far as it can be read."""
    if pa.types.is_string(column.type) or pa.types.is_large_string(column.type):
        raw = column.cast(pa.large_binary()).to_pylist()
        return ["" if cell is None else cell.decode("utf-8", "replace") for cell in raw]
    return [str(cell) for cell in column.to_pylist()]


def _workbook(kind: str, rng: random.Random) -> tuple[bytes, list[str]]:
    table = seeds.table(kind, rng, 8)
    if rng.random() < 0.5:
        clean = [[c for c in row if c.isprintable() and len(c) < 3000] for row in table]
        table = damage.cells_of(clean, rng) if rng.random() < 0.3 else clean
        table = [[c if c.isprintable() else "?" for c in row] for row in table]
    data = seeds.workbook(table)
    if rng.random() < 0.5:

        def change(name: str, part: bytes) -> bytes:
            if not name.endswith(".xml") or rng.random() < 0.7:
                return part
            return damage.bytes_of(part, rng)

        data = seeds.repacked(data, change)
    elif rng.random() < 0.7:
        data = damage.bytes_of(data, rng)
    seen = []
    with contextlib.suppress(zipfile.BadZipFile, zlib.error, OSError, ValueError, RuntimeError):
        with zipfile.ZipFile(io.BytesIO(data)) as book:
            parts = [book.read(n).decode("utf-8", errors="replace") for n in book.namelist()]
        seen.append(" ; ".join(parts))  # texts and numbers stand in different parts
    return data, [*seen, *lines_of(data)]


_MAKERS = {"log": _log, "packed": _packed, "parquet": _parquet, "workbook": _workbook}
