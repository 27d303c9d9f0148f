"""A next trial of tuned settings, as data: what to try, and what it is worth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.decision.next_ranges import NextRange
    from trialkit.errors import Finding
    from trialkit.surface.best_region import BestRegion
    from trialkit.surface.expected_gain import GainOfTrial
    from trialkit.surface.fit_surface import Surface
    from trialkit.trial import Trial
    from trialkit.wording import Message


@dataclass(frozen=True, eq=False)
class NextTrial:
    """A further trial: its file and what it is worth.

    Made by `trialkit.templates.next_trial.propose_next_trial`.

    Parameters
    ----------
    surface : Surface
        Of all trials so far.
    region : BestRegion
    ranges : tuple of NextRange
    table : DataFrame
        Settings that the plan tries: the settings, `units`, `gain, gain_low, gain_high` (over
        today's, a block, in money or the response's unit) and `chance` (that it is more than
        today's).
    gain : GainOfTrial
        Per block.
    loss : float
        What the trial is expected to give less than the best known setting would, in all.
    cost : float
        What was said that the trial costs beside that.
    net : float
        Expected gain of a year, less loss and cost; NaN where the blocks of a year are not known.
    in_sight : float
        Chance that some setting gives the difference worth finding more than the best known one.
    stop : bool
        Whether a further trial is not worth it.
    unit : str
    decimals : int
        Of amounts a block, as they are shown.
    text : str
        The trial file.
    trial : Trial
        As read from it.
    said : tuple of Message
    findings : tuple of Finding
    """

    surface: Surface
    region: BestRegion
    ranges: tuple[NextRange, ...]
    table: pd.DataFrame
    gain: GainOfTrial
    loss: float
    cost: float
    net: float
    in_sight: float
    stop: bool
    unit: str
    decimals: int
    text: str
    trial: Trial
    said: tuple[Message, ...]
    findings: tuple[Finding, ...] = ()
