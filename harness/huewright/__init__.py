"""Measures a colour reference card in footage, solves one correction, proves it and renders it.

    import huewright as hw

    survey = hw.survey("take/a.####.exr", "card.toml", encoding="ACEScct")
    correction = hw.solve(survey)
    hw.render(correction, "scene/a.####.exr", "out/a.####.exr")
    signal = correction.apply(picture)

The names are in :mod:`huewright.api`; each is loaded when it is first used, so that start-up stays short. Nothing in
this package imports this file.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from huewright.errors import InputError, NoAnswerError
from huewright.progress import Progress
from huewright.version import __version__

if TYPE_CHECKING:
    from huewright.api import (
        at_strength,
        between,
        export,
        export_config,
        operations_at,
        prove,
        render,
        save,
        scene,
        scopes,
        solve,
        survey,
    )
    from huewright.models.card import Card
    from huewright.models.correction import Correction
    from huewright.models.proof import Proof
    from huewright.models.settings import Strength
    from huewright.models.survey import Survey

_HOMES = {**dict.fromkeys(("at_strength", "between", "export", "export_config", "operations_at", "prove",
                           "render", "save", "scene", "scopes", "solve", "survey"), "api"),
          "Card": "models.card", "Correction": "models.correction", "Proof": "models.proof",
          "Strength": "models.settings", "Survey": "models.survey"}

__all__ = ["Card", "Correction", "InputError", "NoAnswerError", "Progress", "Proof", "Strength", "Survey",
           "__version__", "at_strength", "between", "export", "export_config", "operations_at", "prove",
           "render", "save", "scene", "scopes", "solve", "survey"]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(f"huewright.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'huewright' has no attribute {name!r}")
