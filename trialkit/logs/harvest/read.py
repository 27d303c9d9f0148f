"""`read_harvest`: the harvest sheet → weights per unit and flush, each row accounted for."""

from __future__ import annotations

import re
from itertools import product
from typing import Any

import numpy as np

from trialkit.columns import log_columns
from trialkit.columns.harvest import LOST
from trialkit.errors import LogError
from trialkit.logs.cache import read_cached
from trialkit.logs.clocks.zones import NO_TIME
from trialkit.logs.harvest.code_parts import tell_contradictions
from trialkit.logs.harvest.doubts import tell_doubts
from trialkit.logs.harvest.entries import Sheet, harvest_table, stack_sheets
from trialkit.logs.harvest.level_cells import level_cells, level_heads, texts_of
from trialkit.logs.harvest.remarks import tell_states_in_remarks
from trialkit.logs.harvest.sheet_rules import check_dates, check_entries, check_values
from trialkit.logs.harvest.unit_hints import unit_hint
from trialkit.logs.harvest.usable_rows import tell_no_usable_row
from trialkit.logs.log import Log, no_spans
from trialkit.logs.mapping.propose import advise_columns
from trialkit.logs.mapping.unnamed_weights import refuse_unnamed_weights
from trialkit.logs.number_column import read_number_column
from trialkit.logs.opening import Opened, Reading, for_each_file, start_reading
from trialkit.logs.text.arrow import cell_texts, encode_cells
from trialkit.logs.text.names import match_names
from trialkit.logs.text.numbers import BLANKS
from trialkit.logs.time_column import read_times, tell_stayed
from trialkit.right_kind import check_kinds
from trialkit.trial import Trial
from trialkit.visible_text import quote
from trialkit.wording import finding, message, several

_OK = {"ok", "good", "fine", "healthy", "harvested", "sound"}
_CONTAMINATED = {
    "contaminated",
    "contam",
    "contamination",
    "infected",
    "mould",
    "mold",
    "mouldy",
    "moldy",
    "green mould",
    "green mold",
    "trichoderma",
    "rotten",
    "bacterial blotch",
}
_DISCARDED = {
    "discarded",
    "discard",
    "removed",
    "thrown away",
    "thrown out",
    "lost",
    "dropped",
    "binned",
    "damaged",
    "composted",
}
STATUS = (
    dict.fromkeys(_OK, "ok")
    | dict.fromkeys(_CONTAMINATED, "contaminated")
    | dict.fromkeys(_DISCARDED, "discarded")
)
_FLUSH = re.compile(r"(?:flush|wave|f)?\s*#?(\d{1,3})(?:[.,]0+)?(?:st|nd|rd|th|\.)?", re.IGNORECASE)


def read_harvest(trial: Trial, *, cache: bool = True) -> Log:
    """Read the harvest sheets, with an account of every row.

    Unknown units, doubled entries and weights that cannot be are set aside with the reason;
    contaminated and discarded blocks stay as outcomes; a zero is a zero; units and flushes
    without a row are listed in the findings.

    Parameters
    ----------
    trial : Trial
        Its ``[logs.harvest]`` names files, columns and units.
    cache : bool
        Whether to use and keep results in the folder's ``.cache`` (see `trialkit.logs.cache`).

    Returns
    -------
    Log
        `table`: the unit factors, ``unit, flush, time`` (UTC; a date alone is noon of that day;
        NaT where doubtful), ``fresh_g, dry_g`` [g], ``caps``, those
        that the trial file adds, ``status`` ("ok",
        "contaminated", "discarded"), ``note, file, row``, and ``written_…`` for each treatment
        whose level a sheet names. A flush picked on several days has a
        row for each pick.

    Raises
    ------
    LogError
        If files are missing or cannot be read at all, a needed column cannot be found, or day
        and month cannot be told apart. All such files are named together.

    Examples
    --------
    >>> import trialkit as tk
    >>> log = tk.read_harvest(tk.read_trial(tk.demo_folder()))
    >>> sorted(log.table["status"].unique())
    ['contaminated', 'ok']
    """
    check_kinds("read_harvest", trial=trial)
    return read_cached(trial, "harvest", lambda: _read(trial), cache=cache)


