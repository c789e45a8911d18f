"""Why patches and frames are not used, what would help, and what a survey advises: codes and figures."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, ClassVar, Literal, Union

import msgspec

from huewright.models.coded import Coded
from huewright.models.record import Count, Frame, Name, Number, Positive, Share

PatchKind = Literal["glare", "clipped", "blurred", "small", "hidden", "covered"]
Kind = PatchKind | Literal["tilted", "uneven", "noisy"]
Action = Literal["tilt-card", "change-exposure", "close-down", "open-up", "lower-contrast", "hold-still", "focus",
                 "move-closer", "turn-to-lens", "even-light", "more-light", "show-whole-card", "uncover-patches",
                 "uncover-or-tilt"]


Channels = Literal["", "R", "G", "B", "RG", "RB", "GB", "RGB"]
_CHANNELS: tuple[Channels, ...] = ("", "R", "G", "RG", "B", "RB", "GB", "RGB")


class PatchReason(Coded, frozen=True):
    """Why a patch is not used. ``kind`` is what a person could do something about, or None."""

    kind: ClassVar[PatchKind | None] = None


class OutsidePicture(PatchReason, frozen=True):
    kind: ClassVar[PatchKind | None] = "hidden"


class TooSmallToRead(PatchReason, frozen=True):
    kind: ClassVar[PatchKind | None] = "small"


class BlurredIntoNeighbours(PatchReason, frozen=True):
    kind: ClassVar[PatchKind | None] = "blurred"


class Covered(PatchReason, frozen=True):
    """Something lies over it."""

    kind: ClassVar[PatchKind | None] = "covered"


class CoveredOrMirroring(PatchReason, frozen=True):
    """Something lies over it, or it mirrors a lamp of another colour than the card's light: they look the same."""

    kind: ClassVar[PatchKind | None] = "covered"


class Clipped(PatchReason, frozen=True):
    """``channels`` of "RGB"; ``share`` of the pixels in the worst of them; ``at`` the code value (0..1) at which
    they clip, and ``of_codes`` the file's highest code; None where a float's value says it, or it is not known."""

    channels: Channels = ""
    share: Share | None = None
    at: Number | None = None
    of_codes: Count | None = None

    kind: ClassVar[PatchKind | None] = "clipped"


def channels_of(flags: Iterable[bool]) -> Channels:
    """The names of those of R, G and B that are true."""
    red, green, blue = flags
    return _CHANNELS[bool(red) + 2 * bool(green) + 4 * bool(blue)]


class Reflection(PatchReason, frozen=True):
    """``score`` 0..1; None where nobody counted it."""

    score: Share | None = None

    kind: ClassVar[PatchKind | None] = "glare"


class NotRead(PatchReason, frozen=True):
    """The reading has no such patch."""


class Excluded(PatchReason, frozen=True):
    """Excluded by the reading, which doesn't say why."""


class FrameReason(Coded, frozen=True):
    """Why a frame is not used, or what is to be known of it."""

    @property
    def kind(self) -> Kind | None:
        return None


class PatchesLost(FrameReason, frozen=True):
    """Patches that can't be used ``why``: ``bars`` by name, or ``count`` ``of`` all patches or (``chips``) of the
    chips. ``blur_px`` where blurred; ``clipped`` is the first bar's; ``or_mirroring`` where what looks covered may as
    well mirror a lamp of another colour."""

    why: PatchKind
    bars: tuple[Name, ...] = ()
    count: Count = 0
    of: Count = 0
    chips: bool = False
    blur_px: Positive | None = None
    clipped: Clipped | None = None
    or_mirroring: bool = False

    @property
    def kind(self) -> Kind | None:
        return self.why


class VeiledCard(FrameReason, frozen=True):
    """Light added all over the card: ``share`` of a perfect white's."""

    share: Positive

    @property
    def kind(self) -> Kind | None:
        return "glare"


class CardSmall(FrameReason, frozen=True):
    patch_px: Positive

    @property
    def kind(self) -> Kind | None:
        return "small"


class CardTilted(FrameReason, frozen=True):
    tilt_deg: Positive

    @property
    def kind(self) -> Kind | None:
        return "tilted"


class LightUneven(FrameReason, frozen=True):
    stops: Positive

    @property
    def kind(self) -> Kind | None:
        return "uneven"


class CardNoisy(FrameReason, frozen=True):
    """``error`` is the standard error of a bar's mean, in code values."""

    error: Positive

    @property
    def kind(self) -> Kind | None:
        return "noisy"


class NoCard(FrameReason, frozen=True):
    """No card was found in the frame."""


class WashedOut(FrameReason, frozen=True):
    """No card was found, but where the frames ``beside`` show it a trace of it is left: its patches differ by
    ``contrast`` of what they differ there, and its darkest ones are lighter by ``lift`` (code values)."""

    contrast: Share
    lift: Share
    beside: tuple[Frame, ...] = ()

    @property
    def kind(self) -> Kind | None:
        return "glare"


class AllWhite(FrameReason, frozen=True):
    """No card was found, and where the frames ``beside`` show it all lies at the end of the code range."""

    beside: tuple[Frame, ...] = ()

    @property
    def kind(self) -> Kind | None:
        return "glare"


class WithoutPatches(FrameReason, frozen=True):
    """Good but for these patches."""

    patches: tuple[Name, ...]


class DiffersFromOthers(FrameReason, frozen=True):
    """Differs from the frames that agree: most in ``patch``, by ``shift`` in code values."""

    patch: Name
    shift: Positive


class LeftOutByHand(FrameReason, frozen=True):
    """A person left the frame out."""


class TakenInByHand(FrameReason, frozen=True):
    """A person took the frame in, whatever else is said of it."""


class PlacedByHand(FrameReason, frozen=True):
    """A person said where the card lies in this frame."""


class Remedy(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What the person can do. ``stops`` to open up or close down; ``or_closer``: or move closer; ``survey_again``: it
    can't be told yet whether that is enough."""

    action: Action
    stops: Positive | None = None
    or_closer: bool = False
    survey_again: bool = False


class Usable(Coded, frozen=True):
    """``frames`` were merged, ``gain`` times less uncertain than the best alone; ``without`` patches of the merge, the
    first of them for the reason ``because``; light over the card differs by ``light_stops``, where that is much; mirror
    light or flare of ``veil`` (share of white; ``veil_error`` its standard error) was taken off, where that is much."""

    frames: tuple[Frame, ...]
    gain: Positive
    without: tuple[Name, ...] = ()
    because: AnyPatchReason | None = None
    light_stops: Positive | None = None
    veil: Positive | None = None
    veil_error: Positive | None = None


class NoCardInTake(Coded, frozen=True):
    frames: Count
    card: Name


class Unusable(Coded, frozen=True):
    """``reason`` stands against ``count`` of the ``frames`` with a card."""

    reason: AnyFrameReason
    count: Count
    frames: Count
    remedy: Remedy


if TYPE_CHECKING:
    AnyPatchReason = PatchReason
    AnyFrameReason = FrameReason
else:
    AnyPatchReason = Union[tuple(PatchReason.__subclasses__())]  # noqa: UP007
    AnyFrameReason = Union[tuple(FrameReason.__subclasses__())]  # noqa: UP007
Advice = Usable | NoCardInTake | Unusable
