"""The check-list of a batch: what to do on which day, with a box for each time it is done."""

from __future__ import annotations

import math
from typing import Any

from trialkit.cautions import list_cautions, uses_of
from trialkit.design.layout.allocation import Allocation
from trialkit.trial import Trial
from trialkit.wording import plural, spoken

#: Days of fruiting where no batch of the trial says how long it lasts.
_DAYS = 28
_MOST_DAYS = 84

#: Part → its tasks, each with what a trial must have for it; the cautions shown; and how often
#: a task is ticked: once, every day, or at every flush.
_PARTS: dict[str, tuple[tuple[tuple[str, str], ...], tuple[str, ...], str]] = {
    "before": (
        (
            ("labels", ""),
            ("timers", "mist"),
            ("reservoirs", "mist"),
            ("measured", "unmeasured mist"),
            ("light", "light"),
            ("clocks", ""),
        ),
        ("mains", "pressure", "legionella", "uv", "slips", "ladders", "salts"),
        "once",
    ),
    "start": ((("date", ""), ("forms", "")), (), "once"),
    "daily": (
        (("loggers", ""), ("mist", "mist"), ("fans", ""), ("contaminated", ""), ("unusual", "")),
        ("co2", "mist_water"),
        "day",
    ),
    "harvest": (
        (("scale", ""), ("blind", ""), ("pick", ""), ("grams", ""), ("lines", "")),
        ("spores", "food_hygiene", "identity"),
        "flush",
    ),
    "clean": (
        (("logs", ""), ("reservoirs", "mist"), ("chambers", ""), ("spent", "")),
        ("cleaning", "substrate"),
        "once",
    ),
}


def checklist_parts(plan: Allocation) -> list[dict[str, Any]]:
    """Give the parts of the check-list in the order of the days.

    Returns
    -------
    list of dict
        ``title``, ``things`` (the tasks), ``boxes`` (the numbers of the days or flushes that
        each is ticked for; empty where it is ticked once), ``cautions``.
    """
    trial, say = plan.trial, spoken()
    kinds = {s.kind for f in trial.factors.values() for s in f.levels.values()}
    misted = bool(kinds & {"timed", "band"})
    unknown = trial.rig.mist_l_h is None or trial.rig.fogger_w is None
    has = {""} | ({"mist"} if misted else set()) | (kinds & {"light"})
    has |= {"unmeasured mist"} if misted and unknown else set()
    chambers = plural("chamber" if "chamber" in trial.counts else trial.structure.factors[0])
    days, known = fruiting_days(trial), list_cautions(where="sheets", uses=uses_of(trial))
    boxes = {"once": [], "day": range(1, days + 1), "flush": range(1, trial.flushes + 1)}
    return [
        {
            "title": say.text(f"checklist.{part}.title", days=days),
            "things": [
                say.text(f"checklist.{part}.{line}", chambers=chambers)
                for line, needs in lines
                if needs in has
            ],
            "boxes": list(boxes[often]),
            "cautions": [c for c in known if c.code in codes],
        }
        for part, (lines, codes, often) in _PARTS.items()
    ]


def fruiting_days(trial: Trial) -> int:
    """Give the days of the longest batch whose start and end are known; 28 where none is."""
    known = [d.end - d.start for d in trial.batches.values() if d.start and d.end]
    longest = max((math.ceil(one.total_seconds() / 86400) for one in known), default=_DAYS)
    return min(max(longest, 1), _MOST_DAYS)
