"""One small whole file of each kind that is read."""

from __future__ import annotations

import copy
import importlib.util
import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import OpenImageIO as oiio  # noqa: N813
import PyOpenColorIO as ocio  # noqa: N813
import tomli_w
from clips import HD_TAGS, planes, write_clip
from huewright.files import json_text
from huewright.frames.frame import Frame
from huewright.frames.picture import write_frame
from huewright.models.card import load_card
from huewright.models.correction import correction_to_dict
from huewright.models.job import Job, job_to_dict
from huewright.models.patches import patches_to_dict
from huewright.models.reasons import NoCard, Usable
from huewright.models.survey import FrameGrade, Survey, survey_to_dict
from huewright.solver.simulate import FOOTAGE, simulated_take
from huewright.steps.solve import solve_survey
from scenefile import SCENE

ROOT = Path(__file__).parents[2]
CARD = ROOT / "demo" / "huewright_demo" / "card.toml"
PICTURES = (".exr", ".dpx", ".tif", ".png", ".heic")
MOVIES = (".mp4", ".mov", ".mkv", ".mxf", ".avi")
JSON = (".json", ".otio")
TREES = (*JSON, ".toml")
"""Files whose keys and values are damaged as well as their bytes."""

CDL = """<?xml version="1.0" encoding="UTF-8"?>
<ColorCorrectionCollection xmlns="urn:ASC:CDL:v1.2">
  <ColorCorrection id="invented">
    <SOPNode><Slope>1.1 1.0 0.9</Slope><Offset>0.01 -0.02 0.0</Offset><Power>1.0 1.05 0.95</Power></SOPNode>
    <SatNode><Saturation>0.9</Saturation></SatNode>
  </ColorCorrection>
</ColorCorrectionCollection>
"""
CLF = """<?xml version="1.0" encoding="UTF-8"?>
<ProcessList compCLFversion="3" id="invented" name="invented">
  <Description>made up</Description>
  <Matrix inBitDepth="32f" outBitDepth="32f">
    <Array dim="3 3">0.9 0.1 0.0 0.05 0.9 0.05 0.0 0.1 0.9</Array>
  </Matrix>
  <Log inBitDepth="32f" outBitDepth="32f" style="cameraLinToLog">
    <LogParams base="2" linSideSlope="1" linSideOffset="0.01" logSideSlope="0.1" logSideOffset="0.5"
      linSideBreak="0.01"/>
  </Log>
  <LUT1D inBitDepth="32f" outBitDepth="32f"><Array dim="4 3">0 0 0 0.3 0.3 0.3 0.7 0.6 0.7 1 1 1</Array></LUT1D>
  <LUT3D inBitDepth="32f" outBitDepth="32f"><Array dim="2 2 2 3">
    0 0 0 0 0 1 0 1 0 0 1 1 1 0 0 1 0 1 1 1 0 1 1 1</Array></LUT3D>
</ProcessList>
"""


LUMINANCE = "luminance"
"""What the names of EXR files of luminance and chroma begin with: a format by itself, for other code reads them."""


def kind_of(name: str) -> str:
    if name.startswith(LUMINANCE):
        return f"{LUMINANCE}.exr"
    return name if name.endswith((".toml", ".json")) else Path(name).suffix


def make(folder: Path) -> None:
    """Writes one whole file of each kind into ``folder``."""
    folder.mkdir(parents=True, exist_ok=True)
    _pictures(folder)
    _further_pictures(folder)
    _movies(folder)
    _luts(folder)
    _measurements(folder)
    _records(folder)


def _pictures(folder: Path) -> None:
    rng = np.random.default_rng(3)
    half = rng.normal(0.4, 0.3, (24, 40, 3)).astype(np.float16)
    for name, compression in (("zip", "zip"), ("piz", "piz"), ("none", "none"), ("b44", "b44"), ("dwaa", "dwaa")):
        write_frame(folder / f"{name}.exr", Frame(half), compression=compression)
    tiled = oiio.ImageSpec(40, 24, 3, "float")
    tiled.attribute("owner", "nobody in particular, with a longer name")
    tiled.tile_width = tiled.tile_height = 16
    output = oiio.ImageOutput.create(str(folder / "tiled.exr"))
    output.open(str(folder / "tiled.exr"), tiled)
    output.write_image(half.astype(np.float32))
    output.close()
    codes = rng.integers(0, 65536, (24, 40, 3)).astype(np.uint16)
    for bits in (8, 10, 12, 16):
        frame = Frame((codes >> 8).astype(np.uint8) if bits == 8 else codes, bits=bits)
        write_frame(folder / f"d{bits}.dpx", frame)
    for name, compression in (("lzw", "lzw"), ("zip", "zip"), ("plain", "none")):
        write_frame(folder / f"{name}.tif", Frame(codes), compression=compression)
    write_frame(folder / "a.png", Frame(codes))
    write_frame(folder / "b.png", Frame((codes >> 8).astype(np.uint8)))


