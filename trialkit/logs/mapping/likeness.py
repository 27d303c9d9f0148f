"""How well a column of a file fits a column of the glossary, by its head and its cells."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from trialkit.columns import WITH_TEMPERATURE, house_unit
from trialkit.logs.heads import said_of_column
from trialkit.logs.mapping.head_words import LETTERS, named_score
from trialkit.logs.text.arrow import encode_cells
from trialkit.logs.text.names import match_names
from trialkit.logs.text.numbers import BLANKS, read_numbers
from trialkit.logs.text.on_off import is_state
from trialkit.logs.text.times import read_moments
from trialkit.trial import Trial
from trialkit.wording import Message, message

#: Score from which a column is proposed.
ENOUGH = 2.5
_RANGES = {
    "temp_c": (-10.0, 45.0),
    "rh_pct": (1.5, 101.0),
    "co2_ppm": (250.0, 20_000.0),
    "light_lux": (0.0, 150_000.0),
    "ppfd_umol_m2_s": (0.0, 2500.0),
    "power_w": (0.0, 1e5),
    "current_a": (0.0, 1e3),
    "on_s": (0.0, 1e6),
}
#: What the middle value of a column that no head names is at least.
_MIDDLES = {"temp_c": 2.0, "rh_pct": 30.0}
_SURE = 0.8
#: Rows from which a number of its own in each is a count, not the name of a place.
_FEW = 6
_DECIMAL = re.compile(r"[-+]?[0-9]+[.,][0-9]+")
_SMALL = re.compile(r"[0-9]{1,3}")  # a number of a flush


@dataclass(frozen=True)
class Likeness:
    """How well a column of a file fits a column of the glossary.

    Parameters
    ----------
    column, head : str
    score : float
        0 where it cannot be; from `ENOUGH` it is proposed.
    reason : Message or str
        Why, as the end of a sentence; empty where nothing tells.
    unit : str or None
        Unit the values seem to be in, where not the house unit.
    """

    column: str
    head: str
    score: float
    reason: Message | str
    unit: str | None = None


def find_likeness(
    trial: Trial, head: str, cells: Any, column: str, decimal: str | None, *, under: str = ""
) -> Likeness:
    """Judge by head and cells whether a column of a file is a column of the glossary.

    A unit that stands in a line `under` the heads counts as one in the head.
    """
    told = f"{head} ({under})" if under else head
    score, word = named_score(told, column, trial.columns)
    said = message("clue.head", word=word) if word else ""
    content, seen, unit = _content(trial, told, cells, column, decimal)
    if word in LETTERS and not _waver(cells, decimal):
        return Likeness(column, head, 0.0, seen)
    if unit in WITH_TEMPERATURE.get(column, ()) and content > 0:
        return Likeness(column, head, ENOUGH + 0.1, seen, unit)  # behind humidity read as such
    if content < 0 or (score == 0 and content < 3):
        return Likeness(column, head, 0.0, seen)
    clues = [part for part in (said, seen) if part]
    reason = message("clue.both", clues=clues) if clues else ""
    return Likeness(column, head, score + content, reason, unit)


def _content(
    trial: Trial, head: str, cells: Any, column: str, decimal: str | None
) -> tuple[float, Message | str, str | None]:
    """Judge the cells: below 0 they contradict, 3 or more they alone suffice."""
    texts, codes = encode_cells(cells)
    filled = np.array([t.strip().casefold() not in BLANKS for t in texts] or [False])[codes]
    if not filled.any():
        return 0.0, "", None
    if column in ("time", "start", "stop"):
        share = _share_times(head, cells, filled)
        return (3.0, message("clue.times"), None) if share > _SURE else (-1.0, "", None)
    if column in ("chamber", "sensor") and _are_readings(texts, codes, filled):
        return -1.0, "", None
    if column == "chamber":
        share = _share_names(cells, trial.levels.get("chamber", ()), filled)
        return (3.5, message("clue.chambers"), None) if share > _SURE else (0, "", None)
    if column == "shelf":
        share = _share_names(cells, trial.levels.get("shelf", ()), filled)
        return (3.0, message("clue.shelves"), None) if share > _SURE else (-1, "", None)
    if column == "unit":
        share = _share_names(cells, trial.unit_table()["unit"].tolist(), filled)
        return (4.0, message("clue.units"), None) if share > 0.5 else (-1.0, "", None)
    if column == "state":
        said = np.array([is_state(t) for t in texts] or [False])
        share = float(said[codes][filled].mean())
        return (2.5, message("clue.states"), None) if share > _SURE else (-1.0, "", None)
    if column == "flush" or column in _RANGES or column in trial.harvest_columns:
        return _numeric(trial, head, cells, column, decimal, filled)
    return 0.0, "", None


def _waver(cells: Any, decimal: str | None) -> bool:
    """Whether cells go up and down and have decimals, as what is measured does and a count not."""
    values = read_numbers(cells, "", unit=None, decimal=decimal).values
    values = values[~np.isnan(values)]
    steps = np.diff(values)
    return bool((steps > 0).any() and (steps < 0).any() and (values % 1 > 0).any())


def holds_moments(head: str, cells: Any) -> bool:
    """Whether a column by itself holds moments with a time of day."""
    import pyarrow as pa

    if pa.types.is_timestamp(cells.type):
        return True
    if not pa.types.is_string(cells.type) or not len(cells):
        return False
    serial = named_score(head, "time")[0] > 0
    either = [read_moments(cells, day_first=first, serial=serial) for first in (True, False)]
    return any((found.ok & ~found.date_only).mean() > _SURE for found in either)


def _share_times(head: str, cells: Any, filled: np.ndarray) -> float:
    import pyarrow as pa
    import pyarrow.compute as pc

    if pa.types.is_timestamp(cells.type) or pa.types.is_date(cells.type):
        return 1.0
    if not pa.types.is_string(cells.type):
        cells = pc.cast(cells, pa.string())
    serial = named_score(head, "time")[0] > 0  # day counts look like other numbers
    moments = read_moments(cells, day_first=True, serial=serial)
    other = read_moments(cells, day_first=False, serial=serial)
    return float((moments.ok | other.ok)[filled].mean())


def _are_readings(texts: Sequence[str], codes: np.ndarray, filled: np.ndarray) -> bool:
    """Whether cells are measured or counted, so that they name nothing."""
    decimal = np.array([_DECIMAL.fullmatch(t.strip()) is not None for t in texts] or [False])
    figures = np.array([t.strip().isdecimal() for t in texts] or [False])
    n = int(filled.sum())
    counted = len(np.unique(codes[filled])) == n > _FEW and bool(figures[codes][filled].all())
    return counted or bool(decimal[codes][filled].mean() > _SURE)


def _share_names(cells: Any, known: Sequence[str], filled: np.ndarray) -> float:
    if not known:
        return 0.0
    return float((match_names(cells, known).codes >= 0)[filled].mean())


def _numeric(
    trial: Trial, head: str, cells: Any, column: str, decimal: str | None, filled: np.ndarray
) -> tuple[float, Message | str, str | None]:
    if column == "flush":
        texts, codes = encode_cells(cells)
        # a mark such as \x1c is a blank to `strip` and none to `int`
        bare = [t.strip() for t in texts]
        whole = [_SMALL.fullmatch(t) is not None and 1 <= int(t) <= trial.flushes for t in bare]
        share = float(np.array(whole or [False])[codes][filled].mean())
        return (
            (0.5, message("clue.flushes", most=trial.flushes), None)
            if share > _SURE
            else (-1.0, "", None)
        )
    house = house_unit(column, trial.columns)
    said = said_of_column(column, head, trial.columns, trial.levels.get("chamber", ()))
    if said.strange:
        return -1.0, "", None
    told = said.unit
    vapour = told in WITH_TEMPERATURE.get(column, ())
    # vapour is judged as it is written: what it becomes takes the temperature beside it
    house, unit = (str(told), None) if vapour else (house, told)
    numbers = read_numbers(cells, house, unit=unit, decimal=decimal)
    sound = numbers.values[~np.isnan(numbers.values)]
    if not len(sound) or len(sound) < _SURE * filled.sum():
        return -1.0, "", None
    if vapour:
        ends = {"low": float(sound.min()), "high": float(sound.max())}
        return 0.5, message("clue.values_unit", unit=told, **ends), told
    low, high = _likely_range(trial, column)
    middle, top = float(np.median(sound)), float(sound.max())
    written = read_numbers(cells, house, unit=None, decimal=decimal).values
    ends = {"low": float(np.nanmin(written)), "high": float(np.nanmax(written))}
    if told is None and column == "temp_c" and 45 < middle < 110:
        return 0.5, message("clue.fahrenheit", **ends), "degF"
    if told is None and column == "rh_pct" and top <= 1.0:
        return 0.5, message("clue.fractions", **ends), "fraction"
    if not low <= middle <= high:
        return -1.0, "", None
    form = "values_unit" if told else "values"
    return 0.5, message(f"clue.{form}", unit=told or "", **ends), told


def could_be(
    trial: Trial, cells: Any, column: str, decimal: str | None
) -> tuple[float, float] | None:
    """Give the ends of the values of a column that may be temperature or humidity; else None.

    Every value must be likely, and they must differ and not count up or down.
    """
    numbers = read_numbers(cells, house_unit(column, trial.columns), unit=None, decimal=decimal)
    sound = numbers.values[~np.isnan(numbers.values)]
    if len(sound) < max(_SURE * len(cells), 3):
        return None
    steps = np.diff(sound)
    low, high = _RANGES[column]
    middle = _MIDDLES.get(column, low)
    counts = not ((steps > 0).any() and (steps < 0).any())
    if counts or sound.min() < low or sound.max() > high or np.median(sound) < middle:
        return None
    return float(sound.min()), float(sound.max())


def _likely_range(trial: Trial, column: str) -> tuple[float, float]:
    entry = trial.harvest_columns.get(column)
    return _RANGES[column] if entry is None else (entry.possible[0], entry.likely_most)
