"""Rows set aside, limits, how to repeat, cautions, provenance and glossary."""

from __future__ import annotations

import platform
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from trialkit import __version__
from trialkit.cautions import list_cautions
from trialkit.report.blocks import (
    Commands,
    Fold,
    Pairs,
    Points,
    Section,
    Table,
    Words,
    build_table,
)
from trialkit.report.material import Material, file_hash

MOST_ROWS = 400  # ledger lines shown in full
_SOFTWARE = ("numpy", "pandas", "scipy", "formulaic", "statsmodels", "duckdb", "matplotlib")


def rows_section(material: Material) -> Section:
    """Put together the account of every row read."""
    import pandas as pd

    say, logs = material.say, material.logs
    title = say.text("section.rows")
    if not logs:
        return Section("rows", title, (Words(say.text("rows.missing")),))
    summary = pd.concat([log.ledger.summary() for log in logs.values()], ignore_index=True)
    ledger = pd.concat([log.ledger.table for log in logs.values()], ignore_index=True)
    parts: list[Any] = [
        Words(say.text("rows.intro")),
        build_table(
            summary,
            columns=["file", "read", "kept", "set_aside"],
            say=say,
            caption=say.text("rows.summary_caption"),
        ),
    ]
    if not len(ledger):
        parts.append(Words(say.text("rows.none")))
        return Section("rows", title, tuple(parts))
    ledger = ledger.assign(
        action=[say.either(f"action.{a}", str(a)) for a in ledger["action"]],
        rows=ledger.get("rows", 1),
    )
    parts.append(_by_rule(material, ledger))
    parts.append(_every_row(material, ledger))
    return Section("rows", title, tuple(parts))


def _by_rule(material: Material, ledger: Any) -> Table:
    say = material.say
    by_rule = (
        ledger.groupby(["action", "rule"], sort=False)["rows"]
        .sum()
        .reset_index()
        .rename(columns={"rows": "count"})
    )
    return build_table(
        by_rule,
        columns=["action", "rule", "count"],
        say=say,
        caption=say.text("rows.rules_caption"),
        row_heads=2,
    )


def _every_row(material: Material, ledger: Any) -> Fold:
    say = material.say
    last = ledger["row_last"] if "row_last" in ledger else ledger["row"]
    shown = ledger.assign(
        row=[str(a) if a == b else f"{a}–{b}" for a, b in zip(ledger["row"], last, strict=True)]
    ).head(MOST_ROWS)
    columns = ["file", "row", "column", "rule", "action", "old", "new", "reason", "remedy"]
    columns = [c for c in columns if (shown[c].astype(str) != "").any()]
    notes = []
    if len(ledger) > MOST_ROWS:
        notes.append(say.text("rows.more", more=say.number(len(ledger) - MOST_ROWS, 0)))
    table = build_table(
        shown,
        columns=columns,
        say=say,
        caption=say.text("rows.list_caption"),
        notes=notes,
        row_heads=2,
    )
    return Fold(say.text("rows.list_fold"), (table,))


def limits_section(material: Material) -> Section:
    """Say what the trial cannot tell."""
    say = material.say
    return Section("limits", say.text("section.limits"), (Points(tuple(limit_words(material))),))


def limit_words(material: Material) -> list[str]:
    """Give the limits of this very trial, one sentence or two each."""
    say = material.say
    words = {"n": say.number(material.count(), 0), "units": material.units}
    smallest = material.factor.applied_to == material.trial.structure.smallest
    key = "limits.unit_smallest" if smallest else "limits.unit"
    out = [say.text("limits.one_place"), say.text(key, **words)]
    df = material.result.ratios["df"].min()
    if df == df and df < 20:
        out.append(say.text("limits.few", df=say.number(df, 0)))
    out.append(say.text("limits.margin", margin=material.margin))
    if len(material.trial.factors) > 1 or material.per_flush:
        out.append(say.text("limits.additive"))
    out.append(say.text("limits.open"))
    if "environment" in material.trial.logs:
        out.append(say.text("limits.measure"))
    return out


