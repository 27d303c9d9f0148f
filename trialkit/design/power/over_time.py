"""Which layout over time suits a trial in one box: the one whose limits are expected narrowest.

Each way costs something whatever happens, and gains where yields drift: a trend takes one degree
of freedom, time blocks take one for each block but the first, and complete randomisation takes
none and leaves all the drift in the error. The width of the limits is worked out for little,
middle and much variation between starts, each with no drift, 15 and 30 %, and averaged.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from trialkit.design.power.drift import DRIFT_RANGE, planning_variation
from trialkit.design.power.questions import (
    Wanted,
    critical_value,
    rows_against,
    worst_row,
)
from trialkit.design.strata.comparisons import compare_in
from trialkit.errors import DesignError, Finding, PlanError
from trialkit.trial import Trial
from trialkit.trial.over_time import (
    OVER_TIME,
    combinations_over_starts,
    one_box,
    over_starts,
)
from trialkit.trial.sections import OverTime
from trialkit.wording import Message, finding, message

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.display import Shown

#: Ways that a plan can choose by itself; splitting deliveries is for the grower to say.
_CHOSEN_FROM: tuple[OverTime, ...] = ("random", "trend", "time blocks")
_CLEARLY = 0.02  # narrower by at least this much, as a share, before a way that says more is taken


@dataclass(frozen=True)
class OverTimeChoice:
    """Ways to spread schedules over the starts of one box, and the one chosen.

    Parameters
    ----------
    trial : Trial
    chosen : str
        A value of `over_time` under `[units]`.
    table : DataFrame
        One row per way that the trial can have: `over_time, error_df, no_drift, some_drift,
        much_drift, expected`: expected width of the limits over that of complete randomisation
        without drift, averaged over the variation between starts; `expected` over the drift too.
    """

    trial: Trial
    chosen: OverTime
    table: pd.DataFrame

    def _by_way(self) -> dict[str, dict[str, float]]:
        table = self.table.set_index("over_time").astype(float)
        return {str(way): {str(k): v for k, v in row.items()} for way, row in table.iterrows()}

    @property
    def reason(self) -> Message:
        """Why this way was chosen, in a sentence."""
        rows = self._by_way()
        mine, plain = rows[self.chosen], rows["random"]
        values = {
            "starts": self.trial.counts["batch"],
            "df": int(mine["error_df"]),
            "random_df": int(plain["error_df"]),
            "calm": 100 * abs(mine["no_drift"] / plain["no_drift"] - 1),
            "drifting": 100 * abs(mine["much_drift"] / plain["much_drift"] - 1),
            "most": DRIFT_RANGE[-1],
        }
        return message(f"over_time.reason.{self.chosen.replace(' ', '_')}", **values)

    @property
    def other_ways(self) -> tuple[Message, ...]:
        """What each other way would have given, a sentence each."""
        rows = self._by_way()
        base = rows[self.chosen]["expected"]
        return tuple(
            message(
                f"over_time.other.{way.replace(' ', '_')}",
                df=int(row["error_df"]),
                change=100 * (row["expected"] / base - 1),
            )
            for way, row in rows.items()
            if way != self.chosen
        )

    def show(self) -> Shown:
        """Format the table."""
        from trialkit.display import show_table
        from trialkit.wording import spoken

        say = spoken()
        widths = ["no_drift", "some_drift", "much_drift", "expected"]
        columns = ["over_time", "error_df", *widths]
        drifts = {"some": DRIFT_RANGE[1], "most": DRIFT_RANGE[2]}
        return show_table(
            self.table,
            columns=columns,
            heads={name: say.text(f"over_time.head.{name}", **drifts) for name in columns},
            formats={
                "over_time": lambda way: say.text(f"over_time.way.{str(way).replace(' ', '_')}"),
                **{name: lambda value: say.written(value, ".2f") for name in widths},
            },
            caption=say.text("over_time.caption"),
        )


def choose_over_time(trial: Trial) -> OverTimeChoice | None:
    """Choose how to spread schedules over starts that follow one another in one box.

    Parameters
    ----------
    trial : Trial
        What its `over_time` says now makes no difference.

    Returns
    -------
    OverTimeChoice or None
        None where schedules are compared within each start, so that no drift reaches them.

    Notes
    -----
    The expected width of a limit is the critical value on the error's degrees of freedom, times
    the mean of the error's root over its true root, times the standard error with what the
    layout leaves of the drift. A way that says more about time is taken where it is at least
    2 % narrower on average.

    Examples
    --------
    >>> import trialkit as tk
    >>> choose_over_time(tk.read_trial(tk.demo_folder())) is None
    True
    """
    import pandas as pd

    if not one_box(trial):
        return None
    name = trial.primary.name
    if name not in over_starts(trial):
        name = next(iter(over_starts(trial)))
    found = {way: _widths(replace(trial, over_time=way), name) for way in OVER_TIME}
    known = {way: widths for way, widths in found.items() if widths is not None}
    if "random" not in known:
        return None
    base = known["random"][1][:, 0]  # without drift, for each variation
    rows = []
    for way, (df, widths) in known.items():
        share = (widths / base[:, None]).mean(axis=0)
        rows.append([way, df, *share.tolist(), float(share.mean())])
    heads = ["over_time", "error_df", "no_drift", "some_drift", "much_drift", "expected"]
    table = pd.DataFrame(rows, columns=heads)
    expected = dict(zip(table["over_time"], table["expected"], strict=True))
    chosen = min((w for w in _CHOSEN_FROM if w in expected), key=lambda way: expected[way])
    if expected[chosen] > (1 - _CLEARLY) * expected["random"]:
        chosen = "random"
    return OverTimeChoice(trial, chosen, table)


def _widths(trial: Trial, name: str) -> tuple[int, np.ndarray] | None:
    """Give the error df, and expected widths for each variation (rows) and drift (columns)."""
    try:
        c = compare_in(trial, name, quick=True)
    except (DesignError, PlanError):
        return None
    reference = list(trial.factors[name].levels).index(trial.factors[name].reference)
    rows, df = rows_against(c, reference), float(c.error_df)
    alike = dict.fromkeys(c.error_weights(), 1.0)
    if df <= 0 or not math.isfinite(worst_row(c.solve(alike), rows)[1]):
        return None  # nothing to judge by, or nothing to compare
    asked = Wanted(1.0, 1.0, 0.0, trial.question.level, True, reference, {})
    out = np.empty((3, len(DRIFT_RANGE)))
    for j, drift in enumerate(DRIFT_RANGE):
        variation = planning_variation(trial, drifts=(drift, drift, drift))
        for i in range(3):
            solved = c.solve(variation.point(i))
            reach = critical_value(solved, rows, df, asked) * _mean_root(df)
            out[i, j] = reach * math.sqrt(worst_row(solved, rows)[1])
    return c.error_df, out


def _mean_root(df: float) -> float:
    """Give the mean of a standard deviation found with some degrees of freedom, over the true."""
    log = special.gammaln((df + 1) / 2) - special.gammaln(df / 2)
    return float(math.sqrt(2 / df) * math.exp(log))


def over_time_findings(trial: Trial) -> Sequence[Finding]:
    """Say in a plan why its starts are laid out as they are, or what would be better."""
    choice = choose_over_time(trial)
    if choice is None:
        return ()
    now = trial.over_time
    known = dict(zip(choice.table["over_time"], choice.table["expected"], strict=True))
    if now == choice.chosen:
        return (finding("over_time_chosen", "note", reason=choice.reason),)
    gain = 100 * (known[now] / known[choice.chosen] - 1)
    if gain <= 0:  # splitting deliveries, say, which no plan chooses by itself
        return (finding("over_time_better", "note", now=now, less=-gain, than=choice.chosen),)
    return (
        finding(
            "over_time_wider",
            "caution" if now == "random" else "note",  # other orders guard against drift too
            now=now,
            better=choice.chosen,
            more=gain,
            reason=choice.reason,
        ),
    )


def boxes_that_swap(trial: Trial) -> Message | None:
    """Say of few equal boxes that share their starts what swapping schedules in turn would cost.

    Parameters
    ----------
    trial : Trial

    Returns
    -------
    Message or None
        None unless each start holds each schedule once.
    """
    name, boxes = trial.primary.name, trial.counts.get("chamber", 1)
    shares = name in over_starts(trial) and boxes == combinations_over_starts(trial)
    if not shares or boxes < 2:
        return None
    try:
        plain, turns = (
            compare_in(replace(trial, over_time=way), name, quick=True).error_df
            for way in ("random", "time blocks")
        )
    except (DesignError, PlanError):
        return message("over_time.shared", boxes=boxes)
    if trial.over_time != "random":
        return message("over_time.swapped", boxes=boxes, df=turns, random_df=plain)
    return message("over_time.shared_or_swapped", boxes=boxes, df=turns, random_df=plain)
