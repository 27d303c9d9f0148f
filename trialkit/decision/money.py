"""Money at the user's prices: per chamber run, with yield and use taken together.

Every chamber run has one yield and one use of water and energy, so its value carries their
joint variation; the value is then compared as a yield would be.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from trialkit.analysis.by_run import fit_by_run
from trialkit.decision.break_even import break_even, break_even_words, no_break_even
from trialkit.decision.costs import MOVED, counted_prices, counted_uses, run_value
from trialkit.errors import Finding, ModelError
from trialkit.short_repr import short_repr
from trialkit.wording import Message, finding, message, spoken

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.analysis.by_run import Fits
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
        chamber run, given what is not known; NaN with fewer than 3 degrees of freedom),
        `chance_best`.
    by_price : DataFrame
        `price, multiple, level, gain, low, high`: how the gain moves with each price.
    break_even : DataFrame
        Per level against the control: `level, bought` (paid once, more than for the control),
        `runs` after which that is paid with `runs_low, runs_high` from the limits of the gain
        (infinite: never), `price_per_kg` of mushrooms at which the gain is nothing, and `pays`
        (``"above"`` or ``"below"`` that price, at ``"any"`` or ``"no"`` price); `sure_from,
        sure_to`: prices between which the limits of the gain lie above zero (missing: at none).
    counted : tuple of str
        What is in it: ``"mushrooms"``, ``"water"``, ``"block"``, …; a price of zero counts.
    """

    currency: str
    table: pd.DataFrame
    by_price: pd.DataFrame
    break_even: pd.DataFrame = field(default_factory=no_break_even)
    counted: tuple[str, ...] = ()

    __repr__ = short_repr

    def _shown(self) -> Shown:
        from trialkit.display import show_table

        say = spoken()

        def money(value: object) -> str:
            return say.number(value, 2)

        def chance(value: object) -> str:
            return say.percent(100 * float(value))  # type: ignore[arg-type]

        columns = ["level", "estimate", "low", "high", "gain", "gain_low", "gain_high"]
        shown = [*columns, "expected_loss", "chance_best"]
        priced = [message(f"saves.price.{price}") for price in self.counted]
        heads = {name: say.text(f"column.{name}") for name in shown}
        return show_table(
            self.table,
            columns=shown,
            heads=heads | {"estimate": say.text("column.worth")},
            formats={
                "chance_best": chance,
                **dict.fromkeys([*columns[1:], "expected_loss"], money),
            },
            caption=say.text("verdict_table.money", currency=self.currency),
            notes=(
                say.text("verdict_table.priced", prices=priced),
                *map(str, gain_note(self)),
                *map(str, risk_notes(self)),
                *map(str, break_even_words(self.break_even, self.currency)),
            ),
        )

    def __str__(self) -> str:
        return self._shown().text()

    def _repr_html_(self) -> str:
        return self._shown().html()


def value_by_level(
    trial: Trial, totals: pd.DataFrame, *, known: Fits | None = None
) -> tuple[Money | None, list[Finding]]:
    """Work out what each level is worth, with its uncertainty and the risk of choosing it.

    Parameters
    ----------
    trial : Trial
        With `[prices]`.
    totals : DataFrame
        From `run_totals`. Runs that were not weighed whole, or lack a use that is priced, are
        left out.
    known : dict, optional
        Fits of the same totals (`trialkit.analysis.by_run.fit_by_run`).

    Returns
    -------
    money : Money or None
        None without a price for mushrooms or without run totals.
    findings : list of Finding
        Water or electricity that no log counts, runs without a count, or why there is no value.

    Notes
    -----
    The expected loss of a level is the mean, over the joint t distribution of the levels'
    values given the data, of how far it falls short of the best level [1]_. Prices are
    taken as known; `by_price` shows what happens when they move. The limits of the gains hold
    for all levels at once (Dunnett), since the level to use is picked among them.

    References
    ----------
    .. [1] Raiffa, H. and Schlaifer, R. (1961). Applied Statistical Decision Theory, ch. 4
       (expected opportunity loss).
    """
    import pandas as pd

    prices = trial.prices
    if prices is None or not len(totals):
        return None, []
    if prices.mushrooms_per_kg is None:
        others = (prices.water_per_m3, prices.energy_per_kwh)
        priced = any(price is not None for price in others)
        return None, [finding("mushrooms_not_priced", "note")] if priced else []
    name, reference = trial.primary.name, trial.primary.reference
    totals, findings = counted_uses(trial, totals)
    worth = totals.assign(value=run_value(trial, totals))
    try:
        fit = fit_by_run(trial, worth, "value", known=known)
    except ModelError as problem:
        return None, [*findings, finding("money_not_estimated", "note", problem=str(problem))]
    gains = fit.differences(name, against=reference, adjust="dunnett").set_index("first")
    means = _around(fit.means(name), gains["estimate"])
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
            {
                "level": str(level),
                "estimate": row["estimate"],
                "low": row["low"],
                "high": row["high"],
                **gain,
                **year,
                "expected_loss": losses[i],
                "chance_best": chances[i],
            }
        )
    by_price = _by_price(trial, totals, fit, _single_levels(gains))
    table = pd.DataFrame(rows)
    even = break_even(trial, table, by_price)
    return Money(prices.currency, table, by_price, even, counted_prices(trial, totals)), findings


