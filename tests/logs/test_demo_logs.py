"""The demo's logs: each planted fault is named once, in its place; the rest is not accused."""

from __future__ import annotations

import pytest

from trialkit.demo import demo_folder
from trialkit.demo.faults import FAULTS, planted
from trialkit.logs.climate.read import read_environment
from trialkit.logs.harvest.read import read_harvest
from trialkit.logs.log import Log
from trialkit.logs.mist.read import read_mist
from trialkit.trial import read_trial


@pytest.fixture(scope="module")
def logs() -> dict[str, Log]:
    trial = read_trial(demo_folder())
    return {
        "harvest": read_harvest(trial, cache=False),
        "environment": read_environment(trial, cache=False),
        "mist": read_mist(trial, cache=False),
    }


def test_all_rows_are_accounted_for(logs: dict[str, Log]) -> None:
    assert all(log.ledger.adds_up for log in logs.values())
    assert not logs["mist"].ledger.summary()["set_aside"].any()


def test_doubled_export(logs: dict[str, Log]) -> None:
    fault = planted("doubled export")
    lines = logs["environment"].ledger.table
    lines = lines[lines["rule"] == "double export"]
    assert lines["file"].tolist() == [fault.file]
    assert fault.start is not None
    assert fault.stop is not None
    minutes = (fault.stop - fault.start).total_seconds() / 60
    assert lines["rows"].tolist() == [minutes]


def test_clock_an_hour_off(logs: dict[str, Log]) -> None:
    fault = planted("clock an hour off")
    told = [f for f in logs["environment"].findings if f.code.startswith("clock")]
    assert len(told) == 1
    assert fault.file in told[0].message
    assert "add_s = 3600" in told[0].remedy


def test_decimal_commas_are_read_like_the_others(logs: dict[str, Log]) -> None:
    table = logs["environment"].table
    comma = planted("decimal commas").chamber
    middle = table.groupby("chamber")["temp_c"].median()
    assert abs(middle[comma] - middle.drop(comma).median()) < 1


def test_mistyped_code(logs: dict[str, Log]) -> None:
    fault = planted("mistyped code")
    lines = logs["harvest"].ledger.table
    [remedy] = lines.loc[lines["rule"] == "unknown unit", "remedy"]
    assert fault.unit in remedy


def test_missing_weight_and_contaminated_block(logs: dict[str, Log]) -> None:
    lines = logs["harvest"].ledger.table
    assert (lines["rule"] == "weight missing").sum() == 1
    mould = planted("contaminated block")
    table = logs["harvest"].table
    lost = table[(table["unit"] == mould.unit) & (table["flush"] >= mould.flush)]
    assert set(lost["status"]) == {"contaminated"}


def test_nothing_else_is_said(logs: dict[str, Log]) -> None:
    codes = sorted(f.code for log in logs.values() for f in log.findings)
    assert codes == ["clock_not_changed", "double_export", "noon", "units_missing"]
    assert {f.file for f in FAULTS} >= set(logs["environment"].ledger.table["file"])
