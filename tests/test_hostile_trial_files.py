"""Trial files that nobody writes on purpose: refused in plain words, never a traceback."""

from unittest import mock

import pandas as pd
import pytest
from typer.testing import CliRunner

import trialkit as tk
from tests.logs.folder import TRIAL
from tests.small_trials import make_trial as small_trial
from trialkit.cli import build, timelines
from trialkit.errors import DesignError, TrialFileError
from trialkit.structure import parse_structure
from trialkit.trial import read as reader
from trialkit.trial import read_trial

LOGS = '\n[logs.harvest]\nfiles = ["logs/h.csv"]\n'
UNITS = '"(batch * chamber) / shelf / block"'
APPLIED = 'applied_to = "batch:chamber"'
START = "2031-01-13T09:00:00"


TOO_MANY_LEVELS = "\n".join(f"levels.l{i} = {{}}" for i in range(400)) + "\nlevels.usual"
TOO_MANY_NAMES = "[" + ", ".join(f'"X{i}"' for i in range(2000)) + ', "T1"'
BRACKETS = "(" * 3000 + "b" + ")" * 3000
WORDS = "should be words"


def changed(old, new):
    assert old in TRIAL + LOGS
    return (TRIAL + LOGS).replace(old, new)


CASES = {
    "a list as the control": (changed(APPLIED, f'{APPLIED}\ncontrol = ["usual"]'), WORDS),
    "a table as the control": (changed(APPLIED, f"{APPLIED}\ncontrol = {{ a = 1 }}"), WORDS),
    "a list among levels apart": (changed(APPLIED, f'{APPLIED}\napart = [[["usual"]]]'), WORDS),
    "the first day of all": (changed(START, "0001-01-01"), "from 1900 to 2199"),
    "the last day of all": (changed(START, "9999-12-31T23:59:59"), "from 1900 to 2199"),
    "a day before clocks": (changed(START, "1600-01-01"), "from 1900 to 2199"),
    "a key with a bracket": (TRIAL + LOGS + '"a[b" = 1\n', r"unknown key 'a\[b'"),
    "keys named like types":
        (changed("[trial]", '[trial]\ndate = 1\nint = 2'), "unknown key 'date'"),
    "a key within levels":
        (changed("{ on_s = 20, off_s = 220 }", '{ "o[n" = 3 }'), r"unknown key 'o\[n'"),
    "open brackets": (changed(UNITS, '"(((("'), "a name is missing"),
    "3000 brackets": (changed(UNITS, f'"{BRACKETS}"'), "too long"),
    "3000 lists": (TRIAL + "x = " + "[" * 3000 + "]" * 3000, "without end"),
    "5000 digits": (changed("2600", "9" * 5000), "thousands of digits"),
    "a hexadecimal number without end": (changed("2600", "0x" + "f" * 9000), "should be a number"),
    "4000 digits of batches": (changed("batch = 2", "batch = " + "9" * 4000), "use 1 to 20000"),
    "a seed too large":
        (changed('title = "a', 'seed = 99999999999999999999\ntitle = "a'), "less than"),
    "too many blocks": (changed("block = 2", "block = 9000"), "units is more than 20000"),
    "too many names": (changed('["T1"', TOO_MANY_NAMES), "1000 is the most"),
    "a name too long": (changed('"T1"', '"' + "a" * 3000 + '"'), "60 is the most"),
    "a title too long": (changed("a small trial", "a" * 100_000), "more than 200 letters"),
    "too many levels": (changed("levels.usual", TOO_MANY_LEVELS), "100 is the most"),
    "no finite number": (changed("fogger_w = 80", "fogger_w = inf"), "finite"),
    "an absolute name": (changed("logs/h.csv", "/etc/passwd"), "root of a disk"),
    "an absolute name of Windows":
        (changed('"logs/h.csv"', "'C:\\\\logs\\\\h.csv'"), "root of a disk"),
    "an empty name": (changed("logs/h.csv", ""), "is empty"),
    "a name that cannot be": (changed("logs/h.csv", r"logs/\u0000"), "what no name can hold"),
    "a question too long":
        (changed('primary = "schedule"', 'primary = "' + "s" * 5000 + '"'), "1000 is the most"),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_it_is_refused_with_its_place_and_in_few_words(name, tmp_path):
    text, says = CASES[name]
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    with pytest.raises(TrialFileError, match=says) as caught:
        read_trial(tmp_path)
    assert all(len(line) <= 500 for line in str(caught.value).splitlines())


def test_three_thousand_faults_are_counted_and_the_first_are_told(tmp_path):
    text = TRIAL + LOGS + "\n".join(f"k{i} = 1" for i in range(3000))
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    with pytest.raises(TrialFileError, match="3000 problems") as caught:
        read_trial(tmp_path)
    assert len(caught.value.faults) == 3000
    assert len(str(caught.value)) < 20_000


def test_a_trial_file_of_a_megabyte_is_none(tmp_path, monkeypatch):
    monkeypatch.setattr(reader, "LARGEST", 100)
    (tmp_path / "trial.toml").write_text(TRIAL, encoding="utf-8")
    with pytest.raises(TrialFileError, match="is larger than"):
        read_trial(tmp_path)


def test_factors_that_cross_do_not_double_without_end():
    with pytest.raises(DesignError, match="8 is the most"):
        parse_structure(" * ".join("abcdefghijklmnopqrstuvwxyz"))
    assert len(parse_structure("*".join("abcdefgh")).terms) == 2**8 - 1


def test_the_highest_value_of_a_column_of_ones_own_may_still_be_without_limit(tmp_path):
    column = '[columns.cap_mm]\nunit = "mm"\nrange = [0, inf]\npools = "mean"\n'
    (tmp_path / "trial.toml").write_text(TRIAL + LOGS + column, encoding="utf-8")
    assert read_trial(tmp_path).columns["cap_mm"].possible == (0, float("inf"))


def test_a_batch_with_a_wrong_year_has_no_picture_and_stops_nothing(tmp_path):
    """The end of its window is not known: a batch of 2130 among harvests of 2031."""
    dates = (
        "[batches]\nB1 = { start = 2031-01-13T09:00:00, end = 2031-02-08T12:00:00 }\n"
        "B2 = { start = 2130-01-13T09:00:00, end = 2130-02-08T12:00:00 }\n"
        '[logs.harvest]\nfiles = ["h.csv"]\n[logs.environment]\nfiles = ["c.csv"]\n'
    )
    trial = small_trial(tmp_path, batches=2, chambers=4, more=dates)
    tk.assign(trial).write(tmp_path)
    units = trial.unit_table()["unit"]
    rows = "".join(f"{u},1,2031-02-01,{400 + i}\n" for i, u in enumerate(units))
    (tmp_path / "h.csv").write_text("unit,flush,date,fresh_g\n" + rows, encoding="utf-8")
    air = "".join(f"2031-01-{d} 10:00,C1,{80 + d}\n" for d in range(14, 20))
    (tmp_path / "c.csv").write_text("time,chamber,rh_pct\n" + air, encoding="utf-8")
    for command, made in (("check", "results/ledger.csv"), ("report", "report.html")):
        done = CliRunner().invoke(build(rich_help=False), [command, str(tmp_path)])
        assert done.exit_code in (0, 1), done.output
        assert (tmp_path / made).is_file()


def test_a_chamber_named_like_a_path_gets_a_safe_file_name(tmp_path):
    runs = pd.DataFrame(
        {
            "chamber": ["left/a", "../../b"],
            "window": "whole",
            "start": pd.Timestamp("2031-01-14", tz="UTC"),
            "stop": pd.Timestamp("2031-01-15", tz="UTC"),
        }
    )
    records = pd.DataFrame(
        {
            "chamber": ["left/a", "../../b"],
            "time": pd.Timestamp("2031-01-14 10:00", tz="UTC"),
            "rh_pct": 80.0,
        }
    )

    class Drawing:
        def savefig(self, path, **_):
            path.write_bytes(b"picture")

    folder = tmp_path / "in" / "results"
    with (
        mock.patch.object(timelines, "_draw", return_value=Drawing()),
        mock.patch.object(timelines, "_drawn", return_value=records),
    ):
        made = timelines.write_timelines(
            folder, mock.Mock(runs=runs), {"environment": mock.Mock(table=records)}
        )
    assert sorted(p.name for p in made) == ["humidity_.._.._b.png", "humidity_left_a.png"]
    assert sorted(p.name for p in folder.iterdir()) == sorted(p.name for p in made)
    assert [p.name for p in tmp_path.iterdir()] == ["in"]
