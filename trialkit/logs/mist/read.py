"""`read_mist`: when the mist was on, from switching events, relay states, power or intervals."""

from __future__ import annotations

from typing import Any

import numpy as np

from trialkit.columns import house_unit
from trialkit.errors import LogError
from trialkit.logs.cache import read_cached
from trialkit.logs.heads import WideColumn
from trialkit.logs.log import Log
from trialkit.logs.mapping.propose import advise_columns
from trialkit.logs.mist.intervals import close_pulses
from trialkit.logs.mist.switches import Switches
from trialkit.logs.number_column import read_number_column
from trialkit.logs.opening import Opened, Reading, for_each_file, start_reading
from trialkit.logs.row_origins import chamber_of_column, chambers_of_rows, refuse_two_columns
from trialkit.logs.text.arrow import encode_cells
from trialkit.logs.text.numbers import BLANKS, read_numbers
from trialkit.logs.text.on_off import OFF, ON
from trialkit.logs.time_column import read_times, tell_stayed
from trialkit.right_kind import check_kinds
from trialkit.trial import Trial
from trialkit.wording import finding, message

#: Columns that hold samples, not switching.
_SAMPLED = ("power_w", "current_a")


def read_mist(trial: Trial, *, cache: bool = True) -> Log:
    """Read when the mist was on in each chamber, with an account of every row.

    From on/off events, relay states sampled or logged on change, sampled electrical power
    (on above ``power_on_w``, or half the fogger's power in ``[rig]``) or current (on above
    ``current_on_a``), or intervals with start and stop or length. It says what was switched, not
    whether vapour came out.

    Parameters
    ----------
    trial : Trial
        Its ``[logs.mist]`` names files, columns, units and clock.
    cache : bool
        Whether to use and keep results in the folder's ``.cache`` (see `trialkit.logs.cache`).

    Returns
    -------
    Log
        `table`: intervals with mist on: ``chamber, start, stop`` (UTC), ``on_s`` [s], ``file``;
        sorted by chamber and start, not overlapping. `spans` says what each file covers.

    Raises
    ------
    LogError
        If files are missing or cannot be read at all, a chamber, a column or the power that
        counts as on cannot be found, or day and month cannot be told apart.

    Examples
    --------
    >>> import trialkit as tk
    >>> log = tk.read_mist(tk.read_trial(tk.demo_folder()))
    >>> bool((log.table["stop"] > log.table["start"]).all())
    True
    """
    check_kinds("read_mist", trial=trial)
    if "chamber" not in trial.levels:
        raise LogError(
            "the trial has no chambers, so mist logs belong to nothing "
            "→ add chamber to the unit structure, or leave out [logs.mist]"
        )
    return read_cached(trial, "mist", lambda: _read(trial), cache=cache)


def _read(trial: Trial) -> Log:
    """Read file by file: places, times, states. Then, across files: intervals and doubts."""
    reading = start_reading(trial, "mist", advise_columns)
    found: list[Switches] = []
    for_each_file(reading, lambda opened: found.extend(_read_file(reading, opened)))
    table, spans = close_pulses(reading, found)
    reading.findings += reading.account.tell_doubled()
    reading.findings += tell_stayed(reading.stayed, reading.kind)
    return reading.close(table, spans)


def _read_file(reading: Reading, opened: Opened) -> list[Switches]:
    if opened.columns.wide:
        return _read_wide(reading, opened)
    heads = opened.columns.heads
    chambers = reading.trial.levels["chamber"]
    also = reading.trial.aliases.get("chamber")
    chamber = chambers_of_rows(opened, chambers, reading.spec.chamber, reading.kind, also)
    if "start" in heads:
        return [_read_intervals(reading, opened, chamber)]
    several = len(np.unique(chamber)) > 1
    times = read_times(reading, opened, groups=chamber if several else None)
    if "state" in heads:
        on, sampled = _states(opened, heads["state"]), False
    else:
        column = next(c for c in _SAMPLED if c in heads)
        on, sampled = _powered(reading, opened, column, heads[column]), True
    kept = np.flatnonzero(opened.account.alive[: opened.raw.n] & times.ok)
    return [
        Switches(opened.account, kept, chamber[kept], times.utc[kept], on[kept], sampled=sampled)
    ]


def _states(opened: Opened, head: str) -> np.ndarray:
    """Read words for on and off; rows with other words are set aside."""
    texts, codes = encode_cells(opened.raw.columns[head])
    words = [t.strip().casefold() for t in texts]
    state = np.array([1 if w in ON else 0 if w in OFF else -1 for w in words] or [0])[codes]
    odd = np.flatnonzero(state < 0)
    if len(odd):
        cells = np.array(texts, dtype=object)[codes[odd]]
        blank = np.array([c.strip().casefold() in BLANKS for c in cells])
        opened.account.set_aside(
            odd,
            rule="state unreadable",
            column=head,
            old=cells,
            keepable=False,
            reason=[message(f"row_reason.state_{'blank' if b else 'word'}") for b in blank],
            remedy=message("row_remedy.state"),
        )
    return np.asarray(state == 1)


def _threshold(reading: Reading, column: str, file: str) -> float:
    """Give the power or current above which mist counts as on."""
    spec, fogger = reading.spec, reading.trial.rig.fogger_w
    if column == "current_a":
        if spec.current_on_a is not None:
            return spec.current_on_a
        raise LogError(
            f"{file}: holds current, but nothing says which current means mist "
            "→ add current_on_a to [logs.mist]"
        )
    if spec.power_on_w is not None:
        return spec.power_on_w
    if fogger:
        reading.findings.append(finding("power_threshold", "note", file=file, watts=fogger / 2))
        return fogger / 2
    raise LogError(
        f"{file}: holds power, but nothing says which power means mist "
        "→ add power_on_w to [logs.mist], or fogger_w to [rig]"
    )