def _read(trial: Trial) -> Log:
    """Read sheet by sheet: values, dates, units. Then, across sheets: rules, doubts, the table."""
    reading = start_reading(trial, "harvest", advise_columns)
    sheets: list[Sheet] = []
    units = trial.unit_table()
    codes = units["unit"].tolist()
    for_each_file(reading, lambda opened: sheets.append(_read_sheet(reading, opened, codes)))
    for sheet in sheets:
        check_values(trial, sheet)
    entries = stack_sheets(sheets, units)
    reading.findings += check_entries(trial, entries, reading.zone)
    entries.table = entries.table[entries.alive()].reset_index(drop=True)
    reading.findings += tell_no_usable_row(sheets)
    reading.findings += check_dates(trial, entries, reading.zone)
    reading.findings += tell_doubts(trial, entries)
    table = harvest_table(entries, trial.harvest_columns)
    reading.findings += tell_stayed(reading.stayed, reading.kind)
    return reading.close(table, no_spans())


def _read_sheet(reading: Reading, opened: Opened, units: list[str]) -> Sheet:
    raw, heads = opened.raw, opened.columns.heads
    try:
        refuse_unnamed_weights(reading.trial, raw.name, raw.columns, opened.columns)
    except LogError as problem:
        raise LogError(f"{problem}{reading.advise(reading.trial, 'harvest', raw)}") from None
    nothing = np.full(raw.n, np.nan)
    values = {
        name: read_number_column(opened, name, heads[name], column.unit, remedy="words_into_note")
        if name in heads
        else nothing.copy()
        for name, column in reading.trial.harvest_columns.items()
    }
    time, blank_time, date_only = _dates(reading, opened)
    status_cells = _texts(opened, "status")
    note = _texts(opened, "note")
    sheet = Sheet(
        opened=opened,
        unit=np.zeros(0, np.int64),
        flush=np.zeros(0, np.int64),
        time=time,
        date_only=date_only,
        values=values,
        status=np.full(raw.n, "ok", dtype=object),
        note=note,
        written=level_cells(reading.trial, opened),
    )
    _tell_unread(reading, opened)
    trial = reading.trial
    factors = list(trial.structure.factors)
    _set_unfilled_aside(opened, sheet, status_cells, blank_time, trial)
    sheet.unit = _units(opened, trial, factors, units, _other_codes(reading))
    reading.findings += tell_contradictions(reading, sheet)
    sheet.flush = _flushes(reading, opened)
    sheet.status = _status(opened, status_cells)
    reading.findings += tell_states_in_remarks(
        sheet, status_cells, _CONTAMINATED | _DISCARDED, heads.get("status", "")
    )
    return sheet


def _tell_unread(reading: Reading, opened: Opened) -> None:
    """Tell columns with something in them that nothing here reads."""
    used = {part for head in opened.columns.heads.values() for part in (head, *head.split(" + "))}
    used |= set(level_heads(reading.trial, opened).values())
    left = [head for head in opened.raw.columns if head not in used]
    filled = [h for h in left if any(c.casefold() not in BLANKS for c in set(_stripped(opened, h)))]
    if filled:
        known = log_columns("harvest", reading.trial.columns)
        reading.findings.append(
            finding(
                "columns_unread",
                "note",
                file=opened.raw.name,
                heads=several([quote(head, 40) for head in filled], 8),
                count=len(filled),
                known=", ".join(c for c in known if c not in opened.columns.heads) or "–",
            )
        )


def _texts(opened: Opened, column: str) -> np.ndarray:
    head = opened.columns.heads.get(column)
    return np.full(opened.raw.n, "", dtype=object) if head is None else texts_of(opened, head)


