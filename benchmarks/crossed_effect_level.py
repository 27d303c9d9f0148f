"""Level and price of the rule for batch × treatment, in canonical form, and the least price of all.

A layout leaves a mean square ``M1`` for batch × treatment (``f`` df) and ``M2`` for the runs
beside it (``g`` df). Over the expectation of ``M2`` a treatment difference has variance ``V >= 1``,
and ``M1`` expects ``1 + e (V - 1)``: chambers that lie across the batches take part of it, so that
``e`` is below one. The rule of `trialkit.model.inference.crossed_effect` keeps the term where
``M1 / M2`` finds a ``V`` above a quantile of F, and pools the two otherwise. Any rule is a critical
value for the difference as a function of ``u = M1 / M2``. Given ``u`` the difference is a t on
``f + g`` df, so that errors and power are sums over ``u``. Nothing is drawn.

Per layout it prints, for a stated 5 %: the worst error of the rule and of the plain test over all
``V``; and, where batches do not differ and the plain test has 60 % power, the power of the rule and
the most that *any* rule can have which errs in at most 5, 5.5 or 6.5 % whatever ``V`` is (a
critical value for each ``u``, found by maximising under these bounds).

    python benchmarks/crossed_effect_level.py
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats

from trialkit.arrays import Floats
from trialkit.model.inference.crossed_effect import least_ratio

#: df of the term, of the runs, share of the term that is seen, and a layout that has them.
LAYOUTS = (
    (3, 5, 0.67, "4 chambers × 4 batches, 2 schedules"),
    (3, 11, 0.67, "6 × 4, 2 schedules"),
    (4, 4, 0.5, "6 × 3, 3 schedules"),
    (5, 9, 0.8, "4 × 6, 2 schedules"),
    (6, 7, 0.68, "6 × 4, 3 schedules"),
    (9, 9, 0.67, "8 × 4, 4 schedules"),
    (10, 13, 0.8, "6 × 6, 3 schedules"),
    (6, 12, 1.0, "no chambers across batches"),
)
VARIANCES = np.array([1, 1.25, 1.5, 2, 2.5, 3, 4, 6, 10, 20, 60, 200], dtype=float)
BOUNDS = (0.05, 0.055, 0.065)
PLAIN = 0.60


@dataclass(frozen=True)
class Canon:
    """Chances of ``u`` on a grid at each true ``V``, and tests given ``u``."""

    f: int
    g: int
    share: float

    @property
    def u(self) -> Floats:
        """Give the middles of the grid."""
        return np.exp(np.linspace(np.log(0.02), np.log(600), 160))

    @property
    def means(self) -> Floats:
        """Give what ``M1`` expects at each V."""
        return np.asarray(1 + self.share * (VARIANCES - 1))

    def chances(self) -> Floats:
        """Give the chance of each cell of the grid at each V, shape (V, u)."""
        u = self.u
        edges = np.concatenate([[0], np.sqrt(u[1:] * u[:-1]), [np.inf]])
        return np.array([np.diff(stats.f.cdf(edges / m, self.f, self.g)) for m in self.means])

    def errors(self, critical: Floats, chances: Floats) -> Floats:
        """Give the error at each V where a squared difference over ``M2`` is held to `critical`."""
        n = self.f + self.g
        true = VARIANCES[:, None] * (self.f * self.u / self.means[:, None] + self.g)
        return np.asarray((chances * stats.f.sf(n * critical / true, 1, n)).sum(axis=1))

    def power(self, critical: Floats, chances: Floats) -> float:
        """Give the power where batches do not differ and the plain test has `PLAIN`."""
        n = self.f + self.g
        point = stats.t.ppf(0.975, n)
        shift = optimize.brentq(lambda d: stats.nct.sf(point, n, d) - PLAIN, 0, 10)
        reach = np.sqrt(critical * n / (self.f * self.u + self.g))
        return float((chances[0] * stats.nct.sf(reach, n, shift)).sum())

    def plain(self) -> Floats:
        """Give the critical values with both mean squares pooled."""
        n = self.f + self.g
        return np.asarray(stats.t.ppf(0.975, n) ** 2 * (self.f * self.u + self.g) / n)

    def always(self) -> Floats:
        """Give those of the term alone; the V found is held above a twentieth."""
        found = np.maximum(1 + (self.u - 1) / self.share, 0.05)
        return np.asarray(stats.t.ppf(0.975, self.f) ** 2 * found)

    def rule(self) -> Floats:
        """Give those of the rule."""
        found = 1 + (self.u - 1) / self.share
        kept = found > least_ratio((self.f, self.g))
        return np.where(kept, self.always(), self.plain())

    def best(self, chances: Floats, bound: float) -> float:
        """Give the most power of any rule whose error is at most `bound` at every V."""
        start = np.log(np.maximum(self.plain(), self.always()))
        knots = np.log([0.05, 0.15, 0.3, 0.5, 0.7, 0.9, 1.1, 1.4, 1.8, 2.3, 3, 4, 6, 10, 20, 60])

        def critical(x: Floats) -> Floats:
            return np.asarray(np.exp(start + np.interp(np.log(self.u), knots, x)))

        found = optimize.minimize(
            lambda x: -self.power(critical(x), chances),
            np.zeros(len(knots)),
            constraints=[
                {
                    "type": "ineq",
                    "fun": lambda x: 100 * (bound - self.errors(critical(x), chances)),
                }
            ],
            bounds=[(-3, 3)] * len(knots),
            method="SLSQP",
            options={"maxiter": 300},
        )
        return -float(found.fun) if found.success else float("nan")


def main() -> None:
    """Print one line a layout."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", default="", help="layouts whose name holds this text")
    args = parser.parse_args()
    print(
        "f, g, e | worst error [%] (at V): rule, plain | power [%] of 60: rule, term always, most"
    )
    print("        | that any rule has which errs in at most 5, 5.5, 6.5 %")
    for f, g, share, name in LAYOUTS:
        if args.only not in name:
            continue
        canon = Canon(f, g, share)
        chances = canon.chances()
        rule, plain = (100 * canon.errors(k, chances) for k in (canon.rule(), canon.plain()))
        power = 100 * canon.power(canon.rule(), chances)
        most = [100 * canon.best(chances, bound) for bound in BOUNDS]
        print(
            f"{f}, {g}, {share:g} | {rule.max():.1f} ({VARIANCES[rule.argmax()]:g}), "
            f"{plain.max():.0f} | {power:.1f}; "
            + ", ".join(f"{x:.1f}" for x in most)
            + f" | {name}",
            flush=True,
        )


if __name__ == "__main__":
    main()
