"""The weighing form: a page for each chamber run, its flushes below one another."""

from __future__ import annotations

from typing import Any

from trialkit.columns import HARVEST_COLUMNS
from trialkit.design.layout.allocation import Allocation
from trialkit.trial import Trial
from trialkit.wording import spoken

#: Room on a page below its head and above its foot, on A4 and US Letter [mm].
_ROOM_MM = 259.0 - 11.0 - 12.0
_FLUSH_MM = 18.0  # what stands above the rows of a flush: its name, date, initials, column heads
_ROW_MM = 9.0
#: Rows that fit on a page with one flush.
ROWS = int((_ROOM_MM - _FLUSH_MM) / _ROW_MM)
_CODE_MM = (48.0, 42.0)  # room for a code: usually, and beside two columns of the trial's own
_OWN_MOST = 2  # columns of a trial's own that fit beside weight and caps
_POINTS_PER_MM = 72 / 25.4


def weighing_pages(plan: Allocation) -> list[dict[str, Any]]:
    """Share the units of each chamber run out to pages, all flushes on one where they fit.

    Returns
    -------
    list of dict
        ``place`` and ``batch`` (empty where the trial has none), ``flushes``, ``page`` and
        ``pages`` of this run, ``units``, and ``size`` of a code [pt]. Nothing says what a unit
        receives.
    """
    trial = plan.trial
    size = code_size([str(unit) for unit in plan.table["unit"]], len(own_columns(trial)))
    out: list[dict[str, Any]] = []
    for names, units in _runs(plan):
        pages = _paged(units, trial.flushes)
        place = " ".join(v if not v.isdigit() else f"{n} {v}" for n, v in names if n != "batch")
        head = {"batch": dict(names).get("batch", ""), "place": place, "size": size}
        for number, (part, flushes) in enumerate(pages, 1):
            said = {"page": number, "pages": len(pages), "units": part, "flushes": flushes}
            out.append({**head, **said})
    return out


def own_columns(trial: Trial) -> list[str]:
    """Give the heads of the trial's own harvest columns, with their units."""
    columns = trial.harvest_columns
    return [column.head for name, column in columns.items() if name not in HARVEST_COLUMNS]


def own_on_form(trial: Trial) -> tuple[list[str], list[str]]:
    """Give the own columns that the form has room for, and those it has not."""
    own = own_columns(trial)
    return own[:_OWN_MOST], own[_OWN_MOST:]


def _runs(plan: Allocation) -> list[tuple[list[tuple[str, str]], list[str]]]:
    """List chamber runs (or what a trial has in their place) with the codes of their units."""
    trial, table = plan.trial, plan.table
    factors = list(trial.structure.factors)
    run = [name for name in factors if name in ("batch", "chamber")] or factors[:1]
    outer = [name for name in run if name != factors[-1]]
    if not outer:
        return [([], [str(unit) for unit in table["unit"]])]
    out = []
    for keys, mine in table.groupby(outer, sort=False, observed=True):
        names = list(zip(outer, map(str, keys), strict=True))
        out.append((names, [str(unit) for unit in mine["unit"]]))
    return out


def _paged(units: list[str], flushes: int) -> list[tuple[list[str], list[int]]]:
    """Put as many whole flushes on a page as fit; part the rows where one does not."""
    each = int(_ROOM_MM // (_FLUSH_MM + _ROW_MM * len(units)))
    waves = list(range(1, flushes + 1))
    if each:
        return [(units, waves[i : i + each]) for i in range(0, flushes, each)]
    parts = [units[i : i + ROWS] for i in range(0, len(units), ROWS)]
    return [(part, [wave]) for wave in waves for part in parts]


def code_size(units: list[str], own: int = 0) -> float:
    """Give the font size of codes [pt]: as large as their column is wide, at most 18."""
    longest = max(map(len, units), default=1)
    room = _CODE_MM[own >= _OWN_MOST] - 4
    return round(min(18.0, room * _POINTS_PER_MM / (0.74 * longest)), 1)


def form_words(plan: Allocation) -> dict[str, Any]:
    """Give the widths [mm] and heads of the form's columns, and what it has no room for."""
    say = spoken().text
    own, beyond = own_on_form(plan.trial)
    heads = [(say("weighing.code"), _CODE_MM[len(own) >= _OWN_MOST])]
    heads += [(say("weighing.weight"), 27.0), (say("weighing.caps"), 17.0)]
    heads += [(name, 20.0) for name in own]
    heads.append((say("weighing.state"), 42.0))
    note = 190.0 - sum(width for _, width in heads)
    also = say("weighing.also", columns=beyond) if beyond else ""
    return {"heads": [*heads, (say("weighing.note"), note)], "own": own, "also": also}
