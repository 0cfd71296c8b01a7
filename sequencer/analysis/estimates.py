"""A number and its doubt, as every analysis returns it."""

import math
from dataclasses import dataclass, replace

COVER = 2.0  # standard uncertainties, for about 95 % (JCGM 100:2008, 6.3.3)
_WORTH_A_WORD = 1.1  # times the doubt without it


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


def disturbed(as_is: Estimate, without: Estimate, *more: float) -> tuple[Estimate, bool]:
    """An estimate with what disturbed it in its doubt, and whether that is worth a word.

    The difference to what is found without the disturbance is the half-width of a rectangular
    distribution (JCGM 100:2008, 4.3.7): twice the standard uncertainty reaches there.

    Parameters
    ----------
    without : the same quantity, the disturbance taken off
    more : standard uncertainties that it brings beside, in the unit of the value
    """
    if as_is.value is None:
        if as_is.upper_bound is None:
            return as_is, False
        other = without.upper_bound or 0.0
        if without.value is not None:
            other = abs(without.value) + 2 * without.standard_uncertainty
        bound = max(as_is.upper_bound, other)
        is_moved = without.value is not None or bound > _WORTH_A_WORD * as_is.upper_bound
        return replace(as_is, upper_bound=bound), is_moved
    if without.value is None and not without.noise_limited:
        return as_is, False
    far = abs(as_is.value - (without.value or 0.0)) / math.sqrt(3)
    doubt = math.hypot(as_is.standard_uncertainty, far, *more)
    is_moved = doubt > _WORTH_A_WORD * as_is.standard_uncertainty
    return replace(as_is, standard_uncertainty=doubt), is_moved
