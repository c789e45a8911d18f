"""The plug-in's readers of files against Python's: the same verdict in the same words, and the same packed bits.

Both are fed the same files, thousands of them, each damaged in its own way from a fixed seed. The C sources run under
the address and undefined-behaviour sanitizers, where the compiler has them.
"""

from __future__ import annotations

import copy
import functools
import json
import random
import re
import struct
import subprocess
from collections import Counter, defaultdict
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from badfiles.ways import damaged
from huewright import strict_json
from huewright.colorimetry.luts import read_lut
from huewright.errors import InputError
from huewright.files import json_text
from huewright.models.card import load_card
from huewright.models.chain import FORMAT, LISTS, read_chains
from huewright.models.patches import FAULTS, patches_to_dict, read_patches
from huewright.models.schema import schemas
from huewright.plugin import build as building
from huewright_kernels import compile_chain
from huewright_kernels.ops import REGISTRY, Operation

FILES, PATCHES_FILES, OTHERWISE = 2000, 600, 120
CARD = Path(__file__).parents[2] / "demo" / "huewright_demo" / "card.toml"
SHELL = ("settings.c", "isolation.c", "render.c", "describe.c", "entry.c")
"""What needs a host; the readers and all below them don't."""
SANITIZERS = ("-g", "-O1", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")
Verdict = str | tuple[bytes, bytes]
"""A sentence, or the instructions and parameters of the packed chain."""


@pytest.fixture(scope="module")
def reader(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The program read_files, of the plug-in's own sources."""
    folder = tmp_path_factory.mktemp("reader")
    try:
        compiler = building.find_compiler()
    except InputError as error:
        pytest.skip(str(error))
    objects = building.prepare(folder)
    source = Path(__file__).parent / "read_files.c"
    units = [str(source), *(unit for unit in building.UNITS if unit not in SHELL), *objects]
    strict = ["-std=gnu11", "-Wall", "-Wextra", "-Werror", "-ffp-contract=off", "-I."]
    for more in (SANITIZERS, ("-O1",)):
        result = subprocess.run([*compiler, *strict, *more, *units, "-lm", "-o", "read_files"], cwd=folder,
                                capture_output=True, text=True, check=False)
        if result.returncode == 0:
            return folder / "read_files"
        assert "san" in result.stderr, result.stderr
    raise AssertionError(result.stderr)


def natively(reader: Path, kind: str, cases: list[tuple[int, bytes]]) -> Callable[[], list[Verdict]]:
    """Starts the reading; call what comes back for the verdicts."""
    folder = reader.parent
    (folder / "cases").write_bytes(b"".join(struct.pack("ii", option, len(data)) + data for option, data in cases))
    process = subprocess.Popen([reader, kind, "cases", "results"], cwd=folder, stderr=subprocess.PIPE, text=True)

    def verdicts() -> list[Verdict]:
        _, said = process.communicate()
        assert process.returncode == 0 and not said, said[-3000:]
        return unpacked((folder / "results").read_bytes())
    return verdicts


def unpacked(data: bytes) -> list[Verdict]:
    """What read_files wrote."""
    at, verdicts = 0, []

    def number() -> int:
        nonlocal at
        at += 8
        return int.from_bytes(data[at - 8:at], "little", signed=True)

    while at < len(data):
        size = number()
        if size:
            verdicts.append(data[at:at + size].decode())
            at += size
            continue
        count = number()
        instructions = data[at:at + 24 * count]
        at += 24 * count
        floats = number()
        verdicts.append((instructions, data[at:at + 4 * floats] or bytes(64)))  # as Python has it for no operations
        at += 4 * floats
    return verdicts


def packed_patches(polygons: list[np.ndarray]) -> Verdict:
    counts = b"".join(struct.pack("<qqq", len(polygon), 0, 0) for polygon in polygons)
    return counts, np.concatenate(polygons).tobytes()


def packed(operations: tuple[Operation, ...]) -> Verdict:
    program = compile_chain(operations)
    return program.instructions.tobytes(), program.data.tobytes()


def in_python(path: Path, option: int, data: bytes) -> Verdict:
    path.write_bytes(data)
    try:
        if path.suffix == ".patches":
            return packed_patches(read_patches(path.name))
        return packed(read_chains(path.name)[option])
    except InputError as error:
        return str(error)


# --- files ----------------------------------------------------------------------------------------------------
def records(any: random.Random) -> dict[str, Any]:
    """A correction file's record with some of the operations, by their own examples."""
    examples = ready_examples()
    chains = []
    for _ in LISTS:
        chosen = any.sample(list(examples), any.randrange(1, 4))
        chains.append([copy.deepcopy(any.choice(examples[name])) for name in chosen])
    record = {"format": FORMAT, "method": "é \"quoted\" \\ \u2028", "nothing": None, "cautions": [],
              "patches": [{"target": [None, 0.1, 0.2], "used": True}], "empty": {}, "list": [], "counts": [1, 2e3, -0]}
    items = list({**record, **dict(zip(LISTS, chains, strict=True))}.items())
    any.shuffle(items)
    return dict(items)


@functools.cache
def ready_examples() -> dict[str, list[dict[str, Any]]]:
    return {name: [small(example.operation).to_dict() for example in kind.parts.examples()]
            for name, kind in REGISTRY.items()}


def small(operation: Operation) -> Operation:
    """With a table of few entries, so that damage falls on other things too."""
    if "table" not in {field.name for field in operation.FIELDS}:
        return operation
    table = vars(operation)["table"]
    return type(operation)(**{**vars(operation), "table": table[(slice(0, 2),) * (table.ndim - 1)]})


NUMBERS = ("1e39", "-1e39", "0x10", "1e999", "NaN", "Infinity", "-Infinity", '"1"', "true", "null", "-0", "-0.0", "01",
           "1.", ".5", "+1", "1e", "3.4028235677973366e38", "3.4028234663852886e38", "1e-400", "9" * 400, "9" * 401,
           "[]", "{}", "5e-324", "123456789012345678901234567890", "[1]", '"\\u0031"')
TEXTS = (b"\xff", b"\xc3", b"\xed\xa0\x80", b"\xf0\x9f\x98\x80", b"\xe2\x82", b"\xc0\x80", b"\\ud800",
         b"\\ud83d\\ude00", b"\\u0000", b"\\x41", b"\\u12", b"\x00", b"\x1f", b"\x7f", b'\\"', b"\\",
         b"\xef\xbb\xbf", b"\n", b"\\u0062")


def one_number(any: random.Random, data: bytes) -> bytes:
    places = [m.span() for m in re.finditer(rb"-?\d[\d.eE+-]*", data)]
    start, end = any.choice(places or [(0, 0)])
    return data[:start] + any.choice(NUMBERS).encode() + data[end:]


def in_a_text(any: random.Random, data: bytes) -> bytes:
    quotes = [k for k, byte in enumerate(data) if byte == 34]
    at = any.choice(quotes or [0]) + any.randrange(0, 3)
    return data[:at] + any.choice(TEXTS) + data[at:]


def a_bit(any: random.Random, data: bytes) -> bytes:
    at = any.randrange(len(data))
    return data[:at] + bytes([data[at] ^ (1 << any.randrange(8))]) + data[at + 1:]


def a_byte(any: random.Random, data: bytes) -> bytes:
    at = any.randrange(len(data))
    return data[:at] + bytes([any.choice(b"{}[],:\"\\u0123-+.eE nul\n\t\x00\x80 ")]) + data[at + any.randrange(2):]


def cut(any: random.Random, data: bytes) -> bytes:
    return data[:any.randrange(len(data))]


def behind(any: random.Random, data: bytes) -> bytes:
    return data + any.choice((b" x", b"{}", b"\x00", b"  \n", b",", b"\xff"))


def deep(any: random.Random, data: bytes) -> bytes:
    levels = any.choice((5, 20, 22, 23, 24, 25, 30, 400, 3000))
    opening, closing = any.choice((("[", "]"), ('{"a": ', "}")))
    text = opening * levels + "1" + closing * levels
    return data.replace(b"null", text.encode(), 1)


def moved(any: random.Random, data: bytes) -> bytes:
    start, size, to = any.randrange(len(data)), any.randrange(20), any.randrange(len(data))
    return data[:to] + data[start:start + size] + data[to:]


TEXT_DAMAGE: tuple[Callable[[random.Random, bytes], bytes], ...] = (
    one_number, one_number, one_number, in_a_text, in_a_text, a_bit, a_bit, a_byte, a_byte, cut, behind, deep, moved)


def the_record(any: random.Random, record: dict[str, Any]) -> str:
    """The record as text with one thing about its operations that isn't as written: keys, words, counts, order."""
    chain = record[any.choice(LISTS)]
    operation = any.choice(chain)
    keys = [key for key in operation if key != "operation"]
    key = any.choice(keys)
    choice = any.randrange(12)
    if choice == 0:
        operation[key + any.choice(("s", " ", "é", "\u0000", "x" * 60))] = operation.pop(key)
    elif choice == 1:
        del operation[any.choice(list(operation))]
    elif choice == 2:
        operation[key] = None
    elif choice == 3:
        operation["operation"] = any.choice(("swirl", "", None, 5, "MATRIX", "matrix ", ["matrix"], "ü" * 50,
                                             "log-decode"))
    elif choice == 4:
        value = operation[key]
        operation[key] = value[:-1] if isinstance(value, list) and value else [value]
    elif choice == 5:
        value = operation[key]
        operation[key] = [*value, value[-1]] if isinstance(value, list) and value else any.choice(
            ("bt601", True, [], {}))
    elif choice == 6:
        items = list(operation.items())
        any.shuffle(items)
        operation.clear()
        operation.update(items)
    elif choice == 7:
        chain[any.randrange(len(chain))] = any.choice((None, [], "matrix", 1, {}))
    elif choice == 8:
        other = any.choice((*LISTS, "format"))
        record[other] = any.choice((None, {}, "x", [[]], FORMAT))
    elif choice == 9:
        operation[key] = reversed_numbers(operation[key])
    elif choice == 10:
        operation[key] = scaled(operation[key], any.choice((0.0, -1.0, 1e6, 1e38, 1e39, -1e39, 0.5)))
    else:
        chain *= any.choice((2, 40))
    text = json_text(record)
    if choice == 6 or any.randrange(8):
        return text
    line = any.choice([line for line in text.splitlines() if '": ' in line and line.rstrip()[-1] in ",0123456789]"])
    doubled = line if line.rstrip().endswith(",") else line + ","
    return text.replace(line, doubled + "\n" + line, 1)


def reversed_numbers(value: Any) -> Any:
    return value[::-1] if isinstance(value, list) else -value if isinstance(value, float | int) else value


def scaled(value: Any, factor: float) -> Any:
    if isinstance(value, list):
        return [scaled(item, factor) for item in value]
    return value * factor if isinstance(value, float | int) and not isinstance(value, bool) else value


def damaged_corrections(seed: int) -> list[tuple[int, bytes]]:
    any = random.Random(seed)
    cases = []
    for number in range(FILES):
        record = records(any)
        text = the_record(any, record) if any.randrange(2) else json_text(record)
        data = text.encode("utf-8", "surrogatepass")
        for _ in range(any.choice((0, 1, 1, 1, 2, 4))):
            data = any.choice(TEXT_DAMAGE)(any, data) or b" "
        cases.append((number % 2, data))
    return cases


# --- the comparisons ------------------------------------------------------------------------------------------
def test_corrections_are_read_alike(reader: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    cases = damaged_corrections(seed=1)
    native = natively(reader, "correction", cases)
    expected = [in_python(tmp_path / "case.correction", *case) for case in cases]
    got = native()
    assert len(got) == len(expected)
    differing = [(number, e if isinstance(e, str) else "taken", g if isinstance(g, str) else "taken")
                 for number, (e, g) in enumerate(zip(expected, got, strict=True)) if e != g]
    assert not differing, f"{len(differing)} of {len(cases)} differ: {differing[:5]}"
    kinds = Counter("taken" if not isinstance(e, str) else "JSON" if ", line " in e else "operation" for e in expected)
    assert min(kinds[kind] for kind in ("taken", "JSON", "operation")) > FILES // 10, kinds


def damaged_patches(seed: int) -> list[tuple[int, bytes]]:
    """Patches files of the demo's card: whole ones, ones with damaged text, ones whose text is in order and whose
    content isn't, and ones damaged in the ways of :mod:`badfiles`."""
    any = random.Random(seed)
    card = load_card(CARD)
    cases = []
    for _ in range(PATCHES_FILES):
        record = {**patches_to_dict(card), "size": any.choice(([280.0, 200.0], [500, 300]))}
        patches = record["patches"]
        one, axis, choice = any.choice(patches), any.choice("xy"), any.randrange(24)
        if choice == 0:
            one[axis] = one[axis][:any.randrange(5)]
        elif choice == 1:
            one[axis] = one[axis] * any.choice((2, 9))
        elif choice == 2:
            any.shuffle(one[axis])
        elif choice == 3:
            one[any.choice((axis, "name"))] = any.choice((None, 5, "a", [], ["1", 2, 3], [True, 1, 2], {}))
        elif choice == 4:
            one[any.choice(("z", "role", "é" * 50, ""))] = 1
        elif choice == 5:
            del one[any.choice(("x", "y", "name"))]
        elif choice == 6:
            patches[any.randrange(len(patches))] = any.choice((None, [], "white", {}))
        elif choice == 7:
            record[any.choice(("size", "patches", "format", "more"))] = any.choice((
                None, [], [1, 2], [0, 1], [1e7, 1e7], [1, 2, 3], "x", {}, patches * 30))
        elif choice == 8:
            del record[any.choice(("size", "patches", "format"))]
        elif choice == 9:
            one[axis][any.randrange(len(one[axis]))] = any.choice((-1.0, -0.0, 281.0, 1e6, 2e6, 1e-300, 12))
        elif choice == 10:
            one["x"], one["y"] = one["x"][::-1], one["y"][::-1]
        data = json_text(record).encode()
        for _ in range(any.choice((1, 2)) if choice > 16 else 0):
            data = any.choice(TEXT_DAMAGE)(any, data) or b" "
        cases.append((0, data))
    whole = {"patches.json": json_text(patches_to_dict(card)).encode()}
    return cases + [(0, raw) for _, _, raw in damaged(whole, OTHERWISE, seed)]


def test_patches_are_read_alike(reader: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    cases = damaged_patches(seed=4)
    native = natively(reader, "patches", cases)
    expected = [in_python(tmp_path / "case.patches", *case) for case in cases]
    differing = [(e if isinstance(e, str) else "taken", g if isinstance(g, str) else "taken")
                 for e, g in zip(expected, native(), strict=True) if e != g]
    assert not differing, f"{len(differing)} of {len(cases)} differ: {differing[:5]}"
    kinds = Counter("taken" if not isinstance(e, str) else re.sub(r"case.*?\(|\d+|'.*'", "", e).split(":")[-1]
                    for e in expected)
    assert kinds["taken"] > PATCHES_FILES // 5 and len(kinds) > 12, kinds


def test_the_schema_says_what_the_readers_take(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What they take is valid by the patches file's schema; what is valid they refuse for its geometry alone, or for a
    text that JSON allows and this project doesn't."""
    valid_by_schema = jsonschema.Draft202012Validator(schemas()["patches"]).is_valid
    told: Counter[str] = Counter()
    monkeypatch.chdir(tmp_path)
    for option, data in damaged_patches(seed=5)[:PATCHES_FILES:2]:
        try:
            record = json.loads(data, object_pairs_hook=once)
        except (ValueError, RecursionError):
            continue
        verdict = in_python(tmp_path / "case.patches", option, data)
        valid = valid_by_schema(record)
        if not isinstance(verdict, str):
            assert valid
            told["taken"] += 1
        elif valid:
            assert any(fault in verdict for fault in FAULTS) or ", line " in verdict, verdict
            told["geometry"] += 1
        else:
            told["refused by both"] += 1
    assert min(told[name] for name in ("taken", "geometry", "refused by both")) > 10, told


def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    if len(dict(pairs)) < len(pairs):
        raise ValueError("a key stands twice")
    return dict(pairs)


def cube_text(any: random.Random) -> str:
    """A .cube file, damaged or not."""
    three = any.random() < 0.6
    n = any.choice((2, 3)) if three else any.choice((2, 5))
    head = [line for line in ('TITLE "x"', "# comment", "DOMAIN_MIN 0 0 0\nDOMAIN_MAX 1 1.5 1") if any.random() < 0.4]
    head.insert(any.randrange(len(head) + 1), f"LUT_{3 if three else 1}D_SIZE {n}")
    lines = [*head, *(" ".join(f"{any.random():.4f}" for _ in range(3)) for _ in range(n**3 if three else n))]
    for _ in range(any.choice((0, 1, 1, 2))):
        at, choice = any.randrange(len(lines)), any.randrange(8)
        words = lines[at].split() or ["0"]
        if choice < 3:
            words[any.randrange(len(words))] = any.choice(("nan", "inf", "1e39", "-1", "1e-50", "1,5", "1.5.2", "abc",
                                                           "", "1 2", "1e", ".5", "5."))
            lines[at] = " ".join(words)
        elif choice == 3:
            del lines[at]
        elif choice == 4:
            lines.insert(at, any.choice(("", "#", "LUT_1D_SIZE 2", "FOO 1", "DOMAIN_MIN 1 1 1", "TITLE a")))
        elif choice == 5:
            lines[at] = any.choice((lines[at].lower(), f"  {lines[at]} \t", "\t".join(words)))
        elif choice == 6:
            lines[at] += any.choice((" 1", " x"))
        else:
            lines = lines[:at + 1]
    return any.choice(("\n", "\r\n")).join(lines) + any.choice(("\n", ""))


def test_cube_files_that_both_take_are_packed_alike(reader: Path, tmp_path: Path) -> None:
    """Python reads them through OpenColorIO, which takes some that the plug-in refuses: a number that goes on (1.5.2),
    rows before the size or more of them than that. Never may the plug-in take one as something else."""
    any = random.Random(3)
    cases = [(0, cube_text(any).encode()) for _ in range(300)]
    native = natively(reader, "cube", cases)
    expected: list[Verdict] = []
    for _, data in cases:
        (tmp_path / "case.cube").write_bytes(data)
        try:
            expected.append(packed(read_lut(tmp_path / "case.cube")))
        except InputError as error:
            expected.append(str(error))
    verdicts = Counter((*("refused" if isinstance(verdict, str) else "taken" for verdict in pair), pair[0] == pair[1])
                       for pair in zip(expected, native(), strict=True))
    assert verdicts["taken", "taken", True] > 100 and verdicts["refused", "refused", False] > 50
    assert verdicts["taken", "taken", False] == 0 and verdicts["refused", "taken", False] == 0, verdicts


def test_the_scanner_agrees_with_pythons_reader(tmp_path: Path) -> None:
    """What Python's json takes and the limits allow, the scanner takes, and nothing else."""
    scan = strict_json.scanner(lambda function: function)["scan"]
    for _, data in damaged_corrections(seed=2)[:150]:
        fault, _ = scan(data[:4000], len(data[:4000]), defaultdict(int))
        try:
            strict_json.loads(data[:4000])
            taken = True
        except strict_json.JsonError:
            taken = False
        assert taken == (fault == 0)


@pytest.mark.parametrize(("text", "words", "line"), [
    ("", strict_json.FAULTS[0], 1), ('{"a": 1,\n "a": 2}', "a key that stands twice", 2),
    ("[1,\n2", "without an end", 2),
    ("[NaN]", strict_json.FAULTS[0], 1), ("[" * 30 + "]" * 30, "nested more than 24 deep", 1),
    ("[" + "1" * 500 + "]", "more than 400 characters", 1), ('["\n"]', "control character", 1), ("{} x", "behind", 1),
    ('{"a" 1}', "without a colon", 1), ("{1: 2}", "a key is missing", 1), ('["\\x"]', "unknown escape", 1),
    ('{"b": {"a": 1}, "b": {"a": 1}}', "a key that stands twice", 1)])
def test_json_faults_have_their_line(text: str, words: str, line: int) -> None:
    with pytest.raises(strict_json.JsonError, match=words) as found:
        strict_json.loads(text.encode())
    assert found.value.line == line


def test_what_is_in_order_is_read_as_json_reads_it() -> None:
    text = json.dumps({"a": [1, -0.5e-3, None, True, "é\ud800\U0001f600"], "b": {"c": {}, "a": []}, "": "1" * 500})
    assert strict_json.loads(text.encode()) == json.loads(text)
