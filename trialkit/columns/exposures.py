"""The register of exposures: everything that is counted of a chamber's air and mist.

An entry here is all that an exposure needs, apart from its words. From it follow its place in the
glossary, the keys of the trial file, the sums over a log (in memory, in files, on a cluster), the
columns of the aligned tables, whether it may act as a dose, and where it is shown. Its label and
meaning are in the catalogue of words, under ``glossary_label`` and ``glossary_meaning``.

A limit is either a number, which then belongs to the exposure and is best told by its name
(`rh_over_95_h`), or the name of a field of `ExposureLimits`, which can be set in the trial file.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any, Literal

from trialkit.columns.column import Column

Kind = Literal[
    "mean",
    "below",
    "above",
    "between",
    "deficit",
    "excess",
    "photons",
    "on",
    "duty",
    "pulses",
    "water",
    "energy",
]
Place = Literal["table", "report", "fidelity", "figure"]
#: A number, or a field of `ExposureLimits`; both ends of a range for ``"between"``.
LimitName = float | str | tuple[str, str] | None


@dataclass(frozen=True)
class Limit:
    """What is known of a limit that can be set.

    Parameters
    ----------
    name : str
        Key in the trial file and field of `ExposureLimits`.
    section : {"rig", "logs.environment"}
        Section of the trial file where it stands.
    least, most : float or None
        What it may be, both included.
    """

    name: str
    section: Literal["rig", "logs.environment"]
    least: float | None
    most: float | None


def _limit(
    default: float | None,
    *,
    least: float | None = None,
    most: float | None = None,
    section: Literal["rig", "logs.environment"] = "logs.environment",
) -> Any:
    """Declare a limit that can be set in the trial file."""
    return field(default=default, metadata={"least": least, "most": most, "section": section})


@dataclass(frozen=True, kw_only=True)
class ExposureLimits:
    """The limits that exposures are counted against and that can be set in the trial file.

    Parameters
    ----------
    band_low_rh, band_high_rh : float or None
        Humidity band [%].
    wet_rh : float
        Humidity from which surfaces count as wet [%]. Common practice, no source.
    base_temp_c : float
        Temperature from which degree-hours are counted [°C].
    co2_limit_ppm : float
        Carbon dioxide above this is counted [ppm]. Common practice for oyster mushrooms,
        no source.
    dark_below_lux, dark_below_ppfd : float
        Light at or under this is dark [lux, µmol m⁻² s⁻¹].
    """

    band_low_rh: float | None = _limit(None, least=0, most=100, section="rig")
    band_high_rh: float | None = _limit(None, least=0, most=100, section="rig")
    wet_rh: float = _limit(98.0, least=0, most=100)
    base_temp_c: float = _limit(0.0, least=-20, most=50)
    co2_limit_ppm: float = _limit(1000.0, least=0)
    dark_below_lux: float = _limit(5.0, least=0)
    dark_below_ppfd: float = _limit(0.1, least=0)

    def value(self, limit: float | str | None) -> float | None:
        """Give a limit of an exposure as a number; None where it is not set."""
        found = getattr(self, limit) if isinstance(limit, str) else limit
        return None if found is None else float(found)


#: Every limit that can be set, by its name.
LIMITS: dict[str, Limit] = {f.name: Limit(f.name, **f.metadata) for f in fields(ExposureLimits)}


@dataclass(frozen=True)
class Exposure:
    """One entry of the register.

    Parameters
    ----------
    column : str
        Column of the aligned tables.
    channel : str
        Channel of the climate log it is counted in; ``"mist"`` for the mist log.
    kind : str
        ``"mean"``; hours ``"below"``, ``"above"`` or ``"between"`` limits; ``"deficit"`` or
        ``"excess"``, the distance to the limit × hours; ``"photons"``, millionths of the sum
        over time. Of the mist: ``"on"`` (seconds), ``"duty"``, ``"pulses"``, ``"water"``,
        ``"energy"``.
    unit : str
        Unit as shown to people.
    limit : float, str, pair of str or None
        A number, or the field of `ExposureLimits` that holds it.
    otherwise : (channel, limit) or None
        Counted instead where the first channel has no records.
    shown : tuple of str
        ``"table"`` of the aligned data, ``"report"``, ``"fidelity"`` beside planned and
        delivered mist, ``"figure"`` of its own in the report.
    dose : bool
        Whether yield may follow it, or it may be confused with what yield follows.
    """

    column: str
    channel: str
    kind: Kind
    unit: str
    limit: LimitName = None
    otherwise: tuple[str, float | str] | None = None
    shown: tuple[Place, ...] = ()
    dose: bool = False

    @property
    def label(self) -> str:
        """Short label for heads and axes, in the language in use."""
        return Column(self.column, self.unit).label

    def counts(self, limits: ExposureLimits) -> list[tuple[str, float | None, float | None]]:
        """List what it is counted from, first choice first: channel, limit, upper limit.

        Examples
        --------
        >>> EXPOSURE["wet_hours"].counts(ExposureLimits(wet_rh=97))
        [('rh_pct', 97.0, None)]
        """
        low, high = self.limit if isinstance(self.limit, tuple) else (self.limit, None)
        out = [(self.channel, limits.value(low), limits.value(high))]
        if self.otherwise is not None:
            channel, limit = self.otherwise
            out.append((channel, limits.value(limit), None))
        return out


#: Of the climate log, in the order of the tables' columns.
CLIMATE: tuple[Exposure, ...] = (
    Exposure("temp_c", "temp_c", "mean", "°C", shown=("table", "report"), dose=True),
    Exposure("rh_pct", "rh_pct", "mean", "%", shown=("table", "report", "fidelity"), dose=True),
    Exposure("vpd_kpa", "vpd_kpa", "mean", "kPa", shown=("table", "report"), dose=True),
    Exposure("co2_ppm", "co2_ppm", "mean", "ppm", shown=("report",), dose=True),
    Exposure("light_lux", "light_lux", "mean", "lux"),
    Exposure("ppfd_umol_m2_s", "ppfd_umol_m2_s", "mean", "µmol m⁻² s⁻¹"),
    Exposure(
        "hours_below_band",
        "rh_pct",
        "below",
        "h",
        limit="band_low_rh",
        shown=("table", "report", "fidelity"),
        dose=True,
    ),
    Exposure(
        "hours_above_band",
        "rh_pct",
        "above",
        "h",
        limit="band_high_rh",
        shown=("table", "report", "fidelity"),
    ),
    Exposure("hours_in_band", "rh_pct", "between", "h", limit=("band_low_rh", "band_high_rh")),
    Exposure("point_hours_below_band", "rh_pct", "deficit", "% h", limit="band_low_rh"),
    Exposure("point_hours_above_band", "rh_pct", "excess", "% h", limit="band_high_rh"),
    Exposure("wet_hours", "rh_pct", "above", "h", limit="wet_rh"),
    Exposure("degree_hours", "temp_c", "excess", "°C h", limit="base_temp_c"),
    Exposure("co2_hours_over", "co2_ppm", "above", "h", limit="co2_limit_ppm"),
    Exposure(
        "light_hours",
        "light_lux",
        "above",
        "h",
        limit="dark_below_lux",
        otherwise=("ppfd_umol_m2_s", "dark_below_ppfd"),
        shown=("report",),
        dose=True,
    ),
    Exposure("photon_mol_m2", "ppfd_umol_m2_s", "photons", "mol m⁻²"),
)

#: Of the mist log, in the order of the tables' columns.
MIST: tuple[Exposure, ...] = (
    Exposure("mist_on_s", "mist", "on", "s"),
    Exposure("duty_pct", "mist", "duty", "%", shown=("table", "report"), dose=True),
    Exposure("cycles", "mist", "pulses", "count"),
    Exposure("water_l", "mist", "water", "L", shown=("table", "report"), dose=True),
    Exposure("energy_kwh", "mist", "energy", "kWh", shown=("table", "report")),
)

#: Every exposure, by its column.
EXPOSURE: dict[str, Exposure] = {entry.column: entry for entry in (*CLIMATE, *MIST)}

#: Exposures that may act as a dose or be confused with one; what the timers set comes first.
DOSES: tuple[str, ...] = tuple(entry.column for entry in (*MIST, *CLIMATE) if entry.dose)


def shown_in(place: Place) -> list[str]:
    """List the columns of the exposures that are shown in a place.

    Examples
    --------
    >>> shown_in("fidelity")
    ['rh_pct', 'hours_below_band', 'hours_above_band']
    """
    return [column for column, entry in EXPOSURE.items() if place in entry.shown]
