"""From the `[rig]` of a trial file to a room: what is given, what is assumed and told."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

from trialkit import air
from trialkit.chamber.quantities import QUANTITIES, Quantity
from trialkit.chamber.room import ChamberError, Room, take
from trialkit.errors import Finding
from trialkit.wording import message


@dataclass(frozen=True)
class Assumed:
    """A room read from a rig, and what had to be assumed for it.

    Parameters
    ----------
    room : Room
    findings : tuple of Finding
        One per assumption, to be shown with any result.
    measured : frozenset of str
        Names of `[rig]` that were measured, not read off a label or guessed.
    missing : frozenset of str
        Names of `[rig]` that were not given and are assumed.
    """

    room: Room
    findings: tuple[Finding, ...]
    measured: frozenset[str] = frozenset()
    missing: frozenset[str] = frozenset()


def room_from_rig(rig: Any, **extra: Any) -> Assumed:
    """Make a room of the `[rig]` of a trial file (or of a dict with the same names).

    Parameters
    ----------
    rig : mapping or object
        With `chamber_m3`, `air_changes_h`, `mist_l_h`; every other name of `QUANTITIES` and of
        `Room` may stand there too; `altitude_m` gives the pressure; `measured` lists the names
        that were measured.
    **extra
        Further numbers of `Room`, which win over the rig's.

    Returns
    -------
    Assumed
        The room, with a finding for each number that was missing.

    Raises
    ------
    ChamberError
        If chamber volume, air changes or mist output is missing, or `measured` lists a name that
        is not given.

    Examples
    --------
    >>> rig = {"chamber_m3": 2.0, "air_changes_h": 4.0, "mist_l_h": 0.3}
    >>> [f.code for f in room_from_rig(rig).findings][:3]
    ['assumed_room_temp_c', 'assumed_room_rh_pct', 'assumed_evaporating_fraction']
    """
    given: dict[str, Any] = {}
    for theirs, ours in {
        **{field.name: field.name for field in fields(Room)},
        **{quantity.key: quantity.field for quantity in QUANTITIES},
    }.items():
        value = take(rig, theirs)
        if value is not None:
            given[ours] = value
    altitude = take(rig, "altitude_m")
    if altitude is not None and "pressure_kpa" not in given:
        given["pressure_kpa"] = air.pressure_at_altitude_kpa(float(altitude))
    given.update(extra)
    asked = [q.key for q in QUANTITIES if q.usual is None and given.get(q.field) is None]
    if asked:
        raise ChamberError(str(message("chamber.rig_lacks", keys=", ".join(asked))))
    measured = _measured(rig, given)
    findings, missing = [], set()
    for quantity in QUANTITIES:
        if quantity.usual is not None and given.get(quantity.field) is None:
            value, low, high = quantity.usual(given)
            given[quantity.field] = value
            if low == high:  # it follows from what is given
                continue
            missing.add(quantity.key)
            findings.append(_tell(quantity, value))
    return Assumed(Room(**given), tuple(findings), measured, frozenset(missing))


def _measured(rig: Any, given: Mapping[str, Any]) -> frozenset[str]:
    """Read which numbers were measured."""
    named = tuple(take(rig, "measured") or ())
    known = {quantity.key: quantity.field for quantity in QUANTITIES}
    wrong = [name for name in named if name not in known or given.get(known[name]) is None]
    if wrong:
        raise ChamberError(
            f"[rig] measured lists {', '.join(wrong)}, which [rig] does not give → list only "
            f"names that stand there, of: {', '.join(known)}"
        )
    return frozenset(named)


def amount(value: float, unit: str) -> Any:
    """Say a number with its unit."""
    if not unit:
        return message("chamber.bare_amount", value=value)
    return message("chamber.amount", value=value, unit=unit)


def _tell(quantity: Quantity, value: float) -> Finding:
    return Finding(
        f"assumed_{quantity.key}",
        "note",
        message(
            "chamber.assumed",
            key=quantity.key,
            what=message(f"chamber.quantity.{quantity.key}"),
            amount=amount(value, quantity.unit),
            why=message(f"chamber.why.{quantity.key}"),
        ),
        message("chamber.assumed_cure", key=quantity.key),
    )
