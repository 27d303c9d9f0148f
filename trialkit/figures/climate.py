"""Pictures of what the chambers got: humidity over time, hours in the band, mist delivered."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from trialkit.columns import head
from trialkit.figures.rows import height_for, legend_above, number_axis, set_range, set_rows, spread
from trialkit.style import (
    DRY,
    FLAG,
    INK,
    PAPER,
    RULE,
    SOFT,
    WASH,
    WET,
    axes,
    dress,
    looks,
    note,
    styled,
)
from trialkit.wording import Wording, read_wording

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

#: Share of the time that fills the strip of mist, so that schedules look different.
STRIP_SHARE = 0.2
STRIP_HEIGHT = 0.16  #: of the axes
_FEW_PULSES = 240  # up to so many mist pulses are drawn one by one


@styled
def humidity_timeline(
    records: pd.DataFrame,
    mist: pd.DataFrame | None = None,
    *,
    start: pd.Timestamp,
    stop: pd.Timestamp,
    band: tuple[float | None, float | None] = (None, None),
    flags: pd.DataFrame | None = None,
    troubles: pd.DataFrame | None = None,
    origin: pd.Timestamp | None = None,
    column: str = "rh_pct",
    zone: str = "UTC",
    bins: int = 320,
    wording: Wording | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw one chamber's humidity over time, with its mist, its gaps and its flagged times.

    Many records are drawn as the range and middle of each of `bins` short stretches of time;
    the strip of mist at the bottom is full when the mist is on for a fifth of the time.

    Parameters
    ----------
    records : DataFrame
        `time` (UTC) and `rh_pct` [%] of one chamber; other rows are not wanted here.
    mist : DataFrame, optional
        `start, stop` (UTC) of the times the mist was on.
    start, stop : Timestamp
        Stretch of time drawn (UTC).
    band : (low, high)
        Humidity wanted [%]; either may be None.
    flags : DataFrame, optional
        `start, stop` (UTC): times whose records were set aside or doubted.
    troubles : DataFrame, optional
        `start, stop` (UTC): times in which the mist failed.
    origin : Timestamp, optional
        Moment from which the axis counts days; it gives dates by default.
    column : str
        Column drawn instead of humidity, such as ``"temp_c"``.
    zone : str
        Time zone of the axis.
    bins : int
        Number of stretches.
    wording : Wording, optional
        Words and numbers; English by default.
    ax : Axes, optional
        Where to draw; new axes by default.

    Returns
    -------
    Axes
    """
    import pandas as pd

    say = wording or read_wording()
    ax = axes(ax, height=2.4)
    step = _usual_step_s(records["time"])
    if step > 0:  # a stretch shorter than two records would look like a gap
        bins = max(4, min(bins, int((stop - start).total_seconds() / (2 * step))))
    edges = pd.date_range(start, stop, periods=bins + 1)
    at = _days(edges)
    low, middle, high = _binned(records, column, edges)
    look = INK
    lower, upper = band
    if lower is not None or upper is not None:
        ax.axhspan(lower or 0, upper or 100, color=WASH, linewidth=0, zorder=0)
        for limit in (lower, upper):
            if limit is not None:
                ax.axhline(limit, color=SOFT, linewidth=0.8, linestyle=(0, (4, 2)), zorder=1)
    _draw_gaps(ax, at, middle)
    ax.fill_between((at[:-1] + at[1:]) / 2, low, high, color=look, alpha=0.28, linewidth=0)
    ax.plot((at[:-1] + at[1:]) / 2, middle, color=look, linewidth=1.1)
    if column == "rh_pct":
        finite = low[~pd.isna(low)]
        ax.set_ylim(min(60.0, float(finite.min()) - 5 if len(finite) else 60.0), 104)
    if mist is not None:
        _draw_mist(ax, mist, edges)
    if flags is not None and len(flags):
        for first, last in zip(_days(flags["start"]), _days(flags["stop"]), strict=True):
            ax.axvspan(first, last, ymin=0.965, ymax=1.0, color=FLAG, linewidth=0)
    if troubles is not None and len(troubles):
        _draw_troubles(ax, troubles)
    ax.set_xlim(at[0], at[-1])
    if origin is None:
        _time_axis(ax, zone, say)
    else:
        _day_axis(ax, origin, say)
    ax.set_ylabel(head(column))
    number_axis(ax, say, axis="y")
    return dress(ax)


