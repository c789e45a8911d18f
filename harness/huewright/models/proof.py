"""The proof: what was measured on real frames before and after, against targets and references."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from huewright.files import write_json
from huewright.models.cautions import AnyCaution
from huewright.models.reasons import AnyPatchReason
from huewright.models.record import to_record

FORMAT = "huewright-proof-1"


@dataclass(frozen=True)
class PatchProof:
    """One patch measured on the rendered, re-read frames. (Y', Cb, Cr) of the display's luma coefficients.

    ``delta_e_*`` are CIEDE2000 against the card's reference colour; None where it has none. ``*_interval*`` is the half
    width of the 95 % interval of where the patch lies after, as far as the reading's noise goes; None where the solve
    could not state it. ``reasons``: why it was not used.
    """

    name: str
    role: str
    used: bool
    target: tuple[float | None, float | None, float | None]
    before: tuple[float, float, float]
    after: tuple[float, float, float]
    hue_error_before_deg: float | None = None
    hue_error_after_deg: float | None = None
    radius_ratio_before: float | None = None
    radius_ratio_after: float | None = None
    level_before_ire: float | None = None
    level_after_ire: float | None = None
    level_target_ire: float | None = None
    delta_e_before: float | None = None
    delta_e_after: float | None = None
    reasons: tuple[AnyPatchReason, ...] = ()
    hue_interval_deg: float | None = None
    radius_interval: float | None = None
    level_interval_ire: float | None = None


@dataclass(frozen=True)
class Proof:
    """``verdict`` is one sentence; ``passed`` whether every used patch is within ``limits``
    and no shot is strange.

    title      names the take, or what the person called it
    subject    in words: the take, the card, the footage as declared, the display aimed at
    strange_shots  names of shots whose files contradict that they are of the card take's camera and settings
    declaration  what the bars say of the declared encoding and range: "fits", "in doubt", "contradicted" (and trusted
               all the same) or "not checked"
    basis      a sentence: what was measured, and the limits
    limits     hue_deg, radius (fraction of the target's), level_ire
    work       what the correction does: parameters name -> [value, standard error]; left_out chip -> [hue error in
               degrees, radius ratio] had the other chips alone driven the hues; diagnostics
    shots      what was found in each rendered shot: see :func:`huewright.proof.shots.look_through`
    summary    worst_hue_error_deg, worst_radius_error, worst_level_error_ire, mean/worst check ΔE, ...
    methods    one row a method compared on the same reading: errors, smoothness, noise gain
    cautions   what must be known: clipping, gamut excursions in percent of pixels, noise lifted in dB, range
    frames     chosen: [numbers]; refused: [{frame, reasons}]
    pictures   name -> file name beside the proof
    """

    verdict: str
    passed: bool
    patches: tuple[PatchProof, ...]
    summary: dict[str, float | int | str | None] = field(default_factory=dict)
    methods: tuple[dict[str, Any], ...] = ()
    cautions: tuple[AnyCaution, ...] = ()
    frames: dict[str, Any] = field(default_factory=dict)
    provenance: dict[str, Any] = field(default_factory=dict)
    pictures: dict[str, str] = field(default_factory=dict)
    title: str = ""
    subject: dict[str, str] = field(default_factory=dict)
    basis: str = ""
    limits: dict[str, float] = field(default_factory=dict)
    display: str = "bt709"
    work: dict[str, Any] = field(default_factory=dict)
    shots: tuple[dict[str, Any], ...] = ()
    declaration: str = "not checked"
    strange_shots: tuple[str, ...] = ()


def proof_to_dict(proof: Proof) -> dict[str, Any]:
    return {"format": FORMAT, **to_record(proof)}


def save_proof(proof: Proof, path: Path | str, *, overwrite: bool = False) -> None:
    write_json(path, proof_to_dict(proof), overwrite=overwrite)
