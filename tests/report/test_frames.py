"""Figures that are placed or fitted, and so not cut when saved, hold every word they say."""

import re
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from tests.drawn_text import text_outside, text_over_text
from trialkit.cli import timelines
from trialkit.figure_frame import fit_frame, fits_frame, place_rows
from trialkit.figures import humidity_timeline
from trialkit.report import pictures
from trialkit.report.svg import inline_svg
from trialkit.report.timelines import _Sheet
from trialkit.style import drawing, page_form
from trialkit.wording.message import speaking

pytestmark = pytest.mark.xdist_group("report")


def test_rows_are_placed_as_drawn_on_paper():
    """Two rows of 2 inches, 0.5 apart, 1 above and 1.5 below: 7 inches, by hand."""
    figure = Figure(figsize=(10, 3))
    figure.subplots(2, 1)
    place_rows(figure, row=2.0, left=1.0, right=0.5, above=1.0, below=1.5, apart=0.5)
    assert figure.get_size_inches() == pytest.approx((10, 7))
    upper, lower = (ax.get_position() for ax in figure.axes)
    assert (upper.x0, upper.x1) == (lower.x0, lower.x1) == pytest.approx((0.1, 0.95))
    assert (upper.y1 * 7, upper.y0 * 7) == pytest.approx((6, 4))
    assert (lower.y1 * 7, lower.y0 * 7) == pytest.approx((3.5, 1.5))


def test_a_figure_fits_once_it_was_fitted():
    figure = Figure()
    figure.subplots().set_xlabel("days")
    assert not fits_frame(figure)
    fit_frame(figure)
    assert fits_frame(figure)


def labelled():
    """Give a figure whose numbers along the side are long, with names of both axes."""
    with drawing():
        figure = Figure(figsize=(5, 3))
        ax = figure.subplots()
        ax.plot([0, 10], [1_000_000, 3_000_000])
        ax.set(xlabel="days", ylabel="weight")
    return figure


def test_names_of_axes_are_kept_where_the_drawing_library_would_put_them():
    fitted, plain = labelled(), labelled()
    with drawing():
        fit_frame(fitted)
        plain.set_size_inches(fitted.get_size_inches())
        plain.axes[0].set_position(fitted.axes[0].get_position())
        for figure in (fitted, plain):
            FigureCanvasAgg(figure).draw()
    for name in ("xaxis", "yaxis"):
        one, two = (getattr(f.axes[0], name).label.get_window_extent() for f in (fitted, plain))
        assert np.allclose(one.extents, two.extents, atol=1.0), name  # dots


def test_a_cut_picture_is_as_large_as_the_drawing_library_cuts_it(tmp_path):
    with drawing():
        labelled().savefig(tmp_path / "plain.svg")
    plain = ElementTree.parse(tmp_path / "plain.svg").getroot().attrib["viewBox"].split()
    shown = re.search(r'viewBox="([^"]+)"', inline_svg(labelled(), ident="a", alt="x"))[1].split()
    assert [float(v) for v in shown[2:]] == pytest.approx([float(v) for v in plain[2:]], abs=0.5)


def test_a_run_drawn_on_a_used_sheet_looks_as_on_a_new_one():
    time = pd.date_range("2031-01-01", periods=400, freq="1h", tz="UTC")
    wave = 85 + 10 * np.sin(np.arange(400) / 9)

    def drawn(sheet, humidity, missing):
        records = pd.DataFrame({"time": time, "rh_pct": humidity}).drop(index=missing)
        with page_form(narrow=True):
            ax = humidity_timeline(records, start=time[0], stop=time[-1], origin=time[0],
                                   band=(82, 95), bins=50, ax=sheet.emptied())  # fmt: skip
            sheet.place()
            return inline_svg(ax, ident="a", alt="x", cut=False)

    used = _Sheet()
    first = drawn(used, wave - 60, range(100, 200))
    second = drawn(used, wave, range(0))
    assert second == drawn(_Sheet(), wave, range(0))
    assert second != first


def test_no_word_of_an_uncut_picture_of_the_page_lies_outside(farm, tmp_path, monkeypatch):
    uncut, plain = [], pictures.inline_svg

    def look(drawn, *, cut, **given):
        if not cut:
            uncut.append((given["ident"], text_outside(getattr(drawn, "figure", drawn))))
        return plain(drawn, cut=cut, **given)

    monkeypatch.setattr(pictures, "inline_svg", look)
    farm.report(tmp_path / "report.html")
    assert {"answer", "answer-n", "humidity0-0", "flush"} <= {ident for ident, _ in uncut}
    assert [one for one in uncut if one[1]] == []


@pytest.mark.parametrize("language", ["en", "de"])
def test_no_word_of_the_files_beside_the_tables_lies_outside(farm, language, tmp_path, monkeypatch):
    figures, plain = [], timelines._draw
    monkeypatch.setattr(timelines, "_draw", lambda *a: figures.append(plain(*a)) or figures[-1])
    with speaking(language=language):
        made = timelines.write_timelines(tmp_path / "pictures", farm.result.data, farm.logs)
    assert len(made) == len(figures) > 1
    assert [text_outside(figure) for figure in figures] == [[]] * len(figures)
    assert [text_over_text(figure) for figure in figures] == [[]] * len(figures)