def _moments(times: Any) -> Any:
    """Give moments as nanoseconds, whatever their unit and zone."""
    import pandas as pd

    return pd.DatetimeIndex(times).as_unit("ns").asi8


def _usual_step_s(times: pd.Series) -> float:
    """Give the usual time between records [s]; 0 if there are too few to tell."""
    import numpy as np

    steps = np.diff(np.sort(_moments(times.dropna())))
    steps = steps[steps > 0]
    return float(np.median(steps)) / 1e9 if len(steps) else 0.0


def _binned(records: pd.DataFrame, column: str, edges: pd.DatetimeIndex) -> tuple[Any, Any, Any]:
    """Give lowest, middle and highest value of each stretch; NaN where there are none."""
    import numpy as np

    times, limits = _moments(records["time"]), _moments(edges)
    values = records[column].to_numpy(dtype=float)
    keep = np.isfinite(values) & (times >= limits[0]) & (times < limits[-1])
    times, values = times[keep], values[keep]
    place = np.searchsorted(limits, times, side="right") - 1
    order = np.lexsort((values, place))
    place, values = place[order], values[order]
    out = np.full((3, len(limits) - 1), np.nan)
    first = np.flatnonzero(np.diff(place, prepend=-1))
    last = np.append(first, len(place))[1:] - 1
    middle = (values[(first + last) // 2] + values[(first + last + 1) // 2]) / 2
    out[:, place[first]] = values[first], middle, values[last]
    return out[0], out[1], out[2]


def _runs(wanted: Any) -> list[tuple[int, int]]:
    """Find stretches of True: (first, one past last) pairs."""
    import numpy as np

    jumps = np.flatnonzero(np.diff(np.concatenate([[0], np.asarray(wanted, dtype=int), [0]])))
    return [(int(a), int(b)) for a, b in zip(jumps[::2], jumps[1::2], strict=True)]


def _days(times: Any) -> Any:
    """Give moments as the day numbers that a time axis counts in."""
    from importlib import import_module

    dates: Any = import_module("matplotlib.dates")
    return dates.date2num(times)


def _draw_gaps(ax: Axes, at: Any, middle: Any) -> None:
    import numpy as np

    for first, last in _runs(np.isnan(middle)):
        ax.axvspan(at[first], at[last], facecolor="none", edgecolor=RULE, hatch="////", linewidth=0)


def _draw_mist(ax: Axes, mist: pd.DataFrame, edges: pd.DatetimeIndex) -> None:
    """Draw mist in a strip along the bottom: single pulses, or the share of time it was on."""
    import numpy as np

    limits = _moments(edges)
    first, last = _moments(mist["start"]), _moments(mist["stop"])
    inside = ((last > limits[0]) & (first < limits[-1]) & mist["start"].notna()).to_numpy(bool)
    first, last = first[inside], last[inside]
    strip: dict[str, Any] = {"color": SOFT, "linewidth": 0}
    bottom, top = ax.get_ylim()
    tall = STRIP_HEIGHT * (top - bottom)
    ax.axhline(bottom + tall, color=RULE, linewidth=0.7)
    if len(first) <= _FEW_PULSES:
        pulses = (_days(moments.astype("datetime64[ns]")) for moments in (first, last))
        for begun, ended in zip(*pulses, strict=True):
            ax.axvspan(begun, ended, ymin=0, ymax=STRIP_HEIGHT, **strip)
    else:
        share = _on_seconds(first, last, limits) / (np.diff(limits) / 1e9)
        scale = tall / max(float(np.nanmax(share)), STRIP_SHARE)
        height = bottom + share * scale
        ax.fill_between(_days(edges), bottom, [*height, bottom], step="post", **strip)
    ax.set_ylim(bottom, top)


def _draw_troubles(ax: Axes, troubles: pd.DataFrame) -> None:
    """Frame the times in which the mist failed in its strip, as the trial in one picture does."""
    for first, last in zip(_days(troubles["start"]), _days(troubles["stop"]), strict=True):
        frame: dict[str, Any] = {"facecolor": "none", "edgecolor": FLAG, "linewidth": 1.4}
        ax.axvspan(first, last, ymin=0.0, ymax=STRIP_HEIGHT * 1.15, zorder=5, **frame)


def _day_axis(ax: Axes, origin: pd.Timestamp, say: Wording) -> None:
    """Count days from a moment along the axis."""
    from matplotlib.ticker import FixedLocator, FuncFormatter

    first = float(_days(origin))
    days = ax.get_xlim()[1] - first
    step = 7 if days > 10 else 1 if days > 2 else 0.25
    places = [first + step * i for i in range(int(days / step) + 1)]
    ax.xaxis.set_major_locator(FixedLocator(places))
    ax.xaxis.set_major_formatter(FuncFormatter(lambda x, _: say.number(round(x - first, 2))))


def on_seconds(mist: pd.DataFrame, edges: pd.DatetimeIndex) -> Any:
    """Give the seconds of mist in each stretch between two edges.

    Parameters
    ----------
    mist : DataFrame
        `start, stop` (UTC).
    edges : DatetimeIndex
        Limits of the stretches.

    Returns
    -------
    ndarray
        One value per stretch [s].
    """
    return _on_seconds(_moments(mist["start"]), _moments(mist["stop"]), _moments(edges))


def _on_seconds(first: Any, last: Any, limits: Any) -> Any:
    """Give the seconds of mist in each stretch, all moments as nanoseconds."""
    import numpy as np

    # seconds of mist up to each limit; the difference is what falls between two limits
    order_a, order_b = np.sort(first), np.sort(last)
    sum_a = np.concatenate([[0.0], np.cumsum(order_a.astype(float) - limits[0])])
    sum_b = np.concatenate([[0.0], np.cumsum(order_b.astype(float) - limits[0])])
    begun = np.searchsorted(order_a, limits)
    ended = np.searchsorted(order_b, limits)
    at = (limits - limits[0]).astype(float)
    up_to = (at * begun - sum_a[begun]) - (at * ended - sum_b[ended])
    return np.diff(up_to) / 1e9


def _time_axis(ax: Axes, zone: str, say: Wording) -> None:
    from importlib import import_module

    from trialkit.figures.ticks import LocaleDays

    dates: Any = import_module("matplotlib.dates")
    locator = dates.AutoDateLocator(tz=ZoneInfo(zone), minticks=3, maxticks=8)
    ax.xaxis.set_major_locator(locator)
    ax.xaxis.set_major_formatter(LocaleDays(say, zone))


@styled
def hours_by_band(
    runs: pd.DataFrame,
    *,
    factor: str | None = None,
    wording: Wording | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw how the hours of each chamber run split into dry, in the band, wet and unrecorded.

    Parameters
    ----------
    runs : DataFrame
        One row per chamber run: `batch, chamber` (those there are), `hours_below_band`,
        `hours_in_band`, `hours_above_band`, `window_h` [h], and the column of `factor`.
    factor : str, optional
        Treatment whose level is written beside each run; runs are drawn in the order given.
    wording : Wording, optional
        Words and numbers; English by default.
    ax : Axes, optional
        Where to draw; new axes by default.

    Returns
    -------
    Axes
    """
    import numpy as np

    say = wording or read_wording()
    ax = axes(ax, height=1.3 + 0.2 * len(runs))
    parts = [
        ("hours_below_band", DRY, ""),
        ("hours_in_band", WASH, ""),
        ("hours_above_band", WET, ".."),
    ]
    whole = runs["window_h"].to_numpy(dtype=float)
    left = np.zeros(len(runs))
    rows = np.arange(len(runs))
    for column, color, hatch in parts:
        share = 100 * runs[column].to_numpy(dtype=float) / whole
        share = np.nan_to_num(share)
        ax.barh(
            rows,
            share,
            left=left,
            height=0.72,
            color=color,
            hatch=hatch,
            edgecolor=PAPER,
            linewidth=0.5,
            label=say.text(f"figure.{column}"),
        )
        left = left + share
    ax.barh(
        rows,
        np.clip(100 - left, 0, None),
        left=left,
        height=0.72,
        facecolor="none",
        edgecolor=RULE,
        hatch="////",
        linewidth=0.5,
        label=say.text("figure.hours_unrecorded"),
    )
    set_rows(ax, [_run_name(row, factor) for row in runs.to_dict("records")], dense=True)
    ax.set_ylim(len(runs) - 0.4, -0.6)
    ax.set_xlim(0, 100)
    ax.set_xlabel(say.text("figure.hours.axis"))
    number_axis(ax, say)
    note(ax, say.text("figure.hours.note", n=say.number(len(runs), 0)))
    legend_above(ax)
    return dress(ax, grid="")


@styled
def exposure_by_run(
    runs: pd.DataFrame,
    exposure: str,
    *,
    factor: str | None = None,
    order: Sequence[str] | None = None,
    wording: Wording | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw one exposure of each chamber run, by treatment.

    Parameters
    ----------
    runs : DataFrame
        One row per chamber run: the column of the exposure and that of `factor`.
    exposure : str
        Column of ``aligned.runs``, such as ``"wet_hours"``.
    factor : str, optional
        Treatment whose levels are the rows; without it all runs are in one row.
    order : sequence of str, optional
        Levels in the order that fixes their colours and rows.
    wording : Wording, optional
        Words and numbers; English by default.
    ax : Axes, optional
        Where to draw; new axes by default.

    Returns
    -------
    Axes
    """
    say = wording or read_wording()
    known = runs[runs[exposure].notna()]
    level = known[factor].astype(str) if factor else known[exposure].map(lambda _: "")
    names = _ordered(level, order)
    look, names = looks(names), _present(names, level)
    ax = axes(ax, height=height_for(len(names)))
    set_range(ax, [0.0, *map(float, known[exposure])])
    for i, name in enumerate(names):
        _heap(ax, [float(v) for v in known.loc[level == name, exposure]], i, look[name])
    set_rows(ax, [f"{n}\nn = {(level == n).sum()}".strip() for n in names])
    ax.set_xlabel(head(exposure))
    number_axis(ax, say)
    note(ax, say.text("figure.hours.note", n=say.number(len(known), 0)))
    return dress(ax, grid="x")


def _ordered(levels: pd.Series, order: Sequence[str] | None) -> list[str]:
    """Give all levels in the order of the trial, which fixes colours; others come last."""
    return list(dict.fromkeys([*map(str, order or ()), *levels]))


def _present(names: Sequence[str], levels: pd.Series) -> list[str]:
    """Leave out levels that no run has."""
    there = set(levels)
    return [name for name in names if name in there]


def _run_name(row: dict[Any, Any], factor: str | None) -> str:
    name = " ".join(str(row[k]) for k in ("batch", "chamber") if k in row)
    return f"{row[factor]} · {name}" if factor and factor in row else name


@styled
def delivered_against_planned(
    fidelity: pd.DataFrame,
    *,
    delivered: str = "delivered_duty_pct",
    planned: str = "planned_duty_pct",
    order: Sequence[str] | None = None,
    wording: Wording | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw the mist each chamber run got against what its timer was set to.

    Parameters
    ----------
    fidelity : DataFrame
        `level`, `delivered_duty_pct` [%], `planned_duty_pct` [%] (missing where the mist
        was run by a sensor): one row per chamber run.
    delivered, planned : str
        Names of the two columns.
    order : sequence of str, optional
        Levels in the order that fixes their colours and rows.
    wording : Wording, optional
        Words and numbers; English by default.
    ax : Axes, optional
        Where to draw; new axes by default.

    Returns
    -------
    Axes
    """
    say = wording or read_wording()
    names = _ordered(fidelity["level"].dropna().astype(str), order)
    look, names = looks(names), _present(names, fidelity["level"].dropna().astype(str))
    ax = axes(ax, height=height_for(len(names)))
    both = [*fidelity[delivered], *fidelity[planned]]
    set_range(ax, [0.0, *map(float, both)])
    for i, name in enumerate(names):
        own = fidelity[fidelity["level"].astype(str) == name]
        for target in sorted({float(v) for v in own[planned] if math.isfinite(float(v))}):
            ax.plot([target] * 2, [i - 0.34, i + 0.34], color=INK, linewidth=2.4, zorder=2)
        _heap(ax, [float(v) for v in own[delivered].dropna()], i, look[name])
    set_rows(ax, [f"{n}\nn = {(fidelity['level'].astype(str) == n).sum()}" for n in names])
    ax.set_xlabel(say.text("figure.delivered.axis"))
    number_axis(ax, say)
    note(ax, say.text("figure.delivered.note"))
    return dress(ax, grid="x")


def _heap(ax: Axes, values: Sequence[float], y: float, look: Any) -> None:
    low, high = ax.get_xlim()
    moves = spread(values, width=(high - low) / 55, step=0.09)
    middle = max(moves, default=0.0) / 2
    ax.plot(
        values,
        [y + m - middle for m in moves],
        linestyle="none",
        marker=look.mark,
        markersize=5.2,
        markerfacecolor="none",
        markeredgecolor=look.color,
        markeredgewidth=1.1,
        zorder=3,
    )
