"""How a finding is made of an estimate and the instruments' doubt."""

import math

import pytest

from sequencer.analysis.estimates import Estimate
from sequencer.steps.base import found


def test_no_doubt_is_finer_than_the_last_digit_of_the_number():
    # half a unit of the last binary digit, rectangular (JCGM 100:2008, F.2.2.1); 2^-43 from 512 to 1024
    fine = found("frequency", "Hz", Estimate(value=1000.0, standard_uncertainty=1e-19))
    assert fine.standard_uncertainty == pytest.approx(2.0**-43 / math.sqrt(12))
    known = found("frequency", "Hz", Estimate(value=1000.0, standard_uncertainty=1e-9))
    assert known.standard_uncertainty == 1e-9
    exact = found("count", "1", Estimate(value=3.0))
    assert exact.standard_uncertainty == 0.0
