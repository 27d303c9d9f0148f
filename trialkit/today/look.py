"""`trial_today`: one look at a running trial."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from trialkit.errors import Finding, LogError, PlanError
from trialkit.folder import log_files, read_log, read_plan_there
from trialkit.short_repr import short_repr
from trialkit.today.alarms import list_alarms
from trialkit.today.chambers import DAY, band_of, look_at_chambers, running_batch, running_batches
from trialkit.today.due import list_due
from trialkit.today.lines import chamber_lines
from trialkit.today.read_marks import Marks
from trialkit.today.recent import Recent, read_recent
from trialkit.trial.doubtful_entries import tell_overlaps
from trialkit.wording import Message, finding, message, place, spoken

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.design.plan import Plan
    from trialkit.logs.log import Log
    from trialkit.trial import Trial

#: Time before the last day that is read as well, for what holds on into it.
_LEAD = dt.timedelta(hours=6)


@dataclass(frozen=True)
class Today:
    """A trial today. Make it with `trial_today`.

    Parameters
    ----------
    title : str
    now : datetime
        Moment of the look, in the trial's time zone.
    standing : Message
        Which batch is growing, and for how long.
    chambers : DataFrame
        One row a chamber; see `trialkit.today.chambers.look_at_chambers`.
    band : tuple or None
        Humidity wanted [%].
    due : tuple of Message
        What is to be done now.
    wrong : tuple of Finding
        What is wrong, each with what to do.
    files, read : int
        Log files there are, and how many of them had to be opened.
    """

    title: str
    now: dt.datetime
    standing: Message
    chambers: pd.DataFrame
    band: tuple[float, float] | None
    due: tuple[Message, ...]
    wrong: tuple[Finding, ...]
    files: int
    read: int

    __repr__ = short_repr

    @property
    def all_well(self) -> bool:
        """Whether nothing is wrong and nothing is due."""
        return not self.due and not self.wrong

    @property
    def headline(self) -> str:
        """Say in a few words how things stand."""
        say = spoken()
        if self.all_well:
            return say.text("today.all_well")
        parts = [
            say.choose(f"today.count.{kind}", len(found))
            for kind, found in (("wrong", self.wrong), ("due", self.due))
            if found
        ]
        return say.listed(parts)

    def told_chambers(self) -> list[dict[Any, Any]]:
        """Give the rows of chambers in which a batch grows, or of which logs tell something."""
        rows = self.chambers.to_dict("records")
        return [row for row in rows if row["batch"] or self.lines(row)]

    def lines(self, row: dict[Any, Any]) -> list[str]:
        """Say what one chamber does, in short lines."""
        return chamber_lines(row, self.band, self.now)

    def __str__(self) -> str:
        say = spoken()
        lines = [f"{self.title} · {say.moment(self.now)}", str(self.standing), "", self.headline]
        for found in self.wrong:
            lines.append(f"  ! {found.message}" + (f" → {found.remedy}" if found.remedy else ""))
        lines += [f"  · {due}" for due in self.due]
        for row in self.told_chambers():
            head = " · ".join(part for part in (row["level"], row["setting"]) if part)
            lines += ["", f"{row['chamber']}" + (f"  {head}" if head else "")]
            lines += [f"  {line}" for line in self.lines(row)]
        if self.files:
            lines += ["", say.text("today.read", files=self.files, read=self.read)]
        return "\n".join(lines)


def trial_today(
    trial: Trial, *, now: dt.datetime | None = None, looking_back: bool = False
) -> Today:
    """Look at a running trial: loggers, humidity, mist, what is due and what is wrong.

    Parameters
    ----------
    trial : Trial
    now : datetime, optional
        Moment to look from, with a time zone; the present by default.
    looking_back : bool
        Whether records and weighings after `now` are left out, as not yet written; they are a
        clock or a date that is wrong otherwise.

    Returns
    -------
    Today

    Notes
    -----
    Only the ends of climate and mist logs are read, and files that ended before the last day and
    have not changed since the last look are not opened; what was seen of each file is kept in
    ``.cache/today.json``. Months before are the business of ``trialkit check``.

    Examples
    --------
    >>> import datetime as dt
    >>> import trialkit as tk
    >>> then = dt.datetime(2031, 1, 20, 12, tzinfo=dt.UTC)
    >>> today = trial_today(tk.read_trial(tk.demo_folder()), now=then)
    >>> list(today.chambers["chamber"])
    ['T1', 'T2', 'T3', 'T4', 'T5', 'T6']
    """
    moment = (now or dt.datetime.now(dt.UTC)).astimezone(dt.UTC)
    marks = Marks.read(trial.folder)
    since = moment - DAY - _LEAD
    until = moment if looking_back else None
    logs = {
        kind: read_recent(trial, kind, since, marks, until=until)
        for kind in ("environment", "mist")
    }
    marks.write(trial.folder)
    plan, harvest, found = _plan_and_harvest(trial)
    if harvest is not None and looking_back:
        harvest = replace(harvest, table=harvest.table[~(harvest.table["time"] > moment)])
    chambers = look_at_chambers(trial, plan, logs["environment"], logs["mist"], moment)
    table = None if harvest is None else harvest.table
    readable = not any(f.code == "today_log_unreadable" for f in found)
    batch = running_batch(trial, moment)
    return Today(
        title=trial.title,
        now=moment.astimezone(trial.zone),
        standing=_standing(trial, batch, moment),
        chambers=chambers,
        band=band_of(trial, None),
        due=tuple(list_due(trial, table, moment, readable=readable)),
        wrong=(
            *found,
            *_together(trial, moment),
            *list_alarms(trial, chambers, logs, harvest, moment),
        ),
        files=_total(logs, "files"),
        read=_total(logs, "read"),
    )


def _total(logs: dict[str, Recent | None], what: str) -> int:
    return sum(int(getattr(log, what)) for log in logs.values() if log is not None)


def _plan_and_harvest(trial: Trial) -> tuple[Plan | None, Log | None, list[Finding]]:
    """Read plan and harvest; what cannot be read is something wrong, not the end of the look."""
    found: list[Finding] = []
    plan = harvest = None
    try:
        plan = read_plan_there(trial)
    except PlanError as problem:
        found.append(finding("today_plan_unreadable", "caution", problem=str(problem)))
    try:
        if "harvest" in trial.logs and log_files(trial, "harvest"):
            harvest = read_log(trial, "harvest")
    except LogError as problem:
        found.append(finding("today_log_unreadable", "caution", problem=str(problem)))
    return plan, harvest, found


def _together(trial: Trial, now: dt.datetime) -> list[Finding]:
    """Tell batches that grow in one chamber now, and which of them the chambers show."""
    if not tell_overlaps(trial):
        return []
    running = running_batches(trial, now)
    if len(running) < 2:
        return []
    told = [place({"batch": name}) for name in running]
    return [finding("today_batches_together", "caution", batches=told, shown=told[-1])]


def _standing(trial: Trial, batch: str, now: dt.datetime) -> Message:
    """Say which batch grows, and on which day of it we are."""
    if not batch:
        return message("today.no_batch")
    start = trial.batches[batch].start
    assert start is not None  # a batch that runs has begun
    days = (now.astimezone(trial.zone).date() - start.astimezone(trial.zone).date()).days
    if batch == "all":
        return message("today.day", day=days)
    return message("today.batch_day", place=place({"batch": batch}), day=days)
