"""Pictures through the bundle against the harness's own kernels: the same bits, on each code path, threads 1 and 2.

Each level runs in a process of its own, since the code is chosen once when the bundle is first used.
"""

from __future__ import annotations

import json
import locale
import os
import re
import shutil
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from huewright.colorimetry.luts import read_lut
from huewright.errors import InputError
from huewright.files import write_json
from huewright.host.pictures import wrap
from huewright.host.rendering import Renderer
from huewright.models.card import load_card
from huewright.models.patches import save_patches
from huewright.plugin import build as building
from huewright.plugin.effects import effect
from huewright.plugin.isolation import isolation_polygons
from huewright_kernels import compile_chain, isolate, run
from huewright_kernels.ops import (
    HueSectors,
    LogDecode,
    LogEncode,
    Lut1D,
    Lut3D,
    Matrix,
    Operation,
    ToneCurve,
    Transfer,
)
from huewright_kernels.ops.transfer import CURVES, DIRECTIONS

pytestmark = pytest.mark.slow

CARD = Path(__file__).parents[2] / "demo" / "huewright_demo" / "card.toml"

HEIGHT, WIDTH = 61, 301
GENERATOR = np.random.default_rng(7)
PIXELS = (GENERATOR.random((HEIGHT, WIDTH, 4)) * 1.6 - 0.3).astype(np.float32)
PIXELS[..., 3] = GENERATOR.random((HEIGHT, WIDTH))
PIXELS[0, :5, :3] = [[0, 0, 0], [1, 1, 1], [np.inf, 0.5, -np.inf], [1e30, -1e30, 1e-30], [0.18, 0.18, 0.18]]
PIXELS[0, 5, 3] = 0.0

SETTINGS = [
    ("HueSectors", {"redRotation": 7.5, "greenGain": 1.3, "blueRotation": -11.0, "cyanGain": 0.7}),
    ("HueSectors", {"luma": "BT.2020", "redRotation": 7.5, "yellowHue": 20.0, "yellowGain": 2.0}),
    ("Correction", {"source": "parameters", "decodeLog": 1, "logBase": 10.0, "logSideSlope": 0.25,
                    "logSideOffset": 0.38, "linSideSlope": 5.5, "linSideOffset": 0.05, "linearPart": 1,
                    "linSideBreak": 0.01, "exposure": 0.35, "balance": (1.02, 1.0, 0.93), "display": "bt709",
                    "toneBlack": (0.02, 0.0),
                    "toneMiddle": (0.4, 0.41), "toneWhite": (0.95, 0.97), "redRotation": 5.0, "magentaGain": 1.1}),
    ("Correction", {"source": "parameters", "display": "pq", "exposure": -3.0}),
    ("Correction", {"source": "parameters", "decodeLog": 1, "linearSlope": 3.0, "linearPart": 1, "display": "hlg"}),
]


def of_type(dtype: str) -> np.ndarray:
    kind = np.dtype(dtype)
    with np.errstate(over="ignore"):
        if kind.kind == "f":
            return PIXELS.astype(kind)
    return np.rint(np.nan_to_num(PIXELS).clip(0, 1) * np.iinfo(kind).max).astype(kind)


def through(binary: Path, name: str, settings: dict, pixels: np.ndarray, *, premultiplied: bool = False,
            threads: int = 2, frame: float = 0.0) -> np.ndarray:
    renderer = Renderer(binary, f"org.huewright.{name}", settings, (pixels.shape[1], pixels.shape[0]), pixels.dtype,
                        alpha=pixels.shape[2] == 4, premultiplied=premultiplied, threads=threads)
    result = renderer.render(pixels, frame)
    renderer.close()
    assert [f for f in renderer.host.journal.findings if f.level != "note"] == []
    return result


def directly(operations: tuple[Operation, ...], pixels: np.ndarray, premultiplied: bool = False) -> np.ndarray:
    return run(compile_chain(operations), pixels, np.empty_like(pixels), premultiplied=premultiplied)


