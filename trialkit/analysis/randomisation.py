"""The randomisation test: the trial among the trials it could have been.

The plan was drawn by chance, and that chance alone can judge it. If a treatment did nothing,
every unit would have given the same under any other plan, so the trial's statistic is
compared with the statistic of many plans drawn anew by the same procedure, on the same
harvest. No normal law, no equal spread and no degrees of freedom are assumed.

The test is exact for whatever statistic is used; the one here is the generalised
least-squares F of the treatment with the variances of the model without it held
(`trialkit.analysis.assignment_score`).

References
----------
.. [1] Fisher RA (1935). The Design of Experiments. Oliver and Boyd, section 21.
.. [2] Phipson B, Smyth GK (2010). Permutation p-values should never be zero. Stat Appl Genet
   Mol Biol 9:39. doi:10.2202/1544-6115.1585
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trialkit.analysis.assignment_score import hold_variances
from trialkit.analysis.covariates import with_covariates
from trialkit.analysis.logscale import logged
from trialkit.analysis.plan_draws import draw_plans
from trialkit.analysis.table import analysis_table
from trialkit.analysis.terms import derive_terms
from trialkit.arrays import Codes, Floats
from trialkit.display import Shown, format_p, show_table
from trialkit.errors import Finding, ModelError
from trialkit.right_kind import check_kinds
from trialkit.short_repr import short_repr
from trialkit.tabular import Tabular
from trialkit.trial.over_time import with_starts
from trialkit.wording import Chance, finding, spoken
from trialkit.wording.method_names import method_words

if TYPE_CHECKING:
    from trialkit.alignment.result import Aligned
    from trialkit.design.plan import Plan
    from trialkit.model.fit import Fit
    from trialkit.trial import Factor, Trial


_TIE = 1e-9  # relative difference below which two statistics are the same


@dataclass(frozen=True)
class RandomisationTest(Tabular):
    """A treatment tested by redrawing its plan. Make it with `randomisation_test`.

    Parameters
    ----------
    factor : str
        Treatment tested.
    observed : float
        Its value for the real plan.
    draws : ndarray, shape (draws,)
        Its values for the plans drawn anew.
    p : float
        ``(1 + number of draws at least as large) / (draws + 1)``.
    p_error : float
        Standard error of `p` from having drawn only so many plans.
    smallest_p : float
        The smallest p that this layout allows, as far as the draws show.
    p_model, method_model : float, str
        The model's test of the same treatment.
    level : float
        Confidence level of the trial.
    seed : int
    findings : tuple of Finding
    """

    factor: str
    observed: float
    draws: Floats = field(repr=False)
    p: float
    p_error: float
    smallest_p: float
    p_model: float
    method_model: str
    level: float
    seed: int
    findings: tuple[Finding, ...] = ()

    _entries = (
        "factor", "observed", "p", "p_error", "smallest_p", "p_model",
        "method_model", "level", "seed", "sentence", "findings",
    )  # fmt: skip
    __repr__ = short_repr

    @property
    def sentence(self) -> str:
        """The result in one plain sentence."""
        n = len(self.draws)
        times = round(self.p * (n + 1)) - 1
        words = {"treatment": self.factor, "plans": n, "times": times, "p": Chance(self.p)}
        return spoken().text(f"redrawn.{'some' if times else 'none'}", **words)

    @property
    def table(self) -> pd.DataFrame:
        """One row: `factor, observed, draws, p, p_error, smallest_p, p_model, method_model`."""
        return pd.DataFrame(
            {
                "factor": [self.factor],
                "observed": [self.observed],
                "draws": [len(self.draws)],
                "p": [self.p],
                "p_error": [self.p_error],
                "smallest_p": [self.smallest_p],
                "p_model": [self.p_model],
                "method_model": [self.method_model],
            }
        )

    def _shown(self) -> Shown:
        formats: dict[str, Callable[[object], str]] = {
            name: lambda value: format_p(float(value))  # type: ignore[arg-type]
            for name in ("p", "smallest_p", "p_model")
        }
        say, table = spoken(), self.table
        heads = {name: say.text(f"redrawn.column.{name}") for name in map(str, table)}
        formats["method_model"] = lambda value: method_words(str(value), say)
        notes = [str(finding) for finding in self.findings]
        return show_table(table, heads=heads, formats=formats, caption=self.sentence, notes=notes)

    def __str__(self) -> str:
        return self._shown().text()

    def _repr_html_(self) -> str:
        return self._shown().html()


def randomisation_test(
    trial: Trial,
    plan: Plan,
    data: Aligned | pd.DataFrame,
    *,
    factor: str | None = None,
    response: str | None = None,
    draws: int = 1999,
    seed: int = 1,
    fit: Fit | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> RandomisationTest:
    """Test a treatment against plans drawn anew by the trial's own procedure.

    Use it beside the model's test when chambers are few, when a variance component lies
    below zero, or when the yields are far from normal.

    Parameters
    ----------
    trial : Trial
    plan : Plan
        The plan that was carried out; the test judges the trial as it was randomised.
    data : Aligned or DataFrame
        Made by `align`; or its table: unit columns, `flush`, treatments and the response.
    factor : str, optional
        Treatment to test; that of the question by default.
    response : str, optional
        Column to analyse; that of the question by default.
    draws : int
        Plans to draw.
    seed : int
        Seed of the draws.
    fit : Fit, optional
        The model's fit to the same data, to save fitting it again.
    progress : callable, optional
        Called with the number of plans drawn and to draw.

    Returns
    -------
    RandomisationTest

    Raises
    ------
    ModelError
        Unknown treatment, too few draws, or no response for any unit.

    Notes
    -----
    The hypothesis is that the treatment changes nothing on any unit. Lost units stay lost in
    every plan, which is fair only if they were not lost because of the treatment. Where two
    treatments share the same units, their plans are drawn together and the other's effect is
    taken out as a sum; the test is then approximate, and says so.

    References
    ----------
    .. [1] Fisher (1935), The Design of Experiments; Phipson, Smyth (2010),
       doi:10.2202/1544-6115.1585

    Examples
    --------
    >>> import trialkit as tk
    >>> trial = tk.read_trial(tk.demo_folder())
    >>> data = tk.align(trial, tk.read_harvest(trial), tk.read_environment(trial),
    ...                 tk.read_mist(trial))
    >>> test = randomisation_test(trial, tk.read_plan(trial), data, draws=199, seed=1)
    >>> 0 < test.p <= 1, len(test.draws)
    (True, 199)
    """
    check_kinds("randomisation_test", trial=trial)
    chosen = _checked_factor(trial, factor, draws)
    terms = derive_terms(trial, response=response, data=data)
    table = _rows(trial, data, terms.response)
    if trial.question.scale == "logarithm" and response in (None, trial.question.response):
        table = logged(table, terms.response)
    units, unit_codes = _units(trial, chosen, table)
    names = list(chosen.levels)
    late: frozenset[str] = getattr(data, "not_randomised", frozenset())
    real = _real_levels(plan, chosen, units, names)
    still = _not_drawn(table, units, unit_codes, late)
    real[still] = _levels_of_rows(table, chosen, names, unit_codes, real)[still]
    held = hold_variances(
        table,
        terms.response,
        _without(terms.fixed, chosen.name),
        terms.random,
        unit_codes,
        len(units),
    )
    redrawn = draw_plans(trial, chosen, draws, seed, progress, plan=plan)
    redrawn[:, still] = real[still]  # chance had no say there
    observed = float(held.values(real[None, :], len(names))[0])
    values = held.values(redrawn, len(names))
    reached = values >= observed - _TIE * max(1.0, abs(observed))
    p = (1 + int(reached.sum())) / (draws + 1)
    top = max(observed, float(values.max()))
    smallest = (1 + int((values >= top - _TIE * max(1.0, top)).sum())) / (draws + 1)
    model = fit if fit is not None else _fit_whole(trial, table, terms)
    tests = model.tests()
    p_model = float(tests["p"].to_numpy(dtype=float)[tests.index.get_loc(chosen.name)])
    error, edge = math.sqrt(p * (1 - p) / draws), 1 - trial.question.level
    found = [*_plan_findings(trial, chosen, table, unit_codes, real, names)]
    if still.all():
        found.append(finding("none_randomised", "caution", treatment=chosen.name))
    else:
        found += _p_findings(chosen.name, edge, p, error, smallest, p_model)
    return RandomisationTest(
        factor=chosen.name,
        observed=observed,
        draws=values,
        p=p,
        p_error=error,
        smallest_p=smallest,
        p_model=p_model,
        method_model=str(tests.loc[chosen.name, "method"]),
        level=trial.question.level,
        seed=seed,
        findings=tuple(found),
    )


def _checked_factor(trial: Trial, factor: str | None, draws: int) -> Factor:
    name = factor or trial.primary.name
    if name not in trial.factors:
        raise ModelError(f"no treatment is called {name!r}; there are {', '.join(trial.factors)}")
    if draws < 99:
        raise ModelError(f"draws={draws} is too few for a test; use 999 or more")
    return trial.factors[name]


def _rows(trial: Trial, data: Aligned | pd.DataFrame, response: str) -> pd.DataFrame:
    """Give the rows with a response, unit and treatment columns as text."""
    if isinstance(data, pd.DataFrame):
        table = data.copy()
        if "flush" not in table.columns:
            table["flush"] = 1
        for name in [*trial.structure.factors, *trial.factors, "flush"]:
            table[name] = table[name].astype(str)
        table = with_covariates(trial, with_starts(trial, table))
    else:
        table = analysis_table(trial, data, response)
    if response not in table or table[response].notna().sum() == 0:
        raise ModelError(f"no row has a value of {response!r}: nothing can be tested")
    return table[table[response].notna()].reset_index(drop=True)


def _units(trial: Trial, factor: Factor, table: pd.DataFrame) -> tuple[pd.DataFrame, Codes]:
    """Give the units the treatment was drawn for, in plan order, and each row's unit."""
    columns = list(factor.applied_to)
    units = trial.strata_units(":".join(columns))[columns].astype(str)
    place = {key: i for i, key in enumerate(units.itertuples(index=False, name=None))}
    keys = list(table[columns].itertuples(index=False, name=None))
    if unknown := sorted({":".join(key) for key in keys if key not in place}):
        raise ModelError(
            f"{', '.join(unknown[:5])}: not among the units {factor.name} was given to; use the "
            "names of the trial file"
        )
    return units, np.array([place[key] for key in keys], dtype=np.intp)


