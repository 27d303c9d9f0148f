"""Checks of the looks that the trial file plans."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from trialkit.errors import Fault
from trialkit.structure import Structure, skeleton
from trialkit.trial.sections import QuestionSection
from trialkit.trial.text import Places
from trialkit.trial.trial import Factor

BATCH = "batch"


def check_looks(
    question: QuestionSection,
    structure: Structure,
    levels: Mapping[str, Sequence[str]],
    factors: Mapping[str, Factor],
    places: Places,
    faults: list[Fault],
) -> None:
    """Check that each look comes after batches that there are, and has an error to judge by."""
    looks, where = question.looks, places.where("question", "looks")
    if not looks:
        return
    if any(factor.tuned for factor in factors.values()):
        what = "looks judge named levels, and a treatment here is a range of settings"
        faults.append(Fault(where, what, "leave looks out; the answer is worked out at the end"))
        return
    if BATCH not in levels:
        what = "looks are counted in batches, and the trial has none"
        faults.append(Fault(where, what, "leave looks out"))
        return
    last = len(levels[BATCH])
    if sorted(set(looks)) != list(looks):
        right = ", ".join(map(str, sorted(set(looks))))
        what = f"{list(looks)} should rise from look to look"
        faults.append(Fault(where, what, f"write looks = [{right}]"))
    elif looks[-1] > last:
        what = f"there are only {last} batches, so there is no look after batch {looks[-1]}"
        faults.append(Fault(where, what, "name earlier looks, or plan more batches"))
    elif not error_df_after(looks[0], structure, levels, factors, question.primary):
        what = f"after batch {looks[0]} nothing is left to judge chance by"
        faults.append(Fault(where, what, "look later"))


def error_df_after(
    batches: int,
    structure: Structure,
    levels: Mapping[str, Sequence[str]],
    factors: Mapping[str, Factor],
    name: str,
) -> int:
    """Give the error df that a treatment is judged by once some batches are in."""
    counts = {key: len(names) for key, names in levels.items()} | {BATCH: batches}
    given = {f.name: (f.applied_to, len(f.levels)) for f in factors.values()}
    stratum = structure.merged(counts).get(factors[name].applied_to)
    if stratum is None:  # a single unit received it
        return 0
    own = sum(
        line.df
        for line in skeleton(structure, counts, given)
        if line.stratum == stratum and line.name in factors
    )
    return max(0, structure.degrees_of_freedom(counts)[stratum] - own)
