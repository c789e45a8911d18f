"""A scene's file: one TOML file that people write, read with the lines on which its tables begin, and written.

Its paths are relative to its own folder.
"""

from __future__ import annotations

import datetime
import json
import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from huewright.errors import InputError
from huewright.files import read_text, write_text
from huewright.models.record import check_plain, from_record, place_words, shown, to_record
from huewright.models.scene import (
    Scene,
    SceneCamera,
    SceneOut,
    SceneSettings,
    SceneShot,
    SceneTake,
    called,
    fault_of,
)

FORMAT = "huewright-scene-1"


@dataclass(frozen=True)
class SceneFile:
    """A scene as it was read from ``path``; ``lines`` are the numbers of the lines on which its tables begin."""

    path: Path
    scene: Scene
    lines: dict[str, tuple[int, ...]] = field(default_factory=dict)

    def resolved(self, text: str) -> str:
        """A path of the file as one that can be opened; what follows a movie's name is kept."""
        return text if Path(text).is_absolute() else str(self.path.parent / text)

    def at(self, kind: str, index: int) -> str:
        """Where table ``index`` (from 0) of ``kind`` stands, for a sentence: "scene.toml, line 12, shot 'b'"."""
        rows: Sequence[Any] = getattr(self.scene, _FIELDS[kind])
        return _at(self.path, self.lines, kind, index, rows[index].name)


_FIELDS = {"camera": "cameras", "take": "takes", "shot": "shots"}
_HEADER = re.compile(r"\s*\[\[\s*(\w+)\s*\]\]\s*(?:#.*)?$")


def load_scene(path: Path | str) -> SceneFile:
    """The scene in the TOML file at ``path``; :class:`InputError` says in one sentence what is wrong and where."""
    path = Path(path)
    text = read_text(path, "scene file")
    try:
        record = _plain(tomllib.loads(text))
        check_plain(record)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise InputError(f"{path}: not a scene file ({error}); see `huewright help scene-file`") from None
    except ValueError as error:
        why = "a whole number of thousands of digits" if "digits" in str(error) else str(error)
        raise InputError(f"{path}: {why}; mend that line") from None
    lines = _lines(text, record)
    scene = _from_dict(record, path, lines)
    try:
        scene.settings.solve_settings()
    except InputError as error:
        raise InputError(f"{path}, settings: {error}") from None
    scene = replace(scene, takes=tuple(replace(each, name=each.name or called(each.path)) for each in scene.takes),
                    shots=tuple(replace(each, name=each.name or called(each.path)) for each in scene.shots))
    fault = fault_of(scene)
    if fault is not None:
        kind, index, why = fault
        where = str(path) if index is None else SceneFile(path, scene, lines).at(kind, index)
        raise InputError(f"{where}: {why}")
    return SceneFile(path, scene, lines)


def _from_dict(record: dict[str, Any], path: Path, lines: dict[str, tuple[int, ...]]) -> Scene:
    if record.get("format") != FORMAT:
        raise InputError(f"{path}: not a scene file: its first key must be format = \"{FORMAT}\"")
    for key, name in _FIELDS.items():
        if name in record:
            raise InputError(f"{path}: there is no key {name!r}; begin each table with [[{key}]]")
        rows = record.get(key, [])
        if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
            raise InputError(f"{path}: {key} must be tables, each begun with [[{key}]] in double brackets")
    fields = {"cameras": [], "takes": [], **{_FIELDS.get(key, key): value for key, value in record.items()
                                             if key != "format"}}

    def named(place: list[Any], inner: Any) -> str:
        kind = next((key for key, name in _FIELDS.items() if place[:1] == [name] and len(place) > 1), None)
        if kind is None:
            return f"{path}: " + place_words(place, None)
        row = inner[place[0]][place[1]]
        name = row.get("name", row.get("path"))
        return _at(path, lines, kind, place[1], str(name) if isinstance(name, str) else "") + ": " + place_words(
            place[2:], None)

    try:
        return from_record(fields, Scene, named=named)
    except ValueError as error:
        said = str(error)
        raise InputError(said if said.startswith(str(path)) else f"{path}: {said}") from None


def _plain(value: Any) -> Any:
    """TOML's times of day as text; a date stays what it is and is refused as no text."""
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_plain(item) for item in value]
    return value.isoformat() if isinstance(value, datetime.time) else value


def _lines(text: str, record: dict[str, Any]) -> dict[str, tuple[int, ...]]:
    """Where each kind's tables begin; none where that can't be told (a header inside a text of several lines)."""
    found: dict[str, list[int]] = {kind: [] for kind in _FIELDS}
    for number, line in enumerate(text.splitlines(), 1):
        match = _HEADER.match(line)
        if match is not None and match[1] in found:
            found[match[1]].append(number)
    return {kind: tuple(numbers) for kind, numbers in found.items()
            if isinstance(record.get(kind), list) and len(numbers) == len(record[kind])}


def _at(path: Path, lines: dict[str, tuple[int, ...]], kind: str, index: int, name: str) -> str:
    line = f", line {lines[kind][index]}" if kind in lines else ""
    return f"{path}{line}, {kind} {shown(name)}" if name else f"{path}{line}, {kind} {index + 1}"


def scene_text(scene: Scene) -> str:
    """The TOML text of ``scene``, one key a line so that a person can read and change it; what is as it would be
    without being said is left out."""
    record = to_record(scene)
    lines = [_key("format", FORMAT), _key("title", scene.title), _key("card", scene.card)]
    for name, kind in (("settings", SceneSettings()), ("out", SceneOut())):
        usual = to_record(kind)
        said = {key: value for key, value in record[name].items() if value != usual[key]}
        lines += ["", f"[{name}]", *(_key(key, value) for key, value in said.items())] if said else []
    for kind_name, field_name in _FIELDS.items():
        for row in record[field_name]:
            lines += ["", *_row_lines(kind_name, row)]
    return "\n".join(lines) + "\n"


def table_lines(row: SceneCamera | SceneTake | SceneShot) -> list[str]:
    """One table of a scene file as :func:`scene_text` writes it."""
    kind = "camera" if isinstance(row, SceneCamera) else "take" if isinstance(row, SceneTake) else "shot"
    return _row_lines(kind, to_record(row))


def _row_lines(kind: str, row: dict[str, Any]) -> list[str]:
    kept = {key: value for key, value in row.items() if value not in (None, "", [])}
    if kept.get("make") == "render":
        del kept["make"]
    if kept.get("look_input") == "log":
        del kept["look_input"]
    return [f"[[{kind}]]", *(_key(key, value) for key, value in kept.items())]


def _key(key: str, value: Any) -> str:
    if isinstance(value, dict):
        return f"{key} = {{ {', '.join(_key(json.dumps(name), item) for name, item in value.items())} }}"
    # A JSON string, number or list of these is also a TOML one (TOML 1.0: basic strings, arrays).
    return f"{key} = {json.dumps(value, ensure_ascii=False)}"


def save_scene(scene: Scene, path: Path | str, *, overwrite: bool = False) -> None:
    """Raises ``ValueError`` for a scene that could not be read back (:func:`fault_of`)."""
    fault = fault_of(scene)
    if fault is not None:
        raise ValueError(fault[2])
    write_text(path, scene_text(scene), overwrite=overwrite)
