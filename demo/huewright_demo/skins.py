"""Reflectances of skin on the demo's card, at :data:`huewright_demo.spectra.WAVELENGTHS_NM`.

C. C. Cooksey, D. W. Allen and B. K. Tsai, Reference Data Set of Human Skin Reflectance, J. Res. NIST 122:26 (2017),
doi:10.6028/jres.122.026; data doi:10.18434/M38597 (public domain). Of two of its hundred anonymous subjects the mean
of three measurements, taken linearly from steps of 3 nm to 10 nm: the eighth and the sixth.
"""

from __future__ import annotations

SKINS: dict[str, tuple[float, ...]] = {
    "skin-tan": (
        0.0792, 0.0859, 0.0924, 0.0983, 0.1043, 0.1112, 0.1233, 0.1414, 0.1564, 0.1676, 0.1759, 0.1854,
        0.196, 0.2051, 0.212, 0.2143, 0.2161, 0.2216, 0.2308, 0.2388, 0.2489, 0.284, 0.3242, 0.3572,
        0.3804, 0.3989, 0.4154, 0.4314, 0.4469, 0.4626, 0.4784, 0.4958, 0.5085, 0.5216, 0.5329, 0.5416),
    "skin-brown": (
        0.0532, 0.0562, 0.0596, 0.063, 0.0666, 0.0709, 0.0774, 0.0859, 0.0931, 0.0993, 0.1046, 0.1108,
        0.1174, 0.1237, 0.1295, 0.1348, 0.14, 0.1458, 0.1541, 0.1624, 0.172, 0.1929, 0.2174, 0.2387,
        0.2569, 0.273, 0.2889, 0.305, 0.3208, 0.3374, 0.3544, 0.3718, 0.3873, 0.4018, 0.4161, 0.4286),
}
