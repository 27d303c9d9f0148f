"""Who gets what: the data of a plan, which knows neither how it was drawn nor how it is printed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from trialkit.design.layout.draw_record import UNKNOWN, Draw
from trialkit.design.layout.layout_words import layout_words
from trialkit.errors import Finding, PlanError
from trialkit.short_repr import short_repr
from trialkit.tabular import Tabular
from trialkit.trial import Factor, Trial
from trialkit.wording import spoken

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.display import Shown


@dataclass(frozen=True)
class Allocation(Tabular):
    """Who gets what, and where that comes from: the data of a plan.

    Parameters
    ----------
    trial : Trial
    table : DataFrame
        One row per smallest unit: unit factors, `unit`, one column per treatment.
    seed : int
        Seed it was drawn from.
    version : str
        Version of trialkit that drew it.
    hash : str
        SHA-256 over assignment, seed and version.
    method : dict
        Treatment → short code of how it was laid out, such as ``"randomised blocks"``.
    efficiency : dict
        Treatment → share of the information that is kept in its own stratum, from 0 to 1.
    bound : dict
        Treatment → the most that any plan over these units could keep.
    findings : tuple of Finding
        What restrictions on the plan cost, and which levels they tie to which places.
    asked : mapping
        The question as ``plan.json`` keeps it; empty for a plan that is not written, laid out by
        hand, or written by an earlier version.
    draws : tuple of Draw
        When it was drawn, the first draw first; empty where that is not known, or where it has
        not been written yet. Units in none of them were not drawn: they ran already.
    """

    trial: Trial
    table: pd.DataFrame
    seed: int
    version: str
    hash: str
    method: dict[str, str]
    efficiency: dict[str, float] = field(default_factory=dict)
    bound: dict[str, float] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()
    asked: Mapping[str, Any] = field(default_factory=dict)
    draws: tuple[Draw, ...] = ()

    _entries = ("seed", "version", "hash", "method", "efficiency", "table", "findings")
    __repr__ = short_repr

    @property
    def undated(self) -> bool:
        """Whether it was drawn and written, but not when is known."""
        return any(draw.at == UNKNOWN for draw in self.draws)

    @property
    def in_parts(self) -> bool:
        """Whether it was not drawn whole at once."""
        whole = len(self.table) == len(self.trial.unit_table())
        drawn_at_once = len(self.draws) == 1 and len(self.draws[0].units) == len(self.table)
        return bool(self.draws) and not (whole and drawn_at_once)

    def assignment(self, factor: str) -> pd.DataFrame:
        """List the units of a treatment's stratum with the level each receives."""
        term = list(self._factor(factor).applied_to)
        return self.table[[*term, factor]].drop_duplicates(ignore_index=True)

    def _factor(self, name: str) -> Factor:
        if name not in self.trial.factors:
            raise PlanError(
                f"no treatment is called {name!r}; there are {', '.join(self.trial.factors)}"
            )
        return self.trial.factors[name]

    def counts(self, factor: str) -> pd.Series:
        """Count the units of the treatment's stratum that receive each level."""
        levels = list(self._factor(factor).levels)
        return self.assignment(factor)[factor].value_counts().reindex(levels, fill_value=0)

    def _percent(self, shares: dict[str, float], name: str) -> str:
        if name not in shares and self.in_parts:  # not known of what was drawn in parts
            return "–"
        return spoken().percent(100 * shares.get(name, 1.0), 1)

    def _shown(self) -> Shown:
        import pandas as pd

        from trialkit.display import show_table

        say = spoken()
        rows = []
        for name, factor in self.trial.factors.items():
            counts = self.counts(name)
            rows.append(
                {
                    "treatment": name,
                    "given": factor.stratum,
                    "units": ", ".join(f"{k} {v}" for k, v in counts.items()),
                    "laid": str(layout_words(self.method.get(name, ""))),
                    "kept": "–" if factor.tuned else self._percent(self.efficiency, name),
                    "best": "–" if factor.tuned else self._percent(self.bound, name),
                }
            )
        version = say.text("plan_words.version", version=self.version, plan=self.hash[:12])
        return show_table(
            pd.DataFrame(rows),
            heads={name: say.text(f"plan_words.head.{name}") for name in rows[0]},
            caption=say.text("plan_words.caption", title=self.trial.title, seed=self.seed),
            notes=(*self.trial.told_invented, version, *map(str, self.findings)),
        )

    def __str__(self) -> str:
        return self._shown().text()

    def _repr_html_(self) -> str:
        return self._shown().html()
