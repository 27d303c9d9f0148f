"""Files that appear whole or not at all, and files read once, from one moment."""

from __future__ import annotations

import glob
import os
import shutil
import stat
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

_PIECE = 4 * 1024**2


class TooLargeError(OSError):
    """A file is larger than it may be."""


def read_regular(path: Path, *, most: int) -> bytes:
    """Read a file that lies on a disk, once: what comes is what it held at one opening.

    A pipe or a device is refused, also where it takes a file's place between two looks.

    Parameters
    ----------
    path : Path
    most : int
        Most bytes to read.

    Returns
    -------
    bytes

    Raises
    ------
    TooLargeError
        If the file holds more, or grows beyond it while it is read.
    OSError
        If it cannot be opened or is no file.
    """
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    with os.fdopen(handle, "rb", buffering=0) as source:
        about = os.fstat(handle)
        if not stat.S_ISREG(about.st_mode):
            kind = "a folder" if stat.S_ISDIR(about.st_mode) else "a pipe or a device"
            raise OSError(0, f"it is {kind}, not a file", str(path))
        if about.st_size > most:
            raise TooLargeError(0, f"it has {about.st_size} bytes", str(path))
        pieces, left = [], most + 1
        while left and (piece := source.read(min(left, max(_PIECE, about.st_size + 1)))):
            pieces.append(piece)
            left -= len(piece)
    if not left:
        raise TooLargeError(0, f"it has more than {most} bytes", str(path))
    return pieces[0] if len(pieces) == 1 else b"".join(pieces)


def remove_spare(folder: Path, pattern: str, *, after_s: float = 3600.0) -> None:
    """Remove spare files and folders that a killed run has left, once nobody can be at them.

    Parameters
    ----------
    folder : Path
        Where they lie; it may be missing.
    pattern : str
        Names of spare files and folders, as this module and the cache give them.
    after_s : float
        Younger ones may be those of another command that runs now [s].
    """
    now = time.time()
    for left in folder.glob(pattern):
        try:
            if abs(now - left.lstat().st_mtime) < after_s:
                continue  # another command may be at work; clocks that are set back count too
            if left.is_dir() and not left.is_symlink():
                shutil.rmtree(left, ignore_errors=True)
            else:
                left.unlink()
        except OSError:
            continue


@contextmanager
def whole_folder(folder: Path) -> Iterator[Path]:
    """Give a spare folder whose files move into `folder` only if all went well.

    The spare folder lies beside the target, so that each move is one rename.
    """
    folder.parent.mkdir(parents=True, exist_ok=True)
    remove_spare(folder.parent, f".{glob.escape(folder.name)}-spare-*")
    spare = Path(tempfile.mkdtemp(prefix=f".{folder.name}-spare-", dir=folder.parent))
    try:
        yield spare
        for path in sorted(p for p in spare.rglob("*") if p.is_file()):
            target = folder / path.relative_to(spare)
            target.parent.mkdir(parents=True, exist_ok=True)
            os.replace(path, target)
    except OSError as problem:
        if problem.errno and not problem.filename:  # a full disk does not name the file
            problem.filename = str(folder)
        raise
    finally:
        shutil.rmtree(spare, ignore_errors=True)


def write_whole(path: Path, text: str | bytes) -> Path:
    """Write a file so that it appears whole or not at all; lines of a text end as given.

    Raises
    ------
    OSError
        If the folder or the file cannot be written.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    remove_spare(path.parent, f".{glob.escape(path.name)}.spare-*")
    handle, partial = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.spare-")
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(text.encode() if isinstance(text, str) else text)
        Path(partial).chmod(0o644)
        Path(partial).replace(path)
    except BaseException as problem:
        Path(partial).unlink(missing_ok=True)
        if isinstance(problem, OSError) and problem.errno:
            problem.filename = str(path)
        raise
    return path
