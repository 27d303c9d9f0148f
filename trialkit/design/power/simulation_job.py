"""All that a process needs to simulate trials of a plan: data only, to be sent to any worker."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from trialkit.arrays import Bools, Floats
from trialkit.design.power.questions import Question, Wanted

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Job:
    """All that a process needs to simulate any chunk.

    Parameters
    ----------
    table : DataFrame
        One row per smallest unit: unit factors and treatments.
    fixed : str
        Fixed formula.
    random : tuple of str
        Random terms.
    groups : dict
        Stratum → number of the unit that holds each row.
    spread : tuple of dict
        For low, middle, high variation: stratum → standard deviation [%] of its contrasts and
        of its own effects.
    coefficients : dict
        Stratum → {stratum: coefficient} that make its projection of averages.
    effect : array, shape (rows,)
        True effects [%] for the questions "any" and "difference".
    term : str
        Treatment term tested.
    target, reference : str
        Levels compared.
    questions : tuple of str
    wanted : Wanted
    critical_df, critical : array
        Critical values at some degrees of freedom, to be interpolated.
    seed : int
    primary : str
        Treatment of the question; its effect may differ from batch to batch.
    given_to : tuple of str
        Unit factors it was given to.
    by_batch : tuple of float
        For low, middle, high variation: standard deviation [%] of what it does by batch.
    absent : array of bool, optional
        Rows of units that never began; they are in no trial.
    known : tuple of str
        Covariates known beforehand that are in the model.
    """

    table: pd.DataFrame
    fixed: str
    random: tuple[str, ...]
    groups: dict[str, Any]
    spread: tuple[dict[str, tuple[float, float]], ...]
    coefficients: dict[str, dict[str, int]]
    effect: Floats
    term: str
    target: str
    reference: str
    questions: tuple[Question, ...]
    wanted: Wanted
    critical_df: Floats
    critical: Floats
    seed: int
    primary: str = ""
    given_to: tuple[str, ...] = ()
    by_batch: tuple[float, ...] = (0.0, 0.0, 0.0)
    absent: Bools | None = None
    known: tuple[str, ...] = ()
