"""A zip archive whose list of files was damaged."""

import io
import zipfile

import pytest

from trialkit.errors import LogError
from trialkit.logs.text.files import unpack_members


def test_a_member_without_a_name_is_a_damaged_archive():
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("a.csv", "time,rh_pct\n2031-01-14,80\n")
    data = bytearray(out.getvalue())
    central = data.index(b"PK\x01\x02")  # the list at the end: name length at offset 28
    data[central + 46 : central + 51] = b""
    data[central + 28 : central + 30] = b"\x00\x00"
    end = data.index(b"PK\x05\x06")  # its size of the list, five bytes fewer
    size = int.from_bytes(data[end + 12 : end + 16], "little") - 5
    data[end + 12 : end + 16] = size.to_bytes(4, "little")
    with pytest.raises(LogError, match="has no name"):
        list(unpack_members(bytes(data), "log.zip"))
