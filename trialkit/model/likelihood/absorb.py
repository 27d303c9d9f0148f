"""Mixed models with thousands of effects: eliminate the large factors, keep the rest dense.

The effects are ordered: an innermost factor ``b`` absorbed as error strata (see
`trialkit.model.likelihood.reduced`), the next factor ``a`` whose cross-products are diagonal, and
the rest ``c``, few enough for dense algebra. With ``R = sum_s lam_s Pi_s``, ``F = [Z_c X]``:

- ``d = diag(Z_a'R^-1 Z_a)``, ``B = Z_a'R^-1 F``, ``A = F'R^-1 F``
- ``h = 1/(1 + phi_a d)``, ``w = phi_a h``, ``A* = A - B'diag(w)B`` (``a`` eliminated)
- ``J = [A* + diag(1/phi_c, 0)]^-1`` (mixed-model equations of what is left)

Score and average information then need ``J`` and products of the size of the data at most, so
that memory is linear in the rows plus the square of the number of ``c`` effects.

References
----------
.. [1] Henderson CR (1984). Applications of linear models in animal breeding. Univ. Guelph.
.. [2] Gilmour AR, Thompson R, Cullis BR (1995). Average information REML: an efficient algorithm
   for variance parameter estimation in linear mixed models. Biometrics 51:1440-1450.
   doi:10.2307/2533274
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trialkit.errors import ModelError
from trialkit.model.columns.matrices import Floats
from trialkit.model.columns.terms import Grouping

MOST_DENSE = 4_000  # effects that dense algebra takes
MOST_SIZES = 40  # different block sizes for which absorbing pays
MOST_PAIRS = 40_000_000


@dataclass(frozen=True)
class Layer:
    """Cross-products of one error stratum.

    ``d`` (q_a,), ``Bc`` sparse data on the common pattern (nnz,), ``Bx`` (q_a, p + 1), ``A``
    (q_c + p + 1 square; the last column is the response), ``df`` of the stratum.
    """

    d: Floats
    Bc: Floats
    Bx: Floats
    A: Floats
    df: float


@dataclass(frozen=True)
class LargeDesign:
    """A design with too many effects for dense algebra, with its response.

    Parameters
    ----------
    params : tuple of str
        Random terms as given, then ``"residual"``.
    coef : ndarray, shape (strata, parameters)
        Stratum variances are ``coef @ phi``.
    a : int
        Position of the eliminated factor among the parameters.
    c : tuple of (position, slice)
        Dense terms and their columns.
    layers : tuple of Layer
    rows, cols : ndarray of int
        Pattern of ``Z_a'Z_c``.
    first, second : ndarray of int
        Pairs of entries of that pattern in the same row, upper triangle.
    """

    params: tuple[str, ...]
    n: int
    p: int
    coef: Floats
    a: int
    c: tuple[tuple[int, slice], ...]
    layers: tuple[Layer, ...]
    rows: NDArray[np.intp]
    cols: NDArray[np.intp]
    first: NDArray[np.int32]
    second: NDArray[np.int32]
    back: Floats
    log_xx: float
    beta0: Floats
    scale: float
    spread: float
    units: Floats

    @property
    def n_random(self) -> int:
        """Give the number of random terms."""
        return len(self.params) - 1

    @property
    def q_c(self) -> int:
        """Give the number of dense effects."""
        return self.c[-1][1].stop if self.c else 0


@dataclass(frozen=True)
class LargePoint:
    """Objective, score and average information at some variances.

    ``fixed`` holds ``X'V^-1 G_j V^-1 X`` for each parameter, filled on request.
    """

    phi: Floats
    loglik: float
    score: Floats
    information: Floats
    beta: Floats
    C: Floats
    u_a: Floats
    u_c: Floats
    fixed: Floats | None = None


def is_large(groupings: Sequence[Grouping], p: int) -> bool:
    """Say whether the effects are too many for the dense engine."""
    if not groupings:
        return False
    q = sorted((g.q for g in groupings), reverse=True)
    biggest = max(groupings, key=lambda g: g.q)
    sizes = len(np.unique(np.bincount(biggest.codes)))
    others = sum(q[1:]) + p
    absorbed = (sizes + 1) * others if biggest.weight is None else sum(q) + p
    return min(absorbed, sum(q) + p) > 700


def make_large(X: Floats, y: Floats, groupings: Sequence[Grouping]) -> LargeDesign:
    """Form the cross-products of a design with many effects.

    Parameters
    ----------
    X : ndarray, shape (n, p)
    y : ndarray, shape (n,)
    groupings : sequence of Grouping

    Returns
    -------
    LargeDesign

    Raises
    ------
    ModelError
        More crossed effects than dense algebra takes.
    """
    from scipy import sparse

    n, p = X.shape
    b, a = _order(groupings)
    c = [k for k in range(len(groupings)) if k not in (a, b)]
    q_c = sum(groupings[k].q for k in c)
    if q_c > MOST_DENSE:
        names = ", ".join(f"'{groupings[k].term.name}' ({groupings[k].q})" for k in c)
        raise ModelError(
            f"too many crossed effects beside the largest factor: {names}; at most "
            f"{MOST_DENSE} can be handled; leave a term out or summarise the rows first"
        )
    Q, back, log_xx = _scaled_columns(X)
    beta, left, scale, spread = _least_squares(Q, y)
    Za, Zc = (
        _sparse(groupings[a], n),
        sparse.hstack([_sparse(groupings[k], n) for k in c], format="csr")
        if c
        else sparse.csr_matrix((n, 0)),
    )
    D = np.column_stack([Q, left / scale])
    whole = _layer(Za, Zc, D, float(n))
    pattern = (abs(Za).T @ abs(Zc)).tocsr()
    pattern.sort_indices()
    params = (*(g.term.name for g in groupings), "residual")
    layers, coef = _strata(whole, groupings, b, Za, Zc, D, pattern, len(params))
    rows = np.repeat(np.arange(pattern.shape[0]), np.diff(pattern.indptr))
    first, second = _pairs(pattern.indptr)
    stops = np.cumsum([groupings[k].q for k in c])
    spans = tuple(
        (k, slice(int(stop - groupings[k].q), int(stop))) for k, stop in zip(c, stops, strict=True)
    )
    units = np.array([*(1 / g.unit**2 for g in groupings), 1.0])
    return LargeDesign(
        params,
        n,
        p,
        coef,
        a,
        spans,
        tuple(layers),
        rows,
        pattern.indices.astype(np.intp),
        first,
        second,
        back,
        log_xx,
        back @ beta,
        scale,
        spread,
        units,
    )


def _order(groupings: Sequence[Grouping]) -> tuple[int | None, int]:
    """Choose the absorbed factor (or none) and the eliminated one."""
    by_size = sorted(range(len(groupings)), key=lambda k: -groupings[k].q)
    b = by_size[0]
    g = groupings[b]
    if g.weight is None and len(by_size) > 1:
        sizes = np.unique(np.bincount(g.codes))
        a = by_size[1]
        outer = groupings[a]
        first = np.zeros(g.q, dtype=np.intp)
        first[g.codes] = np.arange(len(g.codes))
        nested = outer.weight is None and bool((outer.codes == outer.codes[first][g.codes]).all())
        if len(sizes) <= MOST_SIZES and nested:
            return b, a
    return None, b


def _scaled_columns(X: Floats) -> tuple[Floats, Floats, float]:
    """Give orthonormal fixed columns, the way back, and ``log |X'X|``."""
    size = np.sqrt(np.einsum("ij,ij->j", X, X))
    Q, T = X / size, np.diag(size)
    for _ in range(3):  # Cholesky, repeated: each pass squares the loss of orthogonality away
        U = np.linalg.cholesky(Q.T @ Q).T
        Q, T = Q @ np.linalg.inv(U), U @ T
    return Q, np.asarray(np.linalg.inv(T)), 2 * float(np.linalg.slogdet(T)[1])