def differing(binary: Path) -> list[str]:
    """Every combination whose bytes differ; run in the process of each level."""
    wrong = []
    for dtype in ("float32", "float16", "uint16", "uint8"):
        for channels, premultiplied in ((4, False), (4, True), (3, False)):
            pixels = np.ascontiguousarray(of_type(dtype)[..., :channels])
            for name, settings in SETTINGS:
                expected = directly(effect(name).operations(settings), pixels, premultiplied)
                for threads in (1, 2):
                    made = through(binary, name, settings, pixels, premultiplied=premultiplied, threads=threads)
                    if made.tobytes() != expected.tobytes():
                        wrong.append(f"{name} {dtype} {channels} channels, premultiplied {premultiplied}, "
                                     f"{threads} threads: {np.count_nonzero(made != expected)} values")
    return wrong


@pytest.mark.parametrize("level", ["baseline", pytest.param("v3", marks=pytest.mark.long), ""])
def test_settings_in_every_depth(binary: Path, level: str) -> None:
    result = subprocess.run([sys.executable, "-c", "import sys, json, runpy; names = runpy.run_path(sys.argv[1]);"
                             "print(json.dumps(names['differing'](sys.argv[2])))", __file__, binary],
                            env=os.environ | {"HUEWRIGHT_LEVEL": level}, capture_output=True, text=True, check=False)
    assert result.returncode == 0, result.stderr[-2000:]
    assert json.loads(result.stdout) == []


def trapped(binary: Path, level: str, target: Path) -> None:
    """A copy of ``binary`` in which to enter the core of ``level`` is an invalid instruction (x86's UD2).

    The core is found by the longest stretch of its object's code that linking leaves as it is."""
    core = building.native_objects() / f"core_{level}.o"

    def said(*command: object) -> str:
        return subprocess.run([str(word) for word in command], check=True, capture_output=True, text=True).stdout

    said("objcopy", "-O", "binary", "--only-section=.text", core, target)
    text = target.read_bytes()
    (begins,) = (int(line.split()[0], 16) for line in said("nm", core).splitlines()
                 if line.endswith(f" huewright_core_{level}"))
    listing = said("objdump", "-r", "-j", ".text", core)
    changed = [int(at, 16) for at in re.findall(r"^([0-9a-f]{16}) R_X86_64_", listing, re.MULTILINE)]
    ends = [*sorted(changed), len(text)]
    first, last = max(zip([0, *(at + 8 for at in ends)], ends, strict=False), key=lambda span: span[1] - span[0])
    linked = bytearray(binary.read_bytes())
    assert linked.count(text[first:last]) == 1
    entry = linked.index(text[first:last]) - first + begins
    linked[entry:entry + 2] = b"\x0f\x0b"
    target.write_bytes(linked)


def test_the_level_that_is_asked_for_is_the_code_that_runs(binary: Path, tmp_path: Path) -> None:
    """Else the test above would compare one path with itself."""
    if shutil.which("objcopy") is None:
        pytest.skip("needs objcopy (binutils)")
    # One child, which knows nothing of threads, forks another for each copy and level.
    render = """if True:
        import json, os, runpy, sys
        names = runpy.run_path(sys.argv[1])
        ends = {}
        for level in ("baseline", "v3", "v4"):
            for asked in ("baseline", "v3", ""):
                child = os.fork()
                if not child:
                    os.environ["HUEWRIGHT_LEVEL"] = asked
                    names["through"](f"{sys.argv[2]}/{level}.ofx", *names["SETTINGS"][0], names["PIXELS"])
                    os._exit(0)
                ends[f"{level} {asked}"] = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        print(json.dumps(ends))"""
    for level in ("baseline", "v3", "v4"):
        trapped(binary, level, tmp_path / f"{level}.ofx")
    told = subprocess.run([sys.executable, "-c", render, __file__, tmp_path], capture_output=True, check=True)
    ran: dict[str, list[str]] = {}
    for asked, end in json.loads(told.stdout).items():
        assert end in (0, -signal.SIGILL), told.stderr[-2000:]
        if end:
            ran.setdefault(asked.partition(" ")[2], []).append(asked.partition(" ")[0])
    able = {"avx2", "bmi2", "fma"} <= set(Path("/proc/cpuinfo").read_text().split())
    assert ran["baseline"] == ["baseline"] and ran["v3"] == ["v3" if able else "baseline"]
    assert len(ran[""]) == 1 and (ran[""][0] in ("v3", "v4")) is able


def correction(operations: tuple[Operation, ...], neutral: tuple[Operation, ...] = ()) -> dict:
    return {"format": "huewright-correction-1", "method": "é \"quoted\" \\ \u2028", "warnings": [], "nothing": None,
            "operations": [o.to_dict() for o in operations], "neutral_operations": [o.to_dict() for o in neutral],
            "patches": [{"target": [None, 0.1, 0.2], "used": True}], "empty": {}, "list": []}


