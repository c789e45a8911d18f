"""Invented takes with known truth, to measure what the solve claims: does it land, and do its intervals hold?

    python -m huewright.solver.simulate CARD.toml --takes 1000 --method sectors

A take starts from the card's own display colours. Each hue of the card is turned and its chroma scaled by random
amounts, the picture is decoded to light, its channels are mixed (if crosstalk is asked for; greys stay grey), exposed
and balanced wrongly, coded by the camera's curve, and given noise.
Noise is that of video practice: 40 dB means that a pixel of the uncorrected display picture has a standard deviation
of 1 % of its range. A patch is read over ``pixels`` pixels (the default is a patch of 63 by 63 in one frame).
"""

from __future__ import annotations

import argparse
import json
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from huewright_kernels.ops import HueSectors

from huewright.colorimetry.display import display_named, hue_deg, hue_difference_deg, to_ycbcr
from huewright.colorimetry.inverse import SHAPER_INVERSE, inverse_operations
from huewright.colorimetry.targets import reference_rgb, targets_for
from huewright.models.card import Card, load_card
from huewright.models.cautions import OffTarget, Uncertain
from huewright.models.coded import has
from huewright.models.correction import Correction
from huewright.models.footage import Footage
from huewright.models.reading import PatchReading, Reading
from huewright.models.settings import METHODS, SolveSettings
from huewright.reference import apply_chain
from huewright.solver.answer import solve

FOOTAGE = Footage(encoding="ACEScct", decode=(SHAPER_INVERSE,))


@dataclass(frozen=True)
class Spread:
    """How wrong takes are: each drawn evenly within plus or minus these; ``crosstalk`` is what each channel gets of
    each other."""

    exposure_stops: float = 2.0
    balance_stops: float = 0.5
    hue_deg: float = 15.0
    saturation: float = 0.3
    noise_db: float = 40.0
    pixels: int = 4000
    crosstalk: float = 0.0


@dataclass(frozen=True)
class Take:
    """``codes`` and ``noise`` (standard deviations) are (n, 3) in the order of ``names``; ``balance`` is the truth
    that a solve should find: exposure, red and blue in stops."""

    reading: Reading
    names: tuple[str, ...]
    codes: np.ndarray
    noise: np.ndarray
    balance: tuple[float, float, float]


def simulated_take(card: Card, rng: np.random.Generator, spread: Spread | None = None, *,
                   footage: Footage = FOOTAGE, display: str = "bt709", noisy: bool = True) -> Take:
    """One take of ``card``, whose patches need reference values. ``noisy=False``: means are the truth itself."""
    spread = spread or Spread()
    known = display_named(display)
    reference = reference_rgb(card, display)
    names = tuple(patch.name for patch in card.patches if patch.name in reference)
    signal = np.array([reference[name] for name in names])
    light = apply_chain(known.decode, apply_chain((_hue_errors(card, rng, spread, display),), signal))
    if spread.crosstalk:
        mix = rng.uniform(-spread.crosstalk, spread.crosstalk, (3, 3)) * (1 - np.eye(3))
        light = light @ (mix + np.diag(1 - mix.sum(axis=1))).T
    exposure = rng.uniform(-spread.exposure_stops, spread.exposure_stops)
    red, blue = rng.uniform(-spread.balance_stops, spread.balance_stops, 2)
    codes = apply_chain(inverse_operations(footage.to_linear()),
                        light * np.exp2(exposure + np.array([red, 0.0, blue])))
    noise = 10 ** (-spread.noise_db / 20) / _slope(footage, display, codes)
    error = noise / np.sqrt(spread.pixels)
    means = codes + (rng.normal(size=codes.shape) * error if noisy else 0.0)
    patches = tuple(_patch_reading(name, means[k], noise[k], error[k], spread.pixels)
                    for k, name in enumerate(names))
    return Take(Reading(patches), names, codes, noise, (-exposure, -red, -blue))


def _patch_reading(name: str, mean: np.ndarray, noise: np.ndarray, error: np.ndarray, pixels: int) -> PatchReading:
    (r, g, b), (nr, ng, nb), (er, eg, eb) = mean.tolist(), (noise**2).tolist(), error.tolist()
    return PatchReading(name, (r, g, b), ((nr, 0.0, 0.0), (0.0, ng, 0.0), (0.0, 0.0, nb)), (er, eg, eb), float(pixels))


def _hue_errors(card: Card, rng: np.random.Generator, spread: Spread, display: str) -> HueSectors:
    known = display_named(display)
    targets = targets_for(card, display=display)
    hues = np.unique([targets[patch.name].hue_deg for patch in card.of_role("chip")])
    turns = rng.uniform(-spread.hue_deg, spread.hue_deg, len(hues))
    gains = rng.uniform(1 - spread.saturation, 1 + spread.saturation, len(hues))
    return HueSectors(tuple(hues.tolist()), tuple(turns.tolist()), tuple(gains.tolist()), known.kr, known.kb)


def _slope(footage: Footage, display: str, codes: np.ndarray, step: float = 1e-5) -> np.ndarray:
    chain = (*footage.to_linear(), *display_named(display).encode)
    result: np.ndarray = (apply_chain(chain, codes + step) - apply_chain(chain, codes - step)) / (2 * step)
    return result


