"""The answer in a few words: the head of the report and the title of its first picture."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from trialkit.columns.response import response_of
from trialkit.decision.cells import depends_form

if TYPE_CHECKING:
    from trialkit.analysis.result import Analysis
    from trialkit.decision.decide import Verdict
    from trialkit.wording import Wording

#: Savings of water and electricity that differ by less are said once [percentage points].
SAME_SAVING = 0.5
#: Cells of a treatment that the headline says one by one.
_MOST_CELLS = 3


def headline(result: Analysis, verdict: Verdict, say: Wording) -> str:
    """Give the answer in a few words; what it cannot rest on comes first.

    Parameters
    ----------
    result : Analysis
    verdict : Verdict
    say : Wording

    Returns
    -------
    str
        With what is saved where the limits of the saving leave no doubt that something is.

    Examples
    --------
    >>> import trialkit as tk
    >>> from trialkit.wording import read_wording
    >>> trial = tk.read_trial(tk.demo_folder())
    >>> result = tk.analyse(trial, tk.align(trial, tk.read_harvest(trial)))
    >>> print(headline(result, tk.decide(trial, result), read_wording()).split(":")[0])
    It depends on the light
    """
    said = _answer(result, verdict, say)
    if verdict.disagrees:
        said = say.text("answer.readings_disagree", headline=said)
    if any(f.code == "drawn_after_harvest" for f in verdict.findings):
        said = say.text("answer.drawn_after_harvest", headline=said)
    return said


def _answer(result: Analysis, verdict: Verdict, say: Wording) -> str:
    """Give the answer with what it depends on, and what is saved beside a good one."""
    words = _words(result, verdict, say)
    key = f"answer.{verdict.answer}"
    if _less(result) and f"answer.less.{verdict.answer}" in say.entries:
        key = f"answer.less.{verdict.answer}"
    form = depends_form(verdict.depends_on)
    shown = verdict.level in verdict.depending
    if verdict.answer == "depends":
        said = say.text(f"answer.depends.{form}", **words)
        if not shown:
            said = say.text(f"answer.apart.{form}", **words)
        return _by_cell(result, verdict, say, said, words)
    said = say.text(key, **words)
    if shown and verdict.answer != "blocked":
        return say.text(f"answer.depends_too.{form}", headline=said, **words)
    if verdict.answer in ("better", "no worse"):
        return _with_saving(verdict, say, said)
    return said


def _less(result: Analysis) -> bool:
    """Tell whether less of the response is better."""
    return response_of(result.terms.response, result.trial.harvest_columns).better == "less"


def _words(result: Analysis, verdict: Verdict, say: Wording) -> dict[str, Any]:
    trial = result.trial
    return {
        "level": verdict.level,
        "reference": trial.primary.reference,
        "noun": say.written(response_of(result.terms.response, trial.harvest_columns).noun),
        "margin": f"{say.number(trial.question.margin_pct)} %",
        "factor": verdict.depends_on,
    }


def _by_cell(
    result: Analysis, verdict: Verdict, say: Wording, said: str, words: dict[str, Any]
) -> str:
    """Add the answer at each level of what it depends on, where these are few."""
    cells = verdict.by[verdict.by["level"].astype(str) == verdict.level]
    if not 0 < len(cells) <= _MOST_CELLS or verdict.answer == "blocked":
        return said
    form = depends_form(verdict.depends_on)
    told = []
    for cell in cells.to_dict("records"):
        key = f"answer.cell.{form}.{cell['answer']}"
        less = key.replace(".cell.", ".cell_less.")
        told.append(say.text(less if _less(result) and less in say.entries else key,
                             at=cell["at"], **words))  # fmt: skip
    return say.text("answer.cells", headline=said, cells="; ".join(told))


def sure_savings(verdict: Verdict, level: str) -> dict[str, float]:
    """Give what a level saves [%] by use, where the limits leave no doubt that it saves."""
    use = verdict.use
    if not len(use):
        return {}
    own = use[(use["level"].astype(str) == level) & (use["saving_low_pct"] > 0)]
    return {
        str(row["use"]): float(row["saving_pct"])
        for row in own.to_dict("records")
        if math.isfinite(row["saving_pct"])
    }


def _with_saving(verdict: Verdict, say: Wording, said: str) -> str:
    """Add what is saved; water and electricity in one where they are the same."""
    saved = sure_savings(verdict, verdict.level)
    if not saved:
        return said
    name, saving = next(iter(saved.items()))
    if len(saved) == 2 and abs(saving - [*saved.values()][1]) < SAME_SAVING:
        name = "both"
    words = {"saving": say.percent(saving, 0), "use": say.text(f"answer.saved.{name}")}
    return say.text("answer.with_saving", headline=said, **words)
