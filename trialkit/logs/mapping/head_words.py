"""What the words of a head say: which column of the glossary it names, if any."""

from __future__ import annotations

import re
from collections.abc import Mapping

from trialkit.columns import HARVEST_COLUMNS, HarvestColumn
from trialkit.logs.heads import plain_head
from trialkit.logs.text.chosen_cells import chosen_word

#: Words in heads (English, German, French, Spanish) that name a column, most telling first; those
#: of harvest columns stand in their register.
_HEAD_WORDS: dict[str, tuple[str, ...]] = {
    column: tuple(words.split())
    for column, words in {
        "time": "time timestamp datetime date zeit zeitpunkt datum uhrzeit fecha hora heure logged "
        "recorded picked harvested geerntet",
        "start": "start begin started beginn inicio début",
        "stop": "stop end stopped ende fin",
        "chamber": "chamber tent room box tub kammer zelt raum carpa tente chambre",
        "sensor": "sensor logger probe device fühler sonde",
        "shelf": "shelf rack level tier regal étage",
        "temp_c": "temperature temp temperatur temperatura température °c °f",
        "rh_pct": "humidity rh hum relh feuchte luftfeuchte feuchtigkeit luftfeuchtigkeit humedad "
        "humidité rf",
        "co2_ppm": "co2 co₂ ppm",
        "light_lux": "lux light illuminance licht luz lumière beleuchtung",
        "ppfd_umol_m2_s": "ppfd par µmol umol photons",
        "state": "state mist fogger relay fog pump nebel relais switch",
        "power_w": "power watt watts w leistung potencia puissance",
        "current_a": "current ampere amps amp a strom corriente courant",
        "on_s": "duration seconds length dauer durée duración",
        "unit": "unit block bag code label beutel bloque id",
        "flush": "flush wave break welle oleada volée",
        "status": "status state condition zustand estado état",
        "note": "note notes remark remarks comment comments bemerkung nota",
    }.items()
}
#: Further words: other languages, and what loggers write for short. Each tells as much as another.
_MORE_WORDS: dict[str, frozenset[str]] = {
    column: frozenset(words.split())
    for column, words in {
        "time": "when moment ts epoch tijd tid dato aika czas čas vrijeme tarih zaman idő ora "
        "дата время 日時 日付 時刻 时间 日期 시간",
        "chamber": "location place site zone ort standort lugar lieu plaats",
        "sensor": "entity station node channel kanal canal mac tag",
        "temp_c": "celsius fahrenheit degc degf temperatuur temperaturen teplota teplotě lämpötila "
        "temperatūra temperatură hőmérséklet sıcaklık suhu температура θερμοκρασία 温度 気温 气温 "
        "溫度 온도 기온",
        "rh_pct": "humid humi humidities rhum relhum umidità umidade umiditate vochtigheid "
        "luchtvochtigheid fuktighet luftfuktighet fugtighed luftfugtighed kosteus wilgotność "
        "vlhkost vlhkosť vlaga vlažnost páratartalom niiskus mitrums drėgmė nem kelembaban "
        "влажность вологість υγρασία 湿度 濕度 습도",
        "co2_ppm": "kohlendioxid dioxid",
        "light_lux": "lx klx klux illum illumination valo ljus lys светло 照度",
    }.items()
}
_MORE = 2.6  # their score: above what is proposed, below the usual words
#: Heads that are a sign for a quantity as a whole, once brackets and ways of averaging are gone.
_SIGNS = {
    "temp_c": re.compile(
        r"(air)?tc?|t(a|air|amb|room|db|t)|(air|amb|room|mean|dry)tc?|at|tac?|t2m|tdb|dbt"
        r"|a?tmpc?|temp[cfk]|tc?(avg|mean)"
    ),
    "rh_pct": re.compile(
        r"rf|(air|rel)?rh(2m|air|pct|percent|in|amb|avg|mean)?|rel(f|hum(id)?)|hum|hmd|rlf|h"
    ),
}
#: Units that only a temperature has, where a head or the line under it spells them.
_WARMTH = re.compile(r"(?<![^\W_])deg(?:rees?)?[. _]*[cf](?![^\W_])|[℃℉]")
#: Signs that another quantity has too; with a percent sign they are humidity.
_WITH_PERCENT = re.compile(r"h[ru]|ur|hum?rel|u|rv|lf")
#: Signs of one letter, which the cells must bear out.
LETTERS = frozenset({"t", "h"})
#: No longer head is a sign as a whole; patterns would take long over a damaged line [letters].
_LONGEST_SIGN = 120
_AVERAGED = re.compile(r"(?<=\w)(?:(avg|ave|mean|average|smp|inst|act)|[_ ]*\d)+$")
#: What a head says that is another quantity than its words for the column suggest.
_NOT = {
    "temp_c": re.compile(
        r"dew|taupunkt|roc[ií]o|ros[eé]e|wet.?bulb|feucht|heat.?index|chill|feels|gefühlt|soil|boden"
        r"|water|wasser|\bcpu|board|panel|\bptemp|batt|substrat|compost|\bcore\b|\bleaf|blatt"
        r"|surface|oberfl|set.?point|\bset\b|\bsoll|target|differ|delta|\bdiff"
    ),
    "rh_pct": re.compile(r"\babs|specific|spezif|mixing|deficit|defizit|\bvpd\b|soil|boden|moist"),
    "co2_ppm": re.compile(r"\beco2|\bo3\b|nh3|ozon|voc|\bch4|\bno2|\bo2\b|\bco\b|h2s"),
}
_SPREAD = frozenset(
    {"max", "maximum", "min", "minimum", "std", "stdev", "stddev", "sd", "hi", "high", "lo", "low"}
)
_MIDDLE = frozenset({"avg", "average", "mean", "mittel", "mittelwert", "ave"})
_MEASURED = frozenset({"temp_c", "rh_pct", "co2_ppm", "light_lux", "ppfd_umol_m2_s"})
_NONE: Mapping[str, HarvestColumn] = {}


