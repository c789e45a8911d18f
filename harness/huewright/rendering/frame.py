"""One frame rendered: read, computed straight from the file's numbers to the output's, and written whole."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from huewright_kernels.formats import PixelBuffer

from huewright.colorimetry.display import BT709, CHROMATICITIES
from huewright.colorimetry.excursions import outside
from huewright.errors import InputError
from huewright.frames.conversion import kernel_source, other_channels, packed_memory, pixel_dtype
from huewright.frames.dpx import new_dpx, write_dpx
from huewright.frames.frame import Frame, retagged, scaled, with_correction
from huewright.frames.picture import fresh_spec, write_frame
from huewright.frames.structure import views_of
from huewright.frames.take import Take
from huewright.models.cautions import (
    ChannelsLost,
    ColoursRetagged,
    ColoursUnsaid,
    DataWindowLost,
    LayersCarried,
    LossyKept,
    ProfileLost,
    StructureChanged,
)
from huewright.rendering.job import Job, Tally

# Rows on which the share of pixels beyond the display's range is measured: every so many.
SAMPLED_ROWS = 32
# A float signal beyond this (far above every highlight) has all its pixels looked at, not only the sampled rows.
ABSURD = 100.0
Pixels = np.ndarray | PixelBuffer


def render_frame(job: Job, take: Take, out: Path, number: int, *, overwrite: bool) -> Tally:
    """Renders frame ``number`` of ``take`` to ``out``; what was seen on the way."""
    picture = take.payload(number)
    if picture is not None:
        _require_size(job, take, number, picture.width, picture.height)
    to_dpx = out.suffix.lower() == ".dpx"
    if picture is not None and to_dpx and picture.bits == job.bits:
        view = picture.kernel_view()
        tally = computed(job, view, view, number)
        if job.program is not None and picture.says_colours:
            picture = picture.of_unsaid_colours()
            tally.notes[ColoursUnsaid()] = None
        write_dpx(out, picture, overwrite=overwrite)
        return tally
    frame = take.frame(number, picture)
    _require_size(job, take, number, frame.width, frame.height)
    view = picture.kernel_view() if picture is not None else kernel_source(frame)
    written, taken = retagged(frame, job.chromaticities) if job.program is not None else (frame, ())
    if to_dpx:
        target = new_dpx(fresh_spec(written), frame.width, frame.height, job.bits)
        tally = computed(job, view, target.kernel_view(), number, frame.premultiplied)
        write_dpx(out, target, overwrite=overwrite)
    elif job.bits in (10, 12) and out.suffix.lower() != ".exr":
        packed = packed_memory(frame.width, frame.height, job.bits)
        tally = computed(job, view, packed.kernel_view(), number, frame.premultiplied)
        write_frame(out, _of_other_numbers(written, scaled(packed.codes(), job.bits), job.bits), overwrite=overwrite)
    else:
        kind = pixel_dtype(out.suffix.lower(), job.bits)
        if isinstance(view, np.ndarray) and view.dtype == kind and view is frame.pixels:
            pixels = view
        else:
            pixels = np.empty((frame.height, frame.width, frame.pixels.shape[2]), kind)
            pixels[..., 3:] = other_channels(frame, kind)
        tally = computed(job, view, pixels, number, frame.premultiplied)
        if out.suffix.lower() == ".exr":
            written = _with_views(job, frame, written, pixels, number, tally)
        write_frame(out, _signed(_of_other_numbers(written, pixels, job.bits), out, job), overwrite=overwrite)
    note_losses(tally, frame, out)
    if taken:
        tally.notes[ColoursRetagged(tuple(taken), bool(job.chromaticities) and "chromaticities" in taken)] = None
    if picture is not None and picture.says_colours:
        tally.notes[ColoursUnsaid()] = None
    return tally


def _require_size(job: Job, take: Take, number: int, width: int, height: int) -> None:
    if job.size not in (None, (width, height)):
        raise InputError(f"{take.called(number)} is {width}x{height} pixels, but had another size when the render "
                         "began: its file was changed meanwhile; start again when it is whole")


def _with_views(job: Job, frame: Frame, written: Frame, pixels: np.ndarray, number: int, tally: Tally) -> Frame:
    """``written`` with the further views that its file declares corrected as the first one: those in ``pixels`` there,
    those of another number format in its metadata."""
    others = dict(written.metadata.others)
    for names in views_of(frame.metadata.spec, (*frame.channel_names, *others)):
        places = [frame.channel_names.index(name) if name in frame.channel_names else None for name in names]
        source = np.stack([others[name] if place is None else frame.pixels[..., place]
                           for name, place in zip(names, places, strict=True)], axis=2)
        if source.dtype.kind == "u":
            source = source.astype(np.float32) / np.float32(np.iinfo(source.dtype).max)
        target = source.copy() if source.dtype == pixels.dtype else source.astype(pixels.dtype)
        tally.add(computed(job, source, target, number, premultiplied=len(names) == 4))
        for channel, (name, place) in enumerate(zip(names, places, strict=True)):
            if place is None:
                others[name] = target[..., channel].astype(others[name].dtype)
            else:
                pixels[..., place] = target[..., channel]
    return replace(written, metadata=replace(written.metadata, others=others))


def computed(job: Job, source: Pixels, target: Pixels, number: int, premultiplied: bool = False) -> Tally:
    """Runs the job's chain from ``source`` to ``target`` (arrays or packed buffers, perhaps the same one)."""
    if job.program is None or job.display_program is None:
        return Tally()
    float_target = isinstance(target, np.ndarray) and target.dtype.kind == "f"
    tally = _sampled(job, source, float_target, premultiplied)
    came = broken_pixels(source)
    became = 0
    if not float_target and isinstance(source, np.ndarray) and source.dtype.kind == "f" and (
            came or magnitude(source) > ABSURD):
        signal = np.empty((*source.shape[:2], 4 if premultiplied else 3), np.float32)
        job.compute(job.display_program, source, signal, premultiplied=premultiplied)
        became = broken_pixels(signal)
    job.compute(job.program, source, target, premultiplied=premultiplied,
                dither_seed=number if job.dither and not float_target else None)
    became = max(became, broken_pixels(target), tally.range.not_finite)
    if came:
        tally.came_broken.add(number)
    if became > came:
        tally.became_broken.add(number)
    return tally


