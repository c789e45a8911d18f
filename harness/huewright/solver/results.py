"""From a method's answer to a :class:`Correction`: every patch's result, the diagnostics, the cautions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from huewright_kernels.ops import Operation

from huewright.colorimetry.declare import THROUGH_LOOK, look_cautions
from huewright.colorimetry.display import BT709, from_ycbcr, hue_deg
from huewright.colorimetry.said import said_otherwise
from huewright.colorimetry.targets import Target, delta_e, targets_for
from huewright.models import cautions
from huewright.models.cautions import Caution
from huewright.models.coded import has
from huewright.models.correction import Correction, Parameter, PatchResult
from huewright.models.diagnostics import Diagnostics
from huewright.models.provenance import Provenance
from huewright.models.reasons import PatchReason
from huewright.models.settings import SolveSettings, Strength
from huewright.solver import quality
from huewright.solver.declaration import Judgement, judge_declaration
from huewright.solver.evidence import Sample
from huewright.solver.following import METHOD as FOLLOWING
from huewright.solver.hues import miss
from huewright.solver.intervals import check_gain_error, landing_errors
from huewright.solver.left_out import left_out_misses, left_out_places
from huewright.solver.problem import Problem, Solution
from huewright.solver.sectors import solve_balance
from huewright.solver.strength import chain_at, solution_at, solved_of

INTERVAL = 1.96             # standard errors to either side of a 95 % interval
CHECK_MARGIN = 0.3          # CIEDE2000 by which check patches may be worse than with balance alone, unwarned
NOISE_CAUTION_DB = 6.0
LOCAL_GAIN_CAUTION = 4.0
LEAVE_ONE_OUT_CAUTION_DEG = 20.0


def correction_from(problem: Problem, solution: Solution, *, identity: bool = False,
                    provenance: Provenance | None = None) -> Correction:
    """The correction, with everything that a colour scientist asks for. ``identity``: nothing is to be changed."""
    neutral, strength = problem.chain.neutral(), problem.settings.strength
    full = neutral if identity else solution.operations(problem.chain)
    solved = solved_of(solution)
    operations = full if identity or strength.full or solved is None else chain_at(problem.chain, solved, strength)
    done = solution_at(problem, solution, strength)
    samples = problem.samples
    before = quality.landing_ycbcr(neutral, samples, problem.luma)
    after = quality.landing_ycbcr(operations, samples, problem.luma)
    # What is asked of less than full strength: a patch that the full one misses, it misses by as much.
    shift = after - (after if operations is full else quality.landing_ycbcr(full, samples, problem.luma))
    errors = landing_errors(problem, done) if not identity else {}
    left_out = left_out_misses(problem, solution)
    places = left_out_places(problem, solution, strength)
    colours = _delta_e(problem, samples, before, after)
    rows = {sample.name: _result(problem, sample, before[k], after[k], colours.get(sample.name),
                                 errors.get(sample.name), left_out.get(sample.name),
                                 None if strength.full else shift[k], places.get(sample.name))
            for k, sample in enumerate(samples)}
    patches = tuple(rows[patch.name] for patch in problem.card.patches if patch.name in rows)
    judgement = judge_declaration(problem)
    diagnostics = _diagnostics(problem, done, operations, neutral, patches, identity, judgement)
    doubt = () if judgement.caution is None else (judgement.caution,)
    said = (*doubt, *solution.cautions, *_following(problem, solution, places),
            *_cautions(problem, patches, diagnostics))
    return Correction(solution.method, problem.footage, problem.settings.display, operations, neutral, patches,
                      _parameters(solution, identity), diagnostics, said, provenance or Provenance(), strength, solved)


def significant(value: Any, digits: int = 7) -> Any:
    """Floats to ``digits`` significant digits, inside dicts and lists too; what isn't finite becomes None."""
    if isinstance(value, dict):
        return {key: significant(item, digits) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return type(value)(significant(item, digits) for item in value)
    if isinstance(value, (float, np.floating)):
        return float(f"{value:.{digits}g}") + 0.0 if np.isfinite(value) else None
    return value.item() if isinstance(value, np.generic) else value


def _decimals(value: float | None, digits: int = 6) -> float | None:
    return None if value is None or not np.isfinite(value) else round(float(value), digits) + 0.0


def _result(problem: Problem, sample: Sample, before: np.ndarray, after: np.ndarray,
            colours: tuple[float, float] | None, errors: np.ndarray | None,
            left_out: tuple[float, float] | None, shift: np.ndarray | None,
            place: np.ndarray | None) -> PatchResult:
    asked = sample.target
    target = asked if shift is None or sample.role == "check" else _shifted(asked, shift)
    used = sample.role != "check" and sample.name not in problem.evidence.unused
    hue_error = ratio = level_error = None
    if sample.role == "chip":
        hue_error, ratio = miss(after, target)
    if sample.role == "bar" and target.luma is not None:
        level_error = 100.0 * (after[0] - target.luma)
    hue_se, radius_se, level_se = (None, None, None) if errors is None else errors
    if radius_se is not None and sample.role == "chip":
        radius_se *= asked.radius / target.radius
    return PatchResult(
        name=sample.name, role=sample.role, used=used,
        target=(_decimals(target.luma, 7), _decimals(target.cb, 7), _decimals(target.cr, 7)),
        before=_triple(before), after=_triple(after), hue_error_deg=_decimals(hue_error),
        radius_ratio=_decimals(ratio), level_error_ire=_decimals(level_error),
        delta_e_before=_decimals(colours[0] if colours else None, 4),
        delta_e_after=_decimals(colours[1] if colours else None, 4),
        hue_standard_error_deg=_decimals(hue_se), radius_standard_error=_decimals(radius_se),
        level_standard_error_ire=_decimals(level_se),
        leave_one_out_hue_deg=_decimals(None if left_out is None else left_out[0], 4),
        leave_one_out_radius=_decimals(None if left_out is None else left_out[1], 4),
        left_out=None if place is None else _triple(place),
        reasons=problem.evidence.unused.get(sample.name, ()),
        full_target=None if target is asked else (_decimals(asked.luma, 7), _decimals(asked.cb, 7),
                                                  _decimals(asked.cr, 7)))


def _shifted(target: Target, shift: np.ndarray) -> Target:
    luma, cb, cr = (None if value is None else float(value + by)
                    for value, by in zip((target.luma, target.cb, target.cr), shift, strict=True))
    return Target(luma, cb, cr)


def _triple(values: np.ndarray) -> tuple[float, float, float]:
    a, b, c = (round(float(value), 7) + 0.0 for value in values)
    return a, b, c


def _delta_e(problem: Problem, samples: tuple[Sample, ...], before: np.ndarray,
             after: np.ndarray) -> dict[str, tuple[float, float]]:
    """CIEDE2000 against the card's reference colour, before and after, of the patches that have one."""
    rows = [k for k, sample in enumerate(samples) if sample.name in problem.reference]
    if not rows:
        return {}
    reference = np.array([problem.reference[samples[k].name] for k in rows])
    sides = [delta_e(from_ycbcr(side[rows], problem.luma), reference, problem.display.name)
             for side in (before, after)]
    return {samples[k].name: (float(sides[0][i]), float(sides[1][i])) for i, k in enumerate(rows)}


def _parameters(solution: Solution, identity: bool) -> dict[str, Parameter]:
    if identity or solution.fit is None or solution.model is None:
        return {}
    fit, names = solution.fit, solution.model.layout.names
    values, errors = fit.natural, np.sqrt(np.diag(fit.covariance))
    if fit.held is not None:
        names, values = names + fit.held.names, np.concatenate([values, fit.held.values])
    parameters = {}
    for name, value, error in zip(names, values, errors, strict=True):
        if name.startswith("log_gain"):        # a reader wants the gain itself
            value = float(np.exp(value))
            name, error = name.removeprefix("log_"), error * value
        parameters[name] = Parameter(round(float(value), 7) + 0.0, significant(float(error), 5))
    return parameters


def _diagnostics(problem: Problem, solution: Solution, operations: tuple[Operation, ...],
                 neutral: tuple[Operation, ...], patches: tuple[PatchResult, ...], identity: bool,
                 judgement: Judgement) -> Diagnostics:
    used = problem.evidence.bars + problem.evidence.chips
    noise, chroma_noise = quality.noise_gain_db(operations, neutral, used, problem.luma)
    checks = [row for row in patches if row.role == "check" and row.used is False and row.delta_e_after is not None
              and row.name not in problem.evidence.unused]
    numbers: dict[str, Any] = {
        "identity": identity,
        "noise_gain_db": noise, "chroma_noise_gain_db": chroma_noise,
        "worst_local_gain": 1.0 if identity else quality.worst_local_gain(problem, solution),
        "folded_fraction": 0.0 if identity else quality.folded_fraction(operations, neutral),
        "out_of_gamut_patches": quality.gamut_fraction(operations, problem.samples),
    }
    if solution.fit is not None and not identity:
        numbers |= {"condition": solution.fit.condition, "bounds_hit": tuple(solution.fit.at_bounds),
                    "evaluations": solution.fit.evaluations,
                    "misfit_rms": float(np.sqrt(np.mean(solution.fit.misses**2)))}
    left_out = [row for row in patches if row.leave_one_out_hue_deg is not None]
    if left_out:
        numbers |= {
            "leave_one_out_worst_hue_deg": max(abs(row.leave_one_out_hue_deg or 0.0) for row in left_out),
            "leave_one_out_worst_radius": max(abs((row.leave_one_out_radius or 1.0) - 1.0) for row in left_out)}
    if checks:
        plain = _balance_only_delta_e(problem, solution, [row.name for row in checks])
        numbers |= {"check_delta_e_before_mean": float(np.mean([row.delta_e_before for row in checks])),
                    "check_delta_e_after_mean": float(np.mean([row.delta_e_after for row in checks])),
                    "check_delta_e_after_worst": float(np.max([row.delta_e_after for row in checks])),
                    "check_delta_e_balance_only_mean": float(np.mean(list(plain.values()))),
                    "check_delta_e_balance_only": plain}
        # Where check patches drive the answer as well, the two are not independent.
        error = None if identity or solution.method == FOLLOWING else check_gain_error(
            problem, solution, operations, neutral, [row.name for row in checks])
        if error is not None:
            numbers["check_delta_e_gain_standard_error"] = error
    if solution.colour_error > 0:
        numbers |= {"table_error_worst": solution.colour_error, "table_error_mean": solution.colour_error_mean}
    if judgement.agreement is not None:
        numbers |= {"declaration_misfit": judgement.agreement.misfit,
                    "declaration_veil_percent": 100 * judgement.agreement.veil,
                    "bars_bent_ire": judgement.agreement.bent_ire}
    return Diagnostics(declaration=judgement.standing, **significant(numbers))


def _balance_only_delta_e(problem: Problem, solution: Solution, names: list[str]) -> dict[str, float]:
    near = np.array([solution.balance.exposure_stops, solution.balance.red_stops, solution.balance.blue_stops])
    # Held against what the same strength of levels does alone.
    alone = solution_at(problem, solve_balance(problem, near), replace(problem.settings.strength, hues=1.0))
    operations = alone.operations(problem.chain)
    samples = tuple(sample for sample in problem.evidence.checks if sample.name in names)
    after = quality.landing_ycbcr(operations, samples, problem.luma)
    return {name: pair[1] for name, pair in _delta_e(problem, samples, after, after).items()}


def _cautions(problem: Problem, patches: tuple[PatchResult, ...], told: Diagnostics) -> list[Caution]:
    said: list[Caution] = [cautions.OnlyThroughLook()] if problem.footage.encoding == THROUGH_LOOK else []
    if problem.footage.primaries_implied:
        footage = problem.footage
        said.append(cautions.PrimariesAssumed(footage.encoding, footage.primaries, footage.primaries_implied))
    otherwise = said_otherwise(problem.footage, problem.display)
    said += [] if otherwise is None else [otherwise]
    said += look_cautions(problem.footage)
    said += _as_asked(problem, patches)
    said += _off_target(patches, problem)
    drove = problem.evidence.bars + problem.evidence.chips
    if not any(sample.name in problem.reference for sample in drove):
        said.append(cautions.CardUnmeasured())
    guessed = [chip.name for chip in problem.evidence.chips if chip.name not in problem.reference]
    if problem.settings.mode == "vectorscope" and problem.display.primaries != BT709 and guessed:
        said.append(cautions.ChipsGuessed(tuple(guessed), problem.display.name))
    said += [_unsupported(problem, name, why) for name, why in problem.evidence.unused.items()]
    if told.bounds_hit:
        said.append(cautions.HeldAtBound(told.bounds_hit))
    if told.folded_fraction:
        said.append(cautions.ColoursFolded(told.folded_fraction))
    noise, chroma_noise = told.noise_gain_db or 0.0, told.chroma_noise_gain_db or 0.0
    if max(noise, chroma_noise) > NOISE_CAUTION_DB:
        said.append(cautions.NoiseLifted(noise, chroma_noise))
    if told.worst_local_gain is not None and told.worst_local_gain > LOCAL_GAIN_CAUTION:
        said.append(cautions.SmallDifferencesStretched(told.worst_local_gain))
    if (told.leave_one_out_worst_hue_deg or 0.0) > LEAVE_ONE_OUT_CAUTION_DEG:
        worst = max((row for row in patches if row.leave_one_out_hue_deg is not None),
                    key=lambda row: abs(row.leave_one_out_hue_deg or 0.0))
        said.append(cautions.ChipFarFromOthers(worst.name, abs(worst.leave_one_out_hue_deg or 0.0)))
    if not has(said, cautions.TargetsAsked):     # which move colours off their references by intent, and says so
        said += _check_cautions(patches, told)
    return said


def _following(problem: Problem, solution: Solution, places: Mapping[str, np.ndarray]) -> list[Caution]:
    """How near a camera comes to the one that it follows, done whole, with each patch in the fit and left out of it."""
    if problem.lead is None or not places:
        return []
    strength = problem.settings.strength
    if not strength.full:
        places = left_out_places(problem, solution, Strength())
    samples = tuple(sample for sample in problem.samples if sample.name in places)
    aim = np.array([problem.lead.colours[sample.name] for sample in samples])
    landed = quality.landing_ycbcr(solution.operations(problem.chain), samples, problem.luma)
    without = np.array([places[sample.name] for sample in samples])
    off, out = (np.asarray(delta_e(np.clip(from_ycbcr(side, problem.luma), 0.0, 1.0), np.clip(aim, 0.0, 1.0),
                                   problem.display.name)) for side in (landed, without))
    figures = significant([float(value) for value in (off.mean(), off.max(), out.mean(), out.max())], 5)
    return [cautions.FollowsCamera(problem.lead.take, len(samples), *figures)]


def _as_asked(problem: Problem, patches: tuple[PatchResult, ...]) -> list[Caution]:
    """What the person asked for that is not the card's own targets, or not the whole way to them."""
    settings, said = problem.settings, list[Caution]()
    if settings.levels_ire or settings.fractions or any(settings.nudges_deg.values()):
        usual = targets_for(problem.card, mode=settings.mode, fraction=settings.fraction)
        said.append(cautions.TargetsAsked(
            tuple(cautions.Asked(name, level, significant(100 * (usual[name].luma or 0.0)))
                  for name, level in settings.levels_ire.items()),
            tuple(cautions.Asked(name, value, settings.fraction) for name, value in settings.fractions.items()),
            tuple(cautions.Asked(name, value, 0.0) for name, value in settings.nudges_deg.items() if value)))
    if settings.strength.full:
        return said
    short = {"hue_deg": 0.0, "radius": 0.0, "level_ire": 0.0}
    for row in patches:
        if not row.used or row.full_target is None:
            continue
        full, aim = (Target(*target) for target in (row.full_target, row.target))
        if row.role == "chip":
            hue, ratio = miss(np.array([0.0, aim.cb, aim.cr]), full)
            short["hue_deg"] = max(short["hue_deg"], abs(hue))
            short["radius"] = max(short["radius"], abs(ratio - 1))
        elif full.luma is not None and aim.luma is not None:
            short["level_ire"] = max(short["level_ire"], 100 * abs(aim.luma - full.luma))
    said.append(cautions.DoneInPart(settings.strength.levels, settings.strength.hues, **significant(short)))
    return said


def _off_target(patches: tuple[PatchResult, ...], problem: Problem) -> list[Caution]:
    """Used patches that miss, and those whose intervals reach beyond the limits."""
    settings = problem.settings
    missing: list[cautions.Miss] = []
    uncertain: list[cautions.Miss] = []
    for row in patches:
        if not row.used:
            continue
        quantities: tuple[tuple[cautions.Quantity, float | None, float | None, float], ...] = (
            ("hue_deg", row.hue_error_deg, row.hue_standard_error_deg, settings.hue_limit_deg),
            ("radius", None if row.radius_ratio is None else row.radius_ratio - 1, row.radius_standard_error,
             settings.radius_limit),
            ("level_ire", row.level_error_ire, row.level_standard_error_ire, settings.level_limit_ire))
        for quantity, miss_by, error, limit in quantities:
            if miss_by is not None and abs(miss_by) > limit:
                missing.append(cautions.Miss(row.name, quantity, significant(abs(miss_by))))
            elif error is not None and miss_by is not None and abs(miss_by) + INTERVAL * error > limit:
                uncertain.append(cautions.Miss(row.name, quantity, significant(INTERVAL * error)))
    limits = limits_of(settings)
    return [*([cautions.OffTarget(tuple(missing), limits)] if missing else []),
            *([cautions.Uncertain(tuple(uncertain), limits, *_shares(problem))] if uncertain else [])]


def _shares(problem: Problem) -> tuple[float, float]:
    """Of the readings' variances the shares that single pixels' noise and a coder's rounding have, in the median of
    used patches (and channels): noise as if each pixel's were its own, which is less than it is where pixels go
    together."""
    used = {sample.name for sample in problem.evidence.bars + problem.evidence.chips}
    patches = [patch for patch in problem.reading.patches if patch.name in used]
    grain = [np.diag(patch.covariance) / patch.count / np.square(patch.standard_error) for patch in patches]
    shares = float(np.median(grain)), float(np.median([patch.rounded for patch in patches]))
    return significant(min(shares[0], 1.0)), significant(shares[1])


def limits_of(settings: SolveSettings) -> cautions.Limits:
    return cautions.Limits(settings.hue_limit_deg, settings.radius_limit, settings.level_limit_ire)


def _unsupported(problem: Problem, name: str, why: tuple[PatchReason, ...]) -> Caution:
    patch, target = problem.card.patch(name), problem.targets[name]
    if patch.role == "chip":
        near = [hue_deg(chip.target.cb, chip.target.cr) for chip in problem.evidence.chips]
        if not near:
            return cautions.ChipUnused(name, why)
        below = min(float(target.hue_deg - hue) % 360 for hue in near)
        above = min(float(hue - target.hue_deg) % 360 for hue in near)
        return cautions.ChipUnused(name, why, significant((target.hue_deg - below) % 360),
                                   significant((target.hue_deg + above) % 360))
    if patch.role == "bar":
        return cautions.BarUnused(name, why, significant(100 * (target.luma or 0)))
    return cautions.CheckUnread(name, why)


def _check_cautions(patches: tuple[PatchResult, ...], told: Diagnostics) -> list[Caution]:
    plain = told.check_delta_e_balance_only
    mean, alone = told.check_delta_e_after_mean, told.check_delta_e_balance_only_mean
    if not plain or mean is None or alone is None:
        return []
    said: list[Caution] = []
    if mean > alone + CHECK_MARGIN:
        said.append(cautions.ChecksWorse(mean, alone))
    worse = tuple(cautions.CheckWorse(row.name, row.delta_e_after, plain[row.name]) for row in patches
                  if row.name in plain and row.delta_e_after is not None
                  and row.delta_e_after > plain[row.name] + CHECK_MARGIN)
    if worse:
        said.append(cautions.SomeChecksWorse(worse))
    return said
