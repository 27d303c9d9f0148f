"""The F of a treatment as a function of its assignment, with the variances held.

The variances are those of the model without the treatment, so they do not depend on which
unit got which level, and one factorisation serves every assignment:

    s = U' P y,  M = U' P U,  F = (A's)' (A'MA)^- (A's) / rank

where ``U`` sends rows to the units that were randomised, ``A`` sends units to levels, and
``P`` takes out everything else in the model. It is the score test of the treatment
(Rao 1948) and serves the randomisation test, which is exact for any statistic.

References
----------
.. [1] Rao CR (1948). Large sample tests of statistical hypotheses concerning several
   parameters. Proc Camb Philos Soc 44:50-57. doi:10.1017/S0305004100023987
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.arrays import Codes, Floats
from trialkit.errors import ModelError
from trialkit.model.checks.diagnosis import solved_of
from trialkit.model.fit import fit


@dataclass(frozen=True)
class HeldStatistic:
    """The F of a treatment as a function of its assignment, variances held.

    Parameters
    ----------
    score : ndarray, shape (units,)
        ``U' P y``.
    information : ndarray, shape (units, units)
        ``U' P U``.
    """

    score: Floats
    information: Floats

    def values(self, levels: Codes, count: int) -> Floats:
        """Give F for many assignments.

        Parameters
        ----------
        levels : ndarray of int, shape (assignments, units)
            Level of each unit.
        count : int
            Number of levels.

        Returns
        -------
        ndarray, shape (assignments,)
        """
        out = np.empty(len(levels))
        for start in range(0, len(levels), 512):
            part = levels[start : start + 512]
            A = (part[:, :, None] == np.arange(1, count)).astype(float)
            wanted = np.einsum("auk,u->ak", A, self.score)
            known = np.einsum("auk,uv,avl->akl", A, self.information, A, optimize=True)
            values, vectors = np.linalg.eigh(known)
            tall = values > 1e-9 * np.maximum(values[:, -1:], 1e-300)
            turned = np.einsum("akl,ak->al", vectors, wanted)
            parts = np.where(tall, turned**2 / np.where(tall, values, 1.0), 0.0)
            out[start : start + 512] = parts.sum(axis=1) / np.maximum(tall.sum(axis=1), 1)
        return out


def hold_variances(
    table: pd.DataFrame,
    response: str,
    fixed: str,
    random: Sequence[str],
    unit_codes: Codes,
    n_units: int,
) -> HeldStatistic:
    """Fit the model without the treatment once and hold its variances.

    Parameters
    ----------
    table : DataFrame
        Rows with a response.
    response, fixed, random
        The model without the treatment.
    unit_codes : ndarray of int, shape (n,)
        Randomised unit of each row.
    n_units : int
        How many there are, lost ones included.

    Returns
    -------
    HeldStatistic
    """
    null = fit(table, response=response, fixed=fixed, random=list(random), variances="nonnegative")
    if null.n != len(table):
        raise ModelError("rows with a missing unit or treatment cannot be redrawn; complete them")
    solved = solved_of(null)
    U = np.zeros((null.n, n_units))
    U[np.arange(null.n), unit_codes] = 1.0
    VU = solved.times_inverse(U)
    XVU = null.data.X.T @ VU
    return HeldStatistic(U.T @ solved.py, U.T @ VU - XVU.T @ solved.cov @ XVU)
