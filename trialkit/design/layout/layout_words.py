"""How a treatment was laid out, said from the short code that a plan keeps."""

from __future__ import annotations

import re

from trialkit.wording import Message, message

_CODES = {
    "randomised blocks": "plan_words.laid.randomised_blocks",
    "completely randomised": "plan_words.laid.completely_randomised",
    "row–column": "plan_words.laid.row_column",
    "incomplete blocks": "plan_words.laid.incomplete_blocks",
    "Latin square": "plan_words.laid.latin_square",
    "carry-over balanced": "plan_words.laid.balanced",
    "carry-over nearly balanced": "plan_words.laid.nearly_balanced",
    "restricted, by search": "plan_words.laid.by_search",
    "balanced against a trend": "plan_words.laid.trend",
}
_RESTRICTED = (
    (r"restricted, drawn from all (?P<number>\d+) best plans", "plan_words.laid.all_best"),
    (r"restricted, drawn from (?P<number>\d+) sampled best plans", "plan_words.laid.sampled"),
    (
        r"restricted, drawn from (?P<number>\d+) sampled plans within (?P<loss>\S+) % of the best",
        "plan_words.laid.near",
    ),
)


def layout_words(code: str) -> Message | str:
    """Say how a treatment was laid out; a code that is not known stays as it is.

    Parameters
    ----------
    code : str
        As `Plan.method` and plan.json keep it.

    Examples
    --------
    >>> str(layout_words("restricted, drawn from all 12 best plans"))
    'restricted, chosen at random from all 12 best plans'
    """
    if code in _CODES:
        return message(_CODES[code])
    for pattern, key in _RESTRICTED:
        found = re.fullmatch(pattern, code)
        if found:
            return message(key, **found.groupdict())
    return code
