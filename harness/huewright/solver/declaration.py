"""What the grey bars say of the declared encoding and range: a weighed misfit, and which known curves would fit.

Light is linear. Decoded rightly, the bars' light in each channel is a gain times the bar's reflectance, lifted by what
veils the picture (flare, haze, glare on the card). Decoded by a wrong curve or range it is bent: no gain and no veil
put all bars in their places, and bars of other channels, which lie at other codes, drift apart in colour.

The misfit is a deviance (-2 log likelihood, least over gains and veil), so exp(-misfit / 2) weighs curves against each
other. Measured on invented takes of the demo's two cameras at -2, 0 and +2 stops, every curve of colour-science's
declared for every other (3968 pairs): rightly declared at most 1.6, with a veil of 2 % at most 5; of the wrong
ones 372 are refused for clipping, 3257 lie above :data:`CONTRADICTED`, 156 above :data:`SETTLED`, and the 183 below it
leave check patches at most 0.10 CIEDE2000 in the mean worse than the right curve does (0.92 at most where that leaves
0.82, 1.16 where it leaves 1.11).

Two bars, white and black, leave the middle free. On simulated readings of the demo's card, every curve declared for
every other (992 pairs), the bars alone let 112 pass, of a fifth of the curves up to 3.7 CIEDE2000 off on check patches;
with the other patches' lightness beside them 55 pass, at most 1.64 off. Of 48 takes of two cards by measured sensors
the right curve is doubted in two, in one of them by the bars alone. (White and middle, or middle and black: none over 2
passed before either, on a fifth of the curves.) Two kinds of evidence were looked at and left out: no patch of those
that pass decodes to impossible light (0.006 to 1.25 of white), so codes beyond a curve's reach tell nothing more.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from huewright_kernels.ops import Operation, Transfer

from huewright.colorimetry.declare import THROUGH_LOOK
from huewright.errors import InputError, NoAnswerError
from huewright.models.card import Card, Patch
from huewright.models.cautions import Caution, DeclarationDoubted, Nearest
from huewright.models.footage import Footage, Standing
from huewright.models.reading import Reading
from huewright.models.settings import SolveSettings
from huewright.reference import apply, apply_chain
from huewright.solver.evidence import Sample
from huewright.solver.problem import Problem, set_up

SETTLED, CONTRADICTED = 9.0, 25.0      # misfits: three and five standard deviations of a single number


@dataclass(frozen=True)
class Known:
    """How well a bar's light is known beforehand: standard deviations beyond the reading's noise. ``level`` of its
    reflectance, as printed and as lit; ``colour`` of the same between channels; ``black`` of white's light, added.
    Choices of ours, no source."""

    level: float
    colour: float
    black: float


MEASURED = Known(0.02, 0.005, 0.001)
# A bar without a reference: by a photograph in sRGB, whose maker's rendering is not known, or by the level that the
# trade sets such bars to. A curve for a curve passes that; camera log taken for a picture does not.
ROUGH = Known(0.3, 0.05, 0.02)
# Two bars leave a curve free to bend between them. The other patches with references lie there: how light each is, is
# known to COLOUR_PLAIN and, as its light differs between channels, to COLOUR_STRONG more (natural log), for no sensor
# sees a colour as the display does. Set on takes of measured sensors (tests/external/test_things_beside_the_card.py).
COLOUR_PLAIN, COLOUR_STRONG = 0.02, 0.15
FEWEST_COLOURS, DIMMEST = 4, 0.01      # patches, and the least of white's light in every channel that one may have
VEIL = 0.01              # of white's light: mean of the exponential prior of what veils the picture
MOST_VEIL = 0.12
VEILS = np.concatenate([[0.0], np.geomspace(5e-4, MOST_VEIL, 60)])
CHANNELS_ALIKE = 0.67    # three channels' differences from their mean are two numbers
VEIL_SAID = 0.025        # of white's light; flare up to 2 % is taken for usual (common practice, no source)
DECODED = ("linear", "display", "bt709", "bt1886", "srgb", "pq", "hlg")

FITS: Standing = "fits"
DOUBTED: Standing = "in doubt"
AGAINST: Standing = "contradicted"
UNCHECKED: Standing = "not checked"


@dataclass(frozen=True)
class Agreement:
    """How the bars' light lies against their reflectances at the most likely gains and veil.

    misfit     deviance: 0 for bars (and, beside two bars, other patches) where they are meant to be
    of_bars    the bars' share of it
    veil       of white's light
    bar, off   the bar that is furthest from its place, and by what share of its light
    bent_ire   the most that a bar's display signal is off at the best exposure, with nothing explained away
    """

    misfit: float
    veil: float
    bar: str
    off: float
    bent_ire: float
    of_bars: float


@dataclass(frozen=True)
class Colours:
    """Patches that are no bars: ``code`` (n, 3), ``light`` (n,) of all channels, and how well that is known."""

    code: np.ndarray
    light: np.ndarray
    unsure: np.ndarray


@dataclass(frozen=True)
class Judgement:
    """``standing`` is one of :data:`FITS`, :data:`DOUBTED`, :data:`AGAINST`, :data:`UNCHECKED`; ``agreement`` is None
    for the last; ``caution`` says what speaks against the declaration, and what would fit, the likeliest first."""

    standing: Standing
    agreement: Agreement | None = None
    caution: DeclarationDoubted | None = None


def judge_declaration(problem: Problem) -> Judgement:
    """What the bars say. With fewer than two bars that have reference values it is doubted where what is roughly known
    of bars speaks against it, else unchecked.

    A picture declared as "display" has its camera's own rendering, which no reflectance contradicts: at most doubted.
    """
    if problem.footage.encoding == THROUGH_LOOK:     # a look's contrast is its maker's choice
        return Judgement(UNCHECKED)
    bars, light = _bars(problem)
    if len(bars) < 2:
        return _judged_roughly(problem)
    agreement = agreement_of(problem.chain.decode, bars, light, problem, colours=_colours(problem, bars))
    is_picture = problem.chain.is_picture
    standing = (FITS if agreement.misfit <= SETTLED and agreement.veil <= VEIL_SAID else
                DOUBTED if agreement.of_bars <= CONTRADICTED or is_picture else AGAINST)
    if standing == FITS:
        return Judgement(standing, agreement)
    nearest = () if is_picture else nearest_declarations(problem, agreement)
    return Judgement(standing, agreement, _doubt(agreement, standing == AGAINST, is_picture, nearest))


def _judged_roughly(problem: Problem) -> Judgement:
    bars, light = _rough_bars(problem)
    if len(bars) < 2:
        return Judgement(UNCHECKED)
    agreement = agreement_of(problem.chain.decode, bars, light, problem, ROUGH)
    if agreement.misfit <= SETTLED:
        return Judgement(UNCHECKED)
    return Judgement(DOUBTED, agreement, _doubt(agreement, False, problem.chain.is_picture, rough=True))


def _doubt(agreement: Agreement, contradicted: bool, is_picture: bool, nearest: tuple[Nearest, ...] = (), *,
           rough: bool = False) -> DeclarationDoubted:
    off, bent_ire, misfit, veil = (float(f"{value:.6g}") for value in (
        agreement.off, agreement.bent_ire, agreement.misfit, agreement.veil))
    return DeclarationDoubted(contradicted, agreement.bar, off, bent_ire, misfit, SETTLED, veil, is_picture, nearest,
                              rough)


def judge_reading(reading: Reading, card: Card, footage: Footage) -> Judgement:
    """:func:`judge_declaration` before anything is solved; unchecked where the reading can't be set up for it."""
    try:
        return judge_declaration(set_up(reading, card, footage, SolveSettings(method="balance")))
    except (InputError, NoAnswerError):
        return Judgement(UNCHECKED)


