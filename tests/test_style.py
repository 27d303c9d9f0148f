"""The palette: told apart by every reader, on white, on dark, and in grey."""

import itertools

import matplotlib as mpl
import numpy as np
import pytest

from trialkit import style

# Machado, Oliveira and Fernandes (2009) doi:10.1109/TVCG.2009.113, table of severity 1.0:
# simulation of protanopia, deuteranopia and tritanopia in linear RGB.
BLINDNESS = {
    "none": np.eye(3),
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
               [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
               [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
               [0.004733, 0.691367, 0.303900]],
}  # fmt: skip


def linear(color):
    """IEC 61966-2-1: from sRGB to linear light."""
    c = np.array([int(color[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def lab(rgb):
    """CIE 1976 L*a*b*, D65."""
    to_xyz = [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750],
              [0.0193339, 0.1191920, 0.9503041]]  # fmt: skip
    x = np.array(to_xyz) @ np.clip(rgb, 0, 1) / [0.95047, 1.0, 1.08883]
    f = np.where(x > 0.008856, np.cbrt(x), 7.787 * x + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def contrast(a, b):
    """Contrast ratio of WCAG 2.2."""
    low, high = sorted(linear(c) @ [0.2126, 0.7152, 0.0722] for c in (a, b))
    return (high + 0.05) / (low + 0.05)


LIGHT = list(style.SERIES)
DARK = [style.DARK[c] for c in style.SERIES]


def test_contrast_of_black_and_white_is_21():
    assert contrast("#000000", "#ffffff") == pytest.approx(21)  # WCAG 2.2, definition


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("kind", BLINDNESS)
def test_the_first_three_stay_apart_for_every_reader(palette, kind):
    """2.3 is a just noticeable difference (Mahy et al. 1994); 25 is told at a glance."""
    seen = [lab(np.array(BLINDNESS[kind]) @ linear(c)) for c in palette]
    for i, j in itertools.combinations(range(3), 2):
        assert np.linalg.norm(seen[i] - seen[j]) > 25
    for a, b in itertools.combinations(seen, 2):
        assert np.linalg.norm(a - b) > 15


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
def test_the_first_three_differ_in_grey(palette):
    grey = [lab(linear(c))[0] for c in palette[:3]]
    assert min(abs(a - b) for a, b in itertools.combinations(grey, 2)) > 10


def test_contrast_on_both_pages():
    """WCAG 2.2: 3:1 for graphics (1.4.11), 4.5:1 for words (1.4.3)."""
    dark_page = style.DARK[style.PAPER]
    for light, dark in zip(LIGHT, DARK, strict=True):
        assert contrast(light, style.PAPER) >= 3
        assert contrast(dark, dark_page) >= 3
    for word in (style.INK, style.SOFT, style.FLAG):
        for ground in (style.PAPER, style.SAND, style.WASH):
            assert contrast(word, ground) >= 4.5
            assert contrast(style.DARK[word], style.DARK[ground]) >= 4.5


def test_signs_of_air_and_faults_have_the_colour_of_no_level():
    """Too dry, too wet and faults, beside every level, for every reader on both pages."""
    for signs, levels in (
        ([style.DRY, style.WET, style.FLAG], LIGHT),
        ([style.DARK[c] for c in (style.DRY, style.WET, style.FLAG)], DARK),
    ):
        for kind in BLINDNESS.values():
            seen = [lab(np.array(kind) @ linear(c)) for c in (*signs, *levels)]
            for i, j in itertools.combinations(range(len(seen)), 2):
                if i < len(signs):  # 2.3 is just noticeable (Mahy et al. 1994)
                    assert np.linalg.norm(seen[i] - seen[j]) > 10
    grey = [lab(linear(c))[0] for c in (style.DRY, style.WET, style.WASH)]
    assert min(abs(a - b) for a, b in itertools.combinations(grey, 2)) > 20


@pytest.mark.parametrize("word", style.SERIES_WORDS)
def test_words_about_levels_are_read_on_every_ground(word):
    """WCAG 2.2, 1.4.3: 4.5 to 1."""
    for ground in (style.PAPER, style.WASH):
        assert contrast(word, ground) >= 4.5
        assert contrast(style.DARK[word], style.DARK[ground]) >= 4.5


def test_colour_is_never_the_only_sign():
    look = style.looks([f"level {i}" for i in range(14)])
    assert len({(x.color, x.mark) for x in look.values()}) == 14
    first = list(look.values())[:6]
    assert len({x.mark for x in first}) == len({str(x.dash) for x in first}) == 6


def test_drawing_leaves_settings_as_they_were():
    before = dict(mpl.rcParams)
    with style.drawing():
        assert mpl.rcParams["text.parse_math"] is False
        assert mpl.rcParams["svg.fonttype"] == "none"
    assert dict(mpl.rcParams) == before
