"""A day's look at a running trial; every expected share is worked out from how the log was made."""

import datetime as dt
import json
import re
import subprocess
import sys

import pandas as pd
import pytest
from typer.testing import CliRunner

import trialkit as tk
from trialkit.cli import build
from trialkit.today import recent
from trialkit.today.look import trial_today
from trialkit.today.page import today_page

TEXT = """
[trial]
title = "Two tents"
time_zone = "Europe/Vienna"
[units]
structure = "(batch * chamber) / block"
batch = 3
chamber = ["left", "right"]
block = 2
flushes = 2
[factors.schedule]
applied_to = "batch:chamber"
control = "usual"
levels.usual = { on_s = 20, off_s = 220 }
levels.sparse = { on_s = 20, off_s = 460 }
[question]
primary = "schedule"
[rig]
band_low_rh = 82
band_high_rh = 95
[batches]
B1 = { start = 2031-01-13T09:00:00, end = 2031-02-08T12:00:00 }
B2 = { start = 2031-02-10T09:00:00 }
[logs.harvest]
files = ["logs/harvest.csv"]
columns = { time = "date" }
[logs.environment]
files = ["logs/climate_*.csv"]
columns = { time = "time", rh_pct = "humidity" }
[logs.mist]
files = ["logs/mist.csv"]
columns = { time = "time", chamber = "tent", state = "mist" }
"""
PLAN = "batch,chamber,block,unit,schedule\n" + "".join(
    f"{b},{c},{k},{b}-{c}-{k},{'usual' if (b == 'B2') == (c == 'left') else 'sparse'}\n"
    for b in ("B1", "B2", "B3")
    for c in ("left", "right")
    for k in (1, 2)
)
#: Local 07:00 on the ninth day of batch B2.
NOW = dt.datetime(2031, 2, 19, 6, tzinfo=dt.UTC)


def stamps(start, stop, step):
    return pd.date_range(start, stop, freq=step, inclusive="left")


def write_climate(
    folder, tent, *, stop="2031-02-19 07:00", values=lambda t: 90 + t.minute / 100, since=None
):
    times = stamps(since or "2031-02-10 09:00", stop, "5min")
    rows = [f"{t:%Y-%m-%d %H:%M},{values(t)}\n" for t in times]
    (folder / "logs" / f"climate_{tent}.csv").write_text("time,humidity\n" + "".join(rows))


def write_mist(folder, cycles):
    """Write a log of pulses of 20 s; `cycles` gives tent → list of starts."""
    rows = []
    for tent, starts in cycles.items():
        for t in starts:
            rows += [(t, tent, "on"), (t + pd.Timedelta("20s"), tent, "off")]
    rows.sort()
    lines = "".join(f"{t:%Y-%m-%d %H:%M:%S},{tent},{state}\n" for t, tent, state in rows)
    (folder / "logs" / "mist.csv").write_text("time,tent,mist\n" + lines)


def write_harvest(folder, more=(), first="2031-01-22"):
    rows = [
        (f"B1-{c}-{k}", f, day, 300)
        for c in ("left", "right")
        for k in (1, 2)
        for f, day in ((1, first), (2, "2031-02-02"))
    ]
    lines = "".join(",".join(map(str, row)) + "\n" for row in [*rows, *more])
    (folder / "logs" / "harvest.csv").write_text("unit,flush,date,fresh_g\n" + lines)


def planned(every, *, stop="2031-02-19 07:00", start="2031-02-17 00:00"):
    return list(stamps(start, stop, f"{every}s"))


@pytest.fixture
def folder(tmp_path):
    """Give a trial in which all is well and nothing is due."""
    (tmp_path / "logs").mkdir()
    (tmp_path / "plan").mkdir()
    (tmp_path / "plan" / "assignment.csv").write_text(PLAN)
    (tmp_path / "trial.toml").write_text(TEXT)
    write_climate(tmp_path, "left")
    write_climate(tmp_path, "right")
    write_mist(tmp_path, {"left": planned(240), "right": planned(480)})
    write_harvest(tmp_path)
    return tmp_path


def look(folder, now=NOW):
    return trial_today(tk.read_trial(folder), now=now)


def codes(found):
    return [f.code for f in found.wrong]


