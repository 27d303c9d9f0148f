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
from scipy import special

from trialkit.arrays import Floats
from trialkit.errors import Finding
from trialkit.model.checks.effect_equations import Grouped
from trialkit.model.checks.influence import Solved
from trialkit.model.fitted import Fitted
from trialkit.wording import (
    Chance,
    Joined,
    Message,
    Number,
    Units,
    finding,
    message,
    place,
    several,
)

if TYPE_CHECKING:
    from trialkit.model.checks.scale import PowerHint


FEW_LEVELS = 8  # fewer effects than this say nothing about a distribution (convention)
DOUBT = 0.01  # p-value below which a check speaks up, since several are made (convention)
MOVES = 1.0  # change in standard errors that is called large (Belsley, Kuh, Welsch 1980)
SHOWN = 5  # rows or levels named in one message


@dataclass(frozen=True)
class Checked:
    """One line of the table of checks, with its findings.

    Parameters
    ----------
    check : Message
        What was looked at.
    sound : bool or None
        Whether nothing was found; None where it could not be judged.
    detail : Message
        The numbers, in words.
    findings : tuple of Finding
    """

    check: Message
    sound: bool | None
    detail: Message
    findings: tuple[Finding, ...] = ()


def level_name(term: str, label: object) -> object:
    """Name a level of a random term in words, such as chamber T4 in batch B2."""
    factors, levels = term.split(":"), str(label).split(":")
    if len(factors) != len(levels):
        return message("check_words.level", term=term, level=str(label))
    return place(dict(zip(factors, levels, strict=True)))


def check_search(fit: Fitted) -> Checked:
    """Look at how the search for the variances ended."""
    if fit.is_large:  # its search keeps its record apart
        own = tuple(f for f in fit.findings if f.code == "not_settled")
        detail = message("check_detail.steps", count=len(fit.record))
        return Checked(message("check.search"), not own, detail, own)
    settled = bool(fit.optimum.settled[0])
    steps, left = int(fit.optimum.steps[0]), float(fit.optimum.decrement[0])
    least = 1e-4  # log-likelihood units that nobody would see
    gain = Number(left / 2, 4) if left / 2 >= least else message("check_words.below", value=least)
    detail = message("check_detail.search", count=steps, left=gain)
    own = tuple(f for f in fit.findings if f.code == "not_settled")
    return Checked(message("check.search"), settled, detail, own)


def check_edge(fit: Fitted, solved: Solved | None = None) -> Checked:
    """Look for variances at or below zero, and how near the covariance is to its edge."""
    codes = ("edge_of_space", "component_below_zero", "component_at_zero")
    own = tuple(f for f in fit.findings if f.code in codes)
    count = len(fit.groupings)
    residual = float(np.max(fit.variances.iloc[count:]))
    ratios = [
        message(
            "check_words.share", term=Units(tuple(str(name).split(":")), 1), share=value / residual
        )
        for name, value in fit.variances.iloc[:count].items()
    ]
    if not ratios:
        return Checked(message("check.variances"), None, message("check_detail.no_random"))
    room = room_left(fit) if solved is None else room_of(solved)
    detail = message("check_detail.variances", shares=Joined(tuple(ratios), ", "))
    findings = list(own)
    if room < 0.02 and "edge_of_space" not in {f.code for f in own}:
        taken = 100 * (1 - max(room, 0.0))
        findings.append(finding("covariance_at_edge", "caution", taken=taken))
    return Checked(message("check.variances"), not findings, detail, tuple(findings))


def room_left(fit: Fitted) -> float:
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


def check_leverage(fit: Fitted, solved: Solved) -> Checked:
    """Look for rows that alone decide a coefficient."""
    leverage = solved.leverage
    alone = np.flatnonzero(leverage > 1 - 1e-6)
    check = message("check.leverage")
    if np.isnan(leverage).all():
        return Checked(check, None, message("check_detail.at_edge"))
    top, mean = float(np.nanmax(leverage)), float(np.nanmean(leverage))
    detail = message("check_detail.leverage", top=top, mean=mean)
    if not len(alone):
        return Checked(check, True, detail)
    named = several([row_name(fit, i) for i in alone.tolist()], SHOWN)
    found = finding("row_decides", "caution", count=len(alone), rows=named)
    return Checked(check, False, detail, (found,))


