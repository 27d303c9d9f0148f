"""The safety notes of trialkit: one wording, each with its published source.

Every page, sheet, notebook or plan that shows a caution takes it from here, so the wording
cannot drift. They are the usual cautions, no electrical or medical advice: local codes and
licensed or medical practice come first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

Place = Literal["plan", "sheets", "notebooks", "report"]

#: Where cautions are shown.
PLACES: tuple[Place, ...] = get_args(Place)


@dataclass(frozen=True)
class Caution:
    """One safety note.

    Parameters
    ----------
    code : str
        Stable short name.
    title : str
        Two to six words.
    text : str
        What to mind and who decides, in plain words.
    source : str
        Published source of the facts in the text.
    where : tuple of {"plan", "sheets", "notebooks", "report"}
        Where it is shown.
    short : str
        One line for a sheet or label.
    """

    code: str
    title: str
    text: str
    source: str
    where: tuple[Place, ...]
    short: str

    def __str__(self) -> str:
        return f"{self.title}. {self.text} [{self.source}]"


_ALL = (
    Caution(
        "mains",
        "Mains power beside water",
        "Have sockets near mist protected by a residual-current device (30 mA class in many "
        "codes) and press its test button as the maker says. Prefer extra-low voltage (12 or "
        "24 V) for fans, foggers and sensors inside the wet space, keep plugs, power supplies "
        "and timers outside it, and hang cables with a drip loop. Fixed wiring is work for a "
        "licensed electrician; your local code decides what is allowed.",
        "IEC 60364-7-705 and BS 7671 section 705 (agricultural and horticultural premises); "
        "DGUV Information 203-006 (residual-current protection of temporary supplies)",
        ("plan", "sheets", "notebooks", "report"),
        "Mains and mist: residual-current protection, plugs outside, licensed electrician.",
    ),
    Caution(
        "mist_water",
        "Mist carries what is in the water",
        "Foggers put the minerals and microbes of their water into the air you breathe. Use "
        "fresh drinking water low in minerals, do not let water stand in the reservoir, and "
        "empty, clean, rinse and dry it on the schedule its maker gives; a change of water or "
        "cleaning routine during a trial belongs in the notes. The young, the old and people "
        "with lung disease are more at risk.",
        "US EPA (1991) Indoor Air Facts No. 8, Use and care of home humidifiers; Rodes, Smith, "
        "Crouse & Ramachandran (1990) Aerosol Sci. Technol. 13:220-229",
        ("plan", "sheets", "notebooks", "report"),
        "Mist water: fresh, low in minerals, reservoir emptied and cleaned.",
    ),
    Caution(
        "legionella",
        "Legionella in warm standing water",
        "Bacteria that cause Legionnaires' disease grow in standing water between about 20 and "
        "45 °C and infect people who breathe the mist; a single fogger has caused an outbreak. "
        "Keep the water cool and moving, keep slime and scale out, clean after every stop, and "
        "follow your country's rules for equipment that makes aerosols.",
        "UK HSE (2013) Approved Code of Practice L8, 4th ed., and HSG274; Zhou et al. (2017) "
        "J. Public Health Emerg.; Mitting et al. (2020) Clin. Infect. Pract. 7-8:100050",
        ("plan", "notebooks", "report"),
        "Legionella: no warm standing water, clean after every stop.",
    ),
    Caution(
        "spores",
        "Spores and breathing",
        "Mushroom spores can make the lungs of growers over-sensitive, sometimes after years "
        "without trouble. Pick before the caps open fully, move air away from the picker, and "
        "wear a fitted particle mask (FFP2, N95 or better) in a ripe room. If fever, cough or "
        "short breath come back hours after work among the crop, stop and see a doctor.",
        "Lenhart & Cole (1993) Appl. Occup. Environ. Hyg. 8:112-119; Choi et al. (1991) "
        "Korean J. Intern. Med. 6(1); mask and picking advice: common practice, no source",
        ("plan", "sheets", "notebooks", "report"),
        "Spores: pick before caps open, extract air, fitted particle mask.",
    ),
    Caution(
        "co2",
        "Carbon dioxide in closed rooms",
        "A crop gives off carbon dioxide, and a tight room can fill with it. The usual limit "
        "for a working day is 5 000 ppm, and 30 000 ppm even for minutes is too much. Air the "
        "room before you go in, put a working CO2 meter with an alarm where people breathe, "
        "and never enter a room above the limit alone. Your local limit comes first.",
        "29 CFR 1910.1000 table Z-1 (5 000 ppm, 8 h); NIOSH (1976) Criteria for a recommended "
        "standard: occupational exposure to carbon dioxide, 76-194 (30 000 ppm ceiling)",
        ("plan", "notebooks", "report"),
        "CO2: air the room first; 5 000 ppm is the usual limit for a working day.",
    ),
    Caution(
        "food_hygiene",
        "Food hygiene",
        "Clean hands, knives, scales and crates before every harvest, keep substrate and raw "
        "compost away from the packing place, cool the harvest at once, and do not sell or eat "
        "from contaminated or discarded blocks. Mist that touches the caps must be water fit "
        "to drink. Listeria has been found in growing rooms; your food law decides the rest.",
        "21 CFR part 112 (produce safety); Viswanath et al. (2013) J. Food Prot. 76:608-615; "
        "Pennone et al. (2020) Food Sci. Nutr. 8:3456-3468",
        ("sheets", "notebooks", "report"),
        "Food: clean hands and tools, drinking water on caps, cool at once.",
    ),
    Caution(
        "identity",
        "Know the species you eat",
        "Eat and sell only mushrooms that you know to be the species you put in; others can "
        "appear on blocks and logs, outdoors most of all. If a growth looks unlike the rest, "
        "mark it, do not pool its weight, and do not eat it.",
        "Beug, Shaw & Cochran (2006) Thirty-plus years of mushroom poisoning, McIlvainea 16(2)",
        ("sheets", "notebooks", "report"),
        "Species: eat only what you know you put in.",
    ),
    Caution(
        "slips",
        "Wet floors",
        "Mist wets floors. Give the water somewhere to drain, lay mats or gratings where people "
        "stand, wear boots that grip, and keep cables and hoses off the floor.",
        "29 CFR 1910.22(a) (walking-working surfaces: dry as far as feasible, drainage and dry "
        "standing places for wet processes)",
        ("sheets", "notebooks", "report"),
        "Floors: drain, mats, boots, no cables to trip on.",
    ),
    Caution(
        "uv",
        "Ultraviolet lamps",
        "Germicidal lamps hurt eyes and skin within minutes and cannot be felt. Run them only "
        "enclosed or with the room empty and the door switched, and never look at them. At "
        "254 nm the limit for a whole working day is about 6 mJ/cm².",
        "ICNIRP (2004) Guidelines on limits of exposure to ultraviolet radiation, Health Phys. "
        "87:171-186",
        ("plan", "sheets", "notebooks", "report"),
        "UV: enclosed or empty room only, door switched.",
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


def find_caution(code: str) -> Caution:
    """Give one caution by its code.

    Raises
    ------
    KeyError
        If there is none; the message lists the codes.

    Examples
    --------
    >>> find_caution("slips").title
    'Wet floors'
    """
    for caution in _ALL:
        if caution.code == code:
            return caution
    raise KeyError(f"no caution {code!r} → one of: {', '.join(c.code for c in _ALL)}")
