"""The tables of the verbs: each fits 80 columns; what would not is said in lines below it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import reduce
from typing import TYPE_CHECKING

from huewright.cli.show import counted, number, table

if TYPE_CHECKING:
    from rich.table import Table

    from huewright.steps.bench import BenchResult
    from huewright.steps.ofx import ProbeReport
    from huewright.steps.prove import Proof
    from huewright.steps.render import RenderPlan
    from huewright.steps.solve import Correction, MethodResult
    from huewright.steps.survey import Survey
    from huewright.steps.verify import VerifyResult

NOT_USED = "* not used"


LONG, MOST_ROWS = 120, 1000


def survey_table(survey: Survey, title: str) -> Table:
    """Each frame's grade; of long takes frames without the card that follow each other in one row, and no more than
    :data:`MOST_ROWS` (a table of ten thousand took 20 s and 400 MB to lay out)."""
    from huewright.words import reason_words

    rows: list[list[str]] = []
    before = None
    for g in survey.grades:
        alike = (g.verdict, g.reasons) if g.verdict == "no card" and len(survey.grades) > LONG else None
        if alike is not None and alike == before:
            rows[-1][0] = f"{rows[-1][0].partition('-')[0]}-{g.frame}"
        else:
            rows.append([str(g.frame), g.verdict, number(g.glare), number(100 * g.clipped, 1),
                         number(g.edge_width_px, 1), number(g.motion_px, 1), number(g.patch_px, 0),
                         number(g.tilt_deg, 0), number(g.light_stops), reason_words(g.reasons)])
        before = alike
    if len(rows) > MOST_ROWS:
        rows = [*rows[:MOST_ROWS], ["...", *["" for _ in range(8)], "the survey file has the others"]]
    return table(title, ["frame", "verdict", "glare", "clip\n%", "edge\npx", "motion\npx", "patch\npx", "tilt\ndeg",
                         "light\nstops", "why"], rows, left=(9,))


def plan_words(plan: RenderPlan) -> str:
    """What a render would do, in a sentence."""
    named = plan.first_file if plan.first_file == plan.last_file else f"{plan.first_file} to {plan.last_file}"
    there = (f"; {counted(len(plan.there), 'frame')} there already would be compared first and kept if just the same"
             if plan.there else "")
    short = "; THE DISK HAS NOT THAT MUCH" if plan.bytes_at_most > plan.bytes_free else ""
    return (f"would render {counted(len(plan.frames), 'frame')} of {plan.width}x{plan.height}, {plan.bits} bits, "
            f"{plan.range} range, {named}: {size_words(plan.bytes_at_most)} before any compression, of "
            f"{size_words(plan.bytes_free)} free{short}{there}; nothing was written")


def size_words(count: int) -> str:
    """Bytes as "980 kB", "1.2 GB"."""
    for unit, worth in (("TB", 1e12), ("GB", 1e9), ("MB", 1e6)):
        if count >= worth:
            return f"{count / worth:.1f} {unit}"
    return f"{count / 1e3:.0f} kB"


def parameter_table(correction: Correction) -> Table:
    part = "" if correction.strength.full else " at full strength"
    return table(f"Solved{part}", ["parameter", "value", "standard error"],
                 [[name, number(value, 4), number(error, 4)] for name, (value, error) in correction.parameters.items()])


def patch_table(correction: Correction) -> Table:
    """Each patch against what was asked of it, as the solve predicts it; why one was not used is among the cautions."""
    rows = [[p.name, _role(p.role, p.used), number(p.level_error_ire), number(p.hue_error_deg),
             number(p.radius_ratio, 3), number(p.delta_e_before), number(p.delta_e_after)] for p in correction.patches]
    return _noted(table("Predicted on the reading",
                        ["patch", "role", "level off\nIRE", "hue off\ndeg", "radius\nratio", "dE2000\nbefore",
                         "\nafter"], rows), rows)


def proof_table(proof: Proof) -> Table:
    """The patches as measured on the re-read frames."""
    rows = [[p.name, _role(p.role, p.used), number(p.level_before_ire, 1), number(p.level_after_ire, 2),
             number(p.level_target_ire, 2), number(p.hue_error_before_deg, 1), number(p.hue_error_after_deg, 2),
             number(p.radius_ratio_before, 3), number(p.radius_ratio_after, 3), number(p.delta_e_before, 1),
             number(p.delta_e_after, 2)] for p in proof.patches]
    return _noted(table("Measured on the frames, before and after",
                        ["patch", "role", "IRE\nbefore", "\nafter", "\ntarget", "hue deg\nbefore", "\nafter",
                         "radius\nbefore", "\nafter", "dE2000\nbefore", "\nafter"], rows), rows)


def _role(role: str, used: bool) -> str:
    return role if used or role == "check" else f"{role}*"


def _noted(made: Table, rows: Sequence[Sequence[str]]) -> Table:
    if any(row[1].endswith("*") for row in rows):
        made.caption, made.caption_justify = NOT_USED, "left"
    return made


_FIGURES = (("worst hue error, deg", "worst_hue_error_deg"), ("worst radius error", "worst_radius_error"),
            ("worst level error, IRE", "worst_level_error_ire"), ("chips, dE2000", "chip_delta_e"),
            ("left-out chips, dE2000", "left_out_delta_e"), ("check patches, dE2000", "check_delta_e_mean"),
            ("check patches, worst", "check_delta_e_worst"), ("steepest stretch", "worst_local_gain"),
            ("noise gain, dB", "noise_gain_db"), ("folded, share of cells", "folded_fraction"))


def method_table(methods: Iterable[MethodResult]) -> Table:
    """Each method's figures on the same reading, a column each."""
    methods = list(methods)
    narrow = {"polynomial-": "poly-\nnomial\n", "matrix-": "matrix-\n", "spectral-": "spec-\ntral-\n"}
    heads = [reduce(lambda name, each: name.replace(*each), narrow.items(), row.method)
             + ("*" if row.recommended is not None else "") for row in methods]
    made = table("Methods on the same reading, at full strength", ["", *heads],
                 [[label, *(_short(getattr(row, name)) for row in methods)] for label, name in _FIGURES])
    made.caption, made.caption_justify = "* recommended", "left"
    return made


