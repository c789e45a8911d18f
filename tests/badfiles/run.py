"""Tries many damaged files and prints what each format came to: see :mod:`badfiles`."""

from __future__ import annotations

import argparse
import gc
import json
import os
import shutil
import signal
import sys
import tempfile
import traceback
from collections import Counter, defaultdict
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from badfiles import whole as whole_files
from badfiles.readers import reader_of, warm
from badfiles.trial import FAULTS, GOOD, Outcome, tried
from badfiles.ways import damaged
from badfiles.whole import kind_of

Tally = Counter[tuple[str, str]]


def made_whole(folder: Path) -> dict[str, bytes]:
    """The whole files, made in a process of their own: the one that forks must have started no threads."""
    child = os.fork()
    if child == 0:
        status = 1
        try:
            whole_files.make(folder)
            status = 0
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(status)
    if os.waitpid(child, 0)[1] != 0:
        raise RuntimeError("the whole files could not be made")
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def run(count: int, seed: int, folder: Path, *, only: str = "",
        told: Callable[[str, str, bytes, Outcome], None] = lambda name, way, raw, outcome: None) -> Tally:
    """Outcomes counted by (format, kind); ``told`` hears of each file."""
    whole = made_whole(folder / "whole")
    warm()
    gc.freeze()     # a child touches less of what it shares with the parent
    if only:
        whole = {name: raw for name, raw in whole.items() if kind_of(name) in only.split(",")}
    place = folder / "files"
    place.mkdir()
    tally: Counter[tuple[str, str]] = Counter()
    prints = {}
    for name, raw in whole.items():
        (place / name).write_bytes(raw)
        outcome = tried(reader_of(name), place / name)
        if outcome.kind not in GOOD[2:]:
            raise RuntimeError(f"the whole {name} came to {outcome}")
        prints[name] = outcome.fingerprint
        (place / name).unlink()
    for name, way, raw in damaged(whole, count, seed):
        path = place / name
        path.write_bytes(raw)
        outcome = tried(reader_of(name), path, prints[name])
        tally[kind_of(name), outcome.kind] += 1
        told(name, way, raw, outcome)
        for left in place.iterdir():
            shutil.rmtree(left) if left.is_dir() else left.unlink()
    return tally


def table(tally: Tally) -> str:
    kinds = [*GOOD, *FAULTS]
    rows = [["format", "files", *kinds]]
    formats = sorted({form for form, _ in tally})
    for form in formats:
        counts = [tally[form, kind] for kind in kinds]
        rows.append([form, str(sum(counts)), *map(str, counts)])
    totals = [sum(tally[form, kind] for form in formats) for kind in kinds]
    rows.append(["all", str(sum(totals)), *map(str, totals)])
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    return "\n".join("  ".join(cell.ljust(width) if column == 0 else cell.rjust(width)
                               for column, (cell, width) in enumerate(zip(row, widths, strict=True))) for row in rows)


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--count", type=int, default=1000)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--only", default="", help="formats, by suffix or name: .exr,card.toml")
    options.add_argument("--keep", type=Path, help="a folder for the files that something went wrong with")
    asked = options.parse_args()
    os.nice(10)
    for number_of in (signal.SIGINT, signal.SIGTERM):       # also where a shell had it ignored
        signal.signal(number_of, signal.default_int_handler)
    differing: dict[tuple[str, str], list[str]] = defaultdict(list)
    faults: Counter[str] = Counter()
    tally: Tally = Counter()
    number = 0

    def told(name: str, way: str, raw: bytes, outcome: Outcome) -> None:
        nonlocal number
        number += 1
        tally[kind_of(name), outcome.kind] += 1
        if outcome.kind == "differs":
            differing[kind_of(name), way].append(f"{number}")
        if outcome.kind in FAULTS:
            last = (outcome.told.strip().splitlines() or [""])[-1][:200]
            faults[f"{kind_of(name)} {outcome.kind}: {last}"] += 1
            if faults[f"{kind_of(name)} {outcome.kind}: {last}"] <= 3:
                print(f"{number} {name} ({way}): {outcome.kind}: {last}", flush=True)
            if asked.keep:
                asked.keep.mkdir(parents=True, exist_ok=True)
                kept = asked.keep / f"{asked.seed}-{number}-{name}"
                kept.write_bytes(raw)
                kept.with_name(f"{kept.name}.txt").write_text(f"{way}\n{outcome.kind}\n{outcome.told}\n")
        if number % 1000 == 0:
            print(f"{number} of {asked.count}", file=sys.stderr, flush=True)

    with tempfile.TemporaryDirectory() as folder, suppress(KeyboardInterrupt):     # stopped, it says what it has
        run(asked.count, asked.seed, Path(folder), only=asked.only, told=told)
    print(table(tally))
    print("taken otherwise, nothing said:",
          json.dumps({f"{form} {way}": len(found) for (form, way), found in sorted(differing.items())}, indent=1))
    return 1 if any(tally[form, kind] for form, kind in tally if kind in FAULTS) else 0


if __name__ == "__main__":
    sys.exit(main())
