"""Which levels of the treatment the finding that the effect depends on something rests on.

That the effect of a treatment depends on another one is found over all its levels. It may rest
on one of them: where dry air costs yield in bright light only, wet air may give the same gain
in both. Once it was found over all, each level is tested by itself, by the same two tests (a
constant difference, a constant ratio to the reference) at the threshold of the finding, divided
by the number of levels that can still be free of it: the levels compared less one. With the
test over all before, that is a closed test (Marcus, Peritz and Gabriel 1976), so that a level
whose effect is the same everywhere is named in at most the stated share of trials. Levels whose
limits contradict each other are named too.

References
----------
.. [1] Marcus R, Peritz E, Gabriel KR (1976). On closed testing procedures with special
   reference to ordered analysis of variance. Biometrika 63:655-660.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.model.answers.means import Cells
    from trialkit.model.fit import Fit


def sound_chance(test: Mapping[Any, Any]) -> float:
    """Give the p of a test that is one; a failed test finds nothing.

    Examples
    --------
    >>> sound_chance({"F": 4.1, "den_df": 8.0, "p": 0.08})
    0.08
    >>> sound_chance({"F": -0.2, "den_df": 8.0, "p": 1.0})
    nan
    """
    good = test["F"] >= 0 and test["den_df"] > 0
    return float(test["p"]) if good else float("nan")


def interaction_rows(
    fit: Fit, groups: Sequence[Cells], place: int, level: int, *, ratio: bool
) -> np.ndarray:
    """Give what is zero where one level compares with the reference alike at all of a partner.

    Parameters
    ----------
    fit : Fit
    groups : sequence of Cells
        Means of the treatment's levels, one entry for each level of the partner.
    place, level : int
        Which of the levels is the reference, and which is compared.
    ratio : bool
        Whether a constant ratio is meant, and not a constant difference: ``top - ratio *
        bottom``, less its mean over the partner, with the ratio over all of it as estimated.

    Returns
    -------
    ndarray
        Rows of coefficients; none where the mean of the reference is not above zero.
    """
    rows = np.stack([cells.rows for cells in groups])  # partner, level, coefficients
    middle = rows.mean(axis=0)
    share = 1.0
    if ratio:
        base = float(middle[place] @ fit.beta)
        if not base > 0:
            return np.empty((0, rows.shape[2]))
        share = float(middle[level] @ fit.beta) / base
    apart = (rows[:, level] - middle[level]) - share * (rows[:, place] - middle[place])
    return np.asarray(apart[1:])


def depending_levels(
    fit: Fit,
    groups: Sequence[Cells],
    place: int,
    by: pd.DataFrame,
    threshold: float,
    *,
    logarithm: bool,
) -> tuple[str, ...]:
    """Name the levels whose own comparison with the reference depends on the partner.

    Parameters
    ----------
    fit : Fit
        The model with the interaction.
    groups : sequence of Cells
        Means of the levels at each level of the partner.
    place : int
        Which of the levels is the reference.
    by : DataFrame
        The answers, one row per level of both: `level, answer`.
    threshold : float
        Chance at which the interaction over all levels was found.
    logarithm : bool
        Whether the model is that of the logarithm, where a difference is a ratio.

    Returns
    -------
    tuple of str
        In the order of the levels; empty where no level shows it by itself.
    """
    labels = [str(x) for x in groups[0].labels]
    own = threshold / max(1, len(labels) - 2)
    named = []
    for i, label in enumerate(labels):
        if i == place:
            continue
        answers = set(by.loc[by["level"].astype(str) == label, "answer"])
        contradict = "worse" in answers and bool(answers & {"better", "no worse"})
        if contradict or len(labels) == 2 or _differs(fit, groups, place, i, own, logarithm):
            named.append(label)
    return tuple(named)


def _differs(
    fit: Fit, groups: Sequence[Cells], place: int, level: int, threshold: float, logarithm: bool
) -> bool:
    """See whether neither a constant difference nor a constant ratio fits one level."""
    for ratio in (False, True) if not logarithm else (False,):
        rows = interaction_rows(fit, groups, place, level, ratio=ratio)
        if len(rows) and not sound_chance(fit.joint(rows)) < threshold:
            return False
    return True
