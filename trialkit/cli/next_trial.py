"""The command that works out the next trial of tuned settings: next."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from trialkit.cli.command import DONE, command, trial_folder
from trialkit.cli.screen import Screen
from trialkit.shell import quoted
from trialkit.wording import message, spoken

if TYPE_CHECKING:
    from trialkit.templates.next_outlook import NextTrial


@command("trialkit next spring summer", "trialkit next spring summer autumn --cost 120")
def next_(
    screen: Screen,
    places: Annotated[
        list[Path],
        typer.Argument(
            metavar="DIR... NEW", help="Folders of the trials so far, then that of the next one."
        ),
    ],
    cost: Annotated[
        float,
        typer.Option(
            min=0, metavar="MONEY", help="What the trial costs beside harvest, such as weighing."
        ),
    ] = 0.0,
    anyway: Annotated[
        bool,
        typer.Option("--anyway", metavar="", help="Write the file also where it says to stop."),
    ] = False,
) -> int:
    """Work out the next trial of tuned settings, and write its file.

    Takes all trials so far whose treatments have a range. It says which settings to try and why,
    what the choice after the trial is expected to give more, and what the trial costs; and it
    says to stop where a further trial would cost more than it brings or no gain is in sight.
    """
    from trialkit.analysis.trials_of_ranges import refuse_other_trials
    from trialkit.pipeline import Pipeline
    from trialkit.templates import write_draft
    from trialkit.templates.next_trial import propose_next_trial

    if len(places) < 2:
        raise typer.BadParameter("name the trials so far and a new folder", param_hint="DIR NEW")
    *old, new = places
    folders = [trial_folder(folder) for folder in old]
    if (new / "trial.toml").exists():
        raise typer.BadParameter(f"{new} holds a trial already", param_hint="NEW")
    jobs = [Pipeline(folder) for folder in folders]
    with screen.progress(message("progress.reading"), len(jobs) + 1) as step:
        trials = [job.trial for job in jobs]
        refuse_other_trials(trials)
        data = []
        for job in jobs:
            step(0, job.trial.title)
            data.append(job.data)
            step(1)
        found = propose_next_trial(trials, data, cost=cost)
        step(1)
    _tell(screen, found)
    if found.stop and not anyway:
        screen.say(message("next.not_written"))
        return DONE
    screen.wrote([write_draft(new, found.text)])
    screen.say(message("cli.power.next", command=f"trialkit plan {quoted(new)}"))
    return DONE


def _tell(screen: Screen, found: NextTrial) -> None:
    """Print what is said, and the settings that the plan tries."""
    from trialkit.display import show_table

    say = spoken()
    names = [s.name for s in found.surface.settings]
    screen.record |= {
        "said": [str(line) for line in found.said],
        "settings": found.table,
        "gain": vars(found.gain),
        "loss": found.loss,
        "net": found.net,
        "in_sight": found.in_sight,
        "stop": found.stop,
        "unit": found.unit,
    }
    for line in found.said:
        screen.say(line)
        screen.say("")
    columns = [*names, "units", "gain", "gain_low", "gain_high", "chance"]
    heads = {n: n if n in names else say.text(f"next.head.{n}", unit=found.unit) for n in columns}
    screen.show(
        show_table(
            found.table,
            columns=columns,
            heads=heads,
            formats={
                "chance": lambda v: say.percent(100 * float(str(v))),
                **dict.fromkeys(columns[-4:-1], lambda v: say.number(v, found.decimals)),
                **dict.fromkeys(names, say.number),
            },
            caption=say.text("next.caption"),
            notes=[say.text("next.note")],
        )
    )
    screen.say("")
    screen.findings(found.findings)
