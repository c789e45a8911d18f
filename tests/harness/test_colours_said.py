"""What files say of their own colours, held against what was declared: ICC profiles, attributes, movies' tags."""

from __future__ import annotations

import struct
from dataclasses import replace
from pathlib import Path

import numpy as np
import OpenImageIO as oiio  # noqa: N813
import pytest
from huewright.colorimetry.declare import declare_footage
from huewright.colorimetry.display import display_named
from huewright.colorimetry.said import said_otherwise
from huewright.frames.colours_said import said_in_attributes, said_in_tags
from huewright.frames.opening import open_take
from huewright.frames.tags import understood
from huewright.models.cautions import Limits
from huewright.models.footage import ColoursSaid, Footage
from huewright.models.proof import Summary
from huewright.proof.verdict import verdict_of
from huewright.steps.inputs import footage_from
from huewright.words import sentence
from PIL import Image, ImageCms

# Colorants relative to D50 of the profile "Display P3" in the ICC's registry of three-component encodings; from memory.
P3_COLORANTS = {b"rXYZ": (0.51512, 0.24120, -0.00105), b"gXYZ": (0.29198, 0.69225, 0.04189),
                b"bXYZ": (0.15710, 0.06657, 0.78407)}
P3 = (0.680, 0.320, 0.265, 0.690, 0.150, 0.060, 0.3127, 0.3290)      # SMPTE RP 431-2's, with white D65
BT709 = (0.64, 0.33, 0.30, 0.60, 0.15, 0.06, 0.3127, 0.3290)         # ITU-R BT.709-6, item 1.3


def p3_profile() -> bytes:
    """ISO 15076-1: a header, a table of tags, values of type XYZ as s15Fixed16, curves of one exponent (u8Fixed8)."""
    white = struct.pack(">3i", *(round(65536 * value) for value in (0.9642, 1.0, 0.8249)))
    tags = {name: b"XYZ \0\0\0\0" + struct.pack(">3i", *(round(65536 * value) for value in values))
            for name, values in P3_COLORANTS.items()} | {b"wtpt": b"XYZ \0\0\0\0" + white}
    tags |= dict.fromkeys((b"rTRC", b"gTRC", b"bTRC"), b"curv\0\0\0\0\0\0\0\1\2\x33".ljust(20, b"\0"))
    begin = 128 + 4 + 12 * len(tags)
    table = struct.pack(">I", len(tags)) + b"".join(
        name + struct.pack(">2I", begin + 20 * place, 20) for place, name in enumerate(tags))
    body = table + b"".join(tags.values())
    head = struct.pack(">I4sI4s4s4s12s4s4s28s", 128 + len(body), b"", 0x02400000, b"mntr", b"RGB ", b"XYZ ", b"",
                       b"acsp", b"", b"") + white
    return head.ljust(128, b"\0") + body


def grey_png(path: Path, profile: bytes) -> Path:
    Image.new("RGB", (8, 8), (90, 90, 90)).save(path, icc_profile=profile)
    return path


def test_a_profile_of_other_primaries_contradicts_a_display_picture(tmp_path: Path) -> None:
    footage = footage_from(open_take(grey_png(tmp_path / "a.png", p3_profile())), encoding="display")
    assert footage.said is not None and footage.said.by == "profile"
    assert said_otherwise(footage) is None, "which display it is for isn't known before the solve"
    found = said_otherwise(footage, display_named("bt709"))
    assert found is not None and (found.name, found.transfer, found.shown) == ("P3-D65", "", True)
    assert sentence(found) == (
        "the files' ICC profile says that their primaries are P3-D65, while as 'display' they are taken for a picture "
        "made for bt709 (ITU-R BT.709): if the files are right, declare --encoding srgb --primaries 'P3-D65'")
    right = footage_from(open_take(tmp_path / "a.png"), encoding="srgb", primaries="P3-D65")
    assert said_otherwise(right) is None and said_otherwise(right, display_named("bt709")) is None


def test_files_that_say_otherwise_leave_the_declaration_in_doubt() -> None:
    found = said_otherwise(Footage(said=ColoursSaid("profile", P3)), display_named("bt709"))
    assert found is not None
    limits = Limits(0.5, 0.01, 0.5)
    assert verdict_of(Summary(), limits, "fits", [found], ()) == "declaration-in-doubt"
    assert verdict_of(Summary(), limits, "fits", [], ()) == "within-limits"


def test_the_profile_of_srgb_is_that_of_bt709(tmp_path: Path) -> None:
    """LittleCMS makes it from IEC 61966-2-1, whose primaries are ITU-R BT.709's."""
    plain = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    footage = footage_from(open_take(grey_png(tmp_path / "a.png", plain)), encoding="display")
    assert footage.said is not None and said_otherwise(footage, display_named("bt709")) is None
    wide = said_otherwise(footage, display_named("bt2020"))
    assert wide is not None and wide.name == "ITU-R BT.709"


@pytest.mark.parametrize("profile", [b"", b"\0" * 200, p3_profile()[:140], b"acsp" * 60])
def test_a_damaged_profile_says_nothing(profile: bytes) -> None:
    assert said_in_attributes({"ICCProfile": np.frombuffer(profile, np.uint8)}) is None


