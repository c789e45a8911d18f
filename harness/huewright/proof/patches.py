"""Every patch against what was asked of it, before and after."""

from __future__ import annotations

import numpy as np

from huewright.colorimetry.display import display_luma, hue_deg, hue_difference_deg, to_ycbcr
from huewright.colorimetry.targets import delta_e, reference_rgb
from huewright.models.card import Card
from huewright.models.correction import Correction, PatchResult
from huewright.models.proof import PatchProof
from huewright.models.settings import SolveSettings
from huewright.proof.measurement import Measurement

INTERVAL = 1.96          # standard errors in half a 95 % interval


def patch_proofs(correction: Correction, card: Card, settings: SolveSettings,
                 sides: dict[str, Measurement]) -> tuple[PatchProof, ...]:
    """A row for each patch that the correction has a result of; ``sides`` are measured "before" and "after"."""
    luma = display_luma(correction.display)
    solved = {row.name: row for row in correction.patches}
    reference = reference_rgb(card, correction.display, settings.adaptation)
    names = sides["before"].names
    places = {side: to_ycbcr(measured.mean, luma) for side, measured in sides.items()}
    known = [k for k, name in enumerate(names) if name in reference]
    differences = {side: dict(zip(known, delta_e(measured.mean[known], [reference[names[k]] for k in known],
                                                 correction.display), strict=True)) if known else {}
                   for side, measured in sides.items()}
    rows = []
    for k, name in enumerate(names):
        row = solved.get(name)
        if row is not None:
            rows.append(_patch(row, places["before"][k], places["after"][k],
                               [None if k not in differences[side] else float(differences[side][k])
                                for side in ("before", "after")]))
    return tuple(rows)


def _patch(row: PatchResult, before: np.ndarray, after: np.ndarray, colours: list[float | None]) -> PatchProof:
    level, cb, cr = row.target
    hues: list[float | None] = [None, None]
    ratios: list[float | None] = [None, None]
    if row.role == "chip" and cb is not None and cr is not None:
        hues = [float(hue_difference_deg(hue_deg(place[1], place[2]), hue_deg(cb, cr))) for place in (before, after)]
        ratios = [float(np.hypot(place[1], place[2]) / max(np.hypot(cb, cr), 1e-9)) for place in (before, after)]
    is_bar = row.role == "bar" and level is not None
    levels = [_rounded(100 * float(value)) if is_bar and value is not None else None
              for value in (before[0], after[0], level)]
    return PatchProof(
        name=row.name, role=row.role, used=row.used, target=row.target, before=_triple(before), after=_triple(after),
        hue_error_before_deg=_rounded(hues[0]), hue_error_after_deg=_rounded(hues[1]),
        radius_ratio_before=_rounded(ratios[0]), radius_ratio_after=_rounded(ratios[1]),
        level_before_ire=levels[0], level_after_ire=levels[1], level_target_ire=levels[2],
        delta_e_before=_rounded(colours[0]), delta_e_after=_rounded(colours[1]), reasons=row.reasons,
        hue_interval_deg=_half(row.hue_standard_error_deg), radius_interval=_half(row.radius_standard_error),
        level_interval_ire=_half(row.level_standard_error_ire))


def _half(standard_error: float | None) -> float | None:
    """Half a 95 % interval."""
    return None if standard_error is None else _rounded(INTERVAL * standard_error)


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(float(value), 5) + 0.0


def _triple(values: np.ndarray) -> tuple[float, float, float]:
    a, b, c = (round(float(value), 6) + 0.0 for value in values)
    return a, b, c
