"""For the person holding the card: is the take usable, and if not, what to do; codes and figures."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

import msgspec
import numpy as np
from huewright_kernels.ops import Transfer

from huewright.finding.grade import Judged
from huewright.finding.light import LinearLight
from huewright.models.card import Card
from huewright.models.reading import Reading
from huewright.models.reasons import (
    Action,
    FrameReason,
    Kind,
    NoCardInTake,
    PatchesLost,
    Remedy,
    Unusable,
    Usable,
)
from huewright.reference import apply

MIDDLE_GREY = 0.18
VEIL_TOLD = 0.005  # of white
SPARE = 0.2        # stops between the brightest bar and the end of the code range


def unusable_advice(frames: list[Judged], total: int, card: Card, light: LinearLight) -> NoCardInTake | Unusable:
    """What to change, by the reason that stands against most frames."""
    if not frames:
        return NoCardInTake(total, card.name)
    kinds = Counter(frame.kinds[0] for frame in frames if frame.kinds)
    kind, count = kinds.most_common(1)[0] if kinds else ("glare", len(frames))
    those = [frame for frame in frames if kind in frame.kinds]
    # The figures of the first frame of those that say the same in the same place.
    alike = Counter(_place(frame.reasons[0]) for frame in those if frame.reasons)
    commonest = alike.most_common(1)[0][0]
    example = next(frame.reasons[0] for frame in those if frame.reasons and _place(frame.reasons[0]) == commonest)
    cure: dict[Kind, Callable[[], Remedy]] = {
        "glare": lambda: Remedy("tilt-card"),
        "clipped": lambda: _clipped_cure(those, card, light),
        "blurred": lambda: _blur_cure(those),
        "small": lambda: Remedy("move-closer"),
        "tilted": lambda: Remedy("turn-to-lens"),
        "uneven": lambda: Remedy("even-light"),
        "noisy": lambda: _noise_cure(those, card, light),
        "hidden": lambda: Remedy("show-whole-card"),
        "covered": lambda: Remedy("uncover-or-tilt" if _either(example) else "uncover-patches"),
    }
    return Unusable(example, count, len(frames), cure[kind]())


def _either(reason: FrameReason) -> bool:
    return isinstance(reason, PatchesLost) and reason.or_mirroring


def _place(reason: FrameReason) -> tuple[object, ...]:
    """What makes two reasons the same but for their figures."""
    if isinstance(reason, PatchesLost):
        return type(reason), reason.why, reason.bars, reason.chips, reason.or_mirroring
    return (type(reason),)


def usable_advice(chosen: list[Judged], reading: Reading, gain: float) -> Usable:
    """Says what was chosen, and what the person should know all the same."""
    numbers = sorted(frame.frame for frame in chosen)
    veil = _veil(chosen)
    lost = [patch for patch in reading.patches if patch.excluded]
    return Usable(tuple(numbers), gain, tuple(patch.name for patch in lost), lost[0].reasons[0] if lost else None,
                  reading.light_stops if reading.light_stops > 0.7 else None, *veil)


def _veil(chosen: list[Judged]) -> tuple[float | None, float | None]:
    """Light added all over the card, share of white, and its standard error; None where it is less than is told."""
    told = [frame for frame in chosen if np.isfinite(frame.veil_error)]
    if not told:
        return None, None
    veil = float(np.mean([frame.veil for frame in told]))
    return (None, None) if veil < VEIL_TOLD else (veil, float(np.mean([frame.veil_error for frame in told])))


def _clipped_cure(frames: list[Judged], card: Card, light: LinearLight) -> Remedy:
    bars = [k for k, patch in enumerate(card.patches) if patch.role == "bar"]
    if not bars:
        return Remedy("change-exposure")
    low = []
    for frame in frames:
        clipped, code = frame.packed.column("clipped"), frame.packed.column("measured")
        for k in bars:
            if clipped[k].max() > 0.01:
                low.append(code[k].mean() < code[bars].mean())
    if low and np.mean(low) > 0.5:
        # Where blacks are crushed the coding isn't the declared one, and neither is what it says of the light.
        wanted = _stops_under(frames, card, light)
        cure = _opened(min(wanted, 1.0), _headroom(frames, card, light), "lower-contrast")
        return msgspec.structs.replace(cure, survey_again=wanted > 1.0)
    return Remedy("close-down", _stops_over(frames, card, light))


def _stops_over(frames: list[Judged], card: Card, light: LinearLight) -> float:
    """How far the brightest bar lies over the clip level, told from the bars that aren't clipped; at least 1/3."""
    over = []
    brightest = max(patch.level_ire or 0.0 for patch in card.of_role("bar"))
    for frame in frames:
        clipped, level = frame.packed.column("clipped"), frame.packed.column("linear")
        for k, patch in enumerate(card.patches):
            if patch.role == "bar" and clipped[k].max() < 0.01 and patch.level_ire and patch.level_ire > 20:
                here = float(level[k].max())
                top = here * _reflectance(brightest) / _reflectance(patch.level_ire)
                limit = float(light.to_linear(np.ones((1, 3))).max())
                over.append(np.log2(max(top / max(limit, 1e-6), 1.0)))
    return float(np.median(over)) + SPARE if over else 1.0


def _reflectance(level_ire: float) -> float:
    """The reflectance whose BT.709 OETF (ITU-R BT.709-6, item 1.2) gives ``level_ire``."""
    return float(apply(Transfer("bt709", "decode"), np.full(3, level_ire / 100))[0])


def _stops_under(frames: list[Judged], card: Card, light: LinearLight) -> float:
    """How far the card's middle bar lies under 18 % in linear light."""
    bars = card.of_role("bar")
    middle = min(bars, key=lambda patch: abs((patch.level_ire or 40.9) - 40.9))
    k = card.patches.index(middle)
    seen = float(np.median([frame.packed.column("linear")[k].mean() for frame in frames]))
    return float(np.log2(max(MIDDLE_GREY / max(seen, 1e-4), 1.0)))


def _headroom(frames: list[Judged], card: Card, light: LinearLight) -> float:
    """How many stops more the brightest bar bears before it clips."""
    bars = [k for k, patch in enumerate(card.patches) if patch.role == "bar"]
    brightest = max(float(frame.packed.column("linear")[bars].max()) for frame in frames)
    limit = float(light.to_linear(np.ones((1, 3))).max())
    return float(np.log2(max(limit / max(brightest, 1e-6), 1.0)))


def _opened(wanted: float, room: float, otherwise: Action) -> Remedy:
    """To open up as far as is wanted, but never so far that the brightest bar would clip."""
    stops = min(wanted, np.floor(3 * (room - SPARE)) / 3)
    return Remedy("open-up", float(stops)) if stops > 0.3 else Remedy(otherwise)


def _noise_cure(frames: list[Judged], card: Card, light: LinearLight) -> Remedy:
    if not card.of_role("bar"):
        return Remedy("more-light", or_closer=True)
    room = _headroom(frames, card, light)
    return msgspec.structs.replace(_opened(_stops_under(frames, card, light), room, "more-light"), or_closer=True)


def _blur_cure(frames: list[Judged]) -> Remedy:
    """Movement blurs along one line, a lens out of focus alike all round; where neither can be told, how far the card
    moved from frame to frame tells."""
    moving = []
    for frame in frames:
        smear = frame.packed.smear
        moving.append(smear.length_px > 2.0 * smear.focus_px if smear is not None
                      else frame.motion_px > 0.5 * frame.edge_width_px)
    return Remedy("hold-still" if np.mean(moving) > 0.5 else "focus")
