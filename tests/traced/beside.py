"""Things of known reflectance beside the card, never used to solve: what each method makes of them.

A matt sphere and a hanging cloth stand beside the card in each room, in the light that was traced there. They are
"painted" with the other layout's reflectances in turn. What they should look like is their reference colour in the
light that falls on them, against the light on the card: the reference light's colour, scaled channel by channel.

    python tests/traced/beside.py [--judging] [--rooms FIRST COUNT]
"""

from __future__ import annotations

import argparse
import dataclasses
import os
import sys
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from huewright.colorimetry.display import display_named, from_ycbcr, to_ycbcr
from huewright.colorimetry.targets import delta_e, reference_rgb
from huewright.errors import InputError, NoAnswerError
from huewright.models.settings import METHODS
from huewright.reference import apply_chain
from huewright.solver.answer import solve
from huewright.solver.compare import compare

from traced.figures import LUMA, codes_of, settings_of
from traced.reads import seen_take, survey_seen
from traced.scene import JUDGING
from traced.take import Take, _reflectance, card_of

NEAR = 0.1        # CIEDE2000 from the best that a recommendation may be


def things(take: Take) -> tuple[np.ndarray, np.ndarray]:
    """(n, 3) code values of the things beside the card, without noise, and (n, 3) the display signal wanted."""
    other = card_of("iso" if take.shot.layout == "ours" else "ours")
    reference = reference_rgb(other, "bt709")
    beside = take.light.beside * take._gain                            # lamps, 2, rows, columns, bands
    white_there = np.einsum("ltyxb,lbc->tyxc", beside, take._white)
    usual, _ = take._usual(take.light.diffuse[12])
    white = np.einsum("lb,lbc->c", usual, take._white)
    codes, wanted = [], []
    display = display_named("bt709")
    for k, patch in enumerate(other.patches):
        if patch.name not in reference:
            continue
        thing = k % 2
        level = white_there[thing, ..., 1] / white[1]
        y, x = np.unravel_index(int(np.abs(level - 0.7).argmin()), level.shape)
        light = np.einsum("lb,lbc->c", beside[:, thing, y, x], take._camera.per_band(_reflectance(patch)))
        ratio = white_there[thing, y, x] / white
        linear = apply_chain(display.decode, np.array([reference[patch.name]]))[0] * ratio
        if ratio.max() > 1.1 or ratio.min() < 0.2:
            continue
        codes.append(light)
        wanted.append(apply_chain(display.encode, linear[None])[0])
    return codes_of(take, np.array(codes).reshape(-1, 3)), np.array(wanted).reshape(-1, 3)


def measure(number: int) -> dict[str, Any] | None:
    take = Take(number)
    survey, _ = survey_seen(take, seen_take(number))
    codes, wanted = things(take)
    if survey.reading is None or len(codes) < 6:
        return None
    settings = settings_of(take)
    errors: dict[str, tuple[float, float]] = {}
    for method in METHODS:
        try:
            correction = solve(survey.reading, take.card, take.footage, dataclasses.replace(settings, method=method))
        except (InputError, NoAnswerError):
            continue
        if not errors:
            off = _off(correction.neutral_operations, codes, wanted)
            errors["before"] = (float(off.mean()), float(off.max()))
        off = _off(correction.operations, codes, wanted)
        errors[method] = (float(off.mean()), float(off.max()))
    rows = compare(survey.reading, take.card, take.footage, settings)
    chosen = next(_field(row, "method") for row in rows if _field(row, "recommended"))
    return {"take": number, "kind": take.scene.kind, "layout": take.shot.layout, "way": take.shot.way,
            "camera": take.shot.camera, "errors": errors, "recommended": chosen,
            "checks": {_field(row, "method"): _field(row, "check_delta_e_mean") for row in rows}}


def _field(row: Any, name: str) -> Any:
    return row[name] if isinstance(row, dict) else getattr(row, name)


def _off(operations: Any, codes: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    shown = from_ycbcr(to_ycbcr(apply_chain(operations, codes), LUMA), LUMA)
    return np.asarray(delta_e(shown, wanted, display_named("bt709").name))


def summary(rows: list[dict[str, Any]]) -> dict[str, str]:
    said: dict[str, str] = {}
    for method in ("before", *METHODS):
        means = [row["errors"][method] for row in rows if method in row["errors"]]
        said[method] = f"mean {np.mean([m for m, _ in means]):.2f}, worst {np.mean([w for _, w in means]):.2f}"
    lost = np.array([row["errors"][row["recommended"]][0] - min(
        mean for method, (mean, _) in row["errors"].items() if method != "before")
        for row in rows if row["recommended"] in row["errors"]])
    said["recommended"] = (f"within {NEAR} of the best in {100 * np.mean(lost <= NEAR):.0f} % of {len(lost)}; lost "
                           f"median {np.median(lost):.2f}, 95th {np.quantile(lost, 0.95):.2f}")
    return said


def main() -> None:
    parser = argparse.ArgumentParser(description="What each method makes of things beside the card.")
    parser.add_argument("--judging", action="store_true")
    parser.add_argument("--rooms", type=int, nargs=2, metavar=("FIRST", "COUNT"), default=(0, 30))
    given = parser.parse_args()
    first = given.rooms[0] + (JUDGING if given.judging else 0)
    with get_context("spawn").Pool(min(2, len(os.sched_getaffinity(0)))) as pool:
        rows = [row for row in pool.map(measure, [2 * room for room in range(first, first + given.rooms[1])], 1) if row]
    for name, text in summary(rows).items():
        print(f"{name:20s} {text}")


if __name__ == "__main__":
    main()
