"""What stands on the printed pages: sizes, words and settings, worked out by hand."""

from types import SimpleNamespace

import pandas as pd
import pytest

from trialkit.design.sheets import map as drawn_map
from trialkit.design.sheets import printed, timers
from trialkit.design.sheets import weighing as form
from trialkit.design.sheets.label_formats import FORMATS, LabelFormat, find_format
from trialkit.design.sheets.printed import (
    _big,
    _code_size,
    _paged,
    _place,
    _use_rows,
    minutes_and_seconds,
)
from trialkit.design.sheets.timers import Use, _given, _with_rig, daily_use
from trialkit.errors import PlanError

# ------------------------------------------------------------------ labels


@pytest.mark.parametrize(
    ("name", "each", "margins"),
    [
        ("94x49", 10, (0, 0)),  # plain paper is cut by hand
        ("105x57", 10, (6, 0)),  # 297 − 5 · 57 = 12; 210 − 210
        ("99x68", 8, (13.1, 4.65)),  # 297 − 4 · 67.7 = 26.2; 210 − 198.2 − 2.5 = 9.3
        ("99x38", 14, (15.15, 4.65)),  # 297 − 7 · 38.1 = 30.3
        ("70x37", 24, (0.5, 0)),
        ("64x38", 21, (15.15, 7.25)),  # 210 − 190.5 − 5 = 14.5
        ("102x51", 10, (12.7, 3.95)),  # 279.4 − 254; 215.9 − 203.2 − 4.8 = 7.9
        ("67x25", 30, (12.7, 4.7)),  # 279.4 − 254; 215.9 − 200.1 − 6.4 = 9.4
        ("62x29", 1, (0, 0)),
        ("57x32", 1, (0, 0)),
        ("100x50", 1, (0, 0)),
    ],
)
def test_labels_sit_in_the_middle_of_their_page(name, each, margins):
    """Half of what A4 (210 × 297 mm) or US Letter (8.5 × 11 in) leaves."""
    found = FORMATS[name]
    assert found.each_page == each
    assert found.margins_mm == pytest.approx(margins, abs=0.006)
    whole = tuple(round(x) for x in (found.width_mm, found.height_mm))
    assert name == f"{whole[0]}x{whole[1]}"


def test_a_size_is_found_however_it_is_written():
    assert find_format(None).name == "94x49"
    for text in ("70x37", "70 x 37", "70×37 mm", "70X37MM"):
        assert find_format(text).name == "70x37"
    with pytest.raises(PlanError, match=r"'71x37' here.*105x57 \(A4\)"):
        find_format("71x37")


def test_gaps_lie_between_neighbours_alone():
    three = LabelFormat("60x40", 60, 40, "A4", 3, 7, 5.0)
    assert three.margins_mm == (8.5, 10.0)  # (297 − 280)/2; (210 − 180 − 10)/2


@pytest.mark.parametrize(
    ("text", "wide", "tall", "pad", "points"),
    [
        ("A", 94, 49, 3, 30.9),  # 49/4.5 mm = 30.9 pt, and not as wide as there is room
        ("A", 200, 90, 3, 34.0),  # at most
        ("1-T1-s1-b10", 62, 29, 2, 18.3),  # 29/4.5 mm
        ("batch1-chamber10-10", 57, 32, 2, 10.6),  # (57 − 6) mm = 144.6 pt over 0.72 · 19
        ("", 94, 49, 3, 30.9),
    ],
)
def test_a_code_is_as_large_as_its_label_allows(text, wide, tall, pad, points):
    assert _code_size(text, LabelFormat("x", wide, tall, "roll"), pad) == points


# ------------------------------------------------------------------ cards


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(59.9, ""), (60, "1 min"), (61, "1 min 1 s"), (90.5, "1 min 30.5 s"), (3600, "1 h"),
     (3605, "1 h 5 s"), (7325, "2 h 2 min 5 s"), (0, "")],
)  # fmt: skip
def test_times_as_a_timer_without_seconds_alone_has_them(seconds, text):
    assert minutes_and_seconds(seconds) == text


def setting(kind, **more):
    given = dict.fromkeys(("on_s", "off_s", "start_below_rh", "stop_above_rh", "duty_pct",
                           "cycles_per_day", "lux", "ppfd_umol_m2_s", "hours"))  # fmt: skip
    return SimpleNamespace(kind=kind, **{**given, "words": "", **more})


