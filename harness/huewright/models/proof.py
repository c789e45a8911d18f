"""The proof: what was measured on real frames before and after, against targets and references."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from huewright.errors import InputError
from huewright.files import write_json
from huewright.models.card import Role
from huewright.models.cautions import AnyCaution, Limits
from huewright.models.correction import Parameter
from huewright.models.diagnostics import Diagnostics
from huewright.models.footage import LookInput, Range, Standing
from huewright.models.methods import MethodResult
from huewright.models.provenance import ProofProvenance
from huewright.models.reasons import AnyFrameReason, AnyPatchReason
from huewright.models.record import Count, Frame, Name, Number, Positive, from_record, load_record, to_record
from huewright.models.shots import Percent, ShotProof
from huewright.models.survey import Verdict as FrameVerdict

FORMAT = "huewright-proof-1"
Verdict = Literal["shot-of-another-camera", "outside-limits", "declaration-contradicted", "declaration-in-doubt",
                  "checks-worse", "refused-frames-taken-in", "done-in-part", "card-unmeasured", "uncertain",
                  "within-limits"]
FAILED: tuple[Verdict, ...] = ("shot-of-another-camera", "outside-limits", "checks-worse")


@dataclass(frozen=True)
class PatchProof:
    """One patch measured on the rendered, re-read frames. (Y', Cb, Cr) of the display's luma coefficients.

    ``delta_e_*`` are CIEDE2000 against the card's reference colour; None where it has none. ``*_interval*`` is the half
    width of the 95 % interval of where the patch lies after, as far as the reading's noise goes; None where the solve
    could not state it. ``reasons``: why it was not used.
    """

    name: Name
    role: Role
    used: bool
    target: tuple[Number | None, Number | None, Number | None]
    before: tuple[Number, Number, Number]
    after: tuple[Number, Number, Number]
    hue_error_before_deg: Number | None = None
    hue_error_after_deg: Number | None = None
    radius_ratio_before: Positive | None = None
    radius_ratio_after: Positive | None = None
    level_before_ire: Number | None = None
    level_after_ire: Number | None = None
    level_target_ire: Number | None = None
    delta_e_before: Positive | None = None
    delta_e_after: Positive | None = None
    reasons: tuple[AnyPatchReason, ...] = ()
    hue_interval_deg: Positive | None = None
    radius_interval: Positive | None = None
    level_interval_ire: Positive | None = None


@dataclass(frozen=True)
class Summary:
    """Figures over the whole card take. None where nothing was there to measure.

    worst_*_error_*    of the chips and bars that were used, before and after
    *_check_delta_e_*  CIEDE2000 of the check patches
    worst_level_error_as_lit_ire   the same after, with the light's fall-off left in
    patches_not_used   chips and bars that could not be
    noise_lifted_db    measured on the patches
    pixels_*_percent   of the corrected signal outside the display's range, beyond what EBU R 103 prefers, and at an
                       end of the rendered files' codes
    render_against_chain_*   how far the rendered files are from the chain, in signal
    """

    worst_hue_error_before_deg: Positive | None = None
    worst_radius_error_before_percent: Positive | None = None
    worst_level_error_before_ire: Positive | None = None
    mean_check_delta_e_before: Positive | None = None
    worst_check_delta_e_before: Positive | None = None
    worst_hue_error_after_deg: Positive | None = None
    worst_radius_error_after_percent: Positive | None = None
    worst_level_error_after_ire: Positive | None = None
    mean_check_delta_e_after: Positive | None = None
    worst_check_delta_e_after: Positive | None = None
    worst_level_error_as_lit_ire: Positive | None = None
    patches_not_used: Count = 0
    noise_lifted_db: Number | None = None
    pixels_over_range_percent: Percent = 0.0
    pixels_under_range_percent: Percent = 0.0
    pixels_beyond_preferred_percent: Percent = 0.0
    pixels_at_end_stops_percent: Percent = 0.0
    render_against_chain_mean: Positive = 0.0
    render_against_chain_worst: Positive = 0.0
    frames_measured: Count = 0


@dataclass(frozen=True)
class FramePassedOver:
    """A frame that the survey refused, or that had no card."""

    frame: Frame
    verdict: FrameVerdict
    reasons: tuple[AnyFrameReason, ...]


@dataclass(frozen=True)
class FramesRead:
    """The card take's frames: those ``chosen``, further ``usable`` ones, those ``refused``; those ``measured`` for the
    proof, and the one that the page shows."""

    chosen: tuple[Frame, ...] = ()
    usable: tuple[Frame, ...] = ()
    refused: tuple[FramePassedOver, ...] = ()
    measured: tuple[Frame, ...] = ()
    shown: Frame | None = None


@dataclass(frozen=True)
class LeftOut:
    """Where a chip would land had the other chips alone driven the hues; ``radius`` of the target's."""

    hue_error_deg: Number
    radius: Number | None


@dataclass(frozen=True)
class Work:
    """What the correction does: every solved number, chips left out, and what a colour scientist asks of the solve."""

    method: Name
    parameters: dict[str, Parameter]
    left_out: dict[Name, LeftOut]
    diagnostics: Diagnostics


@dataclass(frozen=True)
class Subject:
    """What was proved: the take and its first and last frame, the card, the footage as declared (``look``: through a
    look LUT, which is given ``look_input``), and the picture's size in pixels."""

    take: str
    first_frame: Frame
    last_frame: Frame
    card: Name
    encoding: str
    range: Range
    bits: Count
    primaries: str
    look: bool
    look_input: LookInput
    width: Count
    height: Count


@dataclass(frozen=True)
class Proof:
    """``verdict`` is the first of these that holds: a shot is not of the card take's camera or settings; a used patch
    lies outside the ``limits``; the bars contradict the declared encoding or range (and were trusted all the same), or
    leave it in doubt, or the files say other colours of themselves; the check patches are no better for the correction;
    frames that the survey refused were taken in by hand; less than full strength was asked for; the card's colours were
    never measured; what is known of a patch reaches beyond the limits; all is within them. ``passed``: none of
    :data:`FAILED`. What it is in words is made of the whole proof.

    limits       of what counts as on target
    display      that the correction was made for
    declaration  what the bars say of the declared encoding and range
    cautions     what must be known: clipping, gamut excursions in percent of pixels, noise lifted in dB, range
    methods      those compared on the same reading
    shots        what was found in each rendered shot
    title        names the take, or what the person called it
    pictures     name -> file name beside the proof

    Raises ``ValueError`` where ``passed`` is not as the verdict has it.
    """

    verdict: Verdict
    passed: bool
    patches: tuple[PatchProof, ...]
    summary: Summary
    limits: Limits
    display: Name = "bt709"
    declaration: Standing = "not checked"
    cautions: tuple[AnyCaution, ...] = ()
    shots: tuple[ShotProof, ...] = ()
    methods: tuple[MethodResult, ...] = ()
    frames: FramesRead = field(default_factory=FramesRead)
    work: Work | None = None
    subject: Subject | None = None
    title: str = ""
    pictures: dict[str, str] = field(default_factory=dict)
    provenance: ProofProvenance = field(default_factory=ProofProvenance)

    def __post_init__(self) -> None:
        if self.passed == (self.verdict in FAILED):
            raise ValueError(f"passed is {str(self.passed).lower()}, which the verdict {self.verdict!r} can't be")

    @property
    def strange_shots(self) -> tuple[str, ...]:
        """Names of shots whose files contradict that they are of the card take's camera and settings."""
        return tuple(shot.name for shot in self.shots if shot.strange)


def proof_to_dict(proof: Proof) -> dict[str, Any]:
    return {"format": FORMAT, **to_record(proof)}


def save_proof(proof: Proof, path: Path | str, *, overwrite: bool = False) -> None:
    write_json(path, proof_to_dict(proof), overwrite=overwrite)


def load_proof(path: Path | str) -> Proof:
    """Raises :class:`InputError`, naming the file and the key, if ``path`` is no proof file or a damaged one."""
    remedy = "make it again with `huewright prove`"
    record = load_record(path, "proof file", FORMAT, remedy)
    del record["format"]
    try:
        return from_record(record, Proof)
    except ValueError as error:
        raise InputError(f"{path}: damaged proof file ({error}); {remedy}") from None
