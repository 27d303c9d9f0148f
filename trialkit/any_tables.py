"""Tables of other libraries, taken as pandas tables."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd


def as_pandas(table: Any) -> pd.DataFrame | None:
    """Give a table of pandas, polars, pyarrow or the like as one of pandas; None for no table.

    Examples
    --------
    >>> import pyarrow
    >>> as_pandas(pyarrow.table({"fresh_g": [410.0, 395.5]}))["fresh_g"].tolist()
    [410.0, 395.5]
    >>> as_pandas("fresh_g") is None
    True
    """
    import pandas as pd

    if isinstance(table, pd.DataFrame):
        return table
    import narwhals

    try:
        taken: pd.DataFrame = narwhals.from_native(table, eager_only=True).to_pandas()
    except TypeError:
        return None
    return taken