def _powered(reading: Reading, opened: Opened, column: str, head: str) -> np.ndarray:
    """Say in which rows power or current is above what counts as on; rows without are set aside."""
    values = read_number_column(opened, column, head, house_unit(column))
    opened.account.set_aside(
        np.isnan(values),
        rule="no value",
        column=head,
        keepable=False,
        reason=message("row_reason.no_reading"),
    )
    return np.asarray(values > _threshold(reading, column, opened.raw.name))


def _read_intervals(reading: Reading, opened: Opened, chamber: np.ndarray) -> Switches:
    """Read rows that hold a start and a stop, or a start and a length."""
    raw, account, heads = opened.raw, opened.account, opened.columns.heads
    groups = chamber if len(np.unique(chamber)) > 1 else None
    start = read_times(reading, opened, parts=tuple(heads["start"].split(" + ")), groups=groups)
    if "stop" in heads:
        parts = tuple(heads["stop"].split(" + "))
        end = read_times(reading, opened, parts=parts, groups=groups)
        stop, ok = end.utc, start.ok & end.ok
    elif "on_s" in heads:
        unit = opened.columns.units.get("on_s")
        numbers = read_numbers(
            raw.columns[heads["on_s"]], house_unit("on_s"), unit=unit, decimal=raw.decimal
        )
        length = numbers.values
        account.set_aside(
            np.isnan(length),
            rule="no value",
            column=heads["on_s"],
            keepable=False,
            reason=message("row_reason.no_length"),
            remedy=message("row_remedy.no_length"),
        )
        ok = start.ok & ~np.isnan(length) & (np.abs(length) < 1e9)
        stop = start.utc + np.round(np.where(ok, length, 0) * 1e9).astype(np.int64)
    else:
        raise LogError(
            f"{raw.name}: has the start of the mist, but neither its stop nor its length "
            "→ map stop or on_s under columns in [logs.mist]"
        )
    wrong = np.flatnonzero(ok & (stop < start.utc) | (~ok & account.alive[: raw.n]))
    account.set_aside(
        wrong,
        rule="interval impossible",
        keepable=False,
        reason=message("row_reason.stops_before"),
        remedy=message("row_remedy.stops_before"),
    )
    kept = np.flatnonzero(account.alive[: raw.n] & ok)
    on = np.ones(len(kept), bool)
    return Switches(account, kept, chamber[kept], start.utc[kept], on, stop[kept])


def _read_wide(reading: Reading, opened: Opened) -> list[Switches]:
    """Read a file with one column of states (or of power) per chamber."""
    chambers, given = reading.trial.levels["chamber"], reading.spec.chamber
    also = reading.trial.aliases.get("chamber")
    times = read_times(reading, opened)
    read: list[tuple[int, np.ndarray, np.ndarray, bool]] = []
    first: dict[tuple[int, str], tuple[WideColumn, np.ndarray]] = {}
    for w in opened.columns.wide:
        chamber = chamber_of_column(w, chambers, given, opened.raw.name, also)
        on, known = _wide_states(reading, opened, w.column, w.head)
        earlier = first.setdefault((chamber, w.column), (w, known))
        if earlier[0] is not w and np.any(known & earlier[1]):
            refuse_two_columns(reading, opened.raw.name, earlier[0], w)
        read.append((chamber, on, known, w.column in _SAMPLED))
    nothing = ~np.any([known for _, _, known, _ in read], axis=0)
    opened.account.set_aside(
        nothing,
        rule="no value",
        keepable=False,
        reason=message("row_reason.no_state"),
    )
    alive = opened.account.alive[: opened.raw.n] & times.ok
    out = []
    for code, on, known, sampled in read:
        kept = np.flatnonzero(alive & known)
        where = np.full(len(kept), code)
        out.append(
            Switches(opened.account, kept, where, times.utc[kept], on[kept], sampled=sampled)
        )
    return out


def _wide_states(
    reading: Reading, opened: Opened, column: str, head: str
) -> tuple[np.ndarray, np.ndarray]:
    """Give the state and whether it is known; unreadable cells are recorded, the row stays."""
    raw: Any = opened.raw
    if column in _SAMPLED:
        unit = opened.columns.units.get(column)
        numbers = read_numbers(
            raw.columns[head], house_unit(column), unit=unit, decimal=raw.decimal
        )
        on = numbers.values > _threshold(reading, column, raw.name)
        known, odd = ~np.isnan(numbers.values), numbers.unreadable
        cells = [numbers.cells[int(i)] for i in odd]
    else:
        texts, codes = encode_cells(raw.columns[head])
        words = [t.strip().casefold() for t in texts]
        states = [1 if w in ON else 0 if w in OFF else -2 if w in BLANKS else -1 for w in words]
        state = np.array(states or [0])[codes]
        on, known, odd = state == 1, state >= 0, np.flatnonzero(state == -1)
        cells = [texts[codes[i]] for i in odd]
    if len(odd):
        opened.account.change(
            odd,
            rule="state unreadable",
            column=head,
            old=cells,
            new="",
            reason=message("row_reason.state_word"),
            remedy=message("row_remedy.state"),
        )
    return np.asarray(on), np.asarray(known)
