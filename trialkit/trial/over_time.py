"""How treatments are spread over starts that follow one another: at random, by trend, in blocks.

A grower with one box compares schedules between starts, and whatever drifts over the year
(season, spawn, practice) would land in the answer. `[units] over_time` says what is done about
it; layout, strata, power and analysis all take it from here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from math import prod
from typing import TYPE_CHECKING

from trialkit.errors import Fault
from trialkit.structure import Term, parse_structure
from trialkit.trial.sections import OverTime
from trialkit.trial.text import Places, nearest
from trialkit.trial.trial import Factor, Trial

if TYPE_CHECKING:
    import pandas as pd

OVER_TIME: tuple[OverTime, ...] = ("random", "trend", "time blocks", "split deliveries")
#: Ways in which neighbouring starts form a block that holds each schedule once.
IN_BLOCKS = ("time blocks", "split deliveries")
BATCH, START = "batch", "start"  # a batch within its time block is called a start
TIME_BLOCK = "time_block"  #: column: neighbouring starts that hold each schedule once
START_NO = "start_no"  #: column: number of the start, counted from the middle of the trial


def over_starts(trial: Trial) -> dict[str, Factor]:
    """Give the treatments given to whole batches or chamber runs, whose order in time is drawn."""
    return {
        name: factor
        for name, factor in trial.factors.items()
        if factor.tuned is None
        and BATCH in factor.applied_to
        and set(factor.applied_to) <= {BATCH, "chamber"}
    }


def one_box(trial: Trial) -> bool:
    """Say whether treatments can only be compared between starts, one after the other."""
    terms = {factor.applied_to for factor in over_starts(trial).values()}
    alone = [prod(trial.counts[name] for name in term if name != BATCH) == 1 for term in terms]
    return len(terms) == 1 and all(alone)


def combinations_over_starts(trial: Trial) -> int:
    """Count the combinations of levels that are spread over starts."""
    return prod(len(factor.levels) for factor in over_starts(trial).values())


def in_time_blocks(trial: Trial) -> bool:
    """Say whether neighbouring starts form blocks."""
    return trial.over_time in IN_BLOCKS


def laid_out(trial: Trial) -> Trial:
    """Give the trial with its time blocks written into its unit structure.

    The batches are then starts within time blocks; their order stays the same. Other trials are
    given back as they are.

    Examples
    --------
    >>> import trialkit as tk
    >>> laid_out(tk.read_trial(tk.demo_folder())).structure.text
    '(batch * chamber) / shelf / block'
    """
    if not in_time_blocks(trial) or TIME_BLOCK in trial.structure.factors:
        return trial
    size = combinations_over_starts(trial)
    names = trial.levels[BATCH]
    blocks = tuple(f"W{i}" for i in range(1, len(names) // size + 1))
    text = "".join(
        f"({TIME_BLOCK} / {START})" if token == BATCH else token for token in trial.structure.tokens
    )
    structure = parse_structure(text)
    levels: dict[str, tuple[str, ...]] = {}
    for name, given in trial.levels.items():
        if name == BATCH:
            levels |= {TIME_BLOCK: blocks, START: tuple(f"S{i}" for i in range(1, size + 1))}
        else:
            levels[name] = given
    factors = {
        name: replace(f, applied_to=structure.term(_laid(f.applied_to)))
        for name, f in trial.factors.items()
    }
    return replace(trial, structure=structure, levels=levels, factors=factors)


def _laid(term: Term) -> Term:
    """Name a stratum in the structure with time blocks."""
    return tuple(
        part for name in term for part in ((TIME_BLOCK, START) if name == BATCH else (name,))
    )


def laid_name(trial: Trial, name: str) -> str:
    """Name a stratum as the laid-out structure has it: ``batch`` is a start in a time block."""
    if TIME_BLOCK not in trial.structure.factors:
        return name
    return ":".join(_laid(tuple(name.split(":"))))


def plain_name(term: Term) -> str:
    """Name a stratum as columns have it: a start in a time block is a batch.

    Examples
    --------
    >>> plain_name(("time_block", "start", "chamber")), plain_name(("time_block",))
    ('batch:chamber', 'time_block')
    """
    if START in term and TIME_BLOCK in term:
        return ":".join(BATCH if x == START else x for x in term if x != TIME_BLOCK)
    return ":".join(term)


def column_names(term: Term) -> str:
    """Join the columns that tell the units of a laid-out stratum apart.

    Examples
    --------
    >>> column_names(("time_block", "start", "chamber"))
    'time_block:batch:chamber'
    """
    return ":".join(BATCH if name == START and TIME_BLOCK in term else name for name in term)


def with_starts(trial: Trial, table: pd.DataFrame) -> pd.DataFrame:
    """Add what the layout over time puts into the model: the time block, or the start's number.

    Parameters
    ----------
    trial : Trial
    table : DataFrame
        With a column `batch`.

    Returns
    -------
    DataFrame
        The table itself where the layout needs neither; a copy with `time_block` (text) or
        `start_no` (counted from the middle of the trial) otherwise.
    """
    if trial.over_time == "random" or BATCH not in table:
        return table
    place = {name: i for i, name in enumerate(trial.levels[BATCH])}
    number = table[BATCH].astype(str).map(place)
    if trial.over_time == "trend":
        return table.assign(**{START_NO: number - (len(place) - 1) / 2})
    block = number // combinations_over_starts(trial) + 1
    return table.assign(**{TIME_BLOCK: "W" + block.astype(int).astype(str)})


def read_over_time(raw: object, places: Places, faults: list[Fault]) -> OverTime:
    """Read `over_time` under `[units]`; starts are laid out at random where it is left out."""
    given = raw.get("over_time", "random") if isinstance(raw, Mapping) else "random"
    for known in OVER_TIME:
        if given == known:
            return known
    listed = ", ".join(f'"{way}"' for way in OVER_TIME)
    what = f"over_time is one of {listed}, but it is {given!r}"
    faults.append(Fault(places.where("units", "over_time"), what, nearest(str(given), OVER_TIME)))
    return "random"


def check_over_time(trial: Trial, places: Places, faults: list[Fault]) -> None:
    """Refuse a layout over time that these units and treatments cannot have."""
    found = refusal(trial)
    if found is not None:
        what, do = found
        what = f'over_time = "{trial.over_time}": {what}'
        faults.append(Fault(places.where("units", "over_time"), what, do))


def refusal(trial: Trial) -> tuple[str, str] | None:
    """Say why a trial cannot have its layout over time, and what to do; None where it can."""
    if trial.over_time == "random" or TIME_BLOCK in trial.structure.factors:
        return None
    given = over_starts(trial)
    if trial.tuned:
        return "the settings of a range are spread by a rule of their own", "leave it out"
    if not given:
        return "no treatment is given to batches or chamber runs", "leave it out"
    bound = [n for n, f in given.items() if f.forbidden or f.apart or f.method != "auto"]
    if bound:
        why = f"{bound[0]} has forbidden, apart or a method of its own, which it cannot keep"
        return why, "leave one of the two out"
    if len({factor.applied_to for factor in given.values()}) > 1:
        return f"{' and '.join(given)} are given to different units", "leave it out"
    starts, held = trial.counts[BATCH], combinations_over_starts(trial)
    if trial.over_time == "trend":
        return _no_trend(trial, starts, held)
    return _no_time_blocks(trial, starts, held)


def _no_trend(trial: Trial, starts: int, held: int) -> tuple[str, str] | None:
    if not one_box(trial):
        why = "schedules are compared within each start, where no trend over starts reaches them"
        return why, "leave it out"
    if starts - held - 1 < 1:
        why = f"{starts} starts leave nothing to judge {held} schedules and a trend by"
        return why, f"plan {held + 2} batches or more"
    return None


def _no_time_blocks(trial: Trial, starts: int, held: int) -> tuple[str, str] | None:
    if any(factor.replication for factor in over_starts(trial).values()):
        why = "a block holds each schedule once, so that none can come more often"
        return why, "leave out replication"
    if not one_box(trial) and trial.counts.get("chamber", 1) > held:
        return "each start holds every schedule already", "leave it out"
    if starts % held:
        down, up = starts // held * held, (starts // held + 1) * held
        do = f"plan {up} batches" if down < 2 * held else f"plan {down} or {up} batches"
        return f"{starts} starts cannot be divided into blocks of {held}", do
    if starts < 2 * held:
        why = f"{starts} starts make one block, which leaves nothing to judge by"
        return why, f"plan {2 * held} batches or more"
    return None
