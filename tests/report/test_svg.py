"""Figures inside the page: safe, small, described, and in the page's own colours."""

import re
from xml.etree import ElementTree

import pytest
from matplotlib.figure import Figure

from trialkit.report.svg import color_name, dark_colors, inline_svg
from trialkit.style import DARK, INK, SERIES, drawing

SVG = "{http://www.w3.org/2000/svg}"


def figure(label="fresh <weight> & $x$ -->"):
    with drawing():
        drawn = Figure(figsize=(3, 2))
        ax = drawn.subplots()
        ax.plot([1, 2, 3], [1, 4, 2], color=SERIES[1], marker="s", label=label)
        ax.bar([1], [2], hatch="//", color=SERIES[2])
        ax.set_title(label)
        ax.legend()
    return drawn


@pytest.fixture(scope="module")
def root():
    return ElementTree.fromstring(inline_svg(figure(), ident="one", alt='says "so" & <this>'))


def test_it_is_one_described_picture(root):
    assert root.tag == SVG + "svg"
    assert root.attrib["role"] == "img"
    assert root.attrib["aria-label"] == 'says "so" & <this>'


def test_words_are_words_and_stay_as_they_were(root):
    shown = ["".join(t.itertext()) for t in root.iter(SVG + "text")]
    assert shown.count("fresh <weight> & $x$ -->") == 2
    assert not [
        e for e in root.iter() if e.tag in (SVG + "script", SVG + "style", SVG + "metadata")
    ]


def test_every_name_is_its_own_and_found(root):
    names = [e.attrib["id"] for e in root.iter() if "id" in e.attrib]
    assert names
    assert len(names) == len(set(names))
    assert all(name.startswith("one-") for name in names)
    text = ElementTree.tostring(root, encoding="unicode")
    asked = set(re.findall(r"url\(#([^)]+)\)", text)) | set(re.findall(r'href="#([^"]+)"', text))
    assert asked == set(names)


def test_nothing_points_outside(root):
    for element in root.iter():
        for name, value in element.attrib.items():
            assert "://" not in value, (name, value)


def test_colours_are_the_pages_own_with_the_light_one_as_fallback(root):
    text = ElementTree.tostring(root, encoding="unicode")
    assert f"var({color_name(SERIES[1])},{SERIES[1]})" in text
    assert f"var({color_name(INK)},{INK})" in text
    bare = re.sub(r"var\([^)]*\)", "", text)
    assert not [c for c in DARK if c in bare]
    assert all(f"{color_name(a)}:{b};" in dark_colors() for a, b in DARK.items())


def test_equal_figures_give_equal_bytes():
    one, two = (inline_svg(figure(), ident="a", alt="x") for _ in range(2))
    assert one == two


def test_it_is_much_smaller_than_the_drawing_it_came_from(tmp_path):
    plain = tmp_path / "plain.svg"
    with drawing():
        figure().savefig(plain)
    assert len(inline_svg(figure(), ident="a", alt="x")) < 0.7 * plain.stat().st_size
