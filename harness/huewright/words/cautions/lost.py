"""What is lost in the files that are written, and what they were given instead."""

from __future__ import annotations

from huewright.models import cautions as c
from huewright.words.cautions.group import Group
from huewright.words.sentence import percent_words

LOST = Group("What is lost in the files")
DEFER = "check against the delivery specification and with the person responsible for the delivery"
_EXPORT_LIMITS = {"picture-like": "in the mean over picture-like colours", "random": "in the mean over random colours",
                 "in-gamut": "at worst over colours inside the display's gamut",
                 "beyond-gamut": "at worst over picture-like colours that the render puts beyond the display's gamut"}


def _in(shot: str) -> str:
    return f"in {shot} " if shot else ""


@LOST.says(
    c.RenderLimited, "Pixels beyond what the files hold were cut off. Write float files to keep them.")
def _(item: c.RenderLimited) -> str:
    return (f"{_in(item.shot)}{percent_words(100 * item.share)} of the pixels lie beyond what {item.bits}-bit "
            f"{item.range}-range files hold and were limited, so detail there is lost; {DEFER}")


@LOST.says(
    c.AtEndStops, "Pixels at an end of the code range: detail there is gone, here or in the camera.")
def _(item: c.AtEndStops) -> str:
    share = percent_words(100 * item.share)
    if item.shot:
        return f"in {item.shot} {share} of pixels sit at an end of the file's code range: detail there is gone"
    return f"{share} of pixels in the rendered files sit at an end of the code range: detail there is gone"


@LOST.says(
    c.BeyondPreferred, "More of the picture lies outside -5 to 105 % than EBU R 103 tolerates. Your delivery "
    "specification decides.")
def _(item: c.BeyondPreferred) -> str:
    return (f"{percent_words(100 * item.share)} of pixels lie outside −5 to 105 %, the range that EBU R 103 prefers, "
            "and it tolerates 1 %; your delivery specification may differ")


@LOST.says(
    c.SignalBeyond, "Integer files clip there, float files keep it. Look at highlights and strong colours.")
def _(item: c.SignalBeyond) -> str:
    over, under = percent_words(100 * item.over), percent_words(100 * item.under)
    below = f" and below it in {under}" if item.under > 0 else ""
    beyond = (f"goes below the range 0 to 100 % in {under} of pixels" if item.over <= 0 else
              f"goes above the range 0 to 100 % in {over} of pixels{below}")
    if item.shot:
        return f"in {item.shot} the signal {beyond}"
    return (f"the corrected signal {beyond}: integer files clip there, float files keep it; check highlights and "
            "saturated colours")


@LOST.says(
    c.RenderBeyond, "The same, counted while rendering.")
def _(item: c.RenderBeyond) -> str:
    return (f"{_in(item.shot)}{percent_words(100 * item.over)} of the pixels lie above white and "
            f"{percent_words(100 * item.under)} below black of the display signal (colours beyond its gamut or "
            f"highlights); {DEFER}")


@LOST.says(
    c.LegalFloatsWritten, "Unusual: whoever reads the files must know.")
def _(item: c.LegalFloatsWritten) -> str:
    return f"legal range was written into floating-point files, which is unusual; {DEFER}"


@LOST.says(
    c.ExportOff, "The LUT is that far from the render. Use CLF, more points (`--size`), or render.")
def _(item: c.ExportOff) -> str:
    beyond = [f"{one.error:.1e}{' of full scale' * (one.colours in ('picture-like', 'random'))} "
              f"{_EXPORT_LIMITS[one.colours]}" for one in item.beyond]
    better = ("export with more points (--size, up to 129)" if item.lattice_only else
              "export a .clf, or with more points (--size, up to 129)")
    return (f"this file is off the render by {', '.join(beyond)} (limits: {item.mean_limit:g}, "
            f"{item.in_gamut_limit:g} and {item.beyond_gamut_limit:g}); render instead, or {better}")


@LOST.says(
    c.LegalCodesTaken, "The LUT takes legal-range codes as recorded. A program that expands them on reading would "
    "expand twice.")
def _(item: c.LegalCodesTaken) -> str:
    return ("the take is legal range and the file takes its code values as recorded; a program that expands the range "
            "on reading must be told not to")


@LOST.says(
    c.CubeLimitsCodes, "A .cube has a domain, 0 to 1 unless the frames given go beyond; codes outside are cut off.")
def _(item: c.CubeLimitsCodes) -> str:
    reach = f"{item.low:.4g}..{item.high:.4g}"
    return (f"a .cube takes code values in {reach} only and limits others; check what the program that reads it feeds "
            "it (full-scale code values, not range-expanded ones)")


