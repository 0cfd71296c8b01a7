"""The default command map of each role: SCPI-1999 and IEEE 488.2.

Short forms throughout; a setting and its check are one compound message (";:" begins again at the
root).
"""

from collections.abc import Mapping

from drivers.roles import Role

_COMMON = {
    "identity": "*IDN?",
    "clear": "*CLS",
    "error": "SYST:ERR?",
    "joiner": ";:",
}
_OUTPUT: dict[str, object] = {
    "output_on": "OUTP ON",
    "output_off": "OUTP OFF",
    "ask_output": "OUTP?",
    "output_is_on": ["1", "ON"],
    "output_is_off": ["0", "OFF"],
}
# Unit and load come first in each setting of the generator: a level sent while its display is
# calibrated for 50 ohm would be twice the e.m.f. meant.
_LEVEL_IS_EMF = ["VOLT:UNIT VRMS", "OUTP:LOAD INF"]

SCPI_MAPS: Mapping[Role, Mapping[str, object]] = {
    Role.GENERATOR: {
        **_COMMON,
        **_OUTPUT,
        "prepare": _LEVEL_IS_EMF,
        "set_sine": [
            *_LEVEL_IS_EMF,
            "FUNC SIN",
            "FREQ {frequency_hz:.10G}",
            "VOLT:OFFS {offset_v:.7G}",
            "VOLT {level:.8G}",
        ],
        "set_level": [*_LEVEL_IS_EMF, "VOLT {level:.8G}"],
        "ask_level": "VOLT?",
        "ask_frequency": "FREQ?",
        "set_two_tone": [
            *_LEVEL_IS_EMF,
            "FUNC DUAL",
            "SOUR1:FREQ {lower_hz:.10G}",
            "SOUR1:VOLT {lower_level:.8G}",
            "SOUR2:FREQ {upper_hz:.10G}",
            "SOUR2:VOLT {upper_level:.8G}",
        ],
        "set_sweep": [
            *_LEVEL_IS_EMF,
            "FUNC SWE",
            "FREQ:STAR {start_hz:.10G}",
            "FREQ:STOP {stop_hz:.10G}",
            "SWE:TIME {duration_s:.7G}",
            "SWE:SPAC LOG",
            "VOLT {level:.8G}",
        ],
        "start_sweep": "TRIG",
        "set_programme_noise": [*_LEVEL_IS_EMF, "FUNC NOIS", "VOLT {level:.8G}"],
        "ask_source_impedance": "OUTP:IMP?",
        "ask_assumed_load": "OUTP:LOAD?",
    },
    Role.ANALYSER: {
        **_COMMON,
        "prepare": ["FORM REAL,32", "FORM:BORD NORM"],
        "set_range": "VOLT:RANG {range:.6G}",
        "ask_range": "VOLT:RANG?",
        "set_points": "SWE:POIN {points}",
        "ask_points": "SWE:POIN?",
        "set_rate": "SWE:RATE {rate_hz:.9G}",
        "ask_rate": "SWE:RATE?",
        # A record whose start was not confirmed may be running: without ABOR it would refuse another.
        "start": ["ABOR", "INIT"],
        "wait": "*OPC?",
        "ask_record_count": "TRAC:COUN?",
        "ask_recorded_points": "TRAC:POIN?",
        "ask_recorded_rate": "TRAC:RATE?",
        "ask_overrange": "STAT:QUES:COND?",
        "overrange_bit": 0.0,
        "ask_waveform": "TRAC? {input}",
        "input_words": ["CH1", "CH2"],
    },
    Role.DMM: {
        **_COMMON,
        "read_dc": "MEAS:VOLT:DC?",
        "read_ac": "MEAS:VOLT:AC?",
        "read_resistance": "MEAS:RES?",
    },
    Role.ROUTER: {
        **_COMMON,
        "close": "ROUT:CLOS (@{channel})",
        "open": "ROUT:OPEN (@{channel})",
        "ask_closed": "ROUT:CLOS? (@{channel})",
        "closed_answers": ["1"],
        "open_answers": ["0"],
    },
    Role.MAINS_SWITCH: {
        **_COMMON,
        **_OUTPUT,
        "standby_on": "OUTP:STAN ON",
        "standby_off": "OUTP:STAN OFF",
        "ask_standby": "OUTP:STAN?",
        "standby_is_on": ["1", "ON"],
        "standby_is_off": ["0", "OFF"],
    },
    Role.THERMOMETER: {
        **_COMMON,
        "read_temperature": "MEAS:TEMP? (@1)",
    },
    Role.POWER_METER: {
        **_COMMON,
        "read_power": "MEAS:POW?",
        "read_voltage": "MEAS:VOLT?",
    },
}
"""Fields that differ from what holds for every map; the rest is in map_fields."""
