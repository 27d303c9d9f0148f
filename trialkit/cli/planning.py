"""Commands before the first block goes in: plan, power, status."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from trialkit.cli.screen import Screen
from trialkit.cli.shared import DONE, Folder, command, trial_folder

if TYPE_CHECKING:
    from trialkit.trial import Trial

if TYPE_CHECKING:
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
    """Draw at random who gets what, and write all that goes into the growing room.

    Writes DIR/plan: the assignment, a map, timer settings, labels, cards and an empty harvest
    sheet with every block listed. The same seed gives the same plan.
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
    """Say what each mist setting should hold in this room, where the rig is described."""
    from trialkit.chamber import ChamberError, compare_treatments

    try:
        found = compare_treatments(trial)
    except ChamberError as problem:
        screen.heading("What each setting should hold")
        screen.say(f"  not worked out: {problem}")
        return
    if found:
        screen.heading("What each setting should hold")
    for comparison in found.values():
        for sentence in comparison.sentences:
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
        needed, then = found.needed, found.next_step
    screen.record |= {"trial": trial.title, "power": found.table, "needed": needed,
                      "one_more": then}  # fmt: skip
    screen.say(str(found))
    screen.heading("What to add first")
    for row in then.to_dict("records"):
        cost = "" if row["cost"] != row["cost"] else f", for {_money(trial)}{row['cost']:.0f}"
        screen.say(
            f"  one {row['unit']} more ({row['then']} instead of {row['now']}): "
            f"the weakest chance becomes {row['power']:.0%} ({100 * row['gain']:+.0f} points{cost})"
        )
    return DONE


def _money(trial: Trial) -> str:
    return f"{trial.prices.currency} " if trial.prices is not None else ""
