"""Files that appear whole or not at all."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd


@contextmanager
def whole(folder: Path) -> Iterator[Path]:
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


def write_tables(folder: Path, tables: Mapping[str, pd.DataFrame]) -> list[Path]:
    """Write tables as CSV files in a folder, all of them or none."""
    from trialkit.logs.text.formulas import without_formulas

    with whole(folder) as spare:
        for name, table in tables.items():
            named = bool(table.index.name) or table.index.nlevels > 1
            without_formulas(table).to_csv(spare / f"{name}.csv", index=named, lineterminator="\n")
    return [folder / f"{name}.csv" for name in tables]
