"""The pictures of a proof: their numbers against the standards, their marks where the measurements are."""

from __future__ import annotations

import dataclasses
import warnings
from pathlib import Path

import colour
import numpy as np
import pytest
from huewright.accuracy.published import BARS_75
from huewright.colorimetry.display import to_ycbcr
from huewright.errors import InputError
from huewright.report import graticule, style
from huewright.report.closeup import chip_cloud, chips_of
from huewright.report.scopes import scope_pictures
from PIL import Image

LUMA = BT709_LUMA = (0.2126, 0.0722)      # ITU-R BT.709-6, item 3.2
BT2020_LUMA = (0.2627, 0.0593)           # ITU-R BT.2020-2, table 4

def opened(path: Path, mode: str | None = None) -> np.ndarray:
    with Image.open(path) as picture:
        return np.asarray(picture.convert(mode) if mode else picture)


@pytest.mark.parametrize("name", BARS_75)
def test_the_75_percent_targets_are_those_of_the_broadcast_bars(name):
    luma, cb, cr = graticule.colour_bars(LUMA, 0.75)[name]
    codes = graticule.code_10bit(luma), graticule.chroma_code_10bit(cb), graticule.chroma_code_10bit(cr)
    assert codes == BARS_75[name][1]


@pytest.mark.parametrize(("luma", "weights"), [(BT709_LUMA, "ITU-R BT.709"),
                                               (BT2020_LUMA, "ITU-R BT.2020")])
def test_the_targets_agree_with_another_implementation_of_the_recommendations(luma, weights):
    """colour-science's RGB_to_YCbCr and WEIGHTS_YCBCR (ITU-R BT.709-6, BT.2020-2)."""
    for amplitude in (0.75, 1.0):
        for name, found in graticule.colour_bars(luma, amplitude).items():
            bar = np.array([name in ("red", "yellow", "magenta"), name in ("yellow", "green", "cyan"),
                            name in ("cyan", "blue", "magenta")]) * amplitude
            expected = colour.RGB_to_YCbCr(bar, K=colour.WEIGHTS_YCBCR[weights], in_bits=10, in_legal=False,
                                           out_bits=10, out_legal=True, out_int=True)
            got = (graticule.code_10bit(found[0]), graticule.chroma_code_10bit(found[1]),
                   graticule.chroma_code_10bit(found[2]))
            assert got == tuple(expected)


def test_percent_and_code_values_meet_the_standards_ends():
    # ITU-R BT.709-6 item 5.6: 10-bit black 64, nominal peak 940, video data 4 to 1019.
    assert [graticule.code_10bit(level) for level in (0.0, 1.0)] == [64, 940]
    assert graticule.code_10bit(graticule.LOW) < 4 and graticule.code_10bit(graticule.HIGH) > 1019


def test_ink_is_monotone_and_shows_a_single_sample():
    counts = np.array([[0, 1, 10], [100, 1000, 5000]])
    ink = graticule.density(counts)
    assert ink[0, 0] == 0 and ink[0, 1] > 0.002 and (np.diff(ink.ravel()) > 0).sum() >= 4 and ink.max() == 1
    assert not graticule.density(np.zeros((2, 2))).any()


def test_pictures_are_two_equal_panels_at_twice_800_pixels(pictures):
    names, folder = pictures
    kinds = {f"{kind}_{view}" for kind in ("waveform", "parade", "vectorscope") for view in ("frame", "card")}
    assert set(names) == {"before", "after"} | {f"{kind}{night}" for kind in kinds | {"closeup_card"}
                                                for night in ("", "_night")}
    for name, file in names.items():
        size = opened(folder / file).shape[1::-1]
        assert size == ((1280, 720) if name in ("before", "after") else (1600, size[1])), name
        assert (folder / file).stat().st_size < 300_000


