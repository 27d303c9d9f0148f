"""The shape of the trial file: what may stand in it, and where each thing stands.

`trial.toml` is checked section by section, so that one mistake does not hide the others.
Unknown keys are refused with the nearest right one.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    create_model,
    field_validator,
    model_validator,
)
from pydantic_core import PydanticCustomError

from trialkit.columns.exposures import LIMITS
from trialkit.visible_text import is_plain, quote, visible
from trialkit.wording import spoken

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Percent = Annotated[float, Field(ge=0, le=100)]
Names = int | list[str]
#: How treatments are spread over starts that follow one another (`trialkit.trial.over_time`).
OverTime = Literal["random", "trend", "time blocks", "split deliveries"]
Quantity = Literal["rh_pct", "temp_c", "co2_ppm", "light_lux", "ppfd_umol_m2_s"]
SensorFlag = Literal[
    "stuck",
    "saturated",
    "out of range",
    "spike",
    "step",
    "dew point jump",
    "drift",
    "disagreement",
]


#: Longest name of a unit or a level, and longest title [letters].
LONGEST_NAME, LONGEST_TITLE = 60, 200
#: Years that a date of a trial may have.
FIRST_YEAR, LAST_YEAR = 1900, 2199
_LONGEST_TEXT = 1000


def _parts_of(value: object) -> Iterator[object]:
    """List a value and, for a list or a table, what it holds."""
    yield value
    if isinstance(value, dict):
        for key, inner in value.items():
            yield key
            yield from _parts_of(inner)
    elif isinstance(value, list | tuple):
        for inner in value:
            yield from _parts_of(inner)


class Section(BaseModel):
    """A section of the trial file; unknown keys are refused."""

    model_config = ConfigDict(extra="forbid", strict=False, frozen=True, allow_inf_nan=False)

    @field_validator("*", mode="after")
    @classmethod
    def _within_reason(cls, value: object) -> object:
        """Refuse dates that no trial has, and texts that no grower writes."""
        for part in _parts_of(value):
            if isinstance(part, dt.date) and not FIRST_YEAR <= part.year <= LAST_YEAR:
                raise ValueError(f"should be a date from {FIRST_YEAR} to {LAST_YEAR}")
            if isinstance(part, str) and len(part) > _LONGEST_TEXT:
                raise ValueError(f"has {len(part)} letters; {_LONGEST_TEXT} is the most")
        return value


def _one_line(text: str) -> str:
    return visible(text.replace("\n", " ")).strip()


#: Words that are shown as they are: hidden marks in them become visible.
Line = Annotated[str, Field(max_length=LONGEST_TITLE), AfterValidator(_one_line)]


class TrialSection(Section):
    """`[trial]`: what the trial is called and how it is seeded."""

    title: Line = "Untitled trial"
    species: Line = ""
    time_zone: str = "UTC"
    seed: Annotated[int, Field(ge=0, lt=2**63)] = 1
    note: str = ""
    invented: bool = False


class Setting(Section):
    """One level of a treatment factor: what a chamber or shelf is set to.

    Timed mist has `on_s` and `off_s`; a humidity band has `start_below_rh` and
    `stop_above_rh`; light has `lux` (or `ppfd_umol_m2_s`) and `hours`. Anything else can be
    given as `value` with a `unit`. All may be left out where a level is only a name.
    """

    on_s: NotNegative | None = None
    off_s: NotNegative | None = None
    start_below_rh: Percent | None = None
    stop_above_rh: Percent | None = None
    lux: NotNegative | None = None
    ppfd_umol_m2_s: NotNegative | None = None
    hours: Annotated[float, Field(ge=0, le=24)] | None = None
    lamp: Line | None = None
    value: float | None = None
    unit: Line | None = None
    note: Line | None = None

    @property
    def kind(self) -> Literal["timed", "band", "light", "other"]:
        """What sort of setting this is."""
        if self.on_s is not None:
            return "timed"
        if self.start_below_rh is not None:
            return "band"
        if self.lux is not None or self.ppfd_umol_m2_s is not None:
            return "light"
        return "other"

    @property
    def words(self) -> str:
        """The setting in words of the language in use; empty where it is only a name.

        Examples
        --------
        >>> Setting(on_s=20, off_s=220).words
        '20 s on, 220 s off'
        >>> Setting(lux=150, hours=10).words
        '150 lux, 10 h a day'
        """
        say = spoken().text
        if self.kind == "timed":
            return say("setting.timed", on_s=self.on_s, off_s=self.off_s)
        if self.kind == "band":
            return say("setting.band", start=self.start_below_rh, stop=self.stop_above_rh)
        if self.kind == "light":
            if self.lux is not None:
                light = say("setting.lux", lux=self.lux)
            else:
                light = say("setting.ppfd", ppfd=self.ppfd_umol_m2_s)
            return (
                light if self.hours is None else say("setting.hours", light=light, hours=self.hours)
            )
        if self.value is not None:
            return f"{self.value:g} {self.unit or ''}".strip()
        return self.note or ""

    @property
    def duty_pct(self) -> float | None:
        """Share of the time a timed mist is on [%]; None for other kinds."""
        if self.on_s is None or self.off_s is None or self.on_s + self.off_s == 0:
            return None
        return 100 * self.on_s / (self.on_s + self.off_s)

    @property
    def cycles_per_day(self) -> float | None:
        """Cycles a day of a timed mist; None for other kinds."""
        if self.on_s is None or self.off_s is None or self.on_s + self.off_s == 0:
            return None
        return 86400 / (self.on_s + self.off_s)


class Forbidden(Section):
    """A unit that cannot hold a level, such as a tent without a lamp."""

    unit: str
    level: str


def _check_range(value: object) -> object:
    listed = value if isinstance(value, list) else []
    numbers = [v for v in listed if isinstance(v, (int, float)) and not isinstance(v, bool)]
    if len(listed) != 2 or len(numbers) != 2:
        raise PydanticCustomError(
            "range", "should be the lowest and the highest possible value, such as [5, 250]"
        )
    return value


def _check_ends(value: object) -> object:
    return None if value is None else _check_range(value)


#: The lowest and the highest value of a range.
Ends = Annotated[list[float] | None, BeforeValidator(_check_ends)]


class RangeSection(Section):
    """`range` of a treatment: a setting that is tuned as a number, from a value to another.

    One of `duty_pct`, `start_below_rh`, `lux`, `ppfd_umol_m2_s`, `hours` and `value` has a
    lowest and a highest value; `step` or `values` say what the timer, sensor or lamp can be set to.
    """

    duty_pct: Ends = None
    start_below_rh: Ends = None
    lux: Ends = None
    ppfd_umol_m2_s: Ends = None
    hours: Ends = None
    value: Ends = None
    step: Positive | None = None
    values: list[float] = []
    on_s: Positive | None = None
    width: Positive | None = None
    unit: str = ""

    @model_validator(mode="after")
    def _one_of_them(self) -> RangeSection:
        given = [name for name in _TUNABLE if getattr(self, name) is not None]
        if len(given) != 1:
            raise PydanticCustomError(
                "one_range", "should have one setting with its lowest and highest value"
            )
        low, high = getattr(self, given[0])
        if not low < high:
            raise PydanticCustomError("one_range", "should go from a smaller to a larger number")
        outside = [f"{v:g}" for v in self.values if not low - 1e-9 <= v <= high + 1e-9]
        if outside:
            what = "should have values within the range, but these are outside: {outside}"
            raise PydanticCustomError("one_range", what, {"outside": ", ".join(outside)})
        return self

    @property
    def tuned(self) -> tuple[str, list[float]]:
        """Name the setting that is tuned, with the ends of its range."""
        name = next(name for name in _TUNABLE if getattr(self, name) is not None)
        return name, getattr(self, name)

    @property
    def stepped(self) -> bool:
        """Whether it says which values can be set."""
        return self.step is not None or bool(self.values)


_TUNABLE = ("duty_pct", "start_below_rh", "lux", "ppfd_umol_m2_s", "hours", "value")


class FactorSection(Section):
    """`[factors.NAME]`: a treatment, its levels and the units that receive it."""

    applied_to: str
    control: str | None = None
    levels: Annotated[dict[str, Setting], Field(min_length=1)]
    replication: dict[str, Annotated[int, Field(gt=0, le=1000)]] | None = None
    forbidden: list[Forbidden] = []
    apart: list[list[str]] = []
    range: RangeSection | None = None
    method: Literal["auto", "randomised", "latin square", "carry-over balanced"] = "auto"

    @field_validator("levels", mode="after")
    @classmethod
    def _can_be_shown(cls, levels: dict[str, Setting]) -> dict[str, Setting]:
        for name in levels:
            odd = not name.strip() or not is_plain(name) or name[0] == "'"
            if odd or len(name) > LONGEST_NAME:
                what = f"should have names of 1 to {LONGEST_NAME} letters that can be printed"
                raise ValueError(f"{what}, not {quote(name)}")
        return levels


class ColumnSection(Section):
    """`[columns.NAME]`: a further quantity that is measured at harvest."""

    model_config = ConfigDict(allow_inf_nan=True)  # the highest possible value may be inf

    label: Line = ""
    unit: Line = ""
    meaning: Line = ""
    range: Annotated[list[float], BeforeValidator(_check_range)]
    pools: Literal["sum", "mean", "last"]
    whole: bool = False
    better: Literal["more", "less"] | None = None
    heads: list[str] = []


class CovariateSection(Section):
    """`[covariates.NAME]`: what differs between units besides the treatments.

    A number (weight at the start) or, with `use = "block"`, a name (spawn lot). Values stand in
    a column of the harvest sheet of that name, or under `values`, by unit.
    """

    label: str = ""
    unit: str = ""
    by: str = ""
    use: Literal["covariate", "block"] = "covariate"
    measured: Literal["before", "after"] = "before"
    values: dict[str, float | str] = {}
    explains_pct: Annotated[float, Field(ge=0, lt=100)] | None = None


class QuestionSection(Section):
    """`[question]`: what is asked, before any data are seen.

    `looks` names the batches after which an answer is looked for; the end is always a look.
    `spend_error` says how the chance of a false answer is shared out among the looks.
    """

    response: str = "fresh_g"
    scale: Literal["plain", "logarithm"] = "plain"
    primary: str
    margin_pct: Annotated[float, Field(gt=0, lt=100)] = 10.0
    difference_pct: Positive = 15.0
    level: Annotated[float, Field(gt=0.5, lt=1)] = 0.95
    looks: list[Annotated[int, Field(ge=1)]] = []
    spend_error: Literal["late", "even", "steady"] = "late"


class RigSection(Section):
    """`[rig]`: what the mist rig and the room are like; all may be left out.

    What each number is and how far it may be off: `trialkit.chamber.quantities`.
    """

    measured: list[str] = []
    mist_air_changes_h: NotNegative | None = None
    surface_m2: NotNegative | None = None
    surface_holds_g_m2: NotNegative | None = None
    surface_heat_w_m2_k: Positive | None = None
    crop_m2: NotNegative | None = None
    crop_co2_g_h: NotNegative | None = None
    outside_co2_ppm: NotNegative | None = None
    transfer_m_h: NotNegative | None = None
    heat_w: float | None = None
    fogger_heat_w: NotNegative | None = None
    lamp_w: NotNegative | None = None
    lamp_hours: Annotated[float, Field(ge=0, le=24)] | None = None
    fogger_inside: bool | None = None
    fan_inside: bool | None = None
    drop_um: Positive | None = None
    height_m: Positive | None = None
    wall_w_k: NotNegative | None = None
    heat_kj_k: NotNegative | None = None
    sensor_lag_s: NotNegative | None = None
    altitude_m: Annotated[float, Field(ge=-430, le=5500)] | None = None
    pressure_kpa: Annotated[float, Field(ge=50, le=110)] | None = None
    chambers_in_room: Positive | None = None
    surroundings_m3: Positive | None = None
    surroundings_air_changes_h: Positive | None = None
    duct_m: NotNegative | None = None
    duct_mm: Positive | None = None
    duct_bends: Annotated[int, Field(ge=0)] | None = None
    fan_m3_h: Positive | None = None
    fan_pa: Positive | None = None
    water_solids_mg_l: NotNegative | None = None
    mist_bar: NotNegative | None = None
    uv_lamps: bool | None = None
    mist_l_h: Positive | None = None
    fogger_w: NotNegative | None = None
    fan_w: NotNegative | None = None
    fan: Literal["with mist", "always"] = "with mist"
    reservoir_l: Positive | None = None
    chamber_m3: Positive | None = None
    air_changes_h: Positive | None = None
    evaporating_fraction: Annotated[float, Field(gt=0, le=1)] | None = None
    room_temp_c: Annotated[float, Field(ge=-20, le=50)] | None = None
    room_rh_pct: Percent | None = None
    band_low_rh: Percent | None = None
    band_high_rh: Percent | None = None
    sensor_rh_error: NotNegative | None = None
    sensor_temp_error: NotNegative | None = None


class PricesSection(Section):
    """`[prices]`: optional; without it only physical units are shown.

    `equipment` is what is bought once for a chamber of a level (a second fogger, a sensor), and
    `labour_h` the hours of work of one of its runs, picking apart: ``{ banded = 180 }``.
    `runs_paid` says over how many runs a chamber and its equipment are paid.
    """

    currency: Line = "EUR"
    mushrooms_per_kg: NotNegative | None = None
    water_per_m3: NotNegative | None = None
    energy_per_kwh: NotNegative | None = None
    block_each: NotNegative | None = None
    chamber_each: NotNegative | None = None
    batch_each: NotNegative | None = None
    batches_per_year: Positive | None = None
    labour_per_h: NotNegative | None = None
    picking_kg_per_h: Positive | None = None
    labour_h: dict[str, NotNegative] = {}
    equipment: dict[str, NotNegative] = {}
    runs_paid: Positive | None = None


class BlocksSection(Section):
    """`[blocks]`: what one growing block is like."""

    dry_substrate_g: Positive | None = None
    wet_g: Positive | None = None
    max_flush_g: Positive | None = None


def _check_date(value: object) -> object:
    """Refuse a bare number, which would be taken as seconds since 1970."""
    if isinstance(value, (int, float)):
        raise PydanticCustomError("date_type", "should be a date")
    return value


Moment = Annotated[dt.datetime | dt.date, BeforeValidator(_check_date)]


class BatchSection(Section):
    """One batch under `[batches]`: when fruiting started and ended, local time."""

    start: Moment | None = None
    end: Moment | None = None


class Clock(Section):
    """A logger's clock that was wrong: what it showed at known moments."""

    file: str = "*"
    shows: dt.datetime | None = None
    truth: dt.datetime | None = None
    add_s: float | None = None
    since: dt.datetime | None = None
    until: dt.datetime | None = None


