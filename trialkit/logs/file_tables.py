"""One file → its raw tables, whatever its format."""

from __future__ import annotations

from collections.abc import Mapping

from trialkit.columns import HarvestColumn, log_columns
from trialkit.logs.text.delimited import read_text_table
from trialkit.logs.text.dialect import decode, find_dialect
from trialkit.logs.text.files import Member
from trialkit.logs.text.raw_table import RawTable
from trialkit.logs.text.typed_files import read_other
from trialkit.trial.sections import LogSection


def read_member(
    member: Member, spec: LogSection, kind: str, own: Mapping[str, HarvestColumn]
) -> list[RawTable]:
    """Read the table (or, for a workbook, the tables) that a file holds.

    Heads that are expected, those of columns that the trial file adds (`own`) among them, help to
    find the row of heads.
    """
    expected = expected_heads(spec, kind, own)
    if member.format == "text":
        text, encoding, found = decode(member.data, member.name)
        dialect = find_dialect(
            text, encoding, member.name, delimiter=spec.delimiter, decimal=spec.decimal,
            expected=expected,
        )  # fmt: skip
        table = read_text_table(
            text, dialect, member.name, cut_short=member.cut_short, pad_short=kind == "harvest"
        )
        table.findings[:0] = found
        return [table]
    return read_other(member, decimal=spec.decimal, expected=expected)


def expected_heads(spec: LogSection, kind: str, own: Mapping[str, HarvestColumn]) -> list[str]:
    """List the heads that the trial file names, and those known without being named."""
    out = [*log_columns(kind, own), "date", "timestamp"]
    for given in (head for column in spec.columns for head in spec.heads(column)):
        if "{chamber}" not in given:
            out += [given, *(given.split(" + ") if " + " in given else ())]
    return out