def test_what_is_set_is_printed_large():
    on, off = _big(setting("timed", on_s=20, off_s=220))
    assert (on[1], on[2]) == ("20 s", "")
    assert (off[1], off[2]) == ("220 s", "3 min 40 s")
    assert on[0] != off[0]
    low, high = _big(setting("band", start_below_rh=88, stop_above_rh=92))
    assert (low[1:], high[1:]) == (("88 %", ""), ("92 %", ""))
    assert low[0] != high[0]
    light, hours = _big(setting("light", lux=400, hours=11))
    assert (light[1:], hours[1:]) == (("400 lux", ""), ("11 h", ""))
    light, _ = _big(setting("light", ppfd_umol_m2_s=20, hours=11))
    assert light[1] == "20 µmol/(m² s)"
    ((_, words, beside),) = _big(setting("light", words="800 lux"))
    assert (words, beside) == ("800 lux", "")
    assert _big(setting("light")) == []


def test_use_is_told_with_its_decimals_and_left_out_where_unknown():
    rows = dict(_use_rows(Use(8.333, 360.4, 1.996, 0.5049, 61.2)))
    assert list(rows.values()) == ["360", "8.3 %", "2.00 L", "0.50 kWh", "61 h"]
    assert [v for _, v in _use_rows(Use(duty_pct=0.0))] == ["0.0 %"]
    assert _use_rows(Use()) == []


def test_cards_name_the_chamber_large_and_the_batch_beside_it():
    assert _place({"batch": "3", "chamber": "T1"})["place"] == "T1"
    assert "3" in _place({"batch": "3", "chamber": "T1"})["when"]
    assert _place({"chamber": "2", "shelf": "top"}) == {"place": "chamber 2 top", "when": ""}
    only = _place({"batch": "3"})
    assert "3" in only["place"]
    assert only["when"] == ""


def test_four_cards_a_page_and_a_new_page_for_each_batch():
    cards = [{"when": w, "n": i} for i, w in enumerate("aaaaabbb")]
    assert [[c["n"] for c in page] for page in _paged(cards)] == [[0, 1, 2, 3], [4], [5, 6, 7]]
    assert [len(p) for p in _paged(cards, most=2)] == [2, 2, 1, 2, 1]
    assert _paged([]) == []


@pytest.mark.parametrize(("shelves", "listed"), [(12, True), (13, False)])
def test_up_to_twelve_places_within_are_listed(shelves, listed):
    names = [*map(str, range(shelves)), "x"]
    table = pd.DataFrame({"batch": ["1"] * shelves + ["2"], "shelf": names, "light": "dim"})
    plan = SimpleNamespace(assignment=lambda name: table)
    factor = SimpleNamespace(name="light", levels={"dim": SimpleNamespace(words="100 lux")})
    found = printed._within(plan, {"batch": "1"}, factor, ("batch", "shelf"))
    assert found["treatment"] == "light"
    if listed:
        assert found["inside"] == [(str(i), "dim (100 lux)") for i in range(12)]
    else:
        ((many, _),) = found["inside"]
        assert "13" in many
    factor.levels["dim"].words = ""
    few = SimpleNamespace(assignment=lambda name: table[:1])
    assert printed._within(few, {"batch": "1"}, factor, ("batch", "shelf"))["inside"] == [
        ("0", "dim")
    ]  # fmt: skip


# ------------------------------------------------------------------ use in a day


RIG = {"mist_l_h": 1.5, "fogger_w": 80.0, "fan_w": 20.0, "reservoir_l": 12.0}


def rig(**less):
    return SimpleNamespace(**{**RIG, **less})


def test_a_timed_mist_uses_what_its_timer_says(monkeypatch):
    """20 s of 240 s are 2 h a day: 3 L at 1.5 L/h; 80 W for 2 h and 20 W all day: 0.64 kWh."""
    monkeypatch.setattr(timers, "litres", lambda rig, hours: rig.mist_l_h * hours)
    monkeypatch.setattr(
        timers, "kilowatt_hours",
        lambda rig, on, day: (rig.fogger_w * on + rig.fan_w * day) / 1000,
    )  # fmt: skip
    timed = setting("timed", duty_pct=100 / 12, cycles_per_day=360.0)
    use = daily_use(SimpleNamespace(rig=rig()), timed)
    got = (use.duty_pct, use.cycles_per_day, use.water_l_day, use.energy_kwh_day, use.refill_hours)
    assert got == pytest.approx((100 / 12, 360, 3, 0.64, 96))
    assert use.basis
    none = daily_use(SimpleNamespace(rig=rig()), setting("timed"))
    assert (none.duty_pct, none.water_l_day, none.refill_hours) == (0, 0, None)
    assert none.energy_kwh_day == pytest.approx(0.48)  # the fan runs on
    assert _with_rig(rig(mist_l_h=None), 0.5, None, "").water_l_day is None
    assert _with_rig(rig(mist_l_h=None), 0.5, None, "").refill_hours is None
    assert _with_rig(rig(fogger_w=None), 0.5, None, "").energy_kwh_day is None
    assert _with_rig(rig(reservoir_l=None), 0.5, None, "").refill_hours is None
    assert daily_use(SimpleNamespace(rig=rig()), setting("light")) == Use()


