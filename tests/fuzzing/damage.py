"""Ways to damage bytes, tables and trial files, all drawn from a seed."""

from __future__ import annotations

import random

_CELLS = (
    "", " ", "NaN", "null", "-", "--", "1e999", "-1e-999", "∞", "9" * 400, "1" * 5000, "=1+1",
    "=cmd|' /C calc'!A0", "@SUM(A1)", "'", '"', '""', '"""', "\x00", "\x1b[31m", "\u202e",
    "0001-01-01", "9999-12-31 23:59:59", "2031-02-30", "24:00", "31.12.2031", "<b>", "]]>", "${x}",
    "../../x", "T9", "T1\x07", "[red]", "[/]", "%", "21,5", "1.234,5", "1,234.5", "２１．５", "٢١",
    "🍄" * 50, "true", "None", "inf", "-inf", "0x10", "1_000", "on", "off", "(", "((((", "\u2028",
)  # fmt: skip
_BYTES = (b"", b"\x00", b"\xff", b"\xef\xbb\xbf", b"\r", b"\n", b"\n\n", b'"', b";", b",", b"\t",
          b"\x1b", b"\xc2", b"\xf0\x9f", b"\x85", b"\x0c", b"'", b"[", b"{", b"#")  # fmt: skip
_VALUES = (
    "1", "-1", "0", "1e400", "inf", "nan", "9" * 60, "9" * 5000, '""', '"x"', "true", "[]", "{}",
    '["usual"]', "[[]]", "[" * 50 + "]" * 50, "[" * 3000 + "]" * 3000, '"((((' + '"',
    '"' + "(" * 3000 + '"', '"a/b/c/d/e/f/g/h/i/j"', '"a*b*c*d*e*f*g*h*i*j*k*l*m"', "0001-01-01",
    "9999-12-31T23:59:59", "2031-13-01", "1979-05-27T07:32:00Z", "07:32:00", '"/etc/passwd"',
    '"../*"', '"**"', '"[a"', '"\\u001b[31m"', '"\\u0000"', '"' + "a" * 3000 + '"', "{ a = 1 }",
    '["", "/", "\\u0007"]', '"Europe/Nowhere"', '"="', "0xffffffffffffffffffffffff", "[1, 2]",
)  # fmt: skip
_KEYS = ('"a[b"', '"[/red]"', "int", "date", '""', '"' + "k" * 2000 + '"', "x.y.z", '"\\u001b"',
         "title", "files", "batch", "levels", "control", "trust", "columns", "since")  # fmt: skip


def bytes_of(data: bytes, rng: random.Random) -> bytes:
    """Change, drop, insert or repeat a few pieces of bytes, or cut the end off."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 4, 12))):
        if not out:
            break
        at = rng.randrange(len(out))
        way = rng.randrange(6)
        if way == 0:
            out[at] = rng.randrange(256)
        elif way == 1:
            out[at] ^= 1 << rng.randrange(8)
        elif way == 2:
            del out[at : at + rng.choice((1, 2, 10, 200))]
        elif way == 3:
            out[at:at] = rng.choice(_BYTES)
        elif way == 4:
            piece = out[at : at + rng.choice((1, 20, 300))]
            out[at:at] = piece * rng.choice((1, 2, 30))
        else:
            del out[at:]
    return bytes(out)


def cells_of(table: list[list[str]], rng: random.Random) -> list[list[str]]:
    """Change cells, and drop, repeat, shorten, lengthen or swap rows and columns."""
    out = [list(row) for row in table]
    for _ in range(rng.choice((1, 2, 3, 8))):
        i = rng.randrange(len(out))
        way = rng.randrange(9)
        if way <= 3 and out[i]:
            out[i][rng.randrange(len(out[i]))] = rng.choice(_CELLS)
        elif way == 4:
            out.insert(i, list(rng.choice(out)))
        elif way == 5 and len(out) > 1:
            del out[i]
        elif way == 6:
            out[i] = out[i][: rng.randrange(len(out[i]) + 1)]
        elif way == 7:
            out[i] += [rng.choice(_CELLS)] * rng.choice((1, 1, 40))
        else:
            j = rng.randrange(len(out))
            out[i], out[j] = out[j], out[i]
    return out


def trial_of(text: str, rng: random.Random) -> bytes:
    """Change values, keys and lines of a trial file, and now and then its bytes."""
    lines = text.splitlines()
    for _ in range(rng.choice((1, 1, 2, 4))):
        i = rng.randrange(len(lines))
        key, equals, _value = lines[i].partition("=")
        way = rng.randrange(7)
        if way <= 2 and equals:
            lines[i] = f"{key}= {rng.choice(_VALUES)}"
        elif way == 3:
            lines.insert(i, f"{rng.choice(_KEYS)} = {rng.choice(_VALUES)}")
        elif way == 4 and equals:
            lines[i] = f"{rng.choice(_KEYS)} ={_value}"
        elif way == 5:
            del lines[i]
        else:
            lines.insert(i, rng.choice(lines))
        lines = lines or [""]
    data = "\n".join(lines).encode("utf-8", errors="surrogatepass")
    return bytes_of(data, rng) if rng.random() < 0.3 else data
