"""States of the mist, or whole intervals, as one file gives them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trialkit.logs.ledger import FileAccount


@dataclass
class Switches:
    """States of the mist at moments, or whole intervals, from one file.

    Parameters
    ----------
    account : FileAccount
    index : ndarray of int, shape (n,)
        Positions among the rows of the file.
    chamber : ndarray of int
        Index among the trial's chambers.
    time : ndarray of int64
        Moment [ns, UTC]; for intervals their start.
    on : ndarray of bool
        State from that moment on.
    stop : ndarray of int64 or None
        End of each interval; None for states.
    sampled : bool
        Whether the rows are samples (power) rather than switching events.
    """

    account: FileAccount
    index: np.ndarray
    chamber: np.ndarray
    time: np.ndarray
    on: np.ndarray
    stop: np.ndarray | None = None
    sampled: bool = False