def row_name(fit: Fitted, position: int) -> Message:
    """Name a row by its index label and its levels."""
    columns = dict.fromkeys(c for g in fit.groupings for c in g.term.columns)
    row, label = fit.table.iloc[position], str(fit.table.index[position])
    if not columns:
        return message("check_words.row", row=label)
    where = Joined(tuple(place({c: row[c]}) for c in columns), ", ")
    return message("check_words.row_at", row=label, where=where)


def check_outliers(fit: Fitted, solved: Solved) -> Checked:
    """Look for rows far from what the model expects (Bonferroni, Cook and Weisberg 1982)."""
    t, df = outlier_t(solved.standardised, fit.n - fit.p)
    p = np.minimum(1.0, 2 * special.stdtr(df, -np.abs(t)) * np.isfinite(t).sum())
    worst = np.flatnonzero(p < 0.05)
    top = float(np.nanmax(np.abs(t)))
    check = message("check.outliers")
    detail = message("check_detail.outliers", far=top, p=Chance(float(np.nanmin(p))))
    if not len(worst):
        return Checked(check, True, detail)
    worst = worst[np.argsort(p[worst])]
    named = [
        message("check_words.row_far", row=row_name(fit, i), far=float(t[i]))
        for i in worst.tolist()
    ]
    found = finding("outlying_rows", "caution", count=len(worst), rows=several(named, SHOWN))
    return Checked(check, False, detail, (found,))


def outlier_t(standardised: Floats, df: int) -> tuple[Floats, int]:
    """Turn standardised residuals into t statistics that leave the row itself out.

    ``t = r sqrt((df - 1) / (df - r^2))``: exact in a model without random terms.
    """
    inside = np.minimum(standardised**2, df - 1e-9)
    return np.asarray(standardised * np.sqrt((df - 1) / (df - inside))), df - 1


def check_spread(fit: Fitted, solved: Solved, column: str) -> Checked:
    """Compare the spread of row residuals between the levels of one column."""
    residual = pd.Series(solved.standardised).dropna()
    group = fit.table[column].reset_index(drop=True)[residual.index]
    name = message("check.spread", column=Units((column,), 1))
    spreads = residual.groupby(group.to_numpy()).agg(["std", "size"])
    spreads = spreads[spreads["size"] >= 4]
    if len(spreads) < 2:
        return Checked(name, None, message("check_detail.few_rows"))
    kept = residual[group.isin(spreads.index)]
    p = brown_forsythe(kept, group[kept.index])
    sizes = spreads["std"].to_numpy(dtype=float)
    low, high = spreads.index[int(sizes.argmin())], spreads.index[int(sizes.argmax())]
    ratio = float(sizes.max() / max(float(sizes.min()), 1e-300))
    values = {
        "high": place({column: high}),
        "low": place({column: low}),
        "ratio": ratio,
        "p": Chance(p),
    }
    detail = message("check_detail.spread", **values)
    if p >= DOUBT or ratio < 1.5 or fit.spec.residual_by == column:
        return Checked(name, True, detail)
    form = "log" if _grows_with_mean(fit, column) else "by_level"
    found = finding(
        "unequal_spread", "caution", form=form, column=column, response=fit.spec.response, **values
    )
    return Checked(name, False, detail, (found,))


def _grows_with_mean(fit: Fitted, column: str) -> bool:
    """Say whether spread grows with the mean, so that the log scale may even it out."""
    group = fit.table[column].to_numpy()
    left = pd.Series(fit.residuals).groupby(group).std()
    mean = pd.Series(fit.y).groupby(group).mean()
    if not ((fit.y > 0).all() and (left > 0).all() and mean.max() > 1.5 * mean.min()):
        return False
    slope = float(np.polyfit(np.log(mean), np.log(left), 1)[0])
    return 0.5 < slope < 1.5


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


