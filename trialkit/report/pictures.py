"""Figures of the page, each in two forms: for a screen or a sheet, and for a phone."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from markupsafe import Markup

from trialkit.figure_frame import fit_frame, fits_frame
from trialkit.report.page_parts import Picture
from trialkit.report.svg import inline_svg
from trialkit.style import drawing, page_form

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
        narrow = _inline(draw(), ident=f"{ident}-n" if forms > 1 else ident, alt=alt)
    told = " ".join(dict.fromkeys(form.notes))
    if forms == 1:
        return Picture(narrow, caption, note=told, slides=False)
    with page_form():
        wide = _inline(draw(), ident=ident, alt=alt)
    return Picture(wide, caption, note=told, narrow=narrow)


def _inline(drawn: Axes | Figure, *, ident: str, alt: str) -> Markup:
    """Fit a figure of several axes to its frame, and put it into the page.

    One that was made for its axes fits already.
    """
    from matplotlib.figure import Figure

    if isinstance(drawn, Figure):
        with drawing():
            fit_frame(drawn)
    figure = drawn if isinstance(drawn, Figure) else drawn.get_figure(root=True)
    fits = figure is not None and fits_frame(figure)
    return inline_svg(drawn, ident=ident, alt=alt, cut=not fits)
