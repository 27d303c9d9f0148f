"""What a trial's settings may hold in a room that is not known for sure: a range, not a number."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from trialkit.chamber.compare import Comparison, compare_settings
from trialkit.chamber.forward import simulate
from trialkit.chamber.quantities import QUANTITIES
from trialkit.chamber.recovery import recovery_minutes
from trialkit.chamber.rig import Assumed, room_from_rig
from trialkit.chamber.room import ChamberError
from trialkit.chamber.room_draws import Likely, draw_rooms, shares_of
from trialkit.chamber.separate import setting_or_none
from trialkit.chamber.surroundings import winter_rh_pct
from trialkit.display import Shown, show_table
from trialkit.errors import Finding
from trialkit.short_repr import short_repr
from trialkit.wording import message, spoken

#: Rooms drawn, and the share of them that a range holds.
ROOMS, LEVEL = 200, 0.95
#: Chance of the same air from which two settings are told [share of rooms].
TOLD_ALIKE = 0.2


@dataclass(frozen=True)
class Foresight:
    """What each setting may hold, calculated for many rooms that this one could be.

    Parameters
    ----------
    table : DataFrame
        One row per level: `level, setting`; for mean, lowest and highest humidity of the settled
        cycle (`mean_rh_pct`, `low_rh_pct`, `high_rh_pct`) the median and the limits that hold
        `level` of the rooms (`…_from`, `…_to`); `in_band_pct`, share of the rooms whose mean
        lies in the band.
    pairs : DataFrame
        One row per pair: `first, second, difference_rh_pct, difference_from, difference_to,
        alike_pct` (share of the rooms in which they differ by less than `smallest_rh_pct`).
    measure : DataFrame
        What to measure, most useful first: `quantity, share_pct` of the spread of the means,
        and `half_width_now, half_width_then` of the range [% RH] once it is known.
    nominal : Comparison
        The same for the room exactly as given and assumed.
    assumed : tuple of Finding
        What stands in no rig and was taken as usual.
    band : (low, high) or None
    smallest_rh_pct : float
    rooms : int
        Rooms drawn.
    winter_rh_pct : float
        Humidity of the room around in a cold, dry week [%].
    winter : mapping
        Level → mean humidity in such a week, the room otherwise as given and assumed [%].
    door_minutes : mapping
        Level → minutes until the mean is back after the door was open, likewise.
    """

    table: pd.DataFrame
    pairs: pd.DataFrame
    measure: pd.DataFrame
    nominal: Comparison
    assumed: tuple[Finding, ...]
    band: tuple[float, float] | None
    smallest_rh_pct: float
    rooms: int
    winter_rh_pct: float
    winter: Mapping[str, float]
    door_minutes: Mapping[str, float]

    __repr__ = short_repr

    @property
    def worst_times(self) -> str:
        """What a dry week in winter and an open door do, in words."""
        dry = [message("chamber.of_level", level=k, value=v) for k, v in self.winter.items()]
        back = [
            message("chamber.door_level", level=k, value=v)
            if np.isfinite(v)
            else message("chamber.door_never", level=k)
            for k, v in self.door_minutes.items()
        ]
        return str(message("chamber.worst", around=self.winter_rh_pct, dry=dry, back=back))

    @property
    def left_out(self) -> str:
        """What the calculation leaves out, and in which direction that errs."""
        return str(message("chamber.left_out"))

    @property
    def sentences(self) -> tuple[str, ...]:
        """What is foreseen, in words, for a plan."""
        said = [_say_level(row, self.band) for row in self.table.to_dict("records")]
        said += [
            str(message("chamber.pair_alike", smallest=self.smallest_rh_pct, **_words(row)))
            for row in self.pairs.to_dict("records")
            if row["alike_pct"] >= 100 * TOLD_ALIKE
        ]
        said += list(self.nominal.separation)
        return tuple(said)

    @property
    def narrowing(self) -> str:
        """What measurement would narrow the ranges most; empty where none would."""
        if self.measure.empty or self.measure["share_pct"].iloc[0] < 5:
            return ""
        row = self.measure.iloc[0]
        return str(
            message(
                "chamber.measure",
                what=message(f"chamber.quantity.{row['quantity']}"),
                key=row["quantity"],
                how=message(f"chamber.how.{row['quantity']}"),
                now=row["half_width_now"],
                then=row["half_width_then"],
            )
        )

    @property
    def assumptions(self) -> str:
        """What was assumed, in one sentence; empty where all was given."""
        if not self.assumed:
            return ""
        items = [message("chamber.assumed_item", **finding.values) for finding in self.assumed]
        return str(message("chamber.assumed_all", items=items))

    def show(self) -> Shown:
        """Give the table formatted once for text and HTML."""
        say = spoken()
        view = pd.DataFrame(
            {"level": self.table["level"], "setting": self.table["setting"].map(str)}
        )
        for name in ("mean_rh_pct", "low_rh_pct", "high_rh_pct"):
            view[name] = [
                say.text(
                    "chamber.range",
                    middle=row[name],
                    low=row[f"{name}_from"],
                    high=row[f"{name}_to"],
                )
                for row in self.table.to_dict("records")
            ]
        notes = [*self.sentences, self.worst_times, self.narrowing, self.assumptions]
        notes.append(self.left_out)
        notes += [str(finding) for finding in self.nominal.doubts]
        heads = {name: say.text(f"chamber.head.{name}") for name in view.columns}
        caption = say.text("chamber.foresight_caption", rooms=self.rooms)
        return show_table(view, heads=heads, caption=caption, notes=[n for n in notes if n])

    def __str__(self) -> str:
        return self.show().text()

    def _repr_html_(self) -> str:
        return self.show().html()


def foresee(
    rig: Any,
    levels: Mapping[str, Any],
    *,
    band: tuple[float, float] | None = None,
    smallest_rh_pct: float = 1.0,
    rooms: int = ROOMS,
    seed: int = 1,
) -> Foresight:
    """Say what settings may hold in a room of which some numbers are unsure.

    Every setting is calculated in the same rooms, drawn from the errors of labels and guesses
    and from the ranges of what is not given (`trialkit.chamber.quantities`).

    Parameters
    ----------
    rig : mapping or object
        The `[rig]` of a trial file; see `room_from_rig`.
    levels : mapping
        Level name → setting; levels that are no mist setting are passed over.
    band : (low, high), optional
        Humidity to be held [%]; the rig's by default.
    smallest_rh_pct : float
        Difference of mean humidity below which two settings are the same air [% points].
    rooms : int
        Rooms drawn.
    seed : int

    Returns
    -------
    Foresight

    Raises
    ------
    ChamberError
        If the room cannot be worked out, or no level is a mist setting.

    Examples
    --------
    >>> rig = {"chamber_m3": 2, "air_changes_h": 4, "mist_l_h": 0.3, "room_rh_pct": 60}
    >>> seen = foresee(rig, {"usual": {"on_s": 20, "off_s": 220}}, rooms=50)
    >>> row = seen.table.iloc[0]
    >>> bool(row["mean_rh_pct_from"] < row["mean_rh_pct"] < row["mean_rh_pct_to"])
    True
    """
    if rooms < 20:
        raise ChamberError(f"{rooms} rooms are too few for a range → draw at least 20")
    made = room_from_rig(rig)
    nominal = compare_settings(rig, levels, band=band, smallest_rh_pct=smallest_rh_pct)
    likely = draw_rooms(made, rooms, seed=seed)
    held = {
        name: _hold(likely, setting_or_none(levels[name])) for name in nominal.results
    }  # level → (rooms, 3)
    table = pd.DataFrame(
        [
            _row(nominal.results[name].setting.words, name, values, nominal.band)
            for name, values in held.items()
        ]
    )
    pairs = _pairs(held, smallest_rh_pct)
    measure = _measure(made, likely, held)
    around = min(winter_rh_pct(made.room.room_temp_c), made.room.room_rh_pct)
    cold = made.room.change(room_rh_pct=around)
    settings = {name: result.setting for name, result in nominal.results.items()}
    return Foresight(
        table=table,
        pairs=pairs,
        measure=measure,
        nominal=nominal,
        assumed=made.findings,
        band=nominal.band,
        smallest_rh_pct=smallest_rh_pct,
        rooms=rooms,
        winter_rh_pct=around,
        winter={name: simulate(cold, setting).mean_rh_pct for name, setting in settings.items()},
        door_minutes={
            name: recovery_minutes(made.room, setting) for name, setting in settings.items()
        },
    )


def foresee_treatments(trial: Any, *, rooms: int = ROOMS) -> dict[str, Foresight]:
    """Foresee the mist settings of every treatment of a trial that has any.

    Returns
    -------
    dict of Foresight
        Treatment → foresight; treatments that set no mist are left out.

    Raises
    ------
    ChamberError
        If the trial has mist settings and its rig does not say enough of the room.
    """
    found = {}
    for name, factor in trial.factors.items():
        if any(setting_or_none(level) is not None for level in factor.levels.values()):
            found[name] = foresee(trial.rig, factor.levels, rooms=rooms)
    return found


def _hold(likely: Likely, setting: Any) -> np.ndarray[Any, np.dtype[np.float64]]:
    rows = []
    for room in likely.rooms:
        summary = simulate(room, setting).summary
        rows.append([min(summary[name], 100.0) for name in _HELD])
    return np.array(rows)


_HELD = ("mean_rh_pct", "low_rh_pct", "high_rh_pct")


def _row(words: Any, level: str, values: Any, band: tuple[float, float] | None) -> dict[str, Any]:
    row: dict[str, Any] = {"level": level, "setting": words}
    for k, name in enumerate(_HELD):
        low, middle, high = np.quantile(values[:, k], [0.5 - LEVEL / 2, 0.5, 0.5 + LEVEL / 2])
        row |= {name: middle, f"{name}_from": low, f"{name}_to": high}
    inside = np.nan
    if band is not None:
        inside = 100 * float(np.mean((values[:, 0] >= band[0]) & (values[:, 0] <= band[1])))
    return row | {"in_band_pct": inside}


def _pairs(held: Mapping[str, Any], smallest: float) -> pd.DataFrame:
    rows = []
    for (first, one), (second, two) in itertools.combinations(held.items(), 2):
        gap = two[:, 0] - one[:, 0]
        low, middle, high = np.quantile(gap, [0.5 - LEVEL / 2, 0.5, 0.5 + LEVEL / 2])
        rows.append(
            {
                "first": first,
                "second": second,
                "difference_rh_pct": middle,
                "difference_from": low,
                "difference_to": high,
                "alike_pct": 100 * float(np.mean(np.abs(gap) < smallest)),
            }
        )
    columns = [
        "first",
        "second",
        "difference_rh_pct",
        "difference_from",
        "difference_to",
        "alike_pct",
    ]
    return pd.DataFrame(rows, columns=columns)


def _measure(made: Assumed, likely: Likely, held: Mapping[str, Any]) -> pd.DataFrame:
    """Rank what a grower can still measure by the share of the spread that goes with it."""
    means = [values[:, 0] for values in held.values()]
    shares = [shares_of(likely, mean) for mean in means]
    weights = np.array([np.var(mean) for mean in means])
    now = float(np.mean([np.ptp(np.quantile(mean, [0.025, 0.975])) for mean in means])) / 2
    rows = []
    for quantity in QUANTITIES:
        if not quantity.can_measure or quantity.key in made.measured:
            continue
        own = np.array([share.get(quantity.key, 0.0) for share in shares])
        share = float(own @ weights / weights.sum()) if weights.sum() > 0 else 0.0
        then = now * np.sqrt(max(0.0, 1 - share))
        rows.append((quantity.key, 100 * share, now, then))
    columns = ["quantity", "share_pct", "half_width_now", "half_width_then"]
    table = pd.DataFrame(rows, columns=columns)
    return table.sort_values("share_pct", ascending=False, ignore_index=True)


def _words(row: Mapping[Any, Any]) -> dict[str, Any]:
    return {str(key): value for key, value in row.items()}


def _say_level(row: Mapping[Any, Any], band: tuple[float, float] | None) -> str:
    values = {
        "level": row["level"],
        "setting": row["setting"],
        "middle": row["mean_rh_pct"],
        "low": row["mean_rh_pct_from"],
        "high": row["mean_rh_pct_to"],
        "lowest": row["low_rh_pct_from"],
    }
    if band is None:
        return str(message("chamber.level_range", **values))
    values |= {"band_low": band[0], "band_high": band[1], "inside": row["in_band_pct"]}
    return str(message("chamber.level_range_band", **values))
