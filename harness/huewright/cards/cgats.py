"""Measured colours from text files: spectral reflectance, XYZ or CIELAB, one sample a line; CGATS.17 / ISO 28178, or
a table with the same names in its first line, its values apart by commas, semicolons or tabs.

The format: keyword lines, then BEGIN_DATA_FORMAT, field names, END_DATA_FORMAT, then BEGIN_DATA, values, END_DATA
(ISO 28178:2009, Exchange format for colour and process control data using XML or ASCII text; the ASCII form).
"""

from __future__ import annotations

import csv
import math
import re
from dataclasses import dataclass, field
from pathlib import Path

from huewright.errors import InputError
from huewright.files import read_text
from huewright.models.record import check_plain

# SPECTRAL_NM400, SPEC_400, NM400, SPECTRAL_NM_400, R_400: all are met in files.
_SPECTRAL = re.compile(r"^(?:SPECTRAL_)?(?:NM|SPEC|R)_?(\d{3,4})(?:\.0+)?$", re.IGNORECASE)
_COVERED_NM = 450.0, 600.0     # at least: a choice of ours; ISO 13655 has 400 to 700
_XYZ, _LAB = ("XYZ_X", "XYZ_Y", "XYZ_Z"), ("LAB_L", "LAB_A", "LAB_B")
# What columns of a plain table are called besides the fields' own names.
_COLUMNS = {"name": "SAMPLE_NAME", "patch": "SAMPLE_NAME", "x": "XYZ_X", "y": "XYZ_Y", "z": "XYZ_Z", "l": "LAB_L",
            "l*": "LAB_L", "a": "LAB_A", "a*": "LAB_A", "b": "LAB_B", "b*": "LAB_B"}
_WORD = re.compile(r"\"([^\"]*)(?:\"|$)|'([^']*)(?:'|$)|([^\s\"]+)")
_LONGEST_LINE, _LONGEST_NAME = 100_000, 200
_MOST = 1000.0          # of any figure here, in percent or of CIELAB: of a perfect diffuser none is over 100
_NAMES = ("SAMPLE_NAME", "SAMPLEID", "SAMPLE_ID", "SAMPLE_LOC")


@dataclass(frozen=True)
class Sample:
    """``xyz`` is relative (perfect diffuser Y = 1); ``lab`` CIELAB; each None if the file doesn't give it."""

    name: str
    wavelengths_nm: tuple[float, ...] = ()
    reflectance: tuple[float, ...] = ()
    xyz: tuple[float, float, float] | None = None
    lab: tuple[float, float, float] | None = None


@dataclass(frozen=True)
class Measurements:
    """``illuminant`` ("D50") and ``observer`` ("2" or "10") are what the file declares, else None."""

    samples: tuple[Sample, ...]
    illuminant: str | None = None
    observer: str | None = None
    keywords: dict[str, str] = field(default_factory=dict)


def read_measurements(path: Path | str) -> Measurements:
    """The samples in the file at ``path``; :class:`InputError` says in which line it is not such a file."""
    lines = read_text(path, "measurement file").splitlines()
    if not any(line.strip().upper().startswith("BEGIN_DATA") for line in lines):
        return _read_table(path, lines)
    keywords: dict[str, str] = {}
    extra: list[str] = []
    names: list[str] = []
    rows: list[tuple[int, list[str]]] = []
    section = ""
    for number, line in enumerate(lines, 1):
        words = _words(path, number, line)
        if not words:
            continue
        head = words[0].upper()
        if head in ("BEGIN_DATA_FORMAT", "BEGIN_DATA"):
            if section:
                raise InputError(f"{path}, line {number}: {head} before END_{section[6:]}; put that line before it")
            section = head
        elif head in ("END_DATA_FORMAT", "END_DATA"):
            section = ""
        elif section == "BEGIN_DATA_FORMAT":
            names += [word.upper() for word in words]
        elif section == "BEGIN_DATA":
            rows.append((number, words))
        elif len(words) > 1:
            keywords[head] = " ".join(words[1:])
            extra.append(line)
    if not names or not rows:
        raise InputError(f"{path}: not a CGATS.17 (ISO 28178) text file: it needs BEGIN_DATA_FORMAT and BEGIN_DATA "
                         "sections; export it as such")
    _refuse_twice(path, names)
    samples = tuple(_sample(path, number, names, words) for number, words in _joined(rows, len(names)))
    said = keywords.get("NUMBER_OF_SETS", "")
    if said.isdigit() and int(said) != len(samples):
        raise InputError(f"{path}: it says NUMBER_OF_SETS {said} but holds {len(samples)} samples; export it again, "
                         "whole")
    _refuse_double(path, samples)
    return Measurements(samples, _declared(extra, r"\b(D\d{2}|A|F\d{1,2}|E)\b", "ILLUMIN"),
                        _declared(extra, r"\b(10|2)\b", "OBSERVER"), keywords)


def _read_table(path: Path | str, lines: list[str]) -> Measurements:
    rows = [(number, line) for number, line in enumerate(lines, 1) if line.strip() and not line.startswith("#")]
    apart = next((mark for mark in ("\t", ";", ",") if rows and mark in rows[0][1]), None)
    if apart is None:
        raise InputError(f"{path}: not a CGATS.17 (ISO 28178) text file, which has BEGIN_DATA_FORMAT and BEGIN_DATA "
                         "sections, nor a table whose first line names its columns; export it as one of them")
    try:
        table = [(number, [word.strip() for word in cells]) for (number, _), cells in
                 zip(rows, csv.reader((line for _, line in rows), delimiter=apart), strict=True)]
    except (csv.Error, ValueError):     # a field without an end, over several lines or longer than any
        raise InputError(f"{path}: the table has a quotation mark that is never closed, or a field without an end; "
                         "export it again") from None
    names = [_COLUMNS.get(word.casefold(), word.upper()) for word in table[0][1]]
    names = [f"SPECTRAL_NM{name}" if name.isdigit() else name for name in names]
    if len(table) < 2:
        raise InputError(f"{path}: the table has no line of values; export it again, whole")
    _refuse_twice(path, names)
    samples = tuple(_sample(path, number, names, words) for number, words in table[1:])
    _refuse_double(path, samples)
    return Measurements(samples)


