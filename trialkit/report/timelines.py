"""Humidity of every chamber day by day, and the times whose readings were doubted."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from trialkit.alignment.checks import doubted_humidity, mist_troubles
from trialkit.columns import COLUMNS
from trialkit.report.inputs import PageInputs
from trialkit.report.page_parts import Fold, Grid, Picture, Words, build_table
from trialkit.report.pictures import make_picture

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from trialkit.wording import Wording

MOST_BATCHES = 6  # timelines drawn, so that the page stays small enough to mail
MOST_FLAGS = 80  # doubted times listed
BINS = 104  # stretches of time per timeline
#: Size and margins of a timeline, in inches: every one has the same words beside it.
_PLACE_IN = {"row": 0.92, "left": 0.6, "right": 0.08, "above": 0.08, "below": 0.3}


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
    """Draw the humidity of every chamber run, batch by batch."""
    say, logs = inputs.say, inputs.logs
    mist = logs.get("mist")
    climate = _sound_climate(inputs)
    if climate is None or "rh_pct" not in climate or not len(climate):
        return []
    batches = sorted(set(runs["batch"])) if "batch" in runs else [None]
    sources = (
        _by_chamber(climate, ["time", "rh_pct"]),
        _by_chamber(mist.table if mist is not None else None, ["start", "stop"]),
    )
    sheet = _Sheet()
    drawn = [
        part
        for number, batch in enumerate(batches[:MOST_BATCHES])
        for part in _timeline(inputs, runs, batch, number, sources, sheet)
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


def _by_chamber(table: pd.DataFrame | None, columns: list[str]) -> dict[str, pd.DataFrame]:
    """Split a log by chamber; without chambers all of it is under the empty name."""
    if table is None or not len(table):
        return {}
    if "chamber" not in table:
        return {"": table[columns]}
    groups = table[["chamber", *columns]].groupby("chamber", observed=True, sort=False)
    return {str(name): rows[columns] for name, rows in groups}


class _Sheet:
    """Axes on which the timelines are drawn one after the other.

    To make axes, their ticks and their numbers takes longer than to draw a run on them.
    """

    def __init__(self) -> None:
        self._ax: Axes | None = None

    def emptied(self) -> Axes:
        """Give the axes without the run that was drawn last."""
        from trialkit.style import axes

        if self._ax is None:
            self._ax = axes(height=1.35)
        for mark in (*self._ax.lines, *self._ax.patches, *self._ax.collections):
            mark.remove()
        return self._ax

    def place(self) -> None:
        """Place the axes in their figure; they stay there."""
        from trialkit.figure_frame import fits_frame, place_rows

        figure: Any = None if self._ax is None else self._ax.get_figure(root=True)
        if figure is not None and not fits_frame(figure):
            place_rows(figure, **_PLACE_IN)


Sources = tuple[dict[str, "pd.DataFrame"], dict[str, "pd.DataFrame"]]


def _timeline(
    inputs: PageInputs,
    runs: pd.DataFrame,
    batch: object,
    number: int,
    sources: Sources,
    sheet: _Sheet,
) -> list[Any]:
    """Draw the humidity of every chamber in one batch, each in a small figure of its own."""
    say = inputs.say
    own = runs if batch is None else runs[runs["batch"] == batch]
    own = own.sort_values("chamber") if "chamber" in own else own
    spans = (own["start"].min(), own["stop"].max())
    if not spans[0] < spans[1]:  # nor where a date is not known
        return []
    drawn = []
    for i, run in enumerate(own.to_dict("records")):
        names = (run.get("chamber", ""), batch, run.get(inputs.factor.name, ""))
        name = " · ".join(str(n) for n in names if n not in (None, ""))
        picture = _run_picture(inputs, run, f"humidity{number}-{i}", name, spans, sources, sheet)
        if picture is not None:
            drawn.append(picture)
    words = {"batch": str(batch or ""), "n": say.number(len(own), 0)}
    head = Words(say.text("delivered.timeline_title", **words))
    return [head, Grid(tuple(drawn))] if drawn else []


def _run_picture(
    inputs: PageInputs,
    run: dict[Any, Any],
    ident: str,
    name: str,
    span: tuple[Any, Any],
    sources: Sources,
    sheet: _Sheet,
) -> Picture | None:
    """Draw one chamber run over its days of fruiting."""
    from trialkit.figures import humidity_timeline

    (start, stop), say, settings = span, inputs.say, inputs.data.settings
    chamber = str(run.get("chamber", ""))
    climate, mist = (s.get(chamber, s.get("")) for s in sources)
    if climate is None:
        return None
    records = climate[(climate["time"] >= start) & (climate["time"] <= stop)]
    middle = say.percent(float(records["rh_pct"].median())) if len(records) else "–"

    def draw() -> Axes:
        ax = sheet.emptied()
        humidity_timeline(
            records,
            mist,
            flags=doubted_humidity(inputs.data.check, chamber, start, stop),
            troubles=mist_troubles(inputs.data.check, chamber, start, stop),
            start=start,
            stop=stop,
            origin=start,
            bins=BINS,
            zone=inputs.trial.time_zone,
            band=(settings.band_low_rh, settings.band_high_rh),
            wording=say,
            ax=ax,
        )
        ax.set_ylabel(say.text("figure.humidity_short"), fontsize=8.5)
        sheet.place()
        return ax

    alt = say.text("alt.timeline", name=name, middle=middle)
    return make_picture(draw, ident=ident, alt=alt, caption=name, forms=1)
