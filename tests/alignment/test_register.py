"""The register of exposures: sound in itself, its limits settable, and one entry enough."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

import trialkit
import trialkit as tk
from tests.alignment.test_align import TRIAL, climate_of, make_trial
from trialkit.alignment.align import align, default_settings
from trialkit.alignment.frame import expose_frame
from trialkit.alignment.measures import ExposureSettings
from trialkit.columns import COLUMNS
from trialkit.columns.channels import CHANNELS
from trialkit.columns.exposures import CLIMATE, EXPOSURE, LIMITS, MIST, shown_in
from trialkit.errors import TrialFileError

PACKAGE = Path(trialkit.__file__).parent
ROOT = Path(__file__).parents[2]

#: What a contributor writes: three entries for one channel, and a limit that can be set.
ENTRIES = """
    Exposure("rh_over_95_h", "rh_pct", "above", "h", limit=95.0,
             shown=("table", "report", "fidelity", "figure"), dose=True),
    Exposure("rh_over_90_h", "rh_pct", "above", "h", limit=90.0, shown=("report",), dose=True),
    Exposure("dull_hours", "rh_pct", "below", "h", limit="dull_rh", shown=("report",)),
"""
#: Their words in the catalogue.
WORDS = """
rh_over_95_h = "hours above 95 %"
rh_over_90_h = "hours above 90 %"
dull_hours = "dull hours"
"""
LIMIT = "    dull_rh: float = _limit(80.0, least=0, most=100)\n"


def test_entries_agree_with_channels_limits_and_glossary():
    """By hand: hours for counts of time, the channel's own unit for a mean."""
    assert len(EXPOSURE) == len(CLIMATE) + len(MIST)
    channels = {channel.name for channel in CHANNELS}
    for entry in EXPOSURE.values():
        known = COLUMNS[entry.column]
        assert (known.unit, known.label) == (entry.unit, entry.label)
        names = entry.limit if isinstance(entry.limit, tuple) else (entry.limit,)
        assert all(name in LIMITS for name in names if isinstance(name, str))
    for entry in CLIMATE:
        assert entry.channel in channels
        if entry.kind in ("below", "above", "between"):
            assert entry.unit == "h"
        if entry.kind == "mean":
            assert entry.column == entry.channel
    for limit in LIMITS.values():
        assert limit.section in ("rig", "logs.environment")


@pytest.fixture
def limited(tmp_path):
    """Make a trial whose file sets the limits of exposures."""
    stated = "max_gap_min = 10\nwet_rh = 90\nbase_temp_c = 10\nco2_limit_ppm = 850\n"
    return make_trial(tmp_path, TRIAL.replace("max_gap_min = 10\n", stated))


def test_limits_of_the_trial_file_are_counted_against(limited):
    """Closed form: a ramp from 80 to 100 %, 12 to 24 °C and 700 to 1000 ppm in an hour.

    Above 90 % for 30 min; degrees over 10 from 2 to 14, 8 °C h; above 850 ppm for 30 min.
    """
    log = pd.DataFrame(
        {
            "chamber": "T1",
            "time": pd.to_datetime(["2031-01-14 00:00", "2031-01-14 01:00"], utc=True),
            "temp_c": [12.0, 24.0],
            "rh_pct": [80.0, 100.0],
            "co2_ppm": [700.0, 1000.0],
        }
    )
    window = pd.DataFrame(
        {"chamber": ["T1"], "start": log["time"].iloc[:1], "stop": [log["time"].iloc[1]]}
    )
    stated = default_settings(limited, log)
    chosen = ExposureSettings(
        wet_rh=stated.wet_rh, base_temp_c=stated.base_temp_c,
        co2_limit_ppm=stated.co2_limit_ppm, max_gap_min=60,
    )  # fmt: skip
    got = expose_frame(log, window, settings=chosen).chambers.iloc[0]
    assert got["wet_hours"] == pytest.approx(0.5, abs=1e-12)
    assert got["degree_hours"] == pytest.approx(8.0, abs=1e-12)
    assert got["co2_hours_over"] == pytest.approx(0.5, abs=1e-12)


