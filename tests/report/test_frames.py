"""Figures that are placed or fitted, and so not cut when saved, hold every word they say."""

import pytest
from matplotlib.figure import Figure

from tests.drawn_text import text_outside, text_over_text
from trialkit.cli import timelines
from trialkit.figure_frame import fit_frame, fits_frame, place_rows
from trialkit.report import pictures
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