def _real_levels(plan: Plan, factor: Factor, units: pd.DataFrame, names: list[str]) -> Codes:
    given = plan.assignment(factor.name)
    columns = list(factor.applied_to)
    level = {
        tuple(map(str, row[:-1])): str(row[-1])
        for row in given[[*columns, factor.name]].itertuples(index=False, name=None)
    }
    # a unit that never began has no level, and no row
    order = [level.get(key, names[0]) for key in units.itertuples(index=False, name=None)]
    return np.array([names.index(name) for name in order], dtype=np.intp)


def _not_drawn(
    table: pd.DataFrame,
    units: pd.DataFrame,
    unit_codes: Codes,
    late: frozenset[str],
) -> np.ndarray:
    """Tell the units of the treatment's stratum that ran before they were drawn."""
    out = np.zeros(len(units), dtype=bool)
    if late:
        out[unit_codes[table["unit"].isin(late).to_numpy()]] = True
    return out


def _levels_of_rows(
    table: pd.DataFrame, factor: Factor, names: list[str], unit_codes: Codes, real: Codes
) -> Codes:
    """Give the level of each unit as the rows have it; that of the plan where there is no row."""
    out = real.copy()
    out[unit_codes] = [names.index(str(level)) for level in table[factor.name]]
    return out


def _without(fixed: str, factor: str) -> str:
    """Drop every term of a formula that holds a treatment.

    Examples
    --------
    >>> _without("schedule + light + schedule:light + flush", "schedule")
    'light + flush'
    """
    kept = [term for term in fixed.split(" + ") if factor not in term.split(":")]
    return " + ".join(kept) or "1"


