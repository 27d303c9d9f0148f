"""Layouts of every shape: what must hold whatever the structure, counts and treatments."""

import re
from random import Random

import pytest

import trialkit as tk
from tests.design.conftest import write_trial
from trialkit.design.strata.strata import strata
from trialkit.errors import DesignError, PlanError, TrialkitError
from trialkit.structure import parse_structure

SHAPES = [
    "(batch * chamber) / shelf / block", "batch * chamber", "chamber / block",
    "batch / chamber / block", "rep / (row * column)", "block / plot / subplot", "pot",
    "(a * b * c) / d", "batch / (chamber * shelf)", "(batch / chamber) * x",
]  # fmt: skip


def draw_trial(folder, random):
    """Draw a structure, counts and up to three treatments; None where the file is refused."""
    text = random.choice(SHAPES)
    structure = parse_structure(text)
    counts = {name: random.choice([1, 2, 2, 3, 4, 5]) for name in re.findall(r"\w+", text)}
    factors = {}
    for j in range(random.choice([1, 1, 2, 3])):
        levels = [f"f{j}{i}" for i in range(random.choice([2, 2, 3, 4]))]
        more = random.choice(["", "", f"replication = {{ f{j}0 = 2 }}"])
        factors[f"f{j}"] = (":".join(random.choice(structure.terms)), levels, more)
    units = "\n".join([f"structure = '{text}'", *(f"{k} = {v}" for k, v in counts.items())])
    try:
        return write_trial(folder, units, factors)
    except TrialkitError:
        return None


@pytest.mark.parametrize("seed", range(12))
def test_what_must_hold_for_any_layout(tmp_path, seed):
    random = Random(seed)

    for i in range(3):
        trial = draw_trial(tmp_path / str(i), random)
        if trial is None:
            continue
        try:
            plan = tk.assign(trial, seed=seed)
        except PlanError:
            continue  # more combinations of treatments than units
        for name, factor in trial.factors.items():
            counts = plan.counts(name)
            weights = [(factor.replication or {}).get(level, 1) for level in factor.levels]
            exact = [counts.sum() * w / sum(weights) for w in weights]
            if len([f for f in trial.factors.values() if f.applied_to == factor.applied_to]) == 1:
                assert all(abs(c - e) < 1 for c, e in zip(counts, exact, strict=True))
            assert plan.efficiency[name] <= plan.bound[name] + 1e-9
        try:
            found = strata(trial, plan=plan)
        except DesignError:
            continue  # refused in words, never by accident

        assert found.table["df"].sum() == len(plan.table) - 1
        shares = found.table.dropna(subset=["efficiency"])
        assert shares["efficiency"].between(0, 1).all()
        assert tk.power(trial, method="exact").table["power"].between(0, 1).all()
