"""Moments with words of any language taken apart: words of the Unicode CLDR, signs by hand."""

from __future__ import annotations

import pytest

from trialkit.logs.text.calendar_words import (
    _read_east,
    bare,
    english_month,
    settle_months,
    take_apart,
)


@pytest.mark.parametrize(
    ("text", "plain", "month", "half"),
    [
        # French, German, Polish, Turkish, Russian, Greek months (wide and abbreviated forms)
        ("14 février 2031 07:05", "14 \0 2031 07:05", "février", False),
        ("14-sty-2031", "14 \0 2031", "sty", False),
        ("14 Şubat 2031", "14 \0 2031", "şubat", False),
        ("14 января 2031 г., 07:05", "14 \0 2031 07:05", "января", False),
        # words between the parts of a date: Spanish, Portuguese
        ("14 de enero de 2031", "14 \0 2031", "enero", False),
        ("14 de março de 2031 07:05", "14 \0 2031 07:05", "março", False),
        # weekdays before and behind; mar is Tuesday or March, and the other word is the month
        ("mardi 14 janvier 2031", "14 \0 2031", "janvier", False),
        ("mar. 14 mars 2031", "14 \0 2031", "mars", False),
        ("mars 14 mar. 2031", "\0 14 2031", "mars", False),
        # Chinese, Japanese, Korean signs, with and without the half of the day
        ("2031年1月14日 07:05", "2031-1-14 07:05", "", False),
        ("2031年1月14日 下午7:05", "2031-1-14 7:05 pm", "", True),
        ("2031년 1월 14일 오전 7:05", "2031-1-14 7:05 am", "", True),
        ("7時05分30秒 2031-01-14", "7:05:30 2031-01-14", "", False),
        # a month by its number, behind the day: Vietnamese
        ("14 tháng 1, 2031", "14m1 2031", "", False),
        # halves of the day stand behind the first clock, wherever they stood
        ("14 janvier 2031 7:05 PM", "14 \0 2031 7:05 pm", "janvier", True),
        ("14 janvier 2031 AM 7:05:30", "14 \0 2031 7:05:30 am", "janvier", True),
        # signs of computers stay
        ("2031-01-14T07:05Z", "2031-01-14T07:05Z", "", False),
        ("2031-01-14 07:05 UTC", "2031-01-14 07:05 UTC", "", False),
        ("14 janvier 2031 um 07:05 Uhr", "14 \0 2031 07:05", "janvier", False),
    ],
)  # fmt: skip
def test_moments_in_words(text: str, plain: str, month: str, half: bool) -> None:
    found = take_apart(text)
    assert found is not None
    assert (found.plain.strip(), found.month, found.half) == (plain, month, half)


@pytest.mark.parametrize(
    "text",
    ["14 nosuchword 2031", "Januar 14 Februar 2031", "PM 7:05 AM 2031", "14 janvier 2031 PM",
     "14 janvier février 2031"],
)  # fmt: skip
def test_what_has_other_words_or_too_many_is_no_moment(text: str) -> None:
    """Two months, two halves of the day, a half without a clock."""
    assert take_apart(text) is None


@pytest.mark.parametrize(
    ("piece", "found"),
    [
        ("年", ("-", "")), (" 月 ", ("-", "")), ("日（火）", (" ", "")),
        ("日 下午", ("  ", "下午")),
        ("时", (":", "")), ("x", None), ("", None), ("秒", (" ", "")),
    ],
)  # fmt: skip
def test_signs_of_the_east(piece: str, found: tuple[str, str] | None) -> None:
    """What follows the day may be the weekday, which says nothing, or a half of the day."""
    assert _read_east(piece) == found


def test_words_are_compared_without_case_and_signs() -> None:
    assert bare(" Févr. ") == "févr"
    assert bare("a\u202fb\u00a0c'd’e`f,g") == "abcdefg"


@pytest.mark.parametrize(
    ("words", "languages", "months", "unsure"),
    [
        (["january", "mars"], (), {"january": 1, "mars": 3}, []),
        (["listopada"], ("hr",), {"listopada": 10}, []),
        (["listopada"], ("pl",), {"listopada": 11}, []),
        (["listopada"], (), {}, ["listopada"]),
        (["listopada", "grudnia"], (), {"listopada": 11, "grudnia": 12}, []),  # Polish alone
        (["nosuchword"], (), {}, []), ([], (), {}, []),
        (["mar", "mar"], (), {"mar": 3}, []),
        (["january"], ("pl",), {}, ["january"]),
    ],
)  # fmt: skip
def test_which_month_a_name_is(
    words: list[str], languages: tuple[str, ...], months: dict[str, int], unsure: list[str]
) -> None:
    """Listopad is October in Croatian and November in Polish; grudzień only Polish December."""
    assert settle_months(words, languages) == (months, unsure)


def test_english_names() -> None:
    assert [english_month(k) for k in (1, 2, 12)] == ["jan", "feb", "dec"]