class Keep(Section):
    """A rule that does not hold for named rows, and why."""

    file: str
    rows: list[int]
    rule: str
    because: str


def _check_heads(value: object) -> object:
    listed = [value] if isinstance(value, str) else value
    if not isinstance(listed, list) or not listed or not all(isinstance(h, str) for h in listed):
        raise PydanticCustomError("heads", "should be a head in quotes, or a list of such heads")
    return value


#: The head of a column in a file, or all that it may have.
Heads = Annotated[str | list[str], BeforeValidator(_check_heads)]


class Calibration(Section):
    """Readings of a sensor against known humidities (saturated salts) or temperature."""

    sensor: str
    since: dt.datetime | dt.date | None = None
    salt: dict[str, float] | None = None
    temp_c: float | None = None
    add_temp_c: float | None = None


class _Readings(Section):
    """Readings of a chamber's sensors from a moment to another, both included; local times."""

    chamber: str
    sensor: str | None = None
    quantity: Quantity | None = None
    since: dt.datetime
    until: dt.datetime
    because: Annotated[str, Field(min_length=1)]

    @field_validator("since", "until", mode="before")
    @classmethod
    def _to_the_minute(cls, value: object) -> object:
        if isinstance(value, dt.date) and not isinstance(value, dt.datetime):
            raise ValueError(f"should have a time of day, such as {value}T09:00:00")
        return value