def landing(correction: Correction, take: Take, display: str = "bt709") -> dict[str, np.ndarray]:
    """(Y', Cb, Cr) by patch name where the true patch lands: a chip as the mean of its corrected, noisy pixels
    (Gauss-Hermite quadrature with 7 nodes a channel: independent of what the solve uses), a bar as itself."""
    known = display_named(display)
    nodes, weights = np.polynomial.hermite_e.hermegauss(7)
    grid = np.stack(np.meshgrid(nodes, nodes, nodes, indexing="ij"), axis=-1).reshape(-1, 3)
    weight = np.einsum("i,j,k->ijk", weights, weights, weights).reshape(-1)
    weight /= weight.sum()
    roles = {row.name: row.role for row in correction.patches}
    spread = np.array([row if roles[name] == "chip" else np.zeros(3)
                       for name, row in zip(take.names, take.noise, strict=True)])
    points = take.codes[:, None, :] + spread[:, None, :] * grid
    rgb = np.einsum("k,nkc->nc", weight, apply_chain(correction.operations, points))
    return dict(zip(take.names, to_ycbcr(rgb, (known.kr, known.kb)), strict=True))


@dataclass(frozen=True)
class Measured:
    """Over all takes. ``on_target`` is the fraction whose every chip landed within the settings' limits of hue and
    radius; ``silent_misses`` counts takes that missed without a warning; ``coverage`` is, by kind of number, the
    fraction of 95 % intervals that held the truth; ``worst`` the largest misses seen."""

    takes: int
    on_target: float
    warned: float
    silent_misses: int
    coverage: dict[str, float]
    worst: dict[str, float]


def measure(card: Card, takes: int, *, seed: int = 1, spread: Spread | None = None,
            settings: SolveSettings | None = None) -> Measured:
    """Solves ``takes`` simulated takes and compares each with its truth."""
    settings = settings or SolveSettings()
    rng = np.random.default_rng(seed)
    held: dict[str, list[bool]] = {}
    worst = {"hue_deg": 0.0, "radius": 0.0, "level_ire": 0.0}
    on_target = warned = silent = 0
    for _ in range(takes):
        take = simulated_take(card, rng, spread, display=settings.display)
        correction = solve(take.reading, card, FOOTAGE, settings)
        misses = _misses(correction, take, settings.display)
        for kind, value in misses["worst"].items():
            worst[kind] = max(worst[kind], value)
        for kind, values in misses["held"].items():
            held.setdefault(kind, []).extend(values)
        good = misses["worst"]["hue_deg"] <= settings.hue_limit_deg and (
            misses["worst"]["radius"] <= settings.radius_limit)
        said = has(correction.cautions, OffTarget, Uncertain)
        on_target += good
        warned += said
        silent += not good and not said
    return Measured(takes, on_target / takes, warned / takes, silent,
                    {kind: float(np.mean(values)) for kind, values in held.items()}, worst)


def _misses(correction: Correction, take: Take, display: str) -> dict[str, Any]:
    places = landing(correction, take, display)
    held: dict[str, list[bool]] = {"hue": [], "radius": [], "level": [], "balance": []}
    worst = {"hue_deg": 0.0, "radius": 0.0, "level_ire": 0.0}
    for row in correction.patches:
        place = places[row.name]
        if row.role == "chip":
            _, cb, cr = row.target
            hue = float(hue_difference_deg(hue_deg(place[1], place[2]), hue_deg(cb, cr)))
            radius = float(np.hypot(place[1], place[2]) / np.hypot(cb or 0.0, cr or 0.0)) - 1
            worst = worst | {"hue_deg": max(worst["hue_deg"], abs(hue)), "radius": max(worst["radius"], abs(radius))}
            held["hue"].append(abs(hue) <= 1.96 * (row.hue_standard_error_deg or 0.0))
            held["radius"].append(abs(radius) <= 1.96 * (row.radius_standard_error or 0.0))
        elif row.role == "bar":
            level = 100 * (place[0] - (row.target[0] or 0.0))
            worst["level_ire"] = max(worst["level_ire"], abs(level))
            held["level"].append(abs(level) <= 1.96 * (row.level_standard_error_ire or 0.0))
    names = ("exposure_stops", "balance_red_stops", "balance_blue_stops")
    for name, truth in zip(names, take.balance, strict=True):
        value, error = correction.parameters[name]
        held["balance"].append(abs(value - truth) <= 1.96 * error)
    return {"held": held, "worst": worst}


def main() -> None:
    parser = argparse.ArgumentParser(description="Measure the solve on simulated takes of a card.")
    parser.add_argument("card", help="a card file whose patches have reference values")
    parser.add_argument("--takes", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--pixels", type=int, default=Spread.pixels, help="pixels read in each patch")
    parser.add_argument("--crosstalk", type=float, default=Spread.crosstalk, help="most that a channel gets of another")
    parser.add_argument("--method", default=SolveSettings.method, help=f"one of {', '.join(METHODS)}")
    given = parser.parse_args()
    measured = measure(load_card(given.card), given.takes, seed=given.seed,
                       spread=Spread(pixels=given.pixels, crosstalk=given.crosstalk),
                       settings=SolveSettings(method=given.method))
    print(json.dumps(asdict(measured), indent=2))


if __name__ == "__main__":
    main()
