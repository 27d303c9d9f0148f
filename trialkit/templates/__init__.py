"""A first trial file: commented, filled in from a few answers, and ready to run."""

from __future__ import annotations

import json
import re
import secrets
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trialkit.errors import Fault, TrialFileError
from trialkit.templates.settings import read_setting
from trialkit.whole_files import write_whole
from trialkit.wording import spoken

if TYPE_CHECKING:
    from trialkit.trial import Trial

__all__ = ["new_trial", "read_setting"]


def new_trial(
    folder: str | Path,
    *,
    title: str | None = None,
    species: str | None = None,
    time_zone: str = "UTC",
    batches: int = 4,
    chambers: int | Sequence[str] = 4,
    shelves: Sequence[str] = (),
    blocks: int = 6,
    flushes: int = 3,
    schedules: Mapping[str, str] | None = None,
    margin_pct: float = 10,
    difference_pct: float = 15,
    seed: int | None = None,
    second: tuple[str, Sequence[str]] | None = None,
) -> Path:
    """Begin a trial: write a commented trial file that already runs.

    Parameters
    ----------
    folder : str or Path
        Folder of the trial; made if need be. It must not hold a trial file yet.
    title, species, time_zone
        As in `[trial]`; the time zone is an IANA name such as ``"Europe/Vienna"``. Title and
        species have an answer ready in the language in use.
    batches : int
        Starts of fruiting, one after the other.
    chambers : int or sequence of str
        How many, or their names.
    shelves : sequence of str
        Names of the shelves in a chamber; none by default.
    blocks : int
        Blocks on each shelf, or in each chamber where there are no shelves.
    flushes : int
        Waves of picking that are weighed.
    schedules : mapping of str to str
        Name → setting as `read_setting` takes it; the first is the control. By default
        ``{"usual": "20/220", "sparse": "20/460"}``, with names in the language in use.
    margin_pct, difference_pct : float
        Loss that would be accepted, difference worth finding [%].
    seed : int, optional
        Random seed; chosen by chance and written down where not given.
    second : (str, sequence of str), optional
        A further treatment and its levels, the control first. Each shelf receives one, or each
        block where there are no shelves.

    Returns
    -------
    Path
        The trial file. With one chamber it says how the schedules are spread over the starts
        (`over_time`), chosen as in `trialkit.design.power.over_time`.

    Raises
    ------
    TrialFileError
        If a trial file is there already, or the answers do not make a trial that can be run;
        then nothing is written.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as spare:
    ...     new_trial(spare, chambers=["left", "right"], batches=3, seed=5).name
    'trial.toml'
    """
    _refuse_existing(Path(folder) / "trial.toml")
    text = draft_trial(
        title=title,
        species=species,
        time_zone=time_zone,
        batches=batches,
        chambers=chambers,
        shelves=shelves,
        blocks=blocks,
        flushes=flushes,
        schedules=schedules,
        margin_pct=margin_pct,
        difference_pct=difference_pct,
        seed=seed,
        second=second,
    )
    read_draft(text)  # nothing is written until it reads cleanly
    return write_draft(folder, text)


def _refuse_existing(target: Path) -> None:
    if target.exists():
        fault = Fault(str(target), "is there already", "choose another folder, or edit the file")
        raise TrialFileError(target.name, [fault])


def write_draft(folder: str | Path, text: str) -> Path:
    """Write a trial file into a folder that has none, and make its folder for logs.

    Raises
    ------
    TrialFileError
        If a trial file is there already.
    """
    target = Path(folder) / "trial.toml"
    _refuse_existing(target)
    (target.parent / "logs").mkdir(parents=True, exist_ok=True)
    return write_whole(target, text)


def draft_trial(
    *,
    title: str | None = None,
    species: str | None = None,
    time_zone: str = "UTC",
    batches: int = 4,
    chambers: int | Sequence[str] = 4,
    shelves: Sequence[str] = (),
    blocks: int = 6,
    flushes: int = 3,
    schedules: Mapping[str, str] | None = None,
    margin_pct: float = 10,
    difference_pct: float = 15,
    seed: int | None = None,
    second: tuple[str, Sequence[str]] | None = None,
) -> str:
    """Give the text of a first trial file; see `new_trial` for the answers it is made from."""
    say = spoken()
    given = dict(schedules or {say.text("new.usual"): "20/220", say.text("new.sparse"): "20/460"})
    try:
        settings = {name: read_setting(text) for name, text in given.items()}
    except ValueError as problem:
        raise TrialFileError(say.text("new.answers"), [Fault("schedules", str(problem))]) from None
    answers: dict[str, Any] = {
        "title": say.text("new.title") if title is None else title,
        "species": say.text("new.species") if species is None else species,
        "time_zone": time_zone,
        "seed": secrets.randbelow(10**6) if seed is None else seed,
        "batches": batches,
        "chambers": chambers,
        "shelves": shelves,
        "blocks": blocks,
        "flushes": flushes,
        "settings": settings,
        "margin_pct": margin_pct,
        "difference_pct": difference_pct,
        "second": second,
    }
    text = _fill(**answers)
    if chambers != 1 and (isinstance(chambers, int) or len(chambers) > 1):
        return text
    from trialkit.design.power.over_time import choose_over_time

    choice = choose_over_time(read_draft(text))
    # one box: the order of its starts is part of the trial
    return text if choice is None else _fill(**answers, over_time=choice.chosen)