def repeat_section(material: Material) -> Section:
    """Say how to get the same numbers again, and how to run the trial again."""
    say = material.say
    parts = (
        Words(say.text("repeat.intro")),
        Words(say.text("repeat.install")),
        Commands((f"pip install trialkit=={__version__}",)),
        Words(say.text("repeat.again")),
        Commands(("trialkit check .", "trialkit report .")),
        Words(say.text("repeat.farm")),
        Commands(("trialkit plan .",)),
    )
    return Section("repeat", say.text("section.repeat"), parts)


def cautions_section(material: Material) -> Section:
    """Put together the safety notes."""
    say = material.say
    pairs = tuple(
        (
            say.text(f"caution.{c.code}.title"),
            f"{say.text(f'caution.{c.code}.text')} [{c.source}]",
        )
        for c in list_cautions(where="report")
    )
    return Section(
        "cautions",
        say.text("section.cautions"),
        (Words(say.text("cautions.intro")), Pairs(pairs)),
    )


def provenance_section(material: Material) -> Section:
    """Name everything the numbers were made from."""
    import pandas as pd

    say = material.say
    files = pd.DataFrame(_files(material), columns=["file", "size", "sha256"])
    versions = pd.DataFrame(_versions(), columns=["name", "version"])
    parts = (
        Pairs(provenance_pairs(material), code=True),
        build_table(
            files,
            columns=["file", "size", "sha256"],
            say=say,
            caption=say.text("provenance.inputs_caption"),
        ),
        build_table(
            versions,
            columns=["name", "version"],
            say=say,
            caption=say.text("provenance.versions_caption"),
        ),
    )
    return Section("provenance", say.text("section.provenance"), parts)


def provenance_pairs(material: Material) -> tuple[tuple[str, str], ...]:
    """Give hash of the trial file, seed, and hash and seed of the plan."""
    say, trial, plan = material.say, material.trial, material.plan
    pairs = [
        (say.text("provenance.trial"), trial.sha256),
        (say.text("provenance.seed"), str(trial.seed)),
    ]
    if plan is not None:
        pairs.append((say.text("provenance.plan"), plan.hash))
        pairs.append((say.text("provenance.plan_seed"), f"{plan.seed} (trialkit {plan.version})"))
    return tuple(pairs)


def fingerprint(material: Material) -> str:
    """Name trial file, plan, seed and version in one line."""
    say, trial, plan = material.say, material.trial, material.plan
    words = {"trial": trial.sha256[:12], "seed": str(trial.seed), "version": __version__}
    if plan is None:
        return say.text("page.fingerprint_no_plan", **words)
    return say.text("page.fingerprint", plan=plan.hash[:12], **words)


def _files(material: Material) -> list[tuple[str, int, str]]:
    trial = material.trial
    found = {}
    if trial.source.is_file():
        digest, size = file_hash(trial.source)
        found[trial.source.name] = (size, digest)
    for log in material.logs.values():
        for file in log.files:
            found[file.name] = (file.size, file.sha256)
    plan = trial.folder / "plan" / "assignment.csv"
    if material.plan is not None and plan.is_file():
        digest, size = file_hash(plan)
        found["plan/assignment.csv"] = (size, digest)
    return [(name, size, digest) for name, (size, digest) in found.items()]


def _versions() -> list[tuple[str, str]]:
    out = [("trialkit", __version__), ("Python", platform.python_version())]
    for name in _SOFTWARE:
        try:
            out.append((name, version(name)))
        except PackageNotFoundError:
            continue
    return out


def glossary_section(material: Material) -> Section:
    """Give the words of the page with what they mean."""
    say = material.say
    names = [key.removeprefix("term.") for key in say.entries if key.startswith("term.")]
    pairs = tuple((say.text(f"term.{n}"), say.text(f"glossary.{n}")) for n in names)
    return Section("glossary", say.text("section.glossary"), (Pairs(pairs),))