def chamber(found, name):
    return found.chambers.set_index("chamber").loc[name]


def test_all_is_well(folder):
    write_harvest(folder, first="2031-01-24")  # flush 1 came on day 11 of the other batch
    found = look(folder)
    assert found.all_well
    assert not found.due
    assert not found.wrong
    assert str(found.standing) == "batch B2, day 9"


def test_mist_given_beside_mist_planned(folder):
    found = look(folder)
    # 20 s in each 240 s and in each 480 s
    assert chamber(found, "left")["planned_pct"] == pytest.approx(100 / 12)
    assert chamber(found, "right")["planned_pct"] == pytest.approx(100 / 24)
    assert chamber(found, "left")["mist_pct"] == pytest.approx(100 / 12, rel=1e-3)
    assert chamber(found, "right")["mist_pct"] == pytest.approx(100 / 24, rel=1e-3)


def test_half_the_mist_is_told_with_both_shares(folder):
    write_mist(folder, {"left": planned(480), "right": planned(480)})
    found = look(folder)
    assert codes(found) == ["today_mist_off_plan"]
    assert "left: mist was on 4.2 % of the time, less than the 8.3 % planned" in str(found)


def test_no_mist_for_an_hour(folder):
    stopped = planned(240, stop="2031-02-19 05:30")  # the 83rd pulse, at 82 × 4 min, is the last
    write_mist(folder, {"left": stopped, "right": planned(480)})
    assert codes(look(folder)) == ["today_no_mist"]
    assert "left: no mist since 19 Feb 2031 05:28" in str(look(folder))


def test_share_of_the_last_day_inside_the_band(folder):
    # of the last 24 h, 6 lie at 70 % and 3 at 97 %
    def values(t):
        if t >= pd.Timestamp("2031-02-19 01:00"):
            return 70.0
        return 97.0 if t >= pd.Timestamp("2031-02-18 22:00") else 90.0

    write_climate(folder, "left", values=lambda t: values(t) + (t.minute % 10) / 100)
    row = chamber(look(folder), "left")
    assert row["below_pct"] == pytest.approx(25, abs=0.4)  # one record is 5 min of 1 440
    assert row["above_pct"] == pytest.approx(12.5, abs=0.4)
    assert row["inside_pct"] == pytest.approx(62.5, abs=0.4)
    assert row["rh_pct"] == pytest.approx(70.05)  # the record of 06:55
    assert row["hours"] == pytest.approx(24, abs=0.2)


def test_a_gap_counts_neither_in_nor_out(folder):
    path = folder / "logs" / "climate_left.csv"
    lines = path.read_text().splitlines(keepends=True)
    path.write_text("".join(x for x in lines if not "2031-02-18 10" <= x[:13] < "2031-02-18 22"))
    row = chamber(look(folder), "left")
    assert row["hours"] == pytest.approx(12, abs=0.3)
    assert row["inside_pct"] == pytest.approx(100)


def test_a_silent_logger_and_a_stuck_sensor(folder):
    write_climate(folder, "left", stop="2031-02-19 05:50")
    write_climate(folder, "right", values=lambda t: 90.0)
    found = look(folder)
    assert codes(found) == ["today_logger_silent", "today_sensor_stuck"]
    assert "left: the logger is silent since 19 Feb 2031 05:45" in str(found)
    assert "right: the humidity sensor has shown exactly 90.0 %" in str(found)
    write_climate(folder, "left", stop="2031-02-19 06:10")
    assert "today_logger_silent" not in codes(look(folder))  # 55 minutes ago


def test_a_clock_in_the_future_and_one_before_the_trial(folder):
    path = folder / "logs" / "climate_left.csv"
    sound = path.read_text()
    path.write_text(sound + "2031-03-19 07:00,90\n2031-03-19 07:05,91\n")
    found = look(folder)
    assert codes(found) == ["today_clock"]
    assert "2 new rows lie in the future, the last at 19 Mar 2031 07:05" in str(found)
    assert not chamber(found, "left")["silent"]  # its own newest sound record is 5 min old
    path.write_text(sound + "2030-02-19 07:00,90\n")
    assert "1 new row lies long before the trial" in str(look(folder))
    path.write_text(sound + "2062-02-19 07:00,90\n")
    assert codes(look(folder)) == ["clock_reset"]


