"""White and 1/f noise told apart in a few components of a spectrum, as all that they may be.

References
----------
JCGM 101:2008, 7.7 (coverage intervals of what isn't normal).
P. Whittle, "Estimation and information in stationary time series", Arkiv foer Matematik 2, 1953.
"""

from dataclasses import dataclass

import numpy as np
import scipy

from sequencer.analysis.arrays import Spectral

_FEWEST_DEGREES = 4.0
_CORNERS = 61
_FASTEST_CORNER = 100.0  # times the fastest component
_NONE = 0.5  # as likely beforehand as some, for every circuit has some
_OUTSIDE = 0.0455  # of a normal variable, beyond two standard deviations
_HALVINGS = 30
_NOTHING = 1e-300


@dataclass(frozen=True, slots=True, kw_only=True)
class LikelyNoise:
    """White and 1/f noise as they may be: for each ratio of the two, its share and the noise then.

    A few slow components tell 1/f noise poorly, so all that may be is kept. Beforehand none is half
    as likely as some, its corner anywhere from the slowest component to far beyond the fastest (uniform
    in its logarithm); the level may be any (uniform in its logarithm too).

    share : of each ratio, shape (ratios,), together 1
    white, flicker : density of each part then, in units of those given, shape (ratios,)
    freedom : degrees of freedom of the level
    """

    share: Spectral
    white: Spectral
    flicker: Spectral
    freedom: float

    @classmethod
    def of(
        cls,
        power: Spectral,
        *,
        white: Spectral,
        flicker: Spectral,
        weight: Spectral,
        span: tuple[float, float],
    ) -> "LikelyNoise":
        """By the likelihood of the powers of components (P. Whittle, 1953).

        Parameters
        ----------
        power : of each component, shape (n,)
        white, flicker : what is expected of each component by a unit of either, shape (n,)
        weight : degrees of freedom of each power, a square of one normal variable having one
        span : frequency of the slowest and the fastest component, in what a corner is in
        """
        slowest, fastest = span
        corner = np.geomspace(slowest, _FASTEST_CORNER * fastest, _CORNERS)
        corner = np.concatenate(([0.0], corner))
        model = white + corner[:, np.newaxis] * flicker
        freedom = float(np.sum(weight))
        level = (power / model) @ weight / freedom
        fit = -0.5 * (np.log(model) @ weight + freedom * np.log(np.maximum(level, _NOTHING)))
        share = np.exp(fit - np.max(fit))
        share[0] *= _CORNERS * _NONE
        share /= np.sum(share)
        return cls(share=share, white=level, flicker=level * corner, freedom=freedom)

    @property
    def mean(self) -> Spectral:
        """White and 1/f noise on average over what may be, shape (2,)."""
        freedom = max(self.freedom, _FEWEST_DEGREES)
        own = freedom / (freedom - 2.0) * self.share
        return np.array([own @ self.white, own @ self.flicker])

    def variance(self, of_white: float, of_flicker: float) -> float:
        """Of a sum that takes so much of either noise: the square of half its 95 % interval.

        What may be makes it a mixture of scaled t distributions, which no one standard deviation
        describes: its tail is taken as it is (JCGM 101:2008, 7.7).
        """
        spread = np.sqrt(np.maximum(self.white * of_white + self.flicker * of_flicker, _NOTHING))
        low, high = float(np.min(spread)), float(np.max(spread))
        high *= float(scipy.special.stdtrit(self.freedom, 1.0 - _OUTSIDE / 2.0))
        for _ in range(_HALVINGS):
            middle = (low + high) / 2.0
            beyond = 2.0 * float(self.share @ scipy.special.stdtr(self.freedom, -middle / spread))
            low, high = (middle, high) if beyond > _OUTSIDE else (low, middle)
        return (high / 2.0) ** 2
