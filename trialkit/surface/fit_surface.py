"""Fit a second-order surface to settings, with the trial's own random terms.

References
----------
.. [1] Box GEP, Draper NR (2007). Response Surfaces, Mixtures, and Ridge Analyses, 2nd ed. Wiley.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import linalg

from trialkit.arrays import Floats
from trialkit.errors import ModelError
from trialkit.model.answers.means import contrast_rows
from trialkit.model.fit import Fit, fit
from trialkit.settings.polynomial import powers, terms
from trialkit.settings.setting_range import SettingRange, coded_usual
from trialkit.short_repr import short_repr

#: Method of the small-sample tests: one for all rows, as they are compared with one another.
METHOD = "kenward-roger"
#: Rows asked together: the covariance of all pairs of them is made.
_AT_ONCE = 400


@dataclass(frozen=True, eq=False)
class Surface:
    """A second-order surface over coded settings. Made by `fit_surface`.

    Parameters
    ----------
    settings : tuple of SettingRange
    fit : Fit
        The mixed model it comes from.
    response : str
    estimate : ndarray, shape (terms,)
        Coefficients in the order of `trialkit.settings.polynomial.powers`; other terms of the
        model at their mean.
    covariance : ndarray, shape (terms, terms)
        Of the estimates, small-sample adjusted.
    rows : ndarray, shape (terms, coefficients)
        Each coefficient as a row of the model.
    tried : ndarray, shape (points, settings)
        Distinct coded settings of the trial.
    counts : ndarray of int, shape (points,)
        Rows at each of them.
    others : tuple of str
        Further factors of the model.
    level : float
        Confidence of limits.
    """

    settings: tuple[SettingRange, ...]
    fit: Fit
    response: str
    estimate: Floats
    covariance: Floats
    rows: Floats
    tried: Floats
    counts: NDArray[np.int64]
    others: tuple[str, ...] = ()
    level: float = 0.95

    __repr__ = short_repr

    @property
    def usual(self) -> Floats:
        """Today's settings, coded, shape (settings,)."""
        return coded_usual(self.settings)

    def at(self, coded: ArrayLike) -> Floats:
        """Give the estimated response at coded settings, shape (n,)."""
        return np.asarray(terms(coded) @ self.estimate)

    def contrasts(self, L: ArrayLike) -> tuple[pd.DataFrame, Floats]:
        """Estimate combinations of the surface's coefficients, all by one analysis.

        Parameters
        ----------
        L : array, shape (m, terms)

        Returns
        -------
        table : DataFrame
            ``estimate, se, df, low, high, t, p``; limits hold one at a time.
        covariance : ndarray, shape (m, m)
        """
        rows = np.atleast_2d(np.asarray(L, dtype=float)) @ self.rows
        return contrast_rows(self.fit, rows, df=METHOD, level=self.level)

    def test(self, L: ArrayLike) -> dict[str, Any]:
        """Test that combinations are zero together: num_df, den_df, F, p, method."""
        rows = np.atleast_2d(np.asarray(L, dtype=float)) @ self.rows
        return self.fit.joint(rows, df=METHOD)

    def tests(self) -> pd.DataFrame:
        """Test whether the settings matter at all, curve, act together, and fit.

        Returns
        -------
        DataFrame
            Index ``term``: ``"settings"`` (all of them), ``"curvature"`` (squares and products),
            and ``"lack of fit"`` (what the tried settings show beyond the surface, where there
            are more of them than terms); ``num_df, den_df, F, p, method``.
        """
        size, count = len(self.estimate), len(self.settings)
        eye = np.eye(size)
        found = {"settings": self.test(eye[1:]), "curvature": self.test(eye[1 + count :])}
        lack = lack_of_fit(self)
        if lack is not None:
            found["lack of fit"] = lack
        index = pd.Index(list(found), name="term")
        return pd.DataFrame(list(found.values()), index=index)

    def df_at(self, L: ArrayLike) -> Floats:
        """Give the error degrees of freedom of combinations, shape (m,); NaN for one of nothing."""
        rows = np.atleast_2d(np.asarray(L, dtype=float))
        some = np.abs(rows).max(axis=1) > 1e-12
        out = np.full(len(rows), np.nan)
        at = np.flatnonzero(some)
        for part in np.array_split(at, 1 + len(at) // _AT_ONCE) if len(at) else ():
            out[part] = self.contrasts(rows[part])[0]["df"].to_numpy(dtype=float)
        return out


def fit_surface(
    table: pd.DataFrame,
    settings: Sequence[SettingRange],
    *,
    response: str,
    columns: Mapping[str, str] | None = None,
    others: Sequence[str] = (),
    random: Sequence[str] = (),
    level: float = 0.95,
) -> Surface:
    """Fit a second-order surface with random terms.

    Parameters
    ----------
    table : DataFrame
        One row per observation, with the settings in their own units.
    settings : sequence of SettingRange
        One to three.
    response : str
        Numeric column to explain.
    columns : mapping, optional
        SettingRange → column of `table`; the setting's name by default.
    others : sequence of str
        Further fixed factors, such as another treatment.
    random : sequence of str
        Random terms, as in `trialkit.fit`.
    level : float

    Returns
    -------
    Surface

    Raises
    ------
    ModelError
        The trial holds too few distinct settings to see a curve, or the model cannot be fitted.

    Notes
    -----
    Settings are coded from -1 to 1 over their range. Tests and limits are those of Kenward and
    Roger for every row, so that the parts of one picture belong together.

    Examples
    --------
    Twelve invented chambers at three duty cycles:

    >>> rng = np.random.default_rng(1)
    >>> table = pd.DataFrame({"duty_pct": np.repeat([2.0, 6.0, 10.0], 4)})
    >>> table["fresh_g"] = 500 - 3 * (table["duty_pct"] - 6) ** 2 + rng.normal(0, 5, 12)
    >>> duty = SettingRange("duty_pct", 2, 10, usual=10, unit="%")
    >>> surface = fit_surface(table, [duty], response="fresh_g")
    >>> surface.estimate.round(-1).tolist()  # drawn from 500, 0 and -48
    [500.0, 0.0, -50.0]
    """
    named = {s.name: s.name for s in settings} | dict(columns or {})
    coded = np.column_stack([s.code(table[named[s.name]]) for s in settings])
    _check_spread(coded, settings)
    exponents = powers(len(settings))[1:]
    names = [term_name([s.name for s in settings], e) for e in exponents]
    rows = terms(coded)[:, 1:]
    data = table.assign(**dict(zip(names, rows.T, strict=True)))
    fitted = fit(
        data,
        response=response,
        fixed=" + ".join([*names, *others]),
        random=list(random),
        level=level,
    )
    used = coded[table.index.isin(fitted.table.index)] if len(fitted.table) < len(table) else coded
    tried, counts = np.unique(used.round(9), axis=0, return_counts=True)
    L = _term_rows(fitted, names, others)
    told, cov = contrast_rows(fitted, L, df=METHOD, level=level)
    return Surface(
        settings=tuple(settings),
        fit=fitted,
        response=response,
        estimate=told["estimate"].to_numpy(dtype=float),
        covariance=cov,
        rows=L,
        tried=tried,
        counts=counts.astype(np.int64),
        others=tuple(others),
        level=level,
    )


def term_name(names: Sequence[str], exponents: Sequence[int]) -> str:
    """Name the column of a term, whose values are products of coded settings.

    Examples
    --------
    >>> term_name(["duty_pct", "lux"], (1, 1)), term_name(["duty_pct", "lux"], (2, 0))
    ('coded_duty_pct_x_lux', 'coded_duty_pct_squared')
    """
    parts = [f"{n}_squared" if e == 2 else n for n, e in zip(names, exponents, strict=True) if e]
    return "coded_" + "_x_".join(parts)


def _check_spread(coded: Floats, settings: Sequence[SettingRange]) -> None:
    """Refuse a trial whose settings cannot show a curve."""
    for i, setting in enumerate(settings):
        if len(np.unique(coded[:, i].round(9))) < 3:
            raise ModelError(
                f"{setting.name}: at least three values must have been tried to see a curve"
            )
    rows = terms(np.unique(coded.round(9), axis=0))
    if np.linalg.matrix_rank(rows) < rows.shape[1]:
        raise ModelError(
            "the settings that were tried do not tell the settings' effects apart: a surface "
            "needs more of their combinations"
        )


def _term_rows(fitted: Fit, names: Sequence[str], others: Sequence[str]) -> Floats:
    """Give each coefficient as a row of the model, other factors averaged over their levels."""
    base = pd.DataFrame(np.vstack([np.zeros(len(names)), np.eye(len(names))]), columns=list(names))
    at = _averaged(fitted, base, others)
    at[1:] -= at[0]
    return at


def _averaged(fitted: Fit, base: pd.DataFrame, others: Sequence[str]) -> Floats:
    """Give the model's row for each row of a table, averaged over the other factors' levels."""
    levels = {name: list(fitted.design.levels[name]) for name in others}
    if not levels:
        return fitted.design.rows(base)
    combos = pd.MultiIndex.from_product(list(levels.values()), names=list(levels)).to_frame(
        index=False
    )
    crossed = base.merge(combos, how="cross")
    rows = fitted.design.rows(crossed)
    return np.asarray(rows.reshape(len(base), len(combos), -1).mean(axis=1))


def lack_of_fit(surface: Surface) -> dict[str, Any] | None:
    """Test what the tried settings show beyond the surface.

    Returns
    -------
    dict or None
        ``num_df, den_df, F, p, method``; None where no tried settings are over.

    Notes
    -----
    The means of the tried settings lie on the surface where every combination of them that is
    zero for all second-order polynomials is zero.
    """
    beyond = linalg.null_space(terms(surface.tried).T).T
    if not len(beyond):
        return None
    spec = surface.fit.spec
    names = [term_name([t.name], (1,)) for t in surface.settings]
    here = surface.fit.table[names].to_numpy(dtype=float).round(9)
    place = [int(np.flatnonzero((surface.tried == row).all(axis=1))[0]) for row in here]
    table = surface.fit.table.assign(tried_settings=[f"point {p}" for p in place])
    others = list(surface.others)
    try:
        by_point = fit(
            table,
            response=spec.response,
            fixed=" + ".join(["tried_settings", *others]),
            random=list(spec.random),
            level=spec.level,
        )
    except ModelError:
        return None
    points = pd.DataFrame({"tried_settings": [f"point {p}" for p in range(len(surface.tried))]})
    return by_point.joint(beyond @ _averaged(by_point, points, others), df=METHOD)