def test_wrong_dates_of_weighings_and_of_a_batch(folder):
    write_harvest(folder, [("B2-left-1", 1, "2031-03-18", 300), ("B2-left-2", 1, "2030-02-18", 9)])
    found = look(folder)
    assert codes(found) == ["today_harvest_ahead", "today_harvest_outside"]
    assert "dated in the future (18 Mar 2031): logs/harvest.csv:10" in str(found)
    assert "logs/harvest.csv row 11" in str(found)
    text = TEXT.replace("B2 = { start = 2031-02", "B3 = { start = 2062-02")
    (folder / "trial.toml").write_text(text)
    assert "batch B3 is written to start on 10 Feb 2062" in str(look(folder))


def due(found):
    return [line.key.removeprefix("today.due.") for line in found.due]


def test_a_flush_is_expected_from_other_batches_only(folder):
    assert due(look(folder)) == ["flush"]  # day 9, as in B1
    write_harvest(folder, first="2031-01-24")
    assert due(look(folder)) == []
    first = dt.datetime(2031, 1, 30, 6, tzinfo=dt.UTC)  # nothing to go by in the first batch
    (folder / "logs" / "harvest.csv").write_text("unit,flush,date,fresh_g\n")
    assert due(look(folder, first)) == []


def test_blocks_left_to_weigh_without_those_lost(folder):
    path = folder / "logs" / "harvest.csv"
    write_harvest(folder)
    lines = path.read_text().splitlines()
    head = lines[0] + ",status\n"
    rows = [f"{x},\n" for x in lines[1:]]
    more = ["B2-left-1,1,2031-02-18,300,\n", "B2-left-2,1,2031-02-18,,contaminated\n"]
    path.write_text(head + "".join([*rows, *more]))
    found = look(folder)
    assert due(found) == ["half_weighed"]
    assert "2 of 4 blocks are left to weigh (B2-right-1 and B2-right-2)" in str(found.due[0])


def test_an_end_to_write_and_a_batch_to_start(folder):
    write_harvest(
        folder,
        [
            (f"B2-{c}-{k}", f, "2031-02-18", 3)
            for c in ("left", "right")
            for k in (1, 2)
            for f in (1, 2)
        ],
    )
    assert due(look(folder)) == ["end", "start"]
    text = TEXT.replace("[logs.harvest]", "B3 = { start = 2031-02-20T09:00:00 }\n[logs.harvest]")
    (folder / "trial.toml").write_text(text)
    assert due(look(folder)) == ["end", "starts"]
    text = text.replace("2031-02-20T09", "2031-03-20T09")
    (folder / "trial.toml").write_text(text)
    assert due(look(folder)) == ["end"]


def test_no_batch_is_to_be_started_while_one_grows_whose_end_is_written(folder):
    text = TEXT.replace("2031-02-10T09:00:00", "2031-02-10T09:00:00, end = 2031-03-08T12:00:00")
    (folder / "trial.toml").write_text(text)
    assert due(look(folder)) == ["flush"]


def test_a_batch_given_up_is_neither_growing_nor_to_be_ended(folder):
    told = '[[happened]]\non = 2031-02-15\ngiven_up = "B2"\nreason = "mould"\n'
    (folder / "trial.toml").write_text(TEXT + told)
    found = look(folder)
    assert "no batch is growing" in str(found)
    assert due(found) == ["start"]  # batch B3
    assert "B3" in str(found.due[0])


def test_the_day_after_the_last_batch_has_a_page(folder):
    """A logger that still ran in the last 24 hours has shares; it needs no line on its mist."""
    text = TEXT.replace("2031-02-10T09:00:00", "2031-02-10T09:00:00, end = 2031-02-19T05:00:00")
    text = text.replace('[logs.mist]\nfiles = ["logs/mist.csv"]', "[logs.mist]\nfiles = []")
    text = text[: text.index("[logs.mist]")]
    (folder / "trial.toml").write_text(text)
    found = look(folder, NOW + dt.timedelta(hours=20))
    page = today_page(found)
    assert "no batch is growing" in page
    assert 'aria-label="' in page
    assert "inside" in page[page.index('aria-label="') :][:80]
    later = look(folder, NOW + dt.timedelta(days=20))
    assert later.told_chambers() == []
    assert "\nleft" not in str(later)
    assert "<article" not in today_page(later)


