"""Whether the answer depends on another treatment, or on the batch; then the answer by level.

The rule, fixed before the data:

1. *Partners* are the other treatments whose interaction with the primary one the layout can
   test, and the batch where at least `FEWEST_DF` degrees of freedom are left to test it.
2. The effect *depends* on a partner when neither a constant difference nor a constant ratio
   fits: both are rejected at 5 % divided by the number of partners. (A level that gives 5 %
   less everywhere differs in grams where the partner changes the yield; one that gives 20 g
   less everywhere differs in per cent. Neither changes what a grower would do.)
3. It also depends on a treatment when the joint limits contradict each other: a level is
   shown not to lose more than the margin at one of its levels, and shown to lose more at another.
4. Then the answer is given at each level of that partner, with limits that hold for all
   levels of both treatments at once. An answer over all of them is given only where every one
   of them carries it. Of each level it is said whether it depends by itself
   (`trialkit.decision.depending_levels`).

Point 2 alone errs in at most 5 % of trials in which the effects add up, or multiply, over all
partners together. Point 3 needs limits of which one is wrong.

References
----------
.. [1] Royen T (2014). A simple proof of the Gaussian correlation conjecture extended to
   some multivariate gamma distributions. Far East J Theor Stat 48:139-145 (cited from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from trialkit.decision.depending_levels import (
    depending_levels,
    interaction_rows,
    sound_chance,
)
from trialkit.errors import Finding, ModelError
from trialkit.wording import Chance, Units, finding

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.analysis.result import Analysis
    from trialkit.columns.response import Better
    from trialkit.model.answers.means import Cells
    from trialkit.model.fit import Fit
    from trialkit.trial import Trial

#: Error df below which an interaction with the batch is not tested.
FEWEST_DF = 3
_ROUNDING = 1e-6  # df are worked out from variances: three may come as 2.999999999999998
#: Chance, over all partners, of saying "depends" where effects add up.
ALPHA = 0.05
BY_COLUMNS = [
    "factor",
    "at",
    "level",
    "reference",
    "ratio",
    "low",
    "high",
    "p",
    "margin_ratio",
    "df",
    "answer",
    "note",
]
ANSWERS = {
    "better": "better",
    "no worse": "no worse",
    "no worse, though lower": "no worse",
    "no worse, though higher": "no worse",
    "worse": "worse",
}


@dataclass(frozen=True)
class Dependence:
    """Whether the effect of the primary treatment depends on something. Made by `dependence`.

    Parameters
    ----------
    on : str
        Other treatment, or ``"batch"``, that it depends on; empty where it was not found.
    tests : DataFrame
        One row per partner: `factor, p_difference` (of a constant difference), `p_ratio` (of a
        constant ratio, asked only where the first is below the threshold), `threshold, found`.
    by : DataFrame
        Where it depends, one row per level of the partner and of the primary treatment:
        `factor, at, level, reference, ratio, low, high, p, margin_ratio, df, answer, note`;
        limits and `p` allow for all rows. Else empty.
    findings : tuple of Finding
    levels : tuple of str
        Levels of the primary treatment that show it by themselves
        (`trialkit.decision.depending_levels`).
    """

    on: str
    tests: pd.DataFrame
    by: pd.DataFrame
    findings: tuple[Finding, ...]
    levels: tuple[str, ...] = ()


def dependence(trial: Trial, result: Analysis, *, better: Better = "more") -> Dependence:
    """Look whether the answer depends on another treatment or on the batch.

    Parameters
    ----------
    trial : Trial
    result : Analysis
    better : {"more", "less"}
        Whether more or less of the response is better.

    Returns
    -------
    Dependence

    Notes
    -----
    The rule is at the head of this module; its calibration is in docs/statistics.md.

    Examples
    --------
    >>> import trialkit as tk
    >>> trial = tk.read_trial(tk.demo_folder())
    >>> data = tk.align(trial, tk.read_harvest(trial), tk.read_environment(trial),
    ...                 tk.read_mist(trial))
    >>> found = dependence(trial, tk.analyse(trial, data))
    >>> list(found.tests["factor"])
    ['light', 'batch']
    """
    import pandas as pd

    partners = _partners(trial, result)
    threshold = ALPHA / max(1, len(partners))
    rows = []
    for name, (fit, p_difference) in partners.items():
        p_ratio = p_difference if result.scale == "logarithm" else float("nan")
        if p_difference < threshold and result.scale == "plain":
            p_ratio = _ratio_test(trial, fit, name, p_difference)
        found = bool(p_difference < threshold and p_ratio < threshold)
        rows.append(
            {
                "factor": name,
                "p_difference": p_difference,
                "p_ratio": p_ratio,
                "threshold": threshold,
                "found": found,
            }
        )
    columns = ["factor", "p_difference", "p_ratio", "threshold", "found"]
    tests = pd.DataFrame(rows, columns=columns)
    hits = tests[tests["found"].astype(bool)].sort_values("p_difference", kind="stable")
    candidates = [str(x) for x in hits["factor"]]
    nothing = pd.DataFrame(columns=BY_COLUMNS)
    if candidates:
        by = _by_level(trial, result, partners[candidates[0]][0], candidates[0], better)
        told = _finding(trial, candidates, hits.iloc[0])
        levels = _levels(trial, result, partners[candidates[0]][0], by, threshold)
        return Dependence(candidates[0], tests, by, (told,), levels)
    for name, (fit, _) in partners.items():
        if name == "batch" or not _may_contradict(trial, result, fit, name, better):
            continue
        by = _by_level(trial, result, fit, name, better)
        if _contradict(by):
            told = _finding(trial, [name], tests.set_index("factor").loc[name])
            return Dependence(name, tests, by, (told,), _levels(trial, result, fit, by, threshold))
    return Dependence("", tests, nothing, ())


def _levels(
    trial: Trial, result: Analysis, fit: Fit, by: pd.DataFrame, threshold: float
) -> tuple[str, ...]:
    """Name the levels that the finding rests on."""
    groups = _cells(fit, trial.primary.name, str(by["factor"].iloc[0]))
    place = _place(groups[0], trial.primary.reference)
    logarithm = result.scale == "logarithm"
    return depending_levels(fit, groups, place, by, threshold, logarithm=logarithm)


def _finding(trial: Trial, names: list[str], row: Any) -> Finding:
    on = [Units(("batch",), 1) if name == "batch" else name for name in names]
    return finding(
        "depends",
        "caution",
        treatment=trial.primary.name,
        on=on,
        p_difference=Chance(float(row["p_difference"])),
        p_ratio=Chance(float(row["p_ratio"])),
    )


def _partners(trial: Trial, result: Analysis) -> dict[str, tuple[Fit, float]]:
    """Give what the effect may depend on, with the fit that can tell and its p."""
    primary, fit = trial.primary.name, result.fit
    out = {}
    for name in trial.factors:
        term = interaction_term(fit, primary, name) if name != primary else ""
        if term:
            out[name] = fit, sound_chance(result.tests.loc[term].to_dict())
    by_batch = _fit_with_batches(trial, result)
    if by_batch is not None:
        out["batch"] = by_batch
    return out


def _fit_with_batches(trial: Trial, result: Analysis) -> tuple[Fit, float] | None:
    """Fit batches and what the primary treatment does in each as fixed; None if it cannot be."""
    primary, spec = trial.primary, result.fit.spec
    table = result.fit.table
    if "batch" not in trial.levels or "batch" not in table or spec.residual_by is not None:
        return None
    if "batch" in primary.applied_to and len(primary.applied_to) == 1:
        return None  # one level a batch: nothing to compare within it
    seen = table.groupby([table["batch"].astype(str), primary.name], observed=True).size()
    batches, levels = table["batch"].nunique(), table[primary.name].nunique()
    if batches < 2 or len(seen) < batches * levels:
        return None
    from trialkit.model.fit import fit

    pair = {"batch", primary.name}
    random = [t for t in spec.random if t != "batch" and set(t.split(":")) != pair]
    try:
        made = fit(
            table,
            response=spec.response,
            fixed=f"{spec.fixed} + batch + {primary.name}:batch",
            random=random,
            level=spec.level,
        )
        row = made.joint(made.design.hypothesis(f"{primary.name}:batch"))
    except (ModelError, ArithmeticError, KeyError):
        return None
    enough = row["den_df"] >= FEWEST_DF - _ROUNDING
    return (made, sound_chance(row)) if enough and row["F"] >= 0 else None


def interaction_term(fit: Fit, first: str, second: str) -> str:
    """Name the interaction of two factors as the fit has it; empty where it has none."""
    names = set(fit.design.term_names)
    return next((n for n in (f"{first}:{second}", f"{second}:{first}") if n in names), "")


def _ratio_test(trial: Trial, fit: Fit, name: str, p_difference: float) -> float:
    """Test that the ratios to the reference are the same at every level of a partner."""
    groups = _cells(fit, trial.primary.name, name)
    place = _place(groups[0], trial.primary.reference)
    others = [i for i in range(len(groups[0].labels)) if i != place]
    parts = [interaction_rows(fit, groups, place, i, ratio=True) for i in others]
    rows = np.vstack(parts)
    return sound_chance(fit.joint(rows)) if len(rows) else p_difference


def _cells(fit: Fit, primary: str, name: str) -> list[Cells]:
    from trialkit.model.answers.means import mean_cells

    return list(mean_cells(fit, primary, by=name))


def _place(cells: Cells, reference: str) -> int:
    return [str(x) for x in cells.labels].index(str(reference))


def _margin(trial: Trial, better: Better) -> float:
    share = trial.question.margin_pct / 100
    return 1 - share if better == "more" else 1 + share


def _may_contradict(trial: Trial, result: Analysis, fit: Fit, name: str, better: Better) -> bool:
    """See from the estimates alone whether limits could contradict; it saves working them out."""
    margin = _margin(trial, better)
    groups = _cells(fit, trial.primary.name, name)
    place = _place(groups[0], trial.primary.reference)
    means = np.stack([cells.rows @ fit.beta for cells in groups])
    if result.scale == "logarithm":
        means = np.exp(means)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratios = np.delete(means / means[:, [place]], place, axis=1)
    return bool(((ratios > margin).any(axis=0) & (ratios < margin).any(axis=0)).any())


def _contradict(by: pd.DataFrame) -> bool:
    for _, rows in by.groupby("level", sort=False, observed=True):
        answers = set(rows["answer"])
        if "worse" in answers and answers & {"better", "no worse"}:
            return True
    return False


def _by_level(trial: Trial, result: Analysis, fit: Fit, name: str, better: Better) -> pd.DataFrame:
    """Judge each level of the primary treatment at each level of the partner."""
    import pandas as pd

    from trialkit.model.answers.ratios import compare_cells

    groups = _cells(fit, trial.primary.name, name)
    place = _place(groups[0], trial.primary.reference)
    frames = []
    for cells in groups:
        family = _family(fit, cells, place)
        frame = compare_cells(
            fit,
            cells,
            place,
            margin_pct=trial.question.margin_pct,
            level=family.single_level(trial.question.level ** (1 / len(groups))),
            scale="log" if result.scale == "logarithm" else "raw",
            better=better,
        )
        chances = [
            family.chance(p, df, len(groups)) for p, df in frame[["p", "df"]].to_numpy(float)
        ]
        frames.append(frame.assign(factor=name, at=str(cells.by[0][1]), p=chances))
    table = pd.concat(frames, ignore_index=True)
    table["level"], table["reference"] = table["level"].astype(str), table["reference"].astype(str)
    table["answer"] = [ANSWERS.get(v, "not enough evidence") for v in table["verdict"]]
    return table[BY_COLUMNS]


@dataclass(frozen=True)
class _Family:
    """Comparisons with the reference at one level of a partner: their correlation and df.

    Families at different levels of the partner are put together by a product: limits that hold
    jointly with confidence ``level ** (1 / families)`` in each hold in all of them with at least
    `level`, whatever the correlation between families (Royen 2014, and the common error
    estimate only helps).
    """

    correlation: np.ndarray
    df: float

    def single_level(self, level: float) -> float:
        """Give the confidence of one interval at which those of the family hold jointly."""
        from scipy import special

        from trialkit.model.inference.simultaneous import largest_point

        if not self.df > 0:
            return level
        point = largest_point(level, self.correlation, self.df)
        return float(max(level, 2 * special.stdtr(self.df, point) - 1))

    def chance(self, p: float, df: float, families: int) -> float:
        """Let a one-sided chance allow for all comparisons of all families."""
        from scipy import special

        from trialkit.model.inference.simultaneous import largest_tail

        if not (0 < p < 0.5 and df > 0):
            return float(p)
        t = -float(special.stdtrit(df, p))
        alone = largest_tail(t, self.correlation, df)[0]
        return float(max(p, -np.expm1(families * np.log1p(-alone)) / 2))


def _family(fit: Fit, cells: Cells, place: int) -> _Family:
    from trialkit.model.answers.means import contrast_rows

    L = np.delete(cells.rows, place, axis=0) - cells.rows[place]
    table, cov = contrast_rows(fit, L, df="default", level=0.95)
    good = np.isfinite(np.diag(cov)) & (np.diag(cov) > 0)
    if not good.any():
        return _Family(np.eye(1), float("nan"))
    part = cov[np.ix_(good, good)]
    sd = np.sqrt(np.diag(part))
    return _Family(part / np.outer(sd, sd), float(table["df"].min()))
