"""What must be known of a correction, a proof, a render or an export, in words."""

from __future__ import annotations

from collections.abc import Sequence

from huewright.models import cautions
from huewright.words.reasons import number_words, reason_words
from huewright.words.sentence import duration_words, percent_words, sentence

DEFER = "check against the delivery specification and with the person responsible for the delivery"
LEAST_GRAIN = 0.1       # of the variance: below, noise is not what makes it uncertain
_UNITS = {"hue_deg": (1.0, "degrees"), "radius": (100.0, "% of radius"), "level_ire": (1.0, "IRE")}
_EXPORT_LIMITS = {"picture-like": "in the mean over picture-like colours", "random": "in the mean over random colours",
                 "in-gamut": "at worst over colours inside the display's gamut",
                 "beyond-gamut": "at worst over picture-like colours that the render puts beyond the display's gamut"}


# ---------------------------------------------------------------- of the survey and what was declared

@sentence.register
def _(item: cautions.LegalRangeOfFloats) -> str:
    return ("legal range is declared, but the files hold floating numbers, which as a rule are written with full "
            "range: check --range")


@sentence.register
def _(item: cautions.FilesUnlike) -> str:
    return (f"{item.shot} is {item.kind}, the card take is {item.card_kind}: check that it has the same encoding and "
            "range, for the correction is for these alone")


@sentence.register
def _(item: cautions.MovieDoubted) -> str:
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


@sentence.register
def _(item: cautions.LookedSparsely) -> str:
    near = ", and closely near the card" if item.found else ", and no card was in any"
    return (f"{item.looked} of the take's {item.frames} frames were looked at, about every {item.step}th{near}; "
            "--every-frame looks at each")


# ---------------------------------------------------------------- of the solve

@sentence.register
def _(item: cautions.Edited) -> str:
    return ("the correction file was edited by hand since it was solved; its residuals and intervals no longer "
            "describe it: solve again, or prove it on rendered frames")


@sentence.register
def _(item: cautions.Interpolated) -> str:
    apart = ("how far their corrections differ is not recorded" if item.drift is None
             else f"their corrections differ by {item.drift:.2f} CIEDE2000 on the card")
    return (f"interpolated {100 * item.share:.0f} % of the way from take {item.first} to take {item.second}, which lie "
            f"{duration_words(item.apart_s)} apart: right where the light changed steadily between them "
            f"({apart}), wrong where it changed at once")


@sentence.register
def _(item: cautions.FollowsCamera) -> str:
    return (f"solved towards what take {item.take} of another camera looks like once corrected, by the card's "
            f"{item.patches} chips and check patches: done whole, {item.mean:.2f} CIEDE2000 from it in the mean, "
            f"{item.worst:.2f} at the worst; each left out of the fit in turn, {item.left_out_mean:.2f} and "
            f"{item.left_out_worst:.2f}. Chips need not lie on their own targets, and no check patch is unseen")


@sentence.register
def _(item: cautions.OfAnotherCamera) -> str:
    return (f"shot {item.shot} is NOT of the camera and settings of take {item.take}, whose correction it gets: "
            f"{'; '.join(map(sentence, item.signs))}; a correction holds for one camera and its settings: give the "
            "shot to the camera that made it, or make sure")


@sentence.register
def _(item: cautions.LightMayDiffer) -> str:
    said = [f"{abs(stops):.1f} stops {'more' if stops > 0 else 'less'} {what} against green" for stops, what in (
        (item.red_stops, "red"), (item.blue_stops, "blue")) if stops is not None]
    if item.level_stops is not None:
        said.append(f"{abs(item.level_stops):.1f} stops {'brighter' if item.level_stops > 0 else 'darker'}")
    return (f"shot {item.shot} looks to be in another light than take {item.take}, whose correction it gets "
            f"({' and '.join(said)}): either the light or the exposure changed, or other things fill the picture, "
            "which the pictures alone can't tell apart; compare them, and shoot the card in that light if it changed")