def _refuse_twice(path: Path | str, names: list[str]) -> None:
    """Fields that are read: of two of one name either might be meant."""
    known: set[float | str] = set()
    for name in names:
        match = _SPECTRAL.match(name)
        if match is None and name not in (*_NAMES, *_XYZ, *_LAB):
            continue
        of = name if match is None else float(match.group(1))
        if of in known:
            raise InputError(f"{path}: two of its fields are {f'named {name}' if match is None else f'for {of:g} nm'}; "
                             "export each once")
        known.add(of)


def _refuse_double(path: Path | str, samples: tuple[Sample, ...]) -> None:
    known: set[str] = set()
    for sample in samples:
        if sample.name.casefold() in known:
            raise InputError(f"{path}: two samples are named {sample.name!r}; give each its own name")
        known.add(sample.name.casefold())


def _words(path: Path | str, number: int, line: str) -> list[str]:
    if line.lstrip().startswith("#"):
        return []
    if len(line) > _LONGEST_LINE:
        raise InputError(f"{path}, line {number}: a line of {len(line)} characters; export the file again")
    words = []
    for match in _WORD.finditer(line):
        if match.group(0)[0] in "\"'" and (len(match.group(0)) < 2 or match.group(0)[-1] != match.group(0)[0]):
            raise InputError(f"{path}, line {number}: a quotation mark is never closed; mend that line")
        words.append(next(part for part in match.groups() if part is not None))
    return words


def _joined(rows: list[tuple[int, list[str]]], count: int) -> list[tuple[int, list[str]]]:
    """A sample's values may run over several lines, as far as they fill it exactly or less."""
    joined: list[tuple[int, list[str]]] = []
    for number, words in rows:
        if joined and len(joined[-1][1]) + len(words) <= count:
            joined[-1][1].extend(words)
        else:
            joined.append((number, list(words)))
    return joined


def _sample(path: Path | str, number: int, names: list[str], words: list[str]) -> Sample:
    if len(words) != len(names):
        raise InputError(f"{path}, line {number}: {len(words)} values for {len(names)} fields; mend that line")
    row = dict(zip(names, words, strict=True))
    label = next((row[key] for key in _NAMES if key in row), str(number))
    try:
        check_plain([label])
    except ValueError:
        raise InputError(f"{path}, line {number}: the sample's name {label[:80]!r} holds a control character; "
                         "mend that line") from None
    if not 1 <= len(label) <= _LONGEST_NAME:
        raise InputError(f"{path}, line {number}: the sample's name has {len(label)} characters; a card's patches take "
                         f"1 to {_LONGEST_NAME}")

    def value(key: str) -> float:
        if key not in row:
            raise InputError(f"{path}: its fields lack {key}; export all three of its kind")
        try:
            found = float(row[key].replace(",", "."))
        except ValueError:
            found = math.nan
        if not math.isfinite(found):
            raise InputError(f"{path}, line {number}: {row[key][:80]!r} for {key} isn't a number")
        if abs(found) > _MOST:
            raise InputError(f"{path}, line {number}: {found:g} for {key} is more than any surface has; mend that line")
        return found

    spectral = sorted((float(match.group(1)), key) for key in names if (match := _SPECTRAL.match(key)))
    wavelengths = tuple(nm for nm, _ in spectral)
    if len(spectral) == 1:
        raise InputError(f"{path}: its fields have a single wavelength, {spectral[0][1]}, which is no spectrum; export "
                         "all that were measured")
    reflectance = tuple(value(key) for _, key in spectral)
    if reflectance and max(reflectance) > 2.0:
        reflectance = tuple(factor / 100 for factor in reflectance)      # given in percent
    # An instrument's noise on black can fall a little under nought; a reflectance can't.
    if reflectance and min(reflectance) < -0.01:
        raise InputError(f"{path}, line {number}: the reflectance {min(reflectance):g} of {label} is negative; "
                         "measure it again")
    if spectral and not (wavelengths[0] <= _COVERED_NM[0] and wavelengths[-1] >= _COVERED_NM[1]):
        raise InputError(f"{path}: its fields' wavelengths run from {wavelengths[0]:g} to {wavelengths[-1]:g} nm, "
                         "which is not all of visible light; export all that were measured")
    reflectance = tuple(max(factor, 0.0) for factor in reflectance)
    xyz, lab = (tuple(value(key) for key in keys) if row.keys() & set(keys) else None for keys in (_XYZ, _LAB))
    if xyz is not None:
        xyz = tuple(v / 100 for v in xyz)
    if not reflectance and xyz is None and lab is None:
        raise InputError(f"{path}: its fields have neither spectral reflectance (SPECTRAL_NM400 ...) nor XYZ_X, XYZ_Y, "
                         "XYZ_Z nor LAB_L, LAB_A, LAB_B; export one of these")
    return Sample(label, wavelengths, reflectance, xyz, lab)  # type: ignore[arg-type]


def _declared(lines: list[str], pattern: str, about: str) -> str | None:
    for line in lines:
        if about in line.upper():
            match = re.search(pattern, line.upper().replace("DEGREE", " ").split(about, 1)[1])
            if match:
                return match.group(1)
    return None
