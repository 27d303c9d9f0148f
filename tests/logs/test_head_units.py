"""Units in heads: heard wherever they stand, converted by outside values, asked about if unknown.

Factors: NIST SP 811 (2008), appendix B.8: foot-candle and lumen per square foot
1.076 391 E+01 lux; degree Fahrenheit (t − 32)/1.8; kelvin t − 273.15; ounce 2.834 952 E−02 kg.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.logs.folder import make_trial
from trialkit.columns import LOG_COLUMNS, house_unit
from trialkit.errors import LogError, TrialFileError
from trialkit.logs.climate.read import read_environment
from trialkit.logs.head_units import said_unit
from trialkit.logs.humidity_units import rh_from, said_humidity
from trialkit.logs.log import Log
from trialkit.units import convert

TEMP, LIGHT, RH, CO2, PHOTONS = "°C", "lux", "%", "ppm", "µmol m⁻² s⁻¹"


@pytest.mark.parametrize(
    ("head", "house", "written", "value"),
    [
        ("Temp (°F)", TEMP, 68.0, 20.0),
        ("Temp, °F (LGR S/N: 1234567, SEN S/N: 7654321)", TEMP, 68.0, 20.0),
        ("tempf", TEMP, 68.0, 20.0), ("temp1f", TEMP, 68.0, 20.0), ("TempF", TEMP, 68.0, 20.0),
        ("temp_deg_f", TEMP, 68.0, 20.0), ("Temperature Fahrenheit", TEMP, 68.0, 20.0),
        ("Temp (\ufffdF)", TEMP, 68.0, 20.0), ("Temp(?F)", TEMP, 68.0, 20.0),
        ("Air ºF avg", TEMP, 68.0, 20.0), ("℉", TEMP, 68.0, 20.0),
        ("Temp F (max)", TEMP, 68.0, 20.0),
        ("Temperature [K]", TEMP, 293.15, 20.0), ("Temp Kelvin", TEMP, 293.15, 20.0),
        ("Temp, *C", TEMP, 20.0, 20.0), ("Temperature 1 °C", TEMP, 20.0, 20.0),
        ("AirTC_Avg", TEMP, 20.0, 20.0), ("Luft [°C]", TEMP, 20.0, 20.0),
        ("Intensity, lum/ft²", LIGHT, 1.0, 10.76391), ("Light ft-c", LIGHT, 1.0, 10.76391),
        ("Light (fc)", LIGHT, 1.0, 10.76391), ("foot candles", LIGHT, 1.0, 10.76391),
        ("Intensity (lum/ft\ufffd)", LIGHT, 1.0, 10.76391),
        ("Licht lm/sq.ft.", LIGHT, 1.0, 10.76391),
        ("klux", LIGHT, 2.0, 2000.0), ("Light [klx]", LIGHT, 2.0, 2000.0),
        ("Illuminance (lm/m²)", LIGHT, 2.0, 2.0), ("lightlux", LIGHT, 2.0, 2.0),
        ("Feuchte [%rF]", RH, 60.0, 60.0), ("rel. Feuchte (% r.F.)", RH, 60.0, 60.0),
        ("%RH", RH, 60.0, 60.0), ("HR (%HR)", RH, 60.0, 60.0), ("RH (0-1)", RH, 0.6, 60.0),
        ("CO2 (ppmv)", CO2, 900.0, 900.0), ("CO2 [µmol mol⁻¹]", CO2, 900.0, 900.0),
        ("%CO2", CO2, 0.09, 900.0), ("CO2 Vol.-%", CO2, 0.09, 900.0), ("CO2ppm", CO2, 900.0, 900.0),
        ("CO2 (‰)", CO2, 0.9, 900.0), ("CO2 ppb", CO2, 9e5, 900.0),
        ("PAR, uE (LGR S/N: 1)", PHOTONS, 40.0, 40.0), ("PPFD (µmol/(m² s))", PHOTONS, 40.0, 40.0),
        ("PPFD µmol·m-2·s-1", PHOTONS, 40.0, 40.0), ("PPFD [mmol m⁻² s⁻¹]", PHOTONS, 0.04, 40.0),
        ("fresh (oz)", "g", 1.0, 28.34952), ("tray weight [lb] left", "g", 1.0, 453.5924),
        ("Gewicht kg", "g", 1.0, 1000.0), ("duration (min)", "s", 2.0, 120.0),
    ],
)  # fmt: skip
def test_a_unit_is_heard_wherever_it_stands(
    head: str, house: str, written: float, value: float
) -> None:
    said = said_unit(head, house)
    assert said.unit is not None
    assert said.strange == ""
    assert convert(written, said.unit, house) == pytest.approx(value, rel=1e-6)


@pytest.mark.parametrize(
    ("head", "house"),
    [
        ("Licht [cd]", LIGHT), ("Solar Rad. (W/m²)", LIGHT), ("Light %", LIGHT),
        ("PAR klux", PHOTONS),
        ("PAR (W/m2)", PHOTONS), ("Temp (mV)", TEMP),
        ("Temp (0.1 °C)", TEMP), ("Temp °C x10", TEMP),
        ("Temp [1/10 °C]", TEMP), ("Temp (°C/°F)", TEMP), ("Temp [°Ra]", TEMP),
        ("CO2 mg/m³", CO2),
        ("CO2 (hPa)", CO2), ("RH raw [mV]", RH), ("Temp [zzz]", TEMP), ("Vapour (g/kg)", RH),
        ("fresh (m)", "g"), ("Light (counts)", LIGHT), ("PAR [mol/m²/d]", PHOTONS),
    ],
)  # fmt: skip
def test_what_is_no_unit_of_the_quantity_is_not_guessed(head: str, house: str) -> None:
    said = said_unit(head, house)
    assert said.unit is None
    assert said.strange != ""


@pytest.mark.parametrize(
    ("head", "house"),
    [
        ("temperature", TEMP), ("Temp (avg)", TEMP), ("Temp [Avg]", TEMP), ("temp in", TEMP),
        ("Temperature sensor F", TEMP), ("Probe C temperature", TEMP), ("Temp (sensor 2)", TEMP),
        ("Corner F reading", TEMP), ("north C value here", TEMP),
        ("roomtemperature", TEMP), ("Temp (LGR S/N: 1, SEN S/N: 2, LBL: tent)", TEMP),
        ("Light level", LIGHT), ("CO2", CO2), ("humidity", RH), ("block code", "g"), ("T2", TEMP),
        ("Temp min", TEMP), ("note [ok]", ""),
    ],
)  # fmt: skip
def test_words_that_are_no_units_stay_words(head: str, house: str) -> None:
    said = said_unit(head, house)
    assert (said.unit, said.strange) == (None, "")


def test_the_name_of_a_chamber_is_no_unit() -> None:
    assert said_unit("temp F", TEMP, names=["A", "F"]).unit is None
    assert said_unit("temp F", TEMP).unit == "degF"


def test_the_name_of_a_column_tells_its_own_unit_or_none() -> None:
    for columns in LOG_COLUMNS.values():
        for name in columns:
            said = said_unit(name, house_unit(name))
            assert said.strange == ""
            assert said.unit is None or convert(3.0, said.unit, house_unit(name)) == 3.0


# ------------------------------------------------------------------ in files


def log_of(folder: Path, head: str, rows: list[str], section: str) -> Log:
    text = head + "\n" + "\n".join(f"2031-01-14 10:{k:02d},{r}" for k, r in enumerate(rows)) + "\n"
    logs = f'\n[logs.environment]\nfiles = ["T1.csv"]\n{section}\n'
    return read_environment(make_trial(folder, {"T1.csv": text.encode()}, logs))


def test_a_light_meter_in_lumens_per_square_foot_is_read_in_lux(tmp_path: Path) -> None:
    log = log_of(tmp_path, 'time,"Intensity, lum/ft²"', ["10", "20"],
                 'columns = { light_lux = "Intensity, lum/ft²" }')  # fmt: skip
    assert log.table["light_lux"].tolist() == pytest.approx([107.6391, 215.2782], rel=1e-6)
    [told] = [f for f in log.findings if f.code == "unit_from_head"]
    assert told.values["unit"] == "fc"


@pytest.mark.parametrize("unit", ["lum/ft²", "ft-c", "fc", "Foot-candles"])
def test_the_trial_file_takes_a_unit_as_it_is_written_elsewhere(unit: str, tmp_path: Path) -> None:
    section = f'columns = {{ light_lux = "light" }}\nunits = {{ light_lux = "{unit}" }}'
    log = log_of(tmp_path, "time,light", ["10"], section)
    assert log.table["light_lux"].tolist() == pytest.approx([107.6391], rel=1e-6)


def test_a_unit_that_is_none_stops_the_file_until_it_is_said(tmp_path: Path) -> None:
    section = 'columns = { light_lux = "Solar (W/m²)", temp_c = "Temp [mV]" }'
    with pytest.raises(LogError) as stopped:
        log_of(tmp_path, "time,Solar (W/m²),Temp [mV]", ["10,15"], section)
    assert all(part in str(stopped.value) for part in ("W/m²", "lamp", "mV", "units = {"))
    said = section + '\nunits = { light_lux = "lux", temp_c = "degC" }'
    log = log_of(tmp_path, "time,Solar (W/m²),Temp [mV]", ["10,15"], said)
    assert log.table["light_lux"].tolist() == [10]


def test_an_unknown_unit_in_the_trial_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(TrialFileError, match="unit 'W/m²' is not known here"):
        log_of(tmp_path, "time,light", ["1"], 'units = { light_lux = "W/m²" }')


def test_the_unit_of_a_wide_file_is_heard_and_a_chamber_is_no_unit(tmp_path: Path) -> None:
    """68 °F and 50 °F are 20 and 10 °C; "C" and "F" as chambers say nothing of the unit."""
    log = log_of(tmp_path / "a", "time,T1 (°F),T2 (°F)", ["68,50"],
                 'columns = { temp_c = "{chamber} (°F)" }')  # fmt: skip
    assert log.table["temp_c"].tolist() == pytest.approx([20, 10])
    named = 'columns = { temp_c = "temp {chamber}" }\nchamber = { F = "T1", C = "T2" }'
    log = log_of(tmp_path / "b", "time,temp F,temp C", ["15,16"], named)
    assert log.table["temp_c"].tolist() == [15, 16]


# ------------------------------------------------------------------ humidity from other quantities

#: ASHRAE Handbook of Fundamentals (2017), chapter 1, table 3: saturation pressure over water at
#: 20 °C 2.3393 kPa, at 10 °C 1.2282 kPa. Vapour at saturation, 20 °C: e/(Rv T) = 17.29 g/m³.
SATURATED_20, SATURATED_10 = 2.3393, 1.2282


@pytest.mark.parametrize(
    ("unit", "value", "rh"),
    [
        ("dew_degC", 10.0, 100 * SATURATED_10 / SATURATED_20),
        ("dew_degF", 10.0, 100 * SATURATED_10 / SATURATED_20),  # already turned into °C
        ("vpd_kPa", SATURATED_20 - SATURATED_10, 100 * SATURATED_10 / SATURATED_20),
        ("g_m3", SATURATED_10 * 1e6 / (461.5 * 293.15), 100 * SATURATED_10 / SATURATED_20),
    ],
)
def test_humidity_from_vapour_agrees_with_the_steam_table(
    unit: str, value: float, rh: float
) -> None:
    found = rh_from(unit, np.array([value, np.nan, value]), np.array([20.0, 20.0, np.nan]))
    assert found[0] == pytest.approx(rh, rel=5e-4)
    assert np.isnan(found[1:]).all()


@pytest.mark.parametrize(
    ("head", "unit"),
    [
        ("DewPt, °F (LGR S/N: 1)", "dew_degF"), ("Taupunkt [°C]", "dew_degC"),
        ("Abs Humidity, g/m³", "g_m3"), ("VPD (hPa)", "vpd_hPa"), ("VPD kPa", "vpd_kPa"),
        ("RH (%)", "%"),
    ],
)  # fmt: skip
def test_heads_of_humidity(head: str, unit: str) -> None:
    assert said_humidity(head).unit == unit


@pytest.mark.parametrize("head", ["Dew point", "VPD", "e [hPa]", "Mixing ratio (g/kg)"])
def test_humidity_without_a_clear_unit_is_asked(head: str) -> None:
    assert said_humidity(head).strange != ""


def test_a_dew_point_becomes_humidity_and_that_is_told(tmp_path: Path) -> None:
    """68 °F and a dew point of 50 °F: 20 °C and 10 °C, 52.5 % (ASHRAE table 3)."""
    section = 'columns = { temp_c = "Temp, °F", rh_pct = "DewPt, °F" }'
    log = log_of(tmp_path, 'time,"DewPt, °F","Temp, °F"', ["50,68", "68,68", ",68"], section)
    assert log.table["rh_pct"].tolist() == pytest.approx(
        [52.50, 100, np.nan], rel=1e-3, nan_ok=True
    )
    assert "humidity_worked_out" in [f.code for f in log.findings]
    with pytest.raises(LogError, match="temperature of the air"):
        log_of(tmp_path, 'time,"DewPt, °F"', ["50"], 'columns = { rh_pct = "DewPt, °F" }')
