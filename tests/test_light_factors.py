"""Lamp factors and the eye's curve, each value against one computed or printed elsewhere."""

from __future__ import annotations

import numpy as np
import pytest

from trialkit import light

#: CIE illuminants, lux per µmol m⁻² s⁻¹, by colour-science 0.4.7 (CIE 1924 curve, 380–780 nm).
CIE = {
    "D50": 56.0, "D55": 56.0, "D65": 55.3, "A": 50.1, "LED-B1": 67.0, "LED-B2": 67.8,
    "LED-B3": 69.7, "LED-B4": 71.6, "LED-B5": 69.4, "LED-V1": 53.0, "LED-V2": 56.5,
    "LED-RGB1": 60.5, "FL2": 76.4, "FL11": 76.0,
}  # fmt: skip

#: Thimijan & Heins (1983), HortScience 18:818-822, as quoted by an instrument maker.
PRINTED = {
    "sunlight": 54, "cool white": 74, "metal halide": 71, "high-pressure sodium": 82,
    "ceramic 4200": 65, "ceramic 3100": 59,
}  # fmt: skip

SPREAD = [
    ("daylight", [PRINTED["sunlight"], CIE["D50"], CIE["D55"], CIE["D65"]]),
    ("white led warm", [CIE["LED-B1"], CIE["LED-B2"]]),
    ("white led neutral", [CIE["LED-B2"], CIE["LED-B4"]]),  # its neighbours
    ("white led cool", [CIE["LED-B4"], CIE["LED-B5"]]),
    ("white led", [CIE[f"LED-B{k}"] for k in range(1, 6)]),
    ("white led high cri", [CIE["LED-V1"], CIE["LED-V2"]]),
    ("fluorescent", [PRINTED["cool white"], CIE["FL2"], CIE["FL11"]]),
]


@pytest.mark.parametrize(("lamp", "values"), SPREAD)
def test_limits_hold_what_is_published(lamp: str, values: list[float]) -> None:
    """Never narrower, which would be too sure; lamps of a kind differ more than its examples."""
    kind = light.find_lamp(lamp)
    assert kind.low <= min(values)
    assert kind.high >= max(values)
    assert kind.high - kind.low < 0.6 * kind.lux_per_umol


@pytest.mark.parametrize(
    ("lamp", "values"),
    [
        ("white led warm", [CIE["LED-B1"], CIE["LED-B2"]]),
        ("white led cool", [CIE["LED-B4"], CIE["LED-B5"]]),
        ("white led high cri", [CIE["LED-V1"], CIE["LED-V2"]]),
        ("fluorescent", [PRINTED["cool white"], CIE["FL11"]]),
        ("white led", [CIE[f"LED-B{k}"] for k in range(1, 6)]),
    ],
)
def test_a_usual_value_is_the_middle_of_its_kind(lamp: str, values: list[float]) -> None:
    """The mean of the published ones, or the middle of their range, to half a unit."""
    usual = light.find_lamp(lamp).lux_per_umol
    middles = (np.mean(values), (min(values) + max(values)) / 2)
    assert min(abs(usual - m) for m in middles) <= 0.15


#: CIE 1924 photopic curve every 10 nm (CIE S 010 table 1), from memory, and its integral.
PHOTOPIC = {
    380: 0.000039, 390: 0.00012, 400: 0.000396, 410: 0.00121, 420: 0.004, 430: 0.0116,
    440: 0.023, 450: 0.038, 460: 0.06, 470: 0.09098, 480: 0.13902, 490: 0.20802, 500: 0.323,
    510: 0.503, 520: 0.71, 530: 0.862, 540: 0.954, 550: 0.99495, 555: 1.0, 560: 0.995,
    570: 0.952, 580: 0.87, 590: 0.757, 600: 0.631, 610: 0.503, 620: 0.381, 630: 0.265,
    640: 0.175, 650: 0.107, 660: 0.061, 670: 0.032, 680: 0.017, 690: 0.00821, 700: 0.004102,
    710: 0.002091, 720: 0.001047, 730: 0.00052, 740: 0.000249, 750: 0.00012, 760: 0.00006,
    770: 0.00003, 780: 0.000015,
}  # fmt: skip