OPERATIONS: dict[str, Operation] = {
    "matrix": Matrix(((1.1, 0.02, 0.0), (0.0, 0.9, -0.1), (0.3, 0.0, 1.2)), (-0.05, 0.01, 1e-3)),
    "log decode": LogDecode(10.0, 0.2471896, 0.385537, 5.555556, 0.052272, 0.010591),
    "log decode without a break": LogDecode(2.0, 0.1, 0.5),
    "log decode with a slope": LogDecode(2.0, 1 / 17.52, 9.72 / 17.52, 1.0, 0.0, 0.0078125, 10.5402377),
    "falling log decode": LogDecode(2.0, -0.1, 0.5, 1.0, 0.1, 0.05),
    "log encode": LogEncode(10.0, 0.3, 0.4, 1.0, 0.01, 0.005, 2.0),
    "log encode without a break": LogEncode(2.0, 0.1, 0.5, 3.0, 0.37),
    "tone of two": ToneCurve((0.0, 1.0), (0.1, 0.8)),
    "tone of eleven": ToneCurve(tuple(np.linspace(0, 1, 11)), tuple(np.linspace(0, 1, 11) ** 1.3 + 0.01)),
    "hues": HueSectors((10.0, 80.0, 200.0, 300.0), (3.0, -4.0, 5.0, 0.0), (1.1, 0.9, 1.2, 1.0)),
    "steep hues": HueSectors((0.0, 5.0, 359.0), (0.0, 300.0, 0.0), (0.05, 20.0, 1.0), 0.2627, 0.0593),
    "1d table": Lut1D(GENERATOR.random((33, 3)), (-0.1, 0.0, 0.1), (1.0, 1.5, 2.0)),
    "trilinear": Lut3D(GENERATOR.random((9, 9, 9, 3)), interpolation="trilinear"),
    "tetrahedral": Lut3D(GENERATOR.random((17, 17, 17, 3)), (-0.1, -0.1, -0.1), (1.2, 1.3, 1.4)),
    **{f"{curve} {direction}": Transfer(curve, direction) for curve in CURVES for direction in DIRECTIONS},
}


@pytest.mark.parametrize("name", OPERATIONS)
def test_correction_files(binary: Path, tmp_path: Path, name: str) -> None:
    path = tmp_path / "correction.json"
    write_json(path, correction((OPERATIONS[name],)))
    made = through(binary, "Correction", {"correctionFile": path}, PIXELS)
    assert made.tobytes() == directly((OPERATIONS[name],), PIXELS).tobytes()


def test_the_whole_chain_and_the_picture_before(binary: Path, tmp_path: Path) -> None:
    names = ("log decode", "matrix", "bt709 encode", "tone of eleven", "hues", "tetrahedral")
    chain = tuple(OPERATIONS[name] for name in names)
    path = tmp_path / "correction.json"
    write_json(path, correction(chain, chain[:3]))
    after = through(binary, "Correction", {"correctionFile": path}, PIXELS)
    assert after.tobytes() == directly(chain, PIXELS).tobytes()
    before = through(binary, "Correction", {"correctionFile": path, "before": True}, PIXELS)
    assert before.tobytes() == directly(chain[:3], PIXELS).tobytes()


def test_a_file_that_changes_is_read_again(binary: Path, tmp_path: Path) -> None:
    path = tmp_path / "correction.json"
    write_json(path, correction((OPERATIONS["matrix"],)))
    renderer = Renderer(binary, "org.huewright.Correction", {"correctionFile": path}, (WIDTH, HEIGHT), PIXELS.dtype)
    assert renderer.render(PIXELS).tobytes() == directly((OPERATIONS["matrix"],), PIXELS).tobytes()
    write_json(path, correction((OPERATIONS["hues"],)), overwrite=True)
    assert renderer.render(PIXELS).tobytes() == directly((OPERATIONS["hues"],), PIXELS).tobytes()
    renderer.close()


@pytest.mark.parametrize("interpolation", ["tetrahedral", "trilinear"])
@pytest.mark.parametrize(("size", "three", "domain"), [
    (9, True, ""), (17, False, ""), (5, True, "DOMAIN_MIN -0.1 0 0.1\nDOMAIN_MAX 1.5 2 3\n"),
    (6, False, "DOMAIN_MIN -0.1 0 0.1\nDOMAIN_MAX 1.5 2 3\n"), (2, True, "\t# a comment \r\n\n")])
