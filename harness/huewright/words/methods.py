"""Why a reading supports no answer, and why a method is recommended, in words."""

from __future__ import annotations

from huewright.models import methods, refusals
from huewright.words.reasons import reason_words
from huewright.words.sentence import sentence

_JUDGED_ON = {"check-patches": "the check patches", "chips-left-out": "chips left out of the fit"}
_FULL_SPECTRUM = "shoot the card under a light with a full spectrum"


# ---------------------------------------------------------------- refusals

@sentence.register
def _(item: refusals.BarClipped) -> str:
    return (f"bar {item.bar!r} is clipped in {item.channel} ({100 * item.share:.0f} % of its pixels), so its level is "
            "not known; shoot the card with an exposure that keeps every bar inside the code range, or, if nothing is "
            "clipped in the file, check --encoding and --range: a wrong curve makes noise look like clipping")


@sentence.register
def _(item: refusals.TooFewBars) -> str:
    said = ("too few grey bars could be read: exposure and tone need two or more at different levels; use a frame "
            "where the bars are free of glare")
    if item.unused:
        said += ": not used: " + ", ".join(f"{one.patch} ({reason_words(one.reasons)})" for one in item.unused)
    return said


@sentence.register
def _(item: refusals.NoChips) -> str:
    return ("no chip of the card could be read, so no hue can be solved; use a frame where the chips are free of glare "
            "and inside the picture, or --method balance")


@sentence.register
def _(item: refusals.ChipsColourless) -> str:
    return ("the chips show almost no colour after balancing: the light or the camera's settings took it away; "
            f"{_FULL_SPECTRUM}, with colour on")


@sentence.register
def _(item: refusals.ChipsOnLine) -> str:
    return ("the chips' colours fall onto one line after balancing: this light lacks too much of the spectrum to tell "
            f"their hues apart; {_FULL_SPECTRUM}")


@sentence.register
def _(item: refusals.LightOfOneColour) -> str:
    return (f"the grey bars need {item.balance_stops:.1f} stops of balance between the channels: this light is all but "
            f"one colour, so hues cannot be told apart; {_FULL_SPECTRUM}")


@sentence.register
def _(item: refusals.BeyondEncoding) -> str:
    return (f"the values read of patch {item.patch!r}, or the noise around them, are no light that can be when they "
            "are decoded as declared; check --encoding, or make the survey again: it may be damaged")


@sentence.register
def _(item: refusals.TooFewInCommon) -> str:
    return (f"only {item.count} chips and check patches were read both here and in take {item.take}, and a camera that "
            f"follows another needs {item.least}: use a card with more, frames that show all of them, or leave follows "
            "out")


@sentence.register
def _(item: refusals.NoSpectra) -> str:
    return (f"the card file gives no reflectance of {', '.join(item.patches)}, and this method reasons with spectra; "
            "give it them (reflectance and wavelengths_nm), or use --method matrix-sectors")


@sentence.register
def _(item: refusals.TargetsNotColours) -> str:
    return (f"bars and chips are asked to land {item.delta_e:.1f} CIEDE2000 from the card's own colours on average "
            f"(limit {item.limit:g}), so that nothing tells what other things are meant to look like; use --targets "
            "colorimetric without levels and fractions of your own, or --method matrix-sectors")


@sentence.register
def _(item: refusals.TableUnfaithful) -> str:
    return (f"method {item.method!r} is not rendered: fitted to so few patches it bends so sharply between them that a "
            f"{item.size}-cubed table of it is off by up to {item.error:.2f} of the signal (limit {item.limit:g}); use "
            "another method (--compare shows them side by side)")


# ---------------------------------------------------------------- recommendations

@sentence.register
def _(item: methods.OnTargetAndNear) -> str:
    return (f"every chip lands on its target, and {_JUDGED_ON[item.judged_on]} are {item.delta_e:.2f} CIEDE2000 off on "
            f"average (best of all methods: {item.best:.2f}){_cost(item)}{_passed_over(item.passed_over)}")


@sentence.register
def _(item: methods.LeastOff) -> str:
    rest = "" if item.sectors_delta_e is None else f"; sectors leave them {item.sectors_delta_e:.2f} off"
    least = ("the least of all methods" if item.passed_over is None else
             "the least of the methods that don't stretch colours too far")
    return (f"{_JUDGED_ON[item.judged_on]} are {item.delta_e:.2f} CIEDE2000 off on average, {least}{rest}{_cost(item)}"
            f"{_passed_over(item.passed_over)}")


@sentence.register
def _(item: methods.TruestBeyondCard) -> str:
    stay = [f"{item.hue_deg:.1f} degrees"] if item.hue_deg is not None else []
    stay += [f"{100 * item.radius:.0f} % of radius"] if item.radius is not None else []
    chips = f"; chips stay up to {' and '.join(stay)} off target, outside the limits of a proof" if stay else ""
    return ("from what the card tells of this camera, other things are likely to come out truest by it; "
            f"{_JUDGED_ON['check-patches']} are {item.delta_e:.2f} CIEDE2000 off on average (best of all methods: "
            f"{item.best:.2f}), too few to tell for sure{chips}{_cost(item)}{_passed_over(item.passed_over)}")


@sentence.register
def _(item: methods.NothingJudged) -> str:
    return ("no method could be judged on patches that it had not seen, or each of them folds or stretches colours; "
            "exposure and balance can't do harm")


def _cost(item: methods.OnTargetAndNear | methods.LeastOff | methods.TruestBeyondCard) -> str:
    said = []
    if item.local_gain is not None:
        said.append(f"stretches small differences up to {item.local_gain:.0f} times")
    if item.noise_db is not None:
        said.append(f"lifts noise by {item.noise_db:.0f} dB")
    return f"; it {' and '.join(said)}" if said else ""


def _passed_over(rough: methods.TooRough | None) -> str:
    if rough is None:
        return ""
    return (f"; {rough.method} would leave them {rough.delta_e:.2f} off, but stretches small differences up to "
            f"{rough.local_gain:.0f} times and lifts noise by {rough.noise_db:.0f} dB: choose it yourself where the "
            "footage is clean enough")


def _untold(near: tuple[methods.Untold, ...]) -> str:
    bands: dict[tuple[float, float], list[str]] = {}
    for one in near:
        bands.setdefault((one.nearer, one.farther), []).append(one.method)
    said = []
    for (nearer, farther), names in bands.items():
        them = f"{', '.join(names[:-1])} and {names[-1]} (by them" if names[1:] else f"{names[0]} (by it"
        said.append(f"{them} from {nearer:g} CIEDE2000 nearer to {farther:g} farther off)")
    return f"; for other things than the card's it is not told apart from {', nor from '.join(said)}" if said else ""


def method_note(row: methods.MethodResult) -> str:
    """What is said of a compared method: why it can't answer or is recommended, and its cautions."""
    said = [] if row.refused is None else [sentence(row.refused)]
    if row.recommended is not None:
        said.append(f"recommended: {sentence(row.recommended)}{_untold(row.untold)}")
    return "; ".join((*said, *map(sentence, row.cautions)))
