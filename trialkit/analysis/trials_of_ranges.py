"""One surface from several trials of the same ranges: trials, batches and rooms vary by chance."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import TYPE_CHECKING

from trialkit.analysis.table import told_apart
from trialkit.analysis.tuned import rows_of_settings, setting_column, settings_of
from trialkit.errors import ModelError
from trialkit.settings.setting_range import SettingRange

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.alignment.result import Aligned
    from trialkit.surface.fit_surface import Surface
    from trialkit.trial import Trial

#: From so many trials on their levels are a random term.
MANY = 8


def analyse_trials_of_ranges(trials: Sequence[Trial], data: Sequence[Aligned]) -> Surface:
    """Fit one second-order surface to several trials of the same settings.

    Parameters
    ----------
    trials : sequence of Trial
        Whose treatments have ranges, in the order in which they ran; the control of the last is
        today's setting.
    data : sequence of Aligned

    Returns
    -------
    Surface
        Over all settings that were tried. Each trial has a level of its own: fixed where there
        are fewer than `MANY` trials, else random. The units of each trial are random terms: a
        batch or a room of one trial is none of another.

    Raises
    ------
    ModelError
        If trials do not tune the same settings, two rest on the same harvest, or the surface
        cannot be fitted.

    Notes
    -----
    The variance between a few trials cannot be known: with two, an estimate below zero happens
    every other time and leaves no error degrees of freedom for the curve. Their levels are then
    fixed, which costs only what trial means tell of the curve. All trials share the curve: that
    the best setting moves from season to season is not in the model, and shows as a poor fit.
    """
    import pandas as pd

    from trialkit.surface.fit_surface import fit_surface

    refuse_other_trials(trials)
    last, response = trials[-1], trials[-1].question.response
    marks: dict[str, int] = {}
    parts: list[pd.DataFrame] = []
    random: list[str] = ["trial"] if len(trials) >= MANY else []
    for at, (trial, aligned) in enumerate(zip(trials, data, strict=True)):
        rows = rows_of_settings(trial, aligned, response)
        _check_once(rows, trials, response, marks, at)
        strata = [":".join(term) for term in trial.structure.strata(trial.counts)[:-1]]
        random += told_apart(strata, rows)
        names = {n: f"{at + 1}/" + rows[n].astype(str) for n in trial.structure.factors}
        parts.append(rows.assign(trial=f"trial {at + 1}", **names))
    return fit_surface(
        pd.concat(parts, ignore_index=True),
        _settings_of_all(trials),
        response=response,
        columns={f.name: setting_column(f.name) for f in last.tuned},
        others=["trial"] if 1 < len(trials) < MANY else (),
        random=list(dict.fromkeys(random)),
        level=last.question.level,
    )


def refuse_other_trials(trials: Sequence[Trial]) -> None:
    """Refuse trials that do not ask about the same settings of the same units."""
    for trial in trials:
        if not trial.tuned or len(trial.tuned) != len(trial.factors):
            raise ModelError(
                f"trial {trial.title!r} compares named levels: a next trial is worked out from "
                "trials whose treatments have ranges → give the treatment a range and one named "
                "level, the control, such as range = { duty_pct = [2, 10], step = 0.5 }; "
                "trialkit analyse says which named setting to try next"
            )
    for what, values in (
        ("settings", [{f.name: f.tuned.name for f in t.tuned if f.tuned} for t in trials]),
        ("response", [t.question.response for t in trials]),
        ("structure of units", [":".join(t.structure.factors) for t in trials]),
    ):
        if any(value != values[0] for value in values):
            raise ModelError(
                f"the trials differ in their {what} ({', '.join(map(str, values))[:200]}): take "
                "trials together that tune the same settings by the same measure"
            )


def _check_once(
    rows: pd.DataFrame,
    trials: Sequence[Trial],
    response: str,
    marks: dict[str, int],
    at: int,
) -> None:
    """Refuse a harvest that is in already, whatever its trial is called."""
    names = [setting_column(f.name) for f in trials[at].tuned]
    values = sorted(
        tuple(float(v).hex() for v in row)
        for row in rows[[*names, response]].itertuples(index=False)
    )
    mark = hashlib.sha256(repr(values).encode()).hexdigest()
    if mark in marks:
        raise ModelError(
            f"trials {marks[mark] + 1} ({trials[marks[mark]].title!r}) and {at + 1} "
            f"({trials[at].title!r}) rest on the same data (fingerprint {mark[:12]}): a trial "
            "counts once; leave one of them out"
        )
    marks[mark] = at


def _settings_of_all(trials: Sequence[Trial]) -> list[SettingRange]:
    """Give ranges that hold all that was tried, with today's setting of the last trial."""
    each = [settings_of(trial) for trial in trials]
    out = []
    for same in zip(*each, strict=True):
        steps = {round(v, 6): v for setting in same for v in setting.steps}
        low, high = min(s.low for s in same), max(s.high for s in same)
        last = same[-1]
        out.append(SettingRange(last.name, low, high, last.usual, last.unit, tuple(steps.values())))
    return out
