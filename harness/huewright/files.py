"""Files written whole or not at all, and never over an existing one without being told."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from huewright.errors import InputError

_UMASK_LOCK = threading.Lock()


@contextmanager
def whole_file(path: Path | str, *, overwrite: bool = False) -> Iterator[Path]:
    """Yields a temporary path beside ``path`` (same suffix); renames it into place if the block succeeds.

    Raises :class:`InputError` if ``path`` exists and ``overwrite`` is false, or its folder can't be made.
    """
    path = Path(path)
    refuse_existing(path, overwrite=overwrite)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=f".{path.stem}-", suffix=path.suffix, dir=path.parent)
    except OSError as error:
        raise InputError(f"cannot write {path}: {error.strerror}; choose another place") from None
    os.close(handle)
    temporary = Path(name)
    try:
        yield temporary
        os.chmod(temporary, 0o666 & ~_umask())
        os.replace(temporary, path)
    except OSError as error:
        raise InputError(f"cannot write {path}: {error.strerror or error}; choose another place") from None
    finally:
        temporary.unlink(missing_ok=True)


def _umask() -> int:
    with _UMASK_LOCK:  # reading it means setting it: two threads at once would leave it at 0
        mask = os.umask(0)
        os.umask(mask)
    return mask


def refuse_existing(path: Path | str, *, overwrite: bool) -> None:
    """Raises :class:`InputError` if ``path`` exists and may not be replaced."""
    if Path(path).exists() and not overwrite:
        raise InputError(f"{path} exists already; add --overwrite to replace it, or choose another name")


def write_text(path: Path | str, text: str, *, overwrite: bool = False) -> None:
    with whole_file(path, overwrite=overwrite) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")


def write_json(path: Path | str, record: Any, *, overwrite: bool = False) -> None:
    """Two-space indented, keys in the order given, short lists of numbers on one line, ends in a newline."""
    write_text(path, json_text(record), overwrite=overwrite)


def json_text(record: Any) -> str:
    return _render(record, "") + "\n"


def _render(value: Any, indent: str) -> str:
    deeper = indent + "  "
    if isinstance(value, dict) and value:
        rows = [f"{deeper}{json.dumps(str(k))}: {_render(v, deeper)}" for k, v in value.items()]
        return "{\n" + ",\n".join(rows) + f"\n{indent}}}"
    if isinstance(value, (list, tuple)) and value:
        simple = all(not isinstance(item, (dict, list, tuple)) for item in value)
        if simple or len(value) <= 24:          # more than 24 items that are lists never fit into 96 characters
            flat = json.dumps(value, allow_nan=False)
            if simple or len(flat) <= 96 and "{" not in flat:
                return flat
        return "[\n" + ",\n".join(deeper + _render(item, deeper) for item in value) + f"\n{indent}]"
    return json.dumps(value, allow_nan=False)


def read_json(path: Path | str, what: str) -> Any:
    """The parsed file; :class:`InputError` naming ``what`` was expected if it can't be read or parsed."""
    try:
        return json.loads(read_text(path, what))
    except json.JSONDecodeError as error:
        raise InputError(f"{path}, line {error.lineno}: not a {what} ({error.msg}); "
                         "give a file that huewright wrote") from None


def read_text(path: Path | str, what: str) -> str:
    try:
        return Path(path).read_text(encoding="utf-8")
    except FileNotFoundError:
        raise InputError(f"{path}: there is no such {what}; check the path") from None
    except UnicodeDecodeError:
        raise InputError(f"{path}: not a {what}, for it isn't text (UTF-8); give another file") from None
    except OSError as error:
        raise InputError(f"{path}: this {what} cannot be read ({error}); check the file") from None


def sha256(path: Path | str) -> str:
    with open(path, "rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