def broken_pixels(pixels: Pixels) -> int:
    """How many pixels of an array of floats hold a colour that is no number or infinite; 0 of anything else."""
    if not isinstance(pixels, np.ndarray) or pixels.dtype.kind != "f" or np.isfinite(magnitude(pixels)):
        return 0
    return int((~np.isfinite(pixels[..., :3])).any(axis=2).sum())


def magnitude(pixels: np.ndarray) -> float:
    """The largest of an array of floats (h, w, c), whatever its sign; infinite where one is infinite or no number.

    IEEE 754's floats without their sign are in the order of their bits, and NumPy compares integers many times as fast
    as half floats (an HD frame: 1 ms for 9). A few rows at a time stay in the cache.
    """
    kind = np.dtype(f"u{pixels.dtype.itemsize}")
    one = kind.type(1)
    rows = max(1, (1 << 18) // max(pixels[:1].nbytes, 1))
    room = np.empty((min(rows, len(pixels)), *pixels.shape[1:]), kind)
    top = kind.type(0)
    for begin in range(0, len(pixels), rows):
        part = pixels[begin:begin + rows].view(kind)
        shifted = np.left_shift(part, one, out=room[:len(part)])     # the sign goes
        top = max(top, shifted.max(initial=0))
    value = float(np.array(top >> one, kind).view(pixels.dtype))
    return value if np.isfinite(value) else float("inf")


def _sampled(job: Job, source: Pixels, float_target: bool, premultiplied: bool) -> Tally:
    """Pixels beyond the display's range on every 32nd row, before an integer target limits them."""
    assert job.display_program is not None
    if isinstance(source, np.ndarray):
        rows: Pixels = source[SAMPLED_ROWS // 2::SAMPLED_ROWS] if source.shape[0] >= SAMPLED_ROWS else source
    elif source.height >= SAMPLED_ROWS:
        first, row_bytes = SAMPLED_ROWS // 2, source.row_bytes
        rows = replace(source, offset=source.offset + first * row_bytes, row_bytes=row_bytes * SAMPLED_ROWS,
                       height=-(-(source.height - first) // SAMPLED_ROWS))
    else:
        rows = source
    shape = rows.shape[:2] if isinstance(rows, np.ndarray) else (rows.height, rows.width)
    channels = 4 if premultiplied else 3
    values = np.empty((*shape, channels), np.float32)
    job.compute(job.display_program, rows, values, premultiplied=premultiplied)
    colours = values[..., :3]
    tally = Tally()
    tally.range.add(colours)
    tally.range.not_finite = broken_pixels(colours)
    if not float_target:
        low, high = ((end - job.encode_offset) / job.encode_slope for end in (0.0, 1.0))
        tally.range.clipped = outside(colours, low, high)
    return tally


def _of_other_numbers(frame: Frame, pixels: np.ndarray, bits: int) -> Frame:
    return replace(frame, pixels=pixels, bits=bits, channel_names=frame.channel_names[:pixels.shape[2]])


def _signed(frame: Frame, out: Path, job: Job) -> Frame:
    """With what an EXR file can say of a corrected picture: by which correction, and with which primaries where they
    are not BT.709's, which whoever reads a file that names none has to take (OpenEXR's standard attributes)."""
    if not job.digest or out.suffix.lower() != ".exr":
        return frame
    wide = job.chromaticities and job.chromaticities != CHROMATICITIES[BT709]
    return with_correction(frame, job.digest, job.chromaticities if wide else ())


def note_losses(tally: Tally, frame: Frame, out: Path) -> None:
    suffix = out.suffix.lower()
    lost = list(frame.metadata.others) + list(frame.channel_names[3:])
    if suffix in (".png", ".tif", ".tiff") and frame.has_alpha:
        lost.remove("A")
    told = frame.metadata.attributes()
    kept = suffix == ".exr" or suffix in (".tif", ".tiff") and "tiff:Compression" in told
    if lost and not kept:
        tally.notes[ChannelsLost(tuple(lost), suffix)] = None
    colours = ("R", "G", "B", "red", "green", "blue")
    corrected = {name for names in views_of(frame.metadata.spec, tuple(lost)) for name in names}
    layers = [name for name in lost if "." in name and name.rsplit(".", 1)[1] in colours and name not in corrected]
    if layers and kept:
        tally.notes[LayersCarried(tuple(layers))] = None
    for what, names in frame.metadata.changes:
        if what not in ("joined", "alpha joined") or lost == [] or kept:     # else the lost channels are named
            tally.notes[StructureChanged(what, names)] = None
    if any(name == "ICCProfile" for name in told):
        tally.notes[ProfileLost()] = None
    if frame.data_window != frame.display_window and suffix in (".dpx", ".png"):
        tally.notes[DataWindowLost(str(frame.data_window), str(frame.display_window), suffix)] = None
    if told.get("compression") in ("dwaa", "dwab", "b44", "b44a", "pxr24") and suffix == ".exr":
        tally.notes[LossyKept(str(told["compression"]))] = None
