"""The sentences of a verdict: one level against the reference, with limits and chances."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from trialkit.responses import Response

_MOST_DECIMALS = 3


def percent_words(ratio: float, *, up: str = "more", down: str = "less", decimals: int = 0) -> str:
    """Say a ratio as a change; nothing is below zero, and a limit may be open above.

    Examples
    --------
    >>> percent_words(1.062), percent_words(0.91), percent_words(1.0)
    ('6 % more', '9 % less', 'the same')
    """
    if ratio == math.inf:
        return f"any amount {up}"
    change = 100 * (max(ratio, 0.0) - 1)
    if round(abs(change), decimals) == 0:
        return "the same"
    return f"{abs(change):.{decimals}f} % {up if change > 0 else down}"


def _decimals(limit: float, edges: tuple[float, ...]) -> int:
    """Give the decimals at which a limit is still seen to lie beside 1 and beside the margin.

    A level is better only if its lower limit is above 1: "the same to 5 % more" would not
    show that.
    """
    if not math.isfinite(limit):
        return 0
    for decimals in range(_MOST_DECIMALS):
        shown = round(100 * limit, decimals)
        if all(shown != round(100 * e, decimals) or limit == e for e in edges):
            return decimals
    return _MOST_DECIMALS


def limits_words(
    row: Mapping[str, Any], response: Response, *, margin: float, level: float, joint: bool
) -> str:
    """Say the limits of a ratio, such as ``joint 95 % limits 4 % less to 18 % more``."""
    low, high = (
        percent_words(
            float(row[k]), up=response.up, down=response.down,
            decimals=_decimals(max(float(row[k]), 0.0), (1.0, margin)),
        )
        for k in ("low", "high")
    )  # fmt: skip
    return f"{'joint ' if joint else ''}{100 * level:g} % limits {low} to {high}"


def got_words(row: Mapping[str, Any], response: Response) -> str:
    """Say what a level gave against its reference, such as ``gave 6 % more than usual``."""
    change = percent_words(float(row["ratio"]), up=response.up, down=response.down)
    join = "as" if change == "the same" else "than"
    return f"{response.verb} {change} {join} {row['reference']}"


def is_poorer(row: Mapping[str, Any], response: Response) -> bool:
    """Say whether the limits show a loss, of whatever size."""
    return bool(row["low"] > 1 if response.better == "less" else row["high"] < 1)


def level_sentence(
    row: Mapping[str, Any], response: Response, *, margin_pct: float, level: float, joint: bool
) -> str:
    """Say one level's answer with the number, its limits and the chance of being wrong.

    Parameters
    ----------
    row : mapping
        A row of `Verdict.table` with `margin_ratio`, `p_equal` and `note` beside.
    response : Response
    margin_pct : float
        Accepted loss [%].
    level : float
        Confidence of the limits.
    joint : bool
        Whether the limits hold for several comparisons at once.

    Returns
    -------
    str
    """
    name, against, answer = row["level"], row["reference"], row["answer"]
    if not math.isfinite(row["ratio"]):
        return f"{name} cannot be compared with {against}: {row['note']}."
    margin = f"the accepted {margin_pct:g} %"
    limits = limits_words(
        row, response, margin=float(row["margin_ratio"]), level=level, joint=joint
    )
    got = f"{got_words(row, response)} ({limits})"
    less = response.better == "less"
    poorer = is_poorer(row, response)
    if answer == "better":
        chance = chance_words(float(row["p_equal"]))
        tail = (
            f"; if there were no difference, one this large would come up in {chance} trials"
            if chance
            else ""
        )
        return f"{name} is better than {against}: it {got}{tail}."
    if answer == "no worse":
        extra = f" It is a little {'longer' if less else 'lower'} all the same." if poorer else ""
        chance = chance_words(float(row["p"]))
        lost = f"{'took' if less else 'lost'} {margin_pct:g} %{' longer' if less else ''}"
        tail = (
            f" If it truly {lost}, a result this good would come up in {chance} trials."
            if chance
            else ""
        )
        return f"{name} is not worse than {against} by more than {margin}: it {got}.{tail}{extra}"
    if answer == "worse":
        return f"{name} is worse than {against} by more than {margin}: it {got}."
    if poorer:
        return (
            f"There is not enough evidence about {name}: it {got}, which is a loss, but not "
            f"clearly more or less than {margin}."
        )
    return (
        f"There is not enough evidence about {name}: it {got}, which allows a loss of more than "
        f"{margin} as well as none."
    )


def chance_words(p: float) -> str:
    """Say a chance in whole numbers; empty where there is none.

    Examples
    --------
    >>> chance_words(0.0004), chance_words(0.0094), chance_words(0.31)
    ('fewer than 1 in 1000', 'about 9 in 1000', 'about 31 in 100')
    """
    if not math.isfinite(p):
        return ""
    if p < 0.001:
        return "fewer than 1 in 1000"
    if p < 0.0095:
        return f"about {1000 * p:.0f} in 1000"
    return f"about {100 * p:.0f} in 100"
