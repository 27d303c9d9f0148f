"""A trial whose treatments are ranges: from the trial file to the page, with a known truth."""

import json

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from typer.testing import CliRunner

import trialkit as tk
from tests.bare_plans import write_bare
from trialkit.analysis.tuned import analyse_settings
from trialkit.cli import build
from trialkit.decision.best_setting import daily_use, find_best_setting
from trialkit.errors import DesignError, ModelError, PlanError, TrialFileError
from trialkit.pipeline import Pipeline

FILE = """
[trial]
title = "Best mist and light"
seed = 7
invented = true
[units]
structure = "(batch * chamber) / block"
batch = 4
chamber = 6
block = 3
flushes = 1
[factors.mist]
applied_to = "batch:chamber"
control = "usual"
levels.usual = {{ on_s = 20, off_s = 220 }}
range = {{ duty_pct = [2, 10], on_s = 20, step = 0.5 }}
{light}
[question]
primary = "mist"
margin_pct = 10
[rig]
mist_l_h = 1.5
fogger_w = 80
fan_w = 20
[logs.harvest]
files = ["logs/harvest.csv"]
"""
LIGHT = """
[factors.light]
applied_to = "batch:chamber"
control = "today"
levels.today = { lux = 300, hours = 12 }
range = { lux = [50, 1000], step = 50 }
"""


def run(*arguments):
    return CliRunner().invoke(build(rich_help=False), [str(a) for a in arguments])


def write_trial(folder, light="", **changes):
    text = FILE.format(light=light)
    for old, new in changes.items():
        assert old in text
        text = text.replace(old, new)
    (folder / "trial.toml").write_text(text, encoding="utf-8")
    return tk.read_trial(folder)


def harvest(folder, trial, true, *, noise=25.0, seed=3):
    """Write a harvest sheet drawn from a known surface, with batches and chambers that vary."""
    table = tk.read_plan(trial).table
    rng = np.random.default_rng(seed)
    numbers = {f.name: table[f.name].map(f.number).to_numpy(float) for f in trial.tuned}
    y = true(**numbers)
    for name, sd in (("batch", 30), ("chamber", 10)):
        codes = pd.factorize(table[name])[0]
        y = y + rng.normal(0, sd, codes.max() + 1)[codes]
    run = pd.factorize(table["batch"] + table["chamber"])[0]
    y = y + rng.normal(0, noise / 3, run.max() + 1)[run] + rng.normal(0, noise, len(y))
    (folder / "logs").mkdir()
    pd.DataFrame(
        {"unit": table["unit"], "flush": 1, "time": "2031-02-01 09:00", "fresh_g": y.round(1),
         "status": "ok"}
    ).to_csv(folder / "logs" / "harvest.csv", index=False)  # fmt: skip


def hill(mist, light=None):
    """Give 480 g at 6 % duty, 6 g less for each squared per cent of duty away from it."""
    base = 480 - 6 * (mist - 6) ** 2
    return base if light is None else base - 90 * ((light - 700) / 475) ** 2


def test_every_value_of_the_range_is_a_setting_of_the_timer(tmp_path):
    """On 20 s: off = 20 (100 / duty - 1), in whole seconds; at 2.5 % 780 s, at 6.5 % 288 s."""
    trial = write_trial(tmp_path, LIGHT)
    mist, light = trial.tuned
    assert list(mist.levels)[:3] == ["usual", "2 %", "2.5 %"]
    assert (mist.levels["2.5 %"].on_s, mist.levels["2.5 %"].off_s) == (20, 780)
    assert mist.levels["6.5 %"].off_s == 288
    assert mist.number("6.5 %") == pytest.approx(100 * 20 / 308)
    assert mist.number("usual") == pytest.approx(100 / 12)
    assert light.levels["350 lux"].lux == 350
    assert light.levels["350 lux"].hours == 12  # what is not tuned stays as today
    assert "300 lux" not in light.levels  # that is today's own


def test_a_plan_keeps_runs_whole_and_says_what_it_tries(tmp_path, searched):
    searched.clear()
    trial = write_trial(tmp_path, LIGHT)
    plan = tk.assign(trial)
    runs = plan.table.groupby(["batch", "chamber"])[["mist", "light"]].nunique()
    assert (runs == 1).all().all()
    per_run = plan.table.drop_duplicates(["batch", "chamber"])
    assert ((per_run["mist"] == "usual") & (per_run["light"] == "today")).sum() >= 2
    ends = {"2 %", "10 %"} & set(per_run["mist"])
    assert ends == {"2 %", "10 %"}
    searched.clear()  # so that the same is found again, not kept
    assert tk.assign(trial).hash == plan.hash
    assert tk.assign(trial, seed=8).hash != plan.hash
    said = tk.strata(plan.trial, plan=plan).sentences
    assert "degrees of freedom left for error: 10" in said[0]  # 15 between runs less 5 terms
    write_bare(plan, tmp_path)
    again = tk.read_plan(trial)
    assert again.table["mist"].tolist() == plan.table["mist"].tolist()
    timers = pd.read_csv(tmp_path / "plan" / "timers.csv")
    assert set(timers["on_s"].dropna()) == {20}


