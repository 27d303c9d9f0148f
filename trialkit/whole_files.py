"""Files that appear whole or not at all."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def whole_folder(folder: Path) -> Iterator[Path]:
    """Give a spare folder whose files move into `folder` only if all went well.

    The spare folder lies beside the target, so that each move is one rename.
    """
    folder.parent.mkdir(parents=True, exist_ok=True)
    spare = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    try:
        yield spare
        for path in sorted(p for p in spare.rglob("*") if p.is_file()):
            target = folder / path.relative_to(spare)
            target.parent.mkdir(parents=True, exist_ok=True)
            os.replace(path, target)
    finally:
        shutil.rmtree(spare, ignore_errors=True)


def write_whole(path: Path, text: str) -> Path:
    """Write a text file so that it appears whole or not at all; lines end as given.

    Raises
    ------
    OSError
        If the folder or the file cannot be written.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, partial = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as out:
            out.write(text)
        Path(partial).chmod(0o644)
        Path(partial).replace(path)
    except BaseException:
        Path(partial).unlink(missing_ok=True)
        raise
    return path