def test_cells_that_are_empty():
    assert [_given(v) for v in (None, "", float("nan"), 0, 0.0, "x")] == [False] * 3 + [True] * 3


# ------------------------------------------------------------------ weighing form


def test_rows_of_a_page():
    """259 − 11 − 12 = 236 mm; less 18 of the head 218, in rows of 9: 24."""
    assert form.ROWS == 24


@pytest.mark.parametrize(
    ("units", "flushes", "pages"),
    [(4, 3, [(4, [1, 2, 3])]), (4, 5, [(4, [1, 2, 3, 4]), (4, [5])]),  # 236/(18 + 36) = 4.4
     (24, 2, [(24, [1]), (24, [2])]), (25, 2, [(24, [1]), (1, [1]), (24, [2]), (1, [2])]),
     (11, 2, [(11, [1, 2])]), (12, 2, [(12, [1]), (12, [2])])],  # 2 · (18 + 99) = 234
)  # fmt: skip
def test_whole_flushes_share_a_page_where_they_fit(units, flushes, pages):
    found = form._paged([str(i) for i in range(units)], flushes)
    assert [(len(part), waves) for part, waves in found] == pages


def test_codes_fill_their_column():
    """44 mm are 124.7 pt: over 0.74 · 12 letters 14.0; 38 mm beside two own columns: 12.1."""
    assert form.code_size(["1-2"]) == 18.0
    assert form.code_size(["x" * 12, "y"]) == 14.0
    assert form.code_size(["x" * 12], 1) == 14.0
    assert form.code_size(["x" * 12], 2) == 12.1
    assert form.code_size([]) == 18.0


def columns_of(*own):
    columns = {"fresh_g": None} | {name: SimpleNamespace(head=name) for name in own}
    return SimpleNamespace(trial=SimpleNamespace(harvest_columns=columns))


def test_the_form_fills_190_millimetres():
    """48 + 27 + 17 + 42 leave 56; two columns of 20 beside a code of 42 leave 22."""
    for own, note in (((), 56), (("a",), 36), (("a", "b"), 22), (("a", "b", "c"), 22)):
        words = form.form_words(columns_of(*own))
        widths = [width for _, width in words["heads"]]
        assert sum(widths) == 190
        assert widths[-1] == note
        assert words["own"] == list(own[:2])
        assert bool(words["also"]) is (len(own) > 2)
    assert form.own_on_form(columns_of("a", "b", "c").trial) == (["a", "b"], ["c"])


def test_runs_are_what_is_weighed_together():
    def runs(factors, rows):
        table = pd.DataFrame(rows, columns=[*factors, "unit"])
        trial = SimpleNamespace(structure=SimpleNamespace(factors=factors))
        return form._runs(SimpleNamespace(trial=trial, table=table))

    found = runs(("batch", "chamber", "block"), [("1", "A", "1", "u"), ("1", "A", "2", "v"),
                                                 ("1", "B", "1", "w")])  # fmt: skip
    assert found == [
        ([("batch", "1"), ("chamber", "A")], ["u", "v"]),
        ([("batch", "1"), ("chamber", "B")], ["w"]),
    ]
    assert runs(("batch", "chamber"), [("1", "A", "u"), ("1", "B", "v")]) == [
        ([("batch", "1")], ["u", "v"])
    ]  # fmt: skip
    assert runs(("shelf", "bag"), [("1", "A", "u"), ("2", "A", "v")]) == [
        ([("shelf", "1")], ["u"]), ([("shelf", "2")], ["v"])
    ]  # fmt: skip
    assert runs(("bag",), [("1", "u"), ("2", "v")]) == [([], ["u", "v"])]


# ------------------------------------------------------------------ the map


def places_of(down, across, treated, **levels):
    made = drawn_map._Places.__new__(drawn_map._Places)
    made.levels, made.down, made.across = levels, list(down), list(across)
    made.treated = treated
    return made


def test_places_divide_the_picture_with_a_twentieth_free():
    """Of two columns the second begins at 1/2 + 5 %/2 of 1/2 and is 95 % of 1/2 wide."""
    run = ("batch", "chamber")
    made = places_of(["batch"], ["chamber"], [run], batch=("1", "2", "3", "4"), chamber=("A", "B"))
    got = made.rectangle(run, {"batch": "3", "chamber": "B"})
    assert got == pytest.approx((0.5125, 0.5 + 0.25 * 0.025, 0.475, 0.2375))
    assert not made.holds_others(run)


