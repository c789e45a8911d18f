"""Sentences that name options of the command line, as a scene file says the same."""

from __future__ import annotations

import re
from dataclasses import fields

from huewright.models.coded import Coded
from huewright.models.scene import SceneCamera, SceneOut, SceneSettings
from huewright.words.sentence import sentence

_OTHERWISE = {"size": "lut_points", "level": "levels", "chip_fraction": "chip_fractions"}
_KEYS = {field.name for table in (SceneCamera, SceneSettings, SceneOut) for field in fields(table)}
# Without a value, in quotes, or a word that can be nothing but a value here.
_OPTION = re.compile(r"(?P<tick>`?)--(?P<name>[a-z][a-z-]*[a-z])(?: (?:'(?P<quoted>[^']*)'|(?P<word>full|legal|"
                     r"matrix-sectors|spectral-sectors|sectors|matrix|balance)(?![\w-])))?(?P<end>`?)")


def scene_sentence(what: Coded) -> str:
    """:func:`sentence` for who has written a scene file."""
    return as_keys(sentence(what))


def as_keys(text: str) -> str:
    """``text`` with ``--primaries 'ACES2065-1'`` as ``primaries = "ACES2065-1"``, and so on for what a scene file has a
    key for. Commands that are written out whole stay as they are, and so do all other options."""
    return re.sub(r"`huewright [^`]*`|" + _OPTION.pattern, _key, text)


def _key(found: re.Match[str]) -> str:
    whole = found[0]
    name = (found["name"] or "").replace("-", "_")
    name = _OTHERWISE.get(name, name)
    if name not in _KEYS:
        return whole
    value = found["quoted"] if found["quoted"] is not None else found["word"]
    if value is None and name == "trust_encoding":
        said = f"{name} = true"
    else:
        said = name if value is None else f'{name} = "{value}"'
    return f"{found['tick']}{said}{found['end']}"
