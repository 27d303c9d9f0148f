"""The same comparison on the logarithm, where spread grows with the mean."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from trialkit.columns.response import response_of
from trialkit.decision.depends import ALPHA, ANSWERS, interaction_term
from trialkit.errors import Finding, ModelError
from trialkit.wording import Chance, Joined, Message, Named, finding, message

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.analysis.result import Analysis
    from trialkit.model.fit import Fit
    from trialkit.trial import Trial

#: Spread of the upper third of fitted values over that of the lower, from which it is spoken of.
GROWS = 1.5
_DOUBT = 0.01
_FEWEST = 12
COLUMNS = ["level", "reference", "ratio", "low", "high", "p", "df", "method", "answer"]


def spread_grows(fit: Fit) -> bool:
    """Say whether residuals spread more where the fitted value is larger.

    Parameters
    ----------
    fit : Fit

    Returns
    -------
    bool
        Whether the size of residuals rises with the fitted value (Spearman's rank
        correlation, one-sided at 1 %) and the upper third of fitted values spreads at least
        `GROWS` times as much as the lower third.
    """
    import numpy as np
    from scipy import stats

    residuals = np.asarray(fit.residuals, dtype=float)
    fitted = np.asarray(fit.y, dtype=float) - residuals
    if len(fitted) < _FEWEST or np.ptp(fitted) <= 1e-9 * np.abs(fitted).max():
        return False
    order = np.argsort(fitted, kind="stable")
    third = len(order) // 3
    low, high = (
        float(np.sqrt(np.mean(residuals[at] ** 2))) for at in (order[:third], order[-third:])
    )
    if not high >= GROWS * low:
        return False
    rises = stats.spearmanr(fitted, np.abs(residuals), alternative="greater")
    return bool(rises.pvalue < _DOUBT)


@dataclass(frozen=True)
class OnLogarithm:
    """The comparison on the logarithm. Made by `on_the_logarithm`.

    Parameters
    ----------
    table : DataFrame or None
        `level, reference, ratio, low, high, p, df, method, answer`: ratios of geometric
        means with joint limits. None where it is not given.
    sentences : dict of str to Message
        What it adds to the sentence of each level; empty where it is not given.
    findings : tuple of Finding
        What it shows beside the analysis as asked, or why it is not given.
    """

    table: pd.DataFrame | None = None
    sentences: dict[str, Message] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()


def on_the_logarithm(
    trial: Trial, result: Analysis, *, depends_on: str = "", depending: Collection[str] = ()
) -> OnLogarithm:
    """Compare the levels on the logarithm of the response, where spread grows with the mean.

    Parameters
    ----------
    trial : Trial
    result : Analysis
    depends_on : str
        What the effect was found to depend on.
    depending : collection of str
        Levels about which nothing is said over all of it.

    Returns
    -------
    OnLogarithm
        Without a table where spread does not grow with the mean, where the analysis is on the
        logarithm already, or where some value has none.

    Notes
    -----
    The terms are those of the analysis. With flushes, a geometric mean gives each flush the
    same say in per cent, where the mean in grams gives the first flush the most.
    """
    import numpy as np

    from trialkit.analysis.analyse import joint_limits_level

    fit, primary, question = result.fit, trial.primary, trial.question
    if result.scale != "plain" or not spread_grows(fit):
        return OnLogarithm()
    if not (fit.y > 0).all():
        zeros = int((fit.y <= 0).sum())
        told = finding("logarithm_not_given", "note", form="zeros", zeros=zeros, values=fit.n)
        return OnLogarithm(findings=(told,))
    try:
        logged = fit.refit(response=np.log(fit.y))
        apart = logged.differences(
            primary.name, against=primary.control, adjust="dunnett" if primary.control else "tukey"
        )
        table = logged.noninferior(
            primary.name,
            against=primary.reference,
            margin_pct=question.margin_pct,
            scale="log",
            level=joint_limits_level(apart, question.level),
            better=response_of(result.terms.response, trial.harvest_columns).better,
        )
    except ModelError as problem:
        told = finding("logarithm_not_given", "note", form="failed", problem=str(problem))
        return OnLogarithm(findings=(told,))
    table["answer"] = [ANSWERS.get(v, "not enough evidence") for v in table["verdict"]]
    plain = [ANSWERS.get(v, "not enough evidence") for v in result.ratios["verdict"]]
    answers = list(zip(table["level"].astype(str), plain, table["answer"], strict=True))
    if depends_on:
        return _with_dependence(result, table, logged, depends_on, depending)
    parts = [
        message("logarithm.part.answer", level=level, there=_named(there), here=_named(here))
        for level, here, there in answers
        if here != there
    ]
    sentences = {
        level: message("logarithm.same")
        if here == there
        else message("logarithm.other", answer=_named(there))
        for level, here, there in answers
    }
    return OnLogarithm(table[COLUMNS], sentences, (_told(parts),))


def _named(answer: str) -> Named:
    return Named(f"row_answer.{answer}")


def _with_dependence(
    result: Analysis,
    table: pd.DataFrame,
    logged: Fit,
    depends_on: str,
    depending: Collection[str],
) -> OnLogarithm:
    """Say whether the effect depends on the same thing on the logarithm."""
    term = interaction_term(logged, result.trial.primary.name, depends_on)
    p = float(logged.joint(logged.design.hypothesis(term))["p"]) if term else math.nan
    if not p >= ALPHA:  # no claim over all of it here either
        answers = zip(table["level"].astype(str), table["answer"], strict=True)
        table["answer"] = ["depends" if level in depending else own for level, own in answers]
    if not term:  # batches are random in this model
        return OnLogarithm(table[COLUMNS])
    words = {"factor": depends_on, "p": Chance(p)}
    form = "found" if p < ALPHA else "not_found"
    parts = [] if p < ALPHA else [message("logarithm.part.not_found", **words)]
    said = message(f"logarithm.depends.{form}", **words)
    levels = table["level"].astype(str)
    return OnLogarithm(table[COLUMNS], dict.fromkeys(levels, said), (_told(parts),))


def _told(parts: list[Message]) -> Finding:
    """Say whether the logarithm tells the same."""
    if not parts:
        return finding("logarithm", "note", form="same")
    return finding("logarithm", "caution", form="other", parts=Joined(tuple(parts), "; "))
