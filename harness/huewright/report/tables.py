"""What a proof's records look like in words and figures: no markup, every text still to be escaped by the page."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from huewright.models.cautions import Limits
from huewright.models.methods import MethodResult
from huewright.models.proof import FramesRead, PatchProof, Proof, Work
from huewright.models.provenance import ProofProvenance
from huewright.models.record import to_record
from huewright.report.marks import signed
from huewright.words import method_note, percent_words, reason_words

NOTHING = "–"


# ---------------------------------------------------------------- key figures

def _worst(patches: Iterable[PatchProof], value: Callable[[PatchProof], float | None]) -> float | None:
    values = [abs(found) for patch in patches if (found := value(patch)) is not None]
    return max(values) if values else None


def figures_of(proof: Proof) -> list[dict[str, str]]:
    """Four pairs, before and after, each with its limit; a pair is left out where nothing was measured."""
    used = [patch for patch in proof.patches if patch.used]
    checks = [patch for patch in proof.patches if patch.role == "check"]

    def off(value: float | None, target: float | None, scale: float = 1.0) -> float | None:
        return None if value is None or target is None else scale * (value - target)

    def mean(when: str) -> float | None:
        values = [v for patch in checks if (v := getattr(patch, f"delta_e_{when}")) is not None]
        return sum(values) / len(values) if values else None

    pairs = (
        ("Worst hue error of a chip", "degrees", "hue_deg", 1.0, _worst(used, lambda p: p.hue_error_before_deg),
         _worst(used, lambda p: p.hue_error_after_deg)),
        ("Worst saturation error of a chip", "%", "radius", 100.0,
         _worst(used, lambda p: off(p.radius_ratio_before, 1, 100)),
         _worst(used, lambda p: off(p.radius_ratio_after, 1, 100))),
        ("Worst level error of a grey bar", "IRE", "level_ire", 1.0,
         _worst(used, lambda p: off(p.level_before_ire, p.level_target_ire)),
         _worst(used, lambda p: off(p.level_after_ire, p.level_target_ire))),
        ("Mean colour error, check patches", "ΔE", "", 1.0, mean("before"), mean("after")))
    return [{"label": label, "unit": unit, "before": f"{before:.2f}", "after": f"{after:.2f}",
             "limit": f"limit {scale * getattr(proof.limits, limit):g}" if limit else ""}
            for label, unit, limit, scale, before, after in pairs if before is not None and after is not None]


FACTS = (("pixels_over_range_percent", "Pixels above 100 %"),
         ("pixels_under_range_percent", "Pixels below 0 %, outside the display's gamut"),
         ("pixels_beyond_preferred_percent", "Pixels outside −5 to 105 % (EBU R 103)"),
         ("pixels_at_end_stops_percent", "Pixels at an end of the file's codes"))


def facts_of(proof: Proof) -> list[dict[str, str]]:
    """What a delivery is asked about, said also where it is harmless: range, gamut, noise."""
    if not proof.summary.frames_measured:
        return []
    facts = [{"label": label, "text": percent_words(getattr(proof.summary, key))} for key, label in FACTS]
    noise = proof.summary.noise_lifted_db
    if noise is not None:
        word = "Noise lifted by" if noise >= 0 else "Noise lowered by"
        facts.append({"label": f"{word}, measured on the patches", "text": f"{abs(noise):.1f} dB"})
    return facts


def shots_of(proof: Proof) -> list[dict[str, str]]:
    """One row a rendered shot: how much leaves the range, and whether it flashes."""
    rows = []
    for shot in proof.shots:
        counted = [count for count in (shot.flashes, shot.red_flashes) if count is not None]
        rows.append({"name": shot.name, "frames": str(shot.frames),
                     "over": NOTHING if shot.integers else percent_words(shot.pixels_over_range_percent),
                     "under": NOTHING if shot.integers else percent_words(shot.pixels_under_range_percent),
                     "stopped": percent_words(shot.pixels_at_end_stops_percent) if shot.integers else NOTHING,
                     "flashes": str(max(counted)) if counted else "frames missing",
                     "harmful": "yes" if shot.flashes_too_many else ""})
    return rows


# ---------------------------------------------------------------- the table of patches

@dataclass(frozen=True)
class Column:
    """One sortable column: its short label under the group's, its full name, and how a patch fills it."""

    label: str
    name: str
    css: str
    value: Callable[[PatchProof], float | None] | None = None
    digits: int = 2
    error: bool = False      # signed, and sorted by its size
    limit: Callable[[PatchProof, Limits], bool] | None = None


