"""What must be known of a correction, a proof, a render or an export: codes and figures."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, Union

import msgspec

from huewright.models.coded import Coded
from huewright.models.footage import Range, SaidBy
from huewright.models.reasons import AnyPatchReason
from huewright.models.record import Count, Frame, Name, Number, Positive, Share
from huewright.models.shots import AnySign


class Limits(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What counts as on target: ``radius`` is a share of the target's."""

    hue_deg: Positive
    radius: Positive
    level_ire: Positive


Quantity = Literal["hue_deg", "radius", "level_ire"]


class Miss(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """``by`` degrees of hue, share of the radius, or IRE of level."""

    patch: Name
    quantity: Quantity
    by: Positive


class Caution(Coded, frozen=True):
    """What the person must know."""


# ---------------------------------------------------------------- of the survey and what was declared

class LegalRangeOfFloats(Caution, frozen=True):
    """Legal range is declared for files of floating numbers, which are written with full range as a rule."""


class FilesUnlike(Caution, frozen=True):
    """The files of ``shot`` are of another ``kind`` than the card take's, ``card_kind``."""

    shot: str
    kind: str
    card_kind: str


TagDoubt = Literal["range missing", "range and codes", "matrix missing", "matrix and size", "matrix and primaries",
                   "transfer and primaries", "uneven", "alpha", "lost"]


class MovieDoubted(Caution, frozen=True):
    """A movie's tags leave ``about`` open or say it improbably: what they say, and what was taken."""

    movie: str
    about: TagDoubt
    said: str = ""
    taken: str = ""


class LookedSparsely(Caution, frozen=True):
    """Of a long take's ``frames`` so many were ``looked`` at: about every ``step``-th, and more where the card was
    ``found``."""

    looked: Count
    frames: Count
    step: Count
    found: bool


# ---------------------------------------------------------------- of the solve

class Edited(Caution, frozen=True):
    """The correction file was edited by hand since it was solved."""


class OtherCardFile(Caution, frozen=True):
    """Solved with another card file than the take was surveyed with."""

    card_file: str
    surveyed_card_file: str


class Interpolated(Caution, frozen=True):
    """Lies between two takes of the card, ``share`` of the way from ``first`` to ``second``, which were ``apart_s``
    seconds apart; ``drift`` is the mean CIEDE2000 between their corrections on the card's patches, None where no
    reading is recorded to tell."""

    first: Name
    second: Name
    share: Share
    apart_s: Positive
    drift: Positive | None = None


class FollowsCamera(Caution, frozen=True):
    """Solved towards what the correction of ``take``, of another camera, makes of the card: by ``patches`` chips and
    check patches; how far it lies from that in CIEDE2000, done whole, and with each of them left out in turn."""

    take: Name
    patches: Count
    mean: Positive
    worst: Positive
    left_out_mean: Positive
    left_out_worst: Positive


class OfAnotherCamera(Caution, frozen=True):
    """The files of ``shot`` contradict that they are of the camera and settings of ``take``, whose correction it
    gets."""

    shot: Name
    take: Name
    signs: tuple[AnySign, ...]


class LightMayDiffer(Caution, frozen=True):
    """By its pictures alone, the light of ``shot`` looks other than that of ``take``, whose correction it gets: by so
    many stops of red or blue against green, or of level; None what is within the limits."""

    shot: Name
    take: Name
    red_stops: Number | None = None
    blue_stops: Number | None = None
    level_stops: Number | None = None


class TakeAfterShot(Caution, frozen=True):
    """``shot`` gets the correction of ``take``, which was made ``seconds`` after it, for no take came before."""

    shot: Name
    take: Name
    seconds: Positive


class Nearest(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A declaration that would fit: another ``encoding``, another ``range``, or both; None: the declared one.
    ``likelihood`` is its share among all tried."""

    encoding: str | None
    range: Range | None
    likelihood: Share


class PrimariesAssumed(Caution, frozen=True):
    """Nobody said which primaries the light has: ``assumed`` are taken, while the declared ``encoding`` is published
    with the colour spaces ``implied``."""

    encoding: str
    assumed: str
    implied: tuple[str, ...]


class ColoursSaidOtherwise(Caution, frozen=True):
    """The files say, ``by`` a profile or the like, that their colours are other than declared: of other ``primaries``
    (x and y of red, green, blue and white; empty: of no others), ``name`` where a standard has them, or of another
    ``transfer`` ("": of no other).

    declared, encoding  the primaries and the transfer that were taken: of the light, or, ``shown``, of the display that
                        the picture is said to be made for, and its name
    """

    by: SaidBy
    name: str
    primaries: tuple[float, ...]
    transfer: str
    declared: str
    encoding: str
    shown: bool


class DeclarationDoubted(Caution, frozen=True):
    """The bars' light doubts or contradicts the declared encoding and range.

    bar, off    the bar furthest from its place, and by what share of its light
    bent_ire    the most that a bar's signal is off, with nothing explained away
    misfit      deviance; ``usual`` up to which it says nothing
    veil        of white's light, that fits best
    picture     declared as a display picture, which a camera's own rendering may be
    rough       the card has no reference values: what its bars reflect is known from a photograph or a level alone
    """

    contradicted: bool
    bar: Name
    off: Number
    bent_ire: Positive
    misfit: Positive
    usual: Positive
    veil: Share
    picture: bool = False
    nearest: tuple[Nearest, ...] = ()
    rough: bool = False


class LookSampled(Caution, frozen=True):
    """The look's file holds a step that isn't computed here; a table stands for it, off by ``error`` at worst (relative
    above 1)."""

    error: Positive


class LookWaysApart(Caution, frozen=True):
    """The look's lattice names no interpolation and is read tetrahedrally; trilinearly it would be up to ``apart`` off
    that."""

    apart: Positive


class OnlyThroughLook(Caution, frozen=True):
    """All that is known of the footage is the look LUT, after which exposure and balance then act."""


class VeilTakenOff(Caution, frozen=True):
    """Mirror light or flare over the card of ``veil`` (share of white; ``veil_error`` its standard error) was taken off
    before anything was solved, so bars on their levels say nothing of it."""

    veil: Share
    veil_error: Positive


class FramesByHand(Caution, frozen=True):
    """Frames that a person ``taken_in`` (of which ``refused`` had reasons against them), ``left_out``, or in which the
    person ``placed`` the card."""

    taken_in: tuple[Frame, ...] = ()
    refused: tuple[Frame, ...] = ()
    left_out: tuple[Frame, ...] = ()
    placed: tuple[Frame, ...] = ()


class DoneInPart(Caution, frozen=True):
    """Less than full strength was asked for, 0 to 1 of ``levels`` and ``hues``: patches are held against where that
    leaves them, short of their own targets by up to ``hue_deg``, ``radius`` (share of the target's) and
    ``level_ire``."""

    levels: Share
    hues: Share
    hue_deg: Positive
    radius: Positive
    level_ire: Positive


class Asked(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A target that the person set, and what it would be otherwise."""

    patch: Name
    asked: Number
    otherwise: Number


class CardUnmeasured(Caution, frozen=True):
    """None of the bars and chips that drove the solve has a reference colour: whether they were made for the levels
    and hues that were asked of them is not known."""


class TargetsAsked(Caution, frozen=True):
    """Levels of bars, in IRE, and chips' fractions of their 75 % bars that are not the card's and the usual ones;
    ``nudges`` are turns of chips' targets in degrees, counter-clockwise on the vectorscope."""

    levels: tuple[Asked, ...] = ()
    fractions: tuple[Asked, ...] = ()
    nudges: tuple[Asked, ...] = ()


class OffTarget(Caution, frozen=True):
    misses: tuple[Miss, ...]
    limits: Limits


class Uncertain(Caution, frozen=True):
    """Half of the 95 % interval by which noise, and what is known of the light, may carry each of these beyond the
    limits; ``grain``, the share of the readings' variances that single pixels' noise has, tells which of them it is."""

    misses: tuple[Miss, ...]
    limits: Limits
    grain: Share = 1.0


class ChipsGuessed(Caution, frozen=True):
    """Chips without a reference value, whose targets on a wide or HDR ``display`` depend on their level."""

    chips: tuple[Name, ...]
    display: str


class ChipUnused(Caution, frozen=True):
    """Hues between ``from_deg`` and ``to_deg`` follow the chips at either end; None without another chip."""

    chip: Name
    reasons: tuple[AnyPatchReason, ...]
    from_deg: Number | None = None
    to_deg: Number | None = None


class BarUnused(Caution, frozen=True):
    bar: Name
    reasons: tuple[AnyPatchReason, ...]
    near_ire: Number


class CheckUnread(Caution, frozen=True):
    patch: Name
    reasons: tuple[AnyPatchReason, ...]


class HeldAtBound(Caution, frozen=True):
    parameters: tuple[str, ...]


class ColoursFolded(Caution, frozen=True):
    """``share`` of a LUT's cells that are turned inside out."""

    share: Share


class NoiseLifted(Caution, frozen=True):
    """As the solve predicts it: all of Y', Cb, Cr, and of colour alone."""

    all_db: Number
    chroma_db: Number


class SmallDifferencesStretched(Caution, frozen=True):
    times: Positive


class ChipFarFromOthers(Caution, frozen=True):
    """Where the others alone drove the hues, this chip would miss by ``hue_deg``."""

    chip: Name
    hue_deg: Positive


class ChecksWorse(Caution, frozen=True):
    """Mean CIEDE2000 of the check patches, and with exposure and balance alone. ``own_targets``: of a solve for the
    card's own targets, where others were asked for, which move colours by intent."""

    delta_e: Positive
    balance_delta_e: Positive
    own_targets: bool = False


class CheckWorse(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    patch: Name
    delta_e: Positive
    balance_delta_e: Positive


class SomeChecksWorse(Caution, frozen=True):
    """The same of single ``patches``."""

    patches: tuple[CheckWorse, ...]
    own_targets: bool = False


class MatrixOfFewChips(Caution, frozen=True):
    chips: Count


class PolynomialTable(Caution, frozen=True):
    """The root polynomial is rendered from a table of ``size`` points a side: errors of the signal over the display's
    cube; light above ``top`` times white is clamped."""

    size: Count
    worst: Positive
    mean: Positive
    top: Positive


class PolynomialOfFewPatches(Caution, frozen=True):
    terms: Count
    patches: Count


class TableTooFarOff(Caution, frozen=True):
    """A method that is compared, but not rendered."""

    error: Positive


# ---------------------------------------------------------------- of the proof and its shots

class PatchApart(msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="code", tag="patch-apart"):
    """A patch of the rendered frames is off the chain, in signal, by more than the files explain."""

    patch: Name
    off: Positive
    allowed: Positive


class PixelsApart(msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="code", tag="pixels-apart"):
    """A ``share`` of the pixels is off the chain by more than ``allowed``, in signal."""

    share: Share
    allowed: Positive


Apart = PatchApart | PixelsApart


class RenderedNear(Caution, frozen=True):
    """The rendered frames are near what the correction makes, but not the same."""

    apart: Apart


class NotFinite(Caution, frozen=True):
    """Pixels of ``shot`` (the card take where empty), as rendered, that hold no finite number."""

    pixels: Count
    shot: str = ""


class SignalBeyond(Caution, frozen=True):
    """Share of the pixels of ``shot`` (the card take where empty) above and below the display's range."""

    over: Share
    under: Share
    shot: str = ""


class BeyondPreferred(Caution, frozen=True):
    """Share of the pixels outside -5 to 105 % (EBU R 103)."""

    share: Share


class AtEndStops(Caution, frozen=True):
    """Share of the pixels in the rendered files (of ``shot``; the card take where empty) at an end of the codes."""

    share: Share
    shot: str = ""


class NoiseMeasured(Caution, frozen=True):
    lifted_db: Number


class LightFallsOff(Caution, frozen=True):
    stops: Positive


class Flashing(Caution, frozen=True):
    """More flashes (or, ``red``, flashes to or from saturated red) within a second than ITU-R BT.1702 allows."""

    shot: str
    flashes: Count
    red: bool
    first_frame: Frame
    last_frame: Frame
    frames_per_second: Positive
    rate_declared: bool


class SameLight(Caution, frozen=True):
    """Whether a shot shares the card's light and camera settings can't be seen from its files."""


class Screened(Caution, frozen=True):
    """The shots were screened for flashing, which is no certified test; the rest is for others to decide."""


class NotScreened(Caution, frozen=True):
    """Nothing was screened for flashing; that and the rest is for others to decide."""


# ---------------------------------------------------------------- of renders

class ReviewMovie(Caution, frozen=True):
    """A movie was written with ``codec``, so many ``bits`` and chroma ``sampling`` such as "420"."""

    codec: str
    bits: Count
    sampling: str


class RenderLimited(Caution, frozen=True):
    """Share of the pixels beyond what the files hold; ``shot`` is named where several were rendered."""

    share: Share
    bits: Count
    range: str
    shot: str = ""


class RenderBeyond(Caution, frozen=True):
    """Shares of the pixels above white and below black of the display signal; ``shot`` as of :class:`RenderLimited`."""

    over: Share
    under: Share
    shot: str = ""


class LegalFloatsWritten(Caution, frozen=True):
    """Legal range was written into floating-point files."""


class FramesKept(Caution, frozen=True):
    """``by_hash`` of them were told by their hashes, the others rendered again to compare."""

    count: Count
    by_hash: Count = 0


class LeftoversRemoved(Caution, frozen=True):
    """What a process that was killed had left of ``files`` that it was writing was removed."""

    files: tuple[str, ...]


class ChannelsLost(Caution, frozen=True):
    channels: tuple[str, ...]
    suffix: str


class ColoursUnsaid(Caution, frozen=True):
    """The files' headers said which transfer and colours the camera recorded; the rendered ones say "user defined"."""


class ColoursRetagged(Caution, frozen=True):
    """What the files said of the camera's colours in these ``attributes`` is not in the rendered ones; these now name
    the display's primaries, where ``display_named``."""

    attributes: tuple[str, ...]
    display_named: bool


class StructureChanged(Caution, frozen=True):
    """What of the files' structure the rendered ones don't have: ``names`` of parts or elements, or the orientation."""

    what: Literal["turned", "levels", "joined", "left out", "grey", "chroma", "alpha joined"]
    names: tuple[str, ...] = ()


class LayersCarried(Caution, frozen=True):
    """Further layers or views are carried over as the camera's: only R, G and B are corrected."""

    channels: tuple[str, ...]


class ProfileLost(Caution, frozen=True):
    """The files' ICC profile describes the camera's picture and is not in the rendered ones."""


class DataWindowLost(Caution, frozen=True):
    """Files of this ``suffix`` hold the pixels alone, not that they are a window of a larger picture."""

    data_window: str
    display_window: str
    suffix: str


class CameBroken(Caution, frozen=True):
    """Frames that came from the camera's files with pixels that are no numbers or infinite."""

    frames: tuple[Frame, ...]


class BecameBroken(Caution, frozen=True):
    """Frames that got such pixels in rendering."""

    frames: tuple[Frame, ...]


class LossyKept(Caution, frozen=True):
    """Written with the take's own lossy compression."""

    compression: str


# ---------------------------------------------------------------- of exports

Colours = Literal["picture-like", "random", "in-gamut", "beyond-gamut"]


class Beyond(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """An error, of full scale, and its limit: in the mean over "picture-like" or "random" colours, or at worst over
    those "in-gamut" or those "beyond-gamut"."""

    colours: Colours
    error: Positive


class ExportOff(Caution, frozen=True):
    """An export is off the render; ``lattice_only`` where only a larger lattice would bring it nearer."""

    beyond: tuple[Beyond, ...]
    mean_limit: Positive
    in_gamut_limit: Positive
    beyond_gamut_limit: Positive
    lattice_only: bool


class CubeLimitsCodes(Caution, frozen=True):
    """A .cube takes code values from ``low`` to ``high`` only."""

    low: Number = 0.0
    high: Number = 1.0


class CubeHasShaper(Caution, frozen=True):
    """Not every program reads a .cube with both a table and a lattice."""


class LatticeLarge(Caution, frozen=True):
    """A lattice of ``size`` points along each axis; programs read ``usual`` as a rule."""

    size: Count
    usual: Count


class LegalCodesTaken(Caution, frozen=True):
    """The file takes the code values of a legal-range take as recorded."""


class CdlLeavesOut(Caution, frozen=True):
    """``left_out`` as it stands in the file. Errors of full scale over picture-like colours."""

    left_out: tuple[str, ...]
    mean: Positive
    worst: Positive


class HandedInPart(Caution, frozen=True):
    """A configuration holds nothing of the takes ``without``, which give no correction."""

    without: tuple[Name, ...]


class EditMediaRelative(Caution, frozen=True):
    """So many ``clips`` of an edit name their media by where the edit lies, and it is written into another folder."""

    clips: Count


# ---------------------------------------------------------------- of the bench

class MachineBusy(Caution, frozen=True):
    """The machine's ``load`` before the bench began, on so many ``processors``."""

    load: Positive
    processors: Count


class RowsUnreliable(Caution, frozen=True):
    """So many ``rows`` spread by more than ``spread`` of their median."""

    rows: Count
    spread: Share


if TYPE_CHECKING:
    AnyCaution = Caution
else:
    AnyCaution = Union[tuple(Caution.__subclasses__())]  # noqa: UP007
