"""The page without a browser: what it holds, what it escapes, what it refuses."""

from __future__ import annotations

import dataclasses
import re
from html.parser import HTMLParser

import pytest
from huewright.errors import InputError
from huewright.models.proof import PatchProof, Proof
from huewright.report.page import page_html, write_page
from huewright.report.tables import number_ranges


class _Reader(HTMLParser):
    """Visible text, tags and the addresses that a browser would fetch."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.addresses: list[str] = []
        self.text = ""
        self._hidden = 0
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self._hidden += tag in ("script", "style")
        self.addresses += [value for name, value in attrs if name in ("src", "href", "srcset", "data", "action")]

    def handle_endtag(self, tag):
        self._hidden -= tag in ("script", "style")

    def handle_data(self, data):
        if not self._hidden:
            self.text += data


def test_it_is_one_file_that_asks_for_nothing(take, pictures, tmp_path):
    names, folder = pictures
    size = write_page(take.proof, {name: folder / file for name, file in names.items()}, tmp_path / "page.html")
    text = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert size == (tmp_path / "page.html").stat().st_size < 5_000_000
    reader = _Reader(text)
    assert len(reader.addresses) >= 20 and all(address.startswith("data:") for address in reader.addresses)
    assert not re.search(r"url\(|@import|https?:", re.sub(r"base64,[A-Za-z0-9+/=]+", "", text))
    assert "default-src 'none'" in text


def test_the_verdict_comes_first_and_everything_is_told(take):
    text = _Reader(page_html(take.proof, {})).text
    told = [take.proof.verdict, *take.proof.cautions, "To do it again"]
    places = [text.index(sentence) for sentence in told]
    assert places == sorted(places)
    for patch in take.proof.patches:
        assert patch.name in text
    assert "1024–1026, 1031–1032" in text and "a reflection over yellow and green" in text and "0f" * 32 in text
    worst = max(abs(patch.hue_error_after_deg) for patch in take.proof.patches if patch.role == "chip")
    assert f"{worst:.2f}" in text


def test_text_from_outside_cannot_become_markup(take):
    poison = "<img src=x onerror=alert(1)>\"'&{{ 7*7 }}</script>"
    patch = dataclasses.replace(take.proof.patches[0], name=poison, note=poison, role=poison)
    proof = Proof(poison, False, (patch,), {poison: poison}, ({"method": poison, poison: 1.0},), (poison,),
                  {"chosen": [1], "refused": [{"frame": 2, "reasons": [poison]}], poison: poison},
                  {poison: {poison: poison}}, title=poison, subject={poison: poison}, basis=poison,
                  work={"parameters": {poison: [1.0, 0.1]}, "left_out": {poison: [1.0, 1.0]},
                        "diagnostics": {poison: poison}})
    clean = _Reader(page_html(dataclasses.replace(proof, verdict="plain", title="plain"), {}))
    dirty = _Reader(page_html(proof, {}))
    assert dirty.tags.count("img") == 0 and dirty.tags.count("script") == 1 and "x" not in dirty.addresses
    assert dirty.text.count(poison) >= clean.text.count(poison) + 2 and "49" not in dirty.text


def test_a_failed_proof_says_so(take):
    text = page_html(dataclasses.replace(take.proof, passed=False), {})
    assert "Outside the stated limits" in text and "Within the stated limits" not in text


def test_what_was_not_measured_leaves_no_empty_section():
    bare = Proof("Nothing could be measured.", False, (PatchProof("a", "chip", True, (None, None, None), (0, 0, 0),
                                                                 (0, 0, 0)),))
    text = _Reader(page_html(bare, {})).text
    for heading in ("Mind this", "On the scopes", "Before and after", "Other ways", "Frames read", "To do it again"):
        assert heading not in text
    assert "nan" not in text.lower() and "None" not in text


def test_an_existing_page_stays(take, tmp_path):
    (tmp_path / "page.html").write_text("mine")
    with pytest.raises(InputError, match="exists already"):
        write_page(take.proof, {}, tmp_path / "page.html")
    assert (tmp_path / "page.html").read_text() == "mine"
    write_page(take.proof, {}, tmp_path / "page.html", overwrite=True)
    assert take.proof.verdict in (tmp_path / "page.html").read_text(encoding="utf-8")


def test_a_picture_that_is_none_is_named(take, tmp_path):
    (tmp_path / "after.jpg").write_text("not a picture")
    (tmp_path / "before.jpg").write_text("not a picture")
    with pytest.raises(InputError, match=r"after\.jpg"):
        write_page(take.proof, {name: tmp_path / f"{name}.jpg" for name in ("before", "after")}, tmp_path / "p.html")
    assert not (tmp_path / "p.html").exists()


def test_number_ranges():
    assert number_ranges([7, 3, 1, 2, 2]) == "1–3, 7"
    assert number_ranges([]) == ""
