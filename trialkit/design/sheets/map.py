"""The plan as a map: batches down, chambers across, every place with its level.

Colour is never the only sign: each level also has a fill pattern and its name is written
in its place, so that the map can be read in grey and by the colour-blind.
"""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from trialkit.design.layout.allocation import Allocation
from trialkit.design.layout.site import strata_factors
from trialkit.fit_text import width_of, wrap
from trialkit.structure import Term
from trialkit.style import INK, NARROW, PAPER, RULE, SHADES, SOFT, drawing, is_narrow, looks
from trialkit.wording import Units, spoken

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from trialkit.trial import Factor

_WIDTH, _MOST_HEIGHT = 9.6, 13.0  # inches; fits A4 and US Letter, lying or standing
_GAP = 0.05  # share of a place left free around what lies in it
_SIGN = 46.0  # width of a sign in the legend and of the space beside it [pt]
_SMALLEST = 4.5  # words that would be smaller are left out [pt]
_HEAD = 0.38  # share of a place taken by its name where others lie within it


def draw_map(plan: Allocation) -> Figure:
    """Draw who receives what.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    Figure
        The first unit factor goes down, the second across; nested ones divide their places
        down and across in turn, as far as any treatment is given. Drawn for a phone, what there
        is more of goes down.
    """
    from matplotlib.figure import Figure

    trial = plan.trial
    groups = _by_stratum(plan)
    order = [name for name in trial.structure.factors if any(name in term for term in groups)]
    down, across = _directions(plan, order)
    rows = int(np.prod([trial.counts[name] for name in down]))
    height = float(np.clip(0.40 * rows + 1.8, 3.0, _MOST_HEIGHT))
    with drawing():
        size = (NARROW if is_narrow() else _WIDTH, height)
        figure = Figure(figsize=size, layout="constrained")
        axes = figure.subplots()
        places = _Places(plan, down, across)
        for depth, (term, factors) in enumerate(groups.items()):
            _draw_stratum(axes, plan, term, factors, places, depth, size)
        _frame(axes, plan, down, across)
        _explain(figure, groups)
        if not is_narrow():  # a page says it above
            title = f"{spoken().text('card.heading')}: {trial.title}"
            lines = wrap(title, 72 * _WIDTH - 60, float(axes.title.get_fontsize()), bold=True)
            axes.set_title("\n".join(lines))
    return figure


def _directions(plan: Allocation, order: list[str]) -> tuple[list[str], list[str]]:
    """Give the unit factors that go down and those that go across."""
    down, across = order[0::2], order[1::2]
    counts = plan.trial.counts
    if is_narrow() and across and counts[across[0]] > counts[down[0]]:
        return [across[0], *down[1:]], [down[0], *across[1:]]
    return down, across


def map_svg(plan: Allocation) -> str:
    """Give the map as SVG text; equal plans give equal text."""
    from matplotlib import rc_context

    out = io.StringIO()
    with drawing(), rc_context({"savefig.bbox": "standard"}):
        draw_map(plan).savefig(out, format="svg", metadata={"Date": None})
    drawn = out.getvalue()
    return drawn[drawn.index("<svg") :]


def save_png(plan: Allocation, path: Path) -> None:
    """Save the map as a picture on white, 150 dots per inch."""
    from matplotlib import rc_context

    with drawing(), rc_context({"savefig.bbox": "standard"}):
        draw_map(plan).savefig(path, format="png", dpi=150, facecolor="white")


def _by_stratum(plan: Allocation) -> dict[Term, list[Factor]]:
    """Group treatments by the places they are drawn in; strips that cross share theirs."""
    out: dict[Term, list[Factor]] = {}
    for term, factors in strata_factors(plan.trial).items():
        crossing = [t for t in out if not set(t) <= set(term)]
        place = plan.trial.structure.join(term, *crossing)
        for other in crossing:
            factors = [*out.pop(other), *factors]
        out[place] = [*out.get(place, []), *factors]
    return out


class _Places:
    """Where each unit lies: rectangles in units of the whole picture, 1 by 1."""

    def __init__(self, plan: Allocation, down: list[str], across: list[str]) -> None:
        self.levels = plan.trial.levels
        self.down, self.across = down, across
        self.treated = list(_by_stratum(plan))

    def rectangle(self, term: Term, unit: dict[str, str]) -> tuple[float, float, float, float]:
        """Give left, top, width and height of a unit, below the names of what holds it."""
        left, width = self._span(unit, [f for f in self.across if f in term])
        top, tall = self._span(unit, [f for f in self.down if f in term])
        for holder in self.treated:
            if set(holder) < set(term):
                _, from_top, _, whole = self.rectangle(holder, unit)
                top = from_top + whole * _HEAD + (top - from_top) * (1 - _HEAD)
                tall *= 1 - _HEAD
                break  # a holder's own rectangle already lies below its holders' names
        return left, top, width, tall

    def holds_others(self, term: Term) -> bool:
        """Tell whether treated units lie within a stratum's units."""
        return any(set(term) < set(other) for other in self.treated)

    def _span(self, unit: dict[str, str], factors: list[str]) -> tuple[float, float]:
        start, size = 0.0, 1.0
        for name in factors:
            names = self.levels[name]
            each = size / len(names)
            start += names.index(unit[name]) * each + _GAP * each / 2
            size = each * (1 - _GAP)
        return start, size


