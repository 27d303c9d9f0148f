"""Answers of several trials to one question, under one another, with what they say together."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from trialkit.columns.response import Better, response_of
from trialkit.figures.rows import (
    MARGINS_IN,
    draw_interval,
    draw_margin,
    number_axis,
    set_range,
    set_rows,
    side_label,
)
from trialkit.figures.yields import decimals_of, estimate_words
from trialkit.style import INK, RULE, SOFT, Look, axes, dress, note, styled
from trialkit.visible_text import brief
from trialkit.wording import Wording, read_wording

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd
    from matplotlib.axes import Axes

#: Height of one row [inches].
_ROW_IN = 0.36
#: Longest name of a trial beside its row [letters].
_NAME = 32
_TRIAL = Look(SOFT, "o", "solid", "")
_MEAN = Look(INK, "D", "solid", "")
_NEXT = Look(SOFT, "D", "solid", "")


@styled
def answers_together(
    trials: pd.DataFrame,
    *,
    pooled: Mapping[str, float],
    control: str,
    margin_pct: float,
    better: Better = "more",
    response: str = "fresh_g",
    basis: str = "",
    level: float = 0.95,
    wording: Wording | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw each trial's answer, their mean, and what the next room or season may show.

    Parameters
    ----------
    trials : DataFrame
        `trial, ratio, low, high`, one row per trial, in the order to be drawn.
    pooled : mapping
        `ratio, low, high` of the mean, `next_low, next_high` of the next trial.
    control : str
        Level that ratios are to.
    margin_pct : float
        Loss accepted, in percent of the control.
    better : {"more", "less"}
    response : str
        Column compared, for the axis label.
    basis : str
        What the figure rests on, such as ``"n = 12 trials."``, written under it.
    level : float
        Confidence of the intervals.
    wording : Wording, optional
    ax : Axes, optional

    Returns
    -------
    Axes
    """
    say = wording or read_wording()
    ax = axes(ax, width=5.8, height=MARGINS_IN + _ROW_IN * (len(trials) + 2))
    change = 100 * (trials[["ratio", "low", "high"]] - 1)
    change = change.rename(columns={"ratio": "estimate"})
    mean = {k: 100 * (pooled[n] - 1) for k, n in _MEAN_ENDS.items()}
    ahead = {k: 100 * (pooled[n] - 1) for k, n in _NEXT_ENDS.items()}
    side = -1 if better == "more" else 1
    seen = [*change.to_numpy(float).ravel(), *mean.values(), *ahead.values(), side * margin_pct]
    set_range(ax, [*map(float, seen), 0.0])
    draw_margin(ax, side * margin_pct, 0.0, wording=say, margin_pct=margin_pct)
    places = decimals_of(change)
    rows: list[tuple[dict[Any, Any], Look]] = [(r, _TRIAL) for r in change.to_dict("records")]
    for i, (row, look) in enumerate([*rows, (mean, _MEAN), (ahead, _NEXT)]):
        draw_interval(ax, row["estimate"], row["low"], row["high"], i, look)
        finer = places + (look is not _TRIAL)  # what all say together is known better
        side_label(ax, estimate_words(row, say, finer, sign=True), i)
    ax.axhline(len(trials) - 0.5, color=RULE, linewidth=1.0)
    names = [brief(str(name), _NAME) for name in trials["trial"]]
    set_rows(ax, [*names, say.text("figure.together.mean"), say.text("figure.together.next")])
    for word in ax.get_yticklabels()[-2:]:
        word.set_color(INK)
        word.set_fontweight("bold")
    noun = say.written(response_of(response).noun)
    ax.set_xlabel(say.text("figure.ratio.axis", reference=control, noun=noun))
    number_axis(ax, say, sign=True)
    note(ax, say.text("figure.together.note", level=say.confidence(level), basis=basis))
    return dress(ax, grid="x")


_MEAN_ENDS = {"estimate": "ratio", "low": "low", "high": "high"}
_NEXT_ENDS = {"estimate": "ratio", "low": "next_low", "high": "next_high"}
