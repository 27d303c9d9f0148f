"""`propose_mapping`: which column of a file is what, with the reasons, where none is named."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from trialkit.columns import WITH_TEMPERATURE, house_unit, log_columns, value_columns
from trialkit.errors import LogError
from trialkit.logs.head_units import head_unit
from trialkit.logs.heads import not_house, plain_head
from trialkit.logs.mapping.day_order import ask_order, judge_order
from trialkit.logs.mapping.likeness import (
    ENOUGH,
    Likeness,
    find_likeness,
    holds_moments,
    named_score,
)
from trialkit.logs.mapping.proposal import Proposal, Question, with_more_heads
from trialkit.logs.opening import read_member
from trialkit.logs.row_origins import chamber_of_file
from trialkit.logs.text.files import find_files, open_members
from trialkit.logs.text.raw_table import RawTable
from trialkit.logs.text.time_parts import find_clock, find_time_parts
from trialkit.logs.text.times import read_moments
from trialkit.trial import Trial
from trialkit.trial.sections import LogSection
from trialkit.wording import Either, Message, message, several

_SAMPLE_ROWS = 500


def propose_mapping(trial: Trial, kind: str, *, files: Sequence[str] | None = None) -> Proposal:
    """Propose which column of a log's files is what, from heads and cells, with the reasons.

    Nothing is read into the trial: the proposal is meant to be looked at and put into the trial
    file. What cannot be known from the files, such as the order of day and month, is listed as a
    question.

    Parameters
    ----------
    trial : Trial
    kind : {"harvest", "environment", "mist"}
    files : sequence of str, optional
        File names or patterns; those of the trial file by default.

    Returns
    -------
    Proposal

    Raises
    ------
    LogError
        If there are no files, or none can be read as a table.

    Examples
    --------
    >>> import trialkit as tk
    >>> from trialkit.logs.mapping.propose import propose_mapping
    >>> proposal = propose_mapping(tk.read_trial(tk.demo_folder()), "harvest")
    >>> proposal.columns["unit"]
    'block code'
    """
    spec = trial.logs.get(kind)
    named = list(files or (spec.files if spec else ()))
    if not named:
        raise LogError(f"no files are named for the {kind} log → add files = [ … ]")
    # how the files are written counts, what their columns are called does not
    written = {"files": named, "columns": {}}
    bare = LogSection(files=named) if spec is None else spec.model_copy(update=written)
    tables: list[RawTable] = []
    for path, name in find_files(trial.folder, named)[:12]:
        for member in open_members(path, name):
            tables += read_member(member, bare, kind, trial.columns)
    return propose_for_tables(trial, kind, tables, tuple(named))


def advise_columns(trial: Trial, kind: str, table: RawTable) -> str:
    """Say, as the end of a refusal, what the columns of a table are likely to be.

    Where the trial file names heads that other files have, this one's are put beside them.
    """
    spec = trial.logs[kind]
    proposal = propose_for_tables(trial, kind, [table], tuple(spec.files))
    if spec.columns:
        line = with_more_heads(spec, proposal, value_columns(kind, trial.columns))
        return f"; if other files have the heads named now: {line}" if line else ""
    return f"\n{proposal}" if proposal.columns else ""


def propose_for_tables(
    trial: Trial, kind: str, tables: Sequence[RawTable], files: tuple[str, ...]
) -> Proposal:
    """Propose a mapping for tables that are already read."""
    import pandas as pd

    chosen: dict[str, Likeness] = {}
    more: dict[str, list[str]] = {}  # heads that differ from file to file
    mixed: set[str] = set()  # their units differ too, and each head has to tell its own
    questions: dict[Question, None] = {}
    keys: dict[str, Any] = {}
    for table in tables:
        found, asked, settled = _judge(trial, kind, table)
        keys |= settled
        for clue in found:
            kept = chosen.get(clue.column)
            if kept is not None and plain_head(kept.head) != plain_head(clue.head):
                more.setdefault(clue.column, [kept.head]).append(clue.head)
                if clue.unit != kept.unit:
                    mixed.add(clue.column)
                    asked += [
                        Question(_unit_question(c)) for c in (kept, clue) if _hides_unit(trial, c)
                    ]
            chosen.setdefault(clue.column, clue)
        questions.update(dict.fromkeys(asked))
    order = [c for c in log_columns(kind, trial.columns) if c in chosen]
    frame = pd.DataFrame(
        [(c, chosen[c].head, chosen[c].reason) for c in order],
        columns=["column", "head", "reason"],
    )
    units = {
        c: unit
        for c in order
        if c not in mixed and (unit := not_house(c, chosen[c].unit, trial.columns)) is not None
    }
    questions.update(dict.fromkeys(_missing(trial, kind, chosen, tables)))
    columns = {c: chosen[c].head for c in order}
    also = {c: tuple(dict.fromkeys(heads)) for c, heads in more.items()}
    return Proposal(kind, files, columns, units, frame, tuple(questions), also, keys)


def _judge(
    trial: Trial, kind: str, table: RawTable
) -> tuple[list[Likeness], list[Question], dict[str, Any]]:
    """Judge the columns of one table; give the best pairs, what is open, and what is settled."""
    sample = {head: cells.slice(0, _SAMPLE_ROWS) for head, cells in table.columns.items()}
    wide = _wide_columns(trial, kind, sample, table.decimal) + _time_parts(sample)
    taken = {head for _, heads in wide for head in heads}
    likely = [
        find_likeness(trial, head, cells, column, table.decimal)
        for column in log_columns(kind, trial.columns)
        for head, cells in sample.items()
        if head not in taken
    ]
    found: list[Likeness] = [clue for clue, _ in wide]
    questions: list[Question] = []
    while likely:
        best = max(likely, key=lambda c: c.score)
        if best.score < ENOUGH:
            break
        rivals = [
            c
            for c in likely
            if c.column == best.column and c.head != best.head and c.score > best.score - 0.04
        ]
        if rivals and best.column != "time":
            names = tuple(c.head for c in (best, *rivals))
            said = message("question.rivals", column=best.column, heads=Either(names))
            choices = tuple((name, {"columns": {best.column: name}}) for name in names)
            questions.append(Question(said, choices))
        found.append(best)
        likely = [c for c in likely if c.column != best.column and c.head != best.head]
    found = [_with_clock(c, sample) if c.column in ("time", "start") else c for c in found]
    if not any(c.column == "temp_c" for c in found):  # a dew point alone is no humidity
        found = [c for c in found if c.unit not in WITH_TEMPERATURE.get(c.column, ())]
    open_, settled = _order(trial, found, sample)
    return found, questions + open_, settled


def _with_clock(clue: Likeness, sample: dict[str, Any]) -> Likeness:
    """Join a column of dates with a column of clock times."""
    import pyarrow as pa

    if clue.head not in sample:  # a moment of several columns already
        return clue
    dates = sample[clue.head]
    if (
        not pa.types.is_string(dates.type)
        or not read_moments(dates, day_first=True).date_only.any()
    ):
        return clue
    beside = find_clock(clue.head, list(sample), list(sample.values()))
    if beside:
        reason = message("clue.clock", clue=clue.reason, head=beside[0])
        return Likeness(clue.column, " + ".join((clue.head, *beside)), clue.score, reason)
    return clue


def _time_parts(sample: dict[str, Any]) -> list[tuple[Likeness, list[str]]]:
    """Find a moment in several columns, unless one column holds moments by itself."""
    parts = find_time_parts(list(sample), list(sample.values()))
    if not parts or any(holds_moments(h, c) for h, c in sample.items() if h not in parts):
        return []
    clue = Likeness("time", " + ".join(parts), 6.0, message("clue.parts", count=len(parts)))
    return [(clue, list(parts))]


def _hides_unit(trial: Trial, clue: Likeness) -> bool:
    """Whether the unit was judged by the values alone, so that a reader could not know it."""
    house = house_unit(clue.column, trial.columns)
    return clue.unit is not None and head_unit(clue.head, house) is None


def _unit_question(clue: Likeness) -> Message:
    return message("question.unit", column=clue.column, unit=clue.unit, head=clue.head)


def _order(
    trial: Trial, found: list[Likeness], sample: dict[str, Any]
) -> tuple[list[Question], dict[str, Any]]:
    """Settle the order of day and month by what else the file tells, or ask for it."""
    import pyarrow as pa

    for clue in found:
        head = clue.head.split(" + ")[0]
        if clue.column not in ("time", "start") or head not in sample:
            continue
        if pa.types.is_string(sample[head].type) and len(read_moments(sample[head]).undecided):
            first = judge_order(sample[head], head)
            if first is not None:
                return [], {"day_first": first}
            return [ask_order(head, sample[head], trial.batches)], {}
    return [], {}


def _wide_columns(
    trial: Trial, kind: str, sample: dict[str, Any], decimal: str | None
) -> list[tuple[Likeness, list[str]]]:
    """Find heads that differ only in the chamber they name."""
    chambers, values = trial.levels.get("chamber", ()), value_columns(kind, trial.columns)
    patterns: dict[str, list[str]] = {}
    for head in sample:
        plain = plain_head(head)
        for chamber in sorted(chambers, key=len, reverse=True):
            at = plain.find(chamber.casefold())
            if at >= 0:
                pattern = head.strip()[:at] + "{chamber}" + head.strip()[at + len(chamber) :]
                patterns.setdefault(pattern, []).append(head)
                break
    out = []
    for pattern, heads in patterns.items():
        if len(heads) < 2:
            continue
        best = max(
            (find_likeness(trial, heads[0], sample[heads[0]], c, decimal) for c in values),
            key=lambda c: (c.score, named_score(pattern, c.column, trial.columns)[0]),
        )
        if best.score > 0:
            reason = message("clue.wide", number=len(heads), clue=best.reason)
            out.append((Likeness(best.column, pattern, best.score, reason, best.unit), heads))
    return out


def _missing(
    trial: Trial, kind: str, chosen: dict[str, Likeness], tables: Sequence[RawTable]
) -> list[Question]:
    """Ask for columns without which the log cannot be read."""
    out: list[Question] = []
    heads = list(dict.fromkeys(h for t in tables for h in t.columns))
    shown = several([repr(h) for h in heads], 12)
    if "time" not in chosen and "start" not in chosen and kind != "harvest":
        out.append(Question(message("question.time", heads=shown)))
    if kind == "harvest" and "unit" not in chosen and not set(trial.levels) <= set(heads):
        out.append(Question(message("question.units", heads=shown)))
    if kind == "harvest" and "flush" not in chosen and trial.flushes > 1:
        out.append(Question(message("question.flush", heads=shown)))
    values = value_columns(kind, trial.columns)
    if not any(c in chosen for c in values):
        out.append(Question(message("question.values", columns=list(values))))
    wide = any("{chamber}" in c.head for c in chosen.values())
    if kind != "harvest" and "chamber" not in chosen and not wide and "chamber" in trial.levels:
        out += [q for table in tables if (q := ask_chamber(trial, kind, table)) is not None]
    return out


def ask_chamber(trial: Trial, kind: str, table: RawTable) -> Question | None:
    """Ask which chamber a file is from; None where its name tells."""
    chambers = trial.levels["chamber"]
    try:
        chamber_of_file(table.name, chambers, None, kind)
    except LogError:
        line = f'chamber = {{ "{table.name}" = "…" }}'
        shown = {"first": "", "last": ""}
        if table.n:
            cells = next(iter(table.columns.values()))
            shown = {"first": str(cells[0]), "last": str(cells[table.n - 1])}
        said = message("question.chamber", file=table.name, line=line, rows=table.n, **shown)
        return Question(said, tuple((c, {"chamber": {table.name: c}}) for c in chambers))
    return None
