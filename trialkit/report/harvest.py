"""Harvest by flush and by level, and what became of every block."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from trialkit.columns import head
from trialkit.report.inputs import Material
from trialkit.report.outcomes import outcome_parts
from trialkit.report.page_parts import Picture, Section, Table, Words, build_table
from trialkit.report.svg import inline_svg

if TYPE_CHECKING:
    import pandas as pd


def harvest_section(material: Material) -> Section:
    """Put together the harvest by flush and what became of every block."""
    say = material.say
    parts: list[Any] = []
    if material.response == "fresh_g":
        parts.append(Words(say.text("harvest.intro", smallest=material.smallest)))
    if material.per_flush:
        parts.append(_profiles(material))
        parts.append(_by_flush(material))
    else:
        parts.append(_by_level(material))
    parts += _outcomes(material)
    parts += outcome_parts(material)
    title = "section.harvest" if material.per_flush else "section.harvest_single"
    return Section("harvest", say.text(title), tuple(parts))


def _points(material: Material, *by: str) -> pd.DataFrame:
    from trialkit.figures import unit_means

    return unit_means(
        material.used,
        factor=material.factor.name,
        units=material.factor.applied_to,
        response=material.response,
        by=by,
    )


def _profiles(material: Material) -> Picture:
    from trialkit.figures import flush_profiles

    say = material.say
    points = _points(material, "flush")
    ax = flush_profiles(
        points, material.result.flush_means, order=material.levels, response=material.response,
        units=material.units, level=material.trial.question.level, wording=say,
    )  # fmt: skip
    flushes = sorted(points["flush"].astype(int).unique())
    means = points.groupby(["level", "flush"], observed=True)["value"].mean()
    rows = say.listed(
        [
            say.text(
                "alt.flush_row",
                level=level,
                values=say.listed([say.number(v) for v in means[level]]),
                unit=material.unit,
            )
            for level in material.levels
            if level in means.index.get_level_values(0)
        ]
    )
    alt = say.text("alt.flush", first=flushes[0], last=flushes[-1], rows=rows)
    svg = inline_svg(ax, ident="flush", alt=alt)
    return Picture(svg, say.text("harvest.title", factor=material.factor.name))


def _by_flush(material: Material) -> Table:
    say = material.say
    points = _points(material, "flush").assign(flush=lambda t: t["flush"].astype(int))
    table = _summary(points, ["level", "flush"], material)
    return build_table(
        table,
        columns=["level", "flush", "mean", "low", "high", "n_units", "rows"],
        say=say,
        caption=_summary_caption(material),
        heads={
            "level": material.factor.name,
            "low": say.text("column.lowest"),
            "high": say.text("column.highest"),
        },
        row_heads=2,
    )


def _by_level(material: Material) -> Table:
    say = material.say
    table = _summary(_points(material), ["level"], material)
    return build_table(
        table,
        columns=["level", "mean", "low", "high", "n_units", "rows"],
        say=say,
        caption=_summary_caption(material),
        heads={
            "level": material.factor.name,
            "low": say.text("column.lowest"),
            "high": say.text("column.highest"),
        },
    )


def _summary_caption(material: Material) -> str:
    words = {"response": head(material.response, material.trial.columns), "units": material.units}
    return material.say.text("harvest.caption", **words)


def _summary(points: pd.DataFrame, by: list[str], material: Material) -> pd.DataFrame:
    place = {name: i for i, name in enumerate(material.levels)}
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


def _outcomes(material: Material) -> list[Any]:
    """Count what became of the weights, where anything but ok was recorded."""
    say, table = material.say, material.data.table
    if "status" not in table or table["status"].isna().all():
        return []
    status = table["status"].astype(object).where(table["status"].notna(), "not recorded")
    name = material.factor.name
    counts = (
        table.assign(status=[say.either(f"status.{s}", str(s)) for s in status])
        .groupby([name, "status"], observed=True)
        .size()
        .unstack(fill_value=0)
    )
    if counts.shape[1] < 2:
        return []
    counts = counts.reindex([x for x in material.levels if x in counts.index])
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
