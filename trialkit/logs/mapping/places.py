"""Which chamber a file, a sensor or a numbered column is of, where the file does not tell."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from trialkit.errors import LogError
from trialkit.logs.heads import plain_head
from trialkit.logs.mapping.proposal import Question
from trialkit.logs.row_origins import chamber_of_file
from trialkit.logs.text.chosen_cells import chosen_word, is_choice
from trialkit.logs.text.names import match_names
from trialkit.logs.text.raw_table import RawTable
from trialkit.trial import Trial
from trialkit.wording import message, several

#: Most names that are asked about one by one.
_MOST = 24


def file_tells(trial: Trial, kind: str, table: RawTable) -> bool:
    """Whether the name of a file says which chamber it is from."""
    try:
        chamber_of_file(
            table.name, trial.levels["chamber"], None, kind, trial.aliases.get("chamber")
        )
    except (LogError, KeyError):
        return False
    return True


def ask_chamber(trial: Trial, kind: str, table: RawTable) -> Question | None:
    """Ask which chamber a file is from; None where its name tells."""
    if file_tells(trial, kind, table):
        return None
    line = f'chamber = {{ "{table.name}" = "…" }}'
    shown = {"first": "", "last": ""}
    if table.n:
        cells = next(iter(table.columns.values()))
        shown = {"first": str(cells[0]), "last": str(cells[table.n - 1])}
    said = message("question.chamber", file=table.name, line=line, rows=table.n, **shown)
    choices = ((c, {"chamber": {table.name: c}}) for c in trial.levels["chamber"])
    return Question(said, tuple(choices))


def ask_places(
    trial: Trial, names: Sequence[str], where: str, given: Mapping[str, Any] | None = None
) -> list[Question]:
    """Ask which chamber each of some names is, one question a name.

    Parameters
    ----------
    trial : Trial
    names : sequence of str
        As written in the cells of a column, or in the heads that differ by them alone.
    where : str
        The head or the pattern of heads that has them.
    given : mapping, optional
        Keys that any answer sets beside the chamber.
    """
    chambers = trial.levels["chamber"]
    if len(names) > _MOST:
        shown = several([repr(n) for n in names], 12)
        return [Question(message("question.places", names=shown, head=where))]
    out = []
    for name in names:
        likely = likely_chamber(chambers, name)
        key, guess = ("place", "…") if likely is None else ("place_likely", chambers[likely])
        line = f'chamber = {{ "{name}" = "{guess}" }}'
        said = message(f"question.{key}", name=name, head=where, line=line, likely=guess)
        known = tuple((c, {**(given or {}), "chamber": {name: c}}) for c in chambers)
        out.append(Question(said, (*known, (message("answer.none"), {})), likely))
    return out


def likely_chamber(chambers: Sequence[str], name: str) -> int | None:
    """Give the position of the one chamber whose code ends in the number that ends a name.

    Examples
    --------
    >>> likely_chamber(["Z1", "Z2", "Z11"], "1"), likely_chamber(["A1", "B1"], "1")
    (0, None)
    """
    number = _last_number(name)
    fits = [k for k, chamber in enumerate(chambers) if _last_number(chamber) == number]
    return fits[0] if number is not None and len(fits) == 1 else None


def _last_number(name: str) -> int | None:
    found = re.search(r"([0-9]{1,9})\s*$", name)
    return int(found[1]) if found else None


def strange_names(trial: Trial, cells: Any) -> list[str]:
    """Give the names in a column that are none of the trial's chambers, in their order."""
    also = trial.aliases.get("chamber")
    found = match_names(cells, trial.levels["chamber"], also=also)
    strange = {found.cells[int(k)] for k in set(found.cell_of[found.codes < 0].tolist())}
    return [cell for cell in dict.fromkeys(found.cells) if cell in strange and cell.strip()]


def part_by_place(heads: Sequence[str]) -> tuple[str, list[str]] | None:
    """Give the pattern of heads that differ in one word or number alone, and what they differ in.

    Examples
    --------
    >>> part_by_place(["CH1 Temp", "CH2 Temp"])
    ('CH{chamber} Temp', ['1', '2'])
    >>> part_by_place(["Temp", "Temp 2"]) is None
    True
    """
    pieces = [re.findall(r"\d+|[^\W\d_]+|[\W_]+", re.sub(r"\s+", " ", h.strip())) for h in heads]
    if len({len(p) for p in pieces}) != 1 or any("{" in h for h in heads):
        return None
    differ = [k for k in range(len(pieces[0])) if len({plain_head(p[k]) for p in pieces}) > 1]
    if len(differ) != 1 or not pieces[0][differ[0]].strip(" _-").isalnum():
        return None
    at = differ[0]
    names = [p[at] for p in pieces]
    if len({plain_head(n) for n in names}) != len(names):
        return None
    return "".join((*pieces[0][:at], "{chamber}", *pieces[0][at + 1 :])), names


def patterns_of_places(trial: Trial, sample: dict[str, Any]) -> dict[str, list[str]]:
    """Give patterns with ``{chamber}`` and the heads that fit them."""
    chambers = sorted(trial.levels.get("chamber", ()), key=len, reverse=True)
    patterns: dict[str, list[str]] = {}
    for head in sample:
        for chamber in chambers:
            at = _place_of(chamber, head)
            if at >= 0:
                pattern = head.strip()[:at] + "{chamber}" + head.strip()[at + len(chamber) :]
                patterns.setdefault(pattern, []).append(head)
                break
    return {p: heads for p, heads in patterns.items() if len(heads) > 1 or is_choice(p)}


def _place_of(chamber: str, head: str) -> int:
    """Say where a head names a chamber, as a word of its own or else at all; -1 where nowhere."""
    plain, name = plain_head(head), chamber.casefold()
    start = len(plain) - len(plain_head(chosen_word(head)))  # what is named last counts
    word = re.search(rf"(?<![^\W_]){re.escape(name)}(?![^\W_])", plain[start:])
    at = word.start() if word else plain[start:].find(name)
    return at + start if at >= 0 else at
