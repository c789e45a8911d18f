"""The proof: what the correction did, measured on the frames before and on the rendered, re-read frames after.

*Before* is the camera's take through the same chain with nothing corrected; *after* is read from the rendered files.
Both are measured at the corners and frames that the survey chose. Light that falls off over the card is allowed for as
the survey allowed for it, since the correction was asked for even light; the figures without it stand in the summary.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from huewright_kernels.executor import compile_chain, run

from huewright.colorimetry.display import display_luma, hue_deg, hue_difference_deg, to_ycbcr
from huewright.colorimetry.targets import delta_e, reference_rgb
from huewright.errors import InputError
from huewright.files import refuse_existing, sha256
from huewright.frames.picture import Frame, read_frame
from huewright.models.card import Card
from huewright.models.correction import Correction, PatchResult
from huewright.models.footage import RANGES, Footage
from huewright.models.proof import PatchProof, Proof, percent_words, save_proof
from huewright.models.survey import FrameGrade, Survey
from huewright.progress import Progress, silent
from huewright.solver.compare import compare
from huewright.solver.settings import SolveSettings, settings_from_dict
from huewright.steps.belong import RenderMatch, check_proof_inputs, files_kind, kind_cautions, take_name
from huewright.steps.measure import INNER, EvenLight, Measurement, Measuring, outlines
from huewright.steps.shots import (
    RangeTally,
    ShotPictures,
    beyond_words,
    look_through,
    not_finite_words,
    shot_cautions,
)

if TYPE_CHECKING:
    from huewright.frames.sequence import FrameSequence

NOISE_CAUTION_DB = 6.0
LIGHT_CAUTION_STOPS = 0.05
SCREENED = ("the shots were screened for flashing by the limits of ITU-R BT.1702, which is no certified test; "
            "patterned content is not judged, nor whether the picture is legal for broadcast: the delivery "
            "specification and the person responsible decide")
PREFERRED_TOLERANCE_PERCENT = 1.0       # EBU R 103 (from memory): errors in up to 1 % of the pixels pass
SHOTS_SHOWN = 3          # of which the page holds a picture before and after
INTERVAL = 1.96          # standard errors in half a 95 % interval
DISPLAY_WORDS = {"bt709": "ITU-R BT.709 display", "bt1886": "ITU-R BT.1886 display, BT.709 primaries",
                 "srgb": "sRGB screen (IEC 61966-2-1)", "bt2020": "ITU-R BT.2020 display",
                 "pq": "ITU-R BT.2100 PQ display", "hlg": "ITU-R BT.2100 HLG display"}
SAME_LIGHT = ("the correction holds for the light and the camera settings that the card was shot with; whether a shot "
              "shares them can't be seen from its files: the person responsible has to know")
RESPONSIBILITY = ("this proof does not judge flashing or patterned content, nor whether the picture is legal for "
                  "broadcast: the delivery specification and the person responsible decide")


def prove(correction: Correction, survey: Survey, card: Card, *, before: FrameSequence, after: FrameSequence,
          shots: Sequence[tuple[FrameSequence, FrameSequence]] = (), out_dir: Path | str, after_range: str = "full",
          after_bits: int = 10, title: str = "", overwrite: bool = False, progress: Progress = silent) -> Proof:
    """Measures, and writes ``proof.json``, ``proof.html`` and the pictures into ``out_dir``.

    ``shots`` are pairs of a shot and its render: looked through for range and flashing, and shown. ``after_range`` and
    ``after_bits`` are what the rendered files were written with. ``title`` heads the page (scene,
    camera, client); without one the take's folder and files name it. Raises :class:`InputError` if
    an output exists, if none of the survey's chosen frames is in both takes, or if the survey, the card or a
    rendered frame does not belong to the correction.
    """
    out = Path(out_dir)
    for name in ("proof.json", "proof.html"):
        refuse_existing(out / name, overwrite=overwrite)
    if after_range not in RANGES:
        raise InputError(f"the rendered files' range is {' or '.join(RANGES)}, not {after_range!r}")
    check_proof_inputs(correction, survey, card)
    grades = _measurable(survey, before, after)
    written = Footage(range=after_range, bits=after_bits)
    match = RenderMatch(correction, after.text, written.to_code_float())
    pictures = _Pictures(correction, survey, before, after, written)
    tally = RangeTally()
    light = EvenLight(card, survey.footage)
    measuring = {"before": Measuring(card, correction.neutral_operations),
                 "after": Measuring(card, correction.operations)}
    steps = len(grades) + 2
    for done, grade in enumerate(grades):
        progress(done, steps, "measuring")
        camera = pictures.camera(grade.frame)
        even, lit = light.codes(camera, grade)
        measuring["before"].add(grade, pictures.before(camera), even, lit)
        patches = outlines(card, grade.corners, INNER)
        places = {row.name: patches[row.name] for row in correction.patches if row.used and row.name in patches}
        rendered = pictures.compared(grade.frame, camera, tally, match, places)
        measuring["after"].add(grade, rendered, even, lit)
    sides = {side: collected.result() for side, collected in measuring.items()}
    progress(steps - 2, steps, "comparing")
    settings = _settings(correction)
    rows = _patches(correction, card, settings, sides)
    methods = tuple(compare(survey.reading, card, survey.footage, settings)) if survey.reading is not None else ()
    proof = _proof(correction, survey, rows, methods, sides, tally, match, grades, settings)
    proof = replace(proof, title=title.strip() or take_name(before), subject=_subject(correction, survey, card, before),
                    provenance=_provenance(correction, before, after, grades))
    looked = [look_through(correction, source, made, written, take_name(source), progress) for source, made in shots]
    card_kind = files_kind(before)
    unlike = [line for source, _ in shots for line in kind_cautions(source, card_kind)]
    proof = _with_shots(proof, [record for record, _ in looked], unlike)
    progress(steps - 1, steps, "drawing")
    proof = _drawn(proof, pictures, card, min(grades, key=_smear), [seen for _, seen in looked], out, overwrite)
    save_proof(proof, out / "proof.json", overwrite=overwrite)
    progress(steps, steps, "drawing")
    return proof


def _measurable(survey: Survey, before: FrameSequence, after: FrameSequence) -> list[FrameGrade]:
    grades = [grade for grade in survey.grades if grade.verdict == "chosen" and len(grade.corners) == 4]
    both = [grade for grade in grades if grade.frame in before.numbers and grade.frame in after.numbers]
    if not both:
        numbers = ", ".join(str(grade.frame) for grade in grades) or "none"
        raise InputError(f"none of the frames that the survey chose ({numbers}) is in both {before.text} and "
                         f"{after.text}; render the card take, then prove")
    return sorted(both, key=lambda grade: (grade.glare, grade.frame))


def _with_shots(proof: Proof, records: list[dict[str, Any]], unlike: list[str]) -> Proof:
    said = [*unlike, SAME_LIGHT]
    said += [line for record in records for line in shot_cautions(record)]
    screened = any(record["flashes"] is not None for record in records)
    return replace(proof, shots=tuple(records), cautions=(*proof.cautions, *said,
                                                          SCREENED if screened else RESPONSIBILITY))


def _smear(grade: FrameGrade) -> tuple[float, float, int]:
    """Least for the frame that shows the card best: sharp first, to a tenth of a pixel, then free of reflections."""
    return round(grade.edge_width_px + grade.motion_px, 1), grade.glare, grade.frame


class _Pictures:
    """Display signals (h, w, 3) float32 of a frame, before and after."""

    def __init__(self, correction: Correction, survey: Survey, before: FrameSequence, after: FrameSequence,
                 after_footage: Footage) -> None:
        self._takes = {"before": before, "after": after}
        self._size = (survey.height, survey.width)
        self._neutral = compile_chain(correction.neutral_operations)
        self._corrected = compile_chain(correction.operations)
        self._expand = compile_chain(after_footage.to_code_float())
        self._alpha: np.ndarray | None = None     # of the camera's frame read last, where it multiplies the colours

    def _read(self, side: str, frame: int) -> tuple[np.ndarray, Frame]:
        """Code values, and the file's picture."""
        path = self._takes[side].path(frame)
        read = read_frame(path)
        pixels = np.ascontiguousarray(read.rgb_float())
        if pixels.shape[:2] != self._size:
            raise InputError(f"{path}: {pixels.shape[1]} x {pixels.shape[0]} pixels, but the survey's frames have "
                             f"{self._size[1]} x {self._size[0]}; give the take that was surveyed")
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
        tally.add(exact, rendered if read.pixels.dtype.kind == "u" else None)
        if self._alpha is not None:
            exact = np.asarray(run(self._corrected, np.concatenate([camera, self._alpha], axis=2),
                                   premultiplied=True))[..., :3]
        match.add(read, signal, exact, places)
        return signal


