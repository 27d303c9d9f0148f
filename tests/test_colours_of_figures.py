"""One colour, one meaning, over every figure there is: levels, air, faults, and words."""

import functools
import io

import pytest
from matplotlib.collections import Collection
from matplotlib.colors import to_hex, to_rgba_array
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.text import Text

from tests.test_figures import DRAW, LEVELS
from tests.test_style import contrast
from trialkit import style

#: Figures that show levels of a treatment; in all others no level's colour may be seen.
OF_LEVELS = {
    "yield_by_level", "ratio_to_reference", "flush_profiles", "exposure_by_run",
    "delivered_against_planned", "savings", "price_sensitivity", "trial_in_one_picture",
}  # fmt: skip
#: Figures of air, in which too dry and too wet may be seen.
OF_AIR = {"hours_by_band", "trial_in_one_picture"}
#: Figures that may mark a fault.
OF_FAULTS = {"humidity_timeline", "trial_in_one_picture"}


def hexes(colors):
    """Give what is seen of colours as hex, those that cannot be seen left out."""
    return {to_hex(c[:3]) for c in to_rgba_array(colors) if c[3] > 0}


@functools.cache
def drawn(name):
    """Give the colours of shapes and the colours of words of one figure."""
    ax = DRAW[name]()
    ax.figure.savefig(io.BytesIO(), format="svg")
    shapes, words = set(), set()
    for one in (ax, *ax.child_axes):
        for artist in one.findobj():
            if isinstance(artist, Text) and artist.get_text().strip():
                words |= hexes([artist.get_color()])
            elif isinstance(artist, Line2D) and len(artist.get_xdata()):
                lined = artist.get_linestyle() not in ("None", "none")
                shapes |= hexes([artist.get_color()]) if lined else set()
                marked = artist.get_marker() not in ("None", "none", "", None)
                if marked:
                    faces = [artist.get_markerfacecolor(), artist.get_markeredgecolor()]
                    shapes |= hexes([c for c in faces if c != "none"])
            elif isinstance(artist, Patch) and artist is not one.patch and artist.get_visible():
                shapes |= hexes([artist.get_facecolor()])
            elif isinstance(artist, Collection):
                shapes |= hexes(artist.get_facecolor()) | hexes(artist.get_edgecolor())
    return shapes, words


@pytest.mark.parametrize("name", DRAW)
def test_a_colour_means_one_thing(name):
    shapes, words = drawn(name)
    series = set(style.SERIES) | set(style.SERIES_WORDS)
    if name in OF_LEVELS:
        allowed = set(style.SERIES[: len(LEVELS)]) | set(style.SERIES_WORDS[: len(LEVELS)])
        assert shapes & allowed
        assert (shapes | words) & series <= allowed
    else:
        assert not (shapes | words) & series
    if name not in OF_AIR:
        assert style.WET not in shapes | words
    if name not in OF_FAULTS:
        assert style.FLAG not in shapes | words


@pytest.mark.parametrize("name", DRAW)
def test_every_colour_has_a_partner_on_a_dark_page(name):
    shapes, words = drawn(name)
    assert shapes | words <= set(style.DARK)


@pytest.mark.parametrize("name", DRAW)
def test_words_can_be_read_on_both_pages(name):
    """WCAG 2.2, 1.4.3: 4.5 to 1."""
    for word in drawn(name)[1]:
        assert contrast(word, style.PAPER) >= 4.5
        assert contrast(style.DARK[word], style.DARK[style.PAPER]) >= 4.5
