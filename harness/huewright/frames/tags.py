"""What a movie says of its colours, and how its codes are understood by it: range, matrix, primaries, transfer, siting.

Source: ITU-T H.273 (code points of ColourPrimaries, TransferCharacteristics and MatrixCoefficients, tables 2 to 4, and
chroma sample location types); the luma coefficients of ITU-R BT.601-7, BT.709-6, BT.2020-2 and SMPTE ST 240. What is
taken where nothing is said is common practice, no source: matrix by the picture's size, legal range. ``Tags.doubts``
says what was taken so, and what is said but hardly means what it says; the person may say otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from huewright_kernels.ycbcr import Coding

from huewright.errors import InputError

MATRICES = {"bt709": (0.2126, 0.0722), "bt601": (0.299, 0.114), "bt2020": (0.2627, 0.0593),
            "fcc": (0.30, 0.11), "st240": (0.212, 0.087)}
"""(Kr, Kb) by the name that overrides and tables use."""
MATRIX_NAMES = {1: "bt709", 4: "fcc", 5: "bt601", 6: "bt601", 7: "st240", 9: "bt2020"}
_OTHER_MATRICES = {8: "YCgCo", 10: "BT.2020 with constant luminance", 11: "Y'D'zD'x", 12: "derived from primaries",
                   13: "derived from primaries with constant luminance", 14: "ICtCp", 15: "IPT", 16: "YCgCo-Re",
                   17: "YCgCo-Ro"}
PRIMARIES_NAMES = {1: "bt709", 5: "bt601-625", 6: "bt601-525", 7: "bt601-525", 9: "bt2020", 11: "p3-dci", 12: "p3-d65"}
TRANSFER_NAMES = {1: "bt709", 4: "gamma22", 5: "gamma28", 6: "bt601", 7: "st240", 8: "linear", 13: "srgb", 14: "bt2020",
              15: "bt2020", 16: "pq", 18: "hlg"}
SITES = {"left": (0.0, 0.5), "center": (0.5, 0.5), "topleft": (0.0, 0.0), "top": (0.5, 0.0),
         "bottomleft": (0.0, 1.0), "bottom": (0.5, 1.0)}
"""Where chroma samples of halved planes lie, by FFmpeg's names of H.273's types 0 to 5."""
KEYS = {"range": ("full", "legal"), "matrix": tuple(MATRICES), "chroma": tuple(SITES), "fields": ("progressive",),
        "rotation": ("0", "90", "180", "270"), "rate": (), "timecode": ()}
"""What the person may say instead of a movie's tags, and the words that it takes (none: a number, a time code)."""
HIGH_DEFINITION = 720       # lines from which, or 1280 pixels, the matrix of BT.709 is taken where nothing says it


Kind = Literal["range missing", "range and codes", "matrix missing", "matrix and size", "matrix and primaries",
               "transfer and primaries", "uneven", "alpha", "lost"]


@dataclass(frozen=True)
class Doubt:
    """Something that tags leave open or say improbably.

    said, taken  what the file says, and what was done
    """

    kind: Kind
    said: str = ""
    taken: str = ""


@dataclass(frozen=True)
class Tags:
    """``range`` "full" or "legal", ``matrix`` of :data:`MATRICES` ("rgb" for R'G'B', "none" for grey); ``primaries``
    and ``transfer`` by H.273's code points in short words, "" where they aren't said; ``chroma`` where samples lie;
    ``overridden`` names what the person said instead."""

    range: str
    matrix: str
    primaries: str = ""
    transfer: str = ""
    chroma: str = "left"
    overridden: tuple[str, ...] = ()
    doubts: tuple[Doubt, ...] = ()

    def doubting(self, *doubts: Doubt) -> Tags:
        return replace(self, doubts=(*self.doubts, *doubts))

    def coding(self, bits: int, across: int, down: int) -> Coding:
        """Of planes of ``bits`` whose chroma samples stand for ``across`` times ``down`` pixels."""
        kr, kb = MATRICES.get(self.matrix, MATRICES["bt709"])
        site_x, site_y = SITES[self.chroma or "left"]
        return Coding(kr, kb, bits, self.range == "legal", across, down, site_x, site_y)


