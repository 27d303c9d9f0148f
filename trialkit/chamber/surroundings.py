"""The room around the chambers: damp from what they let out, dry in a winter week."""

from __future__ import annotations

from trialkit import air
from trialkit.chamber.constants import Constants
from trialkit.chamber.room import Band, Room, Timed
from trialkit.chamber.schedule import Flows
from trialkit.chamber.steady_cycle import settle, start_state


def winter_rh_pct(
    room_temp_c: float, *, outdoor_temp_c: float = -5.0, outdoor_rh_pct: float = 80.0
) -> float:
    """Give the humidity of a heated room in a cold, dry week [%], nothing wet in it.

    Outdoor air keeps its vapour pressure as it is warmed.

    Parameters
    ----------
    room_temp_c : float
        Temperature of the room [°C].
    outdoor_temp_c, outdoor_rh_pct : float
        Air outside; −5 °C and 80 % is a cold week in the middle of Europe (judged).

    Examples
    --------
    >>> round(winter_rh_pct(18.0))
    16
    """
    outside = air.vapour_pressure_kpa(outdoor_temp_c, outdoor_rh_pct)
    return float(min(100.0, 100 * outside / air.saturation_pressure_kpa(room_temp_c)))


def with_surroundings(room: Room, setting: Timed | Band) -> Room:
    """Give the room with the air around it as its chambers keep it, mist and all.

    The room around is well mixed: vapour and fog that its chambers let out stand against what
    its own air change carries away. Without its size and air changes the room is as it was.

    Parameters
    ----------
    room : Room
        With `surroundings_m3`, `surroundings_air_changes_h`, `chambers_in_room`; its
        `room_rh_pct` is what the room would have without chambers.
    setting : Timed or Band
        What all the chambers are set to.

    Notes
    -----
    The temperature around is kept (a heated or cooled room). What runs off or wets the floor
    of the chambers is taken as drained.
    """
    if room.surroundings_m3 is None or room.surroundings_air_changes_h is None:
        return room
    from scipy.optimize import brentq

    carried = room.surroundings_m3 * room.surroundings_air_changes_h
    alone = room.outside_g_m3
    full = float(air.absolute_humidity_g_m3(room.room_temp_c, 100.0))
    bare = room.change(surroundings_m3=None)

    def at(vapour: float) -> Room:
        return bare.change(room_rh_pct=min(100.0, 100 * vapour / full))

    def surplus(vapour: float) -> float:
        let_out = room.chambers_in_room * _lets_out_g_h(at(vapour), setting)
        return let_out - carried * (vapour - alone)

    if carried == 0 or surplus(full) >= 0:
        return at(full)
    if surplus(alone) <= 0:
        return at(alone)
    return at(float(brentq(surplus, alone, full, xtol=1e-3)))


def _lets_out_g_h(room: Room, setting: Timed | Band) -> float:
    """Give the water that one chamber adds to the room around it [g/h]."""
    block, _ = settle(Constants.of(room), setting, start_state(room))
    flows = Flows()
    for piece, length in block.pieces:
        flows.add(piece, length)
    return (flows.air_out_g + flows.fog_out_g - flows.air_in_g) / flows.seconds * 3600
