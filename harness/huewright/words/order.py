"""Which caution a person must see first: what may make all else wrong, then what is wrong, then what it costs."""

from __future__ import annotations

from collections.abc import Iterable

from huewright.models import cautions as c
from huewright.models.cautions import Caution

GROUPS: tuple[tuple[str, tuple[type[Caution], ...]], ...] = (
    ("What may make everything else wrong",
     (c.OfAnotherCamera, c.DeclarationDoubted, c.ColoursSaidOtherwise, c.PrimariesAssumed, c.Edited, c.OtherCardFile,
      c.RenderedNear, c.FilesUnlike, c.MovieDoubted, c.LegalRangeOfFloats)),
    ("What may do harm, or is broken", (c.Flashing, c.NotFinite, c.BecameBroken, c.CameBroken)),
    ("What is not as it should be",
     (c.LightMayDiffer, c.TakeAfterShot, c.Interpolated, c.FollowsCamera, c.OffTarget, c.CardUnmeasured, c.FramesByHand,
      c.DoneInPart, c.TargetsAsked, c.Uncertain, c.VeilTakenOff, c.ChecksWorse, c.SomeChecksWorse, c.HeldAtBound,
      c.BarUnused, c.ChipUnused, c.ChipsGuessed, c.CheckUnread, c.OnlyThroughLook, c.LookSampled, c.LookWaysApart)),
    ("What is lost in the files",
     (c.RenderLimited, c.AtEndStops, c.BeyondPreferred, c.SignalBeyond, c.RenderBeyond, c.LegalFloatsWritten,
      c.ExportOff, c.LegalCodesTaken, c.CubeLimitsCodes, c.CubeHasShaper, c.LatticeLarge, c.CdlLeavesOut,
      c.ChannelsLost, c.LayersCarried, c.StructureChanged, c.DataWindowLost, c.ColoursRetagged, c.ColoursUnsaid,
      c.ProfileLost, c.LossyKept, c.ReviewMovie)),
    ("What the correction costs",
     (c.TableTooFarOff, c.ColoursFolded, c.NoiseLifted, c.NoiseMeasured, c.SmallDifferencesStretched,
      c.ChipFarFromOthers, c.MatrixOfFewChips, c.PolynomialTable, c.PolynomialOfFewPatches, c.LightFallsOff)),
    ("What to know all the same", (c.SameLight, c.Screened, c.NotScreened, c.FramesKept, c.LeftoversRemoved,
                                   c.LookedSparsely, c.RowsUnreliable, c.MachineBusy)),
)
_RANK = {kind: rank for rank, kind in enumerate(kind for _, kinds in GROUPS for kind in kinds)}


def in_order(cautions: Iterable[Caution]) -> list[Caution]:
    """Each once, the weightiest first; those of one kind as they came."""
    return sorted(dict.fromkeys(cautions), key=lambda caution: _RANK.get(type(caution), 0))
