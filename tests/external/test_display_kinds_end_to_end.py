"""Every kind of footage and display from frames to proof: surveyed, solved, rendered, read back, and checked by
arithmetic that is this file's own.

An invented camera sees the demo's card: spectra through the CIE 1931 observer under D65 (colour-science), brought to
the footage's primaries, with crosstalk, exposure and balance errors that the project knows nothing of, and coded.

Sources: ITU-R BT.709-6, BT.2020-2, BT.2100-2 (luma coefficients, OETF, colour bars; formulae typed here), ITU-R BT.2408
(signal of 18 % and 90 % reflectance), Academy S-2016-001 (ACEScct), OpenColorIO for the look's LUT. That a
chip goes half-way to its 75 % bar is common practice, no source; on the other displays, to the same light.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import colour
import cv2
import huewright_demo
import numpy as np
import PyOpenColorIO as ocio  # noqa: N813
import pytest
from huewright.colorimetry.declare import declare_footage
from huewright.colorimetry.targets import delta_e
from huewright.frames import Frame, parse_sequence, read_frame, write_frame
from huewright.models.card import Card, Patch, load_card
from huewright.models.correction import Correction
from huewright.models.proof import Proof
from huewright.models.settings import SolveSettings
from huewright.steps.prove import prove
from huewright.steps.render import render_take
from huewright.steps.solve import solve_survey
from huewright.steps.survey import survey_take
from huewright.words import verdict_words

pytestmark = pytest.mark.slow

CARD = Path(huewright_demo.__file__).parent / "card.toml"
WIDTH, HEIGHT = 480, 320
CORNERS = np.array([[44.0, 34.0], [434.0, 46.0], [424.0, 300.0], [38.0, 290.0]])
NUMBERS = (1, 2, 3)
D65 = np.array([0.3127, 0.3290])
# Rows add up to one, so that greys stay grey.
CROSSTALK = np.array([[0.86, 0.10, 0.04], [0.05, 0.87, 0.08], [0.01, 0.12, 0.87]])
ERROR = np.array([2**-0.45 * 1.12, 2**-0.45, 2**-0.45 * 0.90])
LUMA_709, LUMA_2020 = (0.2126, 0.7152, 0.0722), (0.2627, 0.6780, 0.0593)
LIT = {"red": (1, 0, 0), "yellow": (1, 1, 0), "green": (0, 1, 0), "cyan": (0, 1, 1), "blue": (0, 0, 1),
       "magenta": (1, 0, 1)}


@dataclass(frozen=True)
class Case:
    """``luma``: the display's coefficients, as the standards have them."""

    primaries: str = "ITU-R BT.709"
    encoding: str = "ACEScct"
    display: str = "bt709"
    luma: tuple[float, float, float] = LUMA_709
    look: bool = False
    suffix: str = ".exr"
    mode: str = "vectorscope"


@dataclass(frozen=True)
class Done:
    case: Case
    card: Card
    correction: Correction
    proof: Proof
    folder: Path
    after: dict[str, np.ndarray]
    before: dict[str, np.ndarray]


def bt709_oetf(light: np.ndarray) -> np.ndarray:
    return np.where(light < 0.018, 4.5 * light, 1.099 * np.maximum(light, 0.018) ** 0.45 - 0.099)


def acescct(light: np.ndarray) -> np.ndarray:
    return np.where(light <= 0.0078125, 10.5402377416545 * light + 0.0729055341958355,
                    (np.log2(np.maximum(light, 0.0078125)) + 9.72) / 17.52)


def acescct_inverse(code: np.ndarray) -> np.ndarray:
    return np.where(code <= 0.155251141552511, (code - 0.0729055341958355) / 10.5402377416545,
                    2.0 ** (code * 17.52 - 9.72))


def light_of(reflectance: tuple[float, ...], wavelengths: tuple[float, ...], primaries: str) -> np.ndarray:
    """A perfectly colorimetric camera's linear light, white diffuser (1, 1, 1), in ``primaries``."""
    spectrum = colour.SpectralDistribution(dict(zip(wavelengths, reflectance, strict=True)))
    with colour.utilities.suppress_warnings(colour_usage_warnings=True, colour_runtime_warnings=True):
        xyz = colour.sd_to_XYZ(spectrum, illuminant=colour.SDS_ILLUMINANTS["D65"]) / 100
        return np.asarray(colour.XYZ_to_RGB(xyz, primaries, D65, chromatic_adaptation_transform="CAT16"))


