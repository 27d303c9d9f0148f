"""Harvest by flush and by level, and what became of every block."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from trialkit.analysis.harvest_in import has_begun
from trialkit.columns import head
from trialkit.report.inputs import PageInputs
from trialkit.report.outcomes import outcome_parts
from trialkit.report.page_parts import Fold, Picture, Section, Table, Words, build_table
from trialkit.report.pictures import make_picture

if TYPE_CHECKING:
    import pandas as pd


def harvest_section(inputs: PageInputs) -> Section:
    """Put together the harvest by flush and what became of every block."""
    say = inputs.say
    parts: list[Any] = []
    if inputs.response == "fresh_g":
        parts.append(Words(say.text("harvest.intro", smallest=inputs.smallest)))
    if inputs.per_flush:
        parts.append(_profiles(inputs))
        parts.append(Fold(say.text("harvest.fold"), (_by_flush(inputs),)))
    else:
        parts.append(_by_level(inputs))
    parts += _outcomes(inputs)
    parts += outcome_parts(inputs)
    title = "section.harvest" if inputs.per_flush else "section.harvest_single"
    return Section("harvest", say.text(title), tuple(parts))


def _points(inputs: PageInputs, *by: str) -> pd.DataFrame:
    from trialkit.figures import unit_means

    return unit_means(
        inputs.used,
        factor=inputs.factor.name,
        units=inputs.factor.applied_to,
        response=inputs.response,
        by=by,
    )


def _profiles(inputs: PageInputs) -> Picture:
    from trialkit.figures import flush_profiles

    say = inputs.say
    points = _points(inputs, "flush")
    flushes = sorted(points["flush"].astype(int).unique())
    means = points.groupby(["level", "flush"], observed=True)["value"].mean()
    rows = say.listed(
        [
            say.text(
                "alt.flush_row",
                level=level,
                values=say.listed([say.number(v) for v in means[level]]),
                unit=inputs.unit,
            )
            for level in inputs.levels
            if level in means.index.get_level_values(0)
        ]
    )
    alt = say.text("alt.flush", first=flushes[0], last=flushes[-1], rows=rows)
    return make_picture(
        lambda: flush_profiles(
            points,
            inputs.result.flush_means,
            order=inputs.levels,
            response=inputs.response,
            units=inputs.units,
            level=inputs.trial.question.level,
            wording=say,
        ),
        ident="flush",
        alt=alt,
        caption=say.text("harvest.title", factor=inputs.factor.name),
    )


def _by_flush(inputs: PageInputs) -> Table:
    say = inputs.say
    points = _points(inputs, "flush").assign(flush=lambda t: t["flush"].astype(int))
    table = _summary(points, ["level", "flush"], inputs)
    return build_table(
        table,
        columns=["level", "flush", "mean", "low", "high", "n_units", "rows"],
        say=say,
        caption=_summary_caption(inputs),
        heads={
            "level": inputs.factor.name,
            "low": say.text("column.lowest"),
            "high": say.text("column.highest"),
        },
        row_heads=2,
    )


def _by_level(inputs: PageInputs) -> Table:
    say = inputs.say
    table = _summary(_points(inputs), ["level"], inputs)
    return build_table(
        table,
        columns=["level", "mean", "low", "high", "n_units", "rows"],
        say=say,
        caption=_summary_caption(inputs),
        heads={
            "level": inputs.factor.name,
            "low": say.text("column.lowest"),
            "high": say.text("column.highest"),
        },
    )


def _summary_caption(inputs: PageInputs) -> str:
    words = {"response": head(inputs.response, inputs.trial.columns), "units": inputs.units}
    return inputs.say.text("harvest.caption", **words)


def _summary(points: pd.DataFrame, by: list[str], inputs: PageInputs) -> pd.DataFrame:
    place = {name: i for i, name in enumerate(inputs.levels)}
    groups = points.groupby(by, sort=False, observed=True)
    table = groups.agg(
        mean=("value", "mean"),
        low=("value", "min"),
        high=("value", "max"),
        n_units=("unit", "nunique"),
        rows=("rows", "sum"),
    ).reset_index()
    order = table["level"].astype(str).map(place)
    return table.assign(_place=order).sort_values(["_place", *by[1:]]).drop(columns="_place")


def _outcomes(inputs: PageInputs) -> list[Any]:
    """Count what became of the weights, where anything but ok was recorded.

    Blocks of batches to come have no fate yet.
    """
    say, table = inputs.say, inputs.data.table
    table = table[has_begun(table)]
    if "status" not in table or table["status"].isna().all():
        return []
    status = table["status"].astype(object).where(table["status"].notna(), "not recorded")
    name = inputs.factor.name
    counts = (
        table.assign(status=[say.either(f"status.{s}", str(s)) for s in status])
        .groupby([name, "status"], observed=True)
        .size()
        .unstack(fill_value=0)
    )
    if counts.shape[1] < 2:
        return []
    counts = counts.reindex([x for x in inputs.levels if x in counts.index])
    frame = counts.reset_index().rename(columns={name: "level"})
    states = [str(c) for c in counts.columns]
    frame.columns = ["level", *states]
    return [
        build_table(
            frame,
            columns=["level", *states],
            say=say,
            caption=say.text("harvest.lost_caption", factor=name),
            heads={"level": name, **{s: s for s in states}},
        )
    ]
