"""Checks of sensors, clocks, fans and mist that the logs did not allow: what, where, why.

A check that finds nothing and one that could not look say the same by their silence. Each that
could not be made is a row here, with what it would need.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.alignment.cells import to_ns
from trialkit.alignment.windows import run_factors
from trialkit.arrays import Ints
from trialkit.display import Shown, show_table
from trialkit.logs.climate.series import each_part, number_names
from trialkit.logs.clocks.unrest import FEWEST_DAYS
from trialkit.signals.mist_response import MistResponse, ResponseLimits
from trialkit.trial import Trial
from trialkit.wording import Message, message, place, several, spoken

#: Columns of the table, in order.
UNMADE_COLUMNS: tuple[str, ...] = ("check", "quantity", "chamber", "sensor", "run", "why", "needs")
#: Readings further apart than this [min] say nothing of sudden changes, and of lasting steps
#: (five readings within half an hour).
_SUDDEN_MIN, _STEP_MIN = 20.0, 7.0
_STUCK_H = 3.0
_FEWEST_PULSES = 20
_QUANTITIES = ("rh_pct", "temp_c", "co2_ppm", "light_lux")

Row = dict[str, Any]


def no_unmade() -> pd.DataFrame:
    """Give the table without rows."""
    return pd.DataFrame(columns=list(UNMADE_COLUMNS))


@dataclass(frozen=True)
class Open:
    """What could not be looked for in one chamber. Made by `tally_chamber`.

    Parameters
    ----------
    sensors, others : list of dict
        Rows of the table: about single series, and about sensors beside each other.
    lit, able : int
        Series that see a lamp, and series whose temperature can bear witness of a clock.
    """

    sensors: list[Row]
    others: list[Row]
    lit: int
    able: int


def tally_chamber(
    climate: pd.DataFrame, *, max_gap_min: float, shelves: bool | None = None
) -> Open:
    """List what could not be looked for in the records of a chamber, or of several.

    Parameters
    ----------
    climate : DataFrame
        Whole chambers of the climate log as it was read.
    max_gap_min : float
        Largest gap that is bridged [min].
    shelves : bool, optional
        Whether the log names shelves anywhere; by default whether these chambers do.
    """
    if shelves is None:
        shelves = "shelf" in climate.columns and bool(climate["shelf"].notna().any())
    series = [(where, part, _Steps(part)) for where, part in _series(climate)]
    spans = [steps.of("temp_c") for _, part, steps in series if _known(part, "temp_c").any()]
    return Open(
        sensors=list(_of_sensors(series, max_gap_min)),
        others=list(_of_other_sensors(climate, shelves=shelves)),
        lit=_lit(climate),
        able=sum(step <= 30 and hours >= 24 * FEWEST_DAYS for step, hours in spans),
    )


def list_unmade(
    trial: Trial,
    chambers: Sequence[Open] | None,
    runs: pd.DataFrame,
    response: MistResponse | None,
    *,
    mist: pd.DataFrame | None,
) -> pd.DataFrame:
    """List the checks that these logs did not allow.

    Parameters
    ----------
    trial : Trial
    chambers : sequence of Open or None
        What was open in each chamber, in order of their names; None where there is no climate
        log.
    runs : DataFrame
        Windows with the columns of `judge_readings`.
    response : MistResponse or None
        What was found of mist and vapour.
    mist : DataFrame or None

    Returns
    -------
    DataFrame
        One row per check and place: `check` (``"stuck"``, ``"spike"``, ``"step"``,
        ``"dew point"``, ``"saturated"``, ``"other sensor"``, ``"mist"``, ``"lamp clock"``,
        ``"peer clock"``, ``"slow readings"``, ``"sensor lag"``, ``"sensors"``, ``"record"``),
        `quantity, chamber, sensor, run`, and in words `why` and `needs`.
    """
    if not chambers:
        rows = [_row("sensors", "no_log")]
    elif "chamber" not in run_factors(trial):
        rows = [_row("sensors", "no_chambers")]
    else:
        rows = [
            *(row for one in chambers for row in one.sensors),
            *(row for one in chambers for row in one.others),
            *_of_clocks(sum(one.lit for one in chambers), sum(one.able for one in chambers)),
            *_of_mist(mist, response),
            *_of_slow_readings(trial, runs, mist),
        ]
    return pd.DataFrame(rows, columns=list(UNMADE_COLUMNS))


def _row(check: str, why: str, place_of: Row | None = None, **values: Any) -> Row:
    blank = {"quantity": "", "chamber": "", "sensor": "", "run": ""}
    return {
        "check": check,
        **blank,
        **(place_of or {}),
        "why": message(f"unmade_why.{why}", **values),
        "needs": message(f"unmade_needs.{why}", **values),
    }


def _series(climate: pd.DataFrame) -> Iterator[tuple[Row, pd.DataFrame]]:
    sensor = (
        climate["sensor"].astype("string").fillna("")
        if "sensor" in climate
        else pd.Series("", climate.index)
    )
    for (chamber, name), part in each_part(climate, [climate["chamber"], sensor]):
        yield {"chamber": str(chamber), "sensor": str(name)}, part


def _known(part: pd.DataFrame, quantity: str) -> NDArray[np.bool_]:
    """Tell the records that hold a quantity."""
    if quantity not in part:
        return np.zeros(len(part), dtype=bool)
    return part[quantity].notna().to_numpy(dtype=bool)


class _Steps:
    """Usual time between readings of each quantity of one series [min], and the time spanned [h].

    Most loggers write all they measure at once, so the times are looked at only once.
    """

    def __init__(self, part: pd.DataFrame) -> None:
        self._part, self._time = part, to_ns(part["time"])
        self._found: dict[str, tuple[float, float]] = {}

    def of(self, quantity: str) -> tuple[float, float]:
        """Give step and span of the records that hold a quantity."""
        known = _known(self._part, quantity)
        name = "" if known.all() else quantity
        if name not in self._found:
            self._found[name] = _step_min(self._time if not name else self._time[known])
        return self._found[name]


def _step_min(time: Ints) -> tuple[float, float]:
    """Give the usual time between readings [min] and the time they span [h]."""
    gaps = np.diff(time)
    if (gaps < 0).any():  # a log is in order as a rule, and sorting it anew is dear
        gaps = np.diff(np.sort(time))
    gaps = gaps[gaps > 0]
    if not len(gaps):
        return np.inf, 0.0
    return float(np.median(gaps.astype(float))) / 6e10, float(gaps.sum()) / 3.6e12


def _of_sensors(
    series: Sequence[tuple[Row, pd.DataFrame, _Steps]], max_gap_min: float
) -> Iterator[Row]:
    """List what could not be looked for in single series."""
    for where, part, found in series:
        steps: dict[str, float] = {}
        for quantity in _QUANTITIES:
            count = int(_known(part, quantity).sum())
            here = where | {"quantity": quantity}
            if not count:
                if quantity in ("rh_pct", "temp_c"):
                    yield _row("record", "not_recorded", here)
                continue
            steps[quantity], hours = found.of(quantity)
            yield from _of_series(here, quantity, count, steps[quantity], hours, max_gap_min)
        pair = [steps.get(name, np.inf) for name in ("rh_pct", "temp_c")]
        if np.isfinite(pair).all() and max(pair) > min(_SUDDEN_MIN, max_gap_min):
            most = min(_SUDDEN_MIN, max_gap_min)
            yield _row(
                "dew point", "apart", where | {"quantity": "rh_pct"}, step=max(pair), most=most
            )


def _of_series(
    here: Row, quantity: str, count: int, step: float, hours: float, max_gap_min: float
) -> Iterator[Row]:
    """List what could not be looked for in one quantity of one sensor."""
    sudden = min(_SUDDEN_MIN, max_gap_min)
    if quantity != "light_lux":  # a lamp and the dark are steady, and switch suddenly
        if step > max_gap_min:
            yield _row("stuck", "apart", here, step=step, most=max_gap_min)
        elif hours < _STUCK_H:
            yield _row("stuck", "short", here, hours=hours, least=_STUCK_H)
        for check, most in (("spike", sudden), ("step", min(_STEP_MIN, sudden))):
            if check == "step" and quantity == "co2_ppm":
                continue
            if count < 20:
                yield _row(check, "few", here, count=count)
            elif step > most:
                yield _row(check, "apart", here, step=step, most=most)
    if quantity == "rh_pct" and step > max_gap_min:
        yield _row("saturated", "apart", here, step=step, most=max_gap_min)


def _of_other_sensors(climate: pd.DataFrame, *, shelves: bool = False) -> Iterator[Row]:
    """List the chambers whose sensors no other could be compared with."""
    for (chamber,), part in each_part(climate, [climate["chamber"]]):
        for quantity in ("rh_pct", "temp_c"):
            there = _known(part, quantity)
            if not there.any():
                continue
            known = part if there.all() else part[there]
            here = {"chamber": str(chamber), "quantity": quantity}
            count = len(number_names(known["sensor"])[1]) if "sensor" in known else 1
            if count < 2:
                yield _row("other sensor", "alone", here)
            elif shelves:
                yield _row("other sensor", "shelves", here)
            elif _days_shared(known) < 4:
                yield _row("other sensor", "days", here, days=_days_shared(known))


def _days_shared(known: pd.DataFrame) -> int:
    """Give the days on which at least two sensors have readings."""
    days = known.groupby(known["time"].dt.floor("D"))["sensor"].nunique()
    return int((days >= 2).sum())


def _lit(climate: pd.DataFrame) -> int:
    """Count the series that see a lamp."""
    if "light_lux" not in climate:
        return 0
    named = [name for name in ("chamber", "sensor") if name in climate]
    lit = climate.loc[climate["light_lux"] > 10, named]
    return len(lit.drop_duplicates()) if len(lit) else 0


def _of_clocks(loggers: int, able: int) -> Iterator[Row]:
    """List the ways to judge clocks that were not open."""
    if loggers < 3:
        yield _row("lamp clock", "lamps", count=loggers)
    if able < 3:
        yield _row("peer clock", "peers", count=able, days=FEWEST_DAYS)


def _of_mist(mist: pd.DataFrame | None, response: MistResponse | None) -> Iterator[Row]:
    """List the runs whose mist could not be followed into the air."""
    if mist is None or not len(mist):
        yield _row("mist", "no_mist_log")
        return
    if response is None or not len(response.runs):
        yield _row("mist", "no_vapour")
        return
    wet_rh = ResponseLimits().wet_rh
    for run in response.runs.to_dict("records"):
        here = {"chamber": str(run["chamber"]), "run": str(run["run"])}
        if run["pulses"] == 0:
            yield _row("mist", "no_pulses", here)
        elif run["answered"] < _FEWEST_PULSES:
            yield _row("mist", "unanswered", here, least=_FEWEST_PULSES)
        elif not run["seen_pct"] >= 50:
            if run["around_rh_pct"] >= wet_rh:
                yield _row("mist", "wet", here, rh=float(run["around_rh_pct"]))
            else:
                yield _row("mist", "faint", here, seen=float(run["seen_pct"]))


def _of_slow_readings(trial: Trial, runs: pd.DataFrame, mist: pd.DataFrame | None) -> Iterator[Row]:
    """List where readings could not be set beside the cycle of the mist."""
    if mist is None or not len(mist):
        yield _row("slow readings", "no_mist_log")
    elif "cycle_s" in runs:
        whole = runs[(runs["window"] == "whole") & runs["rh_pct"].notna()]
        keys = [name for name in ("batch", "chamber") if name in runs]
        for _, run in whole[whole["cycle_s"].isna()].iterrows():
            name = " ".join(str(run[key]) for key in keys)
            yield _row("slow readings", "no_pulses", {"chamber": str(run["chamber"]), "run": name})
    if trial.rig.sensor_lag_s is None:
        yield _row("sensor lag", "no_lag")


def shown_unmade(unmade: pd.DataFrame) -> Shown:
    """Format the checks that could not be made, places of one kind together."""
    say = spoken()
    heads = {name: say.text(f"unmade.head.{name}") for name in ("what", "where", "why", "needs")}
    rows = [
        {"what": what, "where": where, "why": why, "needs": needs}
        for what, where, why, needs in told_unmade(unmade)
    ]
    table = pd.DataFrame(rows, columns=list(heads))
    return show_table(table, columns=list(heads), heads=heads, caption=say.text("unmade.caption"))


def told_unmade(unmade: pd.DataFrame) -> list[tuple[str, str, str, str]]:
    """Say what could not be checked, where, why, and what it would need, one line a kind."""
    say = spoken()
    lines: dict[tuple[str, str, str], list[Message | str]] = {}
    for row in unmade.to_dict("records"):
        what = say.text(f"unmade_check.{str(row['check']).replace(' ', '_')}")
        if row["quantity"]:
            quantity = say.either(f"sensor_quantity.{row['quantity']}", row["quantity"])
            what = say.text("unmade.of", what=what, quantity=quantity)
        key = (what, str(row["why"]), str(row["needs"]))
        lines.setdefault(key, []).append(_where(row))
    return [
        (what, say.written(several(list(dict.fromkeys(places)), 8)), why, needs)
        for (what, why, needs), places in lines.items()
    ]


def _where(row: Mapping[Any, Any]) -> Message | str:
    if row["run"]:
        return str(row["run"])
    if not row["chamber"]:
        return message("unmade.everywhere")
    if row["sensor"] and row["sensor"] != row["chamber"]:
        return message(
            "sensor_name.of", place=place({"chamber": row["chamber"]}), sensor=row["sensor"]
        )
    return place({"chamber": row["chamber"]})
