"""An invented take for the report's tests: a painted scene with the demo's card in it, before and after.

Nothing here comes from a camera. *After* is the scene with the card's patches close to their reference colours and
with noise; *before* is the same light, darker, out of balance and with hues turned by amounts that differ from hue
to hue. Every figure in the proof is measured on these pictures.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from huewright.colorimetry.display import from_ycbcr, hue_difference_deg, to_ycbcr
from huewright.colorimetry.targets import delta_e, reference_rgb, targets_for
from huewright.models.card import Card, load_card
from huewright.models.cautions import BeyondPreferred, Limits, NoiseMeasured
from huewright.models.correction import Parameter
from huewright.models.diagnostics import Diagnostics
from huewright.models.methods import MethodResult, OnTargetAndNear
from huewright.models.proof import (
    FramePassedOver,
    FramesRead,
    LeftOut,
    PatchProof,
    Proof,
    Subject,
    Summary,
    Work,
)
from huewright.models.provenance import FrameHashes, ProofProvenance
from huewright.models.reasons import NoCard, PatchesLost, WithoutPatches
from huewright.models.refusals import ChipsOnLine
from huewright.models.settings import SolveSettings

LUMA = (0.2126, 0.0722)
SIZE = (1280, 720)
CORNERS = np.array([[330.0, 150.0], [905.0, 118.0], [938.0, 560.0], [352.0, 548.0]])


@dataclass(frozen=True)
class Take:
    card: Card
    before: np.ndarray
    after: np.ndarray
    outlines: dict[str, np.ndarray]
    proof: Proof


@pytest.fixture(scope="session")
def take() -> Take:
    return make_take()


@pytest.fixture(scope="session")
def pictures(take: Take, made_once: Callable[[str, Callable[[Path], object]], Path]) -> tuple[dict[str, str], Path]:
    """The take's pictures, name -> file name, and their folder; drawn once for all tests."""
    from huewright.report.scopes import scope_pictures

    def draw(folder: Path) -> None:
        names = scope_pictures(take.before, take.after, patches=take.proof.patches, polygons=take.outlines,
                               out_dir=folder)
        (folder / "names.json").write_text(json.dumps(names))

    folder = made_once("pictures", draw)
    return json.loads((folder / "names.json").read_text()), folder


def make_take() -> Take:
    import cv2

    card = load_card(Path(__file__).parents[2] / "demo" / "huewright_demo" / "card.toml")
    to_picture = cv2.getPerspectiveTransform(np.array(card.corners, dtype=np.float32), CORNERS.astype(np.float32))
    outlines = {patch.name: cv2.perspectiveTransform(np.array([patch.polygon], dtype=np.float64), to_picture)[0]
                for patch in card.patches}
    truth = _scene()
    cv2.fillConvexPoly(truth, np.rint(CORNERS).astype(np.int32), (0.17, 0.17, 0.17), cv2.LINE_AA)
    references = reference_rgb(card)
    for name, outline in outlines.items():
        cv2.fillConvexPoly(truth, np.rint(outline * 16).astype(np.int32), references[name], cv2.LINE_AA, 4)
    noise = np.random.default_rng(20).normal(0, 0.012, truth.shape).astype(np.float32)
    after = (truth + 0.02 * (_spoil(truth) - truth) + noise).astype(np.float32)      # as good as a real solve
    before = _spoil(truth + 1.3 * noise)
    return Take(card, before, after, outlines, _proof(card, before, after, outlines))


def _scene() -> np.ndarray:
    width, height = SIZE
    x, y = np.meshgrid(np.linspace(0, 1, width), np.linspace(0, 1, height))
    wall = 0.34 + 0.22 * np.exp(-((x - 0.3) ** 2 + (y - 0.25) ** 2) / 0.25)
    picture = np.stack([wall * 1.04, wall, wall * 0.93], axis=-1)
    table = np.clip((y - 0.74) * 60, 0, 1)[..., None]
    picture = picture * (1 - table) + table * (np.array([0.45, 0.33, 0.24]) * (1.1 - 0.4 * x[..., None]))
    spheres = ((0.13, 0.70, 0.10, (0.74, 0.22, 0.18)), (0.84, 0.72, 0.09, (0.16, 0.42, 0.66)),
               (0.92, 0.56, 0.055, (0.80, 0.66, 0.16)), (0.20, 0.86, 0.05, (0.24, 0.55, 0.26)),
               (0.72, 0.87, 0.045, (0.55, 0.24, 0.55)))
    for cx, cy, radius, colour in spheres:
        u, v = (x - cx) / radius, (y - cy) / (radius * width / height)
        inside = np.clip((1 - np.hypot(u, v)) * radius * width / 2, 0, 1)[..., None]
        light = np.clip(0.25 + 0.75 * (0.8 - 0.5 * u - 0.6 * v), 0.12, 1.25)[..., None]
        shine = 0.7 * np.exp(-((u + 0.35) ** 2 + (v + 0.45) ** 2) / 0.02)[..., None]
        picture = picture * (1 - inside) + inside * (np.array(colour) * light + shine)
    return picture.astype(np.float32)


