"""Plain words for what a fit shows: variances below zero, edges, and why a test was chosen."""

from __future__ import annotations

import re
from collections.abc import Sequence

import pandas as pd

from trialkit.arrays import Floats
from trialkit.errors import Finding
from trialkit.model.inference.validity import ALMOST_NONE, HELD, NO_TEST
from trialkit.model.likelihood.search import Optimum
from trialkit.wording import Units, finding

_FIXED = re.compile(r"^(?P<base>.*?)(?:, spread by (?P<levels>[^,]*))?(?:, (?P<fixed>.*) fixed)?$")
_UNITS = "unit means of "


def explain_methods(methods: pd.Series) -> list[Finding]:
    """Say why tests by the default rule left the plain Kenward–Roger test.

    Parameters
    ----------
    methods : Series
        Method of each term, as in the rows of `Fit.tests`.

    Returns
    -------
    list of Finding
    """
    out = []
    for method, terms in methods.groupby(methods, sort=False):
        match = _FIXED.match(str(method))
        if match is None or str(method) in ("kenward-roger", "not estimable"):
            continue
        names, fixed = _named(terms.index), match["fixed"]
        base, levels = match["base"], match["levels"]
        term = tuple(base.removeprefix(_UNITS).split(":"))
        units = {"unit": Units(term, 1), "units": Units(term)}
        if levels:
            out.append(
                finding("test_chosen", "note", form="split", terms=names, levels=levels, **units)
            )
        elif base.startswith(_UNITS):
            out.append(finding("test_chosen", "note", form="means", terms=names, **units))
        if fixed:
            within = [Units(tuple(one.split(":"))) for one in fixed.split(" and ")]
            out.append(finding("test_chosen", "note", form="fixed", terms=names, units=within))
    return out


def validity_findings(tests: pd.DataFrame) -> list[Finding]:
    """Say which terms another way had to test, have no test, or next to no df.

    Parameters
    ----------
    tests : DataFrame
        As `Fit.tests` gives them.

    Returns
    -------
    list of Finding
    """
    out = []
    method = tests["method"].astype(str)
    for name, form in ((f"kenward-roger, {HELD}", "held"), (f"containment, {HELD}", "strata")):
        if (method == name).any():
            terms = _named(tests.index[method == name])
            out.append(finding("test_handed_over", "note", form=form, terms=terms))
    if (none := method == NO_TEST).any():
        out.append(finding("no_test", "caution", terms=_named(tests.index[none])))
    few = (tests["den_df"] < ALMOST_NONE).to_numpy()
    if few.any():
        out.append(finding("few_df", "caution", terms=_named(tests.index[few])))
    return out


def _named(terms: pd.Index) -> list[str]:
    return [f"'{term}'" for term in terms]


def variance_findings(random: Sequence[str], variances: Floats, optimum: Optimum) -> list[Finding]:
    """Say what the variances show: below zero, held at zero, not settled.

    Parameters
    ----------
    random : sequence of str
        Names of the random terms.
    variances : ndarray, shape (m,)
        Their variances in the user's unit, in order.
    optimum : Optimum
        Where the search ended.

    Returns
    -------
    list of Finding
    """
    out = []
    if optimum.edge[0]:
        out.append(finding("edge_of_space", "caution"))
    if not optimum.settled[0]:
        out.append(finding("not_settled", "caution", form="steps", steps=int(optimum.steps[0])))
    for i, name in enumerate(random):
        value = float(variances[i])
        if optimum.held[0, i]:
            out.append(finding("component_at_zero", "note", term=name))
        elif value < 0:
            out.append(finding("component_below_zero", "note", term=name, value=value))
    return out
