"""Who needs to know what: lines for a grower, lines for a statistician, and each said once."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

from trialkit.errors import Finding
from trialkit.wording import Message, message, several

#: What concerns how the limits were computed, and asks nothing of a grower.
STATISTICS = frozenset(
    {
        "aliased",
        "component_at_zero",
        "component_below_zero",
        "covariance_at_edge",
        "edge_of_space",
        "few_plans",
        "influential_level",
        "interaction_untestable",
        "large_design",
        "level_needed",
        "none_randomised",
        "not_normal",
        "not_settled",
        "other_scale",
        "plans_drawn_together",
        "row_decides",
        "rows_set_aside",
        "test_chosen",
        "test_handed_over",
        "unequal_spread",
    }
)
#: Values that say which of several a finding is about.
_WHERE = ("file", "chamber", "sensor")
#: Values that differ between findings that are otherwise the same.
_OWN = frozenset({*_WHERE, "line", "count", "records", "rows", "row", "hours", "share"})
#: … and between findings about sensors, which are told chamber by chamber.
_OWN_OF_SENSORS = frozenset({"when", "effect", "detail"})
_SENSORS = "sensor_"
#: A line of the trial file: its key and the bracket of a list or table, what it holds, its end.
_LINE = re.compile(r"(\w+ = (?:\[|\{ ))(.+?)( \}|\])")
#: Findings that a grower reads as notes where another one says what comes of them.
_SAID_BY = {"readings_slow": "exposures_may_alias"}


def for_growers(findings: Iterable[Finding]) -> list[Finding]:
    """Give what a grower should read, the gravest first; what repeats itself is said once.

    Examples
    --------
    >>> from trialkit.wording import finding
    >>> for_growers([finding("edge_of_space", "caution")])
    []
    """
    rank = {"stop": 0, "caution": 1, "note": 2}
    kept = [f for f in findings if f.code not in STATISTICS or f.severity == "stop"]
    codes = {f.code for f in kept}
    kept = [_as_note(f) if _SAID_BY.get(f.code) in codes else f for f in kept]
    return sorted(merge_repeats(kept), key=lambda f: rank[f.severity])


def _as_note(found: Finding) -> Finding:
    return Finding(found.code, "note", found.said, found.cure)


def for_statisticians(findings: Iterable[Finding]) -> list[Finding]:
    """Give what concerns the computing alone."""
    return merge_repeats(f for f in findings if f.code in STATISTICS and f.severity != "stop")


def merge_repeats(findings: Iterable[Finding]) -> list[Finding]:
    """Say findings that differ by file, chamber or sensor alone once, with the names of all.

    Examples
    --------
    >>> from trialkit.wording import finding
    >>> values = {"when": "1 May", "value": 87.0}
    >>> one, two = (finding("today_sensor_stuck", "caution", chamber=c, **values) for c in "AB")
    >>> len(merge_repeats([one, two, one]))
    1
    """
    groups: dict[Any, list[Finding]] = {}
    for found in dict.fromkeys(findings):
        groups.setdefault(_alike(found), []).append(found)
    return [group[0] if len(group) == 1 else _merged(group) for group in groups.values()]


def _alike(found: Finding) -> Any:
    """Give what findings share that are one in all but their place."""
    said = found.said
    if not isinstance(said, Message) or not any(name in said.values for name in _WHERE):
        return found
    own = _OWN | _OWN_OF_SENSORS if found.code.startswith(_SENSORS) else _OWN
    kept = {
        k: str(v)
        for k, v in said.values.items()
        if k not in own and not isinstance(v, (int, float))
    }
    stem = said.key
    return (found.code, found.severity, stem, tuple(sorted(kept.items())))


def _merged(group: list[Finding]) -> Finding:
    """Say a finding once, with the other places it holds for, each named once.

    When it was and what to do is said of each place only where it differs from one to the other.
    """
    first = group[0]
    apart: dict[str, Finding] = {}
    for found in group:
        apart.setdefault(_place(found), found)
    del apart[_place(first)]
    if not apart:
        return first
    names = several(list(apart), 6)
    when = _when(first)
    told = [place if _when(f) == when else _then(place, f) for place, f in apart.items()]
    said = message("repeated.said", first=first.said, count=len(told), names=several(told, 6))
    cure: object = first.cure
    if len({f.remedy for f in group}) > 1 and not first.code.startswith(_SENSORS):
        cure = _in_one_line(group) or message("repeated.cure", first=first.cure, names=names)
    return Finding(first.code, first.severity, said, cure)


def _in_one_line(group: list[Finding]) -> Message | None:
    """Say what to do for all places in one line, since a key may stand once in a section only.

    None where the lines are not of one list or table, or where two of them name the same thing.
    """
    cures = [f.cure for f in group if isinstance(f.cure, Message) and "line" in f.cure.values]
    lines = dict.fromkeys(str(cure.values["line"]) for cure in cures)
    found = [m for m in map(_LINE.fullmatch, lines) if m]
    held = [m[2] for m in found]
    named = {
        text.partition(" = ")[0] if m[3] == " }" else text
        for m, text in zip(found, held, strict=True)
    }
    if len(cures) < len(group) or len(named) < len(lines) or len({m[1] for m in found}) != 1:
        return None
    line = f"{found[0][1]}{', '.join(held)}{found[0][3]}"
    return Message(cures[0].key, {**cures[0].values, "line": line})


def _when(found: Finding) -> str:
    return str(found.said.values.get("when", "")) if isinstance(found.said, Message) else ""


def _then(place: str, found: Finding) -> str:
    """Name a place with the time of its own."""
    return str(message("repeated.place", place=place, when=_when(found)))


def _place(found: Finding) -> str:
    values = found.said.values if isinstance(found.said, Message) else {}
    return next((str(values[name]) for name in _WHERE if name in values), found.code)
