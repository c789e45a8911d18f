"""The display signals of a frame before and after, as the proof measures and shows them."""

from __future__ import annotations

import numpy as np
from huewright_kernels.executor import compile_chain, run

from huewright.colorimetry.excursions import RangeTally
from huewright.errors import InputError
from huewright.frames.frame import Frame
from huewright.frames.take import Take
from huewright.models.correction import Correction
from huewright.models.footage import Footage
from huewright.models.survey import FrameGrade, Survey
from huewright.proof.match import RenderMatch


def measurable(survey: Survey, before: Take, after: Take) -> list[FrameGrade]:
    """The chosen frames that both takes have, least glare first; :class:`InputError` where there are none."""
    grades = [grade for grade in survey.grades if grade.verdict == "chosen" and len(grade.corners) == 4]
    both = [grade for grade in grades if grade.frame in before.numbers and grade.frame in after.numbers]
    if not both:
        numbers = ", ".join(str(grade.frame) for grade in grades) or "none"
        raise InputError(f"none of the frames that the survey chose ({numbers}) is in both {before.text} and "
                         f"{after.text}; render the card take, then prove")
    return sorted(both, key=lambda grade: (grade.glare, grade.frame))


def smear(grade: FrameGrade) -> tuple[float, float, int]:
    """Least for the frame that shows the card best: sharp first, to a tenth of a pixel, then free of reflections."""
    return round(grade.edge_width_px + grade.motion_px, 1), grade.glare, grade.frame


class Pictures:
    """Display signals (h, w, 3) float32 of a frame, before and after."""

    def __init__(self, correction: Correction, survey: Survey, before: Take, after: Take,
                 after_footage: Footage) -> None:
        self._takes = {"before": before, "after": after}
        self._size = (survey.height, survey.width)
        self._neutral = compile_chain(correction.neutral_operations)
        self._corrected = compile_chain(correction.operations)
        self._expand = compile_chain(after_footage.to_code_float())
        self._alpha: np.ndarray | None = None     # of the camera's frame read last, where it multiplies the colours

    def _read(self, side: str, frame: int) -> tuple[np.ndarray, Frame]:
        """Code values, and the file's picture."""
        take = self._takes[side]
        read = take.frame(frame)
        pixels = np.ascontiguousarray(read.rgb_float())
        if pixels.shape[:2] != self._size:
            raise InputError(f"{take.called(frame)}: {pixels.shape[1]} x {pixels.shape[0]} pixels, but the survey's "
                             f"frames have {self._size[1]} x {self._size[0]}; give the take that was surveyed")
        return pixels, read

    def camera(self, frame: int) -> np.ndarray:
        pixels, read = self._read("before", frame)
        self._alpha = read.pixels[..., 3:4].astype(np.float32) if read.premultiplied else None
        return pixels

    def before(self, camera: np.ndarray) -> np.ndarray:
        return np.asarray(run(self._neutral, camera))

    def after(self, frame: int) -> np.ndarray:
        return np.asarray(run(self._expand, self._read("after", frame)[0]))

    def compared(self, frame: int, camera: np.ndarray, tally: RangeTally, match: RenderMatch,
                 places: dict[str, np.ndarray]) -> np.ndarray:
        """:meth:`after`, counted and compared with the chain on ``camera``, which was read last."""
        rendered, read = self._read("after", frame)
        signal = np.asarray(run(self._expand, rendered))
        exact = np.asarray(run(self._corrected, camera))
        tally.add(exact, rendered if read.integers else None)
        if self._alpha is not None:
            exact = np.asarray(run(self._corrected, np.concatenate([camera, self._alpha], axis=2),
                                   premultiplied=True))[..., :3]
        match.add(read, signal, exact, places)
        return signal
