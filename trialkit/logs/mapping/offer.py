"""Sections of the trial file to offer for files that cannot be read as it stands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd

from trialkit.columns import value_columns
from trialkit.errors import LogError
from trialkit.logs.heads import Columns, UnnamedColumnsError
from trialkit.logs.mapping.day_order import ask_order, judge_order
from trialkit.logs.mapping.places import ask_chamber
from trialkit.logs.mapping.proposal import Proposal, Question
from trialkit.logs.mapping.propose import propose_for_tables
from trialkit.logs.mapping.unnamed_weights import refuse_unnamed_weights
from trialkit.logs.opening import columns_of_table, read_member
from trialkit.logs.text.files import find_files, matches_file, open_members
from trialkit.logs.text.raw_table import RawTable
from trialkit.logs.text.times import read_moments
from trialkit.trial import Trial
from trialkit.trial.sections import LOG_KINDS, LogSection

#: Most files that are looked at for one offer.
_MOST_FILES = 24


def offer_sections(trial: Trial) -> list[Proposal]:
    """Propose what is missing in the trial file to read the files in its folder.

    For files that a section names, but whose columns, order of day and month or chamber it leaves
    open; and for files in ``logs/`` that no section names, where their kind has no section yet.

    Parameters
    ----------
    trial : Trial

    Returns
    -------
    list of Proposal
        One for each kind of log with something missing; none where all is said.

    Examples
    --------
    >>> import trialkit as tk
    >>> offer_sections(tk.read_trial(tk.demo_folder()))
    []
    """
    offers = [_complete(trial, kind) for kind in trial.logs]
    return [*(o for o in offers if o is not None), *_offer_unnamed(trial)]


def _tables(trial: Trial, spec: LogSection, kind: str, names: Sequence[str]) -> list[RawTable]:
    """Read the tables of some files; what cannot be read at all is told elsewhere."""
    tables: list[RawTable] = []
    for name in names:
        try:
            for path, shown in find_files(trial.folder, [name])[:_MOST_FILES]:
                for member in open_members(path, shown):
                    tables += read_member(member, spec, kind, trial.columns)
        except (LogError, MemoryError):
            continue
    return tables


def _complete(trial: Trial, kind: str) -> Proposal | None:
    """Propose what a section leaves open; None where it says all that its files need."""
    spec = trial.logs[kind]
    unmapped: list[RawTable] = []
    open_: list[Question] = []
    settled: dict[str, Any] = {}
    for table in _tables(trial, spec, kind, spec.files):
        try:
            found = columns_of_table(trial, kind, table)
            if kind == "harvest":
                refuse_unnamed_weights(trial, table.name, table.columns, found)
        except UnnamedColumnsError:
            unmapped.append(table)
            continue
        except LogError:  # a unit or a zone that must be asked about
            continue
        asked, more = _still_open(trial, kind, table, found)
        open_ += asked
        settled |= more
    given: dict[str, Any] = {c: spec.heads(c) for c in spec.columns}
    if unmapped:
        offer = propose_for_tables(trial, kind, unmapped, tuple(spec.files))
        values = value_columns(kind, trial.columns)
        if not any(c in values for c in (*offer.columns, *_asked_columns(offer))):
            return None
        heads = {c: offer.heads.get(c, (h,)) for c, h in offer.columns.items()}
        merged = {c: tuple(dict.fromkeys([*given.get(c, ()), *heads.get(c, ())]))
                  for c in [*given, *(c for c in heads if c not in given)]}  # fmt: skip
        several = {c: h for c, h in merged.items() if len(h) > 1}
        columns = {c: h[0] for c, h in merged.items()}
        asked_now = tuple(q for q in offer.asked if not _answered(spec, q))
        units = dict(offer.units) if not given else {}
        return replace(offer, columns=columns, heads=several, units=units,
                       asked=(*asked_now, *open_), keys=settled | offer.keys)  # fmt: skip
    if not open_ and not settled:
        return None
    none = pd.DataFrame(columns=["column", "head", "reason"])
    several = {c: h for c, h in given.items() if len(h) > 1}
    columns = {c: h[0] for c, h in given.items()}
    unique = tuple(dict.fromkeys(open_))
    return Proposal(kind, tuple(spec.files), columns, {}, none, unique, several, settled)


def _asked_columns(offer: Proposal) -> set[str]:
    """Give the columns that the answers to a proposal's questions name."""
    return {c for q in offer.asked for _, given in q.choices for c in given.get("columns", ())}


