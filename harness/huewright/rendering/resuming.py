"""What is there already when a render is resumed: whole or not, and rendered as it would be now or not."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np

from huewright.errors import InputError
from huewright.frames.picture import read_frame, read_header
from huewright.frames.sequence import FrameSequence
from huewright.rendering.frame import render_frame
from huewright.rendering.job import Job


def check_kept(job: Job, sequence: FrameSequence, outputs: dict[int, Path], size: tuple[int, int]) -> None:
    """Raises :class:`InputError` where what is there was rendered otherwise: every EXR file says with which correction,
    and the first whole frame of any kind is rendered again and compared."""
    for path in outputs.values():
        if path.suffix.lower() == ".exr" and path.exists():
            try:
                carried = read_header(path).correction
            except InputError:     # cut short: it will be rendered again
                continue
            if carried and carried != job.digest:
                raise _other_render(path)
    for number, path in outputs.items():
        if not is_whole(path, size):
            continue
        with tempfile.TemporaryDirectory() as folder:
            again = Path(folder) / f"again{path.suffix}"
            render_frame(job, sequence.path(number), again, number, overwrite=False)
            there, now = read_frame(path), read_frame(again)
        same = there.pixels.dtype == now.pixels.dtype and there.bits == now.bits
        if not (same and np.array_equal(there.pixels, now.pixels, equal_nan=now.pixels.dtype.kind == "f")):
            raise _other_render(path)
        return


def _other_render(path: Path) -> InputError:
    return InputError(f"{path} was rendered with another correction, or from other frames or settings; give "
                      "--overwrite instead of --resume, or another folder")


def is_whole(path: Path, size: tuple[int, int]) -> bool:
    """Whether the file is there, of this size, and can be read to its end."""
    if not path.exists():
        return False
    try:
        frame = read_frame(path)
    except InputError:
        return False
    return (frame.width, frame.height) == size
