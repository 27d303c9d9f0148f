"""The slope of the likelihood that the search climbs by, against its differences."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from trialkit.model.fit import fit
from trialkit.model.likelihood.objective import evaluate


@pytest.mark.parametrize("by", [None, "flush"])
@pytest.mark.parametrize("barrier", [0.0, 0.3])
def test_the_score_is_the_slope_of_the_likelihood(by: str | None, barrier: float) -> None:
    """Central differences of the log likelihood at points beside its top, unequal chambers.

    With what keeps the search off the edge of the space, and without it; the second
    derivatives (observed information) are those of the score.
    """
    rng = np.random.default_rng(1)
    chamber = np.repeat(np.arange(8), [3, 5, 4, 6, 2, 7, 5, 4])
    one = pd.DataFrame({"chamber": chamber.astype(str), "schedule": np.where(chamber % 2, "a", "b"),
                        "batch": (chamber // 2).astype(str)})  # fmt: skip
    table = pd.concat([one.assign(flush="1"), one.assign(flush="2")], ignore_index=True)
    table["y"] = rng.normal(size=len(table)) + rng.normal(size=8)[table["chamber"].astype(int)]
    made = fit(table, response="y", fixed="schedule * flush", random=["batch", "chamber"],
               residual_by=by)  # fmt: skip
    reduced = made.data.reduced
    got = reduced.project(made.y[None])
    start = np.full((1, len(reduced.params)), 0.4)
    start[0, -1] = 1.3

    def at(phi: np.ndarray):  # type: ignore[no-untyped-def]
        return evaluate(reduced, phi, got.e, got.out_ss, barrier=barrier)

    for phi in (start, 2 * start, np.linspace(0.3, 1.5, start.shape[1])[None]):
        score = at(phi).score[0]
        for i in range(phi.shape[1]):
            step = np.zeros_like(phi)
            step[0, i] = 1e-5
            slope = (at(phi + step).loglik[0] - at(phi - step).loglik[0]) / 2e-5
            assert score[i] == pytest.approx(slope, rel=1e-5, abs=1e-6)
            bend = (at(phi + step).score[0] - at(phi - step).score[0]) / 2e-5
            assert at(phi).observed[0, i] == pytest.approx(-bend, rel=1e-4, abs=1e-5)