def _fit_whole(trial: Trial, table: pd.DataFrame, terms: Any) -> Fit:
    from trialkit.model.fit import fit as fit_model

    return fit_model(
        table,
        response=terms.response,
        fixed=terms.fixed,
        random=list(terms.random),
        level=trial.question.level,
    )


def _plan_findings(
    trial: Trial,
    factor: Factor,
    table: pd.DataFrame,
    unit_codes: Codes,
    real: Codes,
    names: list[str],
) -> list[Finding]:
    """Say where the harvest and the plan differ, and where treatments share units."""
    found = []
    planned = np.array(names, dtype=object)[real[unit_codes]]
    other = int((table[factor.name].to_numpy() != planned).sum())
    if other:
        found.append(
            finding(
                "not_as_planned", "caution", other=other, rows=len(table), treatment=factor.name
            )
        )
    shared = [
        f.name
        for f in trial.factors.values()
        if f.name != factor.name and f.applied_to == factor.applied_to
    ]
    if shared:
        found.append(finding("plans_drawn_together", "note", treatment=factor.name, others=shared))
    return found


def _p_findings(
    name: str, edge: float, p: float, error: float, smallest: float, p_model: float
) -> list[Finding]:
    """Say where the layout allows no small p, and where the two tests disagree."""
    if smallest > edge:
        told: dict[str, Any] = {"treatment": name, "smallest": smallest, "level": 100 * (1 - edge)}
        return [finding("few_plans", "caution", **told)]
    if (p < edge) == (p_model < edge) or math.isnan(p_model):
        return []
    near = abs(p - edge) < 3 * error or 0.5 < p / p_model < 2
    words: dict[str, Any] = {
        "treatment": name,
        "p": Chance(p),
        "p_model": Chance(p_model),
        "edge": edge,
    }
    if near:
        return [finding("tests_disagree", "note", form="near", **words)]
    return [finding("tests_disagree", "caution", form="far", **words)]