def _settings(correction: Correction) -> SolveSettings:
    recorded = correction.provenance.get("settings")
    if recorded:
        return settings_from_dict(recorded)
    return SolveSettings(display=correction.display, method=correction.method)


# ---------------------------------------------------------------- patches

def _patches(correction: Correction, card: Card, settings: SolveSettings,
             sides: dict[str, Measurement]) -> tuple[PatchProof, ...]:
    luma = display_luma(correction.display)
    solved = {row.name: row for row in correction.patches}
    reference = reference_rgb(card, correction.display, settings.adaptation)
    names = sides["before"].names
    places = {side: to_ycbcr(measured.mean, luma) for side, measured in sides.items()}
    known = [k for k, name in enumerate(names) if name in reference]
    differences = {side: dict(zip(known, delta_e(measured.mean[known], [reference[names[k]] for k in known],
                                                 correction.display), strict=True)) if known else {}
                   for side, measured in sides.items()}
    rows = []
    for k, name in enumerate(names):
        row = solved.get(name)
        if row is not None:
            rows.append(_patch(row, places["before"][k], places["after"][k],
                               [None if k not in differences[side] else float(differences[side][k])
                                for side in ("before", "after")]))
    return tuple(rows)


def _patch(row: PatchResult, before: np.ndarray, after: np.ndarray, colours: list[float | None]) -> PatchProof:
    level, cb, cr = row.target
    hues: list[float | None] = [None, None]
    ratios: list[float | None] = [None, None]
    if row.role == "chip" and cb is not None and cr is not None:
        hues = [float(hue_difference_deg(hue_deg(place[1], place[2]), hue_deg(cb, cr))) for place in (before, after)]
        ratios = [float(np.hypot(place[1], place[2]) / max(np.hypot(cb, cr), 1e-9)) for place in (before, after)]
    is_bar = row.role == "bar" and level is not None
    levels = [_rounded(100 * float(value)) if is_bar and value is not None else None
              for value in (before[0], after[0], level)]
    return PatchProof(
        name=row.name, role=row.role, used=row.used, target=row.target, before=_triple(before), after=_triple(after),
        hue_error_before_deg=_rounded(hues[0]), hue_error_after_deg=_rounded(hues[1]),
        radius_ratio_before=_rounded(ratios[0]), radius_ratio_after=_rounded(ratios[1]),
        level_before_ire=levels[0], level_after_ire=levels[1], level_target_ire=levels[2],
        delta_e_before=_rounded(colours[0]), delta_e_after=_rounded(colours[1]), note=row.note,
        hue_interval_deg=_half(row.hue_standard_error_deg), radius_interval=_half(row.radius_standard_error),
        level_interval_ire=_half(row.level_standard_error_ire))


