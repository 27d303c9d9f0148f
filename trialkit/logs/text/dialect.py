"""How a text table is written: encoding, delimiter, heads, decimal sign.

Everything is judged from the first part of the file; what cannot be judged is asked for.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from trialkit.errors import Finding, LogError
from trialkit.logs.text.bare_commas import refuse_bare_commas
from trialkit.logs.text.code_pages import SAMPLE as _SAMPLE
from trialkit.logs.text.code_pages import guess_encoding, is_utf8, tell_guess
from trialkit.logs.text.head_lines import DATE, Heads, find_heads, name_heads, plain_cell
from trialkit.logs.text.line_ends import unify_line_ends
from trialkit.wording import finding

_SAMPLE_LINES = 200
_HEAD_SEARCH = 60
_DELIMITERS = (";", "\t", "|", ",")
_BLANK = (9, 10, 11, 12, 13, 26, 27, 30)
_BOMS = (
    (b"\xff\xfe\x00\x00", "utf-32"),
    (b"\x00\x00\xfe\xff", "utf-32"),
    (b"\xef\xbb\xbf", "utf-8-sig"),
    (b"\xff\xfe", "utf-16"),
    (b"\xfe\xff", "utf-16"),
)


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
    usual : int
        Fields that rows usually have, where that is fewer than the heads because the last columns
        are only filled now and then; 0 where rows are as wide as the heads.
    units : mapping
        Head → unit, as a line under the heads says.
    zone_line : str
        The line above the heads that names the zone of the times; empty where none does.
    """

    encoding: str
    delimiter: str
    heads: tuple[str, ...]
    head_row: int
    first_row: int
    fields: int
    decimal: str | None
    usual: int = 0
    units: Mapping[str, str] = field(default_factory=dict)
    zone_line: str = ""


