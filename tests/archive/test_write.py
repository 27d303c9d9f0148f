"""The archive: what is in it, that all of it is described, and that it is whole or not at all."""

import hashlib
import io
import zipfile

import pandas as pd
import pytest
from typer.testing import CliRunner

import trialkit as tk
from tests.bare_plans import write_bare
from tests.lived.garage import EARLY, grow, swapped, write_garage
from tests.test_tuned_trial import harvest, hill, write_trial
from trialkit.cli import build
from trialkit.errors import ReportError
from trialkit.pipeline import Pipeline
from trialkit.wording import speaking

SLIP = """[[happened]]
on = 2031-03-31T09:00:00
reason = "two timers mixed up"
swapped = ["B2:{}", "B2:{}"]
"""


def read_zip(path):
    """Give file → bytes, without the folder all of them stand in."""
    with zipfile.ZipFile(path) as archive:
        return {name.partition("/")[2]: archive.read(name) for name in archive.namelist()}


def table(held, name):
    return pd.read_csv(io.BytesIO(held[name]), keep_default_na=False, na_values=[""])


@pytest.fixture(scope="module")
def garage(tmp_path_factory):
    folder = tmp_path_factory.mktemp("garage")
    trial = write_garage(folder)
    plan = tk.assign(trial)
    write_bare(plan, folder)
    grow(folder, plan.table, effect=1.05)
    return folder


@pytest.fixture(scope="module")
def held(garage):
    return read_zip(tk.write_archive(garage, garage / "out" / "garage.zip"))


def test_it_holds_what_a_colleague_needs(garage, held):
    assert held["trial.toml"] == (garage / "trial.toml").read_bytes()
    for name in ("assignment.csv", "plan.json"):
        assert held[f"plan/{name}"] == (garage / "plan" / name).read_bytes()
    assert len(table(held, "data/analysed.csv")) == 3 * 4 * 4
    assert {"r/repeat.R", "r/rows.csv", "r/expected.csv"} <= set(held)
    told = held["READ_ME.txt"].decode()
    assert "This trial is invented" in told
    assert Pipeline(garage).verdict.sentence in told
    assert f"trialkit {tk.__version__}" in told


def test_every_column_of_every_table_is_described(held):
    words = table(held, "data/dictionary.csv")
    assert not words.duplicated(["file", "column"]).any()
    described = {file: set(rows["column"]) for file, rows in words.groupby("file")}
    tables = {name for name in held if name.endswith(".csv")}
    apart = {"data/dictionary.csv", "fingerprints.csv", "r/expected.csv"}
    assert set(described) == tables - apart
    for name, columns in described.items():
        assert columns == set(table(held, name).columns), name
    bare = words[words["meaning"].isna() | (words["meaning"] == words["column"])]
    assert not len(bare), bare
    rows = words.set_index(["file", "column"])
    schedule = rows.loc[("data/analysed.csv", "schedule")]
    assert schedule["levels"] == "usual; sparse"  # the control first
    assert rows.loc[("r/rows.csv", "fresh_g"), "unit"] == "g"


def test_fingerprints_are_those_of_the_files(garage, held):
    prints = table(held, "fingerprints.csv").set_index(["kind", "name"])["sha256"]
    for name, content in held.items():
        if name != "fingerprints.csv":
            assert prints["archived", name] == hashlib.sha256(content).hexdigest()
    log = (garage / "logs" / "harvest.csv").read_bytes()
    assert prints["logs", "logs/harvest.csv"] == hashlib.sha256(log).hexdigest()
    assert prints["trial", "trial.toml"] == prints["archived", "trial.toml"]


def test_the_same_trial_gives_the_same_archive(garage, tmp_path):
    first, second = (tk.write_archive(garage, tmp_path / n / "a.zip") for n in ("one", "two"))
    assert first.read_bytes() == second.read_bytes()


