"""What `check` offers for files that the trial file does not describe, and what it asks."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest

from tests.logs.folder import TRIAL, make_trial
from trialkit.cli.mapping import write_section
from trialkit.errors import TrialFileError
from trialkit.logs.climate.read import read_environment
from trialkit.logs.mapping.day_order import ask_order, judge_order
from trialkit.logs.mapping.offer import offer_sections
from trialkit.logs.mapping.proposal import Proposal
from trialkit.trial import read_trial

HEADS = '"Date Time, GMT+01:00","Temp, °F","RH, %"\n'
ROWS = "2031-01-14 10:00,59,88\n2031-01-14 10:10,60,87\n"


def offers(folder: Path, files: dict[str, str], logs: str = "") -> list[Proposal]:
    return offer_sections(make_trial(folder, {k: v.encode() for k, v in files.items()}, logs))


# ------------------------------------------------------------------ day or month first


@pytest.mark.parametrize(
    ("cells", "first"),
    [
        (["03/02/2031 23:50", "04/02/2031 00:00"], True),  # else one month in ten minutes
        (["02/03/2031 23:50", "02/04/2031 00:00"], False),
        (["03/04/2031 10:00", "03/04/2031 10:10"], None),  # one day: nothing moves
        (["03/02/2031", "05/09/2031"], None),  # jumps either way
    ],
)
def test_the_order_is_told_by_the_days_that_follow_each_other(
    cells: list[str], first: bool | None
) -> None:
    assert judge_order(pa.array(cells)) is first


def test_the_question_shows_both_readings_and_what_speaks_for_either(tmp_path: Path) -> None:
    """B2 runs from 10 March to 5 April: 3 April is in it, 4 March is not."""
    batches = make_trial(tmp_path, {}, "").batches
    asked = ask_order("when", pa.array(["05/06/2031 10:00"]), batches)
    assert "'05/06/2031 10:00' could be 5 Jun 2031 or 6 May 2031, and nothing" in str(asked)
    assert "\n" not in str(asked)
    assert [given for _, given in asked.choices] == [{"day_first": True}, {"day_first": False}]
    likely = ask_order("when", pa.array(["03/04/2031 10:00"]), batches)
    assert "only 3 Apr 2031 lies in batch B2" in str(likely)


# ------------------------------------------------------------------ offers


def test_files_that_no_section_names_get_a_section_of_their_kind(tmp_path: Path) -> None:
    found = offers(tmp_path, {"logs/T1.csv": HEADS + ROWS, "logs/pump.csv": "nothing,here\na,b\n"})
    [offer] = found
    assert (offer.kind, offer.files, offer.questions) == ("environment", ("logs/T1.csv",), ())
    assert offer.units == {"temp_c": "degF"}
    trial = make_trial(tmp_path, {}, "\n" + offer.section() + "\n")
    assert offer_sections(trial) == []
    table = read_environment(trial).table
    assert table["temp_c"].tolist() == pytest.approx([15, 15.5556], abs=1e-4)
    assert table["time"].dt.hour.tolist() == [9, 9]  # 10:00 at +1 h


def test_only_what_is_open_is_asked(tmp_path: Path) -> None:
    rows = "time,temperature\n05/06/2031 10:00,15\n05/06/2031 10:10,16\n"
    [offer] = offers(tmp_path, {"a.csv": rows}, '\n[logs.environment]\nfiles = ["a.csv"]\n')
    order, chamber = sorted(offer.asked, key=lambda q: len(q.choices))
    assert [list(given) for _, given in order.choices] == [["day_first"]] * 2
    assert [label for label, _ in chamber.choices] == ["T1", "T2", "T3", "T4"]
    assert "a.csv" in str(chamber)
    assert "05/06/2031 10:00" in str(chamber)
    done = offer.answered(order, 0).answered(chamber, 1)
    assert done.questions == ()
    trial = make_trial(tmp_path, {}, "\n" + done.section() + "\n")
    assert offer_sections(trial) == []
    log = read_environment(trial)
    assert log.table["chamber"].tolist() == ["T2", "T2"]
    assert log.table["time"].dt.month.tolist() == [6, 6]


def test_a_mapped_file_is_asked_about_what_its_section_leaves_open(tmp_path: Path) -> None:
    logs = '\n[logs.environment]\nfiles = ["*.csv"]\ncolumns = { temp_c = "t" }\n'
    rows = "time,t\n05/06/2031 10:00,15\n"
    [offer] = offers(tmp_path / "1", {"T1.csv": rows}, logs)
    [question] = offer.asked
    assert {key for _, given in question.choices for key in given} == {"day_first"}
    assert offer.settings() == {"files": ["*.csv"], "columns": {"temp_c": "t"}}
    midnight = "time,t\n05/06/2031 23:50,15\n06/06/2031 00:00,15\n"
    [settled] = offers(tmp_path / "2", {"T1.csv": midnight}, logs)
    assert (settled.questions, settled.keys) == ((), {"day_first": True})
    assert offers(tmp_path / "3", {"T1.csv": rows}, logs + "day_first = true\n") == []


def test_a_column_of_a_chamber_that_was_renamed_is_no_new_column(tmp_path: Path) -> None:
    """What `check` reads without a question is not offered to be named anew."""
    logs = (
        '\n[logs.environment]\nfiles = ["all.csv"]\ncolumns = { temp_c = "{chamber} temp" }\n'
        '[[happened]]\non = 2031-01-20\nrenamed = "T4"\nto = "Window"\n'
        'reason = "a new label"\nbecause_of_harvest = false\n'
    )
    rows = "time,Window temp\n2031-01-14 10:00,15\n2031-01-14 10:10,16\n"
    trial = make_trial(tmp_path, {"all.csv": rows.encode()}, logs)
    assert set(read_environment(trial).table["chamber"]) == {"T4"}
    assert offer_sections(trial) == []


def test_a_dew_point_is_humidity_only_beside_a_temperature_and_without_better(
    tmp_path: Path,
) -> None:
    dew, row = '{}"Dew Point, °C"\n', "2031-01-14 10:00,15,13\n"
    [both] = offers(tmp_path / "1", {"logs/T1.csv": dew.format("time,temp °C,") + row})
    assert both.columns == {"time": "time", "temp_c": "temp °C", "rh_pct": "Dew Point, °C"}
    assert both.units == {"rh_pct": "dew_degC"}
    better = "time,temp °C,humidity," + dew.format("") + "2031-01-14 10:00,15,88,13\n"
    [sure] = offers(tmp_path / "2", {"logs/T1.csv": better})
    assert (sure.columns["rh_pct"], sure.units) == ("humidity", {})


def test_a_column_in_an_unknown_unit_is_not_offered(tmp_path: Path) -> None:
    rows = "time,temp °C,Light (W/m²)\n2031-01-14 10:00,15,88\n"
    [offer] = offers(tmp_path, {"logs/T1.csv": rows})
    assert list(offer.columns) == ["time", "temp_c"]


# ------------------------------------------------------------------ writing


def written(folder: Path, logs: str, offer: Any) -> dict[str, Any]:
    path = folder / "trial.toml"
    path.write_text(TRIAL + "# a note of mine\n" + logs, encoding="utf-8")
    write_section(path, offer)
    text = path.read_text(encoding="utf-8")
    assert "# a note of mine" in text
    assert read_trial(folder).logs
    return tomllib.loads(text)


@pytest.mark.parametrize(
    "logs",
    [
        "",
        '[logs.environment]\nfiles = ["a.csv"] # mine\nmax_gap_min = 30\n'
        '[logs.mist]\nfiles = ["m"]\n',
        '[logs]\nenvironment = { files = ["a.csv"], max_gap_min = 30 }\n',
        '[logs.environment]\nfiles = ["a.csv"]\nmax_gap_min = 30\ncolumns = { temp_c = "warm" }\n',
    ],
)
def test_a_section_is_written_and_all_else_stays(logs: str, tmp_path: Path) -> None:
    rows = 'time,"temp \\ ""x"""\n2031-01-14 10:00,15\n'
    [offer] = offers(tmp_path, {"a.csv": rows}, '\n[logs.environment]\nfiles = ["a.csv"]\n')
    [chamber] = offer.asked
    before = tomllib.loads(TRIAL + logs)
    after = written(tmp_path, logs, offer.answered(chamber, 2))
    section = after["logs"].pop("environment")
    assert section["files"] == ["a.csv"]
    assert section["columns"] == {"time": "time", "temp_c": 'temp \\ "x"'}
    assert section["chamber"] == {"a.csv": "T3"}
    kept = before.get("logs", {}).pop("environment", {})
    assert section.get("max_gap_min") == kept.get("max_gap_min")
    if not after["logs"]:
        del after["logs"]
        before.pop("logs", None)
    assert after == before


def test_what_would_break_the_trial_file_is_not_written(tmp_path: Path) -> None:
    rows = "time,temp\n2031-01-14 10:00,15\n"
    [offer] = offers(tmp_path, {"T1.csv": rows}, '\n[logs.environment]\nfiles = ["T1.csv"]\n')
    path = tmp_path / "trial.toml"
    old = path.read_bytes()
    broken = Proposal("environment", offer.files, {"nonsense": "temp"}, {}, offer.clues)
    with pytest.raises(TrialFileError):
        write_section(path, broken)
    assert path.read_bytes() == old
