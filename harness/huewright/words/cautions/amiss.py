"""What is not as it should be: targets missed or asked for, patches unused, another light or camera's lead."""

from __future__ import annotations

from collections.abc import Sequence

from huewright.models import cautions as c
from huewright.words.cautions.group import Group
from huewright.words.reasons import number_words, reason_words
from huewright.words.sentence import counted, duration_words

AMISS = Group("What is not as it should be")
LEAST_GRAIN = 0.1       # of the variance: below, noise is not what makes it uncertain
MOSTLY_ROUNDED = 0.5    # of the variance: from here on compression is what makes it uncertain
_UNITS = {"hue_deg": (1.0, "degrees"), "radius": (100.0, "% of radius"), "level_ire": (1.0, "IRE")}


@AMISS.says(
    c.LightMayDiffer, "Two rough estimates of what is neutral agree that shot and take differ, or the whole picture is "
    "much brighter or darker. It is said from 0.6 stops of red or blue against green, or 2.5 stops of level. Of pairs "
    "of quite unlike pictures under one light about one in eight passes that, and a small change is never seen. "
    "Look at both; only you know what the light did.")
def _(item: c.LightMayDiffer) -> str:
    said = [f"{abs(stops):.1f} stops {'more' if stops > 0 else 'less'} {what} against green" for stops, what in (
        (item.red_stops, "red"), (item.blue_stops, "blue")) if stops is not None]
    if item.level_stops is not None:
        said.append(f"{abs(item.level_stops):.1f} stops {'brighter' if item.level_stops > 0 else 'darker'}")
    return (f"shot {item.shot} looks to be in another light than take {item.take}, whose correction it gets "
            f"({' and '.join(said)}): either the light or the exposure changed, or other things fill the picture, "
            "which the pictures alone can't tell apart; compare them, and shoot the card in that light if it changed")


@AMISS.says(
    c.TakeAfterShot, "Nobody named the take, and by time code the first take of this camera came after the shot. Right "
    "if the light was the same before it.")
def _(item: c.TakeAfterShot) -> str:
    return (f"shot {item.shot} gets the correction of take {item.take}, which was made {duration_words(item.seconds)} "
            "after it, for none of its camera came before; if its light was another, nothing here knows of it")


@AMISS.says(
    c.Interpolated, "No card was read at that moment: it is a straight line between two that were, and nothing proves "
    "it but your eye. It follows daylight that changes steadily; a cloud or a lamp that was switched on in between it "
    "does not know. The farther apart the takes and the larger the drift, the less it is worth.")
def _(item: c.Interpolated) -> str:
    apart = ("how far their corrections differ is not recorded" if item.drift is None
             else f"their corrections differ by {item.drift:.2f} CIEDE2000 on the card")
    return (f"interpolated {100 * item.share:.0f} % of the way from take {item.first} to take {item.second}, which lie "
            f"{duration_words(item.apart_s)} apart: right where the light changed steadily between them "
            f"({apart}), wrong where it changed at once")


@AMISS.says(
    c.FollowsCamera, "Matrix and hues were fitted to the picture of the camera that this one follows, not to the "
    "card's own targets: this one shares the other's errors. Trust the figures of patches left out of the fit; other "
    "things in the shots lie about as far apart as those, or farther.")
def _(item: c.FollowsCamera) -> str:
    return (f"solved towards what take {item.take} of another camera looks like once corrected, by the card's "
            f"{item.patches} chips and check patches: done whole, {item.mean:.2f} CIEDE2000 from it in the mean, "
            f"{item.worst:.2f} at the worst; each left out of the fit in turn, {item.left_out_mean:.2f} and "
            f"{item.left_out_worst:.2f}. Chips need not lie on their own targets, and no check patch is unseen")


def _misses(misses: Sequence[c.Miss]) -> str:
    return ", ".join(f"{miss.patch} {_UNITS[miss.quantity][0] * miss.by:.2f} {_UNITS[miss.quantity][1]}"
                     for miss in misses)


def _limits(limits: c.Limits) -> str:
    return (f"limits: {limits.hue_deg:g} degrees of hue, {100 * limits.radius:g} % of radius, {limits.level_ire:g} "
            "IRE")


@AMISS.says(
    c.OffTarget, "The solve could not bring these patches to their targets within the limits: too few degrees of "
    "freedom (method balance), a bound, or patches that contradict each other. Look at the page's close-up.")
def _(item: c.OffTarget) -> str:
    return f"off target: {_misses(item.misses)} ({_limits(item.limits)})"


@AMISS.says(
    c.CardUnmeasured, "The card file says what to aim at, not what the card is. On target then means that this card "
    "looks as the trade wants such cards to look. A card that was made for something else is bent to it, and so is all "
    "footage. Ask its maker for values, or measure it (`huewright card import`).")
