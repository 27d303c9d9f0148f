"""`propose_mapping`: which column of a file is what, with the reasons, where none is named."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any

from trialkit.columns import WITH_TEMPERATURE, house_unit, log_columns, value_columns
from trialkit.errors import LogError
from trialkit.logs.head_units import head_unit
from trialkit.logs.heads import not_house, plain_head
from trialkit.logs.mapping.day_order import ask_order, judge_order
from trialkit.logs.mapping.head_words import named_score
from trialkit.logs.mapping.likeness import (
    ENOUGH,
    Likeness,
    could_be,
    find_likeness,
    holds_moments,
)
from trialkit.logs.mapping.places import (
    ask_chamber,
    ask_places,
    file_tells,
    part_by_place,
    patterns_of_places,
    strange_names,
)
from trialkit.logs.mapping.proposal import Proposal, Question, with_more_heads
from trialkit.logs.mapping.quantities import choice_heads, find_quantities
from trialkit.logs.opening import read_member
from trialkit.logs.text.chosen_cells import add_choices
from trialkit.logs.text.files import find_files, open_members
from trialkit.logs.text.raw_table import RawTable
from trialkit.logs.text.time_parts import find_clock, find_time_parts
from trialkit.logs.text.times import read_moments
from trialkit.trial import Trial
from trialkit.trial.sections import LogSection
from trialkit.wording import Either, Message, message, several

_SAMPLE_ROWS = 500
#: Score of a column whose cells alone say that it is that of the chambers.
_BY_CELLS = 3.5


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
    values = value_columns(kind, trial.columns)
    told: list[RawTable] = []  # not a sheet of remarks beside the records
    for table in tables:
        found, asked, settled = _judge(trial, kind, table)
        keys |= settled
        told += [table] if any(c.column in values for c in found) else []
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
    questions.update(dict.fromkeys(_missing(trial, kind, chosen, told or tables, questions)))
    columns = {c: chosen[c].head for c in order}
    also = {c: tuple(dict.fromkeys(heads)) for c, heads in more.items()}
    return Proposal(kind, files, columns, units, frame, tuple(questions), also, keys)


def _judge(
    trial: Trial, kind: str, table: RawTable
) -> tuple[list[Likeness], list[Question], dict[str, Any]]:
    """Judge the columns of one table; give the best pairs, what is open, and what is settled."""
    sample = _samples(trial, kind, table)
    wide = _wide_columns(trial, kind, sample, table.decimal) + _time_parts(sample)
    taken = {head for _, heads in wide for head in heads}
    likely = [
        find_likeness(trial, head, cells, column, table.decimal, under=table.units.get(head, ""))
        for column in log_columns(kind, trial.columns)
        for head, cells in sample.items()
        if head not in taken
    ]
    chosen, questions = _choose(trial, kind, table, likely)
    found = [clue for clue, _ in wide] + chosen
    found = [_with_clock(c, sample) if c.column in ("time", "start") else c for c in found]
    if not any(c.column == "temp_c" for c in found):  # a dew point alone is no humidity
        found = [c for c in found if c.unit not in WITH_TEMPERATURE.get(c.column, ())]
    found, asked = _ask_strange_chambers(trial, kind, table, found)
    questions += asked + _ask_values(trial, kind, table, sample, found)
    open_, settled = _order(trial, found, sample)
    return found, questions + open_, settled


def _samples(trial: Trial, kind: str, table: RawTable) -> dict[str, Any]:
    """Give some cells of each column; in a long table, those of each quantity."""
    columns = dict(table.columns)
    long = None
    if kind != "harvest":
        long = find_quantities(columns, value_columns(kind, trial.columns), table.decimal)
    if long is not None:
        names, values, words = long
        add_choices(table, choice_heads(names, values, words))
        added = {h: _filled(c) for h, c in table.columns.items() if h not in columns}
        columns = {h: c for h, c in columns.items() if h not in (names, values)} | added
    return {head: cells.slice(0, _SAMPLE_ROWS) for head, cells in columns.items()}


def _filled(cells: Any) -> Any:
    import pyarrow.compute as pc

    return cells.filter(pc.not_equal(cells, ""))


def _choose(
    trial: Trial, kind: str, table: RawTable, likely: list[Likeness]
) -> tuple[list[Likeness], list[Question]]:
    """Choose the best head of each column; ask where several fit alike."""
    # whatever its head says, a column of the trial's chambers is that of the chambers
    rooms = {c.head for c in likely if c.column == "chamber" and c.score >= _BY_CELLS}
    likely = [c for c in likely if c.column != "sensor" or c.head not in rooms]
    placed = bool(rooms) or kind == "harvest" or "chamber" not in trial.levels
    parts = not placed and not file_tells(trial, kind, table)
    found: list[Likeness] = []
    questions: list[Question] = []
    places: dict[str, str] = {}
    while likely:
        best = max(likely, key=lambda c: c.score)
        if best.score < ENOUGH:
            break
        rivals = [
            c
            for c in likely
            if c.column == best.column and c.head != best.head and c.score > best.score - 0.04
        ]
        heads = tuple(c.head for c in (best, *rivals))
        values = value_columns(kind, trial.columns)
        parted = part_by_place(heads) if parts and rivals and best.column in values else None
        if parted:
            reason = message("clue.wide", number=len(heads), clue=best.reason)
            best = Likeness(best.column, parted[0], best.score, reason, best.unit)
            places |= {name: places.get(name, parted[0]) for name in parted[1]}
        elif rivals and best.column != "time":
            said = message("question.rivals", column=best.column, heads=Either(heads))
            choices = tuple((name, {"columns": {best.column: name}}) for name in heads)
            questions.append(Question(said, choices))
        found.append(best)
        gone = set(heads) if parted else {best.head}
        likely = [c for c in likely if c.column != best.column and c.head not in gone]
    for name, pattern in places.items():
        questions += ask_places(trial, [name], pattern)
    return found, questions


def _ask_strange_chambers(
    trial: Trial, kind: str, table: RawTable, found: list[Likeness]
) -> tuple[list[Likeness], list[Question]]:
    """Ask about names in the chamber column that are no chambers; without any it is none."""
    clue = next((c for c in found if c.column == "chamber"), None)
    if clue is None or "chamber" not in trial.levels or clue.head not in table.columns:
        return found, []
    strange = strange_names(trial, table.columns[clue.head])
    spec = trial.logs.get(kind)
    strange = [n for n in strange if spec is None or n not in spec.chamber]
    if strange and file_tells(trial, kind, table):
        return [c for c in found if c is not clue], []
    return found, ask_places(trial, strange, clue.head) if strange else []


def _ask_values(
    trial: Trial,
    kind: str,
    table: RawTable,
    sample: dict[str, Any],
    found: list[Likeness],
) -> list[Question]:
    """Ask which column is the temperature and which the humidity, where no head tells."""
    values = value_columns(kind, trial.columns)
    if kind != "environment" or any(c.column in values for c in found):
        return []
    taken = {part for c in found for part in (c.head, *c.head.split(" + "))}
    free = {head: cells for head, cells in sample.items() if head not in taken}
    patterns = patterns_of_places(trial, free)
    within = {head for heads in patterns.values() for head in heads}
    alone = {head: cells for head, cells in free.items() if head not in within}
    free = {pattern: free[heads[0]] for pattern, heads in patterns.items()} | alone
    out: list[Question] = []
    for column in ("temp_c", "rh_pct"):
        ends = {h: could_be(trial, cells, column, table.decimal) for h, cells in free.items()}
        fits = {head: both for head, both in ends.items() if both is not None}
        if not fits:
            continue
        shown = [message("question.range", head=h, low=a, high=b) for h, (a, b) in fits.items()]
        said = message("question.value", column=column, heads=several(shown, 8))
        choices = tuple((head, {"columns": {column: head}}) for head in fits)
        out.append(Question(said, (*choices, (message("answer.none"), {}))))
    return out


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
    values = value_columns(kind, trial.columns)
    out = []
    for pattern, heads in patterns_of_places(trial, sample).items():
        bare = pattern.replace("{chamber}", " ")  # the name of a chamber tells no quantity
        best = max(
            (find_likeness(trial, bare, sample[heads[0]], c, decimal) for c in values),
            key=lambda c: (c.score, named_score(bare, c.column, trial.columns)[0]),
        )
        if best.score > 0:
            reason = message("clue.wide", number=len(heads), clue=best.reason)
            out.append((Likeness(best.column, pattern, best.score, reason, best.unit), heads))
    return out


def _missing(
    trial: Trial,
    kind: str,
    chosen: dict[str, Likeness],
    tables: Sequence[RawTable],
    asked: Collection[Question],
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
    may = {c for q in asked for _, given in q.choices for c in given.get("columns", ())}
    if not any(c in chosen or c in may for c in values):
        out.append(Question(message("question.values", columns=list(values))))
    wide = any("{chamber}" in c.head for c in chosen.values())
    if kind != "harvest" and "chamber" not in chosen and not wide and "chamber" in trial.levels:
        for table in tables:
            out += _ask_place(trial, kind, chosen, table)
    return out


def _ask_place(
    trial: Trial, kind: str, chosen: dict[str, Likeness], table: RawTable
) -> list[Question]:
    """Ask which chamber each sensor of a file is, or the file itself where it names none."""
    sensor = chosen["sensor"].head if "sensor" in chosen else ""
    if sensor in table.columns and not file_tells(trial, kind, table):
        names = strange_names(trial, table.columns[sensor])
        return ask_places(trial, names, sensor, {"columns": {"chamber": sensor}})
    question = ask_chamber(trial, kind, table)
    return [] if question is None else [question]