def test_the_best_setting_of_a_known_hill_is_found_and_told(tmp_path):
    """Top at 6 % duty and 700 lux; 10 % of today's yield may be lost."""
    trial = write_trial(tmp_path, LIGHT)
    write_bare(tk.assign(trial), tmp_path)
    harvest(tmp_path, trial, hill)
    found = find_best_setting(trial, Pipeline(trial).data)
    (low, high), (dim, bright) = found.region.limits()
    assert low <= 6 <= high < 9
    assert dim <= 700 <= bright
    assert found.region.seen
    assert found.stationary.kind == "top"
    assert found.sentence.startswith("Best near mist ")
    ahead = str(found.said[-1])
    assert ahead.startswith("Next: a further trial would look at mist ")
    assert "trialkit next" in ahead
    table = found.choices.table.set_index("choice")
    least = table.loc["least use"]
    assert hill(least["mist"], least["light"]) >= 0.9 * hill(100 / 12, 300)
    assert least["use_change_pct"] == pytest.approx(100 * (least["mist"] / (100 / 12) - 1))
    made = run("analyse", tmp_path, "--json")
    assert made.exit_code == 0, made.output
    told = json.loads(made.stdout)
    assert told["sentence"] == found.sentence
    assert (tmp_path / "results" / "choices.csv").is_file()
    assert run("report", tmp_path).exit_code == 0
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "What to choose" in page
    # surface, frontier, and a curve for each setting, each for a screen and for a phone
    assert page.count("<svg") == 8
    assert run("report", tmp_path, "--language", "de").exit_code == 0
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "Was zu wählen ist" in page


def test_a_flat_truth_gives_no_best_setting(tmp_path):
    trial = write_trial(tmp_path)
    write_bare(tk.assign(trial), tmp_path)
    harvest(tmp_path, trial, lambda mist: 480 + 0 * mist, seed=5)
    found = find_best_setting(trial, Pipeline(trial).data)
    assert not found.region.seen
    assert found.sentence.startswith("No best setting in sight")
    assert not any("Most mushrooms" in str(line) for line in found.said)
    assert str(found.said[-1]).startswith("Next: a further trial would keep these ranges")


def test_use_is_that_of_the_timer(tmp_path):
    """10 % of a day is 2.4 h: 3.6 L at 1.5 L/h, 0.24 kWh at 100 W."""
    trial = write_trial(tmp_path)
    ten = np.array([[10.0]])
    assert daily_use(trial, "water_l")(ten) == pytest.approx([3.6])
    assert daily_use(trial, "energy_kwh")(ten) == pytest.approx([0.24])


def test_a_lost_block_is_no_block_and_an_open_one_is_left_out(tmp_path):
    trial = write_trial(tmp_path)
    write_bare(tk.assign(trial), tmp_path)
    harvest(tmp_path, trial, hill)
    file = tmp_path / "logs" / "harvest.csv"
    table = pd.read_csv(file)
    table.loc[0, ["fresh_g", "status"]] = [np.nan, "contaminated"]
    table.loc[1, ["fresh_g", "status"]] = [np.nan, "missing"]
    table.to_csv(file, index=False)
    assert analyse_settings(trial, Pipeline(trial).data).fit.n == 70


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("duty_pct = [2, 10]", "duty_pct = [10, 2]", "from a smaller to a larger"),
        ("duty_pct = [2, 10]", "duty_pct = [2, 10], lux = [1, 2]", "one setting with its lowest"),
        ("duty_pct = [2, 10]", "duty_pct = [2]", "lowest and the highest"),
        ("duty_pct = [2, 10]", "lux = [2, 10]", "the control has no lux"),
        ("step = 0.5", "step = 0.01", "more than 200"),
        ('control = "usual"', "", "one named level, the control"),
        ("duty_pct = [2, 10], on_s = 20, step = 0.5", "duty_pct = [0, 10], step = 5", "cannot be"),
        (
            "step = 0.5",
            "values = [1.5, 2, 6, 20]",
            "but these are outside: 1.5, 20",
        ),
        ("duty_pct = [2, 10]", "duti_pct = [2, 10]", "duty_pct"),
    ],
)
def test_a_range_that_cannot_be_is_refused_at_its_place(tmp_path, old, new, says):
    with pytest.raises(TrialFileError, match=says):
        write_trial(tmp_path, **{old: new})


