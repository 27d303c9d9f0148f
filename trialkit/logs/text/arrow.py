"""Arrow arrays → NumPy arrays, whether in one piece or several."""

from __future__ import annotations

from typing import Any

import numpy as np


def as_numpy(column: Any, kind: Any) -> np.ndarray:
    """Copy an Arrow array to a NumPy array of one type.

    Parameters
    ----------
    column : Array or ChunkedArray
        Missing entries become NaN where the type allows it.
    kind : NumPy type
    """
    import pyarrow as pa

    if isinstance(column, pa.ChunkedArray):
        return np.array(column.to_numpy(), dtype=kind)
    return np.array(column.to_numpy(zero_copy_only=False), dtype=kind)


def one_piece(column: Any) -> Any:
    """Give an Arrow array in one piece."""
    import pyarrow as pa

    return column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column


def encode_cells(column: Any) -> tuple[list[str], np.ndarray]:
    """Give the different cells of a column as text, and each row's index among them."""
    import pyarrow as pa
    import pyarrow.compute as pc

    text = column if pa.types.is_string(column.type) else pc.cast(column, pa.string())
    coded = one_piece(pc.dictionary_encode(one_piece(pc.fill_null(text, ""))))
    return coded.dictionary.to_pylist(), as_numpy(coded.indices, np.int64)


def cell_texts(column: Any, index: np.ndarray) -> np.ndarray:
    """Give the cells at some positions as text."""
    import pyarrow as pa
    import pyarrow.compute as pc

    picked = pc.take(column, pa.array(np.asarray(index, dtype=np.int64)))
    texts = pc.fill_null(pc.cast(picked, pa.string()), "")
    return np.array(texts.to_pylist(), dtype=object)
