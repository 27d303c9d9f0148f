"""Traces ``tr(P G_e)`` and ``tr(P G_e P G_f)`` of many matrices, each element its cheapest way.

A random term with few levels is ``G = Z Z'`` with few columns, so that ``tr(P G_e P G_f)`` is the
sum of squares of ``Z_e' P Z_f``; the residual is the identity wherever there is one stratum. Only
what is left needs a product with the whole matrix.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trialkit.arrays import Floats
from trialkit.short_repr import short_repr

THIN = 0.75  # columns of a term over coordinates, up to which its columns serve
FEW = 30_000  # numbers in all products, up to which one way for all costs least
PIECE = 400_000  # numbers in the largest array of a piece: it stays in the processor's cache


@dataclass(frozen=True)
class Elements:
    """Element matrices, sorted by how their traces are found.

    Parameters
    ----------
    size : int
        Number of elements.
    same : ndarray of int
        The element that is the identity, if any.
    thin : ndarray of int
        Elements given by their columns.
    Z : ndarray, shape (k, q)
        These columns side by side.
    share : ndarray, shape (q, thin)
        One where a column belongs to an element.
    full : ndarray of int
        All other elements.
    G : ndarray, shape (full, k, k)
    every : ndarray, shape (elements, k, k)
    """

    size: int
    same: NDArray[np.intp]
    thin: NDArray[np.intp]
    Z: Floats
    share: Floats
    full: NDArray[np.intp]
    G: Floats
    every: Floats

    __repr__ = short_repr

    @property
    def piece(self) -> int:
        """Give how many matrices to take at a time."""
        k, q = self.Z.shape
        return max(1, PIECE // max(1, int(k) * max(int(k), int(q))))


def sort_elements(G: Floats, columns: Sequence[Floats], *, one_stratum: bool) -> Elements:
    """Sort elements by how their traces are found.

    Parameters
    ----------
    G : ndarray, shape (elements, k, k)
        Strata first, then terms.
    columns : sequence of ndarray, shape (k, levels)
        Columns of each term, ``G = Z Z'``.
    one_stratum : bool
        Whether the only stratum is the identity.

    Returns
    -------
    Elements
    """
    strata, k = len(G) - len(columns), G.shape[1]
    thin = [i for i, Z in enumerate(columns) if Z.shape[1] <= THIN * k]
    same = [0] if one_stratum else []
    owner = np.repeat(np.arange(len(thin)), [columns[i].shape[1] for i in thin])
    known = {*same, *(strata + i for i in thin)}
    full = np.array([e for e in range(len(G)) if e not in known], dtype=np.intp)
    return Elements(
        len(G),
        np.array(same, dtype=np.intp),
        np.array(thin, dtype=np.intp) + strata,
        np.hstack([np.zeros((k, 0)), *(columns[i] for i in thin)]),
        (owner[:, None] == np.arange(len(thin))).astype(float),
        full,
        G[full],
        G,
    )


def traces(P: Floats, elements: Elements) -> tuple[Floats, Floats]:
    """Give ``tr(P G_e)`` and ``tr(P G_e P G_f)`` for each symmetric matrix ``P``.

    Parameters
    ----------
    P : ndarray, shape (R, k, k)
    elements : Elements

    Returns
    -------
    trace : ndarray, shape (R, elements)
    double : ndarray, shape (R, elements, elements)
    """
    R, E = len(P), elements.size
    if elements.every.size * R <= FEW:
        return _at_once(P, elements.every)
    trace, double = np.empty((R, E)), np.empty((R, E, E))
    for start in range(0, R, elements.piece):
        part = slice(start, start + elements.piece)
        _fill(P[part], elements, trace[part], double[part])
    return trace, double


def _at_once(P: Floats, G: Floats) -> tuple[Floats, Floats]:
    """Give the traces of few small matrices by one product with every element."""
    PG = P[:, None] @ G
    flat = PG.reshape(len(P), len(G), -1)
    turned = np.swapaxes(PG, 2, 3).reshape(flat.shape)
    return np.einsum("reii->re", PG), flat @ np.swapaxes(turned, 1, 2)


def _fill(P: Floats, elements: Elements, trace: Floats, double: Floats) -> None:
    """Write the traces of one piece."""
    R, k, _ = P.shape
    same, thin, share = elements.same, elements.thin, elements.share
    U = np.zeros((R, k, 0))
    if len(thin):
        U = (P.reshape(R * k, k) @ elements.Z).reshape(R, k, -1)
        M = elements.Z.T @ U
        trace[:, thin] = np.einsum("rqq->rq", M) @ share
        np.multiply(M, M, out=M)
        double[:, thin[:, None], thin] = share.T @ (M @ share)
    for e in same:
        trace[:, e] = np.einsum("rii->r", P)
        double[:, e, e] = np.einsum("rij,rij->r", P, P)
        if len(thin):
            _both(double, e, thin, np.einsum("rkq,rkq->rq", U, U) @ share)
    products: list[Floats] = []
    for e, G in zip(elements.full, elements.G, strict=True):
        B = (P.reshape(R * k, k) @ G).reshape(R, k, k)
        turned = np.swapaxes(B, 1, 2)
        trace[:, e] = np.einsum("rii->r", B)
        for f in same:
            _both(double, e, [f], np.einsum("rij,rij->r", B, P)[:, None])
        if len(thin):
            _both(double, e, thin, np.einsum("rkq,rkq->rq", U, G @ U) @ share)
        for f, other in zip(elements.full, products, strict=False):
            _both(double, e, [f], np.einsum("rij,rij->r", turned, other)[:, None])
        double[:, e, e] = np.einsum("rij,rij->r", turned, B)
        products.append(B)


def _both(double: Floats, e: int, others: Sequence[int] | NDArray[np.intp], value: Floats) -> None:
    """Write a row and the column that equals it."""
    double[:, e, others] = value
    double[:, others, e] = value