def _percent(ratio: float | None) -> float | None:
    return None if ratio is None else 100 * ratio


Number = Callable[[PatchProof], float | None]


def _beyond(limit: str, miss: Number) -> Callable[[PatchProof, Limits], bool]:
    def missed(patch: PatchProof, limits: Limits) -> bool:
        value = miss(patch)
        return bool(patch.used and value is not None and abs(value) > getattr(limits, limit))
    return missed


def _level_miss(patch: PatchProof) -> float | None:
    if patch.level_after_ire is None or patch.level_target_ire is None:
        return None
    return patch.level_after_ire - patch.level_target_ire


COLUMNS = (
    Column("Patch", "Patch", "words"),
    Column("Role", "Role", "words"),
    Column("before", "Hue error before", "num was", lambda p: p.hue_error_before_deg, 2, True),
    Column("after", "Hue error after", "num now", lambda p: p.hue_error_after_deg, 2, True,
           _beyond("hue_deg", lambda p: p.hue_error_after_deg)),
    Column("±", "Hue, 95 % interval", "num may", lambda p: p.hue_interval_deg),
    Column("before", "Saturation before", "num was", lambda p: _percent(p.radius_ratio_before)),
    Column("after", "Saturation after", "num now", lambda p: _percent(p.radius_ratio_after), 2, False,
           _beyond("radius", lambda p: None if p.radius_ratio_after is None else p.radius_ratio_after - 1)),
    Column("±", "Saturation, 95 % interval", "num may", lambda p: _percent(p.radius_interval)),
    Column("target", "Level target", "num", lambda p: p.level_target_ire),
    Column("before", "Level before", "num was", lambda p: p.level_before_ire),
    Column("after", "Level after", "num now", lambda p: p.level_after_ire, 2, False, _beyond("level_ire", _level_miss)),
    Column("±", "Level, 95 % interval", "num may", lambda p: p.level_interval_ire),
    Column("before", "ΔE before", "num was", lambda p: p.delta_e_before),
    Column("after", "ΔE after", "num now", lambda p: p.delta_e_after))
GROUPS = (("Hue error, degrees", 3), ("Saturation, % of target", 3), ("Level, IRE", 4), ("ΔE, CIEDE2000", 2))


def rows_of(proof: Proof) -> list[dict[str, Any]]:
    """What has a target first: on a card of hundreds of patches it is not found among the others."""
    return [row_of(patch, proof) for patch in sorted(proof.patches, key=lambda patch: patch.role == "check")]


def row_of(patch: PatchProof, proof: Proof) -> dict[str, Any]:
    cells = []
    for column in COLUMNS[2:]:
        value = column.value(patch) if column.value else None
        text, key = "", None
        if value is not None:
            text = signed(value, column.digits) if column.error else f"{value:.{column.digits}f}".replace("-", "−")
            key = repr(float(abs(value) if column.error else value))
        cells.append({"css": column.css, "text": text, "key": key,
                      "beyond": column.limit is not None and column.limit(patch, proof.limits)})
    return {"name": patch.name, "role": patch.role, "used": patch.used, "note": reason_words(patch.reasons),
            "cells": cells, "swatches": [_swatch(values, proof.display) for values in (patch.before, patch.after)]}