@sentence.register
def _(item: cautions.TakeAfterShot) -> str:
    return (f"shot {item.shot} gets the correction of take {item.take}, which was made {duration_words(item.seconds)} "
            "after it, for none of its camera came before; if its light was another, nothing here knows of it")


@sentence.register
def _(item: cautions.OtherCardFile) -> str:
    return (f"solved with {item.card_file}, which is not the card file that the take was surveyed with "
            f"({item.surveyed_card_file}): the same patches in the same places, but other values; make sure that they "
            "are those of the card in the picture")


@sentence.register
def _(item: cautions.PrimariesAssumed) -> str:
    return (f"whose primaries does the light have? {item.assumed} is assumed, but {item.encoding} is published with "
            f"{' and '.join(item.implied)}: say it with --primaries '{item.implied[0]}', or --primaries "
            f"'{item.assumed}' if it is so")


@sentence.register
def _(item: cautions.ColoursSaidOtherwise) -> str:
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


@sentence.register
def _(item: cautions.DeclarationDoubted) -> str:
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


def _declaration(near: cautions.Nearest) -> str:
    """As the command line takes it."""
    return " ".join([*([] if near.encoding is None else [f"--encoding '{near.encoding}'"]),
                     *([] if near.range is None else [f"--range {near.range}"])])


def _likelihood(share: float) -> str:
    return "under 1 %" if share < 0.01 else f"{100 * share:.0f} %"


@sentence.register
def _(item: cautions.LookSampled) -> str:
    return (f"the look's file holds a step that is not computed here, so a table stands for it, off by up to "
            f"{item.error:.1e}")


@sentence.register
def _(item: cautions.LookWaysApart) -> str:
    return (f"the look's lattice names no interpolation: it is read tetrahedrally, which keeps greys on its diagonal "
            f"grey; a program that reads it trilinearly shows colours up to {item.apart:.1e} of full scale away")


@sentence.register
def _(item: cautions.OnlyThroughLook) -> str:
    return ("exposure and balance act after the look LUT, for nothing is known of the footage before it: where the LUT "
            "clips, bends or tints, the camera's light is not restored, light outside the LUT is gone, and the bars "
            "can't tell a wrong LUT")


@sentence.register
def _(item: cautions.VeilTakenOff) -> str:
    low, high = (100 * max(item.veil + side * 1.96 * item.veil_error, 0.0) for side in (-1, 1))
    return (f"a veil of {100 * item.veil:.1f} % of white ({low:.1f} to {high:.1f}) lay over the card and was taken "
            "off, as light that the card mirrors: then the shots are right without it; if the lens flares instead, the "
            "shots have it too and their blacks stay lifted by as much")


@sentence.register
def _(item: cautions.DoneInPart) -> str:
    return (f"done in part, as asked ({strength_words(item.levels, item.hues)}): chips and bars are held against where "
            f"that leaves them, short of their targets by up to {item.hue_deg:.1f} degrees of hue, "
            f"{100 * item.radius:.1f} % of radius and {item.level_ire:.1f} IRE")


def strength_words(levels: float, hues: float) -> str:
    return f"strength {hues:g}" if levels == hues else f"strength {hues:g} of hues, {levels:g} of levels"


@sentence.register
def _(item: cautions.CardUnmeasured) -> str:
    return ("the card file has no reference colours: bars and chips are brought to the usual levels and hues, and a "
            "card that was made for others is turned by as much; measured values (huewright card import) would tell")


@sentence.register
def _(item: cautions.FramesByHand) -> str:
    said = []
    if item.taken_in:
        refused = f", of which the survey refused {number_words(item.refused)}" if item.refused else ""
        said.append(f"frames {number_words(item.taken_in)} taken in{refused}")
    if item.left_out:
        said.append(f"frames {number_words(item.left_out)} left out")
    if item.placed:
        said.append(f"the card placed in frames {number_words(item.placed)}")
    return f"decided by hand: {'; '.join(said) or 'nothing'}"


