"""Whether a random term varies at all: likelihood-ratio test at the boundary.

References
----------
.. [1] Self SG, Liang K-Y (1987). Asymptotic properties of maximum likelihood estimators and
   likelihood ratio tests under nonstandard conditions. J Am Stat Assoc 82:605-610.
   doi:10.1080/01621459.1987.10478472
.. [2] Crainiceanu CM, Ruppert D (2004). Likelihood ratio tests in linear mixed models with one
   variance component. J R Stat Soc B 66:165-185. doi:10.1111/j.1467-9868.2004.00438.x
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from trialkit.arrays import Floats
from trialkit.display import Shown, show_table
from trialkit.errors import ModelError
from trialkit.model.answers.variance_likelihood import (
    VarianceProblem,
    draw_responses,
    maximise_each,
)
from trialkit.model.fitted import Fitted
from trialkit.short_repr import short_repr
from trialkit.wording import spoken


@dataclass(frozen=True)
class ComponentTest:
    """Likelihood-ratio test that a variance component is zero.

    Parameters
    ----------
    term : str
        The random term.
    statistic : float
        Twice the drop of the restricted log-likelihood when the component is held at zero;
        zero where its estimate is zero or below.
    p : float
        By the 50:50 mixture of chi-squares with 0 and 1 df, which holds in large samples.
    p_simulated : float
        From data sets simulated without the component; NaN if none were drawn.
    draws : int
        How many were drawn.
    """

    term: str
    statistic: float
    p: float
    p_simulated: float
    draws: int

    __repr__ = short_repr

    @property
    def table(self) -> pd.DataFrame:
        """The test as one row."""
        row = {
            "statistic": self.statistic,
            "p": self.p,
            "p_simulated": self.p_simulated,
            "draws": self.draws,
        }
        return pd.DataFrame([row], index=pd.Index([self.term], name="term"))

    def _shown(self) -> Shown:
        form = "below" if self.statistic == 0 else "ratio"
        caption = spoken().text(f"component_words.caption.{form}", term=self.term)
        return show_table(self.table.reset_index(), caption=caption)

    def __str__(self) -> str:
        return self._shown().text()

    def _repr_html_(self) -> str:
        return self._shown().html()


def lr_test(fit: Fitted, term: str, *, draws: int = 0, seed: int = 1) -> ComponentTest:
    """Test whether a random term varies at all.

    Parameters
    ----------
    fit : Fitted
        A fitted model.
    term : str
        One of its random terms.
    draws : int
        Data sets to simulate under the null hypothesis; 0 for the mixture alone. With one
        random term the simulated law is exact but for simulation error.
    seed : int
        Seed of the simulation.

    Returns
    -------
    ComponentTest

    Raises
    ------
    ModelError
        `term` is not a random term of the fit.

    Notes
    -----
    Zero lies on the boundary, so half of the statistics are zero in large samples; in small
    ones more are, which makes the mixture cautious. A chamber term that follows from how the
    trial was randomised stays in the model whatever this test says.

    References
    ----------
    .. [1] Self, Liang (1987), doi:10.1080/01621459.1987.10478472. Crainiceanu CM, Ruppert D
       (2004). Likelihood ratio tests in linear mixed models with one variance component.
       J R Stat Soc B 66:165-185. doi:10.1111/j.1467-9868.2004.00438.x
    """
    problem = VarianceProblem.of(fit)
    random = problem.names[: problem.reduced.n_random]
    if term not in random:
        shown = ", ".join(random) or "none"
        raise ModelError(f"{term!r} is not a random term of this fit; its terms are: {shown}")
    at = random.index(term)
    null_loglik, null_phi = problem.profile(at, 0.0, _null_start(problem, at))
    statistic = 0.0
    if problem.phi[at] > 0:
        statistic = max(0.0, 2 * (problem.loglik(problem.phi) - null_loglik))
    p = 0.5 * float(special.chdtrc(1, statistic)) if statistic > 0 else 1.0
    simulated = math.nan
    if draws:
        simulated = _simulated_p(problem, at, null_phi, statistic, draws, seed)
    return ComponentTest(term, statistic, p, simulated, draws)


def _null_start(problem: VarianceProblem, at: int) -> Floats:
    """Start without the term: the other random terms at no less than zero."""
    start = problem.phi.copy()
    start[: problem.reduced.n_random] = np.maximum(start[: problem.reduced.n_random], 0.0)
    start[problem.reduced.n_random :] += max(float(start[at]), 0.0) / 2
    start[at] = 0.0
    return start


def _simulated_p(
    problem: VarianceProblem, at: int, null_phi: Floats, statistic: float, draws: int, seed: int
) -> float:
    reduced = problem.reduced
    new = draw_responses(reduced, null_phi, draws, np.random.default_rng(seed))
    kind = problem.variances
    _, null, _ = maximise_each(reduced, new, null_phi, kind, pinned={at: 0.0})
    phi, best, _ = maximise_each(reduced, new, null_phi, kind)
    gain = 2 * (best - null)
    drawn = np.where(phi[:, at] > 0, np.maximum(gain, 0.0), 0.0)
    return float((1 + np.sum(drawn >= statistic - 1e-9)) / (draws + 1))
