"""One sentence for the person holding the card: is the take usable, and if not, what to do."""

from __future__ import annotations

from collections import Counter

import numpy as np
from huewright_kernels.ops import Transfer

from huewright.finding.grade import Judged
from huewright.finding.light import LinearLight
from huewright.models.card import Card
from huewright.models.reading import Reading
from huewright.reference import apply

MIDDLE_GREY = 0.18
SPARE = 0.2        # stops between the brightest bar and the end of the code range


def unusable_advice(frames: list[Judged], total: int, card: Card, light: LinearLight) -> str:
    """What to change, by the reason that stands against most frames."""
    if not frames:
        return (f"Not usable: no card in any of {total} frame{_s(total)}; hold it in full view, or check that "
                f"{card.name!r} is the card in the shot, or give its corners by hand.")
    kinds = Counter(frame.kinds[0] for frame in frames if frame.kinds)
    kind, count = kinds.most_common(1)[0] if kinds else ("glare", len(frames))
    those = [frame for frame in frames if kind in frame.kinds]
    example = Counter(reason for frame in those for reason in frame.reasons[:1]).most_common(1)[0][0]
    cure = {
        "glare": "tilt the card away from the lamp",
        "clipped": _clipped_cure(those, card, light),
        "blurred": _blur_cure(those),
        "small": "move closer or zoom in",
        "tilted": "turn the card towards the lens",
        "uneven": "keep half-shade and spill off the card",
        "noisy": _noise_cure(those, card, light),
        "hidden": "show the whole card",
        "covered": "keep fingers and cables off the patches",
    }[kind]
    return f"Not usable: {example}, {count} of {len(frames)} frame{_s(len(frames))} with the card; {cure}."


def usable_advice(chosen: list[Judged], reading: Reading, gain: float, card: Card) -> str:
    """Says what was chosen, and what the person should know all the same."""
    numbers = sorted(frame.reading.frame for frame in chosen if frame.reading.frame is not None)
    text = f"Usable: frame{_s(len(numbers))} {_ranges(numbers)}"
    if len(numbers) > 1:
        # Of their noise only: what frames share (the light, a lens' flare) merging can't lessen.
        text += f" merged, noise {gain:.1f} times less than in the best alone"
    else:
        text += " alone, with no other good frame to hold it against: a faint reflection would go unseen"
    lost = [patch.name for patch in reading.patches if patch.excluded]
    if lost:
        text += f"; without {', '.join(lost)} ({reading.patch(lost[0]).reasons[0]})"
    if reading.light_stops > 0.7:
        text += f"; light over the card differs by {reading.light_stops:.1f} stops (taken off)"
    return text + "."


def thirds(stops: float) -> str:
    """Stops in the thirds that lenses are marked in: "2/3 stop", "1 1/3 stops"."""
    count = max(1, int(np.ceil(stops * 3 - 1e-6)))
    whole, rest = divmod(count, 3)
    parts = ([str(whole)] if whole else []) + ([f"{rest}/3"] if rest else [])
    return " ".join(parts) + (" stop" if count <= 3 else " stops")


def _clipped_cure(frames: list[Judged], card: Card, light: LinearLight) -> str:
    bars = [k for k, patch in enumerate(card.patches) if patch.role == "bar"]
    if not bars:
        return "change the exposure so that no patch clips"
    low = []
    for frame in frames:
        for k in bars:
            if max(frame.reading.patches[k].clipped) > 0.01:
                low.append(frame.raw.measured[k].mean() < frame.raw.measured[bars].mean())
    if low and np.mean(low) > 0.5:
        # Where blacks are crushed the coding isn't the declared one, and neither is what it says of the light.
        wanted = _stops_under(frames, card, light)
        return _opened(min(wanted, 1.0), _headroom(frames, card, light),
                       "lower the contrast or lift the blacks in the camera") + (
                           ", then survey again" if wanted > 1.0 else "")
    return f"close down {thirds(_stops_over(frames, card, light))}"


def _stops_over(frames: list[Judged], card: Card, light: LinearLight) -> float:
    """How far the brightest bar lies over the clip level, told from the bars that aren't clipped; at least 1/3."""
    over = []
    brightest = max(patch.level_ire or 0.0 for patch in card.of_role("bar"))
    for frame in frames:
        for patch, reading in zip(card.patches, frame.reading.patches, strict=True):
            if patch.role == "bar" and max(reading.clipped) < 0.01 and patch.level_ire and patch.level_ire > 20:
                here = float(frame.raw.linear[card.patches.index(patch)].max())
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
    seen = float(np.median([frame.raw.linear[k].mean() for frame in frames]))
    return float(np.log2(max(MIDDLE_GREY / max(seen, 1e-4), 1.0)))


def _headroom(frames: list[Judged], card: Card, light: LinearLight) -> float:
    """How many stops more the brightest bar bears before it clips."""
    bars = [k for k, patch in enumerate(card.patches) if patch.role == "bar"]
    brightest = max(float(frame.raw.linear[k].max()) for frame in frames for k in bars)
    limit = float(light.to_linear(np.ones((1, 3))).max())
    return float(np.log2(max(limit / max(brightest, 1e-6), 1.0)))


def _opened(wanted: float, room: float, otherwise: str) -> str:
    """To open up as far as is wanted, but never so far that the brightest bar would clip."""
    stops = min(wanted, np.floor(3 * (room - SPARE)) / 3)
    return f"open up {thirds(stops)}" if stops > 0.3 else otherwise


def _noise_cure(frames: list[Judged], card: Card, light: LinearLight) -> str:
    if not card.of_role("bar"):
        return "use more light or move closer"
    room = _headroom(frames, card, light)
    return _opened(_stops_under(frames, card, light), room, "use more light") + " or move closer"


def _blur_cure(frames: list[Judged]) -> str:
    """Movement blurs along one line, a lens out of focus alike all round; where neither can be told, how far the card
    moved from frame to frame tells."""
    moving = []
    for frame in frames:
        smear = frame.raw.smear
        moving.append(smear.length_px > 2.0 * smear.focus_px if smear is not None
                      else frame.motion_px > 0.5 * frame.edge_width_px)
    return "hold still" if np.mean(moving) > 0.5 else "focus on the card"


def _s(count: int) -> str:
    return "" if count == 1 else "s"


def _ranges(numbers: list[int]) -> str:
    parts: list[list[int]] = []
    for number in numbers:
        if parts and number == parts[-1][1] + 1:
            parts[-1][1] = number
        else:
            parts.append([number, number])
    return ", ".join(str(a) if a == b else f"{a}-{b}" if b > a + 1 else f"{a}, {b}" for a, b in parts)