def _draw_stratum(
    axes: Axes,
    plan: Allocation,
    term: Term,
    factors: list[Factor],
    places: _Places,
    depth: int,
    size: tuple[float, float],
) -> None:
    """Draw the treatments of one stratum: a filled place per unit, with the levels' names."""
    from matplotlib.patches import Rectangle

    columns = [*term, *(f.name for f in factors)]
    holds = places.holds_others(term)
    for row in plan.table[columns].drop_duplicates().to_dict("records"):
        unit = {name: str(row[name]) for name in term}
        left, top, width, tall = places.rectangle(term, unit)
        names = [str(row[f.name]) for f in factors]
        fill = _fill(factors[0], names[0], depth)
        # what lies inside needs no room of its own, and the limits of the axes are known
        axes.add_artist(Rectangle((left, top), width, tall, clip_on=False, in_layout=False, **fill))
        room = tall * (_HEAD if holds else 1.0)
        word, points = _fitted(names, width, room, size)
        if points >= _SMALLEST:
            clear = {
                "boxstyle": "round,pad=0.15",
                "facecolor": PAPER,
                "edgecolor": "none",
                "alpha": 0.88,
            }
            axes.text(
                left + width / 2,
                top + room / 2,
                word,
                ha="center",
                va="center",
                fontsize=points,
                color=INK,
                fontweight="bold" if depth == 0 else "normal",
                parse_math=False,
                in_layout=False,
                bbox=clear if fill["hatch"] else None,
            )


def _fill(factor: Factor, level: str, depth: int) -> dict[str, Any]:
    """Give the fill of a level: colours and patterns outermost, shades of grey within."""
    names = list(factor.levels)
    if depth:
        share = _darker(factor).index(level) / max(1, len(names) - 1)
        shade = SHADES[round(share * (len(SHADES) - 1))]
        return {"facecolor": shade, "edgecolor": SOFT, "hatch": "", "linewidth": 0.6}
    look = looks(names)[level]
    return {
        "facecolor": look.fill,
        "edgecolor": look.color,
        "hatch": look.hatch,
        "linewidth": 1.1,
    }


def _darker(factor: Factor) -> list[str]:
    """Order levels from the lightest grey to the darkest: brighter light is lighter."""
    light = {name: s.lux or s.ppfd_umol_m2_s or 0.0 for name, s in factor.levels.items()}
    if all(s.kind == "light" for s in factor.levels.values()):
        return sorted(light, key=lambda name: -light[name])
    return list(factor.levels)


def _fitted(
    names: list[str], width: float, tall: float, size: tuple[float, float]
) -> tuple[str, float]:
    """Give the words of a place and the font size [pt] at which they fit, at most 11."""
    beside = 0.55 if is_narrow() else 1.0  # inches for the names of rows
    across, down = width * (size[0] - beside) * 72, tall * (size[1] - 1.6) * 72
    best = ("", 0.0)
    for word in ("\n".join(names), " · ".join(names)):
        lines = word.split("\n")
        longest = max(map(len, lines))
        points = min(11.0, across / (0.64 * longest + 1.2), down / (1.3 * len(lines) + 0.35))
        if points > best[1] + 0.5:
            best = (word, points)
    return best


def _frame(axes: Axes, plan: Allocation, down: list[str], across: list[str]) -> None:
    """Name the outer rows and columns, and part the rows by hairlines."""
    axes.set_xlim(0, 1)
    axes.set_ylim(1, 0)
    for side in axes.spines.values():
        side.set_visible(False)
    axes.tick_params(length=0)
    axes.xaxis.tick_top()
    axes.xaxis.set_label_position("top")
    levels = plan.trial.levels
    axes.set_yticks(_middles(len(levels[down[0]])), levels[down[0]])
    axes.set_ylabel(_axis_name(plan, down), color=SOFT)
    if across:
        axes.set_xticks(_middles(len(levels[across[0]])), levels[across[0]])
        axes.set_xlabel(_axis_name(plan, across), color=SOFT)
    else:
        axes.set_xticks([])
    for label in (*axes.get_xticklabels(), *axes.get_yticklabels()):
        label.set_parse_math(False)
        label.set_fontsize(10)
        label.set_fontweight("bold")
    for i in range(1, len(levels[down[0]])):
        axes.axhline(i / len(levels[down[0]]), color=RULE, linewidth=0.7, zorder=0)


def _axis_name(plan: Allocation, factors: list[str]) -> str:
    inner = []
    for name in factors[1:]:
        levels = plan.trial.levels[name]
        shown = ", ".join(levels) if len(levels) <= 4 else f"{levels[0]} … {levels[-1]}"
        inner.append(f"{Units((name,), 1)} {shown}")
    outer = str(Units((factors[0],), 1))
    if not inner:
        return outer
    return spoken().text("map_words.nested", outer=outer, inner="; ".join(inner))


def _middles(n: int) -> list[float]:
    return [(i + 0.5) / n for i in range(n)]


def _explain(figure: Figure, groups: dict[Term, list[Factor]]) -> None:
    """Say below the map what every level is, with its setting in words."""
    from matplotlib.patches import Patch

    handles, labels = [], []
    for depth, factors in enumerate(groups.values()):
        for place, factor in enumerate(factors):
            for level, setting in factor.levels.items():
                plain = {"facecolor": "none", "edgecolor": "none"}
                handles.append(Patch(**(plain if place else _fill(factor, level, depth))))
                words = setting.words
                labels.append(f"{factor.name}: {level}" + (f" ({words})" if words else ""))
    room = 72 * float(figure.get_size_inches()[0]) - 8
    longest = max(width_of(label, 9.0) for label in labels) + _SIGN
    columns = max(1, min(4, int(room // longest)))
    labels = ["\n".join(wrap(label, room - _SIGN, 9.0)) for label in labels]
    legend = figure.legend(
        handles,
        labels,
        loc="outside lower left",
        ncols=columns,
        handlelength=2.2,
        handleheight=1.4,
    )
    for text in legend.get_texts():
        text.set_parse_math(False)