def _spoil(picture: np.ndarray) -> np.ndarray:
    shifted = picture * np.array([0.93, 0.84, 0.76]) + np.array([0.006, 0.012, 0.028])
    values = to_ycbcr(shifted, LUMA)
    hue = np.arctan2(values[..., 2], values[..., 1])
    turn = np.radians(7 * np.sin(hue + 0.5) + 6 * np.cos(3 * hue))
    gain = 0.82 + 0.10 * np.cos(2 * hue - 0.8)
    cb = gain * (values[..., 1] * np.cos(turn) - values[..., 2] * np.sin(turn))
    cr = gain * (values[..., 1] * np.sin(turn) + values[..., 2] * np.cos(turn))
    return from_ycbcr(np.stack([values[..., 0], cb, cr], axis=-1), LUMA).astype(np.float32)


def _mean(picture: np.ndarray, outline: np.ndarray) -> tuple[float, float, float]:
    """Mean over the inner part of a patch, on the plain pixel grid."""
    import cv2

    inner = outline.mean(axis=0) + 0.8 * (outline - outline.mean(axis=0))
    mask = np.zeros(picture.shape[:2], dtype=np.uint8)
    cv2.fillConvexPoly(mask, np.rint(inner).astype(np.int32), 1)
    return tuple(float(v) for v in picture[mask > 0].mean(axis=0))


def _proof(card: Card, before: np.ndarray, after: np.ndarray, outlines: dict[str, np.ndarray]) -> Proof:
    targets, references = targets_for(card), reference_rgb(card)
    rows = []
    for patch in card.patches:
        target = targets[patch.name]
        colours = [_mean(picture, outlines[patch.name]) for picture in (before, after)]
        values = [tuple(float(v) for v in to_ycbcr(colour, LUMA)) for colour in colours]
        errors: dict[str, float | None] = {}
        for when, colour, (luma, cb, cr) in zip(("before", "after"), colours, values, strict=True):
            errors[f"delta_e_{when}"] = float(delta_e(colour, references[patch.name], "bt709"))
            if patch.role == "chip":
                hue = np.degrees(np.arctan2(cr, cb))
                errors[f"hue_error_{when}_deg"] = float(hue_difference_deg(hue, target.hue_deg))
                errors[f"radius_ratio_{when}"] = float(np.hypot(cb, cr) / target.radius)
            if patch.role == "bar":
                errors[f"level_{when}_ire"] = 100 * luma
                errors["level_target_ire"] = 100 * target.luma
        rows.append(PatchProof(patch.name, patch.role, patch.role != "check", (target.luma, target.cb, target.cr),
                               values[0], values[1], **errors))
    hue = max(abs(row.hue_error_after_deg) for row in rows if row.role == "chip")
    radius = max(abs(row.radius_ratio_after - 1) for row in rows if row.role == "chip")
    level = max(abs(row.level_after_ire - row.level_target_ire) for row in rows if row.role == "bar")
    checks = [row for row in rows if row.role == "check"]
    mean = {when: float(np.mean([getattr(row, f"delta_e_{when}") for row in checks])) for when in ("before", "after")}
    passed = hue <= 0.5 and radius <= 0.01 and level <= 0.5
    refused = [FramePassedOver(1001 + i, "refused", (PatchesLost("glare", ("yellow", "green")),)) for i in range(14)]
    blurred = PatchesLost("blurred", count=9, of=20, blur_px=6.0)
    refused += [FramePassedOver(1015 + i, "refused", (blurred,)) for i in range(5)]
    refused += [FramePassedOver(1043, "no card", (NoCard(),)),
                FramePassedOver(1044, "refused", (PatchesLost("clipped", ("white",)),
                                                  WithoutPatches(("white <b>&amp;</b>",))))]
    return Proof(
        verdict="within-limits" if passed else "outside-limits", passed=passed, patches=tuple(rows),
        title="An invented take", limits=Limits(0.5, 0.01, 0.5),
        subject=Subject("invented/a.####.exr", 1001, 1044, card.name, "ACEScct", "full", 10, "ITU-R BT.709", False,
                        "log", *SIZE),
        work=Work("sectors",
                  {"exposure_stops": Parameter(0.31, 0.002), "rotation_at_107.3_deg": Parameter(-4.45, 0.02)},
                  {"red": LeftOut(5.2, 0.97), "blue": LeftOut(-7.6, 1.09)}, Diagnostics(condition=26.2)),
        summary=Summary(
            worst_hue_error_before_deg=max(abs(row.hue_error_before_deg) for row in rows if row.role == "chip"),
            worst_hue_error_after_deg=hue, worst_radius_error_after_percent=100 * radius,
            worst_level_error_after_ire=level, mean_check_delta_e_before=mean["before"],
            mean_check_delta_e_after=mean["after"], pixels_over_range_percent=0.8, pixels_under_range_percent=0.003,
            noise_lifted_db=1.9, frames_measured=1),
        methods=(MethodResult("sectors", 0.21, 0.006, 0.02, 0.14, 2.9, 1.12, 2.31, 1.31, 1.9, 0.0,
                              recommended=OnTargetAndNear("check-patches", 1.12, 1.12)),
                 MethodResult("matrix", 6.8, 0.17, 0.4, 2.6, 3.3, 2.21, 4.02, 1.18, 1.2, 0.0),
                 MethodResult("polynomial-3", refused=ChipsOnLine())),
        cautions=(BeyondPreferred(0.018), NoiseMeasured(6.9)),
        frames=FramesRead((1024, 1025, 1026, 1031, 1032), (), tuple(refused)),
        provenance=ProofProvenance(
            versions={"huewright": "0.1.0"}, card_file="card.toml", card_sha256="0f" * 32, take="invented/a.####.exr",
            settings=SolveSettings(), frames_sha256=(FrameHashes(1024, "1a" * 32, "2b" * 32),)))
