"""The map and the curve of chances: where things stand, measured out by hand."""

import numpy as np
import pytest
from matplotlib.colors import to_rgb

import trialkit as tk
from trialkit.design.power.power import power
from trialkit.design.sheets.map import draw_map


def patches(axes):
    """Give left, top, width and height of each place, and its colour."""
    return [
        ((p.get_x(), p.get_y(), p.get_width(), p.get_height()), p.get_facecolor()[:3])
        for p in axes.patches
    ]


@pytest.fixture
def drawn(make_trial):
    """Two batches down and four chambers across, each chamber with two shelves below its name."""
    trial = make_trial(
        "structure = '(batch * chamber) / shelf / block'\nbatch = 2\nchamber = 4\nshelf = 2\n"
        "block = 3",
        {"schedule": ("batch:chamber", ["usual", "sparse"], ""),
         "light": ("batch:chamber:shelf", ["dim", "bright"], "")},
    )  # fmt: skip
    plan = tk.assign(trial)
    figure = draw_map(plan)
    return plan, figure, figure.axes[0]


def test_places_of_runs_stand_in_rows_of_batches_and_columns_of_chambers(drawn):
    """A chamber has a quarter of the width, of which a twentieth is left free around it.

    So the second begins at 0.25 + 0.0125/2 = 0.25625 and is 0.2375 wide; batches have a half.
    """
    plan, _, axes = drawn
    outer = patches(axes)[:8]
    want = {
        (round(c / 4 + 0.00625, 6), round(b / 2 + 0.0125, 6), 0.2375, 0.475)
        for b in range(2) for c in range(4)
    }  # fmt: skip
    assert {tuple(round(v, 6) for v in place) for place, _ in outer} == want
    assert len(patches(axes)) == 8 + 16
    assert axes.get_xlim() == (0, 1)
    assert axes.get_ylim() == (1, 0)  # the first batch on top
    assert axes.get_yticks().tolist() == [0.25, 0.75]
    assert axes.get_xticks().tolist() == [0.125, 0.375, 0.625, 0.875]
    assert [t.get_text() for t in axes.get_yticklabels()] == list(plan.trial.levels["batch"])
    assert [t.get_text() for t in axes.get_xticklabels()] == list(plan.trial.levels["chamber"])


def test_shelves_lie_inside_their_chamber_below_its_name(drawn):
    """The name takes 38 % of the height, what lies within shares the rest; none over another."""
    _, _, axes = drawn
    outer, inner = patches(axes)[:8], patches(axes)[8:]
    for (left, top, width, tall), _ in inner:
        holders = [
            o for o, _ in outer
            if o[0] - 1e-9 <= left and left + width <= o[0] + o[2] + 1e-9
            and o[1] - 1e-9 <= top and top + tall <= o[1] + o[3] + 1e-9
        ]  # fmt: skip
        assert len(holders) == 1
        assert top >= holders[0][1] + 0.38 * holders[0][3] - 1e-9
    for i, (a, _) in enumerate(inner):
        for b, _ in inner[i + 1 :]:
            apart_x = a[0] + a[2] <= b[0] + 1e-9 or b[0] + b[2] <= a[0] + 1e-9
            apart_y = a[1] + a[3] <= b[1] + 1e-9 or b[1] + b[3] <= a[1] + 1e-9
            assert apart_x or apart_y
    assert sum(place[2] * place[3] for place, _ in inner) > 0.4


def test_places_have_the_colour_and_the_words_of_their_level(drawn):
    """The same level, the same colour; shades of grey within; light enough for dark words."""
    plan, figure, axes = drawn
    runs = plan.table.drop_duplicates(["batch", "chamber"])
    colours = {}
    for (_, colour), level in zip(patches(axes)[:8], runs["schedule"], strict=True):
        colours.setdefault(level, set()).add(colour)
    assert all(len(found) == 1 for found in colours.values())
    assert len(set.union(*colours.values())) == 2
    inner = {colour for _, colour in patches(axes)[8:]}
    assert len(inner) == 2
    assert all(len(set(colour)) == 1 for colour in inner)  # greys
    for colour in {c for _, c in patches(axes)}:
        r, g, b = (v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in colour)
        light = 0.2126 * r + 0.7152 * g + 0.0722 * b
        assert (light + 0.05) / 0.05 > 7  # contrast with black, WCAG 2.1
    words = [t.get_text() for t in axes.texts]
    assert words.count("usual") == (runs["schedule"] == "usual").sum() == 4
    assert words.count("dim") == words.count("bright") == 8
    for text in axes.texts:
        assert 4.5 <= text.get_fontsize() <= 11
        x, y = text.get_position()
        assert any(p[0] < x < p[0] + p[2] and p[1] < y < p[1] + p[3] for p, _ in patches(axes))
    legend = [t.get_text() for t in figure.legends[0].get_texts()]
    assert legend == ["schedule: usual", "schedule: sparse", "light: dim", "light: bright"]
    assert to_rgb("white") not in {c for _, c in patches(axes)[:8]}


def test_the_curve_shows_chances_from_nought_to_one_against_what_is_added(chambers):
    """A line for each kind of unit, with one point for each number added."""
    found = power(chambers(), method="exact")
    axes = found.curve(most=3)
    low, high = axes.get_ylim()
    assert low == 0
    assert 1 <= high < 1.1
    assert axes.get_yticks().tolist() == pytest.approx([0, 0.2, 0.4, 0.6, 0.8, 1.0])
    lines = [line for line in axes.get_lines() if len(line.get_xdata()) > 2]
    assert [line.get_xdata().tolist() for line in lines] == [[0, 1, 2, 3]] * len(lines)
    starts = {round(float(line.get_ydata()[0]), 9) for line in lines}
    assert len(starts) == 1  # all begin with the trial as it is
    for line in lines:
        assert (np.diff(line.get_ydata()) >= -1e-9).all()
        assert ((line.get_ydata() >= 0) & (line.get_ydata() <= 1)).all()
    wanted = [line for line in axes.get_lines() if len(set(line.get_ydata())) == 1]
    assert any(line.get_ydata()[0] == found.wanted for line in wanted)
