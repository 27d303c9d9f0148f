"""Power by simulated trials, each analysed with the small-sample tests of the analysis.

Trials come in chunks. A chunk has its own seed, made from the trial's seed and the number
of the chunk, and its own pattern of lost units; so the numbers depend on neither how many
processes share the work nor in which order they finish.

References
----------
.. [1] O'Neill, M. E. (2014). PCG: a family of simple fast space-efficient statistically good
   algorithms for random number generation. Harvey Mudd College HMC-CS-2014-0905.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, product
from math import prod
from typing import TYPE_CHECKING, Any

import numpy as np

from trialkit.arrays import Floats
from trialkit.design.layout.units import strata_coefficients, unit_of
from trialkit.design.power.covariates import with_known_values
from trialkit.design.power.noise import draw_noise, stratum_sd, take_by_batch
from trialkit.design.power.questions import (
    Question,
    Wanted,
    critical_value,
    effect_of,
    rows_against,
    worst_row,
)
from trialkit.design.power.ratio_tests import ratio_tests
from trialkit.design.power.simulation_job import Job
from trialkit.design.strata.comparisons import Comparison, Solved
from trialkit.design.variation import Variation
from trialkit.errors import ModelError
from trialkit.trial import Trial
from trialkit.trial.over_time import START_NO, column_names, laid_out, with_starts

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.model.batch import Batch

CHUNK = 500  #: trials that share a pattern of lost units
ENDS = 0.1  #: trials at each end of the variation, as a share of those at its middle


def make_job(
    trial: Trial,
    plan_table: pd.DataFrame,
    c: Comparison,
    variation: Variation,
    wanted: Wanted,
    questions: tuple[Question, ...],
    seed: int,
) -> Job:
    """Gather what the simulation of a trial needs."""
    plan_table, known = with_known_values(trial, with_starts(trial, plan_table))
    trial = laid_out(trial)
    structure, counts = trial.structure, trial.counts
    strata = structure.strata(counts)
    whole = strata[-1]
    n = len(plan_table)
    absent = plan_table["unit"].isin(trial.never_grown).to_numpy()
    groups = {":".join(s): unit_of(structure.smallest, s, counts) for s in strata}
    coefficients = {
        ":".join(s): {":".join(k): v for k, v in strata_coefficients(structure, counts, s).items()}
        for s in strata
    }
    ends = [dict(phi) for phi in variation.at_ends(c.error_weights(wanted.lost))]
    by_batch = [take_by_batch(phi, c, variation, trial.primary.name) for phi in ends]
    spread = tuple({":".join(s): stratum_sd(phi, c, s, n) for s in strata} for phi in ends)
    rows = rows_against(c, wanted.reference) if ":" not in c.name else c.interaction_row()[None]
    solved = c.solve(variation.point(1), wanted.lost)
    target, effect = _true_effects(plan_table, c, solved, wanted)
    grid = _df_grid(c.error_df)
    return Job(
        table=plan_table.drop(columns="unit"),
        absent=absent if absent.any() else None,
        fixed=" + ".join([_fixed(trial, c), *known]),
        known=known,
        random=tuple(column_names(s) for s in strata if s != whole),
        groups=groups,
        spread=spread,
        coefficients=coefficients,
        effect=effect,
        term=c.name,
        target=target,
        reference=c.levels[0][wanted.reference],
        questions=questions,
        wanted=wanted,
        critical_df=grid,
        critical=np.array([critical_value(solved, rows, float(df), wanted) for df in grid]),
        seed=seed,
        primary=trial.primary.name,
        given_to=tuple(column_names(trial.primary.applied_to).split(":")),
        by_batch=tuple(by_batch),
    )


def _df_grid(df: int) -> Floats:
    """Give degrees of freedom, from very few to many, dense around the expected ones."""
    near = df * np.array([0.3, 0.5, 0.7, 0.85, 1.0, 1.15, 1.4, 2.0, 4.0])
    return np.unique(np.clip(np.concatenate([[1.0, 2.0, 3.0, 5.0], near, [500.0]]), 1.0, None))


def _fixed(trial: Trial, c: Comparison) -> str:
    """Give main effects and the two-way interactions that some stratum can still test."""
    from trialkit.structure import skeleton

    terms = list(trial.factors)
    given = {f.name: (f.applied_to, len(f.levels)) for f in trial.factors.values()}
    lines = skeleton(trial.structure, trial.counts, given)
    spare = dict(c.spare_df)
    for pair in map(":".join, combinations(trial.factors, 2)):
        line = next(s for s in lines if s.name == pair)
        if spare.get(line.stratum, 0) > 0 or pair == c.name:
            terms.append(pair)
    return " + ".join([*terms, START_NO] if trial.over_time == "trend" else terms)


def _true_effects(
    table: pd.DataFrame, c: Comparison, solved: Solved, wanted: Wanted
) -> tuple[str, Floats]:
    """Spread the difference: target up by half, reference down by half, the rest between.

    This is the least favourable case for the joint test of all levels.
    """
    out = np.zeros(len(table))
    if ":" in c.name:
        parts = [
            np.where(table[name] == levels[0], 1.0, np.where(table[name] == levels[1], -1.0, 0.0))
            for name, levels in zip(c.name.split(":"), c.levels, strict=True)
        ]
        return c.levels[0][0], np.asarray(wanted.difference_pct / 2 ** len(parts) * prod(parts))
    rows = rows_against(c, wanted.reference)
    others = [i for i in range(len(c.levels[0])) if i != wanted.reference]
    worst = others[worst_row(solved, rows)[0]]
    target, reference = c.levels[0][worst], c.levels[0][wanted.reference]
    half = wanted.difference_pct / 2
    out[(table[c.name] == target).to_numpy()] = half
    out[(table[c.name] == reference).to_numpy()] = -half
    return target, out


def run_chunk(job: Job, end: int, index: int, size: int) -> dict[str, int]:
    """Simulate and analyse one chunk; give the number of positive answers per question.

    Parameters
    ----------
    job : Job
    end : {0, 1, 2}
        Low, middle or high variation.
    index : int
        Number of the chunk; decides its seed.
    size : int
        Trials in it.

    Returns
    -------
    dict
        Question → positive answers; ``"failed"`` → trials too damaged to analyse.
    """
    # the same children as SeedSequence(seed).spawn(...) has, without making all of them
    sequence = np.random.SeedSequence(job.seed, spawn_key=(end, index))
    rng = np.random.Generator(np.random.PCG64(sequence))
    keep = _kept(job, rng)
    responses = 100.0 + job.effect + draw_noise(job, end, size, rng)
    try:
        parts = [_answers(job, batch) for batch in _fitted(job, keep, responses)]
        answers = {str(name): sum(part[name] for part in parts) for name in job.questions}
    except ModelError:
        return {**dict.fromkeys(map(str, job.questions), 0), "failed": size}
    return {**answers, "failed": 0}


def _fitted(job: Job, keep: Any, responses: Floats) -> list[Batch]:
    """Fit as the analysis does: with batch × treatment where it can be told and has to stay."""
    from trialkit.model.batch import fit_batch
    from trialkit.model.inference.crossed_effect import can_be_told, crossed_df, stands_clear

    table, Y, random = job.table[keep], responses[:, keep], list(job.random)
    clear = np.zeros(len(Y), dtype=bool)
    if "batch" in job.given_to and table["batch"].nunique() > 1:
        df = crossed_df(table, job.given_to, "batch", job.primary)
        if can_be_told(df):
            term = f"batch:{job.primary}"
            whole = fit_batch(table, Y, fixed=job.fixed, random=[*random, term])
            clear = stands_clear(whole.prepared, whole.variances, job.primary, term, df)
            if clear.all():
                return [whole]
    out = [fit_batch(table, Y[~clear], fixed=job.fixed, random=random)]
    if clear.any():
        out.append(fit_batch(table, Y[clear], fixed=job.fixed, random=[*random, term]))
    return out


def _kept(job: Job, rng: np.random.Generator) -> Any:
    keep = np.ones(len(job.table), dtype=bool) if job.absent is None else ~job.absent
    for stratum, share in sorted(job.wanted.lost.items()):
        if share > 0:
            unit = job.groups[stratum]
            lost = rng.random(int(unit.max()) + 1) < share
            keep &= ~lost[unit]
    return keep


def _answers(job: Job, batch: Batch) -> dict[str, int]:
    """Count positive answers by the default small-sample tests."""
    out: dict[str, int] = {}
    design = batch.prepared.design
    if ":" in job.term:
        row = _interaction(job, design)
        ask = _ask(batch, np.vstack([row, *_spanning(job, design, row)]))
    else:
        top, bottom = (_mean_row(job, design, level) for level in (job.target, job.reference))
        others = [x for x in design.levels[job.term] if x not in (job.target, job.reference)]
        rest = [_mean_row(job, design, str(level)) - bottom for level in others]
        ask = _ask(batch, np.vstack([top - bottom, *rest]))
    if "any" in job.questions:
        out["any"] = int((ask.p < 1 - job.wanted.level).sum())
    if "difference" in job.questions:
        out["difference"] = int((np.abs(ask.t) > _critical(job, ask.df)).sum())
    if "no worse" in job.questions:
        theta = 1 - job.wanted.margin_pct / 100
        apart = np.vstack([top - bottom, *rest])
        found = ratio_tests(batch, apart, bottom, theta)
        # errors do not depend on fixed effects: exchange those drawn for those of this question
        change = effect_of("no worse", job.wanted) - _drawn(job, theta)
        t = (found.estimate + change) / found.se
        clear = found.mean_t > _critical(job, found.mean_df)
        out["no worse"] = int((clear & (t > _critical(job, found.df))).sum())
    return out


@dataclass(frozen=True)
class _Asked:
    """The first of some rows in every simulated trial, and all of them jointly."""

    t: Floats
    se: Floats
    df: Floats
    p: Floats


def _ask(batch: Batch, rows: Floats, *, joint: bool = True) -> _Asked:
    """Ask rows together, as the analysis does, so that they share one method and its fits."""
    from trialkit.model.inference.default import answer
    from trialkit.model.inference.question import Question
    from trialkit.model.inference.tails import f_upper

    design = batch.prepared.design
    if not design.estimable(rows).all():
        raise ModelError("a comparison cannot be estimated: too much was lost")
    question = Question(batch.prepared, rows[:, design.kept])
    parts, start = [], 0
    for state in batch.states:
        stop = start + len(state.phi)
        a = answer(question, state, batch.responses[start:stop], "default", joint=joint)
        se = np.sqrt(a.cov[:, 0, 0])
        p = f_upper(a.F, len(rows), a.den_df) if joint else np.full(len(se), np.nan)
        parts.append((a.estimate[:, 0] / se, se, a.df[:, 0], p))
        start = stop
    t, se, df, p = (np.concatenate(part) for part in zip(*parts, strict=True))
    return _Asked(t, se, df, p)


def _spanning(job: Job, design: Any, first: Floats) -> list[Floats]:
    """Give rows that with the first one span an interaction's hypothesis."""
    from trialkit.model.columns.matrices import estimable_part

    rows = estimable_part(design, design.hypothesis(job.term))
    kept: list[Floats] = []
    for row in rows:
        if np.linalg.matrix_rank(np.vstack([first, *kept, row])) == len(kept) + 2:
            kept.append(row)
    return kept