def _(item: c.CardUnmeasured) -> str:
    return ("the card file has no reference colours: bars and chips are brought to the usual levels and hues, and a "
            "card that was made for others is turned by as much; measured values (huewright card import) would tell")


@AMISS.says(
    c.FramesByHand, "You decided which frames are merged, or where the card lies in them; the survey's own judgement "
    "of those frames stands beside. A frame that it refused has its reasons: what they say may be in the reading now.")
def _(item: c.FramesByHand) -> str:
    said = []
    if item.taken_in:
        refused = f", of which the survey refused {number_words(item.refused)}" if item.refused else ""
        said.append(f"frames {number_words(item.taken_in)} taken in{refused}")
    if item.left_out:
        said.append(f"frames {number_words(item.left_out)} left out")
    if item.placed:
        said.append(f"the card placed in frames {number_words(item.placed)}")
    return f"decided by hand: {'; '.join(said) or 'nothing'}"


def strength_words(levels: float, hues: float) -> str:
    return f"strength {hues:g}" if levels == hues else f"strength {hues:g} of hues, {levels:g} of levels"


@AMISS.says(
    c.DoneInPart, "You asked for less than full strength. Patches are held against where that leaves a correction "
    "which, at full strength, puts them on their targets; how far short that is, is said.")
def _(item: c.DoneInPart) -> str:
    return (f"done in part, as asked ({strength_words(item.levels, item.hues)}): chips and bars are held against where "
            f"that leaves them, short of their targets by up to {item.hue_deg:.1f} degrees of hue, "
            f"{100 * item.radius:.1f} % of radius and {item.level_ire:.1f} IRE")


@AMISS.says(
    c.TargetsAsked, "Levels, fractions or hues of your own. Colours are compared with the card's references all the "
    "same, so their differences hold what you asked for.")
def _(item: c.TargetsAsked) -> str:
    said = [f"{one.patch} at {one.asked:g} IRE (the card's: {one.otherwise:.1f})" for one in item.levels]
    said += [f"{one.patch} at {one.asked:g} of its 75 % bar (the others: {one.otherwise:g})" for one in item.fractions]
    said += [f"{one.patch} turned by {one.asked:+g}° from its usual hue" for one in item.nudges]
    return (f"targets as asked: {', '.join(said)}; colours are held against the card's references all the same, and "
            "show the difference")


@AMISS.says(
    c.Uncertain, "Noise, light and the survey's own corrections leave it open whether the patch is within the limits. "
    "More frames of the card, or a larger card in frame, narrow what noise does; what is not known of uneven and "
    "of mirrored light is the same in all frames of a take, and where card and camera keep still so is what "
    "compression rounds off. Compression is told by the steps of a still's blocks where they show, else by noise that "
    "neighbouring pixels share: a camera's noise reduction shares it as well.")
def _(item: c.Uncertain) -> str:
    cure = ("most of it is what compression or noise reduction, whose marks the pixels bear, may have moved whole "
            "patches by: a higher quality, an uncompressed still of the card, or a card nearer to the camera would help"
            if item.rounded >= MOSTLY_ROUNDED else
            "more frames of the card, a larger card in frame or more even light on it would help"
            if item.grain >= LEAST_GRAIN else
            "hardly any of it is noise, so more frames of this take would not help; more even light on the card, and "
            "less that it mirrors, may")
    return f"these are uncertain by (95 % interval): {_misses(item.misses)} ({_limits(item.limits)}); {cure}"


@AMISS.says(
    c.VeilTakenOff, "Light was added all over the card. If the card mirrored it, the shots are right without it. If "
    "the lens flared, the shots have it too, and their blacks stay lifted. See `huewright help card-lies`.")
def _(item: c.VeilTakenOff) -> str:
    low, high = (100 * max(item.veil + side * 1.96 * item.veil_error, 0.0) for side in (-1, 1))
    return (f"a veil of {100 * item.veil:.1f} % of white ({low:.1f} to {high:.1f}) lay over the card and was taken "
            "off, as light that the card mirrors: then the shots are right without it; if the lens flares instead, the "
            "shots have it too and their blacks stay lifted by as much")


def _own(targets: bool) -> str:
    return ", both for the card's own targets" if targets else ""


@AMISS.says(
    c.ChecksWorse, "Colours that the solve never saw got worse than exposure and balance alone would leave them. Chips "
    "on targets prove nothing then: `huewright solve --compare`.")
def _(item: c.ChecksWorse) -> str:
    return (f"check patches are worse than with exposure and balance alone{_own(item.own_targets)}: mean CIEDE2000 "
            f"{item.delta_e:.2f} against {item.balance_delta_e:.2f}; compare the methods before you trust this one")


