"""The database that sums large logs reads the files it was given and can reach nothing else."""

import duckdb
import pandas as pd
import pytest

from trialkit.alignment.engine import _database, expose_files
from trialkit.alignment.measures import ExposureSettings

LOG = "chamber,time,rh_pct\nT1,2031-01-01T00:00:00Z,80\nT1,2031-01-01T00:10:00Z,90\n"


@pytest.mark.parametrize(
    "query",
    [
        "SELECT * FROM read_csv('{other}')",
        "SELECT * FROM read_text('/etc/hostname')",
        "SELECT * FROM read_csv('{folder}/*.csv')",
        "SELECT * FROM read_csv('https://example.org/x.csv')",
        "COPY (SELECT 1) TO '{folder}/out.csv'",
        "ATTACH '{folder}/x.db'",
        "INSTALL httpfs",
        "LOAD httpfs",
        "SET enable_external_access = true",
        "SET allowed_paths = []",
    ],
)
def test_nothing_but_the_named_files_can_be_reached(query, tmp_path):
    mine, other = tmp_path / "log.csv", tmp_path / "other.csv"
    for path in (mine, other):
        path.write_text(LOG, encoding="utf-8")
    with _database(1, 64, [mine]) as con:
        assert con.execute(f"SELECT count(*) FROM read_csv('{mine}')").fetchone() == (2,)
        with pytest.raises(duckdb.Error):
            con.execute(query.format(other=other, folder=tmp_path))
    assert sorted(p.name for p in tmp_path.iterdir()) == ["log.csv", "other.csv"]


def test_a_log_out_of_order_is_still_sorted_on_disk_if_need_be(tmp_path):
    rows = LOG.splitlines(keepends=True)
    (tmp_path / "it's.csv").write_text(rows[0] + rows[2] + rows[1], encoding="utf-8")
    start, stop = pd.to_datetime(["2031-01-01 00:00", "2031-01-01 00:10"], utc=True)
    window = pd.DataFrame({"chamber": ["T1"], "start": [start], "stop": [stop]})
    out = expose_files(tmp_path / "it's.csv", window, settings=ExposureSettings())
    assert out.chambers["rh_pct"].iloc[0] == 85.0
