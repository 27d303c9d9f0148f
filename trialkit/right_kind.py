"""Objects given to public functions: of the right kind, or told what they are and how to get it."""

from __future__ import annotations

import os
from typing import Any

from trialkit.errors import TrialkitError

#: Kind of object → how one gets it.
_HOW = {
    "Trial": 'trial = tk.read_trial("my-trial")',
    "Aligned": "data = tk.align(trial, harvest, climate, mist)",
    "Analysis": "result = tk.analyse(trial, data)",
    "Verdict": "verdict = tk.decide(trial, result)",
    "Fit": "fit = result.fit, or tk.fit(table, response=…, fixed=…, random=…)",
}
#: Parameter of public functions → the kind of object it takes.
_KINDS = {
    "trial": "Trial",
    "data": "Aligned",
    "result": "Analysis",
    "verdict": "Verdict",
    "fit": "Fit",
}
_PLAIN = (str, bytes, os.PathLike, int, float, list, tuple, dict, set, type(None))


class WrongObjectError(TrialkitError, TypeError):
    """A function was given an object of another kind."""


def check_kinds(function: str, **given: Any) -> None:
    """Refuse objects of the wrong kind, in words.

    Parameters
    ----------
    function : str
        Name of the function they were given to.
    **given
        What it was given, by parameter: `trial`, `data`, `result`, `verdict`, `fit`.

    Raises
    ------
    WrongObjectError
        If one is surely of another kind; an object of the user's own may stand in for it.

    Examples
    --------
    >>> check_kinds("weigh", trial="my-trial")
    Traceback (most recent call last):
    trialkit.right_kind.WrongObjectError: weigh: 'trial' must be a Trial, not the text \
'my-trial' → trial = tk.read_trial("my-trial")
    """
    for name, value in given.items():
        _refuse(function, name, _KINDS[name], value)


def _refuse(function: str, name: str, kind: str, value: Any) -> None:
    above = type(value).__mro__
    if any(one.__name__ == kind for one in above):
        return
    ours = any(one.__module__.startswith(("trialkit.", "pandas")) for one in above)
    if ours or isinstance(value, _PLAIN):
        raise WrongObjectError(
            f"{function}: {name!r} must be {_with_article(kind)}, not {_told(value)} → {_HOW[kind]}"
        )


def _told(value: object) -> str:
    if isinstance(value, str):
        return f"the text {value[:60]!r}"
    return "None" if value is None else _with_article(type(value).__name__)


def _with_article(kind: str) -> str:
    return f"{'an' if kind[0] in 'AEIOUaeiou' else 'a'} {kind}"
