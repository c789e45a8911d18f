"""A scene's steps, why each is due, and which take serves a shot, in words."""

from __future__ import annotations

from collections.abc import Sequence

from huewright.models import scene_made as made
from huewright.models.cautions import Screened
from huewright.models.scene_made import CamerasApart, Kind, LeftBehind, Served
from huewright.models.shots import ShotProof
from huewright.words.sentence import counted, duration_words, no_answer_words, percent_words, sentence

_INPUTS = {"version": "huewright's version", "card": "the card", "footage": "what is declared of the camera",
           "corners": "the corners given by hand", "settings": "the settings", "files": "the frames",
           "reading": "the reading of the card", "leading": "the picture of the camera that it follows",
           "correction": "the correction", "corrections": "the corrections", "exports": "what is noted in it",
           "edit": "the edit", "form": "the form of what is written",
           "points": "the points of the LUT"}
_STEPS: dict[Kind, str] = {"survey": "survey take", "solve": "solve take", "export": "export shot",
                           "config": "write configuration", "edit": "note in edit", "render": "render shot"}


def step_words(kind: Kind, name: str) -> str:
    return f"{_STEPS[kind]} {name}"


@sentence.register
def _(why: made.NeverMade) -> str:
    return "not done before"


@sentence.register
def _(why: made.NotFinished) -> str:
    return "begun, but not finished"


@sentence.register
def _(why: made.Differs) -> str:
    named = [_INPUTS[what] for what in why.what]
    return f"changed since: {' and '.join((', '.join(named[:-1]), named[-1]) if len(named) > 1 else named)}"


@sentence.register
def _(why: made.FilesGone) -> str:
    return f"{why.example} is no longer there" + (f", nor {counted(why.count - 1, 'more file')}" if why.count > 1
                                                  else "")


@sentence.register
def _(why: made.FilesAltered) -> str:
    return f"{why.example} was changed since it was written" + (
        f", and {counted(why.count - 1, 'more file')}" if why.count > 1 else "")


@sentence.register
def _(why: made.Follows) -> str:
    return f"if what it is made from comes out otherwise ({step_words(why.step, why.name)})"


@sentence.register
def _(why: made.Same) -> str:
    return "as it is"


@sentence.register
def _(why: made.LeftOut) -> str:
    return "left out, for only exports are asked for"


@sentence.register
def _(why: made.NoCorrection) -> str:
    return f"left out, for take {why.name}, on which it rests, gives no correction"


@sentence.register
def _(why: made.Failed) -> str:
    return no_answer_words(why.what, why.reason)


def left_words(left: Sequence[LeftBehind]) -> list[str]:
    """What lies in the scene's folder though the scene file no longer asks for it: a sentence for each name."""
    by_name: dict[str, list[LeftBehind]] = {}
    for each in left:
        by_name.setdefault(each.name, []).append(each)
    return [f"{' and '.join(step_words(each.kind, name) for each in rows)}: the scene file no longer asks for it; "
            f"{counted(sum(each.count for each in rows), 'file')} of it, such as {rows[0].example}, "
            f"stay{'s' * (sum(each.count for each in rows) == 1)} until you remove "
            f"{'it' if sum(each.count for each in rows) == 1 else 'them'}" for name, rows in by_name.items()]


def served_words(served: Served) -> str:
    """By which take, and how long after it: "take a, 12 min before the shot"."""
    if len(served.takes) == 2 and served.share is not None and served.apart_s is not None:
        return (f"between takes {served.takes[0]} and {served.takes[1]}, {100 * served.share:.0f} % of the "
                f"{duration_words(served.apart_s)} from one to the other")
    return f"take {served.takes[0]}, {after_words(served.after_s)}"


def after_words(seconds: float | None) -> str:
    """How long after its take a shot began."""
    if seconds is None:
        return "nothing says how long before"
    if abs(seconds) < 0.5:
        return "in the shot itself"
    return f"{duration_words(seconds)} {'before' if seconds > 0 else 'after'} the shot"


def screen_words() -> str:
    """What the screen of rendered shots is, and who decides."""
    return sentence(Screened())


def screened_words(shot: ShotProof) -> str:
    """What was found in a rendered shot's frames: range and flashing."""
    over, under, beyond, stopped = (percent_words(share) for share in (
        shot.pixels_over_range_percent, shot.pixels_under_range_percent, shot.pixels_beyond_preferred_percent,
        shot.pixels_at_end_stops_percent))
    said = (f"as rendered, {over} of the pixels are above white and {under} below black of the display signal, "
            f"{beyond} outside -5 to 105 % (EBU R 103)")
    if shot.integers:
        said += f", {stopped} at an end of the files' codes"
    flashes = [count for count in (shot.flashes, shot.red_flashes) if count is not None]
    if not flashes:
        return f"{said}; a single frame says nothing of flashing"
    rate = f"{shot.frames_per_second:g} frames a second" + ("" if shot.rate_declared else
                                                            ", taken because the files don't say")
    most = max(flashes)
    return f"{said}; " + (f"{most} flash{'es' * (most > 1)} within a second at the most, of three that ITU-R BT.1702 "
                          f"allows ({rate})" if most else f"no flashes ({rate})")


def apart_words(apart: CamerasApart) -> str:
    """How far two cameras are apart on the card."""
    figures = apart.figures()
    called = f"cameras {apart.cameras[0]} and {apart.cameras[1]}"
    if figures is None:
        return f"{called} have no patch of the card in common"
    checks, fitted = apart.figures("check"), apart.fitted()
    unseen = "" if fitted is not None else "which no solve saw, "
    return (f"{called} are {figures[2]:.2f} CIEDE2000 apart on the card's {len(apart.patches)} patches in the mean and "
            f"{figures[3]:.2f} at the worst (before: {figures[0]:.2f} and {figures[1]:.2f})"
            + ("" if checks is None else f"; on check patches, {unseen}{checks[2]:.2f} and {checks[3]:.2f} "
               f"(before: {checks[0]:.2f} and {checks[1]:.2f})")
            + ("" if fitted is None else ". Chips and check patches were each left out in turn of the fit by which "
               f"one follows the other; with all of them in it, as rendered, all patches are {fitted[0]:.2f} and "
               f"{fitted[1]:.2f} apart"))


__all__ = ["after_words", "apart_words", "left_words", "screen_words", "screened_words", "served_words", "step_words"]
