"""Which columns and rows are linearly independent."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ALIAS_TOLERANCE = 1e-11  # squared distance to the earlier columns, relative to the column


def full_rank(X: Floats) -> tuple[NDArray[np.bool_], Floats]:
    """Keep columns from left to right; give the null space of the whole."""
    p = X.shape[1]
    kept = np.zeros(p, dtype=bool)
    if p == 0:
        return kept, np.zeros((0, 0))
    scale = np.sqrt(np.einsum("ij,ij->j", X, X))
    scale = np.where(scale > 0, scale, 1.0)
    scaled = X / scale
    gram = scaled.T @ scaled
    left = gram.copy()
    for j in range(p):  # elimination: the pivot is the squared distance to the kept columns
        if left[j, j] > ALIAS_TOLERANCE:
            kept[j] = True
            row = left[j, j + 1 :] / left[j, j]
            left[j + 1 :, j + 1 :] -= np.outer(left[j, j + 1 :], row)
    lost = np.flatnonzero(~kept)
    null = np.zeros((p, len(lost)))
    if len(lost):
        inner = np.linalg.solve(gram[np.ix_(kept, kept)], gram[np.ix_(kept, lost)])
        null[kept] = -inner / scale[kept, None]
        null[lost, np.arange(len(lost))] = 1.0 / scale[lost]
        null, _ = np.linalg.qr(null)
    return kept, null


def independent(L: Floats) -> Floats:
    """Give rows of ``L`` that are linearly independent, from top to bottom."""
    if len(L) <= 1:
        return L if len(L) and np.abs(L).max() > 1e-12 else L[:0]
    tolerance = 1e-9 * max(1.0, float(np.abs(L).max()))
    if np.linalg.matrix_rank(L, tol=tolerance) == len(L):
        return L
    kept: list[int] = []
    for i in range(len(L)):
        if np.linalg.matrix_rank(L[[*kept, i]], tol=tolerance) > len(kept):
            kept.append(i)
    return L[kept]
