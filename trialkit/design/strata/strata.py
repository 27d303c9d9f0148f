"""Where each treatment is compared, and with how many degrees of freedom.

The skeleton of the analysis of variance: each stratum of units, the treatments whose
comparisons lie in it, and what is left over to judge chance by. A treatment that is not
balanced over larger units is split over strata; its efficiency factor says how much of its
information lies in each.

References
----------
.. [1] Nelder, J. A. (1965). Proc. R. Soc. A 283, 147-178. doi:10.1098/rspa.1965.0012
.. [2] James, A. T. and Wilkinson, G. N. (1971). Biometrika 58, 279-294.
   doi:10.1093/biomet/58.2.279
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import combinations
from math import prod
from typing import TYPE_CHECKING

import numpy as np

from trialkit.arrays import Floats, Ints
from trialkit.design.layout.allocation import Allocation
from trialkit.design.layout.chance import Draws
from trialkit.design.layout.efficiency import information
from trialkit.design.layout.procedure import base_layouts
from trialkit.design.layout.site import treated_sites
from trialkit.design.layout.trend import kept_on_average
from trialkit.design.layout.units import groupings, unit_of
from trialkit.design.strata.covariate_cost import cost_notes
from trialkit.design.strata.remedies import refusal, scarce
from trialkit.design.strata.surface_terms import surface_rows, surface_sentences
from trialkit.errors import DesignError
from trialkit.right_kind import check_kinds
from trialkit.short_repr import short_repr
from trialkit.structure import Structure, Term
from trialkit.tabular import Tabular
from trialkit.trial import Trial
from trialkit.trial.over_time import START_NO, laid_out, over_starts, plain_name
from trialkit.wording import Message, Units, message, spoken

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.display import Shown

_TINY = 1e-6


@dataclass(frozen=True)
class Line:
    """A line of the skeleton.

    Parameters
    ----------
    stratum : tuple of str
    name : str
        Treatment term such as ``"schedule:light"``; empty for what is left over.
    df : int
    efficiency : float
        Share of the term's information in this stratum; NaN for what is left over.
    amount : float
        The information itself: the sum of the term's efficiency factors here.
    """

    stratum: Term
    name: str
    df: int
    efficiency: float = float("nan")
    amount: float = 0.0


@dataclass(frozen=True)
class Strata(Tabular):
    """The skeleton analysis of variance of a trial. Make it with `strata`.

    Parameters
    ----------
    table : DataFrame
        One row per source: `stratum, source, df, n_units, tested_in, error_df, efficiency`.
        `source` is a treatment term or ``"error"``; `tested_in` is the stratum where most
        of the term's information lies.
    said : tuple of Message
        The same in words, and where fewer than 3 degrees of freedom are left to judge a
        treatment by, what would fix that.
    """

    trial: Trial
    table: pd.DataFrame
    said: tuple[Message, ...]

    _entries = ("table", "sentences")
    __repr__ = short_repr

    @property
    def sentences(self) -> tuple[str, ...]:
        """Say the same in words, in the language in use."""
        return tuple(map(str, self.said))

    def error_df(self, factor: str) -> int:
        """Give the degrees of freedom for error where a treatment term is tested."""
        rows = self.table[(self.table["source"] == factor)]
        rows = rows[rows["stratum"] == rows["tested_in"]]
        if rows.empty:
            known = sorted(set(self.table["source"]) - {"error"})
            raise DesignError(f"no treatment term is called {factor!r}; there are {known}")
        return int(rows["error_df"].iloc[0])

    def _shown(self) -> Shown:
        from trialkit.display import show_table

        table = self.table.copy()
        table["stratum"] = [
            s if i == 0 or s != table["stratum"].iloc[i - 1] else ""
            for i, s in enumerate(table["stratum"])
        ]
        say = spoken()
        said = {"error": say.text("strata.error"), START_NO: say.text("strata.over_starts")}
        table["source"] = table["source"].replace(said)
        columns = ["stratum", "n_units", "source", "df", "efficiency"]
        return show_table(
            table,
            columns=columns,
            heads={name: say.text(f"strata.head.{name}") for name in columns},
            caption=say.text("strata.caption", title=self.trial.title),
            notes=self.sentences,
        )

    def __str__(self) -> str:
        return self._shown().text()

    def _repr_html_(self) -> str:
        return self._shown().html()


def strata(trial: Trial, *, plan: Allocation | None = None) -> Strata:
    """Lay out which units each treatment is compared between, with degrees of freedom.

    Parameters
    ----------
    trial : Trial
    plan : Plan, optional
        Use this very assignment; otherwise the layout that `assign` would randomise.

    Returns
    -------
    Strata

    Raises
    ------
    DesignError
        If a treatment's main effect leaves nothing to estimate the error from; the message
        says what would fix it and what that costs.

    References
    ----------
    .. [1] Nelder (1965), doi:10.1098/rspa.1965.0012.

    Examples
    --------
    >>> import trialkit as tk
    >>> s = tk.strata(tk.read_trial(tk.demo_folder()))
    >>> s.error_df("schedule"), s.error_df("light")
    (13, 21)
    """
    check_kinds("strata", trial=trial)
    import pandas as pd

    if trial.tuned:
        table = pd.DataFrame(surface_rows(trial))
        return Strata(trial, table, tuple(surface_sentences(trial, plan)))
    absent = len(trial.never_grown)
    if plan is not None and len(plan.table) < len(trial.unit_table()):
        plan = None  # the skeleton is that of whole counts
    laid = laid_out(trial)
    lines = trial_lines(trial, plan)
    left = {line.stratum: line.df for line in lines if not line.name}
    home = home_strata(lines)
    for factor in laid.factors.values():
        where = home.get(factor.name, factor.applied_to)
        if factor.name not in home or left[where] <= 0:
            raise DesignError(refusal(trial, factor.name, where))
    sizes = laid.structure.counts(laid.counts)
    rows = [
        {
            "stratum": plain_name(line.stratum),
            "source": line.name or "error",
            "df": line.df,
            "n_units": sizes[line.stratum],
            "tested_in": plain_name(home.get(line.name, line.stratum)),
            "error_df": left[line.stratum],
            "efficiency": line.efficiency,
        }
        for line in lines
    ]
    said = [*_sentences(trial, lines, home, left), *_trend_sentence(trial)]
    if absent:
        smallest = Units((trial.structure.smallest[-1],), absent)
        said.append(message("strata.never_grown", number=absent, units=smallest))
    return Strata(trial, pd.DataFrame(rows), tuple(said))


def trial_lines(trial: Trial, plan: Allocation | None = None) -> list[Line]:
    """Give the skeleton of a trial for a plan, or for the layout that would be drawn."""
    trial = laid_out(trial)
    if plan is None:
        treatments = held_levels(trial)
    else:
        treatments = {}
        for name, factor in trial.factors.items():
            number = {level: i for i, level in enumerate(factor.levels)}
            column = plan.assignment(name)[name]
            held = np.array([number[level] for level in column], dtype=np.int64)
            treatments[name] = (factor.applied_to, held, len(factor.levels))
    return with_trend(trial, skeleton_lines(trial.structure, trial.counts, treatments))


def with_trend(trial: Trial, lines: list[Line]) -> list[Line]:
    """Take the degree of freedom of a trend over starts out of what is left to judge by."""
    if trial.over_time != "trend":
        return lines
    stands_for = trial.structure.merged(trial.counts)
    at = {stands_for[factor.applied_to] for factor in over_starts(trial).values()}
    out = []
    for line in lines:
        if line.stratum in at and not line.name:
            out.append(Line(line.stratum, START_NO, 1, 1.0))
            line = replace(line, df=line.df - 1)
        out.append(line)
    return out


def held_levels(
    trial: Trial, *, quick: bool = False, closely: Term | None = None
) -> dict[str, tuple[Term, Ints, int]]:
    """Give each treatment's stratum, level number per unit before randomisation, and levels."""
    sites = treated_sites(trial)
    found: dict[str, tuple[Term, Ints, int]] = {}
    for layout in base_layouts(sites, Draws(trial.seed), quick=quick, closely=closely):
        for name, level in layout.site.level_of.items():
            taken = level[layout.treatment].astype(np.int64)
            found[name] = (layout.site.term, taken, len(layout.site.asked[name]))
    return {name: found[name] for name in trial.factors}


