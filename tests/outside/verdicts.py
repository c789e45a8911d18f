"""What the probe says of the standard's own example plug-ins, each finding traced to the line that it comes from.

Run as a program: ``python tests/outside/verdicts.py CHECKOUT FOLDER``. It builds the examples of a checkout of the
OpenFX standard's repository (see ``examples.py``), probes each, and prints where the outcome is not the one below. The
lines are those of commit 3de640d. 14 of 22 examples are clean; the other 8 come to what stands here and nothing else.

| example | check | line | what it does, and the sentence that it breaks |
|---|---|---|---|
| ColourSpace (3 plug-ins) | window | ``Examples/ColourSpace/colourspace.cpp`` 771 | Copies all of its source, whatever part is to be rendered. Render action: only the render window is to be written. |
| | origin | 759, 771 | Takes its size from the source and copies that into an output which may be smaller: it writes behind it and crashes. Images: ``kOfxImagePropBounds`` of each image says what memory there is. It does not withdraw multi-resolution support. |
| | row-bytes | 755 | Refuses where source and output have unlike row bytes. Images, ``kOfxImagePropRowBytes``: rows may be padded, and negative. |
| Custom | description | ``Examples/Custom/custom.cpp`` 695 | Sets whether a parameter of type bytes is keyed automatically. Parameters, ``kOfxParamPropIsAutoKeying``: it is set by the host, to indicate. |
| DepthConverter | window, tiles | ``Examples/DepthConverter/depthConverter.cpp`` 161 | Steps by components where it should step by pixels of four, so that it writes elsewhere than it was asked to. Render action: the render window. |
| Invert | render | ``Examples/Invert/invert.cpp`` 72 | A second variable hides the one that line 146 releases: the output's image is never given back. Render action and ``clipReleaseImage``: images live no longer than the action. |
| Test | description | ``Examples/Test/testProperties.cpp`` 1011 | Supports six contexts and defines no clip in any. Image effect contexts: the clips that each mandates. |
| support-GPUGain | no-source | ``Support/Plugins/GPUGain/GPUGain.cpp`` 293 | Uses the source's image without having looked whether there is one. ``clipGetImage``, ``kOfxStatFailed``: the plug-in is to go on and take it as black and transparent. |
| support-Generator | tiles | ``Support/Plugins/Generator/noise.cpp`` 55 | Starts its random numbers from the window's lower edge, so that the picture depends on how it is cut, and says (line 244) that it may be cut. Tiled rendering: a host renders the picture in several passes. |
| support-PropTester | render | ``Support/PropTester/propTester.cpp`` 536, 565 | Fetches its images and writes nothing. Render action: the output's pixels of the render window are to be filled in. |

OpenGL is not rendered: it says that it does not render on the CPU. Custom, DrawSuite, Overlay and Transition say at their
defaults that an input is their result, so that the host copies it and does not render.
"""  # noqa: E501

from __future__ import annotations

import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent)]

from examples import build  # noqa: E402
from huewright.probe.probe import ProbeReport  # noqa: E402
from huewright.steps.ofx import probe_bundle  # noqa: E402

CLEAN = ("Basic", "ChoiceParams", "DrawSuite", "OpenGL", "Overlay", "Rectangle", "support-Basic",
         "support-ChoiceParams", "support-Field", "support-Invert", "support-MultiBundle", "support-Retimer",
         "support-Tester", "support-Transition")
FOUND: dict[str, dict[str, str]] = {
    "ColourSpace": {"window": "bytes outside the render window", "origin": "crashed (SIGSEGV)",
                    "row-bytes": "rendering where rows are unlike"},
    "Custom": {"description": "set OfxParamPropIsAutoKeying on parameter data: a plug-in may only read it"},
    "DepthConverter": {"window": "bytes outside the render window", "tiles": "give other bytes than the whole"},
    "Invert": {"render": "kept an image of clip Output beyond the action that fetched it"},
    "Test": {"description": "clip 'Output' is mandated in OfxImageEffectContextGeneral and not defined"},
    "support-GPUGain": {"no-source": "crashed (SIGSEGV) in OfxImageEffectActionRender"},
    "support-Generator": {"tiles": "give other bytes than the whole"},
    "support-PropTester": {"render": "pixels of the window were left unwritten"}}


def unlike(name: str, report: ProbeReport) -> list[str]:
    """What the probe says that the table doesn't, and the other way round."""
    expected = FOUND.get(name, {})
    bad: dict[str, list[str]] = {}
    for row in report.results:
        if row.bad or row.result == "warned":
            bad.setdefault(row.check, []).extend(f.message for f in row.findings if f.level != "note")
    lines = [f"{name}: {check}: {'; '.join(messages)}" for check, messages in bad.items() if check not in expected]
    lines += [f"{name}: {check} should say {words!r}" for check, words in expected.items()
              if not any(words in message for message in bad.get(check, ()))]
    return lines + ([f"{name}: {report.trouble}"] if report.trouble else [])


def main() -> int:
    built = build(Path(sys.argv[1]).resolve(), Path(sys.argv[2]).resolve())
    lines = [f"{name}: not built: {made}" for name, made in built.items() if isinstance(made, str)]
    known = {*CLEAN, *FOUND}
    lines += [f"{name}: no verdict on it" for name in built if name not in known]
    for name, made in built.items():
        if isinstance(made, Path) and name in known:
            found = unlike(name, probe_bundle(made))
            print(f"{name}: {'unlike the table' if found else 'clean' if name in CLEAN else 'as in the table'}",
                  flush=True)
            lines += found
    print(*lines, sep="\n")
    print(f"{len(built)} examples, {len(lines)} lines that the table does not have")
    return int(bool(lines))


if __name__ == "__main__":
    sys.exit(main())
