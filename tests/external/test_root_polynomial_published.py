"""Root-polynomial and matrix fits against what is published of them.

Sources: Finlayson, Mackiewicz and Hurlbert, "Color correction using root-polynomial regression", IEEE Trans. Image
Processing 24(5), 2015 (the terms of each degree; invariance to exposure, which plain polynomials lack); the worked
example that colour-science prints in the documentation of its functions of that paper, to its printed digits; the
fit of degree 3 to 24 measured patches that its distributed tests print; (no example of the paper's own: its cameras
and reflectances aren't published with it);
colour-science's own least squares; measured camera sensitivities (Darrodi et al. 2015 among them) and ISO 17321-1
reflectances as colour-science carries them.
"""

from __future__ import annotations

import colour
import numpy as np
import pytest
from colour.characterisation import polynomial_expansion_Finlayson2015
from huewright.solver.linear import fit_map, white_preserving_matrix

SHAPE = colour.SpectralShape(400, 700, 10)


def example() -> tuple[np.ndarray, np.ndarray]:
    random = np.random.RandomState(2)
    test = random.random_sample((24, 3))
    return test, test + (random.random_sample((24, 3)) - 0.5) * 0.5


def test_the_worked_example_of_the_documentation() -> None:
    """The first degree has no roots; its printed matrix and corrected colour."""
    fitted = fit_map("polynomial-1", *example())
    printed = [[1.0526376, 0.1378078, -0.2276339], [0.0739584, 1.0293994, -0.1060115],
               [0.0572550, -0.2052633, 1.1015194]]
    assert fitted(np.eye(3)).T == pytest.approx(np.array(printed), abs=1e-7)
    assert fitted(np.array([0.17224810, 0.09170660, 0.06416938])) == pytest.approx(
        [0.1793456, 0.1003392, 0.0617218], abs=1e-7)


@pytest.mark.parametrize("degree", [2, 3])
def test_terms_are_the_papers(degree: int) -> None:
    """The paper's lists as its public implementations have them, the paper being sold:
    6 terms of degree 2 and 13 of degree 3, whatever their order."""
    r, g, b = rgb = np.array([0.3, 0.5, 0.7])
    terms = [r, g, b, (r * g)**(1 / 2), (g * b)**(1 / 2), (r * b)**(1 / 2)]
    if degree == 3:
        terms += [(r * g * g)**(1 / 3), (g * b * b)**(1 / 3), (r * b * b)**(1 / 3), (g * r * r)**(1 / 3),
                  (b * g * g)**(1 / 3), (b * r * r)**(1 / 3), (r * g * b)**(1 / 3)]
    assert sorted(polynomial_expansion_Finlayson2015(rgb, degree, True)) == pytest.approx(sorted(terms))


def by_hand(rgb: np.ndarray) -> np.ndarray:
    """The 13 terms of degree 3, in the order of colour-science's printed example."""
    r, g, b = np.moveaxis(rgb, -1, 0)
    thirds = [r * g * g, g * b * b, r * b * b, g * r * r, b * g * g, b * r * r, r * g * b]
    return np.stack([r, g, b, np.sqrt(r * g), np.sqrt(g * b), np.sqrt(r * b), *map(np.cbrt, thirds)], axis=-1)


def test_the_printed_expansion_of_degree_2() -> None:
    rgb = np.array([0.17224810, 0.09170660, 0.06416938])
    printed = [0.1722481, 0.0917066, 0.0641693, 0.1256832, 0.0767121, 0.1051335]      # cut, not rounded
    assert by_hand(rgb)[:6] == pytest.approx(printed, abs=1e-7)
    assert polynomial_expansion_Finlayson2015(rgb, 2, True) == pytest.approx(printed, abs=1e-7)


