"""How a text table is written: encoding, delimiter, heads, decimal sign.

Everything is judged from the first part of the file; what cannot be judged is asked for.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from trialkit.errors import Finding, LogError
from trialkit.wording import finding

_SAMPLE = 64 * 1024
_SAMPLE_LINES = 200
_HEAD_SEARCH = 60
_DELIMITERS = (";", "\t", "|", ",")
_BOMS = (
    (b"\xff\xfe\x00\x00", "utf-32"),
    (b"\x00\x00\xfe\xff", "utf-32"),
    (b"\xef\xbb\xbf", "utf-8-sig"),
    (b"\xff\xfe", "utf-16"),
    (b"\xfe\xff", "utf-16"),
)
_ENCODINGS = [
    "cp1252",
    "cp1250",
    "cp1251",
    "cp1253",
    "cp1254",
    "mac_roman",
    "cp850",
    "cp437",
    "koi8_r",
    "shift_jis",
    "euc_jp",
    "gb18030",
    "big5",
    "euc_kr",
]
_USUAL = frozenset("°µ²³·±–—’“”äöüßÄÖÜéèêàâçñíóáúãõåøæôîûëïÅØÆÉ")
_NUMBER = re.compile(r"^\s*[-+]?(\d[\d .,']*\d|\d|[.,]\d+)([eE][-+]?\d+)?\s*(%|°?[CFK])?\s*$")
_DATE = re.compile(
    r"\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}|(?<![-+−\d])\d{1,2}:\d{2}"
)  # not the offset of a zone


@dataclass(frozen=True)
class Dialect:
    """How one text table is written.

    Parameters
    ----------
    encoding : str
        Name of the text encoding.
    delimiter : str
        Sign between fields.
    heads : tuple of str
        Column heads; an unnamed column is called ``"column N"``.
    head_row : int
        Line number of the heads; 0 where the table has none.
    first_row : int
        Line number of the first line under the heads.
    fields : int
        Fields in a row.
    decimal : {".", ","} or None
        Decimal sign; None where the file does not tell.
    """

    encoding: str
    delimiter: str
    heads: tuple[str, ...]
    head_row: int
    first_row: int
    fields: int
    decimal: str | None


def decode(data: bytes, name: str) -> tuple[bytes, str, list[Finding]]:
    """Turn bytes of any encoding into UTF-8 with line feeds as line ends.

    Returns
    -------
    (bytes, str, list of Finding)
        The text, the encoding found, and what was doubtful about it.

    Raises
    ------
    LogError
        If the bytes are not text.
    """
    found: list[Finding] = []
    encoding = next((e for bom, e in _BOMS if data.startswith(bom)), None)
    if encoding is None:
        encoding = _guess_encoding(data)
    if encoding in ("utf-8", "utf-8-sig") and _is_utf8(data):
        text = data[3:] if data.startswith(b"\xef\xbb\xbf") else data
    else:
        decoded = data.decode(encoding, errors="replace").lstrip("\ufeff")
        bad = decoded.count("\ufffd")
        if bad and bad > 0.02 * len(decoded):
            raise LogError(f"{name}: is not a text table (it cannot be decoded) → export it as CSV")
        if bad:
            found.append(
                finding("damaged_text", "caution", file=name, count=bad, encoding=encoding)
            )
        text = decoded.encode("utf-8", errors="replace")
    _refuse_binary(text, name)
    if b"\x00" in text:
        found.append(finding("empty_bytes", "caution", file=name))
        text = text.replace(b"\x00", "\ufffd".encode())
    if b"\r" in text:
        text = text.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return text, encoding, found


def _is_utf8(data: bytes) -> bool:
    if data.isascii():
        return True
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _guess_encoding(data: bytes) -> str:
    if data.isascii() and b"\x00" not in data[:_SAMPLE]:
        return "utf-8"
    if (wide := _guess_wide(data[:_SAMPLE])) is not None:
        return wide
    if _is_utf8(data):
        return "utf-8"
    text = data[:_SAMPLE].decode("utf-8", errors="replace")
    bad, beyond = text.count("\ufffd"), sum(c > "\x7f" for c in text)
    if beyond > 3 * bad:  # mostly sound UTF-8 with a few damaged places
        return "utf-8"
    from charset_normalizer import from_bytes

    rest = bytes(b for b in data[:_SAMPLE] if b)
    beyond_ascii = [c for c in rest.decode("cp1252", errors="replace") if c > "\x7f"]
    if sum(c in _USUAL for c in beyond_ascii) > 0.8 * len(beyond_ascii):
        return "cp1252"  # a few bytes alone cannot tell code pages apart; these are the usual ones
    best = from_bytes(rest, cp_isolation=_ENCODINGS).best()
    if best is None:
        return "cp1252"
    alike = {best.encoding, *best.could_be_from_charset}
    return "cp1252" if "cp1252" in alike else str(best.encoding)


def _guess_wide(sample: bytes) -> str | None:
    """Tell UTF-16 without a mark by its zero bytes, which stand at every other place."""
    if len(sample) < 4 or sample.count(0) < 0.3 * len(sample):
        return None
    even, odd = sample[0::2].count(0), sample[1::2].count(0)
    if odd > 3 * even:
        return "utf-16-le"
    return "utf-16-be" if even > 3 * odd else None


def _refuse_binary(text: bytes, name: str) -> None:
    sample = text[:_SAMPLE]
    if not sample.strip(b"\x00 \t\r\n\x0c\x1a"):
        raise LogError(f"{name}: is empty → export it again")
    odd = sum(sample.count(bytes([c])) for c in range(1, 32) if c not in (9, 10, 12, 13, 26, 27))
    if odd > max(4, 0.02 * len(sample)) or sample.count(0) > 0.5 * len(sample):
        raise LogError(f"{name}: is not a text table → export it as CSV or as a workbook")


def split_line(line: str, delimiter: str, *, quoted: bool = True) -> list[str]:
    """Split one line into fields."""
    if not quoted or '"' not in line:
        return line.split(delimiter)
    return next(csv.reader([line], delimiter=delimiter), [])


def find_dialect(
    text: bytes,
    encoding: str,
    name: str,
    *,
    delimiter: str | None = None,
    decimal: str | None = None,
    expected: Iterable[str] = (),
) -> Dialect:
    """Judge how a text table is written.

    Parameters
    ----------
    text : bytes
        UTF-8 text with line feeds, as `decode` gives it.
    encoding : str
        Encoding it came from, only passed on.
    name : str
        File name for messages.
    delimiter, decimal : str, optional
        What the trial file says; it is believed.
    expected : iterable of str
        Heads that the trial file names; they help to find the line of the heads.

    Raises
    ------
    LogError
        If no table can be made out.
    """
    lines = text[:_SAMPLE].decode("utf-8", errors="replace").split("\n")
    if len(text) > _SAMPLE:
        lines = lines[:-1] or lines  # the last one is cut
    lines = [line.rstrip(" ") for line in lines[: _SAMPLE_LINES + _HEAD_SEARCH]]
    skip = 0
    if lines[0].lower().startswith("sep=") and len(lines[0]) == 5:
        delimiter, skip = delimiter or lines[0][4], 1
    wanted = {_plain(e) for e in expected}
    choice = _choose_delimiter(lines[skip:], delimiter, wanted)
    head_index, fields = _find_head(lines, skip, choice, wanted)
    if head_index is None:
        heads: tuple[str, ...] = tuple(f"column {j + 1}" for j in range(fields))
        first = next((i for i in range(skip, len(lines)) if lines[i].strip()), skip)
    else:
        under = [split_line(line, choice) for line in lines[head_index + 1 :] if line.strip()]
        heads = name_heads(split_line(lines[head_index], choice), under)
        first = head_index + 1
    body = [split_line(line, choice) for line in lines[first:] if line.strip()]
    return Dialect(
        encoding=encoding,
        delimiter=choice,
        heads=heads,
        head_row=0 if head_index is None else head_index + 1,
        first_row=first + 1,
        fields=len(heads),
        decimal=decimal or _find_decimal(body, choice),
    )


def _plain(head: str) -> str:
    return head.strip().strip('"').casefold()


def _choose_delimiter(lines: Sequence[str], given: str | None, wanted: set[str]) -> str:
    if given:
        return {"tab": "\t", "\\t": "\t"}.get(given, given[0])
    filled = [line for line in lines if line.strip()][:_SAMPLE_LINES]

    def score(mark: str) -> tuple[int, float, int]:
        rows = [split_line(line, mark) for line in filled]
        named = max(
            (len(wanted & {_plain(c) for c in row}) for row in rows[:_HEAD_SEARCH]), default=0
        )
        counts = Counter(len(row) for row in rows if len(row) > 1)
        if not counts:
            return named, 0.0, 0
        width, often = max(counts.items(), key=lambda item: (item[1], item[0]))
        return named, often / len(rows), width

    # a decimal comma makes "," look regular too, so "," comes last among equals
    best = max(
        _DELIMITERS, key=lambda m: (score(m)[0], round(score(m)[1], 1), m != ",", score(m)[2])
    )
    return best if score(best)[1] > 0 or score(best)[0] else ","


def _find_head(
    lines: Sequence[str], skip: int, mark: str, wanted: set[str]
) -> tuple[int | None, int]:
    """Find the line of the heads; give None where the table starts with data."""
    rows = [
        (i, split_line(line, mark)) for i, line in enumerate(lines) if i >= skip and line.strip()
    ]
    if not rows:
        return None, 1
    if wanted:
        hits = [(len(wanted & {_plain(c) for c in row}), -i) for i, row in rows[:_HEAD_SEARCH]]
        most, where = max(hits)
        if most >= min(2, len(wanted)):
            return -where, len(rows[0][1])
    counts = Counter(len(row) for _, row in rows)
    width = max(counts.items(), key=lambda item: (item[1] * (item[0] > 1), item[0]))[0]
    for i, row in rows[:_HEAD_SEARCH]:
        if len(row) not in (width, width - 1, width + 1) or (width > 1 and len(row) < 2):
            continue
        words = [c for c in row if c.strip()]
        looks_data = sum(bool(_NUMBER.match(c) or _DATE.search(c)) for c in words)
        if looks_data == 0 and words:
            return i, width
        if looks_data and len(row) == width:
            return (None, width) if looks_data >= max(1, len(words) / 3) else (i, width)
    return None, width


def name_heads(heads: list[str], under: Sequence[Sequence[str]]) -> tuple[str, ...]:
    """Give every column a name of its own; make room for a column the heads forget."""
    counts = Counter(len(row) for row in under)
    if counts:
        width = counts.most_common(1)[0][0]
        if width == len(heads) + 1:
            rows = [row for row in under if len(row) == width]
            at_end = all(not row[-1].strip() for row in rows)
            heads = [*heads, ""] if at_end else ["", *heads]
    named: list[str] = []
    for j, head in enumerate(heads):
        name = head.strip().lstrip("\ufeff").strip() or f"column {j + 1}"
        base, k = name, 2
        while name in named:
            name, k = f"{base} ({k})", k + 1
        named.append(name)
    return tuple(named)


_COMMA = re.compile(r"^[-+]?\d+,\d+$")
_COMMA_THOUSAND = re.compile(r"^[-+]?\d{1,3}(,\d{3})+$")
_POINT = re.compile(r"^[-+]?\d*\.\d+$")
_POINT_THOUSAND = re.compile(r"^[-+]?\d{1,3}(\.\d{3})+$")


def _find_decimal(rows: Sequence[Sequence[str]], mark: str) -> str | None:
    """Judge the decimal sign from cells that can only be read one way; None if none can."""
    cells = [cell.strip().rstrip("%°CFgk ").strip() for row in rows for cell in row]
    return judge_decimal(cells)


def judge_decimal(cells: Iterable[str]) -> str | None:
    """Judge the decimal sign of cells: a sign followed by other than three digits is decimal.

    Examples
    --------
    >>> judge_decimal(["21,5", "88,0"]), judge_decimal(["1,234"]), judge_decimal(["1.234,5"])
    (',', None, ',')
    """
    votes: Counter[str] = Counter()
    for cell in cells:
        if _COMMA.match(cell) and not _COMMA_THOUSAND.match(cell):
            votes[","] += 1
        elif _POINT.match(cell) and not _POINT_THOUSAND.match(cell):
            votes["."] += 1
        elif "," in cell and "." in cell and re.fullmatch(r"[-+]?[\d.,]+", cell):
            votes["," if cell.rindex(",") > cell.rindex(".") else "."] += 1
    return votes.most_common(1)[0][0] if votes else None
