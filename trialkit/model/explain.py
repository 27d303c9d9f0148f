"""Plain words for what a fit shows: variances below zero, edges, and why a test was chosen."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pandas as pd

from trialkit.errors import Finding
from trialkit.model.validity import ALMOST_NONE, FEW_DF, HELD, NO_TEST

if TYPE_CHECKING:
    from trialkit.model.fit import Fit

_FIXED = re.compile(r"^(?P<base>.*?)(?:, spread by (?P<levels>[^,]*))?(?:, (?P<fixed>.*) fixed)?$")
_UNITS = "unit means of "
_MORE = (
    "repeat the trial in one more batch or chamber, or leave random terms out that cannot matter"
)


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
        names = _named(terms.index)
        said = []
        base, levels, fixed = match["base"], match["levels"], match["fixed"]
        if levels:
            said.append(
                f"{names} tested on one value per '{base.removeprefix(_UNITS)}', with an error "
                f"told apart by {levels}: its levels have unequal numbers of units, and one common "
                "error would mislead if they do not spread alike"
            )
        elif base.startswith(_UNITS):
            unit = base.removeprefix(_UNITS)
            said.append(
                f"{names} tested on one value per '{unit}', all weighing the same: its variance "
                "does not stand clear of the variation within it, and with unequal units "
                "weights by size would mislead"
            )
        if fixed:
            said.append(
                f"{names} compared within {fixed} only (taken as fixed): what differences between "
                "them could add rests on a variance that this layout cannot pin down"
            )
        if said:
            out.append(Finding("test_chosen", "note", "; ".join(said), ""))
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
    for name, said in (
        (f"kenward-roger, {HELD}", "with variances held at or above zero"),
        (
            f"containment, {HELD}",
            "with variances held at or above zero and the degrees of freedom of its own units",
        ),
    ):
        if (method == name).any():
            out.append(
                Finding(
                    "test_handed_over",
                    "note",
                    f"{_named(tests.index[method == name])} tested {said}: with variances below "
                    "zero the usual test has no valid degrees of freedom here. This way finds "
                    "fewer differences, not more",
                )
            )
    if (none := method == NO_TEST).any():
        out.append(
            Finding(
                "no_test",
                "caution",
                f"{_named(tests.index[none])} has no test: no way to judge chance has valid "
                "degrees of freedom here, so no verdict can rest on it",
                _MORE,
            )
        )
    few = (tests["den_df"] < ALMOST_NONE).to_numpy()
    if few.any():
        out.append(
            Finding("few_df", "caution", f"{_named(tests.index[few])}: {FEW_DF}", _MORE),
        )
    return out


def _named(terms: pd.Index) -> str:
    return ", ".join(f"'{term}'" for term in terms)


def variance_findings(fit: Fit) -> list[Finding]:
    """Say what the variances show: below zero, held at zero, not settled."""
    out = []
    optimum = fit.optimum
    if optimum.edge[0]:
        out.append(
            Finding(
                "edge_of_space",
                "caution",
                "the variances below zero are so large together that the grand mean, or another "
                "direction that the fixed part takes up, would have a variance below zero",
                "comparisons do not lean on that direction; means and their limits are computed "
                "with variances at or above zero, as their rows say",
            )
        )
    if not optimum.settled[0]:
        out.append(
            Finding(
                "not_settled",
                "caution",
                f"the search for the variances stopped before it settled ({optimum.steps[0]} "
                "steps)",
                "look at fit.record; simplify the random terms",
            )
        )
    for i, name in enumerate(fit.reduced.params[: fit.reduced.n_random]):
        value = float(fit.variances.iloc[i])
        if optimum.held[0, i]:
            out.append(
                Finding(
                    "component_at_zero",
                    "note",
                    f"the variance of '{name}' is held at zero: its units differ no more than "
                    "the variation within them explains",
                    "",
                )
            )
        elif value < 0:
            out.append(
                Finding(
                    "component_below_zero",
                    "note",
                    f"the variance of '{name}' is estimated below zero ({value:.4g}): its units "
                    "differ less than the variation within them would make them differ by "
                    "chance. That happens often when the true variance is small; the test keeps "
                    "the units as its replicates all the same",
                    "",
                )
            )
    return out
