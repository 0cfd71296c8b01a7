"""A number and its doubt, as every analysis returns it."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """One quantity computed from a capture, in the unit its name or docstring states.

    standard_uncertainty is the contribution of the capture itself (scatter, covariance of a fit;
    JCGM 100 type A), one standard deviation in the unit of the value; accuracy of the instrument is
    added by the caller. Where the quantity drowns in noise, value is None, noise_limited is true
    and upper_bound holds the one-sided 95 % bound.
    """

    value: float | None
    standard_uncertainty: float = 0.0
    noise_limited: bool = False
    upper_bound: float | None = None