class Trust(_Readings):
    """A flag that does not hold for the readings of an interval, and why."""

    flag: SensorFlag


class LeaveOut(_Readings):
    """Readings that are not to be used although no flag doubts them, and why."""


class Window(Section):
    """A named stretch of time counted back from the first harvest."""

    name: str
    days_before_first_harvest: Positive


class LogSection(Section):
    """`[logs.KIND]`: files, column names, units and clock of one kind of log."""

    files: Annotated[list[str], Field(min_length=1)]
    #: Column → its head; or, where files of several makes differ, all the heads it may have.
    columns: dict[str, Heads] = {}
    units: dict[str, str] = {}
    layout: Literal["long", "wide"] | None = None
    time_format: str | None = None
    #: Zone of times without an offset; of all files, or file → zone.
    time_zone: str | dict[str, str] | None = None
    day_first: bool | None = None
    decimal: Literal[".", ","] | None = None
    delimiter: str | None = None
    #: Encoding of text files that do not state it, such as ``"cp1251"``.
    encoding: str | None = None
    #: Widths of the columns of a text whose columns touch.
    widths: list[Annotated[int, Field(ge=1, le=10_000)]] = []
    #: Language of the names of months, where a name means several.
    month_language: str | None = None
    #: Table of a database, or sheet of a workbook; or a question to the database, in SQL.
    table: str | None = None
    query: str | None = None
    chamber: dict[str, str] = {}
    sensor: dict[str, str] = {}
    clock: list[Clock] = []
    keep: list[Keep] = []
    calibration: list[Calibration] = []
    trust: list[Trust] = []
    leave_out: list[LeaveOut] = []
    max_gap_min: Positive | None = None
    min_coverage_pct: Percent | None = None
    power_on_w: Positive | None = None
    current_on_a: Positive | None = None
    windows: list[Window] = []

    def heads(self, column: str) -> tuple[str, ...]:
        """Heads that the trial file names for a column, in its order; empty where none."""
        given = self.columns.get(column, ())
        return (given,) if isinstance(given, str) else tuple(given)

    @property
    def limits(self) -> dict[str, float]:
        """Limits of exposures that the trial file states, by their names in the register."""
        stated = {name: getattr(self, name, None) for name in LIMITS}
        return {name: float(value) for name, value in stated.items() if value is not None}

    @property
    def asked(self) -> tuple[Trust | LeaveOut, ...]:
        """What is asked of the readings of sensors: those to trust, then those to leave out."""
        return (*self.trust, *self.leave_out)


def _with_limits() -> type[LogSection]:
    """Make the section of the climate log: it may also set the limits of the register."""
    keys: dict[str, Any] = {
        name: (Annotated[float, Field(ge=limit.least, le=limit.most)] | None, None)
        for name, limit in LIMITS.items()
        if limit.section == "logs.environment"
    }
    return create_model("EnvironmentLogSection", __base__=LogSection, __module__=__name__, **keys)


#: Under its own name, so that what holds one can be pickled.
EnvironmentLogSection = _with_limits()

#: Kind of log → the shape of its section.
LOG_SECTIONS: dict[str, type[LogSection]] = {
    "harvest": LogSection,
    "environment": EnvironmentLogSection,
    "mist": LogSection,
}
LOG_KINDS = tuple(LOG_SECTIONS)
SECTIONS: dict[str, type[Section]] = {
    "trial": TrialSection,
    "question": QuestionSection,
    "rig": RigSection,
    "prices": PricesSection,
    "blocks": BlocksSection,
}
TOP = (
    "trial",
    "units",
    "factors",
    "question",
    "rig",
    "prices",
    "blocks",
    "batches",
    "happened",
    "columns",
    "covariates",
    "logs",
)