def test_only_what_is_new_is_opened(folder, monkeypatch):
    monkeypatch.setattr(recent, "BEGINNING", 200)
    monkeypatch.setattr(recent, "ENDING", 400)
    old = folder / "logs" / "climate_old_left.csv"
    (folder / "trial.toml").write_text(
        TEXT.replace("[logs.mist]", 'chamber = { "climate_old*" = "left" }\n[logs.mist]')
    )
    times = stamps("2031-02-01 09:00", "2031-02-05 09:00", "5min")
    old.write_text("time,humidity\n" + "".join(f"{t:%Y-%m-%d %H:%M},80\n" for t in times))
    whole = look(folder)
    assert (whole.read, whole.files) == (4, 4)
    again = look(folder)
    assert (again.read, again.files) == (3, 4)
    columns = ["chamber", "inside_pct", "hours", "mist_pct", "rh_pct"]
    pd.testing.assert_frame_equal(whole.chambers[columns], again.chambers[columns])
    old.write_text(old.read_text() + "2031-02-05 09:00,80\n")
    assert look(folder).read == 4  # it has grown


def test_ends_of_files_give_what_whole_files_give(folder, monkeypatch):
    whole = look(folder)
    for path in (folder / ".cache").glob("today.json"):
        path.unlink()
    monkeypatch.setattr(recent, "BEGINNING", 300)
    monkeypatch.setattr(recent, "ENDING", 700)
    ends = look(folder)
    columns = ["chamber", "inside_pct", "hours", "mist_pct", "rh_pct", "last", "mist_last"]
    pd.testing.assert_frame_equal(whole.chambers[columns], ends.chambers[columns])


def test_a_log_sorted_by_tent_hides_no_tent(folder, monkeypatch):
    """The end of such a file holds the last tent alone; the others' newest rows lie before it."""
    text = TEXT.replace("climate_*.csv", "climate.csv").replace(
        'rh_pct = "humidity"', 'rh_pct = "humidity", chamber = "tent"'
    )
    assert text != TEXT
    (folder / "trial.toml").write_text(text)
    rows = [
        f"{t:%Y-%m-%d %H:%M},{tent},{value + t.minute / 100}\n"
        for tent, value in (("left", 88), ("right", 91))
        for t in stamps("2031-02-10 09:00", "2031-02-19 07:00", "5min")
    ]
    (folder / "logs" / "climate.csv").write_text("time,tent,humidity\n" + "".join(rows))
    monkeypatch.setattr(recent, "BEGINNING", 300)
    monkeypatch.setattr(recent, "ENDING", 700)
    found = look(folder)
    for name, value in (("left", 88.55), ("right", 91.55)):
        row = chamber(found, name)
        assert row["last"] == pd.Timestamp("2031-02-19 05:55", tz="UTC")  # 06:55 in Vienna
        assert row["rh_pct"] == pytest.approx(value)
    assert "no record yet" not in str(found)
    assert not {"today_no_logger", "today_logger_silent"} & set(codes(found))


def test_silent_loggers_are_told_only_where_something_grows(folder):
    later = NOW + dt.timedelta(days=40)
    text = TEXT.replace("2031-02-10T09:00:00", "2031-02-10T09:00:00, end = 2031-03-01T09:00:00")
    growing = str(look(folder, later))
    assert "logger silent" in growing
    assert text != TEXT
    (folder / "trial.toml").write_text(text)
    idle = look(folder, later)
    assert "no batch is growing" in str(idle)
    assert "logger" not in str(idle)


def test_a_tent_without_this_batch_is_asked_for_nothing(folder):
    (folder / "trial.toml").write_text(
        TEXT
        + '[[happened]]\non = 2031-02-10\ngiven_up = "B2:right"\n'
        + 'reason = "no spawn"\nbecause_of_harvest = false\n'
    )
    (folder / "logs" / "climate_right.csv").unlink()
    found = look(folder)
    assert chamber(found, "right")["batch"] == ""
    assert chamber(found, "left")["batch"] == "B2"
    assert not [f for f in found.wrong if "right" in str(f.message)]


