"""What every unit was really given, where the trial file tells of slips: levels as given.

A unit counts as given the level that it had for at least nine tenths of its time, from the start
of fruiting to the end of its batch. One that had no level for so long (timers swapped in the
middle, a setting that is no level) counts as given none, and is left out of what is analysed as
given. The nine tenths are common practice, no source.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from itertools import pairwise

import pandas as pd

from trialkit.trial import Deviation, Trial

#: Share of its time for which a unit must have had a level to count as given it.
LEAST_SHARE = 0.9

_Levels = dict[str, dict[tuple[str, ...], str | None]]
_Got = tuple[tuple[str, ...], tuple[str | None, ...]]


def given_levels(
    trial: Trial, assignment: pd.DataFrame, spans: pd.DataFrame | None = None
) -> pd.DataFrame | None:
    """Give every unit its place and its levels as given; None where nothing went otherwise.

    Parameters
    ----------
    trial : Trial
    assignment : DataFrame
        The plan: unit factors, `unit`, one column per treatment.
    spans : DataFrame, optional
        Windows as `derive_windows` gives them; the end of ``"whole"`` is a batch's end where the
        trial file names none.

    Returns
    -------
    DataFrame or None
        `unit`, the unit factors of the place where it stood, one column per treatment (None
        where it had no one level for nine tenths of its time).
    """
    told = [d for d in trial.happened if d.changes_treatment]
    if not told:
        return None
    factors = list(trial.structure.factors)
    table = assignment[[*factors, "unit", *trial.factors]].astype(object)
    batch = table["batch"] if "batch" in factors else pd.Series("all", index=table.index)
    parts = []
    for name, rows in table.groupby(batch.astype(str), sort=False):
        start, stop = _span(trial, str(name), spans)
        parts.append(_batch_given(trial, rows, told, start, stop))
    return pd.concat(parts).loc[table.index].reset_index(drop=True)


def _span(
    trial: Trial, batch: str, spans: pd.DataFrame | None
) -> tuple[dt.datetime | None, dt.datetime | None]:
    """Give the start and the end of a batch, as far as they are known."""
    dates = trial.batches.get(batch)
    start, stop = (None, None) if dates is None else (dates.start, dates.end)
    if stop is None and spans is not None:
        whole = spans[spans["window"] == "whole"]
        own = whole if "batch" not in whole else whole[whole["batch"].astype(str) == batch]
        last = own["stop"].max()
        stop = None if pd.isna(last) else last.to_pydatetime()
    return start, stop


def _batch_given(
    trial: Trial,
    rows: pd.DataFrame,
    told: Sequence[Deviation],
    start: dt.datetime | None,
    stop: dt.datetime | None,
) -> pd.DataFrame:
    """Follow the units of one batch from its start to its end."""
    factors = list(trial.structure.factors)
    units = [{str(k): str(v) for k, v in row.items()} for row in rows.to_dict("records")]
    shares: list[dict[_Got, float]] = [{} for _ in units]
    for moment, share in _stretches(told, start, stop):
        acts = sorted(
            (d for d in told if moment is not None and d.holds_at(moment)), key=lambda d: d.on
        )
        places, levels = _apply(trial, units, acts)
        for place, own in zip(places, shares, strict=True):
            got = tuple(
                levels[f.name].get(tuple(place[n] for n in f.applied_to))
                for f in trial.factors.values()
            )
            key = (tuple(place[name] for name in factors), got)
            own[key] = own.get(key, 0.0) + share
    out = []
    for unit, own in zip(units, shares, strict=True):
        stood, got = _most(own)
        home = tuple(unit[name] for name in factors) if stood is None else stood
        out.append((*home, unit["unit"], *got))
    return pd.DataFrame(
        out, index=rows.index, columns=[*factors, "unit", *trial.factors], dtype=object
    )


def _most(own: dict[_Got, float]) -> tuple[tuple[str, ...] | None, tuple[str | None, ...]]:
    """Give the place, and each treatment's level, that a unit had for long enough."""
    places: dict[tuple[str, ...], float] = {}
    for (place, _), share in own.items():
        places[place] = places.get(place, 0.0) + share
    home = next((p for p, share in places.items() if share >= LEAST_SHARE - 1e-9), None)
    size = len(next(iter(own))[1])
    levels: list[str | None] = []
    for i in range(size):
        each: dict[str | None, float] = {}
        for (_, got), share in own.items():
            each[got[i]] = each.get(got[i], 0.0) + share
        level = next((x for x, share in each.items() if share >= LEAST_SHARE - 1e-9), None)
        levels.append(level if home is not None else None)
    return home, tuple(levels)


def _stretches(
    told: Sequence[Deviation], start: dt.datetime | None, stop: dt.datetime | None
) -> list[tuple[dt.datetime | None, float]]:
    """Cut a batch's time where something began or ended: first moment and share of each piece."""
    if start is None:
        return [(None, 1.0)]  # it has not begun, so nothing happened to it yet
    marks = {m for d in told for m in (d.on, d.until) if m is not None and m > start}
    if stop is None or stop <= start:
        later = sorted(marks)
        share = 1.0 / (1 + len(later))  # how long each piece was is not known
        return [(start, share), *((m, share) for m in later)]
    cuts = [start, *sorted(m for m in marks if m < stop), stop]
    whole = (stop - start).total_seconds()
    return [(a, (b - a).total_seconds() / whole) for a, b in pairwise(cuts)]


def _apply(
    trial: Trial, units: Sequence[dict[str, str]], acts: Sequence[Deviation]
) -> tuple[list[dict[str, str]], _Levels]:
    """Give the place of each unit and the level at each place while some deviations hold."""
    places = [{name: unit[name] for name in trial.structure.factors} for unit in units]
    levels: _Levels = {
        f.name: {tuple(unit[n] for n in f.applied_to): unit[f.name] for unit in units}
        for f in trial.factors.values()
    }
    for act in acts:
        if act.kind == "moved":
            for unit, place in zip(units, places, strict=True):
                if act.about(unit):
                    place.update(dict(act.to))
            continue
        term = trial.factors[act.treatment].applied_to
        held = levels[act.treatment]
        before = dict(held)
        for key in before:
            unit = dict(zip(term, key, strict=True))
            if act.kind == "swapped":
                for one, other in ((0, 1), (1, 0)):
                    if act.about(unit, one):
                        partner = tuple({**unit, **act.units[other]}[n] for n in term)
                        held[key] = before.get(partner)
            elif act.about(unit):
                held[key] = act.level if act.kind == "got" else None
    return places, levels
