"""Tables as files of a folder."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from trialkit.whole_files import whole_folder

if TYPE_CHECKING:
    import pandas as pd


def write_tables(folder: Path, tables: Mapping[str, pd.DataFrame]) -> list[Path]:
    """Write tables as CSV files in a folder, all of them or none."""
    from trialkit.formulas import without_formulas

    with whole_folder(folder) as spare:
        for name, table in tables.items():
            named = bool(table.index.name) or table.index.nlevels > 1
            without_formulas(table).to_csv(spare / f"{name}.csv", index=named, lineterminator="\n")
    return [folder / f"{name}.csv" for name in tables]
