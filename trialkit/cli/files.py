"""Files of a trial's folder: tables that are written, and a sheet to begin with."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from trialkit.file_names import match_names
from trialkit.whole_files import whole_folder
from trialkit.wording import message

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.trial import Trial


def write_tables(folder: Path, tables: Mapping[str, pd.DataFrame]) -> list[Path]:
    """Write tables as CSV files in a folder, all of them or none."""
    from trialkit.formulas import without_formulas

    with whole_folder(folder) as spare:
        for name, table in tables.items():
            named = bool(table.index.name) or table.index.nlevels > 1
            without_formulas(table).to_csv(spare / f"{name}.csv", index=named, lineterminator="\n")
    return [folder / f"{name}.csv" for name in tables]


def sheet_to_copy(trial: Trial) -> list[str]:
    """Say which harvest sheet to copy where, where there is none yet but the plan's.

    A trial that grows has no weights for weeks, and its loggers want to be checked.
    """
    section = trial.logs.get("harvest")
    if section is None or any(match_names(trial.folder, name) for name in section.files):
        return []
    to = section.files[0].removesuffix(".*")
    to = to if to == section.files[0] else f"{to}.csv"
    sheet = f"harvest_sheet{Path(to).suffix}"
    if set(to) & set("*?[") or not (trial.folder / "plan" / sheet).is_file():
        return []
    return [str(message("cli.check.copy_sheet", sheet=sheet, to=to))]
