"""What a power calculation found: chances, what they rest on, and how they are shown."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from trialkit.design.power.questions import QUESTIONS, WORDS, Question, Wanted
from trialkit.design.power.variation import Variation
from trialkit.design.strata.comparisons import Comparison
from trialkit.trial import Trial
from trialkit.wording import units_in_words

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.display import Shown


@dataclass(frozen=True)
class PowerTable:
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
    notes: tuple[str, ...] = ()

    def _shown(self) -> list[Shown]:
        from trialkit.display import show_table

        def pct(value: object) -> str:
            number = float(value)  # type: ignore[arg-type]
            return "–" if number != number else f"{100 * number:.0f} %"

        def whole(value: object) -> str:
            return f"{float(value):.3g}"  # type: ignore[arg-type]

        def effect(value: object) -> str:
            number = float(value)  # type: ignore[arg-type]
            return "never" if number == float("inf") else f"{number:.1f} %"

        table = self.table.assign(question=[WORDS[q] for q in self.table["question"]])
        main = show_table(
            table,
            columns=["question", "effect_pct", "power", "low", "high", "detectable_pct",
                     "error_df", "method"],
            heads={
                "question": f"{self.factor}: chance to show that",
                "effect_pct": "if the truth is",
                "power": "chance",
                "low": "much variation",
                "high": "little variation",
                "detectable_pct": f"seen with {self.wanted:.0%}",
                "error_df": "df",
            },
            formats={"power": pct, "low": pct, "high": pct, "effect_pct": effect,
                     "detectable_pct": effect, "error_df": whole},
            caption=f"What “{self.trial.title}” can find out",
            notes=self.notes,
        )  # fmt: skip
        between = self.variation.table
        real = {":".join(s) for s in self.comparison.stands_for}
        between = between[between["stratum"].isin(real)].reset_index(drop=True)
        sources: dict[str, list[str]] = {}
        for name, source in zip(between["stratum"], between["source"], strict=True):
            sources.setdefault(str(source), []).append(units_in_words(str(name).split(":")))
        between["stratum"] = [units_in_words(str(n).split(":")) for n in between["stratum"]]
        spread = show_table(
            between,
            columns=["stratum", "low_pct", "middle_pct", "high_pct"],
            heads={"low_pct": "little [%]", "middle_pct": "middle [%]", "high_pct": "much [%]",
                   "stratum": "between"},
            caption="Variation assumed, standard deviations in per cent of the mean yield",
            notes=[*(f"{', '.join(names)}: {source}" for source, names in sources.items())],
        )  # fmt: skip
        return [main, spread]

    def __str__(self) -> str:
        return "\n\n".join(shown.text() for shown in self._shown())

    def _repr_html_(self) -> str:
        return "".join(shown.html() for shown in self._shown())
