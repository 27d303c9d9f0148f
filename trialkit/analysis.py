"""From the aligned table to the fitted model: terms derived from the trial, never asked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from typing import TYPE_CHECKING, Any

from trialkit.columns import COLUMNS, head
from trialkit.display import show_table
from trialkit.errors import Finding, ModelError
from trialkit.structure import skeleton
from trialkit.words import units_in_words

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.alignment.aligned import Aligned
    from trialkit.model.fit import Fit
    from trialkit.trial import Trial

#: Responses that are sums over flushes, so that a block's total is its flushes added up.
ADDITIVE = ("fresh_g", "dry_g", "caps", "be_pct")


@dataclass(frozen=True)
class Terms:
    """The model that the trial's layout calls for.

    Parameters
    ----------
    response : str
        Column analysed.
    fixed : str
        Fixed formula: treatments, flush and the interactions that have an error to be
        tested against.
    random : tuple of str
        Random terms: every stratum coarser than one row.
    left_out : tuple of str
        Interactions that no stratum can test.
    """

    response: str
    fixed: str
    random: tuple[str, ...]
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True)
class Analysis:
    """A fitted trial. Make it with `analyse`.

    Parameters
    ----------
    trial : Trial
    data : Aligned
        What the model was fitted to, with the exposures beside it.
    terms : Terms
        The model, as derived from the trial.
    fit : Fit
    tests : DataFrame
        One row per fixed term: `num_df, den_df, F, p, method`.
    means, differences : dict of str to DataFrame
        Per treatment: marginal means, and differences from the control (Dunnett) or between
        all pairs (Tukey).
    ratios : DataFrame
        The primary treatment against its control: `level, reference, ratio, low, high, p,
        margin_ratio, df, method, verdict, note`; limits hold jointly for all levels.
    joint_level : float
        Confidence of each single ratio interval that makes them hold jointly.
    flush_means : DataFrame or None
        Means of the primary treatment in each flush.
    n_used, n_missing : int
        Rows in the model and rows without a response.
    findings : tuple of Finding
    """

    trial: Trial
    data: Aligned
    terms: Terms
    fit: Fit
    tests: pd.DataFrame
    means: dict[str, pd.DataFrame]
    differences: dict[str, pd.DataFrame]
    ratios: pd.DataFrame
    joint_level: float
    flush_means: pd.DataFrame | None
    n_used: int
    n_missing: int
    findings: tuple[Finding, ...] = field(default=())

    @property
    def table(self) -> pd.DataFrame:
        """The primary treatment's means."""
        return self.means[self.trial.question.primary]

    def _shown(self) -> list[Any]:
        question = self.trial.question
        unit = f"{head(self.terms.response)}, mean of one block{self._per_flush}"
        shown = [
            show_table(
                self.means[question.primary],
                columns=["level", "estimate", "low", "high", "df"],
                heads={"level": question.primary, "estimate": "mean", "df": "df"},
                caption=f"{unit}, with {100 * question.level:g} % limits",
            )
        ]
        for name, frame in self.differences.items():
            shown.append(
                show_table(
                    frame,
                    columns=["first", "second", "estimate", "low", "high", "p", "method"],
                    heads={"first": name, "second": "against", "estimate": "difference"},
                    caption=f"Differences between levels of {name}, limits hold jointly",
                )
            )
        return shown

    @property
    def _per_flush(self) -> str:
        additive = self.terms.response in ADDITIVE and self.trial.flushes > 1
        return " in one flush" if additive else ""

    def __str__(self) -> str:
        parts = [table.text() for table in self._shown()]
        return "\n\n".join([self.trial.title, *parts, *map(str, self.findings)])

    def _repr_html_(self) -> str:
        return "".join(table.html() for table in self._shown())


