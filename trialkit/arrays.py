"""Names for arrays of one kind, used in signatures."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Codes = NDArray[np.intp]
Bools = NDArray[np.bool_]
