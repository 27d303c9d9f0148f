"""What a trial of ranges says: the best setting, what each choice gives, what to try next."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from trialkit.analysis.dose_doubts import exposure_label
from trialkit.analysis.tuned_delivered import DeliveredSurface
from trialkit.columns.exposures import EXPOSURE
from trialkit.decision.choice_table import response_unit, worth_unit
from trialkit.decision.harvest_ahead import Ahead, carry_on
from trialkit.decision.next_ranges import next_ranges
from trialkit.surface.best_region import BestRegion
from trialkit.surface.choices import Choices
from trialkit.wording import Message, Named, Number, message

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.settings.setting_range import SettingRange
    from trialkit.surface.fit_surface import Surface
    from trialkit.trial import Trial


def say_best(
    trial: Trial,
    surface: Surface,
    region: BestRegion,
    choices: Choices | None,
    p: float,
    *,
    ahead: Ahead | None = None,
) -> list[Message]:
    """Say the answer, then what each choice gives; or to carry on, where harvest is to come.

    Parameters
    ----------
    trial : Trial
    surface : Surface
    region : BestRegion
    choices : Choices or None
    p : float
        Chance of such a surface if no setting mattered.
    ahead : Ahead, optional
        What of the planned harvest is not in yet.

    Returns
    -------
    list of Message
    """
    names = [f.name for f in trial.tuned]
    if not region.seen:
        said = [message("best.none", settings=names, p=Number(p, 3))]
    else:
        parts = [say_part(surface, region, i) for i in range(len(names))]
        said = [message("best.seen", parts=parts, level=100 * region.level)]
    if ahead is not None:
        return [*said, carry_on(ahead)]
    if choices is None:
        return said
    table = choices.table.set_index("choice")
    if region.seen:
        said.append(_gain(surface, table, response_unit(trial)))
        said.append(_careful(surface, table))
    if "least use" in table.index:
        said.append(_least(trial, surface, table.loc["least use"].to_dict()))
    if "most money" in table.index:
        said.append(_worth(trial, surface, table))
    if table["regret"].notna().all():
        said.append(_regret(trial, surface, table))
    return [*said, _next(trial, surface, region)]


def say_delivered(found: DeliveredSurface) -> Message:
    """Say what the surface over something delivered shows, and that it was not randomised."""
    label = exposure_label(found.exposure)
    if not found.region.seen:
        return message("delivered.none", exposure=label)
    count = len(found.surface.settings)
    parts = [say_part(found.surface, found.region, i) for i in range(count)]
    return message("delivered.seen", exposure=label, parts=parts)


def say_part(surface: Surface, region: BestRegion, i: int) -> Message:
    """Say of one setting where the best is, between what, and where that stays open.

    Parameters
    ----------
    surface : Surface
    region : BestRegion
    i : int
        Place of the setting.

    Returns
    -------
    Message
    """
    setting, (low, high) = surface.settings[i], region.limits()[i]
    key = open_ends(region, i)
    name = exposure_label(setting.name) if setting.name in EXPOSURE else setting.name
    words = {"name": name, "unit": Named(f"glossary_unit.{setting.unit}", setting.unit)}
    numbers = {"best": float(region.best[i]), "low": low, "high": high}
    return message(
        f"best.part.{key}", **words, **{k: _told(setting, v) for k, v in numbers.items()}
    )


def open_ends(region: BestRegion, i: int) -> str:
    """Say where the best of a setting stays open: *up_to*, *from*, *anywhere*; *between*, *one*.

    Parameters
    ----------
    region : BestRegion
    i : int
        Place of the setting.

    Returns
    -------
    str
    """
    keys = {(False, False): "between", (True, False): "up_to", (False, True): "from"}
    key = keys.get((region.open_low[i], region.open_high[i]), "anywhere")
    low, high = region.limits()[i]
    return "one" if key == "between" and math.isclose(low, high) else key


def _told(setting: SettingRange, value: float) -> Number:
    """Give a value of a setting as it is told."""
    return Number(value, setting.decimals(value))


def alike(values: dict[str, Any]) -> dict[str, Number]:
    """Give numbers the same decimals: two digits of the largest of them.

    Parameters
    ----------
    values : dict
        Numbers by name.

    Returns
    -------
    dict

    Examples
    --------
    >>> [str(n) for n in alike({"change": 29.2, "low": -1.74, "high": 60.2}).values()]
    ['29', '−2', '60']
    """
    most = max((abs(float(v)) for v in values.values()), default=0.0)
    places = max(0, 1 - math.floor(math.log10(most))) if most > 0 else 0
    return {k: Number(float(v), places) for k, v in values.items()}


def _where(surface: Surface, row: dict[Any, Any]) -> list[Message]:
    """Name the settings of a row."""
    return [
        message(
            "best.setting",
            name=s.name,
            value=_told(s, float(row[s.name])),
            unit=Named(f"glossary_unit.{s.unit}", s.unit),
        )
        for s in surface.settings
    ]


def _stays(surface: Surface, table: pd.DataFrame, choice: str) -> bool:
    """Tell whether a choice is today's settings."""
    names = [s.name for s in surface.settings]
    return bool((table.loc[choice, names] == table.loc["today", names]).all())


