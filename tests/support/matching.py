"""Matching two star lists, of which neither was prepared."""

from stackbench.registration.matching import match_to_reference
from stackbench.registration.reference_stars import prepare_reference


def match_stars(
    xy,
    flux,
    reference_xy,
    reference_flux,
    *,
    tolerance_px=2.0,
    sigma_px=None,
    reference_sigma_px=None,
    **options,
):
    """Find how one sub lies on a reference; arguments as for the functions it joins."""
    reference = prepare_reference(
        reference_xy, reference_flux, sigma_px=reference_sigma_px, tolerance_px=tolerance_px
    )
    return match_to_reference(
        xy, flux, reference, tolerance_px=tolerance_px, sigma_px=sigma_px, **options
    )
