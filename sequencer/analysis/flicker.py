"""White and 1/f noise told apart in a few components of a spectrum, by their powers.

References
----------
JCGM 101:2008, 6.4.9 (a variance known with few degrees of freedom).
P. Whittle, "Estimation and information in stationary time series", Arkiv foer Matematik 2, 1953.
"""

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.arrays import Spectral, median

_SAME_MODEL = 0.01  # change of the model that ends its iteration
_MOST_ROUNDS = 12
_FEWEST_DEGREES = 4.0


def white_and_flicker(
    power: Spectral, cycles: Spectral, weight: Spectral
) -> tuple[Spectral, NDArray[np.float64]]:
    """The most likely (w, g) of components of mean power w + g/k, and their covariance.

    By scoring: the weights are the inverse square of the model, for a component's standard deviation is
    in proportion to its mean. Neither may be negative.

    Parameters
    ----------
    power, cycles : of each component, shape (n,); cycles is k
    weight : degrees of freedom of each power, a square of one normal variable having one
    """
    model = np.array([np.ones(cycles.size), 1 / cycles])
    least = 1e-12 * float(power.max())
    white = np.array([np.average(power, weights=weight), 0.0])
    noise = white
    for _ in range(_MOST_ROUNDS):
        before = noise @ model
        weighted = model * (weight / np.maximum(before, least) ** 2)
        noise = _inverse(weighted @ model.T) @ (weighted @ power)
        if noise[1] < 0:
            noise = white
        elif noise[0] < 0:
            noise = np.array([0.0, np.average(power * cycles, weights=weight)])
        if np.abs(noise @ model - before).max() < _SAME_MODEL * before.min():
            break
    weighted = model * (weight / np.maximum(noise @ model, least) ** 2)
    return noise, 2 * _inverse(weighted @ model.T)


def _inverse(of: NDArray[np.float64]) -> NDArray[np.float64]:
    """The inverse of a matrix of two by two, in a tenth of the general one's time."""
    (a, b), (c, d) = of.tolist()
    scale = 1 / (a * d - b * c)
    return np.array([[scale * d, -scale * b], [-scale * c, scale * a]])


def usual_power(power: Spectral, cycles: Spectral) -> Spectral:
    """What each component has at most by the medians, were all of it white, and all of it 1/f."""
    return median(power) + median(power * cycles) / cycles


def doubted(variance: float, spread: float) -> float:
    """A variance that is itself uncertain counts for more: freedom/(freedom - 2) of it.

    The scaled t distribution, with the freedom by Satterthwaite.

    Parameters
    ----------
    spread : the variance of that variance, in its square
    """
    # a spread that is lost in rounding tells nothing
    freedom = max(2 * variance**2 / spread if spread > 0 else 0.0, _FEWEST_DEGREES)
    return variance * freedom / (freedom - 2)
