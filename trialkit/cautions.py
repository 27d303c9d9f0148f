"""The safety notes of trialkit: one wording, each with its published source.

Every page, sheet, notebook or plan that shows a caution takes it from here, so the wording
cannot drift. They are the usual cautions, no electrical or medical advice: local codes and
licensed or medical practice come first.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any, Literal, get_args

import pandas as pd

from trialkit.display import Shown, show_table
from trialkit.wording import spoken

Place = Literal["plan", "sheets", "notebooks", "report"]
#: What a trial may use that has cautions of its own.
Use = Literal["mist", "pressure", "uv"]

#: Where cautions are shown.
PLACES: tuple[Place, ...] = get_args(Place)
USES: tuple[Use, ...] = get_args(Use)
#: A line of nozzles above this is a pressure line [bar]; the pressure from which jets are known
#: to go through skin is about 7 bar (clinical teaching, not confirmed in a primary source).
PRESSURE_BAR = 7.0


@dataclass(frozen=True)
class Caution:
    """One safety note, in the words of the language in use.

    Parameters
    ----------
    code : str
        Stable short name; its words stand in the catalogue at ``caution.<code>``.
    source : str
        Published source of the facts in the text. What could not be looked up again is marked
        "from memory".
    where : tuple of {"plan", "sheets", "notebooks", "report"}
        Where it is shown.
    needs : {"mist", "pressure", "uv"}, optional
        What a trial must use for the caution to apply; None: it always does.
    """

    code: str
    source: str
    where: tuple[Place, ...]
    needs: Use | None = None

    @property
    def title(self) -> str:
        """Give two to six words."""
        return spoken().text(f"caution.{self.code}.title")

    @property
    def short(self) -> str:
        """Say what matters most in a line or two; `text` says it in full."""
        return spoken().text(f"caution.{self.code}.short")

    @property
    def text(self) -> str:
        """Say what can happen, what to do and who decides, in plain words."""
        return spoken().text(f"caution.{self.code}.text")

    def __str__(self) -> str:
        return f"{self.title}. {self.text} [{self.source}]"


_EVERYWHERE = PLACES
_ALL = (
    Caution(
        "mains",
        "IEC 60364-7-705 and BS 7671 section 705 (electrical installations of agricultural and "
        "horticultural premises); 30 mA for socket-outlets: from memory",
        _EVERYWHERE,
    ),
    Caution(
        "mist_water",
        "US EPA (1991) Indoor Air Facts No. 8, Use and care of home humidifiers; Rodes, Smith, "
        "Crouse & Ramachandran (1990) Aerosol Sci. Technol. 13:220-229 (from memory)",
        _EVERYWHERE,
        "mist",
    ),
    Caution(
        "legionella",
        "UK HSE (2013) Approved Code of Practice L8, 4th ed., and HSG274 (from memory); Zhou et "
        "al. (2017) J. Public Health Emerg. (an outbreak from one ultrasonic humidifier in a "
        "factory)",
        _EVERYWHERE,
        "mist",
    ),
    Caution(
        "pressure",
        "Rodriguez-Villar, Kennedy, Dall'Antonia & Menichetti (2019) Eur. J. Trauma Emerg. Surg. "
        "45:507-515 (injuries by industrial water jets; fog lines work at lower pressure)",
        _EVERYWHERE,
        "pressure",
    ),
    Caution(
        "spores",
        "Lenhart & Cole (1993) Appl. Occup. Environ. Hyg. 8:112-119 (from memory); Choi et al. "
        "(1991) Korean J. Intern. Med. 6(1) (growers of Pleurotus); mask and picking advice: "
        "common practice, no source",
        _EVERYWHERE,
    ),
    Caution(
        "co2",
        "29 CFR 1910.1000 table Z-1 (5 000 ppm, 8 h); NIOSH (1976) Criteria for a recommended "
        "standard: occupational exposure to carbon dioxide, 76-194 (30 000 ppm ceiling); 29 CFR "
        "1910.146 (rescue from confined spaces); all from memory",
        _EVERYWHERE,
    ),
    Caution(
        "food_hygiene",
        "21 CFR part 112 (produce safety; from memory); Viswanath et al. (2013) J. Food Prot. "
        "76:608-615 (from memory); Pennone et al. (2020) Food Sci. Nutr. 8:3456-3468 (farms of "
        "Agaricus)",
        ("sheets", "notebooks", "report"),
    ),
    Caution(
        "identity",
        "Beug, Shaw & Cochran (2006) Thirty-plus years of mushroom poisoning, McIlvainea 16(2) "
        "(from memory)",
        ("sheets", "notebooks", "report"),
    ),
    Caution(
        "slips",
        "29 CFR 1910.22(a) (walking-working surfaces: dry as far as feasible, drainage and dry "
        "standing places for wet processes; from memory)",
        _EVERYWHERE,
        "mist",
    ),
    Caution(
        "ladders",
        "Ladder Association with UK HSE (2021) LA455, Safe use of ladders and stepladders",
        _EVERYWHERE,
    ),
    Caution(
        "cleaning",
        "US CDC (1991) Chlorine gas toxicity from mixture of bleach with other cleaning "
        "products, California, MMWR 40(36):619-621; bleach with ammonia: common knowledge, no "
        "source looked up",
        _EVERYWHERE,
    ),
    Caution(
        "salts",
        "Safety data sheets of lithium chloride (GHS: H302 harmful if swallowed, H315 and H319 "
        "irritates skin and eyes; 2024); other salts: their own sheets",
        _EVERYWHERE,
    ),
    Caution(
        "substrate",
        "Moritz & Henriques (1947) Studies of thermal injury II, Am. J. Pathol. 23:695-720 (about "
        "5 s at 60 °C; from memory); lids under pressure: common practice, no source",
        _EVERYWHERE,
    ),
    Caution(
        "uv",
        "ICNIRP (2004) Guidelines on limits of exposure to ultraviolet radiation, Health Phys. "
        "87:171-186 (from memory)",
        _EVERYWHERE,
        "uv",
    ),
)


def uses_of(trial: Any) -> frozenset[Use]:
    """Tell what a trial uses that has cautions of its own.

    Parameters
    ----------
    trial : Trial

    Returns
    -------
    frozenset of {"mist", "pressure", "uv"}
        "mist" where a treatment, the rig or a log has mist; "pressure" where `mist_bar` of the
        rig is above `PRESSURE_BAR`; "uv" where `uv_lamps` is true.
    """
    kinds = {
        setting.kind for factor in trial.factors.values() for setting in factor.levels.values()
    }
    rig = trial.rig
    under_pressure = (rig.mist_bar or 0.0) > PRESSURE_BAR
    mist = (
        bool(kinds & {"timed", "band"})
        or bool(trial.tuned)
        or rig.mist_l_h is not None
        or "mist" in trial.logs
        or under_pressure
    )
    found: dict[Use, bool] = {
        "mist": mist,
        "pressure": under_pressure,
        "uv": bool(rig.uv_lamps),
    }
    return frozenset(use for use, is_used in found.items() if is_used)


def list_cautions(*, where: Place, uses: Collection[Use] | None = None) -> tuple[Caution, ...]:
    """Give the cautions to show in one place, in their fixed order.

    Parameters
    ----------
    where : {"plan", "sheets", "notebooks", "report"}
        The place.
    uses : collection of {"mist", "pressure", "uv"}, optional
        What is used (`uses_of`); cautions of what is not are left out. All by default.

    Returns
    -------
    tuple of Caution

    Raises
    ------
    ValueError
        If there is no such place or no such use.

    Examples
    --------
    >>> [c.code for c in list_cautions(where="plan", uses=())]
    ['mains', 'spores', 'co2', 'ladders', 'cleaning', 'salts', 'substrate']
    """
    if where not in PLACES:
        raise ValueError(f"no place called {where!r} → one of: {', '.join(PLACES)}")
    known: Collection[str] = USES if uses is None else uses
    unknown = sorted(set(known) - set(USES))
    if unknown:
        raise ValueError(f"nothing called {unknown} has cautions → some of: {', '.join(USES)}")
    return tuple(c for c in _ALL if where in c.where and (c.needs is None or c.needs in known))


def show_cautions(*, where: Place = "notebooks", trial: Any = None) -> Shown:
    """Give the cautions as a table for text and HTML, with their sources.

    Parameters
    ----------
    where : {"plan", "sheets", "notebooks", "report"}
    trial : Trial, optional
        Only what this trial uses; all by default.

    Examples
    --------
    >>> "Wet floors" in show_cautions().text()
    True
    """
    say = spoken().text
    chosen = list_cautions(where=where, uses=None if trial is None else uses_of(trial))
    table = pd.DataFrame(
        {
            "caution": [c.title for c in chosen],
            "text": [c.text for c in chosen],
            "source": [c.source for c in chosen],
        }
    )
    heads = {name: say(f"caution_head.{name}") for name in table.columns}
    return show_table(
        table, heads=heads, caption=say("cli.plan.cautions"), notes=[say("cautions.intro")]
    )
