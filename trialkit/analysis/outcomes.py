"""What else a trial tells: contamination, caps, days to harvest, biological efficiency."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from trialkit.analysis.efficiency import efficiency_by_level
from trialkit.analysis.lost_blocks import lost_shares
from trialkit.columns import head
from trialkit.display import Shown, show_table
from trialkit.errors import ModelError
from trialkit.right_kind import check_kinds
from trialkit.short_repr import short_repr
from trialkit.wording import Message, Wording, message, spoken
from trialkit.wording.method_names import method_words

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.alignment.result import Aligned
    from trialkit.model.fit import Fit
    from trialkit.trial import Trial


@dataclass(frozen=True)
class Outcomes:
    """Outcomes beside yield. Make it with `other_outcomes`.

    Parameters
    ----------
    proportions : DataFrame
        `factor, level, outcome, events, blocks, clusters, proportion, low, high, p` (how often
        levels would differ as much in plans drawn anew), `method`. Blocks that are not harvested
        yet are not among them.
    measured : DataFrame
        `outcome, factor, level, estimate, low, high, df, method` for each recorded outcome and
        level of the primary treatment, and `difference, difference_low, difference_high` from
        the control (joint limits; NaN for it).
    efficiency : DataFrame
        Per level: `factor, level, be_total_pct` (all flushes, by the model of a yield, so that
        batches weigh the same) with `be_low_pct, be_high_pct`, and `difference, difference_low,
        difference_high` from the control in per cent of the dry substrate (joint limits; NaN for
        it); `be_per_day_pct` (plain mean over blocks, divided by the days from start of fruiting
        to the last harvest), `dry_share_pct` where dried.
    modelled : DataFrame
        Lost blocks and counts by the models made for them; columns as in
        `trialkit.analysis.counts.modelled_outcomes`. The p of lost blocks is that of
        `proportions` alone, where there is one.
    notes : tuple of Message
        What could not be worked out, and why.
    """

    proportions: pd.DataFrame
    measured: pd.DataFrame
    efficiency: pd.DataFrame
    modelled: pd.DataFrame
    notes: tuple[Message, ...]

    __repr__ = short_repr

    def shown(self) -> list[Shown]:
        """Format each table."""
        say = spoken()
        return [
            show_table(
                shown_outcomes(table, say),
                heads={name: say.either(f"column.{name}", head(name)) for name in table},
                caption=say.text(f"outcome_table.{name}"),
                notes=[str(note) for note in self.notes],
            )
            for name in ("proportions", "measured", "modelled", "efficiency")
            if len(table := getattr(self, name))
        ]

    def __str__(self) -> str:
        return "\n\n".join(table.text() for table in self.shown())

    def _repr_html_(self) -> str:
        return "".join(table.html() for table in self.shown())


def shown_outcomes(table: pd.DataFrame, say: Wording) -> pd.DataFrame:
    """Name outcomes and methods as people read them.

    Parameters
    ----------
    table : DataFrame
        One of the tables of `Outcomes`.
    say : Wording

    Returns
    -------
    DataFrame
        A copy.
    """
    out = table.copy()
    if "outcome" in out:
        out["outcome"] = [
            say.either(f"status.{name}", say.either(f"column.{name}", head(name)))
            for name in out["outcome"]
        ]
    if "measure" in out:
        out["measure"] = [say.text(f"outcome_table.{name}") for name in out["measure"]]
    if "method" in out:
        out["method"] = [method_words(str(name), say) for name in out["method"]]
    return out


def other_outcomes(trial: Trial, data: Aligned) -> Outcomes:
    """Summarise contamination, what else was measured at harvest, and biological efficiency.

    Parameters
    ----------
    trial : Trial
    data : Aligned

    Returns
    -------
    Outcomes

    Examples
    --------
    >>> import trialkit as tk
    >>> trial = tk.read_trial(tk.demo_folder())
    >>> data = tk.align(trial, tk.read_harvest(trial))
    >>> lost = tk.other_outcomes(trial, data).proportions
    >>> int(lost.loc[lost["factor"] == "schedule", "blocks"].sum())
    144
    """
    check_kinds("other_outcomes", trial=trial, data=data)
    import pandas as pd

    from trialkit.analysis.counts import modelled_outcomes
    from trialkit.analysis.fit_response import fit_response

    notes: list[Message] = []
    measured = []
    # biological efficiency is yield over a constant, so it has a table of its own instead
    recorded = [name for name, column in trial.harvest_columns.items() if column.outcome]
    for name in (*recorded, "days"):
        if name == trial.question.response or name not in data.table:
            continue
        if data.table[name].notna().sum() == 0:
            continue
        try:
            _, _, fit = fit_response(trial, data, response=name)
            means = _with_differences(trial, fit)
        except ModelError as problem:
            notes.append(message("outcome_table.not_said", outcome=name, problem=str(problem)))
            continue
        measured.append(means.assign(outcome=name, factor=trial.question.primary))
    proportions = lost_shares(trial, data)
    return Outcomes(
        proportions=proportions,
        measured=pd.concat(measured, ignore_index=True) if measured else pd.DataFrame(),
        efficiency=efficiency_by_level(trial, data, notes),
        modelled=_one_p(modelled_outcomes(trial, data), proportions),
        notes=tuple(notes),
    )


def _one_p(modelled: pd.DataFrame, proportions: pd.DataFrame) -> pd.DataFrame:
    """Leave out the model's p of a question that has one by drawing plans anew."""
    if not len(modelled) or not len(proportions):
        return modelled
    drawn = proportions[proportions["p"].notna()]
    asked = set(zip(drawn["outcome"], drawn["factor"], strict=True))
    rows = zip(modelled["outcome"], modelled["factor"], modelled["p"], strict=True)
    return modelled.assign(p=[math.nan if (of, by) in asked else p for of, by, p in rows])


def _with_differences(trial: Trial, fit: Fit) -> pd.DataFrame:
    """Give the means of a fit, each with its difference from the control and joint limits."""
    name, reference = trial.primary.name, trial.primary.reference
    means = fit.means(name)[["level", "estimate", "low", "high", "df", "method"]]
    apart = fit.differences(name, against=reference, adjust="dunnett").set_index("first")
    ends = {"difference": "estimate", "difference_low": "low", "difference_high": "high"}
    for column, end in ends.items():
        means[column] = means["level"].map(apart[end]).astype(float)
    return means
