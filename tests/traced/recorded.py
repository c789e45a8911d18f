"""A few traced takes as their pixels' statistics, in one small file: what a machine without the traced light can judge.

    python tests/traced/recorded.py     makes the file again: the light of the rooms in TAKES is needed
"""

from __future__ import annotations

import sys
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from huewright.finding.find import Found
from huewright.finding.observe import Observation
from huewright.finding.pose import plain_pose
from huewright.finding.smear import Smear

from traced.reads import Seen, see_take
from traced.take import CLEAN, HEIGHT, WIDTH, Shooting, Take, Truth

PATH = Path(__file__).with_name("recorded.npz")
# Tuning rooms: an even veil, a flare, uneven gloss, lights of two colours, a bright room, a dark one, a display
# picture, a compressed one, and an ordinary one.
TAKES = (4, 10, 40, 46, 12, 50, 22, 14, 20)
CLEAN_TAKE = CLEAN            # without mirror light
FRAMES = tuple(range(1, 24, 3))
# Light and levels as they were computed; the rest needs no more than three digits.
WHOLE = {"code", "ground", "corners", "linear", "added", "white", "homography", "clipped_at"}
SMEAR, NO_SMEAR = 3, -1.0


def pack(rows: list[Seen]) -> dict[str, np.ndarray]:
    """All frames of one take, stacked field by field."""
    kept = {}
    for row in rows:
        assert row.found is not None and row.observed is not None
    for name in (field.name for field in fields(Observation)):
        if name not in ("smear", "highest_code"):
            kept[name] = np.array([getattr(row.observed, name) for row in rows])
    kept["smear"] = np.array([_smear(row.observed) for row in rows])
    kept["homography"] = np.array([row.found.pose.homography for row in rows if row.found])
    kept["edge_width_px"] = np.array([row.found.edge_width_px for row in rows if row.found])
    for name in (field.name for field in fields(Truth)):
        kept[f"truth {name}"] = np.array([getattr(row.truth, name) for row in rows])
    return {name: values if values.dtype == bool else values.astype(
        np.float32 if name.removeprefix("truth ") in WHOLE else np.float16) for name, values in kept.items()}


def _smear(seen: Observation | None) -> list[float]:
    assert seen is not None
    return [NO_SMEAR] * SMEAR if seen.smear is None else [seen.smear.focus_px, *seen.smear.moved_px.tolist()]


def unpack(kept: dict[str, np.ndarray], take: Shooting) -> list[Seen]:
    wide = {name: values if values.dtype == bool else values.astype(np.float64) for name, values in kept.items()}
    highest = int(2**take.footage.bits - 1)
    rows = []
    for k in range(len(wide["code"])):
        told: dict[str, Any] = {field.name: wide[field.name][k] for field in fields(Observation)
                                if field.name in wide and field.name != "smear"}
        focus, *moved = wide["smear"][k]
        told |= {"smear": None if focus == NO_SMEAR else Smear(float(focus), np.array(moved)), "highest_code": highest,
                 "pixels_per_sample": float(told["pixels_per_sample"])}
        # Half floats leave a covariance off symmetry, which it must have.
        told["noise"] = 0.5 * (told["noise"] + np.swapaxes(told["noise"], 1, 2))
        pose = plain_pose(wide["homography"][k], WIDTH, HEIGHT)
        truth = Truth(**{field.name: wide[f"truth {field.name}"][k] for field in fields(Truth)})
        found = Found(pose.corners(take.card), wide["homography"][k], 3.0, pose, float(wide["edge_width_px"][k]))
        rows.append(Seen(truth, found, Observation(**told)))
    return rows


def recorded_take(number: int) -> tuple[Shooting, list[Seen]]:
    take = Shooting(number)
    with np.load(PATH) as kept:
        mine = {name.partition(" ")[2]: kept[name] for name in kept.files if name.partition(" ")[0] == str(number)}
    return take, unpack(mine, take)


def main() -> None:
    kept = {}
    for number in (*TAKES, CLEAN_TAKE):
        rows = see_take(Take(number), FRAMES)
        kept |= {f"{number} {name}": values for name, values in pack([row for row in rows if row.found]).items()}
        print(number, flush=True)
    np.savez_compressed(PATH, **kept)


if __name__ == "__main__":
    main()
