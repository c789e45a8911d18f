"""What to know all the same: what was looked at, kept, removed or timed."""

from __future__ import annotations

from huewright.models import cautions as c
from huewright.words.cautions.group import Group

KNOWN = Group("What to know all the same")


@KNOWN.says(
    c.SameLight, "No file says under which light a shot was made. The person responsible has to know.")
def _(item: c.SameLight) -> str:
    return ("the correction holds for the light and the camera settings that the card was shot with; whether a shot "
            "shares them can't be seen from its files: the person responsible has to know")


@KNOWN.says(
    c.Screened, "No certified test, no judgement on patterns or broadcast legality: the delivery specification and the "
    "person responsible decide.")
def _(item: c.Screened) -> str:
    return ("the shots were screened for flashing by the limits of ITU-R BT.1702, which is no certified test; "
            "patterned content is not judged, nor whether the picture is legal for broadcast: the delivery "
            "specification and the person responsible decide")


@KNOWN.says(
    c.NotScreened, "Nothing was looked at for flashing. The same holds.")
def _(item: c.NotScreened) -> str:
    return ("this proof does not judge flashing or patterned content, nor whether the picture is legal for broadcast: "
            "the delivery specification and the person responsible decide")


@KNOWN.says(
    c.FramesKept, "They were there and are the same: rendered again to compare, or, where `--remember` had noted "
    "them, by the hashes of their source, of what is done and of their bytes.")
def _(item: c.FramesKept) -> str:
    kept = "1 frame was there already and kept" if item.count == 1 else \
        f"{item.count} frames were there already and kept"
    each = "it" if item.count == 1 else "each"
    if not item.by_hash:
        return f"{kept}; {each} was rendered again to compare, and is the same"
    if item.by_hash == item.count:
        return f"{kept}; {each} has the bytes, the source and the correction that were noted when it was rendered"
    return (f"{kept}; {item.by_hash} of them {'has' if item.by_hash == 1 else 'have'} the bytes, the source and the "
            "correction that were noted, the others were rendered again to compare, and are the same")


@KNOWN.says(
    c.LeftoversRemoved, "An earlier render was killed while it wrote them. They had hidden names and were no frames.")
def _(item: c.LeftoversRemoved) -> str:
    named = ", ".join(item.files[:6]) + (f" and {len(item.files) - 6} more" if len(item.files) > 6 else "")
    return f"removed what a render that was killed had left half-written: {named}"


@KNOWN.says(
    c.LookedSparsely, "A long take is looked at about every half second, then frame by frame around the frames with a "
    "card. A card shown for less than that may be missed: `--every-frame` looks at each.")
def _(item: c.LookedSparsely) -> str:
    near = ", and closely near the card" if item.found else ", and no card was in any"
    return (f"{item.looked} of the take's {item.frames} frames were looked at, about every {item.step}th{near}; "
            "--every-frame looks at each")


@KNOWN.says(
    c.RowsUnreliable, "Times that spread too far. Run the bench again on a quiet machine.")
def _(item: c.RowsUnreliable) -> str:
    return (f"{item.rows} rows spread by more than {item.spread:.0%} of their median and are marked unreliable; run "
            "again on a quiet machine")


@KNOWN.says(
    c.MachineBusy, "Others use the processors: ratios suffer less than times, but they suffer.")
def _(item: c.MachineBusy) -> str:
    return (f"the machine was busy before the bench began (load {item.load:.1f} on {item.processors} processors), so "
            "its times are not to be relied on")
