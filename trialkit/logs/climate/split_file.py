"""One text file of many chambers, larger than memory, cut by chamber before it is read.

Cut by chamber and not by time, every series stays whole: the order of day and month, the hours of
a clock change and the corrections of clocks are then judged from all of its records.
"""

from __future__ import annotations

import bz2
import csv
import gzip
import hashlib
import io
import lzma
import re
from array import array
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import numpy as np

from trialkit.errors import LogError
from trialkit.logs.log import LogFile
from trialkit.logs.opening import Opened, Reading, open_member, work_on_member
from trialkit.logs.text.delimited import JOIN_LINES
from trialkit.logs.text.dialect import is_one_row
from trialkit.logs.text.files import Member, Packing, packing_of

#: Text files larger than this are cut [bytes]; packed ones from an eighth of it.
SPLIT_BYTES = 64 * 1024**2
_SAMPLE = 256 * 1024
_SAMPLE_LINES = 400
_MOST_PIECES = 400
_OPEN: dict[Packing, Any] = {"gzip": gzip.open, "bzip2": bz2.open, "xz": lzma.open}
_DELIMITERS = (";", "\t", "|", ",")


@dataclass(frozen=True)
class _Shape:
    """Where a file says whose a row is: its heads, lines above the rows, and the field."""

    above: bytes
    first_row: int
    delimiter: str
    field: int
    heads: frozenset[bytes]

    def is_head(self, line: bytes) -> bool:
        """Tell a line of heads: two or more of its cells are heads of the file."""
        cells = {cell.strip(b' "\r\n') for cell in line.split(self.delimiter.encode())}
        return len(cells & self.heads) > 1


class _Hashed(io.RawIOBase):
    """Bytes of a file, hashed as they are read."""

    def __init__(self, path: Path) -> None:
        self._file, self.digest, self.size = path.open("rb"), hashlib.sha256(), 0

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        data = self._file.read(len(buffer))
        self.digest.update(data)
        self.size += len(data)
        buffer[: len(data)] = data
        return len(data)

    def close(self) -> None:
        self._file.close()
        super().close()


def likely_bytes(path: Path) -> int:
    """Guess how many bytes of text a file holds: a packed one eight times its own."""
    with path.open("rb") as source:
        start = source.read(8)
    packed = packing_of(start) is not None or start.startswith((b"PK", b"PAR1"))
    return path.stat().st_size * (8 if packed else 1)


def is_splittable(path: Path) -> bool:
    """Tell a plain or packed text file that is large enough to be cut."""
    try:
        with path.open("rb") as source:
            start = source.read(4096)
        size = path.stat().st_size
    except OSError:
        return False
    if packing_of(start) is not None:
        return size > SPLIT_BYTES // 8
    binary = b"\x00" in start or start.startswith((b"PAR1", b"PK", b"{", b"["))
    return size > SPLIT_BYTES and not binary


def read_split(
    reading: Reading, path: Path, name: str, folder: Path, work: Callable[[Opened], None]
) -> bool:
    """Cut a file by chamber, and do the work on every piece as on a file of its own.

    Parameters
    ----------
    reading : Reading
        The file's account is opened once for every piece, under its name, with the line numbers
        that the rows have in the whole file.
    path, name
        The file, and its name for people.
    folder : Path
        An empty folder.
    work : callable

    Returns
    -------
    bool
        False where the file is not of a shape that can be cut: nothing has been done then.

    Raises
    ------
    LogError
        If a piece cannot be read.
    """
    try:
        with _opened(path) as (_, lines):
            shape = _find_shape(reading, name, lines)
        if shape is None:
            return False
        with _opened(path) as (source, lines):
            cut = _cut(lines, shape, folder)
            if cut is None:
                return False
            pieces, cut_short = cut
            while source.read(1 << 20):  # what a packer leaves unread is hashed too
                pass
            reading.files.append(LogFile(name, source.digest.hexdigest(), source.size))
    except OSError as problem:
        raise LogError(f"{name}: cannot be read ({problem.strerror or problem})") from None
    for piece in pieces:
        _read_piece(reading, name, piece, shape, work, cut_short=cut_short)
    return True


class _opened:  # noqa: N801 - reads as a verb in a with statement
    """The lines of a plain or packed file, and its hashed bytes."""

    def __init__(self, path: Path) -> None:
        with path.open("rb") as source:
            start = source.read(8)
        self._source = _Hashed(path)
        way = packing_of(start)
        buffered = io.BufferedReader(self._source, 1 << 20)
        self._lines: IO[bytes] = buffered if way is None else _OPEN[way](buffered, "rb")

    def __enter__(self) -> tuple[_Hashed, IO[bytes]]:
        return self._source, self._lines

    def __exit__(self, *_: object) -> None:
        self._lines.close()
        self._source.close()


