"""Things of known reflectance beside the card, never used to solve: what each method makes of them.

A matt sphere and a hanging cloth stand beside the card in each room, in the light that was traced there. They are
"painted" with the 190 reflectances of the Academy's P-2013-001 training data in turn, which neither card, nor the
prior, nor the traced cameras' matrices know. What one should look like:

    its reflectance r under the card's own illuminant, filtered by L' / L, spectrum by spectrum: the light L' that falls
    on it against the light L on the card (its mean over the chosen frames, at the level that a merge sets them to)

which is the colour that the card gives a patch of reflectance r L' / L. Where L' leaves
0.2 to 1.1 of the card's light in a channel there is no thing, nor where the display doesn't show its colour well.

    python tests/traced/beside.py [--judging] [--rooms FIRST COUNT] [--rows FILE]
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import os
import sys
from collections.abc import Sequence
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from external.test_things_beside_the_card import SHAPE
from external.test_things_beside_the_card import things as reflectances
from huewright.colorimetry.display import display_named, from_ycbcr, to_ycbcr
from huewright.colorimetry.targets import delta_e, reference_rgb
from huewright.errors import InputError, NoAnswerError
from huewright.models.card import Patch
from huewright.models.settings import METHODS
from huewright.reference import apply_chain
from huewright.solver.answer import solve
from huewright.solver.compare import ROUGH, compare

from traced.figures import LUMA, codes_of, settings_of
from traced.reads import seen_take, survey_seen
from traced.scene import BANDS, JUDGING, room
from traced.take import Take, Truth, _fine, _shine

NEAR = (0.1, 0.3)            # CIEDE2000 from the best that a recommendation may be
LEVEL = 0.7                  # of the card's light: the place on a thing that comes nearest is the one looked at
LIT = (0.2, 1.1)             # of the card's light, in each channel
SHOWN = (0.03, 1.0)          # signal within which a thing's own colour is shown well
FEWEST = 6


def things(take: Take, truths: Sequence[Truth], chosen: Sequence[int]) -> tuple[np.ndarray, np.ndarray]:
    """(n, 3) code values of the things beside the card, without noise, and (n, 3) the display signal wanted."""
    white = np.exp(np.mean([np.log(truths[k].white) for k in chosen], axis=0))
    usual = np.mean([take._usual(take.light.diffuse[k])[0] for k in chosen], axis=0)
    usual = usual * white[1] / np.einsum("lb,lbc->c", usual, take._white)[1]
    beside = take.light.beside * take._gain                            # lamps, 2, rows, columns, bands
    linear, patches = [], []
    for k, row in enumerate(reflectances()):
        there = beside[:, k % 2]
        share = np.einsum("lyxb,lbc->yxc", there, take._white) / white
        y, x = np.unravel_index(int(np.abs(share[..., 1] - LEVEL).argmin()), share.shape[:2])
        if share[y, x].min() < LIT[0] or share[y, x].max() > LIT[1]:
            continue
        reflectance = np.interp(_fine(), SHAPE.wavelengths, row)
        linear.append(np.einsum("lb,lbc->c", there[:, y, x], take._camera.per_band(reflectance)))
        seen = reflectance * _spectrum(take, there[:, y, x]) / _spectrum(take, usual)
        patches.append(Patch(str(k), "check", ((0, 0), (1, 0), (1, 1), (0, 1)), wavelengths_nm=tuple(_fine().tolist()),
                             reflectance=tuple(seen.tolist())))
    if not patches:
        return np.empty((0, 3)), np.empty((0, 3))
    wanted = np.array(list(reference_rgb(dataclasses.replace(take.card, patches=tuple(patches), marks=())).values()))
    shown = np.all((wanted > SHOWN[0]) & (wanted < SHOWN[1]), axis=1)
    return codes_of(take, np.array(linear)[shown]), wanted[shown]


def _spectrum(take: Take, light: np.ndarray) -> np.ndarray:
    """(wavelengths,) of light (lamps, bands)."""
    band = np.clip(((_fine() - BANDS[0][0]) / (BANDS[0][1] - BANDS[0][0])).astype(int), 0, len(BANDS) - 1)
    return np.asarray(np.einsum("lw,lw->w", np.array([_shine(name) for name in take.shot.lights]), light[:, band]))


def measure(number: int) -> dict[str, Any] | None:
    take, seen = Take(number), seen_take(number)
    survey, _ = survey_seen(take, seen)
    if survey.reading is None:
        return None
    codes, wanted = things(take, [row.truth for row in seen], survey.chosen)
    if len(codes) < FEWEST:
        return None
    settings = settings_of(take)
    errors: dict[str, tuple[float, float]] = {}
    for method in METHODS:
        try:
            correction = solve(survey.reading, take.card, take.footage, dataclasses.replace(settings, method=method))
        except (InputError, NoAnswerError):
            continue
        for name, operations in (("before", correction.neutral_operations), (method, correction.operations)):
            off = _off(operations, codes, wanted)
            errors[name] = (float(off.mean()), float(off.max()))
    if not errors:
        return None
    rows = compare(survey.reading, take.card, take.footage, settings)
    return {"take": number, "kind": take.scene.kind, "layout": take.shot.layout, "way": take.shot.way,
            "camera": take.shot.camera, "things": len(codes), "errors": errors,
            "recommended": next(row.method for row in rows if row.recommended),
            "untold": [(one.method, one.nearer, one.farther) for row in rows for one in row.untold],
            "checks": {row.method: row.check_delta_e_mean for row in rows},
            "may_be": [row.method for row in rows if row.refused is None and not row.folded_fraction
                       and (row.worst_local_gain or 0) <= ROUGH]}


def _off(operations: Any, codes: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    shown = from_ycbcr(to_ycbcr(apply_chain(operations, codes), LUMA), LUMA)
    return np.asarray(delta_e(shown, wanted, display_named("bt709").name))


def summary(rows: list[dict[str, Any]]) -> dict[str, str]:
    """Losses are against the best of the methods that may be recommended at all."""
    said: dict[str, str] = {}
    for method in ("before", *METHODS):
        means = [row["errors"][method] for row in rows if method in row["errors"]]
        if means:
            said[method] = f"mean {np.mean([m for m, _ in means]):.2f}, worst {np.mean([w for _, w in means]):.2f}"
    lost, held = [], []
    for row in rows:
        mean = {method: row["errors"][method][0] for method in row["may_be"] if method in row["errors"]}
        chosen = row["errors"][row["recommended"]][0]
        lost.append(chosen - min([chosen, *mean.values()]))
        held += [-nearer <= mean[method] - chosen <= farther for method, nearer, farther in row["untold"]]
    share = ", ".join(f"within {near} of the best in {100 * np.mean(np.array(lost) <= near):.0f} %" for near in NEAR)
    said["recommended"] = (f"{share} of {len(lost)}; lost {np.mean(lost):.3f} in the mean, 95th percentile "
                           f"{np.quantile(lost, 0.95):.2f}, most {np.max(lost):.2f}")
    if held:
        said["not told apart"] = f"what is said of them holds for {100 * np.mean(held):.0f} % of {len(held)}"
    return said


def main() -> None:
    parser = argparse.ArgumentParser(description="What each method makes of things beside the card.")
    parser.add_argument("--judging", action="store_true")
    parser.add_argument("--rooms", type=int, nargs=2, metavar=("FIRST", "COUNT"), default=(0, 30))
    parser.add_argument("--rows", type=Path, help="where the rows go, as JSON")
    given = parser.parse_args()
    first = given.rooms[0] + (JUDGING if given.judging else 0)
    rooms = [seed for seed in range(first, first + given.rooms[1]) if not room(seed).walled_off]
    with get_context("spawn").Pool(min(2, len(os.sched_getaffinity(0)))) as pool:
        rows = [row for row in pool.map(measure, [2 * seed + way for seed in rooms for way in (0, 1)], 1) if row]
    if given.rows:
        given.rows.write_text(json.dumps(rows))
    for name, text in summary(rows).items():
        print(f"{name:20s} {text}")


if __name__ == "__main__":
    main()
