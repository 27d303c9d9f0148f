"""The result of alignment: the table that is analysed, and what it was made from."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from trialkit.alignment.checks import LogCheck
from trialkit.alignment.measures import ExposureSettings
from trialkit.alignment.open_checks import no_unmade
from trialkit.alignment.proposals import Proposal
from trialkit.columns import COLUMNS, head
from trialkit.columns.exposures import CLIMATE, shown_in
from trialkit.display import Shown, show_table
from trialkit.errors import Finding
from trialkit.short_repr import short_repr
from trialkit.tabular import Tabular
from trialkit.trial import Trial
from trialkit.wording import message


@dataclass(frozen=True)
class Aligned(Tabular):
    """Harvest and exposures side by side. Made by `align`.

    Parameters
    ----------
    table : DataFrame
        One row per smallest unit and flush: unit columns, treatments, harvest, exposures of
        its chamber run in the window of its flush.
    runs : DataFrame
        One row per chamber run and window, with exposures, coverage and `low_coverage`.
    sensors : DataFrame
        The exposures of each sensor, before averaging.
    fidelity : DataFrame
        Mist delivered against mist planned, per chamber run.
    findings : tuple of Finding
    settings : ExposureSettings
        Limits the exposures were counted against.
    trial : Trial
    check : LogCheck or None
        Calibrations, sensor flags and mist response; None where there was no climate log.
    unmade : DataFrame
        Checks that the logs did not allow: `check, quantity, chamber, sensor, run, why, needs`.
    given : DataFrame or None
        Where the trial file tells of slips: every unit's place and levels as given
        (`trialkit.alignment.given_levels`).
    not_randomised : frozenset of str
        Codes of the smallest units that ran before they were drawn; their levels in `table` are
        those given.
    proposals : tuple of Proposal
        Lines for the trial file that the logs ask for.
    """

    table: pd.DataFrame
    runs: pd.DataFrame
    sensors: pd.DataFrame
    fidelity: pd.DataFrame
    findings: tuple[Finding, ...]
    settings: ExposureSettings
    trial: Trial = field(repr=False)
    check: LogCheck | None = field(default=None, repr=False)
    unmade: pd.DataFrame = field(default_factory=no_unmade, repr=False)
    given: pd.DataFrame | None = field(default=None, repr=False)
    not_randomised: frozenset[str] = frozenset()
    proposals: tuple[Proposal, ...] = ()

    _entries = ("table", "runs", "findings")
    __repr__ = short_repr

    @property
    def limits(self) -> pd.DataFrame:
        """Limits that exposures were counted against.

        One row per exposure, channel and limit: `exposure` (its column), `channel`, `limit`
        (the key of the trial file that sets it; empty where its name tells it), `value`
        (missing where none is set), `unit`.
        """
        rows = []
        for entry in CLIMATE:
            sources = [(entry.channel, entry.limit)]
            sources += [entry.otherwise] if entry.otherwise is not None else []
            for channel, given in sources:
                for limit in given if isinstance(given, tuple) else (given,):
                    if limit is not None:
                        key = limit if isinstance(limit, str) else ""
                        value = self.settings.value(limit)
                        rows.append((entry.column, channel, key, value, COLUMNS[channel].unit))
        table = pd.DataFrame(rows, columns=["exposure", "channel", "limit", "value", "unit"])
        return table.astype({"value": float})

    def shown(self) -> Shown:
        """Format the exposures of whole runs as one table."""
        keys = [name for name in ("batch", "chamber") if name in self.runs.columns]
        columns = [*keys, *shown_in("table"), "coverage_pct"]
        columns = [c for c in columns if c in keys or self.runs[c].notna().any()]
        whole = self.runs[self.runs["window"] == "whole"]
        units = self.table["unit"].nunique()
        return show_table(
            whole,
            columns=columns,
            heads={name: head(name) for name in columns},
            caption=str(message("aligned.caption", units=units, flushes=self.trial.flushes)),
            notes=[*self.trial.told_invented, *self.told_limits(), *map(str, self.findings)],
        )

    def told_limits(self) -> list[str]:
        """Say the limits of the channels that were recorded, by their keys in the trial file.

        Nothing is said where no channel was recorded.
        """
        told = {}
        for row in self.limits.to_dict("records"):
            heard = self.runs[row["channel"]].notna().any()
            if heard and row["value"] == row["value"]:
                key = row["limit"] or row["exposure"]
                told[key] = message(
                    "aligned.limit", key=key, value=float(row["value"]), unit=row["unit"]
                )
        if not told:
            return []
        for key, unit in (("max_gap_min", "min"), ("min_coverage_pct", "%")):
            value = float(getattr(self.settings, key))
            told[key] = message("aligned.limit", key=key, value=value, unit=unit)
        return [str(message("aligned.limits", limits=list(told.values())))]

    def __str__(self) -> str:
        return self.shown().text()

    def _repr_html_(self) -> str:
        return self.shown().html()
