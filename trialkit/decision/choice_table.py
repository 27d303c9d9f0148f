"""The table of what to choose in a trial of ranges: which rows are told, and heads with units."""

from __future__ import annotations

from typing import TYPE_CHECKING

from trialkit.columns import house_unit
from trialkit.columns.response import response_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import pandas as pd

    from trialkit.decision.harvest_ahead import Ahead
    from trialkit.settings.setting_range import SettingRange
    from trialkit.surface.choices import Choices
    from trialkit.surface.fit_surface import Surface
    from trialkit.trial import Trial
    from trialkit.wording import Wording

#: Choices that promise a gain over today, which a trial that shows no effect cannot.
_GAINS = ("careful", "most yield")


def choice_caption(ahead: Ahead | None) -> str:
    """Give the key of the table's caption: nothing is to be chosen before the harvest is in.

    Parameters
    ----------
    ahead : Ahead or None
        What of the planned harvest is not in yet.

    Returns
    -------
    str
    """
    return "best.caption" if ahead is None else "best.caption_so_far"


def told_choices(choices: Choices, say: Wording, *, seen: bool) -> pd.DataFrame:
    """Give the choices that the answer carries, each by its name in the language in use.

    Parameters
    ----------
    choices : Choices
    say : Wording
    seen : bool
        Whether a best setting is named.

    Returns
    -------
    DataFrame
        `Choices.table` without the careful choice and the most mushrooms where no setting is shown
        to matter.
    """
    table = choices.table
    if not seen:
        table = table[~table["choice"].isin(_GAINS)]
    names = [say.text(f"best.choice.{c.replace(' ', '_')}") for c in table["choice"]]
    return table.assign(choice=names)


def response_unit(trial: Trial) -> str:
    """Give the unit of the response; the name of one that is counted."""
    response = trial.question.response
    return house_unit(response, trial.columns) or str(
        response_of(response, trial.harvest_columns).noun
    )


def worth_unit(trial: Trial, choices: Sequence[str]) -> str:
    """Give the unit in which choices fall short: money where there are prices.

    Parameters
    ----------
    trial : Trial
    choices : sequence of str
        Their names, as in `Choices.table`.

    Returns
    -------
    str
    """
    if trial.prices is not None and "most money" in choices:
        return trial.prices.currency
    return response_unit(trial)


def choice_heads(
    trial: Trial, surface: Surface, choices: Choices, columns: Sequence[str], say: Wording
) -> dict[str, str]:
    """Name columns of the choices, with their units.

    Parameters
    ----------
    trial : Trial
    surface : Surface
    choices : Choices
    columns : sequence of str
    say : Wording

    Returns
    -------
    dict
    """
    units = {s.name: say.either(f"glossary_unit.{s.unit}", s.unit) for s in surface.settings}
    gave, money = response_unit(trial), "" if trial.prices is None else trial.prices.currency
    words = {
        "unit": gave,
        "money": money,
        "worth": worth_unit(trial, list(choices.table["choice"])),
    }
    return {
        name: (f"{name} [{units[name]}]" if units[name] else name)
        if name in units
        else say.text(f"best.head.{name}", **words)
        for name in columns
    }


def setting_formats(surface: Surface, say: Wording) -> dict[str, Callable[[object], str]]:
    """Say how the columns of settings are written: as the values are told in sentences.

    Parameters
    ----------
    surface : Surface
    say : Wording

    Returns
    -------
    dict
        Name of a setting → what writes one of its values.
    """

    def writer(setting: SettingRange) -> Callable[[object], str]:
        def write(value: object) -> str:
            number = float(value)  # type: ignore[arg-type]
            return say.number(number, setting.decimals(number))

        return write

    return {setting.name: writer(setting) for setting in surface.settings}
