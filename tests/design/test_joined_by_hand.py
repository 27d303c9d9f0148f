"""What joins a plan that stands, in cases small enough to be drawn on paper."""

import pytest

from trialkit.design.layout.chance import Draws
from trialkit.design.layout.joined_units import draw_joined

SEEDS = range(6)


@pytest.mark.parametrize("seed", SEEDS)
def test_what_is_left_over_goes_to_the_level_that_is_rarest_so_far(make_trial, seed):
    """Batch 1 has two of s0 and one of s1: of the three in batch 2, two get s1."""
    trial = make_trial(
        "structure = 'batch / block'\nbatch = 2\nblock = 3", {"schedule": ("batch:block", 2, "")}
    )
    keys = list(trial.strata_units("batch:block").itertuples(index=False, name=None))
    standing = dict(zip(keys[:3], ("s0", "s0", "s1"), strict=True))
    drawn = draw_joined(trial, {"schedule": standing}, Draws(seed))["schedule"]
    assert {key: drawn[key] for key in keys[:3]} == standing
    assert sorted(drawn[key] for key in keys[3:]) == ["s0", "s1", "s1"]


@pytest.mark.parametrize("seed", SEEDS)
def test_each_level_goes_where_it_has_stood_least(make_trial, seed):
    """Chamber 1 had s0 in both batches, chamber 2 had s1: the third batch turns them round."""
    trial = make_trial(
        "structure = '(batch * chamber) / block'\nbatch = 3\nchamber = 2\nblock = 1",
        {"schedule": ("batch:chamber", 2, "")},
    )
    keys = list(trial.strata_units("batch:chamber").itertuples(index=False, name=None))
    standing = dict(zip(keys[:4], ("s0", "s1") * 2, strict=True))
    drawn = draw_joined(trial, {"schedule": standing}, Draws(seed))["schedule"]
    assert {key: drawn[key] for key in keys[:4]} == standing
    assert [drawn[key] for key in keys[4:]] == ["s1", "s0"]
