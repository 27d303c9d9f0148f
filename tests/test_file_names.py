"""Which files a name means, in folders with links in circles, pipes and odd names."""

import os

import pytest

from trialkit import file_names
from trialkit.errors import LogError
from trialkit.file_names import kind_of, match_names


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
