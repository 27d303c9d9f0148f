"""Does tuning by numbers pay? Regret of six ways to choose a setting, over ten invented truths.

Six tents of two shelves with three blocks each, trials of four batches, one after the other; mist
is given to runs and light to shelves. Variation is that of the planning ranges (middle): batches
8 %, tents 4 %, runs 6 %, blocks 20 % of the yield. After one, two and four trials each way names a
setting; its regret is what the best setting of the truth gives more, in per cent of it.

- *surface, careful*: the plan of `find_points`, then `fit_surface` on all trials so far, pooled,
  and the careful choice of `choose_settings` (departures from the surface allowed for; the gain
  over today's setting less half its standard error). *surface, largest gain*: the same without the
  doubt taken off. The next trial's settings are the best of surfaces drawn from what is not known
  (`next_settings`, a plain rule of this benchmark), today's in every twelfth place.
- *named levels*: four mist and two light levels, repeated in every trial; the best of those that
  are shown to be better than today's (joint limits), else today's.
- *one at a time*: four mist levels, then four light levels at the best mist, then finer again;
  the largest mean is taken each time.
- *optimiser*: a Gaussian process with expected improvement, six points a batch, fed with run means;
  hyperparameters by marginal likelihood. *optimiser, batches off*: the same, fed with run means
  less the mean of their batch.
- *stay*: today's setting.

    python benchmarks/ten_truths.py --trials 100 --out benchmarks/ten_truths.csv
"""

from __future__ import annotations

import argparse
import itertools
import time
from collections.abc import Callable

import numpy as np
import pandas as pd
from scipy.special import ndtr

from trialkit.design.points.search import find_points
from trialkit.model.batch import fit_batch
from trialkit.settings.setting_range import SettingRange
from trialkit.surface.choices import CAREFUL
from trialkit.surface.departures import Departures, allow_departures
from trialkit.surface.fit_surface import Surface, fit_surface
from trialkit.surface.joint_limits import root

BATCHES, TENTS, SHELVES, BLOCKS = 4, 6, 2, 3
RUNS = BATCHES * TENTS
SD = {"batch": 0.08, "tent": 0.04, "run": 0.06, "block": 0.20}
MARKS = (1, 2, 4)
LINE = np.linspace(-1, 1, 17)
GRID = np.array(list(itertools.product(LINE, LINE)))
TODAY = np.array([0.5, -0.5])
SETTINGS = [SettingRange(n, -1, 1, float(t), steps=tuple(LINE)) for n, t in
            zip(("mist", "light"), TODAY, strict=True)]  # fmt: skip


def hill(at: tuple[float, float], loss: tuple[float, float]) -> Callable[..., np.ndarray]:
    """Give a hill that falls with the square of the distance."""

    def yields(x: np.ndarray, season: np.ndarray | float = 0.0) -> np.ndarray:
        return 1 - loss[0] * (x[..., 0] - at[0]) ** 2 - loss[1] * (x[..., 1] - at[1]) ** 2

    return yields


def plateau(x: np.ndarray, season: np.ndarray | float = 0.0) -> np.ndarray:
    """Rise to a plateau, in mist and in light."""
    return 1 - 0.3 * np.maximum(-0.2 - x[..., 0], 0) - 0.08 * np.maximum(-x[..., 1], 0)


def edge(x: np.ndarray, season: np.ndarray | float = 0.0) -> np.ndarray:
    """Rise without a bend to one corner of the range: little mist, much light."""
    return 1 - 0.06 * (x[..., 0] + 1) - 0.04 * (1 - x[..., 1])


def two_humps(x: np.ndarray, season: np.ndarray | float = 0.0) -> np.ndarray:
    """Have a high top at little mist and a lower one at much."""
    bumps = [(-0.6, 0.25), (0.7, 0.17)]
    mist = sum(h * np.exp(-(((x[..., 0] - m) / 0.35) ** 2)) for m, h in bumps)
    return 0.75 + mist - 0.04 * (x[..., 1] - 0.3) ** 2


def light_dependent(x: np.ndarray, season: np.ndarray | float = 0.0) -> np.ndarray:
    """Need more mist where there is more light."""
    return 1 - 0.15 * (x[..., 0] - 0.7 * x[..., 1]) ** 2 - 0.06 * (x[..., 1] - 0.3) ** 2


def flat(x: np.ndarray, season: np.ndarray | float = 0.0) -> np.ndarray:
    """Give the same everywhere."""
    return np.ones(x.shape[:-1])