def _half(standard_error: float | None) -> float | None:
    """Half a 95 % interval."""
    return None if standard_error is None else _rounded(INTERVAL * standard_error)


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(float(value), 5) + 0.0


def _triple(values: np.ndarray) -> tuple[float, float, float]:
    a, b, c = (round(float(value), 6) + 0.0 for value in values)
    return a, b, c


# ---------------------------------------------------------------- the proof as a whole

def _proof(correction: Correction, survey: Survey, patches: tuple[PatchProof, ...], methods: tuple[dict[str, Any], ...],
           sides: dict[str, Measurement], tally: RangeTally, match: RenderMatch, grades: list[FrameGrade],
           settings: SolveSettings) -> Proof:
    summary = _summary(correction, patches, sides, tally, match, len(grades))
    passed, verdict = _verdict(summary, settings)
    frames = {"chosen": list(survey.chosen),
              "usable": [grade.frame for grade in survey.grades if grade.verdict == "usable"],
              "refused": [{"frame": grade.frame, "reasons": list(grade.reasons) or [grade.verdict]}
                          for grade in survey.grades if grade.verdict not in ("chosen", "usable")],
              "measured": sorted(grade.frame for grade in grades)}
    cautions = _cautions(correction, survey, summary, tally, match)
    return Proof(verdict, passed, patches, summary, methods, cautions, frames,
                 basis=_basis(settings, len(grades), bool(match.near)), display=correction.display,
                 work=_work(correction),
                 limits={"hue_deg": settings.hue_limit_deg, "radius": settings.radius_limit,
                         "level_ire": settings.level_limit_ire})


