"""Which unit a code that the trial does not have may stand for."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from typing import TYPE_CHECKING

from trialkit.logs.text.names import tidy
from trialkit.wording import Message, Units, message, suggestion

if TYPE_CHECKING:
    from trialkit.trial import Trial

_NEAR = 0.6  #: likeness from which a name is taken for a slip of the pen


def unit_hint(cell: str, trial: Trial, codes: Sequence[str]) -> Message:
    """Say what to do about a unit code that is not in the trial.

    Where all parts but one are known, only that part is doubted: a tent with a strange name is no
    other tent whose name looks a little like it.

    Parameters
    ----------
    cell : str
    trial : Trial
    codes : sequence of str
        The trial's codes.

    Returns
    -------
    Message

    Examples
    --------
    >>> import trialkit as tk
    >>> trial = tk.read_trial(tk.demo_folder())
    >>> codes = list(trial.unit_table()["unit"])
    >>> str(unit_hint("B2-T3-tpo-1", trial, codes))
    "correct the code in the file; did you mean 'B2-T3-top-1'?"
    """
    factors = trial.structure.factors
    parts = [part.strip() for part in cell.strip().split("-")]
    strange: list[int] = []
    if len(parts) == len(factors):
        known = [[*trial.levels[f], *trial.aliases.get(f, {})] for f in factors]
        tidied = [{tidy(name) for name in names} for names in known]
        strange = [i for i, part in enumerate(parts) if tidy(part) not in tidied[i]]
    if len(strange) == 1:
        (at,) = strange
        near = difflib.get_close_matches(parts[at], trial.levels[factors[at]], n=1, cutoff=_NEAR)
        if not near and at < len(factors) - 1:
            return message(
                "row_remedy.unknown_level",
                kind=Units((factors[at],), 1),
                name=parts[at],
                known=list(trial.levels[factors[at]]),
            )
        if near:
            meant = "-".join([*parts[:at], near[0], *parts[at + 1 :]])
            return message("row_remedy.unknown_unit", hint=suggestion(meant, codes))
    return message("row_remedy.unknown_unit", hint=suggestion(cell, codes))
