"""The part of the report about what chambers really got, marked as not randomised."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trialkit.analysis.dose_doubts import exposure_label
from trialkit.decision.setting_sentences import say_delivered
from trialkit.report.page_parts import Section, Words, build_table, show_findings
from trialkit.report.pictures import make_picture

if TYPE_CHECKING:
    from trialkit.analysis.tuned_delivered import DeliveredSurface
    from trialkit.report.page_parts import Table
    from trialkit.report.settings_inputs import SettingsInputs
    from trialkit.surface.best_region import BestRegion

_COLUMNS = ["by", "best", "low", "high", "p", "runs"]


def delivered_section(inputs: SettingsInputs) -> list[Section]:
    """Show the surfaces over what was delivered; no section where nothing was logged."""
    say, found = inputs.say, inputs.found.delivered
    if not found:
        return []
    parts: list[Any] = [Words(say.text("delivered.note"))]
    for i, delivered in enumerate(found):
        label = exposure_label(delivered.exposure)
        caption = say.text("delivered.picture", exposure=label)
        draw = partial(_curve, inputs, delivered)
        drawn = make_picture(draw, ident=f"delivered-{i}", alt=caption, caption=caption)
        parts += [Words(say.written(say_delivered(delivered))), drawn]
    parts.append(_table(inputs))
    findings = list(dict.fromkeys(f for d in found for f in d.findings))
    return [
        Section("delivered", say.text("delivered.heading"), (*parts, *show_findings(findings, say)))
    ]


def _place(delivered: DeliveredSurface) -> int:
    """Give the place of the exposure among the settings."""
    return [s.name for s in delivered.surface.settings].index(delivered.exposure)


def _curve(inputs: SettingsInputs, delivered: DeliveredSurface) -> Any:
    """Draw the response along what was delivered, other settings at their best."""
    from trialkit.figures.settings import setting_curve

    say, at = inputs.say, _place(delivered)
    setting = delivered.surface.settings[at]
    table = _along(delivered.limits.assign(within=delivered.region.within), delivered.region, at)
    beside = None
    if delivered.exposure == _set_as(inputs, delivered.treatment):
        own = inputs.names.index(delivered.treatment)
        curve = _along(inputs.found.limits, inputs.found.region, own)
        beside = curve.rename(columns={delivered.treatment: delivered.exposure})
    label = say.written(exposure_label(delivered.exposure))
    return setting_curve(
        table,
        setting=delivered.exposure,
        axis=f"{label} [{_unit(inputs, setting.unit)}]",
        quantity=inputs.quantity,
        today=setting.usual,
        beside=beside,
        basis=say.text("best.page.basis", n=say.number(delivered.surface.fit.n, 0)),
        level=inputs.level,
        wording=say,
    )


def _set_as(inputs: SettingsInputs, treatment: str) -> str:
    """Name what a treatment's range is of, such as ``duty_pct``."""
    tuned = inputs.trial.factors[treatment].tuned
    return "" if tuned is None else tuned.name


def _along(table: pd.DataFrame, region: BestRegion, at: int) -> pd.DataFrame:
    """Take the rows along one setting at the best values of the others."""
    names = list(table.columns[: len(region.best)])
    for i, name in enumerate(names):
        if i != at:
            table = table[np.isclose(table[name], region.best[i])]
    return table


def _unit(inputs: SettingsInputs, unit: str) -> str:
    return inputs.say.either(f"glossary_unit.{unit}", unit)


def _table(inputs: SettingsInputs) -> Table:
    """Set the best by what was set beside the best by what was measured."""
    say, found = inputs.say, inputs.found
    rows = []
    for name in dict.fromkeys(d.treatment for d in found.delivered):
        own = inputs.names.index(name)
        by = say.text("delivered.set", name=name, unit=inputs.unit(own))
        runs = max(len(d.runs) for d in found.delivered if d.treatment == name)
        rows.append(_row(by, found.region, own, found.tests["p"]["settings"], runs))
    for d in found.delivered:
        at = _place(d)
        unit = _unit(inputs, d.surface.settings[at].unit)
        by = say.text("delivered.measured", exposure=exposure_label(d.exposure), unit=unit)
        rows.append(_row(by, d.region, at, d.surface.tests()["p"]["settings"], len(d.runs)))
    return build_table(
        pd.DataFrame(rows),
        columns=_COLUMNS,
        say=say,
        caption=say.text("delivered.caption"),
        heads={name: say.text(f"delivered.head.{name}") for name in _COLUMNS},
    )


def _row(by: str, region: BestRegion, at: int, p: float, runs: int) -> dict[str, Any]:
    low, high = region.limits()[at] if region.seen else (np.nan, np.nan)
    low = -np.inf if region.open_low[at] and region.seen else low
    high = np.inf if region.open_high[at] and region.seen else high
    best = float(region.best[at]) if region.seen else np.nan
    return {"by": by, "best": best, "low": low, "high": high, "p": p, "runs": runs}
