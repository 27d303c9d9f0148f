"""What was done otherwise than planned, in words."""

from __future__ import annotations

import datetime as dt

from trialkit.trial.deviations import Deviation
from trialkit.wording import Message, message, place


def deviation_words(told: Deviation, zone: dt.tzinfo) -> Message:
    """Say what an entry of `[[happened]]` tells.

    Parameters
    ----------
    told : Deviation
    zone : tzinfo
        The trial's time zone.

    Examples
    --------
    >>> on = dt.datetime(2031, 3, 3, tzinfo=dt.UTC)
    >>> given = Deviation("got", on, "a slip", units=({"chamber": "T4"},), level="sparse")
    >>> str(deviation_words(given, dt.UTC))
    'chamber T4 got sparse'
    """
    units = [place(unit) for unit in told.units]
    if told.kind == "swapped":
        said = message("told.swapped", first=units[0], second=units[1])
    elif told.kind == "got":
        said = message("told.got", unit=units[0], level=told.level)
    elif told.kind == "setting" and told.setting is not None:
        said = message("told.setting", unit=units[0], setting=told.setting.words)
    elif told.kind == "moved":
        said = message("told.moved", unit=units[0], to=place(dict(told.to)))
    elif told.kind == "renamed":
        said = message("told.renamed", unit=units[0], name=told.names[1])
    else:
        said = message(f"told.{told.kind}", unit=units[0])
    if told.until is None:
        return said
    return message("told.until", what=said, day=told.until.astimezone(zone).date())
