"""Every fault planted in the demo is named once by the readers and the alignment together."""

from __future__ import annotations

import pandas as pd
import pytest

import trialkit as tk
from trialkit.demo.faults import FAULTS, planted


@pytest.fixture(scope="module")
def demo():
    trial = tk.read_trial(tk.demo_folder())
    logs = [tk.read_harvest(trial), tk.read_environment(trial), tk.read_mist(trial)]
    return trial, logs, tk.align(trial, *logs)


def named(demo, *words):
    """List the findings and ledger lines that hold all words."""
    _, logs, data = demo
    told = [str(f) for log in logs for f in log.findings] + [str(f) for f in data.findings]
    told += [
        " ".join(map(str, row)) for log in logs for row in log.ledger.table.itertuples(index=False)
    ]
    return [line for line in told if all(word in line for word in words)]


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("stuck sensor", ("T3", "humidity sensor shows 100", "18 Feb 2031 06:12")),
        (
            "failed fan",
            ("chamber T6 in batch B4", "vapour in the air did not", "16 Apr 2031 21:1"),
        ),
        ("gap", ("T1", "no records", "27 Feb 2031 10:04 to 27 Feb 2031 14:40")),
        ("clock an hour off", ("climate_T4", "did not follow the clock change")),
        ("doubled export", ("climate_T2", "double export")),
        ("mistyped code", ("B2-T3-tpo-1",)),
        ("missing weight", ("B1-T4-top-2", "weights are missing")),
    ],
)
def test_each_fault_is_named_once(demo, kind, words):
    assert planted(kind).kind == kind
    assert len(named(demo, *words)) == 1


def test_contaminated_block_is_an_outcome(demo):
    fault = planted("contaminated block")
    rows = demo[2].table.set_index("unit").loc[fault.unit]
    assert rows["status"].tolist() == ["ok", "contaminated", "contaminated"]
    assert rows["fresh_g"].isna().tolist() == [False, True, True]


def test_decimal_commas_are_read_as_numbers(demo):
    table = demo[1][1].table
    of_file = table[table["chamber"] == planted("decimal commas").chamber]
    assert of_file["temp_c"].between(10, 20).all()
    assert not of_file["rh_pct"].mod(1).eq(0).all()


def test_nothing_else_is_alarming(demo):
    """Cautions of the alignment: the stuck sensor, the fan, and the window they leave thin."""
    codes = [f.code for f in demo[2].findings if f.severity != "note"]
    assert sorted(codes) == ["low_coverage", "mist_no_response", "sensor_stuck"]


def test_times_of_the_flags_are_those_planted(demo):
    check = demo[2].check
    stuck, fan = planted("stuck sensor"), planted("failed fan")
    flag = check.flags.table[check.flags.table["flag"] == "stuck"].iloc[0]
    near = pd.Timedelta(minutes=2)
    assert abs(flag["start"] - stuck.start) <= near
    assert abs(flag["stop"] - stuck.stop) <= near
    lost = check.response.table[check.response.table["fault"] == "no response"].iloc[0]
    assert abs(lost["start"] - fan.start) <= pd.Timedelta(minutes=10)
    assert abs(lost["stop"] - fan.stop) <= pd.Timedelta(minutes=10)
    assert lost["chamber"] == fan.chamber


def test_list_of_faults_is_the_one_tested():
    """A fault added to the demo must be looked for here."""
    assert {fault.kind for fault in FAULTS} == {
        "stuck sensor", "failed fan", "gap", "clock an hour off", "doubled export",
        "mistyped code", "missing weight", "contaminated block", "decimal commas",
    }  # fmt: skip
