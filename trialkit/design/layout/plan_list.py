"""Plans to draw from, each equally likely."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from trialkit.design.layout.draws import Draws
from trialkit.design.layout.units import Ints


@dataclass(frozen=True)
class PlanList:
    """Plans of one stratum to draw from, each equally likely.

    Parameters
    ----------
    plans : array of int, shape (plans, units)
        Treatment of each unit.
    complete : bool
        Whether these are all plans of the best information, and not a sample.
    kept : float
        Share of the information they keep.
    loss : float
        How far below the best a plan may lie; zero unless too few were found without.
    """

    plans: Ints = field(repr=False)
    complete: bool
    kept: float
    loss: float = 0.0

    @property
    def words(self) -> str:
        """How a plan was laid out, in words."""
        count = f"{len(self.plans)} "
        if self.complete:
            return f"restricted, drawn from all {count}best plans"
        return f"restricted, drawn from {count}sampled " + (
            f"plans within {100 * self.loss:g} % of the best" if self.loss else "best plans"
        )

    def draw(self, draws: Draws) -> Ints:
        """Draw one of the plans."""
        return np.array(self.plans[draws.below(len(self.plans))], dtype=np.int64)
