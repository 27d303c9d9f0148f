"""Entries of a sound trial file that may not be what was meant."""

from __future__ import annotations

from itertools import combinations

from trialkit.errors import Finding
from trialkit.trial.trial import Trial
from trialkit.wording import finding, place, several

#: Humidity that mist is kept above in any growing room [%].
_DRY = 50.0
#: Under this the price of a litre is likelier than that of a cubic metre, a thousand times as much.
_CHEAP = 0.05
_PER_CENT = ("margin_pct", "difference_pct")


def tell_doubtful_entries(trial: Trial) -> list[Finding]:
    """Tell what is sound and yet odd: shared chambers or names, fractions, a dry band, a price.

    Parameters
    ----------
    trial : Trial

    Returns
    -------
    list of Finding

    Examples
    --------
    >>> import trialkit as tk
    >>> tell_doubtful_entries(tk.read_trial(tk.demo_folder()))
    []
    """
    return [
        *_fractions(trial),
        *_price_of_a_litre(trial),
        *_dry_bands(trial),
        *_names_shared(trial),
        *tell_overlaps(trial),
    ]


def _price_of_a_litre(trial: Trial) -> list[Finding]:
    """Ask about water that costs next to nothing: the price of a litre may be meant."""
    price = trial.prices.water_per_m3 if trial.prices else None
    if not price or price >= _CHEAP:
        return []
    return [finding("price_of_a_litre", "caution", value=price, meant=1000 * price)]


def _names_shared(trial: Trial) -> list[Finding]:
    """Tell names that are of a batch and of a chamber: an entry with one of them may mean both."""
    batches = set(trial.levels.get("batch", ()))
    shared = [name for name in trial.levels.get("chamber", ()) if name in batches]
    if not shared:
        return []
    return [finding("name_of_both", "caution", names=several(shared, 6), name=shared[0])]


def _dry_bands(trial: Trial) -> list[Finding]:
    """Ask about bands that stop where the air is dry: a share of the time may be meant."""
    return [
        finding(
            "band_dry",
            "caution",
            treatment=name,
            level=level,
            start=setting.start_below_rh,
            stop=setting.stop_above_rh,
        )
        for name, factor in trial.factors.items()
        for level, setting in factor.levels.items()
        if setting.kind == "band" and (setting.stop_above_rh or 100.0) < _DRY
    ]


def _fractions(trial: Trial) -> list[Finding]:
    """Ask about percentages below 1; a loss so small is not found by trials of any usual size."""
    given = {name: float(getattr(trial.question, name)) for name in _PER_CENT}
    return [
        finding("fraction_for_per_cent", "caution", key=name, value=value, meant=100 * value)
        for name, value in given.items()
        if 0 < value < 1
    ]


def tell_overlaps(trial: Trial) -> list[Finding]:
    """Tell each two batches of which one starts before the other has left the same chambers.

    Where a batch has no end yet, nothing is known of when it left.
    """
    if not {"batch", "chamber"} <= set(trial.structure.random_terms):
        return []  # chambers within batches: each batch has its own
    units = trial.grown_units()
    units = units[~units["unit"].isin(trial.given_up)]
    used = {str(name): set(own["chamber"]) for name, own in units.groupby("batch")}
    dated = sorted(
        (dates.start, name, dates.end) for name, dates in trial.batches.items() if dates.start
    )
    out = []
    for (_, first, end), (start, second, _) in combinations(dated, 2):
        both = used.get(first, set()) & used.get(second, set())
        shared = [c for c in trial.levels["chamber"] if c in both]
        if end is None or not shared:
            continue
        begins, ends = (moment.astimezone(trial.zone).date() for moment in (start, end))
        if begins >= ends:  # the next may move in on the day
            continue
        out.append(
            finding(
                "batches_overlap",
                "caution",
                first=place({"batch": first}),
                second=place({"batch": second}),
                start=begins,
                end=ends,
                chambers=several(shared, 6),
            )
        )
    return out