def _further_pictures(folder: Path) -> None:
    """Of formats whose packages are extras; without these none."""
    if importlib.util.find_spec("OpenEXR"):
        with np.load(ROOT / "tests" / "external" / "luminance_chroma.npz") as held:
            for name in ("smooth", "edges"):
                (folder / f"{LUMINANCE}-{name}.exr").write_bytes(held[f"{name}_file"].tobytes())
    if importlib.util.find_spec("pillow_heif"):
        import pillow_heif as heif
        from PIL import Image

        codes = np.random.default_rng(4).integers(0, 65536, (64, 128, 3)).astype(np.uint16)
        exif = Image.Exif()
        exif[271], exif[272], exif[274] = "Invented Works", "One", 6
        heif.from_pillow(Image.fromarray((codes >> 8).astype(np.uint8))).save(
            str(folder / "p8.heic"), quality=80, exif=exif.tobytes())
        heif.encode("RGB;16", (128, 64), codes.tobytes(), str(folder / "p10.heic"), quality=-1)


def _movies(folder: Path) -> None:
    def clip(name: str, codec: str, pixel_format: str, options: dict[str, str] | None = None) -> None:
        write_clip(folder / name, lambda number: planes((72, 128), pixel_format, number), codec=codec, count=5,
                   pixel_format=pixel_format, rate=Fraction(25), options=options, tags=HD_TAGS,
                   metadata={"make": "Nobody", "title": "an invented clip"})

    clip("h264.mp4", "libx264", "yuv420p", {"g": "3", "preset": "ultrafast"})
    clip("h265.mkv", "libx265", "yuv420p10le", {"preset": "ultrafast", "x265-params": "log-level=none"})
    clip("intra.mov", "prores_ks", "yuv422p10le")
    clip("plain.avi", "ffv1", "yuv422p")
    clip("dct.mxf", "mpeg2video", "yuv422p")


def _luts(folder: Path) -> None:
    (folder / "a.cdl").write_text(CDL.replace("ColorCorrectionCollection", "ColorDecisionList").replace(
        "  <ColorCorrection ", "  <ColorDecision><ColorCorrection ").replace(
        "</ColorCorrection>", "</ColorCorrection></ColorDecision>"))
    (folder / "a.ccc").write_text(CDL)
    inner = CDL[CDL.index("  <ColorCorrection "):CDL.index("</ColorCorrectionCollection>")].strip()
    (folder / "a.cc").write_text(inner.replace("<ColorCorrection ", '<ColorCorrection xmlns="urn:ASC:CDL:v1.2" '))
    (folder / "nodes.clf").write_text(CLF)
    lattice = np.random.default_rng(5).random((8, 3))
    rows = "\n".join(" ".join(f"{value:.6f}" for value in row) for row in lattice)
    (folder / "lattice.cube").write_text(f'TITLE "invented"\nLUT_3D_SIZE 2\n{rows}\n')
    (folder / "line.cube").write_text(f'TITLE "invented"\nDOMAIN_MIN 0 0 0\nDOMAIN_MAX 1 1 1\nLUT_1D_SIZE 8\n{rows}\n')
    config = copy.deepcopy(ocio.Config.CreateRaw())
    for name, gamma in (("in", 1.0), ("out", 1.8)):
        power = ocio.ExponentTransform([gamma, gamma, gamma, 1.0])
        config.addColorSpace(ocio.ColorSpace(name=name, fromReference=power))
    named = copy.deepcopy(ocio.Config.CreateRaw())
    named.addColorSpace(ocio.ColorSpace(name="aces"))
    named.setRole("aces_interchange", "aces")
    curve = ocio.LogCameraTransform([2**-7.0] * 3, base=2.0, logSideSlope=[1 / 17.52] * 3,
                                    logSideOffset=[9.72 / 17.52] * 3)
    curve.setDirection(ocio.TRANSFORM_DIR_INVERSE)
    named.addColorSpace(ocio.ColorSpace(name="camera", toReference=curve))
    (folder / "named.ocio").write_text(named.serialize())
    seen = set()
    for form, suffix in ocio.Baker.getFormats():     # every kind of LUT that the library can write
        if suffix in seen or suffix in ("cube", "clf"):
            continue
        seen.add(suffix)
        baker = ocio.Baker()
        baker.setConfig(config)
        baker.setFormat(form)
        baker.setInputSpace("in")
        baker.setTargetSpace("out")
        baker.setCubeSize(4)
        try:
            (folder / f"baked.{suffix}").write_text(baker.bake())
            ocio.Config.CreateRaw().getProcessor(ocio.FileTransform(src=str(folder / f"baked.{suffix}")))
        except ocio.Exception:     # this kind needs something that the small configuration lacks
            (folder / f"baked.{suffix}").unlink(missing_ok=True)
            seen.remove(suffix)


