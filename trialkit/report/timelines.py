"""Humidity of every chamber day by day, and the times whose readings were doubted."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from trialkit.alignment.checks import doubted_humidity
from trialkit.columns import COLUMNS
from trialkit.report.inputs import PageInputs
from trialkit.report.page_parts import Fold, Picture, Words, build_table
from trialkit.report.svg import inline_svg

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.wording import Wording

MOST_BATCHES = 6  # timelines drawn, so that the page stays small enough to mail
MOST_FLAGS = 80  # doubted times listed
BINS = 180  # stretches of time per timeline


def doubted_times(inputs: PageInputs) -> list[Any]:
    """List the times whose readings were left out or doubted."""
    say, check = inputs.say, inputs.data.check
    if check is None or check.flags is None or not len(check.flags.table):
        return []
    flags = check.flags.table
    shown = flags.sort_values(["start", "chamber"], kind="stable").head(MOST_FLAGS)
    shown = shown.assign(
        quantity=[
            COLUMNS[q].label if q in COLUMNS else _quantity(q, say) for q in shown["quantity"]
        ],
        flag=[say.either(f"delivered.flag.{f}", str(f)) for f in shown["flag"]],
        action=[say.either(f"action.{a}", str(a)) for a in shown["action"]],
        start=[say.moment(inputs.local(t)) for t in shown["start"]],
        stop=[say.moment(inputs.local(t)) for t in shown["stop"]],
    )
    more = len(flags) - len(shown)
    notes = [say.text("rows.more", more=say.number(more, 0))] if more else []
    table = build_table(
        shown,
        columns=["chamber", "sensor", "quantity", "flag", "start", "stop", "hours", "action"],
        say=say,
        caption=say.text("delivered.flags_caption", zone=inputs.trial.time_zone),
        heads={
            "start": say.text("column.from"),
            "stop": say.text("column.to"),
            "hours": say.text("column.lasted"),
        },
        formats={"hours": lambda v: say.number(v, 1)},
        notes=notes,
        row_heads=2,
    )
    return [Fold(say.text("delivered.flags_fold", n=say.number(len(flags), 0)), (table,))]


def _quantity(name: str, say: Wording) -> str:
    return say.either(f"delivered.flags_quantity.{name}", name)


def timelines(inputs: PageInputs, runs: pd.DataFrame) -> list[Any]:
    """Draw the humidity of every chamber, one picture a batch."""
    say, logs = inputs.say, inputs.logs
    mist = logs.get("mist")
    climate = _sound_climate(inputs)
    if climate is None or "rh_pct" not in climate or not len(climate):
        return []
    batches = sorted(set(runs["batch"])) if "batch" in runs else [None]
    sources = _by_chamber(climate), _by_chamber(mist.table if mist is not None else None)
    drawn = [
        picture
        for number, batch in enumerate(batches[:MOST_BATCHES])
        if (picture := _timeline(inputs, runs, batch, number, sources)) is not None
    ]
    if not drawn:
        return []
    parts: list[Any] = [Words(say.text("delivered.timeline_desc"), quiet=True), *drawn]
    if len(batches) > MOST_BATCHES:
        words = {"shown": say.number(MOST_BATCHES, 0), "all": say.number(len(batches), 0)}
        parts.append(Words(say.text("delivered.timeline_more", **words), quiet=True))
    return [Fold(say.text("delivered.timeline_fold"), tuple(parts))]


def _sound_climate(inputs: PageInputs) -> pd.DataFrame | None:
    """Give the climate log as it was used: calibrated, without readings that were left out."""
    from trialkit.logs.log import Log

    check = inputs.data.check
    if check is not None and check.climate is not None:
        sound: pd.DataFrame = check.climate
        return sound
    log = inputs.logs.get("environment")
    return log.table if isinstance(log, Log) else None


def _by_chamber(table: pd.DataFrame | None) -> dict[str, pd.DataFrame]:
    """Split a log by chamber; without chambers all of it is under the empty name."""
    if table is None or not len(table):
        return {}
    if "chamber" not in table:
        return {"": table}
    return {str(name): rows for name, rows in table.groupby("chamber", observed=True, sort=False)}


Sources = tuple[dict[str, "pd.DataFrame"], dict[str, "pd.DataFrame"]]


def _timeline(
    inputs: PageInputs, runs: pd.DataFrame, batch: object, number: int, sources: Sources
) -> Picture | None:
    """Draw the humidity of every chamber in one batch, one row each."""
    from matplotlib.figure import Figure

    from trialkit.style import WIDTH, drawing

    say = inputs.say
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
        name = f"{run.get('chamber', '')} {run.get(inputs.factor.name, '')}".strip()
        middle = _draw_row(inputs, ax, str(run.get("chamber", "")), spans, sources)
        with drawing():
            ax.set_title(name, fontsize=9, pad=2.5)
        if middle is not None:
            middles.append(say.text("alt.pair", level=name, value=say.percent(middle)))
    for ax in rows[:-1]:
        ax.tick_params(labelbottom=False)
    words = {"batch": str(batch or ""), "n": say.number(len(own), 0)}
    alt = say.text("alt.timeline", rows=say.listed(middles), **words)
    svg = inline_svg(figure, ident=f"humidity{number}", alt=alt, cut=False)
    return Picture(svg, say.text("delivered.timeline_title", **words))


def _draw_row(
    inputs: PageInputs, ax: Any, chamber: str, span: tuple[Any, Any], sources: Sources
) -> float | None:
    from trialkit.figures import humidity_timeline

    start, stop = span
    climate, mist = (s.get(chamber, s.get("")) for s in sources)
    if climate is None:
        ax.set_axis_off()
        return None
    records = climate[(climate["time"] >= start) & (climate["time"] <= stop)]
    settings = inputs.data.settings
    flags = doubted_humidity(inputs.data.check, chamber, start, stop)
    humidity_timeline(
        records,
        mist,
        flags=flags,
        start=start,
        stop=stop,
        bins=BINS,
        zone=inputs.trial.time_zone,
        band=(settings.band_low_rh, settings.band_high_rh),
        wording=inputs.say,
        ax=ax,
    )
    ax.set_ylabel(inputs.say.text("figure.humidity_short"), fontsize=8.5)
    return float(records["rh_pct"].median()) if len(records) else None
