"""Exposures of logs spread over a Dask cluster; needs ``trialkit[cluster]``."""

from __future__ import annotations

from importlib import import_module
from typing import Any

import pandas as pd

from trialkit.alignment.cells import Cells
from trialkit.alignment.frame import piece_of_frame
from trialkit.alignment.kernel import Piece, SeamError, Summer
from trialkit.alignment.measures import ExposureSettings
from trialkit.alignment.summaries import Summaries, summarise


def expose_dask(climate: Any, windows: pd.DataFrame, *, settings: ExposureSettings) -> Summaries:
    """Sum a climate log kept as a Dask table over windows.

    Each worker sums its partitions; only the sums and the open ends of partitions travel.

    Parameters
    ----------
    climate : dask.dataframe.DataFrame
        As for `expose_frame`; the partitions may be cut anywhere.
    windows : DataFrame
        `chamber, start, stop` (UTC) and any further columns, which are kept.
    settings : ExposureSettings

    Returns
    -------
    Summaries
        Equal to `expose_frame` on the same rows.

    Notes
    -----
    Where partitions overlap in time (a doubled export, rows in no order), the table is first
    shuffled by chamber, so that every chamber is whole on one worker.
    """
    dask: Any = import_module("dask")

    cells = Cells(windows.reset_index(drop=True))
    summer = Summer(cells, settings)

    def pieces(table: Any) -> list[Piece]:
        work = dask.delayed(piece_of_frame, pure=True)
        found: tuple[Piece, ...] = dask.compute(
            *(work(part, summer) for part in table.to_delayed())
        )
        return [piece for piece in found if piece.rows]

    try:
        total = summer.join_pieces(pieces(climate))
    except SeamError:
        total = summer.join_pieces(pieces(climate.shuffle("chamber")))
    return summarise(total, cells, settings)
