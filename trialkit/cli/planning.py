"""Commands before the first block goes in: plan, power, status."""

from __future__ import annotations

from collections.abc import Hashable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trialkit.cli.command import DONE, Folder, command, trial_folder
from trialkit.cli.screen import Screen
from trialkit.wording import Message, Units, message, spoken

if TYPE_CHECKING:
    from trialkit.design.power.power import Power
    from trialkit.trial import Trial


@command("trialkit plan my-trial", "trialkit plan my-trial --seed 77")
def plan(
    screen: Screen,
    folder: Folder = Path(),
    seed: Annotated[
        int | None,
        typer.Option(min=0, metavar="N", help="Random seed to use instead of the trial file's."),
    ] = None,
    beside: Annotated[
        bool,
        typer.Option(
            "--beside",
            metavar="",
            help="For a trial that has begun: make a new plan and keep the old one as plan-old-1.",
        ),
    ] = False,
    labels: Annotated[
        str | None,
        typer.Option(
            metavar="SIZE", help="Labels by their size in mm, such as 70x37; else to be cut."
        ),
    ] = None,
) -> int:
    """Randomise the treatments; write sheets for the growing room.

    Writes DIR/plan: the assignment, a map, timer settings, labels, cards and an empty harvest
    sheet with every block listed. Labels and harvest sheet do not say what a block receives, so
    that whoever weighs cannot know. The same seed gives the same plan.
    """
    import trialkit as tk
    from trialkit.cautions import list_cautions

    trial = tk.read_trial(trial_folder(folder))
    laid = tk.strata(trial)
    with screen.counted(message("progress.plan")) as tell:
        drawn = tk.assign(trial, seed=seed, progress=tell)
        wrote = drawn.write(trial.folder, keep_old=beside, labels=labels)
    screen.record |= {
        "trial": trial.title,
        "seed": drawn.seed,
        "hash": drawn.hash,
        "assignment": drawn.table,
        "strata": laid.table,
    }
    screen.say(str(drawn))
    screen.heading(message("cli.plan.judged"))
    for sentence in laid.sentences:
        screen.say(sentence, indent="  ")
    _say_room(screen, trial)
    screen.heading(message("cli.plan.cautions"))
    for caution in list_cautions(where="plan"):
        screen.say(caution.short, indent="  ")
    screen.say("")
    screen.wrote(wrote)
    screen.say(message("cli.plan.next", folder=str(trial.folder / "plan")))
    return DONE


def _say_room(screen: Screen, trial: Trial) -> None:
    """Say what each mist setting may hold in this room, as far as the rig is described."""
    from trialkit.chamber import ChamberError, foresee_treatments

    try:
        found = foresee_treatments(trial)
    except ChamberError as problem:
        screen.heading(message("chamber.plan_heading"))
        screen.say(message("chamber.plan_not_worked_out", reason=str(problem)), indent="  ")
        return
    if found:
        screen.heading(message("chamber.plan_heading"))
    for seen in found.values():
        doubts = (str(finding) for finding in seen.nominal.doubts)
        said = (*seen.sentences, seen.worst_times, seen.narrowing, seen.assumptions, *doubts)
        for sentence in said:
            if sentence:
                screen.say(sentence, indent="  ")


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
        typer.Option(
            min=1, max=99, metavar="PERCENT", help="Chance of a clear answer that you want."
        ),
    ] = 80.0,
) -> int:
    """Say what this layout can find out, before anything is grown.

    Exact where the layout allows it, and with the variation that is usual until a trial of
    your own says better. Ends with what to add first.
    """
    import trialkit as tk

    trial = tk.read_trial(trial_folder(folder))
    with screen.counted(message("progress.power")) as tell:
        found = tk.power(
            trial,
            difference_pct=difference,
            margin_pct=margin,
            lost=lost,
            wanted=wanted / 100,
            progress=tell,
        )
        needed, then, mixes = found.needed, found.next_step, found.cheapest
    screen.record |= {
        "trial": trial.title,
        "power": found.table,
        "needed": needed,
        "one_more": then,
        "cheapest": mixes,
    }
    screen.say(str(found))
    screen.heading(message("cli.power.means"))
    screen.say(_weakest(found), indent="  ")
    if found.table["power"].min() < found.wanted:
        screen.heading(message("cli.power.enough", wanted=_percent(found.wanted)))
        for line in _enough(found):
            screen.say(line, indent="  ")
    screen.heading(message("cli.power.first"))
    if len(then) and found.table["method"].str.startswith("simulated").any():
        now = then["power"].iloc[0] - then["gain"].iloc[0]
        screen.say(message("cli.power.by_formula", now=_percent(now)), indent="  ")
    for row in then.to_dict("records"):
        line = _priced(
            "cli.power.one_more",
            trial,
            row["cost"],
            units=Units((str(row["unit"]),)),
            then=row["then"],
            now=row["now"],
            chance=_percent(row["power"]),
            points=100 * row["gain"],
        )
        screen.say(line, indent="  ")
    return DONE


def _weakest(found: Power) -> Message:
    """Say in a sentence whether the layout is large enough."""
    row = found.table.nsmallest(1, "power").to_dict("records")[0]
    shares = {name: _percent(row[name]) for name in ("power", "low", "high")}
    chance = message("cli.power.chance", **shares)
    if row["power"] >= found.wanted:
        return message("cli.power.large", chance=chance)
    return message("cli.power.small", chance=chance, wanted=_percent(found.wanted))


def _enough(found: Power) -> list[Message]:
    """Say how many of each kind of unit are enough, and the mixes that need least."""
    trial = found.trial
    lines = []
    for row in found.needed.to_dict("records"):
        units, cost = Units((str(row["unit"]),)), row["cost"]
        if row["needed"] != row["needed"]:
            lines.append(message("cli.power.never", units=units, chance=_percent(row["power"])))
        else:
            counts = {"needed": row["needed"], "now": row["now"]}
            lines.append(_priced("cli.power.alone", trial, cost, units=units, **counts))
    for row in found.cheapest.head(3).to_dict("records"):
        mix, chance = _mix(trial, row), _percent(row["power"])
        lines.append(_priced("cli.power.mix", trial, row["cost"], mix=mix, chance=chance))
    return lines


def _mix(trial: Trial, row: dict[Hashable, Any]) -> str:
    """Name how many of each kind of unit a mix has, the smallest kind in each larger one."""
    names = list(trial.structure.factors)
    parts = []
    for name in names:
        inner = name == names[-1] and len(names) > 1
        key = "cli.power.part_inner" if inner else "cli.power.part"
        parts.append(message(key, number=row[name], units=Units((name,), row[name])))
    return ", ".join(map(str, parts))


def _percent(share: float) -> str:
    return spoken().percent(100 * share)


def _priced(key: str, trial: Trial, cost: float, **values: Any) -> Message:
    """Say a line, with the cost where it is known."""
    if cost != cost:
        return message(key, **values)
    currency = trial.prices.currency if trial.prices is not None else ""
    return message(f"{key}_priced", cost=spoken().money(cost, currency, 0), **values)