@sentence.register
def _(item: cautions.TargetsAsked) -> str:
    said = [f"{one.patch} at {one.asked:g} IRE (the card's: {one.otherwise:.1f})" for one in item.levels]
    said += [f"{one.patch} at {one.asked:g} of its 75 % bar (the others: {one.otherwise:g})" for one in item.fractions]
    said += [f"{one.patch} turned by {one.asked:+g}° from its usual hue" for one in item.nudges]
    return (f"targets as asked: {', '.join(said)}; colours are held against the card's references all the same, and "
            "show the difference")


@sentence.register
def _(item: cautions.OffTarget) -> str:
    return f"off target: {_misses(item.misses)} ({_limits(item.limits)})"


@sentence.register
def _(item: cautions.Uncertain) -> str:
    cure = ("more frames of the card, a larger card in frame or more even light on it would help"
            if item.grain >= LEAST_GRAIN else
            "hardly any of it is noise, so more frames of this take would not help; more even light on the card, and "
            "less that it mirrors, may")
    return f"these are uncertain by (95 % interval): {_misses(item.misses)} ({_limits(item.limits)}); {cure}"


def _misses(misses: Sequence[cautions.Miss]) -> str:
    return ", ".join(f"{miss.patch} {_UNITS[miss.quantity][0] * miss.by:.2f} {_UNITS[miss.quantity][1]}"
                     for miss in misses)


def _limits(limits: cautions.Limits) -> str:
    return (f"limits: {limits.hue_deg:g} degrees of hue, {100 * limits.radius:g} % of radius, {limits.level_ire:g} "
            "IRE")


@sentence.register
def _(item: cautions.ChipsGuessed) -> str:
    return (f"vectorscope targets for {item.display} are a BT.709 picture's light in that coding, and depend on a "
            f"chip's level; {', '.join(item.chips)} have no reference value and are taken to be as light as the 75 % "
            "bars: give the card reference values")


@sentence.register
def _(item: cautions.ChipUnused) -> str:
    text = f"chip {item.chip!r} was not used ({reason_words(item.reasons)})"
    if item.from_deg is None or item.to_deg is None:
        return text
    return (f"{text}: hues from {item.from_deg:.0f} to {item.to_deg:.0f} degrees follow the chips at either end, "
            "unsupported between")


@sentence.register
def _(item: cautions.BarUnused) -> str:
    return (f"bar {item.bar!r} was not used ({reason_words(item.reasons)}): levels near {item.near_ire:.0f} IRE are "
            "unsupported")


@sentence.register
def _(item: cautions.CheckUnread) -> str:
    return f"check patch {item.patch!r} was not read ({reason_words(item.reasons)}): it proves nothing here"


@sentence.register
def _(item: cautions.HeldAtBound) -> str:
    return (f"held at a bound: {', '.join(item.parameters)}; the footage is further from its targets than a correction "
            "of this kind should go; declare the camera's primaries if its light isn't in BT.709's, or let a matrix go "
            "first (method matrix-sectors)")


@sentence.register
def _(item: cautions.ColoursFolded) -> str:
    return f"{100 * item.share:.2f} % of a LUT's cells are turned inside out: colours there change order"


@sentence.register
def _(item: cautions.NoiseLifted) -> str:
    return (f"noise is lifted by {item.all_db:.1f} dB ({item.chroma_db:.1f} dB in colour); look at the shadows")


@sentence.register
def _(item: cautions.SmallDifferencesStretched) -> str:
    return (f"somewhere in the cube small differences are stretched {item.times:.1f} times; look at gradients and skin")


@sentence.register
def _(item: cautions.ChipFarFromOthers) -> str:
    return (f"chip {item.chip!r} would miss by {item.hue_deg:.0f} degrees if the others alone drove the hues: hues "
            "between chips are less certain than the chips themselves")


@sentence.register
def _(item: cautions.ChecksWorse) -> str:
    return (f"check patches are worse than with exposure and balance alone{_own(item.own_targets)}: mean CIEDE2000 "
            f"{item.delta_e:.2f} against {item.balance_delta_e:.2f}; compare the methods before you trust this one")


