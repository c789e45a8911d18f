"""Each kind of file read as the program reads it, and used a little: a fingerprint of what came of it.

A reader gives (fingerprint, what was said of the file beside reading it). Two files with one fingerprint are the same
to the program. :class:`Senseless` is what no file should be taken for.
"""

from __future__ import annotations

import hashlib
import importlib
import json
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
from huewright.cards.cgats import read_measurements
from huewright.cards.checking import card_notes
from huewright.cards.importing import card_on_grid
from huewright.colorimetry.luts import read_lut_file
from huewright.colorimetry.ocio import decode_colour_space
from huewright.errors import NoAnswerError
from huewright.files import json_text
from huewright.frames.opening import open_take
from huewright.frames.picture import read_frame, read_header
from huewright.models.card import Card, card_to_dict, load_card
from huewright.models.correction import correction_to_dict, load_correction
from huewright.models.job import job_to_dict, load_job
from huewright.models.patches import read_patches
from huewright.models.record import to_record
from huewright.models.scene_file import load_scene
from huewright.models.survey import survey_to_dict
from huewright.reference import apply_chain
from huewright.steps.inputs import survey_from
from huewright.steps.solve import solve_survey
from huewright_kernels import cache, compile_chain
from huewright_kernels.ops import Operation

from badfiles.whole import CARD, MOVIES, PICTURES

Read = tuple[str, str]
_AXIS = np.linspace(0.0, 1.0, 5)
COLOURS = np.stack(np.meshgrid(_AXIS, _AXIS, _AXIS, indexing="ij"), -1).reshape(-1, 3)
MOST = 1e6


class Senseless(Exception):  # noqa: N818
    """Something was taken that no colour, table or measurement can be."""


def warm() -> None:
    """Compiles all kernels, or loads them: once for all children, and on no thread."""
    importlib.import_module("huewright_kernels.ycbcr")
    for extra in ("OpenEXR", "pillow_heif"):
        with suppress(ImportError):
            importlib.import_module(extra)
    cache.warm_up()


def _hash(*parts: Any) -> str:
    digest = hashlib.sha256()
    for part in parts:
        digest.update(np.ascontiguousarray(part).tobytes() if isinstance(part, np.ndarray) else repr(part).encode())
    return digest.hexdigest()[:24]


def _picture(path: Path) -> Read:
    read_header(path)
    frame = read_frame(path)
    frame.metadata.attributes()
    return _hash(frame.pixels, frame.pixels.shape, frame.pixels.dtype, frame.bits, frame.channel_names,
                 frame.data_window, frame.display_window, frame.pixel_aspect), ""


def _movie(path: Path) -> Read:
    take = open_take(path)
    seen = []
    said = f"missing {take.missing}" if take.missing else ""
    for number in take.numbers[:6]:
        seen.append(_hash(take.frame(number).pixels))
    tags = getattr(take, "tags", None)
    doubts = "" if tags is None else repr(tags.doubts)
    take.header(take.numbers[0])
    rest = (take.numbers, take.missing, take.code_range, getattr(take, "rate", None), getattr(take, "pixel_aspect", 1))
    return _hash(seen, rest, doubts), said + doubts


def _used(operations: Sequence[Operation]) -> bytes:
    program = compile_chain(tuple(operations))
    with np.errstate(all="ignore"):
        given = apply_chain(tuple(operations), COLOURS)
    if not np.isfinite(given).all() or np.abs(given).max() > MOST:
        raise Senseless(f"colours up to {np.abs(given).max():g}")
    if operations and np.ptp(given, axis=0).max() == 0:
        raise Senseless("all colours become one")
    return program.instructions.tobytes() + program.data.tobytes()


def _lut(path: Path) -> Read:
    reading = read_lut_file(path)
    return _hash(_used(reading.operations)), ""


def _configuration(path: Path) -> Read:
    operations, error = decode_colour_space(path, "camera", "ITU-R BT.709")
    return _hash(_used(operations), round(error, 9)), ""


def _card(path: Path) -> Read:
    card = load_card(path)
    return _hash(json_text(card_to_dict(card))), "; ".join(map(repr, card_notes(card)))


def _measurements(path: Path) -> Read:
    data = read_measurements(path)
    card = card_on_grid(data, 4, path)
    _sensible_colours(card)
    json_text(card_to_dict(card))
    return _hash(repr(asdict(data))), ""


def _sensible_colours(card: Card) -> None:
    worst = max((max(map(abs, patch.xyz)) for patch in card.patches if patch.xyz), default=0.0)
    if not worst < 10:
        raise Senseless(f"XYZ of {worst:g}")


def _scene(path: Path) -> Read:
    scene = load_scene(path).scene
    return _hash(json.dumps(to_record(scene), default=str)), ""


def _survey(path: Path) -> Read:
    survey = survey_from(path)
    for patch in () if survey.reading is None else survey.reading.patches:
        if min(patch.standard_error) <= 0 and not patch.excluded:
            raise Senseless(f"{patch.name} has no error at all")
    try:
        solved = solve_survey(survey, load_card(CARD))
    except NoAnswerError:
        solved = None
    if solved is not None:
        json_text(correction_to_dict(solved))
        _used(solved.operations)
    return _hash(json_text(survey_to_dict(survey))), ""


def _correction(path: Path) -> Read:
    correction = load_correction(path)
    _used(correction.operations)
    record = correction_to_dict(correction)
    return _hash(json_text(record)), "; ".join(type(caution).__name__ for caution in correction.cautions[:1])


def _patches(path: Path) -> Read:
    polygons = read_patches(path)
    for polygon in polygons:
        if polygon.min() < 0 or polygon.max() > 1:
            raise Senseless("a patch beyond the card")
    return _hash(*polygons), ""


def _job(path: Path) -> Read:
    return _hash(json_text(job_to_dict(load_job(path)))), ""


def _edit(path: Path) -> Read:
    from huewright.handover.edit import edit_clips

    return _hash(repr(edit_clips(path))), ""


BY_NAME: dict[str, Callable[[Path], Read]] = {"card.toml": _card, "scene.toml": _scene, "survey.json": _survey,
                                              "correction.json": _correction, "job.json": _job,
                                              "patches.json": _patches,
                                              "edit.otio": _edit}


def reader_of(name: str) -> Callable[[Path], Read]:
    suffix = Path(name).suffix
    if name in BY_NAME:
        return BY_NAME[name]
    if suffix in PICTURES:
        return _picture
    if suffix in MOVIES:
        return _movie
    if suffix == ".ocio":
        return _configuration
    return _measurements if suffix in (".cgats", ".csv") else _lut
