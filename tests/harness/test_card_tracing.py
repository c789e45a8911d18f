"""A card traced from a photograph: patches found, none made up, roles guessed; and what is made of it afterwards.

The layouts are our own, painted with noise, vignetting, a slight tilt, blur, a cast and JPEG
(tests/testset/layouts.py): what is there is known.
"""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import pytest
from huewright.cards.roles import roles_of_photograph
from huewright.cards.tracing import trace_card
from huewright.errors import InputError
from huewright.models.card import load_card
from huewright.steps.card import card_from_measurements, trace_photo
from huewright_demo.design_card import CARD
from testset.layouts import LAYOUTS, Photo, overlap, photograph
from testset.scene import linear_rgb

pytestmark = pytest.mark.slow
FOUND, MADE_UP = 0.85, 0.5         # overlap (intersection over union) from which on a patch is found, and that none has


@cache
def seen(layout: str, number: int) -> tuple[Photo, np.ndarray]:
    """A photograph, harder or easier, and corners as a hand gives them."""
    rng = np.random.default_rng([number, list(LAYOUTS).index(layout)])
    drawn = LAYOUTS[layout](rng)
    photo = photograph(drawn, rng, quality=int(rng.choice([75, 85, 93])), noise=float(rng.choice([0.006, 0.015, 0.03])),
                       blur_px=float(rng.uniform(0.5, 1.3)))
    return photo, photo.corners + rng.normal(0, 1.5, (4, 2))


def in_photo(shares: np.ndarray, corners: np.ndarray) -> np.ndarray:
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
    to_photo = cv2.getPerspectiveTransform(square, corners.astype(np.float32))
    return np.asarray(cv2.perspectiveTransform(np.array(shares, np.float32)[None], to_photo)[0]) / 1000


def overlaps(photo: Photo, corners: np.ndarray | None) -> np.ndarray:
    """(traced, true) overlaps of every traced patch with every true one."""
    traced = trace_card(photo.picture.astype(np.float32) / 255, corners=corners)
    found = [traced.in_picture(patch) / 1000 for patch in traced.card.patches]
    true = [in_photo(polygon, photo.corners) for polygon in photo.polygons]
    return np.array([[overlap(one, other) for other in true] for one in found])


@pytest.mark.parametrize("layout", [
    pytest.param(name, marks=[] if name in ("honeycomb", "full bleed", "wheel") else pytest.mark.long)
    for name in LAYOUTS])
def test_nineteen_of_twenty_patches_are_found_and_none_made_up(layout):
    photo, corners = seen(layout, 1)
    table = overlaps(photo, corners)
    assert (table.max(axis=0) > FOUND).mean() >= 0.95
    assert (table.max(axis=1) > MADE_UP).all()


def test_the_card_is_its_own_outline_where_no_corners_are_given():
    photo, _ = seen("shards", 2)
    table = overlaps(photo, None)
    assert (table.max(axis=0) > FOUND).all() and (table.max(axis=1) > MADE_UP).all()


def test_a_table_without_a_card_has_no_outline():
    rng = np.random.default_rng(5)
    table = 0.4 + 0.02 * cv2.GaussianBlur(rng.normal(0, 1, (600, 800, 3)).astype(np.float32), (0, 0), 4)
    with pytest.raises(InputError, match="--corners"):
        trace_card(table.astype(np.float32))


def test_an_empty_sheet_has_no_patches():
    photo = np.full((600, 800, 3), 0.6, np.float32)
    photo += np.random.default_rng(6).normal(0, 0.01, photo.shape).astype(np.float32)
    with pytest.raises(InputError, match="no uniform patch"):
        trace_card(photo, whole=True)


def true_codes(gains: tuple[float, float, float]) -> tuple[list[str], np.ndarray]:
    """The demo card's patches as an sRGB camera shows them under a light of that cast."""
    card = load_card(CARD)
    light = np.clip(linear_rgb(card) * gains, 0, 1)
    srgb = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
    return [patch.name for patch in card.patches], srgb


@pytest.mark.parametrize("gains", [(1.0, 1.0, 1.0), (1.05, 0.95, 0.7), (0.75, 0.95, 1.05)])
def test_roles_are_those_of_a_card_made_for_the_bars_whatever_the_cast(gains):
    names, codes = true_codes(gains)
    guesses = roles_of_photograph(codes)
    roles = {patch.name: (patch.role, patch.hue) for patch in load_card(CARD).patches}
    assert {name: (guess.role, guess.hue) for name, guess in zip(names, guesses, strict=True)} == roles
    # IEC 61966-2-1 and ITU-R BT.709-6 have one set of primaries: a chip that is exact on the display points at its bar.
    assert max(abs(guess.off_deg) for guess in guesses if guess.off_deg is not None) < 2.0


def test_colours_that_are_not_meant_for_the_bars_are_no_chips():
    names, codes = true_codes((1, 1, 1))
    keep = [k for k, name in enumerate(names) if name not in ("red", "green", "blue", "cyan")]
    assert all(guess.role != "chip" for guess in roles_of_photograph(codes[keep]))


def test_a_card_without_greys_has_no_bars():
    names, codes = true_codes((1, 1, 1))
    keep = [k for k, name in enumerate(names) if name not in ("white", "middle", "black", "oat", "sage")]
    assert all(guess.role != "bar" for guess in roles_of_photograph(codes[keep]))


