"""The demo's logs, read, aligned, analysed and judged once in a run of tests: seventy begin so.

Only the demo as it ships, with its own trial file and nothing asked for; whatever else is read as
ever. Every test gets the same tables, so that none may change them: `unchanged` looks at the end.
"""

from __future__ import annotations

import copy
from dataclasses import fields
from functools import wraps

import pandas as pd

import trialkit as tk
from trialkit.alignment import align as aligning
from trialkit.analysis import analyse as analysing
from trialkit.decision import decide as deciding
from trialkit.logs.cache import ships
from trialkit.logs.climate import read as climate
from trialkit.logs.harvest import read as harvest
from trialkit.logs.mist import read as mist

_trials, _plans, _logs, _aligned, _analysed, _decided, _as_made = {}, {}, {}, {}, {}, {}, []


def keep():
    """Put what keeps in the place of what reads and aligns; doctests are collected by then."""
    for module in (climate, harvest, mist):
        module.read_cached = _reading(module.read_cached)
    aligning.align = vars(tk)["align"] = _aligning(aligning.align)
    analysing.analyse = vars(tk)["analyse"] = _following(analysing.analyse, _aligned, _analysed)
    deciding.decide = vars(tk)["decide"] = _following(deciding.decide, _analysed, _decided)


def unchanged():
    """Say whether every table is as it was made."""
    return all(_same(now, then) for now, then in _as_made)


def _same(now, then):
    try:
        for name, frame in then.items():
            pd.testing.assert_frame_equal(now[name], frame)
    except AssertionError:
        return False
    return True


def _remember(made):
    frames = {k: v for k, v in vars(made).items() if isinstance(v, pd.DataFrame)}
    _as_made.append((frames, {k: v.copy(deep=True) for k, v in frames.items()}))
    return made


def _as_shipped(trial):
    """Say whether a trial is just what its file in the package says."""
    if not isinstance(trial, tk.Trial) or not ships(trial.folder):
        return False
    if trial.folder not in _trials:
        _trials[trial.folder] = tk.read_trial(trial.folder)
    return trial == _trials[trial.folder]


def _reading(read_cached):
    @wraps(read_cached)
    def reading(trial, kind, read, *, cache=True):
        if not cache or not _as_shipped(trial):
            return read_cached(trial, kind, read, cache=cache)
        key = (trial.folder, kind)
        if key not in _logs:
            _logs[key] = _remember(read_cached(trial, kind, read))
        return _logs[key]

    return reading


def _its_plan(trial, plan):
    """Say whether a plan is the one that ships with the demo, or none is given."""
    if plan is None:
        return True
    if trial.folder not in _plans:
        _plans[trial.folder] = tk.read_plan(trial)
    shipped = _plans[trial.folder]
    return (
        isinstance(plan, type(shipped))
        and plan.hash == shipped.hash
        and plan.table.equals(shipped.table)
    )


def _aligning(align):
    @wraps(align)
    def aligned(trial, *logs, plan=None, progress=None, **options):
        kept = {id(log): kind for kind, log in _logs.items()}
        known = all(log is None or id(log) in kept for log in logs)
        if options or not known or not _as_shipped(trial) or not _its_plan(trial, plan):
            return align(trial, *logs, plan=plan, progress=progress, **options)
        key = tuple(kept.get(id(log)) for log in logs)
        if key not in _aligned:
            _aligned[key] = _remember(align(trial, *logs))
        if progress is not None:
            progress(1, 1)
        return copy.copy(_aligned[key])

    return aligned


def _following(verb, before, after):
    """Keep what a verb makes of what was kept `before`, untouched since."""

    @wraps(verb)
    def kept(trial, given, **options):
        known = (key for key, one in before.items() if _is(given, one))
        key = None if options or not _as_shipped(trial) else next(known, None)
        if key is None:
            return verb(trial, given, **options)
        if key not in after:
            after[key] = _remember(verb(trial, before[key]))
        return copy.copy(after[key])

    return kept


def _is(given, one):
    """Say whether `given` holds the very objects that `one` holds."""
    return type(given) is type(one) and all(
        getattr(given, field.name) is getattr(one, field.name) for field in fields(one)
    )