def test_cube_files_as_opencolorio_reads_them(binary: Path, tmp_path: Path, size: int, three: bool, domain: str,
                                              interpolation: str) -> None:
    rows = np.random.default_rng(size).random((size**3 if three else size, 3)) * 1.2 - 0.1
    path = tmp_path / "invented.cube"
    path.write_text(f'TITLE "invented"\n{domain}LUT_{3 if three else 1}D_SIZE {size}\n'
                    + "\n".join(" ".join(f"{v:.7g}" for v in row) for row in rows) + "\n")
    operations = effect("Lut").operations({"lutFile": read_lut(path), "interpolation": interpolation})
    made = through(binary, "Lut", {"lutFile": path, "interpolation": interpolation}, PIXELS)
    assert made.tobytes() == directly(operations, PIXELS).tobytes()


@pytest.mark.parametrize("feather", [0.0, 3.5])
def test_patch_isolation(binary: Path, feather: float) -> None:
    settings = {"topLeft": (40.3, 50.2), "topRight": (250.0, 55.7), "bottomRight": (260.1, 4.0),
                "bottomLeft": (30.0, 6.5), "columns": 4, "rows": 3, "inset": 0.2, "fill": (0.1, 0.2, 0.3),
                "feather": feather}
    complete = effect("PatchIsolation").settings(settings)
    polygons = isolation_polygons(complete, HEIGHT)
    expected = isolate(PIXELS, polygons, feather, complete["fill"])
    for threads in (1, 2):
        assert through(binary, "PatchIsolation", settings, PIXELS, threads=threads).tobytes() == expected.tobytes()
    assert 0.05 < np.mean(np.any(expected[..., :3] != np.float32([0.1, 0.2, 0.3]), axis=-1)) < 0.6
    flipped = {**settings, "topLeft": settings["topRight"], "topRight": settings["topLeft"],
               "bottomLeft": settings["bottomRight"], "bottomRight": settings["bottomLeft"]}
    mirrored = through(binary, "PatchIsolation", flipped, PIXELS)
    assert np.abs(mirrored[1:] - expected[1:]).max() < 1e-5  # the same quads, run around the other way


@pytest.mark.parametrize("feather", [0.0, 3.5])
def test_isolation_of_a_card(binary: Path, tmp_path: Path, feather: float) -> None:
    """The demo's card, its honeycomb of chips among it."""
    file = tmp_path / "patches.json"
    save_patches(load_card(CARD), file)
    settings = {"topLeft": (20.3, 57.2), "topRight": (270.0, 60.1), "bottomRight": (290.1, 2.0),
                "bottomLeft": (8.0, 4.5), "patchesFile": str(file), "inset": 0.25, "fill": (0.1, 0.2, 0.3),
                "feather": feather}
    complete = effect("PatchIsolation").settings(settings)
    expected = isolate(PIXELS, isolation_polygons(complete, HEIGHT), feather, complete["fill"])
    assert through(binary, "PatchIsolation", settings, PIXELS).tobytes() == expected.tobytes()
    white = np.ones_like(PIXELS)
    alone = through(binary, "PatchIsolation", settings | {"fill": (0, 0, 0), "feather": 0}, white)
    polygons = isolation_polygons(complete, HEIGHT)
    shoelace = [0.5 * np.sum(p[:, 0] * np.roll(p[:, 1], -1) - np.roll(p[:, 0], -1) * p[:, 1]) for p in polygons]
    # They don't overlap, and lie in the picture.
    assert alone[..., 0].sum(dtype=float) == pytest.approx(sum(shoelace), rel=1e-5)


def test_the_effect_says_what_is_in_the_file(binary: Path, tmp_path: Path) -> None:
    path = tmp_path / "correction.json"
    rows = [{"name": name, "role": role, "used": used} for name, role, used in (
        ("white", "bar", True), ("red", "chip", True), ("blue", "chip", False), ("olive", "check", False))]
    write_json(path, {"format": "huewright-correction-1", "method": "sectors", "patches": rows,
                      "operations": [], "neutral_operations": []})
    renderer = Renderer(binary, "org.huewright.Correction", {}, (WIDTH, HEIGHT), PIXELS.dtype)
    parameters = renderer.instance.effect.parameters
    for given, words in ((path, "Solved with sectors; bars: white; chips: red; chips left out: blue; only checked: "
                                "olive"),
                         ("", ""), (tmp_path / "nowhere.json", "")):
        renderer.instance.set({"correctionFile": str(given)})
        renderer.instance.changed(["correctionFile"])
        assert parameters["fileHolds"].values == (words.encode(),)
    renderer.close()


