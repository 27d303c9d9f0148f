"""Commands that begin something: new, demo, lab."""

from __future__ import annotations

import os
import secrets
import sys
from importlib.util import find_spec
from pathlib import Path
from typing import Annotated, Any

import typer

from trialkit.cli.command import DONE, OUR_FAULT, Folder, command
from trialkit.cli.questions import (
    Dialog,
    number_within,
    split_names,
    understand_chambers,
    understand_second,
)
from trialkit.cli.screen import Screen
from trialkit.errors import ReportError, TrialFileError
from trialkit.shell import quoted
from trialkit.wording import message, spoken


@command(
    "trialkit new my-trial",
    "trialkit new my-trial --chambers left,right --batches 4 --now 20/220 --versus sparse=20/460",
)
def new(
    screen: Screen,
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder for the new trial.")],
    title: Annotated[
        str | None, typer.Option(metavar="WORDS", help="The question, in a few words.")
    ] = None,
    species: Annotated[str | None, typer.Option(metavar="WORDS", help="What grows.")] = None,
    time_zone: Annotated[
        str | None,
        typer.Option(metavar="ZONE", help="Time zone of your clocks, or its city: Vienna."),
    ] = None,
    chambers: Annotated[
        str | None,
        typer.Option(
            metavar="N|NAMES", help="How many tents or boxes, or their names with commas."
        ),
    ] = None,
    batches: Annotated[
        int | None,
        typer.Option(min=1, metavar="N", help="Starts of fruiting, one after the other."),
    ] = None,
    shelves: Annotated[
        str | None,
        typer.Option(metavar="NAMES", help="Names of the shelves in a chamber, with commas."),
    ] = None,
    blocks: Annotated[
        int | None,
        typer.Option(min=1, metavar="N", help="Blocks on each shelf, or in each chamber."),
    ] = None,
    flushes: Annotated[
        int | None, typer.Option(min=1, metavar="N", help="Waves of picking that are weighed.")
    ] = None,
    now: Annotated[
        str | None,
        typer.Option(
            metavar="SETTING",
            help="Schedule you use now: 20/220 (seconds on/off), or 20 s every 4 min.",
        ),
    ] = None,
    versus: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=SETTING",
            help="One to compare: sparse=20/460, or banded=85-90%. May repeat.",
        ),
    ] = None,
    margin: Annotated[
        float | None, typer.Option(metavar="PERCENT", help="Loss you would still accept, in %.")
    ] = None,
    second: Annotated[
        str | None,
        typer.Option(
            metavar="NAME:LEVELS",
            help="A second treatment on shelves or blocks, control first: light:dim,bright.",
        ),
    ] = None,
    seed: Annotated[
        int | None, typer.Option(min=0, metavar="N", help="Random seed; any whole number.")
    ] = None,
) -> int:
    """Begin a trial: write a commented trial.toml that already runs.

    On a terminal and without options it asks a few questions, each with a sensible answer ready,
    shows who would receive what, and writes nothing before you agree.
    """
    from trialkit.cli.preview import show_preview
    from trialkit.templates import draft_trial, read_draft, write_draft

    if (folder / "trial.toml").exists():
        raise typer.BadParameter(f"{folder} holds a trial already", param_hint="DIR")
    given: dict[str, Any] = {
        "title": title,
        "species": species,
        "time_zone": time_zone,
        "chambers": chambers,
        "batches": batches,
        "shelves": shelves,
        "blocks": blocks,
        "flushes": flushes,
        "now": now,
        "versus": versus,
        "margin": margin,
        "second": second,
        "seed": seed,
    }
    given = {name: value for name, value in given.items() if value is not None}
    if not given and not screen.as_json and sys.stdin.isatty() and sys.stdout.isatty():
        text = _agree(screen)
    else:
        text = draft_trial(**_understood(given))
        if not screen.as_json:
            show_preview(screen, read_draft(text))
    screen.wrote([write_draft(folder, text)])
    commands = {
        "power": f"trialkit power {quoted(folder)}",
        "command": f"trialkit plan {quoted(folder)}",
    }
    screen.say(message("cli.new.next", **commands))
    return DONE


