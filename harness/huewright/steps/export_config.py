"""Corrections as one OpenColorIO configuration in a folder, with its files beside it, measured as programs apply it."""

from __future__ import annotations

import tempfile
from collections import Counter
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from huewright_kernels.ops import Operation

from huewright.colorimetry.deviation import Apply, deviation, over_frames, sampled_in_gamut
from huewright.errors import InputError, NoAnswerError
from huewright.files import refuse_existing, whole_file, workspace
from huewright.frames.take import Take
from huewright.handover.config import (
    CONFIG,
    LUTS,
    Chosen,
    as_looked,
    as_shown,
    config_files,
    goes_back,
    name_fault,
    open_config,
)
from huewright.handover.seen import FrameColours, frame_colours
from huewright.models.correction import Correction
from huewright.models.handed import ConfigCorrection, ConfigOff
from huewright.progress import Progress, silent
from huewright.steps.export import ExportSummary, Over, export_all


@dataclass(frozen=True)
class ConfigSummary:
    """``config`` is the file written, ``files`` those beside it, ``exports`` the corrections' own among them."""

    config: str
    corrections: tuple[ConfigCorrection, ...]
    exports: tuple[ExportSummary, ...]
    files: tuple[str, ...] = ()


def export_config(corrections: Mapping[str, Correction], folder: Path | str, *,
                  cameras: Mapping[str, str] | None = None, size: int = 65, error: float | None = None,
                  over: Over = "cube", frames: Take | None = None, overwrite: bool = False,
                  progress: Progress = silent) -> ConfigSummary:
    """Writes an OpenColorIO configuration of ``corrections`` (by the names that they are chosen by) into ``folder``,
    with a CLF file of each in ``luts`` beside it, and measures each view and look as OpenColorIO applies it.

    cameras   what the colour space of a correction's camera is called, where not as the correction. Corrections of one
              camera need the same footage
    frames    frames of the camera, where there is one correction; ``size``, ``error``, ``over`` and ``frames`` as in
              :func:`huewright.steps.export.export_correction`

    Raises :class:`InputError` for names that OpenColorIO or we have another use for, and where a file exists, before
    anything is written; :class:`NoAnswerError` where no file keeps within ``error``.
    """
    folder = Path(folder)
    chosen = _named(corrections, cameras or {})
    if frames is not None and len(chosen) > 1:
        raise InputError("--frames are of one camera, and these are several corrections; leave it out, or write a "
                         "configuration of one")
    if folder.exists() and not folder.is_dir():
        raise InputError(f"{folder} is no folder; with --config name the folder that the configuration goes into")
    texts = config_files(chosen, size=size)
    for file in (*texts, *(f"{LUTS}/{one.file}" for one in chosen)):
        refuse_existing(folder / file, overwrite=overwrite)
    with tempfile.TemporaryDirectory(dir=workspace()) as made_in:
        draft = Path(made_in)
        (draft / LUTS).mkdir()
        exports = []
        for one in chosen:
            try:
                made, = export_all(one.correction, [draft / LUTS / one.file], size=size, error=error, over=over,
                                   frames=frames, progress=progress)
            except NoAnswerError as failed:     # which names the file, that will never lie where it was tried
                raise NoAnswerError(str(failed).replace(str(draft), str(folder))) from None
            exports.append(replace(made, path=str(folder / LUTS / one.file)))
        for name, text in texts.items():
            (draft / name).write_text(text, encoding="utf-8", newline="\n")
        measured = _measured(chosen, draft, frames, progress)
        files = sorted((draft / LUTS).iterdir())
        with ExitStack() as waiting:      # the configuration gets its name last of all, when its files are there
            for source in (draft / CONFIG, *files):
                place = folder / source.relative_to(draft)
                waiting.enter_context(whole_file(place, overwrite=overwrite)).write_bytes(source.read_bytes())
    return ConfigSummary(str(folder / CONFIG), measured, tuple(exports),
                         tuple(str(folder / LUTS / file.name) for file in files))


def config_places(corrections: Mapping[str, Correction], cameras: Mapping[str, str], size: int) -> tuple[str, ...]:
    """The files that :func:`export_config` writes, by their paths in its folder, the configuration itself last. Raises
    :class:`InputError` as that does."""
    chosen = _named(corrections, cameras)
    files = {f"{LUTS}/{one.file}" for one in chosen} | set(config_files(chosen, size=size))
    return (*sorted(files - {CONFIG}), CONFIG)