def skeleton_lines(
    structure: Structure,
    counts: Mapping[str, int],
    treatments: Mapping[str, tuple[Term, Ints, int]],
) -> list[Line]:
    """Split every treatment term over the strata, from an actual arrangement.

    Parameters
    ----------
    structure, counts
        Unit structure and levels per unit factor.
    treatments : mapping
        Treatment → (stratum, level number of each unit of it in plan order, levels).

    Returns
    -------
    list of Line
        Per stratum, coarsest first: the terms with information there, then what is left.

    Notes
    -----
    Terms are made orthogonal in order (main effects, then interactions). With U an
    orthonormal basis of a term over units and Q the projection onto a stratum, the
    eigenvalues of U'QU are the term's efficiency factors there ([1]_); their harmonic mean
    is shown. Degrees of freedom are those that a term adds to the terms before it in the
    stratum, so that they add up.

    References
    ----------
    .. [1] James and Wilkinson (1971), doi:10.1093/biomet/58.2.279.
    """
    finest = structure.join(*(term for term, _, _ in treatments.values()))
    cells, sizes = _combined(structure, counts, finest, treatments)
    present, cell = np.unique(cells, return_inverse=True)
    held = np.bincount(cell).astype(float)
    info = information(groupings(structure, counts, finest), cell.astype(np.int64), len(present))
    bases = _term_bases(present, sizes, held, list(treatments))
    free = structure.degrees_of_freedom(counts)
    out: list[Line] = []
    for stratum in structure.strata(counts):
        used = 0
        if stratum in info:
            here = _lines_in(stratum, bases, info[stratum])
            used = sum(line.df for line in here)
            out += here
        out.append(Line(stratum, "", free[stratum] - used))
    return out