def look_lut(path: Path, size: int = 33) -> None:
    """A .cube from ACEScct codes to a BT.709 picture with a soft shoulder and a warm tint: a look of our own."""
    axis = np.linspace(0, 1, size)
    blue, green, red = np.meshgrid(axis, axis, axis, indexing="ij")        # red runs fastest in a .cube
    light = np.maximum(acescct_inverse(np.stack([red, green, blue], -1).reshape(-1, 3)), 0) * (1.04, 1.0, 0.94)
    picture = np.clip(bt709_oetf(light / (1 + 0.12 * light)), 0, 1)
    rows = "\n".join(" ".join(f"{v:.6f}" for v in row) for row in picture)
    path.write_text(f"LUT_3D_SIZE {size}\n{rows}\n")


def outline(card: Card, polygon: tuple[Any, ...], share: float = 1.0) -> np.ndarray:
    to_px = cv2.getPerspectiveTransform(np.array(card.corners, np.float32), CORNERS.astype(np.float32))
    points = np.array(polygon, np.float64)
    points = points.mean(0) + share * (points - points.mean(0))
    return np.asarray(cv2.perspectiveTransform(points[None], to_px.astype(np.float64))[0])


def painted(card: Card, codes: dict[str, np.ndarray], number: int) -> np.ndarray:
    picture = np.full((HEIGHT, WIDTH, 3), codes["field"] * 1.15)
    for area in (*card.marks, *card.patches):
        points = np.round((outline(card, area.polygon) - 0.5) * 16).astype(np.int32)
        mask = np.zeros((HEIGHT, WIDTH), np.uint8)
        cv2.fillConvexPoly(mask, points, 1, cv2.LINE_8, 4)
        picture[mask > 0] = codes[area.name]
    return picture + np.random.default_rng(number).normal(0, 0.001, picture.shape)


def file_of(codes: np.ndarray, suffix: str) -> Frame:
    if suffix == ".exr":
        return Frame(codes.astype(np.float32))
    return Frame(np.rint(np.clip(codes, 0, 1) * 65535).astype(np.uint16), bits=16)


def means(card: Card, path: Path) -> dict[str, np.ndarray]:
    """Mean file values of the middle of each patch."""
    rgb = read_frame(path).rgb_float().astype(np.float64)
    found = {}
    for patch in card.patches:
        mask = np.zeros((HEIGHT, WIDTH), np.uint8)
        cv2.fillConvexPoly(mask, np.round(outline(card, patch.polygon, 0.6) - 0.5).astype(np.int32), 1)
        found[patch.name] = rgb[mask > 0].mean(0)
    return found


def ycbcr(rgb: np.ndarray, luma: tuple[float, float, float]) -> tuple[float, float, float]:
    y = float(np.dot(luma, rgb))
    return y, (float(rgb[2]) - y) / (2 * (1 - luma[2])), (float(rgb[0]) - y) / (2 * (1 - luma[0]))


def whole_job(case: Case, folder: Path, monkeypatch: pytest.MonkeyPatch, *, drawn: bool = False) -> Done:
    card = load_card(CARD)
    look = folder / "look.cube" if case.look else None
    if look is not None:
        look_lut(look)
    footage = declare_footage(encoding=case.encoding, primaries=case.primaries, look=look, bits=16)
    code = bt709_oetf if case.encoding == "display" else acescct
    codes = {area.name: code(CROSSTALK @ light_of(area.reflectance, area.wavelengths_nm, case.primaries) * ERROR)
             for area in (*card.marks, *card.patches)}
    for number in NUMBERS:
        frame = file_of(painted(card, codes, number), case.suffix)
        write_frame(folder / "take" / f"card.{number:04d}{case.suffix}", frame)
    take = parse_sequence(str(folder / "take" / f"card.####{case.suffix}"))
    survey = survey_take(take, card, CARD, footage, corners=tuple((float(x), float(y)) for x, y in CORNERS))
    assert survey.usable and survey.chosen, survey.advice
    correction = solve_survey(survey, card, SolveSettings(display=case.display, mode=case.mode))
    rendered = str(folder / "out" / f"card.####{case.suffix}")
    render_take(correction, take, rendered)
    if not drawn:
        monkeypatch.setattr("huewright.report.scopes.scope_pictures", lambda *a, **k: {})
    monkeypatch.setattr("huewright.steps.prove.compare", lambda *a: [])       # its own tests take care of it
    after = parse_sequence(rendered)
    proof = prove(correction, survey, card, before=take, after=after, out_dir=folder / "proof")
    return Done(case, card, correction, proof, folder, means(card, after.path(survey.chosen[0])),
                means(card, take.path(survey.chosen[0])))