@pytest.mark.parametrize("feather", [0.0, 3.5])
def test_a_picture_without_end_is_masked_like_any_other(binary: Path, feather: float) -> None:
    """The standard's infinite region of definition: INT_MIN and INT_MAX, as an image of a constant has it."""
    settings = {"topLeft": (40.3, 50.2), "topRight": (250.0, 55.7), "bottomRight": (260.1, 4.0),
                "bottomLeft": (30.0, 6.5), "columns": 4, "rows": 3, "inset": 0.2, "feather": feather}
    expected = through(binary, "PatchIsolation", settings, PIXELS[1:])
    renderer = Renderer(binary, "org.huewright.PatchIsolation", settings, (WIDTH, HEIGHT - 1), PIXELS.dtype)
    made = np.empty_like(PIXELS[1:])
    source = replace(wrap(PIXELS[1:].copy(), renderer.components), rod=(-2**31, -2**31, 2**31 - 1, 2**31 - 1))
    renderer.instance.connect("Source", source)
    renderer.instance.connect("Output", wrap(made, renderer.components))
    assert renderer.instance.render((0, 0, WIDTH, HEIGHT - 1), 0.0) == 0
    renderer.close()
    assert np.abs(made - expected).max() < 1e-6


@pytest.mark.parametrize("held", [7, -1, "what no int holds, so that the host's function fails"])
def test_a_choice_that_cannot_be_read_has_its_default_and_is_told_once(binary: Path, held: Any) -> None:
    settings = {"redRotation": 7.5, "luma": "BT.2020"}
    renderer = Renderer(binary, "org.huewright.HueSectors", settings, (WIDTH, HEIGHT), PIXELS.dtype)
    renderer.instance.effect.parameters["luma"].values = (held,)
    expected = directly(effect("HueSectors").operations({**settings, "luma": "BT.709"}), PIXELS)
    for moment in (0.0, 1.0):
        assert renderer.render(PIXELS, moment).tobytes() == expected.tobytes()
    messages = [words for _, words in renderer.host.journal.messages]
    assert messages == ['the host does not tell what is chosen for "Colour standard"; BT.709 (HD) is taken']
    renderer.close()


def test_animated_settings_are_those_of_the_frame(binary: Path) -> None:
    keyed = {"redRotation": {0: 0.0, 10: 20.0}}
    made = through(binary, "HueSectors", keyed, PIXELS, frame=2.5)
    assert made.tobytes() == directly(effect("HueSectors").operations({"redRotation": 5.0}), PIXELS).tobytes()


@pytest.mark.parametrize(("name", "settings", "words"), [
    ("HueSectors", {"redRotation": 80.0}, "these rotations would fold the order of hues"),
    ("HueSectors", {"redHue": 174.761, "redGain": 1.5}, "control hues must increase strictly"),
    ("Correction", {"source": "parameters", "toneMiddle": (0.5, 1.5)}, "anchors must increase strictly"),
    ("Correction", {"correctionFile": "/nowhere/at all.json"}, "/nowhere/at all.json: there is no such correction"),
    ("Correction", {"correctionFile": "/"}, "/: this is a folder; give the correction file itself"),
    ("Lut", {"lutFile": "/nowhere/x.cube"}, "there is no such LUT file"),
    ("Lut", {"lutFile": "/"}, "/: this is a folder; give the LUT file itself"),
    ("PatchIsolation", {"topLeft": (400.0, 200.0)}, "not those of a convex quad")])
def test_what_cannot_be_is_said_and_not_rendered(binary: Path, name: str, settings: dict, words: str) -> None:
    with pytest.raises(InputError, match="render action returned kOfxStatFailed, saying .*" + words):
        through(binary, name, settings, PIXELS)