def drifting(x: np.ndarray, season: np.ndarray | float = 0.0) -> np.ndarray:
    """Move the best mist to and fro with the season (season 0 … 1 is a year)."""
    middle = -0.2 + 0.4 * np.sin(2 * np.pi * np.asarray(season))
    return 1 - 0.15 * (x[..., 0] - middle) ** 2 - 0.06 * (x[..., 1] - 0.2) ** 2


def narrow(x: np.ndarray, season: np.ndarray | float = 0.0) -> np.ndarray:
    """Have one narrow top on flat ground."""
    away = ((x[..., 0] + 0.3) / 0.35) ** 2 + ((x[..., 1] - 0.1) / 0.8) ** 2
    return 0.8 + 0.2 * np.exp(-away)


def cliff(x: np.ndarray, season: np.ndarray | float = 0.0) -> np.ndarray:
    """Rise slowly with mist and fall off a cliff where it is too wet."""
    m = x[..., 0]
    return 1 - 0.08 * np.maximum(0.6 - m, 0) - 0.7 * np.maximum(m - 0.6, 0) \
        - 0.03 * (x[..., 1] - 0.5) ** 2  # fmt: skip


TRUTHS: dict[str, Callable[..., np.ndarray]] = {
    "smooth hill": hill((0.0, 0.2), (0.15, 0.08)),
    "today is best": hill((0.5, -0.5), (0.10, 0.06)),
    "plateau": plateau,
    "edge": edge,
    "two humps": two_humps,
    "light-dependent": light_dependent,
    "flat": flat,
    "drifting by season": drifting,
    "narrow top": narrow,
    "cliff": cliff,
}


class World:
    """Farms with one truth: gives the mean weight of shelves, as a share of the best yield."""

    def __init__(self, truth: str, farms: int, seed: int) -> None:
        self.truth, self.farms = TRUTHS[truth], farms
        self.rng = np.random.default_rng([seed, list(TRUTHS).index(truth)])
        self.tent = SD["tent"] * self.rng.standard_normal((farms, TENTS))
        self.began = self.rng.random(farms)
        seasons = np.linspace(0, 1, 24, endpoint=False)
        self.year = np.mean([self.truth(GRID, s) for s in seasons], axis=0)

    def batch(self, x: np.ndarray, trial: int, *, shelves: int = SHELVES) -> np.ndarray:
        """Harvest one batch: settings of shape (farms, tents, shelves, 2) → means of shelves."""
        season = (self.began + trial / 4)[:, None, None]
        rng, shape = self.rng, (self.farms, TENTS, shelves)
        parts = SD["batch"] * rng.standard_normal((self.farms, 1, 1)) + self.tent[:, :, None]
        parts = parts + SD["run"] * rng.standard_normal((self.farms, TENTS, 1))
        each = SD["block"] / np.sqrt(BLOCKS)
        return self.truth(x, season) + parts + each * rng.standard_normal(shape)

    def trial(self, x: np.ndarray, trial: int) -> np.ndarray:
        """Harvest a trial: settings (farms, batches, tents, shelves, 2) → means of shelves."""
        return np.stack([self.batch(x[:, b], trial) for b in range(BATCHES)], axis=1)

    def regret(self, chosen: np.ndarray) -> np.ndarray:
        """Give what the best setting of the year gives more than chosen ones [%]."""
        seasons = np.linspace(0, 1, 24, endpoint=False)
        got = np.mean([self.truth(chosen, s) for s in seasons], axis=0)
        return 100 * (self.year.max() - got) / self.year.max()


# ---------------------------------------------------------------- the surface


def units(trials: int) -> pd.DataFrame:
    """Give one row per shelf of so many trials, in the order of the harvest arrays."""
    rows = itertools.product(range(trials), range(BATCHES), range(TENTS), range(SHELVES))
    table = pd.DataFrame(rows, columns=["trial", "b", "t", "shelf"])
    return pd.DataFrame(
        {
            "batch": [f"{a}.{b}" for a, b in zip(table["trial"], table["b"], strict=True)],
            "tent": table["t"].astype(str),
            "run": [f"{a}.{b}.{t}" for a, b, t in
                    zip(table["trial"], table["b"], table["t"], strict=True)],
        }
    )  # fmt: skip


