"""Finding and opening log files, compressed or not, without trusting them."""

from __future__ import annotations

import bz2
import hashlib
import io
import lzma
import zipfile
import zlib
from collections import Counter
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, replace
from fnmatch import fnmatch
from pathlib import Path, PurePosixPath
from typing import Any, Literal

from trialkit.errors import LogError
from trialkit.file_names import kind_of, match_names
from trialkit.visible_text import quote, visible_name
from trialkit.whole_files import TooLargeError, read_regular

Format = Literal["text", "jsonl", "parquet", "workbook", "sqlite"]
Packing = Literal["gzip", "bzip2", "xz"]

#: Most bytes one file may unpack to. More is left to the out-of-core carriers.
MAX_BYTES = 1024**3
#: Above this size, a file that unpacks to more than `MAX_RATIO` times its size is refused.
SUSPECT_BYTES = 64 * 1024**2
MAX_RATIO = 200
#: First bytes of packed files → the way in which they are packed.
_PACKED: dict[bytes, Packing] = {b"\x1f\x8b": "gzip", b"BZh": "bzip2", b"\xfd7zXZ\x00": "xz"}
_PIECE = 4 * 1024**2
_MAX_MEMBERS = 1000


@dataclass(frozen=True)
class Member:
    """One table's bytes: a file, or one file inside a zip archive.

    Parameters
    ----------
    name : str
        Name shown to people, relative to the trial's folder.
    data : bytes
        The unpacked content.
    format : {"text", "jsonl", "parquet", "workbook", "sqlite"}
    cut_short : bool
        Whether a compressed file ended before its end.
    unpacked : int
        Bytes that a workbook's parts unpack to; 0 where that is not known.
    """

    name: str
    data: bytes
    format: Format
    cut_short: bool = False
    unpacked: int = 0


def find_files(folder: Path, patterns: tuple[str, ...] | list[str]) -> list[tuple[Path, str]]:
    """Find the files that patterns name, relative to a folder, each once and in order.

    Parameters
    ----------
    folder : Path
        The trial's folder.
    patterns : sequence of str
        File names or patterns with ``*``, ``?`` and ``**``.

    Returns
    -------
    list of (path, name)
        `name` is the path relative to the folder, with forward slashes.

    Raises
    ------
    LogError
        If a pattern finds nothing; all such patterns are named together.
    """
    found: dict[Path, str] = {}
    missing = []
    for pattern in patterns:
        hits = {path: kind_of(path) for path in match_names(folder, pattern)}
        files = [path for path, kind in hits.items() if kind == "file"]
        odd = [path for path, kind in hits.items() if kind == "other"]
        missing += [f"  {_shown(folder, p)} is a pipe or a device, not a file" for p in odd]
        if not files and not odd:
            missing.append(f"  no file fits {quote(pattern)} in {visible_name(folder.name)}/")
        for path in files:
            found.setdefault(path.resolve(), _shown(folder, path))
    if missing:
        missing = [*missing[:20], *([f"  and {len(missing) - 20} more"] if missing[20:] else [])]
        text = "\n".join([*missing, "  → put the files there, or correct the names under files"])
        raise LogError(f"log files are missing\n{text}")
    return list(found.items())


def _shown(folder: Path, path: Path) -> str:
    """Name a file for people: relative to the folder, every mark visible."""
    name = path.relative_to(folder) if path.is_relative_to(folder) else path
    return visible_name(name.as_posix())


def hash_file(path: Path) -> tuple[str, int]:
    """Give a file's SHA-256 and its size in bytes."""
    digest = hashlib.sha256()
    size = 0
    try:
        with path.open("rb") as source:
            while piece := source.read(_PIECE):
                digest.update(piece)
                size += len(piece)
    except OSError as problem:
        raise LogError(f"{path.name}: cannot be opened ({problem.strerror})") from None
    return digest.hexdigest(), size


def read_once(path: Path, name: str) -> tuple[bytes, str]:
    """Read a file in one pass and give its bytes with their SHA-256.

    What is hashed is what is read, also while a logger still writes to the file.

    Raises
    ------
    LogError
        If the file cannot be opened, is a pipe or a device, or is too large.
    """
    try:
        raw = read_regular(path, most=MAX_BYTES)
    except TooLargeError:
        raise LogError(
            f"{name}: more than {MAX_BYTES / 1e9:.1f} GB are not read into memory at once "
            "→ split it, or turn it into Parquet and compute exposures straight from the file"
        ) from None
    except OSError as problem:
        raise LogError(f"{name}: cannot be opened ({problem.strerror})") from None
    except MemoryError:
        raise LogError(f"{name}: does not fit into memory → split the file") from None
    return raw, hashlib.sha256(raw).hexdigest()


