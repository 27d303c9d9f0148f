"""The sentences of a verdict: one level against the reference, with limits and chances."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from trialkit.columns.response import Kind, Response
from trialkit.display import decimals_beside
from trialkit.wording import Joined, Message, Number, confidence_decimals, message


def change_words(ratio: float, kind: Kind = "amount", *, decimals: int = 0) -> Message:
    """Say a ratio as a change; nothing is below zero, and a limit may be open above.

    Examples
    --------
    >>> str(change_words(1.062)), str(change_words(0.91)), str(change_words(1.0))
    ('6 % more', '9 % less', 'the same')
    """
    if ratio == math.inf:
        return message(f"change.{kind}.open")
    change = 100 * (max(ratio, 0.0) - 1)
    if round(abs(change), decimals) == 0:
        return message(f"change.{kind}.same")
    way = "up" if change > 0 else "down"
    return message(f"change.{kind}.{way}", percent=Number(abs(change), decimals))


def limits_words(
    row: Mapping[str, Any], response: Response, *, margin: float, level: float, joint: bool
) -> Message:
    """Say the limits of a ratio, such as ``joint 95 % limits 4 % less to 18 % more``."""
    low, high = (
        change_words(
            float(row[k]),
            response.kind,
            decimals=decimals_beside(max(float(row[k]), 0.0), (1.0, margin)),
        )
        for k in ("low", "high")
    )
    key = "said_limits.joint" if joint else "said_limits.alone"
    return message(key, level=confidence_number(level), low=low, high=high)


def confidence_number(level: float) -> Number:
    """Give a confidence as a number in per cent, with the decimals it needs.

    Examples
    --------
    >>> str(confidence_number(0.95)), str(confidence_number(0.99695))
    ('95', '99.7')
    """
    return Number(100 * level, confidence_decimals(level))


def than_words(row: Mapping[str, Any], response: Response) -> Message:
    """Say a change against the reference, such as ``6 % more than usual``."""
    change = change_words(float(row["ratio"]), response.kind)
    form = "same" if change.key.endswith(".same") else "other"
    return message(f"than.{response.kind}.{form}", change=change, reference=row["reference"])


def is_poorer(row: Mapping[str, Any], response: Response) -> bool:
    """Say whether the limits show a loss, of whatever size."""
    return bool(row["low"] > 1 if response.better == "less" else row["high"] < 1)


def answer_key(answer: str) -> str:
    """Give the answer as it stands in keys of the catalogue.

    Examples
    --------
    >>> answer_key("not enough evidence")
    'not_enough_evidence'
    """
    return answer.replace(" ", "_")


def level_sentence(
    row: Mapping[str, Any], response: Response, *, margin_pct: float, level: float, joint: bool
) -> Joined:
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
    Joined
        Says itself in the language in use.
    """
    words = {"level": row["level"], "reference": row["reference"], "margin": margin_pct}
    if not math.isfinite(row["ratio"]):
        return Joined((message("verdict.no_ratio", **words, why=row["note"]),))
    words["than"] = than_words(row, response)
    words["limits"] = limits_words(
        row, response, margin=float(row["margin_ratio"]), level=level, joint=joint
    )
    answer, kind, poorer = row["answer"], response.kind, is_poorer(row, response)
    form = answer_key(answer)
    if answer == "not enough evidence" and poorer:
        form = "loss_of_open_size"
    return Joined((message(f"verdict.{form}.{kind}", **words), *_more(row, kind, poorer, words)))


def _more(
    row: Mapping[str, Any], kind: Kind, poorer: bool, words: Mapping[str, Any]
) -> list[Message]:
    """Say how surely, and that it is a little poorer all the same."""
    more = []
    asked = {"better": "p_equal", "no worse": "p"}.get(row["answer"])
    chance = chance_words(float(row[asked])) if asked else None
    if chance is not None:
        name = "if_equal" if row["answer"] == "better" else f"if_at_margin.{kind}"
        more.append(message(f"verdict.{name}", chance=chance, margin=words["margin"]))
    if row["answer"] == "no worse" and poorer:
        more.append(message(f"verdict.poorer.{kind}"))
    return more


def chance_words(p: float) -> Message | None:
    """Say a chance in whole numbers; None where there is none.

    Examples
    --------
    >>> str(chance_words(0.0004)), str(chance_words(0.0094)), str(chance_words(0.31))
    ('fewer than 1 in 1000', 'about 9 in 1000', 'about 31 in 100')
    """
    if not math.isfinite(p):
        return None
    if p < 0.001:
        return message("chance_in.few")
    if p < 0.0095:
        return message("chance_in.thousand", times=Number(1000 * p))
    return message("chance_in.hundred", times=Number(100 * p))
