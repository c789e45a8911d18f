"""A correction between two takes, held against the truth: the card under the daylight that was there in between.

Sources: daylight of any colour temperature by CIE 15:2018 (the S0, S1, S2 components), measured camera sensitivities;
both as colour-science carries them. The camera keeps one white balance while the daylight goes from 5500 K to 7500 K
and a stop down; half-way the light is the one half-way in reciprocal temperature (mired), half a stop down. Nothing of
the light between is told to the interpolation. That straight lines in these unknowns follow daylight is what is tested;
that they are the best ones is nobody's claim.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from functools import cache
from pathlib import Path

import colour
import msgspec
import numpy as np
import pytest
from huewright.colorimetry.display import hue_difference_deg
from huewright.colorimetry.inverse import inverse_operations
from huewright.colorimetry.targets import delta_e, reference_rgb
from huewright.errors import InputError
from huewright.models.cautions import Interpolated
from huewright.models.correction import Correction, correction_from_dict, correction_to_dict
from huewright.models.provenance import EndOf, Inputs, Provenance
from huewright.models.reading import PatchReading, Reading
from huewright.models.settings import SolveSettings, Strength
from huewright.reference import apply_chain
from huewright.solver.answer import solve
from huewright.solver.between import between
from huewright.solver.simulate import FOOTAGE
from huewright.steps.solve import recorded_inputs
from huewright.words import sentence
from huewright_kernels.ops import HueSectors, ToneCurve

sys.path.insert(0, str(Path(__file__).parent))

from test_solver_spectral_takes import NOISE, SHAPE, camera_of, our_card

pytestmark = [pytest.mark.slow, pytest.mark.filterwarnings("ignore::colour.utilities.ColourRuntimeWarning")]
WARM_K, COOL_K = 5500.0, 7500.0
HALF_K = 2e6 / (1e6 / WARM_K + 1e6 / COOL_K)
FULL = Strength()
ENDS = (EndOf("noon", 0.5), EndOf("dusk", 0.5))


@cache
def daylight(kelvin: float) -> np.ndarray:
    xy = colour.temperature.CCT_to_xy_CIE_D(kelvin)
    return colour.sd_CIE_illuminant_D_series(xy).align(SHAPE).values


def codes_under(camera: int, kelvin: float, stops: float) -> np.ndarray:
    sensitivity, white = camera_of(camera), daylight(WARM_K)
    reflectance = np.array([patch.reflectance for patch in our_card().patches])
    response = (reflectance * daylight(kelvin)) @ sensitivity / (white @ sensitivity + 1e-12) * 2.0**stops
    return apply_chain(inverse_operations(FOOTAGE.decode), response)


def taken(camera: int, kelvin: float, stops: float, method: str, strength: Strength = FULL) -> Correction:
    noise = ((NOISE**2, 0, 0), (0, NOISE**2, 0), (0, 0, NOISE**2))
    reading = Reading(tuple(PatchReading(patch.name, tuple(code), noise, (NOISE / 60,) * 3, 3600) for patch, code in
                            zip(our_card().patches, codes_under(camera, kelvin, stops).tolist(), strict=True)))
    settings = SolveSettings(mode="colorimetric", method=method, strength=strength)
    return solve(reading, our_card(), FOOTAGE, settings,
                 provenance=Provenance(settings=settings, inputs=Inputs(reading, our_card())))


@cache
def ends(camera: int, method: str) -> tuple[Correction, Correction]:
    return taken(camera, WARM_K, 0.0, method), taken(camera, COOL_K, -1.0, method)


def off(camera: int, correction: Correction) -> float:
    """Mean CIEDE2000 of all patches under the light half-way, against the card."""
    known = reference_rgb(our_card())
    picture = apply_chain(correction.operations, codes_under(camera, HALF_K, -0.5))
    return float(np.mean(delta_e(picture, [known[patch.name] for patch in our_card().patches])))


@pytest.mark.parametrize("method", ["sectors", "matrix-sectors"])
@pytest.mark.parametrize("camera", [0, 1])
def test_between_is_nearly_as_good_as_a_take_made_then(camera: int, method: str) -> None:
    first, second = ends(camera, method)
    middle = between(first, second, 0.5, ends=ENDS, apart_s=3600)
    made_then = off(camera, taken(camera, HALF_K, -0.5, method))
    assert off(camera, middle) < made_then + 0.15
    nearest = min(off(camera, first), off(camera, second))
    assert off(camera, middle) - made_then < (nearest - made_then) / 10


def test_chips_land_where_they_land_in_both_takes() -> None:
    """What is interpolated is where patches come from: each control's landing is the mean of its landings."""
    first, second = ends(0, "matrix-sectors")
    middle = between(first, second, 0.25, ends=ENDS, apart_s=60)
    a, b, c = (next(each for each in made.operations if isinstance(each, HueSectors))
               for made in (first, second, middle))
    assert len(a.hues_deg) == len(c.hues_deg)
    for hue, turn, gain in zip(c.hues_deg, c.rotations_deg, c.gains, strict=True):
        rows = [min(zip(each.hues_deg, each.rotations_deg, each.gains, strict=True), key=lambda row: abs(
            float(hue_difference_deg(row[0] + row[1], hue + turn)))) for each in (a, b)]
        place = rows[0][0] + 0.25 * float(hue_difference_deg(rows[1][0], rows[0][0]))
        landing = rows[0][0] + rows[0][1] + 0.25 * float(hue_difference_deg(sum(rows[1][:2]), sum(rows[0][:2])))
        assert abs(float(hue_difference_deg(hue, place))) < 1e-5
        assert abs(float(hue_difference_deg(hue + turn, landing))) < 1e-5
        assert gain == pytest.approx(rows[0][2] ** 0.75 * rows[1][2] ** 0.25, abs=1e-6)
    tone = next(each for each in middle.operations if isinstance(each, ToneCurve))
    assert np.all(np.diff(tone.x) > 0) and np.all(np.diff(tone.y) > 0)
    assert middle.solved.exposure_stops == pytest.approx(0.75 * first.solved.exposure_stops
                                                         + 0.25 * second.solved.exposure_stops)


