"""A first trial file: commented, filled in from a few answers, and ready to run."""

from __future__ import annotations

import json
import re
import secrets
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from trialkit.errors import Fault, TrialFileError
from trialkit.whole_files import write_whole
from trialkit.wording import spoken

__all__ = ["new_trial", "read_setting"]

_TIMED = re.compile(r"^\s*(\d+(?:\.\d+)?)\s*(?:s\s*)?/\s*(\d+(?:\.\d+)?)\s*(?:s)?\s*$")
_BAND = re.compile(r"^\s*(\d+(?:\.\d+)?)\s*%?\s*[-–]\s*(\d+(?:\.\d+)?)\s*%\s*$")


def read_setting(text: str) -> dict[str, float]:
    """Read a schedule written short: seconds on/off, or a humidity band.

    Parameters
    ----------
    text : str
        ``"20/220"`` for 20 s of mist and 220 s without; ``"85-90%"`` for mist that starts
        below 85 % and stops above 90 % relative humidity.

    Returns
    -------
    dict
        `on_s` and `off_s` [s], or `start_below_rh` and `stop_above_rh` [%].

    Raises
    ------
    ValueError
        If it is neither.

    Examples
    --------
    >>> read_setting("20/220"), read_setting("85-90%")
    ({'on_s': 20, 'off_s': 220}, {'start_below_rh': 85, 'stop_above_rh': 90})
    """
    for pattern, names in (
        (_TIMED, ("on_s", "off_s")),
        (_BAND, ("start_below_rh", "stop_above_rh")),
    ):
        found = pattern.match(text)
        if found:
            numbers = [float(part) for part in found.groups()]
            return dict(zip(names, (int(x) if x.is_integer() else x for x in numbers), strict=True))
    raise ValueError(
        f"{text!r} is not a schedule: write seconds on/off such as 20/220, "
        "or a humidity band such as 85-90%"
    )


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
    from trialkit.design.power.over_time import choose_over_time
    from trialkit.trial import read_trial

    out = Path(folder)
    target = out / "trial.toml"
    if target.exists():
        fault = Fault(str(target), "is there already", "choose another folder, or edit the file")
        raise TrialFileError(target.name, [fault])
    say = spoken()
    given = dict(schedules or {say.text("new.usual"): "20/220", say.text("new.sparse"): "20/460"})
    try:
        settings = {name: read_setting(text) for name, text in given.items()}
    except ValueError as problem:
        raise TrialFileError(target.name, [Fault("schedules", str(problem))]) from None
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
    }
    text = _fill(**answers)
    with tempfile.TemporaryDirectory() as spare:  # nothing is written until it reads cleanly
        read_trial(write_whole(Path(spare) / "trial.toml", text))
        choice = choose_over_time(read_trial(spare))
    if choice is not None:  # one box: the order of its starts is part of the trial
        text = _fill(**answers, over_time=choice.chosen)
    (out / "logs").mkdir(parents=True, exist_ok=True)
    return write_whole(target, text)


def _toml(value: object) -> str:
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
    over_time: str = "",
) -> str:
    names = {name: _key(name) for name in settings}
    width = max(len(key) for key in names.values())
    levels = [
        f"levels.{names[name]:<{width}} = {{ "
        + ", ".join(f"{key} = {value}" for key, value in setting.items())
        + " }"
        for name, setting in settings.items()
    ]
    inner = "shelf / block" if shelves else "block"
    say = spoken()
    filled = _template(say.language).format(
        title=_toml(title),
        species=_toml(species),
        time_zone=_toml(time_zone),
        seed=seed,
        structure=_toml(f"(batch * chamber) / {inner}"),
        inside=say.text("new.blocks_on_shelves" if shelves else "new.blocks_in_chamber"),
        batch=batches,
        chamber=_toml(chambers if isinstance(chambers, int) else list(chambers)),
        shelf=f"shelf     = {_toml(list(shelves))}\n" if shelves else "",
        block=blocks,
        per=say.text("new.per_shelf" if shelves else "new.per_chamber"),
        flushes=flushes,
        over_time=f"{say.text('new.over_time', over_time=over_time)}\n" if over_time else "",
        control=_toml(next(iter(settings))),
        levels="\n".join(levels) + "\n",
        smaller="batch:chamber:shelf" if shelves else "batch:chamber:block",
        margin=f"{margin_pct:g}",
        difference=f"{difference_pct:g}",
    )
    return "\n\n".join(_in_column(part) for part in filled.split("\n\n"))


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


def _key(name: str) -> str:
    """Write a level's name as a TOML key, quoted where it has to be."""
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _toml(name)
