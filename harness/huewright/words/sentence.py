"""The one function that says a code and its figures; the modules beside this one teach it how."""

from __future__ import annotations

from functools import singledispatch


@singledispatch
def sentence(item: object) -> str:
    """``item``, a :class:`huewright.models.coded.Coded`, in words: no capital before, no full stop after."""
    raise TypeError(f"no words for {type(item).__name__}")


def percent_words(percent: float) -> str:
    """A share in percent, in words where a figure would say nothing: "none", "under 0.01 %", "0.25 %"."""
    return "none" if percent <= 0 else "under 0.01 %" if percent < 0.01 else f"{percent:.2f} %"


def counted(count: int, what: str) -> str:
    """Such as "1 frame" and "2 frames"."""
    return f"{count} {what}" + ("" if count == 1 else "s")


def duration_words(seconds: float) -> str:
    """Such as "8 s", "12 min", "2 h 5 min"."""
    seconds = abs(seconds)
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    hours, rest = divmod(minutes, 60)
    return f"{minutes} min" if not hours else f"{hours} h {rest} min" if rest else f"{hours} h"


def no_answer_words(what: object, why: object | None = None) -> str:
    """What a :class:`huewright.errors.NoAnswerError` was raised with: a sentence or a code, and a reason beside it."""
    said = what if isinstance(what, str) else sentence(what)
    return said if why is None else f"{said}: {sentence(why)}"
