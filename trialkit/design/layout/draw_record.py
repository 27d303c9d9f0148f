"""When a plan was drawn, and what had begun by then: one record a draw."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import product
from math import prod
from typing import TYPE_CHECKING, Any

from trialkit.errors import PlanError
from trialkit.short_repr import short_repr
from trialkit.trial import Trial

if TYPE_CHECKING:
    import pandas as pd

#: Stands for the date of a draw that is not known.
UNKNOWN = dt.datetime(1, 1, 2, tzinfo=dt.UTC)


@dataclass(frozen=True)
class Draw:
    """One draw of a plan.

    Parameters
    ----------
    at : datetime
        When it was drawn (UTC); `UNKNOWN` where that is not known.
    seed : int
    version : str
        Version of trialkit that drew it.
    units : tuple of str
        Codes of the smallest units drawn.
    begun : tuple of str
        Batches that had begun by then.
    weighed : str
        File in which harvest rows stood by then; empty where there was none.
    levels : dict
        Unit factor → its levels, where the whole trial was drawn at once as it then was; empty
        for units that joined what stood.
    """

    at: dt.datetime
    seed: int
    version: str
    units: tuple[str, ...]
    begun: tuple[str, ...] = ()
    weighed: str = ""
    levels: dict[str, tuple[str, ...]] = field(default_factory=dict)

    __repr__ = short_repr

    def to_data(self) -> dict[str, Any]:
        """Give it as data that JSON can hold."""
        return {
            "at": None
            if self.at == UNKNOWN
            else self.at.astimezone(dt.UTC).isoformat("T", "seconds"),
            "seed": self.seed,
            "version": self.version,
            "units": "all" if self.units == _codes(self.levels) else list(self.units),
            "begun": list(self.begun),
            "weighed": self.weighed,
            "levels": {name: list(levels) for name, levels in self.levels.items()},
        }


def read_draw(data: Mapping[str, Any]) -> Draw:
    """Read a draw that `Draw.to_data` gave.

    Raises
    ------
    PlanError
        If the record lacks something.
    """
    try:
        levels = {str(k): tuple(map(str, v)) for k, v in data["levels"].items()}
        return Draw(
            at=UNKNOWN if data["at"] is None else _moment(str(data["at"])),
            seed=int(data["seed"]),
            version=str(data["version"]),
            units=_codes(levels) if data["units"] == "all" else tuple(map(str, data["units"])),
            begun=tuple(map(str, data["begun"])),
            weighed=str(data["weighed"]),
            levels=levels,
        )
    except (KeyError, ValueError, TypeError, AttributeError) as problem:
        raise PlanError(
            f"plan.json: a draw cannot be read ({problem}); put the file back"
        ) from None


def _codes(levels: Mapping[str, Sequence[str]]) -> tuple[str, ...]:
    """Give the codes of all units of a trial with these levels, in plan order."""
    return tuple("-".join(unit) for unit in product(*levels.values())) if levels else ()


def under_other_names(
    draw: Draw, codes: Mapping[str, str], names: Mapping[str, Mapping[str, str]]
) -> Draw:
    """Give a draw with the names that its units have now.

    Parameters
    ----------
    draw : Draw
    codes : mapping
        Code of a unit then → its code now; others stay.
    names : mapping
        Unit factor → {name then: name now}.
    """
    levels = {f: tuple(names.get(f, {}).get(x, x) for x in own) for f, own in draw.levels.items()}
    units = tuple(codes.get(code, code) for code in draw.units)
    begun = tuple(names.get("batch", {}).get(b, b) for b in draw.begun)
    return replace(draw, units=units, begun=begun, levels=levels)


def _moment(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text).astimezone(dt.UTC)


def has_begun(trial: Trial, batch: str, now: dt.datetime) -> bool:
    """Tell whether a batch began before a moment, by the dates of the trial file.

    A start without a time of day counts from the end of its day: a plan drawn in the morning of
    the first day is drawn in time.
    """
    dates = trial.batches.get(batch)
    if dates is None or dates.start is None:
        return False
    local = dates.start.astimezone(trial.zone)
    dated_only = local.time() == dt.time()
    return dates.start + dt.timedelta(days=1 if dated_only else 0) <= now


def whole_levels(table: pd.DataFrame, factors: Sequence[str]) -> dict[str, tuple[str, ...]]:
    """Give the levels of units that are every combination of theirs; nothing where they are not."""
    levels = {name: tuple(map(str, table[name].drop_duplicates())) for name in factors}
    return levels if prod(map(len, levels.values())) == len(table) else {}


def undated_draw(table: pd.DataFrame, factors: Sequence[str], seed: int, version: str) -> Draw:
    """Give the draw of a whole plan of which only the day is not known."""
    codes = tuple(map(str, table["unit"]))
    return Draw(UNKNOWN, seed, version, codes, levels=whole_levels(table, factors))


def batch_of(trial: Trial) -> dict[str, str]:
    """Give the batch of every smallest unit; ``"all"`` where there are none."""
    units = trial.unit_table()
    if "batch" not in units:
        return dict.fromkeys(units["unit"].astype(str), "all")
    return dict(zip(units["unit"].astype(str), units["batch"].astype(str), strict=True))
