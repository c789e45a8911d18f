"""The demo: an invented shoot generated, the whole job done on each of its cameras, and all of it compared with
what the generator knows. Nothing in the shoot is real."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path

from huewright.colorimetry.declare import declare_footage
from huewright.files import refuse_existing
from huewright.frames import open_take
from huewright.models.card import load_card
from huewright.models.demo import CameraSummary, DemoSummary, save_summary
from huewright.models.proof import Proof
from huewright.models.record import from_record, to_record
from huewright.progress import Progress, silent
from huewright.steps.run import run_job

FRAMES, SIZE = 48, (1920, 1080)


@dataclass(frozen=True)
class DemoResult:
    """The summary, and each camera's proof by the camera's name."""

    summary: DemoSummary
    proofs: dict[str, Proof]


def run_demo(out_dir: Path | str, *, frames: int | None = None, size: tuple[int, int] | None = None, seed: int = 1,
             overwrite: bool = False, progress: Progress = silent) -> DemoResult:
    """Generates the shoot under ``out_dir``/shoot, runs the job of each camera into ``out_dir``/camera-a and -b,
    and returns (and writes as summary.json) what came of it.

    All is measured on the rendered and re-read frames. Raises :class:`InputError` where the output exists, and
    whatever the job raises.
    """
    from huewright_demo.compare import change, frames_against_truth, luts_against_render, patches_against_truth, tidy
    from huewright_demo.shoot import make_shoot

    out = Path(out_dir)
    refuse_existing(out / "summary.json", overwrite=overwrite)
    begun = time.perf_counter()
    shoot = make_shoot(out / "shoot", seed=seed, frames=frames or FRAMES, size=size or SIZE, progress=progress,
                       overwrite=overwrite)
    generated = time.perf_counter()
    card = load_card(shoot.card)
    cameras: dict[str, CameraSummary] = {}
    proofs: dict[str, Proof] = {}
    for name, files in shoot.cameras.items():
        footage = declare_footage(encoding=shoot.encoding, bits=files.bits, primaries=shoot.primaries)
        take, shot = open_take(files.take), open_take(files.shot)
        folder = out / f"camera-{name.lower()}"
        job = run_job(take, shoot.card, footage, folder, shots=(shot,), title=f"Invented shoot, camera {name}",
                      overwrite=overwrite, progress=progress)
        started = time.perf_counter()
        truth = {**shoot.truth["cameras"][name], "true": shoot.truth["patches"]}
        patches = patches_against_truth(job.survey, job.correction, job.proof, card, truth, files.take, folder)
        cameras[name] = CameraSummary(
            frames_against_truth(job.survey, truth), patches, change(patches, "against_targets"),
            change(patches, "against_truth"), luts_against_render(job.survey, files.take, folder), job.proof.verdict,
            job.proof.passed, job.proof.cautions, job.correction.parameters,
            {**job.seconds, "compare": time.perf_counter() - started})
        proofs[name] = job.proof
    summary = DemoSummary(shoot.truth["note"], seed, frames or FRAMES, size or SIZE, cameras,
                          {"generate": generated - begun, "total": time.perf_counter() - begun})
    summary = from_record(tidy(to_record(summary)), DemoSummary)
    save_summary(summary, out / "summary.json", overwrite=overwrite)
    return DemoResult(summary, proofs)


__all__ = ["CameraSummary", "DemoResult", "run_demo"]
