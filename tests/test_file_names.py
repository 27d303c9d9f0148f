"""Which files a name means, in folders with links in circles, pipes and odd names."""

import os

import pytest

from tests.logs.folder import make_trial
from trialkit import file_names
from trialkit.errors import LogError
from trialkit.file_names import kind_of, match_names
from trialkit.logs.climate.read import read_environment


@pytest.fixture
def folder(tmp_path):
    for name in ("logs/a.csv", "logs/in/b.csv", "logs/in/deep/c.csv", "logs/.hidden/d.csv"):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("x", encoding="utf-8")
    return tmp_path


def names(folder, pattern):
    return [p.relative_to(folder).as_posix() for p in match_names(folder, pattern)]


@pytest.mark.parametrize(
    ("pattern", "expected"),
    [
        ("logs/a.csv", ["logs/a.csv"]),
        ("logs/*.csv", ["logs/a.csv"]),
        ("logs/?.csv", ["logs/a.csv"]),
        ("logs/[ab].csv", ["logs/a.csv"]),
        ("logs/**/*.csv", ["logs/a.csv", "logs/in/b.csv", "logs/in/deep/c.csv"]),
        ("logs/**", ["logs/a.csv", "logs/in/b.csv", "logs/in/deep/c.csv"]),
        ("**/deep/*", ["logs/in/deep/c.csv"]),
        ("logs/*/../a.csv", ["logs/in/../a.csv"]),
        ("logs/nothing*", []),
        ("", []),
        ("a\0b", []),
    ],
)
def test_patterns(folder, pattern, expected):
    assert names(folder, pattern) == expected


def test_links_in_a_circle_end_and_each_folder_is_entered_once(folder):
    (folder / "logs" / "in" / "up").symlink_to(folder / "logs")
    (folder / "logs" / "self").symlink_to(folder / "logs" / "self")
    for i in range(12):  # each leads to all: without care, 12! ways
        (folder / "logs" / "in" / f"again{i}").symlink_to(folder / "logs" / "in")
    assert names(folder, "logs/**") == ["logs/a.csv", "logs/in/b.csv", "logs/in/deep/c.csv"]
    assert names(folder, "logs/**/*.csv") == ["logs/a.csv", "logs/in/b.csv", "logs/in/deep/c.csv"]


def test_a_name_with_the_marks_of_a_pattern_is_a_name_first(folder):
    (folder / "logs" / "T[1].csv").write_text("x", encoding="utf-8")
    (folder / "logs" / "T1.csv").write_text("x", encoding="utf-8")
    assert names(folder, "logs/T[1].csv") == ["logs/T[1].csv"]


ODD_KEYS = """
[logs.environment]
files = ["logs/*.csv"]
chamber = { "a*.csv" = "T3", "a[1].csv" = "T1", "a1.csv" = "T2" }
sensor = { "a[1].csv" = "left", "a*.csv" = "right" }
clock = [{ file = "a[1].csv", add_s = 3600 }, { file = "a*.csv", add_s = 7200 }]
time_zone = { "a[1].csv" = "UTC" }
keep = [
    { file = "a[1].csv", rows = [3, 3], rule = "value impossible", because = "seen" },
    { file = "a*.csv", rows = [3, 3], rule = "value impossible", because = "seen" },
]
"""


def test_what_a_key_says_of_a_name_with_marks_holds_for_that_file_alone(tmp_path):
    """By hand: Vienna is an hour ahead of UTC in January; 150 °C is impossible unless kept."""
    log = b"time,temp_c\n2031-01-14 10:00,20\n2031-01-14 10:10,150\n"
    files = {f"logs/{name}.csv": log for name in ("a[1]", "a1", "a*", "a2")}
    keys = ODD_KEYS.replace('"a1.csv" = "T2"', '"a1.csv" = "T2", "a2.csv" = "T4"')
    table = read_environment(make_trial(tmp_path, files, keys), cache=False).table
    first = table.groupby("file", observed=True)[["chamber", "sensor", "time", "temp_c"]].first()
    hours = {name.removeprefix("logs/"): time.hour for name, time in first["time"].items()}
    assert hours == {"a[1].csv": 11, "a1.csv": 9, "a*.csv": 11, "a2.csv": 9}
    assert first["chamber"].tolist() == ["T3", "T2", "T4", "T1"]  # a*, a1, a2, a[1]
    assert first["sensor"].tolist() == ["right", "T2", "T4", "left"]
    kept = table[table["temp_c"] == 150]["file"].tolist()
    assert sorted(kept) == ["logs/a*.csv", "logs/a[1].csv"]


def test_very_many_names_are_refused_with_the_limit(folder, monkeypatch):
    monkeypatch.setattr(file_names, "MOST_NAMES", 3)
    with pytest.raises(LogError, match="more than 3 names"):
        match_names(folder, "logs/**")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes here")
def test_pipes_and_devices_are_told_apart_from_files(folder):
    os.mkfifo(folder / "logs" / "pipe.csv")
    (folder / "logs" / "zero.csv").symlink_to("/dev/zero")
    kinds = {p.name: kind_of(p) for p in match_names(folder, "logs/*")}
    expected = {"a.csv": "file", "in": "folder", "pipe.csv": "other", "zero.csv": "other"}
    assert kinds == expected
