"""What each caution means and what to do about it, for `huewright help cautions` and the documentation."""

from __future__ import annotations

from huewright.models import cautions as c
from huewright.models.cautions import Caution

EXPLAINED: dict[type[Caution], str] = {
    c.DeclarationDoubted: "The grey bars' light does not lie where their reflectances put it, whatever exposure and "
    "whatever even veil is allowed. As a rule the curve or the range was declared wrongly. Declare what was recorded; "
    "the caution names what would fit. Only you know: `--trust-encoding` goes on at your word, and the page says so. "
    "With two bars the other patches' lightness is held beside them; without references a photograph of the card or "
    "its bars' levels say roughly what they reflect, which tells camera log from a picture, not one log from another.",
    c.ColoursSaidOtherwise: "An ICC profile, an attribute, or a movie's tags name other primaries or another transfer "
    "than you declared. Files are wrong about themselves now and then, so your word is taken; but if they are right, "
    "every hue is off, and the card's chips on their targets don't show it on colours between them.",
    c.PrimariesAssumed: "The curve you named is published together with RGB primaries, and you named none. Levels do "
    "not care, hues do. Say `--primaries` once and the question is gone.",
    c.Edited: "The correction file is not as it was solved. It renders, but its residuals and intervals are of "
    "something else: solve again, or prove it on rendered frames.",
    c.OtherCardFile: "The solve used other card values than the survey. Right if you have just corrected the card "
    "file; wrong if it is the file of another card.",
    c.RenderedNear: "The frames proved are near what the correction makes, not the same: another program, a LUT, a "
    "slightly other correction, or compression lies between. The figures are of those frames.",
    c.FilesUnlike: "Another depth or file type than the card take's, so perhaps another encoding, range or camera. The "
    "correction is for the card take's code values alone.",
    c.MovieDoubted: "What a movie's tags say of its colours is missing or unlikely. What was taken instead stands in "
    "the caution: check it against how the movie was made.",
    c.LookedSparsely: "A long take is looked at about every half second, then frame by frame around the frames with a "
    "card. A card shown for less than that may be missed: `--every-frame` looks at each.",
    c.LegalRangeOfFloats: "Files of floating numbers hold the full range as a rule. If they do, `--range full`.",
    c.Flashing: "The shot flashes more often or more strongly than ITU-R BT.1702 allows, by a screen that is no "
    "certified test. It may be harmful to photosensitive viewers: have it tested before anyone sees it.",
    c.NotFinite: "Pixels without a finite number: no filter and no encoder treats them alike. Mend the source.",
    c.BecameBroken: "Results past what the file holds: usually codes far beyond the declared encoding. Check it, or "
    "write a deeper format.",
    c.CameBroken: "They were in the camera's files already. Look at the frames; in integers they are black or white.",
    c.Interpolated: "No card was read at that moment: it is a straight line between two that were, and nothing proves "
    "it but your eye. It follows daylight that changes steadily; a cloud or a lamp that was switched on in between it "
    "does not know. The farther apart the takes and the larger the drift, the less it is worth.",
    c.FollowsCamera: "Matrix and hues were fitted to the picture of the camera that this one follows, not to the "
    "card's own targets: this one shares the other's errors. Trust the figures of patches left out of the fit; other "
    "things in the shots lie about as far apart as those, or farther.",
    c.OfAnotherCamera: "Its metadata names another camera or other settings than the take's, or two weaker signs "
    "agree: files of another kind, light below black, a picture that leans elsewhere. An honest shot can show one of "
    "the weaker ones alone, so one says nothing; a shot without metadata and of the same kind of files passes unseen.",
    c.LightMayDiffer: "Two rough estimates of what is neutral agree that shot and take differ, or the whole picture is "
    "much brighter or darker. It is said from 0.6 stops of red or blue against green, or 2.5 stops of level. Of pairs "
    "of quite unlike pictures under one light about one in eight passes that, and a small change is never seen. "
    "Look at both; only you know what the light did.",
    c.TakeAfterShot: "Nobody named the take, and by time code the first take of this camera came after the shot. Right "
    "if the light was the same before it.",
    c.OffTarget: "The solve could not bring these patches to their targets within the limits: too few degrees of "
    "freedom (method balance), a bound, or patches that contradict each other. Look at the page's close-up.",
    c.FramesByHand: "You decided which frames are merged, or where the card lies in them; the survey's own judgement "
    "of those frames stands beside. A frame that it refused has its reasons: what they say may be in the reading now.",
    c.DoneInPart: "You asked for less than full strength. Patches are held against where that leaves a correction "
    "which, at full strength, puts them on their targets; how far short that is, is said.",
    c.TargetsAsked: "Levels, fractions or hues of your own. Colours are compared with the card's references all the "
    "same, so their differences hold what you asked for.",
    c.Uncertain: "Noise, light and the survey's own corrections leave it open whether the patch is within the limits. "
    "More frames of the card, or a larger card in frame, narrow what noise does; what is not known of uneven and "
    "of mirrored light is the same in all frames of a take.",
    c.VeilTakenOff: "Light was added all over the card. If the card mirrored it, the shots are right without it. If "
    "the lens flared, the shots have it too, and their blacks stay lifted. See `huewright help card-lies`.",
    c.ChecksWorse: "Colours that the solve never saw got worse than exposure and balance alone would leave them. Chips "
    "on targets prove nothing then: `huewright solve --compare`.",
    c.SomeChecksWorse: "The same of single check patches: colours like these pay for the chips. Where you asked for "
    "targets of your own, both are of a solve for the card's own: what you asked moves colours as well.",
    c.HeldAtBound: "An unknown stopped at the most that a correction of this kind should do. The footage is too far "
    "off: check encoding and primaries, or let a matrix go first (`--method matrix-sectors`).",
    c.BarUnused: "Levels near this bar rest on its neighbours.",
    c.ChipUnused: "Hues near this chip follow the chips at either side.",
    c.ChipsGuessed: "On wide and HDR displays a chip's target depends on how light it is, which the card doesn't say. "
    "Give it reflectance or xyz.",
    c.CardUnmeasured: "The card file says what to aim at, not what the card is. On target then means that this card "
    "looks as the trade wants such cards to look. A card that was made for something else is bent to it, and so is all "
    "footage. Ask its maker for values, or measure it (`huewright card import`).",
    c.CheckUnread: "One proof fewer; nothing else changes.",
    c.OnlyThroughLook: "All that is known is the LUT, so exposure and balance act on its picture. What the LUT clips "
    "is gone, and a wrong LUT can't be told.",
    c.RenderLimited: "Pixels beyond what the files hold were cut off. Write float files to keep them.",
    c.AtEndStops: "Pixels at an end of the code range: detail there is gone, here or in the camera.",
    c.BeyondPreferred: "More of the picture lies outside -5 to 105 % than EBU R 103 tolerates. Your delivery "
    "specification decides.",
    c.SignalBeyond: "Integer files clip there, float files keep it. Look at highlights and strong colours.",
    c.RenderBeyond: "The same, counted while rendering.",
    c.LegalFloatsWritten: "Unusual: whoever reads the files must know.",
    c.LookSampled: "Most steps of a CLF are computed exactly; an inverted table is not. Over 0.002 off "
    "it is refused.",
    c.LookWaysApart: "OpenColorIO reads such a lattice trilinearly unless told otherwise, others tetrahedrally. Write "
    "the way into the file (a CLF names it) where it must be the same everywhere.",
    c.ExportOff: "The LUT is that far from the render. Use CLF, more points (`--size`), or render.",
    c.LegalCodesTaken: "The LUT takes legal-range codes as recorded. A program that expands them on reading would "
    "expand twice.",
    c.CubeLimitsCodes: "A .cube has a domain, 0 to 1 unless the frames given go beyond; codes outside are cut off.",
    c.CubeHasShaper: "A table before the lattice is not understood everywhere.",
    c.LatticeLarge: "Not every program reads a lattice that large.",
    c.CdlLeavesOut: "Ten numbers carry exposure, balance and a part of tone; hues stay as they are.",
    c.LeftoversRemoved: "An earlier render was killed while it wrote them. They had hidden names and were no frames.",
    c.ChannelsLost: "The output format holds no such channels: write EXR to keep them.",
    c.StructureChanged: "The rendered file is one upright picture, with what else fits as layers. The table under "
    "\"Rendering unattended\" says what becomes of what.",
    c.LayersCarried: "Only R, G and B are corrected; the rest is as the camera wrote it.",
    c.DataWindowLost: "The output holds pixels alone; their place in a larger picture is lost.",
    c.ColoursRetagged: "What the header said of the camera's colours is no longer true of the rendered picture.",
    c.ColoursUnsaid: "DPX has no word for what these pixels are now.",
    c.ProfileLost: "The profile described the camera's picture. Tell whoever shows the frames what they are.",
    c.LossyKept: "Written with the source's own lossy compression; proofs then see its noise.",
    c.ReviewMovie: "A movie is coded anew. Where the coding loses something, measure and prove on files.",
    c.TableTooFarOff: "A polynomial that no table of this size holds: compared, never rendered.",
    c.ColoursFolded: "Neighbouring colours change places. Gradients through them break.",
    c.NoiseLifted: "Predicted from the reading's noise: look at shadows and strong blues.",
    c.NoiseMeasured: "The same, measured on the patches of the rendered frames.",
    c.SmallDifferencesStretched: "Somewhere in the display's cube small differences grow that much: banding and "
    "blotchy skin are where to look.",
    c.ChipFarFromOthers: "Had the others alone decided, this chip would be far off: between chips, hues are less "
    "certain than the chips themselves.",
    c.MatrixOfFewChips: "Colours unlike the chips rest on nothing.",
    c.PolynomialTable: "The polynomial is rendered from a table that is off by as much, and clamps above its top.",
    c.PolynomialOfFewPatches: "About as many unknowns as patches: it fits those and strays between them.",
    c.LightFallsOff: "Allowed for in solve and proof; the picture keeps it.",
    c.SameLight: "No file says under which light a shot was made. The person responsible has to know.",
    c.Screened: "No certified test, no judgement on patterns or broadcast legality: the delivery specification and the "
    "person responsible decide.",
    c.NotScreened: "Nothing was looked at for flashing. The same holds.",
    c.FramesKept: "They were there and are the same: rendered again to compare, or, where `--remember` had noted "
    "them, by the hashes of their source, of what is done and of their bytes.",
    c.RowsUnreliable: "Times that spread too far. Run the bench again on a quiet machine.",
    c.MachineBusy: "Others use the processors: ratios suffer less than times, but they suffer.",
}
