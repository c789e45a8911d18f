"""The methods that work on linear light, for comparison: a white-preserving 3x3 matrix, and root polynomials.

    matrix          least squares from balanced camera light to display light, with equal R, G, B kept equal
                    (the white-point-preserving least squares of Finlayson and Drew 1997)
    polynomial-2/3  root polynomials of degree 2 and 3 (Finlayson, Mackiewicz and Hurlbert 2015), expansion and
                    least squares by colour-science. Rendered from a 3D table over a power of light, whose error
                    against the exact polynomial is measured and stated.

    matrix-sectors  the matrix, and then the sectors on what it leaves: for light whose primaries are the sensor's own

They need a full colour to aim at. A chip that is asked only for a place on the vectorscope is given the level of its
reference colour, brought to the bars' levels; where the card has none, the level at which it arrives.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from huewright_kernels.ops import Lut3D, Operation, ToneCurve, Transfer

from huewright.colorimetry.display import from_ycbcr, to_ycbcr
from huewright.colorimetry.inverse import inverse_operations, matrix_operation
from huewright.errors import NoAnswerError
from huewright.models.cautions import Caution, MatrixOfFewChips, PolynomialOfFewPatches, PolynomialTable
from huewright.models.refusals import TableUnfaithful
from huewright.reference import apply_chain
from huewright.solver.chain import Balance, Chain
from huewright.solver.evidence import Sample
from huewright.solver.fit import Fit, Held, with_held
from huewright.solver.model import Model
from huewright.solver.problem import Problem, Solution, rounded
from huewright.solver.sectors import arriving_ycbcr, judge_light, solve_levels, solve_sectors

LEAST_CHIPS = 3          # fewer leave a matrix undetermined, or without a patch to spare
LEAST_SPREAD = 2e-3      # a direction of colour in which the patches spread less than this share is not theirs to tell
LEAST_LIGHT = 0.02       # where the display's curve is steeper than at this light, an error counts no more
TABLE_SIZE = 65
TABLE_TOP = 2.0          # linear light, white diffuser = 1: above it the table clamps
# Largest error of the signal that a table may be rendered with. Measured on the spectral takes of the external tests:
# fits that behave 0.008 to 0.022, fits that stray between their patches 0.05 to 1 (the whole range).
TABLE_LIMIT = 0.03
# Roots of products are smooth functions of roots, so the table stands over a power of light; what it holds is
# encoded much like a display, so that its steps are even to the eye.
SHAPER = Transfer("bt1886", "encode")
CONTENT, CONTENT_INVERSE = Transfer("bt709", "encode"), Transfer("bt709", "decode")
LinearMap = Callable[[np.ndarray], np.ndarray]


def solve_matrix_sectors(problem: Problem, start: np.ndarray | None = None) -> Solution:
    """The white-preserving matrix, held, then all other unknowns jointly. Raises as :func:`solve_linear` does."""
    model, fit = solve_levels(problem)
    natural = rounded(fit.natural, 7)
    judge_light(problem, model.balance(natural), model.tone(natural))
    held = _held_matrix(problem, model, fit)
    return replace(solve_sectors(problem, start, held=held), cautions=_matrix_cautions(problem))


def solve_linear(problem: Problem, method: str) -> Solution:
    """A :class:`Solution` by ``method``: "matrix", "polynomial-2" or "polynomial-3".

    Raises :class:`NoAnswerError` where the bars or the light don't support one.
    """
    model, fit = solve_levels(problem)
    balance, tone = model.balance(rounded(fit.natural, 7)), model.tone(rounded(fit.natural, 7))
    judge_light(problem, balance, tone)
    samples = problem.evidence.bars + problem.evidence.chips
    if method == "matrix":
        held = _held_matrix(problem, model, fit)
        return Solution(method, balance, held.colour(held.values), tone, model=model,
                        fit=with_held(fit, samples, held), cautions=_matrix_cautions(problem))
    linear_map = fit_map(method, *linear_pairs(problem, balance, tone, samples))
    colour, worst, mean = _baked(problem, linear_map)
    said: list[Caution] = [PolynomialTable(TABLE_SIZE, worst, mean, TABLE_TOP)]
    terms = {"polynomial-2": 6, "polynomial-3": 13}[method]
    if len(samples) < 2 * terms:
        said.append(PolynomialOfFewPatches(terms, len(samples)))
    return Solution(method, balance, colour, tone, model=model, fit=fit, colour_error=worst, colour_error_mean=mean,
                    cautions=tuple(said))


MIXED = ((0, 1), (0, 2), (1, 0), (1, 2), (2, 0), (2, 1))         # the entries off the diagonal
PRIMARIES = ("red", "green", "blue")


def _held_matrix(problem: Problem, model: Model, fit: Fit) -> Held:
    """The matrix at the levels of ``fit``, by its entries off the diagonal (rows add up to 1), with how they answer to
    the code values of bars and chips: through the levels that the bars set, and through the pairs themselves."""
    bars, chips = problem.evidence.bars, problem.evidence.chips
    natural = rounded(fit.natural, 7)

    def pairs(levels: np.ndarray, samples: Sequence[Sample]) -> tuple[np.ndarray, np.ndarray]:
        return linear_pairs(problem, model.balance(levels), model.tone(levels), samples)

    def entries(camera: np.ndarray, wanted: np.ndarray) -> np.ndarray:
        return matrix_entries(white_preserving_matrix(camera, wanted))

    camera, wanted = pairs(natural, bars + chips)
    values, slopes = entries(camera, wanted), []
    step = 1e-5
    for column in range(3 * len(bars)):
        shift = step * np.eye(3 * len(bars))[column].reshape(-1, 3)
        moved = tuple(replace(bar, mean=bar.mean + offset) for bar, offset in zip(bars, shift, strict=True))
        slopes.append(entries(*pairs(natural + step * fit.response[:, column], moved + chips)) - values)
    shifted = [(index, replace(chip, mean=chip.mean + offset)) for index, chip in enumerate(chips, start=len(bars))
               for offset in step * np.eye(3)]
    if shifted:
        for (index, _), seen, asked in zip(shifted, *pairs(natural, [chip for _, chip in shifted]), strict=True):
            other_camera, other_wanted = camera.copy(), wanted.copy()
            other_camera[index], other_wanted[index] = seen, asked
            slopes.append(entries(other_camera, other_wanted) - values)
    return Held(matrix_names(), rounded(values, 9), np.column_stack(slopes) / step, matrix_of_entries)


def matrix_names() -> tuple[str, ...]:
    """Of the entries off the diagonal."""
    return tuple(f"matrix_{PRIMARIES[row]}_from_{PRIMARIES[column]}" for row, column in MIXED)


def matrix_entries(matrix: np.ndarray) -> np.ndarray:
    """(6,) off the diagonal, in the order of :func:`matrix_names`."""
    result: np.ndarray = matrix[tuple(np.transpose(MIXED))]
    return result


def _matrix_cautions(problem: Problem) -> tuple[Caution, ...]:
    count = len(problem.evidence.chips)
    return () if count >= LEAST_CHIPS else (MatrixOfFewChips(count),)


def matrix_of_entries(values: np.ndarray) -> tuple[Operation, ...]:
    """The operation for the entries off the diagonal, with rows that add up to 1."""
    matrix = np.zeros((3, 3))
    matrix[tuple(np.transpose(MIXED))] = values
    return (matrix_operation(matrix + np.diag(1.0 - matrix.sum(axis=1))),)


def refuse_unfaithful(solution: Solution) -> None:
    """Raises :class:`NoAnswerError` where a picture rendered from the solution's table would not be the solution."""
    if solution.colour_error > TABLE_LIMIT:
        raise NoAnswerError(TableUnfaithful(solution.method, TABLE_SIZE, solution.colour_error, TABLE_LIMIT))


