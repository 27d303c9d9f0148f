"""The maximum of the restricted likelihood of large designs, and the result."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from trialkit.errors import Finding, ModelError
from trialkit.model import prepare  # noqa: F401 (fields that LargeFit inherits)
from trialkit.model.absorb import LargeDesign, LargePoint
from trialkit.model.answers import Answer
from trialkit.model.fit import Fit
from trialkit.model.inference import METHODS
from trialkit.model.largeobjective import evaluate_large
from trialkit.model.matrices import Floats
from trialkit.model.reml import Optimum  # noqa: F401
from trialkit.model.smallsample import combine_df, satterthwaite_df
from trialkit.model.strata import Responses  # noqa: F401
from trialkit.model.validity import without_invalid

METHOD = "satterthwaite, average information"
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


@dataclass(frozen=True, eq=False)
class LargeFit(Fit):
    """A fitted mixed model with thousands of effects.

    The same questions as `Fit`, with Satterthwaite's df from the average information. What
    needs the dense engine (Kenward–Roger, profiles) says that it is not computed.
    """

    large: LargeDesign = field(repr=False, kw_only=True)
    point: LargePoint = field(repr=False, kw_only=True)
    path: tuple[Any, ...] = field(repr=False, kw_only=True, default=())
    settled: bool = field(kw_only=True, default=True)

    @property
    def n(self) -> int:
        """Give the number of rows used."""
        return self.large.n

    @property
    def p(self) -> int:
        """Give the rank of the fixed part."""
        return self.large.p

    @property
    def scale(self) -> float:
        """Give the unit in which the engine worked."""
        return self.large.scale

    @cached_property
    def phi(self) -> Floats:
        """Give the variance parameters in internal units."""
        return self.point.phi

    @cached_property
    def variances(self) -> pd.Series:
        """Give the variance of each random term and of the residual."""
        values = self.phi * self.large.units * self.scale**2
        return pd.Series(values, index=list(self.large.params), name="variance")

    def _full_loglik(self, core: float) -> float:
        df = self.n - self.p
        constant = df * np.log(2 * np.pi) + self.large.log_xx
        return float(core - df * np.log(self.scale) - 0.5 * constant)

    @cached_property
    def loglik(self) -> float:
        """Give the restricted log-likelihood of the treatment-coded model."""
        return self._full_loglik(self.point.loglik)

    @cached_property
    def kept_beta(self) -> Floats:
        """Give the coefficients that are not aliased."""
        return np.asarray(self.large.back @ self.point.beta * self.scale + self.large.beta0)

    @cached_property
    def vcov(self) -> Floats:
        """Give ``(X'V^-1 X)^-1``; zero for aliased coefficients."""
        out = np.zeros((len(self.names), len(self.names)))
        kept = np.flatnonzero(self.design.kept)
        C = self.large.back @ self.point.C @ self.large.back.T
        out[np.ix_(kept, kept)] = C * self.scale**2
        return out

    def _ask(self, rows: Floats, df: str, *, joint: bool) -> Answer:
        if df not in METHODS:
            raise ModelError(f"df='{df}': choose from {', '.join(METHODS)}")
        estimate = (self.kept_beta @ rows.T)[None]
        own = rows @ self.large.back
        CL = self.point.C @ own.T
        cov = (own @ CL)[None]
        none = np.full(1, np.nan)
        if df not in ("default", "satterthwaite"):
            name = f"{df}: not computed with {self._effects} effects"
            missing = np.full(estimate.shape, np.nan)
            return Answer(
                estimate, cov * self.scale**2, missing, none, none, np.array([name], dtype=object)
            )
        assert self.point.fixed is not None
        slopes = (CL.T @ self.point.fixed @ CL)[None]
        held = np.asarray(self.phi == 0)
        held[-1] = False
        weights = np.zeros((1, len(held), len(held)))
        free = np.flatnonzero(~held)
        info = self.point.information[np.ix_(free, free)]
        root = 1 / np.sqrt(np.diag(info))
        weights[0][np.ix_(free, free)] = np.linalg.inv(info * root[:, None] * root) * (
            root[:, None] * root
        )
        nu = satterthwaite_df(np.einsum("rll->rl", cov), np.einsum("rill->ril", slopes), weights)
        F, den = none, none
        if joint:
            values, vectors = np.linalg.eigh(cov[0])
            turned = vectors.T @ (estimate[0] / self.scale)
            rotated = np.einsum("lk,ilm,mk->ik", vectors, slopes[0], vectors)
            each = satterthwaite_df(values[None], rotated[None], weights)
            F, den = np.array([np.mean(turned**2 / values)]), combine_df(each)
        method = np.array([METHOD], dtype=object)
        return without_invalid(
            Answer(estimate, cov * self.scale**2, nu, F, den, method), joint=joint
        )

    @property
    def _effects(self) -> int:
        return sum(g.q for g in self.groupings)

    @cached_property
    def findings(self) -> tuple[Finding, ...]:
        """Give what a reader of the result must know."""
        return self.noted

    @cached_property
    def effects(self) -> dict[str, pd.Series]:
        """Give the predicted random effects of each term (user's unit)."""
        values = {self.large.a: self.point.u_a}
        for k, s in self.large.c:
            values[k] = self.point.u_c[s]
        left = self.residuals_marginal.copy()
        for k, u in values.items():
            g = self.groupings[k]
            row = u[g.codes] * self.scale
            left -= row if g.weight is None else row * g.weight
        for k, g in enumerate(self.groupings):
            if k not in values:  # the absorbed factor, from what the others leave
                sums = np.bincount(g.codes, weights=left, minlength=g.q)
                sizes = np.bincount(g.codes, minlength=g.q)
                ratio = self.phi[k] / (self.phi[-1] + self.phi[k] * sizes)
                values[k] = ratio * sums / self.scale
        return {
            g.term.name: pd.Series(
                values[k] * self.scale / g.unit,
                index=pd.Index(g.labels, name=g.term.name),
                name="effect",
            )
            for k, g in enumerate(self.groupings)
        }

    def objective(self, variances: ArrayLike) -> float:
        """Give the restricted log-likelihood at given variances; −inf outside."""
        phi = np.asarray(variances, dtype=float) / self.large.units / self.scale**2
        point = evaluate_large(self.large, phi)
        return -np.inf if point is None else self._full_loglik(point.loglik)

    @cached_property
    def record(self) -> pd.DataFrame:
        """Give the path of the search."""
        unit = self.large.units * self.scale**2
        rows = [[*(phi * unit), self._full_loglik(value)] for phi, value in self.path]
        out = pd.DataFrame(rows, columns=[*self.large.params, "loglik"])
        out.index.name = "step"
        out.attrs["settled"] = self.settled
        return out


def fit_large(data: Any) -> LargeFit:
    """Fit prepared data whose effects are too many for the dense engine."""
    design = data.large
    spec = data.spec
    if design.scale <= 1e-10 * design.spread or design.spread == 0:
        raise ModelError(
            f"'{spec.fixed}' explains '{spec.response}' exactly, or it is constant: no variation "
            "is left to test against"
        )
    point, path, settled = maximise_large(design, nonnegative=spec.variances == "nonnegative")
    final = evaluate_large(design, point.phi, final=True)
    assert final is not None
    notes = [
        *data.findings,
        Finding(
            "large_design",
            "note",
            f"{sum(g.q for g in data.groupings)} effects: tests use Satterthwaite's degrees of "
            "freedom from the average information",
        ),
    ]
    if not settled:
        notes.append(
            Finding("not_settled", "caution", "the search for the variances did not settle")
        )
    made = LargeFit(
        data=data,
        responses=None,  # type: ignore[arg-type]
        optimum=None,  # type: ignore[arg-type]
        noted=tuple(notes),
        large=design,
        point=final,
        path=tuple(path),
        settled=settled,
    )
    return made
