"""Files that are no text, made in code: archives, workbooks, Parquet, databases."""

from __future__ import annotations

import io
import sqlite3
import struct
import tempfile
import zipfile
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from odf.opendocument import OpenDocumentSpreadsheet
from odf.table import Table, TableCell, TableRow
from odf.text import P


def zipped(files: dict[str, bytes]) -> bytes:
    """Pack files into a zip archive."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return out.getvalue()


def workbook(sheets: dict[str, list[list[Any]]]) -> bytes:
    """Write a workbook."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        page = book.create_sheet(name)
        for row in rows:
            page.append(row)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def open_document(sheets: dict[str, list[list[Any]]]) -> bytes:
    """Write an open-document workbook."""
    document = OpenDocumentSpreadsheet()
    for name, rows in sheets.items():
        page = Table(name=name)
        for row in rows:
            line = TableRow()
            for value in row:
                kind = {"valuetype": "string"} if isinstance(value, str) else {
                    "valuetype": "float", "value": value}  # fmt: skip
                cell = TableCell(**kind)
                cell.addElement(P(text=str(value)))
                line.addElement(cell)
            page.addElement(line)
        document.spreadsheet.addElement(page)
    out = io.BytesIO()
    document.write(out)
    return out.getvalue()


def parquet(table: pa.Table | pd.DataFrame | dict[str, Any]) -> bytes:
    """Write a table as Parquet; of a data frame its index too."""
    out = io.BytesIO()
    if isinstance(table, pd.DataFrame):
        table.to_parquet(out)
    else:
        pq.write_table(pa.table(table), out)
    return out.getvalue()


def database(*statements: str, rows: dict[str, list[tuple[object, ...]]]) -> bytes:
    """Write a SQLite database and give its bytes."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.db"
        base = sqlite3.connect(path)
        for statement in statements:
            base.execute(statement)
        for table, many in rows.items():
            marks = ",".join("?" * len(many[0]))
            base.executemany(f"INSERT INTO {table} VALUES ({marks})", many)
        base.commit()
        base.close()
        return path.read_bytes()


def _record(kind: int, body: bytes) -> bytes:
    return struct.pack("<HH", kind, len(body)) + body


def _old_sheet(rows: list[list[str | float]]) -> bytes:
    out = _record(0x0809, struct.pack("<HHHHII", 0x0600, 0x0010, 0x0DBB, 1996, 0, 6))
    for r, row in enumerate(rows):
        for c, value in enumerate(row):
            if isinstance(value, str):
                chars = value.encode("latin-1")
                out += _record(0x0204, struct.pack("<HHHHB", r, c, 0, len(chars), 0) + chars)
            else:
                out += _record(0x0203, struct.pack("<HHHd", r, c, 0, value))
    return out + _record(0x000A, b"")


def old_workbook(sheets: dict[str, list[list[str | float]]]) -> bytes:
    """Write a binary workbook of the old kind: the records of BIFF8 in a compound file.

    After Microsoft's open specifications [MS-XLS] (2.4) and [MS-CFB] (2.2 to 2.6), no more of
    them than a reader needs.
    """
    start = _record(0x0809, struct.pack("<HHHHII", 0x0600, 0x0005, 0x0DBB, 1996, 0, 6))
    names = [name.encode("latin-1") for name in sheets]
    at = len(start) + sum(4 + 8 + len(n) for n in names) + 4
    bound, pages = b"", b""
    for name, rows in zip(names, sheets.values(), strict=True):
        bound += _record(0x0085, struct.pack("<IBBBB", at + len(pages), 0, 0, len(name), 0) + name)
        pages += _old_sheet(rows)
    stream = start + bound + _record(0x000A, b"") + pages
    stream = stream.ljust(max(4096, -(-len(stream) // 512) * 512), b"\x00")
    sectors = len(stream) // 512
    # sector 0: the table of sectors; sector 1: the directory; from 2 on: the workbook
    table = [0xFFFFFFFD, 0xFFFFFFFE, *range(3, sectors + 2), 0xFFFFFFFE]
    assert len(table) <= 128, "one sector of the table is enough for a test"
    fat = b"".join(struct.pack("<I", x) for x in table).ljust(512, b"\xff")

    def entry(name: str, kind: int, child: int, first: int, size: int) -> bytes:
        text = name.encode("utf-16-le") + b"\x00\x00"
        head = text.ljust(64, b"\x00") + struct.pack("<HBBIII", len(text), kind, 1,
                                                     0xFFFFFFFF, 0xFFFFFFFF, child)  # fmt: skip
        return head + b"\x00" * 36 + struct.pack("<IQ", first, size)

    folder = entry("Root Entry", 5, 1, 0xFFFFFFFE, 0) + entry("Workbook", 2, 0xFFFFFFFF, 2,
                                                               len(stream))  # fmt: skip
    folder += 2 * (b"\x00" * 68 + b"\xff" * 12 + b"\x00" * 48)
    head = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\x00" * 16
    head += struct.pack("<HHHHH", 0x3E, 3, 0xFFFE, 9, 6) + b"\x00" * 6
    head += struct.pack("<IIIIIIIII", 0, 1, 1, 0, 4096, 0xFFFFFFFE, 0, 0xFFFFFFFE, 0)
    head += struct.pack("<I", 0) + b"\xff" * (108 * 4)
    return head + fat + folder + stream