#: The same curve between those points, at 5 nm (CIE S 010 table 1), from memory.
BETWEEN = {
    455: 0.048, 465: 0.0739, 475: 0.1126, 485: 0.1693, 495: 0.2586, 505: 0.4073, 515: 0.6082,
    525: 0.7932, 535: 0.9149, 545: 0.9803, 565: 0.9786, 575: 0.9154, 585: 0.8163, 595: 0.6949,
    605: 0.5668, 615: 0.4412, 625: 0.321, 635: 0.217, 645: 0.1382, 655: 0.0816,
}  # fmt: skip


def test_single_colours_over_the_whole_curve() -> None:
    """683.002 lm/W × N_A h c / λ × V(λ); N_A h c = 0.1196266 J m/mol (CODATA)."""
    planck, speed, avogadro = 6.62607015e-34, 299_792_458, 6.02214076e23
    for nm, v in PHOTOPIC.items():
        joule = planck * speed * avogadro / (nm * 1e-9) * 1e-6
        assert light.lux_per_umol_at(nm) == pytest.approx(683.002 * joule * v, rel=1e-6), nm
    for nm, v in BETWEEN.items():
        joule = planck * speed * avogadro / (nm * 1e-9) * 1e-6
        assert light.lux_per_umol_at(nm) == pytest.approx(683.002 * joule * v, rel=0.005), nm


def test_no_colour_outside_the_curve_is_seen() -> None:
    assert light.lux_per_umol_at(379.9) == 0
    assert light.lux_per_umol_at(780.1) == 0
    assert light.lux_per_umol_at(380) > 0
    assert light.lux_per_umol_at(780) > 0


def test_equal_energy_white() -> None:
    """∫V = 106.857 nm (from memory); photons of 1 W/nm from 400 to 700 nm: 165 000 nm²/N_A h c."""
    nm = np.arange(380.0, 781.0)
    want = 683.002 * 106.857 / (165_000e-3 / 0.119626566)
    assert light.lux_per_umol_of(nm, np.ones_like(nm)) == pytest.approx(want, rel=1e-5)


def test_a_spectrum_of_photons_alone_that_the_eye_cannot_see_counts_below_the_limits() -> None:
    """Photons count from 400 to 700 nm, ends included; lux from 380 to 780 nm."""
    nm = np.arange(400.0, 701.0)
    narrow = light.lux_per_umol_of(nm, np.ones_like(nm))
    wide = np.arange(300.0, 1001.0)
    assert light.lux_per_umol_of(wide, np.ones_like(wide)) > narrow
    # what lies outside 400–700 nm adds to lux by V there: ∫ 380–400 and 700–780 by trapezes
    points = sorted(k for k in PHOTOPIC if k <= 400), sorted(k for k in PHOTOPIC if k >= 700)
    added = sum(np.trapezoid([PHOTOPIC[k] for k in part], part) for part in points)
    share = light.lux_per_umol_of(wide, np.ones_like(wide)) / narrow - 1
    assert share == pytest.approx(added / 106.8, rel=0.1)


def test_coarse_spectra_are_read_along_straight_lines() -> None:
    """A flat spectrum given by its two ends is the same as one given at every nm."""
    nm = np.arange(380.0, 781.0)
    flat = light.lux_per_umol_of(nm, np.ones_like(nm))
    assert light.lux_per_umol_of([380, 780], [1, 1]) == pytest.approx(flat, rel=1e-12)
    assert light.lux_per_umol_of([400, 700], [1, 1]) == pytest.approx(flat, rel=1e-3)


@pytest.mark.parametrize("nm", [[401, 700], [400, 699]])
def test_a_spectrum_a_nanometre_short_is_refused(nm: list[int]) -> None:
    with pytest.raises(light.LightError):
        light.lux_per_umol_of(nm, [1, 1])


def test_edges_of_what_is_allowed() -> None:
    """A whole day of light, none at all, and no light are no errors."""
    assert light.daily_light_mol_m2(10, hours=24) == pytest.approx(0.864)
    assert light.daily_light_mol_m2(10, hours=0) == 0
    assert light.ppfd_from_lux(0, lamp="daylight") == 0
    with pytest.raises(light.LightError):
        light.daily_light_mol_m2(10, hours=-0.1)
    with pytest.raises(light.LightError):
        light.daily_light_mol_m2(10, hours=24.1)
    with pytest.raises(light.LightError):
        light.lux_per_umol_of([400], [1])
    with pytest.raises(light.LightError):
        light.lux_per_umol_of([400, 500, 500, 700], [1, 1, 1, 1])
