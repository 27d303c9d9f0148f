"""What a line through doses cannot say: beyond the doses given, and for doses not known exactly."""

from __future__ import annotations

from typing import TYPE_CHECKING

from trialkit.columns import find_column
from trialkit.errors import Finding
from trialkit.wording import Named, Number, finding, message

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.alignment.result import Aligned

#: Exposures whose standard uncertainty is known run by run, and its column.
UNCERTAINTY = {"rh_pct": "rh_u_pct", "vpd_kpa": "vpd_u_kpa"}
FLATTENED_PCT = 5.0  #: flattening of a slope from which it is spoken of


def optimum_outside(summary: pd.DataFrame, runs: pd.DataFrame, exposure: str) -> list[Finding]:
    """Say that an optimum or knee does not lie among the doses given."""
    row = summary.iloc[0]
    if row["quantity"] == "slope" or row["estimate"] == row["estimate"]:
        return []
    return [
        finding(
            "optimum_outside",
            "caution",
            exposure=exposure_label(exposure),
            quantity=message(f"dose.quantity.{quantity_key(str(row['quantity']))}"),
            lowest=float(runs["dose"].min()),
            highest=float(runs["dose"].max()),
        )
    ]


def dose_uncertain(data: Aligned, runs: pd.DataFrame, exposure: str, window: str) -> list[Finding]:
    """Say how much flatter a slope may come out as the dose itself is not known exactly."""
    column = UNCERTAINTY.get(exposure, "")
    if column not in data.runs:
        return []
    keys = [name for name in ("batch", "chamber") if name in runs]
    known = data.runs.loc[data.runs["window"] == window, [*keys, column]]
    known = runs.merge(known.astype(dict.fromkeys(keys, str)), how="left", on=keys)
    apart, used = known["dose"], 1
    if "batch" in keys:
        used = known["batch"].nunique()
        apart = apart - apart.groupby(known["batch"]).transform("mean")
    variance = float((apart**2).sum()) / max(len(apart) - used, 1)
    unknown = float((known[column].astype(float) ** 2).mean())
    share = 100 * unknown / variance if variance > 0 else 0.0
    if not share > FLATTENED_PCT:
        return []
    form = "much" if share >= 100 else "some"
    return [
        finding(
            "dose_uncertain",
            "caution",
            form=form,
            exposure=exposure_label(exposure),
            share=Number(share),
            spread=variance**0.5,
            uncertainty=unknown**0.5,
        )
    ]


def exposure_label(name: str) -> Named:
    """Name an exposure in the language in use."""
    column = find_column(name)
    return Named(f"glossary_label.{name}", "" if column is None else column.label)


def quantity_key(quantity: str) -> str:
    """Give a quantity of `Dose.summary` as it stands in keys of the catalogue."""
    return quantity.replace(" ", "_")
