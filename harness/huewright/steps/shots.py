"""Several shots by one name: a folder of them, a name with wildcards; and what each one's folder is called."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path

from huewright.errors import InputError
from huewright.frames.opening import open_take
from huewright.frames.sequence import MOVIE_SUFFIXES, PICTURE_SUFFIXES
from huewright.frames.take import Take

_WILD = re.compile(r"[*?]|\[[^\]]+\]")
_NUMBERED = re.compile(r"^(.*?)(\d+)(\D*)$", re.DOTALL)


def shots_from(named: Take | Path | str) -> tuple[Take, ...]:
    """The shots that a pattern, a file, a folder or a name with wildcards stands for, in the order of their names.

    A folder is each of the shots in it, or in its folders where it holds no pictures itself. Wildcards may stand in any
    part of a path: what they match is one shot for each folder and naming of its files. Raises :class:`InputError`
    where there is none.
    """
    if isinstance(named, Take):
        return (named,)
    text = str(named)
    path = Path(text)
    if path.is_dir():
        return _in_folder(path) or _none(text)
    if not any(_WILD.search(part) for part in path.parts) or path.exists():
        return (open_take(text),)
    found: list[Take] = []
    if _WILD.search(path.name):
        matched = sorted(_glob(path))
        for folder in (each for each in matched if each.is_dir()):
            found += _in_folder(folder)
        loose = _grouped(each for each in matched if each.is_file())
        # Stills that share no naming were picked by hand: one shot.
        found += [open_take(text)] if len(loose) > 1 and not found and all(len(s) == 1 for s in loose) else loose
    else:
        for folder in sorted(_glob(path.parent)):
            if folder.is_dir():
                try:
                    found.append(open_take(folder / path.name))
                except InputError:      # not in each folder that matches
                    continue
    return tuple(found) or _none(text)


def _glob(path: Path) -> Iterable[Path]:
    root = Path(path.anchor) if path.anchor else Path()
    return root.glob(str(path.relative_to(path.anchor) if path.anchor else path))


def _none(text: str) -> tuple[Take, ...]:
    raise InputError(f"{text}: no shot is there; check the path")


def _in_folder(folder: Path) -> tuple[Take, ...]:
    entries = sorted(entry for entry in folder.iterdir() if not entry.name.startswith("."))
    own = _grouped(entry for entry in entries if entry.is_file())
    return own or tuple(shot for entry in entries if entry.is_dir()
                        for shot in _grouped(each for each in sorted(entry.iterdir()) if each.is_file()))


def _grouped(files: Iterable[Path]) -> tuple[Take, ...]:
    """One shot for each naming of picture files, and for each movie."""
    numbers: dict[tuple[Path, str, str], list[str]] = {}
    movies = []
    for file in files:
        if file.suffix.lower() in MOVIE_SUFFIXES:
            movies.append(open_take(file))
        if file.suffix.lower() in PICTURE_SUFFIXES and not file.name.startswith("."):
            match = _NUMBERED.match(file.stem)
            before, digits, after = (file.stem, "", "") if match is None else match.groups()
            numbers.setdefault((file.parent, before, after + file.suffix), []).append(digits)
    found: list[Take] = list(movies)
    for (folder, before, after), texts in numbers.items():
        least = min(map(len, texts))
        padded = any(len(text) > least and text.startswith("0") for text in texts)
        for width in sorted(set(map(len, texts))) if padded else [least]:
            found.append(open_take(folder / f"{before}{'#' * width}{after}"))
    return tuple(found)


def shot_folders(shots: Sequence[Take]) -> tuple[str, ...]:
    """A folder's name for each shot: what its files are called, with their folder where that isn't enough."""
    plain = [_called(shot) for shot in shots]
    twice = {name for name, count in Counter(plain).items() if count > 1}
    longer = [f"{_folder(shot)}-{name}".strip("-") if name in twice else name
              for name, shot in zip(plain, shots, strict=True)]
    taken: Counter[str] = Counter()
    result = []
    for name in longer:
        taken[name] += 1
        result.append(name if taken[name] == 1 else f"{name}-{taken[name]}")
    return tuple(result)


def places_for(out: Path | str, shots: Sequence[Take]) -> tuple[str, ...]:
    """Where each shot goes: one to ``out`` as it is named; several into a folder each within the folder ``out``."""
    if len(shots) == 1:
        return (str(out),)
    if Path(str(out)).suffix and not Path(str(out)).is_dir():
        raise InputError(f"{out}: {len(shots)} shots go into a folder each, so name one folder, such as "
                         f"{Path(str(out)).parent or '.'}/true; each keeps its files' names")
    return tuple(f"{out}/{folder}/{shot.file_pattern}" for folder, shot in zip(shot_folders(shots), shots, strict=True))


def _called(shot: Take) -> str:
    stem = re.sub(r"[#.]+$", "", shot.file_pattern.rpartition(".")[0]) if "." in shot.file_pattern else ""
    return re.sub(r"#+", "", stem).strip("._- ") or _folder(shot) or "shot"


def _folder(shot: Take) -> str:
    return shot.file(shot.numbers[0]).resolve().parent.name
