"""What is said of strange names, of slips in a new file, and of counts of one."""

import dataclasses

import pandas as pd
import pytest

import trialkit as tk
from tests.bare_plans import write_bare
from tests.lived.garage import grow, write_garage
from tests.lived.test_told import entry, faults_of
from trialkit.display import show_table
from trialkit.templates import new_trial
from trialkit.wording import Number, read_wording
from trialkit.wording.message import message

PLACES = ("Corner", "Door", "T3", "T4")


def grown(folder, **words):
    trial = write_garage(folder, chambers=PLACES)
    units = trial.unit_table()
    units = units[units["batch"] == "B1"].assign(schedule="usual")
    grow(folder, units, **words)
    return trial


def test_a_tent_with_a_strange_name_is_no_tent_that_looks_like_it(tmp_path):
    """“Cellar” shares letters with “Corner”, and the whole codes share more."""
    trial = grown(tmp_path, names={"T3": "Roof"})
    lines = tk.read_harvest(trial).ledger.table
    (remedy,) = set(lines.loc[lines["rule"] == "unknown unit", "remedy"].map(str))
    assert "no chamber is called “Roof” (there are Corner, Door, T3, and T4)" in remedy
    assert "did you mean" not in remedy
    assert 'renamed = "…", to = "Roof"' in remedy


def test_a_slip_of_the_pen_in_a_tents_name_is_put_right(tmp_path):
    trial = grown(tmp_path, names={"Corner": "Cornre"})
    lines = tk.read_harvest(trial).ledger.table
    told = set(lines.loc[lines["rule"] == "unknown unit", "remedy"].map(str))
    assert any("did you mean 'B1-Corner-1'?" in remedy for remedy in told), told
    assert not any("Door" in remedy for remedy in told)


def test_an_unknown_tent_in_a_climate_log_is_told_where_to_say_so(tmp_path):
    trial = write_garage(tmp_path, chambers=PLACES, logs=True)
    (tmp_path / "logs").mkdir()
    rows = "".join(f"2031-03-04 0{h}:00,Roof,15,90\n" for h in range(9))
    known = "".join(f"2031-03-04 0{h}:00,Door,15,90\n" for h in range(9))
    (tmp_path / "logs" / "climate.csv").write_text("time,chamber,temp_c,rh_pct\n" + rows + known)
    lines = tk.read_environment(trial).ledger.table
    (remedy,) = set(lines.loc[lines["rule"] == "chamber unknown", "remedy"].map(str))
    assert 'add chamber = { "Roof" = "…" } to [logs.environment]' in remedy
    assert 'renamed = "…", to = "Roof"' in remedy


@pytest.mark.parametrize(
    ("chambers", "lines"),
    [
        (1, ['# unit    = "B1:C1"', '# got     = "sparse"']),
        (3, ['# swapped = ["C1", "C2"]']),
        (["Cellar", "Loft"], ['# swapped = ["Cellar", "Loft"]']),
    ],
)
def test_the_example_of_a_slip_in_a_new_file_can_be_used_as_it_is(tmp_path, chambers, lines):
    path = new_trial(tmp_path, chambers=chambers, batches=8, seed=1)
    text = path.read_text(encoding="utf-8")
    for line in lines:
        assert line in text
    assert '"T1' not in text
    start = text.index("# [[happened]]")
    example = "\n".join(line.removeprefix("# ") for line in text[start:].splitlines()[:7])
    example = example.split("\n\n")[0]
    head, batches, rest = text[:start].partition("[batches]\n")
    assert batches
    dated = f"{head}{batches}B1 = {{ start = 2031-01-13T09:00:00 }}\n{rest}"
    path.write_text(f"{dated}{example}\n", encoding="utf-8")
    assert len(tk.read_trial(tmp_path).happened) == 1


def test_no_advice_ends_in_nothing(tmp_path):
    told = entry(on="2031-03-31", reason='"x"', swapped='["T1", "T2"]')
    trial_text = faults_of(tmp_path, told + "[factors.schedule.levels.third]\non_s = -1\n")
    assert not any(fault.rstrip().endswith("here:") for fault in trial_text), trial_text


@pytest.mark.parametrize(
    ("values", "shown"),
    [
        ([5.0, 4.9999999], ["5", "5"]),
        ([5.0, 4.53], ["5.00", "4.53"]),
        ([15.0, 4.53], ["15.0", "4.5"]),
        ([float("nan"), 3.0], ["–", "3"]),
    ],
)
def test_degrees_of_freedom_of_a_column_are_written_alike(values, shown):
    rows = show_table(pd.DataFrame({"level": ["a", "b"], "df": values})).rows
    assert [row[1] for row in rows] == shown


def test_one_is_said_as_one():
    assert str(message("cli.analyse.more", count=1, statistics=0)).startswith("1 smaller note and")
    assert str(message("cli.analyse.more", count=2, statistics=0)).startswith("2 smaller notes and")
    one = read_wording("en").choose("finding.units_missing", 1, count=1, all=180, units="B1-T1-1")
    assert one == "1 of 180 weights is missing: B1-T1-1"


def test_what_a_look_has_used_has_a_unit():
    """0.010 percentage points of 2.5 %, which is a 250th of it and not a hundredth."""
    words = {"number": 1, "of": 3, "done": 1, "total": 3, "level": 99.98, "plain": 95}
    said = str(message("look.on_the_way", spent=Number(0.01, 3), whole=Number(2.5, 1), **words))
    assert "of the 2.5 % chance of a false claim, 0.010 percentage points are used" in said


def test_batches_drawn_late_are_counted_together(tmp_path):
    trial = grown(tmp_path)
    units = trial.unit_table()
    grow(tmp_path, units.assign(schedule="usual"))
    now = pd.Timestamp("2031-08-01", tz="UTC").to_pydatetime()
    plan = tk.assign(trial)
    write_bare(plan, tmp_path, now=now)
    plan = tk.read_plan(trial)
    assert all(dataclasses.is_dataclass(draw) for draw in plan.draws)
    found = tk.align(trial, tk.read_harvest(trial), plan=plan).findings
    (told,) = [f for f in found if f.code in ("drawn_after_harvest", "drawn_after_start")]
    assert "after batches B1, B2, and B3 had" in str(told.message)
