"""What a power calculation found: chances, what they rest on, and how they are shown."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from trialkit.design.power.notes import method_words
from trialkit.design.power.questions import QUESTIONS, Question, Wanted
from trialkit.design.strata.comparisons import Comparison
from trialkit.design.variation import Variation
from trialkit.short_repr import short_repr
from trialkit.tabular import Tabular
from trialkit.trial import Trial
from trialkit.wording import Message, spoken, units_in_words

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.display import Shown


@dataclass(frozen=True)
class PowerTable(Tabular):
    """The chance that a trial answers its question. Make it with `power`.

    Parameters
    ----------
    trial : Trial
    factor : str
        Treatment asked about.
    table : DataFrame
        One row per question: `question, effect_pct, power, low, high, detectable_pct,
        error_df, n_units, method`. `low` and `high` are the power at the high and the low
        end of the variation; from a pilot they hold the true power in about 9 of 10 pilots.
        For simulations also `mc_se`. `method` says "exact" only where the closed form is.
    variation : Variation
    wanted : float
        Power aimed at.
    """

    trial: Trial
    factor: str
    table: pd.DataFrame
    variation: Variation
    wanted: float
    comparison: Comparison = field(repr=False)
    asked: Wanted = field(repr=False)
    questions: tuple[Question, ...] = QUESTIONS
    said: tuple[Message, ...] = ()

    _entries = ("factor", "wanted", "table", "notes")
    __repr__ = short_repr

    @property
    def notes(self) -> tuple[str, ...]:
        """Say what a reader of the powers must know, in the language in use."""
        return tuple(map(str, self.said))

    def _shown(self) -> list[Shown]:
        from trialkit.display import show_table

        say = spoken()

        def pct(value: object) -> str:
            return say.percent(100 * float(value))  # type: ignore[arg-type]

        def effect(value: object) -> str:
            never = value == float("inf")
            return say.text("power.never") if never else say.percent(value, 1)

        columns = [
            "question",
            "effect_pct",
            "power",
            "low",
            "high",
            "detectable_pct",
            "error_df",
            "method",
        ]
        values = {"treatment": self.factor, "wanted": say.percent(100 * self.wanted)}
        main = show_table(
            self.table,
            columns=columns,
            heads={name: say.text(f"power.head.{name}", **values) for name in columns},
            formats={
                "question": lambda question: say.text(f"power.question.{question}"),
                "power": pct,
                "low": pct,
                "high": pct,
                "effect_pct": effect,
                "detectable_pct": effect,
                "error_df": lambda df: say.written(df, ".3g"),
                "method": lambda code: str(method_words(str(code))),
            },
            caption=say.text("power.caption", title=self.trial.title),
            notes=self.notes,
        )
        between = self.variation.table
        real = {":".join(s) for s in self.comparison.stands_for}
        between = between[between["stratum"].isin(real)].reset_index(drop=True)
        columns = ["stratum", "low_pct", "middle_pct", "high_pct"]
        sources: dict[str, list[str]] = {}
        for name, source in zip(between["stratum"], between["source"], strict=True):
            sources.setdefault(str(source), []).append(units_in_words(str(name).split(":")))
        between["stratum"] = [units_in_words(str(n).split(":")) for n in between["stratum"]]
        spread = show_table(
            between,
            columns=columns,
            heads={name: say.text(f"variation.head.{name}") for name in columns},
            caption=say.text("variation.caption"),
            notes=[
                say.text("variation.source", units=", ".join(names), source=source)
                for source, names in sources.items()
            ],
        )
        return [main, spread]

    def __str__(self) -> str:
        return "\n\n".join(shown.text() for shown in self._shown())

    def _repr_html_(self) -> str:
        return "".join(shown.html() for shown in self._shown())
