"""What differs between units besides the treatments: start weight, spawn lot, substrate batch."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from trialkit.structure import Term

NOT_KNOWN = "not known"  #: the level of units whose block is not known


@dataclass(frozen=True)
class Covariate:
    """A quantity, or a name such as a lot, that differs between units and is not a treatment.

    Parameters
    ----------
    name : str
        Its column.
    label, unit : str
    by : tuple of str
        Unit factors of the stratum whose units have one value each.
    use : {"covariate", "block"}
        A number with a slope, or names that are levels of a further block.
    measured : {"before", "after"}
        Whether it was known before the treatment began.
    values : dict
        Unit, its levels joined by ``":"`` → value; empty where the harvest sheet has them.
    explains_pct : float or None
        Share of the variance between these units that it is expected to explain.
    """

    name: str
    label: str
    unit: str
    by: Term
    use: Literal["covariate", "block"] = "covariate"
    measured: Literal["before", "after"] = "before"
    values: dict[str, float | str] = field(default_factory=dict)
    explains_pct: float | None = None

    def held_by_layout(self, given: list[Term]) -> bool:
        """Say whether the layout's own blocks take it out of every treatment's comparison.

        Parameters
        ----------
        given : list of tuple of str
            The strata that treatments are given to.

        Examples
        --------
        >>> lot = Covariate("lot", "spawn lot", "", ("batch",), "block")
        >>> lot.held_by_layout([("batch", "chamber")]), lot.held_by_layout([("batch",)])
        (True, False)
        """
        return all(set(self.by) < set(term) for term in given)
