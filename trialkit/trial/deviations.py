"""What was done otherwise than planned, as the trial file tells it under `[[happened]]`."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Literal

from pydantic import StrictBool

from trialkit.trial.sections import Moment, Section, Setting

Kind = Literal["got", "swapped", "setting", "moved", "given_up", "renamed", "added"]
#: What an entry may tell: each has exactly one of these keys.
KINDS: tuple[Kind, ...] = ("got", "swapped", "setting", "moved", "given_up", "renamed", "added")
#: Those that change what a unit received.
CHANGES = ("got", "swapped", "setting", "moved")


class HappenedSection(Section):
    """`[[happened]]`: one thing that went otherwise than planned, with its date and reason.

    `got` (with `unit`) is another level of the treatment, `setting` (with `unit`) one that is no
    level; `swapped` are two units whose timers were exchanged; `moved` (with `to`) is a block and
    where it went; `given_up` a run, a batch or a chamber; `renamed` (with `to`) a name and the
    other one for the same thing; `added` a chamber or another unit that was not there before.
    """

    on: Moment
    reason: str
    until: Moment | None = None
    because_of_harvest: StrictBool | None = None
    treatment: str | None = None
    unit: str | None = None
    got: str | None = None
    swapped: list[str] | None = None
    setting: Setting | None = None
    moved: str | None = None
    given_up: str | None = None
    renamed: str | None = None
    added: str | None = None
    to: str | None = None


@dataclass(frozen=True)
class Deviation:
    """One entry of `[[happened]]`, checked.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    on, until : datetime
        From when and, where it ended, to when it held (UTC).
    reason : str
    connected : bool or None
        Whether it was done because of the harvest; None where the file does not say.
    number : int
        Its place among the entries, from 1.
    treatment : str
        The treatment whose level changed; empty where none did.
    units : tuple of dict
        What it is about: unit factor → level; two where timers were swapped.
    level : str
        The level received (`got`).
    setting : Setting or None
        The setting received that is no level.
    names : tuple of str
        For `renamed`: the name in the unit structure and the other one.
    to : dict
        For `moved`: unit factor → level of the place it went to.
    """

    kind: Kind
    on: dt.datetime
    reason: str
    until: dt.datetime | None = None
    connected: bool | None = None
    number: int = 1
    treatment: str = ""
    units: tuple[dict[str, str], ...] = ()
    level: str = ""
    setting: Setting | None = None
    names: tuple[str, ...] = ()
    to: tuple[tuple[str, str], ...] = ()

    @property
    def changes_treatment(self) -> bool:
        """Whether it changes what some unit received."""
        return self.kind in CHANGES

    def holds_at(self, moment: dt.datetime) -> bool:
        """Tell whether it held at a moment."""
        return self.on <= moment and (self.until is None or moment < self.until)

    def about(self, unit: dict[str, str], which: int = 0) -> bool:
        """Tell whether a unit is one of those it is about."""
        return all(unit.get(name) == level for name, level in self.units[which].items())
