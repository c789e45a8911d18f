"""The runs that the documentation shows: done on a painted take, and kept as text in ``harness/docs/runs``.

``python tests/harness/docs_runs.py`` writes them anew; :mod:`test_docs` does them again and compares.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import shlex
import sys
import tempfile
from pathlib import Path
from typing import Any
from unittest import mock

sys.path.insert(0, str(Path(__file__).parent))

from test_command_line import CARD, paint

RUNS = {
    "card": ["card check card.toml"],
    "survey": ["survey 'take/a.####.png' --card card.toml --encoding display --sheet frames.png"],
    "solve": ["solve survey.json --card card.toml --compare"],
    "render": ["render correction.json scenes true", "render correction.json 'take/a.####.png' true/take"],
    "prove": ["prove correction.json survey.json --card card.toml --before 'take/a.####.png' --after true/take"],
    "export": ["export correction.json look.cube look.clf --size 33",
               "export correction.json near.cube near.clf --error 0.002 --frames 'take/a.####.png'",
               "export a=correction.json --config ocio --size 33"],
    "edit": ["edit scene.otio graded/scene.otio --for 'scenes/garden/b.####.png=correction.json'"],
    "scopes": ["scopes scenes/garden/b.0001.png --correction correction.json --strength hues=0.8"],
    "repeat": ["repeat correction.json"],
    "run": ["run 'take/a.####.png' --card card.toml --encoding display --shot scenes --out scene-a"],
    "scene": ["scene scene.toml --dry-run", "scene scene.toml --only-export"],
    "help": ["help"],
}
SCENE = '''format = "huewright-scene-1"
title = "Kitchen and garden"
card = "card.toml"

[out]
config = "ocio"
edit = "scene.otio"

[[camera]]
name = "A"
encoding = "display"

[[take]]
camera = "A"
path = "take/a.####.png"
moment = "9:00"

[[shot]]
camera = "A"
path = "scenes/kitchen/b.####.png"
name = "kitchen"
moment = "9:12"

[[shot]]
camera = "A"
path = "scenes/garden/b.####.png"
name = "garden"
make = "export"
'''
FOLDER = Path(__file__).parents[2] / "harness" / "docs" / "runs"


def transcripts(folder: Path) -> dict[str, str]:
    """What each verb prints, done in ``folder`` in this order; seconds and progress left out."""
    for number, turn in enumerate((12.0, 12.1, 12.2), 1):
        (folder / "take").mkdir(exist_ok=True)
        paint(folder / "take" / f"a.{number:04d}.png", turn=turn)
    for scene in ("kitchen", "garden"):
        (folder / "scenes" / scene).mkdir(parents=True)
        paint(folder / "scenes" / scene / "b.0001.png", card=False)
    (folder / "scene.otio").write_text(json.dumps(edit_of("garden", "kitchen")), encoding="utf-8")
    (folder / "card.toml").write_bytes(CARD.read_bytes())
    (folder / "scene.toml").write_text(SCENE)
    with contextlib.chdir(folder):
        return {verb: "\n".join(f"$ huewright {line}\n{printed(line)}" for line in lines)
                for verb, lines in RUNS.items()}


def edit_of(*scenes: str) -> dict[str, Any]:
    """An edit as OpenTimelineIO writes it, of a second of each scene."""
    def span(start: int) -> dict[str, Any]:
        start_time, duration = ({"OTIO_SCHEMA": "RationalTime.1", "rate": 24.0, "value": float(value)}
                                for value in (start, 24))
        return {"OTIO_SCHEMA": "TimeRange.1", "duration": duration, "start_time": start_time}

    clips = [{"OTIO_SCHEMA": "Clip.1", "metadata": {}, "name": scene, "source_range": span(1), "media_reference": {
        "OTIO_SCHEMA": "ExternalReference.1", "target_url": f"scenes/{scene}/b.0001.png"}} for scene in scenes]
    track = {"OTIO_SCHEMA": "Track.1", "kind": "Video", "name": "V1", "children": clips}
    return {"OTIO_SCHEMA": "Timeline.1", "name": "scene", "tracks": {"OTIO_SCHEMA": "Stack.1", "children": [track]}}


def printed(line: str) -> str:
    from huewright.cli import main

    both = io.StringIO()
    with (mock.patch.object(sys, "argv", ["huewright", *shlex.split(line)]), contextlib.redirect_stdout(both),
          contextlib.redirect_stderr(both), contextlib.suppress(SystemExit), mock.patch.dict(os.environ)):
        os.environ.pop("COLUMNS", None)
        main()
    kept = [text.rstrip() for text in both.getvalue().splitlines()
            if not re.search(r": \d+ of \d+$|^compil", text)]
    return re.sub(r"\b\d+\.\d s\b", "0.0 s", "\n".join(kept)) + "\n"


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as here:
        FOLDER.mkdir(exist_ok=True)
        for name, text in transcripts(Path(here)).items():
            (FOLDER / f"{name}.txt").write_text(text, encoding="utf-8")
