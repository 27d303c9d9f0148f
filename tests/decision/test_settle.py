"""Where the chance of a clear answer falls with one batch more, a reader is told."""

import pandas as pd

from trialkit.decision.settle import first_fall


def test_the_first_count_at_which_a_chance_falls_is_found():
    rising = pd.DataFrame({"count": [1, 2, 3, 4], "no_worse": [0.3, 0.4, 0.5, 0.6]})
    rising["difference"] = [0.3, 0.45, 0.449, 0.6]  # a tenth of a point: rounding
    assert first_fall(rising) is None
    rising["difference"] = [0.3, 0.45, 0.44, 0.6]
    assert first_fall(rising) == 3
