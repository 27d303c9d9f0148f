"""Numbers and days on axes, written as the reader's locale does.

This module loads matplotlib; the drawing functions import it when they draw.
"""

from __future__ import annotations

import math
from itertools import pairwise
from zoneinfo import ZoneInfo

from matplotlib import dates
from matplotlib.ticker import Formatter

from trialkit.wording import Wording


class LocaleNumbers(Formatter):  # type: ignore[misc, unused-ignore]
    """Write tick numbers with as many decimals as their step needs.

    Parameters
    ----------
    wording : Wording
    sign : bool
        Whether numbers above zero get a plus sign.
    """

    def __init__(self, wording: Wording, *, sign: bool = False) -> None:
        self.wording, self.sign, self.decimals = wording, sign, 0

    def set_locs(self, locs: list[float]) -> None:
        """Take the places of the ticks, whose step sets the decimals."""
        steps = [abs(b - a) for a, b in pairwise(locs) if b != a]
        step = min(steps, default=1.0)
        self.decimals = max(0, -math.floor(math.log10(step) + 1e-9))
        if self.decimals == 0 and step % 1:
            self.decimals = 1
        if self.decimals and abs(step * 10**self.decimals % 1) > 1e-6:
            self.decimals += 1  # steps such as 0.25

    def __call__(self, x: float, pos: int | None = None) -> str:
        """Write one number."""
        plus = "+" if self.sign and x > 0 else ""
        return plus + self.wording.number(x, self.decimals)


class LocaleDays(Formatter):  # type: ignore[misc, unused-ignore]
    """Write days, or hours where the axis spans less than two days, in local time.

    Parameters
    ----------
    wording : Wording
    zone : str
        Time zone.
    """

    def __init__(self, wording: Wording, zone: str) -> None:
        self.wording, self.zone = wording, ZoneInfo(zone)

    def __call__(self, x: float, pos: int | None = None) -> str:
        """Write one moment."""
        from babel.dates import format_date

        moment = dates.num2date(x, tz=self.zone)  # type: ignore[no-untyped-call, unused-ignore]
        left, right = self.axis.get_view_interval()  # type: ignore[union-attr, unused-ignore]
        if right - left <= 2:
            return f"{moment:%H:%M}"
        return str(format_date(moment, format="d MMM", locale=self.wording.locale))
