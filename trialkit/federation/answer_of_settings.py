"""The answer of a trial of ranges on one of its settings, to be pooled with others."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from trialkit.arrays import Floats
from trialkit.columns import house_unit
from trialkit.columns.response import response_of
from trialkit.errors import ModelError
from trialkit.federation.answer import RIG, TrialAnswer, begun, setting_numbers
from trialkit.settings.polynomial import terms
from trialkit.surface.fit_surface import METHOD, term_name

if TYPE_CHECKING:
    from trialkit.alignment.result import Aligned
    from trialkit.surface.fit_surface import Surface
    from trialkit.trial import Trial


def levels_named(trial: Trial, text: str) -> dict[str, str]:
    """Read the setting of each range from the names of levels.

    Parameters
    ----------
    trial : Trial
        Whose treatments have ranges.
    text : str
        Levels with commas, such as ``"6.5 %, 650 lux"``. Treatments that are not named keep
        today's setting.

    Returns
    -------
    dict
        Treatment → level, in the trial's order.

    Raises
    ------
    ModelError
        If a name is no level, or of two treatments, or only today's settings are named.

    Examples
    --------
    >>> import trialkit as tk
    >>> trial = tk.read_trial(tk.demo_folder(tuned=True))
    >>> levels_named(trial, "650 lux, 6.5 %"), levels_named(trial, "6 %")["light"]
    ({'mist': '6.5 %', 'light': '650 lux'}, 'today')
    """
    out = {f.name: f.reference for f in trial.tuned}
    for name in filter(None, (part.strip() for part in text.split(","))):
        of = [f for f in trial.tuned if name in f.levels]
        if len(of) != 1:
            some = "; ".join(f"{f.name}: {', '.join(list(f.levels)[:6])} …" for f in trial.tuned)
            what = "no level" if not of else f"a level of {' and '.join(f.name for f in of)}"
            raise ModelError(f"{name!r} is {what} of trial {trial.title!r} → such as {some}")
        out[of[0].name] = name
    if all(level == f.reference for f, level in zip(trial.tuned, out.values(), strict=True)):
        raise ModelError(f"{text!r} is the control of trial {trial.title!r}: name another setting")
    return out


def answer_of_settings(
    trial: Trial,
    data: Aligned,
    surface: Surface,
    *,
    levels: Mapping[str, str],
    source: str = "",
) -> TrialAnswer:
    """Take the answer on one setting, against today's, out of a surface.

    Parameters
    ----------
    trial : Trial
        Whose treatments have ranges.
    data : Aligned
    surface : Surface
        Of `trialkit.analysis.tuned.analyse_settings`.
    levels : mapping
        Treatment → level, of `levels_named`.
    source : str
        Where it came from.

    Returns
    -------
    TrialAnswer

    Raises
    ------
    ModelError
        If the setting lies beyond what was tried, a fault stops the answer, or the ratio has no
        limits.

    Notes
    -----
    The logarithm of the ratio of two heights of the surface, its standard error by the delta
    method. The setting has to be chosen before looking at the trial: the best-looking one of
    each trial looks too good.

    Examples
    --------
    >>> import trialkit as tk
    >>> from trialkit.analysis.tuned import analyse_settings
    >>> trial = tk.read_trial(tk.demo_folder(tuned=True))
    >>> data = tk.align(trial, tk.read_harvest(trial))
    >>> surface, levels = analyse_settings(trial, data), levels_named(trial, "6.5 %, 600 lux")
    >>> answer = answer_of_settings(trial, data, surface, levels=levels)
    >>> answer.level, answer.control, answer.estimate > 0
    ('6.5 %, 600 lux', 'usual, today', True)
    """
    stops = [f for f in data.findings if f.severity == "stop"]
    if stops:
        raise ModelError(
            f"trial {trial.title!r} has no answer to share: {stops[0].message} → fix that first: "
            "trialkit check"
        )
    coded = _coded(trial, surface, levels)
    high, low = terms(coded[None, :])[0], terms(surface.usual[None, :])[0]
    top, bottom = float(high @ surface.estimate), float(low @ surface.estimate)
    if top <= 0 or bottom <= 0:
        raise ModelError(f"trial {trial.title!r}: a mean is not above zero")
    row = surface.contrasts(high / top - low / bottom)[0].iloc[0]
    response = response_of(surface.response, trial.harvest_columns)
    used = trial.tuned
    return TrialAnswer(
        title=trial.title,
        species=trial.species,
        begun=begun(trial),
        response=response.name,
        unit=house_unit(response.name, trial.columns) or "",
        better=response.better,
        level=", ".join(levels.values()),
        control=", ".join(f.reference for f in used),
        level_setting=_numbers(trial, levels),
        control_setting=_numbers(trial, {f.name: f.reference for f in used}),
        estimate=math.log(top / bottom),
        se=float(row["se"]),
        df=min(float(row["df"]), float(surface.fit.n - 2)),
        method=f"{METHOD}, second-order surface",
        counts=_counts(trial, data, surface),
        rig={n: float(v) for n in RIG if (v := getattr(trial.rig, n)) is not None},
        fingerprint=surface_fingerprint(surface),
        invented=trial.invented,
        source=source,
    )


def _coded(trial: Trial, surface: Surface, levels: Mapping[str, str]) -> Floats:
    """Code the settings, and refuse those beyond what was tried."""
    out = []
    for factor, setting in zip(trial.tuned, surface.settings, strict=True):
        value = factor.number(levels[factor.name])
        if not setting.low - 1e-9 <= value <= setting.high + 1e-9:
            raise ModelError(
                f"trial {trial.title!r} tried {factor.name} from {setting.low:.3g} to "
                f"{setting.high:.3g} {setting.unit} and knows nothing of {levels[factor.name]!r}"
            )
        out.append(float(setting.code([value])[0]))
    return np.array(out)


def _numbers(trial: Trial, levels: Mapping[str, str]) -> dict[str, float]:
    """Give the numbers of all settings; a number that two treatments have is nobody's."""
    out: dict[str, float] = {}
    twice: set[str] = set()
    for factor in trial.tuned:
        for name, value in setting_numbers(factor.levels[levels[factor.name]]).items():
            if name in out:
                twice.add(name)
            out[name] = value
    return {name: value for name, value in out.items() if name not in twice}


def _counts(trial: Trial, data: Aligned, surface: Surface) -> dict[str, int]:
    """Count the weights behind the surface, and the units that they came from."""
    rows, weights = surface.fit.table, data.table[data.table[surface.response].notna()]

    def distinct(names: Sequence[str]) -> int:
        known = [name for name in names if name in weights]
        return len(weights[known].drop_duplicates()) if known else 1

    return {
        "batches": distinct(["batch"]),
        "chambers": distinct(["chamber"]),
        "runs": distinct([n for n in ("batch", "chamber") if n in trial.levels]),
        "blocks": min(len(rows), len(weights)),
        "weights": len(weights),
    }


def surface_fingerprint(surface: Surface) -> str:
    """Give the SHA-256 of what a surface was fitted to: settings and the response.

    Names of trials and units and the order of rows do not enter.
    """
    table = surface.fit.table
    columns = [
        setting.decode(table[term_name([setting.name], (1,))].to_numpy(dtype=float)).round(6)
        for setting in surface.settings
    ]
    values = np.column_stack([*columns, table[surface.response].to_numpy(dtype=float)])
    rows = sorted(tuple(float(v).hex() for v in row) for row in values)
    return hashlib.sha256("\n".join("\t".join(row) for row in rows).encode()).hexdigest()
