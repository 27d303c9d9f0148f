"""The trial file: all faults at once, each with its place and remedy."""

import re

import pytest

import trialkit as tk
from trialkit.errors import TrialFileError

GOOD = """
[trial]
title = "Two schedules"
time_zone = "Europe/Vienna"
seed = 7
[units]
structure = "(batch * chamber) / block"
batch = 3
chamber = ["T1", "T2"]
block = 4
[factors.schedule]
applied_to = "batch:chamber"
control = "usual"
levels.usual = { on_s = 20, off_s = 220 }
levels.sparse = { on_s = 20, off_s = 460 }
[question]
primary = "schedule"
[batches]
B1 = 2031-03-10
B2 = { start = 2031-07-01T06:00:00 }
[logs.harvest]
files = ["harvest.csv"]
columns = { fresh_g = "weight" }
units = { fresh_g = "oz" }
"""


def write(folder, text):
    (folder / "trial.toml").write_text(text, encoding="utf-8")
    return folder


def faults_of(folder, text):
    with pytest.raises(TrialFileError) as caught:
        tk.read_trial(write(folder, text))
    return caught.value.faults


def test_a_good_file_gives_units_settings_and_moments_in_utc(tmp_path):
    trial = tk.read_trial(write(tmp_path, GOOD))
    assert len(trial.unit_table()) == 24
    assert trial.unit_table()["unit"].iloc[0] == "B1-T1-1"
    assert trial.factors["schedule"].levels["usual"].duty_pct == pytest.approx(100 / 12)
    assert trial.factors["schedule"].levels["usual"].cycles_per_day == 360
    assert trial.factors["schedule"].levels["usual"].kind == "timed"
    # Vienna is UTC+1 in March and UTC+2 in July (IANA time zone data)
    assert trial.batches["B1"].start.isoformat() == "2031-03-09T23:00:00+00:00"
    assert trial.batches["B2"].start.isoformat() == "2031-07-01T04:00:00+00:00"
    assert trial.batches["B3"].start is None


def test_five_mistakes_give_five_messages_with_line_and_remedy(tmp_path):
    text = (
        GOOD.replace("title =", "titel =")
        .replace("batch = 3", "batch = 0")
        .replace('control = "usual"', 'control = "usal"')
        .replace("off_s = 460", "of_s = 460")
        .replace('fresh_g = "oz"', 'fresh_g = "stone"')
    )
    faults = faults_of(tmp_path, text)
    shown = [str(f) for f in faults]
    assert len(faults) == 5, "\n".join(shown)
    for fault, words in zip(
        shown,
        [
            r"titel \(line 3\).*did you mean 'title'",
            r"batch \(line 8\).*0 is not a possible count",
            r"control \(line 13\).*'usal'.*did you mean 'usual'",
            r"of_s \(line 15\).*did you mean 'off_s'",
            r"fresh_g \(line 24\).*'stone'.*known: g, kg",
        ],
        strict=True,
    ):
        assert re.search(words, fault), fault


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("[trial]", "[trail]", r"unknown section 'trail'.*'trial'"),
        ('structure = "(batch * chamber) / block"', "", "unit structure is missing"),
        ("(batch * chamber) / block", "batch * chamber / block", "without brackets"),
        ("block = 4", "", "how many blocks"),
        ("block = 4", "block = 4\nbox = 2", "unknown key 'box'"),
        ('"T1", "T2"', '"T1", "T1"', "'T1' appears twice"),
        ('"T1", "T2"', '"T-1", "T2"', "'T-1' has a character"),
        ("Europe/Vienna", "Mars/Olympus", "unknown time zone"),
        ('"batch:chamber"', '"batch:tent"', "not a kind of unit"),
        ("off_s = 220", "off_s = -5", "greater than or equal to 0"),
        (", off_s = 220", "", "both on_s and off_s"),
        ("on_s = 20, off_s = 220", "start_below_rh = 95, stop_above_rh = 90", "starts at 95"),
        ('primary = "schedule"', 'primary = "mist"', "no factor is called 'mist'"),
        ('primary = "schedule"', "", "'primary' is missing"),
        ("B1 = 2031-03-10", "B9 = 2031-03-10", "no batch is called 'B9'"),
        ("start = 2031-07-01T06:00:00", "start = 2031-07-02, end = 2031-07-01", "ends before"),
        ("[logs.harvest]", "[logs.harvests]", "unknown log 'harvests'"),
        ('fresh_g = "weight"', 'weight = "weight"', "has no column 'weight'"),
        ("seed = 7", "seed = -7", "greater than or equal to 0"),
    ],
)
def test_each_kind_of_mistake_is_named(tmp_path, old, new, says):
    assert old in GOOD
    shown = "\n".join(map(str, faults_of(tmp_path, GOOD.replace(old, new, 1))))
    assert re.search(says, shown), shown


def test_a_factor_with_nothing_to_be_tested_against_is_refused(tmp_path):
    text = GOOD.replace("batch = 3", "batch = 1").replace("B2 =", "# ")
    (fault,) = faults_of(tmp_path, text)
    assert "1 of the 2 chamber runs" in fault.what
    assert "add batches or chambers" in fault.remedy


