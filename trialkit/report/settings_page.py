"""The report of a trial of ranges: the best setting, what to choose, and how sure that is."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from trialkit.decision.best_setting import daily_use
from trialkit.decision.choice_table import (
    choice_caption,
    choice_heads,
    setting_formats,
    told_choices,
)
from trialkit.decision.range_doubts import lost_of_settings
from trialkit.decision.setting_sentences import alike, open_ends
from trialkit.report.cautions import cautions_section
from trialkit.report.deviations import happened_table
from trialkit.report.first_screen import Answer, Fact
from trialkit.report.made_from import made_from
from trialkit.report.page import render_page, write_page
from trialkit.report.page_parts import (
    Picture,
    Section,
    Table,
    Words,
    build_table,
    show_findings,
)
from trialkit.report.pictures import make_picture
from trialkit.report.provenance import provenance_section
from trialkit.report.settings_delivered import delivered_section
from trialkit.report.settings_inputs import SettingsInputs
from trialkit.wording import speaking

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.alignment.result import Aligned
    from trialkit.decision.best_setting import BestSetting
    from trialkit.design.plan import Plan
    from trialkit.logs.log import Log
    from trialkit.trial import Trial

#: Places of a change and its limits in a sentence, and ends of their columns.
_ENDS = {"middle": "", "low": "_low", "high": "_high"}


def write_settings_report(
    trial: Trial,
    found: BestSetting,
    data: Aligned,
    path: str | Path,
    *,
    logs: Mapping[str, Log],
    plan: Plan | None,
    locale: str | None = None,
    language: str | None = None,
) -> Path:
    """Write the report of a trial of ranges: one HTML file that works offline.

    Parameters
    ----------
    trial : Trial
    found : BestSetting
    data : Aligned
    path : str or Path
    logs : mapping
    plan : Plan or None
    locale, language : str, optional
        As in `trialkit.write_report`.

    Returns
    -------
    Path

    Raises
    ------
    ReportError
        If the locale is not known or the file cannot be written.
    """
    with speaking(locale, language) as say:
        inputs = SettingsInputs(trial, found, data, dict(logs), plan, say)
        sections = [
            _choices(inputs),
            _surface(inputs),
            *delivered_section(inputs),
            _tried(inputs),
            _limits(inputs),
            cautions_section(inputs),
            provenance_section(inputs),
        ]
        sources = made_from(trial, inputs.plan, inputs.logs)
        page = render_page(trial, say, _answer(inputs), sections, sources=sources)
        return write_page(Path(path), page)


def _answer(inputs: SettingsInputs) -> Answer:
    say, found = inputs.say, inputs.found
    return Answer(
        kind="better" if found.region.seen else "not-enough-evidence",
        question=say.text("best.page.question", settings=inputs.names),
        headline=say.text(f"best.page.headline.{_headline(found)}"),
        sentence=say.written(found.said[0]),
        facts=tuple(_facts(inputs)),
        others=(),
        minded="",
        picture=_picture(inputs),
        next_steps=tuple(say.written(line) for line in found.said[1:]),
        table=_choice_table(inputs),
    )


def _headline(found: BestSetting) -> str:
    """Say which headline the answer carries."""
    key = "seen" if found.region.seen else "none"
    return key if found.ahead is None else f"{key}_so_far"


def _facts(inputs: SettingsInputs) -> list[Fact]:
    """Give the best of each setting with its limits."""
    say, region = inputs.say, inputs.found.region
    if not region.seen:
        return []
    out = []
    write = [*setting_formats(inputs.found.surface, say).values()]
    for i, (best, (low, high)) in enumerate(zip(region.best, region.limits(), strict=True)):
        value = f"{write[i](best)} {inputs.unit(i)}".strip()
        ends = {"low": write[i](low), "high": write[i](high)}
        out.append(
            Fact(
                inputs.names[i], value, say.text(f"best.page.may_be.{open_ends(region, i)}", **ends)
            )
        )
    return out


def _surface_table(inputs: SettingsInputs) -> pd.DataFrame:
    """Give the surface with what may be best."""
    return inputs.found.limits.assign(within=inputs.found.region.within)


def _basis(inputs: SettingsInputs) -> str:
    fit = inputs.found.surface.fit
    return inputs.say.text("best.page.basis", n=inputs.say.number(fit.n, 0))


def _picture(inputs: SettingsInputs) -> Picture:
    say, found = inputs.say, inputs.found
    names, settings = inputs.names, found.surface.settings
    today = {s.name: s.usual for s in settings}
    if len(names) == 2:
        from trialkit.figures.settings import setting_map

        draw: Any = partial(
            setting_map,
            _surface_table(inputs),
            settings=names,
            labels=[inputs.label(0), inputs.label(1)],
            quantity=inputs.quantity,
            today=today,
            best=dict(zip(names, map(float, found.region.best), strict=True)),
            tried=_points(inputs),
            basis=_basis(inputs),
            level=inputs.level,
            wording=say,
        )
    else:
        draw = partial(_curve, inputs, 0)
    caption = say.text("best.page.picture")
    return make_picture(draw, ident="surface", alt=say.written(found.said[0]), caption=caption)


def _curve(inputs: SettingsInputs, i: int) -> Any:
    """Draw the response along one setting, the others at their best."""
    from trialkit.figures.settings import setting_curve

    found, name = inputs.found, inputs.names[i]
    table = _surface_table(inputs)
    for j, other in enumerate(inputs.names):
        if j != i:
            table = table[np.isclose(table[other], found.region.best[j])]
    return setting_curve(
        table,
        setting=name,
        axis=inputs.label(i),
        quantity=inputs.quantity,
        today=found.surface.settings[i].usual,
        tried=_means(inputs) if len(inputs.names) == 1 else None,
        basis=_basis(inputs),
        level=inputs.level,
        wording=inputs.say,
    )


def _points(inputs: SettingsInputs) -> pd.DataFrame:
    """Give the settings that were tried, and at how many units each."""
    import pandas as pd

    surface = inputs.found.surface
    values = {s.name: s.decode(x) for s, x in zip(surface.settings, surface.tried.T, strict=True)}
    blocks = max(1, int(surface.counts.min()))
    return pd.DataFrame(values).assign(n=surface.counts / blocks, blocks=surface.counts)


def _means(inputs: SettingsInputs) -> pd.DataFrame:
    """Give the mean of each treated unit."""
    surface, trial = inputs.found.surface, inputs.trial
    (factor,), (setting,) = trial.tuned, surface.settings
    table = surface.fit.table
    values = setting.decode(table[f"coded_{setting.name}"].to_numpy()).round(9)
    keys = [*(name for name in factor.applied_to if name in table), setting.name]
    told = table.assign(**{setting.name: values})
    return told.groupby(keys, observed=True)[surface.response].mean().reset_index(name="mean")


def _choice_table(inputs: SettingsInputs) -> Table:
    say, choices = inputs.say, inputs.found.choices
    if choices is None:
        return build_table(_points(inputs), columns=[*inputs.names, "blocks"], say=say, caption="")
    told = told_choices(choices, say, seen=inputs.found.region.seen)
    shown = told.assign(
        change=[
            say.text(
                "best.page.change",
                **alike({name: row[f"yield_change{end}"] for name, end in _ENDS.items()}),
            )
            for row in told.to_dict("records")
        ],
    )
    columns = ["choice", *inputs.names, "yield", "change"]
    columns += [n for n in ("use_change_pct", "worth_change", "regret") if n in shown]
    columns = [n for n in columns if n != "worth_change" or shown[n].notna().any()]
    return build_table(
        shown,
        columns=columns,
        say=say,
        caption=say.text(choice_caption(inputs.found.ahead)),
        formats=setting_formats(inputs.found.surface, say),
        heads=choice_heads(inputs.trial, inputs.found.surface, choices, columns, say),
        notes=[say.text("best.note")],
    )


def _choices(inputs: SettingsInputs) -> Section:
    say, choices = inputs.say, inputs.found.choices
    parts: list[Any] = [_choice_table(inputs)]
    if choices is not None and len(choices.frontier) > 1:
        from trialkit.figures.settings import yield_against_use

        water = daily_use(inputs.trial, "water_l") is not None
        axis = say.text(f"best.page.use.{'water' if water else 'energy'}")
        now = choices.table.set_index("choice")
        draw = partial(
            yield_against_use,
            choices.frontier,
            today={name: float(now[name]["today"]) for name in ("use", "yield")},
            axis=axis,
            quantity=inputs.quantity,
            basis=_basis(inputs),
            level=inputs.level,
            wording=say,
        )
        alt = say.text("best.page.frontier")
        parts.append(make_picture(draw, ident="frontier", alt=alt, caption=alt))
    return Section("choices", say.text(choice_caption(inputs.found.ahead)), tuple(parts))


def _surface(inputs: SettingsInputs) -> Section:
    say, found = inputs.say, inputs.found
    parts: list[Any] = []
    if len(inputs.names) > 1:
        for i, name in enumerate(inputs.names):
            caption = say.text("best.page.along", name=name)
            draw = partial(_curve, inputs, i)
            parts.append(make_picture(draw, ident=f"along-{i}", alt=caption, caption=caption))
    tests = found.tests.reset_index()
    tests["term"] = [say.text(f"best.test.{t.replace(' ', '_')}") for t in tests["term"]]
    columns = ["term", "num_df", "den_df", "F", "p"]
    parts.append(build_table(tests, columns=columns, say=say, caption=say.text("best.page.tests")))
    parts.append(Words(say.text(f"best.page.level.{found.stationary.kind}"), quiet=True))
    return Section("surface", say.text("best.page.surface"), tuple(parts))


def _tried(inputs: SettingsInputs) -> Section:
    say, columns = inputs.say, [*inputs.names, "blocks"]
    shown = _with_lost(inputs, _points(inputs))
    columns += [name for name in ("lost", "started") if name in shown]
    table = build_table(
        shown,
        columns=columns,
        say=say,
        caption=say.text("best.page.tried_caption"),
        heads={n: inputs.label(i) for i, n in enumerate(inputs.names)}
        | {"blocks": say.text("best.page.blocks")}
        | {n: say.text(f"best.page.{n}") for n in ("lost", "started")},
    )
    told = [happened_table(inputs.trial, say)] if inputs.trial.happened else []
    return Section("tried", say.text("best.page.tried"), (table, *told))


def _with_lost(inputs: SettingsInputs, points: pd.DataFrame) -> pd.DataFrame:
    """Add lost blocks and those whose fate is known to what was tried, where any was lost."""
    import pandas as pd

    trial, table = inputs.trial, inputs.data.table
    own = [f.name for f in trial.tuned]
    if "status" not in table:
        return points
    counts = lost_of_settings(table, own).rename(columns={"blocks": "started"})
    if not counts["lost"].any():
        return points
    counts = counts.assign(**{f.name: counts[f.name].map(f.number) for f in trial.tuned})
    told = points.assign(lost=0, started=0)
    for row in counts.to_dict("records"):
        near = np.isclose(told[own].to_numpy(dtype=float), [row[n] for n in own]).all(axis=1)
        if not near.any():  # all that was tried there was lost
            told = pd.concat([told, pd.DataFrame([row | {"blocks": 0}])], ignore_index=True)
            continue
        told.loc[near, ["lost", "started"]] += [row["lost"], row["started"]]
    return told.sort_values(own, ignore_index=True)


def _limits(inputs: SettingsInputs) -> Section:
    say = inputs.say
    between = inputs.found.between_batches
    told = between is not None and bool(between["p"].notna().all())
    batches = "batches" if told else "batches_untold"
    words = [
        Words(say.text(f"best.page.limit.{key}")) for key in ("order", "joint", batches, "place")
    ]
    return Section(
        "limits",
        say.text("section.limits"),
        (*words, *show_findings(inputs.found.findings, say)),
    )