def test_jpegs_keep_the_display_signal(take, pictures):
    names, folder = pictures
    for name, picture in (("before", take.before), ("after", take.after)):
        got = opened(folder / names[name]).astype(float) / 255
        for outline in take.outlines.values():
            x, y = np.rint(outline.mean(axis=0)).astype(int)
            window = np.s_[y - 5:y + 6, x - 5:x + 6]
            assert np.abs(got[window].mean(axis=(0, 1)) - picture[window].mean(axis=(0, 1))).max() < 0.012


def test_a_noisy_frame_still_fits_the_page(tmp_path):
    from huewright.report.photo import save_photo

    noise = np.random.default_rng(3).random((720, 1280, 3)).astype(np.float32)
    assert save_photo(0.3 + 0.4 * noise, tmp_path / "noise.jpg") == 0
    assert (tmp_path / "noise.jpg").stat().st_size < 1_500_000
    assert opened(tmp_path / "noise.jpg").shape[1::-1] == (1280, 720)


def test_the_trace_lies_where_the_colour_is(tmp_path):
    """A flat picture draws one spot: its place in the PNG is that of its Cb and Cr, found from the axes alone."""
    from huewright.report.draw import EXTENT, VECTOR_HEIGHT

    rgb = np.array([0.62, 0.28, 0.33], dtype=np.float32)
    flat = np.broadcast_to(rgb, (40, 60, 3)).copy()
    grey = np.full_like(flat, 0.5)
    spots = []
    for index, picture in enumerate((flat, grey)):
        names = scope_pictures(picture, grey, out_dir=tmp_path, prefix=f"{index}-", night=False)
        spots.append(opened(tmp_path / names["vectorscope_frame"], "RGB").astype(int))
    changed = np.abs(spots[0] - spots[1]).sum(axis=2) > 60
    rows, columns = np.nonzero(changed[:, :800])
    _, cb, cr = to_ycbcr(rgb, LUMA)
    # Half of the changed pixels are the grey picture's own spot in the middle, which the flat one lacks.
    x = (14 + (cb + EXTENT) / (2 * EXTENT) * 372) * 2
    y = (VECTOR_HEIGHT - 24 - (cr + EXTENT) / (2 * EXTENT) * 372) * 2
    assert min(np.hypot(columns - x, rows - y)) < 3
    far = np.hypot(columns - x, rows - y) > 12
    middle = np.hypot(columns - 2 * (14 + 186), rows - 2 * (VECTOR_HEIGHT - 24 - 186)) < 16
    assert (far <= middle).all()


@pytest.mark.parametrize(("level", "code"), [(0.0, 64), (0.409, 422), (1.0, 940)])
def test_a_level_lies_at_its_percent_and_code(tmp_path, level, code):
    """Flat pictures of ITU-R BT.709-6's black (64), 18 % grey (0.4090) and nominal peak (940): the waveform's line lies
    at that share of the way between the scale's 0 and 100, found in the PNG."""
    from huewright.report.draw import WAVE_HEIGHT

    assert graticule.code_10bit(level) == code
    rows = []
    for index, value in enumerate((level, 0.65)):
        flat = np.full((40, 60, 3), value, dtype=np.float32)
        names = scope_pictures(flat, flat, out_dir=tmp_path, prefix=f"{index}-", night=False)
        rows.append(opened(tmp_path / names["waveform_frame"], "L").astype(int))
    darker = (rows[1] - rows[0])[:, 100:700].mean(axis=1)
    bottom, top = 2 * (WAVE_HEIGHT - 24), 2 * 40             # of the axes, -10 % and 110 %
    assert int(np.argmax(darker)) == pytest.approx(bottom - (level + 0.1) / 1.2 * (bottom - top), abs=2)