def derive_terms(
    trial: Trial, *, response: str | None = None, data: Aligned | pd.DataFrame | None = None
) -> Terms:
    """Derive the fixed and random terms of a trial's model from its layout.

    Parameters
    ----------
    trial : Trial
    response : str, optional
        Column to analyse; that of the question by default.
    data : Aligned or DataFrame, optional
        What came in; where it holds a single flush so far, there is none to compare.

    Returns
    -------
    Terms
        Fixed: every treatment, their two-way interactions where a stratum can test them,
        and flush with its interactions with each treatment. Random: every stratum coarser
        than one row, so that each treatment is judged against the units it was given to;
        and those units crossed with flush, for what a treatment does by flush.

    Examples
    --------
    >>> import trialkit as tk
    >>> terms = derive_terms(tk.read_trial(tk.demo_folder()))
    >>> terms.fixed
    'schedule + light + schedule:light + flush + schedule:flush + light:flush'
    """
    wanted = response or trial.question.response
    repeated = trial.flushes > 1 and wanted != "days" and _flushes_of(data, wanted) > 1
    treatments = {f.name: (f.applied_to, len(f.levels)) for f in trial.factors.values()}
    lines = skeleton(trial.structure, trial.counts, treatments)
    stands_for = trial.structure.merged(trial.counts)
    spare = trial.structure.degrees_of_freedom(trial.counts)
    for name in trial.factors:
        spare[stands_for[trial.factors[name].applied_to]] -= treatments[name][1] - 1
    fixed, left_out = list(trial.factors), []
    for pair in map(":".join, combinations(trial.factors, 2)):
        line = next(s for s in lines if s.name == pair)
        if spare[line.stratum] > line.df:
            spare[line.stratum] -= line.df
            fixed.append(pair)
        else:
            left_out.append(pair)
    if repeated:
        fixed += ["flush", *(f"{name}:flush" for name in trial.factors)]
    strata = trial.structure.strata(trial.counts)
    random = [":".join(term) for term in (strata if repeated else strata[:-1])]
    if repeated:
        random += _flush_strata(trial)
    return Terms(wanted, " + ".join(fixed), tuple(random), tuple(left_out))


def _flush_strata(trial: Trial) -> list[str]:
    """Cross flush with the units that each treatment was given to.

    A chamber run has good and bad flushes of its own, which all its blocks share. Without
    these terms the question whether a schedule acts differently by flush would be judged
    against single blocks, which did not receive a schedule each. The smallest units need no
    such term: their flushes are the rows. What batches and flushes share is left in these
    terms: it makes that test cautious, and further terms would cost the main test its level
    (docs/statistics.md).
    """
    stands_for = trial.structure.merged(trial.counts)
    given = {stands_for.get(f.applied_to, f.applied_to) for f in trial.factors.values()}
    strata = trial.structure.strata(trial.counts)
    return [":".join((*term, "flush")) for term in strata[:-1] if term in given]


def _flushes_of(data: Any, response: str) -> float:
    """Count the flushes that hold a response; before there are data, all that are planned do."""
    table: pd.DataFrame | None = getattr(data, "table", data)
    if table is None or response not in table or "flush" not in table:
        return float("inf")
    return int(table.loc[table[response].notna(), "flush"].nunique())


def analysis_table(trial: Trial, data: Aligned, response: str) -> pd.DataFrame:
    """Choose the rows a response is analysed on: one per block and flush, or one per block."""
    table: pd.DataFrame = data.table.copy()
    if response == "days":
        first = table[table["days"].notna()].sort_values("flush")
        table = table[table["flush"] == 1].drop(columns="days")
        table = table.merge(first.groupby("unit", sort=False)["days"].first(), "left", "unit")
    for name in (*trial.structure.factors, *trial.factors):
        table[name] = table[name].astype(str)
    table["flush"] = table["flush"].astype(int).astype(str)
    return table


def analyse(
    trial: Trial, data: Aligned, *, response: str | None = None, residual_by: str | None = None
) -> Analysis:
    """Fit the trial as it was randomised and compare its treatments.

    The fixed and random terms come from the trial's layout (`derive_terms`), so that a
    schedule given to chamber runs is judged against chamber runs, never against blocks.

    Parameters
    ----------
    trial : Trial
    data : Aligned
        Made by `align`: one row per block and flush.
    response : str, optional
        Column to analyse; that of the question by default.
    residual_by : str, optional
        Column whose levels get a residual variance each, such as ``"flush"``.

    Returns
    -------
    Analysis

    Raises
    ------
    ModelError
        If no row holds the response, or the model cannot be fitted.

    Examples
    --------
    >>> import trialkit as tk
    >>> trial = tk.read_trial(tk.demo_folder())
    >>> data = tk.align(trial, tk.read_harvest(trial), tk.read_environment(trial),
    ...                 tk.read_mist(trial))
    >>> tk.analyse(trial, data).table["level"].tolist()
    ['usual', 'sparse', 'banded']
    """
    from trialkit.flush_error import with_flush_test

    terms, table, fit = fit_response(trial, data, response=response, residual_by=residual_by)
    primary = trial.primary
    differences = {
        f.name: fit.differences(
            f.name, against=f.control, adjust="dunnett" if f.control else "tukey"
        )
        for f in trial.factors.values()
    }
    joint = _joint_level(differences[primary.name], trial.question.level)
    ratios = fit.noninferior(
        primary.name,
        against=primary.reference,
        margin_pct=trial.question.margin_pct,
        level=joint,
    )
    by_flush = None
    if "flush" in terms.fixed.split(" + "):
        by_flush = fit.means(primary.name, by="flush")
    tests, told = with_flush_test(fit.tests(), fit)
    return Analysis(
        trial=trial,
        data=data,
        terms=terms,
        fit=fit,
        tests=tests,
        means={name: fit.means(name) for name in trial.factors},
        differences=differences,
        ratios=ratios,
        joint_level=joint,
        flush_means=by_flush,
        n_used=fit.n,
        n_missing=len(table) - fit.n,
        findings=(*_findings(trial, data, terms, table, fit), *told),
    )


