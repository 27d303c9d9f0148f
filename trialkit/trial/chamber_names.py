"""Chambers need names of their own: logs, timers and cards know a chamber by its name alone."""

from __future__ import annotations

from collections.abc import Mapping

from trialkit.errors import Fault
from trialkit.structure import Structure
from trialkit.trial.text import Places


def check_chamber_names(
    structure: Structure, levels: Mapping[str, tuple[str, ...]], places: Places
) -> list[Fault]:
    """Refuse chambers that have the same names in several racks, rooms or the like.

    In ``rack / chamber`` chamber C1 of one rack and C1 of the other are two chambers. A climate
    log of "C1" could be of either, and their harvests, water and electricity would be put
    together.

    Parameters
    ----------
    structure : Structure
    levels : mapping
        Unit factor → its levels.
    places : Places

    Returns
    -------
    list of Fault
        One, or none where each name is of one chamber.
    """
    if "chamber" not in structure.factors:
        return []
    around = [
        name
        for name in structure.join(("chamber",))
        if name not in ("batch", "chamber") and len(levels[name]) > 1
    ]
    if not around:
        return []
    wide = around[0]
    first, second = levels[wide][:2]
    one = levels["chamber"][0]
    what = (
        f"{wide} {first} and {wide} {second} both have a chamber {one}: logs and timers know a "
        "chamber by its name alone, and would take the two for one"
    )
    names = [f"{outer}_{one}" for outer in levels[wide][:2]]
    chambers = ", ".join(f'"{name}"' for name in names)
    pairs = ", ".join(f'{n} = "{outer}"' for n, outer in zip(names, levels[wide], strict=False))
    remedy = (
        f"take {wide} out of structure, name each chamber once (chamber = [{chambers}, …]) and "
        f'add [covariates.{wide}] with use = "block", by = "chamber", values = {{ {pairs}, … }}'
    )
    return [Fault(places.where("units", "structure"), what, remedy)]
