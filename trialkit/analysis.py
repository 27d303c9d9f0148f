"""From the aligned table to the fitted model: terms derived from the trial, never asked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from typing import TYPE_CHECKING, Any, Literal

from trialkit.columns import find_column, head, house_unit
from trialkit.display import show_table
from trialkit.errors import Finding, ModelError
from trialkit.logscale import geometric, geometric_differences, logged
from trialkit.method_names import method_words
from trialkit.responses import response_of
from trialkit.structure import skeleton
from trialkit.wording import Named, Units, finding, spoken

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.alignment.aligned import Aligned
    from trialkit.model.fit import Fit
    from trialkit.trial import Trial

Scale = Literal["plain", "logarithm"]


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
        p_alone, margin_ratio, df, method, adjust, verdict, note`; limits and `p` (one-sided,
        of a loss of the margin or more) hold jointly for all levels.
    joint_level : float
        Confidence of each single ratio interval that makes them hold jointly.
    flush_means : DataFrame or None
        Means of the primary treatment in each flush; how flushes differ from batch to batch is
        in their limits where there are two batches or more.
    n_used, n_missing : int
        Rows in the model and rows without a response.
    findings : tuple of Finding
    scale : {"plain", "logarithm"}
        Whether `fit` and `tests` are of the response or of its natural logarithm. On the
        logarithm `means` are geometric means, and `differences` and `ratios` those between
        them, in the response's unit.
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
    scale: Scale = "plain"

    @property
    def table(self) -> pd.DataFrame:
        """The primary treatment's means."""
        return self.means[self.trial.question.primary]

    @property
    def flushes_summed(self) -> int:
        """Flushes that make up a block's total; 1 where a row is the whole block.

        Means and differences of `fit` are those of one flush on average, every flush weighing
        the same, so that a block's total is this many times as much. A geometric mean over
        flushes adds up to no total.
        """
        total = (
            response_of(self.terms.response, self.trial.harvest_columns).additive
            and self.scale == "plain"
        )
        if not total or "flush" not in self.terms.fixed.split(" + "):
            return 1
        return len(self.fit.design.levels["flush"])

    def per_block(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Give means or differences of a block over all its flushes, as a grower counts them.

        Parameters
        ----------
        frame : DataFrame
            Means or differences of this analysis: `estimate, se, low, high`.

        Returns
        -------
        DataFrame
            A copy with these columns times the number of flushes.
        """
        columns = [c for c in ("estimate", "se", "low", "high") if c in frame]
        return frame.assign(**{c: frame[c] * self.flushes_summed for c in columns})

    def cell_means(self, by: str) -> pd.DataFrame:
        """Give means of the primary treatment at each level of another, in the response's unit.

        Parameters
        ----------
        by : str
            Another treatment, or ``"flush"``.

        Returns
        -------
        DataFrame
            As `Fit.means`; geometric means where the analysis is on the logarithm.
        """
        if by == "flush" and self.flush_means is not None:
            return self.flush_means.copy()
        means = self.fit.means(self.trial.question.primary, by=by)
        return geometric(means) if self.scale == "logarithm" else means

    @property
    def quantity(self) -> str:
        """What a mean is, in words with its unit."""
        say = spoken()
        repeated = "flush" in self.terms.fixed.split(" + ")
        key = "quantity.flush" if repeated else "quantity.whole"
        if self.flushes_summed > 1:
            key = "quantity.total"
        column = find_column(self.terms.response, self.trial.columns)
        label = Named(f"glossary_label.{self.terms.response}", column.label if column else "")
        smallest = Units((self.trial.structure.smallest[-1],), 1)
        words = say.text(key, label=label, smallest=smallest, n=self.flushes_summed)
        if self.scale == "logarithm":
            words = say.text("quantity.geometric", quantity=words)
        unit = house_unit(self.terms.response, self.trial.columns)
        return f"{words} [{unit}]" if unit else words

    def _shown(self) -> list[Any]:
        say, question = spoken(), self.trial.question
        unit, level = self.quantity, say.percent(100 * question.level)
        means = self.per_block(self.means[question.primary])
        columns = ["level", "estimate", "low", "high", "df"]
        substrate = self.trial.blocks.dry_substrate_g
        if substrate and self.terms.response == "fresh_g" and self.scale == "plain":
            means["be_pct"] = 100 * means["estimate"] / substrate
            columns.insert(4, "be_pct")
        heads = {name: say.either(f"column.{name}", head(name)) for name in columns}
        shown = [
            show_table(
                means,
                columns=columns,
                heads=heads | {"level": question.primary},
                caption=say.text("analysis_table.means", quantity=unit, level=level),
            )
        ]
        for name, frame in self.differences.items():
            joint = "joint" if len(frame) > 1 else "alone"
            columns = ["first", "second", "estimate", "low", "high", "p", "method"]
            heads = {column: say.text(f"column.{column}") for column in columns}
            heads |= {
                "first": name,
                "estimate": say.text("column.difference"),
                "p": say.text(f"analysis_table.p_difference.{joint}"),
            }
            shown.append(
                show_table(
                    self.per_block(frame),
                    columns=columns,
                    heads=heads,
                    formats={"method": lambda value: method_words(str(value), say)},
                    caption=say.text(
                        f"analysis_table.differences.{joint}",
                        factor=name, quantity=unit, level=level,
                    ),
                )
            )  # fmt: skip
        return shown

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
    from trialkit.flush_error import fit_for_flush, with_flush_test

    asked = response in (None, trial.question.response)
    scale: Scale = trial.question.scale if asked else "plain"
    terms, table, fit = fit_response(
        trial, data, response=response, residual_by=residual_by, scale=scale
    )
    primary = trial.primary
    differences = {
        f.name: fit.differences(
            f.name, against=f.control, adjust="dunnett" if f.control else "tukey"
        )
        for f in trial.factors.values()
    }
    joint = joint_limits_level(differences[primary.name], trial.question.level)
    ratios = fit.noninferior(
        primary.name,
        against=primary.reference,
        margin_pct=trial.question.margin_pct,
        level=trial.question.level,
        adjust="dunnett" if primary.control else "tukey",
        scale="log" if scale == "logarithm" else "raw",
        better=response_of(terms.response, trial.harvest_columns).better,
    )
    repeated = "flush" in terms.fixed.split(" + ")
    with_batches = fit_for_flush(fit) if repeated else fit
    by_flush = None
    if repeated and with_batches is not None:
        by_flush = with_batches.means(primary.name, by="flush")
    means = {name: fit.means(name) for name in trial.factors}
    if scale == "logarithm":
        differences = {k: geometric_differences(v, means[k]) for k, v in differences.items()}
        means = {name: geometric(frame) for name, frame in means.items()}
        by_flush = None if by_flush is None else geometric(by_flush)
    tests, told = with_flush_test(fit.tests(), fit, with_batches)
    return Analysis(
        trial=trial,
        data=data,
        terms=terms,
        fit=fit,
        tests=tests,
        means=means,
        differences=differences,
        ratios=ratios,
        joint_level=joint,
        flush_means=by_flush,
        n_used=fit.n,
        n_missing=len(table) - fit.n,
        findings=(*_findings(trial, data, terms, table, fit), *told),
        scale=scale,
    )


def fit_response(
    trial: Trial,
    data: Aligned,
    *,
    response: str | None = None,
    residual_by: str | None = None,
    scale: Scale = "plain",
) -> tuple[Terms, pd.DataFrame, Fit]:
    """Fit one response, or its logarithm, by the trial's own terms; nothing is compared yet.

    Returns
    -------
    terms : Terms
    table : DataFrame
        All rows that could carry the response, those without it too.
    fit : Fit

    Raises
    ------
    ModelError
        If no row holds the response, the model cannot be fitted, or a value has no logarithm.
    """
    from trialkit.batches_to_come import fit_for_batches

    terms = derive_terms(trial, response=response, data=data)
    table = analysis_table(trial, data, terms.response)
    if terms.response not in table or table[terms.response].notna().sum() == 0:
        remedy = "fill in the harvest sheet, or ask for another response"
        if terms.response == "be_pct" and not trial.blocks.dry_substrate_g:
            remedy = (
                "it needs the dry weight of the substrate; add dry_substrate_g under [blocks] in "
                "the trial file"
            )
        raise ModelError(f"no row has a value of {terms.response!r}: {remedy}")
    rows = table[table[terms.response].notna()]
    if scale == "logarithm":
        rows = logged(rows, terms.response)
    made = fit_for_batches(
        trial,
        _level_order(trial, rows),
        random=_told_apart(terms.random, rows),
        options={
            "response": terms.response,
            "fixed": terms.fixed,
            "residual_by": residual_by,
            "level": trial.question.level,
        },
    )
    return replace(terms, random=made.spec.random), table, made


def _told_apart(random: Sequence[str], rows: pd.DataFrame) -> tuple[str, ...]:
    """Give the random terms that the rows can tell: a batch alone in them is no term.

    A trial looked at after its first batch has one batch so far; its chamber runs are then
    its chambers.
    """
    out = []
    for term in random:
        several = [name for name in term.split(":") if rows[name].nunique() > 1]
        if several:
            out.append(":".join(several))
    return tuple(dict.fromkeys(out))


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


def joint_limits_level(differences: pd.DataFrame, level: float) -> float:
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
    from trialkit.model.checks.spread import spread_findings

    found = [*data.findings, *fit.findings]
    column = find_column(terms.response, trial.columns)
    label = Named(f"glossary_label.{terms.response}", "" if column is None else column.label)
    missing = table[table[terms.response].isna()]
    if len(missing):
        units = missing["unit"].nunique()
        found.append(
            finding(
                "missing_response", "note",
                missing=len(missing), rows=len(table), label=label,
                number=units, blocks=Units((trial.structure.smallest[-1],), units),
            )
        )  # fmt: skip
    if trial.flushes > 1 and _flushes_of(data, terms.response) == 1:
        weighed = table.loc[table[terms.response].notna(), "flush"].iloc[0]
        found.append(
            finding("one_flush", "caution", flush=str(weighed), flushes=trial.flushes, label=label)
        )
    for name in terms.left_out:
        first, _, second = name.partition(":")
        found.append(finding("interaction_untestable", "note", first=first, second=second))
    found += batch_findings(trial, table[table[terms.response].notna()], fit)
    found += spread_findings(fit, trial.primary.name)
    factor = trial.primary
    given = table[list(factor.applied_to)].drop_duplicates()
    if len(given) < 6:
        units_given = Units(tuple(factor.applied_to), len(given))
        found.append(
            finding(
                "few_units", "caution", treatment=factor.name, number=len(given),
                units=units_given,
            )
        )  # fmt: skip
    return found
