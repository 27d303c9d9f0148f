"""What to choose: most yield, most money, least water; and what each choice may cost.

References
----------
.. [1] Raiffa H, Schlaifer R (1961). Applied Statistical Decision Theory, ch. 4 (expected
   opportunity loss).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.arrays import Floats
from trialkit.errors import ModelError
from trialkit.settings.polynomial import terms
from trialkit.settings.setting_range import coded_grid
from trialkit.short_repr import short_repr
from trialkit.surface.departures import Departures, allow_departures
from trialkit.surface.fit_surface import Surface
from trialkit.surface.joint_limits import root
from trialkit.surface.limits import half_widths

#: Draws of the surface from what is not known of it.
DRAWS = 4000
#: Fewest degrees of freedom for a mean loss. With one it does not exist, and up to two the draws
#: behind it have no variance, so that a few of them would make the number.
LEAST_DF_OF_LOSS = 3
#: Standard errors that a careful choice takes off a gain.
CAREFUL = 0.5


@dataclass(frozen=True)
class Choices:
    """Settings to choose from, by what one wants. Made by `choose_settings`.

    Parameters
    ----------
    table : DataFrame
        One row per choice: `choice` (``"today"``, ``"careful"``, ``"most yield"``, ``"most
        money"``, ``"least use"``), the settings, `yield` and `yield_change, yield_change_low,
        yield_change_high` against today, `use` and `use_change_pct`, `worth_change,
        worth_change_low, worth_change_high` (missing without prices), `regret` (mean loss against
        the best settings, given what is not known; NaN with fewer than 3 degrees of freedom) in
        yield or, with prices, in money, `sure`
        (whether the limits carry what the choice promises).
    frontier : DataFrame
        The most yield estimated at each use and below: the settings, `use, yield, yield_low,
        yield_high, loses_no_more` (whether the limits exclude a loss beyond the margin).
    margin_pct : float
    """

    table: pd.DataFrame
    frontier: pd.DataFrame
    margin_pct: float

    __repr__ = short_repr


def choose_settings(
    surface: Surface,
    *,
    margin_pct: float,
    use: Callable[[Floats], Floats] | None = None,
    price: float | None = None,
    cost: Callable[[Floats], Floats] | None = None,
    points: Floats | None = None,
    departures: Departures | None = None,
    seed: int = 0,
) -> Choices:
    """Find the settings to choose, each with its doubt.

    Parameters
    ----------
    surface : Surface
        Of a yield, of which more is better.
    margin_pct : float
        Loss against today's settings that is accepted [%].
    use : callable, optional
        Water (or power) of settings in their own units, shape (n, settings) → (n,).
    price : float, optional
        Money per unit of the response.
    cost : callable, optional
        Money that settings cost, as `use`; nothing by default.
    points : ndarray, shape (points, settings), optional
        Coded settings to choose among; those of `coded_grid` by default.
    departures : Departures, optional
        Gains at `choosable(surface, points)` with departures allowed for, by which the careful
        choice goes; worked out here by default.
    seed : int

    Returns
    -------
    Choices

    Raises
    ------
    ModelError
        The surface has no error degrees of freedom.

    Notes
    -----
    *Least use* is the settings of least use for which limits that hold over all settings
    exclude a loss beyond the margin, on one side at half the error; today's where there are none.
    *Careful* is the settings whose gain over today (in money, with a price), less `CAREFUL`
    standard errors of it, is largest; today's where no gain exceeds that. Here the crop's curve
    may depart from the surface (`trialkit.surface.departures`), where the trial is not too large
    for it. An estimated top far from what was tried is more often luck than that of settings
    known well (``benchmarks/ten_truths.py``).
    Regret is the mean, over draws of the surface from its joint t law, of what the best
    settings of the draw give more [1]_. Uses, prices and costs are taken as known.
    """
    coded = choosable(surface, points)
    values = np.column_stack([s.decode(x) for s, x in zip(surface.settings, coded.T, strict=True)])
    rows, usual = terms(coded), terms(surface.usual)
    home = int(np.abs(coded - surface.usual).sum(axis=1).argmin())
    rows[home] = usual  # to the last digit, so that today does not differ from itself
    df = float(np.nanmin(surface.df_at(rows - usual)))
    if not df > 0:
        raise ModelError("the trial has no error degrees of freedom to choose settings by")
    spent = np.zeros(len(coded)) if cost is None else np.asarray(cost(values), dtype=float)
    used = None if use is None else np.asarray(use(values), dtype=float)
    share = 1 - margin_pct / 100
    kept = rows - share * usual
    loses_no_more = kept @ surface.estimate - half_widths(surface, kept, sides=1, seed=seed) > 0
    draws = _draws(surface, df, seed) @ rows.T
    worth = draws if price is None else price * draws - spent
    regret = (worth.max(axis=1)[:, None] - worth).mean(axis=0)
    if round(df, 6) < LEAST_DF_OF_LOSS:  # worked out from variances
        regret = np.full(len(coded), np.nan)
    told = _tell(surface, rows, usual, price, spent - spent[home], seed)
    picked = {
        "today": home,
        "careful": int(
            _less_doubt(surface, coded, departures, price, spent - spent[home]).argmax()
        ),
        "most yield": int(told["yield"].to_numpy().argmax()),
    }
    if price is not None:
        picked["most money"] = int((price * told["yield"] - spent).to_numpy().argmax())
    if used is not None:
        may = loses_no_more | (np.arange(len(coded)) == home)
        picked["least use"] = int(np.where(may, used, np.inf).argmin())
    out = []
    worth_or_yield = "yield" if price is None else "worth"
    for choice, at in picked.items():
        sure = {
            "today": True,
            "careful": told[f"{worth_or_yield}_change_low"].iloc[at] > 0,
            "most yield": told["yield_change_low"].iloc[at] > 0,
            "most money": told["worth_change_low"].iloc[at] > 0,
            "least use": bool(loses_no_more[at]),
        }[choice]
        row: dict[str, object] = {"choice": choice}
        row |= dict(zip([s.name for s in surface.settings], values[at], strict=True))
        row |= {str(k): v for k, v in told.iloc[at].items()}
        row |= {"regret": float(regret[at]), "sure": bool(sure)}
        if used is not None:
            change = 100 * (used[at] / used[home] - 1) if used[home] > 0 else np.nan
            row |= {"use": float(used[at]), "use_change_pct": float(change)}
        out.append(row)
    edge = _frontier(surface, values, told, used, loses_no_more)
    return Choices(pd.DataFrame(out), edge, margin_pct)


def choosable(surface: Surface, points: Floats | None = None) -> Floats:
    """Give the coded settings to choose among, today's with them, shape (points, settings)."""
    coded = coded_grid(surface.settings) if points is None else np.atleast_2d(points)
    return np.unique(np.vstack([coded, surface.usual]).round(12), axis=0)


def _less_doubt(
    surface: Surface,
    coded: Floats,
    departures: Departures | None,
    price: float | None,
    dearer: Floats,
) -> Floats:
    """Give the gain over today's settings less some of its standard error, in yield or money."""
    known = allow_departures(surface, coded) if departures is None else departures
    if known is None:
        gains = terms(coded) - terms(surface.usual)
        spread = np.einsum("ij,jk,ik->i", gains, surface.covariance, gains)
        gain, error = gains @ surface.estimate, np.sqrt(np.maximum(spread, 0))
    else:
        gain, error = known.gains, known.errors
    home = np.abs(coded - surface.usual).sum(axis=1).argmin()
    gain, error = gain.copy(), error.copy()
    gain[home] = error[home] = 0.0  # to the last digit
    less = gain - CAREFUL * error
    return np.asarray(less if price is None else price * less - dearer)


def _draws(surface: Surface, df: float, seed: int) -> Floats:
    """Draw coefficients from their joint t law, shape (DRAWS, terms)."""
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal((DRAWS, len(surface.estimate))) @ root(surface.covariance).T
    stretch = np.sqrt(df / rng.chisquare(df, DRAWS)) if np.isfinite(df) else np.ones(DRAWS)
    return np.asarray(surface.estimate + stretch[:, None] * noise)


def _tell(
    surface: Surface,
    rows: Floats,
    usual: Floats,
    price: float | None,
    dearer: Floats,
    seed: int,
) -> pd.DataFrame:
    """Tell yield, and its change and that of the worth against today, with joint limits."""
    change = (rows - usual) @ surface.estimate
    half = half_widths(surface, rows - usual, seed=seed)
    table = pd.DataFrame({"yield": rows @ surface.estimate})
    for name, times, less in (("yield", 1.0, 0.0), ("worth", price, dearer)):
        for end, by in (("", 0), ("_low", -1), ("_high", 1)):
            value = np.nan if times is None else times * (change + by * half) - less
            table[f"{name}_change{end}"] = value
    return table


def _frontier(
    surface: Surface,
    values: Floats,
    told: pd.DataFrame,
    used: Floats | None,
    loses_no_more: NDArray[np.bool_],
) -> pd.DataFrame:
    """Give the most yield estimated at each use and below."""
    names = [s.name for s in surface.settings]
    columns = [*names, "use", "yield", "yield_low", "yield_high", "loses_no_more"]
    if used is None:
        return pd.DataFrame(columns=columns)
    home = told["yield"] - told["yield_change"]
    table = pd.DataFrame(values, columns=names).assign(
        use=used,
        **{"yield": told["yield"].to_numpy()},
        yield_low=(home + told["yield_change_low"]).to_numpy(),
        yield_high=(home + told["yield_change_high"]).to_numpy(),
        loses_no_more=loses_no_more,
    )
    table = table.sort_values(["use", "yield"], ascending=[True, False], kind="stable")
    table = table.drop_duplicates("use")
    best_so_far = table["yield"].cummax()
    keep = (table["yield"] >= best_so_far) & ~table["yield"].duplicated()
    return table[keep].reset_index(drop=True)[columns]
