"""A trial as its file tells it: units, treatments, question, rig, prices, dates and logs."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from trialkit.columns import HARVEST_COLUMNS, HarvestColumn
from trialkit.settings.setting_range import SettingRange
from trialkit.short_repr import short_repr
from trialkit.structure import Structure, Term
from trialkit.trial.covariates import Covariate
from trialkit.trial.deviations import Deviation
from trialkit.trial.ranges import number_of
from trialkit.trial.sections import (
    BlocksSection,
    LogSection,
    OverTime,
    PricesSection,
    QuestionSection,
    RigSection,
    Setting,
)
from trialkit.wording import Units, spoken, units_in_words

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["BatchDates", "Factor", "LogSpec", "Setting", "Trial"]

LogSpec = LogSection


@dataclass(frozen=True)
class Factor:
    """A treatment: its levels and the kind of unit that receives one.

    Parameters
    ----------
    name : str
    applied_to : tuple of str
        Unit factors of the stratum whose units receive a level.
    control : str or None
        The level others are compared with.
    levels : dict
        Level name → `Setting`, in file order.
    replication : dict or None
        Relative number of units per level; equal if None.
    forbidden : tuple of (unit, level)
        Units that cannot hold a level. A unit is named by its levels joined by ``":"``,
        or by one unit factor's level alone (``"T3"``: that chamber in every batch).
    apart : tuple of tuple of str
        Levels that must not stand in neighbouring units.
    method : str
        How it is randomised; ``"auto"`` chooses by the structure.
    tuned : SettingRange or None
        The range, where the treatment is a setting tuned as a number; then `levels` are all
        values that can be set.
    stepped : bool
        Whether the trial file states these values, so that no others can be set.
    """

    name: str
    applied_to: Term
    control: str | None
    levels: dict[str, Setting]
    replication: dict[str, int] | None = None
    forbidden: tuple[tuple[str, str], ...] = ()
    apart: tuple[tuple[str, ...], ...] = ()
    method: str = "auto"
    tuned: SettingRange | None = None
    stepped: bool = False

    __repr__ = short_repr

    @property
    def stratum(self) -> str:
        """Name of the stratum, such as ``"batch:chamber"``."""
        return ":".join(self.applied_to)

    @property
    def reference(self) -> str:
        """The control, or the first level where none is named."""
        return self.control or next(iter(self.levels))

    def number(self, level: str) -> float:
        """Give the number of a level of a setting that is tuned."""
        assert self.tuned is not None, self.name
        found = number_of(self.levels[level], self.tuned.name)
        assert found is not None, level
        return found


@dataclass(frozen=True)
class BatchDates:
    """Start of fruiting and end of a batch, as moments in UTC; None while unknown."""

    start: dt.datetime | None = None
    end: dt.datetime | None = None


@dataclass(frozen=True)
class Trial:
    """A whole trial as written in its file. Make it with `trialkit.read_trial`.

    Parameters
    ----------
    folder : Path
        The trial's folder; log files are found relative to it.
    source : Path
        The trial file.
    sha256 : str
        Hash of the trial file's bytes.
    title, species, time_zone, seed, invented
        As in `[trial]`.
    structure : Structure
        Parsed unit structure.
    levels : dict
        Unit factor → names of its levels (within its parent where nested).
    flushes : int
        Harvest waves recorded per smallest unit.
    factors : dict
        Treatment name → `Factor`.
    question, rig, prices, blocks
        As in the file; `prices` is None where not given.
    batches : dict
        Batch name → `BatchDates`.
    logs : dict
        ``"harvest"``, ``"environment"``, ``"mist"`` → `LogSpec`, where given.
    columns : dict
        Harvest columns that the trial file adds: name → `HarvestColumn`.
    over_time : {"random", "trend", "time blocks", "split deliveries"}
        How treatments are spread over starts that follow one another.
    happened : tuple of Deviation
        What was done otherwise than planned, in the order of the file.
    covariates : dict
        What differs between units besides the treatments: name → `Covariate`.

    Examples
    --------
    >>> import trialkit as tk
    >>> trial = tk.read_trial(tk.demo_folder())
    >>> trial.title, list(trial.factors), trial.flushes
    ('Can we mist less and lose nothing?', ['schedule', 'light'], 3)
    >>> trial.question.margin_pct
    10.0
    """

    folder: Path
    source: Path
    sha256: str
    title: str
    species: str
    time_zone: str
    seed: int
    invented: bool
    structure: Structure
    levels: dict[str, tuple[str, ...]]
    flushes: int
    factors: dict[str, Factor]
    question: QuestionSection
    rig: RigSection
    prices: PricesSection | None
    blocks: BlocksSection
    batches: dict[str, BatchDates]
    logs: dict[str, LogSpec] = field(default_factory=dict)
    columns: dict[str, HarvestColumn] = field(default_factory=dict)
    over_time: OverTime = "random"
    happened: tuple[Deviation, ...] = ()
    covariates: dict[str, Covariate] = field(default_factory=dict)

    __repr__ = short_repr

    @cached_property
    def harvest_columns(self) -> dict[str, HarvestColumn]:
        """Columns measured at harvest, in the order of sheets: known ones, then its own."""
        return {**HARVEST_COLUMNS, **self.columns}

    @cached_property
    def zone(self) -> ZoneInfo:
        """The trial's time zone."""
        return ZoneInfo(self.time_zone)

    @property
    def counts(self) -> dict[str, int]:
        """Unit factor → number of levels (within its parent where nested)."""
        return {name: len(names) for name, names in self.levels.items()}

    @property
    def tuned(self) -> tuple[Factor, ...]:
        """Treatments that are settings tuned as numbers."""
        return tuple(f for f in self.factors.values() if f.tuned is not None)

    def with_levels(self, table: pd.DataFrame) -> Trial:
        """Give the trial with only those levels of tuned settings that stand in a table."""
        factors = {
            name: f
            if f.tuned is None
            else replace(
                f,
                levels={
                    level: setting
                    for level, setting in f.levels.items()
                    if level == f.control or (table[name] == level).any()
                },
            )
            for name, f in self.factors.items()
        }
        return replace(self, factors=factors)

    @property
    def primary(self) -> Factor:
        """The treatment the question is about."""
        return self.factors[self.question.primary]

    def unit_table(self) -> pd.DataFrame:
        """List all smallest units: one column per unit factor and `unit`, the code."""
        table = self.strata_units(":".join(self.structure.factors))
        table["unit"] = table[list(self.structure.factors)].agg("-".join, axis=1)
        return table

    def strata_units(self, stratum: str) -> pd.DataFrame:
        """List the units of a stratum, one column per unit factor, in plan order."""
        import pandas as pd

        term = self.structure.term(stratum)
        rows = product(*(self.levels[name] for name in term))
        return pd.DataFrame(list(rows), columns=list(term), dtype=object)

    @cached_property
    def aliases(self) -> dict[str, dict[str, str]]:
        """Unit factor → {another name of a level: its name here}, of those that were renamed."""
        out: dict[str, dict[str, str]] = {}
        for told in self.happened:
            if told.kind == "renamed":
                ((name, level),) = told.units[0].items()
                out.setdefault(name, {})[told.names[1]] = level
        return out

    @cached_property
    def never_grown(self) -> frozenset[str]:
        """Codes of units that never began: added later, or given up before they started."""
        return frozenset(code for code, moment in self.given_up.items() if moment is None)

    @cached_property
    def given_up(self) -> dict[str, dt.datetime | None]:
        """Unit code → when it was given up; None for one that never began."""
        told = [d for d in self.happened if d.kind in ("given_up", "added")]
        out: dict[str, dt.datetime | None] = {}
        for row in self.unit_table().to_dict("records") if told else ():
            unit = {str(k): str(v) for k, v in row.items()}
            dates = self.batches.get(unit.get("batch", "all"), BatchDates())
            start = dates.start
            for d in told:
                if not d.about(unit):
                    continue
                over = dates.end is not None and dates.end <= d.on
                if d.kind == "given_up" and over and "batch" not in d.units[0]:
                    continue  # a chamber that is given up has finished its earlier batches
                if d.kind == "given_up":
                    never = start is None or d.on <= start
                    out[unit["unit"]] = None if never else out.get(unit["unit"], d.on)
                elif start is not None and start < d.on:
                    out[unit["unit"]] = None
        return out

    def grown_units(self) -> pd.DataFrame:
        """List the smallest units as `unit_table` does, without those that never began."""
        table = self.unit_table()
        return table[~table["unit"].isin(self.never_grown)].reset_index(drop=True)

    @property
    def told_invented(self) -> tuple[str, ...]:
        """Say that the trial is invented, in one sentence; nothing for a real one."""
        return (spoken().text("trial_words.invented"),) if self.invented else ()

    def __str__(self) -> str:
        say = spoken()
        treatments = "; ".join(
            say.text(
                "trial_words.given",
                name=f.name,
                levels=", ".join(f.levels),
                unit=Units(f.applied_to, 1),
            )
            for f in self.factors.values()
        )
        return say.text(
            "trial_words.plain",
            title=self.title,
            units=self._units(),
            flushes=self.flushes,
            treatments=treatments,
        )

    def _units(self) -> str:
        """Count the units of every stratum, in the language in use."""
        counts = self.structure.counts(self.counts).items()
        return ", ".join(
            spoken().text("trial_words.count", number=n, units=Units(t, n)) for t, n in counts
        )

    def _repr_html_(self) -> str:
        import pandas as pd

        from trialkit.display import show_table

        say = spoken()
        rows = [
            (
                f.name,
                level,
                setting.words,
                say.text("page.yes") if level == f.control else "",
                units_in_words(f.applied_to),
            )
            for f in self.factors.values()
            for level, setting in f.levels.items()
        ]
        names = ("treatment", "level", "setting", "control", "given_to")
        asked = self.question
        notes = (
            *self.told_invented,
            say.text(
                "trial_words.crop",
                species=self.species or say.text("trial_words.no_crop"),
                units=self._units(),
                flushes=self.flushes,
            ),
            say.text(
                "trial_words.asked",
                primary=asked.primary,
                margin=asked.margin_pct,
                difference=asked.difference_pct,
            ),
        )
        heads = {name: say.text(f"trial_words.head.{name}") for name in names}
        table = pd.DataFrame(rows, columns=list(names))
        return show_table(table, heads=heads, caption=self.title, notes=notes).html()