def _short(value: float | None) -> str:
    """At most seven characters wide: seven methods share 80 columns."""
    return number(value, 3 if value is None or abs(value) < 100 else 1)


def method_lines(methods: Iterable[MethodResult]) -> list[str]:
    """What is to be known of each method."""
    from huewright.words import method_note

    return [f"{row.method}: {note}" for row in methods if (note := method_note(row))]


def accuracy_table(result: VerifyResult) -> Table:
    """Worst error and tolerance of each check, with the place where it was seen."""
    from huewright.steps.verify import ABSOLUTE

    return table("Accuracy", ["check, and its source", "worst\nerror", "tole-\nrance", "", "where, in which unit"],
                 [[f"{c.check}\n  {c.source}", f"{c.worst_error:.1e}", f"{c.tolerance:.0e}",
                   "ok" if c.passed else "FAILS", str(c.at) + ("" if c.unit == ABSOLUTE else f"\n{c.unit}")]
                  for c in result.checks], left=(0, 4))


def bench_table(result: BenchResult) -> Table:
    """Each row's medians against its peer's."""
    rows = [[f"{row.operation}\n  {row.size} {row.picture}, {row.threads} thread{'s' * (row.threads != 1)}",
             row.peer + (f"\n{row.note}" if row.note else ""), number(row.ours_ms, 1), number(row.peer_ms, 1),
             number(row.copy_ms, 1), number(row.ratio), f"{row.spread:.0%}" + ("" if row.reliable else " ?")]
            for row in result.rows]
    made = table("Medians in milliseconds; ratio above 1: ours is the faster",
                 ["operation", "against", "ours\nms", "theirs\nms", "copy\nms", "ratio", "spread"], rows, left=(0, 1))
    made.caption, made.caption_justify = "? not to be relied on: the times spread too far", "left"
    return made


def card_table(result: BenchResult) -> Table:
    """A GPU's medians, each also as a share of a copy on the card; of the way there and back, of the transfers."""
    rows = [[f"{row.operation}\n  {row.size} {row.picture}", row.peer + (f"\n{row.note}" if row.note else ""),
             number(1e3 * row.ours_ms, 1), number(1e3 * row.peer_ms, 1), number(row.ours_ms / row.copy_ms),
             number(row.ratio), f"{row.spread:.0%}" + ("" if row.reliable else " ?")] for row in result.rows]
    made = table("Medians in microseconds; ratio above 1: ours is the faster",
                 ["operation", "against", "ours\nus", "theirs\nus", "in\ncopies", "ratio", "spread"], rows, left=(0, 1))
    made.caption, made.caption_justify = "? not to be relied on: the times spread too far", "left"
    return made


def probe_table(report: ProbeReport) -> Table:
    """Each check of a plug-in, and what was seen."""
    rows = [[f"{row.plugin.rpartition('.')[2]}\n{row.context.removeprefix('OfxImageEffectContext')}", row.what,
             row.result, row.reason or "; ".join(f"{f.level}: {f.message}" for f in row.findings)]
            for row in report.results]
    return table("Conformance", ["effect\ncontext", "check", "result", "what was seen"], rows, left=(0, 1, 2, 3))
