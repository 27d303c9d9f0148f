"""When the plan in a folder was drawn, and what of it stands in another one."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trialkit.design.layout.allocation import Allocation
from trialkit.design.layout.draw_record import (
    Draw,
    has_begun,
    read_draw,
    under_other_names,
)

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.trial import Trial


def read_record(folder: Path) -> dict[str, Any]:
    """Read plan.json; a ValueError says what is wrong with it."""
    record = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
    known = record if isinstance(record, dict) else {}
    absent = [name for name in ("seed", "version", "hash") if name not in known]
    if absent:
        raise ValueError(f"plan.json lacks {', '.join(absent)}")
    return known


def read_draws(
    record: Mapping[str, Any],
    *,
    codes: Mapping[str, str] | None = None,
    names: Mapping[str, Mapping[str, str]] | None = None,
) -> tuple[Draw, ...]:
    """Read when a plan was drawn; nothing where plan.json does not say.

    `codes` and `names` give what was called otherwise then (`under_other_names`).
    """
    draws = (read_draw(stored) for stored in record.get("draws", []))
    return tuple(under_other_names(draw, codes or {}, names or {}) for draw in draws)


def dated(
    plan: Allocation,
    target: Path,
    now: dt.datetime,
    weighed: Sequence[str] = (),
    rows: str = "",
    *,
    same: bool = False,
) -> Allocation:
    """Give a plan its date and what had begun.

    Parameters
    ----------
    plan : Allocation
    target : Path
        The folder of the plan that is there.
    now : datetime
    weighed : sequence of str
        Batches of which weights are known to be there.
    rows : str
        File in which harvest rows stand.
    same : bool
        The plan there is this very one: it keeps the date it has, or has none.
    """
    if same:
        try:
            return replace(plan, draws=read_draws(read_record(target)))
        except (OSError, ValueError):
            return plan
    if plan.draws:
        return plan
    batches = [b for b in plan.trial.batches if b in weighed or has_begun(plan.trial, b, now)]
    codes = tuple(map(str, plan.table["unit"]))
    levels = {name: tuple(map(str, own)) for name, own in plan.trial.levels.items()}
    draw = Draw(now, plan.seed, plan.version, codes, tuple(batches), rows, levels)
    return replace(plan, draws=(draw,))


def stands_in(target: Path, plan: Allocation) -> bool:
    """Tell whether every unit drawn for the plan in a folder keeps its levels in another plan."""
    import pandas as pd

    names = list(plan.trial.factors)
    try:
        before = pd.read_csv(target / "assignment.csv", dtype=str, keep_default_na=False)
        old = under_names_here(plan.trial, before).set_index("unit")[names]
    except (OSError, ValueError, KeyError):
        return False
    new = plan.table.set_index("unit")[names]
    drawn = {code for draw in plan.draws for code in draw.units} or set(new.index)
    shared = [code for code in old.index if code in new.index and code in drawn]
    gone = set(old.index) - set(new.index)
    kept = (old.loc[shared].astype(str) == new.loc[shared].astype(str)).to_numpy().all()
    return bool(kept) and gone <= plan.trial.never_grown


def under_names_here(trial: Trial, table: pd.DataFrame) -> pd.DataFrame:
    """Give a plan's table with the names of the trial file, where something was renamed."""
    if not trial.aliases or "unit" not in table:
        return table
    out = table.copy()
    for name, other in trial.aliases.items():
        if name in out:
            out[name] = out[name].replace(other)
    factors = list(trial.structure.factors)
    if set(factors) <= set(out.columns):
        out["unit"] = out[factors].astype(str).agg("-".join, axis=1)
    return out
