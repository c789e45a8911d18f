"""What may make everything else wrong: a declaration, a file or an origin that is in doubt."""

from __future__ import annotations

from huewright.models import cautions as c
from huewright.words.cautions.group import Group
from huewright.words.sentence import sentence

DOUBTED = Group("What may make everything else wrong")


@DOUBTED.says(
    c.OfAnotherCamera, "Its metadata names another camera or other settings than the take's, or two weaker signs "
    "agree: files of another kind, light below black, a picture that leans elsewhere. An honest shot can show one of "
    "the weaker ones alone, so one says nothing; a shot without metadata and of the same kind of files passes unseen.")
def _(item: c.OfAnotherCamera) -> str:
    return (f"shot {item.shot} is NOT of the camera and settings of take {item.take}, whose correction it gets: "
            f"{'; '.join(map(sentence, item.signs))}; a correction holds for one camera and its settings: give the "
            "shot to the camera that made it, or make sure")


def _declaration(near: c.Nearest) -> str:
    """As the command line takes it."""
    return " ".join([*([] if near.encoding is None else [f"--encoding '{near.encoding}'"]),
                     *([] if near.range is None else [f"--range {near.range}"])])


def _likelihood(share: float) -> str:
    return "under 1 %" if share < 0.01 else f"{100 * share:.0f} %"


@DOUBTED.says(
    c.DeclarationDoubted, "The grey bars' light does not lie where their reflectances put it, whatever exposure and "
    "whatever even veil is allowed. As a rule the curve or the range was declared wrongly. Declare what was recorded; "
    "the caution names what would fit. Only you know: `--trust-encoding` goes on at your word, and the page says so. "
    "With two bars the other patches' lightness is held beside them; without references a photograph of the card or "
    "its bars' levels say roughly what they reflect, which tells camera log from a picture, not one log from another.")
def _(item: c.DeclarationDoubted) -> str:
    bent = f"(bars bent by {item.bent_ire:.1f} IRE; misfit {item.misfit:.0f}, up to {item.usual:.0f} is usual)"
    if item.rough:
        cure = ("if it looks grey and flat it is camera log, and --encoding takes its curve's name" if item.picture else
                "declare what was recorded")
        return (f"the card has no reference values, but even by what its bars roughly reflect (a photograph of it, or "
                f"their levels) they are far from where the declared --encoding and --range put them {bent}; {cure}")
    if item.picture:
        return (f"the bars are not where a plain BT.709 picture has them {bent}: a camera's own rendering, or footage "
                "that is no display picture; if it is log, declare its curve with --encoding")
    if item.contradicted:
        said = (f"the bars contradict --encoding or --range: bar {item.bar!r} is {abs(100 * item.off):.0f} % "
                f"{'lighter' if item.off > 0 else 'darker'} than its reflectance allows beside the others {bent}")
    elif item.misfit <= item.usual:
        said = (f"the bars fit --encoding and --range only if a veil of {100 * item.veil:.1f} % of white's light lay "
                f"over the card (flare, haze or glare on it) {bent}")
    else:
        said = (f"the card's patches fit --encoding and --range poorly, with a veil of {100 * item.veil:.1f} % of "
                f"white's light over the card at best {bent}")
    if item.nearest:
        said += "; better would fit: " + ", ".join(
            f"{_declaration(near)} (likelihood {_likelihood(near.likelihood)})" for near in item.nearest)
    return said


@DOUBTED.says(
    c.ColoursSaidOtherwise, "An ICC profile, an attribute, or a movie's tags name other primaries or another transfer "
    "than you declared. Files are wrong about themselves now and then, so your word is taken; but if they are right, "
    "every hue is off, and the card's chips on their targets don't show it on colours between them.")
def _(item: c.ColoursSaidOtherwise) -> str:
    by = {"profile": "ICC profile says", "chromaticities": "attribute chromaticities says",
          "code points": "colour code points say", "tags": "tags say"}[item.by]
    found = []
    if item.primaries:
        found.append("their primaries are {}".format(item.name or "red {:.3f}, {:.3f}, green {:.3f}, {:.3f} and blue "
                                                     "{:.3f}, {:.3f}".format(*item.primaries[:6])))
    if item.transfer:
        found.append(f"their transfer is {item.transfer}")
    taken = (f"as 'display' they are taken for a picture made for {item.encoding} ({item.declared})" if item.shown else
             f"{item.encoding} and {item.declared} are declared")
    encoding = item.transfer or ("srgb" if item.shown else item.encoding)
    primaries = (item.name or "NAME") if item.primaries else item.declared
    return (f"the files' {by} that {' and '.join(found)}, while {taken}: if the files are right, declare --encoding "
            f"{encoding} --primaries '{primaries}'")