def half_way(done: Done, patch: Patch) -> tuple[float, float, float]:
    """In a BT.709 picture, half the 75 % bar of the chip's hue at the chip's own level; elsewhere the same light,
    brought to BT.2020 primaries and coded by colour-science's functions."""
    _, cb, cr = ycbcr(0.375 * np.array(LIT[patch.hue or ""], float), LUMA_709)
    level = ycbcr(bt709_oetf(light_of(patch.reflectance, patch.wavelengths_nm, "ITU-R BT.709")), LUMA_709)[0]
    red, blue = level + 2 * (1 - LUMA_709[0]) * cr, level + 2 * (1 - LUMA_709[2]) * cb
    picture = np.array([red, (level - LUMA_709[0] * red - LUMA_709[2] * blue) / LUMA_709[1], blue])
    if done.case.display != "bt709":
        light = np.where(picture < 0.081, picture / 4.5, ((np.maximum(picture, 0.081) + 0.099) / 1.099) ** (1 / 0.45))
        picture = coded(np.asarray(colour.RGB_to_RGB(light, "ITU-R BT.709", "ITU-R BT.2020")), done.case.display)
    return ycbcr(picture, done.case.luma)


def coded(light: np.ndarray, display: str) -> np.ndarray:
    """Linear BT.2020 light, white diffuser 1, as the display's signal, reference white where BT.2408 has it."""
    if display == "bt2020":
        return bt709_oetf(light)
    if display == "hlg":
        white = colour.models.oetf_inverse_BT2100_HLG(0.75)
        with np.errstate(invalid="ignore"):     # it takes logarithms of dark values too before it leaves them out
            return np.asarray(colour.models.oetf_BT2100_HLG(np.maximum(light, 0) * white))
    scale = np.linspace(0, 0.2, 20001)
    white = np.interp(203.0, colour.models.ootf_BT2100_PQ(scale), scale)
    return np.asarray(colour.models.eotf_inverse_BT2100_PQ(colour.models.ootf_BT2100_PQ(np.maximum(light, 0) * white)))


def turned(done: Done, patch: Patch) -> float:
    """Degrees from the chip's target to where its rendered file lies."""
    _, cb, cr = ycbcr(done.after[patch.name], done.case.luma)
    _, want_cb, want_cr = half_way(done, patch)
    return float(np.degrees(np.angle(complex(cb, cr) / complex(want_cb, want_cr))))


def lands(done: Done) -> None:
    """Each chip and bar of the file read back, by this file's arithmetic, within the project's limits; and the proof's
    own figures are these."""
    proven = {row.name: row for row in done.proof.patches}
    for patch in done.card.patches:
        y, cb, cr = ycbcr(done.after[patch.name], done.case.luma)
        if patch.role == "chip":
            _, want_cb, want_cr = half_way(done, patch)
            turn = turned(done, patch)
            assert abs(turn) < 0.5, (patch.name, turn)
            assert np.hypot(cb, cr) / np.hypot(want_cb, want_cr) == pytest.approx(1, abs=0.01), patch.name
            assert proven[patch.name].hue_error_after_deg == pytest.approx(turn, abs=0.15)
        if patch.role == "bar":
            assert np.hypot(cb, cr) < 0.005, patch.name
            assert proven[patch.name].level_after_ire == pytest.approx(100 * y, abs=0.15)
    assert done.proof.passed, verdict_words(done.proof)
    assert done.proof.display == done.case.display


def bars_at(done: Done, percent: dict[str, float], within: float = 0.5) -> None:
    for name, level in percent.items():
        assert 100 * ycbcr(done.after[name], done.case.luma)[0] == pytest.approx(level, abs=within), name


BT709_LEVELS = {"white": 94.9, "middle": 40.9, "black": 9.0}      # 90, 18 and 2 % through the OETF of BT.709-6


def checks(done: Done) -> tuple[float, float]:
    return (done.proof.summary.mean_check_delta_e_before,          # type: ignore[return-value]
            done.proof.summary.mean_check_delta_e_after)


def test_levels_are_bt709s() -> None:
    assert 100 * bt709_oetf(np.array([0.90, 0.18, 0.02])) == pytest.approx(list(BT709_LEVELS.values()), abs=0.05)


