"""Where each room has its own weeks and shelves, each room gets a Latin square of its own."""

import pytest

import trialkit as tk

TEXT = """
[trial]
title = "Squares"
seed = {seed}
[units]
structure = "room / (week * shelf) / block"
room = 2
week = 3
shelf = 3
block = 2
flushes = 1
[factors.schedule]
applied_to = "room:week:shelf"
control = "a"
levels.a = {{ on_s = 20, off_s = 220 }}
levels.b = {{ on_s = 20, off_s = 460 }}
levels.c = {{ on_s = 20, off_s = 340 }}
[question]
primary = "schedule"
"""


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_each_schedule_is_once_in_every_week_and_on_every_shelf_of_a_room(tmp_path, seed):
    """Definition of a Latin square, room by room; rooms are drawn apart."""
    (tmp_path / "trial.toml").write_text(TEXT.format(seed=seed), encoding="utf-8")
    table = tk.assign(tk.read_trial(tmp_path)).table
    runs = table.drop_duplicates(["room", "week", "shelf"])
    for _, room in runs.groupby("room"):
        square = room.pivot(index="week", columns="shelf", values="schedule")
        assert square.shape == (3, 3)
        for line in [*square.to_numpy(), *square.to_numpy().T]:
            assert sorted(line) == ["a", "b", "c"]
