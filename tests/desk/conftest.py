"""A small invented take with the card drawn into it, and a session over it; nothing here comes from a camera."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from huewright.cards.own import own_card
from huewright.desk.choices import Choices
from huewright.desk.session import Session
from huewright.frames import Frame, write_frame
from huewright.models.card import save_card
from huewright.models.settings import SolveSettings
from huewright.steps.desk import Named, open_session, option_words
from huewright.steps.inputs import footage_from, take_from
from testset.backgrounds import background
from testset.scene import Conditions, Plane, compose

NUMBERS = (1, 2, 3, 4, 5)
WITHOUT, REFLECTING = 5, 4
BASE = Conditions(width=960, height=540, size=0.5, roll_deg=4, gloss=0.0, shot_noise=2e-4, gains=(1.15, 1.0, 0.85),
                  exposure_stops=-0.3, coding="acescct")
TAKE = "take/a.####.dpx"


@pytest.fixture(scope="session")
def shoot(made_once: Callable[[str, Callable[[Path], object]], Path]) -> Path:
    """A folder with the take, a shot of one other frame, and the card file."""
    card = own_card()

    def make(folder: Path) -> None:
        save_card(card, folder / "card.toml")
        for number in NUMBERS:
            c = replace(BASE, centre=(0.48 + 0.004 * number, 0.5))
            if number == REFLECTING:
                c = replace(c, gloss=1.0, roughness=0.12)
                c = replace(c, lamp=tuple(float(v) for v in Plane(card, c).mirror_lamp((150.0, 120.0), 2500.0)))
            if number == WITHOUT:
                c = replace(c, centre=(3.0, 0.5))
            behind, _ = background(np.random.default_rng(21), c.width, c.height)
            rgb, _ = compose(card, behind, c, np.random.default_rng([5, number]))
            frame = Frame(np.round(np.clip(rgb, 0, 1) * 65535).astype(np.uint16), bits=10)
            (folder / "take").mkdir(exist_ok=True)
            (folder / "shot").mkdir(exist_ok=True)
            write_frame(folder / "take" / f"a.{number:04d}.dpx", frame)
            if number == WITHOUT:
                write_frame(folder / "shot" / "s.0001.dpx", frame)

    return made_once("desk", make)


@pytest.fixture
def session(shoot: Path, kept: dict[str, Session], monkeypatch: pytest.MonkeyPatch) -> Session:
    """One session for all tests of a worker; the take is looked through once."""
    monkeypatch.chdir(shoot)
    if "one" not in kept:
        take = take_from(TAKE)
        named = Named(TAKE, "card.toml", option_words([("--encoding", "ACEScct", None)]))
        kept["one"] = open_session(take, Path("card.toml"), footage_from(take, encoding="ACEScct"), named,
                                   shots=(take_from("shot/s.####.dpx"),))
    return kept["one"]


@pytest.fixture(scope="session")
def kept() -> dict[str, Session]:
    return {}


@pytest.fixture
def session_in(session: Session) -> Callable[..., Session]:
    """``session_in(folder, settings)``: another session over the same take, which writes into ``folder``."""
    def made(folder: Path, settings: SolveSettings | None = None) -> Session:
        named = replace(session.named, survey_file=str(folder / "survey.json"), out=str(folder / "correction.json"))
        return Session(session.takes[0], session.takes[1:], session.card, session.footage,
                       settings or session.opened_with, Choices(), named, session._surveyor, session._solve)

    return made