def fit_map(method: str, camera: np.ndarray, wanted: np.ndarray) -> LinearMap:
    """A function of linear light (..., 3), fitted to take ``camera`` (n, 3) to ``wanted`` (n, 3)."""
    if method == "matrix":
        matrix = white_preserving_matrix(camera, wanted)
        return lambda rgb: np.asarray(rgb) @ matrix.T
    from colour.characterisation import matrix_colour_correction_Finlayson2015, polynomial_expansion_Finlayson2015

    degree = int(method.rsplit("-", 1)[1])
    weights = matrix_colour_correction_Finlayson2015(camera, wanted, degree, True)

    def apply_polynomial(rgb: np.ndarray) -> np.ndarray:
        # Roots of products need light that is not negative; negative light has no root polynomial.
        light = np.maximum(np.asarray(rgb, dtype=np.float64), 0.0)
        return np.asarray(polynomial_expansion_Finlayson2015(light, degree, True) @ weights.T)

    return apply_polynomial


def white_preserving_matrix(camera: np.ndarray, wanted: np.ndarray, weights: np.ndarray | None = None) -> np.ndarray:
    """3x3 with rows that add up to 1, least squares from ``camera`` (n, 3) to ``wanted`` (n, 3), errors times
    ``weights`` (n, 3). Where too few colours are left to determine it, the one of these that is nearest to changing
    nothing."""
    weights = np.ones(camera.shape) if weights is None else weights
    basis = camera[:, 1:] - camera[:, :1]
    matrix = np.eye(3)
    for channel in range(3):
        weight = weights[:, channel]
        pair, *_ = np.linalg.lstsq(basis * weight[:, None], (wanted[:, channel] - camera[:, channel]) * weight,
                                   rcond=LEAST_SPREAD)
        matrix[channel] += -pair.sum(), pair[0], pair[1]
    return matrix


