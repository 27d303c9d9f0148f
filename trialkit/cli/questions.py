"""The questions of `trialkit new`: each answer is checked when given, and asked again if wrong."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import typer

from trialkit.wording import message, spoken

Answers = dict[str, Any]
Check = Callable[[str, Answers], Any]


@dataclass(frozen=True)
class Question:
    """One question, the answer that is ready, and how an answer is understood.

    Parameters
    ----------
    name : str
        Its words stand in the catalogue at ``new.ask.<name>``.
    ready : str
        The answer that Enter gives.
    understand : callable
        Takes the text and the answers so far; gives the value, or raises ValueError with the
        reason.
    """

    name: str
    ready: str
    understand: Check

    def ask(self, answers: Answers) -> None:
        """Ask until the answer is understood; keep the text and what it means."""
        ready = answers.get(self.name, {}).get("text", self.ready)
        while True:
            words = str(message(f"new.ask.{self.name}"))
            text = str(typer.prompt(words, default=ready)).strip()
            try:
                answers[self.name] = {"text": text, "value": self.understand(text, answers)}
                return
            except ValueError as problem:
                typer.echo(f"  {problem}")


@dataclass
class Dialog:
    """All questions, asked in order, with the answers given so far.

    Parameters
    ----------
    time_zone : str
        The zone that the machine has.
    """

    time_zone: str
    answers: Answers = field(default_factory=dict)

    def questions(self) -> list[Question]:
        """Give the questions in their order."""
        say, none = spoken().text, spoken().text("new.none")
        return [
            Question("title", say("new.title"), _words),
            Question("species", say("new.species"), _words),
            Question("time_zone", self.time_zone, understand_zone),
            Question("chambers", "4", understand_chambers),
            Question("batches", "4", _count(1, 200)),
            Question("shelves", none, _shelves),
            Question("blocks", "6", _count(1, 500)),
            Question("flushes", "3", _count(1, 20)),
            Question("now", "20 s every 4 min", _setting),
            Question("versus", "20 s every 8 min", understand_schedules),
            Question("second", none, understand_second),
            Question("margin", "10", _margin),
        ]

    def ask_all(self) -> None:
        """Ask every question."""
        for question in self.questions():
            question.ask(self.answers)

    def change(self, number: int) -> None:
        """Ask one question again, by its number in the list."""
        self.questions()[number - 1].ask(self.answers)

    def listed(self) -> list[str]:
        """List the answers with their numbers."""
        return [
            f"{i:>2}  {message(f'new.short.{q.name}')}: {self.answers[q.name]['text']}"
            for i, q in enumerate(self.questions(), 1)
        ]

    def values(self) -> Answers:
        """Give what the answers mean, by name."""
        return {name: answer["value"] for name, answer in self.answers.items()}


def _wrong(key: str, **values: object) -> ValueError:
    return ValueError(str(message(f"new.wrong.{key}", **values)))


def is_none(text: str) -> bool:
    """Whether an answer means that there is none."""
    return text.strip().casefold() in {
        "",
        "-",
        "0",
        "no",
        "none",
        "nein",
        "keine",
        "keiner",
        spoken().text("new.none"),
    }


def _words(text: str, answers: Answers) -> str:
    if not text:
        raise _wrong("empty")
    return text


def understand_zone(text: str, answers: Answers) -> str:
    """Find the time zone of a city, a country or a zone's own name."""
    from trialkit.trial.zone_names import find_zone_names

    found = find_zone_names(text, spoken().language)
    if not found:
        raise _wrong("zone_unknown", text=text)
    if len(found) > 1:
        raise _wrong("zone_several", text=text, zones=found[:6])
    return found[0]


def _number_alone(text: str) -> str:
    """Give the number of an answer such as ``2 shelves``; other texts as they are.

    Examples
    --------
    >>> _number_alone("2 shelves"), _number_alone("4"), _number_alone("2nd, top")
    ('2', '4', '2nd, top')
    """
    match = re.fullmatch(r"(\d+)\s+[^\W\d]+", text.strip())
    return match[1] if match else text


