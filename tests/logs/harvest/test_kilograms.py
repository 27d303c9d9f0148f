"""Kilograms in a column of grams are told, whole or in part; no weight is changed."""

import numpy as np
import pytest

from tests.logs.folder import TRIAL, make_trial
from trialkit.logs.harvest.read import read_harvest

LOGS = '\n[logs.harvest]\nfiles = ["h*.csv"]\n'
UNKNOWN = TRIAL.replace("wet_g = 2600\ndry_substrate_g = 950\n", "")
DRY = TRIAL.replace("wet_g = 2600\n", "")
DAYS = {"B1": ("2031-01-22", "2031-02-01"), "B2": ("2031-03-20", "2031-03-30")}
MEANS = (700.0, 250.0)


def _read(tmp_path, times=lambda batch, chamber, flush: 1.0, *, trial=TRIAL, logs=LOGS, parts=1):
    """Read two batches of 32 blocks, each weight multiplied by what `times` says."""
    rng = np.random.default_rng(7)
    files = [["unit,flush,date,fresh_g"] for _ in range(parts)]
    for batch, days in DAYS.items():
        for chamber in ("T1", "T2", "T3", "T4"):
            for shelf in ("top", "bottom"):
                for block in (1, 2):
                    for flush in (1, 2):
                        grams = MEANS[flush - 1] * np.exp(0.25 * rng.standard_normal())
                        weight = f"{grams * times(batch, chamber, flush):.6g}"
                        code = f"{batch}-{chamber}-{shelf}-{block}"
                        at = 0 if batch == "B1" else parts - 1
                        files[at].append(f"{code},{flush},{days[flush - 1]},{weight}")
    made = {f"h{k}.csv": ("\n".join(lines) + "\n").encode() for k, lines in enumerate(files)}
    return read_harvest(make_trial(tmp_path, made, logs, trial=trial), cache=False)


def _told(log):
    return [f for f in log.findings if f.code in ("kilograms", "decimal_slip")]


@pytest.mark.parametrize("trial", [TRIAL, DRY, UNKNOWN])
def test_a_whole_sheet_in_kilograms_is_told(tmp_path, trial):
    log = _read(tmp_path, lambda *_: 1e-3, trial=trial)
    (found,) = _told(log)
    assert found.severity == "caution"
    assert "kilograms" in found.message
    assert 'fresh_g = "kg"' in found.remedy
    assert log.table["fresh_g"].max() < 2  # as entered


@pytest.mark.parametrize("trial", [TRIAL, DRY, UNKNOWN])
def test_grams_are_not_told(tmp_path, trial):
    assert _told(_read(tmp_path, trial=trial)) == []


def test_poor_yields_of_known_blocks_are_not_told(tmp_path):
    """A tenth of a usual flush, with decimals: 70 g and 25 g of a block of 2.6 kg."""
    assert _told(_read(tmp_path, lambda *_: 0.1)) == []


@pytest.mark.parametrize("unit", ["kg", "g"])
def test_a_unit_that_is_stated_is_not_asked_for(tmp_path, unit):
    logs = LOGS + f'units = {{ fresh_g = "{unit}" }}\n'
    log = _read(tmp_path, lambda *_: 1e-3, trial=UNKNOWN, logs=logs)
    assert _told(log) == []
    usual = log.table["fresh_g"].median()
    assert (200 < usual < 800) if unit == "kg" else usual < 1


CASES = {
    "chamber T2": lambda batch, chamber, flush: 1e-3 if chamber == "T2" else 1.0,
    "batch B2": lambda batch, chamber, flush: 1e-3 if batch == "B2" else 1.0,
    "chamber T3 in batch B1": lambda b, chamber, f: 1e-3 if (b, chamber) == ("B1", "T3") else 1.0,
    "flush 2": lambda batch, chamber, flush: 1e-3 if flush == 2 else 1.0,
}


@pytest.mark.parametrize("place", CASES)
def test_one_place_in_kilograms_is_told_as_one(tmp_path, place):
    log = _read(tmp_path, CASES[place])
    (found,) = _told(log)
    assert (found.code, found.severity) == ("kilograms", "caution")
    assert found.message.endswith(f": {place}")
    lines = log.ledger.table
    assert set(lines["rule"]) == {"unit of weight doubtful"}
    assert log.ledger.adds_up
    assert len(log.table) == 64


def test_one_file_in_kilograms_is_named(tmp_path):
    (found,) = _told(_read(tmp_path, CASES["batch B2"], parts=2))
    assert found.message.endswith(": h1.csv")


def test_one_place_in_grams_among_kilograms_is_told(tmp_path):
    def times(batch, chamber, flush):
        return 1.0 if chamber == "T4" else 1e-3

    (found,) = _told(_read(tmp_path, times, trial=UNKNOWN))
    assert "above" in found.message
    assert found.message.endswith(": chamber T4")


def test_a_chamber_that_bore_a_twentieth_is_no_slip_of_the_unit(tmp_path):
    log = _read(tmp_path, lambda b, chamber, f: 0.05 if chamber == "T2" else 1.0)
    assert "kilograms" not in {f.code for f in log.findings}


def test_weights_of_lost_blocks_are_told_with_what_becomes_of_them(tmp_path):
    text = "unit,flush,date,fresh_g,status\n"
    text += "B1-T1-top-1,1,2031-01-22,732,contaminated\nB1-T1-top-2,1,2031-01-22,300,ok\n"
    text += "B1-T2-top-1,1,2031-01-22,,contaminated\n"
    log = read_harvest(make_trial(tmp_path, {"h.csv": text.encode()}, LOGS), cache=False)
    (found,) = (f for f in log.findings if f.code == "lost_with_weight")
    assert "flush 1 of B1-T1-top-1" in found.message
    assert "732" in found.message
    assert "counts in the comparison" in found.message
    line = log.ledger.table.iloc[0]
    assert (line["row"], line["rule"], line["old"]) == (2, "weight of a lost block", "732")
    assert log.table["fresh_g"].tolist()[0] == 732