def first_plan() -> np.ndarray:
    """Find the settings of the first trial, shape (batches, tents, shelves, 2)."""
    table = units(1)
    run = table["run"].factorize()[0]
    parts = {n: table[n].factorize()[0] for n in ("batch", "tent", "run")}
    variances = {n: SD[n] ** 2 for n in parts}
    rest = SD["block"] ** 2 / BLOCKS
    found = find_points(
        SETTINGS, [run, np.arange(len(run))], parts, [(variances, rest)], usual_units=4, starts=4
    )
    return found.coded.reshape(BATCHES, TENTS, SHELVES, 2)


def pooled(x: np.ndarray, y: np.ndarray) -> Surface:
    """Fit the surface to all trials of one farm so far: batches, tents and runs are random."""
    table = units(len(y)).assign(fresh_g=y.ravel(), mist=x[..., 0].ravel(), light=x[..., 1].ravel())
    return fit_surface(table, SETTINGS, response="fresh_g", random=["batch", "tent", "run"])


def draws(known: Departures, count: int, rng: np.random.Generator) -> np.ndarray:
    """Draw gains over the grid from what is not known, shape (count, grid)."""
    weights = np.array([a.weight for a in known.answers])
    picked = rng.multinomial(count, weights / weights.sum())
    parts = [
        a.gains + rng.standard_normal((n, len(a.gains))) @ root(a.covariance).T
        for a, n in zip(known.answers, picked, strict=True)
        if n
    ]
    return rng.permutation(np.concatenate(parts))


def next_settings(known: Departures, rng: np.random.Generator) -> np.ndarray:
    """Choose the settings of the next trial: each run the best of a surface drawn.

    The second shelf of a run gets the light that is best at its mist by another drawn surface.
    """
    out = np.empty((RUNS, SHELVES, 2))
    two = draws(known, 2 * RUNS, rng).reshape(2, RUNS, len(LINE), len(LINE))
    for run in range(RUNS):
        m, light = np.unravel_index(two[0, run].argmax(), two.shape[2:])
        out[run, :, 0] = LINE[m]
        out[run, :, 1] = LINE[light], LINE[two[1, run, m].argmax()]
    out[:2] = TODAY
    return rng.permutation(out).reshape(BATCHES, TENTS, SHELVES, 2)


RULES = {"surface, careful": CAREFUL, "surface, largest gain": 0.0}


def by_surface(world: World, seed: int) -> dict[str, dict[int, np.ndarray]]:
    """Follow farms that tune by the surface."""
    rng = np.random.default_rng([seed, 5])
    x = np.broadcast_to(first_plan(), (world.farms, 1, BATCHES, TENTS, SHELVES, 2)).copy()
    y = world.trial(x[:, 0], 0)[:, None]
    out: dict[str, dict[int, np.ndarray]] = {rule: {} for rule in RULES}
    for done in range(1, max(MARKS) + 1):
        fits = [allow_departures(pooled(x[i], y[i]), GRID, joint=True) for i in range(world.farms)]
        if done in MARKS:
            for rule, k in RULES.items():
                out[rule][done] = np.array(
                    [GRID[int((f.gains - k * f.errors).argmax())] for f in fits]
                )
        if done < max(MARKS):
            new = np.stack([next_settings(f, rng) for f in fits])
            x = np.concatenate([x, new[:, None]], axis=1)
            y = np.concatenate([y, world.trial(new, done)[:, None]], axis=1)
    return out


# ---------------------------------------------------------------- named levels

NAMED = (0.5, -0.75, -0.125, 1.0)
BRIGHT = (-0.5, 0.5)


def by_named_levels(world: World, seed: int) -> dict[str, dict[int, np.ndarray]]:
    """Follow farms that compare named levels and change only for one that is shown better."""
    level = np.stack([np.roll(np.tile(np.arange(4), 2)[:TENTS], b) for b in range(BATCHES)])
    x = np.empty((world.farms, BATCHES, TENTS, SHELVES, 2))
    x[..., 0] = np.array(NAMED)[level][None, :, :, None]
    x[..., 1] = np.array(BRIGHT)
    ys, out = [], {}
    for done in range(1, max(MARKS) + 1):
        ys.append(world.trial(x, done - 1).reshape(world.farms, -1))
        if done not in MARKS:
            continue
        table = units(done).assign(
            mist=pd.Categorical(np.tile(np.repeat(level.ravel(), SHELVES), done).astype(str)),
            light=pd.Categorical(np.tile([0, 1], done * RUNS).astype(str)),
        )
        fits = fit_batch(
            table, np.hstack(ys), fixed="mist + light", random=["batch", "tent", "run"]
        )
        out[done] = _shown_better(fits, world.farms)
    return {"named levels": out}