def _find_shape(reading: Reading, name: str, lines: IO[bytes]) -> _Shape | None:
    """Look at the first lines; None where rows do not say their chamber, line by line."""
    sample = lines.readlines(_SAMPLE)[:_SAMPLE_LINES]
    data = b"".join(sample)
    if not data.endswith(b"\n") or b"\x00" in data:
        return None
    opened = open_member(reading, Member(name, data, "text"))
    if len(opened) != 1 or opened[0].columns.wide or "chamber" not in opened[0].columns.heads:
        return None
    one = opened[0]
    head, heads = one.columns.heads["chamber"], list(one.raw.columns)
    if not one.raw.n or not one.raw.head_row:
        return None
    first = min([int(one.raw.rows[0]), *(broken.row for broken in one.raw.broken)])
    text = sample[one.raw.head_row - 1].decode("utf-8-sig", errors="replace").strip("\r\n")
    field = heads.index(head)
    for delimiter in dict.fromkeys((reading.spec.delimiter or ",", *_DELIMITERS)):
        cells = [cell.strip() for cell in _fields(text, delimiter)]
        if len(cells) == len(heads) and cells[field] == head:
            words = frozenset(cell.encode() for cell in cells if cell)
            return _Shape(b"".join(sample[: first - 1]), first, delimiter, field, words)
    return None


def _fields(line: str, delimiter: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:  # a line end within the line, of another system
        return line.split(delimiter)


def _units(lines: IO[bytes], delimiter: str) -> Iterator[tuple[bytes, int]]:
    """Give lines, joined where a quoted field goes on over their ends, and how many they are."""
    ahead: deque[bytes] = deque()
    while line := ahead.popleft() if ahead else lines.readline():
        more = 0
        if b'"' in line and line.count(b'"') % 2:
            more = _further(line, ahead, lines, delimiter)
        yield line + b"".join(ahead.popleft() for _ in range(more)), 1 + more


def _further(line: bytes, ahead: deque[bytes], lines: IO[bytes], delimiter: str) -> int:
    """Count the lines that go on with a field opened in this one; those looked at wait ahead."""
    for k in range(JOIN_LINES):
        if k == len(ahead):
            if not (following := lines.readline()):
                return 0
            ahead.append(following)
        if ahead[k].count(b'"') % 2:
            whole = (line + b"".join(list(ahead)[: k + 1])).decode("utf-8", errors="replace")
            return k + 1 if is_one_row(whole, delimiter) else 0
    return 0


def _whose(line: bytes, shape: _Shape) -> bytes:
    """Give the cell that says whose a row is."""
    if b'"' in line and line.count(b'"') % 2 == 0:
        cells = _fields(line.decode("utf-8", errors="replace"), shape.delimiter)
        return cells[shape.field].strip().encode() if len(cells) > shape.field else b""
    # without marks, or with one that is never closed and is part of a note, such as 5" bag
    found = line.split(shape.delimiter.encode(), shape.field + 1)
    return found[shape.field].strip(b'" \t\r\n') if len(found) > shape.field else b""


def _cut(
    lines: IO[bytes], shape: _Shape, folder: Path
) -> tuple[list[tuple[Path, Path]], bool] | None:
    """Write the lines of each chamber to a file of its own, with their line numbers beside.

    None where heads come again: the columns below them may stand in another order.
    """
    again = re.compile(b"|".join(map(re.escape, sorted(shape.heads))))
    for _ in range(shape.first_row - 1):
        lines.readline()
    out: dict[bytes, tuple[IO[bytes], array[int], Path]] = {}
    number, cut_short = shape.first_row, False
    units = _units(lines, shape.delimiter)
    while True:
        try:
            line, count = next(units)
        except StopIteration:
            break
        except (EOFError, OSError, lzma.LZMAError):  # a packed file that ends too early
            cut_short = True
            break
        if again.search(line) and shape.is_head(line):
            for file, _, _ in out.values():
                file.close()
            return None
        cell = _whose(line, shape)
        if cell not in out and len(out) >= _MOST_PIECES:
            cell = b""
        if cell not in out:
            path = folder / f"{len(out)}.txt"
            out[cell] = (path.open("wb"), array("q"), path)
        file, numbers, _ = out[cell]
        file.write(line)
        numbers.extend(range(number, number + count))
        number += count
        if len(numbers) >= 1 << 15:
            _note(out[cell][2], numbers)
    for file, numbers, path in out.values():
        file.close()
        _note(path, numbers)
    return [(path, _notes(path)) for _, _, path in out.values()], cut_short


def _notes(path: Path) -> Path:
    return path.with_suffix(".rows")


def _note(path: Path, numbers: array[int]) -> None:
    with _notes(path).open("ab") as notes:
        numbers.tofile(notes)
    del numbers[:]


def _read_piece(
    reading: Reading,
    name: str,
    piece: tuple[Path, Path],
    shape: _Shape,
    work: Callable[[Opened], None],
    *,
    cut_short: bool,
) -> None:
    """Read the lines of one chamber as a file, its rows numbered as in the whole."""
    body, notes = piece
    data = shape.above + body.read_bytes()
    body.unlink()
    numbers = np.memmap(notes, dtype=np.int64, mode="r")

    def numbered(opened: Opened) -> None:
        account, raw = opened.account, opened.raw
        stored = notes.with_suffix(f".{len(reading.account.files)}.npy")
        np.save(stored, numbers[account.rows - shape.first_row])
        account.rows = np.load(stored, mmap_mode="r")
        raw.rows = numbers[raw.rows - shape.first_row]
        for line in account.lines:
            for key in ("row", "row_last"):
                line[key] = np.asarray(numbers[line[key] - shape.first_row])
        work(opened)

    work_on_member(reading, Member(name, data, "text", cut_short=cut_short), numbered)
