"""Runs that look as if they had been given another schedule: lines for the trial file.

The mist log is cut into days. A day's share of the time with mist on is set beside those of the
timed levels; where one of them is meant, within the tolerance of `fidelity`, the day is that
level's. A run whose days are another level's, all of them or from a day on, is told, with the
lines that say so in the trial file. Where there is no mist log, a run is told whose mean humidity
lies among those of another level and well apart from those of its own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from trialkit.alignment.fidelity import TOLERANCE, mist_factor
from trialkit.alignment.mist import COVERAGE, mist_per_window
from trialkit.errors import Finding
from trialkit.short_repr import short_repr
from trialkit.trial import Factor, Trial
from trialkit.wording import finding, place

#: Days of one kind that must agree, and the fewest that count.
_AGREE, _FEWEST_DAYS = 0.85, 2
#: Other runs of a level that its humidity is judged by.
_FEWEST_RUNS = 2


@dataclass(frozen=True)
class Proposal:
    """Something that the logs show and the trial file does not tell yet.

    Parameters
    ----------
    found : Finding
        What the logs show.
    lines : str
        An entry for the trial file, ready to paste.
    """

    found: Finding
    lines: str

    __repr__ = short_repr


@dataclass(frozen=True)
class _Look:
    """What a run looks like, and from when on."""

    run: dict[str, str]
    level: str
    looks: str
    since: pd.Timestamp
    whole: bool
    by: str


def propose_deviations(
    trial: Trial,
    runs: pd.DataFrame,
    given: pd.DataFrame,
    mist: pd.DataFrame | None,
    logged: pd.DataFrame | None,
) -> list[Proposal]:
    """List what the logs show of schedules given otherwise than the trial file tells.

    Parameters
    ----------
    trial : Trial
    runs : DataFrame
        Exposures of chamber runs; the rows with window ``"whole"`` are used.
    given : DataFrame
        Run factors and a column named after the mist treatment, as given so far as is told.
    mist : DataFrame or None
        Intervals with mist on: `chamber, start, stop`.
    logged : DataFrame or None
        What the mist files cover.
    """
    factor = mist_factor(trial)
    keys = [name for name in ("batch", "chamber") if name in runs.columns]
    if factor is None or factor.tuned is not None or "chamber" not in keys:
        return []
    if not set(factor.applied_to) <= set(keys):
        return []
    whole = runs[runs["window"] == "whole"].merge(
        given[[*factor.applied_to, factor.name]].drop_duplicates(list(factor.applied_to)),
        on=list(factor.applied_to),
        how="inner",
    )
    whole = whole[whole[factor.name].notna() & whole["start"].notna() & whole["stop"].notna()]
    whole = whole[~_is_told(trial, factor, whole)].reset_index(drop=True)
    looks = _by_days(trial, factor, whole, keys, mist, logged)
    seen = {tuple(look.run.values()) for look in looks}
    if mist is None:
        looks += [
            look
            for look in _by_humidity(factor, whole, keys)
            if tuple(look.run.values()) not in seen
        ]
    return _told(trial, factor, looks)


def _is_told(trial: Trial, factor: Factor, whole: pd.DataFrame) -> pd.Series:
    """Tell the runs of which the trial file already tells something."""
    told = [d for d in trial.happened if d.changes_treatment and d.treatment == factor.name]
    units = whole[list(factor.applied_to)].astype(str).to_dict("records")
    about = [
        any(
            d.about({str(k): v for k, v in u.items()}, i) for d in told for i in range(len(d.units))
        )
        for u in units
    ]
    return pd.Series(about, index=whole.index, dtype=bool)


def _by_days(
    trial: Trial,
    factor: Factor,
    whole: pd.DataFrame,
    keys: list[str],
    mist: pd.DataFrame | None,
    logged: pd.DataFrame | None,
) -> list[_Look]:
    """Look at the mist of each day of each run."""
    timed = {n: s.duty_pct for n, s in factor.levels.items() if s.kind == "timed" and s.duty_pct}
    if mist is None or len(timed) < 2:
        return []
    parts = []
    for at, (start, stop) in enumerate(zip(whole["start"], whole["stop"], strict=True)):
        edges = pd.date_range(start, stop, freq="1D")
        if len(edges) > 1:
            parts.append(pd.DataFrame({"at": at, "start": edges[:-1], "stop": edges[1:]}))
    if not parts:
        return []
    days = pd.concat(parts, ignore_index=True)
    days["chamber"] = whole["chamber"].to_numpy()[days["at"]]
    got = mist_per_window(mist, days, trial.rig, spans=logged)
    days["looks"] = [_nearest(float(duty), timed) for duty in got["duty_pct"]]
    days = days[got[COVERAGE] > 95]
    out = []
    for number, own in days.groupby("at"):
        run = whole.iloc[int(str(number))]
        level = str(run[factor.name])
        look = _switch(own, level) if factor.levels[level].kind == "timed" else None
        if look is not None:
            name = {key: str(run[key]) for key in keys}
            looks, since, whole_run = look
            out.append(_Look(name, level, looks, since, whole_run, "mist"))
    return out


def _nearest(duty: float, timed: Mapping[str, float]) -> str:
    """Name the level whose share of time with mist a day had; empty where none is meant."""
    if not duty > 0:
        return ""
    off = {name: abs(np.log(duty / planned)) for name, planned in timed.items()}
    name, other = sorted(off, key=lambda n: off[n])[:2]
    clear = off[name] <= np.log(1 + TOLERANCE) and off[other] > np.log(1 + TOLERANCE)
    return name if clear else ""


def _switch(days: pd.DataFrame, level: str) -> tuple[str, pd.Timestamp, bool] | None:
    """Find another level that a run's days are of, all of them or from a day on."""
    looks = days["looks"].to_numpy(dtype=object)
    others = [name for name in dict.fromkeys(looks) if name not in ("", level)]
    for other in others:
        is_other, is_own = looks == other, looks == level
        for first in np.flatnonzero(is_other):
            before, after = is_own[:first], is_other[first:]
            enough = len(after) >= _FEWEST_DAYS and after.mean() >= _AGREE
            if enough and (not len(before) or before.mean() >= _AGREE):
                return str(other), days["start"].iloc[int(first)], not len(before)
    return None


