"""Where the numbers come from: files, hashes, seeds and versions."""

from __future__ import annotations

import platform
from importlib.metadata import PackageNotFoundError, version

from trialkit import __version__
from trialkit.report.inputs import PageInputs, file_hash
from trialkit.report.page_parts import Pairs, Section, build_table
from trialkit.report.settings_inputs import SettingsInputs

_SOFTWARE = ("numpy", "pandas", "scipy", "formulaic", "statsmodels", "duckdb", "matplotlib")


def provenance_section(inputs: PageInputs | SettingsInputs) -> Section:
    """Name everything the numbers were made from."""
    import pandas as pd

    say = inputs.say
    files = pd.DataFrame(_files(inputs), columns=["file", "size", "sha256"])
    versions = pd.DataFrame(_versions(), columns=["name", "version"])
    parts = (
        Pairs(provenance_pairs(inputs), code=True),
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


def provenance_pairs(inputs: PageInputs | SettingsInputs) -> tuple[tuple[str, str], ...]:
    """Give hash of the trial file, seed, and hash and seed of the plan."""
    say, trial, plan = inputs.say, inputs.trial, inputs.plan
    pairs = [
        (say.text("provenance.trial"), trial.sha256),
        (say.text("provenance.seed"), str(trial.seed)),
    ]
    if plan is not None:
        pairs.append((say.text("provenance.plan"), plan.hash))
        pairs.append((say.text("provenance.plan_seed"), f"{plan.seed} (trialkit {plan.version})"))
    return tuple(pairs)


def fingerprint(inputs: PageInputs | SettingsInputs) -> str:
    """Name trial file, plan, seed and version in one line."""
    say, trial, plan = inputs.say, inputs.trial, inputs.plan
    words = {"trial": trial.sha256[:12], "seed": str(trial.seed), "version": __version__}
    if plan is None:
        return say.text("page.fingerprint_no_plan", **words)
    return say.text("page.fingerprint", plan=plan.hash[:12], **words)


def _files(inputs: PageInputs | SettingsInputs) -> list[tuple[str, int | None, str]]:
    trial = inputs.trial
    found: dict[str, tuple[int | None, str]] = {}
    if trial.source.is_file():  # of the bytes that were read, which may lie there no more
        digest, size = file_hash(trial.source)
        found[trial.source.name] = (size if digest == trial.sha256 else None, trial.sha256)
    for log in inputs.logs.values():
        for file in log.files:
            found[file.name] = (file.size, file.sha256)
    plan = trial.folder / "plan" / "assignment.csv"
    if inputs.plan is not None and plan.is_file():
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
