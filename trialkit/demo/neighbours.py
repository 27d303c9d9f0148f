"""Invented answers of other growers, to show what several trials say together."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from trialkit.federation.answer import TrialAnswer

#: True logarithm of the ratio, on average over the invented rooms: 4 % less.
TRUE_MEAN = -0.04
#: Standard deviation of the true logarithm between rooms.
TRUE_SD = 0.05
_MONTHS = ("2030-09", "2030-11", "2031-02", "2031-05", "2031-08", "2031-10", "2032-01")
_SPECIES = ("oyster", "oyster", "shiitake")


def invent_answers(like: TrialAnswer, *, count: int = 5, seed: int = 1) -> list[TrialAnswer]:
    """Invent answers to the question of a trial, each marked as invented.

    Parameters
    ----------
    like : TrialAnswer
        Whose question, counts and standard error they have, about.
    count : int
    seed : int

    Returns
    -------
    list of TrialAnswer
        Drawn about `TRUE_MEAN`, with rooms that differ by `TRUE_SD`.

    Examples
    --------
    >>> from trialkit.federation.answer import COUNTS, TrialAnswer
    >>> one = TrialAnswer("A", "", "", "fresh_g", "g", "more", "sparse", "usual", -0.01, 0.03,
    ...     9.0, "t", dict.fromkeys(COUNTS, 8), "0" * 64)
    >>> [answer.invented for answer in invent_answers(one, count=2)]
    [True, True]
    """
    rng = np.random.default_rng(seed)
    out = []
    for i in range(count):
        se = like.se * rng.uniform(0.8, 1.5)
        estimate = TRUE_MEAN + rng.normal(0, TRUE_SD) + rng.normal(0, se)
        out.append(
            replace(
                like,
                title=f"invented farm {i + 1}",
                species=_SPECIES[i % len(_SPECIES)],
                begun=_MONTHS[i % len(_MONTHS)],
                estimate=float(estimate),
                se=float(se),
                fingerprint=hashlib.sha256(f"{seed}/{i}/{estimate}".encode()).hexdigest(),
                rig={},
                invented=True,
                source="invented",
            )
        )
    return out
