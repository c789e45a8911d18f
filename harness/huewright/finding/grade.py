"""What one frame's reading is worth: figures that mean something, and why it may not be used."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from huewright.finding.find import Found
from huewright.finding.packed import Packed, packed
from huewright.finding.pose import Pose
from huewright.finding.read import TAKE_VEIL, RawReading, correlations, rounded_share
from huewright.models import reasons
from huewright.models.card import Card
from huewright.models.reading import Matrix3, PatchReading, Reading, Triple, clipping_tells
from huewright.models.reasons import FrameReason, Kind, PatchKind, PatchReason
from huewright.models.record import Point

# Limits of a frame that may be used. Choices of ours, each checked on the generated test set; no source.
GLARE_SHIFT = 0.005        # code-value shift by a reflection at which a patch's glare score is one half
GLARE_EXCLUDES = 0.5
SLOPE_SHARE = 0.5          # a reflection's slope across a patch shifts its mean by about this share of it
CLIPPED_BAR, CLIPPED_CHIP = 0.01, 0.02
MOST_SPILL = 1.1          # of Observation.spill: from here on neighbours shift a patch's mean by over half a per cent
SMEAR_OF_PATCH = 0.22      # edge width over the smallest side: a smear may be what looks like reflections all over
LEAST_PATCH_PX = 7.0
MOST_TILT_DEG = 50.0
MOST_LIGHT_STOPS = 2.0
MOST_ERROR = 0.004         # standard error of a bar's mean from noise alone, code values
MOST_EXCLUDED = 0.34       # of the patches
# Light added all over the card, as a share of a perfect white: from here on what is left of it, once it is taken off,
# is too much. Where the bars, less the veil, still aren't in proportion, its size is not believed.
MOST_VEIL, MOST_MISFIT = 0.08, 0.08


@dataclass(frozen=True, slots=True)
class Judged:
    """A frame's figures as in ``FrameGrade``; ``reasons`` empty if good. Takes have thousands of these.

    glares   (p,) each patch's score; ``faults`` by patch, in the card's order, why it is excluded, or None
    """

    card: Card
    frame: int
    packed: Packed
    found: Found
    glares: np.ndarray
    faults: tuple[PatchReason | None, ...]
    clipped: float
    edge_width_px: float
    motion_px: float
    patch_px: float
    tilt_deg: float
    noise: float
    veil: float
    veil_error: float
    reasons: tuple[FrameReason, ...] = ()

    @property
    def raw(self) -> RawReading:
        """Made anew each time, as :attr:`reading` is."""
        return self.packed.raw()

    @property
    def reading(self) -> Reading:
        """With excluded patches marked."""
        return Reading(_patches(self.raw, self.card, self.glares, self.faults), self.corners, self.frame,
                       self.light_stops)

    @property
    def corners(self) -> tuple[Point, ...]:
        return tuple((float(x), float(y)) for x, y in self.found.corners)

    @property
    def lost(self) -> np.ndarray:
        """(p,) which patches are excluded."""
        return np.array([fault is not None for fault in self.faults])

    @property
    def excluded(self) -> tuple[str, ...]:
        return tuple(patch.name for patch, fault in zip(self.card.patches, self.faults, strict=True) if fault)

    @property
    def glare(self) -> float:
        return float(self.glares.max())

    @property
    def light_stops(self) -> float:
        return self.packed.light_stops

    @property
    def kinds(self) -> tuple[Kind, ...]:
        """Of the reasons: what a person could do something about."""
        return tuple(reason.kind for reason in self.reasons if reason.kind is not None)


def glare_scores(raw: RawReading) -> np.ndarray:
    """(p,) 0 none .. 1 certainly: a reflection's shift of the patch's mean as slope, tail and the ground's veil tell.

    Each estimate counts only by what it exceeds 2.5 or 3 times its own standard error; the score is 1/2 where the shift
    reaches ``GLARE_SHIFT``.
    """
    slope = np.maximum(np.abs(raw.slope) - 2.5 * raw.slope_error, 0.0) * SLOPE_SHARE
    tail = np.maximum(raw.observed.tail - 3.0 * raw.tail_error, 0.0) * 2.0
    veil = np.nan_to_num(np.maximum(raw.veil - 2.5 * np.nan_to_num(raw.veil_error), 0.0))
    return score_of(np.sqrt(slope**2 + tail**2 + veil**2))


def score_of(shift: np.ndarray) -> np.ndarray:
    """The glare score of a shift in code values: 1 - 2^-(shift / GLARE_SHIFT)^2."""
    return 1.0 - np.exp2(-((shift / GLARE_SHIFT) ** 2))


def veil_share(raw: RawReading) -> tuple[float, float]:
    """Light added all over the card by mirroring or flare, as a share of a perfect white's, and its standard error:
    the mean over patches and channels. (0, infinity) where no bars of known reflectance tell it."""
    if not raw.lifted.told:
        return 0.0, float("inf")
    seen = raw.observed.seen > 0.9
    if not seen.any():
        return 0.0, float("inf")
    share, error = raw.added[seen] / raw.lifted.white, raw.added_error[seen] / raw.lifted.white
    return float(share.mean()), float(np.hypot(error.mean(), TAKE_VEIL * share.mean()))


def judge(raw: RawReading, card: Card, found: Found, frame: int, *, previous: Pose | None = None,
          extra_glare: np.ndarray | None = None) -> Judged:
    """The verdict on one frame. ``extra_glare`` (p,) scores from comparison with the other frames are joined in."""
    glare = glare_scores(raw)
    if extra_glare is not None:
        glare = 1 - (1 - glare) * (1 - extra_glare)
    clipped = raw.observed.clipped
    faults = tuple(_patch_reason(raw, patch.role, k, float(glare[k]), clipped[k])
                   for k, patch in enumerate(card.patches))
    patches = _patches(raw, card, glare, faults)
    sides = raw.observed.sides[raw.observed.seen > 0.5]
    smallest = float(sides.min()) if len(sides) else 0.0
    tilt = tilt_deg(found.pose, card)
    sigma = np.sqrt(np.maximum(np.einsum("pcc->pc", raw.observed.noise), 0.0))
    noise = float(np.median(sigma))
    why = _frame_reasons(card, patches, raw, found, smallest, tilt)
    motion = 0.0
    if previous is not None:
        motion = float(np.linalg.norm(previous.corners(card) - found.corners, axis=1).mean())
    return Judged(card, frame, packed(raw), found, glare, faults, float(clipped.max()), blur_px(raw, found), motion,
                  smallest, tilt, noise, *veil_share(raw), why)


def _patches(raw: RawReading, card: Card, glare: np.ndarray,
             faults: Sequence[PatchReason | None]) -> tuple[PatchReading, ...]:
    seen = raw.observed
    correlation = correlations(seen.noise, raw.alone, raw.shared, raw.always, raw.alike, raw.grainy)
    rounded = rounded_share(raw.rounded, np.ones((1, *raw.rounded.shape)), raw.error)
    return tuple(PatchReading(
        patch.name, triple(raw.code[k]), matrix(seen.noise[k]), triple(raw.error[k]), float(seen.weight[k]),
        triple(seen.clipped[k]), float(glare[k]), fault is not None, () if fault is None else (fault,),
        triple(correlation[k]), float(rounded[k]))
        for k, (patch, fault) in enumerate(zip(card.patches, faults, strict=True)))


def _patch_reason(raw: RawReading, role: str, k: int, glare: float, clipped: np.ndarray) -> PatchReason | None:
    if raw.observed.seen[k] < 0.9:
        return reasons.OutsidePicture()
    if raw.observed.weight[k] < 4:
        return reasons.TooSmallToRead()
    if raw.observed.spill[k] > MOST_SPILL:
        return reasons.BlurredIntoNeighbours()
    if raw.hidden[k]:
        return reasons.CoveredOrMirroring() if raw.mirrors[k] else reasons.Covered()
    # Noise may carry a few pixels over the end of the code range without moving the mean: no reason to refuse.
    over = clipping_tells(clipped, raw.observed.clip_shift[k], CLIPPED_BAR if role == "bar" else CLIPPED_CHIP)
    if over.any():
        worst = int(np.where(over, clipped, -1.0).argmax())
        return reasons.Clipped(reasons.channels_of(over), float(clipped.max()),
                               float(raw.observed.clipped_at[k][worst]), raw.observed.highest_code)
    if glare <= GLARE_EXCLUDES:
        return None
    return reasons.CoveredOrMirroring() if raw.darker[k] else reasons.Reflection(glare)


LOST_KINDS: tuple[PatchKind, ...] = ("blurred", "glare", "clipped", "covered", "hidden", "small")


def _frame_reasons(card: Card, patches: Sequence[PatchReading], raw: RawReading, found: Found, smallest: float,
                   tilt: float) -> tuple[FrameReason, ...]:
    kinds_of = [patch.reasons[0].kind if patch.reasons else None for patch in patches]
    why: list[FrameReason] = []
    blur = blur_px(raw, found)
    smeared = blur > SMEAR_OF_PATCH * smallest
    if smeared and sum(k in ("glare", "blurred") for k in kinds_of) > MOST_EXCLUDED * len(card.patches):
        # Smear slopes every patch as a reflection would: it is the likelier where edges are wide as well.
        kinds_of = ["blurred" if k == "glare" else k for k in kinds_of]
    either = [bool(patch.reasons) and isinstance(patch.reasons[0], reasons.CoveredOrMirroring) for patch in patches]
    unsure: list[FrameReason] = []
    for kind in LOST_KINDS:
        bad = [k for k, other in enumerate(kinds_of) if other == kind]
        wide = blur if kind == "blurred" else None
        for some, or_mirroring in (([k for k in bad if not either[k]], False), ([k for k in bad if either[k]], True)):
            bars = tuple(card.patches[k].name for k in some if card.patches[k].role == "bar")
            if bars:
                first = next(patch for patch in patches if patch.name == bars[0]).reasons[0]
                (unsure if or_mirroring else why).append(reasons.PatchesLost(
                    kind, bars, blur_px=wide, clipped=first if isinstance(first, reasons.Clipped) else None,
                    or_mirroring=or_mirroring))
        if len(bad) > MOST_EXCLUDED * len(card.patches) and not any(card.patches[k].role == "bar" for k in bad):
            why.append(reasons.PatchesLost(kind, count=len(bad), of=len(card.patches), blur_px=wide,
                                           or_mirroring=sum(either[k] for k in bad) > len(bad) / 2))
    chips = [k for k, patch in enumerate(card.patches) if patch.role == "chip"]
    lost = {k: fault for k in chips if (fault := kinds_of[k]) is not None}
    if len(lost) > len(chips) / 2 and not why and not unsure:
        cause = next(iter(lost.values()))
        alike = [either[k] for k, other in lost.items() if other == cause]
        why.append(reasons.PatchesLost(cause, count=len(lost), of=len(chips), chips=True,
                                       blur_px=blur if cause == "blurred" else None,
                                       or_mirroring=sum(alike) > len(alike) / 2))
    veil, _ = veil_share(raw)
    too_much = veil > MOST_VEIL or (veil > MOST_MISFIT / 4 and raw.lifted.misfit > MOST_MISFIT)
    if too_much and not any(reason.kind == "glare" for reason in why):
        why.append(reasons.VeiledCard(veil))
    if smallest < LEAST_PATCH_PX:
        why.append(reasons.CardSmall(smallest))
    if tilt > MOST_TILT_DEG:
        why.append(reasons.CardTilted(tilt))
    if raw.light_stops > MOST_LIGHT_STOPS:
        why.append(reasons.LightUneven(raw.light_stops))
    worst = max((float(raw.tail_error[k]) for k, p in enumerate(card.patches) if p.role == "bar"), default=0.0)
    if worst > MOST_ERROR:
        why.append(reasons.CardNoisy(worst))
    # What is sure comes first: it says what the others are likely to be.
    return (*why, *unsure)


def blur_px(raw: RawReading, found: Found) -> float:
    """10 % to 90 % width of an edge in the direction in which the picture is blurred most; a steady movement's is
    0.8 of its length."""
    smear = raw.observed.smear
    return found.edge_width_px if smear is None else max(found.edge_width_px, 0.8 * smear.length_px)


def tilt_deg(pose: Pose, card: Card) -> float:
    """Angle between the card and the picture plane at the card's middle, from how much it is foreshortened there."""
    middle = np.array(card.size) / 2
    step = 0.02 * max(card.size)
    points = pose.to_pixels(middle + step * np.array([[1, 0], [-1, 0], [0, 1], [0, -1.0]]))
    jacobian = np.column_stack([points[0] - points[1], points[2] - points[3]])
    jacobian[0] *= pose.stretch
    singular = np.linalg.svd(jacobian, compute_uv=False)
    return float(np.degrees(np.arccos(np.clip(singular[1] / max(singular[0], 1e-12), 0.0, 1.0))))


def triple(values: np.ndarray) -> Triple:
    return (float(values[0]), float(values[1]), float(values[2]))


def matrix(values: np.ndarray) -> Matrix3:
    return triple(values[0]), triple(values[1]), triple(values[2])
