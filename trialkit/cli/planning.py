"""Commands before the first block goes in: plan, power, status."""

from __future__ import annotations

import datetime as dt
from collections.abc import Hashable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trialkit.cli.command import DONE, Folder, command, trial_folder
from trialkit.cli.finding_out import (
    percent,
    priced,
    say_how_worked_out,
    say_order_of_starts,
    say_what_can_be_found,
    say_what_is_left,
)
from trialkit.cli.screen import Screen
from trialkit.next_plan import (
    batches_weighed,
    entries_of_runs,
    next_plan,
    plan_in_parts,
)
from trialkit.shell import quoted
from trialkit.wording import Message, Units, finding, message

if TYPE_CHECKING:
    from trialkit.design.layout.draw_record import Draw
    from trialkit.design.plan import Plan
    from trialkit.design.power.power import Power
    from trialkit.trial import Trial


#: Simulated trials behind the chance that `plan` tells of what remains.
_TRIALS = 1000
#: … and behind the chance that `power` tells: it is right to about a point, in half the time.
_TRIALS_OF_POWER = 2000
#: Chance below which the settings are more likely not shown to matter.
_LIKELY = 0.5
#: Blocks expected to be lost, and the chance that is wanted, unless told otherwise [%].
_LOST, _WANTED = 5.0, 80.0


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

    Once the trial runs, only what has not begun is drawn: a chamber or a batch that was added
    joins by a draw of its own, and what was drawn before stands.
    """
    import trialkit as tk
    from trialkit.cautions import list_cautions, uses_of
    from trialkit.design.layout.covariate_balance import covariate_lines
    from trialkit.design.power.over_time import choose_over_time
    from trialkit.trial.doubtful_entries import tell_doubtful_entries

    trial = tk.read_trial(trial_folder(folder))
    weighed, now = batches_weighed(trial), dt.datetime.now(dt.UTC).replace(microsecond=0)
    with screen.counted(message("progress.plan")) as tell:
        drawn = next_plan(trial, seed=seed, beside=beside, weighed=weighed, progress=tell)
        wrote = drawn.write(trial.folder, keep_old=beside, weighed=weighed, labels=labels)
    laid = tk.strata(drawn.trial, plan=drawn)
    screen.record |= {
        "trial": trial.title,
        "seed": drawn.seed,
        "hash": drawn.hash,
        "assignment": drawn.table,
        "strata": laid.table,
    }
    if trial.tuned:  # what is tried is known only now
        trial = drawn.trial
    screen.say(drawn)
    _say_draws(screen, tk.read_plan(trial), now)
    screen.findings(tell_doubtful_entries(trial))
    screen.heading(message("cli.plan.judged"))
    for sentence in laid.sentences:
        screen.say(sentence, indent="  ")
    if not drawn.draws:
        for line in covariate_lines(trial):
            screen.say(line, indent="  ")
    ways = choose_over_time(trial)
    say_order_of_starts(screen, ways, None, trial, drawn=True)
    _say_room(screen, trial)
    screen.heading(message("cli.plan.cautions"))
    for caution in list_cautions(where="plan", uses=uses_of(trial)):
        screen.say(f"{caution.title}: {caution.short}", indent="  ")
    full = str(trial.folder / "plan" / "checklist.html")
    screen.say(message("cli.plan.cautions_full", file=full), indent="  ")
    screen.say("")
    screen.wrote(wrote)
    dated = set(trial.levels.get("batch", ("all",))) <= {
        n for n, b in trial.batches.items() if b.start
    }
    key = "next_dated" if dated else "next"
    screen.say(message(f"cli.plan.{key}", folder=str(trial.folder / "plan")))
    return DONE


def _say_draws(screen: Screen, plan: Plan, now: dt.datetime) -> None:
    """Say what stands, what was drawn now, and what had begun before it was drawn."""
    if not plan.draws:
        return
    last = plan.draws[-1]
    drawn = len(last.units) if last.at >= now else 0
    stands = len(plan.table) - drawn
    if stands:
        units = Units((plan.trial.structure.smallest[-1],), stands)
        screen.say(
            message("cli.plan.stands", number=stands, units=units, drawn=drawn)
            if drawn
            else message("cli.plan.nothing_new")
        )
    if plan.in_parts:
        _say_remains(screen, plan)
    begun = [name for name in last.begun if _drawn_in(plan, name, last)]
    screen.record |= {"draws": [draw.to_data() for draw in plan.draws], "begun": begun}
    if not begun:
        return
    # what ran cannot be told as a setting of a range
    lines = [] if plan.trial.tuned else entries_of_runs(plan, begun)
    if not lines and not plan.trial.tuned:
        return  # all of it is told already
    screen.say(message("cli.plan.begun", batches=begun), style="yellow")
    if plan.trial.tuned:
        return
    screen.say(message("cli.plan.say_given"))
    screen.record["lines"] = lines
    screen.say("")
    for line in lines:
        screen.say(line, indent="  ")


def _say_remains(screen: Screen, plan: Plan) -> None:
    """Say what can still be found with the units that remain."""
    import trialkit as tk

    found = tk.power(plan.trial, plan=plan, trials=_TRIALS)
    screen.record["power_of_what_remains"] = found.table
    screen.heading(message("cli.plan.remains"))
    screen.say(_weakest(found), indent="  ")
    screen.say("")


def _drawn_in(plan: Plan, batch: str, draw: Draw) -> bool:
    """Tell whether a draw drew units of a batch."""
    from trialkit.design.layout.draw_record import batch_of

    batches = batch_of(plan.trial)
    return any(batches.get(code) == batch for code in draw.units)


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
        said = (
            *seen.sentences,
            seen.worst_times,
            seen.narrowing,
            seen.assumptions,
            *doubts,
            seen.left_out,
        )
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
    screen.say(now)
    return DONE


@command("trialkit power my-trial", "trialkit power my-trial --margin 8 --tables")
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
    ] = _LOST,
    wanted: Annotated[
        float,
        typer.Option(
            min=1, max=99, metavar="PERCENT", help="Chance of a clear answer that you want."
        ),
    ] = _WANTED,
    tables: Annotated[
        bool, typer.Option("--tables", metavar="", help="Show the tables behind the sentences.")
    ] = False,
) -> int:
    """Say what this layout can find out, before anything is grown.

    First what you can find with what you have, then what each change would buy. The variation is
    what is usual until a trial of your own says better.
    """
    import trialkit as tk
    from trialkit.design.power.changes import second_box
    from trialkit.design.power.over_time import choose_over_time
    from trialkit.design.power.remains import remains_notes
    from trialkit.trial.doubtful_entries import tell_doubtful_entries

    trial = tk.read_trial(trial_folder(folder))
    if trial.tuned:
        unused = {"--margin": margin is not None, "--lost": lost != _LOST, "--tables": tables}
        unused["--wanted"] = wanted != _WANTED
        return _say_surface_power(screen, trial, difference, [k for k, v in unused.items() if v])
    with screen.counted(message("progress.power")) as tell:
        found = tk.power(
            trial,
            difference_pct=difference,
            margin_pct=margin,
            lost=lost,
            wanted=wanted / 100,
            progress=tell,
            plan=plan_in_parts(trial),
            trials=_TRIALS_OF_POWER,
        )
        needed, then, mixes = found.needed, found.next_step, found.cheapest
        bought, box, ways = found.changes, second_box(found), choose_over_time(trial)
    screen.record |= {
        "trial": trial.title,
        "power": found.table,
        "changes": bought,
        "by_look": found.by_look,
        "needed": needed,
        "one_more": then,
        "cheapest": mixes,
        "over_time": None if ways is None else ways.table,
        "second_box": None if box is None else vars(box),
    }
    screen.findings(tell_doubtful_entries(trial))
    say_what_can_be_found(screen, found, bought)
    say_order_of_starts(screen, ways, box, trial)
    screen.heading(message("cli.power.means"))
    screen.say(_weakest(found), indent="  ")
    say_what_is_left(screen, found, bought)
    for said in remains_notes(trial):
        screen.say(said, indent="  ")
    if found.table["power"].min() < found.wanted:
        screen.heading(message("cli.power.enough", wanted=percent(found.wanted)))
        for line in _enough(found):
            screen.say(line, indent="  ")
    say_how_worked_out(screen, found, bought)
    screen.say("")
    if tables:
        screen.say(found)
        if ways is not None:
            screen.say("")
            screen.show(ways.show())
    else:
        screen.say(message("cli.power.tables", command=_again(folder)))
    screen.say(message("cli.power.next", command=f"trialkit plan {quoted(trial.folder)}"))
    return DONE


def _say_surface_power(
    screen: Screen, trial: Trial, difference: float | None, unused: list[str]
) -> int:
    """Say what a trial of ranges can find out, what of it is not tried, and what was not used."""
    import trialkit as tk
    from trialkit.design.points.chance import chance_to_see
    from trialkit.design.points.draw import settings_of_units
    from trialkit.trial.doubtful_entries import tell_doubtful_entries

    with screen.counted(message("progress.plan")) as tell:
        drawn = tk.assign(trial, progress=tell)
    laid = tk.strata(drawn.trial, plan=drawn)
    values = settings_of_units(trial, drawn.table)
    fall = trial.question.difference_pct if difference is None else difference
    low, middle, high = chance_to_see(trial, values, fall, laid.table["error_df"].min())
    screen.record |= {"trial": trial.title, "low": low, "power": middle, "high": high}
    screen.heading(message("cli.power.surface"))
    shares = {"chance": percent(middle), "low": percent(low), "high": percent(high)}
    screen.say(message("cli.power.hill", fall=fall, **shares), indent="  ")
    if middle < _LIKELY:
        screen.say(message("cli.power.hill_small"), indent="  ")
    for sentence in laid.sentences:
        screen.say(sentence, indent="  ")
    screen.findings([*tell_doubtful_entries(trial), *drawn.findings])
    if unused:
        screen.findings([finding("power_option_unused", "note", options=unused)])
    screen.say("")
    screen.say(message("cli.power.next", command=f"trialkit plan {quoted(trial.folder)}"))
    return DONE


def _again(folder: Path) -> str:
    return f"trialkit power {quoted(folder)} --tables"


def _weakest(found: Power) -> Message:
    """Say in a sentence whether the layout is large enough."""
    row = found.table.nsmallest(1, "power").to_dict("records")[0]
    shares = {name: percent(row[name]) for name in ("power", "low", "high")}
    chance = message("cli.power.chance", **shares)
    if row["power"] >= found.wanted:
        return message("cli.power.large", chance=chance)
    return message("cli.power.small", chance=chance, wanted=percent(found.wanted))


def _enough(found: Power) -> list[Message]:
    """Say how many of each kind of unit are enough, and the mixes that need least."""
    trial = found.trial
    lines = []
    for row in found.needed.to_dict("records"):
        units, cost = Units((str(row["unit"]),)), row["cost"]
        if row["needed"] != row["needed"]:
            if not row["power"] > 0:  # no layout with more of them, so nothing to say
                continue
            lines.append(message("cli.power.never", units=units, chance=percent(row["power"])))
        else:
            counts = {"needed": row["needed"], "now": row["now"]}
            lines.append(priced("cli.power.alone", trial, cost, units=units, **counts))
    for row in found.cheapest.head(3).to_dict("records"):
        mix, chance = _mix(trial, row), percent(row["power"])
        lines.append(priced("cli.power.mix", trial, row["cost"], mix=mix, chance=chance))
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
