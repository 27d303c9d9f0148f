"""One hostile file read, and what is wrong with how it was read, if anything."""

from __future__ import annotations

import contextlib
import itertools
import re
import resource
import signal
import sys
import time
import traceback
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from trialkit.errors import TrialkitError
from trialkit.logs.climate.read import read_environment
from trialkit.logs.harvest.read import read_harvest
from trialkit.logs.log import Log
from trialkit.logs.mist.read import read_mist
from trialkit.trial import Trial, read_trial

READERS = {"environment": read_environment, "harvest": read_harvest, "mist": read_mist}
FAULTS = ("traceback", "unequal account", "invented value", "over time", "over memory", "words")
#: Bounds of one file of at most a few hundred kilobytes; the seconds are the processor's.
MOST_S, MOST_MB = 20.0, 1000.0
_ZONE = "Europe/Vienna"
_NUMBER = re.compile(r"[-+−]?\d[\d.,'’ \u00a0\u202f]*(?:[eE][-+]?\d+)?")
_BARE_POINT = re.compile(r"[-+−]?[.,]\d+(?:[eE][-+]?\d+)?")
_PASTE = re.compile(r"(?:columns|chamber|sensor|units|files) = ")


@dataclass(frozen=True)
class Outcome:
    """What became of one file: read, refused, or one of `FAULTS` with what was seen."""

    result: str
    detail: str = ""


class OverTimeError(BaseException):
    """The reader took longer than it may."""


@contextlib.contextmanager
def within(seconds: float) -> Iterator[None]:
    """Stop what computes for longer, or stands still for ten times as long.

    What counts is the processor's time: on a busy machine a clock on the wall runs on.
    """

    def stop(*_: object) -> None:
        raise OverTimeError

    timers = {signal.SIGPROF: signal.ITIMER_PROF, signal.SIGALRM: signal.ITIMER_REAL}
    before = {sign: signal.signal(sign, stop) for sign in timers}
    signal.setitimer(signal.ITIMER_PROF, seconds)
    signal.setitimer(signal.ITIMER_REAL, 10 * seconds)
    try:
        yield
    finally:
        for sign, timer in timers.items():
            signal.setitimer(timer, 0)
            signal.signal(sign, before[sign])


def _peak_mb() -> float:
    unit = 1024 if sys.platform != "darwin" else 1024**2
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit


def judge_log(trial: Trial, kind: str, seen: list[str]) -> Outcome:
    """Read a log of a trial.

    Parameters
    ----------
    trial : Trial
    kind : str
    seen : list of str
        All lines of the file as an independent reading gives them, in every likely encoding.
    """
    log, outcome = _tried(lambda: READERS[kind](trial, cache=False))
    if log is None:
        return outcome
    summary = log.ledger.summary()
    if not log.ledger.adds_up or (summary["read"] != summary["kept"] + summary["set_aside"]).any():
        return Outcome("unequal account", str(summary.to_dict("records")))
    words = _too_long("\n".join(f"{f.message}\n{f.remedy}" for f in log.findings))
    if words:
        return Outcome("words", words)
    made_up = invented(log, kind, seen)
    return Outcome("invented value", made_up) if made_up else outcome


def judge_trial(folder: Path) -> Outcome:
    """Read a trial file, and show what was read."""
    trial, outcome = _tried(lambda: read_trial(folder))
    if trial is not None:
        _, shown = _tried(lambda: (str(trial), trial.unit_table(), trial._repr_html_()))
        return outcome if shown.result == "read" else shown
    return outcome


def _tried(work: Any) -> tuple[Any, Outcome]:
    before, start = _peak_mb(), time.process_time()
    try:
        with within(MOST_S):
            out, result = work(), Outcome("read")
    except OverTimeError:
        return None, Outcome("over time", f"more than {MOST_S:g} s")
    except TrialkitError as problem:
        words = _too_long(str(problem))
        out, result = None, Outcome("words", words) if words else Outcome("refused", str(problem))
    except AssertionError as problem:
        kind = "unequal account" if "add up" in str(problem) else "traceback"
        return None, Outcome(kind, "".join(traceback.format_exception(problem)[-3:]))
    except Exception as problem:  # whatever it is, it is a fault
        return None, Outcome("traceback", "".join(traceback.format_exception(problem)[-4:]))
    if time.process_time() - start > MOST_S:
        return None, Outcome("over time", f"{time.process_time() - start:.1f} s")
    if _peak_mb() - before > MOST_MB:
        return None, Outcome("over memory", f"{_peak_mb() - before:.0f} MB")
    return out, result


def _too_long(words: str) -> str:
    """Give the first line of a message that is too long, or holds what a terminal obeys."""
    for line in words.split("\n"):
        if len(line) > 500 and not _PASTE.match(line):
            return f"{len(line)} letters: {line[:200]}"
    return ""


@dataclass(frozen=True)
class _Line:
    """What a line of a file may hold: its numbers, its groups of digits in their order."""

    numbers: frozenset[float]
    groups: tuple[int, ...]
    offset: bool
    clock: bool
    ordinal: frozenset[tuple[int, int]]  # years and days of the year, as 2031-019 (ISO 8601)


