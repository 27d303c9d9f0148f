"""The logarithm of a response: rows taken to it, and means and differences taken back."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from trialkit.columns import COLUMNS
from trialkit.errors import ModelError

if TYPE_CHECKING:
    import pandas as pd


def logged(rows: pd.DataFrame, response: str) -> pd.DataFrame:
    """Take logarithms of a response.

    Parameters
    ----------
    rows : DataFrame
        With the response, and `unit` and `flush` to name a row by.
    response : str

    Returns
    -------
    DataFrame
        A copy.

    Raises
    ------
    ModelError
        A value is not above zero. None is put in its place.

    Examples
    --------
    >>> import pandas as pd
    >>> logged(pd.DataFrame({"fresh_g": [1.0, 100.0]}), "fresh_g")["fresh_g"].round(3).tolist()
    [0.0, 4.605]
    """
    none = rows[~(rows[response] > 0)]
    if len(none):
        first = none.iloc[0]
        label = COLUMNS[response].label if response in COLUMNS else response
        raise ModelError(
            f"{len(none)} of {len(rows)} values of {label} are zero and have no logarithm (the "
            f"first: {first.get('unit', '')}, flush {first.get('flush', 1)}, "
            f"{first[response]:g}). Leave out "
            'scale = "logarithm" in [question]; do not put a small number in place of zero, for '
            "the answer would depend on which"
        )
    return rows.assign(**{response: np.log(rows[response])})


def geometric(means: pd.DataFrame) -> pd.DataFrame:
    """Take means of logarithms back to the response's unit.

    Parameters
    ----------
    means : DataFrame
        `estimate, se, low, high` of the logarithm.

    Returns
    -------
    DataFrame
        Geometric means with their limits; `se` by the first-order rule (se times mean).

    Examples
    --------
    >>> import pandas as pd
    >>> m = pd.DataFrame({"estimate": [0.0], "se": [0.1], "low": [-0.2], "high": [0.2]})
    >>> geometric(m).round(3).to_numpy().tolist()
    [[1.0, 0.1, 0.819, 1.221]]
    """
    out = means.assign(**{c: np.exp(means[c]) for c in ("estimate", "low", "high")})
    return out.assign(se=means["se"] * out["estimate"])


def geometric_differences(differences: pd.DataFrame, means: pd.DataFrame) -> pd.DataFrame:
    """Turn differences of logarithms into those of geometric means.

    Parameters
    ----------
    differences : DataFrame
        `first, second, estimate, se, low, high` of the logarithm.
    means : DataFrame
        `level, estimate` of the logarithm.

    Returns
    -------
    DataFrame
        The second mean is taken as it stands: ``second * (exp(difference) - 1)``. The
        chances, t and df are those of the logarithm.

    Examples
    --------
    >>> import pandas as pd
    >>> m = pd.DataFrame({"level": ["a", "b"], "estimate": np.log([120.0, 100.0])})
    >>> d = pd.DataFrame({"first": ["a"], "second": ["b"], "estimate": [np.log(1.2)],
    ...                   "se": [0.05], "low": [np.log(1.1)], "high": [np.log(1.3)]})
    >>> geometric_differences(d, m)[["estimate", "se", "low", "high"]].round(3).values.tolist()
    [[20.0, 5.0, 10.0, 30.0]]
    """
    at = dict(zip(means["level"], np.exp(means["estimate"]), strict=True))
    base = differences["second"].map(at).astype(float)
    changed = {c: base * np.expm1(differences[c]) for c in ("estimate", "low", "high")}
    return differences.assign(se=base * differences["se"], **changed)
