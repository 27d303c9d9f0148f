"""What every column of the archived tables holds: the data dictionary."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from trialkit.columns import find_column
from trialkit.wording import Units, spoken

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.trial import Trial

COLUMNS = ("file", "column", "kind", "unit", "label", "meaning", "levels", "missing")


def data_dictionary(
    trial: Trial,
    tables: Mapping[str, pd.DataFrame],
    *,
    called: Mapping[str, Mapping[str, str]] | None = None,
) -> pd.DataFrame:
    """Describe every column of a trial's tables.

    Parameters
    ----------
    trial : Trial
    tables : mapping
        File → its table.
    called : mapping, optional
        File → column → what it is called elsewhere in the trial, where that differs.

    Returns
    -------
    DataFrame
        One row per file and column: `file, column, kind, unit, label, meaning, levels, missing`.
        `levels` are those of a treatment, the control first; `missing` counts empty cells.

    Examples
    --------
    >>> import trialkit as tk
    >>> trial = tk.read_trial(tk.demo_folder())
    >>> table = data_dictionary(trial, {"plan.csv": tk.read_plan(trial).table})
    >>> table.set_index("column").loc["light", "levels"]
    'dim; bright'
    """
    import pandas as pd

    rows = []
    for file, table in tables.items():
        other = (called or {}).get(file, {})
        for column in map(str, table.columns):
            unit, label, meaning = _described(trial, other.get(column, column))
            levels = _levels(trial, other.get(column, column))
            missing = int(table[column].isna().sum())
            kind = _kind(table[column])
            rows.append((file, column, kind, unit, label, meaning, levels, missing))
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _levels(trial: Trial, column: str) -> str:
    if column not in trial.factors:
        return ""
    factor = trial.factors[column]
    rest = [level for level in factor.levels if level != factor.reference]
    return "; ".join([factor.reference, *rest])


def _described(trial: Trial, column: str) -> tuple[str, str, str]:
    """Give unit, label and meaning of one column."""
    say = spoken()
    if column in trial.factors:
        given = Units(tuple(trial.factors[column].applied_to))
        return "", column, say.text("archive.treatment", units=given)
    if column in trial.covariates:
        known = trial.covariates[column]
        each = Units(tuple(known.by), 1)
        return known.unit, known.label or column, say.text("archive.covariate", units=each)
    found = find_column(column, trial.columns)
    if found is not None:
        return found.unit, found.label, found.meaning
    label = say.either(f"column.{column}", column.replace("_", " "))
    if column in trial.structure.factors:
        return "", label, say.text("archive.unit_name", factor=column)
    return "", label, say.either(f"archive_meaning.{column}", label)


def _kind(column: Any) -> str:
    import pandas as pd

    say, types = spoken(), pd.api.types
    if types.is_bool_dtype(column):
        return say.text("archive.kind.yes_no")
    if types.is_numeric_dtype(column):
        return say.text("archive.kind.number")
    if types.is_datetime64_any_dtype(column):
        return say.text("archive.kind.moment")
    return say.text("archive.kind.text")
