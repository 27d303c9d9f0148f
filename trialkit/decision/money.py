"""Money at the user's prices: per chamber run, with yield and use taken together.

Every chamber run has one yield and one use of water and energy, so its value carries their
joint variation; the value is then compared as a yield would be.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from trialkit.decision.use import fit_by_run
from trialkit.errors import Finding, ModelError

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.display import Shown
    from trialkit.model.fit import Fit
    from trialkit.trial import Trial

_DRAWS = 20_000
#: Multiples of each price at which the choice is looked at again.
MULTIPLES = (0.5, 0.75, 1.0, 1.5, 2.0, 3.0)


@dataclass(frozen=True)
class Money:
    """Value of each level at the user's prices. Made by `value_by_level`.

    Parameters
    ----------
    currency : str
    table : DataFrame
        One row per level: `level, estimate, low, high` (value of one chamber run after water
        and energy), `gain, gain_low, gain_high` against the control per chamber run,
        `gain_year, gain_year_low, gain_year_high` for all chambers over a year (NaN without
        `batches_per_year`), `expected_loss` (what choosing this level costs on average per
        chamber run, given what is not known), `chance_best`.
    by_price : DataFrame
        `price, multiple, level, gain, low, high`: how the gain moves with each price.
    """

    currency: str
    table: pd.DataFrame
    by_price: pd.DataFrame

    def _shown(self) -> Shown:
        from trialkit.display import show_table

        def money(value: object) -> str:
            number = float(value)  # type: ignore[arg-type]
            return "–" if number != number else f"{number:.2f}"

        def chance(value: object) -> str:
            return f"{100 * float(value):.0f} %"  # type: ignore[arg-type]

        heads = {
            "estimate": "worth", "gain_low": "gain, lower limit", "low": "lower limit",
            "high": "upper limit", "gain_high": "gain, upper limit",
        }  # fmt: skip
        columns = ["level", "estimate", "low", "high", "gain", "gain_low", "gain_high"]
        return show_table(
            self.table,
            columns=[*columns, "expected_loss", "chance_best"],
            heads=heads,
            formats={
                "chance_best": chance,
                **dict.fromkeys([*columns[1:], "expected_loss"], money),
            },
            caption=f"Worth of one chamber run at the prices given [{self.currency}]",
            notes=(
                f"Priced: {', '.join(dict.fromkeys(self.by_price['price'].astype(str)))}; "
                "nothing else is in it.",
                "Expected loss: what choosing this level would cost per chamber run on average, "
                "given what the trial leaves open.",
                "Chance best: how often it comes out on top in that light.",
            ),
        )

    def __str__(self) -> str:
        return self._shown().text()

    def _repr_html_(self) -> str:
        return self._shown().html()


def _value(trial: Trial, totals: pd.DataFrame, multiples: dict[str, float]) -> Any:
    prices = trial.prices
    assert prices is not None  # the caller has checked
    value = totals["kg"] * (prices.mushrooms_per_kg or 0) * multiples.get("mushrooms", 1)
    if "water_l" in totals and prices.water_per_m3:
        value = value - totals["water_l"] / 1000 * prices.water_per_m3 * multiples.get("water", 1)
    if "energy_kwh" in totals and prices.energy_per_kwh:
        use = totals["energy_kwh"] * prices.energy_per_kwh * multiples.get("energy", 1)
        value = value - use
    return value


def value_by_level(trial: Trial, totals: pd.DataFrame) -> tuple[Money | None, list[Finding]]:
    """Work out what each level is worth, with its uncertainty and the risk of choosing it.

    Parameters
    ----------
    trial : Trial
        With `[prices]`.
    totals : DataFrame
        From `run_totals`.

    Returns
    -------
    money : Money or None
        None without a price for mushrooms or without run totals.
    findings : list of Finding
        Water or power that no log counts, runs without a count, or why there is no value.

    Notes
    -----
    The expected loss of a level is the mean, over the joint t distribution of the levels'
    values given the data, of how far it falls short of the best level [1]_. Prices are
    taken as known; `by_price` shows what happens when they move.

    References
    ----------
    .. [1] Raiffa, H. and Schlaifer, R. (1961). Applied Statistical Decision Theory, ch. 4
       (expected opportunity loss).
    """
    import pandas as pd

    prices = trial.prices
    if prices is None or not prices.mushrooms_per_kg or not len(totals):
        return None, []
    name = trial.primary.name
    totals, findings = _counted(trial, totals)
    worth = totals.assign(value=_value(trial, totals, {}))
    try:
        fit = fit_by_run(trial, worth, "value")
    except ModelError as problem:
        return None, [*findings, Finding("money_not_estimated", "note", f"money: {problem}")]
    means = fit.means(name)
    gains = fit.differences(name, against=trial.primary.reference, adjust="none")
    gains = gains.set_index("first")
    losses, chances = _risk(fit, name, list(means["level"]), trial.seed)
    yearly = (prices.batches_per_year or float("nan")) * trial.counts.get("chamber", 1)
    rows = []
    for i, row in means.iterrows():
        level = row["level"]
        gain = {"gain": float("nan"), "gain_low": float("nan"), "gain_high": float("nan")}
        if level in gains.index:
            got = gains.loc[level]
            gain = {"gain": got["estimate"], "gain_low": got["low"], "gain_high": got["high"]}
        year = {k.replace("gain", "gain_year"): v * yearly for k, v in gain.items()}
        rows.append(
            {"level": str(level), "estimate": row["estimate"], "low": row["low"],
             "high": row["high"], **gain, **year, "expected_loss": losses[i],
             "chance_best": chances[i]}
        )  # fmt: skip
    return Money(prices.currency, pd.DataFrame(rows), _by_price(trial, totals, fit)), findings


def _counted(trial: Trial, totals: pd.DataFrame) -> tuple[pd.DataFrame, list[Finding]]:
    """Leave out uses that no run has a count of, and say which runs lack one."""
    prices = trial.prices
    assert prices is not None  # the caller has checked
    findings = []
    priced = {
        "water_l": ("water", prices.water_per_m3),
        "energy_kwh": ("power", prices.energy_per_kwh),
    }
    for column, (word, price) in priced.items():
        if not price:
            continue
        known = int(totals[column].notna().sum()) if column in totals else 0
        if not known:
            totals = totals.drop(columns=column, errors="ignore")
            findings.append(
                Finding(
                    "use_not_priced",
                    "note",
                    f"no log counts the {word}, so its cost is not in the money",
                    "give the mist log and the figures of the rig (mist_l_h, fogger_w)",
                )
            )
        elif known < len(totals):
            findings.append(
                Finding(
                    "use_partly_priced",
                    "caution",
                    f"{len(totals) - known} of {len(totals)} chamber runs have no count of the "
                    f"{word}; they are left out of the money",
                    "look for the missing part of the mist log",
                )
            )
    return totals, findings


def _risk(fit: Any, name: str, levels: list[object], seed: int) -> tuple[Any, Any]:
    """Draw the levels' values from their joint t distribution; see how often each is best."""
    import numpy as np
    import pandas as pd

    rows = fit.design.rows(pd.DataFrame({name: levels}))
    gains = rows[1:] - rows[0]  # what all levels share cannot change the choice
    centre = gains @ fit.beta
    cov = fit.contrast_cov(gains)
    df = float(fit.contrast(gains)["df"].min())
    if not (df > 0 and np.isfinite(cov).all()):  # no test, so no chances either
        unknown = np.full(len(levels), np.nan)
        return unknown, unknown
    rng = np.random.default_rng(seed)
    scale = np.sqrt(df / rng.chisquare(df, _DRAWS))
    noise = rng.multivariate_normal(np.zeros(len(centre)), cov, _DRAWS, method="eigh")
    draws = np.column_stack([np.zeros(_DRAWS), centre + scale[:, None] * noise])
    best = draws.max(axis=1)
    chosen = np.bincount(draws.argmax(axis=1), minlength=len(levels)) / _DRAWS
    return (best[:, None] - draws).mean(axis=0), chosen