def test_smaller_units_lie_below_the_name_of_what_holds_them():
    """38 % of a place are its name; within the rest two shelves share the height."""
    run, shelf = ("batch",), ("batch", "shelf")
    made = places_of(["batch", "shelf"], [], [run, shelf], batch=("1",), shelf=("a", "b"))
    assert made.holds_others(run)
    top, tall = 0.025, 0.95
    assert made.rectangle(run, {"batch": "1"}) == pytest.approx((0, top, 1, tall))
    inner = made.rectangle(shelf, {"batch": "1", "shelf": "b"})
    start = top + tall * 0.5 + 0.025 * tall / 2 * 1.0
    want = (0, top + tall * 0.38 + (start - top) * 0.62, 1, tall * 0.5 * 0.95 * 0.62)
    assert inner == pytest.approx(want)


def test_words_are_as_large_as_their_place_up_to_eleven_points(monkeypatch):
    """A third of 9.6 − 1 in across is 206 pt; of 5 − 1.6 in down a tenth is 24.5 pt."""
    monkeypatch.setattr(drawn_map, "is_narrow", lambda: False)
    assert drawn_map._fitted(["wet"], 1 / 3, 0.1, (9.6, 5.0)) == ("wet", 11.0)
    word, points = drawn_map._fitted(["w" * 40], 1 / 3, 0.1, (9.6, 5.0))
    assert points == pytest.approx(206.4 / (0.64 * 40 + 1.2))
    # two lines would be 24.48/2.95 = 8.3 pt, beside one another they have 11
    assert drawn_map._fitted(["wet", "dim"], 1 / 3, 0.1, (9.6, 5.0)) == ("wet · dim", 11.0)
    word, points = drawn_map._fitted(["wet", "dim"], 0.1, 0.2, (9.6, 5.0))
    assert word == "wet\ndim"  # beside: 61.92/6.96 = 8.9 pt; below one another 11
    assert points == 11.0
    monkeypatch.setattr(drawn_map, "is_narrow", lambda: True)
    _, points = drawn_map._fitted(["w" * 40], 1 / 3, 0.1, (9.6, 5.0))
    assert points == pytest.approx(9.05 * 72 / 3 / (0.64 * 40 + 1.2))


def test_brighter_light_is_lighter_on_paper():
    def levels(**given):
        return SimpleNamespace(levels=given)

    lights = levels(dim=setting("light", lux=100), bright=setting("light", lux=900),
                    plain=setting("light"), par=setting("light", ppfd_umol_m2_s=500))  # fmt: skip
    assert drawn_map._darker(lights) == ["bright", "par", "dim", "plain"]
    mixed = levels(a=setting("light", lux=100), b=setting("timed", lux=900))
    assert drawn_map._darker(mixed) == ["a", "b"]


def test_inner_places_are_shades_of_grey(monkeypatch):
    """Three levels take the first, the middle and the last shade; one alone takes the first."""
    shades = [f"s{i}" for i in range(5)]
    monkeypatch.setattr(drawn_map, "SHADES", shades)
    three = SimpleNamespace(levels={n: setting("timed") for n in "abc"})
    fills = [drawn_map._fill(three, n, 1) for n in "abc"]
    assert [f["facecolor"] for f in fills] == ["s0", "s2", "s4"]
    assert {f["hatch"] for f in fills} == {""}
    one = SimpleNamespace(levels={"a": setting("timed")})
    assert drawn_map._fill(one, "a", 2)["facecolor"] == "s0"
    outer = [drawn_map._fill(three, n, 0)["hatch"] for n in "abc"]
    assert len(set(outer)) == 3  # colour is never the only sign


def test_axes_name_what_lies_within():
    levels = {"batch": ("1",), "chamber": tuple("ABCDE"), "shelf": tuple("wxyz"), "row": ("1", "2")}
    plan = SimpleNamespace(trial=SimpleNamespace(levels=levels))
    assert "A … E" in drawn_map._axis_name(plan, ["batch", "chamber"])
    assert "w, x, y, z" in drawn_map._axis_name(plan, ["batch", "shelf"])
    both = drawn_map._axis_name(plan, ["batch", "shelf", "row"])
    assert "w, x, y, z" in both
    assert "1, 2" in both
    assert "1" not in drawn_map._axis_name(plan, ["chamber"])
    assert drawn_map._middles(4) == [0.125, 0.375, 0.625, 0.875]


def test_what_there_is_more_of_goes_down_on_a_phone(monkeypatch):
    plan = SimpleNamespace(trial=SimpleNamespace(counts={"a": 3, "b": 4, "c": 2, "d": 9}))
    order = list("abcd")
    for narrow, counts, want in (
        (False, (3, 4), (["a", "c"], ["b", "d"])), (True, (3, 4), (["b", "c"], ["a", "d"])),
        (True, (4, 4), (["a", "c"], ["b", "d"])),
    ):  # fmt: skip
        monkeypatch.setattr(drawn_map, "is_narrow", lambda narrow=narrow: narrow)
        plan.trial.counts.update(zip("ab", counts, strict=True))
        assert drawn_map._directions(plan, order) == want
    assert drawn_map._directions(plan, ["a"]) == (["a"], [])
