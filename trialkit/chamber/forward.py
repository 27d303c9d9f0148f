"""Forward: what a mist setting does in a room, and what it costs to run."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import accumulate
from typing import Any

import numpy as np
import pandas as pd

from trialkit.arrays import Floats
from trialkit.chamber.constants import Constants, State
from trialkit.chamber.room import Band, ChamberError, Room, Timed, read_setting
from trialkit.chamber.schedule import Block, Run, run_setting
from trialkit.chamber.steady_cycle import judge, judge_room, settle, start_state, summarise
from trialkit.chamber.surroundings import with_surroundings
from trialkit.chamber.tracing import ROWS, sample_run
from trialkit.display import Shown, show_table
from trialkit.errors import Finding
from trialkit.short_repr import short_repr
from trialkit.wording import spoken

_SHOWN = (
    "setting",
    "mean_rh_pct",
    "low_rh_pct",
    "high_rh_pct",
    "mean_temp_c",
    "mean_vpd_kpa",
    "water_l_day",
    "energy_kwh_day",
    "refill_days",
    "hours_wet_day",
    "co2_ppm",
)


@dataclass(frozen=True)
class Balance:
    """The account of water over a run [g]; what comes in is what goes out and stays.

    Parameters
    ----------
    mist_g, air_in_g, crop_g : float
        In: from the fogger, with incoming air, from crop and blocks.
    air_out_g, fog_out_g, stored_g, settled_g : float
        Out with the air as vapour and as fog; more held in the air at the end than at the start;
        on surfaces or run off.
    """

    mist_g: float
    air_in_g: float
    crop_g: float
    air_out_g: float
    fog_out_g: float
    stored_g: float
    settled_g: float

    @property
    def gap_g(self) -> float:
        """What comes in minus what is accounted for [g]; zero but for rounding."""
        come = self.mist_g + self.air_in_g + self.crop_g
        return come - self.air_out_g - self.fog_out_g - self.stored_g - self.settled_g


@dataclass(frozen=True)
class Simulation:
    """What one setting does in one room.

    Parameters
    ----------
    room : Room
    setting : Timed or Band
    hours : float
        Length of the trace [h].
    step_s : float
        Step of the trace [s].
    start : State
        Air at the start.
    cycle : Block
        The cycle the room settles into.
    settled : bool
        Whether it settles within ten days.
    findings : tuple of Finding
    followed : Run or None
        The run that was followed to find the settled cycle, if it was found that way.
    """

    room: Room
    setting: Timed | Band
    hours: float
    step_s: float
    start: State
    cycle: Block
    settled: bool
    findings: tuple[Finding, ...] = ()
    followed: Run | None = None

    __repr__ = short_repr

    @cached_property
    def run(self) -> Run:
        """The course from the start, in pieces solved in closed form."""
        constants = Constants.of(self.room)
        return run_setting(
            constants, self.setting, start=self.start, at_most_s=self.hours * 3600 + 1
        )

    @cached_property
    def trace(self) -> pd.DataFrame:
        """The course of everything: one row per step.

        Columns: `time_s` [s], `vapour_g_m3`, `temp_c`, `sensor_rh_pct` (with the sensor's
        lag), `co2_ppm`, `surface_g` (water on surfaces), `fog_g_m3` (drops in the air),
        `mist_on` (0 or 1), `rh_pct`, `vpd_kpa`.
        """
        values = self.sample(columns=ROWS)
        count = len(values["rh_pct"])
        return pd.DataFrame({"time_s": self.step_s * np.arange(count), **values})

    def sample(
        self, *, step_s: float | None = None, columns: Sequence[str] = ("rh_pct",)
    ) -> dict[str, Floats]:
        """Give columns of the trace as arrays, at any step; fast for long runs.

        Parameters
        ----------
        step_s : float, optional
            Step [s]; that of the simulation by default.
        columns : sequence of str
            Columns of `trace`.

        Returns
        -------
        dict of array, shape (hours × 3600 / step + 1,)
        """
        step = self.step_s if step_s is None else step_s
        count = int(self.hours * 3600 / step + 1e-9) + 1
        rows = sample_run(self.run, step_s=step, count=count, names=columns)
        return dict(zip(columns, rows, strict=True))

    @cached_property
    def summary(self) -> dict[str, float]:
        """The settled state in numbers, keys as the columns of `table`."""
        return summarise(self.room, self.setting, self.cycle)

    @property
    def mean_rh_pct(self) -> float:
        """Mean humidity once settled [%]."""
        return self.summary["mean_rh_pct"]

    @property
    def low_rh_pct(self) -> float:
        """Lowest humidity of a settled cycle [%]."""
        return self.summary["low_rh_pct"]

    @property
    def high_rh_pct(self) -> float:
        """Highest humidity of a settled cycle [%]."""
        return self.summary["high_rh_pct"]

    @cached_property
    def balance(self) -> Balance:
        """The account of water over the hours simulated."""
        seconds = self.hours * 3600
        flows = self.run.until(seconds)
        first = self.run.blocks[0].pieces[0][0].start
        last = _state_at(self.run, seconds)
        return Balance(
            mist_g=flows.mist_g,
            air_in_g=flows.air_in_g,
            crop_g=flows.crop_g,
            air_out_g=flows.air_out_g,
            fog_out_g=flows.fog_out_g,
            stored_g=(last.c + last.f - first.c - first.f) * self.room.volume_m3,
            settled_g=flows.settled_g,
        )

    @property
    def table(self) -> pd.DataFrame:
        """One row: the settled state, water, energy, refill, CO2."""
        return pd.DataFrame([{"setting": self.setting.words, **self.summary}])

    def show(self) -> Shown:
        """Give the table formatted once for text and HTML."""
        say = spoken().text
        return show_table(
            self.table,
            heads={name: say(f"chamber.head.{name}") for name in _SHOWN},
            columns=_SHOWN,
            caption=say("chamber.simulation_caption"),
            notes=[str(finding) for finding in self.findings],
        )

    def __str__(self) -> str:
        return self.show().text()

    def _repr_html_(self) -> str:
        return self.show().html()


def simulate(
    room: Room,
    setting: Any,
    hours: float = 24.0,
    *,
    start_rh_pct: float | None = None,
    start_temp_c: float | None = None,
    step_s: float = 10.0,
) -> Simulation:
    """Follow a mist setting in a room: humidity, temperature, CO2, water and energy.

    Use it before a trial, to see whether a schedule holds the band. It takes the air as well
    mixed; real rooms have wetter and drier corners.

    Parameters
    ----------
    room : Room
        The chamber; see `room_from_rig`.
    setting : mapping or object
        `on_s` and `off_s` [s], or `start_below_rh` and `stop_above_rh` [%].
    hours : float
        Length of the trace [h].
    start_rh_pct, start_temp_c : float, optional
        Air at the start [%, °C]; the room's air by default, as after an open door.
    step_s : float
        Step of the trace [s]. It changes what is shown, not what is computed.

    Returns
    -------
    Simulation
        `.trace`, `.table`, `.mean_rh_pct`, `.low_rh_pct`, `.high_rh_pct`, `.balance`.

    Raises
    ------
    ChamberError
        If the setting, the hours or the start are impossible.

    Notes
    -----
    Closed-form solution of the balance in `trialkit.chamber.balance`; the mean and the range
    are those of the cycle that repeats.

    Examples
    --------
    >>> tent = Room(volume_m3=2.0, air_changes_h=4.0, mist_l_h=0.3, cooling=False)
    >>> result = simulate(tent, {"on_s": 60, "off_s": 540})
    >>> round(result.mean_rh_pct, 1), round(result.low_rh_pct, 1), round(result.high_rh_pct, 1)
    (71.7, 65.7, 78.7)
    """
    chosen = read_setting(setting)
    if not (0 < hours <= 24 * 366 and 0 < step_s <= 86400):
        raise ChamberError(f"hours = {hours:g}, step_s = {step_s:g}: need up to a year, step > 0")
    room = with_surroundings(room, chosen)
    start = start_state(room, start_rh_pct, start_temp_c)
    cycle, followed = settle(Constants.of(room), chosen, start)
    settled = followed is None or followed.settled
    numbers = summarise(room, chosen, cycle)
    findings = judge(chosen, cycle, settled) + judge_room(room, numbers)
    made = Simulation(room, chosen, hours, step_s, start, cycle, settled, findings, followed)
    vars(made)["summary"] = numbers  # worked out already
    return made


def _state_at(run: Run, seconds: float) -> State:
    """Give the state after seconds within a run (surface water not counted on)."""
    block = next(block for block in run.blocks if seconds < block.end_s)
    phase = seconds - block.start_s
    if block.repeats > 1:  # else a moment that rounds to the end would become the beginning
        phase = math.fmod(phase, block.length_s)
    begins = [0.0, *accumulate(length for _, length in block.pieces[:-1])]
    k = bisect_right(begins, phase) - 1
    return block.pieces[k][0].at(phase - begins[k])