def test_an_unreadable_file_is_a_fault_not_a_crash(tmp_path):
    with pytest.raises(TrialFileError, match="cannot be read"):
        tk.read_trial(tmp_path / "nowhere")
    with pytest.raises(TrialFileError, match="not valid TOML"):
        tk.read_trial(write(tmp_path, "[trial\n"))
    (tmp_path / "trial.toml").write_bytes(b"\xff\xfe\x00bad")
    with pytest.raises(TrialFileError, match="not text in UTF-8"):
        tk.read_trial(tmp_path)


@pytest.mark.parametrize(
    ("text", "what", "remedy"),
    [
        ("[a]\nclock = [{ b = 1 }]\nclock = [{ b = 2 }]\n", "'clock' stands twice", r"clock = \["),
        ("[a]\nunits = { b = 1 }\nunits = { c = 2 }\n", "'units' stands twice", "units = { …, … }"),
        ("[a]\nx = 1\nx = 2", r"\(line 3\): 'x' stands twice", "one line for both: x = …"),
        ("[rig]\nx = 1\n[rig]\ny = 2\n", r"section \[rig\] stands there twice", "under one"),
        ("[happened]\na = 1\n[happened]\na = 2\n", "needs two brackets", r"\[\[happened\]\]"),
        ("[[x.y]]\na = 1\n[x.y]\na = 2\n", "needs two brackets", r"\[\[x.y\]\]"),
        ("[a]\nx = 1\nx = [\n2,\n]\n", "not valid TOML", "fix the text"),
    ],
)  # fmt: skip
def test_what_stands_twice_is_named_with_the_form_that_holds_both(tmp_path, text, what, remedy):
    """TOML 1.0: a key and a table may be defined once, an array of tables by [[name]]."""
    (fault,) = faults_of(tmp_path, text)
    assert re.search(what, str(fault))
    assert re.search(remedy, fault.remedy)


MANY_FAULTS = """
[trial]
title = 3
seed = "x"
[units]
structure = "(batch * chamber) / block"
batch = 0
chamber = 2.5
block = 4
flushes = 0
[factors.schedule]
applied_to = "batch:chamber"
levels.usual = { on_s = "20 s", off_s = 220 }
levels.b = { start_below_rh = 95, stop_above_rh = 90 }
levels.c = { on_s = 20 }
levels.d = 3
[question]
primary = "schedule"
margin_pct = "ten"
response = "weight"
[batches]
B1 = { start = "13.01.2031" }
B2 = 7
[logs.harvest]
files = "logs/harvest.csv"
day_first = "yes please"
units = 3
"""


def test_one_fault_hides_no_other_and_each_has_a_remedy(tmp_path):
    (tmp_path / "trial.toml").write_text(MANY_FAULTS, encoding="utf-8")
    with pytest.raises(TrialFileError) as told:
        tk.read_trial(tmp_path)
    faults = told.value.faults
    lines = [int(f.where.split("(line ")[1].rstrip(")")) for f in faults]
    assert lines == [3, 4, 7, 8, 10, 13, 14, 15, 16, 19, 20, 22, 23, 25, 26, 27]
    assert all(f.remedy for f in faults)
    whole = str(told.value)
    assert "should be a number, but it is '20 s'" in whole
    assert "the band starts at 95 % but stops at 90 %" in whole
    # words of the library that reads the file mean nothing to a grower
    assert not [w for w in ("valid", "parse", "dictionary", "boolean", "integer") if w in whole]


def test_a_number_is_no_date_of_1970(tmp_path):
    text = (tk.demo_folder() / "trial.toml").read_text(encoding="utf-8")
    text = re.sub(r"\nB1 *=.*", "\nB1 = { start = 7 }", text, count=1)
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    with pytest.raises(TrialFileError, match="should be a date, but it is 7"):
        tk.read_trial(tmp_path)


def test_a_file_in_another_encoding_is_told_with_its_line(tmp_path):
    (tmp_path / "trial.toml").write_bytes('[trial]\ntitle = "größer"\n'.encode("latin-1"))
    with pytest.raises(TrialFileError, match=r"not text in UTF-8 \(line 2\)"):
        tk.read_trial(tmp_path)


def test_a_trial_shows_itself_in_a_notebook_with_what_a_file_says_escaped(tmp_path):
    text = GOOD.replace("Two schedules", "<b>Two</b>")
    page = tk.read_trial(write(tmp_path, text))._repr_html_()
    assert "&lt;b&gt;Two&lt;/b&gt;" in page
    assert "<b>Two" not in page
    for words in ("20 s on, 460 s off", "chamber runs", "6 chamber runs", "24 blocks"):
        assert words in page


def test_a_clock_with_two_truths_for_one_moment_is_a_fault(tmp_path):
    logs = """
[logs.environment]
files = ["c.csv"]
clock = [
  { file = "c.csv", shows = 2031-01-14T10:00:00, truth = 2031-01-14T10:05:00 },
  { file = "c.csv", shows = 2031-01-14T10:00:00, truth = 2031-01-14T10:06:00 },
]
"""
    [fault] = faults_of(tmp_path, GOOD + logs)
    assert "different truths" in fault.what
    same = logs.replace("10:06:00", "10:05:00")
    assert len(tk.read_trial(write(tmp_path, GOOD + same)).logs["environment"].clock) == 2