def _swatch(values: tuple[float, float, float], display: str) -> str:
    from huewright.colorimetry.display import display_luma, from_ycbcr
    from huewright.colorimetry.shown import shown_in_srgb

    shown = shown_in_srgb(from_ycbcr(values, display_luma(display)), display).srgb
    return "rgb({} {} {})".format(*np.rint(shown * 255).astype(int))


# ---------------------------------------------------------------- what the correction does

_PARAMETERS = ((r"exposure_stops", "Exposure", "stops", 4), (r"balance_(\w+)_stops", "Balance, {}", "stops", 4),
               (r"tone_x_at_([\d.]+)_ire", "Level that arrives as {} IRE, before the tone curve", "IRE", 2),
               (r"rotation_at_([\d.]+)_deg", "Hue {}° turned by", "degrees", 2),
               (r"gain_at_([\d.]+)_deg", "Hue {}° saturation times", "", 4))


def work_of(work: Work | None) -> dict[str, Any] | None:
    """The solved numbers with their 95 % intervals, and each chip as the others alone would have placed it."""
    if work is None:
        return None
    rows = [_parameter(name, value, error) for name, (value, error) in work.parameters.items()]
    left_out = [{"name": name, "hue": signed(one.hue_error_deg, 1), "radius": signed(100 * (one.radius - 1), 1)}
                for name, one in work.left_out.items() if one.radius is not None]
    told = {key: value for key, value in to_record(work.diagnostics).items() if not isinstance(value, dict | list)}
    return {"rows": rows, "left_out": left_out, "diagnostics": ledger(told)}


def _parameter(name: str, value: float, error: float | None) -> dict[str, str]:
    for pattern, words, unit, digits in _PARAMETERS:
        if found := re.fullmatch(pattern, name):
            scale = 100.0 if name.startswith("tone_x") else 1.0
            return {"label": words.format(*found.groups()), "unit": unit,
                    "value": f"{scale * value:.{digits}f}" if unit in ("", "IRE") else signed(value, digits),
                    "interval": NOTHING if error is None else f"{1.96 * scale * error:.{digits}f}"}
    return {"label": label_of(name), "unit": "", "value": f"{value:.4g}".replace("-", "−"),
            "interval": NOTHING if error is None else f"{1.96 * error:.2g}"}


# ---------------------------------------------------------------- other methods

_METHOD_COLUMNS = (
    ("worst_hue_error_deg", "Worst hue error, degrees", 1.0, 2),
    ("worst_radius_error", "Worst saturation error, %", 100.0, 2),
    ("worst_level_error_ire", "Worst level error, IRE", 1.0, 2), ("chip_delta_e", "Chips, mean ΔE", 1.0, 2),
    ("left_out_delta_e", "Chips left out, mean ΔE", 1.0, 2), ("check_delta_e_mean", "Check patches, mean ΔE", 1.0, 2),
    ("check_delta_e_worst", "Check patches, worst ΔE", 1.0, 2), ("worst_local_gain", "Steepest stretch", 1.0, 1),
    ("noise_gain_db", "Noise gain, dB", 1.0, 1), ("folded_fraction", "Folded, % of colours", 100.0, 2))


def methods_of(methods: Iterable[MethodResult]) -> dict[str, Any] | None:
    """A row a method, numbers right, its name first; what is said of a method below."""
    rows = []
    notes = []
    for method in methods:
        cells = [{"text": method.method, "css": "words"}]
        for key, _, scale, digits in _METHOD_COLUMNS:
            value = getattr(method, key)
            cells.append({"text": NOTHING if value is None else f"{scale * value:.{digits}f}".replace("-", "−"),
                          "css": "num"})
        rows.append({"chosen": method.recommended is not None, "cells": cells})
        if note := method_note(method):
            notes.append({"name": method.method, "text": note})
    if not rows:
        return None
    heads = [{"label": "Method", "css": "words"},
             *({"label": label, "css": "num"} for _, label, _, _ in _METHOD_COLUMNS)]
    return {"notes": notes, "heads": heads, "rows": rows}


