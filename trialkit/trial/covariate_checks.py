"""Checks of the trial file's `[covariates]`: what differs between units besides the treatments."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from itertools import product

from trialkit.columns import HARVEST_COLUMNS, HarvestColumn
from trialkit.errors import DesignError, Fault
from trialkit.structure import Structure, Term
from trialkit.trial.covariates import Covariate
from trialkit.trial.section_checks import check_section
from trialkit.trial.sections import CovariateSection
from trialkit.trial.text import Places, nearest


def check_covariates_section(
    raw: object,
    structure: Structure | None,
    levels: Mapping[str, Sequence[str]],
    columns: Mapping[str, HarvestColumn],
    taken: Collection[str],
    places: Places,
    faults: list[Fault],
) -> dict[str, Covariate]:
    """Check `[covariates]`; add every fault found, give the sound ones by name.

    Parameters
    ----------
    raw : object
        What stands under `covariates`.
    structure, levels : Structure or None, mapping
        The units; None where they have faults of their own.
    columns : mapping
        Harvest columns that the trial file adds.
    taken : collection of str
        Names of unit factors, treatments and the response.
    places : Places
    faults : list of Fault
        Added to.
    """
    out: dict[str, Covariate] = {}
    if not isinstance(raw, Mapping):
        what = "must hold sections such as [covariates.start_g]"
        do = "write that line alone, its keys below it"
        faults.append(Fault(places.where("covariates"), what, do))
        return out
    for key, section in raw.items():
        name, path = str(key), ("covariates", str(key))
        given = check_section(CovariateSection, section, path, places, faults)
        if given is None or structure is None:
            continue
        found = list(_troubles(name, given, structure, columns, taken))
        by = _stratum(given, structure)
        if by is not None and not found:
            found += _value_troubles(given, by, levels)
        faults += [Fault(places.where(*path, *more), what, do) for more, what, do in found]
        if not found and by is not None:
            column = {**HARVEST_COLUMNS, **columns}.get(name)
            out[name] = Covariate(
                name=name,
                label=given.label or (column.label if column else name.replace("_", " ")),
                unit=given.unit or (column.unit if column else ""),
                by=by,
                use=given.use,
                measured="after" if name in HARVEST_COLUMNS else given.measured,
                values=dict(given.values),
                explains_pct=given.explains_pct,
            )
    return out


Trouble = tuple[tuple[str, ...], str, str]


def _stratum(section: CovariateSection, structure: Structure) -> Term | None:
    """Give the stratum whose units have one value each; None where there is none of that name."""
    if not section.by:
        return structure.smallest
    try:
        return structure.term(section.by.replace(" ", ""))
    except DesignError:
        return None


def _troubles(
    name: str,
    section: CovariateSection,
    structure: Structure,
    columns: Mapping[str, HarvestColumn],
    taken: Collection[str],
) -> list[Trouble]:
    """Say what is wrong with the name, the units and the source of a covariate."""
    if not name.isidentifier():
        return [((), f"the name {name!r} is not made of letters, digits and _", "write start_g")]
    if name in taken or name in ("unit", "flush"):
        what = f"{name!r} is a unit, a treatment or the response of this trial"
        return [((), what, "choose another name")]
    if section.by and _stratum(section, structure) is None:
        strata = [":".join(term) for term in structure.terms]
        return [(("by",), f"no units are called {section.by!r}", nearest(section.by, strata))]
    known = name in columns or name in HARVEST_COLUMNS
    if section.values and known:
        what = f"{name!r} is a column of the harvest sheet and has values here too"
        return [(("values",), what, "keep one of the two")]
    if section.values and not section.by:
        what = "the values do not say which units have one each"
        return [((), what, 'add by, such as by = "batch:chamber"')]
    if not section.values and not known:
        what = f"{name!r} has no values"
        do = f"add [covariates.{name}.values], or [columns.{name}] to read it in the harvest sheet"
        return [((), what, do)]
    return []


def _value_troubles(
    section: CovariateSection, by: Term, levels: Mapping[str, Sequence[str]]
) -> list[Trouble]:
    """Say which values belong to no unit, or are no numbers."""
    if not section.values or not set(by) <= set(levels):
        return []
    units = [":".join(names) for names in product(*(levels[factor] for factor in by))]
    known, out = set(units), list[Trouble]()
    for unit, value in section.values.items():
        if unit not in known:
            what = f"no {':'.join(by)} is called {unit!r}"
            out.append((("values", unit), what, nearest(unit, units)))
        elif section.use == "covariate" and isinstance(value, str):
            what = f"{value!r} is no number"
            do = 'write a number, or use = "block" where the values are names'
            out.append((("values", unit), what, do))
    return out
