"""What a colour scientist asks of a solve."""

from __future__ import annotations

import msgspec

from huewright.models.footage import Standing
from huewright.models.record import Count, Name, Positive, Share


class Diagnostics(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Figures of the solve; None, and not in the file, where there is nothing to state.

    identity               nothing needed correcting
    noise_gain_db, chroma_noise_gain_db   noise after against before, of all of Y', Cb, Cr, and of colour alone
    worst_local_gain       most that small differences are stretched, over the display's cube
    folded_fraction        of a LUT's cells turned inside out
    out_of_gamut_patches   share of the card's patches outside the display's gamut
    condition              condition number of the fit; ``evaluations`` of its residuals
    bounds_hit             parameters held at a bound
    misfit_rms             root mean square of the residuals, in standard errors
    leave_one_out_worst_*  furthest that a chip would miss had the other chips alone driven the hues; radius as a share
    check_delta_e_*        CIEDE2000 of the check patches: before, after, and with exposure and balance alone (the last
                           also patch by patch); ``gain_standard_error`` of by how much their mean falls
    table_error_*          signal error of a root polynomial's table over the display's cube
    declaration            what the bars say of the declared encoding and range, by ``declaration_misfit`` (deviance) at
                           the veil that fits best; ``bars_bent_ire``: the most that a bar is off with nothing
                           explained away
    """

    identity: bool = False
    noise_gain_db: float | None = None
    chroma_noise_gain_db: float | None = None
    worst_local_gain: float | None = None
    folded_fraction: Share | None = None
    out_of_gamut_patches: Share | None = None
    condition: float | None = None
    bounds_hit: tuple[Name, ...] = ()
    evaluations: Count | None = None
    misfit_rms: Positive | None = None
    leave_one_out_worst_hue_deg: Positive | None = None
    leave_one_out_worst_radius: Positive | None = None
    check_delta_e_before_mean: Positive | None = None
    check_delta_e_after_mean: Positive | None = None
    check_delta_e_after_worst: Positive | None = None
    check_delta_e_balance_only_mean: Positive | None = None
    check_delta_e_gain_standard_error: Positive | None = None
    check_delta_e_balance_only: dict[Name, Positive] | None = None
    table_error_worst: Positive | None = None
    table_error_mean: Positive | None = None
    declaration: Standing = "not checked"
    declaration_misfit: Positive | None = None
    declaration_veil_percent: Positive | None = None
    bars_bent_ire: float | None = None
