"""The invented scenario: the same every time, with the faults and effects it claims to have."""

import gzip

import numpy as np
import pandas as pd
import pytest

import trialkit as tk
from trialkit.demo import copy_demo, write_demo
from trialkit.demo.faults import FAULTS, planted
from trialkit.demo.truth import EFFECTS, FLUSH_SHARE, MEAN_G, SPREAD, make_harvest
from trialkit.demo.writing import demo_texts

DEMO = tk.demo_folder()


def content(path):
    """Give what a file holds, unpacked: packed bytes differ between compression libraries."""
    data = path.read_bytes()
    return gzip.decompress(data) if path.suffix == ".gz" else data


def read_climate(tent):
    path = DEMO / f"logs/climate_{tent}.csv.gz"
    comma = planted("decimal commas").chamber == tent
    table = pd.read_csv(path, sep=";" if comma else ",", decimal="," if comma else ".")
    return table.assign(time=pd.to_datetime(table["time"]))


def local(moment):
    return moment.tz_convert("Europe/Vienna").tz_localize(None)


@pytest.fixture(scope="module")
def trial():
    return tk.read_trial(DEMO)


def test_the_demo_in_the_package_is_what_its_seed_makes(trial):
    plan = tk.assign(trial)
    assert plan.hash == tk.read_plan(trial).hash
    for name, text in demo_texts(trial, plan.table).items():
        assert content(DEMO / name) == text.encode(), name


@pytest.mark.slow
def test_writing_the_demo_makes_every_file_of_it(tmp_path):
    names = {str(path.relative_to(tmp_path)) for path in write_demo(tmp_path)}
    # what reading keeps beside a trial, to read it faster next time, is none of its files
    there = [p for p in DEMO.rglob("*") if p.is_file() and ".cache" not in p.parts]
    assert names == {str(p.relative_to(DEMO)) for p in there}
    for name in sorted(names):
        assert content(tmp_path / name) == content(DEMO / name), name


def test_packed_logs_carry_no_time_stamp():
    for path in DEMO.rglob("*.gz"):
        assert path.read_bytes()[4:8] == b"\0\0\0\0", path  # RFC 1952: MTIME, 0 means none


def test_the_demo_is_small_and_marked_as_invented(trial):
    files = [p for p in DEMO.rglob("*") if p.is_file() and ".cache" not in p.parts]
    assert sum(p.stat().st_size for p in files) < 5e6
    assert trial.invented
    assert "invented" in (DEMO / "README.md").read_text(encoding="utf-8")


def test_a_copy_leaves_other_files_alone(tmp_path):
    (tmp_path / "mine.txt").write_text("mine")
    copy_demo(tmp_path)
    assert (tmp_path / "mine.txt").read_text() == "mine"
    assert (tmp_path / "plan" / "plan.json").exists()


def test_every_planted_fault_names_a_file_of_the_demo():
    kinds = {
        "doubled export", "stuck sensor", "gap", "clock an hour off", "failed fan",
        "decimal commas", "mistyped code", "contaminated block", "missing weight",
    }  # fmt: skip
    assert {fault.kind for fault in FAULTS} == kinds
    assert all((DEMO / fault.file).exists() for fault in FAULTS)


def test_the_stuck_sensor_shows_100_for_days_and_moves_before_and_after():
    fault = planted("stuck sensor")
    table = read_climate(fault.chamber)
    inside = (table["time"] >= local(fault.start)) & (table["time"] < local(fault.stop))
    assert (table.loc[inside, "humidity"] == 100.0).all()
    assert inside.sum() == (fault.stop - fault.start).total_seconds() / 60
    assert table.loc[~inside, "humidity"].std() > 0.5


def test_the_doubled_export_repeats_three_days():
    fault = planted("doubled export")
    table = read_climate(fault.chamber)
    doubled = table[table.duplicated()]
    assert len(doubled) == 3 * 24 * 60
    assert doubled["time"].min() == local(fault.start)


def test_the_gap_has_no_records():
    fault = planted("gap")
    table = read_climate(fault.chamber)
    inside = (table["time"] >= local(fault.start)) & (table["time"] < local(fault.stop))
    assert not inside.any()


def test_the_late_clock_shows_hours_that_never_were_and_ends_an_hour_early():
    late = read_climate(planted("clock an hour off").chamber)["time"]
    right = read_climate("T1")["time"]
    skipped = pd.Timestamp("2031-03-30 02:00"), pd.Timestamp("2031-03-30 03:00")
    assert late.between(*skipped, inclusive="left").sum() == 60
    assert right.between(*skipped, inclusive="left").sum() == 0
    stop = pd.Timestamp("2031-04-06")
    assert right[right < stop].max() - late[late < stop].max() == pd.Timedelta(hours=1)


