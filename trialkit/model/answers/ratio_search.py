"""Search of a whole line of ratios for those that its test does not reject."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import special

from trialkit.arrays import Floats
from trialkit.model.answers.ratio_line import RatioLine
from trialkit.model.inference.tails import ALMOST_NO_DF

_FAR = 1e7  # ratios this many scales away stand for endless ones
_STEPS = 60  # points on each side of the ratio, and of 1, at which the test is looked at first

NO_LIMITS = "no finite limits: the reference mean is not clearly above zero"


@dataclass(frozen=True)
class Accepted:
    """The ratios that the test of a line does not reject, at any level.

    Parameters
    ----------
    line : RatioLine
        Its reference mean lies above zero.

    Notes
    -----
    Where the level's mean is above zero too, so is their true ratio; ratios below zero are
    looked at only where zero itself is not rejected. The far end of the line is always looked
    at: there the test is that of the reference mean, and without it no ratio means anything.
    """

    line: RatioLine

    @cached_property
    def _sides(self) -> dict[bool, tuple[Floats, Floats]]:
        """Give ratios and one-sided p from far away up to the estimate, below and above it.

        Both lists begin at the far end. Peaks of p between the points are added.
        """
        line = self.line
        centre = line.ratio
        width = math.sqrt(abs(line.var_top) + centre**2 * abs(line.var_bottom)) / line.bottom
        steps = np.geomspace(1e-3 * width, _FAR * (width + 1 + abs(centre)), _STEPS)
        even = np.linspace(0.0, 2 * max(1.0, centre), 81)
        spots = np.sort(
            np.concatenate([centre - steps, centre + steps, 1 - steps, 1 + steps, even])
        )
        # a point that comes twice, or nearly, hides the peak beside it
        apart = np.diff(spots) > 1e-6 * np.maximum(width, np.abs(spots[1:] - centre))
        spots = spots[np.append(True, apart)]
        out = {}
        for above in (True, False):
            side = spots[spots < centre] if above else spots[spots > centre]
            ratios = np.append(side if above else side[::-1], centre)
            out[above] = self._with_peaks(ratios, line.chances(ratios, above=above), above)
        return out

    def _with_peaks(self, ratios: Floats, p: Floats, above: bool) -> tuple[Floats, Floats]:
        from scipy.optimize import minimize_scalar

        least = 1 - 1e-9  # rounding makes no peak where p is level, far away
        inner = (p[1:-1] * least > p[:-2]) & (p[1:-1] * least > p[2:])
        for i in np.flatnonzero(inner)[::-1] + 1:
            ends = sorted((float(ratios[i - 1]), float(ratios[i + 1])))
            best = minimize_scalar(
                lambda r: -self.line.chance(float(r), above=above), bounds=ends, method="bounded"
            )
            at = i if (best.x < ratios[i]) == above else i + 1
            ratios, p = np.insert(ratios, at, best.x), np.insert(p, at, -best.fun)
        return ratios, p

    def p_beyond(self, ratio: float, *, above: bool) -> float:
        """Give the p of "the true ratio is at most" (`above`) or at least `ratio`.

        The largest p of all those ratios: as a rule that of `ratio` itself. So it is below
        half the error of the limits exactly where the limit lies beyond `ratio`.
        """
        ratios, p = self._sides[above]
        beyond = p[ratios < ratio] if above else p[ratios > ratio]
        beyond = beyond[self._start(above) :]
        return max(self.line.chance(ratio, above=above), float(p[0]), float(beyond.max(initial=0)))

    def _start(self, above: bool) -> int:
        """Give the place of the first ratio that can be, if the far end is left out."""
        if not above or self.line.ratio <= 0:
            return 0
        return int(np.argmax(self._sides[above][0] >= 0))

    def limits(self, level: float) -> tuple[float, float]:
        """Give the lowest and highest ratio that a two-sided test does not reject."""
        low, high = (self._limit(above, (1 - level) / 2) for above in (True, False))
        return (low, high) if math.isfinite(low) and math.isfinite(high) else (-math.inf, math.inf)

    def _limit(self, above: bool, share: float) -> float:
        from scipy.optimize import brentq

        ratios, p = self._sides[above]
        kept, start = p >= share, self._start(above)
        if kept[0]:
            return -math.inf if above else math.inf
        first = start + int(np.argmax(kept[start:]))
        while kept[first - 1]:
            first -= 1
        return float(
            brentq(
                lambda r: self.line.chance(float(r), above=above) - share,
                float(ratios[first - 1]),
                float(ratios[first]),
                xtol=1e-15 * max(1.0, abs(float(ratios[first]))),
                rtol=1e-14,
                maxiter=300,
            )
        )

    def note(self, level: float) -> str:
        """Say in words where the ratios not rejected are no finite interval, and why."""
        share = (1 - level) / 2
        low, _ = self.limits(level)
        rejected = {above: self._rejected(above, share) for above in (True, False)}
        if math.isfinite(low):
            gaps = [gap for above in (True, False) for gap in rejected[above]]
            return f"the ratios not rejected leave out {_spans(gaps)}" if gaps else ""
        reason = self._reason(share)
        gaps = sorted(gap for above in (True, False) for gap in rejected[above])
        return f"{reason}; only {_spans(gaps)} can be ruled out" if gaps else reason

    def _reason(self, share: float) -> str:
        far = _FAR * (1 + abs(self.line.ratio))
        df, t = self.line.df_at(far), abs(self.line.t_at(far))
        if not df > 0 or math.isnan(t):
            return "no finite limits: the reference mean has no standard error"
        if df < ALMOST_NO_DF and t > -float(special.ndtri(share)):
            return f"no finite limits: almost no degrees of freedom left ({df:.2g})"
        return NO_LIMITS

    def _rejected(self, above: bool, share: float) -> list[tuple[float, float]]:
        """Give the stretches rejected between ratios that are not, or from zero on."""
        from scipy.optimize import brentq

        start = self._start(above)
        ratios, p = (part[start:] for part in self._sides[above])
        kept = p >= share
        turns = np.flatnonzero(kept[1:] != kept[:-1])
        endless = bool(self._sides[above][1][0] >= share)
        first = [float(ratios[0])] if endless and not kept[0] else []
        turns = turns if kept[0] or first else turns[1:]
        ends = first + [
            float(
                brentq(
                    lambda r: self.line.chance(float(r), above=above) - share,
                    float(ratios[i]),
                    float(ratios[i + 1]),
                )
            )
            for i in turns
        ]
        pairs = [sorted(pair) for pair in zip(ends[::2], ends[1::2], strict=True)]
        return [(a, b) for a, b in pairs]


def _spans(gaps: list[tuple[float, float]]) -> str:
    return " and ".join(f"{a:.3g} to {b:.3g}" for a, b in gaps)
