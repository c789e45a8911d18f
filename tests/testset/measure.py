"""Measures finding, reading and grading on the whole generated test set and prints the figures.

    python tests/testset/measure.py --rows rows.jsonl [--frames 400] [--empty 500] [--takes 4] [--uhd 12]
                                    [--start 0] [--processes 2]

It is long: every frame's row goes to the file of rows as soon as it is there, and the same command goes on where it
was stopped. --start and the counts measure a part; the report is over all rows in the file.

Every figure is over frames drawn from fixed seeds. A frame counts if at least 80 % of the card is visible, that is, in
the frame and not hidden; what a reflection outshines is visible. Its figures are given twice: over all of them, and
over those within the finder's stated limits (LIMITS). A patch counts as carrying a reflection where it shifts the
patch's mean by more than 1 % of the code range; a frame as clean where no patch is shifted by over 0.25 %.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import huewright.finding.find as finder
from huewright.cards.own import own_card
from huewright.finding.find import find_card
from huewright.finding.grade import judge
from huewright.finding.light import LinearLight
from huewright.finding.read import read_patches
from huewright.models.card import Card

from testset.backgrounds import background
from testset.decoys import EMPTY_KINDS, empty_scene, grid_chart
from testset.draw import KINDS, beside, conditions
from testset.scene import FOOTAGE, Plane, compose, empty, insert
from testset.takes import take

REFLECTS, CLEAN = 0.01, 0.0025
SEED = 2024
# What the finder claims to find the card under, beyond the limits that the frames are drawn in: how far the card
# travels in one exposure, over its width, and the share of it that a reflection outshines. Cards smeared farther are
# mostly found still, but their edges run into one another and the corners err; the grade refuses nearly all of these.
LIMITS = {"motion": 0.05, "outshone": 0.10}
# Reasons of a refusal that a frame without a reflection and within the limits should not get.
WRONG_ON_CLEAN = {"glare", "uneven"}


def one_with_card(index: int, card: Card | None = None, width: int = 1920, height: int = 1080) -> dict[str, Any]:
    """Draws, finds, reads and judges frame ``index``; everything that the figures need."""
    card = card or own_card()
    rng = np.random.default_rng([SEED, index])
    kind = KINDS[index % len(KINDS)]
    c = conditions(rng, card, kind, width=width, height=height)
    scene, label = background(rng, width, height, "clutter" if kind == "clutter" else None)
    places = []
    if kind == "other card":
        insert(scene, grid_chart(rng), beside(rng, c))
    elif kind == "two cards":
        second = beside(rng, c)
        insert(scene, card, second)
        places.append(Plane(card, second).to_pixels(np.array(card.corners)))
    frame, truth = compose(card, scene, c, rng)
    places.insert(0, truth.corners)
    row: dict[str, Any] = {"index": index, "kind": kind, "label": label, "coding": c.coding,
                           "visible": truth.visible_card, "outshone": truth.outshone, "size": c.size,
                           "motion": float(np.hypot(*c.motion_px)) / (c.size * width), "tilt_deg": c.tilt_deg,
                           "exposure_stops": c.exposure_stops, "found": False}
    start = time.perf_counter()
    found = find_card(frame, card, pixel_aspect=c.pixel_aspect)
    row["find_s"] = time.perf_counter() - start
    if found is None:
        return row
    errors = min((np.linalg.norm(found.corners - place, axis=1) for place in places), key=np.max)
    row.update(found=True, corner_errors=errors, right=bool(errors.max() < 0.05 * c.size * width), score=found.score)
    if found.evidence is not None:
        row["evidence"] = [round(value, 3) for value in vars(found.evidence).values()]
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
    # Of two cards either may be found; the truth of the patches is the first one's.
    ours = bool(np.abs(found.corners - truth.corners).max() < 0.05 * c.size * width)
    read = seen & ~excluded & ~clipped & ours
    off = np.abs(raw.code - truth.patches).max(axis=1)
    row["patch_errors"] = off[read]
    row["wrongly_excluded"] = int((excluded & seen & ~clipped & (truth.glare < CLEAN)).sum())
    return row


def one_empty(index: int, width: int = 1920, height: int = 1080) -> dict[str, Any]:
    """Draws picture ``index`` without a card and looks for one."""
    card = own_card()
    rng = np.random.default_rng([SEED, 1_000_000, index])
    kind = EMPTY_KINDS[index % len(EMPTY_KINDS)]
    scene, c, label = empty_scene(rng, card, kind, width, height)
    frame = empty(scene, c, rng)
    start = time.perf_counter()
    found = find_card(frame, card)
    row: dict[str, Any] = {"index": index, "kind": kind, "label": label, "found": found is not None,
                           "find_s": time.perf_counter() - start}
    if found is not None and found.evidence is not None:
        row.update(score=found.score, evidence=[round(value, 3) for value in vars(found.evidence).values()],
                   corners=found.corners)
    return row


def one_take(index: int, width: int = 1920, height: int = 1080) -> dict[str, Any]:
    """Follows the card through take ``index`` as a survey does; one entry a frame."""
    card = own_card()
    frames = []
    before = None
    for frame, truth in take(index, card, width, height):
        hinted = before is not None
        start = time.perf_counter()
        before = find_card(frame, card, hint=before)
        spent = time.perf_counter() - start
        entry: dict[str, Any] = {"visible": truth.visible_card, "found": before is not None, "hinted": hinted,
                                 "find_s": spent, "motion": float(np.hypot(*truth.conditions.motion_px)) / (
                                     truth.conditions.size * width)}
        if before is not None:
            entry["corner_errors"] = np.linalg.norm(before.corners - truth.corners, axis=1)
        frames.append(entry)
    return {"index": index, "frames": frames}


def one_uhd(index: int) -> dict[str, Any]:
    """Milliseconds (best and median of five) to find the card in a UHD frame alone and from a hint, and to find that
    there is none, each with OpenCV's own threads."""
    card = own_card()
    rng = np.random.default_rng([SEED, 2_000_000, index])
    c = conditions(rng, card, KINDS[index % len(KINDS)], width=3840, height=2160)
    scene, label = background(rng, 3840, 2160)
    bare = empty(scene, c, rng)
    frame, _ = compose(card, scene, c, rng)
    found = find_card(frame, card, pixel_aspect=c.pixel_aspect)
    jobs: dict[str, Callable[[], object]] = {"alone": lambda: find_card(frame, card, pixel_aspect=c.pixel_aspect),
                                             "none": lambda: find_card(bare, card)}
    if found is not None:
        jobs["tracked"] = lambda: find_card(frame, card, hint=found, pixel_aspect=c.pixel_aspect)
    row: dict[str, Any] = {"index": index, "label": label, "found": found is not None}
    for name, job in jobs.items():
        job()
        spent, worked = [], []
        for _ in range(5):
            start, busy = time.perf_counter(), time.process_time()
            job()
            spent.append(1000 * (time.perf_counter() - start))
            worked.append(1000 * (time.process_time() - busy))
        row[name] = {"best": min(spent), "median": float(np.median(spent)), "cpu": min(worked)}
    return row


