"""The answer of one trial, small enough to be shared: no log, no weight, no place."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from trialkit import __version__
from trialkit.columns import house_unit
from trialkit.columns.response import response_of
from trialkit.decision.depends import dependence
from trialkit.decision.fingerprint import data_fingerprint
from trialkit.decision.pooling import log_ratio
from trialkit.errors import ModelError

if TYPE_CHECKING:
    from trialkit.analysis.result import Analysis
    from trialkit.trial import Setting, Trial

#: Figures of the rig that an answer may hold.
RIG = ("chamber_m3", "mist_l_h", "fogger_w", "air_changes_h")
#: Numbers of a setting that an answer may hold.
SETTING = (
    "on_s", "off_s", "start_below_rh", "stop_above_rh", "lux", "ppfd_umol_m2_s", "hours", "value",
)  # fmt: skip
#: What is counted of a trial.
COUNTS = ("batches", "chambers", "runs", "blocks", "weights")


@dataclass(frozen=True)
class TrialAnswer:
    """What one trial says of one level against its control. Made by `answer_of_trial`.

    Parameters
    ----------
    title, species : str
    begun : str
        Year and month of the first batch, such as ``"2031-01"``; empty where not known.
    response, unit : str
        What was measured.
    better : {"more", "less"}
    level, control : str
    level_setting, control_setting : dict
        Numbers of both settings, those of `SETTING` that are known.
    estimate, se : float
        Natural logarithm of the ratio of means, and its standard error.
    df : float
        Error degrees of freedom behind the standard error.
    method : str
        Analysis behind them.
    counts : dict
        `COUNTS`: units with a weight that were compared.
    fingerprint : str
        SHA-256 of the analysed data; the same harvest has the same one.
    rig : dict
        Figures of the rig, those of `RIG` that are known.
    depends_on : str
        Treatment on which the trial's answer was found to depend, or ``"batch"``: `estimate` is an
        average over it. Empty where none was found.
    invented : bool
    made_by : str
    source : str
        Folder or file that it came from; not part of a file.
    """

    title: str
    species: str
    begun: str
    response: str
    unit: str
    better: Literal["more", "less"]
    level: str
    control: str
    estimate: float
    se: float
    df: float
    method: str
    counts: dict[str, int]
    fingerprint: str
    level_setting: dict[str, float] = field(default_factory=dict)
    control_setting: dict[str, float] = field(default_factory=dict)
    rig: dict[str, float] = field(default_factory=dict)
    depends_on: str = ""
    invented: bool = False
    made_by: str = f"trialkit {__version__}"
    source: str = ""


def levels_to_share(trial: Trial) -> list[str]:
    """List the levels that the trial compares with its control."""
    return [name for name in trial.primary.levels if name != trial.primary.reference]


def answer_of_trial(result: Analysis, *, level: str, source: str = "") -> TrialAnswer:
    """Take the answer of a trial out of its analysis.

    Parameters
    ----------
    result : Analysis
    level : str
        Level of the primary treatment that is compared with the control.
    source : str
        Where it came from.

    Returns
    -------
    TrialAnswer

    Raises
    ------
    ModelError
        If the trial has no such level, a fault stops its answer, or the ratio has no limits.

    Examples
    --------
    >>> import trialkit as tk
    >>> trial = tk.read_trial(tk.demo_folder())
    >>> data = tk.align(trial, tk.read_harvest(trial), tk.read_environment(trial),
    ...                 tk.read_mist(trial))
    >>> got = answer_of_trial(tk.analyse(trial, data), level="sparse")
    >>> got.control, got.response, got.counts["runs"]
    ('usual', 'fresh_g', 16)
    >>> got.depends_on
    'light'
    """
    trial, factor = result.trial, result.trial.primary
    stops = [f for f in (*result.findings, *result.data.findings) if f.severity == "stop"]
    if stops:
        raise ModelError(
            f"trial {trial.title!r} has no answer to share: {stops[0].message} → fix that first: "
            "trialkit check"
        )
    estimate, se = log_ratio(result, level)
    row = result.ratios[result.ratios["level"].astype(str) == level].iloc[0]
    response = response_of(result.terms.response, trial.harvest_columns)
    return TrialAnswer(
        title=trial.title,
        species=trial.species,
        begun=begun(trial),
        response=response.name,
        unit=house_unit(response.name, trial.columns) or "",
        better=response.better,
        level=level,
        control=factor.reference,
        level_setting=setting_numbers(factor.levels[level]),
        control_setting=setting_numbers(factor.levels[factor.reference]),
        estimate=estimate,
        se=se,
        df=_df(result, float(row["df"])),
        method=str(row["method"]),
        counts=_counts(result, level),
        rig={n: float(v) for n in RIG if (v := getattr(trial.rig, n)) is not None},
        fingerprint=data_fingerprint(result),
        depends_on=dependence(trial, result, better=response.better).on,
        invented=trial.invented,
        source=source,
    )


def _df(result: Analysis, df: float) -> float:
    """Give the error df; where they have no end, those of the rows are the most there are."""
    rows = float(len(result.fit.table) - 2)
    return min(df, rows) if math.isfinite(df) and df > 0 else rows


def begun(trial: Trial) -> str:
    """Give year and month of the first batch, such as ``"2031-01"``; empty where not known."""
    starts = [d.start for d in trial.batches.values() if d.start is not None]
    return f"{min(starts).astimezone(trial.zone):%Y-%m}" if starts else ""


def setting_numbers(setting: Setting) -> dict[str, float]:
    """Give the numbers of a setting that may be shared: those of `SETTING` that are known."""
    return {n: float(v) for n in SETTING if (v := getattr(setting, n)) is not None}


def _counts(result: Analysis, level: str) -> dict[str, int]:
    """Count the weights of both levels, and the units that they came from."""
    trial, factor, table = result.trial, result.trial.primary, result.data.table
    rows = table[table[result.terms.response].notna()]
    rows = rows[rows[factor.name].astype(str).isin([level, factor.reference])]

    def distinct(names: list[str]) -> int:
        known = [name for name in names if name in rows]
        return len(rows[known].drop_duplicates()) if known else 1

    return {
        "batches": distinct(["batch"]),
        "chambers": distinct(["chamber"]),
        "runs": distinct(list(factor.applied_to)),
        "blocks": distinct(list(trial.structure.factors)),
        "weights": len(rows),
    }
