"""The map of a plan, wide and for a phone, for odd trials: words in their places, none outside."""

import pytest
from matplotlib.colors import to_hex

import trialkit as tk
from tests.design.conftest import write_trial
from tests.drawn_text import text_outside, text_over_text
from tests.test_style import contrast
from trialkit.design.sheets.map import draw_map
from trialkit.style import DARK, INK, page_form

LONG = [f"a-schedule-whose-name-somebody-wrote-out-in-full-number-{i}" for i in range(3)]
BOXES = {
    "six runs": ("batch * chamber", 3, 2, ["usual", "sparse"]),
    "sixty runs of six": ("batch * chamber", 10, 6, [f"level-{i}" for i in range(6)]),
    "long names": ("batch * chamber", 4, 6, LONG),
}


def make_plan(folder, name):
    structure, batches, chambers, levels = BOXES[name]
    units = (
        f"structure = '({structure}) / shelf / block'\nbatch = {batches}\n"
        f"chamber = {chambers}\nshelf = 2\nblock = 3"
    )
    factors = {
        "schedule": ("batch:chamber", levels, ""),
        "light": ("batch:chamber:shelf", ["dim", "bright"], ""),
    }
    return tk.assign(write_trial(folder, units, factors))


@pytest.mark.parametrize("narrow", [False, True], ids=["wide", "phone"])
@pytest.mark.parametrize("name", BOXES)
def test_words_of_the_map_stay_apart_and_inside(tmp_path, name, narrow):
    plan = make_plan(tmp_path / "trial", name)
    with page_form(narrow=narrow):
        figure = draw_map(plan)
    assert text_over_text(figure) == []
    assert text_outside(figure) == []
    assert figure.get_size_inches()[0] * 96 <= (351 if narrow else 1000)


def test_a_phone_gets_what_there_is_more_of_downwards(tmp_path):
    plan = make_plan(tmp_path / "trial", "long names")
    with page_form(narrow=True):
        axes = draw_map(plan).axes[0]
    assert [t.get_text() for t in axes.get_yticklabels()] == list(plan.trial.levels["chamber"])
    assert [t.get_text() for t in axes.get_xticklabels()] == list(plan.trial.levels["batch"])


def test_fills_have_a_dark_partner_on_which_words_can_be_read(tmp_path):
    """WCAG 2.2, 1.4.3: 4.5 to 1, on light and on dark pages."""
    axes = draw_map(make_plan(tmp_path / "trial", "sixty runs of six")).axes[0]
    fills = {to_hex(patch.get_facecolor()) for patch in axes.patches}
    assert len(fills) == 8
    for fill in fills:
        assert contrast(INK, fill) >= 4.5
        assert contrast(DARK[INK], DARK[fill]) >= 4.5