MEASURES: dict[str, Callable[[int], dict[str, Any]]] = {"frames": one_with_card, "empty": one_empty, "takes": one_take,
                                                        "uhd": one_uhd}


def version() -> str:
    """Which code the rows come from: a digest of the finder's and the test set's files."""
    digest = hashlib.sha256()
    for folder in (Path(finder.__file__).parent, Path(__file__).parent):
        for path in sorted(folder.glob("*.py")):
            digest.update(path.read_bytes())
    return digest.hexdigest()[:10]


def _prepare() -> None:
    cv2.setNumThreads(1)


def _plain(value: Any) -> Any:
    return value.tolist() if isinstance(value, np.ndarray | np.generic) else list(value)


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--rows", type=Path, required=True, help="file of rows, made or gone on with")
    options.add_argument("--start", type=int, default=0, help="the first index of each kind")
    for name, count in (("frames", 400), ("empty", 500), ("takes", 4), ("uhd", 12)):
        options.add_argument(f"--{name}", type=int, default=count, metavar="COUNT")
    options.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    asked = options.parse_args()
    rows = read_rows(asked.rows)
    code = version()
    with asked.rows.open("a", encoding="utf-8") as out:
        for what, measure in MEASURES.items():
            done = {row["index"] for row in rows if row["what"] == what}
            wanted = [k for k in range(asked.start, asked.start + getattr(asked, what)) if k not in done]
            for count, row in enumerate(_measured(measure, wanted, 1 if what == "uhd" else asked.processes), 1):
                line = json.dumps({"what": what, "code": code, **row}, default=_plain)
                out.write(line + "\n")
                out.flush()
                rows.append(json.loads(line))
                print(f"\r{what}: {count} of {len(wanted)}, {len(done)} were there", end="", file=sys.stderr)
            if wanted:
                print(file=sys.stderr)
    report(rows)


