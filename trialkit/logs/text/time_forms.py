"""The forms in which loggers and people write a moment, as patterns."""

from __future__ import annotations

import re

_MONTH_WORDS = """january february march april may june july august september october november
december"""
MONTHS = {name: i for i, name in enumerate(_MONTH_WORDS.split(), 1)}
MONTHS |= {name[:3]: i for name, i in MONTHS.items()}
MONTHS |= {"sept": 9, "mär": 3, "mai": 5, "okt": 10, "dez": 12, "märz": 3, "juni": 6, "juli": 7}
_CLOCK = (
    r"(?P<H>\d{1,2}):(?P<M>\d{2})(?::(?P<S>\d{2})(?:[.,](?P<f>\d{1,9}))?)?"
    r"(?:\s*(?P<ap>[AaPp])(?:\.?\s?[Mm]\.?)?(?![A-Za-z]))?"
    r"(?:\s*(?P<z>Z|UTC|GMT|[-+]\d{2}:?\d{2}|[-+]\d{2}))?"
)
_YMD = r"(?P<Y>\d{4})(?P<s1>[-/.:])(?P<m>\d{1,2})(?P=s1)(?P<d>\d{1,2})"
_ABY = r"(?P<a>\d{1,2})(?P<s2>[-/.])(?P<b>\d{1,2})(?P=s2)(?P<Y2>\d{4}|\d{2})"
_DNY = (
    r"(?P<d3>\d{1,2})(?:\.(?=\s))?(?P<s3>[- ./])\s?(?P<mon>[^\W\d]{3,9})\.?(?P=s3)\s?"
    r"(?P<Y3>\d{4}|\d{2})"
)
_NDY = r"(?P<mon4>[^\W\d]{3,9})\.?\s(?P<d4>\d{1,2}),?\s(?P<Y4>\d{4})"
_YND = r"(?P<Y6>\d{4})\.?(?P<s6>[- /])(?P<mon6>[^\W\d]{3,9})\.?(?P=s6)(?P<d6>\d{1,2})\.?"
_NDCY = r"(?P<mon4>[^\W\d]{3,9})\s+(?P<d4>\d{1,2})"
_YEAR_DAY = r"(?P<Y7>\d{4})(?P<s7>[-/.])(?P<j>\d{3})"
_DMY = r"(?P<d8>\d{1,2}) ?m ?(?P<m8>\d{1,2})[, ]+(?P<Y8>\d{4})"  # see `calendar_words`
_COMPACT = r"(?P<Y5>\d{4})(?P<m5>\d{2})(?P<d5>\d{2})"
_COMPACT_CLOCK = r"(?P<H>\d{2})(?P<M>\d{2})(?:(?P<S>\d{2}))?(?P<z>Z|[-+]\d{2}:?\d{2})?"
_GLUE = r"(?:[T_ ]|,\s?|\s+|\sat\s)"
_DATES = (_YMD, _ABY, _DNY, _NDY, _YND, _YEAR_DAY, _DMY)
FORMS = [re.compile(f"^(?:{date})(?:{_GLUE}{_CLOCK})?$") for date in _DATES] + [
    re.compile(f"^{_COMPACT}(?:[T_ ]?{_COMPACT_CLOCK})?$"),
    re.compile(f"^{_COMPACT}{_GLUE}{_CLOCK}$"),
    re.compile(f"^{_CLOCK}{_GLUE}(?:{_YMD}|{_ABY}|{_DNY}|{_DMY})$"),
    re.compile(rf"^{_NDCY}\s+{_CLOCK}\s+(?P<Y4>\d{{4}})$"),
]
#: Seconds since 1970, or milliseconds, microseconds or nanoseconds.
EPOCH = re.compile(r"^\d{10}(?:\.\d+)?$|^\d{13}(?:\.\d+)?$|^\d{16}$|^\d{19}$")
#: Days as spreadsheets count them, from 30 December 1899.
SERIAL = re.compile(r"^\d{5}(?:\.\d+)?$")
SHORT_EPOCH = re.compile(r"^\d{1,9}(?:\.\d+)?$")
#: Groups that hold a year, a day, a month in figures and in words.
YEARS = ("Y", "Y2", "Y3", "Y4", "Y5", "Y6", "Y7", "Y8")
DAYS = ("d", "d3", "d4", "d5", "d6", "d8")
MONTH_NUMBERS = ("m", "m5", "m8")
MONTH_WORDS = ("mon", "mon4", "mon6")
#: A time of day in a cell of its own, and the half of the day in another.
CLOCK = re.compile(r"^\d{1,2}:\d{2}(:\d{2}([.,]\d+)?)?\s*([AaPp]\.?\s?([Mm]\.?)?)?$")
HALF = re.compile(r"^[AaPp]\.?\s?[Mm]\.?$")
_CODES = {
    "Y": r"(?P<Y>\d{4})",
    "y": r"(?P<Y2>\d{2})",
    "m": r"(?P<m>\d{1,2})",
    "d": r"(?P<d>\d{1,2})",
    "H": r"(?P<H>\d{1,2})",
    "I": r"(?P<H>\d{1,2})",
    "M": r"(?P<M>\d{1,2})",
    "S": r"(?P<S>\d{1,2})",
    "f": r"(?P<f>\d{1,9})",
    "p": r"(?P<ap>[AaPp])\.?\s?[Mm]\.?",
    "b": r"(?P<mon>[^\W\d]{3,9})\.?",
    "B": r"(?P<mon>[^\W\d]{3,9})\.?",
    "z": r"(?P<z>Z|[-+]\d{2}:?\d{2}|[-+]\d{2})",
    "Z": r"(?P<z>Z|UTC|GMT)",
    "%": "%",
}


def compile_format(text: str) -> re.Pattern[str]:
    """Turn a time format such as ``"%d.%m.%Y %H:%M"`` into a pattern.

    Raises
    ------
    ValueError
        If it has a code that is not known, one twice, or no date.

    Examples
    --------
    >>> bool(compile_format("%d.%m.%Y").match("13.01.2031"))
    True
    """
    out, i = "", 0
    worded = "%b" in text or "%B" in text  # in words of other languages no stop is left
    while i < len(text):
        if text[i] == "%" and i + 1 < len(text):
            code = text[i + 1]
            if code not in _CODES:
                raise ValueError(f"the code %{code} is not known here")
            out, i = out + _CODES[code], i + 2
        else:
            stop = worded and text[i] in ".," and not text[i + 1 : i + 2].strip()
            out += r"\s+" if text[i] == " " else re.escape(text[i]) + "?" * stop
            i += 1
    try:
        form = re.compile(f"^{out}$")
    except re.error:
        raise ValueError("the same part of a time appears twice") from None
    names = form.groupindex
    if not ("Y" in names or "Y2" in names) or "d" not in names or not {"m", "mon"} & set(names):
        raise ValueError("it needs a year, a month and a day")
    return form