def test_what_ranges_do_not_go_with_is_refused(tmp_path):
    named = LIGHT.replace("range = { lux = [50, 1000], step = 50 }", "levels.dim = { lux = 100 }")
    with pytest.raises(PlanError, match="either the one or the other"):
        tk.assign(write_trial(tmp_path, named))
    with pytest.raises(DesignError, match="too few for a surface"):
        tk.strata(
            write_trial(tmp_path, LIGHT, **{"batch = 4": "batch = 2", "chamber = 6": "chamber = 4"})
        )
    demo = tk.read_trial(tk.demo_folder())
    with pytest.raises(ModelError, match="named levels, no ranges"):
        analyse_settings(demo, None)


def test_the_chance_to_see_a_hill_is_that_of_drawn_trials(tmp_path):
    """Twelve like runs at one setting, error known to the law alone: 1 000 trials by numpy.

    Sums of squares of ordinary least squares; the planning values make all rows alike here.
    """
    from trialkit.design.points.chance import chance_to_see
    from trialkit.design.variation import given_variation

    trial = write_trial(tmp_path, **{"batch = 4": "batch = 1", "chamber = 6": "chamber = 12"})
    spread = given_variation(trial, {"batch:chamber:block": 12.0})
    coded = np.tile([-1.0, 0, 0, 1], 3)
    values = trial.tuned[0].tuned.decode(coded)[:, None]
    said = chance_to_see(trial, values, 10.0, 9, spread)
    assert said[0] == said[1] == said[2]  # given, so no range
    rng = np.random.default_rng(4)
    X = np.column_stack([np.ones(12), coded, coded**2])
    y = 100 - 10 * coded**2 + rng.normal(0, 12 / np.sqrt(3), (1000, 12))  # three blocks a run
    H = X @ np.linalg.solve(X.T @ X, X.T)
    within = ((y - y @ H) ** 2).sum(axis=1) / 9
    between = ((y @ H - y.mean(axis=1, keepdims=True)) ** 2).sum(axis=1) / 2
    seen = (between / within > stats.f.ppf(0.95, 2, 9)).mean()
    assert said[1] == pytest.approx(seen, abs=4 * np.sqrt(seen * (1 - seen) / 1000))


def test_power_of_a_trial_of_ranges_is_told(tmp_path):
    write_trial(tmp_path, LIGHT)
    told = run("power", tmp_path)
    assert told.exit_code == 0, told.output
    assert "the chance to see that the settings matter is" in " ".join(told.output.split())
    assert "makes no use of" not in told.output


def test_power_of_a_trial_of_ranges_names_the_options_that_it_does_not_use(tmp_path):
    write_trial(tmp_path)
    told = run("power", tmp_path, "--margin", 5, "--lost", 10, "--tables")
    assert told.exit_code == 0, told.output
    words = " ".join(told.output.split())
    assert "a trial of ranges makes no use of --margin, --lost, and --tables" in words


def test_power_says_what_is_most_likely_where_the_chance_is_small(tmp_path):
    write_trial(tmp_path)
    small = " ".join(run("power", tmp_path, "--difference", 3).output.split())
    large = " ".join(run("power", tmp_path, "--difference", 90).output.split())
    assert "the most likely result is “no best setting in sight”" in small
    assert "the most likely result" not in large


def test_money_counts_mushrooms_water_and_power_of_the_days_of_a_batch(tmp_path):
    """20 days at 1.5 L/h and 100 W: per per cent of duty 7.2 L and 0.48 kWh a run of three blocks.

    At 5 a m³ and 0.5 a kWh that is 0.092 a block; at 10 a kg a block's 480 g are 4.80.
    """
    prices = "[prices]\nmushrooms_per_kg = 10\nwater_per_m3 = 5\nenergy_per_kwh = 0.5\n"
    days = "{ start = 2031-01-20T00:00:00, end = 2031-02-09T00:00:00 }"
    dates = "[batches]\n" + "".join(f"B{i} = {days}\n" for i in range(1, 5))
    trial = write_trial(tmp_path, **{"[rig]": prices + dates + "[rig]"})
    write_bare(tk.assign(trial), tmp_path)
    harvest(tmp_path, trial, hill, noise=0.01)
    found = find_best_setting(trial, Pipeline(trial).data)
    table = found.choices.table.set_index("choice")
    best, today = table.loc["most money"], table.loc["today"]
    a_block = (7.2 * 0.005 + 0.48 * 0.5) / 3
    gain = 0.01 * best["yield_change"] - a_block * (best["mist"] - 100 / 12)
    assert best["worth_change"] == pytest.approx(gain, abs=1e-6)
    assert today["worth_change"] == pytest.approx(0, abs=1e-9)
    # 0.01 x 12 (6 - x) = 0.092: dearest mist that still pays is 0.77 below the top
    assert best["mist"] == pytest.approx(6 - a_block / 0.12, abs=0.3)
    assert any(str(line).startswith("Most money: ") for line in found.said)


