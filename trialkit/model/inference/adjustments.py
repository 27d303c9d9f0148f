"""The ways to allow for several comparisons at once: their names, and what each needs.

Every question that takes ``adjust=`` looks its choices up here, so that a name means the same
everywhere and a name that nobody knows is refused everywhere.
"""

from __future__ import annotations

from dataclasses import dataclass

from trialkit.errors import ModelError


@dataclass(frozen=True)
class Adjustment:
    """One way to allow for several comparisons.

    Parameters
    ----------
    name : str
        As asked for with ``adjust=``.
    label : str
        What was done, as the column `adjust` says it.
    fits : frozenset of str
        Kinds of families it is made for: ``"pairs"`` of means, levels ``"against"`` a
        reference, and ``"any"`` rows.
    """

    name: str
    label: str
    fits: frozenset[str]


ADJUSTMENTS = {
    one.name: one
    for one in (
        Adjustment("tukey", "tukey", frozenset({"pairs", "against"})),
        Adjustment("dunnett", "dunnett", frozenset({"against"})),
        Adjustment("holm", "holm (limits by bonferroni)", frozenset({"pairs", "against", "any"})),
        Adjustment("none", "none", frozenset({"pairs", "against", "any"})),
    )
}


def choose_adjustment(adjust: str, family: str, *, without: tuple[str, ...] = ()) -> Adjustment:
    """Look an adjustment up, and refuse one that is unknown or not made for these rows.

    Parameters
    ----------
    adjust : str
        As asked for.
    family : {"pairs", "against", "any"}
        What the rows are: all pairs of means, levels against one reference, or any others,
        such as trends and interactions.
    without : tuple of str
        Further names that cannot be used here.

    Returns
    -------
    Adjustment

    Raises
    ------
    ModelError
        Names the choices.

    Examples
    --------
    >>> choose_adjustment("holm", "any").label
    'holm (limits by bonferroni)'
    """
    choices = [a.name for a in ADJUSTMENTS.values() if family in a.fits and a.name not in without]
    shown = ", ".join(f'"{name}"' for name in choices)
    if not isinstance(adjust, str) or adjust not in ADJUSTMENTS:
        raise ModelError(f"adjust={adjust!r} is not known; use one of {shown}")
    if adjust in choices:
        return ADJUSTMENTS[adjust]
    if adjust == "dunnett" and family == "pairs":
        raise ModelError(
            'adjust="dunnett" compares each level with one reference; name it, '
            'as in against="usual"'
        )
    rows = "trends and interactions" if family == "any" else "these comparisons"
    raise ModelError(f'adjust="{adjust}" is not made for {rows}; use one of {shown}')
