"""When each batch starts and ends, as the trial file says."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

from trialkit.errors import Fault
from trialkit.trial.section_checks import check_section
from trialkit.trial.sections import BatchSection
from trialkit.trial.text import Places, nearest
from trialkit.trial.trial import BatchDates


def read_batches(
    raw: object,
    levels: Mapping[str, tuple[str, ...]],
    declared: Mapping[str, Any],
    zone: dt.tzinfo,
    places: Places,
    faults: list[Fault],
) -> dict[str, BatchDates]:
    """Read the dates of every batch; those that are not given stay open."""
    known = levels.get("batch", ("all",))
    unsure = "batch" in declared and "batch" not in levels  # a fault already says so
    out = dict.fromkeys(known, BatchDates())
    if not isinstance(raw, Mapping):
        faults.append(
            Fault(
                places.where("batches"),
                "must be a section with one key a batch",
                "write B1 = { start = 2031-01-13T09:00:00 }",
            )
        )
        return out
    for name, given in raw.items():
        if name not in known and not unsure:
            what = f"no batch is called {name!r}"
            faults.append(Fault(places.where("batches", name), what, nearest(str(name), known)))
            continue
        section = given if isinstance(given, Mapping) else {"start": given}
        checked = check_section(BatchSection, section, ("batches", str(name)), places, faults)
        if checked is None:
            continue
        start, end = local_moment(checked.start, zone), local_moment(checked.end, zone)
        if start and end and end <= start:
            what = "ends before it starts"
            faults.append(Fault(places.where("batches", name), what, "correct the dates"))
        out[str(name)] = BatchDates(start, end)
    return out


def local_moment(value: dt.datetime | dt.date | None, zone: dt.tzinfo) -> dt.datetime | None:
    """Turn a local date or time of the file into a moment in UTC."""
    if value is None:
        return None
    if not isinstance(value, dt.datetime):
        value = dt.datetime.combine(value, dt.time())
    if value.tzinfo is None:
        value = value.replace(tzinfo=zone)
    return value.astimezone(dt.UTC)
