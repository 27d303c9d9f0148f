"""The channels of a climate log that exposures are counted in."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Channel:
    """A quantity that a climate log holds, or that follows from it record by record.

    Parameters
    ----------
    name : str
        Column of the log.
    coverage : str
        Column for the share of a window that its records cover.
    made : bool
        True where it is worked out from other channels, not read.
    held : bool
        True where it is switched rather than drifts: a record holds until the next one.
    """

    name: str
    coverage: str
    made: bool = False
    held: bool = False


CHANNELS: tuple[Channel, ...] = (
    Channel("temp_c", "temp_coverage_pct"),
    Channel("rh_pct", "rh_coverage_pct"),
    Channel("vpd_kpa", "vpd_coverage_pct", made=True),
    Channel("co2_ppm", "co2_coverage_pct"),
    Channel("light_lux", "light_coverage_pct", held=True),
    Channel("ppfd_umol_m2_s", "ppfd_coverage_pct", held=True),
)

#: Channels read from a log.
READ: tuple[str, ...] = tuple(channel.name for channel in CHANNELS if not channel.made)
#: Channels of which a record holds until the next one.
HELD: tuple[str, ...] = tuple(channel.name for channel in CHANNELS if channel.held)