def _by_price(trial: Trial, totals: pd.DataFrame, fit: Fit) -> pd.DataFrame:
    """Work the gains out again with each price in turn at several multiples, all at once."""
    import numpy as np
    import pandas as pd

    from trialkit.model.batch import refit_batch
    from trialkit.model.means import mean_cells

    prices, name, level = trial.prices, trial.primary.name, trial.question.level
    assert prices is not None  # the caller has checked
    given = {"mushrooms": prices.mushrooms_per_kg}
    if "water_l" in totals:
        given["water"] = prices.water_per_m3
    if "energy_kwh" in totals:
        given["energy"] = prices.energy_per_kwh
    asked = [(p, m, v) for p, v in given.items() if v for m in MULTIPLES]
    used = totals.loc[fit.table.index]
    values = np.stack([_value(trial, used, {p: m}).to_numpy(float) for p, m, _ in asked])
    batch = refit_batch(fit, values)
    (cells,) = mean_cells(fit, name)
    place = [str(x) for x in cells.labels].index(trial.primary.reference)
    frames = []
    for i, label in enumerate(cells.labels):
        if i == place:
            continue
        got = batch.contrast(cells.rows[i] - cells.rows[place], level=level)
        frames.append(
            pd.DataFrame(
                {
                    "price": [p for p, _, _ in asked],
                    "multiple": [m for _, m, _ in asked],
                    "at": [v * m for _, m, v in asked],
                    "level": str(label),
                    "gain": got["estimate"],
                    "low": got["low"],
                    "high": got["high"],
                }
            )
        )
    together = pd.concat(frames).sort_index(kind="stable")
    return together.reset_index(drop=True)
