"""A fitted trial: its model, tests, means and differences, and how they are shown."""

from __future__ import annotations

import html
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal

from trialkit.analysis.as_given import Reading
from trialkit.analysis.covariates import IN_THE_MODEL
from trialkit.analysis.logscale import geometric
from trialkit.columns import find_column, head, house_unit
from trialkit.columns.response import response_of
from trialkit.display import show_lines, show_table
from trialkit.errors import Finding
from trialkit.short_repr import short_repr
from trialkit.tabular import Tabular
from trialkit.wording import Named, Units, spoken
from trialkit.wording.method_names import method_words

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.alignment.result import Aligned
    from trialkit.analysis.look import Look
    from trialkit.analysis.tables_of_answers import ByTreatment, TermTests
    from trialkit.analysis.terms import Terms
    from trialkit.model.fit import Fit
    from trialkit.trial import Trial

Scale = Literal["plain", "logarithm"]
#: Share of a mean from which a difference is seen to be another than that of two means.
_SEEN = 0.005


@dataclass(frozen=True)
class Analysis(Tabular):
    """A fitted trial. Make it with `analyse`.

    Parameters
    ----------
    trial : Trial
    data : Aligned
        What the model was fitted to, with the exposures beside it.
    terms : Terms
        The model, as derived from the trial.
    fit : Fit
    tests : DataFrame
        One row per fixed term: `num_df, den_df, F, p, method`; ``result.tests()`` gives a copy.
    means, differences : dict of str to DataFrame
        Per treatment: marginal means, and differences from the control (Dunnett) or between
        all pairs (Tukey). ``result.means("light")`` gives a copy, as ``fit.means("light")``
        does; without a name it is that of the primary treatment.
    ratios : DataFrame
        The primary treatment against its control: `level, reference, ratio, low, high, p,
        p_alone, margin_ratio, df, method, adjust, verdict, note`; limits and `p` (one-sided,
        of a loss of the margin or more) hold jointly for all levels.
    joint_level : float
        Confidence of each single ratio interval that makes them hold jointly.
    flush_means : DataFrame or None
        Means of the primary treatment in each flush; how flushes differ from batch to batch is
        in their limits where there are two batches or more.
    n_used, n_missing : int
        Rows in the model and rows without a response.
    findings : tuple of Finding
    scale : {"plain", "logarithm"}
        Whether `fit` and `tests` are of the response or of its natural logarithm. On the
        logarithm `means` are geometric means, and `differences` and `ratios` those between
        them, in the response's unit.
    follows : {"as planned", "as given"}
        Under which levels the units count.
    other : Analysis or None
        The same under the other levels, where the trial file tells of slips.
    look : Look or None
        The planned look that the harvest has reached; its level is then that of all limits, and
        `trial` and `data` are as at this look.

    Examples
    --------
    >>> import trialkit as tk
    >>> trial = tk.read_trial(tk.demo_folder())
    >>> data = tk.align(trial, tk.read_harvest(trial))
    >>> result = tk.analyse(trial, data)
    >>> result.means["schedule"][["level", "estimate"]].round(0).to_dict("list")
    {'level': ['usual', 'sparse', 'banded'], 'estimate': [233.0, 222.0, 246.0]}
    """

    trial: Trial
    data: Aligned
    terms: Terms
    fit: Fit
    tests: TermTests
    means: ByTreatment
    differences: ByTreatment
    ratios: pd.DataFrame
    joint_level: float
    flush_means: pd.DataFrame | None
    n_used: int
    n_missing: int
    findings: tuple[Finding, ...] = field(default=())
    scale: Scale = "plain"
    follows: Reading = "as planned"
    other: Analysis | None = field(default=None, repr=False)

    _entries = (
        "n_used", "n_missing", "scale", "follows", "tests",
        "means", "differences", "ratios", "findings",
    )  # fmt: skip
    __repr__ = short_repr

    @property
    def readings(self) -> pd.DataFrame:
        """As planned and as given side by side, where there are both.

        One row per reading and level: `reading, followed, level, reference, ratio, low, high, p,
        verdict, runs`.
        """
        import pandas as pd

        parts = []
        both = [(self.follows, self)]
        if self.other is not None:
            both.append(("as given" if self.follows == "as planned" else "as planned", self.other))
        columns = ["level", "reference", "ratio", "low", "high", "p", "verdict"]
        for name, analysis in sorted(both, key=lambda pair: pair[0] == "as given"):
            rows = analysis.ratios[columns].reset_index(drop=True).copy()
            rows.insert(0, "reading", name)
            rows.insert(1, "followed", name == self.follows)
            rows["runs"] = analysis.runs_used
            parts.append(rows)
        return pd.concat(parts, ignore_index=True)

    @property
    def runs_used(self) -> int:
        """Units that received the primary treatment and have a row in the model."""
        table = self.data.table
        rows = table[table[self.terms.response].notna()] if self.terms.response in table else table
        return len(rows[list(self.trial.primary.applied_to)].drop_duplicates())

    look: Look | None = None

    @property
    def joint_level_at_end(self) -> float:
        """Give the joint level that single ratio intervals will have at the trial's end."""
        if self.look is None or self.look.is_last:
            return self.joint_level
        error = (1 - self.joint_level) / (1 - self.look.level)
        return 1 - error * (1 - self.look.level_at_end)

    @property
    def table(self) -> pd.DataFrame:
        """The primary treatment's means."""
        return self.means[self.trial.question.primary]

    @property
    def flushes_summed(self) -> int:
        """Flushes that make up a block's total; 1 where a row is the whole block.

        Means and differences of `fit` are those of one flush on average, every flush weighing
        the same, so that a block's total is this many times as much. A geometric mean over
        flushes adds up to no total.
        """
        total = (
            response_of(self.terms.response, self.trial.harvest_columns).additive
            and self.scale == "plain"
        )
        return len(self.flushes) if total and self.flushes else 1

    @property
    def flushes(self) -> tuple[str, ...]:
        """Flushes that the model tells apart; none where a row is the whole block."""
        if "flush" not in self.terms.fixed.split(" + "):
            return ()
        return tuple(map(str, self.fit.design.levels["flush"]))

    def predict(self, table: Any = None, *, level: float | None = None) -> pd.DataFrame:
        """Predict the mean response for the rows of a table, in the response's unit.

        Parameters
        ----------
        table : DataFrame, optional
            One column per treatment, and `flush` where the model has flushes; the rows of the
            model by default.
        level : float, optional
            Confidence of each mean's limits (not joint); that of the trial by default.

        Returns
        -------
        DataFrame
            As `Fit.predict`; geometric means where the analysis is on the logarithm.

        Examples
        --------
        >>> import pandas as pd
        >>> import trialkit as tk
        >>> trial = tk.read_trial(tk.demo_folder())
        >>> result = tk.analyse(trial, tk.align(trial, tk.read_harvest(trial)))
        >>> asked = pd.DataFrame({"schedule": ["usual"], "light": ["dim"], "flush": [1]})
        >>> result.predict(asked)["estimate"].round(0).tolist()
        [373.0]
        """
        found = self.fit.predict(table, level=level)
        return geometric(found) if self.scale == "logarithm" else found

    def per_block(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Give means or differences of a block over all its flushes, as a grower counts them.

        Parameters
        ----------
        frame : DataFrame
            Means or differences of this analysis: `estimate, se, low, high`.

        Returns
        -------
        DataFrame
            A copy with these columns times the number of flushes.
        """
        columns = [c for c in ("estimate", "se", "low", "high") if c in frame]
        return frame.assign(**{c: frame[c] * self.flushes_summed for c in columns})

    def cell_means(self, by: str) -> pd.DataFrame:
        """Give means of the primary treatment at each level of another, in the response's unit.

        Parameters
        ----------
        by : str
            Another treatment, or ``"flush"``.

        Returns
        -------
        DataFrame
            As `Fit.means`; geometric means where the analysis is on the logarithm.
        """
        if by == "flush" and self.flush_means is not None:
            return self.flush_means.copy()
        means = self.fit.means(self.trial.question.primary, by=by)
        return geometric(means) if self.scale == "logarithm" else means

    @property
    def quantity(self) -> str:
        """What a mean is, in words with its unit."""
        say = spoken()
        repeated = "flush" in self.terms.fixed.split(" + ")
        key = "quantity.flush" if repeated else "quantity.whole"
        if self.flushes_summed > 1:
            key = "quantity.total"
        column = find_column(self.terms.response, self.trial.columns)
        label = Named(f"glossary_label.{self.terms.response}", column.label if column else "")
        smallest = Units((self.trial.structure.smallest[-1],), 1)
        words = say.text(key, label=label, smallest=smallest, n=self.flushes_summed)
        if self.scale == "logarithm":
            words = say.text("quantity.geometric", quantity=words)
        unit = house_unit(self.terms.response, self.trial.columns)
        return f"{words} [{unit}]" if unit else words

    def _tables(self) -> list[Any]:
        """Format means and differences."""
        say, question = spoken(), self.trial.question
        unit, level = self.quantity, say.confidence(question.level)
        means = self.per_block(self.means[question.primary])
        columns = ["level", "estimate", "low", "high", "df"]
        substrate = self.trial.blocks.dry_substrate_g
        if substrate and self.terms.response == "fresh_g" and self.scale == "plain":
            means["be_pct"] = 100 * means["estimate"] / substrate
            columns.insert(4, "be_pct")
        heads = {name: say.either(f"column.{name}", head(name)) for name in columns}
        shown = [
            show_table(
                means,
                columns=columns,
                heads=heads | {"level": question.primary},
                caption=say.text("analysis_table.means", quantity=unit, level=level),
            )
        ]
        for name, frame in self.differences.items():
            joint = "joint" if len(frame) > 1 else "alone"
            columns = ["first", "second", "estimate", "low", "high", "p", "method"]
            heads = {column: say.text(f"column.{column}") for column in columns}
            heads |= {
                "first": name,
                "estimate": say.text("column.difference"),
                "p": say.text(f"analysis_table.p_difference.{joint}"),
            }
            shown.append(
                show_table(
                    self.per_block(frame),
                    columns=columns,
                    heads=heads,
                    formats={"method": lambda value: method_words(str(value), say)},
                    caption=say.text(
                        f"analysis_table.differences.{joint}",
                        factor=name,
                        quantity=unit,
                        level=level,
                    ),
                    notes=[say.text("method_note.fixed")] if self._leaves_means(name) else (),
                )
            )
        return shown

    def _leaves_means(self, name: str) -> bool:
        """Say whether some difference is seen not to be that of two means of the table above."""
        if name != self.trial.question.primary or name not in self.means:
            return False
        means = self.means[name].set_index("level")["estimate"]
        rows = self.differences[name]
        apart = rows["first"].map(means).astype(float) - rows["second"].map(means).astype(float)
        off = (rows["estimate"] - apart).abs()
        return bool((off > _SEEN * means.abs().max()).any())

    def _shown(self) -> list[Any]:
        return [*self._tables(), *([self.shown_readings()] if self.other is not None else [])]

    def shown_readings(self) -> Any:
        """Format as planned and as given side by side."""
        say, rows = spoken(), self.readings
        table = rows.assign(
            reading=[say.text(f"reading.{name.replace(' ', '_')}") for name in rows["reading"]],
            followed=[say.text("page.yes") if yes else "" for yes in rows["followed"]],
        )
        columns = ["reading", "followed", "level", "reference", "ratio", "low", "high", "runs"]
        heads = {name: say.either(f"column.{name}", name) for name in columns}
        heads |= {name: say.text(f"reading.head.{name}") for name in ("reading", "followed")}
        heads["runs"] = say.text("reading.head.units")
        return show_table(table, columns=columns, heads=heads, caption=say.text("reading.caption"))

    def shown_tables(self) -> list[Any]:
        """Give the means, with what covariates they are at, and the differences, as tables."""
        means, *others = self._tables()
        at = tuple(str(one.message) for one in self.covariates_used)
        return [replace(means, notes=(*means.notes, *at)), *others]

    @property
    def covariates_used(self) -> list[Finding]:
        """What is said of covariates and further blocks in the model: at which value, what gain."""
        return [one for one in self.findings if one.code in IN_THE_MODEL]

    def __str__(self) -> str:
        tables = (table.text() for table in self._shown())
        told = self.trial.told_invented
        return "\n\n".join([self.trial.title, *told, *tables, *map(str, self.findings)])

    def _repr_html_(self) -> str:
        tables = "".join(table.html() for table in self._shown())
        told = "".join(f"<p>{html.escape(line)}</p>" for line in self.trial.told_invented)
        return told + tables + show_lines(self.findings).html()
