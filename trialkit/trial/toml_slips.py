"""What is wrong with a trial file that is not valid TOML, and the form that is wanted.

TOML is strict where people are not: dates, decimal commas, words without quotes. The line is
looked at for the usual slips, so that the answer shows the right form of the very thing written.
"""

from __future__ import annotations

import datetime as dt
import re

from trialkit.errors import Fault

_AT = re.compile(r"\(at line (\d+), column \d+\)")
_QUOTED = re.compile(r'"[^"]*"|\'[^\']*\'')
_DAY_FIRST = re.compile(
    r"(?<![\d.])(\d{1,2})[./-](\d{1,2})[./-](\d{4})(?:[ T,]+(\d{1,2})[:.](\d{2}))?"
)
_YEAR_FIRST = re.compile(r"(\d{4})[-./](\d{1,2})[-./](\d{1,2})(?:[ T]+(\d{1,2}):(\d{2}))?(?!:?\d)")
_COMMA = re.compile(r"=\s*(\d+),(\d+)\s*(?:[}#]|$)")
_WORD = re.compile(r"=\s*([^\W\d][^,{}\[\]#=]*?)\s*(?:[,}#]|$)")
_YES = {"yes": "true", "no": "false", "ja": "true", "nein": "false", "True": "true"}
_YES["False"] = "false"
#: What parsers say of a key that was given before, and of a section.
_AGAIN = ("Cannot overwrite a value", "Cannot declare")
#: How a value that begins so holds two entries.
_FORMS = {"[": "[ { … }, { … } ]", "{": "{ …, … }"}
_CURLY = "“”„‟‘’‚«»"


def explain(source: str, text: str, problem: Exception) -> Fault:
    """Say where a text is not valid TOML, and how to write what was meant.

    Parameters
    ----------
    source : str
        Name of the file.
    text : str
    problem : Exception
        What the parser said.

    Examples
    --------
    >>> import tomllib
    >>> text = "B1 = { start = 14.09.2026 09:00 }"
    >>> try:
    ...     tomllib.loads(text)
    ... except tomllib.TOMLDecodeError as problem:
    ...     print(explain("trial.toml", text, problem).remedy)
    write 2026-09-14T09:00:00 (year, month, day, then T and the time)
    """
    lines = text.splitlines()
    found = _AT.search(str(problem))
    number = int(found.group(1)) if found else _without_end(lines)
    if not number and str(problem).startswith(_AGAIN):  # the last line, without a line end
        number = len(lines)
    if not 1 <= number <= len(lines):
        return Fault(source, f"is not valid TOML: {problem}", "fix the text at that place")
    line = lines[number - 1]
    where = f"{source} (line {number})"
    slip = _slip(line) or _given_again(line, text, str(problem))
    if slip is not None:
        return Fault(where, *slip)
    shown = line.strip() if len(line.strip()) <= 60 else f"{line.strip()[:57]}…"
    said = _AT.sub("", str(problem)).strip()
    return Fault(where, f"{shown!r} is not valid TOML ({said})", "fix the text at that place")


def _without_end(lines: list[str]) -> int:
    """Find the line whose quote does not close, where the parser names no line; 0 for none."""
    for number, line in enumerate(lines, 1):
        rest = _QUOTED.sub("", line).partition("#")[0]
        if '"""' not in line and "'''" not in line and ('"' in rest or "'" in rest):
            return number
    return 0


def _slip(line: str) -> tuple[str, str] | None:
    """Name the slip in a line and what to write; None where it is none of the usual ones."""
    curly = sorted({c for c in line.partition("#")[0] if c in _CURLY})
    if curly:
        return f"has curly quotes ({' '.join(curly)})", 'use straight quotes: "…"'
    bare = _QUOTED.sub('""', line)
    body = bare.partition("#")[0]
    forms = ((_DAY_FIRST, (3, 2, 1)), (_DAY_FIRST, (3, 1, 2)), (_YEAR_FIRST, (1, 2, 3)))
    for pattern, order in forms:
        for found in pattern.finditer(body):
            shown, moment = found.group(0).strip(), _moment(found, order)
            if moment and not moment.startswith(shown.replace(" ", "T", 1).removesuffix("T")):
                what = f"{shown} is not how a date is written here"
                return what, f"write {moment} (year, month, day, then T and the time)"
    comma = _COMMA.search(body)
    if comma:
        whole, part = comma.groups()
        return f"{whole},{part} has a decimal comma", f"write {whole}.{part}"
    if body.count('"') % 2 or body.count("'") % 2:
        return "has a quote that does not close", 'end the words with a straight quote: "…"'
    words = _WORD.search(body)
    word = words.group(1) if words else ""
    if word in _YES:
        return f"{word!r} is not known here", f"write {_YES[word]}"
    if word and word not in ("true", "false", "inf", "nan"):
        return f"the words {word!r} have no quotes", f'write "{word}"'
    name = body.strip()
    if name and "=" not in name and not name.startswith(("[", "]", "}")):
        return "has no = between name and value", "write it as name = value, or begin it with #"
    return None


def _given_again(line: str, text: str, problem: str) -> tuple[str, str] | None:
    """Tell of a key or section that stands there a second time; None for another problem."""
    if not problem.startswith(_AGAIN):
        return None
    key, equals, value = line.partition("=")
    name = key.strip()
    if equals:
        both = _FORMS.get(value.strip()[:1], "…")
        return f"{name!r} stands twice in this section", f"write one line for both: {name} = {both}"
    if not name.startswith("["):  # the end of a value of several lines
        return None
    entry = f"[{name}]"
    if entry in text or name == "[happened]":
        return f"{name} needs two brackets, as it may stand more than once", f"write {entry}"
    return f"the section {name} stands there twice", "put the keys of both under one of them"


def _moment(found: re.Match[str], order: tuple[int, int, int]) -> str:
    """Write the date that was meant as TOML does; empty where there is no such date."""
    year, month, day = (int(found.group(i)) for i in order)
    hour, minute = found.group(4), found.group(5)
    try:
        date = dt.date(year, month, day)
        time = dt.time(int(hour), int(minute)) if hour else None
    except ValueError:
        return ""
    return date.isoformat() if time is None else f"{date}T{time:%H:%M:%S}"
