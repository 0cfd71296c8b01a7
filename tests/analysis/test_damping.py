"""Output resistance and damping factor: worked numbers, a circuit, and propagation by simulation."""

import numpy as np
import pytest

from sequencer.analysis.damping import analyse_damping
from sequencer.analysis.estimates import Estimate


def level(value, doubt=0.0):
    return Estimate(value=value, standard_uncertainty=doubt)


def test_worked_example():
    # 20.000 V open, 19.920 V into 8 ohm: 0.03212851406 ohm and 249 (arithmetic on the definition
    # Z = R (U0/UL - 1), DF = R/Z)
    result = analyse_damping(level(20.0), level(19.92), load_ohm=8.0)
    assert result.output_resistance_ohm.value == pytest.approx(0.03212851406, rel=1e-8)
    assert result.damping_factor.value == pytest.approx(249.0, rel=1e-8)
    assert result.damping_factor_at_least is None


@pytest.mark.parametrize("other_ohm", [np.inf, 16.0, 8.0])
def test_two_loads_on_a_circuit(other_ohm):
    # 28.3 V behind 0.05 ohm, Ohm's law
    source, inside, load = 28.3, 0.05, 4.0
    unloaded = source if other_ohm == np.inf else source * other_ohm / (other_ohm + inside)
    loaded = source * load / (load + inside)
    result = analyse_damping(
        level(unloaded),
        level(loaded),
        load_ohm=load,
        unloaded_load_ohm=other_ohm,
        rated_load_ohm=8.0,
    )
    assert result.output_resistance_ohm.value == pytest.approx(inside, rel=1e-9)
    assert result.damping_factor.value == pytest.approx(160.0, rel=1e-9)


def test_uncertainty_agrees_with_propagation_of_distributions():
    # JCGM 101: draw the inputs, look at the spread of the outputs (200 000 draws: 0.2 %)
    rng = np.random.default_rng(4)
    draws = 200_000
    u0 = 20.0 + 0.002 * rng.standard_normal(draws)
    u = 19.8 + 0.003 * rng.standard_normal(draws)
    load = 8.0 + 0.02 * rng.standard_normal(draws)
    spread = np.std((u0 - u) / (u / load - u0 / 100.0))
    result = analyse_damping(
        level(20.0, 0.002),
        level(19.8, 0.003),
        load_ohm=8.0,
        load_uncertainty_ohm=0.02,
        unloaded_load_ohm=100.0,
    )
    assert result.output_resistance_ohm.standard_uncertainty == pytest.approx(spread, rel=0.01)
    relative = (
        result.output_resistance_ohm.standard_uncertainty / result.output_resistance_ohm.value
    )
    assert result.damping_factor.standard_uncertainty == pytest.approx(
        relative * result.damping_factor.value
    )


def test_resistance_below_its_doubt_is_a_bound():
    # 1 mV of difference known to 1 mV each: u(Z) = 8 ohm * sqrt(2) mV/20 V
    result = analyse_damping(level(20.0, 1e-3), level(19.999, 1e-3), load_ohm=8.0)
    assert result.output_resistance_ohm.value is None
    assert result.output_resistance_ohm.noise_limited
    expected = 8 * (1e-3 + 1.644853627 * np.sqrt(2) * 1e-3) / 20
    assert result.output_resistance_ohm.upper_bound == pytest.approx(expected, rel=1e-3)
    assert result.damping_factor.value is None
    assert result.damping_factor_at_least == pytest.approx(8 / expected, rel=1e-3)


def test_a_level_that_rises_with_load_is_never_a_negative_resistance():
    result = analyse_damping(level(20.0, 1e-3), level(20.001, 1e-3), load_ohm=8.0)
    assert result.output_resistance_ohm.value is None
    assert result.output_resistance_ohm.upper_bound > 0.0


def test_mistakes_of_the_caller():
    with pytest.raises(ValueError, match="unloaded_vrms"):
        analyse_damping(Estimate(value=None), level(1.0), load_ohm=8.0)
    with pytest.raises(ValueError, match="loaded_vrms"):
        analyse_damping(level(1.0), level(0.0), load_ohm=8.0)
    with pytest.raises(ValueError, match="load_ohm"):
        analyse_damping(level(1.0), level(1.0), load_ohm=8.0, unloaded_load_ohm=4.0)
    with pytest.raises(ValueError, match="rated_load_ohm"):
        analyse_damping(level(1.0), level(0.9), load_ohm=8.0, rated_load_ohm=0.0)
    with pytest.raises(ValueError, match="mixed up"):
        analyse_damping(level(10.0), level(1.0), load_ohm=4.0, unloaded_load_ohm=8.0)
