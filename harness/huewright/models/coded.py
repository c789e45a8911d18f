"""States as data: a code and its figures. What they are in words is said at the edge, by :mod:`huewright.words`."""

from __future__ import annotations

import re
from collections.abc import Iterable

import msgspec


def _code(name: str) -> str:
    """``OffTarget`` -> "off-target"."""
    return re.sub(r"(?<=[a-z])(?=[A-Z])", "-", name).lower()


class Coded(msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="code", tag=_code):
    """Something that is so, by its class; its fields are the figures. In files its ``code`` is the class' name, in
    small letters and with hyphens. Nothing but a person reads the words that are made of it."""

    @property
    def code(self) -> str:
        return str(type(self).__struct_config__.tag)


def has(what: Iterable[Coded], *kinds: type[Coded]) -> bool:
    """Whether any of ``what`` is of one of ``kinds``."""
    return any(isinstance(item, kinds) for item in what)