def _drawn(job: Job, theta: float) -> float:
    """Give what top − θ·bottom was drawn with [%]."""
    half = job.wanted.difference_pct / 2
    return (100 + half) - theta * (100 - half)


def _critical(job: Job, df: Any) -> Floats:
    return np.asarray(
        np.interp(-1 / np.asarray(df, dtype=float), -1 / job.critical_df, job.critical)
    )


def _mean_row(job: Job, design: Any, level: str) -> Floats:
    grid = _grid(job, design)
    rows = np.asarray(design.rows(grid), dtype=float)
    return np.asarray(rows[(grid[job.term] == level).to_numpy()].mean(axis=0))


def _interaction(job: Job, design: Any) -> Floats:
    grid = _grid(job, design)
    rows = np.asarray(design.rows(grid), dtype=float)
    names = job.term.split(":")
    sign = np.ones(len(grid))
    for name in names:
        first, second = list(dict.fromkeys(job.table[name].sort_values()))[:2]
        sign = sign * ((grid[name] == first).astype(float) - (grid[name] == second)).to_numpy()
    others = len(grid) / prod(len(design.levels[name]) for name in names)
    return np.asarray(sign @ rows / others)


def _grid(job: Job, design: Any) -> pd.DataFrame:
    import pandas as pd

    levels = design.levels
    cells = pd.DataFrame(list(product(*levels.values())), columns=list(levels)).astype(object)
    numbers = [name for name in (START_NO, *job.known) if name not in levels]
    return cells.assign(**dict.fromkeys(numbers, 0.0))  # the middle of the trial, the mean
