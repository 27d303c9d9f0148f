"""Small invented trials for the design tests."""

import pytest

import trialkit as tk
from trialkit.design.power import changes, grid, sizes


def write_trial(folder, units, factors, *, extra="", seed=1):
    """Write a trial file; `factors` maps name → (stratum, levels or their number, more keys)."""
    lines = [f"[trial]\ntitle = 'invented'\nseed = {seed}\n[units]", units]
    for name, (term, levels, more) in factors.items():
        if isinstance(levels, int):
            levels = [f"{name[0]}{i}" for i in range(levels)]
        lines += [f"[factors.{name}]", f"applied_to = '{term}'", more]
        lines += [f"levels.{level} = {{}}" for level in levels]
    lines += ["[question]", f"primary = '{next(iter(factors))}'", extra]
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "trial.toml").write_text("\n".join(lines), encoding="utf-8")
    return tk.read_trial(folder)


@pytest.fixture
def make_trial(tmp_path):
    number = iter(range(1000))

    def make(units, factors, **options):
        return write_trial(tmp_path / f"t{next(number)}", units, factors, **options)

    return make


@pytest.fixture
def chambers(make_trial):
    """4 batches × 6 chambers, three schedules, light on shelves: the layout of the demo."""

    def make(batch=4, chamber=6, levels=3, more="", extra="", **options):
        units = (
            "structure = '(batch * chamber) / shelf / block'\n"
            f"batch = {batch}\nchamber = {chamber}\nshelf = 2\nblock = 3"
        )
        factors = {
            "schedule": ("batch:chamber", levels, more),
            "light": ("batch:chamber:shelf", 2, ""),
        }
        return make_trial(units, factors, extra=extra, **options)

    return make


@pytest.fixture
def stepwise(monkeypatch):
    """Let every kind of unit grow by one."""
    for place in (grid, sizes, changes):
        monkeypatch.setattr(place, "steps_of", lambda trial, unit: 1)


_RUNS = "structure = '(batch * chamber) / block'\nbatch = {}\nchamber = {}\nblock = 2"


@pytest.fixture
def runs(make_trial):
    """Treatments given to chamber runs of two blocks: as many batches, chambers and levels."""

    def make(batch=4, chamber=4, levels=2, more="", **options):
        factors = {"mist": ("batch:chamber", levels, more)}
        return make_trial(_RUNS.format(batch, chamber), factors, **options)

    return make
