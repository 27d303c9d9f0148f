"""One section of the trial file checked: every fault with its place and what to do."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import ValidationError

from trialkit.errors import Fault
from trialkit.trial.sections import (
    Calibration,
    Clock,
    Forbidden,
    Keep,
    LeaveOut,
    RangeSection,
    Section,
    Setting,
    Trust,
    Window,
)
from trialkit.trial.text import Places, nearest


def check_section(
    model: type[Section], raw: object, path: tuple[str, ...], places: Places, faults: list[Fault]
) -> Any:
    """Validate one section; add every fault found to `faults`; give the section or None."""
    if not isinstance(raw, Mapping):
        faults.append(
            Fault(
                places.where(*path),
                "must be a section with keys",
                "write a line for each key below it",
            )
        )
        return None
    try:
        return model.model_validate(dict(raw))
    except ValidationError as problem:
        told = [_fault(error, model, path, places) for error in problem.errors()]
        faults += dict.fromkeys(told)  # what may be two things is refused once
        return None


def _fault(
    error: Mapping[str, Any], model: type[Section], path: tuple[str, ...], places: Places
) -> Fault:
    location = tuple(p for p in error["loc"] if not _is_branch(p))
    where = places.where(*path, *location)
    if error["type"] == "extra_forbidden":
        owner = _owner(model, location[:-1])
        return Fault(where, f"unknown key {location[-1]!r}", nearest(str(location[-1]), owner))
    if error["type"] == "missing":
        return Fault(
            places.where(*path, *location[:-1]), f"{location[-1]!r} is missing", "add this key"
        )
    given = error.get("input")
    kind = next((k for k in _PLAIN if str(error["type"]).startswith(k)), None)
    if kind is not None:
        what, remedy = _PLAIN[kind]
        return Fault(where, f"should be {what}, but it is {given!r}", remedy)
    what = str(error["msg"]).replace("Input should be", "should be").removeprefix("Value error, ")
    remedy = "choose one of them" if error["type"] == "literal_error" else "correct the value"
    return Fault(where, f"{what[0].lower()}{what[1:]}, but it is {given!r}", remedy)


def check_price_levels(
    prices: Any, levels: Mapping[str, Any], places: Places, faults: list[Fault]
) -> None:
    """Add a fault for every price of a level that the primary treatment does not have."""
    for key in ("equipment", "labour_h"):
        for name in getattr(prices, key, {}):
            if name not in levels:
                what = f"no level is called {name!r}"
                faults.append(Fault(places.where("prices", key), what, nearest(name, levels)))


#: How the validator's kinds of error begin → what should stand there, and what to do.
_PLAIN = {
    "string": ("words", "put them in quotes"),
    "float": ("a number", "write it without quotes and without a unit, such as 12.5"),
    "int": ("a whole number", "write it without quotes and without a unit, such as 12"),
    "bool": ("true or false", "write one of the two words, without quotes"),
    "list": ("a list", 'write it in square brackets, such as ["logs/harvest.csv"]'),
    "dict": ("names with values", "write them in braces, such as { name = … }"),
    "model": ("names with values", "write them in braces, such as { name = … }"),
    "date": ("a date", "write it without quotes, such as 2031-01-13 or 2031-01-13T09:00:00"),
}


def _is_branch(part: object) -> bool:
    """Tell pydantic's names of union branches apart from keys of the file."""
    return isinstance(part, str) and (part in ("datetime", "date", "int", "float") or "[" in part)


def _owner(model: type[Section], location: tuple[Any, ...]) -> list[str]:
    """Find the keys allowed where an unknown one stands."""
    nested: dict[str, type[Section]] = {
        "levels": Setting,
        "range": RangeSection,
        "forbidden": Forbidden,
        "clock": Clock,
        "keep": Keep,
        "calibration": Calibration,
        "windows": Window,
        "trust": Trust,
        "leave_out": LeaveOut,
    }
    for part in reversed(location):
        if part in nested:
            return list(nested[str(part)].model_fields)
    return list(model.model_fields)
