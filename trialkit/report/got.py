"""What each chamber got: climate, mist against plan, humidity day by day."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from trialkit.columns import COLUMNS
from trialkit.report.blocks import Fold, Picture, Section, Table, Words, build_table
from trialkit.report.material import Material
from trialkit.report.svg import inline_svg

if TYPE_CHECKING:
    import pandas as pd

MOST_BATCHES = 6  # timelines drawn, so that the page stays small enough to mail
MOST_FLAGS = 80  # doubted times listed
BINS = 180  # stretches of time per timeline

_SHOWN = (
    "temp_c", "rh_pct", "vpd_kpa", "co2_ppm", "hours_below_band", "hours_above_band",
    "light_hours", "duty_pct", "water_l", "energy_kwh", "coverage_pct", "low_coverage",
)  # fmt: skip


def got_section(material: Material) -> Section:
    """Put together what each chamber got."""
    say = material.say
    runs = whole_runs(material)
    parts: list[Any] = []
    if runs is None:
        parts.append(Words(say.text("got.none")))
    else:
        parts.append(Words(say.text("got.intro")))
        parts += _band(material, runs)
        parts += _delivered(material)
        parts.append(_runs_table(material, runs))
        parts += _flags(material)
        parts += _timelines(material, runs)
    return Section("got", say.text("section.got"), tuple(parts))


def whole_runs(material: Material) -> pd.DataFrame | None:
    """Give the exposures of whole chamber runs in the order of the primary levels."""
    runs = material.data.runs
    if runs is None or not len(runs):
        return None
    whole = runs[runs["window"] == "whole"]
    known = [c for c in _SHOWN if c in whole and c != "low_coverage" and whole[c].notna().any()]
    if not len(whole) or not known:
        return None
    keys = _keys(whole)
    factor = material.factor
    if set(factor.applied_to) <= set(keys) and factor.name not in whole:
        given = material.data.table[[*factor.applied_to, factor.name]].drop_duplicates()
        whole = whole.merge(given, how="left", on=list(factor.applied_to))
    if factor.name in whole:
        place = {name: i for i, name in enumerate(material.levels)}
        order = whole[factor.name].astype(str).map(place).fillna(len(place))
        whole = whole.assign(_place=order).sort_values(["_place", *keys], kind="stable")
        whole = whole.drop(columns="_place")
    return whole.reset_index(drop=True)


def _keys(runs: pd.DataFrame) -> list[str]:
    return [name for name in ("batch", "chamber") if name in runs.columns]


def _band(material: Material, runs: pd.DataFrame) -> list[Any]:
    from trialkit.figures import hours_by_band

    say = material.say
    settings = material.data.settings
    low, high = settings.band_low_rh, settings.band_high_rh
    columns = ["hours_below_band", "hours_in_band", "hours_above_band", "window_h"]
    if low is None or high is None or not set(columns) <= set(runs.columns):
        return []
    shown = runs[runs["hours_in_band"].notna()]
    if not len(shown):
        return []
    factor = material.factor.name if material.factor.name in shown else None
    ax = hours_by_band(shown, factor=factor, wording=say)
    share = 100 * shown["hours_in_band"] / shown["window_h"]
    if factor:
        means = share.groupby(shown[factor].astype(str), sort=False).mean()
    else:
        means = share.groupby(shown[_keys(shown)].astype(str).agg(" ".join, axis=1)).mean()
    rows = say.listed(
        [say.text("alt.pair", level=k, value=say.percent(v)) for k, v in means.items()]
    )
    svg = inline_svg(ax, ident="hours", alt=say.text("alt.hours", rows=rows))
    words = {"low": say.number(low), "high": say.number(high)}
    return [Picture(svg, say.text("got.hours_title", **words))]


def _delivered(material: Material) -> list[Any]:
    from trialkit.figures import delivered_against_planned

    say, fidelity = material.say, material.data.fidelity
    if fidelity is None or not len(fidelity) or fidelity["delivered_duty_pct"].isna().all():
        return [Words(say.text("got.delivered_none"), quiet=True)]
    known = fidelity[fidelity["level"].notna()]
    place = {name: i for i, name in enumerate(material.levels)}
    order = known["level"].astype(str).map(place).fillna(len(place))
    known = known.assign(_place=order).sort_values("_place", kind="stable")
    ax = delivered_against_planned(known, wording=say)
    rows = []
    for level, own in known.groupby("level", sort=False, observed=True):
        planned = float(own["planned_duty_pct"].mean())
        key = "alt.delivered_row" if math.isfinite(planned) else "alt.delivered_row_band"
        value = say.percent(own["delivered_duty_pct"].mean(), 1)
        rows.append(say.text(key, level=level, value=value, planned=say.percent(planned, 1)))
    alt = say.text("alt.delivered", rows=say.listed(rows))
    svg = inline_svg(ax, ident="delivered", alt=alt)
    return [Picture(svg, say.text("got.delivered_title"))]


def _runs_table(material: Material, runs: pd.DataFrame) -> Table:
    say = material.say
    keys = _keys(runs)
    columns = [c for c in _SHOWN if c in runs and runs[c].notna().any()]
    notes = []
    marked = "low_coverage" in runs and bool(runs["low_coverage"].any())
    if marked:
        notes.append(say.text("got.low_coverage"))
    else:
        columns = [c for c in columns if c != "low_coverage"]
    named = [material.factor.name] if material.factor.name in runs else []
    return build_table(
        runs,
        columns=[*keys, *named, *columns],
        say=say,
        caption=say.text("got.runs_caption"),
        notes=notes,
        row_heads=len(keys),
    )


def _timelines(material: Material, runs: pd.DataFrame) -> list[Any]:
    say, logs = material.say, material.logs
    mist = logs.get("mist")
    climate = _sound_climate(material)
    if climate is None or "rh_pct" not in climate or not len(climate):
        return []
    batches = sorted(set(runs["batch"])) if "batch" in runs else [None]
    sources = _by_chamber(climate), _by_chamber(mist.table if mist is not None else None)
    drawn = [
        picture
        for number, batch in enumerate(batches[:MOST_BATCHES])
        if (picture := _timeline(material, runs, batch, number, sources)) is not None
    ]
    if not drawn:
        return []
    parts: list[Any] = [Words(say.text("got.timeline_desc"), quiet=True), *drawn]
    if len(batches) > MOST_BATCHES:
        words = {"shown": say.number(MOST_BATCHES, 0), "all": say.number(len(batches), 0)}
        parts.append(Words(say.text("got.timeline_more", **words), quiet=True))
    return [Fold(say.text("got.timeline_fold"), tuple(parts))]


def _sound_climate(material: Material) -> pd.DataFrame | None:
    """Give the climate log as it was used: calibrated, without readings that were left out."""
    check = getattr(material.data, "check", None)
    if check is not None and check.climate is not None:
        sound: pd.DataFrame = check.climate
        return sound
    log = material.logs.get("environment")
    return None if log is None else log.table


def _flag_table(material: Material) -> pd.DataFrame | None:
    """Give the times whose readings were doubted, if the logs were checked."""
    check = getattr(material.data, "check", None)
    flags = None if check is None else check.flags
    return None if flags is None or not len(flags.table) else flags.table


def _flags(material: Material) -> list[Any]:
    """List the times whose readings were left out or doubted."""
    say, flags = material.say, _flag_table(material)
    if flags is None:
        return []
    shown = flags.sort_values(["start", "chamber"], kind="stable").head(MOST_FLAGS)
    shown = shown.assign(
        quantity=[COLUMNS[q].label if q in COLUMNS else q for q in shown["quantity"]],
        action=[say.either(f"action.{a}", str(a)) for a in shown["action"]],
        start=[say.moment(material.local(t)) for t in shown["start"]],
        stop=[say.moment(material.local(t)) for t in shown["stop"]],
    )
    more = len(flags) - len(shown)
    notes = [say.text("rows.more", more=say.number(more, 0))] if more else []
    table = build_table(
        shown,
        columns=["chamber", "sensor", "quantity", "flag", "start", "stop", "hours", "action"],
        say=say,
        caption=say.text("got.flags_caption", zone=material.trial.time_zone),
        heads={
            "start": say.text("column.from"),
            "stop": say.text("column.to"),
            "hours": say.text("column.lasted"),
        },
        formats={"hours": lambda v: say.number(v, 1)},
        notes=notes,
        row_heads=2,
    )
    return [Fold(say.text("got.flags_fold", n=say.number(len(flags), 0)), (table,))]


def _by_chamber(table: pd.DataFrame | None) -> dict[str, pd.DataFrame]:
    """Split a log by chamber; without chambers all of it is under the empty name."""
    if table is None or not len(table):
        return {}
    if "chamber" not in table:
        return {"": table}
    return {str(name): rows for name, rows in table.groupby("chamber", observed=True, sort=False)}


Sources = tuple[dict[str, "pd.DataFrame"], dict[str, "pd.DataFrame"]]


def _timeline(
    material: Material, runs: pd.DataFrame, batch: object, number: int, sources: Sources
) -> Picture | None:
    """Draw the humidity of every chamber in one batch, one row each."""
    from matplotlib.figure import Figure

    from trialkit.style import WIDTH, drawing

    say = material.say
    own = runs if batch is None else runs[runs["batch"] == batch]
    own = own.sort_values("chamber") if "chamber" in own else own
    if not len(own) or own["start"].isna().all():
        return None
    spans = (own["start"].min(), own["stop"].max())
    with drawing():
        figure = Figure(figsize=(WIDTH, 1.12 * len(own) + 0.5))
        rows = figure.subplots(len(own), 1, squeeze=False, sharex=True)[:, 0]
        tall = float(figure.get_size_inches()[1])
        figure.subplots_adjust(
            left=0.085, right=0.985, top=1 - 0.25 / tall, bottom=0.32 / tall, hspace=0.3
        )
    middles = []
    for ax, run in zip(rows, own.to_dict("records"), strict=True):
        name = f"{run.get('chamber', '')} {run.get(material.factor.name, '')}".strip()
        middle = _draw_row(material, ax, str(run.get("chamber", "")), spans, sources)
        with drawing():
            ax.set_title(name, fontsize=9, pad=2.5)
        if middle is not None:
            middles.append(say.text("alt.pair", level=name, value=say.percent(middle)))
    for ax in rows[:-1]:
        ax.tick_params(labelbottom=False)
    words = {"batch": str(batch or ""), "n": say.number(len(own), 0)}
    alt = say.text("alt.timeline", rows=say.listed(middles), **words)
    svg = inline_svg(figure, ident=f"humidity{number}", alt=alt, cut=False)
    return Picture(svg, say.text("got.timeline_title", **words))


def _draw_row(
    material: Material, ax: Any, chamber: str, span: tuple[Any, Any], sources: Sources
) -> float | None:
    from trialkit.figures import humidity_timeline

    start, stop = span
    climate, mist = (s.get(chamber, s.get("")) for s in sources)
    if climate is None:
        ax.set_axis_off()
        return None
    records = climate[(climate["time"] >= start) & (climate["time"] <= stop)]
    settings, flags = material.data.settings, _flag_table(material)
    if flags is not None:
        doubted = flags["quantity"].isin(["rh_pct", "", None]) & (flags["flag"] != "gap")
        touches = (flags["start"] < stop) & (flags["stop"] > start)
        flags = flags[doubted & touches & (flags["chamber"].astype(str) == chamber)]
    humidity_timeline(
        records, mist, flags=flags, start=start, stop=stop, bins=BINS,
        zone=material.trial.time_zone,
        band=(settings.band_low_rh, settings.band_high_rh), wording=material.say, ax=ax,
    )  # fmt: skip
    ax.set_ylabel(material.say.text("figure.humidity_short"), fontsize=8.5)
    return float(records["rh_pct"].median()) if len(records) else None
