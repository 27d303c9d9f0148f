"""Mist without vapour, in logs whose every answer is written out here.

Pulses of 20 s, each with a record as it begins, two above it by a chosen humidity, one back at
the level; at a steady 15 °C the answer of a pulse is that humidity times 1.7057 kPa, the saturation
pressure there (Sonntag 1990 and others, within 0.1 %).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from trialkit.signals.mist_response import MistResponse, check_response

START = pd.Timestamp("2031-03-10 08:00", tz="UTC")
USUAL = 2.0  # lift of the humidity after a pulse [%]


def answers(n: int, wobble: float = 0.1) -> np.ndarray:
    """Give the usual answer, by turns a little over and under: their median is the usual one."""
    return USUAL + wobble * np.array([-1.0, 0.0, 1.0, 0.0])[np.arange(n) % 4]


def told(
    lift: np.ndarray,
    *,
    every_min: float = 4.0,
    level: float | np.ndarray = 85.0,
    pulse_s: float | np.ndarray = 20.0,
    second: np.ndarray | None = None,
    lead_min: float = 0.0,
    tail_min: float = 4.0,
    reservoir_l: float | None = None,
) -> MistResponse:
    """Check a run of pulses with these answers [% of humidity]."""
    second = np.arange(len(lift)) * every_min * 60 if second is None else second
    moments = START + pd.to_timedelta(second, unit="s")
    base = np.broadcast_to(level, len(lift))
    parts = [(moments, base)]
    parts += [(moments + pd.Timedelta(minutes=m), base + lift) for m in (1, 2)]
    parts += [(moments + pd.Timedelta(minutes=3), base)]
    climate = pd.concat(
        pd.DataFrame({"chamber": "T1", "time": time, "temp_c": 15.0, "rh_pct": rh})
        for time, rh in parts
    )
    mist = pd.DataFrame(
        {"chamber": "T1", "start": moments, "stop": moments + pd.to_timedelta(pulse_s, unit="s")}
    )
    run = pd.DataFrame(
        {
            "chamber": ["T1"],
            "run": ["B1 T1"],
            "start": [START - pd.Timedelta(minutes=lead_min)],
            "stop": [moments[-1] + pd.Timedelta(minutes=tail_min)],
        }
    )
    return check_response(climate, mist, within=run, reservoir_l=reservoir_l)


def test_a_loss_has_its_pulses_its_seconds_and_its_two_ends() -> None:
    """Pulses 100 to 129 got nothing: 29 times 4 min and 20 s, thirty times 20 s of mist."""
    lift = answers(400)
    lift[100:130] = 0.0
    found = told(lift)
    [row] = found.table.to_dict("records")
    assert row["fault"] == "no response"
    assert row["start"] == START + pd.Timedelta(minutes=400)
    assert row["stop"] == START + pd.Timedelta(minutes=4 * 129, seconds=20)
    assert (row["pulses"], row["on_s"], row["response_pct"]) == (30, 600.0, 0.0)
    assert row["hours"] == pytest.approx((29 * 240 + 20) / 3600, abs=6e-4)
    assert row["detail"].values["rh"] == pytest.approx(85.0)
    [run] = found.runs.to_dict("records")
    assert (run["pulses"], run["pulse_s"], run["judged"]) == (400, 20.0, True)
    assert run["response_kpa"] == pytest.approx(USUAL / 100 * 1.7057, rel=1e-3)
    assert run["lost_on_s"] == 600.0


def test_what_is_left_of_the_answer_is_told_in_percent_of_the_usual_one() -> None:
    lift = answers(400)
    lift[100:130] = 0.25 * USUAL
    [row] = told(lift).table.to_dict("records")
    assert row["response_pct"] == 25.0
    lift[100:130] = 0.45 * USUAL  # over the 35 % from which it counts as lost
    assert len(told(lift).table) == 0


@pytest.mark.parametrize(("pulses", "count"), [(15, 0), (16, 1)])
def test_a_loss_is_told_from_an_hour_on(pulses: int, count: int) -> None:
    """Fifteen pulses of 4 min reach over 56 min and 20 s, sixteen over 60 min and 20 s.

    An hour before and after each lost pulse stands another one that was answered, as with every
    timer that divides the hour: no sign of a clock that is wrong.
    """
    lift = answers(400)
    lift[100 : 100 + pulses] = 0.0
    found = told(lift)
    assert list(found.table["fault"]) == ["no response"] * count
    assert found.runs["lost_on_s"].iloc[0] == 20.0 * pulses * count


@pytest.mark.parametrize(("pulses", "hours"), [(10, []), (11, [1.0])])
def test_an_hour_to_the_second_is_a_loss(pulses: int, hours: list[float]) -> None:
    """Eleven pulses of 358 s: ten times 358 s and 20 s of mist are 3600 s."""
    lift = answers(400)
    lift[100 : 100 + pulses] = 0.0
    found = told(lift, second=np.arange(400) * 358.0)
    assert list(found.table["hours"]) == hours


@pytest.mark.parametrize(("wobble", "count"), [(1.4, 1), (2.4, 0)])
def test_a_loss_must_stand_out_of_the_noise_by_four_standard_errors(
    wobble: float, count: int
) -> None:
    """Answers of 2 and 2 ± wobble: a spread of 1.4826 × wobble; 23 pulses lie within 45 min.

    Four standard errors are 1.73 for a wobble of 1.4, under the 2 that are missing, and 2.97 for
    2.4, over them.
    """
    lift = USUAL + wobble * (np.arange(400) % 3 - 1)
    lift[100:140] = 0.0
    found = told(lift, level=60.0)
    assert bool(found.runs["judged"].iloc[0])
    assert len(found.table) == count


def test_three_pulses_within_45_minutes_are_too_few_and_five_are_enough() -> None:
    for every, count in ((30.0, 0), (20.0, 1)):
        lift = answers(100)
        lift[40:52] = 0.0
        found = told(lift, every_min=every)
        assert list(found.table["fault"]) == ["no response"] * count
        assert list(found.table["pulses"]) == [12] * count


def test_two_losses_of_one_run_are_two_rows_and_one_finding() -> None:
    """They lie four hours apart, more than the 90 min over which losses are joined."""
    lift = answers(400)
    lift[100:120] = lift[180:210] = 0.0
    found = told(lift)
    assert list(found.table["pulses"]) == [20, 30]
    assert list(found.table["start"]) == [
        START + pd.Timedelta(minutes=400), START + pd.Timedelta(minutes=720)
    ]  # fmt: skip
    assert found.runs["lost_on_s"].iloc[0] == 1000.0
    [finding] = found.findings
    assert (finding.code, finding.severity) == ("mist_no_response", "caution")
    assert finding.values["hours"] == pytest.approx((19 * 240 + 29 * 240 + 40) / 3600, abs=2e-3)
    assert finding.values["pulses"].values["number"] == 50


@pytest.mark.parametrize(("level", "fault"), [(96.9, "no response"), (97.0, "wet all the time")])
def test_air_that_is_full_already_cannot_answer(level: float, fault: str) -> None:
    lift = answers(400)
    lift[100:130] = 0.0
    levels = np.full(400, 85.0)
    levels[100:130] = level
    found = told(lift, level=levels)
    assert list(found.table["fault"]) == [fault]
    assert found.runs["lost_on_s"].iloc[0] == (600.0 if fault == "no response" else 0.0)


@pytest.mark.parametrize(("fades_h", "fault"), [(4.6, "no response"), (5.4, "ran dry")])
def test_an_answer_that_fades_for_an_hour_and_a_half_is_a_reservoir_that_runs_dry(
    fades_h: float, fault: str
) -> None:
    """Fading evenly from all to nothing in `fades_h`, from 80 % to 50 % takes 0.3 of it.

    At 50 % of the usual answer the loss begins: 1.38 h against 1.62 h, with 1.5 h between them.
    """
    hour = np.arange(400) * 4 / 60
    share = np.clip(1 - (hour - 8) / fades_h, 0, 1)
    share[hour > 18] = 1.0
    found = told(answers(400, wobble=0.01) * share, reservoir_l=12.0)
    assert list(found.table["fault"]) == [fault]
    [finding] = found.findings
    assert finding.values["reservoir"] == 12.0
    if fault == "ran dry":
        assert "12 L" in str(finding)
        plain = told(answers(400, wobble=0.01) * share)
        assert list(plain.table["fault"]) == ["ran dry"]
        assert " L" not in str(plain.findings[0])
    assert found.runs["lost_on_s"].iloc[0] == found.table["on_s"].iloc[0] > 0


def test_a_clock_an_hour_off_shows_in_as_few_as_four_pulses() -> None:
    """Four pulses whose answers stand in the log an hour later, by the log's own clock.

    Pulses come every 20 min, those four 7 min late: an hour later no pulse is at their minute.
    """
    second = np.arange(100) * 1200.0
    lift = answers(100)
    late = second.copy()
    late[40:44] += 7 * 60
    lift[40:44] = 0.0
    for hours, want in ((1, -1), (-1, 1)):
        found = told(
            np.concatenate((lift, np.full(4, USUAL))),
            second=np.concatenate((late, late[40:44] + 3600.0 * hours)),
        )
        assert "clock" not in list(found.table["fault"])  # those answers have pulses of their own
        clock = _with_answers_only(late, lift, late[40:44] + 3600.0 * hours)
        [row] = clock.table.to_dict("records")
        assert (row["fault"], row["pulses"]) == ("clock", 4)
        assert row["detail"].values["hours"] == want
        assert clock.runs["lost_on_s"].iloc[0] == 0


def _with_answers_only(second: np.ndarray, lift: np.ndarray, extra: np.ndarray) -> MistResponse:
    """Check pulses of a log that has further rises without a pulse at the seconds `extra`."""
    moments = START + pd.to_timedelta(np.concatenate((second, extra)), unit="s")
    rise = np.concatenate((lift, np.full(len(extra), USUAL)))
    climate = pd.concat(
        pd.DataFrame(
            {"chamber": "T1", "time": moments + pd.Timedelta(minutes=m), "temp_c": 15.0,
             "rh_pct": 85.0 + rise * (m in (1, 2))}
        )
        for m in range(4)
    )  # fmt: skip
    pulses = START + pd.to_timedelta(second, unit="s")
    mist = pd.DataFrame(
        {"chamber": "T1", "start": pulses, "stop": pulses + pd.Timedelta(seconds=20)}
    )
    run = pd.DataFrame(
        {"chamber": ["T1"], "run": ["B1 T1"], "start": [START],
         "stop": [pulses[-1] + pd.Timedelta(minutes=20)]}
    )  # fmt: skip
    return check_response(climate, mist, within=run)


def test_a_silence_must_also_be_five_times_the_usual_pause() -> None:
    """Usual pauses of 40 min less 20 s: five of them are 198.3 min, more than three hours."""
    for silent, count in ((197.0, 0), (200.0, 1)):
        second = np.arange(200) * 2400.0
        second[120:] += silent * 60 + 20 - 2400
        found = told(answers(200), second=second, tail_min=40)
        assert list(found.table["fault"]) == ["no mist"] * count
    [row] = found.table.to_dict("records")
    assert row["start"] == START + pd.Timedelta(seconds=119 * 2400 + 20)
    assert row["stop"] == row["start"] + pd.Timedelta(minutes=200)
    assert (row["hours"], row["pulses"], row["on_s"]) == (pytest.approx(3.333), 0, 0.0)
    assert np.isnan(row["response_pct"])
    [finding] = found.findings
    assert finding.values["pulses"] == ""


@pytest.mark.parametrize(("n", "told_of"), [(19, 1), (20, 0)])
def test_what_pause_is_usual_is_known_from_more_than_twenty(n: int, told_of: int) -> None:
    """Pulses every 40 min and one silence of 190 min; before the first and after the last too.

    Nineteen pulses have 20 pauses: three hours alone are the limit. Of 21 pauses the 99 % quantile
    lies a fifth of the way from the longest to the next, at 160 min: five of them are 13 h.
    """
    second = np.arange(n) * 2400.0
    second[10:] += 190 * 60 + 20 - 2400
    found = told(answers(n), second=second, tail_min=40)
    assert list(found.table["fault"]) == ["no mist"] * told_of


def test_a_silence_before_the_first_pulse_and_after_the_last_counts() -> None:
    """Ten pulses only: no usual pause is known of so few, and three hours are enough."""
    found = told(answers(10), lead_min=190, tail_min=200)
    assert list(found.table["fault"]) == ["no mist"] * 2
    assert list(found.table["hours"]) == [
        pytest.approx(190 / 60, abs=1e-3), pytest.approx((200 * 60 - 20) / 3600, abs=1e-3)
    ]  # fmt: skip
    assert len(told(answers(10), lead_min=179, tail_min=179).table) == 0


def test_a_pulse_must_also_be_ten_times_the_usual_one() -> None:
    """Usual pulses of 90 s: ten of them are 900 s, more than ten minutes."""
    for seconds, count in ((890.0, 0), (910.0, 1)):
        length = np.full(100, 90.0)
        length[50] = seconds
        found = told(answers(100), every_min=20, pulse_s=length)
        assert list(found.table["fault"]) == ["stuck on"] * count
    [row] = found.table.to_dict("records")
    assert row["start"] == START + pd.Timedelta(minutes=1000)
    assert (row["pulses"], row["on_s"]) == (1, 910.0)
    assert row["hours"] == pytest.approx(910 / 3600, abs=6e-4)
    assert row["detail"].values["minutes"] == pytest.approx(910 / 60)
    [finding] = found.findings
    assert (finding.code, finding.values["pulses"]) == ("mist_stuck_on", "")
    length[70] = 910.0
    [finding] = told(answers(100), every_min=20, pulse_s=length).findings
    assert finding.values["pulses"].values["number"] == 2


@pytest.mark.parametrize(("n", "judged"), [(19, False), (20, True)])
def test_a_usual_answer_takes_twenty_pulses(n: int, judged: bool) -> None:
    run = told(answers(n)).runs.iloc[0]
    assert bool(run["judged"]) == judged
    assert np.isfinite(run["response_kpa"]) == judged