@AMISS.says(
    c.SomeChecksWorse, "The same of single check patches: colours like these pay for the chips. Where you asked for "
    "targets of your own, both are of a solve for the card's own: what you asked moves colours as well.")
def _(item: c.SomeChecksWorse) -> str:
    return f"worse than with exposure and balance alone{_own(item.own_targets)}: " + ", ".join(
        f"{row.patch} (CIEDE2000 {row.delta_e:.2f} against {row.balance_delta_e:.2f})" for row in item.patches)


@AMISS.says(
    c.HeldAtBound, "An unknown stopped at the most that a correction of this kind should do. The footage is too far "
    "off: check encoding and primaries, or let a matrix go first (`--method matrix-sectors`).")
def _(item: c.HeldAtBound) -> str:
    return (f"held at a bound: {', '.join(item.parameters)}; the footage is further from its targets than a correction "
            "of this kind should go; declare the camera's primaries if its light isn't in BT.709's, or let a matrix go "
            "first (method matrix-sectors)")


@AMISS.says(
    c.BarUnused, "Levels near this bar rest on its neighbours.")
def _(item: c.BarUnused) -> str:
    return (f"bar {item.bar!r} was not used ({reason_words(item.reasons)}): levels near {item.near_ire:.0f} IRE are "
            "unsupported")


@AMISS.says(
    c.ChipUnused, "Hues near this chip follow the chips at either side.")
def _(item: c.ChipUnused) -> str:
    text = f"chip {item.chip!r} was not used ({reason_words(item.reasons)})"
    if item.from_deg is None or item.to_deg is None:
        return text
    return (f"{text}: hues from {item.from_deg:.0f} to {item.to_deg:.0f} degrees follow the chips at either end, "
            "unsupported between")


@AMISS.says(
    c.ChipsGuessed, "On wide and HDR displays a chip's target depends on how light it is, which the card doesn't say. "
    "Give it reflectance or xyz.")
def _(item: c.ChipsGuessed) -> str:
    return (f"vectorscope targets for {item.display} are a BT.709 picture's light in that coding, and depend on a "
            f"chip's level; {', '.join(item.chips)} have no reference value and are taken to be as light as the 75 % "
            "bars: give the card reference values")


@AMISS.says(
    c.CheckUnread, "One proof fewer; nothing else changes.")
def _(item: c.CheckUnread) -> str:
    return f"check patch {item.patch!r} was not read ({reason_words(item.reasons)}): it proves nothing here"


@AMISS.says(
    c.OnlyThroughLook, "All that is known is the LUT, so exposure and balance act on its picture. What the LUT clips "
    "is gone, and a wrong LUT can't be told.")
def _(item: c.OnlyThroughLook) -> str:
    return ("exposure and balance act after the look LUT, for nothing is known of the footage before it: where the LUT "
            "clips, bends or tints, the camera's light is not restored, light outside the LUT is gone, and the bars "
            "can't tell a wrong LUT")


@AMISS.says(
    c.LookSampled, "Most steps of a CLF are computed exactly; an inverted table is not. Over 0.002 off "
    "it is refused.")
def _(item: c.LookSampled) -> str:
    return (f"the look's file holds a step that is not computed here, so a table stands for it, off by up to "
            f"{item.error:.1e}")


@AMISS.says(
    c.LookWaysApart, "OpenColorIO reads such a lattice trilinearly unless told otherwise, others tetrahedrally. Write "
    "the way into the file (a CLF names it) where it must be the same everywhere.")
def _(item: c.LookWaysApart) -> str:
    return (f"the look's lattice names no interpolation: it is read tetrahedrally, which keeps greys on its diagonal "
            f"grey; a program that reads it trilinearly shows colours up to {item.apart:.1e} of full scale away")


@AMISS.says(
    c.HandedInPart, "The other takes' corrections are in it, so that what there is can be used. Once those takes give "
    "a correction the next run of the scene makes the configuration anew, with all of them.")
def _(item: c.HandedInPart) -> str:
    return (f"the configuration holds nothing of take{'s' * (len(item.without) > 1)} {', '.join(item.without)}, which "
            f"give{'s' * (len(item.without) == 1)} no correction")


@AMISS.says(
    c.EditMediaRelative, "Nothing in an edit is changed but the notes. Written into another folder, its relative paths "
    "lead elsewhere: move the new edit to where the old one lies, with the CDL and LUT files that it names (in the "
    "same folders beside it), or let the program that reads it look for the media.")
def _(item: c.EditMediaRelative) -> str:
    return (f"{counted(item.clips, 'clip')} of the edit name{'s' * (item.clips == 1)} media by where the edit lies, "
            "and it is written into another folder: there the paths lead elsewhere, so move it beside the one it was "
            "made from, with the files that it names")
