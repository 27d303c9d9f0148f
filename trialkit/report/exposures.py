"""What each chamber got: climate and mist of every chamber run, mist against plan."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING, Any

from trialkit.alignment.open_checks import told_unmade
from trialkit.alignment.slow_readings import too_slow
from trialkit.columns.exposures import EXPOSURE, shown_in
from trialkit.report.inputs import PageInputs
from trialkit.report.page_parts import Fold, Picture, Section, Table, Words, build_table
from trialkit.report.pictures import make_picture
from trialkit.report.timelines import doubted_times, timelines
from trialkit.report.whole_trial import shows_air

if TYPE_CHECKING:
    import pandas as pd

#: What readings too slow for the mist leave open.
_NOT_KNOWN = ("hours_below_band", "hours_above_band")
_LEFT_OPEN = ("rh_slow_pct", "hours_in_band_least", "hours_in_band_most")


def exposures_section(inputs: PageInputs) -> Section:
    """Put together what each chamber got."""
    say = inputs.say
    runs = whole_runs(inputs)
    parts: list[Any] = []
    if runs is None:
        parts.append(Words(say.text("delivered.unknown")))
    else:
        parts.append(Words(say.text("delivered.intro")))
        parts += _band(inputs, runs)
        parts += _delivered(inputs)
        parts += _own_figures(inputs, runs)
        if inputs.factor.name in runs:
            parts.append(_by_level(inputs, runs))
            parts.append(Fold(say.text("delivered.runs_fold"), (_runs_table(inputs, runs),)))
        else:
            parts.append(_runs_table(inputs, runs))
        parts += doubted_times(inputs)
        parts += unmade_checks(inputs)
        parts += timelines(inputs, runs)
    return Section("delivered", say.text("section.delivered"), tuple(parts))


def unmade_checks(inputs: PageInputs) -> list[Any]:
    """List the checks of sensors, clocks and mist that the logs did not allow."""
    import pandas as pd

    say = inputs.say
    rows = told_unmade(inputs.data.unmade)
    if not rows:
        return []
    names = ["what", "where", "why", "needs"]
    table = build_table(
        pd.DataFrame(rows, columns=names),
        columns=names,
        say=say,
        caption=say.text("unmade.caption"),
        heads={name: say.text(f"unmade.head.{name}") for name in names},
    )
    return [Fold(say.text("unmade.fold", n=say.number(len(rows), 0)), (table,))]


def whole_runs(inputs: PageInputs) -> pd.DataFrame | None:
    """Give the exposures of whole chamber runs in the order of the primary levels.

    Runs of batches to come are not among them, unless a log tells of them already.
    """
    runs = inputs.data.runs
    if runs is None or not len(runs):
        return None
    whole = runs[runs["window"] == "whole"]
    if not len(whole) or not _recorded(whole):
        return None
    keys = _keys(whole)
    if "batch" in keys:
        to_come = whole["batch"].astype(str).isin(inputs.progress.to_come)
        whole = whole[~to_come | _has_record(whole)]
    factor = inputs.factor
    if set(factor.applied_to) <= set(keys) and factor.name not in whole:
        given = inputs.data.table[[*factor.applied_to, factor.name]].drop_duplicates()
        whole = whole.merge(given, how="left", on=list(factor.applied_to))
    if factor.name in whole:
        place = {name: i for i, name in enumerate(inputs.levels)}
        order = whole[factor.name].astype(str).map(place).fillna(len(place))
        whole = whole.assign(_place=order).sort_values(["_place", *keys], kind="stable")
        whole = whole.drop(columns="_place")
    return whole.reset_index(drop=True)


def _recorded(runs: pd.DataFrame) -> list[str]:
    """List the columns that the page shows of each run and that hold anything."""
    columns = [*shown_in("report"), "coverage_pct"]
    return [name for name in columns if name in runs and runs[name].notna().any()]


def _has_record(runs: pd.DataFrame) -> pd.Series:
    """Say of each run whether a log tells anything of it."""
    columns = [name for name in _recorded(runs) if name != "coverage_pct"]
    return runs[columns].notna().any(axis=1)


def _keys(runs: pd.DataFrame) -> list[str]:
    return [name for name in ("batch", "chamber") if name in runs.columns]


def _band(inputs: PageInputs, runs: pd.DataFrame) -> list[Any]:
    from trialkit.figures import hours_by_band

    say = inputs.say
    settings = inputs.data.settings
    low, high = settings.band_low_rh, settings.band_high_rh
    if low is not None and too_slow(runs).any():
        return [Words(say.text("delivered.hours_slow"))]
    columns = ["hours_below_band", "hours_in_band", "hours_above_band", "window_h"]
    if low is None or high is None or not set(columns) <= set(runs.columns):
        return []
    shown = runs[runs["hours_in_band"].notna()]
    if not len(shown) or shows_air(inputs):
        return []
    factor = inputs.factor.name if inputs.factor.name in shown else None
    share = 100 * shown["hours_in_band"] / shown["window_h"]
    if factor:
        means = share.groupby(shown[factor].astype(str), sort=False).mean()
    else:
        means = share.groupby(shown[_keys(shown)].astype(str).agg(" ".join, axis=1)).mean()
    rows = say.listed(
        [say.text("alt.pair", level=k, value=say.percent(v)) for k, v in means.items()]
    )
    words = {"low": say.number(low), "high": say.number(high)}
    return [
        make_picture(
            lambda: hours_by_band(shown, factor=factor, wording=say),
            ident="hours",
            alt=say.text("alt.hours", rows=rows),
            caption=say.text("delivered.hours_title", **words),
        )
    ]


def _delivered(inputs: PageInputs) -> list[Any]:
    from trialkit.figures import delivered_against_planned

    say, fidelity = inputs.say, inputs.data.fidelity
    if fidelity is None or not len(fidelity) or fidelity["delivered_duty_pct"].isna().all():
        return [Words(say.text("delivered.delivered_none"), quiet=True)]
    known = fidelity[fidelity["level"].notna()]
    place = {name: i for i, name in enumerate(inputs.levels)}
    order = known["level"].astype(str).map(place).fillna(len(place))
    known = known.assign(_place=order).sort_values("_place", kind="stable")
    rows = []
    for level, own in known.groupby("level", sort=False, observed=True):
        planned = float(own["planned_duty_pct"].mean())
        key = "alt.delivered_row" if math.isfinite(planned) else "alt.delivered_row_band"
        value = say.percent(own["delivered_duty_pct"].mean(), 1)
        rows.append(say.text(key, level=level, value=value, planned=say.percent(planned, 1)))
    alt = say.text("alt.delivered", rows=say.listed(rows))
    return [
        make_picture(
            lambda: delivered_against_planned(known, order=inputs.levels, wording=say),
            ident="delivered",
            alt=alt,
            caption=say.text("delivered.delivered_title"),
        )
    ]


def _own_figures(inputs: PageInputs, runs: pd.DataFrame) -> list[Picture]:
    """Draw the exposures that the register wants in a figure of their own."""
    from trialkit.figures import exposure_by_run

    say = inputs.say
    factor = inputs.factor.name if inputs.factor.name in runs else None
    levels = inputs.levels if factor else None
    drawn = []
    for column in shown_in("figure"):
        if column not in runs or runs[column].isna().all():
            continue
        name = say.either(f"column.{column}", EXPOSURE[column].label)
        low, high = (say.number(v) for v in (runs[column].min(), runs[column].max()))
        words = {"exposure": name, "low": low, "high": high, "unit": EXPOSURE[column].unit}
        drawn.append(
            make_picture(
                partial(exposure_by_run, runs, column, factor=factor, order=levels, wording=say),
                ident=f"exposure-{column}",
                alt=say.text("alt.exposure", **words),
                caption=say.text("delivered.exposure_title", exposure=name),
            )
        )
    return drawn


def _by_level(inputs: PageInputs, runs: pd.DataFrame) -> Table:
    """Give the mean of the runs of each level that were recorded, and how many these are.

    What is too slow to be known is left out.
    """
    runs = runs[_has_record(runs)]
    columns = _recorded(runs)
    if too_slow(runs).any():
        columns = [name for name in columns if name not in _NOT_KNOWN]
    name = inputs.factor.name
    levels = runs[name].astype(str)
    means = runs[columns].groupby(levels, sort=False).mean()
    counts = levels.value_counts()
    frame = means.reset_index().assign(runs=[int(counts[x]) for x in means.index])
    return build_table(
        frame,
        columns=[name, "runs", *columns],
        say=inputs.say,
        caption=inputs.say.text("delivered.levels_caption", factor=name),
        heads={name: name},
    )


def _runs_table(inputs: PageInputs, runs: pd.DataFrame) -> Table:
    say = inputs.say
    keys = _keys(runs)
    columns = _recorded(runs)
    notes = _limits(inputs, runs, columns)
    if too_slow(runs).any():  # beside the mean, in the place of hours that are not known
        columns = [name for name in columns if name not in _NOT_KNOWN]
        at = columns.index("rh_pct") + 1
        columns[at:at] = [name for name in _LEFT_OPEN if runs[name].notna().any()]
        notes = [*_limits(inputs, runs, columns), say.text("delivered.slow")]
    if "low_coverage" in runs and bool(runs["low_coverage"].any()):
        columns.append("low_coverage")
        notes.append(say.text("delivered.low_coverage"))
    named = [inputs.factor.name] if inputs.factor.name in runs else []
    return build_table(
        runs,
        columns=[*keys, *named, *columns],
        say=say,
        caption=say.text("delivered.runs_caption"),
        notes=notes,
        row_heads=len(keys),
    )


def _limits(inputs: PageInputs, runs: pd.DataFrame, columns: list[str]) -> list[str]:
    """Say which limits exposures were counted against: those of the table, and all others."""
    say = inputs.say
    told: list[str] = []
    more: list[str] = []
    for row in inputs.data.limits.to_dict("records"):
        name, channel = row["exposure"], row["channel"]
        heard = channel in runs and runs[channel].notna().any()
        if not heard or row["value"] != row["value"]:
            continue
        label = say.either(f"column.{name}", EXPOSURE[name].label)
        value = f"{say.number(row['value'])} {row['unit']}"
        pair = say.text("alt.pair", level=f"{label}:", value=value)
        if name in columns:
            told.append(pair)
        elif name not in shown_in("report"):
            more.append(pair)
    notes = [say.text("delivered.limits", limits="; ".join(told))] if told else []
    if more:
        notes.append(say.text("delivered.limits_more", limits="; ".join(more)))
    settings = inputs.data.settings
    gap, least = say.number(settings.max_gap_min), say.percent(settings.min_coverage_pct)
    return [*notes, say.text("delivered.limits_gap", gap=gap, least=least)]
