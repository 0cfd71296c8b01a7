"""Output resistance and damping factor from levels at two loads, with their uncertainty.

The output is a source E behind Z: with the load R it delivers U = E R/(R + Z). Two loads give both.
With an open output Z = R (U0/U - 1). Z is a small difference of two nearly equal levels: 0.05 ohm
at 8 ohm is 0.6 % between them, so a level uncertainty of 0.01 % is 2 % of Z already. What is common
to both levels (the gain error of one and the same range) cancels and doesn't belong into their
uncertainties; the contact of the load switch lies in series with Z and does add to it.

Definitions after IEC 60268-3 (from memory): output source impedance from unloaded and loaded
voltage; damping factor = rated load resistance / output source impedance.
"""

from dataclasses import dataclass
from math import hypot, inf, isfinite

from sequencer.analysis.estimates import Estimate

_SEEN_SD = 2.0
_ONE_SIDED_95 = 1.644853627  # of a normal distribution


@dataclass(frozen=True, slots=True, kw_only=True)
class DampingResult:
    """Output resistance (ohm) and damping factor (1).

    Where the resistance is less than two standard uncertainties, it has an upper bound (one-sided
    95 %) and no value, the damping factor neither, and damping_factor_at_least is its lower bound.
    """

    output_resistance_ohm: Estimate
    damping_factor: Estimate
    damping_factor_at_least: float | None = None


def analyse_damping(
    unloaded_vrms: Estimate,
    loaded_vrms: Estimate,
    *,
    load_ohm: float,
    load_uncertainty_ohm: float = 0.0,
    unloaded_load_ohm: float = inf,
    rated_load_ohm: float | None = None,
) -> DampingResult:
    """Output resistance and damping factor from the levels without and with the load.

    The drive must be the same for both. First-order propagation (JCGM 100, 5.1.2), levels and load
    independent of each other.

    Parameters
    ----------
    unloaded_vrms, loaded_vrms : levels with their own standard uncertainties, V rms, > 0
    load_ohm : the load of loaded_vrms, > 0
    load_uncertainty_ohm : its standard uncertainty
    unloaded_load_ohm : load of unloaded_vrms: infinite for an open output, else larger than load_ohm
    rated_load_ohm : what the damping factor refers to, load_ohm by default

    Raises
    ------
    ValueError : a level without a value or not positive, or loads not positive and in order
    """
    u0, u = _level(unloaded_vrms, "unloaded_vrms"), _level(loaded_vrms, "loaded_vrms")
    if not 0.0 < load_ohm < unloaded_load_ohm or not isfinite(load_ohm):
        raise ValueError(
            f"load_ohm {load_ohm:g} must be positive and below unloaded_load_ohm "
            f"{unloaded_load_ohm:g}"
        )
    rated = load_ohm if rated_load_ohm is None else rated_load_ohm
    if rated <= 0.0:
        raise ValueError(f"rated_load_ohm must be positive, got {rated:g}")
    # currents into both loads; Z = (u0 - u) / (i - i0)
    current, idle_current = u / load_ohm, u0 / unloaded_load_ohm
    difference = current - idle_current
    if difference <= 0.0:
        raise ValueError(
            f"loaded_vrms {u:g} V draws no more current than unloaded_vrms {u0:g} V: "
            "levels or loads are mixed up"
        )
    resistance = (u0 - u) / difference
    by_u0 = (1.0 + resistance / unloaded_load_ohm) / difference
    by_u = (1.0 + resistance / load_ohm) / difference
    by_load = resistance * current / load_ohm / difference
    doubt = hypot(
        by_u0 * unloaded_vrms.standard_uncertainty,
        by_u * loaded_vrms.standard_uncertainty,
        by_load * load_uncertainty_ohm,
    )
    return _result(resistance, doubt, rated)


def _level(estimate: Estimate, name: str) -> float:
    if estimate.value is None or not estimate.value > 0.0:
        raise ValueError(f"{name} must be a level above 0 V, got {estimate.value}")
    return estimate.value


def _result(resistance: float, doubt: float, rated: float) -> DampingResult:
    if resistance <= _SEEN_SD * doubt or resistance <= 0.0:
        bound = max(resistance, 0.0) + _ONE_SIDED_95 * doubt
        return DampingResult(
            output_resistance_ohm=Estimate(value=None, noise_limited=True, upper_bound=bound),
            damping_factor=Estimate(value=None, noise_limited=True),
            damping_factor_at_least=rated / bound if bound > 0.0 else None,
        )
    factor = rated / resistance
    return DampingResult(
        output_resistance_ohm=Estimate(value=resistance, standard_uncertainty=doubt),
        damping_factor=Estimate(value=factor, standard_uncertainty=factor * doubt / resistance),
    )
