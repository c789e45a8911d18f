"""Who reaches the page's server: by its token, under its own name, from its own page; and what anybody else gets."""

from __future__ import annotations

import json
from types import SimpleNamespace
from typing import Any

import pytest
from huewright.desk.guard import HEADERS, MOST_BYTES, new_token
from huewright.desk.latest import SupersededError
from huewright.desk.server import served
from huewright.errors import InputError, NoAnswerError
from huewright.models.reasons import NoCardInTake
from starlette.testclient import TestClient

HOST, TOKEN = "127.0.0.1:4321", "right-token"
JSON = {"Content-Type": "application/json"}


def failing(error: Exception) -> Any:
    def asked(*_: object, **__: object) -> None:
        raise error

    return SimpleNamespace(survey=asked, look=asked, figures=asked, write=asked)


@pytest.fixture
def client() -> TestClient:
    return TestClient(served(failing(InputError("the frame is damaged")), TOKEN, HOST), base_url=f"http://{HOST}",
                      raise_server_exceptions=False)


@pytest.mark.parametrize(("path", "kind"), [("", "text/html"), ("desk.css", "text/css"), ("desk.js", "text/javascript"),
                                            ("mark.svg", "image/svg+xml")])
def test_the_pages_own_files_are_given(client, path, kind):
    answer = client.get(f"/{TOKEN}/{path}")
    assert answer.status_code == 200 and answer.headers["content-type"].startswith(kind)
    for name, value in HEADERS.items():
        assert answer.headers[name] == value
    assert "unsafe" not in HEADERS["Content-Security-Policy"] and "http" not in HEADERS["Content-Security-Policy"]


def test_the_page_asks_for_nothing_from_elsewhere(client):
    for name in ("", "desk.css", "desk.js"):
        text = client.get(f"/{TOKEN}/{name}").text.replace("http://www.w3.org/2000/svg", "")
        assert "//" not in text.replace("// ", "") or name == "desk.js" and "http" not in text
        assert "@import" not in text and "<style" not in text and " style=" not in text and "onclick" not in text


@pytest.mark.parametrize("path", [
    "/", "/desk.js", "/opened", "/wrong-token/", "/wrong-token/opened", f"/{TOKEN[:-1]}/opened", f"/{TOKEN}x/opened",
    f"//{TOKEN}/opened", f"/x/../{TOKEN}x/opened", "/%2e%2e/opened", f"/{TOKEN.upper()}/opened"])
def test_without_the_token_nothing_is_given(client, path):
    answer = client.get(path)
    assert answer.status_code == 403 and "address that was printed" in answer.text
    assert answer.headers["Content-Security-Policy"]


@pytest.mark.parametrize("path", ["../pyproject.toml", "..%2f..%2fpyproject.toml", "%2e%2e/guard.py", "/etc/passwd",
                                  "page/desk.js", "desk.html", "desk.js/%2e%2e", "%2e", "....//desk.js", "desk.js%00"])
def test_no_other_file_is_given(client, path):
    answer = client.get(f"/{TOKEN}/{path}")
    assert answer.status_code in (403, 404) and len(answer.content) < 200


@pytest.mark.parametrize("headers", [
    {"Host": "localhost:4321"}, {"Host": "127.0.0.1"}, {"Host": "127.0.0.1:80"}, {"Host": "elsewhere.example:4321"},
    {"Host": ""}, {"Origin": "http://elsewhere.example"}, {"Origin": "null"}, {"Origin": f"https://{HOST}"},
    {"Sec-Fetch-Site": "cross-site"}, {"Sec-Fetch-Site": "same-site"}])
def test_other_pages_and_other_names_get_nothing(client, headers):
    """A page elsewhere that knows the address, or a name made to point here."""
    assert client.get(f"/{TOKEN}/desk.js", headers=headers).status_code == 403
    assert client.post(f"/{TOKEN}/write", headers={**JSON, **headers}, content=b"{}").status_code == 403


def test_its_own_page_gets_answers(client):
    own = {"Origin": f"http://{HOST}", "Sec-Fetch-Site": "same-origin", **JSON}
    answer = client.post(f"/{TOKEN}/survey", headers=own, content=b"{}")
    assert (answer.status_code, answer.json()) == (422, {"sentence": "The frame is damaged."})
    assert "access-control-allow-origin" not in answer.headers
    # Opened from the terminal or by hand, a browser says that it comes from nowhere.
    assert client.get(f"/{TOKEN}/", headers={"Sec-Fetch-Site": "none"}).status_code == 200


@pytest.mark.parametrize("kind", ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data",
                                  "application/json; charset=utf-8", None])
def test_what_a_form_elsewhere_can_send_is_refused(client, kind):
    headers = {} if kind is None else {"Content-Type": kind}
    assert client.post(f"/{TOKEN}/write", headers=headers, content=b"{}").status_code == 403


@pytest.mark.parametrize("body", [b"", b"[]", b"{", b"nan", b'{"choices": {"fraction": 1e999}}',
                                  b'{"choices": {"fraction": -1}}', b'{"choices": {"out": "/etc/passwd"}}',
                                  b'{"choices": {"levels_ire": {"a": "b"}}}', b'{"choices": 3}',
                                  b'{"choices": {"by_hand": {"placed": [{"frame": 1, "corners": [[0, 0]]}]}}}',
                                  b"[" * 50000])
def test_what_the_page_never_sends_is_refused_in_a_sentence(client, body):
    answer = client.post(f"/{TOKEN}/survey", headers=JSON, content=body)
    assert answer.status_code in (400, 422) and answer.json()["sentence"].endswith(".")
    assert answer.json()["sentence"] != "The frame is damaged."


def test_a_look_without_sense_is_refused(client):
    for asked in ({}, {"frame": "x"}, {"frame": 1, "width": 99999}, {"frame": 1, "parts": ["everything"]}):
        answer = client.post(f"/{TOKEN}/look", headers=JSON, content=json.dumps({"asked": asked}))
        assert answer.status_code == 400, asked


def test_too_much_is_refused(client):
    answer = client.post(f"/{TOKEN}/survey", headers=JSON, content=b" " * (MOST_BYTES + 1))
    assert answer.status_code == 403
    pieces = iter([b" " * MOST_BYTES, b"{}"])       # without a length that could be looked at first
    assert client.post(f"/{TOKEN}/survey", headers=JSON, content=pieces).status_code == 400


@pytest.mark.parametrize(("error", "status", "words"), [
    (NoAnswerError("a.####: no frame of this take can carry a correction", NoCardInTake(3, "own")), 422, "no card"),
    (PermissionError(13, "Permission denied", "c.json"), 422, "Permission denied"),
    (RuntimeError("deep inside"), 500, "the terminal says what")])
def test_errors_are_sentences(error, status, words):
    client = TestClient(served(failing(error), TOKEN, HOST), base_url=f"http://{HOST}", raise_server_exceptions=False)
    answer = client.post(f"/{TOKEN}/write", headers=JSON, content=b"{}")
    assert answer.status_code == status and words in answer.json()["sentence"]
    assert "deep inside" not in answer.text


def test_what_was_superseded_says_so():
    client = TestClient(served(failing(SupersededError()), TOKEN, HOST), base_url=f"http://{HOST}")
    answer = client.post(f"/{TOKEN}/figures", headers=JSON, content=b"{}")
    assert (answer.status_code, answer.json()) == (409, {"superseded": True})


def test_tokens_cannot_be_guessed():
    assert len({new_token() for _ in range(50)}) == 50 and all(len(new_token()) >= 43 for _ in range(10))
