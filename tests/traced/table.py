"""What came out of traced takes, case by case, from the rows that measure.py wrote; and finds where no card is.

    python tests/traced/table.py ROWS.json
    python tests/traced/table.py --no-card [--judging] [--rooms FIRST COUNT]
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Iterator
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from huewright.finding.find import find_card

from traced.measure import LIMITS, lands, told
from traced.scene import FRAMES, JUDGING, room
from traced.take import Take, card_of

Row = dict[str, Any]
EVEN = ("plain", "window", "matt", "far", "dim room", "bright room")
CASES: dict[str, Callable[[Row], bool]] = {
    "log, even rooms, our card": lambda row: row["way"] == "log" and row["kind"] in EVEN and row["layout"] == "ours",
    "six by four card": lambda row: row["layout"] == "iso",
    "veil up to 2 % of white": lambda row: 0 < row["veil"] <= 0.02,
    "veil of 3 to 5 %": lambda row: row["veil"] > 0.02,
    "flare in the lens": lambda row: row["flare"] > 0,
    "mixed light": lambda row: row["kind"] == "mixed",
    "a lamp near the card": lambda row: row["kind"] == "near",
    "coloured wall": lambda row: row["kind"] == "spill",
    "display picture, JPEG": lambda row: row["way"] == "compressed",
    "display picture": lambda row: row["way"] == "display",
    "blur of motion or depth": lambda row: row["way"] in ("motion", "depth"),
}
HEAD = ("case", "takes", "frames refused", "bars IRE", "hue deg", "radius %", "land", "good", "of them land",
        "miss, told", "held %")


def line(rows: list[Row]) -> list[str]:
    """Worst bar, hue and radius of a take: the median and the most over the takes; what is called good and lands; what
    misses and is said by its intervals; how often 95 % intervals of readings, bars, hues and radii hold."""
    solved = [row for row in rows if row.get("bars_ire")]
    good = [row for row in solved if row["said"] == "good"]
    missed = [row for row in solved if not lands(row)]
    held = [np.mean([one for row in rows for one in row.get("held_reading", [])] or [np.nan])] + [
        np.mean([one for row in solved for one in row["held"][kind]] or [np.nan]) for kind in ("bar", "hue", "radius")]
    worst = {name: [float(np.abs(row[name]).max()) for row in solved if row[name]] for name in LIMITS}
    worst["radii"] = [100 * value for value in worst["radii"]]
    return [f"{len(solved)} of {len(rows)}", f"{sum(len(row['causes']) for row in rows)} of "
            f"{sum(row['frames'] for row in rows)}",
            *(f"{np.median(worst[name]):.2f}, {max(worst[name]):.2f}" if worst[name] else "-" for name in LIMITS),
            f"{len(solved) - len(missed)}", f"{len(good)}", f"{sum(lands(row) for row in good)}",
            f"{sum(told(row) for row in missed)} of {len(missed)}", " ".join(f"{100 * value:.0f}" for value in held)]


def table(rows: list[Row]) -> Iterator[str]:
    lines = [list(HEAD)] + [[name, *line([row for row in rows if belongs(row)])] for name, belongs in CASES.items()]
    wide = [max(len(cells[k]) for cells in lines) for k in range(len(HEAD))]
    for cells in lines:
        yield "  ".join(cell.ljust(width) for cell, width in zip(cells, wide, strict=True)).rstrip()


def finds(number: int) -> tuple[int, int, int, int]:
    """(pictures of the room alone, cards found in them, pictures of the other layout's card, cards found in them)."""
    take = Take(number)
    other = card_of("iso" if take.shot.layout == "ours" else "ours")
    rng = np.random.default_rng([82, number])
    alone = take._coded(take._behind().astype(np.float32), rng)
    found = [find_card(alone, card) is not None for card in (take.card, other)]
    wrong = [find_card(codes, other) is not None for codes, _ in take.frames((0, FRAMES // 2))]
    return len(found), sum(found), len(wrong), sum(wrong)


def main() -> None:
    parser = argparse.ArgumentParser(description="Traced takes, case by case; and finds where no card is.")
    parser.add_argument("rows", type=Path, nargs="?")
    parser.add_argument("--no-card", action="store_true")
    parser.add_argument("--judging", action="store_true")
    parser.add_argument("--rooms", type=int, nargs=2, metavar=("FIRST", "COUNT"), default=(0, 30))
    given = parser.parse_args()
    if given.rows is not None:
        print("\n".join(table(json.loads(given.rows.read_text()))))
    if given.no_card:
        first = given.rooms[0] + (JUDGING if given.judging else 0)
        numbers = [2 * seed for seed in range(first, first + given.rooms[1]) if not room(seed).walled_off]
        with get_context("spawn").Pool(len(os.sched_getaffinity(0))) as pool:
            alone, found, shown, wrong = np.sum(pool.map(finds, numbers, chunksize=1), axis=0)
        print(f"no card in the picture: {found} found in {alone} looks; the other layout's card: {wrong} in {shown}")


if __name__ == "__main__":
    main()
