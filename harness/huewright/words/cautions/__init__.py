"""What must be known of a correction, a proof, a render or an export, in words.

A module a group of cautions, of one weight: what may make all else wrong, then what is wrong, then what it costs. In a
group the weightiest stand first. That order is the one in which a person sees them.
"""

from __future__ import annotations

from collections.abc import Iterable

from huewright.models.cautions import Caution
from huewright.words.cautions.amiss import AMISS
from huewright.words.cautions.cost import COST
from huewright.words.cautions.doubted import DOUBTED
from huewright.words.cautions.group import Group
from huewright.words.cautions.harm import HARM
from huewright.words.cautions.known import KNOWN
from huewright.words.cautions.lost import LOST

GROUPS: tuple[Group, ...] = (DOUBTED, HARM, AMISS, LOST, COST, KNOWN)
_RANK = {kind: rank for rank, kind in enumerate(kind for group in GROUPS for kind in group.explained)}


def in_order(cautions: Iterable[Caution]) -> list[Caution]:
    """Each once, the weightiest first; those of one kind as they came."""
    return sorted(dict.fromkeys(cautions), key=lambda caution: _RANK.get(type(caution), 0))
