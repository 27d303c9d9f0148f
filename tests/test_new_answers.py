"""Answers as people write them: schedules, places, and slips in the trial file."""

import pytest

import trialkit as tk
from trialkit.cli.questions import Dialog
from trialkit.errors import TrialFileError
from trialkit.templates import draft_trial, new_trial, read_setting
from trialkit.trial.zone_names import find_zone_names


@pytest.mark.parametrize(
    ("text", "on", "off"),
    [
        # a cycle holds both: 5 min = 300 s = 20 s on + 280 s off
        ("20/280", 20, 280),
        ("20 s every 5 min", 20, 280),
        ("20s alle 5min", 20, 280),
        ("20 every 300", 20, 280),
        ("30 s on, 5 min off", 30, 300),
        ("30 s an, 5 Minuten aus", 30, 300),
        ("20 sec every minute", 20, 40),
        ("2 min per hour", 120, 3480),
        ("1,5 min / 10 min", 90, 600),
    ],
)
def test_times_of_mist(text, on, off):
    assert read_setting(text) == {"on_s": on, "off_s": off}


@pytest.mark.parametrize(
    "text",
    ["85 to 92 %", "85-92%", "85–92 %", "between 85 and 92 %", "85 % bis 92 %", "85 to 92 % RH"],
)
def test_humidity_bands(text):
    assert read_setting(text) == {"start_below_rh": 85, "stop_above_rh": 92}


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("often", "is not a schedule"),
        ("85-92", "is not a schedule"),  # seconds or percent: nobody can know
        ("20", "is not a schedule"),
        ("400 s every 5 min", "does not fit into a cycle of 300 s"),
        ("0/200", "never be on"),
        ("92 to 85 %", "from a lower to a higher"),
        ("85 to 120 %", "at most 100"),
    ],
)
def test_what_is_no_schedule_is_refused_with_the_reason(text, reason):
    with pytest.raises(ValueError, match=reason):
        read_setting(text)


@pytest.mark.parametrize(
    ("text", "zone"),
    [
        ("Berlin", "Europe/Berlin"),
        ("europe/vienna", "Europe/Vienna"),
        ("new york", "America/New_York"),
        ("Österreich", "Europe/Vienna"),
        ("Wien", "Europe/Vienna"),
        ("UTC", "UTC"),
        ("Etc/UTC", "Etc/UTC"),
    ],
)
def test_places_have_their_zone(text, zone):
    assert find_zone_names(text, "de") == [zone]


def test_a_country_of_several_zones_gives_them_all_and_an_unknown_place_none():
    found = find_zone_names("United States")
    assert {"America/New_York", "America/Chicago", "America/Los_Angeles"} <= set(found)
    assert find_zone_names("Atlantis") == find_zone_names(" ") == []


@pytest.mark.parametrize(
    ("line", "wanted"),
    [
        ("B1 = { start = 14.09.2026 09:00 }", "write 2026-09-14T09:00:00"),
        ("B1 = 14/9/2026", "write 2026-09-14 "),
        ("B1 = 09/14/2026", "write 2026-09-14 "),  # there is no fourteenth month
        ("B1 = { start = 2026-09-14 9:00 }", "write 2026-09-14T09:00:00"),
        ("B1 = { start = 14.09.2026 09:00, end = 2026-10-20 }", "write 2026-09-14T09:00:00"),
        ("B1 = “2026-09-14”", "straight quotes"),
        ("B1 2026-09-14", "name = value"),
        ("B1 = today", 'write "today"'),
    ],
)
def test_wrong_toml_is_answered_with_the_form_wanted_at_its_line(tmp_path, line, wanted):
    new_trial(tmp_path, seed=1)
    path = tmp_path / "trial.toml"
    text = path.read_text(encoding="utf-8").replace("[batches]\n", f"[batches]\n{line}\n")
    path.write_text(text, encoding="utf-8")
    number = text.splitlines().index(line) + 1
    with pytest.raises(TrialFileError) as caught:
        tk.read_trial(tmp_path)
    assert f"trial.toml (line {number}): " in str(caught.value)
    assert wanted in str(caught.value)


@pytest.mark.parametrize(
    ("line", "wanted"),
    [
        ("margin_pct = 7,5", "write 7.5"),
        ("margin_pct = yes", "write true"),
        ('response = "fresh_g', "straight quote"),
    ],
)
def test_other_slips(tmp_path, line, wanted):
    (tmp_path / "trial.toml").write_text(f"[question]\n{line}\n", encoding="utf-8")
    with pytest.raises(TrialFileError, match="line 2") as caught:
        tk.read_trial(tmp_path)
    assert wanted in str(caught.value)


def test_an_unknown_zone_of_the_trial_file_is_answered_with_the_one_meant(tmp_path):
    new_trial(tmp_path, seed=1)
    path = tmp_path / "trial.toml"
    path.write_text(path.read_text(encoding="utf-8").replace('"UTC"', '"Berlin"', 1), "utf-8")
    with pytest.raises(TrialFileError, match="did you mean 'Europe/Berlin'"):
        tk.read_trial(tmp_path)


@pytest.mark.parametrize("shelves", [(), ("top", "bottom")])
def test_a_second_treatment_is_given_to_the_units_within_a_chamber(tmp_path, shelves):
    new_trial(tmp_path, seed=1, shelves=shelves, second=("light", ["dim", "bright"]))
    light = tk.read_trial(tmp_path).factors["light"]
    assert light.applied_to[-1] == ("shelf" if shelves else "block")
    assert light.reference == "dim"
    tk.assign(tk.read_trial(tmp_path))


@pytest.mark.parametrize(("name", "text", "value"), [
    ("shelves", "2 shelves", ["1", "2"]),
    ("shelves", "top, bottom", ["top", "bottom"]),
    ("chambers", "4 tents", 4),
    ("chambers", "Tent 1, Tent 2", ["Tent 1", "Tent 2"]),
    ("batches", "3 batches", 3),
])  # fmt: skip
def test_a_number_with_its_word_is_a_number(name, text, value):
    """“2 shelves” are two shelves, not one of that name."""
    (question,) = [q for q in Dialog("UTC").questions() if q.name == name]
    assert question.understand(text, {}) == value


def test_every_chamber_in_a_draft_is_one_of_the_trial():
    text = draft_trial(chambers=["Window", "Door"], seed=1)
    assert "C1" not in text
    assert '# chamber  = "Window"' in text
    assert '# file     = "logs/climate_Window.csv"' in text
