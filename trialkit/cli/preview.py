"""A trial before it is written: who would receive what, and what is set on each timer."""

from __future__ import annotations

from typing import TYPE_CHECKING

from trialkit.display import Shown, show_table
from trialkit.errors import TrialkitError
from trialkit.trial.doubtful_entries import tell_doubtful_entries
from trialkit.wording import Units, message, spoken

if TYPE_CHECKING:
    from trialkit.cli.screen import Screen
    from trialkit.design.plan import Plan
    from trialkit.trial import Trial

_MOST_ROWS = 12


def show_preview(screen: Screen, trial: Trial) -> None:
    """Print the map and the timer cards of a trial that is not written yet."""
    from trialkit.design.plan import assign

    try:
        plan = assign(trial)
    except TrialkitError as problem:
        screen.say(message("new.no_preview", reason=str(problem)))
        return
    screen.heading(message("new.map"))
    screen.show(_map(plan))
    screen.heading(message("new.cards"))
    for line in _cards(trial):
        screen.say(line, indent="  ")
    screen.findings(tell_doubtful_entries(trial))
    screen.say("")


def _map(plan: Plan) -> Shown:
    """Lay the plan out: the first kind of unit down, the others across, as far as they differ."""
    trial = plan.trial
    name = trial.question.primary
    factor = trial.factors[name]
    table = plan.assignment(name)
    down, across = factor.applied_to[0], list(factor.applied_to[1:])
    if not across:
        wide = table[[down, name]]
    else:
        key = table[across].astype(str).agg(" ".join, axis=1)
        wide = table.assign(_key=key).pivot(index=down, columns="_key", values=name)
        wide = wide.loc[list(trial.levels[down]), list(dict.fromkeys(key))].reset_index()
        wide.columns.name = None
    notes = []
    if len(wide) > _MOST_ROWS:
        notes.append(str(message("new.map_more", count=len(wide) - _MOST_ROWS)))
    for other in trial.factors.values():
        if other.name != name:
            levels = ", ".join(other.levels)
            notes.append(
                str(
                    message(
                        "new.map_second",
                        name=other.name,
                        levels=levels,
                        unit=Units(other.applied_to[-1:], 1),
                    )
                )
            )
    heads = {down: str(Units((down,), 1)), name: name}
    return show_table(wide.head(_MOST_ROWS), heads=heads, notes=tuple(notes))


def _cards(trial: Trial) -> list[str]:
    """Say of each level what is set, and what that comes to in a day."""
    say = spoken()
    out = []
    for level, setting in trial.primary.levels.items():
        words = setting.words
        if setting.cycles_per_day is not None:
            duty, cycles = setting.duty_pct, setting.cycles_per_day
            words = say.text("new.card_timed", setting=words, duty=duty, cycles=cycles)
        out.append(f"{level}: {words}")
    return out