def _work(correction: Correction) -> dict[str, Any]:
    """What the correction does, with standard errors, and what a colour scientist asks of it."""
    return {"parameters": {name: list(pair) for name, pair in correction.parameters.items()},
            "left_out": {row.name: [row.leave_one_out_hue_deg, row.leave_one_out_radius] for row in correction.patches
                         if row.leave_one_out_hue_deg is not None},
            "diagnostics": {key: value for key, value in correction.diagnostics.items()
                            if not isinstance(value, dict | list | tuple)}}


def _subject(correction: Correction, survey: Survey, card: Card, before: FrameSequence) -> dict[str, str]:
    footage = correction.footage
    declared = [footage.encoding, f"{footage.range} range" + (f" of {footage.bits} bits" if footage.range == "legal"
                                                              else ""), footage.primaries]
    if footage.encoding == "display":
        declared[0] = "already a display picture"
    if footage.look:
        declared.append(f"through a look LUT given {footage.look_input}")
    numbers = sorted(before.numbers)
    return {"take": f"{take_name(before)}, frames {numbers[0]} to {numbers[-1]}", "card": card.name,
            "footage": ", ".join(declared), "made for": DISPLAY_WORDS[correction.display],
            "picture": f"{survey.width} x {survey.height} pixels"}


def _summary(correction: Correction, patches: tuple[PatchProof, ...], sides: dict[str, Measurement], tally: RangeTally,
             match: RenderMatch, frames: int) -> dict[str, Any]:
    summary: dict[str, Any] = {}
    for when in ("before", "after"):
        used = [row for row in patches if row.used]
        hues = [abs(value) for row in used if (value := getattr(row, f"hue_error_{when}_deg")) is not None]
        radii = [abs(value - 1) for row in used if (value := getattr(row, f"radius_ratio_{when}")) is not None]
        levels = [abs(value - row.level_target_ire) for row in used if row.level_target_ire is not None
                  and (value := getattr(row, f"level_{when}_ire")) is not None]
        checks = [value for row in patches if row.role == "check"
                  and (value := getattr(row, f"delta_e_{when}")) is not None]
        summary |= {f"worst_hue_error_{when}_deg": max(hues, default=None),
                    f"worst_radius_error_{when}_percent": 100 * max(radii) if radii else None,
                    f"worst_level_error_{when}_ire": max(levels, default=None),
                    f"mean_check_delta_e_{when}": float(np.mean(checks)) if checks else None,
                    f"worst_check_delta_e_{when}": max(checks, default=None)}
    as_lit = {name: 100 * to_ycbcr(value, display_luma(correction.display))[0]
              for name, value in zip(sides["after"].names, sides["after"].as_lit, strict=True)}
    off = [abs(as_lit[row.name] - row.level_target_ire) for row in patches
           if row.used and row.level_target_ire is not None]
    summary["worst_level_error_as_lit_ire"] = float(max(off)) if off else None
    summary["patches_not_used"] = sum(not row.used for row in patches if row.role != "check")
    lifted = [np.trace(sides[side].noise, axis1=1, axis2=2).mean() for side in ("before", "after")]
    summary |= {"noise_lifted_db": float(10 * np.log10(lifted[1] / lifted[0])) if min(lifted) > 0 else None,
                **{key: value for key, value in tally.record().items() if key.startswith("pixels_")},
                "render_against_chain_mean": match.mean,
                "render_against_chain_worst": match.worst,
                "frames_measured": frames, "method": correction.method, "display": correction.display}
    return {key: float(f"{value:.5g}") if isinstance(value, float) else value for key, value in summary.items()}


def _verdict(summary: dict[str, Any], settings: SolveSettings) -> tuple[bool, str]:
    """Whether every used patch is within the settings' limits, and one sentence."""
    parts, passed = [], True
    for key, limit, unit in (("worst_hue_error_after_deg", settings.hue_limit_deg, "° in hue"),
                             ("worst_radius_error_after_percent", 100 * settings.radius_limit, " % in saturation"),
                             ("worst_level_error_after_ire", settings.level_limit_ire, " IRE in level")):
        value = summary[key]
        if value is not None:
            passed &= bool(value <= limit)
            parts.append(("under 0.01" if value < 0.01 else f"{value:.2f}") + unit)
    left_out = summary["patches_not_used"]
    which = "Chips and bars are" if not left_out else "The chips and bars that could be used are"
    off = ", ".join(parts[:-1]) + f" and {parts[-1]}" if len(parts) > 1 else "".join(parts)
    head = (f"{which} on their targets" if passed else "NOT within the limits") + f": off by at most {off}"
    if left_out:
        head += f"; {left_out} more could not be used"
    old, new = summary["mean_check_delta_e_before"], summary["mean_check_delta_e_after"]
    if old is None or new is None:
        return passed, f"{head}; the card has no check patches, so nothing shows how other colours fare."
    moved = "improve" if new < old else "WORSEN"
    return passed, (f"{head}; check patches, which the solve never saw, {moved} from {old:.1f} to {new:.1f} ΔE "
                    "(CIEDE2000).")


