"""The tables behind the trial in one picture: runs, their air, their flushes, faults and groups."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from trialkit.analysis.harvest_in import progress
from trialkit.decision.headline import headline
from trialkit.figures.group_words import group_words
from trialkit.figures.strips import outside_band
from trialkit.figures.unit_totals import lacking_words, unit_totals
from trialkit.wording import Wording, read_wording, units_in_words

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.alignment.result import Aligned
    from trialkit.analysis.result import Analysis
    from trialkit.decision.decide import Verdict
    from trialkit.trial import Trial

_DAY_S = 86_400.0
_NEAR_DAYS = 2.0  # faults alike that are nearer than this are one


@dataclass(frozen=True)
class TrialTables:
    """What the trial in one picture is drawn from. Made by `trial_tables`.

    Parameters
    ----------
    runs : DataFrame
        One row per run, in the order drawn: `run` (its code), `name` (as it is shown), `level`,
        `value` (mean per block, in the unit of the response), `lacks` (flushes that are not in
        it), `last_day` (days of fruiting), `water_l` [L] and `energy_kwh` [kWh] of its mist; what
        is not known is missing.
    groups : DataFrame
        One row per level, the control first: `level, setting, estimate, low, high`, `verdict` and
        `used` (words; lines are parted by line ends).
    air : DataFrame
        `run, start_day, stop_day, dry, wet`, see `outside_band`.
    flushes : DataFrame
        `run, flush, day, weight_g`.
    faults : DataFrame
        `run, start_day, stop_day, kind` (``"doubted"``, ``"gap"`` or ``"mist"``), `words`.
    band : (low, high)
        Humidity wanted [%]; either may be None.
    reference : str
        The level the others are compared with.
    quantity : str
        What `value` is, with its unit.
    units : str
        What a run is, in the plural.
    level : float
        Confidence of the limits of the means.
    lacking : str
        Flushes that runs lack, in words; empty where none does.
    title, subtitle : str
        The answer in one sentence; what the trial was.
    """

    runs: pd.DataFrame
    groups: pd.DataFrame
    air: pd.DataFrame
    flushes: pd.DataFrame
    faults: pd.DataFrame
    band: tuple[float | None, float | None]
    reference: str
    quantity: str
    units: str
    level: float = 0.95
    lacking: str = ""
    title: str = field(default="", repr=False)
    subtitle: str = field(default="", repr=False)


def trial_tables(
    result: Analysis,
    verdict: Verdict,
    *,
    title: str = "",
    subtitle: str = "",
    wording: Wording | None = None,
) -> TrialTables:
    """Gather what the trial in one picture shows.

    Parameters
    ----------
    result : Analysis
    verdict : Verdict
    title : str
        The answer in one sentence; the headline of the report by default.
    subtitle : str
        What the trial was; its question, species, size and dates by default.
    wording : Wording, optional
        Words and numbers; English by default.

    Returns
    -------
    TrialTables

    Examples
    --------
    >>> import trialkit as tk
    >>> trial = tk.read_trial(tk.demo_folder())
    >>> result = tk.analyse(trial, tk.align(trial, tk.read_harvest(trial)))
    >>> tables = trial_tables(result, tk.decide(trial, result))
    >>> len(tables.runs), len(tables.air), tables.groups["level"].tolist()
    (24, 0, ['usual', 'sparse', 'banded'])
    """
    say = wording or read_wording()
    trial, data = result.trial, result.data
    runs = _runs(trial, result, verdict)
    spans = _spans(trial, data, runs)
    ends: dict[Any, float] = spans.set_index("run")["last_day"].to_dict()
    flushes = _flushes(data, _keys(trial), runs)
    latest = flushes.groupby("run")["day"].max().to_dict() if len(flushes) else {}
    runs["last_day"] = [ends.get(r, latest.get(r, math.nan)) for r in runs["run"]]
    settings = data.settings
    band = (settings.band_low_rh, settings.band_high_rh)
    air, planned = _air(data, spans, band), len(runs)
    runs = _without_runs_to_come(runs, progress(trial, data.table).to_come, air)
    return TrialTables(
        runs=runs,
        groups=group_words(result, verdict, say),
        air=air,
        flushes=flushes,
        faults=_faults(data, spans, say),
        band=band,
        reference=trial.primary.reference,
        quantity=result.quantity,
        units=units_in_words(trial.primary.applied_to),
        level=trial.question.level,
        lacking=lacking_words(runs, _keys(trial), say),
        title=title or headline(result, verdict, say),
        subtitle=subtitle or _subtitle(trial, len(runs), planned, say),
    )


def _without_runs_to_come(
    runs: pd.DataFrame, to_come: Sequence[str], air: pd.DataFrame
) -> pd.DataFrame:
    """Leave out runs of batches to come, of which there is nothing to be seen yet."""
    if "batch" not in runs:
        return runs
    seen = ~runs["batch"].isin(to_come) | runs["run"].isin(air["run"])
    return runs[seen].reset_index(drop=True)


def _subtitle(trial: Trial, count: int, planned: int, say: Wording) -> str:
    """Say what the trial was: its title, species, size and dates."""
    moments = [m for b in trial.batches.values() for m in (b.start, b.end) if m is not None]
    known = (min(moments), max(moments)) if moments else ()
    ends = [say.date(moment.astimezone(trial.zone)) for moment in known]
    size = f"{say.number(count, 0)} {units_in_words(trial.primary.applied_to)}"
    if count < planned:
        size = say.text("picture.so_far", size=size, planned=say.number(planned, 0))
    facts = ", ".join(filter(None, (trial.species, size, " – ".join(dict.fromkeys(ends)))))
    made_up = f" {say.text('page.invented')}." if trial.invented else ""
    return f"{trial.title} {facts}.{made_up}"


def _keys(trial: Trial) -> list[str]:
    """Name the columns that tell runs apart: chamber runs, or what is smaller and was treated."""
    named = {"batch", "chamber", *trial.primary.applied_to}
    return [name for name in trial.structure.factors if name in named]


def _runs(trial: Trial, result: Analysis, verdict: Verdict) -> pd.DataFrame:
    """Give one row per run with its mean yield and what it used."""
    from trialkit.analysis.table import analysis_table

    keys, primary, response = _keys(trial), trial.primary, result.terms.response
    rows = analysis_table(trial, result.data, response).loc[result.fit.table.index]
    everyone = result.data.table[[*keys, primary.name]].dropna().astype(str).drop_duplicates()
    summed = result.flushes_summed > 1
    gave = unit_totals(rows, keys, response, flushes=result.flushes, summed=summed)
    runs = everyone.merge(gave[[*keys, "value", "lacks"]], how="left", on=keys)
    runs["lacks"] = [lacks if isinstance(lacks, tuple) else () for lacks in runs["lacks"]]
    runs = runs.rename(columns={primary.name: "level"})
    totals = verdict.totals
    own = [name for name in ("water_l", "energy_kwh") if name in getattr(totals, "columns", ())]
    shared = [name for name in keys if own and name in totals]
    if shared == keys:
        named = totals[[*keys, *own]].astype(dict.fromkeys(keys, str))
        runs = runs.merge(named, how="left", on=keys)
    for name in ("water_l", "energy_kwh"):
        runs[name] = runs.get(name, math.nan)
    levels = [primary.reference, *(x for x in primary.levels if x != primary.reference)]
    runs["_level"] = runs["level"].map({name: i for i, name in enumerate(levels)})
    for name in keys:
        at = {str(unit): i for i, unit in enumerate(trial.levels[name])}
        runs[f"_{name}"] = runs[name].map(at)
    runs = runs.sort_values(["_level", *(f"_{name}" for name in keys)], kind="stable")
    runs["run"] = runs[keys].agg(":".join, axis=1)
    runs["name"] = runs[keys].agg(" ".join, axis=1)
    columns = ["run", "name", "level", "value", "lacks", "water_l", "energy_kwh", *keys]
    return runs[columns].reset_index(drop=True)


def _spans(trial: Trial, data: Aligned, runs: pd.DataFrame) -> pd.DataFrame:
    """Give the beginning and end of every run that the logs tell: `run, chamber, start, stop`."""
    import pandas as pd

    whole = data.runs
    columns = ["run", "chamber", "start", "stop", "last_day"]
    if whole is None or not {"window", "start", "stop"} <= set(whole.columns):
        return pd.DataFrame(columns=columns)
    whole = whole[(whole["window"] == "whole") & (whole["start"] < whole["stop"])]
    keys = [name for name in ("batch", "chamber") if name in whole and name in runs]
    if "chamber" not in keys:
        return pd.DataFrame(columns=columns)
    told = whole[[*keys, "start", "stop"]].astype(dict.fromkeys(keys, str))
    out = runs[["run", *keys]].merge(told, on=keys)
    out["last_day"] = (out["stop"] - out["start"]).dt.total_seconds() / _DAY_S
    return out[columns]


def _flushes(data: Aligned, keys: list[str], runs: pd.DataFrame) -> pd.DataFrame:
    """Give the day and the weight of every flush of every run."""
    import pandas as pd

    table = data.table
    columns = ["run", "flush", "day", "weight_g"]
    if not {"days", "flush", "fresh_g"} <= set(table.columns):
        return pd.DataFrame(columns=columns)
    picked = table[table["days"].notna() & (table["fresh_g"] > 0)]
    groups = picked.groupby([*keys, "flush"], observed=True, sort=True)
    out = groups.agg(day=("days", "mean"), weight_g=("fresh_g", "sum")).reset_index()
    out["run"] = out[keys].astype(str).agg(":".join, axis=1) if len(out) else ""
    return out.loc[out["run"].isin(runs["run"]), columns].reset_index(drop=True)


def _air(
    data: Aligned, spans: pd.DataFrame, band: tuple[float | None, float | None]
) -> pd.DataFrame:
    """Give the strip of every run whose chamber has a climate log."""
    import pandas as pd

    climate = None if data.check is None else data.check.climate
    parts: list[pd.DataFrame] = []
    if climate is not None and "rh_pct" in climate and len(climate):
        alone = "chamber" not in climate
        logs = {} if alone else dict(tuple(climate.groupby("chamber", observed=True)))
        named = {str(name): rows for name, rows in logs.items()}
        for span in spans.to_dict("records"):
            records = climate if alone else named.get(span["chamber"])
            if records is not None:
                strip = outside_band(records, start=span["start"], stop=span["stop"], band=band)
                parts.append(strip.assign(run=span["run"]))
    columns = ["run", "start_day", "stop_day", "dry", "wet"]
    return pd.concat(parts)[columns] if parts else pd.DataFrame(columns=columns)


def _faults(data: Aligned, spans: pd.DataFrame, say: Wording) -> pd.DataFrame:
    """Give what went wrong, where it happened: sensors, gaps and mist that did not come."""
    import pandas as pd

    told: list[dict[str, Any]] = []
    for fault in _found(data, say):
        own = spans[spans["chamber"] == fault["chamber"]]
        own = own[(own["start"] < fault["stop"]) & (own["stop"] > fault["start"])]
        for span in own.to_dict("records"):
            first, last = (
                (max(span["start"], min(span["stop"], fault[end])) - span["start"]).total_seconds()
                for end in ("start", "stop")
            )
            days = {"start_day": first / _DAY_S, "stop_day": last / _DAY_S}
            told.append(
                {"run": span["run"], "kind": fault["kind"], "words": fault["words"], **days}
            )
    columns = ["run", "start_day", "stop_day", "kind", "words"]
    rows = pd.DataFrame(told, columns=columns).sort_values(["run", "start_day"], kind="stable")
    return _joined(rows)


def _joined(rows: pd.DataFrame) -> pd.DataFrame:
    """Join faults of a run that are alike and close to each other: one fault, named once."""
    import pandas as pd

    out: list[dict[str, Any]] = []
    for _, alike in rows.groupby(["run", "kind", "words"], sort=False):
        open_one: dict[str, Any] | None = None
        for row in alike.to_dict("records"):
            if open_one is not None and row["start_day"] - open_one["stop_day"] < _NEAR_DAYS:
                open_one["stop_day"] = max(open_one["stop_day"], row["stop_day"])
            else:
                open_one = {str(name): value for name, value in row.items()}
                out.append(open_one)
    return pd.DataFrame(out, columns=list(rows.columns))


def _found(data: Aligned, say: Wording) -> list[Mapping[Any, Any]]:
    """List the faults of the humidity sensors and of the mist, by chamber and time."""
    check = data.check
    out: list[Mapping[Any, Any]] = []
    if check is not None and check.flags is not None and len(check.flags.table):
        flags = check.flags.table
        about = flags[flags["quantity"].isin(["rh_pct", "all", "", None])]
        for flag in about.to_dict("records"):
            gap = flag["flag"] == "gap"
            words = say.either(f"picture.fault.{flag['flag']}", str(flag["flag"]))
            if flag["action"] == "left out":
                words = say.text("picture.left_out", fault=words)
            kind = "gap" if gap else "doubted"
            out.append({**flag, "chamber": str(flag["chamber"]), "kind": kind, "words": words})
    if check is not None and check.response is not None and len(check.response.table):
        for fault in check.response.table.to_dict("records"):
            words = say.either(f"picture.mist_fault.{fault['fault']}", str(fault["fault"]))
            out.append({**fault, "chamber": str(fault["chamber"]), "kind": "mist", "words": words})
    return out