def open_members(path: Path, name: str) -> list[Member]:
    """Read a file and unpack it into the tables it holds; see `unpack_members`."""
    return unpack_members(read_once(path, name)[0], name)


def unpack_members(raw: bytes, name: str) -> list[Member]:
    """Unpack the bytes of a file into the tables it holds.

    Plain, gzip, bzip2, xz and zip files are told apart by their first bytes, not by their
    names. Unpacking stops at `MAX_BYTES`, and earlier for a file that grows as no log does.

    Raises
    ------
    LogError
        If the file is damaged from the start, is locked, or unpacks to more than is safe.
    """
    return list(_members(raw, name, depth=0))


def _members(raw: bytes, name: str, depth: int) -> Iterator[Member]:
    if raw.startswith((b"PK\x03\x04", b"PK\x05\x06")):
        yield from _from_zip(raw, name, depth)
        return
    packed = _unpacker(raw)
    if packed is not None:
        if depth > 1:
            raise LogError(f"{name}: packed more than twice → unpack it once by hand")
        data, cut_short = _unpack(raw, packed, name)
        for member in _members(data, name, depth + 1):
            yield replace(member, cut_short=member.cut_short or cut_short)
        return
    yield Member(name, raw, _format_of(raw, name))


def _format_of(raw: bytes, name: str) -> Format:
    if raw.startswith(b"PAR1"):
        return "parquet"
    if raw.startswith(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"):
        return "workbook"  # the older binary workbook
    if raw.startswith(b"SQLite format 3\x00"):  # its file format, section 1.2
        return "sqlite"
    start = raw[:4096].lstrip(b"\xef\xbb\xbf \t\r\n")
    if start.startswith(b"{") or (start.startswith(b"[") and b"{" in start[:64]):
        return "jsonl"
    return "text"


def packing_of(start: bytes) -> Packing | None:
    """Say how a file is packed by its first bytes; None where it is not, or as an archive.

    Examples
    --------
    >>> packing_of(b"BZh91AY"), packing_of(b"time,temp_c")
    ('bzip2', None)
    """
    return next((way for magic, way in _PACKED.items() if start.startswith(magic)), None)


def _unpacker(raw: bytes) -> Any:
    way = packing_of(raw)
    if way == "gzip":
        return zlib.decompressobj(wbits=31)
    if way == "bzip2":
        return bz2.BZ2Decompressor()
    return None if way is None else lzma.LZMADecompressor(memlimit=256 * 1024**2)


def _unpack(raw: bytes, unpacker: Any, name: str) -> tuple[bytes, bool]:
    """Unpack a stream piece by piece; give what came out and whether it ended too early."""
    out: list[bytes] = []
    total = 0
    rest, cut_short = raw, False
    while rest:
        feed = rest
        try:
            while True:
                piece = unpacker.decompress(feed, _PIECE)
                total += len(piece)
                _guard(total, len(raw), name)
                out.append(piece)
                if unpacker.eof:
                    break
                if hasattr(unpacker, "unconsumed_tail"):
                    feed = unpacker.unconsumed_tail
                    if not feed and not piece:
                        break
                else:
                    feed = b""
                    if unpacker.needs_input:
                        break
        except (zlib.error, OSError, lzma.LZMAError, EOFError, ValueError) as problem:
            # damage shows only behind the first changed bytes: no row is known to be sound
            raise LogError(
                f"{name}: the compressed file is damaged ({problem}), and which of its rows are "
                "sound cannot be told → export it again"
            ) from None
        if not unpacker.eof:
            cut_short = True
            break
        rest = unpacker.unused_data
        following = _unpacker(rest)  # several streams may stand one after the other
        if following is None:
            break  # padding or rubbish after the end
        unpacker = following
    return b"".join(out), cut_short


def _guard(total: int, packed: int, name: str) -> None:
    if total > MAX_BYTES or (total > SUSPECT_BYTES and total > MAX_RATIO * packed):
        raise LogError(
            f"{name}: unpacks to more than {total / 1e6:.0f} MB from {packed / 1e6:.2f} MB; "
            "no log does that, so it was not read → unpack it by hand and look at it"
        )


def _from_zip(raw: bytes, name: str, depth: int) -> Iterator[Member]:
    try:
        archive = zipfile.ZipFile(io.BytesIO(raw))
        infos = archive.infolist()
    except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError, UnicodeError) as problem:
        raise LogError(
            f"{name}: the zip archive is damaged ({problem}) → export it again"
        ) from None
    with archive:
        if len(infos) > _MAX_MEMBERS:
            raise LogError(f"{name}: holds {len(infos)} files → unpack it and name those you need")
        if not all(info.filename for info in infos):
            what = "the zip archive is damaged (a file in it has no name)"
            raise LogError(f"{name}: {what} → export it again")
        names = {info.filename for info in infos}
        contents = [i for i in infos if not i.is_dir() and not _is_clutter(i.filename)]
        unpacked = ((info, _zip_member(archive, info, len(raw), name)) for info in contents)
        if _is_workbook(names, archive):
            total = 0
            for _, data in unpacked:  # only counted: the workbook reader unpacks for itself
                total += len(data)
                _guard(total, len(raw), name)
            yield Member(name, raw, "workbook", unpacked=total)
            return
        if depth > 0:
            raise LogError(f"{name}: an archive inside an archive → unpack it by hand")
        if not contents:
            raise LogError(f"{name}: the zip archive is empty → export it again")
        total = 0
        taken: Counter[str] = Counter()
        for info, data in unpacked:
            total += len(data)
            _guard(total, len(raw), name)
            inner = visible_name(info.filename)
            again = taken[inner]
            taken[inner] += 1
            if again:  # an archive may hold two files of one name
                inner = f"{inner} ({again + 1})"
            yield from _members(data, f"{name}/{inner}", depth + 1)