@sentence.register
def _(item: cautions.SomeChecksWorse) -> str:
    return f"worse than with exposure and balance alone{_own(item.own_targets)}: " + ", ".join(
        f"{row.patch} (CIEDE2000 {row.delta_e:.2f} against {row.balance_delta_e:.2f})" for row in item.patches)


def _own(targets: bool) -> str:
    return ", both for the card's own targets" if targets else ""


@sentence.register
def _(item: cautions.MatrixOfFewChips) -> str:
    return (f"the matrix is fitted to {item.chips} chip{'s' * (item.chips > 1)} and the greys: colours unlike them are "
            "unsupported")


@sentence.register
def _(item: cautions.PolynomialTable) -> str:
    return (f"the root polynomial is rendered from a {item.size}-cubed table: its signal is off by up to "
            f"{item.worst:.4f} and {item.mean:.5f} on average over the display's cube, and light above {item.top:g} "
            "times white is clamped")


@sentence.register
def _(item: cautions.PolynomialOfFewPatches) -> str:
    return (f"{item.terms} terms a channel are fitted to {item.patches} patches: expect it to fit those and to stray "
            "between them")


@sentence.register
def _(item: cautions.TableTooFarOff) -> str:
    return "its table is too far off to render"


# ---------------------------------------------------------------- of the proof and its shots

def apart_words(apart: cautions.Apart) -> str:
    """How rendered frames differ from what the correction makes of the camera's."""
    if isinstance(apart, cautions.PatchApart):
        return (f"patch {apart.patch!r} is off by {apart.off:.4f} of the signal, where these files allow "
                f"{apart.allowed:.4f}")
    return (f"{100 * apart.share:.0f} % of the pixels are off by more than {apart.allowed:.4f} of the signal, all that "
            "these files allow")


@sentence.register
def _(item: cautions.RenderedNear) -> str:
    return (f"the rendered frames are near what this correction makes but not the same ({apart_words(item.apart)}), as "
            "a LUT, another program or a slightly different correction leaves them; the figures here are of the frames "
            "as they are")


@sentence.register
def _(item: cautions.NotFinite) -> str:
    return (f"in {item.shot or 'the rendered card take'}, as rendered, {item.pixels} pixels hold no finite number (NaN "
            "or infinite), counted over its frames: mend them in the source before the shot goes on")


@sentence.register
def _(item: cautions.SignalBeyond) -> str:
    over, under = percent_words(100 * item.over), percent_words(100 * item.under)
    below = f" and below it in {under}" if item.under > 0 else ""
    beyond = (f"goes below the range 0 to 100 % in {under} of pixels" if item.over <= 0 else
              f"goes above the range 0 to 100 % in {over} of pixels{below}")
    if item.shot:
        return f"in {item.shot} the signal {beyond}"
    return (f"the corrected signal {beyond}: integer files clip there, float files keep it; check highlights and "
            "saturated colours")


@sentence.register
def _(item: cautions.BeyondPreferred) -> str:
    return (f"{percent_words(100 * item.share)} of pixels lie outside −5 to 105 %, the range that EBU R 103 prefers, "
            "and it tolerates 1 %; your delivery specification may differ")


@sentence.register
def _(item: cautions.AtEndStops) -> str:
    share = percent_words(100 * item.share)
    if item.shot:
        return f"in {item.shot} {share} of pixels sit at an end of the file's code range: detail there is gone"
    return f"{share} of pixels in the rendered files sit at an end of the code range: detail there is gone"


@sentence.register
def _(item: cautions.NoiseMeasured) -> str:
    return f"noise is lifted by {item.lifted_db:.1f} dB, measured on the patches; look at the shadows"


@sentence.register
def _(item: cautions.LightFallsOff) -> str:
    return (f"light falls off over the card by {item.stops:.2f} stops: solve and proof allow for it, the picture shows "
            "it as it is")


