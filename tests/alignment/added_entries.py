"""Run on a copy of the package whose register has more entries; see `test_register.py`."""

from __future__ import annotations

import sys
from pathlib import Path

import dask.dataframe as dd
import pandas as pd

import trialkit as tk
from tests.report.folders import make_farm
from trialkit.alignment.cluster import expose_dask
from trialkit.alignment.engine import expose_files
from trialkit.alignment.frame import expose_frame
from trialkit.alignment.measures import ExposureSettings
from trialkit.columns import head
from trialkit.columns.exposures import DOSES
from trialkit.figures import exposure_by_run

NEW = ("rh_over_95_h", "rh_over_90_h", "dull_hours")


def near(a, b):
    assert abs(a - b) < 1e-12, (a, b)


def on_all_carriers(folder):
    """Sum on every carrier; closed form: humidity from 76 to 100 % in 12 min."""
    time = pd.date_range("2031-01-14", periods=4, freq="4min", tz="UTC")
    log = pd.DataFrame({"chamber": "T1", "time": time, "temp_c": 15.0})
    log["rh_pct"] = [76.0, 84.0, 92.0, 100.0]
    window = pd.DataFrame({"chamber": ["T1"], "start": [time[0]], "stop": [time[-1]]})
    log.to_parquet(folder / "log.parquet")
    for dull in (80.0, 82.0):
        chosen = ExposureSettings(dull_rh=dull)
        for got in (
            expose_frame(log, window, settings=chosen),
            expose_files(folder / "log.parquet", window, settings=chosen),
            expose_dask(dd.from_pandas(log, npartitions=2), window, settings=chosen),
        ):
            row = got.chambers.iloc[0]
            near(row["rh_over_95_h"], 2.5 / 60)
            near(row["rh_over_90_h"], 5 / 60)
            near(row["dull_hours"], (dull - 76) / 2 / 60)


def through_a_trial(folder):
    """Take a farm with climate and mist logs to its report."""
    (folder / "farm").mkdir()
    farm = make_farm(folder / "farm")
    text = (folder / "farm" / "trial.toml").read_text(encoding="utf-8")
    stated = text.replace('files = ["climate.csv"]', 'files = ["climate.csv"]\ndull_rh = 86')
    (folder / "farm" / "trial.toml").write_text(stated, encoding="utf-8")
    trial = tk.read_trial(folder / "farm")
    data = tk.align(trial, *farm.logs.values(), plan=farm.plan)
    for table in (data.table, data.runs, data.sensors):
        assert set(NEW) <= set(table.columns)
    whole = data.runs[data.runs["window"] == "whole"]
    assert (whole["rh_over_90_h"] >= whole["rh_over_95_h"]).all()
    assert whole["rh_over_90_h"].nunique() > 3
    assert "rh_over_95_h" in data.fidelity
    assert head("rh_over_95_h") in str(data)
    limits = data.limits.set_index("exposure")["value"]
    assert limits[list(NEW)].tolist() == [95, 90, 86]
    assert {"rh_over_95_h", "rh_over_90_h"} <= set(DOSES)
    dose = tk.dose_response(trial, data, exposure="rh_over_90_h")
    assert "hours above 90 % [h]" in str(dose)
    alike = tk.dose_response(trial, data, exposure="rh_pct").alike
    assert "rh_over_90_h" in set(alike["exposure"])
    result = tk.analyse(trial, data)
    page = tk.write_report(
        trial, result, tk.decide(trial, result), folder / "r.html", logs=farm.logs, plan=farm.plan
    ).read_text(encoding="utf-8")
    page = page.replace("\u00a0", " ")
    for words in ("hours above 95 % [h]", "hours above 90 % [h]", "dull hours [h]"):
        assert words in page
    assert "hours above 95 % of each chamber run" in page  # the figure of its own
    assert "dull hours: 86 %" in page  # the limit it was counted against
    ax = exposure_by_run(whole.assign(schedule="usual"), "rh_over_90_h", factor="schedule")
    assert ax.get_xlabel() == "hours above 90 % [h]"


if __name__ == "__main__":
    print(tk.__file__)
    assert head("rh_over_95_h") == "hours above 95 % [h]"
    on_all_carriers(Path(sys.argv[1]))
    through_a_trial(Path(sys.argv[1]))
    print("every place reached")
