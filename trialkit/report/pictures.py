"""Figures of the page, each in two forms: for a screen or a sheet, and for a phone."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from trialkit.report.page_parts import Picture
from trialkit.report.svg import inline_svg
from trialkit.style import NARROW, drawing, page_form

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def make_picture(
    draw: Callable[[], Axes | Figure], *, ident: str, alt: str, caption: str, forms: int = 2
) -> Picture:
    """Draw a figure for a wide page and for a phone; what it notes is written below it.

    Parameters
    ----------
    draw : callable
        Draws the figure anew; it asks `trialkit.style.is_narrow` for the form.
    ident : str
        Short name, unlike that of any other figure on the page.
    alt : str
        What the figure shows, for those who cannot see it.
    caption : str
        What it shows, in one sentence.
    forms : int
        1 where the form for a phone serves everywhere.
    """
    with page_form(narrow=True) as form:
        drawn: Any = draw()
        fit_width(drawn)
        narrow = inline_svg(drawn, ident=f"{ident}-n" if forms > 1 else ident, alt=alt)
    told = " ".join(dict.fromkeys(form.notes))
    if forms == 1:
        return Picture(narrow, caption, note=told, slides=False)
    with page_form():
        wide = inline_svg(draw(), ident=ident, alt=alt)
    return Picture(wide, caption, note=told, narrow=narrow)


def fit_width(drawn: Axes | Figure, wide: float = NARROW) -> None:
    """Move the sides of all axes so that what is drawn is so wide, in inches."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    figure: Any = getattr(drawn, "figure", drawn)
    canvas: Any = FigureCanvasAgg(figure)
    renderer = canvas.get_renderer()
    with drawing():
        for _ in range(2):  # ticks may change with the width
            whole = figure.get_size_inches()[0]
            box = figure.get_tightbbox(renderer)
            places = [ax.get_position() for ax in figure.axes]
            left, right = min(p.x0 for p in places), max(p.x1 for p in places)
            first = max(0.02, left - box.x0 / whole)
            last = min(right + (wide - box.x1) / whole, 1.0)
            stretch = max(last - first, 0.2) / (right - left)
            for ax, p in zip(figure.axes, places, strict=True):
                width = (p.x1 - p.x0) * stretch
                ax.set_position((first + (p.x0 - left) * stretch, p.y0, width, p.y1 - p.y0))