@sentence.register
def _(item: cautions.Flashing) -> str:
    kind = "flashes to or from saturated red" if item.red else "flashes"
    rate = f"{item.frames_per_second:g} frames a second" + ("" if item.rate_declared else
                                                            ", taken because the files don't say")
    return (f"in {item.shot} there are {item.flashes} {kind} within a second over a quarter of the picture or more "
            f"(frames {item.first_frame} to {item.last_frame}, {rate}), which may be harmful to photosensitive "
            "viewers: ITU-R BT.1702 allows three; have the shot tested before it is shown")


@sentence.register
def _(item: cautions.SameLight) -> str:
    return ("the correction holds for the light and the camera settings that the card was shot with; whether a shot "
            "shares them can't be seen from its files: the person responsible has to know")


@sentence.register
def _(item: cautions.Screened) -> str:
    return ("the shots were screened for flashing by the limits of ITU-R BT.1702, which is no certified test; "
            "patterned content is not judged, nor whether the picture is legal for broadcast: the delivery "
            "specification and the person responsible decide")


@sentence.register
def _(item: cautions.NotScreened) -> str:
    return ("this proof does not judge flashing or patterned content, nor whether the picture is legal for broadcast: "
            "the delivery specification and the person responsible decide")


# ---------------------------------------------------------------- of renders

@sentence.register
def _(item: cautions.ReviewMovie) -> str:
    kept = ("it loses nothing of these codes" if item.codec == "ffv1" else
            "the coding loses something: prove the correction on files, and use the movie to look at and to edit")
    return f"the movie is {item.codec}, {item.bits}-bit {':'.join(item.sampling)}; {kept}"


def _in(shot: str) -> str:
    return f"in {shot} " if shot else ""


@sentence.register
def _(item: cautions.RenderLimited) -> str:
    return (f"{_in(item.shot)}{percent_words(100 * item.share)} of the pixels lie beyond what {item.bits}-bit "
            f"{item.range}-range files hold and were limited, so detail there is lost; {DEFER}")


@sentence.register
def _(item: cautions.RenderBeyond) -> str:
    return (f"{_in(item.shot)}{percent_words(100 * item.over)} of the pixels lie above white and "
            f"{percent_words(100 * item.under)} below black of the display signal (colours beyond its gamut or "
            f"highlights); {DEFER}")


@sentence.register
def _(item: cautions.LegalFloatsWritten) -> str:
    return f"legal range was written into floating-point files, which is unusual; {DEFER}"


@sentence.register
def _(item: cautions.FramesKept) -> str:
    kept = "1 frame was there already and kept" if item.count == 1 else \
        f"{item.count} frames were there already and kept"
    each = "it" if item.count == 1 else "each"
    if not item.by_hash:
        return f"{kept}; {each} was rendered again to compare, and is the same"
    if item.by_hash == item.count:
        return f"{kept}; {each} has the bytes, the source and the correction that were noted when it was rendered"
    return (f"{kept}; {item.by_hash} of them {'has' if item.by_hash == 1 else 'have'} the bytes, the source and the "
            "correction that were noted, the others were rendered again to compare, and are the same")


@sentence.register
def _(item: cautions.LeftoversRemoved) -> str:
    named = ", ".join(item.files[:6]) + (f" and {len(item.files) - 6} more" if len(item.files) > 6 else "")
    return f"removed what a render that was killed had left half-written: {named}"


@sentence.register
def _(item: cautions.ChannelsLost) -> str:
    return (f"channels {', '.join(item.channels)} are not in the rendered frames: {item.suffix} files hold none such")


@sentence.register
def _(item: cautions.ColoursUnsaid) -> str:
    return ("the files' headers said which transfer and colours the camera recorded; in the rendered files they say "
            "\"user defined\"")


@sentence.register
def _(item: cautions.ColoursRetagged) -> str:
    return (f"what the files said of the camera's colours ({', '.join(item.attributes)}) is not in the rendered ones, "
            "for it no longer holds" + ("; they now name the display's primaries" if item.display_named else ""))