def _line(text: str) -> _Line:
    text = "".join(str(int(c)) if c.isdecimal() else c for c in text)
    offset = bool(re.search(r"[Zz+]|:\d\d-\d\d", text))
    clock = bool(re.search(r"\d:\d\d", text))
    days = re.findall(r"(?<!\d)(\d{4})-?(\d{3})(?!\d)", text)
    ordinal = frozenset((int(year), int(day)) for year, day in days)
    return _Line(frozenset(_numbers(text)), _groups(text), offset, clock, ordinal)


def invented(log: Log, kind: str, seen: list[str]) -> str:
    """Name a value of the table that stands in no line of the file; empty where all do."""
    table = log.table
    if not len(table):
        return ""
    lines = [_line(text) for text in dict.fromkeys(seen) if text.strip()]
    if any('"' in text for text in seen):  # a quotation mark may join lines
        lines.append(_line(" ".join(seen)))
    if kind == "mist":
        moments = pd.concat([table["start"], table["stop"]]).dropna()
        local = moments.dt.tz_convert(_ZONE)
        return next((f"{t}" for t in local if not any(_has_time(x, t) for x in lines)), "")
    names = ("temp_c", "rh_pct") if kind == "environment" else ("fresh_g",)
    for row in table.to_dict("records"):
        values = [row[n] for n in names if row.get(n) == row.get(n) and row.get(n) is not None]
        moment = row["time"]
        local = None if moment is pd.NaT else moment.tz_convert(_ZONE)
        day = kind == "harvest"
        fits = [x for x in lines if local is None or _has_time(x, local, date_only=day)]
        if any(all(_has(line.numbers, value) for value in values) for line in fits):
            continue
        # records of one moment that complete each other are joined in climate logs
        joined = kind == "environment" and len(values) > 1
        if not joined or not all(any(_has(x.numbers, v) for x in fits) for v in values):
            return f"{moment} {values}"
    return ""


def _numbers(line: str) -> set[float]:
    """Read every number that a line may hold, in any notation, and what units may make of it."""
    out: set[float] = set()
    for token in [*_NUMBER.findall(line), *_BARE_POINT.findall(line)]:
        pieces = {token, *re.split(r"[,'’ \u00a0\u202f]", token)}
        pieces |= set(re.split(r"[ \u00a0\u202f]", token))
        for piece in pieces:
            plain = re.sub(r"['’ \u00a0\u202f]", "", piece).replace("−", "-")
            forms = {plain, plain.replace(",", "."), plain.replace(",", ""), plain.replace(".", "")}
            forms |= {plain.replace(".", "").replace(",", "."), plain.strip(".,")}
            for form in forms:
                with contextlib.suppress(ValueError):
                    out.add(float(form))
    if re.search("[FfKk]", line):
        out |= {(x - 32) * 5 / 9 for x in out} | {x - 273.15 for x in out} | {x * 1000 for x in out}
    return out


def _groups(text: str) -> tuple[int, ...]:
    """Give the groups of digits in order; long ones, as in 20310114, in their parts too."""
    out: list[int] = []
    for digits in re.findall(r"\d+", text):
        if len(digits) <= 4:
            out.append(int(digits))
        if len(digits) in (4, 6):
            out += [int(digits[i : i + 2]) for i in range(0, len(digits), 2)]
        if len(digits) >= 8:
            out.append(int(digits[:4]))
            out += [int(digits[i : i + 2]) for i in range(4, min(len(digits), 14) - 1, 2)]
    return tuple(out)


def _has(numbers: frozenset[float], value: float) -> bool:
    return any(abs(x - value) <= 1e-6 * max(1.0, abs(value)) for x in numbers)


def _has_time(line: _Line, t: pd.Timestamp, *, date_only: bool = False) -> bool:
    days = [t] if date_only else [t, t - pd.Timedelta(days=1)]  # 24:00 is of the day before
    windows = [set(line.groups[i : i + 4]) for i in range(len(line.groups))]
    if line.offset and not date_only:
        days.append(t + pd.Timedelta(days=1))
    if not any((d.year, d.day_of_year) in line.ordinal for d in days) and not any(
        {d.month, d.day} <= w and (d.year in w or d.year % 100 in w) for d in days for w in windows
    ):
        return False
    if date_only or line.offset:  # with an offset of its own the hour is another here
        return True
    if t.hour == t.minute == 0 and not line.clock:
        return True  # a date alone is the beginning of its day
    hours = {t.hour, t.hour % 12 or 12} | ({24} if t.hour == 0 else set())
    following = list(itertools.pairwise(line.groups))
    return any(one in hours and two == t.minute for one, two in following)


def lines_of(data: bytes) -> list[str]:
    """Give the lines of a file, split in either way, in each encoding that it may have."""
    out: dict[str, None] = {}
    for encoding in ("utf-8", "latin-1", "utf-16-le", "utf-16-be", "cp437"):
        text = data.decode(encoding, errors="replace")
        for ends in (r"\r\n|\n|\r", r"[\n\r\x0b\x0c\x1c-\x1e\x85\u2028\u2029]"):
            out |= dict.fromkeys(re.split(ends, text))
    return list(out)
