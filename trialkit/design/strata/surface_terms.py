"""In which stratum each term of a surface is seen, and what is left there to judge it by."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from trialkit.arrays import Floats
from trialkit.errors import DesignError
from trialkit.settings.polynomial import powers
from trialkit.structure import Term
from trialkit.wording import Message, Units, message

if TYPE_CHECKING:
    from trialkit.design.layout.allocation import Allocation
    from trialkit.trial import Trial

#: Error degrees of freedom below which limits are so wide that this is said beforehand.
_FEW = 3
#: Difference below which two settings are one.
_SAME = 1e-5


def _between_tried(at: Floats, tried: Floats) -> NDArray[np.bool_]:
    """Say which settings lie between what is tried: the answer will be about those alone."""
    low, high = tried.min(axis=0), tried.max(axis=0)
    return np.asarray(((at >= low - _SAME) & (at <= high + _SAME)).all(axis=1))


def surface_rows(trial: Trial) -> list[dict[str, Any]]:
    """List, for every stratum that shows a part of the surface, its terms and its error.

    Parameters
    ----------
    trial : Trial
        Whose treatments have ranges.

    Returns
    -------
    list of dict
        `stratum, source, df, n_units, tested_in, error_df, efficiency`, as `Strata.table`;
        `source` is ``"surface"`` or ``"error"``.

    Raises
    ------
    DesignError
        If nothing is left to judge the surface by.

    Notes
    -----
    The slope and square of a setting are seen between the units it is given to, the product of
    two between the finer ones.
    """
    own = trial.structure.merged(trial.counts)
    given = [own.get(f.applied_to, f.applied_to) for f in trial.tuned]
    count: dict[Term, int] = {}
    for exponents in powers(len(given))[1:]:
        at = max((t for t, e in zip(given, exponents, strict=True) if e), key=len)
        count[at] = count.get(at, 0) + 1
    free, sizes = trial.structure.degrees_of_freedom(trial.counts), trial.structure.counts
    rows: list[dict[str, Any]] = []
    for term, used in count.items():
        left = free.get(term, 0) - used
        if left <= 0:
            raise DesignError(
                f"{free.get(term, 0)} degrees of freedom between {':'.join(term)} units are too "
                f"few for a surface with {used} terms there; add batches or chambers, or tune "
                "fewer settings"
            )
        name = ":".join(term)
        same = {"stratum": name, "n_units": sizes(trial.counts)[term], "tested_in": name}
        same |= {"error_df": left, "efficiency": float("nan")}
        rows += [same | {"source": "surface", "df": used}, same | {"source": "error", "df": left}]
    return rows


def surface_sentences(trial: Trial, plan: Allocation | None) -> list[Message]:
    """Say what a plan tries, what repeats it has, and how sure the surface will be.

    Parameters
    ----------
    trial : Trial
    plan : Plan, optional
        The plan, where one is drawn.

    Returns
    -------
    list of Message
    """
    said = []
    for row in surface_rows(trial):
        if row["source"] == "error":
            units = Units(tuple(row["stratum"].split(":")), row["n_units"])
            words = {"units": units, "number": row["n_units"], "df": row["df"]}
            said.append(message("strata.surface.error", **words))
            if row["df"] < _FEW:
                said.append(message("strata.surface.few", df=row["df"]))
    if plan is None:
        return said
    from trialkit.design.points.draw import prediction_error, settings_of_units
    from trialkit.design.points.three_levels import error_over_range

    values = settings_of_units(trial, plan.table)
    distinct = len(np.unique(values, axis=0))
    usual = [f.number(f.reference) for f in trial.tuned]
    today = int((values == usual).all(axis=1).sum())
    at, error = prediction_error(trial, values)
    error = error[_between_tried(at, np.vstack([values, usual]))]
    said.append(
        message(
            "strata.surface.points", number=distinct, repeats=len(values) - distinct, today=today
        )
    )
    said.append(
        message("strata.surface.sure", middle=float(np.median(error)), most=float(error.max()))
    )
    said.append(error_over_range(trial, plan.table).said)
    return said