def _gain(surface: Surface, table: pd.DataFrame, unit: str) -> Message:
    """Say what the most yield gives over today's settings: a difference, whose limits are known."""
    if _stays(surface, table, "most yield"):
        return message("best.gain.stay")
    row = table.loc["most yield"].to_dict()
    change = alike({k: row[f"yield_change{e}"] for k, e in _ENDS.items()})
    key = "sure" if row["sure"] else "open"
    return message(f"best.gain.{key}", where=_where(surface, row), unit=unit, **change)


def _careful(surface: Surface, table: pd.DataFrame) -> Message:
    """Say which settings are the careful choice, or that it is to stay."""
    if _stays(surface, table, "careful"):
        return message("best.careful.stay")
    return message("best.careful.change", where=_where(surface, table.loc["careful"].to_dict()))


def _next(trial: Trial, surface: Surface, region: BestRegion) -> Message:
    """Say where a further trial would look, and what tells whether it pays."""
    ranges = next_ranges(surface, region, trial.tuned)
    if not region.seen or all(r.change == "kept" for r in ranges):
        return message("best.next.same")
    parts = [
        message(
            "best.next.range",
            name=r.name,
            low=_told(s, r.low),
            high=_told(s, r.high),
            unit=Named(f"glossary_unit.{s.unit}", s.unit),
        )
        for r, s in zip(ranges, surface.settings, strict=True)
    ]
    return message("best.next.look", parts=parts)


_ENDS = {"change": "", "low": "_low", "high": "_high"}


def _least(trial: Trial, surface: Surface, row: dict[Any, Any]) -> Message:
    margin = trial.question.margin_pct
    if not row["sure"] or not row["use_change_pct"] < 0:
        return message("best.least.none", margin=margin)
    saved = Number(-row["use_change_pct"], 0)
    kind = "water" if trial.rig.mist_l_h is not None else "energy"
    where = _where(surface, row)
    return message(f"best.least.{kind}", where=where, margin=margin, saved=saved)


def _worth(trial: Trial, surface: Surface, table: pd.DataFrame) -> Message:
    assert trial.prices is not None  # there is a worth
    if _stays(surface, table, "most money"):
        return message("best.worth.stay")
    row = table.loc["most money"].to_dict()
    words: dict[str, Any] = {k: Number(row[f"worth_change{e}"], 2) for k, e in _ENDS.items()}
    key = "sure" if row["sure"] else "open"
    return message(
        f"best.worth.{key}", where=_where(surface, row), currency=trial.prices.currency, **words
    )


def _regret(trial: Trial, surface: Surface, table: pd.DataFrame) -> Message:
    """Say what staying as today may cost on average, and what the best choice still may."""
    unit = worth_unit(trial, list(table.index))
    money = trial.prices is not None and "most money" in table.index
    best = "most money" if money else "most yield"
    told = alike({"today": table["regret"]["today"], "best": table["regret"][best]})
    if _stays(surface, table, best):
        return message("best.regret.stay", today=told["today"], unit=unit)
    return message("best.regret.change", unit=unit, **told)