def signal_weights(chain: Chain, light: np.ndarray) -> np.ndarray:
    """How steeply the display's signal follows ``light`` (n, 3), with which an error of light is one of signal."""
    at, step = np.maximum(light, LEAST_LIGHT), 1e-4
    result: np.ndarray = (apply_chain(chain.from_colour, at + step) - apply_chain(chain.from_colour, at - step)) / (
        2 * step)
    return result


def matrix_without(problem: Problem, solution: Solution, index: int) -> tuple[Operation, ...]:
    """The matrix operation that chip ``index`` had no part in; levels held."""
    chips = problem.evidence.chips
    rest = problem.evidence.bars + chips[:index] + chips[index + 1:]
    pairs = linear_pairs(problem, solution.balance, solution.tone, rest)
    return (matrix_operation(white_preserving_matrix(*pairs)),)


def linear_pairs(problem: Problem, balance: Balance, tone: ToneCurve | None,
                 samples: Sequence[Sample]) -> tuple[np.ndarray, np.ndarray]:
    """(light that the method is given, display light wanted before the tone curve), each (n, 3)."""
    chain = problem.chain
    camera = apply_chain(chain.decode, [sample.mean for sample in samples]) * balance.gains
    wanted = wanted_ycbcr(problem, balance, tone, samples)
    signal = before_tone(tone, from_ycbcr(wanted, problem.luma))
    return apply_chain(chain.to_colour, camera), apply_chain(inverse_operations(chain.from_colour), signal)


def wanted_ycbcr(problem: Problem, balance: Balance, tone: ToneCurve | None,
                 samples: Sequence[Sample]) -> np.ndarray:
    """Targets (n, 3) with the level filled in where none is asked for, as the module says."""
    arriving = arriving_ycbcr(problem.chain, balance, tone, tuple(samples))
    known = sorted((float(to_ycbcr(problem.reference[bar.name], problem.luma)[0]), float(bar.target.luma or 0.0))
                   for bar in problem.evidence.bars if bar.name in problem.reference)
    known = known if len(known) > 1 else []
    for row, sample in zip(arriving, samples, strict=True):
        row[1:] = sample.target.cb, sample.target.cr
        if sample.target.luma is not None:
            row[0] = sample.target.luma
        elif sample.name in problem.reference:
            level = to_ycbcr(problem.reference[sample.name], problem.luma)[0]
            row[0] = np.interp(level, [pair[0] for pair in known], [pair[1] for pair in known]) if known else level
    return arriving


def before_tone(tone: ToneCurve | None, signal: np.ndarray) -> np.ndarray:
    """The signal that the rising curve ``tone`` takes to ``signal``, by bisection."""
    if tone is None:
        return signal
    low, high = np.full(signal.shape, -16.0), np.full(signal.shape, 16.0)
    for _ in range(52):
        middle = (low + high) / 2
        above = apply_chain((tone,), middle) > signal
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    result: np.ndarray = (low + high) / 2
    return result


def _baked(problem: Problem, linear_map: LinearMap) -> tuple[tuple[Operation, ...], float, float]:
    """(shaper, table, what undoes the table's encoding); worst and mean error of the signal, held to the display's
    range, over the display's cube."""
    ends = apply_chain((SHAPER,), [[0.0] * 3, [TABLE_TOP] * 3])
    low, high = tuple(map(float, ends[0])), tuple(map(float, ends[1]))
    axis = np.linspace(low[0], high[0], TABLE_SIZE)
    lattice = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1)
    table = apply_chain((CONTENT,), linear_map(apply_chain(inverse_operations((SHAPER,)), lattice)))
    colour = (SHAPER, Lut3D(np.round(table, 6), low, high), CONTENT_INVERSE)  # type: ignore[arg-type]
    chain = problem.chain
    signal = np.random.default_rng(1).random((20000, 3))
    light = apply_chain((*inverse_operations(chain.from_colour), matrix_operation(np.linalg.inv(chain.primaries))),
                        signal)
    light = light[np.all(light >= 0, axis=1)]
    exact = np.clip(apply_chain(chain.from_colour, linear_map(light)), 0.0, 1.0)
    error = np.abs(np.clip(apply_chain((*colour, *chain.from_colour), light), 0.0, 1.0) - exact)
    return colour, float(error.max()), float(error.mean())
