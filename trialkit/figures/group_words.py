"""What the trial in one picture says of each level: its setting, its answer, what it used."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from trialkit.display import decimals_beside
from trialkit.wording import Wording

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.analysis.result import Analysis
    from trialkit.decision.decide import Verdict

#: Savings of water and electricity that differ by less are said once [percentage points].
_SAME = 0.5


def group_words(result: Analysis, verdict: Verdict, say: Wording) -> pd.DataFrame:
    """Give one row per level of the primary treatment, the control first.

    Parameters
    ----------
    result : Analysis
    verdict : Verdict
    say : Wording

    Returns
    -------
    DataFrame
        `level, setting, estimate, low, high, verdict, used`.
    """
    import pandas as pd

    primary = result.trial.primary
    levels = [primary.reference, *(x for x in primary.levels if x != primary.reference)]
    means = result.per_block(result.table)
    means = means.assign(level=means["level"].astype(str)).set_index("level")
    rows = []
    for level in levels:
        row: dict[str, Any] = dict.fromkeys(("estimate", "low", "high"), math.nan)
        if level in means.index:
            row = {name: float(means[name][level]) for name in row}
        if level == primary.reference:
            told = say.text("picture.control")
        else:
            told = "\n".join(_answers(result, verdict, level, say))
        setting = primary.levels[level].words
        used = "\n".join(_used(verdict, level, say))
        rows.append({"level": level, "setting": setting, **row, "verdict": told, "used": used})
    return pd.DataFrame(rows)


def _answers(result: Analysis, verdict: Verdict, level: str, say: Wording) -> list[str]:
    """Give the answer about one level in a line, or in one line for each of its cells."""
    if verdict.answer == "blocked":
        return [say.text("row_answer.blocked")]
    cells: list[dict[Any, Any]] = []
    if verdict.depends_on:
        cells = verdict.by[verdict.by["level"].astype(str) == level].to_dict("records")
    if cells:
        lines = [
            say.text("picture.cell", at=cell["at"], answer=_answer(result, cell, say))
            for cell in cells
        ]
        if level not in verdict.depending:
            return lines
        return [say.text("picture.depends", factor=verdict.depends_on), *lines]
    rows = verdict.table[verdict.table["level"].astype(str) == level]
    return [_answer(result, row, say) for row in rows.to_dict("records")]


def _answer(result: Analysis, row: dict[Any, Any], say: Wording) -> str:
    """Say one answer with the change from the control and its limits."""
    answer = say.either(f"row_answer.{row['answer']}", str(row["answer"]))
    if not math.isfinite(row["ratio"]):
        return answer
    one, low, high = (say_change(result, row[key], say) for key in ("ratio", "low", "high"))
    limits = say.text("picture.limits", low=low.removesuffix("%").rstrip(), high=high)
    return say.text("picture.answer", answer=answer, change=one, limits=limits)


def say_change(result: Analysis, ratio: float, say: Wording) -> str:
    """Write a ratio as a change [%], with as many decimals as tell it from the edges."""
    from trialkit.columns.response import response_of

    better = response_of(result.terms.response, result.trial.harvest_columns).better
    margin = result.trial.question.margin_pct * (1 if better == "less" else -1)
    decimals = decimals_beside(ratio, (1.0, 1 + margin / 100), fewest=0)
    return say.percent(100 * (max(ratio, 0.0) - 1), decimals, sign=True)


def _used(verdict: Verdict, level: str, say: Wording) -> list[str]:
    """Say the use per kilogram and the saving; electricity too where it differs from water."""
    use = verdict.use
    if not len(use):
        return []
    own = use[use["level"].astype(str) == level].to_dict("records")
    by_use = {str(row["use"]): row for row in own if math.isfinite(row["estimate"])}
    savings = [row["saving_pct"] for row in by_use.values() if math.isfinite(row["saving_pct"])]
    alike = len(savings) == 2 and abs(savings[0] - savings[1]) < _SAME
    lines = []
    for name, row in by_use.items():
        if name == "energy_kwh" and "water_l" in by_use and (alike or not savings):
            continue
        line = f"{say.number(row['estimate'])} {row['unit']}"
        if math.isfinite(row["saving_pct"]):
            saving = say.percent(row["saving_pct"], 0)
            key = "picture.saves" if row["saving_pct"] >= 0 else "picture.takes_more"
            if row["saving_pct"] < 0:
                saving = say.percent(-row["saving_pct"], 0)
            line = say.text(key, used=line, saving=saving)
        lines.append(line)
    return lines
