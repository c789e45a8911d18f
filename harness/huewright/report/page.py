"""The proof as one page that a client can open: no network, everything inside, readable on a phone and on paper.

The page takes what a :class:`Proof` says and adds nothing to it. All its text is escaped. Pictures become data URIs;
a scope picture is cut into its two panels, so that a phone may stack them.
"""

from __future__ import annotations

import base64
import hashlib
import io
import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from huewright import words
from huewright.colorimetry.display import BT2020, Display, display_named
from huewright.colorimetry.shown import HDR, shown_note
from huewright.errors import InputError
from huewright.files import refuse_existing, write_text
from huewright.models.cautions import BeyondPreferred, DoneInPart, FollowsCamera, NotScreened, Screened
from huewright.models.coded import has
from huewright.models.proof import Proof, Verdict
from huewright.models.record import to_record
from huewright.report import tables
from huewright.report.style import DAY, NIGHT, variables
from huewright.version import __version__

if TYPE_CHECKING:
    from jinja2 import Environment

TEMPLATES = Path(__file__).parent / "templates"
SIZE_LIMIT = 5_000_000
SCOPES = {"waveform": "Luma waveform", "parade": "Parade of R', G' and B'", "vectorscope": "Vectorscope",
          "closeup": "Close-up of each chip around its target"}
EXPLAINED = {
    "waveform": "Brightness upward, the picture's width across; 0 % is black (10-bit code 64), 100 % nominal peak "
                "white (940). Long dashes mark where the grey bars should lie.",
    "parade": "The same for red, green and blue apart. A grey bar without a tint lies level across the three.",
    "vectorscope": "Colour without brightness: direction is hue, distance from the middle is saturation. Lozenges are "
                   "the standard colour bars, open at {bar:.0f} %, filled at 100 %. A cross with an open middle marks "
                   "where a chip should lie.",
    "closeup": "Each chip's pixels from so near that its target fills a tile: hue error across, saturation error up. "
               "The ring is the limit; an arrow points to a chip that lies outside the tile. Whiskers are the 95 % "
               "interval."}
WIDE_EXPLAINED = " Weak colours are shown enlarged; the bars then lie outside."
HDR_EXPLAINED = " The broken line is HDR reference white, 203 cd/m² (ITU-R BT.2408)."
# Cautions that already say who decides on a delivery.
DEFERRING = (Screened, NotScreened, BeyondPreferred)
# How the verdict looks: else "torn", which is on target, but.
_TONES: dict[Verdict, str] = {"shot-of-another-camera": "missed", "outside-limits": "missed",
                               "declaration-contradicted": "missed", "within-limits": "held"}
VIEWS = {"card": "The card alone", "frame": "The whole frame"}


def write_page(proof: Proof, pictures: Mapping[str, Path | str], path: Path | str, *,
               overwrite: bool = False) -> int:
    """Writes the page to ``path`` and returns its size in bytes.

    pictures   name -> file, the names of :func:`huewright.report.scopes.scope_pictures`; what is missing is left out

    Raises :class:`InputError` if ``path`` exists and ``overwrite`` is false, if a picture cannot be read, or if the
    page would pass 5 MB.
    """
    refuse_existing(path, overwrite=overwrite)
    text = page_html(proof, pictures)
    size = len(text.encode("utf-8"))
    if size > SIZE_LIMIT:
        raise InputError(f"{path}: the page would take {size / 1e6:.1f} MB, more than 5 MB; give it smaller pictures")
    write_text(path, text, overwrite=overwrite)
    return size


def page_html(proof: Proof, pictures: Mapping[str, Path | str]) -> str:
    """The page's text. Parameters as for :func:`write_page`."""
    files = {name: Path(file) for name, file in pictures.items()}
    known = display_named(proof.display)
    return templates().get_template("page.html").render(
        **page_head("page.css"), title=proof.title or "A colour correction", heading=words.verdict_heading(proof),
        tone=_TONES.get(proof.verdict, "torn"), verdict=words.verdict_words(proof),
        basis=words.basis_words(proof) if proof.summary.frames_measured else "",
        deferred=has(proof.cautions, *DEFERRING),
        cautions=[words.sentence(caution) for caution in words.in_order(proof.cautions)],
        figures=tables.figures_of(proof), facts=tables.facts_of(proof),
        shots=tables.shots_of(proof), subject=tables.ledger(words.subject_words(proof)),
        photos=_photos(files, proof), shown_note=unbroken(shown_note(proof.display)), scopes=_scopes(files, known),
        columns=tables.COLUMNS, groups=tables.GROUPS, rows=tables.rows_of(proof),
        noted=any(patch.reasons for patch in proof.patches), methods=tables.methods_of(proof.methods),
        in_part=has(proof.cautions, DoneInPart), follows=has(proof.cautions, FollowsCamera),
        work=tables.work_of(proof.work), frames=tables.frames_of(proof.frames),
        provenance=tables.provenance_of(proof.provenance), summary=_everything(proof))