def check_shape(name: object, values: Floats, *, form: str) -> Checked:
    """Ask whether standardised values look like draws of a normal law (Shapiro-Wilk)."""
    from scipy import stats

    known = values[np.isfinite(values)]
    label = message("check.shape", name=name)
    if len(known) < FEW_LEVELS:
        return Checked(label, None, message("check_detail.few_values", number=len(known)))
    drawn = known[:: max(1, math.ceil(len(known) / 5000))]
    p, skew = float(stats.shapiro(drawn).pvalue), float(stats.skew(known))
    tails = float(stats.kurtosis(known))
    detail = message("check_detail.shape", p=Chance(p), skew=skew, tails=tails)
    if p >= DOUBT or (abs(skew) < 0.5 and abs(tails) < 1.0):
        return Checked(label, True, detail)
    shape = message("check_words.lean" if abs(skew) >= 0.5 else "check_words.tails")
    found = finding("not_normal", "note", form=form, name=name, shape=shape, p=Chance(p))
    return Checked(label, False, detail, (found,))


def check_effects(term: Grouped, standardised: Floats, df: int) -> Checked:
    """Look for a batch, chamber or other level far from the rest (Bonferroni).

    `df` is how many effects of the term are free once the fixed part is fitted.
    """
    known = np.isfinite(standardised)
    count = int(known.sum())
    name = message("check.effects", units=Units(tuple(term.name.split(":"))))
    if df < 3:
        return Checked(name, None, message("check_detail.few_levels", number=count))
    t, df = outlier_t(standardised, df)
    p = np.minimum(1.0, 2 * special.stdtr(df, -np.abs(t)) * count)
    worst = int(np.nanargmax(np.abs(standardised)))
    far = float(standardised[worst])
    level = level_name(term.name, term.labels[worst])
    detail = message("check_detail.effects", level=level, far=far)
    if not p[worst] < DOUBT:
        return Checked(name, True, detail)
    form = "above" if far > 0 else "below"
    found = finding("outlying_level", "caution", form=form, level=level, far=abs(far))
    return Checked(name, False, detail, (found,))


def check_influence(term: str, table: pd.DataFrame) -> Checked:
    """Look for levels that the answer leans on."""
    name = message("check.influence", unit=Units(tuple(term.split(":")), 1))
    findings: list[Finding] = []
    lost = table[~table["estimable"].astype(bool)]
    if len(lost):
        named = several([level_name(term, label) for label in lost["level"]], SHOWN)
        findings.append(finding("level_needed", "caution", count=len(lost), levels=named))
    known = table.dropna(subset=["cooks_d"])
    if not len(known):
        detail = message("check_detail.not_computed")
        return Checked(name, False if findings else None, detail, tuple(findings))
    top = known.iloc[int(known["change_se"].abs().to_numpy(dtype=float).argmax())]
    detail = message(
        "check_detail.influence",
        level=level_name(term, top["level"]),
        comparison=str(top["comparison"]),
        change=abs(float(top["change_se"])),
    )
    strong = known[known["change_se"].abs() > MOVES]
    strong = strong.sort_values("change_se", key=lambda v: -v.abs())
    if len(strong):
        leaning = [
            message(
                "check_words.leaning",
                level=level_name(term, level),
                comparison=str(comparison),
                change=change,
                se=abs(change_se),
            )
            for level, comparison, change, change_se in zip(
                strong["level"],
                strong["comparison"],
                strong["change"].astype(float),
                strong["change_se"].astype(float),
                strict=True,
            )
        ]
        findings.append(finding("influential_level", "note", levels=several(leaning, SHOWN)))
    return Checked(name, not findings, detail, tuple(findings))


def check_power(fit: Fitted, hint: PowerHint | None, *, held: bool = False) -> Checked:
    """Say whether a power of the response would suit the model better."""
    name = message("check.scale")
    if hint is None:
        return Checked(name, None, message("check_detail.scale.not_positive"))
    values = {"power": hint.power, "low": hint.low, "high": hint.high}
    detail = message("check_detail.scale.held" if held else "check_detail.scale.free", **values)
    if hint.suggestion == 1.0:
        return Checked(name, True, detail)
    form = "ratio" if hint.suggestion == 0.0 else "other"
    found = finding(
        "other_scale", "note", form=form, scale=hint.said, response=fit.spec.response, **values
    )
    return Checked(name, False, detail, (found,))