def test_the_printed_fit_of_degree_3() -> None:
    """Least squares by NumPy on terms by hand, and the method as it is used here, against the printed coefficients of
    the red channel; they are large and nearly cancel, hence 1e-5 of 8 printed decimals."""
    from colour.characterisation.tests.test_correction import MATRIX_REFERENCE, MATRIX_TEST

    printed = [2.87796213, 9.85720054, 2.99863978, 76.97227806, 73.73571500, -49.37563169, -48.70879206, -47.53280959,
               29.88241815, -39.82871801, -37.11388282, 23.30393209, 3.81579802]
    weights, *_ = np.linalg.lstsq(by_hand(MATRIX_TEST), MATRIX_REFERENCE[:, 0], rcond=None)
    assert weights == pytest.approx(printed, abs=1e-5)
    colours = np.random.default_rng(5).uniform(0.05, 0.8, (40, 3))
    assert fit_map("polynomial-3", MATRIX_TEST, MATRIX_REFERENCE)(colours)[:, 0] == pytest.approx(
        by_hand(colours) @ printed, abs=1e-6)


@pytest.mark.parametrize("degree", [2, 3])
def test_fits_are_colour_sciences_own(degree: int) -> None:
    test, wanted = example()
    colours = np.random.default_rng(3).random((50, 3))
    theirs = colour.characterisation.colour_correction_Finlayson2015(colours, test, wanted, degree, True)
    assert fit_map(f"polynomial-{degree}", test, wanted)(colours) == pytest.approx(theirs, abs=1e-12)


def test_the_matrix_agrees_where_the_data_keep_white() -> None:
    """Where the truth is a matrix that keeps white, colour-science's free least squares finds the same one."""
    truth = np.array([[1.4, -0.3, -0.1], [-0.2, 1.5, -0.3], [0.05, -0.45, 1.4]])
    camera = np.random.default_rng(4).random((20, 3))
    theirs = colour.matrix_colour_correction(camera, camera @ truth.T, method="Cheung 2004", terms=3)
    assert white_preserving_matrix(camera, camera @ truth.T) == pytest.approx(theirs, abs=1e-8)


def sensitivities() -> list[np.ndarray]:
    return [camera.copy().align(SHAPE).values for camera in colour.MSDS_CAMERA_SENSITIVITIES.values()]


@pytest.mark.parametrize("index", range(len(colour.MSDS_CAMERA_SENSITIVITIES)))
def test_exposure_does_not_matter_to_roots_as_it_does_to_powers(index: int) -> None:
    """The paper's point: doubled exposure doubles a root polynomial's answer exactly; a plain polynomial's errors
    grow. And with 24 patches degree 2 fits no worse than the matrix."""
    patches = list(colour.SDS_COLOURCHECKERS["ISO 17321-1"].values())
    reflectance = np.array([patch.copy().align(SHAPE).values for patch in patches])
    light = colour.SDS_ILLUMINANTS["D65"].copy().align(SHAPE).values
    camera = sensitivities()[index]
    camera = (reflectance * light) @ camera / (light @ camera)
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(SHAPE).values
    xyz = (reflectance * light) @ observer / (light @ observer[:, 1])
    wanted = xyz @ np.linalg.inv(colour.RGB_COLOURSPACES["ITU-R BT.709"].matrix_RGB_to_XYZ).T
    for degree in (2, 3):
        roots = fit_map(f"polynomial-{degree}", camera, wanted)
        assert roots(2 * camera) == pytest.approx(2 * roots(camera), abs=1e-10)
    powers = colour.characterisation.colour_correction_Finlayson2015(2 * camera, camera, wanted, 2, False)
    plain = np.abs(powers - 2 * wanted).mean()
    assert plain > 1.5 * np.abs(fit_map("polynomial-2", camera, wanted)(2 * camera) - 2 * wanted).mean()
    squares = [((fit_map(method, camera, wanted)(camera) - wanted)**2).sum() for method in ("polynomial-2", "matrix")]
    assert squares[0] <= squares[1]
