"""The demo: an invented shoot generated, the whole job done on each of its cameras, and all of it compared with
what the generator knows. Nothing in the shoot is real."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

from huewright.colorimetry.declare import declare_footage
from huewright.files import refuse_existing, write_json
from huewright.frames import parse_sequence
from huewright.models.card import load_card
from huewright.models.record import to_record
from huewright.progress import Progress, silent
from huewright.steps.run import run_job

FORMAT = "huewright-demo-summary-1"
FRAMES, SIZE = 48, (1920, 1080)


def run_demo(out_dir: Path | str, *, frames: int | None = None, size: tuple[int, int] | None = None, seed: int = 1,
             overwrite: bool = False, progress: Progress = silent) -> dict[str, Any]:
    """Generates the shoot under ``out_dir``/shoot, runs the job of each camera into ``out_dir``/camera-a and -b,
    and returns (and writes as summary.json) what came of it.

    Per camera: frames chosen and refused with reasons, chosen frames with a reflection that the generator put in,
    per patch hue error, radius ratio, level and CIEDE2000 before and after, against the solve's targets and against
    the known truth, measured on the rendered and re-read frames; LUT against render; times in seconds. Raises
    :class:`InputError` where the output exists, and whatever the job raises.
    """
    from huewright_demo.compare import colours_against_truth, frames_against_truth, luts_against_render, tidy
    from huewright_demo.shoot import make_shoot

    out = Path(out_dir)
    refuse_existing(out / "summary.json", overwrite=overwrite)
    begun = time.perf_counter()
    shoot = make_shoot(out / "shoot", seed=seed, frames=frames or FRAMES, size=size or SIZE, progress=progress,
                       overwrite=overwrite)
    generated = time.perf_counter()
    card = load_card(shoot.card)
    cameras: dict[str, Any] = {}
    for name, files in shoot.cameras.items():
        footage = declare_footage(encoding=shoot.encoding, bits=files.bits, primaries=shoot.primaries)
        take, shot = parse_sequence(files.take), parse_sequence(files.shot)
        folder = out / f"camera-{name.lower()}"
        job = run_job(take, shoot.card, footage, folder, shots=(shot,), title=f"Invented shoot, camera {name}",
                      overwrite=overwrite, progress=progress)
        started = time.perf_counter()
        truth = {**shoot.truth["cameras"][name], "true": shoot.truth["patches"]}
        cameras[name] = {**frames_against_truth(job.survey, truth),
                         **colours_against_truth(job.survey, job.correction, job.proof, card, truth, files.take,
                                                 folder),
                         "luts": luts_against_render(job.survey, files.take, folder), "verdict": job.proof.verdict,
                         "passed": job.proof.passed, "cautions": list(job.proof.cautions),
                         "parameters": {k: list(v) for k, v in job.correction.parameters.items()}}
        cameras[name]["seconds"] = {**job.seconds, "compare": time.perf_counter() - started}
    summary: dict[str, Any] = tidy({
        "format": FORMAT, "note": shoot.truth["note"], "seed": seed, "frames": frames or FRAMES,
        "size": list(size or SIZE), "cameras": cameras,
        "seconds": {"generate": generated - begun, "total": time.perf_counter() - begun}})
    write_json(out / "summary.json", to_record(summary), overwrite=overwrite)
    return summary
