"""Chambers of two racks with the same names are refused, with lines that work as printed."""

import pytest

import trialkit as tk
from trialkit.errors import TrialFileError

TEXT = """
[units]
structure = "{structure}"
batch = 3
{racks}
chamber = {chambers}
shelf = ["low", "high"]
block = 2
[factors.schedule]
applied_to = "{unit}"
control = "usual"
levels.usual = {{ start_below_rh = 85, stop_above_rh = 90 }}
levels.wet = {{ start_below_rh = 92, stop_above_rh = 97 }}
[question]
primary = "schedule"
{more}
"""


def read(folder, structure, unit, *, racks='rack = ["left", "right"]', chambers="3", more=""):
    text = TEXT.format(structure=structure, unit=unit, racks=racks, chambers=chambers, more=more)
    (folder / "trial.toml").write_text(text, encoding="utf-8")
    return tk.read_trial(folder)


def test_two_racks_with_the_same_chambers_are_refused(tmp_path):
    with pytest.raises(TrialFileError) as problem:
        read(tmp_path, "(batch * (rack / chamber)) / shelf / block", "batch:rack:chamber")
    told = str(problem.value)
    assert "rack left and rack right both have a chamber C1" in told
    assert 'chamber = ["left_C1", "right_C1", …]' in told
    assert told.endswith('values = { left_C1 = "left", right_C1 = "right", … }')
    assert 'add [covariates.rack] with use = "block", by = "chamber"' in told
    names = [f"{rack}_C{k}" for rack in ("left", "right") for k in (1, 2, 3)]
    values = ", ".join(f'{name} = "{name.split("_")[0]}"' for name in names)
    lines = f'[covariates.rack]\nuse = "block"\nby = "chamber"\nvalues = {{ {values} }}'
    chambers = str(names).replace("'", '"')
    trial = read(
        tmp_path, "(batch * chamber) / shelf / block", "batch:chamber",
        racks="", chambers=chambers, more=lines,
    )  # fmt: skip
    assert trial.levels["chamber"] == tuple(names)
    plan = tk.assign(trial)
    runs = plan.table.drop_duplicates(["batch", "chamber"])
    # two schedules in 18 runs, nine of each, over six chambers
    assert runs["schedule"].value_counts().to_dict() == {"usual": 9, "wet": 9}


@pytest.mark.parametrize(
    ("structure", "unit", "racks"),
    [
        ("(batch * chamber) / shelf / block", "batch:chamber", ""),
        ("batch / chamber / shelf / block", "batch:chamber", ""),
        ("(batch * (rack / chamber)) / shelf / block", "batch:rack:chamber", 'rack = ["one"]'),
        ("(batch * (chamber / rack)) / shelf / block", "batch:chamber", 'rack = ["a", "b"]'),
    ],
)
def test_names_that_are_of_one_chamber_are_taken(structure, unit, racks, tmp_path):
    assert read(tmp_path, structure, unit, racks=racks).levels["chamber"] == ("C1", "C2", "C3")
