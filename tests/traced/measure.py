"""Surveys traced takes and says what came out:

    python tests/traced/measure.py [--judging] [--clean] [--rooms FIRST COUNT] [--rows FILE]

Tuning rooms without ``--judging``. Judging rooms are run once per change of the finder's rules. Rooms whose light is
the tracer's noise (``Room.walled_off``) are left out and named.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from scipy.stats import binomtest

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from traced.figures import figures
from traced.reads import seen_take, survey_seen
from traced.scene import JUDGING, room
from traced.take import CLEAN, Shooting


def measure(number: int) -> dict[str, Any]:
    take, rows = Shooting(number), seen_take(number)
    survey, judged = survey_seen(take, rows)
    return figures(take, survey, judged, [row.truth for row in rows])


# What a take's chips and bars are wanted to land within (common practice, no source).
LIMITS = {"bars_ire": 1.0, "hues_deg": 0.5, "radii": 0.02}
KINDS = {"bars_ire": "bar", "hues_deg": "hue", "radii": "radius"}


def share_of(values: list[bool]) -> str:
    """With the 95 % interval of Clopper and Pearson (Biometrika 26, 1934)."""
    if not values:
        return "none"
    low, high = binomtest(sum(values), len(values)).proportion_ci(0.95, "exact")
    return f"{sum(values)} of {len(values)} ({100 * low:.0f} to {100 * high:.0f} %)"


def lands(row: dict[str, Any]) -> bool:
    """Whether all bars and chips of the take are where they should be."""
    return all(abs(value) <= limit for name, limit in LIMITS.items() for value in row[name])


def told(row: dict[str, Any]) -> bool:
    """Whether the intervals hold every bar, hue and radius that is beyond its limit."""
    return all(held for name, limit in LIMITS.items()
               for value, held in zip(row[name], row["held"][KINDS[name]], strict=True) if abs(value) > limit)


def sure(row: dict[str, Any]) -> bool:
    """Whether the intervals of all bars and chips lie within the limits."""
    return all(value <= limit for name, limit in LIMITS.items() for value in row["reach"][KINDS[name]])


def share(values: list[bool]) -> str:
    return f"{100 * float(np.mean(values)):.1f} % of {len(values)}" if values else "none"


def summary(rows: list[dict[str, Any]]) -> dict[str, str]:
    solved = [row for row in rows if "bars_ire" in row and row["bars_ire"]]
    bars = np.array([np.abs(row["bars_ire"]).max() for row in solved])
    hues = np.array([np.abs(row["hues_deg"]).max() for row in solved if row["hues_deg"]])
    radii = np.array([np.abs(row["radii"]).max() for row in solved if row["radii"]])
    causes = [(good, two) for row in rows for _, _, good, two in row["causes"]]
    counted = ("contaminated", "accepted", "accepted_left", "accepted_unsaid", "clean", "reads", "frames", "merged",
               "merged_left", "merged_unsaid", "known_channels", "known_channels_off", "known_patches",
               "known_patches_off")
    total = {name: sum(row.get(name, 0) for row in rows) for name in counted}
    refused = [good for row in rows for _, _, good in row["clean_refused"]]
    said = [row for row in rows if row["usable"] and "no_answer" not in row]
    veils = [row for row in said if max(row["veil"], row["flare"], np.mean(
        [row["added_of_white"][k] for k in row["chosen"]])) > 0.01]
    named = [row for row in veils if " veil " in row["advice"]]
    held = {kind: [good for row in solved for good in row["held"][kind]] for kind in ("bar", "hue", "radius")}
    gains = [row for row in rows if "check_gain_error" in row]
    return {
        "usable": f"{sum(row['usable'] for row in rows)} of {len(rows)}, solved {len(solved)}",
        "worst bar IRE median, 95th, most": " ".join(f"{v:.2f}" for v in np.quantile(bars, (0.5, 0.95, 1))),
        "bars within 1 IRE": share((bars <= 1).tolist()),
        "worst hue deg median, 95th, most": " ".join(f"{v:.2f}" for v in np.quantile(hues, (0.5, 0.95, 1))),
        "hues within 0.5 deg": share((hues <= 0.5).tolist()),
        "worst radius % median, 95th, most": " ".join(f"{100 * v:.2f}" for v in np.quantile(radii, (0.5, 0.95, 1))),
        "radii within 2 %": share((radii <= 0.02).tolist()),
        "chips and bars land": share_of([lands(row) for row in solved]),
        **{f"they do, of takes called {word}": share_of([lands(row) for row in solved if row["said"] == word])
           for word in ("good", "uncertain", "off")},
        "they do, of takes whose intervals lie within": share_of([lands(row) for row in solved if sure(row)]),
        "of takes whose intervals reach beyond": share_of([lands(row) for row in solved if not sure(row)]),
        "of those that don't, said by intervals": share_of([told(row) for row in solved if not lands(row)]),
        "intervals, reading": share([good for row in rows for good in row.get("held_reading", [])]),
        **{f"intervals, {kind}": share(values) for kind, values in held.items()},
        "intervals, checks' gain": share([abs(row["check_gain"] - row["check_gain_said"])
                                          <= 1.96 * row["check_gain_error"] for row in gains]),
        "frames refused": f"{sum(len(row['causes']) for row in rows)} of {total['frames']}",
        "right cause, named alone": share([good for good, two in causes if not two]),
        "right cause, one of two named": share([good for good, two in causes if two]),
        "clean frames refused, of them for what isn't so":
            f"{len(refused)}, {refused.count(False)} of {total['clean']}",
        "contaminated readings, accepted, left over 1 %, unsaid":
            f"{total['contaminated']}, {total['accepted']}, {total['accepted_left']}, {total['accepted_unsaid']} "
            f"(of {total['reads']} readings merged)",
        "merged patches, over 1 % off in a channel, unsaid":
            f"{total['merged']}, {total['merged_left']}, {total['merged_unsaid']}",
        "said to be known within 1 %, off by more, channels":
            f"{total['known_channels']} of {3 * total['merged']}, {total['known_channels_off']}",
        "said to be known within 1 %, off by more, patches":
            f"{total['known_patches']} of {total['merged']}, {total['known_patches_off']}",
        "veils over 1 % named": f"{len(named)} of {len(veils)}",
        "unnamed veils over 1 % with a bar over 1 IRE off": str(sum(
            row not in named and bool(np.abs(row.get("bars_ire", [0])).max() > 1) for row in veils)),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description="Measure the finder on traced takes.")
    parser.add_argument("--judging", action="store_true")
    parser.add_argument("--clean", action="store_true", help="the rooms' takes of a card that mirrors next to nothing")
    parser.add_argument("--rooms", type=int, nargs=2, metavar=("FIRST", "COUNT"), default=(0, 30))
    parser.add_argument("--rows", type=Path, help="where the rows go, as JSON")
    given = parser.parse_args()
    first = given.rooms[0] + (JUDGING if given.judging else 0)
    rooms = range(first, first + given.rooms[1])
    left_out = [seed for seed in rooms if room(seed).walled_off]
    numbers = [2 * seed + way + given.clean * CLEAN for seed in rooms if seed not in left_out for way in (0, 1)]
    with get_context("spawn").Pool(min(2, len(os.sched_getaffinity(0)))) as pool:
        rows = pool.map(measure, numbers, chunksize=1)
    if given.rows:
        given.rows.write_text(json.dumps(rows, default=lambda value: value.item()))
    print(f"{'rooms left out: a lamp stands behind a wall':55s} {', '.join(map(str, left_out)) or 'none'}")
    for name, text in summary(rows).items():
        print(f"{name:55s} {text}")


if __name__ == "__main__":
    main()
