"""Where the words of a figure lie when it is drawn: over one another, or outside the frame."""

import itertools
from weakref import WeakKeyDictionary

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text

_found = WeakKeyDictionary()


def _boxes(figure):
    """Give every word that is drawn with its box, in dots: ticks beyond the axes are not drawn.

    Laid out as for paper, but no dot is painted; a figure that has not changed is not laid out
    again.
    """
    if figure in _found and not figure.stale:
        return _found[figure]
    FigureCanvasAgg(figure)
    figure.draw_without_rendering()  # settles ticks and layout
    drawn = []
    plain = Text.draw

    def draw(self, renderer):
        if self.get_visible() and self.get_text().strip():
            drawn.append((self.get_text(), self.get_window_extent(renderer)))

    Text.draw = draw
    try:
        figure.draw_without_rendering()
    finally:
        Text.draw = plain
    _found[figure] = drawn
    return drawn


def text_over_text(figure, *, slack=1.0):
    """Give pairs of words whose boxes cover one another by more than `slack` dots."""
    found = []
    for (one, a), (two, b) in itertools.combinations(_boxes(figure), 2):
        wide = min(a.x1, b.x1) - max(a.x0, b.x0)
        tall = min(a.y1, b.y1) - max(a.y0, b.y0)
        if wide > slack and tall > slack:
            found.append((one, two))
    return found


def text_outside(figure, *, slack=1.5):
    """Give words that reach outside the frame of the figure."""
    box = figure.bbox
    return [
        word
        for word, a in _boxes(figure)
        if a.x0 < box.x0 - slack or a.x1 > box.x1 + slack
        or a.y0 < box.y0 - slack or a.y1 > box.y1 + slack
    ]  # fmt: skip