def test_it_is_whole_or_not_there(garage, tmp_path, monkeypatch):
    target = tmp_path / "archive.zip"
    target.write_bytes(b"an older one")

    def fail(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("trialkit.whole_files.Path.replace", fail)
    with pytest.raises(OSError, match="No space"):
        tk.write_archive(garage, target)
    assert [p.name for p in tmp_path.iterdir()] == ["archive.zip"]
    assert target.read_bytes() == b"an older one"


def test_a_trial_file_that_changed_meanwhile_is_not_archived(tmp_path):
    trial = write_garage(tmp_path)
    plan = tk.assign(trial)
    write_bare(plan, tmp_path)
    grow(tmp_path, plan.table)
    (tmp_path / "trial.toml").write_text((tmp_path / "trial.toml").read_text() + "\n# more\n")
    with pytest.raises(ReportError, match="was changed since it was read"):
        tk.write_archive(trial)
    assert not (tmp_path / "archive.zip").exists()


def grow_swapped(folder):
    """Grow a garage in which two timers of the second batch were swapped; name the tents."""
    plan = tk.assign(write_garage(folder))
    runs = plan.table[plan.table["batch"] == "B2"].drop_duplicates("chamber")
    first = runs.drop_duplicates("schedule")["chamber"].tolist()
    write_garage(folder, happened=SLIP.format(*first))
    write_bare(plan, folder, now=EARLY)
    grow(folder, swapped(plan.table, "B2", *first), effect=1.05)
    return first


def test_both_readings_can_be_repeated(tmp_path):
    tents = grow_swapped(tmp_path)
    inside = read_zip(tk.write_archive(tmp_path))
    other = next(n for n in inside if n.startswith("r-as-")).split("/")[0]
    one, two = (table(inside, f"{place}/rows.csv") for place in ("r", other))
    moved = one["schedule"] != two["schedule"]
    places = set(zip(one["batch"][moved], one["chamber"][moved], strict=True))
    assert places == {("B2", tent) for tent in tents}


def test_a_trial_of_ranges_is_archived_with_its_surface(tmp_path):
    trial = write_trial(tmp_path)
    write_bare(tk.assign(trial), tmp_path)
    harvest(tmp_path, trial, hill)
    inside = read_zip(tk.write_archive(tmp_path))
    assert {"estimate", "low", "high"} <= set(table(inside, "results/surface.csv"))
    numbers = table(inside, "r/expected.csv")
    assert {"coded_mist", "coded_mist_squared"} == set(numbers[numbers["kind"] == "slope"]["of"])


def test_the_command_writes_it_and_says_how_to_go_on(garage, tmp_path):
    app, target = build(rich_help=False), tmp_path / "friday.zip"
    done = CliRunner().invoke(app, ["export", str(garage), "--to", str(target)])
    assert done.exit_code == 0, done.output
    assert "Rscript r/repeat.R" in done.output
    assert read_zip(target)["trial.toml"] == (garage / "trial.toml").read_bytes()


def test_it_is_written_in_the_language_in_use(garage, tmp_path):
    with speaking(language="de"):
        inside = read_zip(tk.write_archive(garage, tmp_path / "a.zip"))
    told = inside["READ_ME.txt"].decode()
    assert "Dieser Versuch ist erfunden" in told
    assert "This trial" not in told
    words = table(inside, "data/dictionary.csv").set_index(["file", "column"])
    assert words.loc[("results/tests.csv", "F"), "meaning"] == "F-Wert"


@pytest.mark.slow
@pytest.mark.needs_r
@pytest.mark.parametrize("which", ["demo", "both readings", "ranges", "logarithm"])
def test_r_repeats_the_archive(which, rscript, tmp_path):
    folder = tmp_path / "trial"
    folder.mkdir()
    if which == "demo":
        folder = tk.demo_folder()
    elif which == "ranges":
        trial = write_trial(folder)
        write_bare(tk.assign(trial), folder)
        harvest(folder, trial, hill)
    elif which == "both readings":
        grow_swapped(folder)
    else:
        path = folder / "trial.toml"
        write_garage(folder)
        text = path.read_text(encoding="utf-8")
        text = text.replace("[question]", '[question]\nscale = "logarithm"')
        path.write_text(text, encoding="utf-8")
        plan = tk.assign(tk.read_trial(folder))
        write_bare(plan, folder)
        grow(folder, plan.table, effect=1.05)
    made = tk.write_archive(folder, tmp_path / "a.zip")
    zipfile.ZipFile(made).extractall(tmp_path)
    scripts = sorted((tmp_path / "a").rglob("repeat.R"))
    assert len(scripts) == (2 if which == "both readings" else 1)
    for script in scripts:
        ran = rscript(script)
        assert ran.returncode == 0, ran.stdout + ran.stderr
        assert "The same to 1e-4." in ran.stdout
