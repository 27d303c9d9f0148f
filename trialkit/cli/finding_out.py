"""What a layout can find and what changes would buy, in the words of who has to pay for them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from trialkit.wording import Message, Units, message, spoken

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.cli.screen import Screen
    from trialkit.design.power.changes import SecondBox
    from trialkit.design.power.over_time import OverTimeChoice
    from trialkit.design.power.power import Power
    from trialkit.trial import Trial


def say_what_can_be_found(screen: Screen, found: Power, bought: pd.DataFrame) -> None:
    """Say which loss can be told from none as things are, then with each change worth it.

    The chance of today is that of the power's own table, simulated where it was; what changes buy
    comes from the formula, as `say_how_worked_out` tells.
    """
    from trialkit.design.power.by_look import look_notes
    from trialkit.design.power.changes import worth_saying
    from trialkit.design.power.notes import batch_notes

    rows = bought.to_dict("records")
    if not rows:
        return
    now, changes = rows[0], rows[1:]
    screen.heading(message("cli.power.now_heading"))
    for line in _found_now(found, now):
        screen.say(line, indent="  ")
    for note in look_notes(found.by_look) if len(found.by_look) else []:
        screen.say(note, indent="  ")
    for note in found.said:
        if note.key.startswith("power_covariate."):
            screen.say(note, indent="  ")
    screen.heading(message("cli.power.changes_heading"))
    told = worth_saying(bought).to_dict("records")
    for row in told:
        screen.say(_change(found, row), indent="  ")
    for line in _not_told(changes, told):
        screen.say(line, indent="  ")
    if any(row["unit"] == "batch" for row in changes):
        for note in batch_notes(found.trial, found.comparison):
            screen.say(note, indent="  ")


def _not_told(changes: list[dict[Any, Any]], told: list[dict[Any, Any]]) -> list[Message]:
    """Name what more of would change next to nothing."""
    from trialkit.design.power.changes import WORTH_SAYING

    kept = {row["unit"] for row in told}
    left = [
        message(
            "cli.power.part", number=row["added"], units=Units((str(row["unit"]),), row["added"])
        )
        for row in changes
        if row["change"] == "more units" and row["unit"] not in kept
    ]
    return [message("cli.power.no_gain", what=left, points=100 * WORTH_SAYING)] if left else []


def say_what_is_left(screen: Screen, found: Power, bought: pd.DataFrame) -> None:
    """Say what the trial can still show as it is, where nothing can be added to it."""
    rows = bought[bought["change"] == "larger loss accepted"].to_dict("records")
    if found.table["power"].min() >= found.wanted or not rows:
        return
    values = {"margin": rows[0]["margin_pct"], "chance": percent(rows[0]["chance"])}
    have = _what_there_is(found.trial)
    screen.say(
        message("cli.power.left", have=have, now=found.asked.margin_pct, **values), indent="  "
    )


def say_how_worked_out(screen: Screen, found: Power, bought: pd.DataFrame) -> None:
    """Say that one chance was simulated and the rest is from a formula, and how they compare."""
    if len(bought) and found.table["method"].str.startswith("simulated").any():
        screen.heading(message("cli.power.method_heading"))
        now = percent(bought["chance"].iloc[0])
        screen.say(message("cli.power.by_formula", now=now), indent="  ")


def _found_now(found: Power, row: dict[Any, Any]) -> list[Message]:
    """Say what can be found with what there is."""
    from trialkit.design.power.changes import whole_loss

    trial, values = found.trial, {"times": 10 * found.wanted, "have": _what_there_is(found.trial)}
    said = [message("cli.power.none_told", **values)]
    if math.isfinite(row["detectable_pct"]):
        said = [message("cli.power.told", loss=whole_loss(row["detectable_pct"]), **values)]
        ends = [row["detectable_low"], row["detectable_high"]]
        low, high = (_loss(end) for end in ends)
        said.append(message("cli.power.told_range", low=low, high=high))
    kept = {"margin": row["margin_pct"], "chance": percent(_chance_now(found, row))}
    return [*said, message("cli.power.kept", primary=trial.primary.name, **kept)]


def _chance_now(found: Power, row: dict[Any, Any]) -> float:
    """Give the chance that a level without loss is shown to keep it, as the power's table has it.

    With `true_pct` the table asks about another truth; then the formula's chance stands.
    """
    asked = found.table[found.table["question"] == "no worse"]
    return float(row["chance"] if asked.empty else asked["power"].iloc[0])


def _loss(value: float) -> Message | str:
    """Write a loss that can be told from none, where there is one."""
    from trialkit.design.power.changes import whole_loss

    if math.isfinite(value):
        return message("cli.power.loss", loss=whole_loss(value))
    return message("cli.power.no_loss")


def _what_there_is(trial: Trial) -> list[Message]:
    """Count chambers and batches; where there are neither, the largest units."""
    names = [name for name in ("chamber", "batch") if name in trial.counts]
    counts = {name: trial.counts[name] for name in names or trial.structure.factors[:1]}
    return [
        message("cli.power.part", number=n, units=Units((name,), n)) for name, n in counts.items()
    ]


def _change(found: Power, row: dict[Any, Any]) -> Message:
    """Say what one change would buy."""
    kind, trial = row["change"], found.trial
    values: dict[str, Any] = {"loss": _loss(row["detectable_pct"]), "margin": row["margin_pct"]}
    values |= {"chance": percent(row["chance"])}
    if kind == "more units":
        then = row["now"] + row["added"]
        units = Units((str(row["unit"]),), then)
        return priced(
            "cli.power.more", trial, row["cost"], then=then, now=row["now"], units=units, **values
        )
    if kind == "fewer levels":
        return message("cli.power.fewer", level=row["level"], primary=found.factor, **values)
    return message("cli.power.larger", now=found.asked.margin_pct, **values)


def say_order_of_starts(
    screen: Screen,
    ways: OverTimeChoice | None,
    box: SecondBox | None,
    trial: Trial,
    *,
    drawn: bool = False,
) -> None:
    """Say how the starts of few boxes are best spread over time, and what a second box would buy.

    A plan has said why already.
    """
    from trialkit.design.power.over_time import boxes_that_swap

    if ways is None:
        shared = boxes_that_swap(trial)
        if shared is not None:
            screen.heading(message("cli.starts.shared_heading"))
            screen.say(shared, indent="  ")
        return
    screen.heading(message("cli.starts.heading"))
    if not drawn:
        screen.say(ways.reason, indent="  ")
    for line in ways.other_ways:
        screen.say(line, indent="  ")
    if trial.over_time != ways.chosen and not drawn:
        how = {"way": trial.over_time, "better": ways.chosen}
        screen.say(message("cli.starts.not_chosen", **how), indent="  ")
    if box is not None:
        screen.say(_second_box(box, trial), indent="  ")


def _second_box(box: SecondBox, trial: Trial) -> Message:
    """Say what a second, equal box would buy."""
    values = {"batches": box.batches, "now": trial.counts["batch"], "saved": box.saved}
    if box.saved <= 0:
        return message("cli.starts.second_none", **values)
    said = message("cli.starts.second", **values)
    currency = trial.prices.currency if trial.prices is not None else ""
    if math.isfinite(box.box_cost):
        cost = spoken().money(box.box_cost, currency, 0)
        said = message("cli.starts.second_price", said=said, cost=cost)
    if math.isfinite(box.batch_cost) and box.batch_cost > 0:
        cost = spoken().money(box.batch_cost, currency, 0)
        said = message("cli.starts.second_saves", said=said, cost=cost)
    return said


def percent(share: float) -> str:
    """Write a share as a percentage in the language in use."""
    return spoken().percent(100 * share)


def priced(key: str, trial: Trial, cost: float, **values: Any) -> Message:
    """Say a line, with the cost where it is known."""
    if cost != cost:
        return message(key, **values)
    currency = trial.prices.currency if trial.prices is not None else ""
    return message(f"{key}_priced", cost=spoken().money(cost, currency, 0), **values)
