"""Files of the shapes that loggers, stations and scripts write are read right at first try.

The shapes were seen in public files of about twenty kinds of sources (button, plug-in, field and
transport loggers, weather stations and services, buoys, radio gateways, home automation, scripts
of small controllers); every value here is invented. Each file is read by pandas, too, as a person
would who knows the file, and every time and value must be the same.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.logs.folder import make_trial
from tests.logs.shapes import file_shapes, table_shapes, text_shapes
from tests.logs.shapes.shape import ZONE, Shape
from trialkit.errors import LogError
from trialkit.logs.climate.read import read_environment
from trialkit.logs.mapping.propose import propose_mapping
from trialkit.trial import Trial

SHAPES = [
    value
    for module in (text_shapes, table_shapes, file_shapes)
    for value in vars(module).values()
    if isinstance(value, Shape)
]

T, B, F = text_shapes, table_shapes, file_shapes
#: Shapes of which a proposal leaves open what only a person knows, and the answers to its
#: questions in their order; None where one has no answers to choose from.
ASKED: dict[str, tuple[str, ...] | None] = {
    T.DATE_AND_TIME.name: ("column 3", "column 4"),
    T.ARRAY.name: None,  # which of its figures without heads are the time
    B.TOUCHING.name: ("column 3", "column 4"),
    B.NUMBERED.name: ("T1", "T2", "T3"),
    B.NAMED_SENSOR.name: ("T1", "T3"),
    F.QUERY.name: ("value",),
}


def read(shape: Shape, folder: Path):
    section = f'\n[logs.environment]\nfiles = ["{shape.file}"]\n{shape.logs}'
    return read_environment(make_trial(folder, {shape.file: shape.data}, section), cache=False)


def expected(shape: Shape) -> pd.DataFrame:
    """Read a file with pandas alone: sorted, in UTC, rows without any value left out."""
    frame = shape.by_pandas(shape.data)
    time = pd.to_datetime(frame["time"])
    time = time.dt.tz_localize(ZONE) if time.dt.tz is None else time
    frame = frame.assign(time=time.dt.tz_convert("UTC").dt.as_unit("ns"))
    if "chamber" not in frame:
        frame["chamber"] = "T1"
    values = [c for c in frame if c not in ("time", "chamber")]
    frame = frame.dropna(subset=values, how="all")
    return frame.sort_values(["chamber", "time"]).reset_index(drop=True)


def test_there_are_as_many_shapes_as_the_reliability_page_says() -> None:
    """47; of 41 a proposal finds all, and 6 are asked about."""
    assert len({s.name for s in SHAPES}) == len(SHAPES) == 47
    assert (len(SHAPES) - len(ASKED), len(ASKED)) == (41, 6)


@pytest.mark.parametrize("shape", SHAPES, ids=lambda s: s.name)
def test_times_and_values_are_those_pandas_reads(shape: Shape, tmp_path: Path) -> None:
    log, want = read(shape, tmp_path), expected(shape)
    got = log.table.sort_values(["chamber", "time"]).reset_index(drop=True)
    assert len(got) == len(want) > 20
    assert got["chamber"].tolist() == want["chamber"].tolist()
    assert got["time"].tolist() == want["time"].tolist()
    for column in (c for c in want if c not in ("time", "chamber")):
        np.testing.assert_allclose(got[column], want[column], rtol=0, atol=1e-9)


@pytest.mark.parametrize("shape", SHAPES, ids=lambda s: s.name)
def test_every_row_is_accounted_for(shape: Shape, tmp_path: Path) -> None:
    log = read(shape, tmp_path)
    assert log.ledger.adds_up
    lines = log.ledger.table
    set_aside = int(lines.loc[lines["action"] == "set aside", "rows"].sum())
    blank = shape.by_pandas(shape.data)
    values = [c for c in blank if c not in ("time", "chamber")]
    assert set_aside == shape.other_rows + int(blank[values].isna().all(axis=1).sum())


@pytest.mark.parametrize("shape", SHAPES, ids=lambda s: s.name)
def test_a_proposal_is_right_or_asks(shape: Shape, tmp_path: Path) -> None:
    """With the columns as proposed a file is read right, or once its questions are answered."""
    known = ("table", "query", "encoding", "widths")
    kept = [line for line in shape.logs.splitlines() if line.split(" ")[0] in known]
    told = "\n".join(["", f'[logs.environment]\nfiles = ["{shape.file}"]', *kept, ""])
    trial = make_trial(tmp_path, {shape.file: shape.data}, told)
    offer = propose_mapping(trial, "environment")

    def proposed() -> Trial:
        lines = "\n".join(["", offer.section(), *kept, ""])
        return make_trial(tmp_path, {shape.file: shape.data}, lines)

    answers = ASKED.get(shape.name, ())
    if shape.name in ASKED:
        with pytest.raises(LogError, match=" → "):
            read_environment(proposed(), cache=False)
    if answers is None:
        assert any(not q.choices for q in offer.asked)
        return
    assert len(offer.asked) == len(answers)
    for question, answer in zip(offer.asked, answers, strict=True):
        labels = [str(label) for label, _ in question.choices]
        offer = offer.answered(question, labels.index(answer))
    got = read_environment(proposed(), cache=False).table.sort_values(["chamber", "time"])
    want = expected(shape)
    assert got["chamber"].tolist() == want["chamber"].tolist()
    assert got["time"].tolist() == want["time"].tolist()
    for column in (c for c in want if c not in ("time", "chamber")):
        np.testing.assert_allclose(got[column], want[column], rtol=0, atol=1e-9)
