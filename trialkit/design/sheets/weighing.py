"""The weighing form: one page or more a batch and flush, with rows for wet hands."""

from __future__ import annotations

from typing import Any

from trialkit.design.layout.allocation import Allocation

#: Rows of 12 mm that fit below the head of a page, on A4 and US Letter.
ROWS = 17
_CODE_MM = 58.0  # room for a code in its column


def weighing_pages(plan: Allocation) -> list[dict[str, Any]]:
    """Share the units of each batch and flush out to pages.

    Returns
    -------
    list of dict
        ``batch`` (empty where the trial has none), ``flush``, ``page``, ``pages``, ``units``.
        Nothing says what a unit receives.
    """
    trial, table = plan.trial, plan.table
    batches = trial.levels.get("batch", ("",))
    out = []
    for batch in batches:
        mine = table if "batch" not in trial.levels else table[table["batch"].astype(str) == batch]
        units = [str(unit) for unit in mine["unit"]]
        parts = [units[i : i + ROWS] for i in range(0, len(units), ROWS)]
        for flush in range(1, trial.flushes + 1):
            for number, part in enumerate(parts, 1):
                page = {"batch": batch, "flush": flush, "page": number, "pages": len(parts)}
                out.append({**page, "units": part})
    return out


def code_size(units: list[str]) -> float:
    """Give the font size of codes [pt]: as large as their column is wide, at most 22."""
    longest = max(map(len, units), default=1)
    return round(min(22.0, _CODE_MM / 25.4 * 72 / (0.74 * longest)), 1)
