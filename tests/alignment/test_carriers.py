"""Table in memory, files on disk, Dask partitions: the same numbers."""

from __future__ import annotations

from pathlib import Path

import dask.dataframe as dd
import numpy as np
import pandas as pd
import pytest

from trialkit.alignment import engine, kernel
from trialkit.alignment.cluster import expose_dask
from trialkit.alignment.engine import expose_files
from trialkit.alignment.frame import expose_frame
from trialkit.alignment.measures import ExposureSettings
from trialkit.errors import AlignError

SETTINGS = ExposureSettings(band_low_rh=80, band_high_rh=95, max_gap_min=5)
START = pd.Timestamp("2031-03-29", tz="UTC")


@pytest.fixture(autouse=True)
def small_pieces(monkeypatch):
    """Pieces small enough that many seams fall inside the windows."""
    monkeypatch.setattr(engine, "BATCH", 700)
    monkeypatch.setattr(kernel, "BLOCK", 300)


@pytest.fixture(scope="module")
def log():
    rng = np.random.default_rng(11)
    parts = []
    for chamber in ("A b", "B'c", "C"):
        for sensor in ("x", None):
            n = 1500
            time = START + pd.to_timedelta(np.cumsum(rng.exponential(90, n)).round(3), unit="s")
            parts.append(
                pd.DataFrame(
                    {
                        "chamber": chamber,
                        "sensor": sensor,
                        "time": time,
                        "temp_c": rng.normal(15, 1, n).round(2),
                        "rh_pct": rng.uniform(70, 104, n).round(1),  # some above full air
                        "light_lux": rng.choice([0.0, 500.0], n),
                    }
                )
            )
    log = pd.concat(parts, ignore_index=True)
    log.loc[rng.random(len(log)) < 0.01, "rh_pct"] = np.nan
    return log


@pytest.fixture(scope="module")
def windows():
    rows = [
        {
            "chamber": chamber,
            "window": str(k),
            "start": START + pd.Timedelta(hours=5 + 4 * k),
            "stop": START + pd.Timedelta(hours=9 + 7 * k),
        }
        for chamber in ("A b", "B'c", "no such chamber")
        for k in range(4)
    ]
    return pd.DataFrame(rows)


def orders(log):
    return {
        "by sensor": log,
        "by time": log.sort_values("time"),
        "in no order": log.sample(frac=1, random_state=1),
        "partly doubled": pd.concat([log, log.iloc[:3000]]),
    }


def assert_same(a, b):
    for name in ("chambers", "sensors"):
        one, two = getattr(a, name), getattr(b, name)
        keys = ["chamber", "window", *(["sensor"] if name == "sensors" else [])]
        one, two = (t.sort_values(keys).reset_index(drop=True) for t in (one, two))
        pd.testing.assert_frame_equal(one, two, rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("kind", ["parquet", "csv"])
@pytest.mark.parametrize("order", ["by sensor", "by time", "in no order", "partly doubled"])
def test_files_equal_memory(log, windows, tmp_path, kind, order):
    table = orders(log)[order]
    if kind == "parquet":
        table.to_parquet(tmp_path / "log.parquet", row_group_size=1111)
    else:
        table.to_csv(tmp_path / "log.csv", index=False)
    got = expose_files(tmp_path / f"log.{kind}", windows, settings=SETTINGS)
    assert_same(expose_frame(log, windows, settings=SETTINGS), got)


@pytest.mark.parametrize("order", ["by sensor", "by time", "in no order", "partly doubled"])
def test_dask_equals_memory(log, windows, order):
    table = orders(log)[order].reset_index(drop=True)
    got = expose_dask(dd.from_pandas(table, npartitions=7), windows, settings=SETTINGS)
    assert_same(expose_frame(log, windows, settings=SETTINGS), got)


@pytest.mark.slow
def test_local_cluster_equals_memory(log, windows):
    from distributed import Client, LocalCluster

    table = log.sort_values("time").reset_index(drop=True)
    with (
        LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=":0") as cluster,
        Client(cluster),
    ):
        got = expose_dask(dd.from_pandas(table, npartitions=5), windows, settings=SETTINGS)
    assert_same(expose_frame(log, windows, settings=SETTINGS), got)


