"""Every table on a narrow terminal, and the cautions in their order."""

from __future__ import annotations

import io
from pathlib import Path
from types import SimpleNamespace

import huewright_demo
import numpy as np
import pytest
from huewright.accuracy.check import SPACING, Check
from huewright.cli import tables
from huewright.cli.demo import changes_table
from huewright.cli.show import WIDTH, cautions
from huewright.models import cautions as c
from huewright.models.card import Card, load_card
from huewright.models.correction import Correction
from huewright.models.proof import PatchProof
from huewright.models.reasons import CardTilted, LightUneven, NoCard, WithoutPatches
from huewright.models.survey import FrameGrade
from huewright.solver.answer import solve
from huewright.solver.compare import compare
from huewright.solver.simulate import FOOTAGE, Spread, simulated_take
from huewright.words import in_order
from rich.console import Console
from rich.table import Table


@pytest.fixture(scope="module")
def card() -> Card:
    return load_card(Path(huewright_demo.__file__).parent / "card.toml")


def grade(frame: int, verdict: str, **figures: object) -> SimpleNamespace:
    return SimpleNamespace(**{**dict.fromkeys(("glare", "clipped", "edge_width_px", "motion_px", "patch_px", "tilt_deg",
                                               "light_stops"), 0.0), "reasons": (), "frame": frame, "verdict": verdict,
                              **figures})


@pytest.fixture(scope="module")
def made(card: Card) -> dict[str, Table]:
    take = simulated_take(card, np.random.default_rng(4), Spread(exposure_stops=1.5))
    correction: Correction = solve(take.reading, card, FOOTAGE)
    far = -173.25
    proofs = tuple(PatchProof(row.name, row.role, row.used and row.name != "cyan", row.target, row.before, row.after,
                              far, far, 1.234, 1.234, 100.25, 100.25, 100.25, 25.5, 25.5) for row in correction.patches)
    grades = (grade(1001, "chosen"), grade(1003, "no card", reasons=(NoCard(),)),
              grade(1002, "refused", glare=0.12, clipped=0.3, edge_width_px=12.8, motion_px=10.9, patch_px=148.0,
                    tilt_deg=33.0, light_stops=1.21,
                    reasons=(LightUneven(1.2), CardTilted(33.0), WithoutPatches(("skin-light", "magenta")))))
    bench = SimpleNamespace(rows=[SimpleNamespace(
        operation="tetrahedral LUT 65", size="UHD", picture="smooth", threads=2, ours_ms=123.4, peer="OpenColorIO",
        peer_ms=2345.6, ratio=19.01, copy_ms=9.2, spread=0.34, reliable=False, note="in float64, by another formula")])
    checks = (Check("log decode, six parameters, random colours", "SMPTE ST 2136-1 (CLF), 5.3.4; Academy S-2016-001",
                    1.0, 0.94, "(-0.499999, 3.99999, 1.000001)", True, SPACING),)
    probe = SimpleNamespace(results=[SimpleNamespace(
        plugin="org.huewright.HueSectors", context="OfxImageEffectContextFilter", what="renders tiles in any order",
        result="failed", reason="", findings=[SimpleNamespace(level="error", message="wrote outside the window")])])
    of = SimpleNamespace(worst_chip_hue_error_deg=173.25, worst_chip_radius_error=0.5421, worst_bar_error_ire=15.57,
                         mean_check_delta_e=10.07, worst_check_delta_e=114.7)
    change = SimpleNamespace(before=of, after=of)
    camera = SimpleNamespace(against_targets=change, against_truth=change)
    return {"demo": changes_table(camera),  # type: ignore[arg-type]
            "survey": tables.survey_table(SimpleNamespace(grades=grades), "3 frames"),  # type: ignore[arg-type]
            "parameters": tables.parameter_table(correction), "patches": tables.patch_table(correction),
            "proof": tables.proof_table(SimpleNamespace(patches=proofs)),  # type: ignore[arg-type]
            "methods": tables.method_table(compare(take.reading, card, FOOTAGE)),
            "bench": tables.bench_table(bench),  # type: ignore[arg-type]
            "accuracy": tables.accuracy_table(SimpleNamespace(checks=checks)),  # type: ignore[arg-type]
            "probe": tables.probe_table(probe)}  # type: ignore[arg-type]


def rendered(table: Table) -> str:
    stream = io.StringIO()
    Console(file=stream, width=WIDTH, highlight=False, color_system=None).print(table)
    return stream.getvalue()


@pytest.mark.parametrize("name", ["survey", "parameters", "patches", "proof", "methods", "bench", "accuracy", "probe",
                                  "demo"])
def test_a_table_is_readable_in_80_columns(made: dict[str, Table], name: str) -> None:
    """No line is wider, and every word of every heading and cell stands whole in one."""
    text = rendered(made[name])
    assert max(map(len, text.splitlines())) <= 80
    words = set(text.split())
    for column in made[name].columns:
        for cell in (column.header, *column.cells):
            assert set(str(cell).split()) <= words, f"{cell!r} is broken"


def test_what_was_declared_wrongly_comes_first_and_three_are_shown(capsys: pytest.CaptureFixture[str]) -> None:
    said = [c.LightFallsOff(0.3), c.NotScreened(), c.SameLight(), c.NoiseMeasured(7.0), c.LightFallsOff(0.3),
            c.Flashing("b", 5, False, 1, 9, 25.0, True),
            c.DeclarationDoubted(True, "white", 0.2, 9.0, 30.0, 9.0, 0.0)]
    assert [type(one) for one in in_order(said)] == [c.DeclarationDoubted, c.Flashing, c.NoiseMeasured, c.LightFallsOff,
                                                    c.SameLight, c.NotScreened]
    cautions(said, "in proof.html")
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 4 and "contradict --encoding" in lines[0] and lines[3] == "caution: and 3 more in proof.html"
    cautions(said[:4], "in proof.html")
    assert len(capsys.readouterr().err.splitlines()) == 4     # a fourth costs no more than saying so
    cautions(said)
    assert len(capsys.readouterr().err.splitlines()) == 6


def test_the_table_of_a_long_take_is_short() -> None:
    none = [FrameGrade(number, "no card", (NoCard(),)) for number in range(1, 5001)]
    survey = SimpleNamespace(grades=[*none[:3000], FrameGrade(3001, "chosen"), *none[3001:]])
    table = tables.survey_table(survey, "long")  # type: ignore[arg-type]
    assert list(table.columns[0].cells) == ["1-3000", "3001", "3002-5000"]
    survey = SimpleNamespace(grades=[FrameGrade(number, "chosen") for number in range(3000)])
    assert tables.survey_table(survey, "long").row_count == tables.MOST_ROWS + 1  # type: ignore[arg-type]