def test_the_fan_failed_while_mist_was_commanded():
    fault = planted("failed fan")
    table = read_climate(fault.chamber).set_index("time")["humidity"]
    night = table[local(fault.start) + pd.Timedelta(hours=2) : local(fault.stop)]
    before = table[local(fault.start) - pd.Timedelta(hours=9) : local(fault.start)]
    assert night.max() < before.min()
    assert night.diff().abs().max() < 1  # no pulse in it
    mist = pd.read_csv(DEMO / "logs/mist.csv.gz", parse_dates=["time"])
    tent = mist[mist["tent"] == fault.chamber]
    last = tent[tent["time"] <= local(fault.start) + pd.Timedelta(hours=2)].iloc[-1]
    events = tent["time"].between(local(fault.start), local(fault.stop)).sum()
    assert last["mist"] == "on" or events > 50


def test_mist_pulses_show_in_the_humidity(trial):
    plan = tk.read_plan(trial)
    run = plan.assignment("schedule").query("schedule == 'usual'").iloc[0]
    start = pd.Timestamp(trial.batches[run["batch"]].start) + pd.Timedelta(days=2)
    table = read_climate(run["chamber"]).set_index("time")["humidity"]
    day = table[local(start) : local(start) + pd.Timedelta(hours=6)].to_numpy()
    power = np.abs(np.fft.rfft(day - day.mean())) ** 2
    peak = power[5:].argmax() + 5
    assert len(day) / peak == pytest.approx(4, rel=0.02)  # a cycle of 20 s + 220 s is 4 min


def test_the_harvest_has_its_faults_and_every_row_once(trial):
    table = pd.read_csv(DEMO / "logs/harvest.csv", keep_default_na=False)
    assert len(table) == 144 * 3
    wrong = table[~table["block code"].isin(trial.unit_table()["unit"])]
    assert wrong["block code"].tolist() == ["B2-T3-tpo-1"]
    blank = table[(table["fresh"] == "") & (table["state"] == "ok")]
    assert blank["block code"].tolist() == [planted("missing weight").unit]
    mould = table[table["state"] == "contaminated"]
    assert set(mould["block code"]) == {planted("contaminated block").unit}


def test_harvests_drawn_many_times_have_the_stated_effects_and_spread(trial):
    """Means within 4 standard errors, the spread of a block within 10 %."""
    assignment = tk.read_plan(trial).table
    totals = []
    for seed in range(40):
        harvest = make_harvest(trial, assignment, np.random.default_rng(seed))
        block = harvest.groupby("unit", sort=False)["fresh_g"].sum()
        totals.append(assignment.set_index("unit").assign(total=block, seed=seed))
    table = pd.concat(totals)
    for factor, effects in EFFECTS.items():
        by_seed = table.groupby(["seed", factor])["total"].mean().unstack()
        for level, effect in effects.items():
            if effect == 0:
                continue
            control = next(name for name, value in effects.items() if value == 0)
            found = by_seed[level] / by_seed[control] - 1
            assert abs(found.mean() - effect) < 4 * found.std() / np.sqrt(40), level
    usual = table[(table["schedule"] == "usual") & (table["light"] == "dim")]["total"]
    assert usual.mean() == pytest.approx(MEAN_G, rel=0.03)
    within = SPREAD["batch:chamber:shelf:block"] ** 2
    within += SPREAD["flush"] ** 2 * sum(share**2 for share in FLUSH_SHARE)
    shelf = table.groupby(["seed", "batch", "chamber", "shelf"])["total"].std()
    assert np.sqrt((shelf**2).mean()) / MEAN_G == pytest.approx(np.sqrt(within), rel=0.1)


def test_the_demo_is_found_beside_an_installed_package(tmp_path, monkeypatch):
    import trialkit.demo as module

    package = tmp_path / "site" / "trialkit"
    (package / "_demo").mkdir(parents=True)
    (package / "_demo" / "trial.toml").write_text("")
    monkeypatch.setattr(module, "__file__", str(package / "demo" / "__init__.py"))
    assert module.demo_folder() == package / "_demo"
    (package / "_demo" / "trial.toml").unlink()
    with pytest.raises(tk.errors.TrialkitError, match="install it again"):
        module.demo_folder()
