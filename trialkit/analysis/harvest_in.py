"""How much of the planned harvest is in: blocks whose fate is known, batches that have begun."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from trialkit.columns.harvest import LOST

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.trial import Trial


def has_a_fate(table: pd.DataFrame) -> pd.Series:
    """Say of each row whether the harvest tells what became of it: a weight, or a state.

    Parameters
    ----------
    table : DataFrame
        One row per block and flush, with `status` where states are told.

    Returns
    -------
    Series of bool
    """
    weighed = table["fresh_g"].notna() if "fresh_g" in table else table["unit"].isna()
    if "status" not in table:
        return weighed
    return weighed | (table["status"].notna() & (table["status"] != "missing"))


def units_known(table: pd.DataFrame) -> pd.Series:
    """Say of each unit whether its fate is known in any flush.

    Of a block that is still to be grown, and of one that was grown but whose rows are not in the
    sheet, nobody knows whether it was lost. It counts neither among the lost nor among the others.

    Parameters
    ----------
    table : DataFrame
        One row per block and flush, with `unit`.

    Returns
    -------
    Series of bool
        By unit.

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame({"unit": ["a", "a", "b"], "fresh_g": [480.0, None, None]})
    >>> units_known(table).to_dict()
    {'a': True, 'b': False}
    """
    return has_a_fate(table).groupby(table["unit"]).any()


def has_begun(table: pd.DataFrame) -> pd.Series:
    """Say of each row whether its batch has begun to come in; all have where there is no batch.

    Parameters
    ----------
    table : DataFrame
        One row per block and flush.

    Returns
    -------
    Series of bool

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame({"batch": ["1", "1", "2"], "fresh_g": [480.0, None, None]})
    >>> has_begun(table).tolist()
    [True, True, False]
    """
    known = has_a_fate(table)
    if "batch" not in table:
        return known | True
    return known.groupby(table["batch"].astype(str)).transform("any")


@dataclass(frozen=True)
class Progress:
    """How many of the planned batches are in, at least in part.

    Parameters
    ----------
    begun, to_come : tuple of str
        Batches with a row that has a fate, and those without one that were not given up.
    """

    begun: tuple[str, ...]
    to_come: tuple[str, ...]

    @property
    def planned(self) -> int:
        """Batches that there are to be, without those given up before they gave anything."""
        return len(self.begun) + len(self.to_come)


def progress(trial: Trial, table: pd.DataFrame) -> Progress:
    """Tell batches that have begun to come in from those that are still to come.

    Parameters
    ----------
    trial : Trial
    table : DataFrame
        One row per block and flush.

    Returns
    -------
    Progress
        Empty where the trial has no batches.
    """
    if "batch" not in table or "batch" not in trial.levels:
        return Progress((), ())
    begun = set(table.loc[has_begun(table), "batch"].astype(str))
    units = trial.unit_table()
    waited = set(units.loc[~units["unit"].isin(trial.given_up), "batch"].astype(str)) - begun
    order = [str(name) for name in trial.levels["batch"]]
    return Progress(
        tuple(name for name in order if name in begun),
        tuple(name for name in order if name in waited),
    )


def flushes_lacking(
    table: pd.DataFrame, response: str, keys: Sequence[str]
) -> list[dict[str, str]]:
    """Find the units that have values, but none of a whole flush that they lost or others have.

    A flush that nobody of a batch has yet, and that nobody lost, is not lacking: it is to come.

    Parameters
    ----------
    table : DataFrame
        One row per block and flush.
    response : str
        Column analysed.
    keys : sequence of str
        Columns that tell units apart, such as ``["batch", "chamber"]``.

    Returns
    -------
    list of dict
        `keys` and `flush` of each, in the order of the table.

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame({"chamber": ["a", "a", "b", "b"], "flush": [1, 2, 1, 2],
    ...                       "fresh_g": [500.0, None, 510.0, 250.0]})
    >>> flushes_lacking(table, "fresh_g", ["chamber"])
    [{'chamber': 'a', 'flush': '2'}]
    """
    keys = list(keys)
    lost = table["status"].isin(LOST) if "status" in table else False
    rows = table.assign(_in=table[response].notna(), _lost=lost)
    rows[[*keys, "flush"]] = rows[[*keys, "flush"]].astype(str)
    parts = rows.groupby([*keys, "flush"], sort=False)[["_in", "_lost"]].any().reset_index()
    gave = parts.groupby(keys, sort=False)["_in"].transform("any")
    among = ["batch", "flush"] if "batch" in keys else ["flush"]
    due = parts.groupby(among)["_in"].transform("any") | parts["_lost"]
    lacking = parts[gave & due & ~parts["_in"]]
    told = lacking[[*keys, "flush"]].to_dict("records")
    return [{str(k): str(v) for k, v in row.items()} for row in told]
