"""The command for the morning: what a running trial does today."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from trialkit.cli.command import DONE, STOPPED_BY_DATA, Folder, command, trial_folder
from trialkit.cli.screen import Screen

if TYPE_CHECKING:
    from trialkit.trial import Trial


@command("trialkit today my-trial", "0 7 * * *  trialkit today my-trial || mail …   (each morning)")
def today(
    screen: Screen,
    folder: Folder = Path(),
    at: Annotated[
        str | None,
        typer.Option(
            metavar="TIME", help="Look from another moment, local time: 2031-01-20T07:00."
        ),
    ] = None,
    to: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Where to write the page; DIR/today.html by default."),
    ] = None,
) -> int:
    """Say what each chamber does now, what is due and what is wrong.

    Prints it and writes DIR/today.html, a page for a phone. Only the newest rows of the logs are
    read. Exit code 0: all well and nothing due. 1: something is wrong or due. 2: wrong usage.
    """
    import trialkit as tk
    from trialkit.today.look import trial_today
    from trialkit.today.page import write_today

    trial = tk.read_trial(trial_folder(folder))
    found = trial_today(trial, now=_moment(at, trial), looking_back=at is not None)
    screen.record |= {
        "trial": trial.title,
        "now": found.now.isoformat(),
        "standing": str(found.standing),
        "chambers": found.chambers,
        "due": [str(line) for line in found.due],
        "all_well": found.all_well,
    }
    screen.keep(found.wrong)
    screen.say(found)
    screen.say("")
    screen.wrote([write_today(found, to or trial.folder / "today.html")])
    return DONE if found.all_well else STOPPED_BY_DATA


def _moment(text: str | None, trial: Trial) -> dt.datetime | None:
    """Read a moment in the trial's time zone."""
    if text is None:
        return None
    try:
        moment = dt.datetime.fromisoformat(text)
    except ValueError:
        raise typer.BadParameter(
            f"{text!r} is no moment such as 2031-01-20T07:00", param_hint="--at"
        ) from None
    return moment if moment.tzinfo else moment.replace(tzinfo=trial.zone)