def _measurements(folder: Path) -> None:
    rng = np.random.default_rng(7)
    lab = np.column_stack([rng.uniform(5, 95, 12), rng.uniform(-60, 60, (12, 2))])
    rows = "\n".join(f"s{k} " + " ".join(f"{value:.3f}" for value in row) for k, row in enumerate(lab))
    (folder / "lab.cgats").write_text(
        'CGATS.17\nORIGINATOR "nobody"\nILLUMINATION_NAME "D50"\nOBSERVER_ANGLE "2"\nNUMBER_OF_FIELDS 4\n'
        f"BEGIN_DATA_FORMAT\nSAMPLE_NAME LAB_L LAB_A LAB_B\nEND_DATA_FORMAT\nNUMBER_OF_SETS 12\nBEGIN_DATA\n{rows}\n"
        "END_DATA\n")
    nm = range(400, 701, 20)
    spectra = rng.uniform(0.05, 0.9, (12, len(nm)))
    names = " ".join(f"SPECTRAL_NM{n}" for n in nm)
    rows = "\n".join(f'"patch {k}" ' + " ".join(f"{value:.4f}" for value in row) for k, row in enumerate(spectra))
    (folder / "spectra.cgats").write_text(
        f"CGATS.17\nBEGIN_DATA_FORMAT\nSAMPLE_ID {names}\nEND_DATA_FORMAT\nBEGIN_DATA\n{rows}\nEND_DATA\n")
    rows = "\n".join(f"p{k};" + ";".join(f"{value:.3f}" for value in rng.uniform(1, 90, 3)) for k in range(12))
    (folder / "table.csv").write_text(f"name;x;y;z\n{rows}\n")


def _records(folder: Path) -> None:
    text = CARD.read_text()
    (folder / "card.toml").write_text(text)
    (folder / "scene.toml").write_text(SCENE)
    card = load_card(CARD)
    reading = simulated_take(card, np.random.default_rng(3)).reading
    survey = Survey("take.####.exr", "card.toml", "0" * 64, FOOTAGE, 64, 48,
                    (FrameGrade(1001, "chosen"), FrameGrade(1002, "no card", (NoCard(),))), reading, True,
                    Usable((1001,), 1.0))
    _write(folder / "patches.json", patches_to_dict(card))
    _write(folder / "survey.json", survey_to_dict(survey))
    _write(folder / "correction.json", correction_to_dict(solve_survey(survey, card)))
    if edit := _edit():
        (folder / "edit.otio").write_text(edit)
    _write(folder / "job.json", job_to_dict(Job("uncertain", True, (1, 2), ("survey.json",), {"solve": 0.1})))


def _edit() -> str:
    """Empty where OpenTimelineIO isn't installed."""
    try:
        import opentimelineio as otio
    except ImportError:
        return ""
    timeline = otio.schema.Timeline("Kitchen", global_start_time=otio.opentime.RationalTime(90000, 25))
    track = otio.schema.Track("V1", kind="Video")
    for k, media in enumerate((otio.schema.ExternalReference("file:///shots/kitchen_1.mov"),
                               otio.schema.ImageSequenceReference("shots", "b.", ".exr", 1001, frame_zero_padding=4))):
        span = otio.opentime.TimeRange(otio.opentime.RationalTime(10 + k, 25), otio.opentime.RationalTime(50, 25))
        track.append(otio.schema.Clip(f"clip {k}", media, span, metadata={"cdl": {"asc_sat": 1.0}}))
    timeline.tracks.append(track)
    text: str = otio.adapters.write_to_string(timeline, "otio_json")
    return text


def _write(path: Path, record: dict[str, Any]) -> None:
    path.write_text(json_text(json.loads(json.dumps(record))))


def as_text(record: Any, suffix: str) -> bytes:
    """``record`` as a file of this kind, NaN and Infinity written as the words that no JSON has."""
    if suffix == ".toml":
        return tomli_w.dumps(record).encode("utf-8", "surrogatepass")
    return json.dumps(record, indent=1, ensure_ascii=False).encode("utf-8", "surrogatepass")
