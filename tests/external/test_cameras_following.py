"""Two cameras under one light, one following the other: judged on things that no card shows.

Sources: the 190 reflectances of the Academy's P-2013-001 training data; CIE 15:2018 illuminants; measured camera
sensitivities and the reference device of P-2013-001; ISO 17321-1 for makers' matrices and as the second card; all as
colour-science carries them. Half of the sensors keep their own light, the others have a maker's matrix.

    python tests/external/test_cameras_following.py          every figure, of 20 pairs
"""

from __future__ import annotations

import sys
from pathlib import Path

import colour
import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from external.test_solver_spectral_takes import SHAPE, iso_card, light_of, our_card
from external.test_things_beside_the_card import LIGHTS, sensitivities, things
from huewright.colorimetry.inverse import inverse_operations
from huewright.colorimetry.targets import delta_e
from huewright.models.card import Card
from huewright.models.cautions import FollowsCamera
from huewright.models.provenance import LedBy
from huewright.models.reading import PatchReading, Reading
from huewright.models.settings import SolveSettings
from huewright.reference import apply_chain
from huewright.solver.answer import solve
from huewright.solver.simulate import FOOTAGE

pytestmark = [pytest.mark.slow, pytest.mark.filterwarnings("ignore::colour.utilities.ColourRuntimeWarning"),
              pytest.mark.filterwarnings("ignore::colour.utilities.ColourUsageWarning")]
ENCODE = inverse_operations(FOOTAGE.decode)


def response_of(sensor: np.ndarray, shine: np.ndarray, *, matrix: bool) -> np.ndarray:
    """(wavelengths, 3): light of a reflectance, white at 1."""
    response = sensor * shine[:, None] / (shine @ sensor)
    if not matrix:
        return response
    colours = np.array([one.copy().align(SHAPE).values for one in
                        colour.SDS_COLOURCHECKERS["ISO 17321-1"].values()])
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(SHAPE).values
    daylight = light_of("D65")
    light = (colours * daylight) @ observer / (daylight @ observer[:, 1]) @ (
        colour.RGB_COLOURSPACES["ITU-R BT.709"].matrix_XYZ_to_RGB.T)
    heavy = 100 * np.ones((1, 3))
    return np.asarray(response @ np.linalg.lstsq(np.vstack([colours @ response, heavy]), np.vstack([light, heavy]),
                                                 rcond=None)[0])


def side(card: Card, response: np.ndarray, rng: np.random.Generator) -> tuple[Reading, np.ndarray]:
    """What is read of the card, 0.3 % off, and the code values of the things beside it."""
    gains = 2 ** np.array([rng.uniform(-0.4, 0.4), 0, rng.uniform(-0.4, 0.4)]) * 2 ** rng.uniform(-1, 0.3)
    patches = np.array([patch.reflectance for patch in card.patches]) @ response
    codes = apply_chain(ENCODE, (patches * (1 + rng.normal(0, 0.003, patches.shape))
                                 + rng.normal(0, 0.0005, patches.shape)) * gains)
    noise = ((9e-6, 0, 0), (0, 9e-6, 0), (0, 0, 9e-6))
    reading = Reading(tuple(PatchReading(patch.name, tuple(code), noise, (1e-3,) * 3, 3600)
                            for patch, code in zip(card.patches, codes.tolist(), strict=True)))
    return reading, np.asarray(apply_chain(ENCODE, (things() @ response) * gains))


def apart(seed: int, method: str) -> tuple[float, float, FollowsCamera]:
    """Mean CIEDE2000 between the two cameras on the things, each alone and one following; and what that says of
    itself."""
    rng = np.random.default_rng([31, seed])
    card, mode = (our_card(), "vectorscope") if seed % 2 == 0 else (iso_card(), "colorimetric")
    shine = light_of(LIGHTS[seed % len(LIGHTS)])
    pair = rng.choice(3, 2, replace=False)
    (first, seen), (second, seen_too) = (side(card, response_of(sensitivities(int(which)), shine,
                                                                matrix=bool(rng.integers(2))), rng) for which in pair)
    settings = SolveSettings(mode=mode, method=method)
    leader, alone = (solve(reading, card, FOOTAGE, settings) for reading in (first, second))
    signals = apply_chain(leader.operations, np.array([patch.mean for patch in first.patches]))
    lead = LedBy("a", colours={patch.name: tuple(row) for patch, row in zip(first.patches, signals.tolist(),
                                                                            strict=True)})
    follower = solve(second, card, FOOTAGE, settings, lead=lead)
    meant = apply_chain(leader.operations, seen)
    shown = np.all((meant > 0.03) & (meant < 1), axis=1)
    off = [float(np.mean(delta_e(np.clip(apply_chain(each.operations, seen_too[shown]), 0, 1), meant[shown])))
           for each in (alone, follower)]
    said, = (one for one in follower.cautions if isinstance(one, FollowsCamera))
    return off[0], off[1], said


def test_things_beside_the_card_come_nearer_to_the_other_camera() -> None:
    """In the mean of two pairs; and what is said of patches left out is no brighter than it is for these by half."""
    rows = [apart(seed, "sectors") for seed in range(2)]
    alone, following = np.mean([row[:2] for row in rows], axis=0)
    assert following < alone          # by how much hangs on the pairs: see the twelve below
    assert all(said.mean < said.left_out_mean for *_, said in rows)
    assert following < 1.5 * np.mean([said.left_out_mean for *_, said in rows])


@pytest.mark.long
@pytest.mark.parametrize(("method", "share"), [("sectors", 0.7), ("matrix-sectors", 0.97), ("spectral-sectors", 0.98)])
def test_whatever_method_leads(method: str, share: float) -> None:
    rows = [apart(seed, method) for seed in range(2, 14)]
    assert np.mean([row[1] for row in rows]) < share * np.mean([row[0] for row in rows])


def report() -> None:
    for method in ("sectors", "matrix-sectors", "spectral-sectors"):
        rows = [apart(seed, method) for seed in range(20)]
        alone, following = (np.array([row[k] for row in rows]) for k in (0, 1))
        print(f"{method:18s} CIEDE2000 between cameras on things: alone {alone.mean():.2f}, following "
              f"{following.mean():.2f}, nearer in {np.sum(following < alone)} of {len(rows)}; on patches left out "
              f"{np.mean([row[2].left_out_mean for row in rows]):.2f}, in the fit "
              f"{np.mean([row[2].mean for row in rows]):.2f}", flush=True)


if __name__ == "__main__":
    report()
