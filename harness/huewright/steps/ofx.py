"""The OpenFX jobs: build the bundle, probe any plug-in, describe the effects, render frames through a binary."""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from huewright.errors import InputError
from huewright.files import refuse_existing, sha256, workspace
from huewright.frames.sequence import output_paths
from huewright.frames.take import Take
from huewright.host.bundle import find_binary
from huewright.host.support import require_support
from huewright.progress import Progress, silent

if TYPE_CHECKING:  # the rest of the host is imported where it is used, for building works on systems that lack it
    from huewright.host.objects import Finding
    from huewright.probe.probe import CheckResult
    from huewright.probe.probe import ProbeReport as ProbeReport


@dataclass(frozen=True)
class BinarySummary:
    """A binary of a bundle, and what it was built for."""

    targets: tuple[str, ...]
    path: Path
    sha256: str
    bytes: int


@dataclass(frozen=True)
class BundleSummary:
    """What was built. ``effects`` are the identifiers in it."""

    bundle: Path
    binaries: tuple[BinarySummary, ...]
    effects: tuple[str, ...]
    seconds: float


@dataclass(frozen=True)
class ThroughSummary:
    """What was rendered through a plug-in; ``findings`` is what the host noticed, ``messages`` what was said."""

    frames: tuple[int, ...]
    out: str
    seconds: float
    findings: tuple[Finding, ...] = ()
    messages: tuple[str, ...] = ()


def build_bundle(directory: Path | str, *, targets: Iterable[str] | None = None, overwrite: bool = False,
                 progress: Progress = silent) -> BundleSummary:
    """Builds ``huewright.ofx.bundle`` in ``directory`` for the named targets (None: this machine).

    Raises :class:`InputError` as :func:`huewright.plugin.build.build` does: an unknown target, no compiler for one, or
    there already and not to be replaced.
    """
    from huewright.plugin.build import binaries, build
    from huewright.plugin.effects import EFFECTS
    from huewright.plugin.targets import targets_named

    started = time.perf_counter()
    bundle = build(Path(directory), targets=targets, overwrite=overwrite, notify=lambda line: progress(0, 0, line))
    made = tuple(BinarySummary(binary.targets, binary.path, sha256(binary.path), binary.path.stat().st_size)
                 for binary in binaries(bundle, targets_named(targets)))
    return BundleSummary(bundle, made, tuple(effect.identifier for effect in EFFECTS), time.perf_counter() - started)


@dataclass(frozen=True)
class PatchesSummary:
    """A patches file that was written. ``frame`` and ``corners`` are where a survey found the card: pixels from the
    left and from the bottom of the picture, as the effect's parameters take them; None and empty without a survey."""

    file: Path
    patches: tuple[str, ...]
    frame: int | None = None
    corners: tuple[tuple[float, float], ...] = ()

    @property
    def settings(self) -> dict[str, tuple[float, float]]:
        """The corners by the names of the effect's parameters."""
        return dict(zip(("topLeft", "topRight", "bottomRight", "bottomLeft"), self.corners, strict=False))


def write_patches(card_file: Path | str, file: Path | str, *, roles: Iterable[str] | None = None,
                  survey_file: Path | str | None = None, overwrite: bool = False) -> PatchesSummary:
    """Writes where the card's patches lie for the patch isolation effect: those of ``roles`` (None: all).

    Raises :class:`InputError` for an unknown role, a card that such a file can't hold, a survey of another card or
    without a card in any frame.
    """
    from huewright.models.card import ROLES, load_card
    from huewright.models.patches import patches_to_dict, save_patches
    from huewright.models.survey import load_survey
    from huewright.provenance.digests import card_layout_sha256

    wanted = tuple(ROLES if roles is None else roles)
    for role in wanted:
        if role not in ROLES:
            raise InputError(f"no patch has the role {role!r}; there are {', '.join(ROLES)}")
    card = load_card(card_file)
    frame: int | None = None
    corners: tuple[tuple[float, float], ...] = ()
    if survey_file is not None:
        survey = load_survey(survey_file)
        if survey.card_layout_sha256 and survey.card_layout_sha256 != card_layout_sha256(card):
            raise InputError(f"{survey_file} was made with a card whose patches lie elsewhere; give the card that it "
                             "was "
                             "made with")
        seen = [grade for grade in survey.grades if len(grade.corners) == 4]
        if not seen:
            raise InputError(f"{survey_file} found the card in no frame, so there are no corners to tell; leave out "
                             "--survey and set the corners by hand")
        best = next((grade for grade in seen if grade.verdict == "chosen"), seen[0])
        frame = best.frame
        corners = tuple((round(x, 2), round(survey.height - y, 2)) for x, y in best.corners)
    save_patches(card, file, wanted.__contains__, overwrite=overwrite)
    names = tuple(row["name"] for row in patches_to_dict(card, wanted.__contains__)["patches"])
    return PatchesSummary(Path(file), names, frame, corners)


def describe_effects() -> str:
    """The page on this project's effects, as Markdown."""
    from huewright.plugin.effects_page import documentation

    return documentation()


