"""Does the range of a plan hold what a room really does? Two hundred rooms drawn at random.

Run with ``python benchmarks/plan_range.py``. Truth: `room_steps`, a solver apart. Rooms of 60 L
to 30 m³ with fog, wet walls, heat, crop and seasons are drawn from the ranges printed in
`trialkit.chamber.quantities`; the grower knows each number only with the error said there, and
leaves out optional ones half of the time.
"""

from __future__ import annotations

import time

import numpy as np
from room_steps import Rooms, follow

from trialkit.chamber import foresee

COUNT, HOURS = 200, 16


def draw(rng: np.random.Generator) -> tuple[Rooms, np.ndarray, np.ndarray]:
    """Draw true rooms and their timers (seconds on, seconds of a cycle)."""

    def even(low: float, high: float) -> np.ndarray:
        return rng.uniform(low, high, COUNT)

    def by_ratio(low: float, high: float) -> np.ndarray:
        return np.exp(rng.uniform(np.log(low), np.log(high), COUNT))

    v = by_ratio(0.06, 30.0)
    fan = rng.random(COUNT) < 0.5
    sheet = 6 * v ** (2 / 3) / 0.26
    mist = v * by_ratio(0.03, 0.8)
    rooms = Rooms(
        volume_m3=v, air_changes_h=by_ratio(1.0, 12.0), mist_l_h=mist,
        room_temp_c=even(12, 26), room_rh_pct=even(25, 75),
        evaporating_fraction=even(0.6, 1.0),
        mist_air_changes_h=np.where(fan, even(0, 20), even(0, 2)),
        surface_m2=even(0, 4) * v ** (2 / 3), surface_holds_g_m2=by_ratio(30, 200),
        crop_m2=even(0, 0.5) * v, crop_co2_g_h=even(0, 1.5) * v, heat_w=even(0, 8) * v,
        machines_w=60 * mist + np.where(fan, 5.0 * np.sqrt(v), 0.0), drop_um=by_ratio(2.5, 12),
        wall_w_k=sheet * by_ratio(1 / 3, 1.5), transfer_m_h=by_ratio(6, 25),
        surface_heat_w_m2_k=by_ratio(6, 15), heat_kj_k_m3=np.full(COUNT, 10.0),
    )  # fmt: skip
    cycle = np.round(by_ratio(120, 1200))
    on = np.maximum(5.0, np.round(cycle * by_ratio(0.02, 0.25)))
    return rooms, on, cycle


#: Optional names of the rig with the errors of typed and of measured numbers.
OPTIONAL = {
    "room_temp_c": ("points", 3.0, 1.0), "room_rh_pct": ("points", 10.0, 4.0),
    "evaporating_fraction": ("points", 0.15, 0.05), "mist_air_changes_h": ("ratio", 1.6, 1.15),
    "surface_m2": ("ratio", 1.5, 1.1), "crop_m2": ("ratio", 2.0, 1.2),
    "crop_co2_g_h": ("ratio", 2.0, 1.2), "heat_w": ("points", 10.0, 3.0),
}  # fmt: skip
NEEDED = {"volume_m3": ("chamber_m3", 1.1, 1.03), "air_changes_h": ("air_changes_h", 1.6, 1.15),
          "mist_l_h": ("mist_l_h", 1.25, 1.05)}  # fmt: skip


def as_written(rooms: Rooms, k: int, rng: np.random.Generator) -> dict[str, object]:
    """Write the rig of one room as its grower would."""
    fan = rooms.machines_w[k] - 60 * rooms.mist_l_h[k]
    rig: dict[str, object] = {"fogger_w": 60 * rooms.mist_l_h[k], "fan_w": max(fan, 0.0)}
    measured = []
    for name, (key, typed, known) in NEEDED.items():
        sure = rng.random() < 0.3
        error = np.log(known if sure else typed)
        rig[key] = float(getattr(rooms, name)[k] * np.exp(rng.uniform(-error, error)))
        measured += [key] if sure else []
    for name, (kind, typed, known) in OPTIONAL.items():
        if rng.random() < 0.5:
            continue
        sure = rng.random() < 0.3
        error, value = known if sure else typed, float(getattr(rooms, name)[k])
        if kind == "ratio":
            value *= float(np.exp(rng.uniform(-np.log(error), np.log(error))))
        else:
            value += float(rng.uniform(-error, error))
        if name not in ("room_temp_c", "heat_w"):
            value = max(value, 0.0)
        rig[name] = min(value, {"room_rh_pct": 100.0, "evaporating_fraction": 1.0}.get(name, 1e9))
        measured += [name] if sure else []
    return rig | {"measured": measured}


def main() -> None:
    """Print coverage and width of the ranges."""
    rng = np.random.default_rng(11)
    rooms, on, cycle = draw(rng)
    seconds = np.arange(HOURS * 3600)
    switched = (seconds[:, None] % cycle < on).astype(float)
    begin = time.process_time()
    rh = follow(rooms, switched)["rh_pct"]
    mean, low = np.empty(COUNT), np.empty(COUNT)
    for k in range(COUNT):
        late = rh[-int(cycle[k] * (3 * 3600 // cycle[k])) :, k]
        mean[k], low[k] = late.mean(), late.min()
    print(f"truth: {time.process_time() - begin:.0f} s of computing")
    begin, rows = time.process_time(), []
    for k in range(COUNT):
        setting = {"on_s": on[k], "off_s": cycle[k] - on[k]}
        seen = foresee(as_written(rooms, k, rng), {"a": setting}, rooms=100, seed=k).table.iloc[0]
        rows.append([seen[f"{name}_rh_pct{end}"] for name in ("mean", "low")
                     for end in ("_from", "", "_to")])  # fmt: skip
    found = np.array(rows)
    print(f"ranges: {time.process_time() - begin:.0f} s of computing")
    for what, truth, (a, m, b) in (("mean", mean, found[:, :3].T), ("lowest", low, found[:, 3:].T)):
        slack = 0.5  # what the plan rounds to
        held = (truth >= a - slack) & (truth <= b + slack)
        print(f"{what}: range holds the truth in {held.sum()} of {COUNT} rooms "
              f"(below it {np.sum(truth < a - slack)}, above it {np.sum(truth > b + slack)}); "
              f"mean width {np.mean(b - a):.1f} points, median {np.median(b - a):.1f}")  # fmt: skip
        for share in (0.9, 0.8, 0.7, 0.6):
            near = (truth >= m - share * (m - a) - slack) & (truth <= m + share * (b - m) + slack)
            print(f"  narrower by {100 * (1 - share):.0f} %: {near.sum()} of {COUNT}")
        everyone = np.quantile(truth, 0.975) - np.quantile(truth, 0.025)
        print(f"  one range for all rooms alike would be {everyone:.1f} points wide")
        moved = (truth > 1) & (truth < 99.5) & (b - a > 2)
        print(f"  rooms short of saturation: {np.mean(held[moved]) * 100:.0f} % of {moved.sum()}")


if __name__ == "__main__":
    main()