def _answered(spec: LogSection, question: Question) -> bool:
    """Whether the section answers a question already."""
    keys = {key for _, given in question.choices for key in given}
    files = [f for _, given in question.choices for f in given.get("chamber", ())]
    if files:
        return any(matches_file(f, pattern) for f in files for pattern in spec.chamber)
    return "day_first" in keys and spec.day_first is not None


def _still_open(
    trial: Trial, kind: str, table: RawTable, found: Columns
) -> tuple[list[Question], dict[str, Any]]:
    """Find what a mapped file leaves open: the order of day and month, the chamber."""
    import pyarrow as pa

    spec = trial.logs[kind]
    asked: list[Question] = []
    settled: dict[str, Any] = {}
    head = (found.heads.get("time") or found.heads.get("start") or "").split(" + ")[0]
    cells = table.columns.get(head)
    texts = cells is not None and pa.types.is_string(cells.type)
    open_ = texts and spec.day_first is None and spec.time_format is None
    if open_ and len(read_moments(cells).undecided):
        first = judge_order(cells, head)
        if first is None:
            asked.append(ask_order(head, cells, trial.batches))
        else:
            settled["day_first"] = first
    named = "chamber" in found.heads or found.wide or kind == "harvest"
    if not named and "chamber" in trial.levels:
        question = ask_chamber(trial, kind, table)
        if question is not None and not _answered(spec, question):
            asked.append(question)
    return asked, settled


def _offer_unnamed(trial: Trial) -> list[Proposal]:
    """Propose sections for files in ``logs/`` that no section names, by what they hold."""
    named = {path.resolve() for kind in trial.logs for path in _named(trial, kind)}
    there = sorted(p for p in (trial.folder / "logs").glob("*") if p.is_file())
    left = [p for p in there if p.resolve() not in named and not p.name.startswith((".", "~$"))]
    by_kind: dict[str, list[str]] = {}
    for path in left[:_MOST_FILES]:
        kind = _kind_of(trial, f"logs/{path.name}")
        if kind is not None and kind not in trial.logs:
            by_kind.setdefault(kind, []).append(f"logs/{path.name}")
    out = []
    for kind, names in by_kind.items():
        bare = LogSection(files=names)
        out.append(propose_for_tables(trial, kind, _tables(trial, bare, kind, names), tuple(names)))
    return out


def _named(trial: Trial, kind: str) -> list[Path]:
    found: list[Path] = []
    for pattern in trial.logs[kind].files:
        try:
            found += [path for path, _ in find_files(trial.folder, [pattern])]
        except LogError:
            continue
    return found


def _kind_of(trial: Trial, name: str) -> str | None:
    """Judge which kind of log a file is; None where nothing tells, or two kinds fit alike."""
    fits: dict[str, int] = {}
    for kind in LOG_KINDS:
        tables = _tables(trial, LogSection(files=[name]), kind, [name])
        if not tables:
            continue
        found = propose_for_tables(trial, kind, tables, (name,))
        values = [c for c in found.columns if c in value_columns(kind, trial.columns)]
        needed = ("unit",) if kind == "harvest" else ("time", "start")
        if values and any(c in found.columns for c in needed):
            fits[kind] = len(values)
        elif kind == "environment" and "time" in found.columns and _asked_columns(found):
            fits[kind] = 0  # less than anything that a head names
    best = max(fits.values(), default=-1)
    kinds = [kind for kind, fit in fits.items() if fit == best]
    return kinds[0] if len(kinds) == 1 else None