def probe_bundle(path: Path | str, frames: Take | None = None, *,
                 settings: Mapping[str, Mapping[str, Any]] | None = None, effects: Iterable[str] | None = None,
                 checks: Iterable[str] | None = None, patience_s: float = 10.0, progress: Progress = silent,
                 told: Callable[[CheckResult], None] | None = None) -> ProbeReport:
    """Tries every effect of a bundle or ``.ofx`` out, each check in a process of its own.

    frames    the first three are rendered instead of the generated picture
    settings  parameter values by effect identifier
    effects   only these identifiers (or last parts of them); None: all
    checks    only these of :mod:`huewright.probe.checks`; None: all
    patience_s  an action that takes longer counts as hung

    Raises :class:`InputError` for a path without a plug-in, unknown effects and unknown checks.
    """
    require_support()
    from huewright.probe.checks import CHECKS
    from huewright.probe.probe import probe_binary

    binary = find_binary(path)
    wanted = list(checks) if checks is not None else None
    unknown = [name for name in wanted or () if name not in CHECKS]
    if unknown:
        raise InputError(f"there is no check {unknown[0]!r}; there are {', '.join(CHECKS)}")
    if patience_s <= 0:
        raise InputError("the patience is a time in seconds above 0")
    chosen = [_identifier(binary, name, patience_s) for name in effects] if effects else None
    count = 0

    def tell(row: CheckResult, total: int) -> None:
        nonlocal count
        count += 1
        progress(count, total, f"{row.plugin}: {row.check}")
        if told is not None:
            told(row)

    with tempfile.TemporaryDirectory(prefix="probe-", dir=workspace()) as folder:
        return probe_binary(binary, settings={k: dict(v) for k, v in (settings or {}).items()},
                            pictures=_as_arrays(frames, Path(folder)), checks=wanted,
                            effects=chosen, patience_s=patience_s, told=tell)


def _as_arrays(frames: Take | None, folder: Path) -> list[Path]:
    if frames is None:
        return []
    import numpy as np

    paths = []
    for number in frames.numbers[:3]:
        paths.append(folder / f"{number}.npy")
        np.save(paths[-1], frames.frame(number).pixels[..., :4])
    return paths


def list_plugins(path: Path | str, *, patience_s: float = 10.0) -> tuple[dict[str, Any], ...]:
    """Identifier, label, version, contexts, depths, thread safety and parameters of each plug-in in a binary."""
    require_support()
    from huewright.probe.probe import probe_binary

    report = probe_binary(find_binary(path), checks=["nothing"], patience_s=patience_s)
    if report.trouble:
        raise InputError(f"{path}: {report.trouble}; `huewright ofx probe` tells more")
    return report.plugins


def parse_settings(texts: Iterable[str]) -> dict[str, Any]:
    """``name=value`` texts as settings; ``name@FRAME=value`` sets a key at a frame. Raises :class:`InputError`."""
    settings: dict[str, Any] = {}
    for text in texts:
        name, equals, value = text.partition("=")
        name, at, frame = name.strip().partition("@")
        if not equals or not name:
            raise InputError(f"{text!r} sets nothing; write name=value")
        if not at:
            settings[name] = value
            continue
        try:
            number = float(frame)
        except ValueError:
            raise InputError(f"{text!r}: what stands behind @ is a frame number") from None
        keys = settings.setdefault(name, {})
        if not isinstance(keys, dict):
            raise InputError(f"{name} is set both for all frames and for frame {frame}; write one or the other")
        keys[number] = value
    return settings


def render_through(bundle: Path | str, effect_id: str, settings: Mapping[str, Any], sequence: Take,
                   out_text: Path | str, *, overwrite: bool = False, threads: int | None = None, device: str = "cpu",
                   patience_s: float = 120.0, progress: Progress = silent) -> ThroughSummary:
    """Renders ``sequence`` through an effect of the plug-in at ``bundle``, in a process of its own.

    Frames keep their number format, metadata and further channels. ``settings`` are parameter values (numbers,
    texts, option labels; a dict of frame -> value animates). ``effect_id`` may be the identifier's last part.
    ``device`` is "cpu", or "cuda" or "cuda:N" for an NVIDIA GPU (the first, or that one) that it must render on.

    Raises :class:`InputError` for what the person can mend and for an effect that refuses, and
    :class:`~huewright.errors.NoAnswerError` if the plug-in crashes or hangs (frames already written stay).
    """
    require_support()
    from huewright.device.choosing import require_device
    from huewright.host.child import talk
    from huewright.host.objects import Finding

    started = time.perf_counter()
    binary = find_binary(bundle)
    require_device(device)
    sequence.require_complete()
    outputs = output_paths(out_text, sequence)
    for path in outputs.values():
        refuse_existing(path, overwrite=overwrite)
    # The child works in a folder of its own.
    request = {"path": os.path.abspath(binary), "effect": _identifier(binary, effect_id, patience_s),
               "settings": {k: dict(v) if isinstance(v, Mapping) else v for k, v in settings.items()},
               "overwrite": overwrite, "threads": threads, "device": device, "folder": os.getcwd(),
               "take": os.path.abspath(sequence.text),
               "frames": [(n, os.path.abspath(path)) for n, path in outputs.items()]}
    done: list[int] = []
    findings: tuple[Finding, ...] = ()
    messages: tuple[str, ...] = ()
    for answer in talk("huewright.host.rendering", request, patience_s):
        if "error" in answer:
            raise InputError(answer["error"])
        if "frame" in answer:
            done.append(answer["frame"])
            progress(len(done), len(outputs), "rendering through the plug-in")
        else:
            findings = tuple(Finding(**row) for row in answer["findings"])
            messages = tuple(text for _, text in answer["messages"])
    return ThroughSummary(tuple(done), str(out_text), time.perf_counter() - started, findings, messages)


def _identifier(binary: Path, wanted: str, patience_s: float) -> str:
    known: list[str] = [plugin["identifier"] for plugin in list_plugins(binary, patience_s=patience_s)]
    found = [name for name in known if name == wanted] or [n for n in known if n.rpartition(".")[2] == wanted]
    if len(found) != 1:
        raise InputError(f"{binary}: no effect {wanted!r} in it; it has {', '.join(known) or 'none'}")
    return found[0]


__all__ = ["BundleSummary", "ThroughSummary", "build_bundle", "describe_effects", "list_plugins",
           "parse_settings", "probe_bundle", "render_through"]
