"""Golden masks of patch isolation: what the reference gives, and what kernels, binary and a port must give."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from huewright.files import write_json
from huewright.host.rendering import Renderer
from huewright.models.patches import FORMAT, fault
from huewright.plugin.effects import effect
from huewright.plugin.golden_isolation import (
    PLACED_TOLERANCE_PX,
    REFUSED,
    REFUSED_FILE,
    TOLERANCE,
    GoldenMask,
    from_text,
    golden_masks,
    refused_text,
    to_text,
    write_golden_masks,
)
from huewright.plugin.isolation import isolation_polygons
from huewright_kernels.masks import isolate

FOLDER = Path(__file__).parents[2] / "kernels" / "golden" / "isolation"
NAMES = sorted(path.stem for path in FOLDER.glob("*.txt") if path.name != REFUSED_FILE)


def read(name: str) -> GoldenMask:
    return from_text(name, (FOLDER / f"{name}.txt").read_text(encoding="ascii"))


def settings(golden: GoldenMask, folder: Path) -> dict[str, object]:
    """As the effect takes them; its patches file is written into ``folder``."""
    chosen: dict[str, object] = {"inset": golden.inset, "feather": golden.feather}
    chosen |= zip(("topLeft", "topRight", "bottomRight", "bottomLeft"), map(tuple, golden.corners.tolist()),
                  strict=True)
    if golden.grid:
        return chosen | dict(zip(("columns", "rows"), golden.grid, strict=True))
    write_json(folder / "patches.json", {"format": FORMAT, "size": [1.0, 1.0], "patches": [
        {"name": "", "x": patch[:, 0].tolist(), "y": patch[:, 1].tolist()} for patch in golden.patches]})
    return chosen | {"patchesFile": str(folder / "patches.json")}


def test_the_files_are_what_the_reference_gives(tmp_path: Path) -> None:
    computed = {golden.name: golden for golden in golden_masks()}
    assert NAMES == sorted(computed)
    for name, expected in computed.items():
        golden = read(name)
        assert to_text(golden) == (FOLDER / f"{name}.txt").read_text(encoding="ascii")
        assert golden.grid == expected.grid and golden.feather == expected.feather
        assert len(golden.patches) == len(expected.patches)
        assert all(map(np.array_equal, golden.patches, expected.patches))
        # The last digits are the C library's and the linear algebra's.
        assert max(np.abs(a - b).max() for a, b in zip(golden.placed, expected.placed, strict=True)) < 1e-10
        assert np.abs(golden.coverage - expected.coverage).max() < 1e-10
    write_golden_masks(tmp_path / "new")
    assert sorted(path.stem for path in (tmp_path / "new").iterdir()) == sorted([*NAMES, "refused"])


@pytest.mark.parametrize("name", NAMES)
def test_the_kernels_pass(name: str, tmp_path: Path) -> None:
    golden = read(name)
    polygons = isolation_polygons(effect("PatchIsolation").settings(settings(golden, tmp_path)), golden.height,
                                  golden.scale, golden.at)
    for polygon, wanted in zip(polygons, golden.placed, strict=True):
        ways = [np.abs(np.roll(way, k, axis=0) - wanted).max() for way in (polygon, polygon[::-1])
                for k in range(len(wanted))]
        assert min(ways) < PLACED_TOLERANCE_PX
    shown = isolate(np.ones((golden.height, golden.width, 3), np.float32), polygons, golden.feather * golden.scale[0])
    assert np.abs(shown - golden.coverage[..., None]).max() <= TOLERANCE


@pytest.mark.parametrize("name", [name for name in NAMES if read(name).scale == (1, 1) and read(name).at == (0, 0)])
def test_the_binary_passes(binary: Path, tmp_path: Path, name: str) -> None:
    golden = read(name)
    white = np.ones((golden.height, golden.width, 4), np.float32)
    renderer = Renderer(binary, "org.huewright.PatchIsolation", settings(golden, tmp_path), white.shape[1::-1],
                        white.dtype, alpha=True)
    shown = renderer.render(white)
    renderer.close()
    assert np.abs(shown[..., :3] - golden.coverage[..., None]).max() <= TOLERANCE and (shown[..., 3] == 1).all()


def test_what_must_be_refused_is() -> None:
    assert (FOLDER / REFUSED_FILE).read_text(encoding="ascii") == refused_text()
    for kind, points in REFUSED:
        if kind == "corners":
            corners = zip(("topLeft", "topRight", "bottomRight", "bottomLeft"), points, strict=True)
            with pytest.raises(ValueError, match="convex quad"):
                isolation_polygons(effect("PatchIsolation").settings(dict(corners)), 20)
        else:
            x, y = zip(*points, strict=True)
            assert len(points) < 3 or fault(x, y, (len(x), len(y)), (1.0, 1.0))


@pytest.fixture(scope="module")
def port(tmp_path_factory: pytest.TempPathFactory) -> Path:
    compiler = shutil.which("gcc") or shutil.which("clang")
    if compiler is None:
        pytest.skip("needs a C compiler")
    program = tmp_path_factory.mktemp("port") / "isolation"
    subprocess.run([compiler, "-std=c11", "-O1", "-Wall", "-Wextra", "-Werror",
                    Path(__file__).parent / "ports" / "isolation.c", "-lm", "-o", program], check=True)
    return program


def ported(port: Path, mistake: int) -> list[list[str]]:
    """Each file's figures: coverage's error, the placing's, the tolerance; of the last, refused.txt, two counts."""
    files = [FOLDER / f"{name}.txt" for name in (*NAMES, "refused")]
    said = subprocess.run([port, str(mistake), *files], check=True, capture_output=True, text=True).stdout
    return [line.split(" ")[1:] for line in said.splitlines()]


def test_the_port_to_c_passes(port: Path) -> None:
    *masks, refused = ported(port, 0)
    assert len(masks) == len(NAMES) and refused == ["0", str(len(REFUSED))]
    for off, misplaced, tolerance in masks:
        assert float(off) < 1e-9 < float(tolerance) and float(misplaced) < PLACED_TOLERANCE_PX


def test_a_wrong_port_fails(port: Path) -> None:
    """Each mistake that the port can be told to make is found in some file's coverage, by a hundred tolerances, but the
    order of a grid's cells, which only the placing shows."""
    count = int(subprocess.run([port, "0"], check=True, capture_output=True, text=True).stdout)
    assert count == 19
    for mistake in range(1, count):
        masks = ported(port, mistake)[:-1]
        worst = max(float(off) for off, _, _ in masks)
        misplaced = max(float(off) for _, off, _ in masks)
        assert worst > 100 * TOLERANCE or misplaced > 1, (mistake, worst, misplaced)
