"""What each unit gave over its flushes, and which flushes it lacks: the raw points of a figure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from trialkit.wording import Wording, several
from trialkit.wording.places import place

if TYPE_CHECKING:
    import pandas as pd

_NAMED = 4  # flushes that are named, of many that are lacking


def unit_totals(
    rows: pd.DataFrame,
    keys: Sequence[str],
    response: str,
    *,
    flushes: Sequence[str] = (),
    summed: bool = False,
) -> pd.DataFrame:
    """Give what each unit gave on average in a block, every flush weighing the same.

    Parameters
    ----------
    rows : DataFrame
        One row per block and flush, with `keys`, `flush` where there are flushes, and `response`.
    keys : sequence of str
        Columns that tell units apart.
    response : str
        Column averaged; rows without it are left out.
    flushes : sequence of str
        Flushes that make up a whole unit; none where a row is a whole block.
    summed : bool
        Add the means of the flushes up, to the total of a block; else average them.

    Returns
    -------
    DataFrame
        `keys`, `value`, `rows` (weights it rests on) and `lacks` (tuple of the flushes of which
        the unit has no value). What is lacking is not made up for: such a unit's `value` is of
        the flushes that it has.

    Examples
    --------
    A tent with two blocks lost its second flush, another lost one block of it:

    >>> import pandas as pd
    >>> t = pd.DataFrame({"tent": list("AAAABBBB"), "flush": list("11221122"),
    ...                   "g": [800, 804, None, None, 700, 740, 380, None]})
    >>> found = unit_totals(t, ["tent"], "g", flushes=["1", "2"], summed=True)
    >>> found["value"].tolist(), found["lacks"].tolist()
    ([802.0, 1100.0], [('2',), ()])
    """
    known = rows[rows[response].notna()]
    keys = list(keys)
    sizes = known.groupby(keys, sort=False, observed=True)[response].agg(["mean", "size"])
    out = sizes.rename(columns={"mean": "value", "size": "rows"})
    out["lacks"] = [() for _ in range(len(out))]
    if len(flushes):
        each = known.groupby([*keys, "flush"], sort=False, observed=True)[response].mean().unstack()
        each = each.reindex(out.index).reindex(columns=list(flushes))
        out["value"] = each.sum(axis=1) if summed else each.mean(axis=1)
        lacking = each.isna().to_numpy()
        out["lacks"] = [
            tuple(f for f, gone in zip(flushes, row, strict=True) if gone) for row in lacking
        ]
    return out.reset_index()


def lacking_words(units: pd.DataFrame, keys: Sequence[str], say: Wording) -> str:
    """Name the flushes that units lack; empty where none does.

    Parameters
    ----------
    units : DataFrame
        From `unit_totals`.
    keys : sequence of str
        Columns that name a unit, the widest first.
    say : Wording

    Returns
    -------
    str
    """
    if "lacks" not in units:
        return ""
    named = [
        say.written(place({**{k: row[k] for k in keys}, "flush": flush}))
        for row in units.to_dict("records")
        for flush in row["lacks"]
    ]
    # a unit whose parts are drawn apart, each under its own light, is named once
    shown = several(list(dict.fromkeys(named)), _NAMED)
    return say.listed([say.written(one) for one in shown]) if named else ""
