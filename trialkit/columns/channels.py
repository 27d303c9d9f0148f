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
    label, meaning : str
        Words for that column.
    made : bool
        True where it is worked out from other channels, not read.
    held : bool
        True where it is switched rather than drifts: a record holds until the next one.
    """

    name: str
    coverage: str
    label: str
    meaning: str
    made: bool = False
    held: bool = False


CHANNELS: tuple[Channel, ...] = (
    Channel(
        "temp_c", "temp_coverage_pct", "temperature coverage", "coverage of the temperature alone"
    ),
    Channel("rh_pct", "rh_coverage_pct", "humidity coverage", "coverage of the humidity alone"),
    Channel(
        "vpd_kpa", "vpd_coverage_pct", "deficit coverage", "coverage of both together", made=True
    ),
    Channel("co2_ppm", "co2_coverage_pct", "CO2 coverage", "coverage of the CO2 alone"),
    Channel(
        "light_lux",
        "light_coverage_pct",
        "light coverage",
        "coverage of the light in lux alone",
        held=True,
    ),
    Channel(
        "ppfd_umol_m2_s",
        "ppfd_coverage_pct",
        "photon flux coverage",
        "coverage of the photon flux alone",
        held=True,
    ),
)

#: Channels read from a log.
READ: tuple[str, ...] = tuple(channel.name for channel in CHANNELS if not channel.made)
#: Channels of which a record holds until the next one.
HELD: tuple[str, ...] = tuple(channel.name for channel in CHANNELS if channel.held)