def test_chromaticities_of_light_contradict_its_primaries(tmp_path: Path) -> None:
    """SMPTE ST 2065-1's primaries, as OpenEXR's standard attribute has them."""
    spec = oiio.ImageSpec(8, 8, 3, oiio.HALF)
    spec.attribute("chromaticities", oiio.TypeDesc("float[8]"),
                   (0.7347, 0.2653, 0.0, 1.0, 0.0001, -0.077, 0.32168, 0.33767))
    out = oiio.ImageOutput.create(str(tmp_path / "a.exr"))
    assert out.open(str(tmp_path / "a.exr"), spec) and out.write_image(np.full((8, 8, 3), 0.2, np.float32))
    out.close()
    take = open_take(tmp_path / "a.exr")
    found = said_otherwise(footage_from(take, encoding="linear"))
    assert found is not None and (found.by, found.name, found.shown) == ("chromaticities", "ACES2065-1", False)
    assert "declare --encoding linear --primaries 'ACES2065-1'" in sentence(found)
    assert said_otherwise(footage_from(take, encoding="linear", primaries="ACES2065-1")) is None


def tagged(primaries: int, transfer: int) -> ColoursSaid | None:
    """By the code points of ITU-T H.273, tables 2 and 3."""
    said = said_in_tags(understood(codes=(1, 1, primaries, transfer), location="left", pixels="ycbcr",
                                   size=(1920, 1080), movie="a.mov", said={}))
    return None if said is None else ColoursSaid(said.by, said.primaries, said.transfer)


@pytest.mark.parametrize(("encoding", "primaries", "points", "otherwise"), [
    ("display", None, (9, 16), (("ITU-R BT.2020",), "pq")), ("display", None, (1, 1), None),
    ("display", None, (6, 6), None),                      # standard definition: within what is let pass
    ("display", None, (1, 18), ((), "hlg")), ("hlg", "ITU-R BT.2020", (9, 18), None),
    ("hlg", "ITU-R BT.2020", (9, 14), None), ("pq", "ITU-R BT.2020", (9, 1), ((), "bt709")),
    ("base=10,log_side_slope=0.25,log_side_offset=0.4", None, (9, 16), None), ("display", None, (2, 2), None)])
def test_tags_of_movies(encoding: str, primaries: str | None, points: tuple[int, int],
                        otherwise: tuple[tuple[str, ...], str] | None) -> None:
    footage = replace(declare_footage(encoding=encoding, primaries=primaries), said=tagged(*points))
    found = said_otherwise(footage, display_named("bt709"))
    if otherwise is None:
        assert found is None
    else:
        assert found is not None and ((found.name,) if found.name else (), found.transfer) == otherwise
        assert found.transfer in sentence(found)


@pytest.mark.parametrize("xy", [(float("nan"),) * 8, (0.0,) * 8, (1e30,) * 8, (0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0, 0)])
def test_senseless_chromaticities_end_in_a_sentence(xy: tuple[float, ...]) -> None:
    found = said_otherwise(Footage(encoding="linear", said=ColoursSaid("chromaticities", xy)))
    assert found is None or "attribute chromaticities says" in sentence(found)


def test_a_photograph_of_heif(tmp_path: Path) -> None:
    """Against what was encoded without loss, and FFmpeg's own reading of the same file, which leaves it as it lies;
    Exif's orientation 6 (the first row is at the right) was made a turn of the picture's by libheif."""
    heif = pytest.importorskip("pillow_heif")
    av = pytest.importorskip("av")
    picture = np.random.default_rng(5).integers(0, 256, (64, 128, 3), dtype=np.uint8)
    exif = Image.Exif()
    exif[271], exif[272], exif[274] = "Invented Works", "One", 6
    made = heif.from_pillow(Image.fromarray(picture))
    made.save(str(tmp_path / "a.heic"), quality=-1, chroma=444, matrix_coefficients=0, icc_profile=p3_profile(),
              exif=exif.tobytes())
    take = open_take(tmp_path / "a.heic")
    frame = take.frame(take.numbers[0])
    np.testing.assert_array_equal(frame.pixels, np.rot90(picture, -1))
    assert (take.header(take.numbers[0]).bits, take.who["Model"], frame.metadata.lossy) == (8, "One", True)
    found = said_otherwise(footage_from(take, encoding="display"), display_named("bt709"))
    assert found is not None and found.name == "P3-D65"
    with av.open(str(tmp_path / "a.heic")) as container:
        other = next(container.decode(video=0)).to_ndarray(format="rgb24")
    np.testing.assert_array_equal(other, picture)


def test_a_photograph_of_heif_that_cannot_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from huewright.errors import InputError

    heif = pytest.importorskip("pillow_heif")
    heif.from_pillow(Image.new("RGB", (64, 64))).save(str(tmp_path / "a.heic"))
    whole = (tmp_path / "a.heic").read_bytes()
    for cut in (0, 20, len(whole) // 2, len(whole) - 9):
        (tmp_path / "b.heic").write_bytes(whole[:cut])
        with pytest.raises(InputError, match=r"b\.heic: (not a photograph that can be read|damaged)"):
            take = open_take(tmp_path / "b.heic")
            take.frame(take.numbers[0])
    import sys

    monkeypatch.setitem(sys.modules, "pillow_heif", None)
    with pytest.raises(InputError, match=r"pip install 'huewright\[photos\]', or save the photograph as JPEG"):
        open_take(tmp_path / "a.heic").header(1)
