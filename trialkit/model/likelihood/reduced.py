"""Cross-products of a design: everything the restricted likelihood needs, without the rows.

The covariance is ``V = sum_e a_e G_e`` with elements ``e``: error strata (orthogonal
projections ``Pi_s`` that sum to the identity) and random terms (``G_k = Z_k Z_k'``).
The variances ``a`` of the elements are linear in the parameters ``phi`` (one per random
term, then the residuals): ``a = coef @ phi``. Usually there is one stratum, the
identity. A large grouping factor is absorbed as strata: its blocks of ``m`` rows have
variance ``residual + m * block`` between and ``residual`` within, so its levels never
enter a matrix. Separate residual variances are one stratum per group.

All of it is written in coordinates of the space that the fixed and random columns span
within each stratum: ``r`` coordinates instead of ``n`` rows. What lies outside
is ``out`` degrees of freedom per stratum with a sum of squares. ``K`` is a basis of the
error contrasts (orthogonal to ``X``) in those coordinates.

References
----------
.. [1] Patterson HD, Thompson R (1971). Recovery of inter-block information when block sizes
   are unequal. Biometrika 58:545-554. doi:10.1093/biomet/58.3.545
.. [2] Harville DA (1977). Maximum likelihood approaches to variance component estimation and
   to related problems. J Am Stat Assoc 72:320-338. doi:10.1080/01621459.1977.10480998
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from trialkit.arrays import Floats
from trialkit.errors import ModelError
from trialkit.model.columns.terms import Grouping, indicator
from trialkit.model.likelihood.strata import Responses, RowMaps, Stratum, project_each
from trialkit.model.likelihood.traces import Elements, sort_elements
from trialkit.short_repr import short_repr

RANK_TOLERANCE = 1e-10
ABSORB_FROM = 30  # levels from which absorbing a factor pays


@dataclass(frozen=True)
class Reduced:
    """One design in coordinates of its error strata.

    Parameters
    ----------
    params : tuple of str
        Names of the variance parameters: random terms, then residuals.
    n_random : int
        How many of them are random terms.
    n, p : int
        Rows, and rank of the fixed part.
    coef : ndarray, shape (elements, parameters)
        Element variances are ``coef @ phi``; strata first, then terms kept as columns.
    stratum : ndarray of int, shape (r,)
        Stratum of each coordinate.
    out : ndarray, shape (strata,)
        Degrees of freedom of each stratum outside the coordinates.
    G : ndarray, shape (elements, r, r)
        Element matrices in coordinates.
    X : ndarray, shape (r, p)
        Fixed columns (treatment coding, aliased ones left out) in coordinates.
    K : ndarray, shape (r, k)
        Orthonormal error contrasts, ``K'X = 0``.
    GK : ndarray, shape (elements, k, k)
        ``K' G_e K``.
    log_xx : float
        ``log |X'X|``, which the restricted likelihood of this coding carries.
    units : ndarray, shape (parameters,)
        Factor from the internal to the user's unit of each variance (slopes are scaled).
    rows : RowMaps
    columns : tuple of ndarray, shape (r, levels)
        Columns of each term that is not a stratum, in coordinates.
    """

    params: tuple[str, ...]
    n_random: int
    n: int
    p: int
    coef: Floats
    stratum: NDArray[np.intp]
    out: Floats
    G: Floats
    X: Floats
    K: Floats
    GK: Floats
    log_xx: float
    units: Floats
    rows: RowMaps
    columns: tuple[Floats, ...] = ()

    __repr__ = short_repr

    @cached_property
    def whole_elements(self) -> Elements:
        """Give the elements `G`, sorted by how their traces are found."""
        return sort_elements(self.G, self.columns, one_stratum=self._one_stratum)

    @cached_property
    def contrast_elements(self) -> Elements:
        """Give the elements `GK`, sorted by how their traces are found."""
        columns = [self.K.T @ Z for Z in self.columns]
        return sort_elements(self.GK, columns, one_stratum=self._one_stratum)

    @property
    def _one_stratum(self) -> bool:
        return self.n_strata == 1

    @property
    def n_strata(self) -> int:
        """Give the number of error strata."""
        return len(self.out)

    def project(self, Y: Floats) -> Responses:
        """Bring responses into the coordinates.

        Parameters
        ----------
        Y : ndarray, shape (responses, n)

        Returns
        -------
        Responses
        """
        return self.rows.project(Y, self.K)


def reduce_design(
    X: Floats,
    groupings: Sequence[Grouping],
    *,
    residual_groups: Grouping | None = None,
    absorb: bool = True,
    complete: bool = False,
) -> Reduced:
    """Bring fixed and random columns into coordinates of the error strata.

    Parameters
    ----------
    X : ndarray, shape (n, p)
        Fixed columns of full rank.
    groupings : sequence of Grouping
        Random terms.
    residual_groups : Grouping, optional
        Groups of rows with their own residual variance.
    absorb : bool
        Whether a large grouping factor may be absorbed.
    complete : bool
        Whether the coordinates must span all rows, leaving nothing outside.

    Returns
    -------
    Reduced

    Raises
    ------
    ModelError
        Variances that the design cannot tell apart.
    """
    n, p = X.shape
    chosen = _choose_absorbed(groupings, p) if absorb and residual_groups is None else None
    strata, coef_strata, residuals = _make_strata(n, groupings, chosen, residual_groups)
    params = (*(g.term.name for g in groupings), *residuals)
    kept = [k for k in range(len(groupings)) if k != chosen]
    coef = np.zeros((len(strata) + len(kept), len(params)))
    coef[: len(strata)] = coef_strata
    coef[np.arange(len(strata), len(coef)), kept] = 1.0
    Q, T = _orthonormal(X)
    Zs = [indicator(groupings[k]) for k in kept]
    F = np.hstack([*([np.eye(n)] if complete else []), *Zs, Q])
    lead = slice(0, n) if complete else _finest([groupings[k] for k in kept])
    maps, used, coords = [], [], []
    for s, PF in zip(strata, project_each(strata, F.T), strict=True):
        A, U = _coordinates(PF, F, lead)
        maps.append(A)
        coords.append(U)
        used.append(_with_r(s, len(A)))
    A = np.vstack(maps)
    stratum = np.repeat(np.arange(len(used)), [s.r for s in used])
    FR = np.vstack(coords)
    r = len(FR)
    Qr = FR[:, FR.shape[1] - p :]
    K = np.linalg.qr(Qr, mode="complete")[0][:, p:] if p else np.eye(r)
    ends = np.cumsum([n if complete else 0, *(Z.shape[1] for Z in Zs)])
    columns = tuple(FR[:, a:b] for a, b in pairwise(ends))
    G, GK = _elements(stratum, len(used), columns, K)
    out = np.array([s.df - s.r for s in used], dtype=float)
    units = np.ones(len(params))
    units[: len(groupings)] = [1.0 / g.unit**2 for g in groupings]
    back: Floats = np.asarray(np.linalg.solve(T, np.eye(p))) if p else np.zeros((0, 0))
    _, log_t = np.linalg.slogdet(T) if p else (1.0, 0.0)
    reduced = Reduced(
        params=params,
        n_random=len(groupings),
        n=n,
        p=p,
        coef=coef,
        stratum=stratum,
        out=out,
        G=G,
        X=Qr @ T,
        K=K,
        GK=GK,
        log_xx=2.0 * float(log_t),
        units=units,
        rows=RowMaps(Q, back, A, tuple(used)),
        columns=columns,
    )
    check_identified(reduced)
    return reduced


def check_identified(reduced: Reduced) -> None:
    """Refuse variances that the error contrasts cannot tell apart.

    Raises
    ------
    ModelError
        A random term confounded with the fixed part, or with other variances.
    """
    GK = reduced.GK
    flat = GK.reshape(len(GK), -1)
    gram = flat @ flat.T
    gram[: reduced.n_strata, : reduced.n_strata] += np.diag(reduced.out)
    size = reduced.coef.T @ gram @ reduced.coef
    norms = np.sqrt(np.diag(size))
    for name, norm in zip(reduced.params, norms, strict=True):
        if norm < 1e-7 * max(1.0, float(norms.max())):
            raise ModelError(
                f"'{name}' is confounded with the fixed part: nothing is left to estimate its "
                "variance from; leave it out of the random terms or of the fixed part (if each of "
                "its units received a treatment of its own, the treatments have no replication: "
                "more units are needed)"
            )
    values, vectors = np.linalg.eigh(size / np.outer(norms, norms))
    if values[0] < 1e-10:
        mixed = [n for n, v in zip(reduced.params, vectors[:, 0], strict=True) if abs(v) > 1e-3]
        raise ModelError(
            f"the variances of {' and '.join(repr(n) for n in mixed)} cannot be told apart in "
            "this design: leave one of the terms out"
        )


def _choose_absorbed(groupings: Sequence[Grouping], p: int) -> int | None:
    best, most = None, ABSORB_FROM
    for k, g in enumerate(groupings):
        if g.weight is None and g.q >= most:
            best, most = k, g.q
    if best is None:
        return None
    others = sum(g.q for k, g in enumerate(groupings) if k != best) + p
    sizes = len(np.unique(np.bincount(groupings[best].codes)))
    return best if (sizes + 1) * others < most + others else None


def _make_strata(
    n: int,
    groupings: Sequence[Grouping],
    chosen: int | None,
    residual_groups: Grouping | None,
) -> tuple[list[Stratum], Floats, tuple[str, ...]]:
    m = len(groupings)
    if residual_groups is not None:
        column = ":".join(residual_groups.term.columns)
        names = tuple(f"residual[{column}={label}]" for label in residual_groups.labels)
        strata, coef = [], np.zeros((len(names), m + len(names)))
        for i in range(len(names)):
            where = residual_groups.codes == i
            strata.append(Stratum("rows", int(where.sum()), where=where))
            coef[i, m + i] = 1.0
        return strata, coef, names
    if chosen is None:
        coef = np.zeros((1, m + 1))
        coef[0, m] = 1.0
        return [Stratum("rows", n)], coef, ("residual",)
    codes = groupings[chosen].codes
    sizes = np.bincount(codes)
    strata = []
    rows = []
    if n > len(sizes):
        strata.append(Stratum("within", n - len(sizes), codes=codes, sizes=sizes))
        rows.append(0.0)
    for size in np.unique(sizes):
        strata.append(
            Stratum("between", int((sizes == size).sum()), codes=codes, sizes=sizes, size=int(size))
        )
        rows.append(float(size))
    coef = np.zeros((len(strata), m + 1))
    coef[:, chosen] = rows
    coef[:, m] = 1.0
    return strata, coef, ("residual",)


def _with_r(s: Stratum, r: int) -> Stratum:
    return Stratum(s.kind, s.df, s.where, s.codes, s.sizes, s.size, r)


def _finest(kept: Sequence[Grouping]) -> slice:
    """Give the columns of the term with most levels, which as a rule spans all others."""
    at, lead = 0, slice(0, 0)
    for g in kept:
        if g.weight is None and g.q > lead.stop - lead.start:
            lead = slice(at, at + g.q)
        at += g.q
    return lead


def _elements(
    stratum: NDArray[np.intp], strata: int, columns: tuple[Floats, ...], K: Floats
) -> tuple[Floats, Floats]:
    """Give each element's matrix in coordinates and in error contrasts."""
    r, k = K.shape
    G = np.zeros((strata + len(columns), r, r))
    GK = np.zeros((len(G), k, k))
    for i in range(strata):
        own = np.flatnonzero(stratum == i)
        G[i, own, own] = 1.0
        GK[i] = np.eye(k) if strata == 1 else K[own].T @ K[own]
    for i, Z in enumerate(columns, start=strata):
        G[i] = Z @ Z.T
        KZ = K.T @ Z
        GK[i] = KZ @ KZ.T
    return G, GK