def test_mist_is_not_on_across_what_was_left_out(folder, monkeypatch):
    """The beginning may end with “on”, and the end may begin with “off”."""
    path = folder / "logs" / "mist.csv"
    lines = [x for x in path.read_text().splitlines(keepends=True) if ",left," not in x]
    path.write_text("".join(lines))
    for beginning in range(200, 320, 10):
        monkeypatch.setattr(recent, "BEGINNING", beginning)
        monkeypatch.setattr(recent, "ENDING", 25_000)
        (folder / ".cache" / "today.json").unlink(missing_ok=True)
        row = chamber(look(folder), "right")
        assert row["mist_pct"] == pytest.approx(100 / 24, rel=1e-3)


def test_the_command_prints_writes_and_tells_cron(folder):
    run = CliRunner().invoke
    app = build(rich_help=False)
    told = run(app, ["today", str(folder), "--at", "2031-02-19T07:00"])
    assert told.exit_code == 1
    assert "1 thing is due" in told.output
    page = (folder / "today.html").read_text(encoding="utf-8")
    assert "batch B2, flush 1: look whether it is ready" in page
    write_harvest(folder, first="2031-01-24")
    assert run(app, ["today", str(folder), "--at", "2031-02-19T07:00"]).exit_code == 0
    write_harvest(folder)
    assert run(app, ["today", str(folder), "--at", "tomorrow"]).exit_code == 2
    told = run(app, ["today", str(folder), "--at", "2031-02-19T07:00", "--json"])
    assert json.loads(told.output)["all_well"] is False


def test_the_page_loads_and_runs_nothing(folder):
    page = today_page(look(folder))
    assert not re.findall(r"<script|<link|src=|https?://", page)
    assert 'name="viewport"' in page


def test_names_are_escaped(folder):
    (folder / "trial.toml").write_text(TEXT.replace("Two tents", "<script>x</script>"))
    page = today_page(look(folder))
    assert "<script>" not in page
    assert "&lt;script&gt;" in page


def test_a_log_that_cannot_be_read_is_something_wrong(folder):
    (folder / "logs" / "climate_left.csv").write_text("nothing\n1\n")
    assert "today_log_unreadable" in codes(look(folder))


def test_weights_that_cannot_be_read_are_not_called_missing(folder):
    (folder / "logs" / "harvest.csv").write_text("Code,Picked,Grams\nB1-left-1,1.2.2031,300\n")
    found = look(folder)
    assert "today_log_unreadable" in codes(found)
    assert not [line for line in due(found) if "weighed" in line]


def test_the_look_of_the_morning_loads_no_library_that_it_does_not_need():
    """These two took half of its time."""
    code = (
        "import sys, trialkit.today.look, trialkit.today.page, trialkit.design.plan;"
        "print([m for m in ('scipy.stats', 'matplotlib') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_looking_back_finds_a_day_in_the_middle_of_long_logs(folder):
    """Records of weeks after the moment fill the end of each file: they are not the last ones."""
    for tent in ("left", "right"):
        times = stamps("2031-02-10 09:00", "2031-03-25 09:00", "1min")
        rows = [f"{t:%Y-%m-%d %H:%M},90.{t.minute:02d}\n" for t in times]
        (folder / "logs" / f"climate_{tent}.csv").write_text("time,humidity\n" + "".join(rows))
    stop = "2031-03-25 09:00"
    write_mist(folder, {"left": planned(240, stop=stop), "right": planned(480, stop=stop)})
    write_harvest(folder, [("B2-left-1", 1, "2031-03-18", 300)], first="2031-01-24")
    found = trial_today(tk.read_trial(folder), now=NOW, looking_back=True)
    assert found.all_well
    assert not chamber(found, "left")["silent"]
    assert codes(look(folder)) == [*["today_clock"] * 3, "today_harvest_ahead"]
    quiet = trial_today(tk.read_trial(folder), now=NOW + pd.Timedelta("40D"), looking_back=True)
    assert not any(code == "today_clock" for code in codes(quiet))


def test_nothing_is_left_in_the_demo_as_it_ships():
    tk.trial_today(tk.read_trial(tk.demo_folder()))
    assert not (tk.demo_folder() / ".cache").exists()
