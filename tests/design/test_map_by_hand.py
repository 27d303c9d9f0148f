"""The map and the pages it stands on: how large, how many places, how many words."""

from types import SimpleNamespace

import pytest
from matplotlib.figure import Figure

import trialkit as tk
from trialkit.design.sheets import map as drawn_map
from trialkit.design.sheets import printed


@pytest.fixture
def plan(make_trial):
    """Draw two batches of four chambers of two shelves: mist by run, light by shelf."""
    trial = make_trial(
        "structure = '(batch * chamber) / shelf'\nbatch = 2\nchamber = 4\nshelf = 2\nflushes = 2",
        {"mist": ("batch:chamber", 2, ""), "light": ("batch:chamber:shelf", 2, "")},
    )
    return tk.assign(trial)


@pytest.mark.parametrize(
    ("batches", "height"), [(2, 3.0), (4, 3.4), (10, 5.8), (28, 13.0), (40, 13.0)]
)
@pytest.mark.parametrize("narrow", [True, False])
def test_a_map_is_as_high_as_its_rows_ask(batches, height, narrow, monkeypatch):
    """1.8 in and 0.4 in a row, from 3 to 13 in."""
    trial = SimpleNamespace(
        structure=SimpleNamespace(factors=("batch", "chamber", "block")), title="Mist",
        counts={"batch": batches, "chamber": 3, "block": 5},
    )  # fmt: skip
    for name in ("_draw_stratum", "_frame", "_explain"):
        monkeypatch.setattr(drawn_map, name, lambda *_: None)
    monkeypatch.setattr(drawn_map, "_by_stratum", lambda plan: {("batch", "chamber"): []})
    monkeypatch.setattr(drawn_map, "_directions", lambda plan, order: (order[0::2], order[1::2]))
    monkeypatch.setattr(drawn_map, "_Places", lambda *_: None)
    monkeypatch.setattr(drawn_map, "is_narrow", lambda: narrow)
    shown = drawn_map.draw_map(SimpleNamespace(trial=trial))
    wide = drawn_map.NARROW if narrow else 9.6
    assert shown.get_size_inches().tolist() == pytest.approx([wide, height])
    title = "".join(shown.axes[0].get_title(loc=side) for side in ("left", "center"))
    assert ("Mist" in title) is not narrow  # a page says it above


def test_every_unit_has_its_place_and_its_words(plan):
    """Eight runs and sixteen shelves; names of what holds others are bold and stand on top."""
    shown = drawn_map.draw_map(plan)
    (axes,) = shown.axes
    assert len(axes.patches) == 8 + 16
    boxes = [p.get_bbox() for p in axes.patches]
    assert min(b.x0 for b in boxes) >= 0
    assert max(b.x1 for b in boxes) <= 1
    runs, shelves = boxes[:8], boxes[8:]
    assert all(any(r.x0 <= s.x0 and s.x1 <= r.x1 and r.y0 < s.y0 and s.y1 <= r.y1 + 1e-9
                   for r in runs) for s in shelves)  # fmt: skip
    words = axes.texts
    assert len(words) == 24
    assert [w.get_fontweight() for w in words] == ["bold"] * 8 + ["normal"] * 16
    for word, box, share in zip(words, boxes, [0.38] * 8 + [1.0] * 16, strict=True):
        x, y = word.get_position()
        assert x == pytest.approx((box.x0 + box.x1) / 2)
        assert y == pytest.approx(min(box.y0, box.y1) + abs(box.y1 - box.y0) * share / 2)
    told = sorted(w.get_text() for w in words[:8])
    assert told == ["m0"] * 4 + ["m1"] * 4
    assert [bool(p.get_hatch()) for p in axes.patches[8:]] == [False] * 16


def test_words_too_small_to_read_are_left_out(plan, monkeypatch):
    for points, words in ((4.5, 24), (4.49, 0)):
        monkeypatch.setattr(drawn_map, "_fitted", lambda *_, p=points: ("x", p))
        assert len(drawn_map.draw_map(plan).axes[0].texts) == words