def named_score(
    head: str, column: str, own: Mapping[str, HarvestColumn] = _NONE
) -> tuple[float, str]:
    """Judge a head by its words; give a score and the word that tells.

    Of ``value where quantity is temperature`` it is the last word that counts.

    Parameters
    ----------
    head, column : str
    own : mapping
        Harvest columns that the trial file adds.

    Examples
    --------
    >>> named_score("Temp (°F)", "temp_c"), named_score("AirTC_Avg", "temp_c")
    ((2.95, 'temp'), (2.6, 'airtc'))
    >>> named_score("Temp (°F)", "rh_pct"), named_score("Soil temp", "temp_c")
    ((0.0, ''), (0.0, ''))
    """
    word = chosen_word(head)
    plain = plain_head(word)
    if plain == column:
        return 5.0, column
    if word != head and column == "rh_pct" and plain in ("%", "percent", "pct"):
        return _MORE, plain  # in a column of units
    head = word
    words = words_of(head)
    if column in _MEASURED and words & _SPREAD and not words & _MIDDLE:
        return 0.0, ""
    if column in _NOT and _NOT[column].search(plain):
        return 0.0, ""
    known = _known_words(column, own)
    for k, word in enumerate(known):
        if word in words:
            return 3.0 - 0.05 * k, word
    more = sorted(words & _MORE_WORDS.get(column, frozenset()), key=len, reverse=True)
    if more:
        return _MORE, more[0]
    unit = _WARMTH.search(plain) if column == "temp_c" else None
    sign = unit[0] if unit else _sign_of(head, column)
    if sign:
        return _MORE, sign
    return _inside(plain, column, known)


def _inside(plain: str, column: str, known: tuple[str, ...]) -> tuple[float, str]:
    """Judge a head that has a word within another, such as Raumtemperatur."""
    fits = [(2.0 - (0.05 * k if len(word) < 6 else 0), word)
            for k, word in enumerate(known) if len(word) > 3 and word in plain]  # fmt: skip
    more = sorted(_MORE_WORDS.get(column, ()), key=len, reverse=True)
    whole = [word for word in more if len(word) > 5 or (not word.isascii() and len(word) == 2)]
    fits += [(2.0, word) for word in whole if word in plain]
    return max(fits, key=lambda fit: fit[0], default=(0.0, ""))


def words_of(head: str) -> set[str]:
    """Give the words of a head; a capital within a word starts one, a figure at its end is left.

    Examples
    --------
    >>> sorted(words_of("outTemp2 [°C]"))
    ['out', 'outtemp2', 'temp', '°c']
    """
    parted = re.sub(r"(?<=[^\W\d_A-Z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])", " ", head)
    found = re.findall(r"[^\W_\d]+\d?|%|°[cf]|co2|co₂", plain_head(head))
    pieces = re.findall(r"[^\W_\d]{2,}", plain_head(parted))
    return {*found, *pieces} - {"co"}


def _sign_of(head: str, column: str) -> str:
    """Give the sign for a quantity that a head is as a whole, such as AirTC; empty where none."""
    if column not in _SIGNS or len(head) > _LONGEST_SIGN:
        return ""
    bare = re.sub(r"\([^)]*\)|\[[^\]]*\]|[°%].*$", " ", plain_head(head))
    sign = re.sub(r"[\W_]+", "", _AVERAGED.sub("", bare.strip()))
    if sign in LETTERS and re.search(r"\d", bare):  # T1 is rather the name of a place
        return ""
    percent = column == "rh_pct" and "%" in head and _WITH_PERCENT.fullmatch(sign)
    return sign if percent or _SIGNS[column].fullmatch(sign) else ""


def _known_words(column: str, own: Mapping[str, HarvestColumn]) -> tuple[str, ...]:
    entry = own.get(column) or HARVEST_COLUMNS.get(column)
    return _HEAD_WORDS.get(column, ()) if entry is None else entry.heads
