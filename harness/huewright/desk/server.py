"""The session over HTTP, for one page: what was asked comes as JSON, pictures and scopes go back as they lie.

An answer with pictures is a length (4 bytes, little-endian), so many bytes of JSON, and the parts one after another, of
which the JSON gives kinds and sizes.
"""

from __future__ import annotations

import struct
import time
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any, TypeVar

import msgspec
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from huewright.desk import told
from huewright.desk.choices import Choices
from huewright.desk.guard import MOST_BYTES, App, Guard
from huewright.desk.latest import SupersededError
from huewright.desk.session import Asked, Session
from huewright.errors import InputError, NoAnswerError
from huewright.models.record import check_plain, from_record
from huewright.report.style import DAY, NIGHT, variables
from huewright.words import no_answer_words

PAGE = Path(__file__).parent / "page"
KINDS = {"desk.html": "text/html; charset=utf-8", "desk.css": "text/css; charset=utf-8",
         "desk.js": "text/javascript; charset=utf-8", "mark.svg": "image/svg+xml"}
T = TypeVar("T")


def served(session: Session, token: str, host: str) -> App:
    """The application for ``http://HOST/TOKEN/``."""
    files = {name: (PAGE / name).read_text(encoding="utf-8") for name in KINDS}
    for mark, palette in (("/* day */", DAY), ("/* night */", NIGHT)):
        files["desk.css"] = files["desk.css"].replace(mark, variables(palette))

    def file(name: str) -> Callable[[Request], Awaitable[Response]]:
        async def give(_: Request) -> Response:
            return Response(files[name], media_type=KINDS[name])

        return give

    async def opened(_: Request) -> Response:
        return _json(await run_in_threadpool(told.opened, session))

    async def survey(request: Request) -> Response:
        choices = _of(await _record(request), "choices", Choices)
        found = await run_in_threadpool(session.survey, choices)
        return _json(told.surveyed(session, found, choices))

    async def look(request: Request) -> Response:
        began = time.perf_counter()
        record = await _record(request)
        choices, asked = _of(record, "choices", Choices), _of(record, "asked", Asked)

        def looked() -> Response:
            seen = session.look(choices, asked)
            parts = told.parts_of(seen)
            head = {**told.seen(seen, session), "commands": session.commands(choices),
                    "parts": [{**what, "bytes": len(content)} for what, content in parts],
                    "ms": round(1000 * (time.perf_counter() - began), 1)}
            text = msgspec.json.encode(head)
            return Response(b"".join([struct.pack("<I", len(text)), text, *(content for _, content in parts)]),
                            media_type="application/octet-stream")

        return await run_in_threadpool(looked)

    async def figures(request: Request) -> Response:
        choices = _of(await _record(request), "choices", Choices)
        return _json(told.figured(await run_in_threadpool(session.figures, choices)))

    async def write(request: Request) -> Response:
        record = await _record(request)
        choices, overwrite = _of(record, "choices", Choices), record.get("overwrite") is True
        written = await run_in_threadpool(lambda: session.write(choices, overwrite=overwrite))
        return _json({"files": written.files, "there": written.there}, 409 if written.there else 200)

    routes = [Route("/", file("desk.html")), *(Route(f"/{name}", file(name)) for name in KINDS if name != "desk.html"),
              Route("/opened", opened), *(Route(f"/{name}", answer, methods=["POST"]) for name, answer in
                                          (("survey", survey), ("look", look), ("figures", figures), ("write", write)))]
    return Guard(Starlette(routes=routes, exception_handlers={
        InputError: _refused, NoAnswerError: _refused, OSError: _refused, SupersededError: _superseded,
        MisaskedError: _misasked, Exception: _broken}), token, host)


class MisaskedError(Exception):
    """What came is not what the page sends."""


async def _record(request: Request) -> dict[str, Any]:
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > MOST_BYTES:
            raise MisaskedError("too much was sent")
    try:
        record = msgspec.json.decode(body)
        check_plain(record)
    except (ValueError, RecursionError) as error:
        raise MisaskedError(str(error)) from None
    if not isinstance(record, dict):
        raise MisaskedError("not an object")
    return record


def _of(record: dict[str, Any], key: str, kind: type[T]) -> T:
    try:
        return from_record(record.get(key, {}), kind)
    except ValueError as error:
        raise MisaskedError(str(error)) from None


def _json(record: Any, status: int = 200) -> Response:
    return Response(msgspec.json.encode(record), status, media_type="application/json")


async def _refused(_: Request, error: Exception) -> Response:
    if isinstance(error, NoAnswerError):
        words = no_answer_words(error.what, error.why)
    else:
        words = str(error)
    return JSONResponse({"sentence": words[:1].upper() + words[1:] + ("" if words.endswith(".") else ".")}, 422)


async def _superseded(_: Request, error: Exception) -> Response:
    return JSONResponse({"superseded": True}, 409)


async def _misasked(_: Request, error: Exception) -> Response:
    return JSONResponse({"sentence": f"The page sent what can't be understood ({error}); load it again."}, 400)


async def _broken(_: Request, error: Exception) -> Response:
    return JSONResponse({"sentence": "Something broke inside huewright; the terminal says what. Nothing was written."},
                        500)
