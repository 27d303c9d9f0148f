"""The safety notes of trialkit: one wording, each with its published source.

Every page, sheet, notebook or plan that shows a caution takes it from here, so the wording
cannot drift. They are the usual cautions, no electrical or medical advice: local codes and
licensed or medical practice come first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from trialkit.wording import spoken

Place = Literal["plan", "sheets", "notebooks", "report"]

#: Where cautions are shown.
PLACES: tuple[Place, ...] = get_args(Place)


@dataclass(frozen=True)
class Caution:
    """One safety note, in the words of the language in use.

    Parameters
    ----------
    code : str
        Stable short name; its words stand in the catalogue at ``caution.<code>``.
    source : str
        Published source of the facts in the text.
    where : tuple of {"plan", "sheets", "notebooks", "report"}
        Where it is shown.
    """

    code: str
    source: str
    where: tuple[Place, ...]

    @property
    def title(self) -> str:
        """Give two to six words."""
        return spoken().text(f"caution.{self.code}.title")

    @property
    def text(self) -> str:
        """Say what can happen, what to do and who decides, in plain words."""
        return spoken().text(f"caution.{self.code}.text")

    @property
    def short(self) -> str:
        """Give one line for a sheet or label."""
        return spoken().text(f"caution.{self.code}.short")

    def __str__(self) -> str:
        return f"{self.title}. {self.text} [{self.source}]"


_ALL = (
    Caution(
        "mains",
        "IEC 60364-7-705 and BS 7671 section 705 (agricultural and horticultural premises); "
        "DGUV Information 203-006 (residual-current protection of temporary supplies)",
        ("plan", "sheets", "notebooks", "report"),
    ),
    Caution(
        "mist_water",
        "US EPA (1991) Indoor Air Facts No. 8, Use and care of home humidifiers; Rodes, Smith, "
        "Crouse & Ramachandran (1990) Aerosol Sci. Technol. 13:220-229",
        ("plan", "sheets", "notebooks", "report"),
    ),
    Caution(
        "legionella",
        "UK HSE (2013) Approved Code of Practice L8, 4th ed., and HSG274; Zhou et al. (2017) J. "
        "Public Health Emerg.; Mitting et al. (2020) Clin. Infect. Pract. 7-8:100050",
        ("plan", "notebooks", "report"),
    ),
    Caution(
        "spores",
        "Lenhart & Cole (1993) Appl. Occup. Environ. Hyg. 8:112-119; Choi et al. (1991) Korean "
        "J. Intern. Med. 6(1); mask and picking advice: common practice, no source",
        ("plan", "sheets", "notebooks", "report"),
    ),
    Caution(
        "co2",
        "29 CFR 1910.1000 table Z-1 (5 000 ppm, 8 h); NIOSH (1976) Criteria for a recommended "
        "standard: occupational exposure to carbon dioxide, 76-194 (30 000 ppm ceiling)",
        ("plan", "notebooks", "report"),
    ),
    Caution(
        "food_hygiene",
        "21 CFR part 112 (produce safety); Viswanath et al. (2013) J. Food Prot. 76:608-615; "
        "Pennone et al. (2020) Food Sci. Nutr. 8:3456-3468",
        ("sheets", "notebooks", "report"),
    ),
    Caution(
        "identity",
        "Beug, Shaw & Cochran (2006) Thirty-plus years of mushroom poisoning, McIlvainea 16(2)",
        ("sheets", "notebooks", "report"),
    ),
    Caution(
        "slips",
        "29 CFR 1910.22(a) (walking-working surfaces: dry as far as feasible, drainage and dry "
        "standing places for wet processes)",
        ("sheets", "notebooks", "report"),
    ),
    Caution(
        "uv",
        "ICNIRP (2004) Guidelines on limits of exposure to ultraviolet radiation, Health Phys. "
        "87:171-186",
        ("plan", "sheets", "notebooks", "report"),
    ),
)

_OPTIONAL = frozenset({"uv"})


def list_cautions(*, where: Place, extras: Sequence[str] = ()) -> tuple[Caution, ...]:
    """Give the cautions to show in one place, in their fixed order.

    Parameters
    ----------
    where : {"plan", "sheets", "notebooks", "report"}
        The place.
    extras : sequence of str
        Codes shown only where they apply, such as ``"uv"`` when ultraviolet lamps are used.

    Returns
    -------
    tuple of Caution

    Raises
    ------
    ValueError
        If there is no such place or no such extra.

    Examples
    --------
    >>> [c.code for c in list_cautions(where="plan")]
    ['mains', 'mist_water', 'legionella', 'spores', 'co2']
    """
    if where not in PLACES:
        raise ValueError(f"no place called {where!r} → one of: {', '.join(PLACES)}")
    unknown = set(extras) - _OPTIONAL
    if unknown:
        raise ValueError(f"no extra caution {sorted(unknown)} → one of: {sorted(_OPTIONAL)}")
    return tuple(
        c for c in _ALL if where in c.where and (c.code not in _OPTIONAL or c.code in extras)
    )