def test_rows_are_parted_and_named(plan):
    (axes,) = drawn_map.draw_map(plan).axes
    assert axes.get_xlim() == (0, 1)
    assert axes.get_ylim() == (1, 0)
    assert [line.get_ydata()[0] for line in axes.lines] == [0.5]
    assert [t.get_text() for t in axes.get_yticklabels()] == list(plan.trial.levels["batch"])
    assert [t.get_text() for t in axes.get_xticklabels()] == list(plan.trial.levels["chamber"])
    assert axes.get_xticks().tolist() == [0.125, 0.375, 0.625, 0.875]
    assert {t.get_fontsize() for t in axes.get_xticklabels()} == {10}


@pytest.mark.parametrize(("letters", "columns"), [(2, 4), (90, 1)])
def test_the_legend_has_up_to_four_columns(letters, columns):
    """Names of 2 letters leave room for more than four, of 90 for one alone."""
    words = SimpleNamespace(words="w" * letters, kind="timed")
    factor = SimpleNamespace(name="mist", levels={f"l{i}": words for i in range(6)})
    shown = Figure(figsize=(9.6, 5))
    drawn_map._explain(shown, {("batch",): [factor]})
    (legend,) = shown.legends
    assert legend._ncols == columns
    assert len(legend.get_texts()) == 6


# ------------------------------------------------------------------ labels and cards


def rendered(monkeypatch):
    monkeypatch.setattr(printed, "_render", lambda name, plan, **values: values)


@pytest.mark.parametrize(
    ("size", "pad", "small", "how", "paper"),
    [("94x49", 3.0, False, "cut", "cut"), ("105x57", 3.0, False, "sheet", "A4"),
     ("70x37", 2.0, True, "sheet", "A4"),
     ("62x29", 2.0, True, "roll", "62mm 29mm"), ("100x50", 3.0, False, "roll", "100mm 50mm")],
)  # fmt: skip
def test_labels_have_their_page_their_edge_and_a_code_that_fits(
    plan, monkeypatch, size, pad, small, how, paper
):
    """A scan code has the height less edges, code (0.45 mm a point) and 5 mm; at most 27."""
    rendered(monkeypatch)
    page = printed.labels_page(plan, size=size)
    height = float(size.split("x")[1])
    assert (page["pad"], page["small"], page["paper"]) == (pad, small, paper)
    want = round(min(27.0, height - 2 * pad - 0.45 * page["size"] - 5), 1)
    assert page["scan"] == want
    assert list(page["flushes"]) == [1, 2]
    assert len(page["labels"]) == 16
    assert {len(label["lines"]) for label in page["labels"]} == {0}  # blind
    told = printed.labels_page(plan, size=size, blind=False)["labels"][0]["lines"]
    assert [name for name, _ in told] == ["mist", "light"]
    keys = []
    say = SimpleNamespace(text=lambda key, **v: keys.append(key) or "", listed=lambda names: "")
    monkeypatch.setattr(printed, "spoken", lambda: say)
    printed.labels_page(plan, size=size)
    assert f"label.how.{how}" in keys


def test_cards_are_those_of_the_outermost_treated_units(plan, monkeypatch):
    rendered(monkeypatch)
    page = printed.cards_page(plan, drawn="<svg/>")
    assert page["map"] == "<svg/>"
    cards = [card for sheet in page["pages"] for card in sheet]
    assert [len(sheet) for sheet in page["pages"]] == [4, 4]
    assert len(cards) == 8
    assert [len(cards_) for _, cards_ in page["lists"]] == [4, 4]
    for card in cards:
        (part,) = card["parts"]
        assert part["treatment"] == "mist"
        (within,) = card["within"]
        assert within["treatment"] == "light"
        assert len(within["inside"]) == 2


def test_a_scan_code_takes_the_size_of_its_box():
    code = printed.scan_code("1-T1-b2")
    assert code.startswith("<svg")
    assert "xmlns" in code
    assert "width=" not in code.partition(">")[0]
