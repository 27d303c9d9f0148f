"""Sound files whose every value is known, to be damaged afterwards."""

from __future__ import annotations

import io
import json
import random
import re
import zipfile

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq

KINDS = ("environment", "mist", "harvest")
_FORMATS = ("%Y-%m-%d %H:%M:%S", "%Y-%m-%dT%H:%M", "%d.%m.%Y %H:%M", "%m/%d/%Y %H:%M:%S")


def table(kind: str, rng: random.Random, rows: int) -> list[list[str]]:
    """Draw heads and rows as text; no value stands in two rows."""
    if kind == "harvest":
        return _harvest(rng, rows)
    # a day beyond the twelfth, so that day and month can be told apart
    day, hour = rng.randint(14, 26), rng.randint(0, 12)
    form = rng.choice(_FORMATS)
    out = [["time", "chamber", "temp_c", "rh_pct"] if kind == "environment" else _MIST]
    for i in range(rows):
        minute = hour * 60 + i * 7
        stamp = _stamp(form, day, minute // 60, minute % 60, i % 60)
        if kind == "environment":
            out.append([stamp, f"T{i % 4 + 1}", f"{18 + i * 0.037:.3f}", f"{70 + i * 0.113:.3f}"])
        else:
            out.append([stamp, f"T{i % 2 + 1}", "on" if i // 2 % 2 == 0 else "off"])
    return out


_MIST = ["time", "chamber", "state"]


def _stamp(form: str, day: int, hour: int, minute: int, second: int) -> str:
    parts = {"%Y": "2031", "%m": "01", "%d": f"{day:02d}"}
    parts |= {"%H": f"{hour % 24:02d}", "%M": f"{minute:02d}", "%S": f"{second:02d}"}
    for mark, digits in parts.items():
        form = form.replace(mark, digits)
    return form


def _harvest(rng: random.Random, rows: int) -> list[list[str]]:
    units = [
        f"B{b}-T{c}-{s}-{k}"
        for b in (1, 2)
        for c in (1, 2, 3, 4)
        for s in ("top", "bottom")
        for k in (1, 2)
    ]
    out = [["unit", "flush", "date", "fresh_g", "status"]]
    for i in range(rows):
        unit = units[i % len(units)]
        day = f"2031-0{1 if unit[1] == '1' else 3}-{rng.randint(14, 28)}"
        state = rng.choice(("ok", "ok", "ok", "contaminated"))
        out.append([unit, str(i // len(units) + 1), day, f"{300 + i * 3.17:.2f}", state])
    return out


def text(cells: list[list[str]], rng: random.Random) -> bytes:
    """Write a table as a text file in one of the usual ways."""
    mark = rng.choice((",", ",", ";", "\t"))
    end = rng.choice(("\n", "\n", "\r\n"))
    comma = mark == ";" and rng.random() < 0.5
    rows = [cells[0]] + [
        [c.replace(".", ",") if comma and c.replace(".", "").isdigit() else c for c in row]
        for row in cells[1:]
    ]
    encoding = rng.choice(("utf-8", "utf-8", "utf-8-sig", "utf-16", "latin-1"))
    return (end.join(mark.join(row) for row in rows) + end).encode(encoding, errors="replace")


def json_lines(cells: list[list[str]]) -> bytes:
    """Write a table as one JSON object a line."""
    lines = [json.dumps(dict(zip(cells[0], row, strict=True))) for row in cells[1:]]
    return "\n".join(lines).encode()


def parquet(cells: list[list[str]], rng: random.Random) -> bytes:
    """Write a table as Parquet, numbers as numbers."""
    columns = {}
    for j, head in enumerate(cells[0]):
        values: list[object] = [row[j] for row in cells[1:]]
        if head in ("temp_c", "rh_pct", "fresh_g"):
            values = [float(str(v)) for v in values]
        columns[head] = pa.array(values)
    out = io.BytesIO()
    pq.write_table(
        pa.table(columns), out, compression=rng.choice(("none", "zstd", "snappy")),
        use_dictionary=rng.random() < 0.5,
    )  # fmt: skip
    return out.getvalue()


def workbook(cells: list[list[str]]) -> bytes:
    """Write a table as a workbook, numbers as numbers."""
    book = openpyxl.Workbook()
    for row in cells:
        book.active.append([float(c) if c.replace(".", "", 1).isdigit() else c for c in row])
    out = io.BytesIO()
    book.save(out)
    return repacked(out.getvalue(), _without_moment)


def _without_moment(name: str, part: bytes) -> bytes:
    """Take out of a workbook when it was written, so that it is the same at any time."""
    if name != "docProps/core.xml":
        return part
    return re.sub(rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", b"2031-01-01T00:00:00Z", part)


def repacked(data: bytes, change) -> bytes:
    """Give an archive with each member's bytes changed by a function of name and bytes."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w") as new:
        for info in old.infolist():
            new.writestr(zipfile.ZipInfo(info.filename), change(info.filename, old.read(info)))
    return out.getvalue()
