"""From how many runs, or from which price on, a level pays."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from trialkit.decision.costs import bought_per_run, pays_from
from trialkit.wording import Message, Number, message

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.trial import Trial

#: Columns of the table that `break_even` makes.
BREAK_EVEN = [
    "level",
    "bought",
    "runs",
    "runs_low",
    "runs_high",
    "price_per_kg",
    "pays",
    "sure_from",
    "sure_to",
]


def no_break_even() -> pd.DataFrame:
    """Give the table without rows."""
    import pandas as pd

    return pd.DataFrame(columns=BREAK_EVEN)


def break_even(trial: Trial, table: pd.DataFrame, by_price: pd.DataFrame) -> pd.DataFrame:
    """Say from how many runs on, or from which price on, each level pays.

    Parameters
    ----------
    trial : Trial
        With `[prices]`.
    table, by_price : DataFrame
        As `trialkit.decision.money.Money` has them.

    Returns
    -------
    DataFrame
        As `Money.break_even` describes it.
    """
    import pandas as pd

    prices, rows = trial.prices, []
    assert prices is not None  # the caller has checked
    reference = trial.primary.reference
    for row in table.to_dict("records"):
        level = str(row["level"])
        if level == reference:
            continue
        extra = prices.equipment.get(level, 0.0) - prices.equipment.get(reference, 0.0)
        spread = bought_per_run(trial, level) - bought_per_run(trial, reference)
        runs, worst, best = (
            pays_from(extra, row[k] + spread) for k in ("gain", "gain_low", "gain_high")
        )
        own = by_price[by_price["level"] == level]
        price, way = _turning_price(own, prices.mushrooms_per_kg)
        sure_from, sure_to = _sure_prices(own)
        rows.append(
            {
                "level": level,
                "bought": extra,
                "runs": runs,
                "runs_low": best,
                "runs_high": worst,
                "price_per_kg": price,
                "pays": way,
                "sure_from": sure_from,
                "sure_to": sure_to,
            }
        )
    return pd.DataFrame(rows, columns=BREAK_EVEN)


def _turning_price(rows: pd.DataFrame, now: float | None) -> tuple[float, str]:
    """Give the price per kg at which the gain is nothing, and on which side of it there is one.

    The gain is a straight line of the price; where it does not turn above zero there is no
    such price, and the level pays at ``"any"`` or at ``"no"`` price.
    """
    at = rows[rows["price"] == "mushrooms"].sort_values("at")
    if len(at) < 2 or not now or not at["gain"].notna().all():
        return math.nan, ""
    (x0, y0), (x1, y1) = at[["at", "gain"]].to_numpy(dtype=float)[[0, -1]]
    slope = (y1 - y0) / (x1 - x0)
    base = y0 - slope * x0
    turns = -base / slope if slope else math.nan
    if turns > 0:
        return float(turns), "above" if slope > 0 else "below"
    return math.nan, "any" if y1 > 0 else "no"


def _sure_prices(rows: pd.DataFrame) -> tuple[float, float]:
    """Give the prices per kg between which the limits of the gain lie above zero.

    The gain is a straight line of the price and the square of its limits' half width a parabola.
    Missing where they lie above zero at no price, or where the analysis changes with the price.
    """
    import numpy as np
    from scipy.optimize import brentq

    at = rows[(rows["price"] == "mushrooms") & (rows["at"] > 0)].sort_values("at")
    x, gain, low = (at[name].to_numpy(dtype=float) for name in ("at", "gain", "low"))
    if len(x) < 3 or not np.isfinite(low).all():
        return math.nan, math.nan
    half = (gain - low) ** 2
    line, parabola = np.polyfit(x, gain, 1), np.polyfit(x, half, 2)
    if np.abs(np.polyval(parabola, x) - half).max() > 0.02 * half.max():
        return math.nan, math.nan

    def above(price: Any) -> Any:
        """Give by how much the lower limit lies above zero."""
        return np.polyval(line, price) - np.sqrt(np.maximum(np.polyval(parabola, price), 0))

    prices = np.append(np.linspace(0, 4 * x[-1], 4001), 1e6 * x[-1])
    sure = np.flatnonzero(above(prices) > 0)
    if not len(sure):
        return math.nan, math.nan
    last = math.inf if sure[-1] == len(prices) - 1 else float(prices[sure[-1]])
    if sure[0] == len(prices) - 1:  # somewhere beyond what was looked at closely
        return float(brentq(above, *prices[-2:])), last
    return float(prices[sure[0]]), last


def break_even_words(table: pd.DataFrame, currency: str) -> list[Message]:
    """Say from how many runs, or from which price on, each level pays.

    Returns
    -------
    list of Message
        One for each level that was bought something for, and one for each whose gain turns at
        some price of mushrooms.
    """
    said = []
    for row in table.to_dict("records"):
        words = {"level": row["level"], "currency": currency}
        if row["bought"] > 0 and not math.isnan(row["runs"]):
            ends = {"bought": Number(row["bought"], 2), "worst": _runs(row["runs_high"])}
            key = "never" if math.isinf(row["runs"]) else "runs"
            ends |= {"runs": _runs(row["runs"]), "best": _runs(row["runs_low"])}
            said.append(message(f"break_even.{key}", **words, **ends))
        if row["pays"]:
            price = Number(row["price_per_kg"], 2)
            sure = _sure_words(row["sure_from"], row["sure_to"], currency)
            key = f"break_even.price_{row['pays']}"
            said.append(message(key, price=price, sure=sure, **words))
    return said


def _sure_words(low: float, high: float, currency: str) -> Message:
    """Say at which prices of mushrooms the limits of the gain lie above zero."""
    if math.isnan(low):
        key = "none"
    elif low == 0:
        key = "any" if math.isinf(high) else "below"
    else:
        key = "above" if math.isinf(high) else "between"
    ends = {"low": Number(low, 2), "high": Number(high, 2), "currency": currency}
    return message(f"break_even.sure_{key}", **ends)


def _runs(count: float) -> object:
    return Number(count, 0) if math.isfinite(count) else message("break_even.no_end")