def _bars(problem: Problem) -> tuple[tuple[Sample, ...], np.ndarray]:
    """Those with a reference, and its display light (n, 3)."""
    bars = tuple(bar for bar in problem.evidence.bars if bar.name in problem.reference)
    light = apply_chain(problem.display.decode, np.array([problem.reference[bar.name] for bar in bars]).reshape(-1, 3))
    return bars, light


def _rough_bars(problem: Problem) -> tuple[tuple[Sample, ...], np.ndarray]:
    """Bars of which a photograph or a level tells roughly what they reflect, and that (n, 3), taken as neutral."""
    patches = {patch.name: patch for patch in problem.card.patches}
    known = [(bar, light) for bar in problem.evidence.bars if (light := _rough_light(patches[bar.name])) is not None]
    return tuple(bar for bar, _ in known), np.array([[light] * 3 for _, light in known]).reshape(-1, 3)


def _rough_light(patch: Patch) -> float | None:
    if patch.photographed is not None:
        return float(apply(Transfer("srgb", "decode"), np.array(patch.photographed)).mean())
    if patch.level_ire is not None:      # as a camera of BT.709's own curve would have set it
        return float(apply(Transfer("bt709", "decode"), np.full(3, max(patch.level_ire, 0.0) / 100))[0])
    return None


