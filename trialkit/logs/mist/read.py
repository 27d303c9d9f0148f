"""`read_mist`: when the mist was on, from switching events, relay states, power or intervals."""

from __future__ import annotations

from typing import Any

import numpy as np

from trialkit.columns import house_unit
from trialkit.errors import LogError
from trialkit.logs.cache import read_cached
from trialkit.logs.chamber_column import match_chambers
from trialkit.logs.clock_findings import report_clocks
from trialkit.logs.file_chamber import chamber_of_file
from trialkit.logs.log import Log
from trialkit.logs.mist.intervals import close_pulses
from trialkit.logs.mist.switches import Switches
from trialkit.logs.opening import for_each_file, start_reading
from trialkit.logs.reading import Opened, Reading, tell_doubled
from trialkit.logs.text.arrow import encode_cells
from trialkit.logs.text.names import suggest
from trialkit.logs.text.numbers import BLANKS, read_numbers
from trialkit.logs.text.on_off import OFF, ON
from trialkit.logs.time_column import read_times
from trialkit.trial import Trial
from trialkit.wording import message

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
    if "chamber" not in trial.levels:
        raise LogError(
            "the trial has no chambers, so mist logs belong to nothing "
            "→ add chamber to the unit structure, or leave out [logs.mist]"
        )
    return read_cached(trial, "mist", lambda: _read(trial), cache=cache)


def _read(trial: Trial) -> Log:
    reading = start_reading(trial, "mist")
    found: list[Switches] = []
    for_each_file(reading, lambda opened: found.extend(_read_file(reading, opened)))
    table, spans = close_pulses(reading, found)
    tell_doubled(reading)
    report_clocks(reading, [])
    ledger, idle = reading.account.close()
    findings = (*reading.findings, *idle)
    return Log("mist", table, ledger, findings, tuple(reading.files), spans=spans)


def _read_file(reading: Reading, opened: Opened) -> list[Switches]:
    if opened.columns.wide:
        return _read_wide(reading, opened)
    heads = opened.columns.heads
    chamber = _chambers(reading, opened)
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


def _chambers(reading: Reading, opened: Opened) -> np.ndarray:
    heads, chambers = opened.columns.heads, reading.trial.levels["chamber"]
    if "chamber" in heads:
        return match_chambers(reading, opened, heads["chamber"])
    name = chamber_of_file(opened.raw.name, chambers, reading.spec.chamber, reading.kind)
    return np.full(opened.raw.n, chambers.index(name))


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
            odd, rule="state unreadable", column=head, old=cells, keepable=False,
            reason=[message(f"row_reason.state_{'blank' if b else 'word'}") for b in blank],
            remedy=message("row_remedy.state"),
        )  # fmt: skip
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
        reading.find("power_threshold", "note", file=file, watts=fogger / 2)
        return fogger / 2
    raise LogError(
        f"{file}: holds power, but nothing says which power means mist "
        "→ add power_on_w to [logs.mist], or fogger_w to [rig]"
    )


def _powered(reading: Reading, opened: Opened, column: str, head: str) -> np.ndarray:
    raw, account = opened.raw, opened.account
    unit = opened.columns.units.get(column)
    numbers = read_numbers(raw.columns[head], house_unit(column), unit=unit, decimal=raw.decimal)
    for index, rule, reason in (
        (numbers.unreadable, "value unreadable", message("row_reason.not_a_number")),
        (numbers.with_unit, "written otherwise", message("row_reason.own_unit")),
    ):
        if len(index):
            new = ["" if np.isnan(v) else f"{v:.6g}" for v in numbers.values[index]]
            account.change(
                index, rule=rule, column=head, new=new, reason=reason,
                old=[numbers.cells[int(i)] for i in index],
                remedy=message("row_remedy.not_a_number") if rule[0] == "v" else "",
            )  # fmt: skip
    empty = np.flatnonzero(np.isnan(numbers.values))
    account.set_aside(
        empty, rule="no value", column=head, keepable=False,
        reason=message("row_reason.no_reading"),
    )  # fmt: skip
    return np.asarray(numbers.values > _threshold(reading, column, raw.name))


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
            np.isnan(length), rule="no value", column=heads["on_s"], keepable=False,
            reason=message("row_reason.no_length"), remedy=message("row_remedy.no_length"),
        )  # fmt: skip
        ok = start.ok & ~np.isnan(length) & (np.abs(length) < 1e9)
        stop = start.utc + np.round(np.where(ok, length, 0) * 1e9).astype(np.int64)
    else:
        raise LogError(
            f"{raw.name}: has the start of the mist, but neither its stop nor its length "
            "→ map stop or on_s under columns in [logs.mist]"
        )
    wrong = np.flatnonzero(ok & (stop < start.utc) | (~ok & account.alive[: raw.n]))
    account.set_aside(
        wrong, rule="interval impossible", keepable=False,
        reason=message("row_reason.stops_before"), remedy=message("row_remedy.stops_before"),
    )  # fmt: skip
    kept = np.flatnonzero(account.alive[: raw.n] & ok)
    on = np.ones(len(kept), bool)
    return Switches(account, kept, chamber[kept], start.utc[kept], on, stop[kept])


def _read_wide(reading: Reading, opened: Opened) -> list[Switches]:
    """Read a file with one column of states (or of power) per chamber."""
    chambers = reading.trial.levels["chamber"]
    given = {k.casefold(): v for k, v in reading.spec.chamber.items()}
    times = read_times(reading, opened)
    read: list[tuple[int, np.ndarray, np.ndarray, bool]] = []
    for w in opened.columns.wide:
        name = w.chamber if w.chamber in chambers else given.get(w.chamber.casefold(), "")
        if name not in chambers:
            raise LogError(
                f"{opened.raw.name}: the column {w.head!r} belongs to {w.chamber!r}, which is no "
                f"chamber → {suggest(w.chamber, chambers)}"
            )
        on, known = _wide_states(reading, opened, w.column, w.head)
        read.append((chambers.index(name), on, known, w.column in _SAMPLED))
    nothing = ~np.any([known for _, _, known, _ in read], axis=0)
    opened.account.set_aside(
        nothing, rule="no value", keepable=False,
        reason=message("row_reason.no_state"),
    )  # fmt: skip
    alive = opened.account.alive[: opened.raw.n] & times.ok
    out = []
    for code, on, known, sampled in read:
        kept = np.flatnonzero(alive & known)
        chamber = np.full(len(kept), code)
        out.append(
            Switches(opened.account, kept, chamber, times.utc[kept], on[kept], sampled=sampled)
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
            odd, rule="state unreadable", column=head, old=cells, new="",
            reason=message("row_reason.state_word"), remedy=message("row_remedy.state"),
        )  # fmt: skip
    return np.asarray(on), np.asarray(known)
