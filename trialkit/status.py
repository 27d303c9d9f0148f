"""Where a trial stands, and what comes next."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING

from trialkit.decision.look_due import look_due
from trialkit.design.question_record import question_changes
from trialkit.display import Shown, show_table
from trialkit.errors import LogError, TrialkitError
from trialkit.folder import log_files
from trialkit.logs.text.files import find_files, hash_file
from trialkit.pipeline import Pipeline
from trialkit.report.made_from import MadeFrom, differences, made_from, read_made_from
from trialkit.right_kind import check_kinds
from trialkit.shell import quoted
from trialkit.short_repr import short_repr
from trialkit.tabular import Tabular
from trialkit.trial.doubtful_entries import tell_doubtful_entries
from trialkit.visible_text import quote
from trialkit.wording import Message, Units, message, several, spoken

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.trial import Trial

_SIGN = {"done": "✓", "under way": "…", "to do": "·", "needs care": "!"}


@dataclass(frozen=True)
class Status(Tabular):
    """Where a trial stands. Make it with `trial_status`.

    Parameters
    ----------
    title : str
    table : DataFrame
        One row per step: `step`, `state` (``"done"``, ``"under way"``, ``"to do"`` or
        ``"needs care"``), `detail`.
    to_do : Message
        What to do next, in one sentence.
    invented : bool
        Whether the trial is made up.
    """

    title: str
    table: pd.DataFrame
    to_do: Message
    invented: bool = False

    _entries = ("title", "table", "next")
    __repr__ = short_repr

    @property
    def next(self) -> str:
        """Say what to do next, in the language in use."""
        return str(self.to_do)

    def _shown(self) -> Shown:
        say = spoken()
        told = [say.text("trial_words.invented")] if self.invented else []
        return show_table(
            self.table,
            heads={name: say.text(f"standing.head.{name}") for name in self.table.columns},
            formats={
                "step": lambda step: say.text(f"standing.step.{step}"),
                "state": lambda state: f"{_SIGN[str(state)]} {say.text(f'standing.state.{state}')}",
            },
            caption=self.title,
            notes=(*told, say.text("standing.next", what=self.to_do)),
        )

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
    check_kinds("trial_status", trial=trial)
    import pandas as pd

    steps = Pipeline(trial)
    moment = now or dt.datetime.now(dt.UTC)
    counts = trial.structure.counts(trial.counts)
    units = counts[trial.structure.smallest]
    *harvested, last = _harvest(steps, (units - len(trial.given_up)) * trial.flushes)
    rows = [
        ("trial file", "done", _size(trial, units)),
        ("plan", *_plan(steps)),
        *_question(steps),
        ("batches", *_batches(trial, moment, last)),
        *(("doubt", "needs care", found.said) for found in tell_doubtful_entries(trial)),
        ("harvest", *harvested),
    ]
    for kind, name in (("environment", "climate logs"), ("mist", "mist logs")):
        if kind in trial.logs:
            rows.append((name, *_files(trial, kind, read=harvested[0] == "done")))
    looks = look_due(trial, _harvest_rows(steps))
    if looks is not None:
        rows.append(("looks", *looks))
    rows.append(("report", *_report(steps)))
    table = pd.DataFrame(rows, columns=["step", "state", "detail"])
    states = dict(zip(table["step"].astype(str), table["state"].astype(str), strict=True))
    return Status(trial.title, table, _next(trial, states), trial.invented)


def _size(trial: Trial, units: int) -> Message:
    size = {"number": units, "units": Units((trial.structure.factors[-1],), units)}
    if trial.flushes == 1:
        return message("standing.size", **size)
    flushes = message("count.flush", count=trial.flushes)
    return message("standing.size_flushes", flushes=flushes, **size)


def _plan(steps: Pipeline) -> tuple[str, object]:
    try:
        plan = steps.plan
    except TrialkitError as problem:
        return "needs care", str(problem)
    if plan is None:
        return "to do", message("standing.plan_none")
    short = plan.hash[:12]
    if plan.version == "by hand":
        return "done", message("standing.plan_by_hand", plan=short)
    return "done", message("standing.plan_made", seed=plan.seed, plan=short)


def _question(steps: Pipeline) -> list[tuple[str, str, object]]:
    """Give a row where the question is another than when the plan was drawn."""
    try:
        plan = steps.plan
    except TrialkitError:
        return []  # the row of the plan says what is wrong
    changes = question_changes(steps.trial, plan) if plan is not None else []
    if not changes:
        return []
    return [("question", "needs care", message("standing.question_changed", changes=changes))]


def _batches(trial: Trial, now: dt.datetime, last: dt.datetime | None) -> tuple[str, Message]:
    """Count the batches that have begun; a harvest that is in shows that its day has come."""
    now = max(now, last) if last is not None else now
    dates = trial.batches.values()
    started = sum(b.start is not None and b.start <= now for b in dates)
    ended = sum(b.end is not None and b.end <= now for b in dates)
    undated = sum(b.start is None for b in dates)
    detail = message(
        "standing.batches_undated" if undated else "standing.batches",
        started=started,
        total=len(dates),
        ended=ended,
        undated=undated,
    )
    if ended == len(dates):
        return "done", detail
    return ("under way" if started else "to do"), detail


def _harvest(steps: Pipeline, expected: int) -> tuple[str, object, dt.datetime | None]:
    """Say how much of the harvest is in, and when the last of it was picked."""
    trial = steps.trial
    if "harvest" not in trial.logs:
        return "to do", message("standing.harvest_unnamed"), None
    if not log_files(trial, "harvest"):
        return "to do", _no_file(trial, "harvest"), None
    try:
        log = steps.harvest
    except TrialkitError as problem:
        return "needs care", str(problem), None
    assert log is not None  # the trial file names one
    got = len(log.table)
    picked = log.table["time"].max()
    last = None if picked is None or picked != picked else picked.to_pydatetime()
    for found in log.findings:
        if found.code == "no_usable_row" and found.severity == "stop":
            return "needs care", found.said, None
    aside = int(log.ledger.summary()["set_aside"].sum())
    key = "standing.rows_aside" if aside else "standing.rows"
    detail = message(key, rows=got, expected=expected, aside=aside)
    if got + aside >= expected:
        # a whole harvest shows that every batch has ended
        ends = [dates.end for dates in trial.batches.values() if dates.end is not None]
        ledger = log.ledger.table
        to_fix = (ledger["action"].eq("set aside") & ledger["remedy"].astype(str).ne("")).any()
        return (
            ("needs care" if to_fix else "done"),
            detail,
            max([*ends, *([last] if last else [])], default=None),
        )
    return "under way", detail, last


def _harvest_rows(steps: Pipeline) -> pd.DataFrame | None:
    """Give the rows of the harvest that were kept; None where there is none to be read."""
    if "harvest" not in steps.trial.logs or not log_files(steps.trial, "harvest"):
        return None
    try:
        log = steps.harvest
    except TrialkitError:
        return None
    return None if log is None else log.table


def _no_file(trial: Trial, kind: str) -> Message:
    return message("standing.no_file", files=", ".join(trial.logs[kind].files))


def _files(trial: Trial, kind: str, *, read: bool) -> tuple[str, Message]:
    """Say how many files there are; once the harvest is whole, no more are waited for."""
    paths = log_files(trial, kind)
    if not paths:
        return "to do", _no_file(trial, kind)
    size = sum(path.stat().st_size for path in paths) / 1e6
    return ("done" if read else "under way"), message("standing.files", count=len(paths), size=size)


def _report(steps: Pipeline) -> tuple[str, object]:
    """Say whether the report was made from just what is there now; dates of files say nothing."""
    path = steps.trial.folder / "report.html"
    if not path.exists():
        return "to do", message("standing.report_none")
    then = read_made_from(path)
    if then is None:
        return "needs care", message("standing.report_unmarked", file=path.name)
    changed = differences(then, _there_now(steps))
    if changed:
        what = several([quote(name) for name in changed], 4)
        return "needs care", message("standing.report_other", file=path.name, changed=what)
    return "done", path.name


def _there_now(steps: Pipeline) -> MadeFrom:
    """Give the fingerprints of what is in the folder now."""
    trial = steps.trial
    try:
        plan = steps.plan
        now = made_from(trial, plan, {})
    except TrialkitError:
        now = {**made_from(trial, None, {}), "plan": {"plan": "cannot be read"}}
    for spec in trial.logs.values():
        for pattern in spec.files:
            try:
                found = find_files(trial.folder, [pattern])
                now["logs"] |= {name: hash_file(path)[0] for path, name in found}
            except LogError:  # none there, or not to be read: it differs from any fingerprint
                now["logs"] |= {pattern: "missing"}
    return now


def _next(trial: Trial, state: dict[str, str]) -> Message:
    step = _next_step(state)
    values: dict[str, object] = {"file": trial.source.name}
    dates = [b.start for b in trial.batches.values() if b.start is not None]
    if step == "start" and dates:  # none has come yet
        step, values["day"] = "start_dated", min(dates).astimezone(trial.zone).date()
    report = quoted(trial.folder / "report.html")
    key = f"standing.to_do.{step}"
    return message(key, folder=quoted(trial.folder), report=report, **values)


def _next_step(state: dict[str, str]) -> str:
    """Name the step that comes next, by the states of all."""
    if state["plan"] != "done":
        return "plan" if state["plan"] == "to do" else "plan_care"
    if state["batches"] == "to do":
        return "start" if state["harvest"] == "to do" else "dates"
    if state["harvest"] == "to do":
        return "harvest"
    if state["harvest"] == "needs care" and state["report"] != "done":
        return "aside"
    if state["harvest"] == "under way":
        return "look" if state.get("looks") == "under way" else "go_on"
    return "read" if state["report"] == "done" else "report"
