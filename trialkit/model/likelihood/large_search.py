"""The maximum of the restricted likelihood of designs with thousands of effects."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from trialkit.model.columns.matrices import Floats
from trialkit.model.likelihood.absorb import LargeDesign, LargePoint
from trialkit.model.likelihood.large_objective import evaluate_large

MOST_STEPS = 60
EARLY = 3


def maximise_large(
    design: LargeDesign,
    *,
    nonnegative: bool,
    start: Floats | None = None,
    pinned: Mapping[int, float] | None = None,
) -> tuple[LargePoint, list[Any], bool]:
    """Climb by average-information steps with halving; give the point, its path, if settled.

    Parameters
    ----------
    design : LargeDesign
    nonnegative : bool
        Whether variances stay at zero or above.
    start : ndarray, shape (m,), optional
        Variances to begin at, inside the space; a common guess by default.
    pinned : mapping, optional
        Position → variance that is held.
    """
    m = len(design.params)
    if start is None:
        phi = np.full(m, 0.3 / max(1, m - 1))
        phi[-1] = 0.7
    else:
        phi = start.copy()
    still = np.zeros(m, dtype=bool)
    for at, value in (pinned or {}).items():
        phi[at], still[at] = value, True
    early = EARLY if start is None else 0
    low = np.where(np.arange(m) < m - 1, 0.0 if nonnegative else -np.inf, 0.0)
    now = evaluate_large(design, phi)
    assert now is not None
    path = [(now.phi, now.loglik)]
    for count in range(MOST_STEPS):
        free = ~(((now.phi <= low) & (now.score <= 0)) | still)
        if not free.any():
            return now, path, True
        step = np.zeros(m)
        info = now.information[np.ix_(free, free)]
        root = 1 / np.sqrt(np.diag(info))
        scaled = info * root[:, None] * root
        step[free] = root * np.linalg.solve(
            scaled + 1e-12 * np.eye(len(root)), root * now.score[free]
        )
        gain = float(step @ now.score)
        if count < early:  # far from the maximum a step may overshoot zero without reason
            step = np.maximum(step, -0.9 * np.abs(now.phi))
        size, moved = 1.0, None
        for _ in range(30):
            moved = evaluate_large(
                design, np.where(still, phi, np.maximum(now.phi + size * step, low))
            )
            if moved is not None and moved.loglik >= now.loglik - 1e-9 * (1 + abs(now.loglik)):
                break
            moved, size = None, size / 2
        if moved is None:
            return now, path, False
        now = moved
        path.append((now.phi, now.loglik))
        if gain < 1e-8 and count >= early:
            return now, path, True
    return now, path, False
