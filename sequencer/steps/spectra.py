"""The spectrum of a record as a picture, the same for every kind that shows one."""

from collections.abc import Sequence

import numpy as np

from sequencer.analysis.spectrum import amplitude_spectrum
from sequencer.captures import Capture
from sequencer.pictures import Curve, Mark, Picture

_LEAST_VRMS = 1e-12  # a level of nothing has no decibels


def spectrum_of(
    capture: Capture,
    *,
    name: str,
    title: str,
    limits_hz: tuple[float, float],
    marks: Sequence[Mark] = (),
    marked: str = "",
) -> Picture:
    """Level in dBV over a logarithmic frequency axis; marked says what the marks are, if any."""
    spectrum = amplitude_spectrum(capture.first, capture.sample_rate_hz)
    level_dbv = 20.0 * np.log10(np.maximum(spectrum.level_vrms, _LEAST_VRMS))
    caption = f"Hann window, noise bandwidth {spectrum.enbw_hz:.2f} Hz"
    return Picture(
        name=name,
        title=title,
        x_label="frequency in Hz",
        y_label="level in dBV",
        curves=(Curve(label="output", x=spectrum.frequency_hz[1:], y=level_dbv[1:]),),
        marks=tuple(marks),
        x_scale="log",
        x_limits=limits_hz,
        caption=f"{caption}; {marked}." if marked else f"{caption}.",
    )
