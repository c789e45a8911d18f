"""The page without a browser: what it holds, what it escapes, what it refuses."""

from __future__ import annotations

import dataclasses
import re
from html.parser import HTMLParser

import pytest
from huewright import words
from huewright.errors import InputError
from huewright.models.cautions import ChannelsLost, Limits
from huewright.models.correction import Parameter
from huewright.models.diagnostics import Diagnostics
from huewright.models.methods import MethodResult, NothingJudged
from huewright.models.proof import (
    FramePassedOver,
    FramesRead,
    LeftOut,
    PatchProof,
    Proof,
    Subject,
    Summary,
    Work,
)
from huewright.models.provenance import ProofProvenance
from huewright.models.reasons import WithoutPatches
from huewright.models.shots import ShotProof
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
        self.feed(text.replace("\u00a0", " "))

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
    told = [words.verdict_words(take.proof), *(words.sentence(one)[1:] for one in take.proof.cautions),
            "To do it again"]
    places = [text.index(line) for line in told]
    assert places == sorted(places)
    for patch in take.proof.patches:
        assert patch.name in text
    assert "1024–1026, 1031–1032" in text and "reflection on the yellow and green bars" in text and "0f" * 32 in text
    worst = max(abs(patch.hue_error_after_deg) for patch in take.proof.patches if patch.role == "chip")
    assert f"{worst:.2f}" in text


def test_text_from_outside_cannot_become_markup(take):
    poison = "<img src=x onerror=alert(1)>\"'&{{ 7*7 }}</script>"
    patch = dataclasses.replace(take.proof.patches[0], name=poison, reasons=(), role=poison)
    proof = Proof(
        "outside-limits", False, (patch,), Summary(frames_measured=1), Limits(0.5, 0.01, 0.5), declaration=poison,
        cautions=(ChannelsLost((poison,), poison),), title=poison,
        methods=(MethodResult(poison, recommended=NothingJudged()),),
        frames=FramesRead((1,), (), (FramePassedOver(2, "refused", (WithoutPatches((poison,)),)),)),
        work=Work(poison, {poison: Parameter(1.0, 0.1)}, {poison: LeftOut(1.0, 1.0)},
                  Diagnostics(bounds_hit=(poison,))),
        subject=Subject(poison, 1, 2, poison, poison, "full", 10, poison, False, "log", 8, 8),
        provenance=ProofProvenance(versions={poison: poison}, take=poison, before=poison))
    clean = _Reader(page_html(dataclasses.replace(proof, title="plain", subject=None), {}))
    dirty = _Reader(page_html(proof, {}))
    assert dirty.tags.count("img") == 0 and dirty.tags.count("script") == 1 and "x" not in dirty.addresses
    assert dirty.text.count(poison) >= clean.text.count(poison) + 2 and "49" not in dirty.text


def test_a_failed_proof_says_so(take):
    text = page_html(dataclasses.replace(take.proof, passed=False, verdict="outside-limits"), {})
    assert "Outside the stated limits" in text and "Within the stated limits" not in text


def test_a_proof_that_is_known_no_better_than_its_limits_does_not_say_within_them(take):
    text = page_html(dataclasses.replace(take.proof, passed=True, verdict="uncertain"), {})
    assert "On target, but uncertain by more than the limits" in text and "Within the stated limits" not in text


def test_what_was_not_measured_leaves_no_empty_section():
    bare = Proof("within-limits", True, (PatchProof("a", "chip", True, (None, None, None), (0, 0, 0), (0, 0, 0)),),
                 Summary(), Limits(0.5, 0.01, 0.5))
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
    page = (tmp_path / "page.html").read_text(encoding="utf-8").replace("\u00a0", " ")
    assert words.verdict_words(take.proof) in page


def test_a_picture_that_is_none_is_named(take, tmp_path):
    (tmp_path / "after.jpg").write_text("not a picture")
    (tmp_path / "before.jpg").write_text("not a picture")
    with pytest.raises(InputError, match=r"after\.jpg"):
        write_page(take.proof, {name: tmp_path / f"{name}.jpg" for name in ("before", "after")}, tmp_path / "p.html")
    assert not (tmp_path / "p.html").exists()


