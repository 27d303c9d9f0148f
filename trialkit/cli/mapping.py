"""`check` on files that the trial file does not describe yet: the section to paste or to write."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from trialkit.cli.questions import number_within
from trialkit.cli.screen import Screen
from trialkit.errors import TrialFileError
from trialkit.shell import quoted
from trialkit.whole_files import write_whole
from trialkit.wording import Message, message

if TYPE_CHECKING:
    from trialkit.logs.mapping.proposal import Proposal, Question


def offer_to_write(screen: Screen, folder: Path, offers: list[Proposal]) -> bool:
    """Show proposed sections; on a terminal ask what is open and offer to write them.

    Returns
    -------
    bool
        Whether the trial file was changed.
    """
    screen.record["proposals"] = [
        {"kind": o.kind, "section": o.section(), "questions": list(o.questions)} for o in offers
    ]
    wrote = False
    for offer in offers:
        screen.heading(message("cli.mapping.title", section=f"[logs.{offer.kind}]"))
        for line in offer.reasons():
            screen.say(line, indent="  ")
        if screen.converses:
            offer = _ask(screen, offer)
        else:
            for question in offer.asked:
                screen.say(f"? {question}", indent="  ")
        screen.say("")
        screen.say(offer.section())
        screen.say("")
        if screen.converses and typer.confirm(str(message("cli.mapping.write")), default=True):
            wrote = write_section(folder / "trial.toml", offer) or wrote
    return wrote


def next_of_offers(folder: Path, offers: Sequence[Proposal]) -> Message:
    """Say that the proposed sections belong into the trial file."""
    sections = [f"[logs.{offer.kind}]" for offer in offers]
    command = f"trialkit check {quoted(folder)}"
    return message("cli.mapping.paste", sections=sections, command=command)


def _ask(screen: Screen, offer: Proposal) -> Proposal:
    """Ask every open question that has answers to choose from, one a line."""
    for question in offer.asked:
        if not question.choices:
            screen.say(f"? {question}", indent="  ")
            continue
        chosen = _choose(question)
        if chosen is not None:
            offer = offer.answered(question, chosen)
    return offer


def _choose(question: Question) -> int | None:
    """Ask one question; None where it is left open."""
    shown = [str(label) for label, _ in question.choices]
    numbered = "  ".join(f"{k}) {label}" for k, label in enumerate(shown, 1))
    leave = str(message("cli.mapping.leave_open"))
    default = leave if question.likely is None else shown[question.likely]
    while True:
        given = typer.prompt(f"{question}\n  {numbered}", default=default).strip()
        if given == leave:
            return None
        number = number_within(given, 1, len(shown))
        if number is not None:
            return number - 1
        if given in shown:
            return shown.index(given)


def write_section(path: Path, offer: Proposal) -> bool:
    """Write a proposed section into a trial file; all else in it stays as it is.

    Raises
    ------
    TrialFileError
        If the trial file would not hold what is meant; it is then left as it was.
    """
    import tomllib

    import tomlkit

    from trialkit.trial.read import read_trial

    old = path.read_bytes().decode("utf-8")
    before = tomllib.loads(old)
    wanted: dict[str, Any] = offer.settings()
    if offer.kind in before.get("logs", {}):
        document = tomlkit.parse(old)
        section: Any = document["logs"][offer.kind]
        for key, value in wanted.items():
            if value != before["logs"][offer.kind].get(key):
                section[key] = _merged(before["logs"][offer.kind].get(key), value)
        new = tomlkit.dumps(document)
    else:
        new = f"{old.rstrip()}\n\n{offer.section()}\n"
    write_whole(path, new)
    try:
        read_trial(path.parent)
    except TrialFileError:
        write_whole(path, old)
        raise
    return True


def _merged(old: Any, new: Any) -> Any:
    """Give a value for the trial file; a table keeps what it holds beside what is new."""
    import tomlkit

    if not isinstance(new, dict):
        return new
    table = tomlkit.inline_table()
    table.update({**(old if isinstance(old, dict) else {}), **new})
    return table