def read_draft(text: str) -> Trial:
    """Read a trial file that is not written yet.

    Raises
    ------
    TrialFileError
        If it does not make a trial; it names answers, not lines of a file that is not there.
    """
    from trialkit.trial import read_trial

    with tempfile.TemporaryDirectory() as spare:
        write_whole(Path(spare) / "trial.toml", text)
        try:
            return read_trial(spare)
        except TrialFileError as problem:
            faults = [
                replace(fault, where=re.sub(r" \(line \d+\)$", "", fault.where))
                for fault in problem.faults
            ]
            raise TrialFileError(spoken().text("new.answers"), faults) from None


def toml_text(value: object) -> str:
    """Write a text, number or list of texts as TOML (which shares these with JSON)."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _fill(
    *,
    title: str,
    species: str,
    time_zone: str,
    seed: int,
    batches: int,
    chambers: int | Sequence[str],
    shelves: Sequence[str],
    blocks: int,
    flushes: int,
    settings: Mapping[str, Mapping[str, float]],
    margin_pct: float,
    difference_pct: float,
    second: tuple[str, Sequence[str]] | None,
    over_time: str = "",
) -> str:
    names = {name: toml_key(name) for name in settings}
    width = max(len(key) for key in names.values())
    levels = [
        f"levels.{names[name]:<{width}} = {{ "
        + ", ".join(f"{key} = {value}" for key, value in setting.items())
        + " }"
        for name, setting in settings.items()
    ]
    inner = "shelf / block" if shelves else "block"
    names_here = _chamber_names(chambers)
    say = spoken()
    filled = _template(say.language).format(
        title=toml_text(title),
        species=toml_text(species),
        time_zone=toml_text(time_zone),
        seed=seed,
        structure=toml_text(f"(batch * chamber) / {inner}"),
        inside=say.text("new.blocks_on_shelves" if shelves else "new.blocks_in_chamber"),
        batch=batches,
        chamber=toml_text(chambers if isinstance(chambers, int) else list(chambers)),
        shelf=f"shelf     = {toml_text(list(shelves))}\n" if shelves else "",
        block=blocks,
        per=say.text("new.per_shelf" if shelves else "new.per_chamber"),
        flushes=flushes,
        over_time=f"{say.text('new.over_time', over_time=over_time)}\n" if over_time else "",
        control=toml_text(next(iter(settings))),
        levels="\n".join(levels) + "\n",
        slip=_slip(names_here, list(settings)),
        one_chamber=toml_text(names_here[0]),
        one_climate=toml_text(f"logs/climate_{names_here[0]}.csv"),
        one_run=toml_text(f"B1:{names_here[0]}"),
        other_run=toml_text(
            f"B1:{names_here[1]}" if len(names_here) > 1 else f"B2:{names_here[0]}"
        ),
        smaller="batch:chamber:shelf" if shelves else "batch:chamber:block",
        second=_second(second, bool(shelves)),
        margin=f"{margin_pct:g}",
        difference=f"{difference_pct:g}",
    )
    return "\n\n".join(_in_column(part) for part in filled.split("\n\n"))


def _chamber_names(chambers: int | Sequence[str]) -> list[str]:
    """Name the chambers as the trial will: C1, C2, … where only their number is given."""
    if isinstance(chambers, int):
        return [f"C{i}" for i in range(1, max(1, chambers) + 1)]
    return list(chambers) or ["C1"]


def _slip(chambers: Sequence[str], levels: Sequence[str]) -> str:
    """Write the example of a slip: two chambers swapped, or the only one set to another level."""
    if len(chambers) > 1:
        return f"# swapped = {toml_text(list(chambers[:2]))}  # {spoken().text('new.slip_swapped')}"
    return (
        f"# unit    = {toml_text(f'B1:{chambers[0]}')}\n"
        f"# got     = {toml_text(levels[-1])}  # {spoken().text('new.slip_got')}"
    )


def _second(second: tuple[str, Sequence[str]] | None, on_shelves: bool) -> str:
    """Write the section of a second treatment; nothing where there is none."""
    if second is None:
        return ""
    name, levels = second
    unit = "batch:chamber:shelf" if on_shelves else "batch:chamber:block"
    lines = [
        f"[factors.{toml_key(name)}]",
        f'applied_to = "{unit}"',
        f"control = {toml_text(levels[0])}",
    ]
    note = spoken().text("new.level_note")
    lines += [f"levels.{toml_key(level)} = {{}}  # {note}" for level in levels]
    return "\n".join(["", *lines, ""])


def _template(language: str) -> str:
    """Read the commented file in a language; the English one where there is no other."""
    here = Path(__file__).parent
    own, english = (here / f"trial.{name}.toml.txt" for name in (language, "en"))
    return (own if own.is_file() else english).read_text(encoding="utf-8")


def _in_column(part: str) -> str:
    """Line up the notes behind the keys of one stretch of lines."""
    lines = [re.split(r"\s{2,}(?=# )", line, maxsplit=1) for line in part.split("\n")]
    width = max((len(line[0]) for line in lines if len(line) == 2), default=0)
    return "\n".join(
        f"{line[0]:<{width}}  {line[1]}" if len(line) == 2 else line[0] for line in lines
    )


def toml_key(name: str) -> str:
    """Write a level's name as a TOML key, quoted where it has to be."""
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else toml_text(name)