def named_corrections(texts: Sequence[str]) -> tuple[dict[str, Path], dict[str, str]]:
    """Files by the names of their corrections, and the cameras named, from ``FILE``, ``NAME=FILE`` or
    ``CAMERA:NAME=FILE``. A file without a name gives its own, its folder's where several are called alike."""
    rows = []
    for text in texts:
        name, equals, path = text.partition("=")
        if not equals or Path(text).is_file():
            name, path = "", text
        camera, colon, rest = name.partition(":")
        rows.append((camera.strip() if colon else "", (rest if colon else name).strip(), Path(path)))
    stems = Counter(file.stem.casefold() for _, name, file in rows if not name)
    files: dict[str, Path] = {}
    cameras: dict[str, str] = {}
    for camera, given, file in rows:
        name = given or (file.stem if stems[file.stem.casefold()] == 1 else file.absolute().parent.name)
        if name in files:
            raise InputError(f"{files[name]} and {file} are both called {name}; name them, as in a={file}")
        files[name] = file
        if camera:
            cameras[name] = camera
    return files, cameras


def _named(corrections: Mapping[str, Correction], cameras: Mapping[str, str]) -> list[Chosen]:
    """The corrections with their cameras, if all can have their names in one configuration."""
    if not corrections:
        raise InputError("a configuration needs a correction; name at least one correction file")
    strange = next((name for name in cameras if name not in corrections), None)
    if strange is not None:
        raise InputError(f"there is no correction {strange!r} to be of camera {cameras[strange]!r}")
    chosen = [Chosen(name, cameras.get(name, name), one, f"{name.replace(' ', '-')}-corrected.clf")
              for name, one in corrections.items()]
    fault = name_fault({one.name: one.camera for one in chosen}, [one.correction.display for one in chosen])
    if fault is not None:
        raise InputError(f"{fault}; give the correction or its camera another name, as in CAMERA:NAME=FILE")
    first: dict[str, Chosen] = {}
    for one in chosen:
        other = first.setdefault(one.camera, one)
        same = one.correction.footage == other.correction.footage
        if same and one.correction.footage.encoding == "display":
            same = one.correction.display == other.correction.display
        if not same:
            raise InputError(f"corrections {other.name!r} and {one.name!r} are of one camera, {one.camera!r}, but what "
                             "was declared of its footage differs; give each a camera of its own")
    return chosen


def _measured(chosen: Sequence[Chosen], folder: Path, frames: Take | None,
              progress: Progress) -> tuple[ConfigCorrection, ...]:
    config = open_config(folder)
    seen = None if frames is None else frame_colours(frames, progress)
    rows = []
    for done, one in enumerate(chosen):
        progress(done, len(chosen), "measuring the configuration")
        rendered, goes = one.correction.operations, goes_back(one.correction.footage)
        rows.append(ConfigCorrection(
            one.name, one.camera, one.correction.display, one.view, one.uncorrected, one.name if goes else None,
            _off(_both_ways(config, one, one.view), rendered, seen, progress),
            _off(_both_ways(config, one, None), rendered, seen, progress) if goes else None,
            _off(_both_ways(config, one, one.uncorrected), one.correction.neutral_operations, None, progress)))
    progress(len(chosen), len(chosen), "measuring the configuration")
    return tuple(rows)


def _both_ways(config: Any, one: Chosen, view: str | None) -> tuple[Apply, Apply]:
    """By a view, or by the look (None): as programs do it, and every step by itself."""
    optimised, stepwise = (as_looked(config, one, optimised=way) if view is None else
                           as_shown(config, one, view, optimised=way) for way in (True, False))
    return optimised, stepwise


def _off(ways: tuple[Apply, Apply], operations: Sequence[Operation], seen: FrameColours | None,
         progress: Progress) -> ConfigOff:
    found = deviation(ways[0], operations)
    frames = None if seen is None else over_frames(ways[:1], operations, seen.frames(progress))
    return ConfigOff(found.mean, found.worst, found.worst_code, found.measured["in_gamut_worst"],
                     sampled_in_gamut(ways[1], operations), None if frames is None else frames.mean,
                     None if frames is None else frames.worst)


__all__ = ["ConfigCorrection", "ConfigOff", "ConfigSummary", "config_places", "export_config", "named_corrections"]