def _basis(settings: SolveSettings, frames: int, near: bool) -> str:
    which = "frames that were" if frames != 1 else "frame that was"
    how = "rendered with what is near this correction (see below)" if near else "rendered with this correction"
    return (f"Measured on {frames} {which} {how} and read back from disk. Limits: "
            f"{settings.hue_limit_deg:g}° in hue, {100 * settings.radius_limit:g} % in saturation, "
            f"{settings.level_limit_ire:g} IRE in level.")


def _cautions(correction: Correction, survey: Survey, summary: dict[str, Any], tally: RangeTally,
              match: RenderMatch) -> tuple[str, ...]:
    said = list(correction.warnings)
    if match.near:
        said.append(f"the rendered frames are near what this correction makes but not the same ({match.near}), as a "
                    "LUT, another program or a slightly different correction leaves them; the figures here are of the "
                    "frames as they are")
    if match.not_finite:
        said.append(not_finite_words("the rendered card take", match.not_finite))
    if tally.over + tally.under > 0:
        said.append(f"the corrected signal {beyond_words(summary)}: integer files clip there, float files keep it; "
                    "check highlights and saturated colours")
    beyond = summary["pixels_beyond_preferred_percent"]
    if beyond > PREFERRED_TOLERANCE_PERCENT:
        said.append(f"{percent_words(beyond)} of pixels lie outside −5 to 105 %, the range that EBU R 103 prefers, and "
                    "it tolerates 1 %; your delivery specification may differ")
    stopped = summary["pixels_at_end_stops_percent"]
    if stopped > 0:
        said.append(f"{percent_words(stopped)} of pixels in the rendered files sit at an end of the code range: detail "
                    "there is gone")
    lifted = summary["noise_lifted_db"]
    if lifted is not None and lifted > NOISE_CAUTION_DB and not any("noise is lifted" in line for line in said):
        said.append(f"noise is lifted by {lifted:.1f} dB, measured on the patches; look at the shadows")
    light = survey.reading.light_stops if survey.reading is not None else 0.0
    if light > LIGHT_CAUTION_STOPS:
        said.append(f"light falls off over the card by {light:.2f} stops: solve and proof allow for it, the picture "
                    "shows it as it is")
    return tuple(dict.fromkeys(said))


def _provenance(correction: Correction, before: FrameSequence, after: FrameSequence,
                grades: list[FrameGrade]) -> dict[str, Any]:
    recorded = {key: value for key, value in correction.provenance.items() if key != "inputs"}
    return {**recorded, "before": before.text, "after": after.text,
            "frames_sha256": {f"{side} {grade.frame}": sha256(take.path(grade.frame))
                              for side, take in (("before", before), ("after", after)) for grade in grades}}


def _drawn(proof: Proof, pictures: _Pictures, card: Card, grade: FrameGrade, shots: Sequence[ShotPictures], out: Path,
           overwrite: bool) -> Proof:
    """The proof with its pictures and page made, from the frame that shows the card best."""
    from huewright.report.closeup import Tile
    from huewright.report.page import write_page
    from huewright.report.photo import save_photo
    from huewright.report.scopes import scope_pictures

    camera = pictures.camera(grade.frame)
    files = scope_pictures(pictures.before(camera), pictures.after(grade.frame), display=proof.display,
                           patches=proof.patches, polygons=outlines(card, grade.corners), out_dir=out,
                           tile=Tile(proof.limits["hue_deg"], proof.limits["radius"]), overwrite=overwrite)
    for index, seen in enumerate(shots[:SHOTS_SHOWN], 1):
        for side, picture in (("before", seen.before), ("after", seen.after)):
            name = f"shot_{index}_{side}"
            save_photo(picture, out / f"{name}.jpg", display=proof.display, overwrite=overwrite)
            files[name] = f"{name}.jpg"
    proof = replace(proof, pictures=files, frames={**proof.frames, "shown": grade.frame})
    write_page(proof, {name: out / file for name, file in files.items()}, out / "proof.html", overwrite=overwrite)
    return proof
