"""Files of measured colours, in CGATS.17 text and as tables: what is wrong with one is said with its line."""

from __future__ import annotations

from pathlib import Path

import pytest
from huewright.cards.cgats import read_measurements
from huewright.errors import InputError

HEAD = "BEGIN_DATA_FORMAT\nSAMPLE_ID LAB_L LAB_A LAB_B\nEND_DATA_FORMAT\nBEGIN_DATA\n"
SPECTRA = "SAMPLE_ID,400,500,600\n"


@pytest.mark.parametrize(("text", "words"), [
    ("BEGIN_DATA\nEND_DATA\n", "not a CGATS.17 .* text file: it needs BEGIN_DATA_FORMAT and BEGIN_DATA sections"),
    (HEAD + "END_DATA\n", "it needs BEGIN_DATA_FORMAT and BEGIN_DATA sections"),
    (HEAD + "BEGIN_DATA\n", "line 5: BEGIN_DATA before END_DATA; put that line before it"),
    (HEAD + "a 50 0\nEND_DATA\n", "line 5: 3 values for 4 fields"),
    (HEAD + '"a 50 0 0\nEND_DATA\n', "line 5: a quotation mark is never closed"),
    (HEAD + f"a 50 0 {'0' * 200_000}\nEND_DATA\n", "line 5: a line of 200007 characters; export the file again"),
    (HEAD + "a\u0007 50 0 0\nEND_DATA\n", r"line 5: the sample's name 'a\\x07' holds a control character"),
    (HEAD + f"{'a' * 300} 50 0 0\nEND_DATA\n", "the sample's name has 300 characters; a card's patches take 1 to"),
    (HEAD + "a 50 0 0\nA 50 0 0\nEND_DATA\n", "two samples are named 'A'"),
    (HEAD + "a 50 0 nan\nEND_DATA\n", "'nan' for LAB_B isn't a number"),
    (HEAD + "a 50 0 1e9\nEND_DATA\n", r"1e\+09 for LAB_B is more than any surface has"),
    ("NUMBER_OF_SETS 2\n" + HEAD + "a 50 0 0\nEND_DATA\n", "says NUMBER_OF_SETS 2 but holds 1 samples"),
    ("just words\n", "nor a table whose first line names its columns"),
    ("name,L,a,b\n", "the table has no line of values"),
    ('name,L,a,b\n"x,50,0,0\ny,50,0,0\n', "a quotation mark that is never closed, or a field without an end"),
    ("name,L,a\nx,50,0\n", "its fields lack LAB_B; export all three of its kind"),
    (SPECTRA + "x,0.2,-0.5,0.2\n", "line 2: the reflectance -0.5 of x is negative; measure it again"),
    ("name,size\nx,3\n", "neither spectral reflectance .* nor XYZ_X"),
    ("name,SPECTRAL_NM500\nx,0.3\n", "a single wavelength, SPECTRAL_NM500, which is no spectrum")])
def test_what_is_wrong_is_said(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "m.txt").write_text(text)
    with pytest.raises(InputError, match=words) as caught:
        read_measurements(tmp_path / "m.txt")
    assert str(tmp_path / "m.txt") in str(caught.value) and "\n" not in str(caught.value)


def test_what_may_stand_in_one(tmp_path: Path) -> None:
    """Comments, empty lines, a sample over two lines, words of the head; instruments' noise under nought."""
    (tmp_path / "m.txt").write_text("# a comment\n\nILLUMINANT none of these\nILLUMINATION_NAME \"D65\"\n"
                                    "OBSERVER \"10\"\n" + HEAD + "  # another\n'a b' 50\n 1,5 -2\nc 20 0 0\nEND_DATA\n")
    read = read_measurements(tmp_path / "m.txt")
    assert [(sample.name, sample.lab) for sample in read.samples] == [("a b", (50, 1.5, -2)), ("c", (20, 0, 0))]
    assert (read.illuminant, read.observer) == ("D65", "10")
    (tmp_path / "m.csv").write_text(SPECTRA + "x,20,-0.5,30\n")
    sample, = read_measurements(tmp_path / "m.csv").samples
    assert sample.wavelengths_nm == (400, 500, 600) and sample.reflectance == pytest.approx((0.2, 0.0, 0.3))
