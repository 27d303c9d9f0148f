"""What was done: units, treatments, dates, the map, and where each treatment is tested."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from trialkit.analysis.harvest_in import has_a_fate
from trialkit.design.layout.layout_words import layout_words
from trialkit.design.question_record import fixed_before_harvest
from trialkit.report.deviations import deviation_parts
from trialkit.report.inputs import PLAN_NOT_SHOWN, PageInputs
from trialkit.report.page_parts import Fold, Picture, Section, Table, Words, build_table
from trialkit.report.svg import inline_svg
from trialkit.style import page_form
from trialkit.wording import Units, units_in_words

if TYPE_CHECKING:
    from trialkit.trial import Factor, Setting
    from trialkit.wording import Wording


def layout_section(inputs: PageInputs) -> Section:
    """Put together what was done."""
    say = inputs.say
    parts: list[Any] = [Words(text) for text in layout_sentences(inputs)]
    parts.append(_treatments(inputs))
    dates = _dates(inputs)
    if dates is not None:
        parts.append(dates)
    parts += deviation_parts(inputs)
    parts.append(_map(inputs))
    parts += _strata(inputs)
    return Section("layout", say.text("section.layout"), tuple(parts))


def layout_sentences(inputs: PageInputs) -> list[str]:
    """Say in a few sentences how the trial was laid out and what was asked."""
    say, trial = inputs.say, inputs.trial
    counts = [
        say.text("trial_layout.count", n=say.number(n, 0), units=Units(tuple(term), n))
        for term, n in trial.structure.counts(trial.counts).items()
    ]
    flushes = say.choose("count.flush", trial.flushes)
    to_come = bool(inputs.progress.to_come)
    key = "trial_layout.units_planned" if to_come else "trial_layout.units"
    first = say.text(key, units=say.listed(counts))
    if trial.flushes > 1:
        key = "trial_layout.harvests_planned" if to_come else "trial_layout.harvests"
        first += " " + say.text(key, smallest=inputs.smallest, flushes=flushes)
    if to_come:
        first += " " + _so_far(inputs)
    given = " ".join(_given(factor, inputs) for factor in trial.factors.values())
    unit = say.text("trial_layout.unit_is", factor=inputs.factor.name, units=inputs.units)
    question = trial.question
    late = any(f.code == "drawn_after_harvest" for f in inputs.verdict.findings)
    proved = fixed_before_harvest(trial, inputs.plan) and not late
    asked = say.text(
        "trial_layout.question" if proved else "trial_layout.question_undated",
        margin=inputs.margin,
        reference=inputs.reference,
        difference=f"{say.number(question.difference_pct)} %",
        level=inputs.level,
    )
    return [first, f"{given} {unit}", asked]


def _so_far(inputs: PageInputs) -> str:
    """Say how many of the planned batches are in, and how many units that is."""
    say, trial, progress = inputs.say, inputs.trial, inputs.progress
    grown = trial.grown_units()
    grown = grown[grown["batch"].astype(str).isin(progress.begun)]
    units = []
    for term in trial.structure.counts(trial.counts):
        if "batch" in term and len(term) > 1:
            n = len(grown[list(term)].drop_duplicates())
            named = Units(tuple(term), n)
            units.append(say.text("trial_layout.count", n=say.number(n, 0), units=named))
    table = inputs.data.table
    begun = table["batch"].astype(str).isin(progress.begun)
    parts = has_a_fate(table)[begun].groupby([table["batch"].astype(str), table["flush"]]).any()
    return say.choose(
        "trial_layout.so_far" if parts.all() else "trial_layout.so_far_in_part",
        len(progress.begun),
        planned=say.number(progress.planned, 0),
        units=say.listed(units),
    )


def _given(factor: Factor, inputs: PageInputs) -> str:
    say, plan = inputs.say, inputs.plan
    count = len(inputs.trial.strata_units(factor.stratum))
    words = {
        "factor": factor.name,
        "units": units_in_words(factor.applied_to),
        "n": say.number(count, 0),
    }
    method = layout_words(plan.method.get(factor.name, "")) if plan is not None else ""
    key = "trial_layout.given_method" if method else "trial_layout.given"
    sentence = say.text(key, method=method, **words)
    return sentence[:1].upper() + sentence[1:]


def setting_words(setting: Setting, say: Wording) -> str:
    """Say what a level is set to, with its share of the time, its lamp and its note."""
    words = setting.words
    if setting.duty_pct is not None:
        duty = say.percent(setting.duty_pct, 1)
        words = say.text("setting.with_duty", setting=words, duty=duty)
    note = "" if setting.note == words else setting.note
    return ", ".join(filter(None, (words, setting.lamp, note))) or "–"


def _treatments(inputs: PageInputs) -> Table:
    import pandas as pd

    say, plan = inputs.say, inputs.plan
    rows = []
    for factor in inputs.trial.factors.values():
        for level, setting in factor.levels.items():
            row = {"factor": factor.name, "level": level, "setting": setting_words(setting, say)}
            row["given_to"] = units_in_words(factor.applied_to)
            if plan is not None:
                row["units"] = say.number(int(plan.counts(factor.name)[level]), 0)
                row["units_in"] = say.number(_units_in(inputs, factor, level), 0)
            rows.append(row)
    columns, heads = ["factor", "level", "setting", "given_to", "units"], {}
    if inputs.progress.to_come:
        columns = [*columns, "units_in"]
        heads = {name: say.text(f"trial_layout.head.{name}") for name in ("units", "units_in")}
    return build_table(
        pd.DataFrame(rows),
        columns=columns,
        say=say,
        caption=say.text("trial_layout.treatments"),
        heads=heads,
        row_heads=2,
    )


def _units_in(inputs: PageInputs, factor: Factor, level: str) -> int:
    """Count the units of a level in the batches that are in."""
    assert inputs.plan is not None  # the caller has checked
    table = inputs.plan.assignment(factor.name)
    own = table[factor.name].astype(str) == level
    if "batch" in table:
        own &= table["batch"].astype(str).isin(inputs.progress.begun)
    return int(own.sum())


def _dates(inputs: PageInputs) -> Table | None:
    import pandas as pd

    say, trial = inputs.say, inputs.trial
    known = [(n, d) for n, d in trial.batches.items() if d.start is not None or d.end is not None]
    if not known:
        return None
    rows = [
        {
            "batch": name,
            "start": say.moment(inputs.local(dates.start)),
            "end": say.moment(inputs.local(dates.end)),
        }
        for name, dates in known
    ]
    return build_table(
        pd.DataFrame(rows),
        columns=["batch", "start", "end"],
        say=say,
        caption=say.text("trial_layout.dates", zone=trial.time_zone),
    )


def _map(inputs: PageInputs) -> Picture | Words:
    say, plan = inputs.say, inputs.plan
    if plan is None:
        broken = any(f.code == PLAN_NOT_SHOWN for f in inputs.more_findings)
        return Words(
            say.text("trial_layout.map_broken" if broken else "trial_layout.map_missing"),
            quiet=True,
        )
    primary = inputs.factor
    rows = [
        say.text("alt.pair", level=level, value=say.listed(_units_with(inputs, level)))
        for level in primary.levels
    ]
    alt = say.text("alt.map", factor=primary.name, rows="; ".join(rows))
    with page_form(narrow=True):
        narrow = inline_svg(plan.map(), ident="map-n", alt=alt)
    wide = inline_svg(plan.map(), ident="map", alt=alt)
    return Picture(wide, say.text("trial_layout.map_title"), narrow=narrow)


def _units_with(inputs: PageInputs, level: str) -> list[str]:
    assert inputs.plan is not None  # the caller has checked
    table = inputs.plan.assignment(inputs.factor.name)
    rows = table[table[inputs.factor.name].astype(str) == level]
    return rows[list(inputs.factor.applied_to)].astype(str).agg(" ".join, axis=1).tolist()


def _strata(inputs: PageInputs) -> list[Any]:
    from trialkit.design.strata.strata import strata

    say = inputs.say
    found = strata(inputs.trial, plan=inputs.plan)
    table = found.table.assign(
        stratum=[
            units_in_words(tuple(str(s).split(":"))) if s else "–" for s in found.table["stratum"]
        ],
        source=found.table["source"].replace("error", say.text("trial_layout.left_over")),
    )
    shown = build_table(
        table,
        columns=["stratum", "n_units", "source", "df"],
        say=say,
        caption=say.text("trial_layout.strata_caption"),
        heads={"n_units": say.text("column.units"), "df": say.text("column.df")},
        row_heads=1,
    )
    lines = [Words(sentence) for sentence in found.sentences]
    if inputs.progress.to_come:
        lines = [Words(say.text("trial_layout.strata_planned")), *lines]
    return [Fold(say.text("trial_layout.strata"), (*lines, shown))]