def test_limits_are_shown_with_the_result(limited):
    units = limited.unit_table()
    harvest = units.assign(flush=1, fresh_g=300.0, time=pd.Timestamp("2031-01-20", tz="UTC"))
    plan = units.assign(schedule=units["chamber"].map({"T1": "usual", "T2": "sparse"}))
    data = align(limited, harvest, climate_of(), plan=plan)
    assert "band_low_rh 82 %, band_high_rh 92 %, wet_rh 90 %" in str(data)
    assert "co2_limit_ppm" not in str(data)  # no CO2 was recorded
    limits = data.limits
    shown = limits.set_index(["exposure", "limit"])
    assert shown.loc[("wet_hours", "wet_rh"), "value"] == 90
    assert shown.loc[("degree_hours", "base_temp_c"), "value"] == 10
    assert shown.loc[("co2_hours_over", "co2_limit_ppm"), ["value", "unit"]].tolist() == [
        850,
        "ppm",
    ]
    assert shown.loc["hours_in_band", "value"].tolist() == [82, 92]
    assert shown.loc[("light_hours", "dark_below_ppfd"), "value"] == 0.1  # the default


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("wet_rh = 140", "less than or equal to 100"),
        ('wet_rh = "98 %"', "should be a number"),
        ("wet_hr = 98", "'wet_rh'"),
        ("co2_limit_ppm = -1", "greater than or equal to 0"),
    ],
)
def test_a_limit_that_cannot_be_is_refused_where_it_stands(tmp_path, line, words):
    with pytest.raises(TrialFileError) as told:
        make_trial(tmp_path, TRIAL.replace("max_gap_min = 10", line))
    assert words in str(told.value)
    assert "[logs] environment." in str(told.value)


def test_limits_belong_to_the_climate_log(tmp_path):
    text = TRIAL + '[logs.mist]\nfiles = ["m.csv"]\nwet_rh = 98\n'
    with pytest.raises(TrialFileError, match="unknown key 'wet_rh'"):
        make_trial(tmp_path, text)


def test_columns_shown_beside_planned_mist_come_from_the_register(tmp_path):
    trial = tk.read_trial(tk.demo_folder())
    log = tk.read_mist(trial)
    data = align(trial, tk.read_harvest(trial), None, log)
    assert [c for c in data.fidelity.columns if c in EXPOSURE] == shown_in("fidelity")


@pytest.mark.slow
def test_one_entry_reaches_every_place(tmp_path):
    """A copy of the package with entries and their words added, taken through a whole trial."""
    copy = tmp_path / "with_entries"
    shutil.copytree(PACKAGE, copy / "trialkit", ignore=shutil.ignore_patterns("__pycache__"))
    register = copy / "trialkit" / "columns" / "exposures.py"
    text = register.read_text(encoding="utf-8")
    for end in (")\n\n#: Of the mist log", "    base_temp_c: float = _limit("):
        assert text.count(end) == 1
    text = text.replace(")\n\n#: Of the mist log", ENTRIES + ")\n\n#: Of the mist log")
    text = text.replace(
        "    base_temp_c: float = _limit(", LIMIT + "    base_temp_c: float = _limit("
    )
    register.write_text(text, encoding="utf-8")
    words = copy / "trialkit" / "wording" / "en" / "columns.toml"
    heads = words.read_text(encoding="utf-8")
    for group in ("[glossary_label]\n", "[glossary_meaning]\n"):
        heads = heads.replace(group, group + WORDS)
    words.write_text(heads, encoding="utf-8")
    script = Path(__file__).parent / "added_entries.py"
    env = os.environ | {"PYTHONPATH": os.pathsep.join([str(copy), str(ROOT)])}
    done = subprocess.run(
        [sys.executable, str(script), str(tmp_path)], env=env, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.splitlines()[0] == str(copy / "trialkit" / "__init__.py")
    assert done.stdout.splitlines()[-1] == "every place reached"