def _coordinates(PF: Floats, F: Floats, lead: slice) -> tuple[Floats, Floats]:
    """Give orthonormal rows ``A`` (r, n) spanning the projected columns, and ``A F``.

    The columns of one term, where no two of them meet in a row, only need a length of one; what
    they leave of the other columns is little or nothing.
    """
    scale = max(float(np.einsum("ij,ij->i", PF, PF).max(initial=0.0)), 1.0)
    base, rest = PF[:0], PF
    first = np.where(np.abs(PF[lead]) > 1e-12, PF[lead], 0.0)
    if ((first != 0).sum(axis=0) <= 1).all():
        length = np.einsum("ij,ij->i", first, first)
        some = length > RANK_TOLERANCE * scale
        base = first[some] / np.sqrt(length[some])[:, None]
        rest = np.concatenate([PF[: lead.start], PF[lead.stop :]])
        # repeated, so that rounding leaves nothing of them behind
        for _ in range(2 if len(base) else 0):
            rest = rest - (rest @ base.T) @ base
    A = np.vstack([base, _spanning(rest, scale)])
    return A, A @ F


def _spanning(rows: Floats, scale: float) -> Floats:
    """Give orthonormal rows that span some rows, beside columns of squared length `scale`."""
    rows = rows[np.einsum("ij,ij->i", rows, rows) > 1e-3 * RANK_TOLERANCE * scale]
    if not len(rows):
        return rows
    values, vectors = np.linalg.eigh(rows @ rows.T)
    keep = values > RANK_TOLERANCE * max(float(values[-1]), scale)
    A = (vectors[:, keep] / np.sqrt(values[keep])).T @ rows
    # one pass of re-orthonormalisation takes the squared condition of the Gram matrix away
    return np.asarray(np.linalg.solve(np.linalg.cholesky(A @ A.T), A)) if len(A) else A


def _orthonormal(X: Floats) -> tuple[Floats, Floats]:
    """Give ``Q`` with orthonormal columns and ``T`` upper triangular, ``X = Q T``."""
    n, p = X.shape
    if p == 0:
        return X, np.zeros((0, 0))
    if n <= 20_000:
        Q, T = np.linalg.qr(X)
        return Q, T
    Q, T = X / (scale := np.sqrt(np.einsum("ij,ij->j", X, X))), np.diag(scale)
    for _ in range(3):  # Cholesky, repeated: each pass squares the loss of orthogonality away
        U = np.linalg.cholesky(Q.T @ Q).T
        Q, T = np.linalg.solve(U.T, Q.T).T, U @ T
    return Q, T
