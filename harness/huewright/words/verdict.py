"""A proof's verdict in words: what it is headed with, its sentences, what it stands on, what it is about."""

from __future__ import annotations

import math

from huewright.models import cautions, shots
from huewright.models.coded import has
from huewright.models.footage import THROUGH_LOOK
from huewright.models.proof import Proof, Subject, Verdict
from huewright.words.sentence import sentence

TRUE_DELTA_E = 2.0      # mean CIEDE2000 of check patches that the verdict passes over: about twice what is just visible
_HEADINGS: dict[Verdict, str] = {
    "shot-of-another-camera": "A shot is not of the card take's camera or settings",
    "outside-limits": "Outside the stated limits",
    "declaration-contradicted": "On target, but the card contradicts the declared encoding",
    "declaration-in-doubt": "On target, but the declared encoding is in doubt",
    "refused-frames-taken-in": "On target, but by frames that were refused and taken in by hand",
    "done-in-part": "Done in part, as asked: not on the full targets",
    "checks-worse": "On target, but other colours are no better",
    "card-unmeasured": "On target, but this card's own colours were never measured",
    "uncertain": "On target, but uncertain by more than the limits",
    "within-limits": "Within the stated limits"}
_UNITS: dict[cautions.Quantity, tuple[float, str]] = {
    "hue_deg": (1.0, "° in hue"), "radius": (100.0, " % in saturation"), "level_ire": (1.0, " IRE in level")}
DISPLAYS = {"bt709": "ITU-R BT.709 display", "bt1886": "ITU-R BT.1886 display, BT.709 primaries",
            "srgb": "sRGB screen (IEC 61966-2-1)", "bt2020": "ITU-R BT.2020 display",
            "pq": "ITU-R BT.2100 PQ display", "hlg": "ITU-R BT.2100 HLG display"}


def display_words(display: str) -> str:
    return DISPLAYS.get(display, display)


def verdict_heading(proof: Proof) -> str:
    return _HEADINGS[proof.verdict]


def verdict_words(proof: Proof) -> str:
    """The verdict in whole sentences: patches, declaration, what is known how well, shots."""
    parts = [_measured(proof), _declaration(proof)]
    if all(within for _, within in _misses(proof)):
        parts.append(_known(proof))
    if has(proof.cautions, cautions.TargetsAsked):
        parts.append("Not all targets are the usual ones: some were asked for, see the cautions.")
    if any(one.refused for one in proof.cautions if isinstance(one, cautions.FramesByHand)):
        parts.append("Frames that the survey refused were taken in by hand: what it held against them may be in the "
                     "reading, and nothing here would show it.")
    if has(proof.cautions, cautions.VeilTakenOff):
        parts.append("The bars stand where they do because a veil was taken off the card: see the cautions.")
    return " ".join(filter(None, (*parts, *map(_shot, proof.shots))))


def _misses(proof: Proof) -> list[tuple[str, bool]]:
    """The worst after, in words, rounded up, and whether that is within its limit."""
    summary, limits = proof.summary, proof.limits
    found = []
    quantities: tuple[tuple[float | None, float, cautions.Quantity], ...] = (
        (summary.worst_hue_error_after_deg, limits.hue_deg, "hue_deg"),
        (summary.worst_radius_error_after_percent, 100 * limits.radius, "radius"),
        (summary.worst_level_error_after_ire, limits.level_ire, "level_ire"))
    for value, limit, quantity in quantities:
        if value is not None:
            found.append((f"{max(math.ceil(100 * value - 1e-6), 1) / 100:.2f}{_UNITS[quantity][1]}", value <= limit))
    return found


def _measured(proof: Proof) -> str:
    misses = _misses(proof)
    left_out = proof.summary.patches_not_used
    which = "Chips and bars are" if not left_out else "The chips and bars that could be used are"
    parts = [words for words, _ in misses]
    off = ", ".join(parts[:-1]) + f" and {parts[-1]}" if len(parts) > 1 else "".join(parts)
    within = all(within for _, within in misses)
    where = ("where the strength asked for leaves them, not on their targets"
             if has(proof.cautions, cautions.DoneInPart) else "on their targets")
    head = f"{which} {where}" if within else "NOT within the limits"
    if off:
        head += f", to within {off}" if within else f": off by up to {off}"
    if left_out:
        head += f"; {left_out} more could not be used"
    old, new = proof.summary.mean_check_delta_e_before, proof.summary.mean_check_delta_e_after
    if has(proof.cautions, cautions.CardUnmeasured):
        return (f"{head}. These are the usual targets: the card has no reference colours, so whether its bars and "
                "chips were made for them is not known, and nothing shows how other colours fare.")
    if old is None or new is None:
        return f"{head}; the card has no check patches, so nothing shows how other colours fare."
    moved = "improve" if new < old else "WORSEN"
    left = f", which is no true colour yet (over {TRUE_DELTA_E:g})" if new > TRUE_DELTA_E else ""
    lead = next((one.take for one in proof.cautions if isinstance(one, cautions.FollowsCamera)), None)
    seen = "which the solve never saw" if lead is None else f"which the solve saw as take {lead} shows them"
    whose = "" if lead is None else f" These are the card's own targets; it was solved towards take {lead}."
    return f"{head}; check patches, {seen}, {moved} from {old:.1f} to {new:.1f} ΔE (CIEDE2000){left}.{whose}"


