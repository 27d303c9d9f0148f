"""The single checks of a fitted model, each with its finding in plain words.

Every check returns a `Checked`: one line for the table, and findings if there is something
to say. None of them changes the fit. Thresholds that are a convention and not a theorem are
marked as such.

References
----------
.. [1] Brown MB, Forsythe AB (1974). Robust tests for the equality of variances. J Am Stat
   Assoc 69:364-367. doi:10.1080/01621459.1974.10482955
.. [2] Cook RD, Weisberg S (1982). Residuals and Influence in Regression. Chapman and Hall.
.. [3] Royston P (1995). Remark AS R94: a remark on algorithm AS 181, the W-test for normality.
   J R Stat Soc C 44:547-551. doi:10.2307/2986146
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from trialkit.errors import Finding
from trialkit.model.effect_equations import Grouped
from trialkit.model.influence import Solved

if TYPE_CHECKING:
    from trialkit.model.fit import Fit
    from trialkit.model.power_hint import PowerHint

Floats = NDArray[np.float64]

FEW_LEVELS = 8  # fewer effects than this say nothing about a distribution (convention)
DOUBT = 0.01  # p-value below which a check speaks up, since several are made (convention)
MOVES = 1.0  # change in standard errors that is called large (Belsley, Kuh, Welsch 1980)
SHOWN = 5  # rows or levels named in one message


@dataclass(frozen=True)
class Checked:
    """One line of the table of checks, with its findings.

    Parameters
    ----------
    check : str
        What was looked at.
    sound : bool or None
        Whether nothing was found; None where it could not be judged.
    detail : str
        The numbers, in words.
    findings : tuple of Finding
    """

    check: str
    sound: bool | None
    detail: str
    findings: tuple[Finding, ...] = ()


def _listed(names: list[str]) -> str:
    more = f" and {len(names) - SHOWN} more" if len(names) > SHOWN else ""
    return ", ".join(names[:SHOWN]) + more


def check_search(fit: Fit) -> Checked:
    """Look at how the search for the variances ended."""
    from trialkit.model.largefit import LargeFit

    if isinstance(fit, LargeFit):  # its search keeps its record apart
        own = tuple(f for f in fit.findings if f.code == "not_settled")
        return Checked("search for the variances", not own, f"{len(fit.record)} steps", own)
    settled = bool(fit.optimum.settled[0])
    steps, left = int(fit.optimum.steps[0]), float(fit.optimum.decrement[0])
    detail = f"{steps} steps; {left / 2:.1g} log-likelihood units left to gain"
    own = tuple(f for f in fit.findings if f.code == "not_settled")
    return Checked("search for the variances", settled, detail, own)


def check_edge(fit: Fit, solved: Solved | None = None) -> Checked:
    """Look for variances at or below zero, and how near the covariance is to its edge."""
    codes = ("edge_of_space", "component_below_zero", "component_at_zero")
    own = tuple(f for f in fit.findings if f.code in codes)
    count = len(fit.groupings)
    residual = float(np.max(fit.variances.iloc[count:]))
    ratios = [
        f"{name} {value / residual:.2g}" for name, value in fit.variances.iloc[:count].items()
    ]
    if not ratios:
        return Checked("variances beside the residual", None, "no random terms")
    room = room_left(fit) if solved is None else room_of(solved)
    detail = f"share of the residual variance: {', '.join(ratios)}"
    findings = list(own)
    if room < 0.02 and "edge_of_space" not in {f.code for f in own}:
        findings.append(
            Finding(
                "covariance_at_edge",
                "caution",
                "the variances below zero lie at the edge of what is possible: they take away "
                f"{100 * (1 - max(room, 0.0)):.4g} % of the variance of some mean, so that the "
                "fit leans on a few units or trusts that mean too much",
                "rely on the default tests, which then compare plain unit means, and on the "
                "randomisation test",
            )
        )
    return Checked("variances beside the residual", not findings, detail, tuple(findings))


def room_left(fit: Fit) -> float:
    """Give the least share of variance that components below zero leave to any mean.

    1 where none is below zero; near 0 at the edge of positive definite covariances.
    """
    from scipy import linalg

    if not (fit.phi[: fit.reduced.n_random] < 0).any():
        return 1.0
    plain = fit.phi.copy()
    plain[: fit.reduced.n_random] = np.maximum(plain[: fit.reduced.n_random], 0.0)
    V, over = (
        np.tensordot(fit.reduced.coef @ phi, fit.reduced.G, axes=1) for phi in (fit.phi, plain)
    )
    return float(linalg.eigh(V, over, eigvals_only=True, subset_by_index=(0, 0))[0])


def room_of(solved: Solved) -> float:
    """Give the same as `room_left` by the algebra of many effects, shape of V never formed.

    ``V = V_plus + Z_neg diag(phi_neg) Z_neg'``: one less the largest eigenvalue of
    ``|phi| Z_neg' V_plus^-1 Z_neg``, by Lanczos steps where there are many such effects.
    """
    from scipy import sparse
    from scipy.sparse.linalg import LinearOperator, eigsh

    below = [t for t in solved.terms if t.variance < 0 and t.counts(solved.residual)]
    if not below:
        return 1.0
    plus = replace(solved, terms=tuple(t for t in solved.terms if t.variance >= 0))
    columns = [t.columns() * math.sqrt(-t.variance) for t in below]
    Z = sparse.csr_array(sparse.hstack(columns))

    def times(vector: Floats) -> Floats:
        return np.asarray(Z.T @ plus.times_inverse((Z @ vector.ravel())[:, None])[:, 0])

    q = Z.shape[1]
    if q <= 30:
        whole = np.column_stack([times(unit) for unit in np.eye(q)])
        return 1.0 - float(np.linalg.eigvalsh((whole + whole.T) / 2)[-1])
    shape = LinearOperator((q, q), matvec=times, dtype=float)
    start = np.ones(q)  # the result must not depend on chance
    top = eigsh(shape, k=1, which="LA", return_eigenvectors=False, v0=start, tol=1e-8)
    return 1.0 - float(top[0])


def check_leverage(fit: Fit, solved: Solved) -> Checked:
    """Look for rows that alone decide a coefficient."""
    leverage = solved.leverage
    alone = np.flatnonzero(leverage > 1 - 1e-6)
    if np.isnan(leverage).all():
        return Checked("leverage of single rows", None, "the covariance is at its edge")
    detail = f"largest {np.nanmax(leverage):.2f} of 1, mean {np.nanmean(leverage):.2f}"
    if not len(alone):
        return Checked("leverage of single rows", True, detail)
    finding = Finding(
        "row_decides",
        "caution",
        f"{len(alone)} row{'s' * (len(alone) > 1)} alone decide{'s' * (len(alone) == 1)} a "
        f"coefficient, so nothing can check {'them' if len(alone) > 1 else 'it'}: "
        f"{_listed([row_name(fit, i) for i in alone.tolist()])}",
        "check these weights against the harvest sheet; a simpler fixed part leans on them less",
    )
    return Checked("leverage of single rows", False, detail, (finding,))


def row_name(fit: Fit, position: int) -> str:
    """Name a row by its index label and its levels."""
    columns = dict.fromkeys(c for g in fit.groupings for c in g.term.columns)
    row = fit.table.iloc[position]
    where = ", ".join(f"{c} {row[c]}" for c in columns)
    return f"row {fit.table.index[position]}" + (f" ({where})" if where else "")


def check_outliers(fit: Fit, solved: Solved) -> Checked:
    """Look for rows far from what the model expects (Bonferroni, Cook and Weisberg 1982)."""
    t, df = outlier_t(solved.standardised, fit.n - fit.p)
    p = np.minimum(1.0, 2 * special.stdtr(df, -np.abs(t)) * np.isfinite(t).sum())
    worst = np.flatnonzero(p < 0.05)
    top = float(np.nanmax(np.abs(t)))
    detail = f"farthest row {top:.1f} standard errors, p {np.nanmin(p):.2g} for all rows together"
    if not len(worst):
        return Checked("outlying rows", True, detail)
    worst = worst[np.argsort(p[worst])]
    named = [f"{row_name(fit, i)} {t[i]:+.1f}" for i in worst.tolist()]
    finding = Finding(
        "outlying_rows",
        "caution",
        f"{len(worst)} row{'s lie' if len(worst) > 1 else ' lies'} farther from the model than "
        f"chance allows (distance in standard errors): {_listed(named)}",
        "look them up in the notes: a slip of the scale or of the sheet is corrected there, a "
        "true harvest stays in; run the analysis with and without and report both",
    )
    return Checked("outlying rows", False, detail, (finding,))


def outlier_t(standardised: Floats, df: int) -> tuple[Floats, int]:
    """Turn standardised residuals into t statistics that leave the row itself out.

    ``t = r sqrt((df - 1) / (df - r^2))``: exact in a model without random terms.
    """
    inside = np.minimum(standardised**2, df - 1e-9)
    return np.asarray(standardised * np.sqrt((df - 1) / (df - inside))), df - 1


def check_spread(fit: Fit, solved: Solved, column: str) -> Checked:
    """Compare the spread of row residuals between the levels of one column."""
    residual = pd.Series(solved.standardised).dropna()
    group = fit.table[column].reset_index(drop=True)[residual.index]
    name = f"equal spread between levels of {column}"
    spreads = residual.groupby(group.to_numpy()).agg(["std", "size"])
    spreads = spreads[spreads["size"] >= 4]
    if len(spreads) < 2:
        return Checked(name, None, "too few rows per level to judge")
    kept = residual[group.isin(spreads.index)]
    p = brown_forsythe(kept, group[kept.index])
    sizes = spreads["std"].to_numpy(dtype=float)
    low, high = spreads.index[int(sizes.argmin())], spreads.index[int(sizes.argmax())]
    ratio = float(sizes.max() / max(float(sizes.min()), 1e-300))
    detail = f"{column} {high} spreads {ratio:.2g} times as much as {low}; p {p:.2g}"
    if p >= DOUBT or ratio < 1.5 or fit.spec.residual_by == column:
        return Checked(name, True, detail)
    finding = Finding(
        "unequal_spread",
        "caution",
        f"rows of {column} {high} spread {ratio:.2g} times as much about the model as those of "
        f"{low} (p {p:.2g}): means are sound, but one common error is too small for some "
        "comparisons and too large for others",
        _spread_remedy(fit, column),
    )
    return Checked(name, False, detail, (finding,))


def _spread_remedy(fit: Fit, column: str) -> str:
    """Advise the log scale where spread grows with the mean, else a variance per level."""
    group = fit.table[column].to_numpy()
    left = pd.Series(fit.residuals).groupby(group).std()
    mean = pd.Series(fit.y).groupby(group).mean()
    if (mean > 0).all() and (left > 0).all() and len(mean) > 1:
        slope = float(np.polyfit(np.log(mean), np.log(left), 1)[0])
        if 0.5 < slope < 1.5 and (fit.y > 0).all() and mean.max() > 1.5 * mean.min():
            return (
                f"the spread grows with the mean: fit the logarithm of {fit.spec.response} as a "
                f'check (ratios then take scale="log"), rather than a variance per {column}'
            )
    return f'fit with residual_by="{column}" as a check'


def brown_forsythe(values: pd.Series, groups: pd.Series) -> float:
    """Give the p-value of equal spread, by distances from group medians.

    Examples
    --------
    >>> v = pd.Series([1.0, 2.0, 3.0, 4.0, 10.0, 20.0, 30.0, 40.0])
    >>> round(brown_forsythe(v, pd.Series(list("aaaabbbb"))), 4)
    0.0211
    """
    from scipy import stats

    parts = [part.to_numpy() for _, part in values.groupby(groups.to_numpy())]
    return float(stats.levene(*parts, center="median").pvalue)


def check_shape(name: str, values: Floats, remedy: str) -> Checked:
    """Ask whether standardised values look like draws of a normal law (Shapiro-Wilk)."""
    from scipy import stats

    known = values[np.isfinite(values)]
    label = f"normality of {name}"
    if len(known) < FEW_LEVELS:
        return Checked(label, None, f"{len(known)} values are too few to judge")
    drawn = known[:: max(1, math.ceil(len(known) / 5000))]
    p, skew = float(stats.shapiro(drawn).pvalue), float(stats.skew(known))
    tails = float(stats.kurtosis(known))
    detail = f"p {p:.2g}; lean {skew:+.2f}, tails {tails:+.2f} (both 0 for a normal law)"
    if p >= DOUBT or (abs(skew) < 0.5 and abs(tails) < 1.0):
        return Checked(label, True, detail)
    shape = "lean to one side" if abs(skew) >= 0.5 else "have heavy tails"
    finding = Finding(
        "not_normal",
        "note",
        f"the {name} {shape} (p {p:.2g}): with few units the tests feel it, with many they "
        "hardly do",
        remedy,
    )
    return Checked(label, False, detail, (finding,))


def check_effects(term: Grouped, standardised: Floats, df: int) -> Checked:
    """Look for a batch, chamber or other level far from the rest (Bonferroni).

    `df` is how many effects of the term are free once the fixed part is fitted.
    """
    known = np.isfinite(standardised)
    count = int(known.sum())
    name = f"outlying levels of {term.name}"
    if df < 3:
        return Checked(name, None, f"{count} levels are too few to judge")
    t, df = outlier_t(standardised, df)
    p = np.minimum(1.0, 2 * special.stdtr(df, -np.abs(t)) * count)
    worst = int(np.nanargmax(np.abs(standardised)))
    far = float(standardised[worst])
    detail = f"farthest is {term.labels[worst]}, {far:+.1f} standard errors"
    if not p[worst] < DOUBT:
        return Checked(name, True, detail)
    finding = Finding(
        "outlying_level",
        "caution",
        f"{term.name} {term.labels[worst]} lies {abs(far):.1f} standard errors "
        f"{'above' if far > 0 else 'below'} what the other levels would make it",
        "look for a cause in its notes and logs (fan, sensor, substrate lot) and see below what "
        "changes without it",
    )
    return Checked(name, False, detail, (finding,))


def check_influence(term: str, table: pd.DataFrame) -> Checked:
    """Look for levels that the answer leans on."""
    name = f"influence of each {term}"
    findings: list[Finding] = []
    lost = table[~table["estimable"].astype(bool)]
    if len(lost):
        named = _listed([str(label) for label in lost["level"]])
        findings.append(
            Finding(
                "level_needed",
                "caution",
                f"without {term} {named} some comparison cannot be made at all: it rests on "
                f"{'that level' if len(lost) == 1 else 'each of these levels'} alone",
                "repeat the treatment elsewhere before acting on that comparison",
            )
        )
    known = table.dropna(subset=["cooks_d"])
    if not len(known):
        return Checked(name, False if findings else None, "not computed", tuple(findings))
    top = known.iloc[int(known["change_se"].abs().to_numpy(dtype=float).argmax())]
    detail = (
        f"largest: without {top['level']}, {top['comparison']} changes by "
        f"{abs(top['change_se']):.1f} standard errors"
    )
    strong = known[known["change_se"].abs() > MOVES]
    strong = strong.sort_values("change_se", key=lambda v: -v.abs())
    if len(strong):
        leaning = [
            f"{level} ({comparison} {change:+.4g}, {abs(change_se):.1f} se)"
            for level, comparison, change, change_se in zip(
                strong["level"],
                strong["comparison"],
                strong["change"].astype(float),
                strong["change_se"].astype(float),
                strict=True,
            )
        ]
        findings.append(
            Finding(
                "influential_level",
                "note",
                f"the answer leans on {term} {_listed(leaning)}; the number is what it adds to "
                "that comparison",
                "see whether the conclusion holds without it",
            )
        )
    return Checked(name, not findings, detail, tuple(findings))


def check_power(fit: Fit, hint: PowerHint | None, *, held: bool = False) -> Checked:
    """Say whether a power of the response would suit the model better."""
    name = "scale of the response"
    if hint is None:
        return Checked(name, None, "not judged: the response has values of zero or below")
    detail = f"best power {hint.power:.2f} (limits {hint.low:.2f} to {hint.high:.2f})"
    detail += ", ratios of the variances held" if held else ""
    if hint.suggestion == 1.0:
        return Checked(name, True, detail)
    ratio = hint.suggestion == 0.0
    finding = Finding(
        "other_scale",
        "note",
        f"{hint.words} of {fit.spec.response} suits the model better: power {hint.power:.2f}, "
        f"limits {hint.low:.2f} to {hint.high:.2f}",
        "fit it as a check; "
        + (
            'ratios then compare geometric means (scale="log")'
            if ratio
            else "answers are then on that scale and must be turned back to be read"
        ),
    )
    return Checked(name, False, detail, (finding,))