def templates() -> Environment:
    from jinja2 import Environment, FileSystemLoader

    environment = Environment(loader=FileSystemLoader(TEMPLATES), autoescape=True, trim_blocks=True)
    environment.filters |= {"sentence": sentence, "unbroken": unbroken}
    return environment


def page_head(*styles: str) -> dict[str, Any]:
    """What every page of ours has: version, the script and its hash, and these style sheets."""
    from markupsafe import Markup

    script = (TEMPLATES / "page.js").read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    sheets = [templates().get_template(name).render(day=variables(DAY), night=variables(NIGHT)) for name in styles]
    return {"version": __version__, "script": Markup(script), "script_hash": f"sha256-{digest}",
            "stylesheet": Markup("\n".join(sheets))}


def sentence(text: str) -> str:
    """``text`` from its first letter, made a capital, to a full stop."""
    text = text.strip()
    return text[:1].upper() + text[1:] + ("" if not text or text[-1] in ".!?" else ".")


def unbroken(text: str) -> str:
    """``text`` with its figures kept on one line with their units."""
    return re.sub(r"(\d) (%|cd/m²|IRE|dB|ΔE|px|pixels|stops)", "\\1\u00a0\\2", text)


def _everything(proof: Proof) -> list[dict[str, Any]]:
    """All figures of the summary, where frames were measured."""
    return tables.ledger(to_record(proof.summary)) if proof.summary.frames_measured else []


# ---------------------------------------------------------------- pictures

def _photos(files: Mapping[str, Path], proof: Proof) -> list[dict[str, Any]]:
    """The shots, then the card take; each where both its pictures are there."""
    named = [(f"shot_{index}_", f"{shot.name}, frame {shot.shown}")
             for index, shot in enumerate(proof.shots, 1)]
    shown = proof.frames.shown
    named.append(("", "The card take" + ("" if shown is None else f", frame {shown}")))
    photos = []
    for prefix, title in named:
        pair = [files.get(f"{prefix}{side}") for side in ("before", "after")]
        if pair[0] is not None and pair[1] is not None:
            width, height = opened(pair[1]).size
            before, after = (data_uri(file.read_bytes(), _mime(file)) for file in pair if file is not None)
            photos.append({"before": before, "after": after, "width": width, "height": height, "title": title})
    return photos


def _scopes(files: Mapping[str, Path], display: Display) -> list[dict[str, Any]]:
    groups: list[dict[str, Any]] = []
    for view, view_label in VIEWS.items():
        rows = []
        for kind, kind_label in SCOPES.items():
            name = f"{kind}_{view}"
            if name not in files:
                continue
            night = f"{name}_night" in files
            panels = _panels(files[name], "day") + (_panels(files[f"{name}_night"], "night") if night else [])
            panels.sort(key=lambda panel: panel["side"] != "before")
            explained = EXPLAINED[kind].format(bar=100 * display.bar_amplitude)
            if kind == "waveform" and display.name in HDR:
                explained += HDR_EXPLAINED
            if kind == "vectorscope" and display.primaries == BT2020:
                explained += WIDE_EXPLAINED
            explained = unbroken(explained)
            rows.append({"label": f"{kind_label}, {view_label.lower()}", "kind": kind_label, "panels": panels,
                         "night": night, "explained": "" if groups else explained})
        if rows:
            groups.append({"label": view_label, "rows": rows})
    return groups


def _panels(path: Path, ground: str) -> list[dict[str, Any]]:
    """The left and right half of a scope picture."""
    picture = opened(path)
    width, height = picture.size[0] // 2, picture.size[1]
    panels = []
    for index, side in enumerate(("before", "after")):
        stream = io.BytesIO()
        picture.crop((index * width, 0, (index + 1) * width, height)).save(stream, "png", compress_level=6)
        panels.append({"ground": ground, "side": side, "uri": data_uri(stream.getvalue(), "image/png"),
                       "width": width // 2, "height": height // 2})
    return panels


def opened(path: Path) -> Any:
    from PIL import Image, UnidentifiedImageError

    try:
        with Image.open(path) as picture:
            picture.load()
            return picture
    except (OSError, UnidentifiedImageError) as error:
        raise InputError(f"{path}: the page cannot take in this picture ({error}); make the proof again") from None


def _mime(path: Path) -> str:
    return "image/png" if path.suffix.lower() == ".png" else "image/jpeg"


def data_uri(content: bytes, mime: str) -> str:
    return f"data:{mime};base64,{base64.b64encode(content).decode('ascii')}"
