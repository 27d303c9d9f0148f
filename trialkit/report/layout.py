"""What was done: units, treatments, dates, the map, and where each treatment is tested."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from trialkit.design.layout.layout_words import layout_words
from trialkit.report.inputs import PLAN_NOT_SHOWN, Material
from trialkit.report.page_parts import Fold, Picture, Section, Table, Words, build_table
from trialkit.report.svg import inline_svg
from trialkit.wording import Units, units_in_words

if TYPE_CHECKING:
    from trialkit.trial import Factor, Setting
    from trialkit.wording import Wording


def layout_section(material: Material) -> Section:
    """Put together what was done."""
    say = material.say
    parts: list[Any] = [Words(text) for text in layout_sentences(material)]
    parts.append(_treatments(material))
    dates = _dates(material)
    if dates is not None:
        parts.append(dates)
    parts.append(_map(material))
    parts += _strata(material)
    return Section("done", say.text("section.done"), tuple(parts))


def layout_sentences(material: Material) -> list[str]:
    """Say in a few sentences how the trial was laid out and what was asked."""
    say, trial = material.say, material.trial
    counts = [
        say.text("done.count", n=say.number(n, 0), units=Units(tuple(term), n))
        for term, n in trial.structure.counts(trial.counts).items()
    ]
    flushes = say.choose("count.flush", trial.flushes)
    first = say.text("done.units", units=say.listed(counts))
    if trial.flushes > 1:
        first += " " + say.text("done.harvests", smallest=material.smallest, flushes=flushes)
    given = " ".join(_given(factor, material) for factor in trial.factors.values())
    unit = say.text("done.unit_is", factor=material.factor.name, units=material.units)
    question = trial.question
    asked = say.text(
        "done.question",
        margin=material.margin,
        reference=material.reference,
        difference=f"{say.number(question.difference_pct)} %",
        level=material.level,
    )
    return [first, f"{given} {unit}", asked]


def _given(factor: Factor, material: Material) -> str:
    say, plan = material.say, material.plan
    count = len(material.trial.strata_units(factor.stratum))
    words = {
        "factor": factor.name,
        "units": units_in_words(factor.applied_to),
        "n": say.number(count, 0),
    }
    method = layout_words(plan.method.get(factor.name, "")) if plan is not None else ""
    key = "done.given_method" if method else "done.given"
    sentence = say.text(key, method=method, **words)
    return sentence[:1].upper() + sentence[1:]


def setting_words(setting: Setting, say: Wording) -> str:
    """Say what a level is set to."""
    if setting.kind == "timed":
        words = say.text(
            "setting.timed",
            on=say.number(setting.on_s),
            off=say.number(setting.off_s),
            duty=say.percent(setting.duty_pct, 1),
        )
    elif setting.kind == "band":
        low, high = say.number(setting.start_below_rh), say.number(setting.stop_above_rh)
        words = say.text("setting.band", low=low, high=high)
    else:
        words = ", ".join(
            say.text(f"setting.{name}", value=say.number(value))
            for name, value in (
                ("lux", setting.lux),
                ("ppfd", setting.ppfd_umol_m2_s),
                ("hours", setting.hours),
            )
            if value is not None
        )
    plain = f"{say.number(setting.value)} {setting.unit or ''}" if setting.value is not None else ""
    return ", ".join(filter(None, (words, plain.strip(), setting.lamp, setting.note))) or "–"


def _treatments(material: Material) -> Table:
    import pandas as pd

    say, plan = material.say, material.plan
    rows = []
    for factor in material.trial.factors.values():
        for level, setting in factor.levels.items():
            row = {"factor": factor.name, "level": level, "setting": setting_words(setting, say)}
            row["given_to"] = units_in_words(factor.applied_to)
            if plan is not None:
                row["units"] = say.number(int(plan.counts(factor.name)[level]), 0)
            rows.append(row)
    return build_table(
        pd.DataFrame(rows),
        columns=["factor", "level", "setting", "given_to", "units"],
        say=say,
        caption=say.text("done.treatments"),
        row_heads=2,
    )


def _dates(material: Material) -> Table | None:
    import pandas as pd

    say, trial = material.say, material.trial
    known = [(n, d) for n, d in trial.batches.items() if d.start is not None or d.end is not None]
    if not known:
        return None
    rows = [
        {
            "batch": name,
            "start": say.moment(material.local(dates.start)),
            "end": say.moment(material.local(dates.end)),
        }
        for name, dates in known
    ]
    return build_table(
        pd.DataFrame(rows),
        columns=["batch", "start", "end"],
        say=say,
        caption=say.text("done.dates", zone=trial.time_zone),
    )


def _map(material: Material) -> Picture | Words:
    say, plan = material.say, material.plan
    if plan is None:
        broken = any(f.code == PLAN_NOT_SHOWN for f in material.more_findings)
        return Words(say.text("done.map_broken" if broken else "done.map_missing"), quiet=True)
    primary = material.factor
    rows = [
        say.text("alt.pair", level=level, value=say.listed(_units_with(material, level)))
        for level in primary.levels
    ]
    alt = say.text("alt.map", factor=primary.name, rows="; ".join(rows))
    svg = inline_svg(plan.map(), ident="map", alt=alt)
    return Picture(svg, say.text("done.map_title"), on_paper=True)


def _units_with(material: Material, level: str) -> list[str]:
    assert material.plan is not None  # the caller has checked
    table = material.plan.assignment(material.factor.name)
    rows = table[table[material.factor.name].astype(str) == level]
    return rows[list(material.factor.applied_to)].astype(str).agg(" ".join, axis=1).tolist()


def _strata(material: Material) -> list[Any]:
    from trialkit.design.strata.strata import strata

    say = material.say
    found = strata(material.trial, plan=material.plan)
    table = found.table.assign(
        stratum=[
            units_in_words(tuple(str(s).split(":"))) if s else "–" for s in found.table["stratum"]
        ],
        source=found.table["source"].replace("error", say.text("done.left_over")),
    )
    shown = build_table(
        table,
        columns=["stratum", "n_units", "source", "df"],
        say=say,
        caption=say.text("done.strata_caption"),
        heads={"n_units": say.text("column.units"), "df": say.text("column.df")},
        row_heads=1,
    )
    lines = [Words(sentence) for sentence in found.sentences]
    return [Fold(say.text("done.strata"), (*lines, shown))]