def _measured(measure: Callable[[int], dict[str, Any]], wanted: list[int], processes: int) -> Iterator[dict[str, Any]]:
    if processes == 1:
        yield from map(measure, wanted)
        return
    with ProcessPoolExecutor(processes, initializer=_prepare) as pool:
        yield from pool.map(measure, wanted)


def read_rows(path: Path) -> list[dict[str, Any]]:
    """The rows in ``path``; of a row that is there twice the later counts, half a last line counts as none."""
    rows: dict[tuple[str, int], dict[str, Any]] = {}
    if path.exists():
        text = path.read_text(encoding="utf-8")
        whole = text[: text.rfind("\n") + 1]
        if whole != text:
            path.write_text(whole, encoding="utf-8")
        for line in whole.splitlines():
            row = json.loads(line)
            rows[row["what"], row["index"]] = row
    return list(rows.values())


def report(rows: list[dict[str, Any]]) -> None:
    """Prints the figures."""
    versions = {row["code"] for row in rows}
    if len(versions) > 1:
        print(f"CAUTION: rows from {len(versions)} versions of the code")
    for what, tell in (("empty", _report_empty), ("frames", _report_frames), ("takes", _report_takes),
                       ("uhd", _report_uhd)):
        these = sorted((row for row in rows if row["what"] == what), key=lambda row: row["index"])
        if these:
            tell(these)


def _report_empty(rows: list[dict[str, Any]]) -> None:
    false = [row for row in rows if row["found"]]
    print(f"false finds {len(false)} of {len(rows)} pictures without a card")
    for row in false:
        print(f"    {row['index']}: {row['label']} {row.get('evidence')}")
    kinds = {kind: sum(row["kind"] == kind for row in rows) for kind in dict.fromkeys(EMPTY_KINDS)}
    print("    of each kind:", ", ".join(f"{kind} {count}" for kind, count in kinds.items()))
    _say_times(rows, "without a card")


def _say_times(rows: list[dict[str, Any]], which: str) -> None:
    times = 1000 * np.array([row["find_s"] for row in rows])
    print(f"find in an HD frame {which}, one thread, ms: median {np.median(times):.0f}, "
          f"95 % {np.percentile(times, 95):.0f}")


def within_limits(row: dict[str, Any]) -> bool:
    return all(row[name] <= most for name, most in LIMITS.items())


def _report_frames(rows: list[dict[str, Any]]) -> None:
    visible = [row for row in rows if row["visible"] >= 0.8]
    print(f"frames with a card {len(rows)}, at least 80 % of it visible in {len(visible)}")
    _report_finding(visible, "all of these")
    limits = ", ".join(f"{name} at most {100 * most:.0f} %" for name, most in LIMITS.items())
    _report_finding([row for row in visible if within_limits(row)], f"within the stated limits ({limits})")
    wrong = [row["index"] for row in rows if row["found"] and not row["right"]]
    print(f"found in a wrong place {len(wrong)}", wrong or "")
    _report_reading([row for row in visible if row["found"] and row["right"]])
    _say_times(rows, "with a card")