def _shown_better(fits, farms: int) -> np.ndarray:
    """Give the best level that is shown better than today's, for mist and for light."""
    names = list(fits.prepared.design.names)
    chosen = np.tile(TODAY, (farms, 1))
    low = np.full((farms, 3), -np.inf)
    estimate = np.zeros((farms, 3))
    for j in (1, 2, 3):
        row = np.zeros(len(names))
        row[names.index(f"mist[{j}]")] = 1
        got = fits.contrast(row, level=1 - 0.05 / 3)  # joint over three comparisons
        low[:, j - 1], estimate[:, j - 1] = got["low"], got["estimate"]
    best = np.where(low > 0, estimate, 0.0)
    at = best.argmax(axis=1)
    some = best.max(axis=1) > 0
    chosen[some, 0] = np.array(NAMED)[1:][at[some]]
    row = np.zeros(len(names))
    row[names.index("light[1]")] = 1
    chosen[fits.contrast(row)["low"].to_numpy() > 0, 1] = BRIGHT[1]
    return chosen


# ---------------------------------------------------------------- one setting at a time


def by_one_at_a_time(world: World, seed: int) -> dict[str, dict[int, np.ndarray]]:
    """Follow farms that change one setting a trial and take the largest mean."""
    here = np.tile(TODAY, (world.farms, 1))
    levels = np.tile([0.5, -0.75, -0.125, 1.0], (world.farms, 1))
    out = {}
    for done in range(1, max(MARKS) + 1):
        which = (done - 1) % 2
        if done == 2:
            levels = np.tile([-0.5, 0.25, 1.0, -1.0], (world.farms, 1))
        elif done > 2:
            near = np.array([0.0, -0.25, 0.25, 0.5])
            levels = np.clip(here[:, [which]] + near, -1, 1)
        place = np.stack([np.roll(np.tile(np.arange(4), 2)[:TENTS], b) for b in range(BATCHES)])
        x = np.broadcast_to(here[:, None, None, None, :],
                            (world.farms, BATCHES, TENTS, SHELVES, 2)).copy()  # fmt: skip
        x[..., which] = levels[:, place][..., None]
        y = world.trial(x, done - 1).mean(axis=-1).reshape(world.farms, RUNS)
        design = np.hstack([np.eye(4)[place.ravel()][:, 1:],
                            np.eye(BATCHES)[np.repeat(np.arange(BATCHES), TENTS)]])  # fmt: skip
        effect = np.linalg.lstsq(design, y.T, rcond=None)[0][:3].T
        effect = np.hstack([np.zeros((world.farms, 1)), effect])
        here[:, which] = levels[np.arange(world.farms), effect.argmax(axis=1)]
        out[done] = here.copy()
    return {"one at a time": {k: v for k, v in out.items() if k in MARKS}}


# ---------------------------------------------------------------- a general-purpose optimiser

LENGTHS = (0.25, 0.5, 1.0, 2.0)
NOISES = (0.3, 1.0, 3.0, 10.0)  # variance of an observation over that of the function


def kernel(a: np.ndarray, b: np.ndarray, length: float) -> np.ndarray:
    """Give Matérn covariances of smoothness 5/2, variance one, shape (…, n, m)."""
    r = np.sqrt(np.maximum(((a[..., :, None, :] - b[..., None, :, :]) ** 2).sum(-1), 0)) / length
    s = np.sqrt(5) * r
    return (1 + s + s**2 / 3) * np.exp(-s)