@sentence.register
def _(item: cautions.StructureChanged) -> str:
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


@sentence.register
def _(item: cautions.LayersCarried) -> str:
    named = ", ".join(item.channels[:6]) + (" and others" if len(item.channels) > 6 else "")
    return f"only R, G and B are corrected; {named} (further layers or views) are carried over as the camera's"


@sentence.register
def _(item: cautions.ProfileLost) -> str:
    return ("the files' ICC profile describes the camera's picture and is not in the rendered ones: whoever shows them "
            "must know what they are")


@sentence.register
def _(item: cautions.DataWindowLost) -> str:
    return (f"the files' data window {item.data_window} within their display window {item.display_window} is lost: "
            f"{item.suffix} files hold the pixels alone")


@sentence.register
def _(item: cautions.CameBroken) -> str:
    return _broken(item.frames, "came from the camera's files with")


@sentence.register
def _(item: cautions.BecameBroken) -> str:
    return _broken(item.frames, "got in rendering (codes far beyond the encoding, or results past what half floats "
                                "hold, 65504)")


def _broken(frames: Sequence[int], how: str) -> str:
    runs = number_words(frames).split(", ")
    named = ", ".join(runs[:8]) + (f" and {len(runs) - 8} more" if len(runs) > 8 else "")
    return (f"frame{'' if len(frames) == 1 else 's'} {named} {how} pixels that are no numbers or "
            "infinite; in files of integers they are black or white: look at them")


@sentence.register
def _(item: cautions.LossyKept) -> str:
    return f"the frames are written with the take's own lossy compression ({item.compression})"


# ---------------------------------------------------------------- of exports

@sentence.register
def _(item: cautions.ExportOff) -> str:
    beyond = [f"{one.error:.1e}{' of full scale' * (one.colours in ('picture-like', 'random'))} "
              f"{_EXPORT_LIMITS[one.colours]}" for one in item.beyond]
    better = ("export with more points (--size, up to 129)" if item.lattice_only else
              "export a .clf, or with more points (--size, up to 129)")
    return (f"this file is off the render by {', '.join(beyond)} (limits: {item.mean_limit:g}, "
            f"{item.in_gamut_limit:g} and {item.beyond_gamut_limit:g}); render instead, or {better}")


@sentence.register
def _(item: cautions.CubeLimitsCodes) -> str:
    reach = f"{item.low:.4g}..{item.high:.4g}"
    return (f"a .cube takes code values in {reach} only and limits others; check what the program that reads it feeds "
            "it (full-scale code values, not range-expanded ones)")


@sentence.register
def _(item: cautions.CubeHasShaper) -> str:
    return "not every program reads a .cube with both a table and a lattice; check before relying on it"


@sentence.register
def _(item: cautions.LatticeLarge) -> str:
    return (f"the lattice has {item.size} points along each axis, and many programs read no more than {item.usual}; "
            "check before relying on it, or ask for a larger --error")


@sentence.register
def _(item: cautions.LegalCodesTaken) -> str:
    return ("the take is legal range and the file takes its code values as recorded; a program that expands the range "
            "on reading must be told not to")


@sentence.register
def _(item: cautions.CdlLeavesOut) -> str:
    return (f"a CDL carries the primaries only and leaves out {'; '.join(item.left_out)}: over picture-like colours it "
            f"is {item.mean:.1e} of full scale from the whole correction in the mean and {item.worst:.1e} at worst")


# ---------------------------------------------------------------- of the bench

@sentence.register
def _(item: cautions.MachineBusy) -> str:
    return (f"the machine was busy before the bench began (load {item.load:.1f} on {item.processors} processors), so "
            "its times are not to be relied on")


@sentence.register
def _(item: cautions.RowsUnreliable) -> str:
    return (f"{item.rows} rows spread by more than {item.spread:.0%} of their median and are marked unreliable; run "
            "again on a quiet machine")
