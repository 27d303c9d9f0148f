"""Entries of a sound trial file that may not be what was meant: told, never refused."""

import datetime as dt

import pytest

import trialkit as tk
from tests.bare_plans import write_bare
from tests.logs.folder import TRIAL, make_trial
from trialkit.pipeline import Pipeline
from trialkit.trial.doubtful_entries import tell_doubtful_entries
from trialkit.wording import speaking

B2 = "B2 = { start = 2031-03-10T09:00:00"
EARLY = TRIAL.replace(B2, "B2 = { start = 2031-01-14T09:00:00")


def _told(tmp_path, trial):
    return tell_doubtful_entries(make_trial(tmp_path, {}, "", trial=trial))


def test_batches_that_share_chambers_at_one_time_are_told_with_both(tmp_path):
    (found,) = _told(tmp_path, EARLY)
    assert (found.code, found.severity) == ("batches_overlap", "caution")
    for words in ("batch B2 starts", "before batch B1 ends", "T1, T2, T3, and T4"):
        assert words in found.message
    with speaking(language="de"):
        assert "T1, T2, T3 und T4" in found.message


@pytest.mark.parametrize(
    "trial",
    [
        TRIAL,
        TRIAL.replace(B2, "B2 = { start = 2031-02-08T08:00:00"),  # in and out on one day
        EARLY.replace("(batch * chamber)", "batch / chamber").replace("batch:chamber", "chamber"),
        EARLY.replace(", end = 2031-02-08T12:00:00", ""),
    ],
    ids=["one after the other", "same day", "own chambers", "no end"],
)
def test_batches_that_do_not_meet_are_not_told(tmp_path, trial):
    if "batch / chamber" in trial:
        trial = trial.replace('applied_to = "chamber"', 'applied_to = "batch:chamber"')
    assert _told(tmp_path, trial) == []


def test_status_and_today_say_so(tmp_path):
    logs = '\n[logs.harvest]\nfiles = ["h.csv"]\n'
    data = b"unit,flush,date,fresh_g\nB1-T1-top-1,1,2031-01-22,310\n"
    trial = make_trial(tmp_path, {"h.csv": data}, logs, trial=EARLY)
    now = dt.datetime(2031, 1, 20, 12, tzinfo=dt.UTC)
    rows = tk.trial_status(trial, now=now).table.set_index("step")
    assert rows.loc["doubt", "state"] == "needs care"
    assert "batch B1 ends" in str(rows.loc["doubt", "detail"])
    today = tk.trial_today(trial, now=now)
    (found,) = (f for f in today.wrong if f.code == "today_batches_together")
    assert "batch B1 and batch B2 grow in the same chambers now" in found.message
    assert "the schedule of batch B2" in found.message
    assert set(today.chambers["batch"]) == {"B2"}
    later = tk.trial_today(trial, now=dt.datetime(2031, 3, 1, tzinfo=dt.UTC))
    assert "today_batches_together" not in {f.code for f in later.wrong}
    write_bare(tk.assign(trial), trial.folder)
    assert "batches_overlap" in {f.code for f in Pipeline(trial).findings()}


@pytest.mark.parametrize(("key", "value", "meant"), [("margin_pct", "0.08", "8")])
def test_a_percentage_below_one_is_asked_about_and_used(tmp_path, key, value, meant):
    told = TRIAL.replace("[question]", f"[question]\n{key} = {value}")
    (found,) = _told(tmp_path, told)
    assert (found.code, found.severity) == ("fraction_for_per_cent", "caution")
    assert f"did you mean {meant} %?" in found.message
    assert f"{key} = {meant}" in found.remedy
    assert tk.read_trial(tmp_path).question.margin_pct == 0.08


@pytest.mark.parametrize("value", ["1", "1.5", "8"])
def test_percentages_from_one_on_are_not_asked_about(tmp_path, value):
    assert _told(tmp_path, TRIAL.replace("[question]", f"[question]\nmargin_pct = {value}")) == []


def test_a_humidity_band_too_dry_for_any_growing_room_is_asked_about(tmp_path):
    """A share of the time with mist, 2 to 10 %, is read as a humidity band."""
    from typer.testing import CliRunner

    from trialkit.cli import build

    made = ["new", str(tmp_path / "new"), "--chambers", "4", "--versus"]
    dry = CliRunner().invoke(build(rich_help=False), [*made, "mist=2-10%"])
    assert dry.exit_code == 0, dry.output
    words = " ".join(dry.output.split())
    assert "schedule mist: mist starts below 2 % humidity and stops above 10 %" in words
    assert "range = { duty_pct = [2, 10], on_s = 20 }" in words
    made[1] = str(tmp_path / "other")
    moist = CliRunner().invoke(build(rich_help=False), [*made, "mist=85-90%"])
    assert "drier than" not in moist.output


def _priced(price: float) -> str:
    return f"{TRIAL}[prices]\nwater_per_m3 = {price}\n"


def test_the_price_of_a_litre_is_asked_about(tmp_path):
    """A cubic metre is 1000 litres."""
    (found,) = _told(tmp_path, _priced(0.004))
    assert (found.code, found.severity) == ("price_of_a_litre", "caution")
    assert "water_per_m3 = 4:" in found.remedy


@pytest.mark.parametrize("price", [0, 0.2, 4.1], ids=["free", "cheap", "usual"])
def test_a_price_of_a_cubic_metre_is_not_asked_about(tmp_path, price):
    assert _told(tmp_path, _priced(price)) == []


def test_a_chamber_that_is_called_like_a_batch_is_told(tmp_path):
    """Batches that are counted are called B1, B2 and so on."""
    named = TRIAL.replace('["T1", "T2", "T3", "T4"]', '["A1", "A2", "B1", "B2"]')
    (found,) = _told(tmp_path, named)
    assert (found.code, found.severity) == ("name_of_both", "caution")
    assert found.message.startswith("B1 and B2: both a batch and a chamber")
