"""One thread of the linear algebra library while matrices are small.

A BLAS library spreads products over all processor cores and lets its threads wait in a busy loop.
For matrices of a few hundred rows, as in most trials, that only costs time: of the fit itself,
and of whatever else the machine is doing.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from threading import Lock
from typing import Any

#: Up to this many rows of the largest square matrix one thread is used.
SMALL = 600

_lock = Lock()
_inside = 0
_limit: Any = None


@lru_cache(maxsize=1)
def _controller() -> Any:
    import scipy.linalg  # noqa: F401 (it brings a library of its own, to be found below)
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController()


@contextmanager
def one_blas_thread(rows: int) -> Iterator[None]:
    """Hold the linear algebra library to one thread, if the work is small.

    May be nested and used from several threads: the former number of threads comes back when
    the last one leaves.

    Parameters
    ----------
    rows : int
        Rows of the largest square matrix that will be worked on.

    Examples
    --------
    >>> with one_blas_thread(40):
    ...     pass
    """
    global _inside, _limit
    if rows > SMALL:
        yield
        return
    with _lock:
        if _inside == 0:
            _limit = _controller().limit(limits=1, user_api="blas")
        _inside += 1
    try:
        yield
    finally:
        with _lock:
            _inside -= 1
            if _inside == 0:
                _limit.restore_original_limits()
                _limit = None
