"""Words from files: hidden marks are seen, long ones cut, and nothing reaches a terminal raw."""

import datetime as dt
import json
import shlex
import subprocess
import warnings
from pathlib import Path
from xml.etree import ElementTree

import openpyxl
import pandas as pd
import pytest
from matplotlib.figure import Figure

from tests.logs.folder import TRIAL, make_trial
from trialkit.cli.screen import Screen
from trialkit.design.sheets.workbook import put
from trialkit.errors import Fault, Finding, LogError, TrialFileError, TrialkitError
from trialkit.formulas import with_formulas, without_formulas
from trialkit.report.svg import inline_svg
from trialkit.shell import quoted
from trialkit.visible_text import bounded, brief, quote, visible
from trialkit.wording import read_wording

NASTY = "T\x1b[31m\x07\x00\x9b\u202e\ud800\ufffe\x7f"


def test_every_control_character_is_shown_and_line_ends_stay():
    every = "".join(map(chr, range(0x300)))
    shown = visible(every)
    assert not any((ord(c) < 32 and c != "\n") or 127 <= ord(c) < 160 for c in shown)
    assert "\n" in shown
    assert "é" in shown
    assert visible(NASTY).encode("utf-8")  # no half of a pair is left
    assert visible("Grüße, 蘑菇 🍄\n") == "Grüße, 蘑菇 🍄\n"


def test_long_words_are_cut_in_the_middle():
    assert brief("a" * 50 + "z" * 50, 11) == "a" * 7 + "…" + "z" * 3
    assert len(quote("x" * 10_000)) == 80
    assert quote(16**9000) == "something too long to be shown"
    assert quote(dt.date(2031, 1, 2)) == "2031-01-02"
    lines = bounded("short\n" + "a" * 9000 + '\ncolumns = { time = "' + "b" * 900 + '" }')
    assert [len(line) for line in lines.split("\n")] == [5, 500, 923]  # what is pasted stays whole


def test_no_fault_is_longer_than_a_message_may_be():
    fault = Fault("w" * 3000, "x\x1b" * 3000, "r" * 3000)
    assert len(str(fault)) <= 500
    assert "\x1b" not in str(fault)
    many = TrialFileError("trial.toml", [fault] * 3000)
    assert len(many.faults) == 3000
    assert len(str(many).splitlines()) == 42
    assert "2960 more" in str(many)
    assert len(str(LogError("z" * 5000))) == 500
    assert str(TrialkitError("as it is")) == "as it is"


def test_a_sentence_of_the_catalogue_shows_the_marks_of_what_a_file_says():
    assert "\x1b" not in read_wording().written(NASTY)


def test_the_screen_prints_no_control_character(capsys):
    screen = Screen("check")
    screen.say(NASTY)
    screen.findings([Finding("x", "note", NASTY, NASTY)])
    screen.wrote([Path("a\x1b.csv")])
    out = capsys.readouterr().out
    assert "␛" in out
    assert not set(out) & set("\x1b\x07\x00\x9b\u202e\x7f")


def test_json_keeps_the_value_without_raw_marks(capsys):
    screen = Screen("check", as_json=True)
    screen.record["title"] = "a\x9b\u202e\x1b"
    screen.finish(0)
    out = capsys.readouterr().out
    assert not set(out) & set("\x9b\u202e\x1b")
    assert json.loads(out)["title"] == "a\x9b\u202e\x1b"


def test_drawings_are_sound_xml_whatever_a_sensor_is_called():
    figure = Figure()
    figure.subplots().set_title("logger \x1b\x00 <b> & $x$")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of a letter that the font lacks
        text = str(inline_svg(figure, ident="f", alt=NASTY))
    ElementTree.fromstring(text)
    assert "\x1b" not in text


def test_workbooks_hold_marks_that_they_cannot_hold_otherwise(tmp_path):
    book = openpyxl.Workbook()
    put(book.active["A1"], "=1+1\x0b\x00")
    book.save(tmp_path / "b.xlsx")
    cell = openpyxl.load_workbook(tmp_path / "b.xlsx").active["A1"]
    assert (cell.value, cell.data_type) == ("=1+1␋␀", "s")


def test_tables_are_safe_from_formulas_and_marks_and_levels_come_back():
    table = pd.DataFrame({"level": ["=cmd|x", "+5", "@a", "usual", "-10"], "n": [1, 2, 3, 4, 5]})
    safe = without_formulas(table.assign(level=table["level"]))
    assert safe["level"].tolist() == ["'=cmd|x", "+5", "'@a", "usual", "-10"]
    assert with_formulas(safe[["level"]])["level"].tolist() == table["level"].tolist()
    assert without_formulas(pd.DataFrame({"a": ["x\x1b"]}))["a"].tolist() == ["x␛"]


def test_names_with_marks_are_refused_and_titles_show_them(tmp_path):
    trial = make_trial(tmp_path, {}, "", trial=TRIAL.replace("a small", r"a \u001b[31m small"))
    assert trial.title == "a ␛[31m small trial"
    for old, new in (('"T1"', r'"T\u00071"'), ("levels.usual", r'levels."us\u001bual"')):
        with pytest.raises(TrialFileError, match=r"character|printed"):
            make_trial(tmp_path, {}, "", trial=TRIAL.replace(old, new))


@pytest.mark.parametrize(
    "name",
    ["mine", "my trial", "a$b", "it's", 'say "x"', "a`b", "a\\b", "$(x)", "-x", "a!b", "a\x1bb"],
)  # fmt: skip
def test_a_path_to_paste_is_that_path_to_a_shell(name):
    typed = quoted(Path(name), windows=False)
    done = subprocess.run(
        ["bash", "-c", f"printf %s {typed}"], capture_output=True, check=True, text=True
    )
    assert done.stdout.removeprefix("./") == name
    if "\x1b" not in name:
        assert shlex.split(typed)[0].removeprefix("./") == name
    assert "\x1b" not in typed
