"""`propose_mapping`: which column of a file is what, with the reasons, where none is named."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from trialkit.columns import LOG_COLUMNS
from trialkit.errors import LogError
from trialkit.logs.mapping.heads import VALUES, plain_head
from trialkit.logs.mapping.likeness import ENOUGH, Clue, find_clue, named_score
from trialkit.logs.opening import read_member
from trialkit.logs.text.numbers import head_unit
from trialkit.logs.text.raw_table import RawTable
from trialkit.logs.text.times import read_moments
from trialkit.trial import Trial
from trialkit.trialfile import LogSection

if TYPE_CHECKING:
    import pandas as pd

_SAMPLE_ROWS = 500


@dataclass(frozen=True)
class Proposal:
    """A proposed mapping of the columns of a log.

    Parameters
    ----------
    kind : {"harvest", "environment", "mist"}
    files : tuple of str
        Files it was judged from.
    columns : dict
        Column of the glossary → head.
    units : dict
        Column → unit, where it is not the house unit.
    table : DataFrame
        One row per proposed column: ``column, head, reason``.
    questions : tuple of str
        What the files do not tell and must be answered in the trial file.
    heads : dict
        Column → all its heads, where files of several makes differ.
    """

    kind: str
    files: tuple[str, ...]
    columns: dict[str, str]
    units: dict[str, str]
    table: pd.DataFrame
    questions: tuple[str, ...] = ()
    heads: dict[str, tuple[str, ...]] = field(default_factory=dict)

    def section(self) -> str:
        """Write the proposal as lines for the trial file."""
        lines = [f"[logs.{self.kind}]", "files = [" + ", ".join(map(_quote, self.files)) + "]"]
        lines.append(f"columns = {{ {_pairs({**self.columns, **self.heads})} }}")
        if self.units:
            lines.append(f"units = {{ {_pairs(self.units)} }}")
        return "\n".join([*lines, *(f"# to be answered: {q}" for q in self.questions)])

    def __str__(self) -> str:
        reasons = [f"  {r.column} is {r.head!r}: {r.reason}" for r in self.table.itertuples()]
        asked = [f"  ? {question}" for question in self.questions]
        return "\n".join([f"{self.kind}: columns that would fit", *reasons, *asked, "",
                          self.section()])  # fmt: skip


def _quote(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def _pairs(pairs: Mapping[str, str | tuple[str, ...]]) -> str:
    return ", ".join(f"{name} = {_listed(value)}" for name, value in pairs.items())


def _listed(value: str | tuple[str, ...]) -> str:
    if isinstance(value, str):
        return _quote(value)
    return f"[{', '.join(map(_quote, value))}]"


def with_more_heads(spec: LogSection, found: Proposal) -> str:
    """Write the columns of the trial file with a file's own heads beside those named already.

    Empty where the file holds nothing that would fit.
    """
    if not any(c in VALUES[found.kind] for c in found.columns):
        return ""
    heads: dict[str, tuple[str, ...]] = {c: spec.heads(c) for c in spec.columns}
    for column, head in found.columns.items():
        heads[column] = tuple(dict.fromkeys([*heads.get(column, ()), head]))
    return f"columns = {{ {_pairs({c: h[0] if len(h) == 1 else h for c, h in heads.items()})} }}"


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
    from trialkit.logs.text.files import find_files, open_members

    spec = trial.logs.get(kind)
    named = list(files or (spec.files if spec else ()))
    if not named:
        raise LogError(f"no files are named for the {kind} log → add files = [ … ]")
    bare = LogSection(files=named)
    tables: list[RawTable] = []
    for path, name in find_files(trial.folder, named)[:12]:
        for member in open_members(path, name):
            tables += read_member(member, bare, kind)
    return propose_for_tables(trial, kind, tables, tuple(named))


def propose_for_tables(
    trial: Trial, kind: str, tables: Sequence[RawTable], files: tuple[str, ...]
) -> Proposal:
    """Propose a mapping for tables that are already read."""
    import pandas as pd

    chosen: dict[str, Clue] = {}
    more: dict[str, list[str]] = {}  # heads that differ from file to file
    mixed: set[str] = set()  # their units differ too, and each head has to tell its own
    questions: dict[str, None] = {}
    for table in tables:
        found, asked = _judge(trial, kind, table)
        for clue in found:
            kept = chosen.get(clue.column)
            if kept is not None and plain_head(kept.head) != plain_head(clue.head):
                more.setdefault(clue.column, [kept.head]).append(clue.head)
                if clue.unit != kept.unit:
                    mixed.add(clue.column)
                    asked += [_unit_question(c) for c in (kept, clue) if _hides_unit(c)]
            chosen.setdefault(clue.column, clue)
        questions.update(dict.fromkeys(asked))
    order = [c for c in LOG_COLUMNS[kind] if c in chosen]
    frame = pd.DataFrame(
        [(c, chosen[c].head, chosen[c].reason) for c in order],
        columns=["column", "head", "reason"],
    )
    units = {c: str(chosen[c].unit) for c in order if chosen[c].unit and c not in mixed}
    questions.update(dict.fromkeys(_missing(trial, kind, chosen, tables)))
    columns = {c: chosen[c].head for c in order}
    also = {c: tuple(dict.fromkeys(heads)) for c, heads in more.items()}
    return Proposal(kind, files, columns, units, frame, tuple(questions), also)


def _judge(trial: Trial, kind: str, table: RawTable) -> tuple[list[Clue], list[str]]:
    """Judge the columns of one table; the best pairs of column and head first."""
    sample = {head: cells.slice(0, _SAMPLE_ROWS) for head, cells in table.columns.items()}
    wide = _wide_clues(trial, kind, sample, table.decimal)
    taken = {head for _, heads in wide for head in heads}
    clues = [
        find_clue(trial, head, cells, column, table.decimal)
        for column in LOG_COLUMNS[kind]
        for head, cells in sample.items()
        if head not in taken
    ]
    found: list[Clue] = [clue for clue, _ in wide]
    questions: list[str] = []
    while clues:
        best = max(clues, key=lambda c: c.score)
        if best.score < ENOUGH:
            break
        rivals = [c for c in clues if c.column == best.column and c.head != best.head
                  and c.score > best.score - 0.04]  # fmt: skip
        if rivals and best.column != "time":
            heads = " or ".join(repr(c.head) for c in (best, *rivals))
            questions.append(f"{best.column} could be {heads}; name the right one")
        found.append(best)
        clues = [c for c in clues if c.column != best.column and c.head != best.head]
    found = [_with_clock(c, sample) if c.column in ("time", "start") else c for c in found]
    return found, questions + _order_question(found, sample)


def _with_clock(clue: Clue, sample: dict[str, Any]) -> Clue:
    """Join a column of dates with a column of clock times."""
    import pyarrow as pa
    import pyarrow.compute as pc

    dates = sample[clue.head]
    if (
        not pa.types.is_string(dates.type)
        or not read_moments(dates, day_first=True).date_only.any()
    ):
        return clue
    for head, cells in sample.items():
        if head == clue.head or not pa.types.is_string(cells.type):
            continue
        clock = pc.match_substring_regex(pc.fill_null(cells, ""), r"^\s*\d{1,2}:\d{2}(:\d{2})?\b")
        if (pc.mean(pc.cast(clock, pa.float64())).as_py() or 0) > 0.8:
            reason = f"{clue.reason}; {head!r} has the clock time"
            return Clue(clue.column, f"{clue.head} + {head}", clue.score, reason)
    return clue


def _hides_unit(clue: Clue) -> bool:
    """Whether the unit was judged by the values alone, so that a reader could not know it."""
    return clue.unit is not None and head_unit(clue.head, clue.column) is None


def _unit_question(clue: Clue) -> str:
    return (
        f"{clue.column} looks like {clue.unit} under {clue.head!r} but not in the other files; "
        f"write the unit into that head, such as '{clue.head} ({clue.unit})'"
    )


def _order_question(found: list[Clue], sample: dict[str, Any]) -> list[str]:
    """Ask for the order of day and month where the cells do not tell it."""
    import pyarrow as pa

    for clue in found:
        head = clue.head.split(" + ")[0]
        if clue.column not in ("time", "start") or head not in sample:
            continue
        if pa.types.is_string(sample[head].type) and len(read_moments(sample[head]).undecided):
            return [f"is the day or the month first in {head!r}? day_first = true or false"]
    return []


def _wide_clues(
    trial: Trial, kind: str, sample: dict[str, Any], decimal: str | None
) -> list[tuple[Clue, list[str]]]:
    """Find heads that differ only in the chamber they name."""
    chambers = trial.levels.get("chamber", ())
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
            (find_clue(trial, heads[0], sample[heads[0]], c, decimal) for c in VALUES[kind]),
            key=lambda c: (c.score, named_score(pattern, c.column)[0]),
        )
        if best.score > 0:
            reason = f"{len(heads)} heads differ only in the chamber, and {best.reason}"
            out.append((Clue(best.column, pattern, best.score, reason, best.unit), heads))
    return out


def _missing(
    trial: Trial, kind: str, chosen: dict[str, Clue], tables: Sequence[RawTable]
) -> list[str]:
    """Ask for columns without which the log cannot be read."""
    from trialkit.logs.text.names import chamber_of_file

    out = []
    heads = list(dict.fromkeys(h for t in tables for h in t.columns))
    shown = ", ".join(repr(h) for h in heads[:12])
    if "time" not in chosen and "start" not in chosen and kind != "harvest":
        out.append(f"which column is the time? There are {shown}")
    if kind == "harvest" and "unit" not in chosen and not set(trial.levels) <= set(heads):
        out.append(f"which column has the unit codes? There are {shown}")
    if kind == "harvest" and "flush" not in chosen and trial.flushes > 1:
        out.append(f"which column has the flush? There are {shown}")
    if not any(c in chosen for c in VALUES[kind]):
        out.append(f"which columns hold the values ({', '.join(VALUES[kind])})?")
    wide = any("{chamber}" in c.head for c in chosen.values())
    if kind != "harvest" and "chamber" not in chosen and not wide and "chamber" in trial.levels:
        for table in tables:
            try:
                chamber_of_file(table.name, trial.levels["chamber"], {}, kind)
            except LogError:
                out.append(
                    f'which chamber is {table.name} from? chamber = {{ "{table.name}" = "…" }}'
                )
    return out
