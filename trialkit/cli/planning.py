"""Commands before the first block goes in: plan, power, status."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from trialkit.cli.command import DONE, Folder, command, trial_folder
from trialkit.cli.screen import Screen
from trialkit.wording import message, plural

if TYPE_CHECKING:
    from trialkit.design.power import Power
    from trialkit.trial import Trial


@command("trialkit plan my-trial", "trialkit plan my-trial --seed 77")
def plan(
    screen: Screen,
    folder: Folder = Path(),
    seed: Annotated[
        int | None,
        typer.Option(min=0, metavar="N", help="Draw from this seed, not the trial file's."),
    ] = None,
    beside: Annotated[
        bool,
        typer.Option(
            "--beside",
            metavar="",
            help="A trial that has begun: draw anew and keep the old plan as plan-old-1.",
        ),
    ] = False,
) -> int:
    """Draw at random who gets what; write sheets for the growing room.

    Writes DIR/plan: the assignment, a map, timer settings, labels, cards and an empty harvest
    sheet with every block listed. Labels and harvest sheet do not say what a block receives, so
    that whoever weighs cannot know. The same seed gives the same plan.
    """
    import trialkit as tk
    from trialkit.cautions import list_cautions

    trial = tk.read_trial(trial_folder(folder))
    laid = tk.strata(trial)
    with screen.counted("drawing the plan") as tell:
        drawn = tk.assign(trial, seed=seed, progress=tell)
        wrote = drawn.write(trial.folder, keep_old=beside)
    screen.record |= {"trial": trial.title, "seed": drawn.seed, "hash": drawn.hash,
                      "assignment": drawn.table, "strata": laid.table}  # fmt: skip
    screen.say(str(drawn))
    screen.heading("What each treatment is judged against")
    for sentence in laid.sentences:
        screen.say(f"  {sentence}")
    _say_room(screen, trial)
    screen.heading("Before you switch on")
    for caution in list_cautions(where="plan"):
        screen.say(f"  {caution.short}")
    screen.say("")
    screen.wrote(wrote)
    screen.say(
        f"Next: print {trial.folder / 'plan'}, set the timers, write the dates under [batches]."
    )
    return DONE


def _say_room(screen: Screen, trial: Trial) -> None:
    """Say what each mist setting may hold in this room, as far as the rig is described."""
    from trialkit.chamber import ChamberError, foresee_treatments

    try:
        found = foresee_treatments(trial)
    except ChamberError as problem:
        screen.heading(str(message("chamber.plan_heading")))
        screen.say("  " + str(message("chamber.plan_not_worked_out", reason=str(problem))))
        return
    if found:
        screen.heading(str(message("chamber.plan_heading")))
    for seen in found.values():
        doubts = (str(finding) for finding in seen.nominal.doubts)
        said = (*seen.sentences, seen.worst_times, seen.narrowing, seen.assumptions, *doubts)
        for sentence in said:
            if sentence:
                screen.say(f"  {sentence}")


@command("trialkit status my-trial")
def status(screen: Screen, folder: Folder = Path()) -> int:
    """Say where a trial stands and what comes next."""
    import trialkit as tk
    from trialkit.status import trial_status

    trial = tk.read_trial(trial_folder(folder))
    now = trial_status(trial)
    screen.record |= {"trial": trial.title, "steps": now.table, "next": now.next}
    screen.say(str(now))
    return DONE


@command("trialkit power my-trial", "trialkit power my-trial --margin 8 --lost 10")
def power(
    screen: Screen,
    folder: Folder = Path(),
    difference: Annotated[
        float | None,
        typer.Option(metavar="PERCENT", help="Difference worth finding; the trial file's."),
    ] = None,
    margin: Annotated[
        float | None, typer.Option(metavar="PERCENT", help="Loss accepted; the trial file's.")
    ] = None,
    lost: Annotated[
        float, typer.Option(min=0, max=99, metavar="PERCENT", help="Blocks expected to be lost.")
    ] = 5.0,
    wanted: Annotated[
        float,
        typer.Option(min=1, max=99, metavar="PERCENT", help="Chance of a clear answer aimed at."),
    ] = 80.0,
) -> int:
    """Say what this layout can find out, before anything is grown.

    Exact where the layout allows it, and with the variation that is usual until a trial of
    your own says better. Ends with what to add first.
    """
    import trialkit as tk

    trial = tk.read_trial(trial_folder(folder))
    with screen.counted("reckoning") as tell:
        found = tk.power(
            trial,
            difference_pct=difference,
            margin_pct=margin,
            lost=lost,
            wanted=wanted / 100,
            progress=tell,
        )
        needed, then, mixes = found.needed, found.next_step, found.cheapest
    screen.record |= {"trial": trial.title, "power": found.table, "needed": needed,
                      "one_more": then, "cheapest": mixes}  # fmt: skip
    screen.say(str(found))
    screen.heading("What that means")
    screen.say(f"  {_weakest(found)}")
    if found.table["power"].min() < found.wanted:
        screen.heading(
            f"What would be enough: {_percent(found.wanted)} for each of these questions"
        )
        for line in _enough(found):
            screen.say(f"  {line}")
    screen.heading("What to add first")
    if len(then) and found.table["method"].str.startswith("simulated").any():
        now = then["power"].iloc[0] - then["gain"].iloc[0]
        screen.say(
            f"  by formula, which leaves out a part of the information: {_percent(now)} as it is"
        )
    for row in then.to_dict("records"):
        cost = _cost(trial, row["cost"])
        screen.say(
            f"  one {row['unit']} more ({row['then']} instead of {row['now']}): "
            f"the hardest question's chance becomes {_percent(row['power'])} "
            f"({100 * row['gain']:+.0f} points{cost})"
        )
    return DONE


def _weakest(found: Power) -> str:
    """Say in a sentence whether the layout is large enough."""
    row = found.table.nsmallest(1, "power").to_dict("records")[0]
    chance = (
        f"{_percent(row['power'])} ({_percent(row['low'])} with much variation, "
        f"{_percent(row['high'])} with little)"
    )
    if row["power"] >= found.wanted:
        return f"Large enough: even the hardest of these questions has a chance of {chance}."
    return (
        f"Too small as it is: the hardest of these questions has a chance of only {chance}, and "
        f"{_percent(found.wanted)} was aimed at. The likeliest end is “not enough evidence”."
    )


def _enough(found: Power) -> list[str]:
    """Say how many of each kind of unit are enough, and the mixes that need least."""
    trial = found.trial
    lines = []
    for row in found.needed.to_dict("records"):
        units = plural(str(row["unit"]))
        if row["needed"] != row["needed"]:
            lines.append(f"more {units} alone never get there (at most {_percent(row['power'])})")
        else:
            cost = _cost(trial, row["cost"])
            lines.append(f"{units} alone: {row['needed']:.0f} instead of {row['now']}{cost}")
    names = list(trial.structure.factors)
    priced = found.cheapest["cost"].notna().all()
    for row in found.cheapest.head(3).to_dict("records"):
        mix = ", ".join(
            f"{row[name]} {plural(name) if row[name] > 1 else name}"
            + (" in each" if name == names[-1] and len(names) > 1 else "")
            for name in names
        )
        least = "cheapest mix" if priced else "mix with few units in all"
        lines.append(f"{least}: {mix} ({_percent(row['power'])}{_cost(trial, row['cost'])})")
    return lines


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _cost(trial: Trial, cost: float) -> str:
    return "" if cost != cost else f", for {_money(trial)}{cost:.0f}"


def _money(trial: Trial) -> str:
    return f"{trial.prices.currency} " if trial.prices is not None else ""