DATES = "[batches]\n" + "".join(
    f"B{k} = {{ start = 2031-0{k}-03T09:00:00, end = 2031-0{k}-28T09:00:00 }}\n"
    for k in range(1, 5)
)
SLIPS = {
    "got": 'unit = "B2:C1"\ngot = "usual"',
    "swapped": 'swapped = ["B2:C1", "B2:C2"]',
    "setting": 'unit = "B2:C1"\nsetting = { on_s = 20, off_s = 300 }',
    "moved": 'moved = "B2-C1-1"\nto = "C2"',
    "added": 'added = "C6"',
}


def slip(text):
    return f'[[happened]]\non = 2031-02-04\nreason = "x"\n{text}\n'


@pytest.mark.parametrize("kind", SLIPS)
def test_slips_that_ranges_cannot_count_are_refused_at_their_line(tmp_path, kind):
    write_trial(tmp_path)
    path = tmp_path / "trial.toml"
    text = path.read_text(encoding="utf-8") + DATES + slip(SLIPS[kind])
    path.write_text(text, encoding="utf-8")
    made = run("plan", tmp_path)
    assert made.exit_code == 1
    key = next(i for i, row in enumerate(text.splitlines(), 1) if row.startswith(f"{kind} "))
    said = " ".join(made.output.split())
    assert f"{kind} (line {key}): " in said
    assert "ranges" in said


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("margin_pct = 10", "margin_pct = 10\nlooks = [2]", "a treatment here is a range"),
        ("batch = 4", 'batch = 4\nover_time = "trend"', "by a rule of their own"),
        ("batch = 4", 'batch = 4\nover_time = "time blocks"', "by a rule of their own"),
    ],
)
def test_looks_and_orders_over_time_are_refused_for_ranges(tmp_path, old, new, words):
    text = FILE.format(light="").replace(old, new)
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    made = run("plan", tmp_path)
    assert made.exit_code == 1
    line = 1 + text.splitlines().index(new.splitlines()[1])
    said = " ".join(made.output.split())
    assert f"(line {line})" in said
    assert words in said


def test_one_range_with_a_new_name_and_a_batch_given_up_is_judged_and_reported(tmp_path):
    write_trial(tmp_path)
    path = tmp_path / "trial.toml"
    told = slip('given_up = "B2"\nbecause_of_harvest = false').replace("02-04", "02-01")
    told += slip('renamed = "C2"\nto = "Window"')
    path.write_text(path.read_text(encoding="utf-8") + DATES + told, encoding="utf-8")
    trial = tk.read_trial(tmp_path)
    assert run("plan", tmp_path).exit_code == 0
    harvest(tmp_path, trial, lambda mist: 500 - 6 * (mist - 6) ** 2)
    path = tmp_path / "logs" / "harvest.csv"
    rows = pd.read_csv(path)
    rows["unit"] = rows["unit"].str.replace("-C2-", "-Window-")
    rows[~rows["unit"].str.startswith("B2-")].drop(columns="time").to_csv(path, index=False)
    status = run("status", tmp_path)
    assert "54 of 54" in status.output  # three batches of six chambers of three blocks
    made = run("analyse", tmp_path, "--json")
    assert made.exit_code == 0, made.output
    low, high = find_best_setting(trial, Pipeline(trial).data).region.limits()[0]
    top = trial.factors["mist"].number("6 %")  # as it can be set
    assert low - 1e-4 <= top <= high + 1e-4
    assert run("check", tmp_path).exit_code == 0
    assert run("power", tmp_path).exit_code == 0
    reported = run("report", tmp_path)
    assert reported.exit_code == 0, reported.output
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "also called Window" in page


def test_a_trial_of_ranges_that_ran_already_is_not_asked_for_slips_it_refuses(tmp_path):
    write_trial(tmp_path)
    path = tmp_path / "trial.toml"
    dates = DATES.replace("2031", "2025")
    path.write_text(path.read_text(encoding="utf-8") + dates, encoding="utf-8")
    made = run("plan", tmp_path)
    assert made.exit_code == 0, made.output
    assert "Had begun before this draw" in made.output
    assert "got " not in made.output
