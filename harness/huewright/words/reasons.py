"""Why patches and frames are not used, and what a survey advises, in words."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from huewright.models import reasons
from huewright.models.coded import Coded
from huewright.words.sentence import counted, sentence

_LOST = {"blurred": "blurred over {blur:.0f} px:", "glare": "reflection on", "clipped": "clipped:",
         "covered": "something lies over", "hidden": "outside the picture:", "small": "too small:"}


def reason_words(found: Iterable[Coded]) -> str:
    """Several reasons in one line; empty without any."""
    return "; ".join(sentence(item) for item in found)


@sentence.register
def _(item: reasons.OutsidePicture) -> str:
    return "outside the picture"


@sentence.register
def _(item: reasons.TooSmallToRead) -> str:
    return "too small to read"


@sentence.register
def _(item: reasons.BlurredIntoNeighbours) -> str:
    return "blurred into its neighbours"


@sentence.register
def _(item: reasons.Covered) -> str:
    return "something lies over it"


@sentence.register
def _(item: reasons.CoveredOrMirroring) -> str:
    return "something lies over it, or it mirrors a lamp of another colour"


@sentence.register
def _(item: reasons.Clipped) -> str:
    return "clipped" + _clipped_where(item)


def _clipped_where(item: reasons.Clipped) -> str:
    text = f" in {item.channels}" if item.channels else ""
    if item.at is not None:
        text += f" at value {item.at:.3f}" if item.of_codes is None else \
            f" at code {round(item.at * item.of_codes)} of {item.of_codes}"
    return text + ("" if item.share is None else f" ({100 * item.share:.0f} %)")


@sentence.register
def _(item: reasons.Reflection) -> str:
    return "a reflection" if item.score is None else f"reflection (score {item.score:.2f})"


@sentence.register
def _(item: reasons.NotRead) -> str:
    return "not read"


@sentence.register
def _(item: reasons.Excluded) -> str:
    return "excluded"


@sentence.register
def _(item: reasons.PatchesLost) -> str:
    words = _LOST[item.why].format(blur=item.blur_px or 0.0)
    if not item.bars:
        either = ", or they mirror a lamp of another colour" if item.or_mirroring else ""
        return f"{words} {item.count} of {item.of} {'chips' if item.chips else 'patches'}{either}"
    if item.or_mirroring:
        it = "they mirror" if len(item.bars) > 1 else "it mirrors"
        return (f"{words} the {' and '.join(item.bars)} bar{'s' if len(item.bars) > 1 else ''}, or {it} a lamp of "
                "another colour")
    text = f"{words} the {' and '.join(item.bars)} bar{'s' if len(item.bars) > 1 else ''}"
    return text if item.clipped is None else text + _clipped_where(item.clipped)


@sentence.register
def _(item: reasons.LeftOutByHand) -> str:
    return "left out by hand"


@sentence.register
def _(item: reasons.TakenInByHand) -> str:
    return "taken in by hand"


@sentence.register
def _(item: reasons.PlacedByHand) -> str:
    return "corners by hand"


@sentence.register
def _(item: reasons.VeiledCard) -> str:
    return (f"reflection on the whole card, {100 * item.share:.0f} % of white (or flare, or an encoding other than "
            "declared)")


@sentence.register
def _(item: reasons.CardSmall) -> str:
    return f"too small: its smallest patch is {item.patch_px:.0f} px wide"


@sentence.register
def _(item: reasons.CardTilted) -> str:
    return f"tilted by {item.tilt_deg:.0f} degrees"


@sentence.register
def _(item: reasons.LightUneven) -> str:
    return f"uneven light, {item.stops:.1f} stops over the card"


@sentence.register
def _(item: reasons.CardNoisy) -> str:
    return f"noisy: a bar's level is uncertain by {100 * item.error:.1f} %"


@sentence.register
def _(item: reasons.NoCard) -> str:
    return "no card found"


@sentence.register
def _(item: reasons.WashedOut) -> str:
    return (f"card washed out by a reflection or flare: where {_shown_in(item.beside)} it, {100 * item.contrast:.0f} % "
            "of its contrast is left")


@sentence.register
def _(item: reasons.AllWhite) -> str:
    return (f"no card found: where {_shown_in(item.beside)} it all is white (a reflection, or something bright before "
            "it)")


def _shown_in(frames: tuple[int, ...]) -> str:
    return f"frame {frames[0]} shows" if len(frames) == 1 else f"frames {number_words(frames)} show"


@sentence.register
def _(item: reasons.WithoutPatches) -> str:
    return f"without {', '.join(item.patches)}"


@sentence.register
def _(item: reasons.DiffersFromOthers) -> str:
    return f"differs from the frames that agree: {item.patch} by {100 * item.shift:.2f} % of the code range"


# ---------------------------------------------------------------- advice

_ACTIONS = {"tilt-card": "tilt the card away from the lamp",
            "change-exposure": "change the exposure so that no patch clips",
            "lower-contrast": "lower the contrast or lift the blacks in the camera", "hold-still": "hold still",
            "focus": "focus on the card", "move-closer": "move closer or zoom in",
            "turn-to-lens": "turn the card towards the lens", "even-light": "keep half-shade and spill off the card",
            "more-light": "use more light", "show-whole-card": "show the whole card",
            "uncover-patches": "keep fingers and cables off the patches",
            "uncover-or-tilt": "keep fingers and cables off the patches; if none are there, tilt the card away from "
                               "the lamp"}


@sentence.register
def _(item: reasons.NoCardInTake) -> str:
    return (f"Not usable: no card in any of {counted(item.frames, 'frame')}; hold it in full view, or check that "
            f"{item.card!r} is the card in the shot, or give its corners by hand.")


@sentence.register
def _(item: reasons.Unusable) -> str:
    return (f"Not usable: {sentence(item.reason)}, {item.count} of {counted(item.frames, 'frame')} with the card; "
            f"{_first(item.reason)}{_remedy(item.remedy)}.")


def _first(reason: reasons.FrameReason) -> str:
    """What is the likelier fault than the light, and the cheaper to look at."""
    if isinstance(reason, reasons.VeiledCard | reasons.LightUneven):
        return "check --encoding and --range first, for a wrong curve looks the same; if they are right, "
    return ""


@sentence.register
def _(item: reasons.Usable) -> str:
    numbers = sorted(item.frames)
    text = f"Usable: frame{'' if len(numbers) == 1 else 's'} {number_words(numbers)}"
    if len(numbers) > 1:
        text += f" merged, {item.gain:.1f} times less uncertain than the best alone"
    else:
        text += " alone, with no other good frame to hold it against: a faint reflection would go unseen"
    if item.without:
        text += f"; without {', '.join(item.without)}" + ("" if item.because is None else
                                                          f" ({sentence(item.because)})")
    if item.veil is not None and item.veil_error is not None:
        low, high = (100 * max(item.veil + side * 1.96 * item.veil_error, 0.0) for side in (-1, 1))
        text += (f"; a veil of {100 * item.veil:.1f} % of white ({low:.1f} to {high:.1f}) lies over the card (mirror "
                 "light or flare) and was taken off, so bars on their levels say nothing of it: if the card mirrors "
                 "it, the shots are right without it; if the lens flares, the shots have it too and their blacks stay "
                 "lifted")
    if item.light_stops is not None:
        text += f"; light over the card differs by {item.light_stops:.1f} stops (taken off)"
    return text + "."


def _remedy(remedy: reasons.Remedy) -> str:
    if remedy.action in ("open-up", "close-down"):
        text = f"{remedy.action.replace('-', ' ')} {thirds(remedy.stops or 0.0)}"
    else:
        text = _ACTIONS[remedy.action]
    return text + (" or move closer" if remedy.or_closer else "") + (", then survey again" if remedy.survey_again
                                                                     else "")


def thirds(stops: float) -> str:
    """Stops in the thirds that lenses are marked in: "2/3 stop", "1 1/3 stops"."""
    count = max(1, int(np.ceil(stops * 3 - 1e-6)))
    whole, rest = divmod(count, 3)
    parts = ([str(whole)] if whole else []) + ([f"{rest}/3"] if rest else [])
    return " ".join(parts) + (" stop" if count <= 3 else " stops")


def number_words(numbers: Iterable[int]) -> str:
    """``[1, 2, 3, 7, 8]`` -> "1-3, 7, 8"."""
    parts: list[list[int]] = []
    for number in numbers:
        if parts and number == parts[-1][1] + 1:
            parts[-1][1] = number
        else:
            parts.append([number, number])
    return ", ".join(str(a) if a == b else f"{a}-{b}" if b > a + 1 else f"{a}, {b}" for a, b in parts)
