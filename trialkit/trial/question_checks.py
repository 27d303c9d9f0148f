"""Checks of what the trial asks: its treatment and its response."""

from __future__ import annotations

from collections.abc import Mapping

from trialkit.columns import HARVEST_COLUMNS, HarvestColumn, responses
from trialkit.errors import Fault
from trialkit.trial.text import Places, nearest


def check_question(
    question: object,
    factors: object,
    named: object,
    columns: Mapping[str, HarvestColumn],
    places: Places,
    faults: list[Fault],
) -> None:
    """Check that the treatment asked about is one of the factors, and the response one that is."""
    if not isinstance(question, Mapping):
        return
    _response(question.get("response"), named, columns, places, faults)
    if not isinstance(factors, Mapping):
        return
    primary = question.get("primary")
    if isinstance(primary, str) and factors and primary not in factors:
        where = places.where("question", "primary")
        what = f"no factor is called {primary!r}"
        faults.append(Fault(where, what, nearest(primary, factors)))


def _response(
    response: object,
    named: object,
    columns: Mapping[str, HarvestColumn],
    places: Places,
    faults: list[Fault],
) -> None:
    """Check that the question is asked of something of which more is better."""
    if not isinstance(response, str):
        return
    known = responses({**HARVEST_COLUMNS, **columns})
    where = places.where("question", "response")
    if response in columns and response not in known:
        what = f"of {response!r} more is not said to be better, and a verdict weighs a loss"
        do = f'add better = "more" to [columns.{response}], or ask of another response'
        faults.append(Fault(where, what, do))
    elif response not in known and not (isinstance(named, Mapping) and response in named):
        listed = ", ".join(map(repr, known[:-1])) + f" or {known[-1]!r}"
        what = f"should be {listed}, but it is {response!r}"
        faults.append(Fault(where, what, "choose one of them"))
