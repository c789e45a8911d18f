"""What must be known of a correction, a proof, a render or an export: codes and figures.

A module for each thing that cautions are of. All are found here by their names, so that a new one is declared in its
module alone; what says them is in `words/cautions`.
"""

from __future__ import annotations

from types import ModuleType
from typing import TYPE_CHECKING, Union

from huewright.models.cautions import declared, exported, origin, proved, rendered, solved, taken, timed
from huewright.models.cautions.base import *  # noqa: F403
from huewright.models.cautions.base import Caution
from huewright.models.cautions.declared import *  # noqa: F403
from huewright.models.cautions.exported import *  # noqa: F403
from huewright.models.cautions.origin import *  # noqa: F403
from huewright.models.cautions.proved import *  # noqa: F403
from huewright.models.cautions.rendered import *  # noqa: F403
from huewright.models.cautions.solved import *  # noqa: F403
from huewright.models.cautions.taken import *  # noqa: F403
from huewright.models.cautions.timed import *  # noqa: F403


def _declared(module: ModuleType) -> list[type[Caution]]:
    return [kind for kind in vars(module).values()
            if isinstance(kind, type) and issubclass(kind, Caution) and kind.__module__ == module.__name__]


# In this order the schemas have them.
_KINDS = tuple(kind for module in (taken, origin, declared, solved, proved, rendered, exported, timed)
               for kind in _declared(module))
if TYPE_CHECKING:
    AnyCaution = Caution
else:
    AnyCaution = Union[_KINDS]  # noqa: UP007