def test_takes_that_lost_different_chips_still_meet() -> None:
    """Controls that only one end has come from the other's own map."""
    first, second = ends(0, "matrix-sectors")
    sectors = second.solved.sectors[0]
    fewer = HueSectors(sectors.hues_deg[1:], sectors.rotations_deg[1:], sectors.gains[1:], sectors.kr, sectors.kb)
    second = replace(second, solved=replace(second.solved, sectors=(fewer,)))
    middle = between(first, second, 0.5, ends=ENDS, apart_s=60)
    made = next(each for each in middle.operations if isinstance(each, HueSectors))
    assert len(made.hues_deg) == len(sectors.hues_deg)
    without = replace(first, solved=replace(first.solved, sectors=(), tone=()))
    half = between(first, without, 0.5, ends=ENDS, apart_s=60)
    part = next(each for each in half.operations if isinstance(each, HueSectors))
    own = first.solved.sectors[0]
    for hue, turn, gain in zip(part.hues_deg, part.rotations_deg, part.gains, strict=True):
        k = int(np.argmin([abs(float(hue_difference_deg(h + t, hue + turn)))
                           for h, t in zip(own.hues_deg, own.rotations_deg, strict=True)]))
        assert turn == pytest.approx(own.rotations_deg[k] / 2, abs=1e-5)
        assert gain == pytest.approx(own.gains[k] ** 0.5, abs=1e-6)


def test_its_file_names_both_and_reads_back() -> None:
    first, second = ends(0, "sectors")
    middle = between(first, second, 0.5, ends=ENDS, apart_s=2 * 3600 + 300)
    assert correction_from_dict(correction_to_dict(middle)) == middle
    assert middle.provenance.between == ENDS
    caution = middle.cautions[0]
    assert isinstance(caution, Interpolated) and caution.drift is not None and caution.drift > 1
    assert "noon" in sentence(caution) and "2 h 5 min apart" in sentence(caution)
    unread = replace(second, provenance=msgspec.structs.replace(second.provenance, inputs=None))
    untold = between(first, unread, 0.5, ends=ENDS, apart_s=1).cautions[0]
    assert isinstance(untold, Interpolated) and untold.drift is None and "not recorded" in sentence(untold)
    with pytest.raises(InputError, match="between two takes, noon and dusk; repeat those two"):
        recorded_inputs(middle, "middle.json")
    assert between(first, second, 0.0, ends=ENDS, apart_s=1).operations == first.operations
    assert between(first, second, 1.0, ends=ENDS, apart_s=1).operations == second.operations


def test_a_part_of_it_is_the_part_of_what_lies_between() -> None:
    none = Strength(0.0, 0.0)
    first, second = (taken(0, kelvin, 0.0, "sectors", none) for kelvin in (WARM_K, COOL_K))
    assert between(first, second, 0.5, ends=ENDS, apart_s=1).operations == first.neutral_operations


def test_unlike_takes_are_refused() -> None:
    first, second = ends(0, "sectors")
    with pytest.raises(InputError, match="takes noon and dusk can't be interpolated: they were solved with other"):
        between(first, ends(0, "matrix-sectors")[1], 0.5, ends=ENDS, apart_s=1)
    with pytest.raises(InputError, match="done whole or not at all"):
        between(replace(first, solved=None), replace(second, solved=None), 0.5, ends=ENDS, apart_s=1)
    with pytest.raises(InputError, match="declared otherwise"):
        between(first, replace(second, footage=replace(second.footage, range="legal")), 0.5, ends=ENDS, apart_s=1)
