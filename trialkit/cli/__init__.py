"""The command line: each command parses, calls the library, and prints."""

from __future__ import annotations

import gc
import sys

import typer

from trialkit.cli import beginning, judging, planning, sizing
from trialkit.cli.next_trial import next_
from trialkit.cli.pooling import pool
from trialkit.cli.today import today

__all__ = ["build", "main"]


def build(*, rich_help: bool) -> typer.Typer:
    """Put the commands together.

    Parameters
    ----------
    rich_help : bool
        Boxes and colours in the help pages; plain text otherwise.
    """
    app = typer.Typer(
        name="trialkit",
        help="Design, check, analyse and share misting trials of gourmet mushrooms.\n\n"
        "One folder is one trial. In the order of use: new, power, plan, check, analyse, "
        "report.\n\n"
        "Exit code 0: done. 1: the data stop it, with the list of what to fix. 2: wrong usage.",
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        rich_markup_mode="rich" if rich_help else None,
        context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    )
    app.callback()(_options)
    begin, look = "Begin", "Before you grow"
    judge, open_ = "When data come in", "Notebooks"
    app.command(rich_help_panel=begin)(beginning.demo)
    app.command(rich_help_panel=begin)(beginning.new)
    app.command(rich_help_panel=look)(planning.power)
    app.command(rich_help_panel=look)(planning.plan)
    app.command(rich_help_panel=look)(sizing.size)
    app.command(rich_help_panel=look)(planning.status)
    app.command(rich_help_panel=judge)(today)
    app.command(rich_help_panel=judge)(judging.check)
    app.command(rich_help_panel=judge)(judging.analyse)
    app.command(rich_help_panel=judge)(judging.report)
    app.command(rich_help_panel=judge)(judging.export)
    app.command("next", rich_help_panel=judge)(next_)
    app.command(rich_help_panel=judge)(pool)
    app.command(rich_help_panel=open_)(beginning.lab)
    return app


def _tell_version(wanted: bool) -> None:
    if wanted:
        import trialkit

        typer.echo(f"trialkit {trialkit.__version__}")
        raise typer.Exit


def _options(
    version: bool = typer.Option(
        False,
        "--version",
        metavar="",
        help="Show the version.",
        is_eager=True,
        callback=_tell_version,
    ),
) -> None:
    """Take the options that stand before a command; each does its work in its callback."""


def main() -> None:
    """Run the command line."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # a pipe with a narrow encoding must not end a run
            stream.reconfigure(errors="replace")
    gc.set_threshold(50_000, 20, 50)  # a short run leaves little behind; looking for it takes time
    build(rich_help=sys.stdout.isatty())()
