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
from trialkit.visible_text import quote


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
        told = [_fault(error, model, raw, path, places) for error in problem.errors()]
        faults += dict.fromkeys(told)  # what may be two things is refused once
        return None


def _fault(
    error: Mapping[str, Any],
    model: type[Section],
    raw: Mapping[str, Any],
    path: tuple[str, ...],
    places: Places,
) -> Fault:
    location = _keys(error["loc"], raw)
    where = places.where(*path, *location)
    if error["type"] == "extra_forbidden":
        owner = _owner(model, location[:-1])
        return Fault(where, f"unknown key {quote(location[-1])}", nearest(str(location[-1]), owner))
    if error["type"] == "missing":
        return Fault(
            places.where(*path, *location[:-1]), f"{location[-1]!r} is missing", "add this key"
        )
    given = error.get("input")
    if error["type"] == "string_too_long":
        most = error["ctx"]["max_length"]
        return Fault(where, f"{quote(given)} has more than {most} letters", "write less")
    kind = next((k for k in _PLAIN if str(error["type"]).startswith(k)), None)
    if kind is not None:
        what, remedy = _PLAIN[kind]
        return Fault(where, f"should be {what}, but it is {quote(given)}", remedy)
    what = str(error["msg"]).replace("Input should be", "should be").removeprefix("Value error, ")
    remedy = "choose one of them" if error["type"] == "literal_error" else "correct the value"
    return Fault(where, f"{what[0].lower()}{what[1:]}, but it is {quote(given)}", remedy)


def check_price_levels(
    prices: Any, levels: Mapping[str, Any], places: Places, faults: list[Fault]
) -> None:
    """Add a fault for every price of a level that the primary treatment does not have."""
    for key in ("equipment", "labour_h"):
        for name in getattr(prices, key, {}):
            if name not in levels:
                what = f"no level is called {name!r}"
                faults.append(Fault(places.where("prices", key), what, nearest(name, levels)))


def check_setting(setting: Setting, where: str, faults: list[Fault]) -> None:
    """Check that what a setting needs beside what it says is there."""
    if (setting.on_s is None) != (setting.off_s is None):
        faults.append(Fault(where, "a timed mist needs both on_s and off_s", "add the other"))
    elif setting.on_s is not None and setting.on_s + (setting.off_s or 0) == 0:
        faults.append(Fault(where, "on_s and off_s are both zero", "give the cycle a length"))
    low, high = setting.start_below_rh, setting.stop_above_rh
    if (low is None) != (high is None):
        faults.append(Fault(where, "a band needs start_below_rh and stop_above_rh", "add both"))
    elif low is not None and high is not None and low >= high:
        faults.append(
            Fault(where, f"the band starts at {low:g} % but stops at {high:g} %", "swap them")
        )


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


def _keys(location: tuple[Any, ...], raw: object) -> tuple[Any, ...]:
    """Leave out of a place what is no key of the file: names of the branches of a choice.

    A key may have any name, also that of a branch, so the place is followed in the file. The
    last part of a place may be a key that is missing.
    """
    out: list[Any] = []
    for number, part in enumerate(location):
        at_key = isinstance(raw, Mapping) and part in raw
        at_item = isinstance(raw, list) and isinstance(part, int) and part < len(raw)
        if at_key or at_item:
            raw = raw[part]  # type: ignore[index]
        elif number + 1 < len(location) or not isinstance(raw, Mapping):
            continue
        out.append(part)
    return tuple(out)


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