def test_a_close_up_puts_a_chip_that_is_home_in_the_middle(take):
    patch = chips_of(take.proof.patches)[0]
    home = dataclasses.replace(patch, target=patch.after)
    from huewright.colorimetry.display import from_ycbcr

    colours = np.broadcast_to(from_ycbcr(patch.after, LUMA), (50, 3))
    cloud = chip_cloud(home, colours, np.ones(50), LUMA)
    rows, columns = np.nonzero(cloud)
    assert {*rows, *columns} <= {len(cloud) // 2 - 1, len(cloud) // 2}


def test_the_card_alone_leaves_the_scene_out(take):
    """A scene of pure red around the patches must not change one count of the card's scopes."""
    import cv2
    from huewright.report import scopes

    inside = np.zeros(take.after.shape[:2], dtype=np.uint8)
    for outline in take.outlines.values():
        cv2.fillConvexPoly(inside, np.rint(outline).astype(np.int32), 1)
    loud = np.where(inside[..., None] > 0, take.after, np.array([1.0, 0.0, 0.0], dtype=np.float32)).astype(np.float32)
    view = scopes._card_view(take.after, loud, take.outlines)
    for count in (scopes._waveform, scopes._parade, scopes._vectorscope):
        quiet, shouted = (count(pixels, view.mask, LUMA) for pixels in view.pixels)
        assert quiet.any() and (quiet == shouted).all()
    full = scopes._frame_view(take.after, loud, take.outlines)
    assert (scopes._vectorscope(full.pixels[0], None, LUMA) != scopes._vectorscope(full.pixels[1], None, LUMA)).any()


def test_nothing_is_overwritten_or_half_written(take, tmp_path):
    (tmp_path / "parade_card_night.png").write_bytes(b"mine")
    with pytest.raises(InputError, match="exists already"):
        scope_pictures(take.before, take.after, patches=take.proof.patches, polygons=take.outlines,
                       out_dir=tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["parade_card_night.png"]


def test_pictures_of_different_sizes_are_refused(tmp_path):
    with pytest.raises(ValueError, match="differ in size"):
        scope_pictures(np.zeros((4, 4, 3)), np.zeros((4, 5, 3)), out_dir=tmp_path)


# ---------------------------------------------------------------- the look

@pytest.mark.parametrize("palette", style.PALETTES, ids=lambda palette: palette.name)
def test_text_colours_reach_4_5_to_1(palette):
    """WCAG 2.2, success criterion 1.4.3 (AA)."""
    for name in ("ink", "soft", "before", "after", "bad", "warn", "red", "green", "blue"):
        for ground in (palette.paper, palette.sheet):
            assert style.contrast(getattr(palette, name), ground) >= 4.5, name


def test_contrast_is_wcags():
    # WCAG 2.2: black on white is 21:1; #767676 on white is the well-known 4.54:1.
    assert style.contrast("#000000", "#ffffff") == pytest.approx(21)
    assert style.contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("deficiency", ["Protanomaly", "Deuteranomaly", "Tritanomaly"])
@pytest.mark.parametrize("palette", style.PALETTES, ids=lambda palette: palette.name)
def test_before_and_after_stay_apart_for_colour_blind_eyes(palette, deficiency):
    """Full severity by the model of Machado, Oliveira and Fernandes 2009, as colour-science has it.

    10 CIEDE2000 is many times what side by side can just be told apart; that figure is our own choice.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")          # it says that its tritan model is an approximation
        matrix = colour.matrix_cvd_Machado2009(deficiency, 1.0)
    labs = []
    for name in ("before", "after", "ink"):
        linear = colour.models.eotf_sRGB(np.array(style.rgb(getattr(palette, name))))
        labs.append(colour.XYZ_to_Lab(colour.sRGB_to_XYZ(np.clip(matrix @ linear, 0, 1), apply_cctf_decoding=False)))
    assert colour.delta_E(labs[0], labs[1], method="CIE 2000") > 10
    assert colour.delta_E(labs[0], labs[2], method="CIE 2000") > 10


@pytest.mark.parametrize("palette", style.PALETTES, ids=lambda palette: palette.name)
def test_denser_trace_is_always_further_from_the_ground(palette):
    steps = style.ramp(palette.trace, 64) @ (0.2126, 0.7152, 0.0722)
    assert (np.diff(np.abs(steps - steps[0])) > 0).all()


def test_a_palette_png_keeps_its_ground_exactly(tmp_path):
    with style.drawing(style.DAY):
        made = style.figure(200, 100)
        made.text(0.1, 0.5, "Grey 41.0")
        style.save_png(made, tmp_path / "a.png")
    pixels = opened(tmp_path / "a.png", "RGB")
    assert pixels.shape == (200, 400, 3)
    assert tuple(pixels[0, 0]) == tuple(round(255 * v) for v in style.rgb(style.DAY.paper))


def test_a_palette_png_keeps_the_hue_of_a_small_label(tmp_path):
    """Among a thousand reds one small green word stays green."""
    with style.drawing(style.DAY):
        made = style.figure(400, 200)
        axes = made.add_axes((0, 0, 1, 1))
        axes.imshow(np.random.default_rng(1).random((200, 400, 1)) * np.array([0.6, 0.1, 0.1]), aspect="auto",
                    extent=(0, 1, 0, 1))
        axes.text(0.5, 0.5, "G'", color="#2c9b43", weight="bold", size=20)
        style.save_png(made, tmp_path / "a.png")
    pixels = opened(tmp_path / "a.png", "RGB").astype(int)
    assert (np.abs(pixels - (0x2c, 0x9b, 0x43)).max(axis=2) < 12).sum() > 100


# ---------------------------------------------------------------- other displays, other limits

# 10-bit narrow-range codes of the bars' Y', Cb, Cr for Kr 0.2627, Kb 0.0593 (ITU-R BT.2020-2 tables 4 and 5), worked
# out by hand: at 75 %, red has Y' = 0.197025, Cb = -0.104724, Cr = 0.375.
@pytest.mark.parametrize(("name", "amplitude", "codes"), [
    ("red", 0.75, (237, 418, 848)), ("green", 0.75, (509, 270, 203)), ("blue", 0.75, (103, 848, 485)),
    ("yellow", 1.0, (888, 64, 548)), ("cyan", 1.0, (710, 637, 64)), ("magenta", 1.0, (346, 835, 924))])
def test_the_bars_of_bt2020_have_their_codes(name, amplitude, codes):
    lit = [name in names for names in (("red", "yellow", "magenta"), ("green", "yellow", "cyan"),
                                       ("blue", "cyan", "magenta"))]
    r, g, b = (amplitude * on for on in lit)
    y = 0.2627 * r + 0.6780 * g + 0.0593 * b
    by_hand = (round(64 + 876 * y), round(512 + 896 * (b - y) / 1.8814), round(512 + 896 * (r - y) / 1.4746))
    luma, cb, cr = graticule.colour_bars(BT2020_LUMA, amplitude)[name]
    assert (graticule.code_10bit(luma), graticule.chroma_code_10bit(cb), graticule.chroma_code_10bit(cr)) == by_hand
    assert by_hand == codes


@pytest.mark.parametrize(("display", "bar", "white"), [("bt709", 0.75, None), ("bt2020", 0.75, None),
                                                       ("hlg", 0.75, 0.75), ("pq", 0.58, 0.58)])
def test_graticules_follow_the_display(display, bar, white):
    """HLG bars at 75 %, PQ bars at 58 % (ITU-R BT.2111-2, codes 721 and 572); reference white at 75 % HLG and 58 % PQ
    (ITU-R BT.2408)."""
    from huewright.report.draw import ground_of

    ground = ground_of(display)
    assert ground.bar == bar
    assert ground.luma == (BT709_LUMA if display == "bt709" else BT2020_LUMA)
    assert ground.white == (None if white is None else pytest.approx(white, abs=2e-3))


def test_the_ring_is_as_wide_as_the_limits(take, tmp_path):
    """Drawn at two limits, the ring's ink lies at the limit each time: found in the pixels of an empty tile."""
    from huewright.report.closeup import Tile, draw_tile, tile_panel
    from huewright.report.sheet import Sheet

    patch = chips_of(take.proof.patches)[0]
    far = dataclasses.replace(patch, before=(0.5, -patch.target[1], -patch.target[2]), name="")
    for limit in (0.5, 1.0):
        tile = Tile(limit, limit / 50)
        sheet = Sheet(400, 400)
        draw_tile(tile_panel(sheet, (0, 0, 400, 400), tile), far, 0, None, tile)
        sheet.save(tmp_path / f"{limit}.png", style.DAY)
        pixels = opened(tmp_path / f"{limit}.png", "RGB").astype(int)
        # Along a line at 45 degrees from the middle, clear of the strokes: the first dark pixel.
        half = pixels.shape[0] // 2
        steps = np.arange(8, half)
        line = pixels[half - steps, half + steps].sum(axis=1)
        reach = steps[np.argmax(line < 300)] / half * np.sqrt(2)
        assert reach == pytest.approx(limit / tile.hue_span_deg, rel=0.06)


def test_a_limit_wider_than_the_tile_widens_it():
    from huewright.report.closeup import Tile

    assert (Tile().hue_span_deg, Tile().radius_span) == (4.0, 0.08)
    assert Tile(5.0, 0.1).hue_span_deg == 15.0 and Tile(5.0, 0.1).radius_span == pytest.approx(0.3)


def test_a_label_gets_out_of_the_traces_way():
    from huewright.report.draw import _free_place

    trace = np.zeros((480, 620))
    beside = _free_place("middle 40.9", (0.1, 0.3), 0.41, trace)
    assert beside[1] == 0.41 and beside[2] == "left"
    trace[int((1.1 - 0.43) / 1.2 * 480):int((1.1 - 0.39) / 1.2 * 480)] = 1.0
    assert abs(_free_place("middle 40.9", (0.1, 0.3), 0.41, trace)[1] - 0.41) > 0.04


def test_labels_are_not_written_over_one_another():
    """Of two bars of nearly one level beside one another."""
    from huewright.report.draw import _place

    trace = np.zeros((480, 620))
    places = [_place("middle 40.9", (0.1, 0.3), level, trace) for level in (0.41, 0.42, 0.40)]
    assert len({align for *_, align in places}) == 1      # left of the bars there is no room
    for one, other in ((0, 1), (0, 2), (1, 2)):
        assert abs(places[one][1] - places[other][1]) > 0.05


def test_weak_colours_are_enlarged_and_strong_ones_are_not(take):
    """A chip at the edge of what fits a dial twice as large, and pixels beyond it."""
    from huewright.colorimetry.display import from_ycbcr
    from huewright.report.draw import RING, View
    from huewright.report.scopes import _zoom

    patch = chips_of(take.proof.patches)[0]

    def zoom(chip: float, pixels: float) -> int:
        weak = dataclasses.replace(patch, before=(0.4, 0.0, 0.0), after=(0.4, chip, 0.0), target=(None, chip, 0.0))
        flat = np.broadcast_to(from_ycbcr((0.4, 0.0, pixels), LUMA), (40, 60, 3)).astype(np.float32)
        return _zoom(View("a", (flat, flat), None, {}), [weak], LUMA)

    assert zoom(0.27 * RING, 0.1) == 2
    assert zoom(0.29 * RING, 0.1) == 1
    assert zoom(0.1, 0.51 * RING) == 1
    half_way = [np.hypot(*patch.target[1:]) for patch in chips_of(take.proof.patches)]
    assert min(half_way) > 0.29 * RING
    assert _zoom(View("a", (take.before, take.after), None, {}), take.proof.patches, LUMA) == 1