def posterior(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give mean and covariance over the grid of one farm, and the noise, at the likeliest values.

    The mean is that of the observations; the variance has its closed form given the ratio.
    """
    n, centre = len(y), y.mean()
    best = (-np.inf, 0.0, 0.0, 1.0)
    for length in LENGTHS:
        k = kernel(x, x, length)
        values, vectors = np.linalg.eigh(k)
        z = (vectors.T @ (y - centre)) ** 2
        for noise in NOISES:
            d = np.maximum(values, 0) + noise
            variance = float((z / d).mean())
            fit = -0.5 * (n * np.log(variance) + np.log(d).sum())
            if fit > best[0]:
                best = (fit, length, noise, variance)
    _, length, noise, variance = best
    across = kernel(GRID, x, length)
    solved = np.linalg.solve(kernel(x, x, length) + noise * np.eye(n), across.T)
    mean = centre + solved.T @ (y - centre)
    cov = variance * (_prior(length) - across @ solved)
    return mean, cov, np.asarray(variance * noise)


_KEPT: dict[float, np.ndarray] = {}


def _prior(length: float) -> np.ndarray:
    if length not in _KEPT:
        _KEPT[length] = kernel(GRID, GRID, length)
    return _KEPT[length]


def ask(x: np.ndarray, y: np.ndarray, count: int) -> np.ndarray:
    """Give the next points by expected improvement, each believed to give its mean."""
    mean, cov, noise = posterior(x, y)
    best, out = mean.max(), []
    for _ in range(count):
        sd = np.sqrt(np.maximum(np.diag(cov), 1e-12))
        z = (mean - best) / sd
        gain = (mean - best) * ndtr(z) + sd * np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi)
        at = int(gain.argmax())
        out.append(GRID[at])
        cov = cov - np.outer(cov[at], cov[at]) / (cov[at, at] + noise)
    return np.array(out)


def by_optimiser(
    world: World, seed: int, *, centred: bool = False
) -> dict[str, dict[int, np.ndarray]]:
    """Follow farms that ask the optimiser for the six points of every batch."""
    rng = np.random.default_rng([seed, 8])
    first = np.stack([(rng.permuted(np.tile(np.arange(TENTS), (2, 1)), axis=1).T + 0.5)
                      / TENTS * 2 - 1 for _ in range(world.farms)])  # fmt: skip
    x = LINE[np.abs(first[..., None] - LINE).argmin(-1)]
    xs, ys, out = [], [], {}
    for batch in range(BATCHES * max(MARKS)):
        both = np.repeat(x[:, :, None, :], SHELVES, axis=2)
        y = world.batch(both, batch // BATCHES).mean(axis=-1)
        xs.append(x)
        ys.append(y - y.mean(axis=1, keepdims=True) if centred else y)
        allx, ally = np.concatenate(xs, axis=1), np.concatenate(ys, axis=1)
        done, rest = divmod(batch + 1, BATCHES)
        if not rest and done in MARKS:
            means = [posterior(a, b)[0] for a, b in zip(allx, ally, strict=True)]
            out[done] = np.array([GRID[int(m.argmax())] for m in means])
        if batch + 1 < BATCHES * max(MARKS):
            x = np.stack([ask(a, b, TENTS) for a, b in zip(allx, ally, strict=True)])
    return {"optimiser, batches off" if centred else "optimiser": out}


# ---------------------------------------------------------------- the table


def follow(truth: str, farms: int, seed: int, ways: str) -> pd.DataFrame:
    """Give the regret of every way on one truth: one row per way and number of trials."""
    rows = []
    known = {
        "surface": by_surface,
        "named": by_named_levels,
        "one": by_one_at_a_time,
        "optimiser": by_optimiser,
        "centred": lambda w, s: by_optimiser(w, s, centred=True),
    }
    for name, way in known.items():
        if name not in ways:
            continue
        began = time.process_time()
        world = World(truth, farms, seed)
        found = way(world, seed)
        spent = time.process_time() - began
        for label, chosen in found.items():
            for done, x in chosen.items():
                regret = world.regret(x)
                rows.append(
                    {
                        "truth": truth, "way": label, "trials": done, "farms": farms,
                        "regret_pct": round(float(regret.mean()), 2),
                        "se_pct": round(float(regret.std(ddof=1) / np.sqrt(farms)), 2),
                        "stay_pct": round(float(world.regret(TODAY[None])[0]), 2),
                        "cpu_s": round(spent, 1),
                    }
                )  # fmt: skip
    return pd.DataFrame(rows)


def main() -> None:
    """Follow all truths and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=100, help="farms per truth")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--truths", default="")
    parser.add_argument("--ways", default="surface,named,one,optimiser,centred")
    parser.add_argument("--out")
    args = parser.parse_args()
    tables = []
    for truth in TRUTHS:
        if args.truths and truth not in args.truths:
            continue
        tables.append(follow(truth, args.trials, args.seed, args.ways))
        wide = tables[-1].pivot_table(index="way", columns="trials", values="regret_pct")
        print(truth, f"stay {tables[-1]['stay_pct'].iloc[0]}", sep=", ")
        print(wide.to_string(), flush=True)
    whole = pd.concat(tables, ignore_index=True)
    if args.out:
        whole.to_csv(args.out, index=False)


if __name__ == "__main__":
    main()