# ---------------------------------------------------------------- frames

def frames_of(read: FramesRead) -> dict[str, Any] | None:
    reasons: dict[str, list[int]] = {}
    for row in read.refused:
        reasons.setdefault(reason_words(row.reasons) or "no reason recorded", []).append(row.frame)
    kinds = {**{n: "refused" for numbers in reasons.values() for n in numbers}, **dict.fromkeys(read.usable, "usable"),
             **dict.fromkeys(read.chosen, "chosen")}
    if not kinds:
        return None
    refused: list[dict[str, Any]] = sorted(({"reasons": text, "count": len(numbers), "numbers": number_ranges(numbers)}
                      for text, numbers in reasons.items()), key=lambda row: -row["count"])
    low, high = min(kinds), max(kinds)
    span = high - low + 1
    ribbon = [(number - low, kind) for number, kind in sorted(kinds.items())] if 1 < span <= 2000 else []
    rest = []
    if read.usable:
        rest.append(f"{len(read.usable)} more would have served: {number_ranges(read.usable)}.")
    if read.measured and sorted(read.measured) != sorted(read.chosen):
        rest.append(f"Measured for this proof: {number_ranges(read.measured)}.")
    return {"chosen": number_ranges(read.chosen), "chosen_count": len(read.chosen), "refused": refused,
            "ribbon": ribbon, "refused_count": len(read.refused), "usable_count": len(read.usable),
            "span": span, "first": low, "last": high, "rest": " ".join(rest)}


def _all_whole(value: Any) -> bool:
    return isinstance(value, list | tuple) and bool(value) and all(type(item) is int for item in value)


def number_ranges(numbers: Iterable[int]) -> str:
    """``[1, 2, 3, 7]`` -> "1–3, 7"."""
    runs: list[list[int]] = []
    for number in sorted(set(numbers)):
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ", ".join(f"{a}" if a == b else f"{a}–{b}" for a, b in runs)


# ---------------------------------------------------------------- free-form records

_LABELS = {
    "mode": "Targets", "fraction": "Chips' share of their colour bar", "adaptation": "Chromatic adaptation",
    "floor": "Least noise that a reading is credited with", "robust_scale": "Outliers begin at, standard deviations",
    "exposure_prior_stops": "Pull to no change: exposure, stops", "tone_prior": "Pull to no change: tone, signal",
    "rotation_prior_deg": "Pull to no change: hue, degrees",
    "log_gain_prior": "Pull to no change: saturation, log", "least_slope": "Least slope of the hue map",
    "clip_limit": "Clipped share allowed in a patch", "hue_limit_deg": "Limit of hue, degrees",
    "radius_limit": "Limit of saturation, share of target", "level_limit_ire": "Limit of level, IRE",
    "bars_bent_ire": "Bars from where their reflectances put them, IRE",
    "declaration": "Encoding and range against the bars", "declaration_misfit": "Their misfit, deviance",
    "declaration_veil_percent": "Veil over the card that fits best, % of white",
    "trust_encoding": "Encoding and range taken at the person's word",
    "identity": "Found nothing to correct", "noise_gain_db": "Noise gain predicted, dB",
    "chroma_noise_gain_db": "Noise gain predicted, colour, dB", "worst_local_gain": "Steepest stretch",
    "folded_fraction": "Folded, share of a LUT's cells", "out_of_gamut_patches": "Patches outside the gamut, share",
    "condition": "Condition number", "evaluations": "Evaluations", "misfit_rms": "Misfit, standard errors",
    "leave_one_out_worst_hue_deg": "Worst chip left out, hue, degrees",
    "leave_one_out_worst_radius": "Worst chip left out, saturation, share",
    "check_delta_e_before_mean": "Check patches predicted, before, mean ΔE",
    "check_delta_e_after_mean": "Check patches predicted, after, mean ΔE",
    "check_delta_e_after_worst": "Check patches predicted, after, worst ΔE",
    "check_delta_e_balance_only_mean": "Check patches predicted, balance alone, mean ΔE",
    "check_delta_e_gain_standard_error": "Check patches predicted, standard error of the mean's fall, ΔE",
    "worst_level_error_as_lit_ire": "Worst level error, uneven light left in, IRE",
    "pixels_over_range_percent": "Pixels above 100 %, %", "pixels_under_range_percent": "Pixels below 0 %, %",
    "pixels_beyond_preferred_percent": "Pixels outside −5 to 105 %, %",
    "pixels_at_end_stops_percent": "Pixels at an end of the file's codes, %",
    "render_against_chain_mean": "Rendered file against the chain, mean, signal",
    "render_against_chain_worst": "Rendered file against the chain, worst, signal"}
