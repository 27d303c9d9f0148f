"""A figure written as SVG, its words measured once however many figures say them.

This module loads matplotlib; it is imported when something is drawn.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

from matplotlib.backends.backend_svg import RendererSVG

from trialkit.fit_text import size_of

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from matplotlib.font_manager import FontProperties

_DPI = 72  # a dot is a point
#: What would tell when, and by what, a drawing was made.
_UNTOLD = dict.fromkeys(("Date", "Creator", "Format", "Type"))


class Renderer(RendererSVG):  # type: ignore[misc, unused-ignore]
    """Writes SVG as matplotlib does, with measures of words kept from figure to figure."""

    def get_text_width_height_descent(
        self, s: str, prop: FontProperties, ismath: Any
    ) -> tuple[float, float, float]:
        """Give the size of a line of words, in points."""
        if not ismath:
            return size_of(s, prop)
        plain: Any = super()
        wide, tall, descent = plain.get_text_width_height_descent(s, prop, ismath)
        return wide, tall, descent


_RENDERER: Any = Renderer  # matplotlib says nothing of its types here


def write_svg(figure: Figure, *, pad: float | None = None) -> tuple[str, tuple[float, ...]]:
    """Write a figure as SVG.

    Saving it as a file would draw it twice where it is cut to what is drawn.

    Parameters
    ----------
    figure : Figure
        Drawn without its paper.
    pad : float, optional
        Room around what is drawn, in inches; all of the figure is shown without it.

    Returns
    -------
    text : str
    shown : (left, top, width, height)
        The part of the drawing that is to be seen, in points.
    """
    target, dots, paper = io.StringIO(), figure.dpi, figure.get_facecolor()
    wide, tall = (_DPI * float(v) for v in figure.get_size_inches())
    figure.dpi = _DPI
    figure.set_facecolor("none")
    try:
        renderer: Any = _RENDERER(wide, tall, target, image_dpi=dots, metadata=_UNTOLD)
        figure.draw(renderer)
        shown = (0.0, 0.0, wide, tall)
        if pad is not None:
            box: Any = figure.get_tightbbox(renderer).padded(pad)  # in inches, from below
            shown = (box.x0 * _DPI, tall - box.y1 * _DPI, box.width * _DPI, box.height * _DPI)
        renderer.finalize()
    finally:
        figure.dpi = dots
        figure.set_facecolor(paper)
    return target.getvalue(), shown
