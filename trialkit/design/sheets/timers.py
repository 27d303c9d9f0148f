"""What each timer, sensor and lamp is set to, and what that uses in a day."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from trialkit.design.layout.allocation import Allocation
from trialkit.errors import TrialkitError
from trialkit.trial import Setting, Trial
from trialkit.trial.rig_use import kilowatt_hours, litres
from trialkit.wording import spoken

if TYPE_CHECKING:
    import pandas as pd


_FIRST = ("treatment", "level", "kind")
_SETTINGS = (
    "on_s",
    "off_s",
    "start_below_rh",
    "stop_above_rh",
    "lux",
    "ppfd_umol_m2_s",
    "hours",
    "lamp",
    "value",
    "unit",
    "note",
)
_USE = ("cycles_per_day", "duty_pct", "water_l_day", "energy_kwh_day", "refill_hours", "basis")


@dataclass(frozen=True)
class Use:
    """What a mist setting uses in a day.

    Parameters
    ----------
    duty_pct : float or None
        Share of the time with mist on [%].
    cycles_per_day : float or None
    water_l_day : float or None
        Water [L/day].
    energy_kwh_day : float or None
        Fogger and fan [kWh/day].
    refill_hours : float or None
        Hours a full reservoir lasts.
    basis : str
        Where the numbers come from, in words.
    """

    duty_pct: float | None = None
    cycles_per_day: float | None = None
    water_l_day: float | None = None
    energy_kwh_day: float | None = None
    refill_hours: float | None = None
    basis: str = ""


def daily_use(trial: Trial, setting: Setting) -> Use:
    """Work out what a mist setting uses in a day with the trial's rig.

    A timed mist follows from the timer. A humidity band is estimated by the chamber's
    moisture balance, where the rig is known well enough; a log tells the truth later.
    """
    rig, say = trial.rig, spoken().text
    if setting.kind == "timed":
        duty = (setting.duty_pct or 0.0) / 100
        return _with_rig(rig, duty, setting.cycles_per_day, say("basis.timer"))
    if setting.kind == "band":
        from trialkit.chamber import room_from_rig, simulate

        try:
            found = simulate(room_from_rig(rig).room, setting).summary
        except TrialkitError:
            return Use(basis=say("basis.unknown"))
        return _with_rig(rig, found["duty_pct"] / 100, found["cycles_day"], say("basis.rig"))
    return Use()


def _with_rig(rig: Any, duty: float, cycles: float | None, basis: str) -> Use:
    water = None if rig.mist_l_h is None else litres(rig, 24 * duty)
    energy = None if rig.fogger_w is None else kilowatt_hours(rig, 24 * duty, 24.0)
    refill = 24 * rig.reservoir_l / water if rig.reservoir_l and water else None
    return Use(100 * duty, cycles, water, energy, refill, basis)


def timer_table(plan: Allocation) -> pd.DataFrame:
    """List what every treated unit is set to, one row per unit and treatment.

    Returns
    -------
    DataFrame
        Unit factors, `treatment, level, kind`, the settings given (`on_s, off_s` [s],
        `start_below_rh, stop_above_rh` [%], `lux`, `ppfd_umol_m2_s`, `hours`, …) and for
        mist `cycles_per_day, duty_pct, water_l_day, energy_kwh_day, refill_hours, basis`.
        Cells that do not apply are empty.
    """
    import pandas as pd

    trial = plan.trial
    rows = []
    for name, factor in trial.factors.items():
        use = {level: daily_use(trial, setting) for level, setting in factor.levels.items()}
        for unit in plan.assignment(name).to_dict("records"):
            setting = factor.levels[unit[name]]
            row: dict[str, Any] = {f: unit.get(f, "") for f in trial.structure.factors}
            row |= {"treatment": name, "level": unit[name], "kind": setting.kind}
            row |= {key: getattr(setting, key) for key in _SETTINGS}
            row |= {key: getattr(use[unit[name]], key) for key in _USE}
            rows.append(row)
    table = pd.DataFrame(rows, columns=[*trial.structure.factors, *_FIRST, *_SETTINGS, *_USE])
    used = [c for c in table.columns if c in _FIRST or table[c].map(_given).any()]
    return table[used].map(lambda v: round(v, 6) if isinstance(v, float) else v)


def _given(value: object) -> bool:
    return value is not None and value != "" and value == value
