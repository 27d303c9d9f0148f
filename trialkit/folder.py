"""Plan and logs in a trial's folder, found and read in one manner for every use.

What is not there is none. What is there and cannot be read stops the work with an error that
says where and why: nothing is passed over in silence.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from trialkit.errors import Finding, LogError
from trialkit.wording import finding, several

if TYPE_CHECKING:
    from trialkit.design.plan import Plan
    from trialkit.logs.climate.large import LargeLog
    from trialkit.logs.log import Log
    from trialkit.trial import Trial


#: Kinds of log, in the order in which they are read and shown.
LOG_KINDS = ("harvest", "environment", "mist")


def read_plan_there(trial: Trial) -> Plan | None:
    """Read the plan in a trial's folder; None where no plan was drawn or laid out by hand.

    Raises
    ------
    PlanError
        If a plan is there but cannot be read, does not fit the trial or was changed.

    Examples
    --------
    >>> import trialkit as tk
    >>> read_plan_there(tk.read_trial(tk.demo_folder())).seed
    2031
    """
    from trialkit.design.plan import read_plan

    folder = trial.folder / "plan"
    if not any((folder / name).exists() for name in ("plan.json", "assignment.csv")):
        return None
    return read_plan(trial)


def read_log(trial: Trial, kind: str) -> Log | None:
    """Read a log of a trial; None where its file names no such log.

    Parameters
    ----------
    trial : Trial
    kind : {"harvest", "environment", "mist"}

    Raises
    ------
    LogError
        If the files that the trial file names are not there or cannot be read.
    """
    from trialkit.logs.climate.read import read_environment
    from trialkit.logs.harvest.read import read_harvest
    from trialkit.logs.mist.read import read_mist

    readers = {"harvest": read_harvest, "environment": read_environment, "mist": read_mist}
    read = readers[kind]
    return read(trial) if kind in trial.logs else None


def read_climate(
    trial: Trial, *, progress: Callable[[int, int], object] | None = None
) -> Log | LargeLog | None:
    """Read the climate log of a trial, chamber by chamber where it is too large for memory.

    Parameters
    ----------
    trial : Trial
    progress : callable, optional
        Told (steps done, steps in all) while a log too large for memory is read.

    Raises
    ------
    LogError
        If the files that the trial file names are not there or cannot be read.
    """
    from trialkit.logs.climate.large import is_large, read_large_environment

    if is_large(trial):
        return read_large_environment(trial, progress=progress)
    return read_log(trial, "environment")


def log_files(trial: Trial, kind: str) -> list[Path]:
    """List the files there are of a log of the trial file; none where none has come in yet."""
    return sorted(log_files_named(trial, kind))


def log_files_named(trial: Trial, kind: str) -> dict[Path, str]:
    """Give the files there are of a log, each with its name within the trial's folder."""
    from trialkit.logs.text.files import find_files

    found: dict[Path, str] = {}
    for pattern in trial.logs[kind].files:
        try:
            found |= {p: n for p, n in find_files(trial.folder, [pattern]) if p not in found}
        except LogError:  # nothing fits the pattern, which is what is asked here
            continue
    return found


def unnamed_files(trial: Trial) -> list[Finding]:
    """Tell files in the trial's logs folder that no log of the trial file names."""
    there = {p.resolve() for p in (trial.folder / "logs").glob("*") if p.is_file()}
    there = {p for p in there if not p.name.startswith((".", "~$"))}
    named = {path.resolve() for kind in trial.logs for path in log_files(trial, kind)}
    left = sorted(p.name for p in there - named)
    if not left:
        return []
    shown = several([f"logs/{name}" for name in left], 8)
    return [finding("files_unnamed", "caution", files=shown)]