def _declaration(proof: Proof) -> str:
    if proof.verdict == "declaration-in-doubt" and proof.declaration != "in doubt":
        return "But the files say other colours of themselves than were declared: see the cautions."
    return {"contradicted": "But the bars contradict the declared encoding or range (see the cautions), which was "
                            "trusted at the word of the person (--trust-encoding).",
            "in doubt": "But the declared encoding or range is in doubt: see the cautions."}.get(proof.declaration, "")


def _known(proof: Proof) -> str:
    """Where what is known of a patch reaches beyond the limits."""
    misses = [miss for caution in proof.cautions if isinstance(caution, cautions.Uncertain) for miss in caution.misses]
    worst = [f"{factor * max(miss.by for miss in misses if miss.quantity == quantity):.2f}{unit}"
             for quantity, (factor, unit) in _UNITS.items() if any(miss.quantity == quantity for miss in misses)]
    if not worst:
        return ""
    return f"It is known no better than to {', '.join(worst)} (95 % interval), which is more than the limits."


def _shot(shot: shots.ShotProof) -> str:
    if not shot.signs:
        return ""
    signs = "; ".join(map(sentence, shot.signs))
    if shot.strange:
        return (f"{shot.name} is NOT of the card take's camera or settings, by its files: {signs}. A correction holds "
                "for one camera and its settings: solve this one's own card take, or make sure.")
    return f"{shot.name} may not be of the card take's camera or settings: {signs}."


@sentence.register
def _(item: shots.NamedOtherwise) -> str:
    return f"its files name {item.what} {item.shot!r}, the card take's {item.take!r}"


@sentence.register
def _(item: shots.OtherKind) -> str:
    return f"it is {item.shot}, the card take is {item.take}"


@sentence.register
def _(item: shots.BelowBlack) -> str:
    return f"{item.percent:.0f} % of its pixels lie below the declared encoding's black"


@sentence.register
def _(item: shots.LeansElsewhere) -> str:
    return f"its picture leans {item.stops:.1f} stops to another colour than the card take's"


@sentence.register
def _(item: shots.DrivenOut) -> str:
    return (f"the correction drives {item.percent:.0f} % of its pixels out of range, and under "
            f"{max(item.take_percent, 1):.0f} % of the card take's")


def basis_words(proof: Proof) -> str:
    """What was measured, and the limits."""
    frames, limits = proof.summary.frames_measured, proof.limits
    which = "frames that were" if frames != 1 else "frame that was"
    near = has(proof.cautions, cautions.RenderedNear)
    how = "rendered with what is near this correction (see below)" if near else "rendered with this correction"
    return (f"Measured on {frames} {which} {how} and read back from disk. Limits: {limits.hue_deg:g}° in hue, "
            f"{100 * limits.radius:g} % in saturation, {limits.level_ire:g} IRE in level.")


def subject_words(proof: Proof) -> dict[str, str]:
    """What the proof is about, by what each is called."""
    subject = proof.subject
    if subject is None:
        return {}
    return {"Take": f"{subject.take}, frames {subject.first_frame} to {subject.last_frame}", "Card": subject.card,
            "Footage": _footage(subject), "Made for": DISPLAYS.get(proof.display, proof.display),
            "Picture": f"{subject.width} x {subject.height} pixels"}


def _footage(subject: Subject) -> str:
    encoding = {"display": "already a display picture",
                THROUGH_LOOK: "known only through its look LUT"}.get(subject.encoding, subject.encoding)
    declared = [encoding, f"{subject.range} range" + (f" of {subject.bits} bits" if subject.range == "legal" else ""),
                subject.primaries]
    if subject.look:
        declared.append(f"through a look LUT given {subject.look_input}")
    return ", ".join(declared)