def _agree(screen: Screen) -> str:
    """Ask everything, show what it comes to, and change answers until it is right."""
    from trialkit.cli.preview import show_preview
    from trialkit.templates import draft_trial, read_draft

    dialog = Dialog(_time_zone())
    seed = secrets.randbelow(10**6)  # one seed, so that the map shown is the map drawn
    dialog.ask_all()
    while True:
        text, trial = "", None
        try:
            text = draft_trial(seed=seed, **_arguments(dialog.values()))
            trial = read_draft(text)
        except TrialFileError as problem:
            screen.say(str(problem), style="red")
        screen.heading(message("new.your_answers"))
        for line in dialog.listed():
            screen.say(line)
        if trial is not None:
            show_preview(screen, trial)
        yes = str(message("new.yes"))
        ready = yes if trial is not None else str(len(dialog.questions()))
        question = message("new.agree" if trial is not None else "new.agree_not_yet")
        answer = str(typer.prompt(str(question), default=ready)).strip().casefold()
        if trial is not None and answer in {yes, yes[:1], "yes", "y"}:
            return text
        number = number_within(answer, 1, len(dialog.questions()))
        if number is not None:
            dialog.change(number)
        else:
            screen.say(message("new.wrong.number", most=len(dialog.questions())))


def _arguments(values: dict[str, Any]) -> dict[str, Any]:
    """Turn the answers of the dialog into those of a draft."""
    rest = {k: v for k, v in values.items() if k not in ("now", "versus", "margin")}
    schedules = {str(message("new.usual")): values["now"], **values["versus"]}
    return {**rest, "schedules": schedules, "margin_pct": values["margin"]}


def _understood(given: dict[str, Any]) -> dict[str, Any]:
    """Turn the options into the answers of a draft; what is not understood is wrong usage."""
    from trialkit.trial.zone_names import find_zone_names

    zone = given.get("time_zone")
    found = find_zone_names(zone, spoken().language) if zone else [_time_zone()]
    if len(found) > 1:
        raise typer.BadParameter(
            str(message("new.wrong.zone_several", text=zone, zones=found[:6])),
            param_hint="--time-zone",
        )
    kept = ("title", "species", "batches", "blocks", "flushes", "seed")
    second = given.get("second")
    try:
        return {
            **{name: given[name] for name in kept if name in given},
            "time_zone": found[0] if found else zone,
            "chambers": understand_chambers(given.get("chambers", "4"), {}),
            "shelves": split_names(given["shelves"]) if given.get("shelves") else [],
            "schedules": _schedules(given.get("now", "20/220"), given.get("versus")),
            "margin_pct": given.get("margin", 10),
            "second": understand_second(second, {}) if second else None,
        }
    except ValueError as problem:
        raise typer.BadParameter(str(problem)) from None


def _schedules(now: str, versus: list[str] | None) -> dict[str, str]:
    usual = str(message("new.usual"))
    schedules = {usual: now}
    for text in versus or [f"{message('new.sparse')}=20/460"]:
        name, equals, setting = text.partition("=")
        if not equals or not name.strip():
            raise typer.BadParameter(
                f"{text!r}: write NAME=SETTING, such as sparse=20/460", param_hint="--versus"
            )
        if name.strip() in schedules:
            raise typer.BadParameter(
                f"{name.strip()!r} appears twice ({schedules[name.strip()]} and "
                f"{setting.strip()}); give each schedule its own name"
                + (f"; your present one is called {usual}" if name.strip() == usual else ""),
                param_hint="--versus",
            )
        schedules[name.strip()] = setting.strip()
    return schedules


def _time_zone() -> str:
    """Guess the machine's time zone by name; UTC where it does not say."""
    from zoneinfo import ZoneInfo

    places = [os.environ.get("TZ", "")]
    link = Path("/etc/localtime")
    if link.is_symlink():
        places.append(str(link.resolve()).partition("zoneinfo/")[2])
    for name in places:
        try:
            if name:
                return ZoneInfo(name).key
        except (ValueError, OSError, LookupError):
            continue
    return "UTC"