def test_number_ranges():
    assert number_ranges([7, 3, 1, 2, 2]) == "1–3, 7"
    assert number_ranges([]) == ""


def test_the_page_is_headed_by_its_take(take):
    reader = _Reader(page_html(take.proof, {}))
    assert "<title>An invented take: proof of a colour correction</title>" in page_html(take.proof, {})
    assert "invented/a.####.exr, frames 1001 to 1044" in reader.text
    assert "<title>A colour correction: proof" in page_html(dataclasses.replace(take.proof, title=""), {})


def test_range_and_noise_are_told_even_where_they_are_harmless(take):
    text = _Reader(page_html(take.proof, {})).text
    for label, figure in (("Pixels above 100 %", "0.80 %"), ("Pixels below 0 %", "under 0.01 %"),
                          ("Noise lifted by", "1.9 dB")):
        assert label in text[:text.index("Patch by patch")] and figure in text
    assert "delivery specification" in text


def test_it_says_who_decides_even_without_a_caution(take):
    text = _Reader(page_html(dataclasses.replace(take.proof, cautions=()), {})).text
    assert "the delivery specification and the person responsible for it decide, not this page" in text


def test_what_lies_beyond_its_limit_is_marked_with_more_than_a_colour(take):
    plain = page_html(take.proof, {})
    strict = page_html(dataclasses.replace(take.proof, limits=Limits(1e-6, 1e-6, 1e-6)), {})
    assert plain.count("beyond the limit") == 0
    chips, bars = (sum(patch.role == role for patch in take.proof.patches) for role in ("chip", "bar"))
    assert strict.count("beyond the limit") == 2 * chips + bars


def test_check_patches_that_got_worse_are_in_the_heading(take):
    worse = dataclasses.replace(take.proof, passed=False, verdict="checks-worse")
    assert "but other colours are no better" in page_html(worse, {})
    assert "but other colours are no better" not in page_html(take.proof, {})


def test_solved_numbers_carry_their_intervals(take):
    text = _Reader(page_html(take.proof, {})).text
    assert "+0.3100 ± 0.0039 stops" in text and "Hue 107.3° turned by" in text and "−4.45 ± 0.04 degrees" in text
    assert "How far each chip rests on itself" in text and "+9.0" in text


def test_shots_come_before_the_card(take, pictures):
    names, folder = pictures
    files = {name: folder / file for name, file in names.items()}
    files |= {"shot_1_before": files["before"], "shot_1_after": files["after"]}
    shots = (ShotProof("scene/4.####.dpx", 12, 1007, 25.0, True, True, 0, 0.0, 0.0, 0.0, 1.25, 5, 0, True),)
    text = page_html(dataclasses.replace(take.proof, shots=shots), files)
    told = _Reader(text).text
    assert told.index("scene/4.####.dpx, frame 1007") < told.index("The card take")
    assert "1.25 %" in told and "too many" in told
    assert text.count('role="slider"') == 2


@pytest.mark.parametrize(("display", "said"), [("pq", "not for judging level"), ("hlg", "not for judging level"),
                                               ("bt2020", "converted from BT.2020"), ("bt709", "unconverted")])
def test_it_says_how_pictures_of_other_displays_are_shown(take, pictures, display, said):
    names, folder = pictures
    text = page_html(dataclasses.replace(take.proof, display=display), {name: folder / file
                                                                       for name, file in names.items()})
    assert said in text.replace("\u00a0", " ")
    assert ("203\u00a0cd/m²" in text) is (display in ("pq", "hlg"))
    assert ("58\u00a0%" in text) is (display == "pq")       # the bars of ITU-R BT.2111-2: 572 of 64..940


def test_what_has_a_target_heads_the_table_of_patches():
    from huewright.report.tables import rows_of

    patches = tuple(PatchProof(name, role, True, (None, None, None), (0, 0, 0), (0, 0, 0))
                    for name, role in (("a", "check"), ("b", "bar"), ("c", "check"), ("d", "chip")))
    proof = Proof("within-limits", True, patches, Summary(), Limits(0.5, 0.01, 0.5))
    assert [row["name"] for row in rows_of(proof)] == ["b", "d", "a", "c"]
