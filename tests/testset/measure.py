"""Measures finding, reading and grading on the whole generated test set and prints the figures.

    python tests/testset/measure.py [--frames 510] [--empty 500] [--processes 2]

Every figure is over frames drawn from fixed seeds. "Within the limits" are the frames of which at least 80 % of the
card is visible (not cut, not hidden, not outshone by a reflection). A patch counts as carrying a reflection where it
shifts the patch's mean by more than 1 % of the code range; a frame as clean where no patch is shifted by over 0.25 %.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from huewright.finding.find import find_card
from huewright.finding.grade import judge
from huewright.finding.layout import own_card
from huewright.finding.light import LinearLight
from huewright.finding.read import read_patches
from huewright.models.card import Card

from testset.backgrounds import background
from testset.draw import KINDS, conditions
from testset.scene import FOOTAGE, compose, empty

REFLECTS, CLEAN = 0.01, 0.0025
SEED = 2024
# Reasons of a refusal that a frame without a reflection and within the limits should not get.
WRONG_ON_CLEAN = {"glare", "uneven"}


def one_with_card(index: int, card: Card | None = None, width: int = 1920, height: int = 1080) -> dict[str, Any]:
    """Draws, finds, reads and judges frame ``index``; everything that the figures need."""
    card = card or own_card()
    rng = np.random.default_rng([SEED, index])
    kind = KINDS[index % len(KINDS)]
    c = conditions(rng, card, kind, width=width, height=height)
    scene, label = background(rng, width, height)
    frame, truth = compose(card, scene, c, rng)
    row: dict[str, Any] = {"index": index, "kind": kind, "label": label, "coding": c.coding,
                           "visible": truth.visible_card, "found": False}
    start = time.perf_counter()
    found = find_card(frame, card, pixel_aspect=c.pixel_aspect)
    row["find_s"] = time.perf_counter() - start
    if found is None:
        return row
    errors = np.linalg.norm(found.corners - truth.corners, axis=1)
    row.update(found=True, corner_errors=errors, right=bool(errors.max() < 0.05 * c.size * width))
    light = LinearLight(FOOTAGE[c.coding])
    high = 1e9 if c.coding == "linear" else 1.0
    raw = read_patches(frame, card, found, light, clip_low=-high if high > 1 else 0.0, clip_high=high)
    judged = judge(raw, card, found, index)
    seen = truth.visible > 0.99
    excluded = np.array([patch.excluded for patch in judged.reading.patches])
    clipped = np.array([max(patch.clipped) > 0.01 for patch in judged.reading.patches])
    reflecting = (truth.glare > REFLECTS) & seen
    row.update(refused=bool(judged.reasons), kinds=judged.kinds, reflecting=bool(reflecting.any()),
               let_through=bool(not judged.reasons and (reflecting & ~excluded).any()),
               clean=bool(truth.glare[seen].max(initial=0) < CLEAN),
               wrongly_refused=bool(set(judged.kinds) & WRONG_ON_CLEAN))
    read = seen & ~excluded & ~clipped
    off = np.abs(raw.code - truth.patches).max(axis=1)
    row["patch_errors"] = off[read]
    row["wrongly_excluded"] = int((excluded & seen & ~clipped & (truth.glare < CLEAN)).sum())
    return row


def one_empty(index: int, width: int = 1920, height: int = 1080) -> dict[str, Any]:
    """Draws picture ``index`` without a card and looks for one."""
    card = own_card()
    rng = np.random.default_rng([SEED, 1_000_000, index])
    c = conditions(rng, card, KINDS[index % len(KINDS)], width=width, height=height)
    scene, label = background(rng, width, height)
    frame = empty(scene, c, rng)
    start = time.perf_counter()
    found = find_card(frame, card)
    return {"index": index, "label": label, "found": found is not None, "find_s": time.perf_counter() - start}


def uhd_times(count: int = 12) -> list[float]:
    """Seconds to find the card in UHD frames, best of three each (the first call's compilation left out)."""
    card = own_card()
    times = []
    for index in range(count):
        rng = np.random.default_rng([SEED, 2_000_000, index])
        c = conditions(rng, card, KINDS[index % len(KINDS)], width=3840, height=2160)
        scene, _ = background(rng, 3840, 2160)
        frame, _ = compose(card, scene, c, rng)
        find_card(frame, card)
        spent = []
        for _ in range(3):
            start = time.perf_counter()
            find_card(frame, card)
            spent.append(time.perf_counter() - start)
        times.append(min(spent))
    return times


def _prepare() -> None:
    cv2.setNumThreads(1)


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--frames", type=int, default=510)
    options.add_argument("--empty", type=int, default=500)
    options.add_argument("--uhd", type=int, default=12)
    options.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    asked = options.parse_args()
    with ProcessPoolExecutor(asked.processes, initializer=_prepare) as pool:
        rows = list(pool.map(one_with_card, range(asked.frames), chunksize=4))
        bare = list(pool.map(one_empty, range(asked.empty), chunksize=4))
    report(rows, bare)
    if asked.uhd:
        times = 1000 * np.array(uhd_times(asked.uhd))
        print(f"find in a UHD frame, ms, best of three each: median {np.median(times):.0f}, worst {times.max():.0f}")


def report(rows: list[dict[str, Any]], bare: list[dict[str, Any]]) -> None:
    """Prints the figures."""
    if bare:
        false = [row for row in bare if row["found"]]
        print(f"false finds {len(false)} of {len(bare)} pictures without a card",
              [(row["index"], row["label"]) for row in false] or "")
        times = 1000 * np.array([row["find_s"] for row in bare])
        print(f"find in an HD frame without a card, one thread, ms: median {np.median(times):.0f}, "
              f"95 % {np.percentile(times, 95):.0f}")
    if not rows:
        return
    fair = [row for row in rows if row["visible"] >= 0.8]
    found = [row for row in fair if row["found"] and row["right"]]
    wrong = [row for row in rows if row["found"] and not row["right"]]
    errors = np.concatenate([row["corner_errors"] for row in found])
    print(f"frames with a card {len(rows)}, within the limits {len(fair)}")
    print(f"found {100 * len(found) / len(fair):.1f} % ({len(found)}); found in a wrong place {len(wrong)}")
    for kind in KINDS:
        these = [row for row in fair if row["kind"] == kind]
        got = [row for row in these if row["found"] and row["right"]]
        worst = np.concatenate([row["corner_errors"] for row in got]) if got else np.array([np.nan])
        print(f"    {kind:13s} {len(got)}/{len(these)}  corners median {np.median(worst):.2f} "
              f"worst {worst.max():.2f} px")
    missed = [f"{row['index']} ({row['kind']})" for row in fair if not row["found"]]
    print("    missed:", ", ".join(missed) or "none")
    print(f"corner error px: median {np.median(errors):.2f}, 99th percentile {np.percentile(errors, 99):.2f}, "
          f"worst {errors.max():.2f}")
    good = [row for row in found if row["clean"] and not row["refused"] and len(row["patch_errors"])]
    off = np.concatenate([row["patch_errors"] for row in good])
    frames_off = np.array([row["patch_errors"].max() for row in good])
    print(f"patch means on {len(good)} frames graded clean, error of the code range: "
          f"median {100 * np.median(off):.3f} %, 99th percentile {100 * np.percentile(off, 99):.3f} %, "
          f"worst {100 * off.max():.3f} %; within 0.5 %: {100 * (off <= 0.005).mean():.2f} % of patches, "
          f"{100 * (frames_off <= 0.005).mean():.1f} % of frames in all patches")
    shiny = [row for row in found if row["reflecting"]]
    caught = [row for row in shiny if not row["let_through"]]
    print(f"reflection refused or its patch excluded {100 * len(caught) / max(len(shiny), 1):.1f} % of {len(shiny)}")
    clean = [row for row in found if row["clean"]]
    refused = [row for row in clean if row["wrongly_refused"]]
    excluded = sum(row["wrongly_excluded"] for row in clean)
    print(f"clean frames refused for a reflection or uneven light {100 * len(refused) / max(len(clean), 1):.1f} % of "
          f"{len(clean)}; for any reason {100 * sum(row['refused'] for row in clean) / max(len(clean), 1):.1f} % "
          f"(clipped, blurred, small and so on included); clean patches excluded {excluded}")
    times = 1000 * np.array([row["find_s"] for row in rows])
    print(f"find in an HD frame with a card, one thread, ms: median {np.median(times):.0f}, "
          f"95 % {np.percentile(times, 95):.0f}")


if __name__ == "__main__":
    main()
