"""Light conversions against published factors and computed spectra."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from trialkit import light


@pytest.mark.parametrize(
    ("lamp", "lux_per_umol", "umol_per_klux"),
    [
        # Thimijan & Heins (1983) HortScience 18:818-822, as quoted by an instrument maker
        ("daylight", 54, 18.5),
        ("metal halide", 71, 14.1),
        ("high-pressure sodium", 82, 12.2),
        ("ceramic metal halide 4200 k", 65, 15.4),
        ("ceramic metal halide 3100 k", 59, 17.0),
        # CIE illuminants A, LED-B3, LED-RGB1: colour-science 0.4.7
        ("incandescent", 50.1, 19.98),
        ("white led neutral", 69.7, 14.35),
        ("rgb led", 60.5, 16.5),
    ],
)
def test_published_factors(lamp, lux_per_umol, umol_per_klux):
    assert light.find_lamp(lamp).lux_per_umol == pytest.approx(lux_per_umol)
    assert light.ppfd_from_lux(1000, lamp=lamp) == pytest.approx(umol_per_klux, rel=4e-3)


@pytest.mark.parametrize(
    ("lamp", "values"),
    [
        ("daylight", (54, 56.0, 56.0, 55.3, 54.8)),  # sunlight, D50, D55, D65, 5800 K
        ("white led", (67.0, 67.8, 69.7, 71.6, 69.4)),  # LED-B1 to B5
        ("white led high cri", (53.0, 56.5)),  # LED-V1, V2
        ("fluorescent", (74, 76.4, 76.0)),  # cool white, FL2, FL11
    ],
)
def test_limits_hold_every_published_value_of_the_kind(lamp, values):
    kind = light.find_lamp(lamp)
    assert all(kind.low <= value <= kind.high for value in values)
    assert kind.low < kind.lux_per_umol + 1e-9
    assert kind.u_pct > 0
    assert all(
        light.LAMPS["unknown white"].low <= v <= light.LAMPS["unknown white"].high for v in values
    )


def test_worked_examples():
    """Daily light: 10 µmol × 12 h = 0.432; 500 lux white LED (67.8) = 7.4 µmol, 0.319 mol."""
    assert light.daily_light_mol_m2(10, hours=12) == pytest.approx(0.432)
    assert light.daily_light_mol_m2(10) == pytest.approx(10 * 0.0864)
    flux = light.ppfd_from_lux(500, lamp="white led warm")
    assert flux == pytest.approx(7.4, abs=0.05)
    assert light.daily_light_mol_m2(flux, hours=12) == pytest.approx(0.319, rel=0.01)
    sun = light.ppfd_from_lux(1000, lamp="daylight")
    assert light.daily_light_mol_m2(sun, hours=12) == pytest.approx(0.80, abs=0.005)
    assert light.lux_from_ppfd(200, lamp="daylight") == pytest.approx(10_800)


def test_spectra_give_the_factors_computed_elsewhere():
    """Planck spectra of 5800 K and 2856 K: 54.8 and 50.1 (colour-science 0.4.7).

    Those count the photons of 301 steps of 1 nm from 400 to 700 nm, here they are integrated over
    the 300 nm between.
    """
    nm = np.arange(380.0, 781.0)
    for kelvin, factor in [(5800, 54.8), (2856, 50.1)]:
        metres = nm * 1e-9
        power = 1 / (metres**5 * np.expm1(0.01438777 / (metres * kelvin)))
        par = power * nm * ((nm >= 400) & (nm <= 700))
        steps = par.sum() / (par.sum() - (par[20] + par[320]) / 2)
        assert light.lux_per_umol_of(nm, power) / steps == pytest.approx(factor, abs=0.06)
        assert light.lux_per_umol_of(nm, 7 * power) == pytest.approx(
            light.lux_per_umol_of(nm, power)
        )


def test_single_colours():
    """555 nm: 683 × 0.2155 J/µmol = 147.2; blue 450 nm: V = 0.038, 6.9 lux per µmol."""
    assert light.lux_per_umol_at(555) == pytest.approx(147.2, abs=0.05)
    assert light.lux_per_umol_at(450) == pytest.approx(6.9, abs=0.05)
    assert light.lux_per_umol_at(900) == 0


def test_limits_widen_with_ignorance_and_meter_error():
    known = light.ppfd_limits_from_lux(500, lamp="white led")
    unknown = light.ppfd_limits_from_lux(500, lamp="unknown white")
    meter = light.ppfd_limits_from_lux(500, lamp="white led", meter_error_pct=5)
    value = light.ppfd_from_lux(500, lamp="white led")
    assert unknown[0] < known[0] < value < known[1] < unknown[1]
    assert meter[0] == pytest.approx(0.95 * known[0])
    assert meter[1] == pytest.approx(1.05 * known[1])


def test_kinds_are_kept_and_nonsense_is_refused():
    lux = pd.Series([0.0, np.nan, 500.0], index=["a", "b", "c"])
    out = light.ppfd_from_lux(lux, lamp="White_LED")
    assert list(out.index) == ["a", "b", "c"]
    assert out.isna().tolist() == [False, True, False]
    assert light.ppfd_from_lux([1, 2], lamp="daylight").shape == (2,)
    assert isinstance(light.lux_from_ppfd(1, lamp="daylight"), float)
    with pytest.raises(light.LightError, match=r"no lamp called 'disco'.*white led"):
        light.ppfd_from_lux(100, lamp="disco")
    with pytest.raises(light.LightError, match="negative"):
        light.ppfd_from_lux([5, -1], lamp="daylight")
    with pytest.raises(light.LightError, match="between 0 and 24"):
        light.daily_light_mol_m2(10, hours=25)
    with pytest.raises(light.LightError, match="400 to 700"):
        light.lux_per_umol_of([450, 650], [1, 1])
    with pytest.raises(light.LightError, match="must rise"):
        light.lux_per_umol_of([700, 400], [1, 1])
    with pytest.raises(light.LightError, match="no light"):
        light.lux_per_umol_of([380, 780], [0, 0])


#: Lux per µmol of CIE illuminants, worked out apart: trapezes at 1 nm, the spectra and the CIE
#: 1924 curve of colour-science 0.4.7, photons from 400 to 700 nm.
CIE = {
    "daylight": {"C": 53.8, "D50": 56.2, "D55": 56.2, "D60": 55.9, "D65": 55.5, "D75": 54.6},
    "incandescent": {"A": 50.3},
    "white led": {"LED-B1": 67.1, "LED-B2": 67.9, "LED-B3": 69.7, "LED-B4": 71.7, "LED-B5": 69.4,
                  "LED-BH1": 73.3},
    "white led high cri": {"LED-V1": 53.1, "LED-V2": 56.6},
    "rgb led": {"LED-RGB1": 60.5},
    "fluorescent": {"FL1": 69.2, "FL2": 76.5, "FL3": 79.7, "FL4": 80.5, "FL5": 71.2, "FL6": 79.8,
                    "FL7": 60.6, "FL8": 59.4, "FL9": 61.8, "FL10": 74.4, "FL11": 76.0,
                    "FL12": 78.1, "FL3.1": 80.3, "FL3.4": 58.3, "FL3.5": 58.8, "FL3.15": 57.8},
    "high-pressure sodium": {"HP1": 85.8},
    "metal halide": {"HP3": 69.9, "HP4": 67.1, "HP5": 61.8},
}  # fmt: skip


@pytest.mark.parametrize("kind", CIE)
def test_every_spectrum_of_a_kind_lies_within_its_limits(kind):
    lamp = light.LAMPS[kind]
    for name, value in CIE[kind].items():
        assert lamp.low <= value <= lamp.high, name
    assert lamp.low <= lamp.lux_per_umol <= lamp.high


def test_the_spectra_themselves_where_the_library_is_there():
    colour = pytest.importorskip("colour")
    for kind, named in CIE.items():
        for name in named:
            spectrum = colour.SDS_ILLUMINANTS[name]
            value = light.lux_per_umol_of(spectrum.wavelengths, spectrum.values)
            assert value == pytest.approx(named[name], rel=0.01), (kind, name)


def test_an_unknown_lamp_is_as_wide_as_the_list():
    unknown = light.LAMPS["unknown white"]
    others = [lamp for name, lamp in light.LAMPS.items() if name != "unknown white"]
    assert unknown.low == min(lamp.low for lamp in others)
    assert unknown.high == max(lamp.high for lamp in others)


@pytest.mark.parametrize("error", [-1.0, 100.0, 150.0, float("nan")])
def test_impossible_errors_of_a_meter_are_refused(error):
    with pytest.raises(light.LightError, match="from 0 to below 100"):
        light.ppfd_limits_from_lux(500.0, lamp="white led", meter_error_pct=error)
