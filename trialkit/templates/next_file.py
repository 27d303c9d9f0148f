"""The trial file of a next trial: the last one's with other ranges, and nothing of its past."""

from __future__ import annotations

import datetime as dt
import re
import tomllib
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from trialkit.templates import toml_key, toml_text
from trialkit.trial.sections import LONGEST_TITLE, TOP

if TYPE_CHECKING:
    from trialkit.decision.next_ranges import NextRange
    from trialkit.trial import Trial

#: Parts of a log's section that are about rows and days of the last trial.
_PAST = ("clock", "keep", "trust", "leave_out")
_OWN_SECTIONS = ("factors", "columns", "covariates", "logs")


def raw_file(trial: Trial) -> dict[str, Any]:
    """Read the trial file again, as it stands."""
    return tomllib.loads(trial.source.read_text(encoding="utf-8-sig"))


def next_file(
    raw: Mapping[str, Any],
    ranges: Sequence[NextRange],
    values: Sequence[Sequence[float]],
    *,
    title: str,
    seed: int,
    notes: Sequence[str] = (),
) -> str:
    """Write the text of the next trial file.

    Parameters
    ----------
    raw : mapping
        The last trial's file.
    ranges : sequence of NextRange
    values : sequence of sequence of float
        Settings that may be tried, of each range.
    title : str
    seed : int
    notes : sequence of str
        Lines that stand above it, as comments.

    Returns
    -------
    str
        Dates, slips, corrections of clocks and values of covariates of the last trial are not in
        it.
    """
    data = {key: raw[key] for key in TOP if key in raw and key not in ("batches", "happened")}
    data["trial"] = {**data.get("trial", {}), "title": title[:LONGEST_TITLE], "seed": seed}
    data["factors"] = dict(data["factors"])
    for own, chosen in zip(ranges, values, strict=True):
        factor = dict(data["factors"][own.name])
        kept = {k: v for k, v in factor["range"].items() if k in ("on_s", "width", "unit")}
        ends = [min(chosen), max(chosen)]
        factor["range"] = {own.tuned: ends, **kept, "values": list(chosen)}
        data["factors"][own.name] = factor
    data["logs"] = {
        kind: {k: v for k, v in log.items() if k not in _PAST and not _by_file(k, v)}
        for kind, log in data.get("logs", {}).items()
    }
    kept_covariates = data.get("covariates", {}).items()
    data["covariates"] = {name: c for name, c in kept_covariates if not c.get("values")}
    head = [f"# {line}" for note in notes for line in _wrapped(note)]
    body = [part for key, section in data.items() if section for part in _section(key, section)]
    return "\n".join([*head, *body]) + "\n"


def _by_file(key: str, value: object) -> bool:
    """Say whether a key names files of the last trial one by one."""
    return key == "time_zone" and isinstance(value, dict)


def next_title(titles: Sequence[str], word: str) -> str:
    """Give the title of the next trial: the last one's, with its number.

    Examples
    --------
    >>> next_title(["Best mist"], "trial")
    'Best mist, trial 2'
    >>> next_title(["Best mist", "Best mist, trial 2"], "trial")
    'Best mist, trial 3'
    """
    stem = re.sub(rf", {re.escape(word)} \d+$", "", titles[-1])
    end = f", {word} {len(titles) + 1}"
    return stem[: LONGEST_TITLE - len(end)] + end


def _wrapped(text: str) -> list[str]:
    import textwrap

    return textwrap.wrap(" ".join(text.split()), 96)


def _section(name: str, section: Mapping[str, Any]) -> list[str]:
    """Write a section; treatments, columns and logs have one each."""
    if name in _OWN_SECTIONS:
        return [
            part
            for key, inner in section.items()
            for part in _section(f"{name}.{toml_key(key)}", inner)
        ]
    lines = ["", f"[{name}]"]
    for key, value in section.items():
        if key == "levels" and isinstance(value, dict):
            lines += [f"levels.{toml_key(k)} = {_value(v)}" for k, v in value.items()]
        else:
            lines.append(f"{toml_key(key)} = {_value(value)}")
    return lines


def _value(value: Any) -> str:
    """Write a value as TOML."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        inner = ", ".join(f"{toml_key(k)} = {_value(v)}" for k, v in value.items())
        return f"{{ {inner} }}" if inner else "{}"
    if isinstance(value, list):
        return f"[{', '.join(map(_value, value))}]"
    if isinstance(value, (dt.date, dt.datetime, dt.time)):
        return value.isoformat()
    if isinstance(value, float):
        return f"{value:g}" if float(f"{value:g}") == value else repr(value)
    return toml_text(value)