def test_footage_that_is_a_display_picture_already(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    done = whole_job(Case(encoding="display", suffix=".tif"), tmp_path, monkeypatch)
    lands(done)
    bars_at(done, BT709_LEVELS)
    # Before is the file itself, untouched.
    for row in done.proof.patches:
        assert row.before == pytest.approx(ycbcr(done.before[row.name], LUMA_709), abs=1.5e-3)
    old, new = checks(done)
    assert new < 0.5 * old
    assert done.proof.subject.encoding == "display" and not done.proof.subject.look


def test_footage_whose_look_comes_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    done = whole_job(Case(look=True), tmp_path, monkeypatch)
    lands(done)
    bars_at(done, BT709_LEVELS)
    # Before is what OpenColorIO makes of the file with the look alone.
    transform = ocio.FileTransform(src=str(tmp_path / "look.cube"), interpolation=ocio.INTERP_TETRAHEDRAL)
    look = ocio.Config.CreateRaw().getProcessor(transform).getDefaultCPUProcessor()
    for row in done.proof.patches:
        pixel = done.before[row.name].astype(np.float32).copy()
        look.applyRGB(pixel)
        assert row.before == pytest.approx(ycbcr(pixel, LUMA_709), abs=3e-3), row.name
    assert done.proof.subject.look


def test_footage_in_bt2020_for_a_bt2020_display(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    done = whole_job(Case("ITU-R BT.2020", display="bt2020", luma=LUMA_2020), tmp_path, monkeypatch)
    lands(done)
    bars_at(done, BT709_LEVELS)      # BT.2020-2 has the OETF of BT.709


@pytest.mark.parametrize("primaries", ["ITU-R BT.2020", "ACEScg", "ACES2065-1"])
def test_footage_in_wider_primaries_for_a_bt709_display(primaries: str, tmp_path: Path,
                                                        monkeypatch: pytest.MonkeyPatch) -> None:
    """BT.2020 and the two sets of Academy S-2014-004 and ST 2065-1, whose white is not D65: greys arrive grey."""
    done = whole_job(Case(primaries), tmp_path, monkeypatch)
    lands(done)
    bars_at(done, BT709_LEVELS)
    old, new = checks(done)
    assert new < 0.6 * old


# ITU-R BT.2408, table 1: 90 % reflectance at 57 % PQ and 73 % HLG, 18 % at 38 % of both.
@pytest.mark.parametrize(("display", "white", "middle"), [("pq", 57, 38), ("hlg", 73, 38)])
def test_hdr_targets_on_the_vectorscope(display: str, white: int, middle: int, tmp_path: Path,
                                        monkeypatch: pytest.MonkeyPatch) -> None:
    done = whole_job(Case("ITU-R BT.2020", display=display, luma=LUMA_2020), tmp_path, monkeypatch)
    lands(done)
    levels = {name: 100 * ycbcr(done.after[name], LUMA_2020)[0] for name in BT709_LEVELS}
    assert (round(levels["white"]), round(levels["middle"])) == (white, middle)
    old, new = checks(done)
    assert new < 0.6 * old


@pytest.mark.parametrize("display", ["pq", pytest.param("hlg", marks=pytest.mark.long)])
def test_hdr_light_is_that_of_the_card(display: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Colorimetric targets: what the display shows of each chip, through colour-science's EOTF of BT.2100-2, against
    the card's light put through the standard's own OOTF; and the page that says how it shows such a picture."""
    done = whole_job(Case("ITU-R BT.2020", display=display, luma=LUMA_2020, mode="colorimetric"), tmp_path, monkeypatch,
                     drawn=True)
    assert done.proof.passed, verdict_words(done.proof)
    for patch in done.card.of_role("chip"):
        scene = light_of(patch.reflectance, patch.wavelengths_nm, "ITU-R BT.2020")
        wanted = coded(scene, display)
        _, cb, cr = ycbcr(wanted, LUMA_2020)
        _, got_cb, got_cr = ycbcr(done.after[patch.name], LUMA_2020)
        assert abs(complex(got_cb, got_cr) - complex(cb, cr)) < 0.012 * abs(complex(cb, cr)) + 1e-3, patch.name
    old, new = checks(done)
    assert new < 0.6 * old
    page = (tmp_path / "proof" / "proof.html").read_text()
    assert "not for judging level" in page and "203" in page and f"BT.2100 {display.upper()} display" in page
    # The middle bar (18 %, 26 cd/m2 in BT.2408) in the page's picture: its light over 203 cd/m2, in BT.1886.
    shown = cv2.imread(str(tmp_path / "proof" / done.proof.pictures["after"])).astype(float)[..., ::-1] / 255
    x, y = outline(done.card, done.card.patch("middle").polygon).mean(0).astype(int)
    assert shown[y - 4:y + 5, x - 4:x + 5].mean((0, 1)) == pytest.approx((26 / 203) ** (1 / 2.4), abs=0.012)
    assert json.loads((tmp_path / "proof" / "proof.json").read_text())["display"] == display


def test_delta_e_in_hdr_is_of_what_is_shown() -> None:
    """CIEDE2000 between two PQ signals is that of their light over reference white, by colour-science."""
    a, b = np.array([0.45, 0.40, 0.38]), np.array([0.44, 0.41, 0.36])
    labs = []
    for signal in (a, b):
        rgb = colour.models.eotf_BT2100_PQ(signal) / 203
        xyz = colour.RGB_to_XYZ(rgb, "ITU-R BT.2020", D65, chromatic_adaptation_transform=None)
        labs.append(colour.XYZ_to_Lab(xyz, D65))
    assert delta_e(a, b, "pq") == pytest.approx(float(colour.delta_E(*labs, method="CIE 2000")), abs=2e-2)