@LOST.says(
    c.CubeHasShaper, "A table before the lattice is not understood everywhere.")
def _(item: c.CubeHasShaper) -> str:
    return "not every program reads a .cube with both a table and a lattice; check before relying on it"


@LOST.says(
    c.LatticeLarge, "Not every program reads a lattice that large.")
def _(item: c.LatticeLarge) -> str:
    return (f"the lattice has {item.size} points along each axis, and many programs read no more than {item.usual}; "
            "check before relying on it, or ask for a larger --error")


@LOST.says(
    c.CdlLeavesOut, "Ten numbers carry exposure, balance and a part of tone; hues stay as they are.")
def _(item: c.CdlLeavesOut) -> str:
    return (f"a CDL carries the primaries only and leaves out {'; '.join(item.left_out)}: over picture-like colours it "
            f"is {item.mean:.1e} of full scale from the whole correction in the mean and {item.worst:.1e} at worst")


@LOST.says(
    c.ChannelsLost, "The output format holds no such channels: write EXR to keep them.")
def _(item: c.ChannelsLost) -> str:
    return (f"channels {', '.join(item.channels)} are not in the rendered frames: {item.suffix} files hold none such")


@LOST.says(
    c.LayersCarried, "Only R, G and B are corrected; the rest is as the camera wrote it.")
def _(item: c.LayersCarried) -> str:
    named = ", ".join(item.channels[:6]) + (" and others" if len(item.channels) > 6 else "")
    return f"only R, G and B are corrected; {named} (further layers or views) are carried over as the camera's"


@LOST.says(
    c.StructureChanged, "The rendered file is one upright picture, with what else fits as layers. The table under "
    "\"Rendering unattended\" says what becomes of what.")
def _(item: c.StructureChanged) -> str:
    named = ", ".join(item.names[:6]) + (f" and {len(item.names) - 6} more" if len(item.names) > 6 else "")
    return {
        "turned": f"the files are to be turned to be shown (orientation {named}); the rendered ones are upright",
        "levels": "the files hold smaller levels of the picture beside it, which are not in the rendered ones",
        "joined": f"the files' further parts ({named}) are in the rendered ones as layers of one part",
        "left out": f"not in the rendered files, for they don't fit beside the picture: {named}",
        "grey": "the files hold luminance alone; the rendered ones hold R, G and B",
        "chroma": "the files hold luminance and chroma of half the size; the rendered ones hold R, G and B",
        "alpha joined": "the files hold alpha as an element of its own; in the rendered ones it is a channel",
    }[item.what]


@LOST.says(
    c.DataWindowLost, "The output holds pixels alone; their place in a larger picture is lost.")
def _(item: c.DataWindowLost) -> str:
    return (f"the files' data window {item.data_window} within their display window {item.display_window} is lost: "
            f"{item.suffix} files hold the pixels alone")


@LOST.says(
    c.ColoursRetagged, "What the header said of the camera's colours is no longer true of the rendered picture.")
def _(item: c.ColoursRetagged) -> str:
    return (f"what the files said of the camera's colours ({', '.join(item.attributes)}) is not in the rendered ones, "
            "for it no longer holds" + ("; they now name the display's primaries" if item.display_named else ""))


@LOST.says(
    c.ColoursUnsaid, "DPX has no word for what these pixels are now.")
def _(item: c.ColoursUnsaid) -> str:
    return ("the files' headers said which transfer and colours the camera recorded; in the rendered files they say "
            "\"user defined\"")


@LOST.says(
    c.ProfileLost, "The profile described the camera's picture. Tell whoever shows the frames what they are.")
def _(item: c.ProfileLost) -> str:
    return ("the files' ICC profile describes the camera's picture and is not in the rendered ones: whoever shows them "
            "must know what they are")


@LOST.says(
    c.LossyKept, "Written with the source's own lossy compression; proofs then see its noise.")
def _(item: c.LossyKept) -> str:
    return f"the frames are written with the take's own lossy compression ({item.compression})"


@LOST.says(
    c.ReviewMovie, "A movie is coded anew. Where the coding loses something, measure and prove on files.")
def _(item: c.ReviewMovie) -> str:
    kept = ("it loses nothing of these codes" if item.codec == "ffv1" else
            "the coding loses something: prove the correction on files, and use the movie to look at and to edit")
    return f"the movie is {item.codec}, {item.bits}-bit {':'.join(item.sampling)}; {kept}"
