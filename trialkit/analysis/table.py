"""The rows a response is analysed on, and what can be told apart in them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from trialkit.errors import ModelError
from trialkit.trial.over_time import with_starts

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.alignment.result import Aligned
    from trialkit.trial import Trial


def analysis_table(trial: Trial, data: Aligned, response: str) -> pd.DataFrame:
    """Choose the rows a response is analysed on: one per block and flush, or one per block."""
    table: pd.DataFrame = data.table.copy()
    if response == "days":
        first = table[table["days"].notna()].sort_values("flush")
        table = table[table["flush"] == 1].drop(columns="days")
        table = table.merge(first.groupby("unit", sort=False)["days"].first(), "left", "unit")
    for name in (*trial.structure.factors, *trial.factors):
        table[name] = table[name].astype(str)
    table["flush"] = table["flush"].astype(int).astype(str)
    return with_starts(trial, table)


def flushes_weighed(data: Any, response: str) -> float:
    """Count the flushes that hold a response; before there are data, all that are planned do."""
    table: pd.DataFrame | None = getattr(data, "table", data)
    if table is None or response not in table or "flush" not in table:
        return float("inf")
    return int(table.loc[table[response].notna(), "flush"].nunique())


def told_apart(random: Sequence[str], rows: pd.DataFrame) -> tuple[str, ...]:
    """Give the random terms that the rows can tell: a batch alone in them is no term.

    A trial looked at after its first batch has one batch so far; its chamber runs are then
    its chambers.
    """
    out = []
    for term in random:
        several = [name for name in term.split(":") if rows[name].nunique() > 1]
        if several:
            out.append(":".join(several))
    return tuple(dict.fromkeys(out))


def level_order(trial: Trial, table: pd.DataFrame) -> pd.DataFrame:
    """Put the control first, so that every treatment is coded against it."""
    import pandas as pd

    out = table.copy()
    for factor in trial.factors.values():
        order = [factor.reference, *(x for x in factor.levels if x != factor.reference)]
        seen = [x for x in order if (out[factor.name] == x).any()]
        if factor.reference not in seen:
            raise ModelError(
                f"no weighed block had {factor.name} = {factor.reference!r}, the level the "
                "others are compared with"
            )
        out[factor.name] = pd.Categorical(out[factor.name], categories=seen)
    return out
