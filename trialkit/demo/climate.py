"""The invented cellar: a moisture balance per tent, stepped every 20 seconds.

Water held by the air of a tent [g/m³] gains from evaporating droplets and from the blocks,
and loses to the room by air change; what the air cannot hold condenses. It is kept
apart from the chamber model on purpose, so that the model is not checked against itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit import air
from trialkit.demo.truth import batch_span

if TYPE_CHECKING:
    from trialkit.trial import Trial
    from trialkit.trial.sections import Setting

STEP_S = 20
#: Time for a droplet to evaporate [s].
DROPLET_S = 25.0
#: Time for the logger's sensor to follow the air [s]; the band's own sensor is quicker.
SENSOR_S = 60.0
#: Water given off by the six blocks of a tent [g/h].
BLOCKS_G_H = 5.0


@dataclass(frozen=True)
class Climate:
    """What happened in one chamber run.

    Parameters
    ----------
    batch, chamber : str
    minutes : DatetimeIndex, shape (m,)
        Moments of the records, UTC, one a minute.
    temp_c, rh_pct, light_lux : ndarray, shape (m,)
        True air as the sensor shows it [°C, %, lux].
    switches : DataFrame
        `time` (UTC) and `state` (True for on) of the commanded mist.
    """

    batch: str
    chamber: str
    minutes: pd.DatetimeIndex
    temp_c: np.ndarray
    rh_pct: np.ndarray
    light_lux: np.ndarray
    switches: pd.DataFrame


def make_climate(
    trial: Trial,
    mist: dict[tuple[str, str], Setting],
    fan_off: dict[tuple[str, str], tuple[pd.Timestamp, pd.Timestamp]],
    rng: np.random.Generator,
) -> list[Climate]:
    """Simulate every chamber run of the trial.

    Parameters
    ----------
    trial : Trial
        Its rig gives mist output, volume, air changes and the room.
    mist : dict
        (batch, chamber) → setting of the mist.
    fan_off : dict
        (batch, chamber) → first and last moment (UTC) when the fan stood still: mist is
        commanded but does not reach the air.
    rng : Generator
        Source of chance.

    Returns
    -------
    list of Climate
    """
    runs = [(batch, tent) for batch in trial.levels["batch"] for tent in trial.levels["chamber"]]
    spans = [batch_span(trial, batch) for batch, _ in runs]
    starts = [start for start, _ in spans]
    lengths = [int((end - start).total_seconds() // 60) for start, end in spans]
    minutes = max(lengths)
    room_temp, room_rh = _room(trial, minutes, rng)
    tent_of = np.array([trial.levels["chamber"].index(tent) for _, tent in runs])
    batch_of = np.array([trial.levels["batch"].index(batch) for batch, _ in runs])
    warm = 0.25 * rng.standard_normal(len(trial.levels["chamber"]))
    lamps = np.stack([_lamps(trial, start, minutes) for start in starts], axis=1)
    temp = room_temp[:, batch_of] + warm[tent_of] + 0.3 * lamps
    settings = [mist[run] for run in runs]
    still = np.zeros((minutes, len(runs)), dtype=bool)
    for run, (first, last) in fan_off.items():
        j = runs.index(run)
        a = int((first - starts[j]).total_seconds() // 60)
        b = int((last - starts[j]).total_seconds() // 60)
        still[a:b, j] = True
    phase = rng.integers(0, 24, len(runs))
    seen, commanded = _balance(
        trial,
        temp,
        room=air.absolute_humidity_g_m3(room_temp, room_rh)[:, batch_of],
        settings=settings,
        still=still,
        phase=phase,
    )
    offset = np.round(0.6 * rng.standard_normal(len(trial.levels["chamber"])), 1)[tent_of]
    rh = 100 * seen / air.absolute_humidity_g_m3(temp, np.full_like(temp, 100.0)) + offset
    rh += 0.08 * rng.standard_normal(rh.shape)
    shown = temp + 0.02 * rng.standard_normal(temp.shape)
    lux = np.where(lamps, 320, 0)
    out = []
    for j, (batch, tent) in enumerate(runs):
        m = lengths[j]
        out.append(
            Climate(
                batch=batch,
                chamber=tent,
                minutes=pd.date_range(starts[j], periods=m, freq="min"),
                temp_c=np.round(shown[:m, j], 1),
                rh_pct=np.round(np.clip(rh[:m, j], 0, 100), 1),
                light_lux=lux[:m, j],
                switches=_switches(commanded[: m * 60 // STEP_S, j], starts[j]),
            )
        )
    return out


def _room(trial: Trial, minutes: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Room temperature [°C] and humidity [%] per minute and batch: a day's swing and a drift."""
    batches = len(trial.levels["batch"])
    day = np.sin(2 * np.pi * (np.arange(minutes) / 1440 - 0.2))[:, None]
    knots = minutes // 360 + 2
    drift = [
        np.stack(
            [
                np.interp(np.arange(minutes), np.arange(knots) * 360, _walk(knots, rng))
                for _ in range(batches)
            ],
            axis=1,
        )
        for _ in range(2)
    ]
    temp = float(trial.rig.room_temp_c or 15.0) + 0.5 * day + 0.5 * drift[0]
    rh = float(trial.rig.room_rh_pct or 66.0) - 1.5 * day + 2.5 * drift[1]
    return temp, rh