def _report_finding(rows: list[dict[str, Any]], title: str) -> None:
    found = [row for row in rows if row["found"] and row["right"]]
    errors = np.concatenate([row["corner_errors"] for row in found])
    print(f"{title}: found {len(found)} of {len(rows)}, {100 * len(found) / len(rows):.1f} %; corner error px: "
          f"median {np.median(errors):.2f}, 99th percentile {np.percentile(errors, 99):.2f}, worst {errors.max():.2f}")
    for kind in KINDS:
        these = [row for row in rows if row["kind"] == kind]
        got = [row for row in these if row["found"] and row["right"]]
        worst = np.concatenate([row["corner_errors"] for row in got]) if got else np.array([np.nan])
        print(f"    {kind:13s} {len(got)}/{len(these)}  corners median {np.median(worst):.2f} "
              f"worst {worst.max():.2f} px")
    missed = [f"{row['index']} ({row['kind']}, motion {100 * row['motion']:.1f} %, "
              f"outshone {100 * row['outshone']:.0f} %)" for row in rows if not row["found"]]
    print("    missed:", ", ".join(missed) or "none")


def _report_reading(found: list[dict[str, Any]]) -> None:
    good = [row for row in found if row["clean"] and not row["refused"] and len(row["patch_errors"])]
    if good:
        off = np.concatenate([row["patch_errors"] for row in good])
        frames_off = np.array([max(row["patch_errors"]) for row in good])
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


def _report_takes(rows: list[dict[str, Any]]) -> None:
    entries = [entry for row in rows for entry in row["frames"]]
    shown = [entry for entry in entries if entry["visible"] >= 0.8]
    slow = [entry for entry in shown if entry["motion"] <= LIMITS["motion"]]
    for these, title in ((shown, "all"), (slow, "within the limit of motion")):
        errors = np.concatenate([entry["corner_errors"] for entry in these if entry["found"]])
        print(f"{len(rows)} takes, card visible, {title}: found {sum(e['found'] for e in these)} of {len(these)}, "
              f"corner error px: median {np.median(errors):.2f}, 99th percentile {np.percentile(errors, 99):.2f}, "
              f"worst {errors.max():.2f}")
    part = [entry for entry in entries if 0.05 < entry["visible"] < 0.8]
    off = [entry for entry in part if entry["found"] and max(entry["corner_errors"]) > 20]
    gone = [entry for entry in entries if entry["visible"] <= 0.05]
    print(f"    partly visible: found {sum(e['found'] for e in part)} of {len(part)}, over 20 px off {len(off)}; "
          f"gone: found {sum(e['found'] for e in gone)} of {len(gone)}")
    for which, hinted in (("tracked", True), ("without a hint", False)):
        times = [1000 * entry["find_s"] for entry in entries if entry["hinted"] == hinted]
        print(f"    {which}: ms a frame, median {np.median(times):.0f}, 95 % {np.percentile(times, 95):.0f}")


def _report_uhd(rows: list[dict[str, Any]]) -> None:
    for name, title in (("alone", "with a card"), ("tracked", "with a card, from a hint"), ("none", "without a card")):
        these = [row[name] for row in rows if name in row]
        best, median, cpu = (np.array([each[key] for each in these]) for key in ("best", "median", "cpu"))
        print(f"UHD frame {title}, ms over {len(these)} frames, five times each: best {np.median(best):.0f} (worst "
              f"frame {best.max():.0f}), median {np.median(median):.0f} (worst frame {median.max():.0f}); "
              f"processor time {np.median(cpu):.0f} (worst frame {cpu.max():.0f})")


if __name__ == "__main__":
    main()