def _around(means: pd.DataFrame, gains: pd.Series) -> pd.DataFrame:
    """Move the means, each with its limits, so that they differ by the gains.

    The default analysis may take differences from another stratum than means. What all levels
    share comes from the means, what is between them from the differences: one answer.
    """
    apart = means["level"].map(gains).astype(float).fillna(0.0)
    shift = apart - apart.mean() + means["estimate"].mean() - means["estimate"]
    return means.assign(**{k: means[k] + shift for k in ("estimate", "low", "high")})


def _risk(fit: Any, name: str, levels: list[object], seed: int) -> tuple[Any, Any]:
    """Draw the levels' values from their joint t distribution; see how often each is best."""
    import numpy as np
    import pandas as pd

    from trialkit.model.answers.means import contrast_rows
    from trialkit.surface.choices import LEAST_DF_OF_LOSS

    rows = fit.design.rows(pd.DataFrame({name: levels}))
    gains = rows[1:] - rows[0]  # what all levels share cannot change the choice
    told, cov = contrast_rows(fit, gains, df="default", level=fit.level)  # those of the gains
    centre, df = told["estimate"].to_numpy(dtype=float), float(told["df"].min())
    if not (df > 0 and np.isfinite(cov).all()):  # no test, so no chances either
        unknown = np.full(len(levels), np.nan)
        return unknown, unknown
    rng = np.random.default_rng(seed)
    scale = np.sqrt(df / rng.chisquare(df, _DRAWS))
    noise = rng.multivariate_normal(np.zeros(len(centre)), cov, _DRAWS, method="eigh")
    draws = np.column_stack([np.zeros(_DRAWS), centre + scale[:, None] * noise])
    best = draws.max(axis=1)
    chosen = np.bincount(draws.argmax(axis=1), minlength=len(levels)) / _DRAWS
    losses = (best[:, None] - draws).mean(axis=0)
    return losses if round(df, 6) >= LEAST_DF_OF_LOSS else np.full(len(levels), np.nan), chosen


def _single_levels(gains: pd.DataFrame) -> dict[str, float]:
    """Give the level at which single limits are as wide as the joint ones of each gain."""
    import numpy as np
    from scipy import special

    point = (gains["high"] - gains["low"]) / (2 * gains["se"])
    single = 2 * special.stdtr(gains["df"].to_numpy(float), point.to_numpy(float)) - 1
    return dict(zip(gains.index.astype(str), np.asarray(single, dtype=float), strict=True))


def _by_price(
    trial: Trial, totals: pd.DataFrame, fit: Fit, levels: dict[str, float]
) -> pd.DataFrame:
    """Work the gains out again with each price in turn at several multiples, all at once."""
    import numpy as np
    import pandas as pd

    from trialkit.model.answers.means import mean_cells
    from trialkit.model.batch import refit_batch

    prices, name = trial.prices, trial.primary.name
    assert prices is not None  # the caller has checked
    given = {name: getattr(prices, key) for name, key in MOVED.items()}
    counted = counted_prices(trial, totals)
    given = {
        name: price
        for name, price in given.items()
        if name in counted or (name == "labour" and "picking" in counted)
    }
    asked = [(p, m, v) for p, v in given.items() if v for m in MULTIPLES]
    columns = ["price", "multiple", "at", "level", "gain", "low", "high"]
    if not asked:
        return pd.DataFrame(columns=columns)
    used = totals.loc[fit.table.index]
    values = np.stack([run_value(trial, used, {p: m}).to_numpy(float) for p, m, _ in asked])
    batch = refit_batch(fit, values)
    (cells,) = mean_cells(fit, name)
    place = [str(x) for x in cells.labels].index(trial.primary.reference)
    frames = []
    for i, label in enumerate(cells.labels):
        if i == place:
            continue
        single = levels.get(str(label), math.nan)
        if not 0 < single < 1:  # no limits at the prices given, so none at others
            single = trial.question.level
        got = batch.contrast(cells.rows[i] - cells.rows[place], level=single)
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


def risk_notes(money: Money) -> list[Message]:
    """Say what expected loss and chance mean, and why there is no such loss where there is none."""
    from trialkit.surface.choices import LEAST_DF_OF_LOSS

    table = money.table
    missing = (table["expected_loss"].isna() & table["chance_best"].notna()).any()
    return [
        message("saves.risk_note"),
        *([message("saves.no_expected_loss", least=LEAST_DF_OF_LOSS)] if missing else []),
    ]


def gain_note(money: Money) -> list[Message]:
    """Say that the limits of several gains are joint; nothing where there is one gain."""
    return [message("verdict_table.gain_joint")] if money.table["gain"].notna().sum() > 1 else []
