"""What the marks of the trial in one picture mean, and what it shows to those who cannot see it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from trialkit.figures.picture_parts import FULL_POINTS
from trialkit.figures.strips import STRETCH_H
from trialkit.wording import Wording

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.figures.trial_tables import TrialTables


def picture_note(tables: TrialTables, say: Wording) -> str:
    """Say what the marks mean, of what is there to be seen."""
    told = []
    low, high = tables.band
    if len(tables.air):
        hours = say.number(STRETCH_H, 0)
        if low is None and high is None:
            told.append(say.text("picture.note_air", hours=hours))
        else:
            band = _band_words(low, high, say)
            words = {"hours": hours, "band": band, "most": say.number(FULL_POINTS, 0)}
            told.append(say.text("picture.note_band", **words))
    kinds = set(tables.faults["kind"]) if len(tables.faults) else set()
    told += [
        say.text(f"picture.note_{kind}") for kind in ("doubted", "gap", "mist") if kind in kinds
    ]
    if len(tables.flushes):
        told.append(say.text("picture.note_flush"))
    words = {"units": tables.units, "level": say.confidence(tables.level)}
    told.append(say.text("picture.note_yield", n=say.number(_weighed(tables.runs), 0), **words))
    if tables.lacking:
        told.append(say.text("figure.lacking", lacking=tables.lacking))
    return " ".join(told)


def _band_words(low: float | None, high: float | None, say: Wording) -> str:
    if low is None:
        return say.text("picture.band_below", high=say.number(high))
    if high is None:
        return say.text("picture.band_above", low=say.number(low))
    return say.text("picture.band", low=say.number(low), high=say.number(high))


def picture_alt(tables: TrialTables, say: Wording) -> str:
    """Say what the picture shows: every group with its runs, mean, answer and use."""
    rows = []
    for row in tables.groups.to_dict("records"):
        n = _weighed(tables.runs[tables.runs["level"] == row["level"]])
        told = "; ".join(filter(None, (*str(row["verdict"]).split("\n"), *_used(row))))
        words = {k: say.number(row[k]) for k in ("estimate", "low", "high")}
        rows.append(say.text("picture.alt_row", level=row["level"], n=n, told=told, **words))
    words = {"units": tables.units, "quantity": tables.quantity, "rows": " ".join(rows)}
    return say.text("picture.alt", n=say.number(len(tables.runs), 0), **words)


def _weighed(runs: pd.DataFrame) -> int:
    """Count the runs that have a yield, each with a mark."""
    return int(runs["value"].notna().sum())


def _used(row: Mapping[Any, Any]) -> list[str]:
    return str(row["used"]).split("\n")