def _lines_in(stratum: Term, bases: Mapping[str, Floats], info: Floats) -> list[Line]:
    """Give the lines of the terms with information in one stratum.

    Where terms overlap, degrees of freedom go to those with most of their information there.
    """
    found = {}
    for name, basis in bases.items():
        values = np.linalg.eigvalsh(basis.T @ info @ basis)
        kept = values[values > _TINY]
        if len(kept):
            mean = min(1.0, len(kept) / float(np.sum(1 / kept)))
            found[name] = (round(mean, 10), round(float(kept.sum()), 9))
    df: dict[str, int] = {}
    before, used = np.zeros((len(info), 0)), 0
    for name in sorted(found, key=lambda name: -found[name][1] / bases[name].shape[1]):
        before = np.hstack([before, bases[name]])
        rank = int((np.linalg.eigvalsh(before.T @ info @ before) > _TINY).sum())
        df[name], used = rank - used, rank
    return [Line(stratum, n, df[n], *found[n]) for n in found if df[n]]


def _combined(
    structure: Structure,
    counts: Mapping[str, int],
    finest: Term,
    treatments: Mapping[str, tuple[Term, Ints, int]],
) -> tuple[Ints, list[int]]:
    """Give each unit of the finest stratum the number of its treatment combination."""
    cells = np.zeros(prod(counts[name] for name in finest), dtype=np.int64)
    sizes = []
    for term, held, n in treatments.values():
        cells = cells * n + held[unit_of(finest, term, counts)]
        sizes.append(n)
    return cells, sizes


def _term_bases(
    present: Ints, sizes: list[int], held: Floats, names: list[str]
) -> dict[str, Floats]:
    """Give for each treatment term L with L' R L = I, orthogonal to the terms before it."""
    level = np.array(np.unravel_index(present, sizes))
    root = np.sqrt(held)
    space = (root / np.linalg.norm(root))[:, None]  # the mean
    out: dict[str, Floats] = {}
    for order in range(1, len(names) + 1):
        for combo in combinations(range(len(names)), order):
            _, group = np.unique(level[list(combo)], axis=1, return_inverse=True)
            columns = np.eye(int(group.max()) + 1)[group.ravel()] * root[:, None]
            columns = columns - space @ (space.T @ columns)
            u, s, _ = np.linalg.svd(columns, full_matrices=False)
            basis = u[:, s > _TINY * root.max()]
            if basis.shape[1]:
                out[":".join(names[i] for i in combo)] = basis / root[:, None]
                space = np.hstack([space, basis])
    return out


def home_strata(lines: list[Line]) -> dict[str, Term]:
    """Give for each term the stratum with most of its information."""
    best: dict[str, Line] = {}
    for line in lines:
        if line.name and line.name != START_NO:
            known = best.get(line.name)
            if known is None or line.amount > known.amount + 1e-7:
                best[line.name] = line
    return {name: line.stratum for name, line in best.items()}


def _trend_sentence(trial: Trial) -> list[Message]:
    """Say what a trend in the model costs."""
    kept = [kept_on_average(site.target) for site in treated_sites(trial) if site.trend]
    return [message("strata.trend", lost=100 * (1 - share)) for share in kept]


def _sentences(
    trial: Trial, lines: list[Line], home: dict[str, Term], left: dict[Term, int]
) -> list[Message]:
    out = []
    order = {name: i for i, name in enumerate(trial.factors)}
    names = sorted(home, key=lambda name: (name.count(":"), [order[n] for n in name.split(":")]))
    for name in names:
        stratum = home[name]
        here = next(line for line in lines if line.name == name and line.stratum == stratum)
        said = message(
            "strata.compared_together" if ":" in name else "strata.compared",
            what=name.split(":"),
            units=Units(stratum),
            df=left[stratum],
        )
        if here.efficiency < 1 - 1e-6:
            rest = [
                message("strata.rest", share=100 * line.efficiency, units=Units(line.stratum))
                for line in lines
                if line.name == name and line.stratum != stratum
            ]
            key = "strata.share_rest" if rest else "strata.share"
            said = message(key, compared=said, share=100 * here.efficiency, rest=rest)
        out.append(said)
        out += cost_notes(trial, name, stratum, left[stratum]) if name in trial.factors else []
    few = [scarce(trial, name, left[home[name]]) for name in trial.factors if name in home]
    return [*out, *filter(None, few)]
