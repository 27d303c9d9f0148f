"""Stand-ins of trials, powers and sites in round numbers, for values worked out by hand."""

from types import SimpleNamespace

from trialkit.design.layout.site import Site
from trialkit.structure import parse_structure
from trialkit.trial.sections import PricesSection

COUNTS = {"batch": 3, "chamber": 4, "block": 6}


def trial_of(counts=None, **prices):
    given = PricesSection(currency="CHF", **prices) if prices else None
    counts = COUNTS if counts is None else counts
    return SimpleNamespace(
        counts=counts, prices=given, structure=SimpleNamespace(factors=tuple(counts))
    )


def power_of(trial=None, **more):
    given = {"trial": trial or trial_of(), "wanted": 0.8, "factor": "mist"}
    return SimpleNamespace(**{**given, **more})


RUNS = ("batch", "chamber")
CROSSED = parse_structure("(batch * chamber) / block")


def site_of(batch=3, chamber=4, target=(4, 4, 4), structure=CROSSED, term=RUNS, block=1, **more):
    counts = {"batch": batch, "chamber": chamber, "block": block}
    counts = {name: counts[name] for name in structure.factors}
    return Site(structure, counts, term, {"mist": (1,) * len(target)}, target, **more)
