"""The rendered shots looked through: what leaves the range, what a file's ends cut, whether it flashes; and one frame
of each, before and after, for the page."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from huewright_kernels.executor import compile_chain, run

from huewright.colorimetry.excursions import RangeTally
from huewright.colorimetry.flashing import FlashScreen
from huewright.errors import InputError
from huewright.frames.attributes import rate_said
from huewright.frames.take import Take
from huewright.models.cautions import AtEndStops, Caution, Flashing, NotFinite, SignalBeyond
from huewright.models.correction import Correction
from huewright.models.footage import Footage
from huewright.models.shots import ShotProof
from huewright.progress import Progress, silent

RATE_TAKEN = 25.0        # frames a second where the files don't say
SAMPLES_ACROSS = 480     # of a picture's width; every k-th pixel is looked at


@dataclass(frozen=True)
class ShotPictures:
    """Display signals (h, w, 3) float32 of one frame."""

    before: np.ndarray
    after: np.ndarray


def look_through(correction: Correction, before: Take, after: Take, after_footage: Footage,
                 name: str, progress: Progress = silent) -> tuple[ShotProof, ShotPictures]:
    """What is found in the rendered shot ``after``, and the pictures of its middle frame. Raises :class:`InputError`
    where the two have no frame in common or differ in size."""
    both = sorted(set(before.numbers) & set(after.numbers))
    if not both:
        raise InputError(f"{before.text} and {after.text} have no frame in common; give a shot and its render")
    shown = both[len(both) // 2]
    found = screened(correction.display, after, after_footage, name, shown=shown, rate=before.rate, progress=progress)
    codes = np.ascontiguousarray(after.frame(shown).rgb_float())
    camera = np.ascontiguousarray(before.frame(shown).rgb_float())
    if camera.shape[:2] != codes.shape[:2]:
        raise InputError(f"{after.called(shown)}: not the size of {before.called(shown)}; give a shot and its render")
    return found, ShotPictures(np.asarray(run(compile_chain(correction.neutral_operations), camera)),
                               np.asarray(run(compile_chain(after_footage.to_code_float()), codes)))


def screened(display: str, after: Take, after_footage: Footage, name: str, *, shown: int, rate: Fraction | None = None,
             progress: Progress = silent) -> ShotProof:
    """What is found in the rendered shot ``after``, by pixels so far apart that :data:`SAMPLES_ACROSS` of them or more
    lie side by side; what is no number is looked for in all. ``rate`` is that of the shot it was made from, for files
    that say none."""
    expand = compile_chain(after_footage.to_code_float())
    tally = RangeTally()
    screen: FlashScreen | None = None
    taken, declared = RATE_TAKEN, False
    for done, number in enumerate(after.numbers):
        progress(done, len(after.numbers), f"looking through {name}")
        frame = after.frame(number)
        if screen is None:
            said = after.rate or rate_said(frame.metadata.attributes()) or rate
            taken, declared = (RATE_TAKEN, False) if said is None else (float(said), True)
            screen = FlashScreen(display, taken)
        codes = frame.rgb_float()
        if not frame.integers:
            tally.not_finite += int(np.count_nonzero(~np.isfinite(codes).all(axis=2)))
        step = max(1, codes.shape[1] // SAMPLES_ACROSS)
        sampled = np.ascontiguousarray(codes[::step, ::step])
        signal = np.asarray(run(expand, sampled))
        tally.add(signal, sampled if frame.integers else None)
        screen.add(signal)
    assert screen is not None
    flashing = screen.result()
    whole = after.numbers[-1] - after.numbers[0] + 1 == len(after.numbers) > 1
    return ShotProof(
        name, len(after.numbers), shown, taken, declared, tally.integers, tally.not_finite, tally.percent(tally.over),
        tally.percent(tally.under), tally.percent(tally.beyond), tally.percent(tally.stopped),
        flashing.most if whole else None, flashing.most_red if whole else None, flashing.too_many if whole else None,
        (after.numbers[flashing.first], after.numbers[flashing.last]) if whole and flashing.first >= 0 else None)


def shot_cautions(shot: ShotProof) -> list[Caution]:
    """What must be said of a shot."""
    said: list[Caution] = []
    if shot.flashes_too_many and shot.flashes_frames is not None:
        flashes, red = shot.flashes or 0, shot.red_flashes or 0
        said.append(Flashing(shot.name, max(flashes, red), flashes < red, *shot.flashes_frames,
                             shot.frames_per_second, shot.rate_declared))
    if shot.not_finite:
        said.append(NotFinite(shot.not_finite, shot.name))
    over, under = shot.pixels_over_range_percent / 100, shot.pixels_under_range_percent / 100
    if over + under > 0:
        said.append(SignalBeyond(over, under, shot.name))
    if shot.pixels_at_end_stops_percent > 0:
        said.append(AtEndStops(shot.pixels_at_end_stops_percent / 100, shot.name))
    return said


__all__ = ["ShotPictures", "look_through", "screened", "shot_cautions"]