@command("trialkit demo", "trialkit demo --tuned", "trialkit demo somewhere/else")
def demo(
    screen: Screen,
    folder: Annotated[
        Path | None, typer.Argument(metavar="[DIR]", help="Folder to copy the invented trial to.")
    ] = None,
    tuned: Annotated[
        bool,
        typer.Option(
            "--tuned",
            metavar="",
            help="The trial that looks for the best mist and light, not that of named schedules.",
        ),
    ] = False,
) -> int:
    """Copy an invented trial and run the whole job on it.

    The logs are checked, the model fitted, the question decided and the report written.
    """
    from trialkit.cli.judging import tell_analysis, tell_check, tell_report
    from trialkit.demo import copy_demo
    from trialkit.pipeline import SHARE, Pipeline

    if folder is None:
        folder = Path("trialkit-demo-tuned" if tuned else "trialkit-demo")
    if folder.exists() and not folder.is_dir():
        raise typer.BadParameter(f"{folder} is a file", param_hint="DIR")
    if (folder / "trial.toml").exists():
        _refuse_foreign(folder, tuned)
    elif folder.exists() and any(folder.iterdir()):
        raise typer.BadParameter(f"{folder} is not empty; name another folder", param_hint="DIR")
    copy_demo(folder, tuned=tuned)
    screen.say(message(f"cli.demo.{'tuned' if tuned else 'copied'}", folder=str(folder)))
    steps = Pipeline(folder)
    with screen.progress(message("progress.reading"), sum(SHARE.values())) as step:
        steps.watch(step)
        made = steps.write_report(folder / "report.html")
    # the report of named schedules holds the pictures of the check: they are not drawn twice
    codes = [tell_check(screen, steps, pictures=tuned), tell_analysis(screen, steps)]
    screen.heading(message("cli.demo.have"))
    screen.say(message("cli.demo.commands", command=f"trialkit lab {quoted(folder)}"))
    codes.append(tell_report(screen, steps, made))
    return max(codes)


def _refuse_foreign(folder: Path, tuned: bool) -> None:
    from trialkit.demo import demo_folder

    ours = (demo_folder(tuned=tuned) / "trial.toml").read_bytes()
    if (folder / "trial.toml").read_bytes() != ours:
        raise typer.BadParameter(
            f"{folder} holds a trial of your own; name another folder", param_hint="DIR"
        )


@command("trialkit lab my-trial", "trialkit lab my-trial --no-browser --port 9000")
def lab(
    screen: Screen,
    folder: Folder = Path(),
    browser: Annotated[
        bool, typer.Option("--browser/--no-browser", metavar="", help="Open a browser window.")
    ] = True,
    start: Annotated[
        bool, typer.Option("--start/--no-start", metavar="", help="Start JupyterLab, or only copy.")
    ] = True,
    port: Annotated[int, typer.Option(metavar="N", help="Port to serve on.")] = 8888,
) -> int:
    """Open the guided notebooks on a trial in JupyterLab.

    Copies them to DIR/notebooks, set to this trial. Notebooks you already have are left as
    they are. The first one also begins a trial, so the folder may still be empty.
    """
    from trialkit.templates.notebooks import copy_notebooks

    made = copy_notebooks(folder)
    screen.wrote(made)
    if not made:
        screen.say(message("cli.lab.left"))
    if not start:
        return DONE
    if find_spec("jupyterlab") is None or find_spec("ipywidgets") is None:
        raise ReportError(str(message("cli.lab.missing")))
    arguments = [
        sys.executable,
        "-m",
        "jupyterlab",
        f"--ServerApp.root_dir={folder.resolve()}",
        "--ServerApp.ip=localhost",
        f"--ServerApp.port={port}",
        "--LabApp.default_url=/lab/tree/notebooks/1_design.ipynb",
    ]
    if not browser:
        arguments.append("--no-browser")
    if getattr(os, "geteuid", lambda: 1)() == 0:  # as in a container
        arguments.append("--allow-root")
    screen.say(message("cli.lab.starts"))
    return _serve(arguments)


def _serve(arguments: list[str]) -> int:
    """Run JupyterLab until it ends; Ctrl-C is its own to handle."""
    import subprocess

    process = subprocess.Popen(arguments)
    try:
        return DONE if process.wait() == 0 else OUR_FAULT
    except KeyboardInterrupt:
        process.terminate()
        process.wait(timeout=20)
        return DONE