def fit_response(
    trial: Trial, data: Aligned, *, response: str | None = None, residual_by: str | None = None
) -> tuple[Terms, pd.DataFrame, Fit]:
    """Fit one response by the trial's own terms, without comparing anything yet.

    Returns
    -------
    terms : Terms
    table : DataFrame
        All rows that could carry the response, those without it too.
    fit : Fit

    Raises
    ------
    ModelError
        If no row holds the response, or the model cannot be fitted.
    """
    from trialkit.batches_to_come import fit_for_batches

    terms = derive_terms(trial, response=response, data=data)
    table = analysis_table(trial, data, terms.response)
    if terms.response not in table or table[terms.response].notna().sum() == 0:
        raise ModelError(
            f"no row has a value of {terms.response!r}: fill in the harvest sheet, "
            "or ask for another response"
        )
    made = fit_for_batches(
        trial,
        _level_order(trial, table[table[terms.response].notna()]),
        random=terms.random,
        options={
            "response": terms.response,
            "fixed": terms.fixed,
            "residual_by": residual_by,
            "level": trial.question.level,
        },
    )
    return replace(terms, random=made.spec.random), table, made


def _level_order(trial: Trial, table: pd.DataFrame) -> pd.DataFrame:
    """Put the control first, so that every treatment is coded against it."""
    import pandas as pd

    out = table.copy()
    for factor in trial.factors.values():
        order = [factor.reference, *(x for x in factor.levels if x != factor.reference)]
        seen = [x for x in order if (out[factor.name] == x).any()]
        if factor.reference not in seen:
            raise ModelError(
                f"no weighed block had {factor.name} = {factor.reference!r}, the level the "
                "others are compared with"
            )
        out[factor.name] = pd.Categorical(out[factor.name], categories=seen)
    return out


def _joint_level(differences: pd.DataFrame, level: float) -> float:
    """Find the single-interval confidence at which all comparisons hold jointly.

    The joint limits of the differences say how many standard errors are needed; a t
    interval that wide has this confidence.
    """
    from scipy import special

    rows = differences.dropna(subset=["se", "high", "df"])
    if len(rows) <= 1:
        return level
    reach = ((rows["high"] - rows["estimate"]) / rows["se"]).to_numpy()
    single = 2 * special.stdtr(rows["df"].to_numpy(), reach) - 1
    return float(max(level, single.max()))


def _findings(
    trial: Trial, data: Aligned, terms: Terms, table: pd.DataFrame, fit: Fit
) -> Sequence[Finding]:
    from trialkit.batches_to_come import batch_findings
    from trialkit.model.spread_check import spread_findings

    found = [*data.findings, *fit.findings]
    label = COLUMNS[terms.response].label if terms.response in COLUMNS else terms.response
    missing = table[table[terms.response].isna()]
    if len(missing):
        units = missing["unit"].nunique()
        found.append(
            Finding(
                "missing_response",
                "note",
                f"{len(missing)} of {len(table)} rows ({units} blocks) have no {label} and are "
                "left out of the model; contaminated and discarded blocks are counted apart",
                "see the ledger and the table of outcomes",
            )
        )
    if trial.flushes > 1 and _flushes_of(data, terms.response) == 1:
        weighed = table.loc[table[terms.response].notna(), "flush"].iloc[0]
        found.append(
            Finding(
                "one_flush",
                "caution",
                f"only flush {weighed} of {trial.flushes} has {label} so far: the answer is about "
                "that flush alone",
                "analyse again when the other flushes are weighed",
            )
        )
    for name in terms.left_out:
        found.append(
            Finding(
                "interaction_untestable",
                "note",
                f"whether the effect of {name.replace(':', ' depends on ')} cannot be tested "
                "with this number of units; the two are taken to add up",
            )
        )
    found += batch_findings(trial, table[table[terms.response].notna()], fit)
    found += spread_findings(fit, trial.primary.name)
    factor = trial.primary
    given = table[list(factor.applied_to)].drop_duplicates()
    if len(given) < 6:
        found.append(
            Finding(
                "few_units",
                "caution",
                f"{factor.name} was given to only {len(given)} {units_in_words(factor.applied_to)}"
                ": a lucky chamber can look like a good schedule",
                "repeat the trial in more batches",
            )
        )
    return found