_UNITS = (("_deg", "degrees"), ("_ire", "IRE"), ("_db", "dB"), ("_stops", "stops"), ("_percent", "%"), ("_px", "px"),
          ("_nm", "nm"), ("_s", "s"))
_WORDS = {"delta e": "ΔE", "sha256": "SHA-256", "rgb": "RGB", "lut": "LUT", "ire": "IRE"}


def label_of(key: str) -> str:
    """``worst_hue_error_deg`` -> "Worst hue error, degrees"."""
    if key in _LABELS:
        return _LABELS[key]
    unit = next(((end, word) for end, word in _UNITS if key.endswith(end) and len(key) > len(end)), None)
    words = (key[:-len(unit[0])] if unit else key).replace("_", " ").replace(".", ", ").strip()
    words = words[:1].upper() + words[1:]
    for plain, proper in _WORDS.items():
        words = re.sub(rf"\b{plain}\b", proper, words, flags=re.IGNORECASE)
    return f"{words}, {unit[1]}" if unit else words


def _text(value: Any) -> str:
    if value is None:
        return NOTHING
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, float | np.floating):
        small = 0 < abs(float(value)) < 1e-4     # powers of ten are for machines
        return f"under {1e-4:.4f}" if small else f"{value:.4g}".replace("-", "−")
    if isinstance(value, Mapping):
        return "; ".join(f"{label_of(str(key))}: {_text(item)}" for key, item in value.items())
    if isinstance(value, list | tuple | set | np.ndarray):
        return (number_ranges(value) if _all_whole(value) else ", ".join(_text(item) for item in value)) or "none"
    return str(value)


def ledger(record: Mapping[str, Any], prefix: str = "") -> list[dict[str, Any]]:
    """Nested records as label and text, one line each."""
    lines: list[dict[str, Any]] = []
    for key, value in record.items():
        name = f"{prefix}{key}"
        if isinstance(value, Mapping) and value:
            lines += ledger(value, f"{name}.")
            continue
        text = _text(value)
        # A hash, path or command is to be copied as it stands.
        exact = isinstance(value, str) and (re.fullmatch(r"[0-9a-f]{32,}", value) is not None or "/" in value)
        lines.append({"label": label_of(name), "text": text, "code": exact})
    return lines


def provenance_of(provenance: ProofProvenance) -> dict[str, Any]:
    """In groups: settings, versions, what else is recorded, and the frames' hashes as rows of frame, before, after."""
    record = to_record(provenance)
    hashes = record.pop("frames_sha256")
    settings, versions = record.pop("settings", {}), record.pop("versions")
    inputs = {key: value for key, value in record.items() if value not in ("", [])}
    groups = [(name, ledger(part)) for name, part in (("Inputs", inputs), ("Settings of the solve", settings),
                                                      ("Versions", versions)) if part]
    return {"groups": groups, "hashes": sorted(hashes, key=lambda row: int(row["frame"]))}
