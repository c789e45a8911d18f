"""Reflectances of the 24 patches of ISO 17321-1 (as colour-science holds them), through CGATS text to a card."""

from __future__ import annotations

import colour
import numpy as np
import pytest
from huewright.models.card import load_card
from huewright.steps.card import card_from_measurements


def test_iso_17321_reflectances_reach_their_colours(tmp_path):
    with colour.utilities.suppress_warnings(colour_runtime_warnings=True):
        spectra = list(colour.SDS_COLOURCHECKERS["ISO 17321-1"].values())
    domain = [nm for nm in spectra[0].wavelengths if nm <= 730]
    fields = " ".join(f"SPECTRAL_NM{nm:.0f}" for nm in domain)
    rows = "\n".join(f"patch-{k} " + " ".join(f"{float(sd[nm]):.6f}" for nm in domain) for k, sd in enumerate(spectra))
    (tmp_path / "m.txt").write_text(f"CGATS.17\nBEGIN_DATA_FORMAT\nSAMPLE_NAME {fields}\nEND_DATA_FORMAT\n"
                                    f"BEGIN_DATA\n{rows}\nEND_DATA\n")
    card_from_measurements(tmp_path / "m.txt", tmp_path / "c.toml", columns=6)
    card = load_card(tmp_path / "c.toml")
    # ISO 17321-1 table as held by colour-science; XYZ by its own integration of the whole spectra under CIE D65.
    cmfs, d65 = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"], colour.SDS_ILLUMINANTS["D65"]
    d65 = d65.copy().align(cmfs.shape)
    expected = np.array([colour.sd_to_XYZ(sd.copy().align(cmfs.shape), cmfs, d65) / 100 for sd in spectra])
    found = np.array([patch.xyz for patch in card.patches])
    assert np.abs(found - expected).max() < 1e-3        # the text stops at 730 nm and at six decimals
    assert len(card.of_role("bar")) == 3 and len(card.of_role("chip")) == 6
    assert card.of_role("bar")[0].level_ire == pytest.approx(95, abs=4)
