"""What is wrong today, and what to do about it."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any

from trialkit.errors import Finding
from trialkit.today.recent import LATEST, Recent
from trialkit.wording import finding, message, place, several

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.logs.log import Log
    from trialkit.trial import Trial

#: Mist given beside mist planned: outside this range something is wrong.
LEAST_GIVEN, MOST_GIVEN = 0.8, 1.25
#: Hours of mist records from which on they are compared with the plan.
_ENOUGH_H = 2.0
#: Mist is missed after this time and three cycles without any.
_NO_MIST = dt.timedelta(minutes=30)
#: Records this long before the first batch, or starts this far from all others, are slips.
_BEFORE, _FAR = dt.timedelta(days=60), dt.timedelta(days=400)


def list_alarms(
    trial: Trial,
    chambers: pd.DataFrame,
    logs: dict[str, Recent | None],
    harvest: Log | None,
    now: dt.datetime,
) -> list[Finding]:
    """Say what is wrong: clocks and dates first, because they spoil what they touch."""
    found = [*_batch_dates(trial, now), *_unreadable(logs)]
    for kind, when in (("environment", "time"), ("mist", "start")):
        recent = logs.get(kind)
        if recent is not None:
            found += recent.clocks
        if recent is not None and len(recent.table):
            found += _wrong_clocks(trial, kind, recent.table, when, now)
    found += _harvest_dates(trial, harvest, now)
    for row in chambers.to_dict("records"):
        found += _logger(trial, row, logs.get("environment"))
        found += _mist(trial, row, logs.get("mist"), now)
    return found


def _batch_dates(trial: Trial, now: dt.datetime) -> list[Finding]:
    """Tell a start that lies more than a year from now and from every other start."""
    starts = {name: d.start for name, d in trial.batches.items() if d.start is not None}
    out = []
    for name, start in starts.items():
        others = [moment for other, moment in starts.items() if other != name] or [now]
        if all(abs(start - moment) > _FAR for moment in others):
            out.append(
                finding(
                    "today_batch_year",
                    "caution",
                    place=place({"batch": name}),
                    day=start.astimezone(trial.zone).date(),
                    file=trial.source.name,
                )
            )
    return out


def _unreadable(logs: dict[str, Recent | None]) -> list[Finding]:
    return [
        finding("today_log_unreadable", "caution", problem=problem)
        for log in logs.values()
        if log is not None
        for problem in (log.problem, *log.unread)
        if problem
    ]


def _wrong_clocks(
    trial: Trial, kind: str, table: pd.DataFrame, when: str, now: dt.datetime
) -> list[Finding]:
    """Tell files whose rows lie in the future or long before the trial."""
    times = table[when]
    starts = [d.start for d in trial.batches.values() if d.start is not None and d.start <= now]
    out = []
    wrong = {"ahead": times > now + LATEST}
    if starts:
        wrong["behind"] = times < min(starts) - _BEFORE
    for form, mask in wrong.items():
        for file, rows in table[mask].groupby("file", observed=True):
            out.append(
                finding(
                    "today_clock",
                    "caution",
                    form=form,
                    file=str(file),
                    count=len(rows),
                    when=rows[when].iloc[-1].tz_convert(trial.zone).to_pydatetime(),
                    section=f"[[logs.{kind}.clock]]",
                )
            )
    return out


def _harvest_dates(trial: Trial, harvest: Log | None, now: dt.datetime) -> list[Finding]:
    """Tell weighings dated in the future or outside their batch."""
    if harvest is None:
        return []
    table = harvest.table
    ahead = table[table["time"] > now + LATEST]
    out = []
    if len(ahead):
        shown = several([f"{f}:{r}" for f, r in zip(ahead["file"], ahead["row"], strict=True)], 4)
        day = ahead["time"].iloc[0].tz_convert(trial.zone).date()
        out.append(finding("today_harvest_ahead", "caution", count=len(ahead), day=day, rows=shown))
    lines = harvest.ledger.table
    outside = lines[lines["rule"].isin(["date outside batch", "date unreadable"])]
    if len(outside):
        first = outside.iloc[0]
        out.append(
            finding(
                "today_harvest_outside",
                "caution",
                count=int(outside["rows"].sum()),
                old=str(first["old"]),
                row=message("cli.check.row", file=first["file"], row=int(first["row"])),
                reason=first["reason"],
                remedy=first["remedy"],
            )
        )
    return out


def _logger(trial: Trial, row: dict[Any, Any], log: Recent | None) -> list[Finding]:
    if log is None or log.problem:
        return []
    chamber = row["chamber"]
    if row["last"] is None or row["last"] != row["last"]:
        waiting = not row["batch"]
        return [] if waiting else [finding("today_no_logger", "caution", chamber=chamber)]
    out = []
    if row["silent"] and row["batch"]:
        local = row["last"].astimezone(trial.zone)
        out.append(finding("today_logger_silent", "caution", chamber=chamber, when=local))
    stuck = row["stuck_pct"]
    if stuck is not None and stuck == stuck and row["batch"]:
        out.append(finding("today_sensor_stuck", "caution", chamber=chamber, value=float(stuck)))
    return out


def _mist(trial: Trial, row: dict[Any, Any], log: Recent | None, now: dt.datetime) -> list[Finding]:
    planned, last = row["planned_pct"], row["mist_last"]
    if log is None or log.problem or not row["batch"] or planned is None or planned != planned:
        return []
    chamber, cycle = row["chamber"], float(row["cycle_s"])
    if last is None or last != last:
        return [finding("today_no_mist", "caution", form="ever", chamber=chamber)]
    if now - last > max(_NO_MIST, dt.timedelta(seconds=3 * cycle)):
        local = last.astimezone(trial.zone)
        values = {"chamber": chamber, "when": local, "minutes": cycle / 60}
        return [finding("today_no_mist", "caution", form="since", **values)]
    given, hours = row["mist_pct"], row["mist_hours"]
    if given is None or given != given or hours < _ENOUGH_H or not planned:
        return []
    if LEAST_GIVEN <= given / planned <= MOST_GIVEN:
        return []
    form = "less" if given < planned else "more"
    values = {"chamber": chamber, "given": given, "planned": planned, "setting": row["setting"]}
    return [finding("today_mist_off_plan", "caution", form=form, **values)]
