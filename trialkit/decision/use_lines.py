"""Water and electricity in sentences: what each level used, or which piece is missing to know."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from trialkit.analysis.by_run import run_keys
from trialkit.decision.use import USES
from trialkit.wording import Message, message

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.decision.decide import Verdict
    from trialkit.trial import Trial

#: Key of [rig] that each use rests on.
_NEEDS = {"water_l": "mist_l_h", "energy_kwh": "fogger_w"}


def use_lines(trial: Trial, verdict: Verdict) -> list[Message]:
    """Say what each level used per kilogram against the control, and what cannot be said and why.

    Parameters
    ----------
    trial : Trial
    verdict : Verdict

    Returns
    -------
    list of Message
    """
    if verdict.answer == "blocked":
        return []
    lines = [
        _line(trial, row)
        for row in verdict.use.to_dict("records")
        if math.isfinite(row["saving_pct"])
    ]
    return [*lines, *missing_pieces(trial, verdict.totals, verdict.use)]


def _line(trial: Trial, row: dict[Any, Any]) -> Message:
    form = "planned" if row["planned"] else "measured"
    saving = float(row["saving_pct"])
    return message(
        f"use_line.{form}.{'less' if saving >= 0 else 'more'}",
        level=row["level"],
        reference=trial.primary.reference,
        use=message(f"figure.use.{row['use']}"),
        amount=float(row["estimate"]),
        unit=row["unit"],
        size=abs(saving),
    )


def missing_pieces(trial: Trial, totals: pd.DataFrame, use: pd.DataFrame) -> list[Message]:
    """Say for water and electricity which piece is missing, where they could not be worked out.

    Parameters
    ----------
    trial : Trial
    totals : DataFrame
        From `trialkit.decision.use.run_totals`.
    use : DataFrame
        From `trialkit.decision.use.use_by_level`.
    """
    out = []
    for name in USES:
        if len(use) and (use["use"] == name).any():
            continue
        reason = _reason(trial, totals, name)
        out.append(message("use_missing.line", use=message(f"figure.use.{name}"), reason=reason))
    return out


def _reason(trial: Trial, totals: pd.DataFrame, name: str) -> Message:
    keys, key = run_keys(trial), _NEEDS[name]
    if not keys or not set(trial.primary.applied_to) <= set(keys):
        return message("use_missing.smaller", factor=trial.primary.name)
    if getattr(trial.rig, key) is None:
        return message(f"use_missing.rig.{key}")
    held = [n for n, setting in trial.primary.levels.items() if setting.duty_pct is None]
    if "mist" not in trial.logs and held:
        return message("use_missing.sensor", levels=held)
    undated = [n for n, dates in trial.batches.items() if dates.start is None or dates.end is None]
    if undated and (name not in totals or totals[name].isna().all()):
        return message("use_missing.dates", batches=undated)
    if not len(totals) or totals["kg_all"].notna().sum() < 4:
        return message("use_missing.few")
    if totals[name].notna().sum() < 4 if name in totals else "mist" in trial.logs:
        return message("use_missing.short")
    return message("use_missing.no_fit")
