"""Zones in heads: names, pairs of names, words and offsets, each as it stands."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from trialkit.errors import LogError
from trialkit.logs.clocks.head_zone import HeadZone, zone_in_head


def zone(head: str) -> HeadZone:
    found = zone_in_head(head)
    assert found is not None
    return found


@pytest.mark.parametrize("name", ["ET", "CT", "MT", "PT", "AKT", "AET", "NZT"])
def test_names_of_both_clocks_of_a_place(name: str) -> None:
    found = zone(f"time ({name})")
    assert (found.kind, found.text, found.names, found.hours) == ("pair", name, (name,), ())


@pytest.mark.parametrize(
    ("head", "kind", "text", "names"),
    [
        ("time (EST)", "standard", "EST", ("EST",)), ("time (JST)", "standard", "JST", ("JST",)),
        ("time (EDT)", "open", "EDT", ("EDT",)), ("time (GMT)", "open", "GMT", ("GMT",)),
        ("MEZ/MESZ", "pair", "MEZ/MESZ", ("CET", "CEST")),
        ("time (OEZ/OESZ)", "pair", "OEZ/OESZ", ("EET", "EEST")),
        ("time CET (MEZ)", "open", "CET", ("CET", "CET")),
        ("time WEZ", "open", "WEZ", ("WET",)),
        ("zeit mez", "open", "MEZ", ("CET",)),
        ("time_cest", "open", "CEST", ("CEST",)),
        ("Eastern Standard Time", "standard", "EST", ("EST",)),
        ("eastern daylight time", "open", "EDT", ("EDT",)),
        ("Central Standard Time", "standard", "CST", ("CST",)),
        ("Pacific Daylight Time", "open", "PDT", ("PDT",)),
        ("Atlantic Standard Time", "standard", "AST", ("AST",)),
        ("time (local standard time)", "standard", "standard time", ()),
        ("daylight time", "open", "daylight time", ()),
        ("time LST", "standard", "LST", ()), ("time (ldt)", "open", "ldt", ()),
        ("Sommerzeit", "open", "Sommerzeit", ()), ("summer time", "open", "summer time", ()),
        ("Winterzeit", "standard", "Winterzeit", ()),
        ("winter time", "standard", "winter time", ()),
        ("Normalzeit", "standard", "Normalzeit", ()), ("time, daylight", "open", "daylight", ()),
        ("time (QQT)", "unknown", "QQT", ()), ("time [ ABCDT ]", "unknown", "ABCDT", ()),
    ],
)  # fmt: skip
def test_what_a_head_says_in_words(head: str, kind: str, text: str, names: tuple[str, ...]) -> None:
    found = zone(head)
    assert (found.kind, found.text, found.names) == (kind, text, names)


@pytest.mark.parametrize(
    "head",
    ["time (DST)", "time (START)", "time QQT", "time (LT)", "time (QQQQQT)", "time(qqt)",
     "standardtime", "BESTIME", "time 1-2", "time -2", "Foo/Bar", "time (+1", "time +1)",
     "time (1+1)", "(+1]", "A/B", "MEST", "time A+01:00x"],
)  # fmt: skip
def test_what_names_no_zone(head: str) -> None:
    assert zone_in_head(head) is None


@pytest.mark.parametrize(
    ("head", "hours", "text"),
    [
        ("time (UTC+2)", 2, "UTC+2"), ("time [+1]", 1, "+1"), ("time ( +1 )", 1, "+1"),
        ("UTC-14:00", -14, "UTC-14:00"), ("UTC+13:59", 13 + 59 / 60, "UTC+13:59"),
        ("UTC±0", 0, "UTC±0"), ("UTC±00:00", 0, "UTC±00:00"), ("GMT–3", -3, "GMT–3"),
        ("GMT −3", -3, "GMT −3"), ("UTC +5 h", 5, "UTC +5 h"), ("time +05:45", 5.75, "+05:45"),
        ("time 1-2 (UTC-3)", -3, "UTC-3"), ("gmt_+1", 1, "gmt_+1"), ("UTC+0330", 3.5, "UTC+0330"),
        ("Zulu", 0, "UTC"), ("dateUTC", 0, "UTC"), ("UTCtime", 0, "UTC"), ("time_UTC", 0, "UTC"),
    ],
)  # fmt: skip
def test_offsets_as_they_stand(head: str, hours: float, text: str) -> None:
    found = zone(head)
    assert (found.kind, found.text) == ("fixed", text)
    assert found.hours == (pytest.approx(hours),)


@pytest.mark.parametrize("head", ["UTC+14:01", "UTC-15", "UTC+02:60", "UTC+24", "(-14:30)"])
def test_offsets_beyond_any_clock(head: str) -> None:
    with pytest.raises(LogError, match=r"between −14 and \+14 h"):
        zone_in_head(head)


def test_a_place_by_its_name_and_the_first_of_two_that_exists() -> None:
    found = zone("time, Temp/Hum in Europe/Vienna")
    assert (found.kind, found.text, found.zone) == (
        "named", "Europe/Vienna", ZoneInfo("Europe/Vienna")
    )  # fmt: skip
    three = zone("time America/Argentina/Buenos_Aires")
    assert three.text == "America/Argentina/Buenos_Aires"
    assert zone("UTC+2 Europe/Vienna").kind == "fixed"  # the offset is said more closely
