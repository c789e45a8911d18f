"""What codes and figures are in words: each has a sentence, figures stand in it with their units, and a proof's verdict
says the worst of it. Nothing else in these tests goes by words."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import msgspec
import pytest
from huewright.models import cautions, methods, provenance, reasons, refusals, shots
from huewright.models.cautions import Limits, Miss, RenderedNear, Uncertain, VeilTakenOff
from huewright.models.clip import Clip
from huewright.models.coded import Coded
from huewright.models.proof import Proof, Summary, Verdict
from huewright.models.record import from_record
from huewright.models.shots import NamedOtherwise, ShotProof
from huewright.words import (
    basis_words,
    method_note,
    no_answer_words,
    repeat_words,
    sentence,
    verdict_heading,
    verdict_words,
)
from huewright.words.clip import clip_words
from msgspec import inspect


def kinds(base: type[Coded]) -> Iterator[type[Coded]]:
    for kind in base.__subclasses__():
        below = list(kinds(kind))
        yield from below or [kind]


def example(kind: object) -> object:
    """A plain value of a type, as a file would hold it."""
    match kind:
        case inspect.FloatType() | inspect.IntType():
            return 1
        case inspect.StrType(pattern=pattern):
            return "0" * 64 if pattern and "64" in pattern else "name"
        case inspect.BoolType():
            return True
        case inspect.NoneType():
            return None
        case inspect.LiteralType(values=values):
            return values[-1]
        case inspect.UnionType(types=types):
            return example(types[0])
        case inspect.VarTupleType(item_type=item):
            return [example(item)]
        case inspect.TupleType(item_types=items):
            return [example(item) for item in items]
        case inspect.StructType(fields=fields, tag_field=tag_field, tag=tag):
            return ({tag_field: tag} if tag_field else {}) | {f.encode_name: example(f.type) for f in fields}
    raise AssertionError(kind)


@pytest.mark.parametrize("kind", sorted(kinds(Coded), key=lambda kind: kind.__name__), ids=lambda kind: kind.__name__)
def test_every_code_has_a_sentence(kind: type[Coded]) -> None:
    """Of all in the models, with every figure there and with those left out that may be."""
    full = from_record(example(inspect.type_info(kind)), kind)
    least = {field.name: getattr(full, field.name) for field in msgspec.structs.fields(kind)
             if field.required}
    for item in (full, kind(**least)):
        said = sentence(item)
        assert said and said == said.strip() and "None" not in said, said


def test_no_two_codes_are_called_alike() -> None:
    codes = [kind.__struct_config__.tag for kind in kinds(Coded)]
    assert len(set(codes)) == len(codes)


LIMITS = Limits(0.5, 0.01, 0.5)
GOOD = Summary(worst_hue_error_after_deg=0.004, worst_radius_error_after_percent=0.31, worst_level_error_after_ire=0.2,
               mean_check_delta_e_before=9.84, mean_check_delta_e_after=1.13, frames_measured=2)
SHOT = ShotProof("b", 1, 1, 25.0, False, False, 0, 0.0, 0.0, 0.0, 0.0)


def proof(verdict: Verdict, passed: bool = True, **given: object) -> Proof:
    return replace(Proof(verdict, passed, (), GOOD, LIMITS), **given)  # type: ignore[arg-type]


def test_a_doubted_declaration_names_what_would_fit_as_the_command_line_takes_it() -> None:
    doubt = cautions.DeclarationDoubted(True, "white", 0.1, 3.0, 40.0, 9.0, 0.0, nearest=(
        cautions.Nearest("ACEScct", "legal", 0.9), cautions.Nearest(None, "full", 0.001)))
    assert "the bars contradict --encoding or --range: bar 'white' is 10 % lighter" in sentence(doubt)
    assert sentence(doubt).endswith("better would fit: --encoding 'ACEScct' --range legal (likelihood 90 %), --range "
                                    "full (likelihood under 1 %)")


def test_what_pixels_files_and_chips_lost_is_said_with_its_figures() -> None:
    limited = sentence(cautions.RenderLimited(0.375, 10, "full"))
    assert sentence(cautions.RenderLimited(0.375, 10, "full", "scene 4")) == f"in scene 4 {limited}"
    assert "37.50 % of the pixels" in limited and "delivery specification" in limited and "responsible" in limited
    assert "frames 2, 3 came from the camera's files with pixels that are no numbers" in sentence(
        cautions.CameBroken((2, 3)))
    assert "12.50 % of pixels and below it in 0.10 %" in sentence(cautions.SignalBeyond(0.125, 0.001, "s"))
    flash = cautions.Flashing("scene 4", 5, False, 13, 31, 25.0, False)
    assert "in scene 4 there are 5 flashes" in sentence(flash) and "(frames 13 to 31, 25 frames" in sentence(flash)
    assert "'cyan' was not used (a reflection): hues from 10 to 90 degrees" in sentence(
        cautions.ChipUnused("cyan", (reasons.Reflection(),), 10.0, 90.0))
    clipped = reasons.Clipped("RG", 0.25, 512 / 1023, 1023)
    assert sentence(clipped) == "clipped in RG at code 512 of 1023 (25 %)"
    assert sentence(reasons.PatchesLost("clipped", ("white",), clipped=clipped)).startswith("clipped: the white bar in")
    assert sentence(reasons.PatchesLost("covered", ("black",), or_mirroring=True)) == (
        "something lies over the black bar, or it mirrors a lamp of another colour")


@pytest.mark.parametrize(("remedy", "words"), [
    (reasons.Remedy("close-down", 0.5), "close down 2/3 stop."),
    (reasons.Remedy("open-up", 1.0, or_closer=True, survey_again=True),
     "open up 1 stop or move closer, then survey again."),
    (reasons.Remedy("turn-to-lens"), "turn the card towards the lens.")])
def test_advice_says_what_to_do(remedy: reasons.Remedy, words: str) -> None:
    assert sentence(reasons.Unusable(reasons.CardTilted(58.0), 2, 3, remedy)) == (
        f"Not usable: tilted by 58 degrees, 2 of 3 frames with the card; {words}")


def test_a_good_proof() -> None:
    assert verdict_words(proof("within-limits")) == (
        "Chips and bars are on their targets, to within 0.01° in hue, 0.31 % in saturation and 0.20 IRE in "
        "level; check patches, which the solve never saw, improve from 9.8 to 1.1 ΔE (CIEDE2000).")
    assert verdict_heading(proof("within-limits")) == "Within the stated limits"
    led = replace(proof("within-limits"), cautions=(cautions.FollowsCamera("card A", 15, 0.8, 1.9, 1.3, 3.2),))
    assert verdict_words(led).endswith(
        "check patches, which the solve saw as take card A shows them, improve from 9.8 to 1.1 ΔE (CIEDE2000). These "
        "are the card's own targets; it was solved towards take card A.")
    assert basis_words(proof("within-limits")) == (
        "Measured on 2 frames that were rendered with this correction and read back from disk. Limits: 0.5° in hue, "
        "1 % in saturation, 0.5 IRE in level.")


@pytest.mark.parametrize(("verdict", "given", "words"), [
    ("outside-limits", {"passed": False, "summary": replace(GOOD, worst_hue_error_after_deg=3.0)},
     ["NOT within the limits: off by up to 3.00° in hue"]),
    ("within-limits", {"cautions": (cautions.DoneInPart(0.5, 1.0, 2.0, 0.1, 3.0),)},
     ["Chips and bars are where the strength asked for leaves them, not on their targets"]),
    ("within-limits", {"summary": replace(GOOD, patches_not_used=1)},
     ["The chips and bars that could be used are on their targets", "1 more could not be used"]),
    ("within-limits", {"summary": replace(GOOD, mean_check_delta_e_after=None)}, ["has no check patches"]),
    ("within-limits", {"summary": replace(GOOD, mean_check_delta_e_after=2.5)}, ["no true colour yet (over 2)"]),
    ("checks-worse", {"passed": False, "summary": replace(GOOD, mean_check_delta_e_after=11.0)},
     ["WORSEN from 9.8 to 11.0"]),
    ("refused-frames-taken-in", {"cautions": (cautions.FramesByHand((3,), (3,)),)},
     ["Frames that the survey refused were taken in by hand"]),
    ("declaration-contradicted", {"declaration": "contradicted"}, ["the bars contradict the declared encoding"]),
    ("declaration-in-doubt", {"declaration": "in doubt"}, ["is in doubt"]),
    ("uncertain", {"cautions": (Uncertain((Miss("a", "hue_deg", 0.95), Miss("b", "radius", 0.0127)), LIMITS),)},
     ["known no better than to 0.95° in hue, 1.27 % in saturation (95 % interval)"]),
    ("within-limits", {"cautions": (VeilTakenOff(0.02, 0.001),)}, ["because a veil was taken off the card"]),
    ("within-limits", {"shots": (replace(SHOT, signs=(shots.DrivenOut(11.0, 0.2),)),)},
     ["b may not be of the card take's camera or settings", "11 % of its pixels out of range, and under 1 %"]),
    ("shot-of-another-camera", {"passed": False, "shots": (replace(SHOT, strange=True, signs=(
        NamedOtherwise("make", "Invented Two", "Invented One"),)),)},
     ["b is NOT of the card take's camera or settings", "its files name make 'Invented Two'"])])
def test_a_verdict_says_what_there_is(verdict: Verdict, given: dict, words: list[str]) -> None:
    said = verdict_words(proof(verdict, **given))
    assert all(part in said for part in words), said


def test_an_uncertain_proof_that_is_off_target_says_only_that() -> None:
    off = proof("outside-limits", False, summary=replace(GOOD, worst_hue_error_after_deg=3.0),
                cautions=(Uncertain((Miss("a", "hue_deg", 0.95),), LIMITS),))
    assert "known no better" not in verdict_words(off)


def test_more_frames_are_advised_against_noise_alone() -> None:
    noisy, lit = (sentence(Uncertain((Miss("a", "hue_deg", 0.95),), LIMITS, grain)) for grain in (0.6, 0.002))
    assert "more frames of the card, a larger card in frame or more even light on it would help" in noisy
    assert "more frames of this take would not help" in lit


def test_compression_is_named_where_it_is_most_of_what_is_uncertain() -> None:
    coded, lit = (sentence(Uncertain((Miss("a", "hue_deg", 0.95),), LIMITS, 0.2, share)) for share in (0.6, 0.3))
    assert "compression or noise reduction" in coded and "an uncompressed still of the card" in coded
    assert "light on it" not in coded and "compression" not in lit


def test_frames_that_are_only_near_are_said_to_be() -> None:
    near = proof("within-limits", cautions=(RenderedNear(cautions.PatchApart("red", 0.004, 0.001)),))
    assert "with what is near this correction" in basis_words(near)


def test_refusals_and_recommendations_and_repeats() -> None:
    few = refusals.TooFewBars((refusals.Unused("white", (reasons.Reflection(),)),))
    assert no_answer_words(few).startswith("too few grey bars could be read")
    assert no_answer_words(few).endswith("not used: white (a reflection)")
    assert no_answer_words("a sentence", reasons.NoCardInTake(3, "c")).startswith("a sentence: Not usable: no card")
    assert "'white' is clipped in blue (34 % of its pixels)" in sentence(refusals.BarClipped("white", "blue", 0.34))
    rough = methods.TooRough("matrix", 0.1, 85.0, 18.0)
    row = methods.MethodResult("sectors", recommended=methods.LeastOff("check-patches", 5.0, passed_over=rough),
                               cautions=(cautions.MatrixOfFewChips(1),))
    note = method_note(row)
    assert note.startswith("recommended: the check patches are 5.00 CIEDE2000 off on average, the least of the methods")
    assert "matrix would leave them 0.10 off, but stretches small differences up to 85 times and lifts noise by 18 dB" \
        in note and "fitted to 1 chip and the greys" in note
    near = (*(methods.Untold(name, 0.45, 0.7) for name in ("balance", "matrix-sectors", "matrix")),
            methods.Untold("sectors", 0.5, 1.45))
    assert method_note(methods.MethodResult("x", recommended=methods.NothingJudged(), untold=near)).endswith(
        "; for other things than the card's it is not told apart from balance, matrix-sectors and matrix (by them from "
        "0.45 CIEDE2000 nearer to 0.7 farther off), nor from sectors (by it from 0.5 CIEDE2000 nearer to 1.45 farther "
        "off)")
    assert method_note(methods.MethodResult("matrix", refused=refusals.NoChips())).startswith("no chip of the card")
    assert repeat_words("c.json", False, 10, 3, [provenance.VersionChanged("numpy", "1", "2")]) == (
        "c.json: NOT the same when repeated; 3 lines differ; numpy was 1, is 2")
    assert repeat_words("c.json", True, 10, 0, []) == "c.json: repeated byte for byte (10 bytes)"


def test_a_clip_in_one_line() -> None:
    whole = Clip("a.mov", "10-bit 4:2:2 movie", 64, 36, 1.0, 24, "24000/1001", True, "01:00:00:00", "01:00:00:23",
                 "legal", "bt709", "bt709", "", "left")
    assert clip_words(whole).startswith("a.mov: 64 x 36 pixels, 23.976 frames a second, 24 frames, 01:00:00:00 to "
                                        "01:00:00:23; 10-bit 4:2:2 movie, ")
    assert "matrix bt709, chroma left, primaries bt709, transfer not said" in clip_words(whole)
    bare = Clip("b.mov", "8-bit movie", 64, 36, 1.5, 1, "25", False, "", "", "full", "rgb", "", "", "",
                ("range", "rate"))
    said = clip_words(bare)
    assert " of 1.5 : 1, 25 frames a second in the mean, 1 frame, no time code" in said and "R'G'B'" in said
    assert "primaries and transfer not said; range, rate at your word" in said
