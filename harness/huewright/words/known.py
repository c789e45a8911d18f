"""To how much of itself a survey knows the light of the card's patches, in a line."""

from __future__ import annotations

from collections.abc import Sequence

from huewright.models.survey import LightKnown
from huewright.words.sentence import counted

SAID = 3        # patches named, those that are known least first


def known_words(known: Sequence[LightKnown]) -> str | None:
    """Such as "light known to within 1 % of itself in every channel: 4 of 6 patches; least that of black (5.1 %), red
    (2.0 %)"; None where all are."""
    unsure = sorted((patch for patch in known if not all(patch.within_one)), key=lambda patch: -patch.worst)
    if not unsure:
        return None
    named = ", ".join(f"{patch.name} ({_share(patch.worst)})" for patch in unsure[:SAID])
    return (f"light known to within 1 % of itself in every channel: {len(known) - len(unsure)} of "
            f"{counted(len(known), 'patch').replace('patchs', 'patches')}; least that of {named}, by 95 % intervals of "
            f"the worst channel{'' if len(unsure) <= SAID else '; the survey file has all'}")


def _share(percent: float) -> str:
    return "100 % or more" if percent >= 100 else f"{percent_unsure(percent)} %"


def percent_unsure(percent: float | None) -> str:
    """In %: "0.9", "12", "100 or more"."""
    return "100 or more" if percent is None or percent >= 100 else f"{percent:.{1 if percent < 10 else 0}f}"


__all__ = ["known_words", "percent_unsure"]