def _walk(knots: int, rng: np.random.Generator) -> np.ndarray:
    """Give a wandering series of unit spread, one value every six hours."""
    shocks = rng.standard_normal(knots)
    out = np.empty(knots)
    value = shocks[0]
    for i, shock in enumerate(shocks):
        value = 0.9 * value + 0.436 * shock
        out[i] = value
    return out


def _lamps(trial: Trial, start: pd.Timestamp, minutes: int) -> np.ndarray:
    """Tell for each minute whether the lamps are on: ten hours from 08:00 local time."""
    local = pd.date_range(start, periods=minutes, freq="min").tz_convert(trial.zone)
    return np.asarray((local.hour >= 8) & (local.hour < 18))


def _balance(
    trial: Trial,
    temp: np.ndarray,
    *,
    room: np.ndarray,
    settings: list,
    still: np.ndarray,
    phase: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Step the balance; give the water seen by the logger at each minute [g/m³] and the mist."""
    rig = trial.rig
    volume = float(rig.chamber_m3 or 1.8)
    per_step = float(rig.air_changes_h or 5.0) * STEP_S / 3600
    puff = (
        1000 * float(rig.mist_l_h or 0.4) * float(rig.evaporating_fraction or 0.8) * STEP_S / 3600
    ) / volume
    blocks = BLOCKS_G_H * STEP_S / 3600 / volume
    minutes, runs = temp.shape
    full = air.absolute_humidity_g_m3(temp, np.full_like(temp, 100.0))
    per_minute = 60 // STEP_S
    steps = minutes * per_minute
    timed = np.array([setting.kind == "timed" for setting in settings])
    plan = _timed(settings, phase, steps)
    low = np.array([setting.start_below_rh or 0.0 for setting in settings]) / 100
    high = np.array([setting.stop_above_rh or 0.0 for setting in settings]) / 100
    held = 0.9 * full[0]
    seen = held.copy()
    droplets = np.zeros(runs)
    on = np.zeros(runs, dtype=bool)
    out = np.empty((minutes, runs))
    commanded = np.empty((steps, runs), dtype=bool)
    share, follow = STEP_S / DROPLET_S, STEP_S / SENSOR_S
    for step in range(steps):
        minute = step // per_minute
        if step % per_minute == 0:
            out[minute] = seen
            ceiling, outside = full[minute], room[minute]
            starts_below, stops_above = low * ceiling, high * ceiling
            blowing = puff * ~still[minute]
        on = np.where(timed, plan[step], np.where(on, held <= stops_above, held < starts_below))
        commanded[step] = on
        droplets += blowing * on
        gain = share * droplets
        droplets -= gain
        held = np.minimum(held + gain + blocks - per_step * (held - outside), ceiling)
        seen += follow * (held - seen)
    return out, commanded


def _timed(settings: list, phase: np.ndarray, steps: int) -> np.ndarray:
    """Give the state of every timed mist at every step, each with its own phase."""
    plan = np.zeros((steps, len(settings)), dtype=bool)
    for j, setting in enumerate(settings):
        if setting.kind == "timed":
            within = STEP_S * (np.arange(steps) + phase[j]) % (setting.on_s + setting.off_s)
            plan[:, j] = within < setting.on_s
    return plan


def _switches(on: np.ndarray, start: pd.Timestamp) -> pd.DataFrame:
    """List the moments at which the mist was switched, off again at the end at the latest."""
    state = np.concatenate([[False], on, [False]])
    at = np.flatnonzero(state[1:] != state[:-1])
    return pd.DataFrame(
        {"time": start + pd.to_timedelta(at * STEP_S, unit="s"), "state": state[1:][at]}
    )