HEAD = '{"format": "huewright-correction-1", "operations": ['
DAMAGED = {
    "nothing": "", "text": "hello", "cut": HEAD,
    "deep": "[" * 100, "other": '{"format": "huewright-survey-1"}', "no list": '{"format": "huewright-correction-1"}',
    "unknown": HEAD + '{"operation": "swirl"}]}',
    "mixed": HEAD + '{"operation": "matrix", "matrix": [[1, 2, "x"]]}]}',
    "ragged": HEAD + '{"operation": "lut-1d", "table": [[0, 0, 0], [1, 1]]}]}',
    "behind": HEAD + "]} more",
    "folded": HEAD + '{"operation": "hue-sectors", "hues_deg": [0, 10, 20],'
              ' "rotations_deg": [0, 30, 0], "gains": [1, 1, 1]}]}',
    "infinite": HEAD + '{"operation": "tone-curve", "x": [0, 1e999]}]}',
}


@pytest.mark.parametrize("damage", DAMAGED)
def test_damaged_correction_files_are_refused(binary: Path, tmp_path: Path, damage: str) -> None:
    path = tmp_path / "damaged.json"
    path.write_text(DAMAGED[damage])
    with pytest.raises(InputError, match="kOfxStatFailed, saying"):
        through(binary, "Correction", {"correctionFile": path}, PIXELS)


@pytest.mark.parametrize("text", [
    "", "LUT_3D_SIZE 2\n0 0 0\n", "LUT_3D_SIZE 1\n0 0 0\n", "LUT_3D_SIZE 9999\n", "0 0 0\n",
    "LUT_1D_SIZE 2\n0 0\n1 1 1\n", "LUT_1D_SIZE 2\n0 0 0\n1 1 1\n2 2 2\n", "LUT_1D_SIZE 2\n0 0 nan\n1 1 1\n",
    "LUT_1D_SIZE 2\nLUT_1D_SIZE 2\n0 0 0\n1 1 1\n",
    "DOMAIN_MIN 1 1 1\nDOMAIN_MAX 1 1 1\nLUT_1D_SIZE 2\n0 0 0\n1 1 1\n"])
def test_damaged_cube_files_are_refused(binary: Path, tmp_path: Path, text: str) -> None:
    path = tmp_path / "damaged.cube"
    path.write_text(text)
    with pytest.raises(InputError, match="kOfxStatFailed, saying .*damaged.cube, line"):
        through(binary, "Lut", {"lutFile": path}, PIXELS)


def test_numbers_are_read_alike_where_the_comma_is_decimal(binary: Path, tmp_path: Path,
                                                           monkeypatch: pytest.MonkeyPatch) -> None:
    if shutil.which("localedef") is None:
        pytest.skip("localedef is not there to make a locale with a decimal comma")
    command = ["localedef", "-i", "de_DE", "-f", "UTF-8", tmp_path / "de_DE.UTF-8"]
    subprocess.run(command, capture_output=True, check=False)
    monkeypatch.setenv("LOCPATH", str(tmp_path))
    path = tmp_path / "correction.json"
    write_json(path, correction((OPERATIONS["matrix"],)))
    try:
        before = locale.setlocale(locale.LC_ALL)
        locale.setlocale(locale.LC_ALL, "de_DE.UTF-8")
    except locale.Error:
        pytest.skip("no source to make a locale with a decimal comma from")
    try:
        assert locale.localeconv()["decimal_point"] == ","
        made = through(binary, "Correction", {"correctionFile": path}, PIXELS)
    finally:
        monkeypatch.delenv("LOCPATH")
        locale.setlocale(locale.LC_ALL, before)
    assert made.tobytes() == directly((OPERATIONS["matrix"],), PIXELS).tobytes()


def test_render_scale_shrinks_the_mask(binary: Path) -> None:
    settings = {"topLeft": (80.5, 100.25), "topRight": (400.0, 100.25), "bottomRight": (400.0, 20.0),
                "bottomLeft": (80.5, 20.0), "feather": 4.0}
    renderer = Renderer(binary, "org.huewright.PatchIsolation", settings, (2 * WIDTH, 2 * HEIGHT), PIXELS.dtype)
    renderer.host.render_scale = (0.5, 0.5)
    made = renderer.render(PIXELS)
    renderer.close()
    corners = [settings[name] for name in ("topLeft", "topRight", "bottomRight", "bottomLeft")]
    quad = [(x / 2, HEIGHT - y / 2) for x, y in corners]
    assert made.tobytes() == isolate(PIXELS, [quad], 2.0).tobytes()


