"""One thread of the linear algebra library while matrices are small."""

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pandas as pd
import pytest
from threadpoolctl import threadpool_info, threadpool_limits

from trialkit.model import solvers
from trialkit.model.fit import fit
from trialkit.model.likelihood.threads import SMALL, one_blas_thread


def blas_threads() -> set[int]:
    return {part["num_threads"] for part in threadpool_info() if part["user_api"] == "blas"}


@pytest.fixture(autouse=True)
def two_threads():
    """Start every test from two threads, as a user's machine would."""
    with threadpool_limits(2, user_api="blas"):
        yield


def test_small_work_has_one_thread_and_gives_the_others_back():
    with one_blas_thread(10):
        assert blas_threads() == {1}
        with one_blas_thread(10):
            assert blas_threads() == {1}
        assert blas_threads() == {1}
    assert blas_threads() == {2}


def test_large_work_keeps_its_threads():
    with one_blas_thread(SMALL + 1):
        assert blas_threads() == {2}


def test_threads_come_back_after_an_error():
    with pytest.raises(ZeroDivisionError), one_blas_thread(10):
        _ = 1 / 0
    assert blas_threads() == {2}


def test_threads_come_back_when_fits_overlap():
    def hold(_):
        for _ in range(50):
            with one_blas_thread(10):
                pass

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(hold, range(8)))
    assert blas_threads() == {2}


def test_a_fit_works_with_one_thread(monkeypatch):
    seen = []
    real = solvers.maximise
    monkeypatch.setattr(
        solvers, "maximise", lambda *a, **k: (seen.append(blas_threads()), real(*a, **k))[1]
    )
    rng = np.random.default_rng(1)
    table = pd.DataFrame({"chamber": np.repeat(list("ABCDEF"), 4), "y": rng.normal(size=24)})
    fit(table, response="y", fixed="1", random=["chamber"])
    assert seen == [{1}]
    assert blas_threads() == {2}