def _least_squares(Q: Floats, y: Floats) -> tuple[Floats, Floats, float, float]:
    left, beta = y.astype(float), np.zeros(Q.shape[1])
    for _ in range(3):
        step = Q.T @ left
        left = left - Q @ step
        beta += step
    scale = float(np.sqrt(left @ left / (len(y) - Q.shape[1])))
    return beta, left, scale, float(np.std(y))


def _sparse(g: Grouping, n: int) -> Any:
    from scipy import sparse

    values = np.ones(n) if g.weight is None else g.weight
    return sparse.csr_matrix((values, g.codes, np.arange(n + 1)), shape=(n, g.q))


def _layer(Za: Any, Zc: Any, D: Floats, df: float) -> tuple[Floats, Any, Floats, Floats, float]:
    """Give d, Z_a'Z_c, Z_a'D, [Z_c D]'[Z_c D] for rows that weigh one."""
    d = np.asarray(Za.multiply(Za).sum(axis=0)).ravel()
    cd = np.asarray(Zc.T @ D)
    A = np.block([[np.asarray((Zc.T @ Zc).todense()), cd], [cd.T, D.T @ D]])
    return d, (Za.T @ Zc).tocsr(), np.asarray(Za.T @ D), A, df


def _strata(
    whole: tuple[Floats, Any, Floats, Floats, float],
    groupings: Sequence[Grouping],
    b: int | None,
    Za: Any,
    Zc: Any,
    D: Floats,
    pattern: Any,
    m: int,
) -> tuple[list[Layer], Floats]:
    """Split the cross-products into error strata of the absorbed factor."""
    from scipy import sparse

    def onto(B: Any) -> Floats:
        """Give the entries of a sparse matrix on the common pattern."""
        out = sparse.csr_matrix(
            (np.zeros(pattern.nnz), pattern.indices, pattern.indptr), shape=pattern.shape
        )
        keys = (
            np.repeat(np.arange(pattern.shape[0]), np.diff(pattern.indptr))
            * max(1, pattern.shape[1])
            + pattern.indices
        )
        B = B.tocsr()
        B.sort_indices()
        own = np.repeat(np.arange(B.shape[0]), np.diff(B.indptr)) * max(1, B.shape[1]) + B.indices
        data = out.data
        data[np.searchsorted(keys, own)] = B.data
        return np.asarray(data)

    d, Bc, Bx, A, df = whole
    if b is None:
        coef = np.zeros((1, m))
        coef[0, -1] = 1.0
        return [Layer(d, onto(Bc), Bx, A, df)], coef
    Zb = _sparse(groupings[b], D.shape[0])
    sizes = np.bincount(groupings[b].codes)
    sums_a, sums_c, sums_d = (Zb.T @ Za).tocsr(), (Zb.T @ Zc).tocsr(), np.asarray(Zb.T @ D)
    layers, rows = [], []
    rest: list[Any] = [d.copy(), onto(Bc), Bx.copy(), A.copy(), df]
    for size in np.unique(sizes):
        at = np.flatnonzero(sizes == size)
        root = 1 / np.sqrt(size)
        part = _layer(sums_a[at] * root, sums_c[at] * root, sums_d[at] * root, float(len(at)))
        layer = Layer(part[0], onto(part[1]), part[2], part[3], part[4])
        layers.append(layer)
        rows.append(float(size))
        for i, piece in enumerate((layer.d, layer.Bc, layer.Bx, layer.A, layer.df)):
            rest[i] = rest[i] - piece
    if rest[4] > 0:
        layers.append(Layer(*rest))
        rows.append(0.0)
    coef = np.zeros((len(layers), m))
    coef[:, b], coef[:, -1] = rows, 1.0
    return layers, coef


def _pairs(indptr: NDArray[np.int32]) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Give all pairs of entries in the same row (first not after second)."""
    counts = np.diff(indptr)
    if int((counts.astype(np.int64) * (counts + 1) // 2).sum()) > MOST_PAIRS:
        raise ModelError(
            "the crossed factors meet in too many combinations for this machine: leave a term "
            "out or summarise the rows first"
        )
    first, second = [], []
    for count in np.unique(counts[counts > 0]):
        starts = indptr[:-1][counts == count]
        i, j = np.triu_indices(int(count))
        first.append((starts[:, None] + i[None]).ravel())
        second.append((starts[:, None] + j[None]).ravel())
    none = np.zeros(0, dtype=np.int32)
    if not first:
        return none, none
    return np.concatenate(first).astype(np.int32), np.concatenate(second).astype(np.int32)
