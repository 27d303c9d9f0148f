"""Settings that the room cannot hold, by the chamber model: they are left out before the draw."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from trialkit.arrays import Floats
from trialkit.chamber.forward import simulate
from trialkit.chamber.rig import room_from_rig
from trialkit.chamber.room import Band, ChamberError, read_setting
from trialkit.chamber.room_draws import draw_rooms
from trialkit.errors import Finding, PlanError
from trialkit.wording import finding, message

if TYPE_CHECKING:
    from collections.abc import Sequence

    from trialkit.chamber.room import Room
    from trialkit.trial import Factor, Trial

#: Rooms that this one could be, and the share of them in which a setting must hold.
ROOMS, LEAST = 60, 0.05
#: A band of its own counts as held this near [% humidity].
_NEAR = 1.0
_SAME = 1e-5  #: coded difference below which two settings are one: steps are rounded
_MIST = ("duty_pct", "start_below_rh")


@dataclass(frozen=True)
class Held:
    """What a room can hold of a trial's ranges. Made by `settings_held`.

    Parameters
    ----------
    left_out : dict
        Treatment → its levels that the room cannot hold, by rising value.
    findings : tuple of Finding
        What is left out, and what was not checked and why.
    """

    left_out: dict[str, list[str]]
    findings: tuple[Finding, ...] = ()

    def allowed(self, factors: Sequence[Factor], coded: Floats) -> NDArray[np.bool_]:
        """Say which coded settings, shape (n, settings), the room can hold."""
        may = np.ones(len(coded), dtype=bool)
        for i, factor in enumerate(factors):
            assert factor.tuned is not None
            for level in self.left_out.get(factor.name, []):
                out = float(factor.tuned.code(factor.number(level)))
                may &= np.abs(coded[:, i] - out) > _SAME
        return may


def settings_held(trial: Trial) -> Held:
    """Work out which settings of the mist the room can hold.

    Parameters
    ----------
    trial : Trial
        Its `[rig]` gives the room, and with `band_low_rh` and `band_high_rh` the humidity that
        timed mist is to hold.

    Returns
    -------
    Held

    Raises
    ------
    PlanError
        If the room can hold fewer than three settings of a range.

    Notes
    -----
    A setting is left out where its mean humidity, once settled, lies in the band in fewer than
    `LEAST` of the rooms that this one could be (`trialkit.chamber.room_draws`); a range of
    bands is held against the bands themselves. Today's setting is never left out. More mist is
    never drier, so settings are tried from both ends of the range until one holds.
    """
    left_out: dict[str, list[str]] = {}
    findings = []
    for factor in trial.tuned:
        if factor.tuned is None or factor.tuned.name not in _MIST:
            continue
        try:
            rooms, band = _rooms(trial), _band(trial, factor)
        except ChamberError as problem:
            reason = str(problem).partition(" → ")[0]
            findings.append(
                finding("settings_unchecked", "note", treatment=factor.name, reason=reason)
            )
            continue
        out = _not_held(factor, rooms, band)
        if not out:
            continue
        if len(factor.levels) - len(out) < 3:
            raise PlanError(
                f"{factor.name}: by the rig, the room can hold only "
                f"{len(factor.levels) - len(out)} settings of the range; choose another range, "
                "or correct [rig]"
            )
        left_out[factor.name] = out
        key = "own_band" if band is None else "band"
        words = {} if band is None else {"low": band[0], "high": band[1]}
        findings.append(
            finding(
                "settings_left_out",
                "caution",
                form=key,
                treatment=factor.name,
                levels=out,
                least=100 * LEAST,
                **words,
            )
        )
    return Held(left_out, tuple(findings))


def _rooms(trial: Trial) -> Sequence[Room]:
    return draw_rooms(room_from_rig(trial.rig), ROOMS, seed=1).rooms


def _band(trial: Trial, factor: Factor) -> tuple[float, float] | None:
    """Give the band that timed mist is to hold; None where the settings are bands themselves."""
    if factor.tuned is not None and factor.tuned.name == "start_below_rh":
        return None
    low, high = trial.rig.band_low_rh, trial.rig.band_high_rh
    if low is None or high is None:
        raise ChamberError(str(message("plan_words.no_band")))
    return float(low), float(high)


def _not_held(factor: Factor, rooms: Sequence[Room], band: tuple[float, float] | None) -> list[str]:
    """List the levels at both ends of the range that the room cannot hold."""
    names = sorted((n for n in factor.levels if n != factor.control), key=factor.number)
    out: list[str] = []
    for way in (names, names[::-1]):
        for name in way:
            if name in out or _share(factor.levels[name], rooms, band) >= LEAST:
                break
            out.append(name)
    return sorted(out, key=factor.number)


def _share(level: Any, rooms: Sequence[Room], band: tuple[float, float] | None) -> float:
    """Give the share of rooms in which a setting's mean humidity lies in the band."""
    setting = read_setting(level)
    if band is None:
        assert isinstance(setting, Band)
        band = (setting.start_below_rh - _NEAR, setting.stop_above_rh + _NEAR)
    means = np.array([min(simulate(room, setting).mean_rh_pct, 100.0) for room in rooms])
    return float(np.mean((means >= band[0]) & (means <= band[1])))
