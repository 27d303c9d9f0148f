"""Units in heads at their limits: how long, where, and what is strange; each by hand."""

from __future__ import annotations

import pytest

from trialkit.logs.head_units import head_unit, said_unit

TEMP, LIGHT, CO2 = "°C", "lux", "ppm"


@pytest.mark.parametrize(("letters", "unit"), [(60, "degF"), (61, None)])
def test_sixty_letters_in_brackets_may_be_a_unit(letters: int, unit: str | None) -> None:
    assert head_unit(f"Temp ({'°F'.rjust(letters)})", TEMP) == unit


@pytest.mark.parametrize(
    ("head", "house", "unit"),
    [
        # glued to the end of a word: three letters at least, behind two at least
        ("CO2ppm", CO2, "ppm"), ("xyppm", CO2, "ppm"), ("xppm", CO2, None), ("ppm", CO2, "ppm"),
        ("lichtklx", LIGHT, "klux"), ("lichtlx", LIGHT, None), ("x_co2ppm_2", CO2, "ppm"),
        # a lone letter: behind a word of warmth, or last and not the name of a place
        ("Temp F", TEMP, "degF"), ("temperature2 F x", TEMP, "degF"), ("t F x", TEMP, "degF"),
        ("reading F", TEMP, "degF"), ("F reading", TEMP, None), ("sensor F", TEMP, None),
        ("no. F", TEMP, None), ("F", TEMP, "degF"), ("reading F x", TEMP, None),
        # words that are units in some places only: last, in brackets, behind a comma
        ("duration min", "s", "min"), ("min duration", "s", None), ("duration (min)", "s", "min"),
        ("duration, min", "s", "min"), ("x min y", "s", None), ("seconds x", "s", "s"),
        # up to four words
        ("Light lumens per square foot", LIGHT, "fc"), ("foot candles x", LIGHT, "fc"),
        # a word of warmth with its letter, for temperatures alone
        ("tempf", TEMP, "degF"), ("temp1f", TEMP, "degF"), ("tempf", LIGHT, None),
        ("tempoutf x", TEMP, "degF"), ("tempx", TEMP, None),
        ("Temperatur/°C", TEMP, "degC"), ("Temp [°C | x]", TEMP, "degC"),
        ("Temp: °F", TEMP, "degF"), ("Temp °F", "", None),
    ],
)  # fmt: skip
def test_where_a_unit_stands(head: str, house: str, unit: str | None) -> None:
    assert head_unit(head, house) == unit


@pytest.mark.parametrize(
    ("head", "strange"),
    [
        # letters in brackets: one in round ones, up to five in square ones
        ("Temp (z)", "z"), ("Temp (zz)", ""), ("Temp [z]", "z"), ("Temp [zzzzz]", "zzzzz"),
        ("Temp [zzzzzz]", ""), ("Temp [zz1]", ""), ("Temp [12]", ""), ("Temp [avg]", ""),
        ("Temp []", ""),
        # signs that only units have, in up to 24 letters without a blank
        ("Temp [" + "x" * 21 + "/kg]", "x" * 21 + "/kg"), ("Temp [" + "x" * 22 + "/kg]", ""),
        ("Temp, ugx", "ugx"), ("Temp, x y/kg", ""), ("Temp, x/kg", "x/kg"),
        # units of other quantities, wherever they stand
        ("Temp kg", "kg"), ("kg Temp", "kg"), ("Temp mV", "mV"), ("Temp %", "%"), ("Temp min", ""),
        ("Temp m", ""), ("Temp (m)", "m"), ("Temp volts x", "volts"),
        # a factor beside a unit, or in brackets
        ("Temp °C x10", "x10"), ("Temp x10", ""), ("Temp (x10)", "x10"), ("Temp [1/10]", "1/10"),
        ("Temp (pq) x10 (xy)", ""), ("Temp 0.1 °C", "0.1"), ("Temp 1.5 °C", ""),
        # two units
        ("Temp °C °F", "degC / degF"), ("Temp (°C) °C", ""), ("Temp (°C) °F", ""),
    ],
)  # fmt: skip
def test_what_is_told_of_a_head_as_strange(head: str, strange: str) -> None:
    """Of two units the one in brackets counts."""
    assert said_unit(head, TEMP).strange == strange


def test_names_of_chambers_are_no_units() -> None:
    assert said_unit("temp (F)", TEMP, names=["f"]).unit is None
    assert said_unit("temp [zz]", TEMP, names=["ZZ"]).strange == ""
