"""Values that only make sense in another unit: told, with the line that puts them right."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.logs.folder import make_trial
from trialkit.logs.climate.read import read_environment
from trialkit.logs.log import Log


def log_of(folder: Path, temps: list[float], rhs: list[float], logs: str = "") -> Log:
    """Read a log of one chamber, a record a minute."""
    rows = [f"2031-01-14 {k // 60:02d}:{k % 60:02d},T1,{t},{h}"
            for k, (t, h) in enumerate(zip(temps, rhs, strict=True))]  # fmt: skip
    text = "time,chamber,temp_c,rh_pct\n" + "\n".join(rows) + "\n"
    section = f'\n[logs.environment]\nfiles = ["c.csv"]\n{logs}'
    return read_environment(make_trial(folder, {"c.csv": text.encode()}, section))


def doubted(log: Log) -> list[str]:
    return [f.remedy for f in log.findings if f.code == "unit_doubtful"]


def test_humidity_given_as_a_fraction_is_told_and_the_remedy_makes_percent(tmp_path: Path) -> None:
    """0.60 to 0.89 is 60 to 89 %; what is told stops the verdict until it is put right."""
    temps = [15 + 0.1 * (k % 3) for k in range(30)]
    rhs = [round(0.60 + 0.01 * k, 2) for k in range(30)]
    log = log_of(tmp_path, temps, rhs)
    [finding] = [f for f in log.findings if f.code == "unit_doubtful"]
    assert finding.severity == "stop"
    assert "c.csv" in finding.message
    assert log.table["rh_pct"].max() == pytest.approx(0.89)  # told, not changed
    remedy = 'units = { rh_pct = "fraction" }'
    assert remedy in finding.remedy
    right = log_of(tmp_path, temps, rhs, logs=remedy + "\n")
    assert doubted(right) == []
    assert right.table["rh_pct"].tolist() == pytest.approx([60 + k for k in range(30)])


@pytest.mark.parametrize(
    ("top", "told"),
    [(1.0, True), (1.05, True), (1.5, True), (1.6, False), (2.0, False), (30.0, False)],
)
def test_fractions_may_overshoot_a_little(top: float, told: bool, tmp_path: Path) -> None:
    """A sensor near saturation reads up to 1.05; nothing a percent scale shows stays under 1.5."""
    rhs = [0.9] * 19 + [top]
    assert bool(doubted(log_of(tmp_path, [15 + 0.1 * (k % 3) for k in range(20)], rhs))) == told


def test_a_few_low_readings_among_others_are_no_fractions(tmp_path: Path) -> None:
    assert doubted(log_of(tmp_path, [15.0] * 20, [0.9] * 19 + [88.0])) == []


@pytest.mark.parametrize(("n", "told"), [(9, False), (10, True)])
def test_nine_values_are_too_few_to_say(n: int, told: bool, tmp_path: Path) -> None:
    assert bool(doubted(log_of(tmp_path, [15.0] * n, [0.9] * n))) == told
    assert bool(doubted(log_of(tmp_path, [68.0] * n, [90.0] * n))) == told


@pytest.mark.parametrize(
    ("usual", "told"), [(44.0, False), (45.0, False), (46.0, True), (59.0, True), (80.0, True)]
)
def test_a_usual_temperature_over_45_can_only_be_fahrenheit(
    usual: float, told: bool, tmp_path: Path
) -> None:
    """59 °F are 15 °C."""
    remedies = doubted(log_of(tmp_path, [usual] * 20, [90.0] * 20))
    assert bool(remedies) == told
    if told:
        assert 'units = { temp_c = "degF" }' in remedies[0]
    if usual == 59.0:
        right = log_of(tmp_path, [usual] * 20, [90.0] * 20, 'units = { temp_c = "degF" }\n')
        assert right.table["temp_c"].tolist() == pytest.approx([15.0] * 20)
        assert doubted(right) == []


def test_a_cell_that_is_no_number_can_be_mended_and_one_with_its_own_unit_need_not(
    tmp_path: Path,
) -> None:
    """68 °F are 20 °C; "Err2" is left out and asks for a correction."""
    text = "time,chamber,temp_c,rh_pct\n2031-01-14 00:00,T1,68 °F,88\n2031-01-14 00:01,T1,Err2,88\n"
    section = '\n[logs.environment]\nfiles = ["c.csv"]\n'
    log = read_environment(make_trial(tmp_path, {"c.csv": text.encode()}, section))
    lines = log.ledger.table.set_index("rule")
    assert lines.loc["written otherwise", "new"] == "20"
    assert lines.loc["written otherwise", "remedy"] == ""
    assert lines.loc["value unreadable", "new"] == ""
    assert lines.loc["value unreadable", "remedy"] != ""
    assert log.table["temp_c"].tolist()[0] == pytest.approx(20)
