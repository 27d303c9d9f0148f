"""Where a trial stands, and what comes next."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING

from trialkit.display import Shown, show_table
from trialkit.errors import TrialkitError
from trialkit.folder import log_files
from trialkit.pipeline import Pipeline
from trialkit.shell import quoted
from trialkit.wording import plural

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.trial import Trial

_SIGN = {"done": "✓", "under way": "…", "to do": "·", "needs care": "!"}


@dataclass(frozen=True)
class Status:
    """Where a trial stands. Make it with `trial_status`.

    Parameters
    ----------
    title : str
    table : DataFrame
        One row per step: `step`, `state` (``"done"``, ``"under way"``, ``"to do"`` or
        ``"needs care"``), `detail`.
    next : str
        What to do next, in one sentence.
    """

    title: str
    table: pd.DataFrame
    next: str

    def _shown(self) -> Shown:
        marked = self.table.assign(state=[f"{_SIGN[s]} {s}" for s in self.table["state"]])
        return show_table(marked, caption=self.title, notes=(f"Next: {self.next}",))

    def __str__(self) -> str:
        return self._shown().text()

    def _repr_html_(self) -> str:
        return self._shown().html()


def trial_status(trial: Trial, *, now: dt.datetime | None = None) -> Status:
    """Look at a trial's folder and say which steps are done.

    Parameters
    ----------
    trial : Trial
    now : datetime, optional
        Moment to judge dates by, with a time zone; the present by default.

    Returns
    -------
    Status

    Examples
    --------
    >>> import trialkit as tk
    >>> status = trial_status(tk.read_trial(tk.demo_folder()))
    >>> status.table.loc[0, "state"]
    'done'
    """
    import pandas as pd

    steps = Pipeline(trial)
    moment = now or dt.datetime.now(dt.UTC)
    counts = trial.structure.counts(trial.counts)
    units = counts[trial.structure.smallest]
    *harvested, last = _harvest(steps, units * trial.flushes)
    rows = [
        ("trial file", "done", _size(trial, units)),
        ("plan", *_plan(steps)),
        ("batches", *_batches(trial, moment, last)),
        ("harvest", *harvested),
    ]
    for kind, name in (("environment", "climate logs"), ("mist", "mist logs")):
        if kind in trial.logs:
            rows.append((name, *_files(trial, kind)))
    rows.append(("report", *_report(trial)))
    table = pd.DataFrame(rows, columns=["step", "state", "detail"])
    states = dict(zip(table["step"].astype(str), table["state"].astype(str), strict=True))
    return Status(trial.title, table, _next(trial, states))


def _size(trial: Trial, units: int) -> str:
    name = trial.structure.factors[-1]
    flushes = f", {trial.flushes} flushes" if trial.flushes > 1 else ""
    return f"{units} {plural(name) if units > 1 else name}{flushes}"


def _plan(steps: Pipeline) -> tuple[str, str]:
    try:
        plan = steps.plan
    except TrialkitError as problem:
        return "needs care", str(problem)
    if plan is None:
        return "to do", "nothing drawn yet"
    if plan.version == "by hand":
        return "done", f"laid out by hand, plan {plan.hash[:12]}"
    return "done", f"drawn from seed {plan.seed}, plan {plan.hash[:12]}"


def _batches(trial: Trial, now: dt.datetime, last: dt.datetime | None) -> tuple[str, str]:
    """Count the batches that have begun; a harvest that is in shows that its day has come."""
    now = max(now, last) if last is not None else now
    dates = trial.batches.values()
    started = sum(b.start is not None and b.start <= now for b in dates)
    ended = sum(b.end is not None and b.end <= now for b in dates)
    undated = sum(b.start is None for b in dates)
    detail = f"{started} of {len(dates)} started, {ended} ended"
    if undated:
        detail += f", {undated} without a date"
    if ended == len(dates):
        return "done", detail
    return ("under way" if started else "to do"), detail


def _harvest(steps: Pipeline, expected: int) -> tuple[str, str, dt.datetime | None]:
    """Say how much of the harvest is in, and when the last of it was picked."""
    trial = steps.trial
    if "harvest" not in trial.logs:
        return "to do", "the trial file names no harvest log", None
    if not log_files(trial, "harvest"):
        return "to do", f"no file yet: {', '.join(trial.logs['harvest'].files)}", None
    try:
        log = steps.harvest
    except TrialkitError as problem:
        return "needs care", str(problem), None
    assert log is not None  # the trial file names one
    got = len(log.table)
    picked = log.table["time"].max()
    last = None if picked is None or picked != picked else picked.to_pydatetime()
    aside = int(log.ledger.summary()["set_aside"].sum())
    detail = f"{got} of {expected} rows"
    if aside:
        detail += f", {aside} set aside"
    if got + aside >= expected:
        # a whole harvest shows that every batch has ended
        ends = [dates.end for dates in trial.batches.values() if dates.end is not None]
        return (
            ("needs care" if aside else "done"),
            detail,
            max([*ends, *([last] if last else [])], default=None),
        )
    return "under way", detail, last


def _files(trial: Trial, kind: str) -> tuple[str, str]:
    paths = log_files(trial, kind)
    if not paths:
        return "to do", f"no file yet: {', '.join(trial.logs[kind].files)}"
    size = sum(path.stat().st_size for path in paths) / 1e6
    return "under way", f"{len(paths)} file{'s' * (len(paths) != 1)}, {size:.1f} MB"


def _report(trial: Trial) -> tuple[str, str]:
    path = trial.folder / "report.html"
    if not path.exists():
        return "to do", "not written yet"
    inputs = [trial.source, *(p for kind in trial.logs for p in log_files(trial, kind))]
    if any(p.stat().st_mtime > path.stat().st_mtime for p in inputs):
        return "needs care", f"{path.name} is older than the trial file or a log"
    return "done", path.name


def _next(trial: Trial, state: dict[str, str]) -> str:
    folder = quoted(trial.folder)
    if state["plan"] == "to do":
        return f"draw the plan: trialkit plan {folder}"
    if state["plan"] == "needs care":
        return "mend the plan as said above, before anything else"
    if state["batches"] == "to do" and state["harvest"] != "to do":
        return (
            f"write when each batch began and ended under [batches] in {trial.source.name}, then "
            f"look at the logs: trialkit check {folder}"
        )
    if state["batches"] == "to do":
        return f"start the first batch and write its date under [batches] in {trial.source.name}"
    if state["harvest"] == "to do":
        return (
            "fill in plan/harvest_sheet.csv at each picking and save it where the trial file says"
        )
    if state["harvest"] == "needs care" and state["report"] != "done":
        return (
            f"see what was set aside and mend it: trialkit check {folder}; "
            f"then write the report: trialkit report {folder}"
        )
    if state["harvest"] == "under way":
        return f"go on; look at the logs now and then: trialkit check {folder}"
    if state["report"] != "done":
        return f"write the report: trialkit report {folder}"
    return f"read {quoted(trial.folder / 'report.html')} and share it"
