"""The bench as bars: how many times the peer's time is ours, on a logarithmic scale."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

from huewright.report.style import DAY, HEAD_PT, SMALL_PT, TEXT_PT, drawing, figure, save_png

if TYPE_CHECKING:
    from huewright.timing.rows import BenchResult, BenchRow

ROW_PX = 26
WORDS = 0.45             # of the plot's width, for the words beside a bar


def draw_bench(result: BenchResult, path: Path | str, *, overwrite: bool = False) -> None:
    """Writes a PNG of every row: a bar from 1x to the ratio, unreliable rows hatched.

    :class:`InputError` if ``path`` exists and ``overwrite`` is false.
    """
    rows = sorted(result.rows, key=lambda row: (row.size, row.threads, -row.ratio, row.operation, row.picture))
    groups: dict[tuple[str, int], list[BenchRow]] = {}
    for row in rows:
        groups.setdefault((row.size, row.threads), []).append(row)
    height = sum(ROW_PX * len(group) + 70 for group in groups.values()) + 90
    with drawing(DAY):
        page = figure(900, height)
        page.text(0.02, 1 - 30 / height, "Times faster than the peer", fontsize=HEAD_PT + 3)
        page.text(0.02, 1 - 52 / height, result.machine, fontsize=SMALL_PT, color=DAY.soft)
        top = height - 100
        furthest = max([2.0, *(row.ratio for row in rows)])
        least = 0.9 * min([0.8, *(row.ratio for row in rows)])
        # On a logarithmic scale: room for the words beside the longest bar.
        most = math.exp((math.log(furthest) - WORDS * math.log(least)) / (1 - WORDS))
        for (size, threads), group in groups.items():
            tall = ROW_PX * len(group)
            axes = page.add_axes((0.36, (top - tall) / height, 0.56, tall / height))
            axes.set_title(f"{size}, {threads} thread{'s' * (threads > 1)}", fontsize=TEXT_PT + 1, x=-0.6)
            for k, row in enumerate(group):
                axes.barh(-k, row.ratio - 1.0, left=1.0, height=0.62, color=DAY.after if row.ratio >= 1 else DAY.before,
                          alpha=1.0 if row.reliable else 0.45, hatch=None if row.reliable else "///",
                          edgecolor=DAY.sheet, linewidth=0)
                words = f"{row.ratio:.1f}x   {row.ours_ms:.1f} ms against {row.peer_ms:.1f}"
                axes.annotate(words, (max(row.ratio, 1.0), -k), xytext=(5, 0), textcoords="offset points",
                              va="center", fontsize=SMALL_PT)
            axes.set_yticks([-k for k in range(len(group))],
                            [f"{row.operation}, {row.picture} · {row.peer}" + "*" * bool(row.note) for row in group])
            axes.set_xscale("log")
            axes.set_xlim(least, most)
            axes.set_xticks([1, 2, 4, 8, 16, 32, 64][: max(2, int(furthest).bit_length() + 1)])
            axes.xaxis.set_major_formatter(lambda value, _: f"{value:g}x")
            axes.xaxis.set_minor_locator(_no_ticks())
            axes.set_ylim(-len(group) + 0.4, 0.6)
            axes.grid(axis="x")
            axes.set_axisbelow(True)
            axes.axvline(1.0, color=DAY.ink, linewidth=1.0)
            top -= tall + 70
        page.text(0.02, 14 / height, "* by another formula, or in float64; see the table.   Hatched: the times "
                  "spread too far to be relied on.", fontsize=SMALL_PT, color=DAY.soft)
        save_png(page, path, overwrite=overwrite)


def _no_ticks() -> Any:
    from matplotlib.ticker import NullLocator

    return NullLocator()
