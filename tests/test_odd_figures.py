"""Every figure, for odd trials: no word over another, and none outside the frame of its figure."""

import inspect

import pytest

from tests.drawn_text import text_outside, text_over_text
from tests.odd_trials import ODD, drawings
from trialkit import figures
from trialkit.figures import rooms
from trialkit.figures.picture_space import WIDE_IN
from trialkit.style import NARROW, WIDTH, page_form

MADE = {name: drawings(odd) for name, odd in ODD.items()}
NAMES = list(MADE["no logs"])


def test_every_figure_is_drawn_here():
    here = {name: getattr(figures, name) for name in figures.__all__} | {
        name: made
        for name, made in inspect.getmembers(rooms, inspect.isfunction)
        if made.__module__ == rooms.__name__
    }
    takers = {n for n, made in here.items() if "ax" in inspect.signature(made).parameters}
    assert takers == set(NAMES)


def wrong(figure):
    """Give what is wrong with the words of a figure."""
    return {"over": text_over_text(figure), "outside": text_outside(figure)}


@pytest.mark.parametrize("odd", MADE)
@pytest.mark.parametrize("name", NAMES)
def test_words_of_a_wide_figure(name, odd):
    figure = MADE[odd][name]().figure
    assert wrong(figure) == {"over": [], "outside": []}
    assert figure.get_size_inches()[0] <= max(WIDTH, WIDE_IN)


@pytest.mark.slow
@pytest.mark.parametrize("odd", MADE)
@pytest.mark.parametrize("name", NAMES)
def test_words_of_a_figure_for_a_phone(name, odd):
    with page_form(narrow=True):
        figure = MADE[odd][name]().figure
    assert wrong(figure) == {"over": [], "outside": []}
    assert figure.get_size_inches()[0] <= NARROW