def _is_clutter(filename: str) -> bool:
    parts = Path(filename.replace("\\", "/")).parts
    return "__MACOSX" in parts or bool(parts and parts[-1].startswith((".", "~$")))


def _is_workbook(names: set[str], archive: zipfile.ZipFile) -> bool:
    if "[Content_Types].xml" in names and any(n.startswith("xl/") for n in names):
        return True
    if "mimetype" in names:
        try:
            with archive.open("mimetype") as source:
                return b"opendocument" in source.read(200)
        except (
            zipfile.BadZipFile,
            RuntimeError,
            ValueError,
            OSError,
            NotImplementedError,
            zlib.error,
        ):
            return False
    return False


def _zip_member(archive: zipfile.ZipFile, info: zipfile.ZipInfo, packed: int, name: str) -> bytes:
    out: list[bytes] = []
    total = 0
    try:
        with archive.open(info) as source:
            while piece := source.read(_PIECE):
                total += len(piece)
                _guard(total, packed, f"{name}/{info.filename}")
                out.append(piece)
    except RuntimeError:  # the library's way to say that a password is needed
        raise LogError(f"{name}: locked with a password → unpack it by hand") from None
    except (
        zipfile.BadZipFile,
        zlib.error,
        lzma.LZMAError,
        OSError,
        EOFError,
        ValueError,
        NotImplementedError,
    ) as problem:
        raise LogError(
            f"{name}: {info.filename} in the archive is damaged ({problem}) → export it again"
        ) from None
    return b"".join(out)


def matches_file(file: str, pattern: str, known: Collection[str] = ()) -> bool:
    """Whether a file name, with or without its folders, fits a name or pattern.

    Only ``*`` and ``?`` make a pattern here: brackets stand in the names of sheets and of files
    that were downloaded twice.

    Parameters
    ----------
    file, pattern : str
    known : collection of str
        Names of files with ``*`` or ``?`` in them: a pattern that is one of these is that name.

    Examples
    --------
    >>> matches_file("logs/climate_T1.csv.gz", "climate_T1*"), matches_file("logs/a.csv", "b.csv")
    (True, False)
    >>> matches_file("log1.csv", "log[1].csv"), matches_file("log[1].csv", "log[1].csv")
    (False, True)
    """
    book = file.partition("[")[0]  # a sheet of a workbook is named book[sheet]
    names = {file, PurePosixPath(file).name, book, PurePosixPath(book).name}
    if pattern in names or pattern in known:
        return pattern in names
    literal = pattern.replace("[", "[[]")
    return any(fnmatch(name, literal) for name in names)


def starred_names(folder: Path, patterns: Iterable[str]) -> frozenset[str]:
    """Give those names of files that have ``*`` or ``?`` in them, with and without their folder."""
    try:
        found = [name for _, name in find_files(folder, list(patterns))]
    except LogError:
        return frozenset()
    starred = [name for name in found if "*" in name or "?" in name]
    return frozenset([*starred, *(PurePosixPath(name).name for name in starred)])
