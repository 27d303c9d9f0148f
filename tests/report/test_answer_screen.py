"""The first screen shows what the answer depends on, and which way is better."""

import pytest

import trialkit as tk
from tests.decision.test_depends import lit
from tests.decision.test_direction import timed
from trialkit.report.first_screen import answer_screen, draw_answer, further_tables
from trialkit.report.inputs import PageInputs
from trialkit.wording import read_wording


def inputs(trial, data):
    result = tk.analyse(trial, data)
    verdict = tk.decide(trial, result)
    return PageInputs(trial, result, verdict, read_wording(), data, {}, None)


def test_an_answer_that_depends_is_headed_and_drawn_by_cell(tmp_path):
    shown = inputs(*lit(tmp_path, 1.22, 0.75, sd_run=10, sd_block=20))
    screen = answer_screen(shown)
    assert screen.kind == "depends"
    assert screen.headline == (  # a gain of 22 % in dim light, a loss of 25 % in bright light
        "It depends on the light: with dim light, sparse has a higher yield than usual; "
        "with bright light, sparse is worse than usual"
    )
    # no average over the lights among the numbers
    assert not any("ield" in fact.name for fact in screen.facts)
    below, above = draw_answer(shown).axes  # differences come first
    rows = [label.get_text().split("\n")[0] for label in above.get_yticklabels()]
    assert rows == ["usual, dim", "sparse, dim", "usual, bright", "sparse, bright"]
    ratios = [label.get_text() for label in below.get_yticklabels()]
    assert ratios == ["sparse\ndim", "sparse\nbright"]
    (table,) = further_tables(shown)
    assert "for each level of light" in table.caption


@pytest.mark.parametrize(
    ("effect", "headline"),
    [
        (0.8, "Better: sparse has a shorter time to harvest than usual"),
        (1.3, "No: sparse has a longer time to harvest than usual, by more than the accepted 10 %"),
    ],
)
def test_days_are_headed_the_right_way_and_never_called_a_yield(tmp_path, effect, headline):
    shown = inputs(*timed(tmp_path, effect))
    screen = answer_screen(shown)
    assert screen.headline.startswith(headline)  # what it saves may follow
    said = [screen.question, screen.headline, screen.sentence, screen.picture.caption]
    assert not any("ield" in words for words in said)
    # the accepted loss is a rise: the shade lies right of no difference
    below = draw_answer(shown).axes[0]
    shade = below.patches[0].get_extents().transformed(below.transData.inverted())
    assert (round(shade.x0), round(shade.x1)) == (0, 10)
    assert below.get_xlabel() == "time to harvest against usual [%]"