def agreement_of(decode: Sequence[Operation], bars: Sequence[Sample], light: np.ndarray, problem: Problem,
                 known: Known = MEASURED, colours: Colours | None = None) -> Agreement:
    """``bars`` decoded by ``decode`` against their own ``light`` (n, 3), ``known`` so well, and ``colours`` beside."""
    codes = np.array([bar.mean for bar in bars])
    seen = apply_chain(decode, codes)
    variance = _variance(decode, bars, codes, seen)
    top = np.maximum(np.abs(seen).max(axis=0), 1e-9)
    seen, variance = seen / top, variance / top**2
    share = light / light.max()
    best: tuple[float, float, np.ndarray] | None = None
    for veil in VEILS:
        expected = share + veil
        misfit, apart = _misfit(seen / expected, variance / expected**2, expected, known)
        misfit += 2 * veil / VEIL
        if best is None or misfit < best[0]:
            best = misfit, float(veil), apart
    assert best is not None
    worst = int(np.abs(best[2]).argmax())
    beside = 0.0
    if colours is not None:
        lightest = int(share.mean(axis=1).argmax())
        gain = np.maximum(seen[lightest] / (share[lightest] + best[1]), 1e-6)
        beside = _misfit_of_colours(apply_chain(decode, colours.code) / top / gain - best[1], light.max(), colours)
    return Agreement(float(best[0]) + beside, best[1], bars[worst].name, float(best[2][worst]),
                     _bent_ire(seen, light, problem), float(best[0]))


def _colours(problem: Problem, bars: tuple[Sample, ...]) -> Colours | None:
    """What is held beside two ``bars``; None beside more, which need no help, and where there is too little."""
    samples = [sample for sample in (*problem.evidence.chips, *problem.evidence.checks)
               if sample.name in problem.reference]
    if len(bars) > 2 or len(samples) < FEWEST_COLOURS:
        return None
    light = apply_chain(problem.display.decode, np.array([problem.reference[sample.name] for sample in samples]))
    told = light.min(axis=1) > DIMMEST
    if told.sum() < FEWEST_COLOURS:
        return None
    light, codes = light[told], np.array([sample.mean for sample in samples])[told]
    return Colours(codes, light.sum(axis=1), COLOUR_PLAIN + COLOUR_STRONG * np.ptp(light, axis=1) / light.max(axis=1))


def _misfit_of_colours(seen: np.ndarray, white: float, colours: Colours) -> float:
    """Deviance of how light the patches are taken together: what they differ in singly is the sensor's."""
    off = np.log(np.maximum(seen.sum(axis=1) * white / colours.light, 1e-6))
    weight = 1 / colours.unsure**2
    return float((weight * off).sum() ** 2 / weight.sum())