def overrides_from(text: str, said_of: str) -> dict[str, str]:
    """``range=full,matrix=bt601`` as a dict; :class:`InputError` names what isn't known."""
    found: dict[str, str] = {}
    for part in text.split(","):
        key, equals, value = (piece.strip() for piece in part.partition("="))
        value = {"limited": "legal", "centre": "center", "top-left": "topleft", "bt2020nc": "bt2020"}.get(value, value)
        if not equals or key not in KEYS:
            raise InputError(f"{said_of}: {part!r} says nothing of a movie's tags; write key=value with the keys "
                             f"{', '.join(KEYS)}")
        if KEYS[key] and value not in KEYS[key]:
            raise InputError(f"{said_of}: {key} is one of {', '.join(KEYS[key])}, not {value!r}")
        found[key] = value
    return found


def understood(*, codes: tuple[int, int, int, int], location: str, pixels: str, size: tuple[int, int], movie: str,
               said: dict[str, str]) -> Tags:
    """The tags of a stream.

    codes     its range (0 unsaid, 1 legal, 2 full), matrix, primaries and transfer as H.273's code points
    location  of chroma samples by FFmpeg's name, "unspecified", or "" where each pixel has its own
    pixels    "ycbcr", "rgb" or "grey"; ``size`` (width, height); ``said`` the person's own words

    :class:`InputError` names a matrix that isn't taken here.
    """
    range_code, matrix_code, primaries_code, transfer_code = codes
    doubts: list[Doubt] = []
    high = size[1] >= HIGH_DEFINITION or size[0] >= 1280
    primaries, transfer = PRIMARIES_NAMES.get(primaries_code, ""), TRANSFER_NAMES.get(transfer_code, "")
    if "range" in said:
        range_ = said["range"]
    elif range_code in (1, 2) or pixels == "rgb":
        range_ = "legal" if range_code == 1 and pixels != "rgb" else "full"
    else:
        range_ = "legal"
        doubts.append(Doubt("range missing", taken="legal"))
    matrix = "rgb" if pixels == "rgb" else "none"
    if pixels == "ycbcr":
        matrix = said.get("matrix") or MATRIX_NAMES.get(matrix_code, "")
        if not matrix and (matrix_code in _OTHER_MATRICES or matrix_code == 0):
            name = _OTHER_MATRICES.get(matrix_code, "R'G'B', though its pixels are Y'CbCr")
            raise InputError(f"{movie}: its colour matrix is {name}, which isn't read here; convert it to BT.709 or "
                             f"BT.2020 (non-constant luminance), or say what it is, as {movie}:matrix=bt709")
        if not matrix:
            matrix = "bt2020" if primaries == "bt2020" else "bt709" if high else "bt601"
            doubts.append(Doubt("matrix missing", said=f"{size[0]} x {size[1]}", taken=matrix))
        elif "matrix" not in said:
            wide = primaries == "bt2020"
            if primaries and (matrix == "bt2020") != wide and "p3" not in primaries:
                doubts.append(Doubt("matrix and primaries", f"{matrix}, {primaries}", matrix))
            elif matrix == "bt601" and high and not primaries.startswith("bt601"):
                doubts.append(Doubt("matrix and size", f"{matrix}, {size[0]} x {size[1]}", matrix))
    if transfer in ("pq", "hlg") and primaries in ("bt709", "bt601-525", "bt601-625"):
        doubts.append(Doubt("transfer and primaries", f"{transfer}, {primaries}"))
    chroma = said.get("chroma") or (location if location in SITES else "left") if location else ""
    return Tags(range_, matrix, primaries, transfer, chroma, tuple(key for key in KEYS if key in said), tuple(doubts))


__all__ = ["KEYS", "MATRICES", "MATRIX_NAMES", "PRIMARIES_NAMES", "SITES", "TRANSFER_NAMES",
           "Doubt", "Tags", "overrides_from", "understood"]
