"""The page to work with: the take looked through once, then served to a browser on this machine."""

from __future__ import annotations

import socket
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import numpy as np

from huewright.desk.choices import Choices, Named, choices_of, option_words
from huewright.desk.kept import Few
from huewright.desk.session import Asked, Session
from huewright.errors import InputError
from huewright.finding.grade import Judged
from huewright.frames.take import Take
from huewright.models.by_hand import ByHand, Placed
from huewright.models.card import Card, load_card
from huewright.models.correction import Correction
from huewright.models.footage import Footage
from huewright.models.settings import SolveSettings
from huewright.models.survey import Survey
from huewright.progress import Progress, silent
from huewright.steps.solve import solve_survey
from huewright.steps.survey import Corners, Looked, graded, look_through, placed, survey_of

PLACED = 64


def open_session(take: Take, card_path: Path, footage: Footage, named: Named, *, shots: tuple[Take, ...] = (),
                 settings: SolveSettings | None = None, by_hand: ByHand | None = None, corners: Corners | None = None,
                 every_frame: bool = False, progress: Progress = silent) -> Session:
    """A session for the page: the take is looked through here, which is all that takes time.

    ``named`` are the words of the command lines that the page shows. Raises :class:`InputError` as a survey.
    """
    if Path(named.survey_file).absolute() == Path(named.out).absolute():
        raise InputError(f"{named.out}: survey and correction can't be one file; give --survey or --out another name")
    card, settings = load_card(card_path), settings or SolveSettings()
    looked = look_through(take, card, footage, corners=corners, every_frame=every_frame, progress=progress)
    surveyor = LookedThrough(take, card, card_path, footage, looked)
    choices = choices_of(settings, by_hand)
    survey = surveyor.survey(choices.by_hand)      # so that frames that can't be are refused here, not on the page

    def solve(survey: Survey, asked: SolveSettings) -> Correction:
        return solve_survey(survey, card, asked, card_path=card_path)

    session = Session(take, shots, card, footage, settings, choices, named, surveyor, solve)
    # The page's first picture once: what has to be compiled or decoded for it isn't waited for in the browser.
    first = next(iter(survey.chosen), take.numbers[0])
    session.look(choices, Asked(first, parts=("before", "scopes_before")))
    return session


class LookedThrough:
    """A take's survey for any frames by hand: only frames whose corners were moved are read again."""

    def __init__(self, take: Take, card: Card, card_path: Path, footage: Footage, looked: Looked) -> None:
        self._take, self._card, self._card_path, self._footage = take, card, card_path, footage
        self._looked = looked
        self._placed: Few[Judged] = Few(PLACED)

    def survey(self, by_hand: ByHand) -> Survey:
        judged = {frame.frame: frame for frame in self._looked.judged}
        for each in by_hand.placed:
            if each.frame in self._looked.chain:      # else it is refused as one that was not looked at
                judged[each.frame] = self._judged(each)
        empty = tuple(number for number in self._looked.empty if number not in judged)
        looked = replace(self._looked, judged=tuple(judged.values()), empty=empty)
        return survey_of(looked, self._take, self._card, self._card_path, self._footage, by_hand=by_hand)

    def outlines(self, by_hand: ByHand, frame: int) -> dict[str, np.ndarray]:
        found = next((each.found for each in self._looked.judged if each.frame == frame), None)
        for each in by_hand.placed:
            if each.frame == frame:
                found = self._judged(each).found
        if found is None:
            return {}
        return dict(zip([patch.name for patch in self._card.patches], found.pose.polygons(self._card), strict=True))

    def _judged(self, one: Placed) -> Judged:
        def judge() -> Judged:
            source = self._take.frame(one.frame)
            picture = (source.rgb_float(), source.pixel_aspect, source.integers)
            found = placed(picture, self._card, ByHand(placed=(one,)), one.frame)
            return graded(picture, found, self._card, self._looked.light, one.frame, self._looked.chain[one.frame])

        return self._placed.get(one, judge)


def serve(session: Session, *, port: int = 0, ready: Callable[[str], None]) -> None:
    """Serves the session on this machine alone until it is stopped; ``ready`` gets the address once it is there.

    Raises :class:`InputError` for a port that is taken.
    """
    import uvicorn

    from huewright.desk.guard import new_token
    from huewright.desk.server import served

    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind(("127.0.0.1", port))
    except OSError as error:
        listening.close()
        raise InputError(f"port {port} of this machine can't be had ({error.strerror}); leave --port out, or give "
                         "another one") from None
    token, host = new_token(), f"127.0.0.1:{listening.getsockname()[1]}"

    class Server(uvicorn.Server):
        async def startup(self, sockets: list[socket.socket] | None = None) -> None:
            await super().startup(sockets)
            ready(f"http://{host}/{token}/")

    # Its own log would print the token with every request.
    config = uvicorn.Config(served(session, token, host), log_level="warning", access_log=False, server_header=False,
                            proxy_headers=False, lifespan="off", timeout_graceful_shutdown=2)
    with listening, suppress(KeyboardInterrupt):       # which is how a page is ended
        Server(config).run(sockets=[listening])


__all__ = ["Choices", "LookedThrough", "Named", "Session", "open_session", "option_words", "serve"]