def _variance(decode: Sequence[Operation], bars: Sequence[Sample], codes: np.ndarray, seen: np.ndarray) -> np.ndarray:
    """(n, 3) of the decoded light: the mean's own error, and what the curve's bend makes of the pixels' noise."""
    error = np.sqrt([np.clip(np.diag(bar.mean_covariance), 0, None) for bar in bars])
    noise = np.sqrt([np.clip(np.diag(bar.pixel_covariance), 0, None) for bar in bars])
    unsure = np.maximum(np.abs(apply_chain(decode, codes + error) - seen),
                        np.abs(apply_chain(decode, codes - error) - seen))
    bend = (apply_chain(decode, codes + noise) + apply_chain(decode, codes - noise)) / 2 - seen
    return np.asarray(unsure**2 + bend**2)


def _misfit(ratio: np.ndarray, variance: np.ndarray, expected: np.ndarray, known: Known) -> tuple[float, np.ndarray]:
    """(deviance, (n,) by what share each bar is off): light over what is expected, against one gain a channel."""
    gain = np.maximum(np.median(ratio, axis=0), 1e-6)
    for _ in range(3):
        spread = known.level**2 + (known.black / expected) ** 2 + variance / gain**2
        gain = np.maximum((ratio / spread).sum(axis=0) / (1 / spread).sum(axis=0), 1e-6)
    off = ratio / gain - 1
    noise = variance / gain**2
    level = off.mean(axis=1)
    of_level = known.level**2 + (known.black / expected.mean(axis=1)) ** 2 + noise.mean(axis=1) / 3
    of_colour = known.colour**2 + (0.3 * known.black / expected) ** 2 + noise
    return (float((level**2 / of_level).sum() + CHANNELS_ALIKE * ((off - level[:, None]) ** 2 / of_colour).sum()),
            level)


def _bent_ire(seen: np.ndarray, light: np.ndarray, problem: Problem) -> float:
    here = (seen / np.maximum(np.median(seen / light, axis=0), 1e-9)).mean(axis=1)
    there, shown = (apply_chain(problem.display.encode, np.repeat(values[:, None], 3, axis=1))[:, 1]
                    for values in (light.mean(axis=1), here))
    return float(100 * np.abs(shown - there).max())


def nearest_declarations(problem: Problem, declared: Agreement, most: int = 3) -> tuple[Nearest, ...]:
    """What would fit instead, with its share of the likelihood. Curves are named only in answer to a curve's name; the
    other range is tried for every encoding."""
    footage = problem.footage
    bars, light = _bars(problem)
    colours = _colours(problem, bars)
    tried = [(agreement_of(other.to_linear(), bars, light, problem, colours=colours).misfit, other)
             for other in _alternatives(footage)]
    least = min(declared.misfit, *(misfit for misfit, _ in tried))
    whole = sum(float(np.exp((least - misfit) / 2)) for misfit in (declared.misfit, *(misfit for misfit, _ in tried)))
    fitting = sorted(((misfit, other) for misfit, other in tried if misfit <= SETTLED),
                     key=lambda one: (one[0], one[1].encoding, one[1].range))
    return tuple(Nearest(None if other.encoding == footage.encoding else other.encoding,
                         None if other.range == footage.range else other.range,
                         float(f"{np.exp((least - misfit) / 2) / whole:.6g}")) for misfit, other in fitting[:most])


def _alternatives(footage: Footage) -> list[Footage]:
    from huewright.colorimetry.curves import is_curve_name, known_curves

    other_range = "legal" if footage.range == "full" else "full"
    others = [replace(footage, range=other_range)]
    if footage.encoding in DECODED or not is_curve_name(footage.encoding):
        return others
    for name, operations in known_curves():
        plain = replace(footage, encoding=name, decode=operations)
        if not is_curve_name(footage.encoding, name):
            others += [plain, replace(plain, range=other_range)]
    return others


def demand_declaration(cautions: Iterable[Caution], settings: SolveSettings) -> None:
    """Raises :class:`NoAnswerError` for a contradicted declaration that nobody insisted on."""
    doubt = next((item for item in cautions if isinstance(item, DeclarationDoubted)), None)
    if doubt is not None and doubt.contradicted and not settings.trust_encoding:
        raise NoAnswerError("the card contradicts what was declared; declare what was recorded, or insist with "
                            "--trust-encoding", doubt)