def number_within(text: str, least: int, most: int) -> int | None:
    """Read a whole number that was typed; None where it is none or lies outside.

    Examples
    --------
    >>> number_within("4", 1, 200), number_within("²", 1, 200), number_within("9" * 5000, 1, 200)
    (4, None, None)
    """
    # no more than nine figures: thousands of them are more than Python turns into a number
    if not re.fullmatch(r"[0-9]{1,9}", text) or not least <= int(text) <= most:
        return None
    return int(text)


def _count(least: int, most: int) -> Check:
    def understand(text: str, answers: Answers) -> int:
        text = _number_alone(text)
        count = number_within(text, least, most)
        if count is None:
            raise _wrong("count", text=text, least=least, most=most)
        return count

    return understand


def understand_chambers(text: str, answers: Answers) -> int | list[str]:
    """Read a number of chambers, or their names."""
    text = _number_alone(text)
    if text.isdecimal():
        return int(_count(1, 200)(text, answers))
    return split_names(text)


def split_names(text: str) -> list[str]:
    """Read names with commas between them; none twice."""
    names = [part.strip() for part in text.split(",") if part.strip()]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise _wrong("twice", names=twice)
    if not names:
        raise _wrong("empty")
    return names


def _shelves(text: str, answers: Answers) -> list[str]:
    if is_none(text):
        return []
    text = _number_alone(text)
    if text.isdecimal():
        return [str(i + 1) for i in range(int(_count(1, 50)(text, answers)))]
    return split_names(text)


def _setting(text: str, answers: Answers) -> str:
    from trialkit.templates import read_setting

    read_setting(text)
    return text


def understand_schedules(text: str, answers: Answers) -> dict[str, str]:
    """Read one or more schedules to compare: settings with ``;`` between, named or not."""
    from trialkit.templates import read_setting

    out: dict[str, str] = {}
    now = answers.get("now", {}).get("value")
    seen = {str(read_setting(now)): str(message("new.usual"))} if now else {}
    for part in filter(None, (p.strip() for p in text.split(";"))):
        name, equals, setting = part.partition("=")
        setting = (setting if equals else part).strip()
        read = read_setting(setting)
        if str(read) in seen:
            raise _wrong("same", setting=setting, name=seen[str(read)])
        name = name.strip() if equals else _free_name(read, now, out)
        if not name or name in out or name == str(message("new.usual")):
            raise _wrong("twice", names=[name])
        out[name] = setting
        seen[str(read)] = name
    if not out:
        raise _wrong("empty")
    return out


def _free_name(read: dict[str, float], now: str | None, taken: dict[str, str]) -> str:
    """Name a schedule by what it is: banded, or sparser or denser mist than now."""
    from trialkit.templates import read_setting

    word = "banded"
    if "on_s" in read:
        usual = read_setting(now) if now else {}
        own = read["on_s"] / (read["on_s"] + read["off_s"])
        before = usual["on_s"] / (usual["on_s"] + usual["off_s"]) if "on_s" in usual else None
        word = "other" if before is None or own == before else "sparse"
        word = "dense" if before is not None and own > before else word
    stem = spoken().text(f"new.{word}")
    name, number = stem, 2
    while name in taken:
        name, number = f"{stem}{number}", number + 1
    return name


def understand_second(text: str, answers: Answers) -> tuple[str, list[str]] | None:
    """Read a second treatment, ``light: dim, bright``; the first level is the control."""
    if is_none(text):
        return None
    name, colon, levels = text.replace("=", ":").partition(":")
    name = "_".join(name.split()).casefold()
    if not colon or not name.isidentifier():
        raise _wrong("second", text=text)
    if name in ("schedule", "batch", "chamber", "shelf", "block", "unit", "flush"):
        raise _wrong("second_taken", name=name)
    found = split_names(levels)
    if len(found) < 2:
        raise _wrong("second", text=text)
    return name, found


def _margin(text: str, answers: Answers) -> float:
    plain = text.replace("%", "").replace(",", ".").strip()
    try:
        value = float(plain)
    except ValueError:
        raise _wrong("margin", text=text) from None
    if not 0 < value < 100:
        raise _wrong("margin", text=text)
    return value