def decode(data: bytes, name: str, encoding: str | None = None) -> tuple[bytes, str, list[Finding]]:
    """Turn bytes of any encoding into UTF-8 with line feeds as line ends.

    Parameters
    ----------
    data : bytes
    name : str
        File name for messages.
    encoding : str, optional
        What the trial file says; it is believed where the file has no mark of its own.

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
    marked = next((e for bom, e in _BOMS if data.startswith(bom)), None)
    guessed = False
    if marked is not None or encoding is not None:
        encoding = marked or str(encoding)
    else:
        encoding, guessed = guess_encoding(data)
    if encoding in ("utf-8", "utf-8-sig") and is_utf8(data):
        text = data[3:] if data.startswith(b"\xef\xbb\xbf") else data
    else:
        if guessed and b"\n" not in data and b"\r" not in data and b"\x85" in data:
            data = data.replace(b"\x85", b"\n")  # the line end of mainframes in one byte
        decoded = _decoded(data, encoding, name).lstrip("\ufeff")
        bad = decoded.count("\ufffd")
        if bad and bad > 0.02 * len(decoded):
            raise LogError(f"{name}: is not a text table (it cannot be decoded) → export it as CSV")
        if bad:
            found.append(
                finding("damaged_text", "caution", file=name, count=bad, encoding=encoding)
            )
        if guessed:
            found += tell_guess(decoded, encoding, name)
        text = decoded.encode("utf-8", errors="replace")
    _refuse_binary(text, name)
    if b"\x00" in text:
        found.append(finding("empty_bytes", "caution", file=name))
        text = text.replace(b"\x00", "\ufffd".encode())
    return unify_line_ends(text), encoding, found


def _decoded(data: bytes, encoding: str, name: str) -> str:
    try:
        return data.decode(encoding, errors="replace")
    except (LookupError, ValueError, TypeError):  # a codec that is none for text, or not known
        raise LogError(
            f"{name}: cannot be read as {encoding!r} → correct encoding in the trial file"
        ) from None


def _refuse_binary(text: bytes, name: str) -> None:
    sample = text[:_SAMPLE]
    if not sample.strip(b"\x00 \t\r\n\x0c\x1a"):
        raise LogError(f"{name}: is empty → export it again")
    odd = sum(sample.count(bytes([c])) for c in range(1, 32) if c not in _BLANK)
    if odd > max(4, 0.02 * len(sample)) or sample.count(0) > 0.5 * len(sample):
        raise LogError(f"{name}: is not a text table → export it as CSV or as a workbook")


def split_line(line: str, delimiter: str, *, quoted: bool = True) -> list[str]:
    """Split one line into fields."""
    if not quoted or '"' not in line:
        return line.split(delimiter)
    return next(csv.reader([line], delimiter=delimiter), [])


def is_one_row(lines: str, delimiter: str) -> bool:
    """Say whether lines are one row, of which a quoted field goes on over the ends of lines.

    Two lines that each have a mark somewhere (5" bag, 6" bag) are two rows, and so are two
    that each open a field and never close it.
    """
    try:
        return len(list(csv.reader([lines], delimiter=delimiter, strict=True))) == 1
    except csv.Error:
        return False


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
    lines = sample_lines(text)
    skip = 0
    if lines[0].lower().startswith("sep=") and len(lines[0]) == 5:
        delimiter, skip = delimiter or lines[0][4], 1
    wanted = {plain_cell(e) for e in expected}
    choice = choose_delimiter(lines[skip:], delimiter, wanted)
    rows = [(i, split_line(ln, choice)) for i, ln in enumerate(lines) if i >= skip and ln.strip()]
    found = find_heads(rows, wanted) if rows else Heads(None, skip, 1)
    if found.row is None:
        names: tuple[str, ...] = tuple(f"column {j + 1}" for j in range(found.width))
        first, under = found.first, []
    else:
        cells = dict(rows)
        first = found.first
        under = [row for i, row in rows if i >= first]
        if choice == ",":
            refuse_bare_commas(found.names, under, name)
        names = name_heads(found.names, under)
    _refuse_one_line(lines, cells[found.row] if found.row is not None else [], first, name)
    body = [row for i, row in rows if i >= first]
    return Dialect(
        encoding=encoding,
        delimiter=choice,
        heads=names,
        head_row=0 if found.row is None else found.row + 1,
        first_row=first + 1,
        fields=len(names),
        decimal=decimal or _find_decimal(body, choice),
        usual=_usual_width(under, len(names)),
        units=dict(zip(names, found.units, strict=False)) if len(found.units) else {},
        zone_line=_zone_line(lines[: found.row or 0]),
    )


_ZONE_LINE = re.compile(
    r"\W*(?:time[ _-]?zone|zeitzone|fuseau horaire|zona horaria)\b.*\w", re.IGNORECASE
)


def _zone_line(above: Sequence[str]) -> str:
    """Give the line above the heads that names the zone of the times; empty where none does."""
    return next((line.strip() for line in above if _ZONE_LINE.match(line)), "")


def sample_lines(text: bytes) -> list[str]:
    """Give the first lines of a text, from which its form is judged."""
    lines = text[:_SAMPLE].decode("utf-8", errors="replace").split("\n")
    if len(text) > _SAMPLE:
        lines = lines[:-1] or lines  # the last one is cut
    return [line.rstrip(" ") for line in lines[: _SAMPLE_LINES + _HEAD_SEARCH]]


def _refuse_one_line(lines: Sequence[str], head: Sequence[str], first: int, name: str) -> None:
    """Refuse a file whose rows stand in the line of its heads: its line ends are not known."""
    if any(line.strip() for line in lines[first:]) or not head:
        return
    if sum(bool(DATE.search(cell)) for cell in head) and len(head) > 2:
        raise LogError(
            f"{name}: its rows stand in one line, because they end with a sign that is no line end "
            "→ export it again, with one record per line"
        )


def _usual_width(under: Sequence[Sequence[str]], fields: int) -> int:
    """Give the width of rows that lack the last columns, where others show that they may."""
    counts = Counter(len(row) for row in under)
    if not counts or fields < 3:
        return 0
    width, often = counts.most_common(1)[0]
    whole = counts[fields]
    return width if 1 < width < fields and whole and often > 2 * whole else 0


def choose_delimiter(lines: Sequence[str], given: str | None, wanted: set[str]) -> str:
    """Choose the sign between fields: the one given, or the one that parts lines most evenly."""
    if given:
        return {"tab": "\t", "\\t": "\t"}.get(given, given[0])
    filled = [line for line in lines if line.strip()][:_SAMPLE_LINES]

    def score(mark: str) -> tuple[int, float, int]:
        rows = [split_line(line, mark) for line in filled]
        named = max(
            (len(wanted & {plain_cell(c) for c in row}) for row in rows[:_HEAD_SEARCH]), default=0
        )
        counts = Counter(len(row) for row in rows if len(row) > 1)
        if not counts:
            return named, 0.0, 0
        width, often = max(counts.items(), key=lambda item: (item[1], item[0]))
        return named, often / len(rows), width

    # a decimal comma makes "," look regular too, so "," comes last among equals
    scores = {mark: score(mark) for mark in _DELIMITERS}
    best = max(
        _DELIMITERS, key=lambda m: (scores[m][0], round(scores[m][1], 1), m != ",", scores[m][2])
    )
    named, share, _ = scores[best]
    return best if share > 0 or named else ","


_COMMA = re.compile(r"^[-+]?\d+,\d+$")
_COMMA_THOUSAND = re.compile(r"^[-+]?[1-9]\d{0,2}(,\d{3})+$")
_POINT = re.compile(r"^[-+]?\d*\.\d+$")
_POINT_THOUSAND = re.compile(r"^[-+]?[1-9]\d{0,2}(\.\d{3})+$")


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