def _dates(reading: Reading, opened: Opened) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Read the dates; an unreadable one is recorded and left out, the weight stays."""
    n = opened.raw.n
    parts = opened.columns.time_parts
    if not parts:
        return np.full(n, NO_TIME), np.ones(n, bool), np.zeros(n, bool)
    times = read_times(reading, opened, noon=True, strict=False)
    cells = [_stripped(opened, part) for part in parts]
    blank = np.all([[c.casefold() in BLANKS for c in part] for part in cells], axis=0)
    blank = np.asarray(blank, dtype=bool).reshape(n)
    bad = np.flatnonzero(~times.ok & ~blank)
    if len(bad):
        old = cell_texts(opened.raw.columns[parts[0]], bad)
        opened.account.change(
            bad,
            rule="date unreadable",
            column=" + ".join(parts),
            old=old,
            new="",
            reason=message("row_reason.date_unreadable"),
            remedy=message("row_remedy.date_unreadable"),
        )
    return np.where(times.ok, times.utc, NO_TIME), blank, times.date_only


def _stripped(opened: Opened, head: str) -> list[str]:
    texts, codes = encode_cells(opened.raw.columns[head])
    stripped = [t.strip() for t in texts]
    return [stripped[c] for c in codes]


def _set_unfilled_aside(
    opened: Opened,
    sheet: Sheet,
    status: np.ndarray,
    blank_time: np.ndarray,
    trial: Trial,
) -> None:
    """Set aside the rows of a printed sheet that nobody has filled in yet.

    Nothing is asked for where the block was lost in an earlier flush.
    """
    empty = np.all([np.isnan(values) for values in sheet.values.values()], axis=0)
    for column in sheet.values:
        if column in opened.columns.heads:
            cells = _stripped(opened, opened.columns.heads[column])
            empty &= np.array([c.casefold() in BLANKS for c in cells], dtype=bool)
    empty &= (status == "") & (sheet.note == "") & blank_time
    gone = empty & _lost_before(opened, status, trial)
    for which, key in ((gone, "lost_before"), (empty & ~gone, "not_filled_in")):
        remedy = "" if which is gone else message("row_remedy.not_filled_in")
        opened.account.set_aside(
            which,
            rule="not filled in",
            keepable=False,
            reason=message(f"row_reason.{key}"),
            remedy=remedy,
        )


def _lost_before(opened: Opened, status: np.ndarray, trial: Trial) -> np.ndarray:
    """Find the rows of blocks that an earlier flush of the same sheet calls lost."""
    heads, n = opened.columns.heads, opened.raw.n
    names = [name for name in ("unit", *trial.structure.factors) if name in heads]
    if "flush" not in heads or not names:
        return np.zeros(n, dtype=bool)
    blocks = list(zip(*(_stripped(opened, heads[name]) for name in names), strict=True))
    numbers = [_flush(text, trial.flushes) for text in _stripped(opened, heads["flush"])]
    lost: dict[tuple[str, ...], int] = {}
    for block, flush, word in zip(blocks, numbers, status, strict=True):
        if STATUS.get(word.casefold()) in LOST and flush:
            lost[block] = min(flush, lost.get(block, flush))
    return np.array([lost.get(b, f) < f for b, f in zip(blocks, numbers, strict=True)], dtype=bool)


def _other_codes(reading: Reading) -> dict[str, str]:
    """Give unit codes written with another name of a chamber (or other unit) → the code here."""
    trial = reading.trial
    names = {factor: dict(other) for factor, other in trial.aliases.items()}
    if "chamber" in trial.levels:
        given = {k: v for k, v in reading.spec.chamber.items() if v in trial.levels["chamber"]}
        names["chamber"] = given | names.get("chamber", {})
    names = {factor: other for factor, other in names.items() if other}
    if not names:
        return {}
    units = trial.unit_table()
    out: dict[str, str] = {}
    for row in units.to_dict("records"):
        ways = [
            [row[f], *(other for other, level in names.get(f, {}).items() if level == row[f])]
            for f in trial.structure.factors
        ]
        out |= {"-".join(parts): str(row["unit"]) for parts in product(*ways)}
    return {other: code for other, code in out.items() if other != code}


def _units(
    opened: Opened, trial: Trial, factors: list[str], codes: list[str], also: dict[str, str]
) -> np.ndarray:
    """Match unit codes; unknown ones are set aside with the nearest right ones."""
    import pyarrow as pa
    import pyarrow.compute as pc

    heads, raw = opened.columns.heads, opened.raw
    if "unit" in heads:
        head = heads["unit"]
        column = raw.columns[head]
    elif all(f in heads for f in factors):
        head = " + ".join(heads[f] for f in factors)
        cells = [
            pc.utf8_trim_whitespace(pc.cast(raw.columns[heads[f]], pa.string())) for f in factors
        ]
        column = pc.binary_join_element_wise(*cells, "-") if len(cells) > 1 else cells[0]
    else:
        raise LogError(
            f"{raw.name}: no column says which unit was weighed "
            f'→ name it: columns = {{ unit = "…" }} in [logs.harvest], or give {", ".join(factors)}'
        )
    names = match_names(column, codes, also=also)
    cells_of = np.array([*names.cells, ""], dtype=object)[names.cell_of]
    unknown = np.flatnonzero(names.codes < 0)
    if len(unknown):
        hints = {c: unit_hint(c, trial, codes) for c in set(cells_of[unknown])}
        opened.account.set_aside(
            unknown,
            rule="unknown unit",
            column=head,
            old=cells_of[unknown],
            keepable=False,
            reason=message("row_reason.unknown_unit"),
            remedy=[hints[c] for c in cells_of[unknown]],
        )
    _report_tidied(opened, head, names.tidied, cells_of)
    return names.codes


def _report_tidied(opened: Opened, head: str, tidied: dict[str, str], cells: np.ndarray) -> None:
    told = np.flatnonzero([c in tidied and c.strip() != tidied[c] for c in cells])
    told = told[opened.account.alive[told]]
    if len(told):
        opened.account.change(
            told,
            rule="unit code tidied",
            column=head,
            old=cells[told],
            new=[tidied[c] for c in cells[told]],
            reason=message("row_reason.spelling"),
        )


def _flushes(reading: Reading, opened: Opened) -> np.ndarray:
    raw, most = opened.raw, reading.trial.flushes
    head = opened.columns.heads.get("flush")
    if head is None:
        if most == 1:
            return np.ones(raw.n, np.int64)
        raise LogError(
            f"{raw.name}: no column says which flush was weighed, and the trial has {most} "
            '→ name it: columns = { flush = "…" } in [logs.harvest]'
        )
    texts, codes = encode_cells(raw.columns[head])
    read = np.array([_flush(t, most) for t in texts] or [0], dtype=np.int64)
    flush = read[codes]
    bad = np.flatnonzero(flush < 1)
    if len(bad):
        cells = np.array(texts, dtype=object)[codes[bad]]
        opened.account.set_aside(
            bad,
            rule="flush unreadable",
            column=head,
            old=cells,
            keepable=False,
            reason=message("row_reason.flush_unreadable", most=most),
            remedy=message("row_remedy.flush_unreadable"),
        )
    return np.asarray(flush)


def _flush(text: str, most: int) -> int:
    found = _FLUSH.fullmatch(text.strip())
    value = int(found[1]) if found else 0
    return value if 1 <= value <= most else 0


def _status(opened: Opened, cells: np.ndarray) -> np.ndarray:
    """Read the state of the block; a word that is not known sets the row aside."""
    out = np.full(len(cells), "ok", dtype=object)
    head: Any = opened.columns.heads.get("status", "")
    unknown = []
    for i, word in enumerate(cell.casefold() for cell in cells):
        if word in STATUS:
            out[i] = STATUS[word]
        elif word not in BLANKS:
            unknown.append(i)
    if unknown:
        opened.account.set_aside(
            np.array(unknown),
            rule="status unknown",
            column=head,
            old=cells[unknown],
            reason=message("row_reason.status_unknown"),
            remedy=message("row_remedy.status_unknown"),
        )
    return out
