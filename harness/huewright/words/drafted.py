"""A drafted scene's grounds and questions, in words."""

from __future__ import annotations

from huewright.models import drafted
from huewright.words.sentence import sentence

_TOLD: dict[drafted.Told, str] = {
    "serial number": "serial number {}", "label": "the camera's label {}", "make and model": "make and model {}",
    "reel": "reels that begin with {}", "folder": "folder {}", "name": "names that begin with {}", "kind": "{}"}
_NAMES = " (`huewright run --encoding list` prints the names)"


def told_words(told: tuple[tuple[drafted.Told, str], ...]) -> str:
    """By what clips were taken to be of one camera."""
    return ", ".join(_TOLD[kind].format(what) for kind, what in told)


@sentence.register
def _(one: drafted.EncodingNotGiven) -> str:
    return (f"What did camera {one.camera} record? Its encoding was not given and its files don't say it; write the "
            f"name of its log curve{_NAMES}, \"display\" or \"linear\" in place of \"?\".")


@sentence.register
def _(one: drafted.EncodingByTags) -> str:
    return (f"Does camera {one.camera} record what its tags say ({one.transfer})? Log footage is often tagged so; it "
            f"is taken as \"{one.encoding}\". If not, write the name of its log curve{_NAMES}.")


@sentence.register
def _(one: drafted.NoCardOfCamera) -> str:
    return (f"Where is the card of camera {one.camera}? No clip of it shows one in the frames that were looked at, "
            "so its shots are comments. If it is another camera of this file, give its shots that one's name.")


@sentence.register
def _(one: drafted.NothingNamesCamera) -> str:
    apart = f" ({', '.join(one.apart)} were not taken for cameras, for not all hold a card)" if one.apart else ""
    return f"Is camera {one.camera} one camera? Its files hold no serial number, label or reel that says so{apart}."


@sentence.register
def _(one: drafted.OrderNotTold) -> str:
    why = (f"{one.first} and {one.second} overlap in time code: which came first?" if one.second
           else f"Nothing says when {one.first} was made.")
    taken = f"Take {one.taken} was taken, by the order of names." if one.taken else "So it is a comment only."
    return f"{why} Which take came before {one.clip}? {taken}"


@sentence.register
def _(one: drafted.CardInPart) -> str:
    return (f"Is the rest of {one.clip} a shot as well? The card is in {one.seen} of {one.looked} frames looked at; if "
            "so, take in the shot below.")


@sentence.register
def _(one: drafted.FramesMissing) -> str:
    return f"Is {one.clip} one clip? Frames {one.numbers} are missing, and left out."


__all__ = ["told_words"]