@DOUBTED.says(
    c.PrimariesAssumed, "The curve you named is published together with RGB primaries, and you named none. Levels do "
    "not care, hues do. Say `--primaries` once and the question is gone.")
def _(item: c.PrimariesAssumed) -> str:
    return (f"whose primaries does the light have? {item.assumed} is assumed, but {item.encoding} is published with "
            f"{' and '.join(item.implied)}: say it with --primaries '{item.implied[0]}', or --primaries "
            f"'{item.assumed}' if it is so")


@DOUBTED.says(
    c.Edited, "The correction file is not as it was solved. It renders, but its residuals and intervals are of "
    "something else: solve again, or prove it on rendered frames.")
def _(item: c.Edited) -> str:
    return ("the correction file was edited by hand since it was solved; its residuals and intervals no longer "
            "describe it: solve again, or prove it on rendered frames")


@DOUBTED.says(
    c.OtherCardFile, "The solve used other card values than the survey. Right if you have just corrected the card "
    "file; wrong if it is the file of another card.")
def _(item: c.OtherCardFile) -> str:
    return (f"solved with {item.card_file}, which is not the card file that the take was surveyed with "
            f"({item.surveyed_card_file}): the same patches in the same places, but other values; make sure that they "
            "are those of the card in the picture")


def apart_words(apart: c.Apart) -> str:
    """How rendered frames differ from what the correction makes of the camera's."""
    if isinstance(apart, c.PatchApart):
        return (f"patch {apart.patch!r} is off by {apart.off:.4f} of the signal, where these files allow "
                f"{apart.allowed:.4f}")
    return (f"{100 * apart.share:.0f} % of the pixels are off by more than {apart.allowed:.4f} of the signal, all that "
            "these files allow")


@DOUBTED.says(
    c.RenderedNear, "The frames proved are near what the correction makes, not the same: another program, a LUT, a "
    "slightly other correction, or compression lies between. The figures are of those frames.")
def _(item: c.RenderedNear) -> str:
    return (f"the rendered frames are near what this correction makes but not the same ({apart_words(item.apart)}), as "
            "a LUT, another program or a slightly different correction leaves them; the figures here are of the frames "
            "as they are")


@DOUBTED.says(
    c.FilesUnlike, "Another depth or file type than the card take's, so perhaps another encoding, range or camera. The "
    "correction is for the card take's code values alone.")
def _(item: c.FilesUnlike) -> str:
    return (f"{item.shot} is {item.kind}, the card take is {item.card_kind}: check that it has the same encoding and "
            "range, for the correction is for these alone")


@DOUBTED.says(
    c.MovieDoubted, "What a movie's tags say of its colours is missing or unlikely. What was taken instead stands in "
    "the caution: check it against how the movie was made.")
def _(item: c.MovieDoubted) -> str:
    said, taken = item.said, item.taken
    words = {
        "range missing": f"doesn't say its range of codes; {taken} is taken, as is usual: if blacks come out grey or "
                         "cut off, say it, as NAME:range=full",
        "range and codes": f"is tagged legal, but {said} of the first frame's pixels lie far below legal black: if it "
                           "is full, say it, as NAME:range=full",
        "matrix missing": f"doesn't say its colour matrix; {taken} is taken for {said} pixels: say it where it is "
                          "another, as NAME:matrix=bt601",
        "matrix and size": f"has a matrix for standard definition in a larger picture ({said}); {taken} is taken as it "
                           "says: if colours come out turned by a few degrees, say NAME:matrix=bt709",
        "matrix and primaries": f"has matrix and primaries that hardly belong together ({said}); the matrix {taken} is "
                                "taken as it says: say it where it is another, as NAME:matrix=bt709",
        "transfer and primaries": f"has transfer and primaries that hardly belong together ({said}): --encoding says "
                                  "what holds",
        "uneven": "has a varying rate: its frames keep their numbers and times, and frames in files have no times",
        "alpha": "has an alpha channel, which is not carried",
        "lost": f"is cut short or damaged: its frames {said} can't be read, and are said to be missing",
    }[item.about]
    return f"{item.movie} {words}"


@DOUBTED.says(
    c.LegalRangeOfFloats, "Files of floating numbers hold the full range as a rule. If they do, `--range full`.")
def _(item: c.LegalRangeOfFloats) -> str:
    return ("legal range is declared, but the files hold floating numbers, which as a rule are written with full "
            "range: check --range")
