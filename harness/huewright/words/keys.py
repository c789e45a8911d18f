"""Sentences that name options of the command line, as a scene file says the same."""

from __future__ import annotations

import re
from dataclasses import fields

from huewright.models.coded import Coded
from huewright.models.scene import SceneCamera, SceneOut, SceneSettings
from huewright.words.sentence import sentence

_OTHERWISE = {"size": "lut_points", "level": "levels", "chip_fraction": "chip_fractions"}
_KEYS = {field.name for table in (SceneCamera, SceneSettings, SceneOut) for field in fields(table)}
# A command that is written out whole; or an option without a value, with one in quotes, or with a word that can be
# nothing but a value here.
_SAID = re.compile(r"`huewright [^`]*`|--(?P<name>[a-z][a-z-]*[a-z])(?: (?:'(?P<quoted>[^']*)'|(?P<word>full|legal|"
                   r"matrix-sectors|spectral-sectors|sectors|matrix|balance)(?![\w-])))?")


def scene_sentence(what: Coded) -> str:
    """:func:`sentence` for who has written a scene file."""
    return as_keys(sentence(what))


def as_keys(text: str) -> str:
    """``text`` with ``--primaries 'ACES2065-1'`` as ``primaries = "ACES2065-1"``, and so on for what a scene file has a
    key for. Commands that are written out whole stay as they are, and so do all other options."""
    return _SAID.sub(_key, text)


def _key(found: re.Match[str]) -> str:
    name = (found["name"] or "").replace("-", "_")
    name = _OTHERWISE.get(name, name)
    if name not in _KEYS:
        return found[0]
    value = found["quoted"] if found["quoted"] is not None else found["word"]
    if value is not None:
        return f'{name} = "{value}"'
    return f"{name} = true" if name == "trust_encoding" else name
