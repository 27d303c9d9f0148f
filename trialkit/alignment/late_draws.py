"""Units that ran before they were drawn: chance did not choose what they got."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from trialkit.alignment.windows import run_factors
from trialkit.design.layout.draw_record import UNKNOWN, Draw, batch_of, has_begun
from trialkit.errors import Finding
from trialkit.trial import Trial
from trialkit.wording import Units, finding, message, place, several


@dataclass(frozen=True)
class LateDraws:
    """What ran before it was drawn. Made by `judge_draws`.

    Parameters
    ----------
    units : frozenset of str
        Codes of the smallest units that had begun before they were drawn.
    findings : tuple of Finding
    """

    units: frozenset[str] = frozenset()
    findings: tuple[Finding, ...] = ()


def judge_draws(trial: Trial, plan: Any, harvest: pd.DataFrame) -> LateDraws:
    """Find the units that had begun before they were drawn, and say so.

    Parameters
    ----------
    trial : Trial
    plan : Plan or DataFrame
        A table says nothing of when it was drawn, and a plan laid out by hand was not drawn.
    harvest : DataFrame
        Harvest table with `unit` and `time`.

    Notes
    -----
    A unit had begun when its batch had, by the trial file's dates; when a weight of its batch is
    older than the draw; or when the plan's own record says so.
    """
    if isinstance(plan, pd.DataFrame) or getattr(plan, "version", "by hand") == "by hand":
        return LateDraws()
    draws: tuple[Draw, ...] = plan.draws
    if not draws:  # drawn just now, and not written yet
        return LateDraws()
    batches, codes = batch_of(trial), [str(code) for code in plan.table["unit"]]
    first = _first_weights(harvest, batches)
    drawn_in = {code: draw for draw in draws for code in draw.units}
    late: dict[str, Draw | None] = {}
    weighed: set[str] = set()
    for code in codes:
        draw, batch = drawn_in.get(code), batches[code]
        if draw is None:
            late[code] = None
        elif draw.at != UNKNOWN:
            before = batch in first and first[batch] < draw.at
            if before or batch in draw.begun or has_begun(trial, batch, draw.at):
                late[code] = draw
            if before:
                weighed.add(code)
    found = _beside_rows(harvest, draws, late)
    if plan.undated:
        found.append(finding("draw_undated", "note"))
    told = {code for code in late if late[code] is None or _is_told(trial, plan, code)}
    unsaid = set(late) - told
    if told:
        found.append(finding("not_randomised", "caution", **_words(trial, plan, told, late)))
    if unsaid - weighed:
        words = _words(trial, plan, unsaid - weighed, late)
        form = "range" if trial.tuned else "levels"
        found.append(finding("drawn_after_start", "caution", form=form, **words))
    if unsaid & weighed:
        words = _words(trial, plan, unsaid & weighed, late)
        form = "range" if trial.tuned else "levels"
        found.append(finding("drawn_after_harvest", "caution", form=form, **words))
    return LateDraws(frozenset(late), tuple(found))


def _beside_rows(
    harvest: pd.DataFrame, draws: tuple[Draw, ...], late: dict[str, Draw | None]
) -> list[Finding]:
    """Say where harvest rows stood when a plan was drawn, and no date tells which they were."""
    undated = harvest[harvest["time"].isna() & harvest["fresh_g"].notna()]["unit"]
    files = [
        draw.weighed
        for draw in draws
        if draw.weighed and not set(draw.units) & set(late) and undated.isin(draw.units).any()
    ]
    return [finding("draw_beside_rows", "caution", file=file) for file in dict.fromkeys(files)]


def _first_weights(harvest: pd.DataFrame, batches: dict[str, str]) -> dict[str, dt.datetime]:
    """Give the moment of the first dated weight of each batch."""
    table = harvest[harvest["time"].notna() & harvest["unit"].isin(batches)]
    if not len(table):
        return {}
    first = table.groupby(table["unit"].map(batches))["time"].min()
    return {str(batch): moment.to_pydatetime() for batch, moment in first.items()}


def _is_told(trial: Trial, plan: Any, code: str) -> bool:
    """Tell whether the trial file says what a unit got of the treatment asked about."""
    row = plan.table[plan.table["unit"] == code].iloc[0]
    unit = {name: str(row[name]) for name in trial.structure.factors}
    asked = trial.question.primary
    return any(d.kind == "got" and d.treatment == asked and d.about(unit) for d in trial.happened)


def _words(
    trial: Trial, plan: Any, units: set[str], late: dict[str, Draw | None]
) -> dict[str, Any]:
    """Give the places of some units and the day on which they, or the others, were drawn."""
    moments = [draw.at for u in units if (draw := late[u]) is not None]
    if not moments:  # they were never drawn: the others were, when they ran already
        moments = [draw.at for draw in plan.draws if draw.at != UNKNOWN]
    day = min(moments).astimezone(trial.zone).date() if moments else None
    return {"places": several(_places(trial, plan, units), 6), "day": day}


def _places(trial: Trial, plan: Any, units: set[str]) -> Sequence[Any]:
    """Name whole batches where all their units are meant, otherwise chamber runs."""
    keys = list(run_factors(trial)) or [trial.structure.factors[0]]
    table = plan.table.assign(meant=plan.table["unit"].isin(units))
    out: list[Any] = []
    whole = [
        str(value) for value, rows in table.groupby(keys[0], sort=False) if rows["meant"].all()
    ]
    if len(whole) > 1:
        kind = Units((keys[0],), len(whole))
        out.append(message("place.together", kind=kind, names=several(whole, 6)))
    elif whole:
        out.append(place({keys[0]: whole[0]}))
    for value, rows in table.groupby(keys[0], sort=False):
        if str(value) in whole:
            continue
        if rows["meant"].any():
            runs = rows.loc[rows["meant"], keys].drop_duplicates()
            out += [place(run) for run in runs.to_dict("records")]
    return out