@pytest.fixture
def photo(tmp_path):
    picture, corners = seen("honeycomb", 3)
    (tmp_path / "photo.jpg").write_bytes(picture.jpeg)
    return tmp_path / "photo.jpg", corners


def test_a_traced_card_file_holds_what_was_seen_and_no_reference(photo, tmp_path):
    path, corners = photo
    traced, result = trace_photo(path, tmp_path / "card.toml", corners=[(float(x), float(y)) for x, y in corners])
    card = load_card(tmp_path / "card.toml")
    assert card == traced.card and result.picture == tmp_path / "card.png" and result.picture.is_file()
    assert all(patch.photographed is not None and patch.xyz is None for patch in card.patches)
    assert [type(note).__name__ for note in result.notes] == ["NoColours", "NoMarks"]
    with pytest.raises(InputError, match="exists already"):
        trace_photo(path, tmp_path / "card.toml")


def test_patches_are_in_reading_order(photo):
    path, corners = photo
    card = trace_card(cv2.imread(str(path))[..., ::-1].astype(np.float32) / 255, corners=corners).card
    rows = {"white": 0, "yellow": 0, "red": 0, "middle": 1, "black": 1}
    order = [patch.name for patch in card.patches if patch.name in rows]
    assert order == sorted(order, key=lambda name: (rows[name], np.mean([x for x, _ in card.patch(name).polygon])))


@pytest.mark.parametrize(("orientation", "turns"), [
    (1, 0), (6, 1), pytest.param(3, 2, marks=pytest.mark.long), pytest.param(8, 3, marks=pytest.mark.long)])
def test_a_photo_is_turned_as_its_file_says(photo, tmp_path, orientation, turns):
    """Orientations of Exif (CIPA DC-008, tag 274): 6 is to be turned by 90 degrees clockwise, 3 by 180, 8 by 270."""
    from PIL import Image

    path, _ = photo
    lying = np.rot90(np.array(Image.open(path)), turns)
    exif = Image.Exif()
    exif[274] = orientation
    Image.fromarray(lying).save(tmp_path / "turned.jpg", quality=93, exif=exif)
    traced, _ = trace_photo(tmp_path / "turned.jpg", tmp_path / "turned.toml")
    upright = traced.card.patch("white").polygon
    assert np.mean([x for x, _ in upright]) < 0.3 * traced.card.size[0]
    assert np.mean([y for _, y in upright]) < 0.4 * traced.card.size[1]


def test_measured_values_are_attached_by_position_and_guessed_levels_follow(photo, tmp_path):
    path, corners = photo
    card = trace_photo(path, tmp_path / "card.toml", corners=[(float(x), float(y)) for x, y in corners])[0].card
    true = load_card(CARD)
    # The traced patches' true colours: those of the demo card's patch of the same place.
    shares = {patch.name: np.mean(patch.polygon, axis=0) / true.size for patch in true.patches}
    places = [min(shares, key=lambda name: np.linalg.norm(np.mean(patch.polygon, axis=0) / card.size - shares[name]))
              for patch in card.patches]
    lines = ["name;X;Y;Z", *(";".join([f"sample {k}", *(f"{100 * v:.3f}" for v in true.patch(name).xyz)])
                             for k, name in enumerate(places))]
    (tmp_path / "measured.csv").write_text("\n".join(lines))
    made = card_from_measurements(tmp_path / "measured.csv", tmp_path / "whole.toml", layout=tmp_path / "card.toml",
                                  by="position")
    assert [patch.polygon for patch in made.patches] == [patch.polygon for patch in card.patches]
    for patch, name in zip(made.patches, places, strict=True):
        assert patch.xyz == pytest.approx(true.patch(name).xyz, abs=1e-4)
    # ITU-R BT.709-6, item 1.2: 2 %, 18 % and 90 % light are 9.0, 40.9 and 94.8 IRE.
    assert {patch.name: patch.level_ire for patch in made.of_role("bar")} == pytest.approx(
        {"white": 94.8, "middle": 40.9, "black": 9.0}, abs=0.15)
    with pytest.raises(InputError, match="no sample named"):
        card_from_measurements(tmp_path / "measured.csv", tmp_path / "no.toml", layout=tmp_path / "card.toml")
    (tmp_path / "short.csv").write_text("\n".join(lines[:-1]))
    with pytest.raises(InputError, match="17 samples for 18 patches"):
        card_from_measurements(tmp_path / "short.csv", tmp_path / "no.toml", layout=tmp_path / "card.toml",
                               by="position")


def test_a_round_keeps_its_area():
    photo, corners = seen("wheel", 4)
    traced = trace_card(photo.picture.astype(np.float32) / 255, corners=corners)
    areas = [cv2.contourArea((np.array(patch.polygon) / traced.card.size).astype(np.float32))
             for patch in traced.card.patches if len(patch.polygon) > 12]
    true = sorted({round(cv2.contourArea(polygon.astype(np.float32)), 6) for polygon in photo.polygons})
    assert len(areas) > 12
    assert all(min(abs(area / one - 1) for one in true) < 0.06 for area in areas)