def _by_humidity(factor: Factor, whole: pd.DataFrame, keys: list[str]) -> list[_Look]:
    """Look at the mean humidity of each run beside that of the other runs of each level."""
    known = whole[whole["rh_pct"].notna() & ~whole["low_coverage"].astype(bool)]
    out = []
    for at, run in known.iterrows():
        level, value = str(run[factor.name]), float(run["rh_pct"])
        rest = known.drop(index=at)
        groups = {str(n): g["rh_pct"].to_numpy(float) for n, g in rest.groupby(factor.name)}
        own = groups.get(level, np.empty(0))
        if len(own) < _FEWEST_RUNS:
            continue
        for other, values in groups.items():
            if other == level or len(values) < _FEWEST_RUNS:
                continue
            gap = abs(np.median(values) - np.median(own))
            spread = max(np.ptp(own), np.ptp(values))
            # among the others' readings, beyond its own level's, and the two stand well apart
            near = values.min() - spread / 2 <= value <= values.max() + spread / 2
            apart = gap > 2 * spread and min(abs(own - value)) > 0.6 * gap
            if near and apart:
                name = {key: str(run[key]) for key in keys}
                out.append(_Look(name, level, other, run["start"], True, "humidity"))
    return out


def _told(trial: Trial, factor: Factor, looks: list[_Look]) -> list[Proposal]:
    """Say what each run looks like; two that look like each other's level were swapped."""
    out, done = [], set()
    for i, look in enumerate(looks):
        if i in done:
            continue
        for k in range(i + 1, len(looks)):
            other = looks[k]
            near = abs(look.since - other.since) <= pd.Timedelta(days=1)
            same = look.run.get("batch") == other.run.get("batch")
            if k in done or not (same and near):
                continue
            if (look.looks, look.level) == (other.level, other.looks):
                done.add(k)
                out.append(_swap(trial, factor, look, other))
                break
        else:
            out.append(_single(trial, factor, look))
    return out


def _single(trial: Trial, factor: Factor, look: _Look) -> Proposal:
    day = look.since.tz_convert(trial.zone)
    found = finding(
        "looks_like_other",
        "caution",
        form=f"{look.by}_{'whole' if look.whole else 'since'}",
        run=place(look.run),
        level=look.level,
        looks=look.looks,
        day=day.date(),
    )
    lines = _entry(trial, factor, look, f'unit    = "{":".join(look.run.values())}"', look.looks)
    return Proposal(found, lines)


def _swap(trial: Trial, factor: Factor, one: _Look, other: _Look) -> Proposal:
    found = finding(
        "looks_swapped",
        "caution",
        form="whole" if one.whole else "since",
        first=place(one.run),
        second=place(other.run),
        first_level=one.level,
        second_level=other.level,
        day=one.since.tz_convert(trial.zone).date(),
    )
    names = ", ".join(f'"{":".join(look.run.values())}"' for look in (one, other))
    return Proposal(found, _entry(trial, factor, one, f"swapped = [{names}]", ""))


def _entry(trial: Trial, factor: Factor, look: _Look, what: str, got: str) -> str:
    """Write an entry for the trial file."""
    local = look.since.tz_convert(trial.zone)
    on: Any = local.date() if local == local.normalize() else f"{local:%Y-%m-%dT%H:%M:%S}"
    lines = ["[[happened]]", f"on      = {on}", what]
    if got:
        lines.append(f'got     = "{got}"')
    if factor.name != trial.question.primary:
        lines.append(f'treatment = "{factor.name}"')
    lines.append('reason  = "…"')
    lines.append("because_of_harvest = false")
    return "\n".join(lines)


def with_proposals(findings: Sequence[Finding], proposals: Sequence[Proposal]) -> list[Finding]:
    """Put what the logs propose in the place of the findings that say the same of these runs."""
    looks = [proposal.found for proposal in proposals]
    named = {
        str(found.values[name])
        for found in looks
        for name in ("run", "first", "second")
        if name in found.values
    }
    kept = [
        f
        for f in findings
        if not (f.code == "schedule_not_delivered" and str(f.values["run"]) in named)
    ]
    if looks:  # runs of one level that got as much as those of another are these
        kept = [f for f in kept if f.code != "schedules_overlap"]
    return [*looks, *kept]