def test_many_files_with_other_names_and_columns(log, windows, tmp_path):
    """One file a month from loggers with other heads; the second has no light."""
    renamed = log.rename(columns={"rh_pct": "hum", "time": "when"}).sort_values("when")
    renamed.iloc[:4000].to_parquet(tmp_path / "a.parquet")
    renamed.iloc[4000:].drop(columns="light_lux").to_parquet(tmp_path / "b.parquet")
    dark = log.sort_values("time").reset_index(drop=True)
    dark.loc[4000:, "light_lux"] = np.nan
    got = expose_files(
        tmp_path / "*.parquet", windows, settings=SETTINGS,
        columns={"rh_pct": "hum", "time": "when"},
    )  # fmt: skip
    assert_same(expose_frame(dark, windows, settings=SETTINGS), got)


def test_csv_with_offsets_is_read_in_utc(log, windows, tmp_path):
    local = log.assign(time=log["time"].dt.tz_convert("Europe/Vienna"))
    local.to_csv(tmp_path / "log.csv", index=False)
    got = expose_files(tmp_path / "log.csv", windows, settings=SETTINGS)
    assert_same(expose_frame(log, windows, settings=SETTINGS), got)


def test_what_cannot_be_read_is_said(log, windows, tmp_path):
    with pytest.raises(AlignError, match="no files match"):
        expose_files(tmp_path / "*.parquet", windows, settings=SETTINGS)
    log.drop(columns="chamber").to_parquet(tmp_path / "log.parquet")
    with pytest.raises(AlignError, match="no column 'chamber'"):
        expose_files(tmp_path / "log.parquet", windows, settings=SETTINGS)
    (tmp_path / "log.xyz").write_text("a")
    with pytest.raises(AlignError, match="neither Parquet nor CSV"):
        expose_files(tmp_path / "log.xyz", windows, settings=SETTINGS)
    (tmp_path / "bad.csv").write_text("chamber,time,rh_pct\nT1,2031-01-01,x\nT1,yesterday,4\n")
    with pytest.raises(AlignError, match="cannot be read"):
        expose_files(tmp_path / "bad.csv", windows, settings=SETTINGS)
    (tmp_path / "no.parquet").write_bytes(b"PAR1 not really")
    with pytest.raises(AlignError, match="cannot be read"):
        expose_files(tmp_path / "no.parquet", windows, settings=SETTINGS)
    log.assign(time=log["time"].astype(str)).to_parquet(tmp_path / "text.parquet")
    with pytest.raises(AlignError, match="timestamp"):
        expose_files(tmp_path / "text.parquet", windows, settings=SETTINGS)
    with pytest.raises(AlignError, match="mixed"):
        expose_files([tmp_path / "log.parquet", tmp_path / "bad.csv"], windows, settings=SETTINGS)


@pytest.mark.parametrize("name", ["log[12]", "log*", "log?", "lo]g [x]"])
@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_a_name_with_the_signs_of_a_pattern_is_a_name(name: str, kind: str, tmp_path: Path) -> None:
    """Only the named file counts, not one that the name would fit as a pattern."""
    time = pd.to_datetime(["2031-01-01 00:00", "2031-01-01 00:10"], utc=True)
    log = pd.DataFrame({"chamber": "T1", "time": time, "rh_pct": [80.0, 90.0]})
    window = pd.DataFrame({"chamber": ["T1"], "start": time[:1], "stop": time[1:]})
    folder = tmp_path / "trial [2] *"
    folder.mkdir()
    for stem, frame in ((name, log), ("log1", log.assign(rh_pct=10.0))):
        path = folder / f"{stem}.{kind}"
        _ = frame.to_csv(path, index=False) if kind == "csv" else frame.to_parquet(path)
    found = expose_files(folder / f"{name}.{kind}", window, settings=ExposureSettings())
    assert found.chambers["rh_pct"].tolist() == [85.0]
    both = expose_files(folder / f"lo*.{kind}", window, settings=ExposureSettings())
    assert both.chambers["rh_pct"].tolist() == [47.5]
