"""What is said of a next trial."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from trialkit.wording import Message, Named, Number, message

if TYPE_CHECKING:
    from trialkit.decision.next_ranges import NextRange
    from trialkit.templates.next_outlook import NextTrial


def say_next_trial(found: NextTrial, year_blocks: float, blocks: int) -> tuple[Message, ...]:
    """Say what is known, what to try, what it is worth, and whether to stop.

    Parameters
    ----------
    found : NextTrial
    year_blocks : float
        Blocks grown in a year; NaN where not known.
    blocks : int
        Blocks of the next trial.

    Returns
    -------
    tuple of Message
    """
    gain, unit = found.gain, found.unit
    said = [_known(found)]
    pairs = zip(found.ranges, found.surface.settings, strict=True)
    said += [_range(own, setting.unit) for own, setting in pairs]
    said.append(
        message(
            "next.gain",
            gain=Number(gain.expected, found.decimals),
            low=Number(gain.low, found.decimals),
            high=Number(gain.high, found.decimals),
            unit=unit,
            level=100 * found.surface.level,
            chance=Number(100 * gain.chance, 0),
            over=Number(100 * gain.chance_over_today, 0),
        )
    )
    said.append(_pays(found, year_blocks, blocks))
    if found.stop:
        words = {
            "difference": found.trial.question.difference_pct,
            "chance": Number(100 * found.in_sight, 0),
        }
        said.append(
            message(f"next.stop.{'cost' if math.isfinite(found.net) else 'sight'}", **words)
        )
    return tuple(said)


def _known(found: NextTrial) -> Message:
    """Say what is the best known setting, or that none is expected to beat today's."""
    gain = found.gain
    key = "some" if gain.known > 1e-9 else "none"
    known = Number(gain.known, found.decimals)
    return message(f"next.known.{key}", gain=known, unit=found.unit)


def _range(own: NextRange, unit: str) -> Message:
    """Say how a range changes, and why."""
    words: dict[str, Any] = {"name": own.name, "unit": Named(f"glossary_unit.{unit}", unit)}
    numbers = {"low": own.low, "high": own.high, "old_low": own.old_low, "old_high": own.old_high}
    ends = {name: float(f"{value:.3g}") for name, value in numbers.items()}
    return message(f"next.range.{own.change}", **words, **ends)


def _pays(found: NextTrial, year_blocks: float, blocks: int) -> Message:
    """Weigh what the trial brings against what it costs."""
    costs = found.loss + found.cost
    words: dict[str, Any] = {"unit": found.unit, "blocks": blocks, "cost": _amount(costs)}
    if math.isfinite(found.net):
        year = {
            "year": Number(year_blocks, 0),
            "brings": _amount(found.gain.expected * year_blocks),
        }
        return message("next.pays.year", net=_amount(found.net), **words, **year)
    if not found.gain.expected > 0:
        return message("next.pays.never", **words)
    after = Number(max(0.0, math.ceil(costs / found.gain.expected)), 0)
    return message("next.pays.after", after=after, **words)


def _amount(value: float) -> Number:
    """Give three digits of a number."""
    size = math.floor(math.log10(abs(value))) if value and math.isfinite(value) else 0
    return Number(value, max(0, 2 - size))
