"""The whole job on a small shoot, held against what the generator knows (no file of the job tells it the truth)."""

from __future__ import annotations

import json

import jsonschema
import numpy as np
import pytest
from huewright.errors import InputError
from huewright.frames import parse_sequence, read_frame
from huewright.models.cautions import RenderBeyond, RenderLimited
from huewright.models.demo import load_summary
from huewright.models.job import load_job
from huewright.models.proof import load_proof
from huewright.models.schema import schemas
from huewright.steps.demo import run_demo

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    folder = tmp_path_factory.mktemp("job")
    return folder, run_demo(folder / "demo", frames=16, size=(800, 450)).summary


def test_summary_on_disk_is_the_summary_returned(job):
    folder, summary = job
    assert load_summary(folder / "demo" / "summary.json") == summary
    jsonschema.validate(json.loads((folder / "demo" / "summary.json").read_text()), schemas()["demo-summary"])
    assert set(summary.cameras) == {"A", "B"}
    for name in ("a", "b"):     # and what the job wrote beside it is read by its models
        camera = folder / "demo" / f"camera-{name}"
        proof, job_file = load_proof(camera / "proof" / "proof.json"), load_job(camera / "job.json")
        assert proof.verdict == job_file.verdict == summary.cameras[name.upper()].verdict
        # Two renders, so what is said of one names it.
        said = [one for one in proof.cautions if isinstance(one, RenderLimited | RenderBeyond)]
        assert said and {one.shot for one in said} <= {f"camera-{name}/{what}.####.{'exr' if name == 'a' else 'dpx'}"
                                                       for what in ("card", "shot")}


@pytest.mark.parametrize("name", ["A", "B"])
def test_chosen_frames_are_free_of_the_reflections_put_in(job, name):
    camera = job[1].cameras[name].frames
    truth = json.loads((job[0] / "demo" / "shoot" / "truth.json").read_text())["cameras"][name]
    known = {row["frame"]: row for row in truth["frames"]}
    assert camera.chosen
    assert all(known[n]["card"] == "whole" and not known[n]["reflections"] for n in camera.chosen)
    assert camera.chosen_with_reflections == ()
    assert camera.found_where_none_is == ()
    assert all(row.reasons for row in camera.refused)
    assert camera.worst_corner_error_px < 0.5


@pytest.mark.parametrize("name", ["A", "B"])
@pytest.mark.parametrize("side", ["against_targets", "against_truth"])
def test_chips_and_bars_land_and_checks_improve(job, name, side):
    """The limits are the job's own: 0.5 degree, 1 % radius, 0.5 IRE, mean CIEDE2000 of the checks down by 3."""
    result = getattr(job[1].cameras[name], side)
    after, before = result.after, result.before
    assert after.worst_chip_hue_error_deg < 0.5 < before.worst_chip_hue_error_deg
    assert after.worst_chip_radius_error < 0.01 < before.worst_chip_radius_error
    assert after.worst_bar_error_ire < 0.5 < before.worst_bar_error_ire
    assert result.check_delta_e_factor > 3
    assert after.mean_check_delta_e < 2.5


@pytest.mark.parametrize("name", ["A", "B"])
def test_luts_through_opencolorio_are_the_render(job, name):
    for kind in ("cube", "clf"):
        assert getattr(job[1].cameras[name].luts, kind).mean < 2e-3


@pytest.mark.parametrize("name", ["A", "B"])
def test_the_second_shot_is_rendered_in_its_own_format(job, name):
    folder = job[0] / "demo"
    suffix = {"A": "exr", "B": "dpx"}[name]
    source = parse_sequence(folder / "shoot" / f"camera-{name.lower()}" / f"shot.####.{suffix}")
    rendered = parse_sequence(folder / f"camera-{name.lower()}" / "shots" / "shot" / f"shot.####.{suffix}")
    assert rendered.numbers == source.numbers
    before, after = (read_frame(sequence.path(source.numbers[0])) for sequence in (source, rendered))
    assert before.pixels.dtype == after.pixels.dtype and before.pixels.shape == after.pixels.shape
    assert before.bits == after.bits
    assert np.isfinite(after.rgb_float()).all()


def test_an_existing_summary_is_not_overwritten(job):
    with pytest.raises(InputError, match="exists already"):
        run_demo(job[0] / "demo", frames=16, size=(800, 450))
