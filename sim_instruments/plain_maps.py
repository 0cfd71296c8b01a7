"""Command maps for the plain tongue, as somebody with nothing but its manual would write them.

The manual is plain_words.py. Written into the bench file, so that the bench can be driven through
maps alone; what may stand in a map is printed by `steadybench schema command_map ROLE`.
"""

from collections.abc import Mapping

from sim_instruments.bench_file import Entry

IDENTITIES: Mapping[str, str] = {
    "generator": "Steadybench Simulated Tone Source",
    "dmm": "Steadybench Simulated Multimeter",
    "router": "Steadybench Simulated Relay Box",
    "thermometer": "Steadybench Simulated Thermometer",
}
"""What the answer to the identity query begins with, where the instrument has one."""

_GENERATOR: Mapping[str, Entry] = {
    "base": "nothing",
    "identity": "NAME ?",
    "write_termination": "CR",
    "read_termination": "CR",
    "acknowledgement": "OK",
    "refusal_answers": "ERR",
    "answer_units": ["HZ", "DBV", "OHM"],
    "level_unit": "dbv",
    "noise_level_unit": "dbv",
    "silence_level": -200,
    "set_sine": ["WAVE SINE", "F1 {frequency_hz:.6f}", "DC {offset_mv:.6f}", "A1 {level:.6f}"],
    "set_level": "A1 {level:.6f}",
    "ask_level": "A1 ?",
    "ask_frequency": "F1 ?",
    "set_two_tone": [
        "WAVE PAIR",
        "F1 {lower_hz:.6f}",
        "A1 {lower_level:.6f}",
        "F2 {upper_hz:.6f}",
        "A2 {upper_level:.6f}",
    ],
    "set_sweep": [
        "WAVE GLIDE",
        "SPAN {start_hz:.6f};{stop_hz:.6f};{duration_s:.6f}",
        "A1 {level:.6f}",
    ],
    "start_sweep": "GO",
    "set_programme_noise": ["WAVE MUSIC", "A1 {level:.6f}"],
    "output_on": "MUTE OFF",
    "output_off": "MUTE ON",
    "ask_output": "MUTE ?",
    "output_is_on": "OFF",
    "output_is_off": "ON",
    "ask_source_impedance": "ZOUT ?",
    "ask_assumed_load": "ZLOAD ?",
}
_ANALYSER: Mapping[str, Entry] = {
    "base": "nothing",
    "error": "TROUBLE?",
    "no_error": "0",
    "list_separator": ";",
    "range_unit": "vpp",
    "set_range": "SPAN {range:.6G}",
    "ask_range": "SPAN?",
    "set_points": "LEN {points}",
    "ask_points": "LEN?",
    "set_rate": "CLK {rate_khz:.9G}",
    "ask_rate": "CLK?",
    "rate_scale": 1000,
    "start": "GRAB",
    "wait": "WAIT?",
    "ask_record_count": "NR?",
    "ask_recorded_points": "RECLEN?",
    "ask_recorded_rate": "RECCLK?",
    "ask_overrange": "OVL?",
    "overrange_answers": "1",
    "in_range_answers": "0",
    "ask_waveform": "CODES? {input}",
    "input_words": ["A", "B"],
    "waveform_form": "int32",
    "byte_order": "little",
    "ask_waveform_scale": "SCALE?",
    "invalid_count": -(2**31),
}
_DMM: Mapping[str, Entry] = {
    "base": "nothing",
    "identity": "WHO",
    "write_termination": "CR LF",
    "read_termination": "CR LF",
    "acknowledgement": "!",
    "refusal_answers": "?",
    "answer_units": ["mV", "ohm"],
    "overload_answers": ["OL", "nan"],
    "read_dc": "DCV",
    "dc_unit": "mv",
    "read_ac": "ACV",
    "ac_unit": "mvrms",
    "read_resistance": "OHM",
}
_ROUTER: Mapping[str, Entry] = {
    "base": "nothing",
    "identity": "TYPE",
    "read_termination": "CR LF",
    "acknowledgement": "DONE",
    "refusal_answers": ["UNKNOWN", "NO SUCH", "LOCKED", "BROKEN"],
    "list_separator": ";",
    "close": "ON {channel}",
    "open": "OFF {channel}",
    "ask_closed_channels": "LIST",
    "none_closed_answers": "NONE",
}
_MAINS_SWITCH: Mapping[str, Entry] = {
    "base": "nothing",
    "acknowledgement": "+",
    "refusal_answers": "-",
    "output_on": "CUT 0",
    "output_off": "CUT 1",
    "ask_output": "CUT?",
    "output_is_on": "0",
    "output_is_off": "1",
    "standby_on": "SLEEP 1",
    "standby_off": "SLEEP 0",
    "ask_standby": "SLEEP?",
    "standby_is_on": "1",
    "standby_is_off": "0",
}
_THERMOMETER: Mapping[str, Entry] = {
    "base": "nothing",
    "identity": "ID",
    "write_termination": "CR",
    "read_termination": "CR LF",
    "refusal_answers": "E",
    "overload_answers": "nan",
    "answer_units": "K",
    "read_temperature": "T1",
    "temperature_unit": "kelvin",
}
_POWER_METER: Mapping[str, Entry] = {
    "base": "nothing",
    "write_termination": "CR LF",
    "read_termination": "CR LF",
    "refusal_answers": "E",
    "overload_answers": "nan",
    "list_separator": ";",
    "read_power": "ALL",
    "power_unit": "mw",
    "power_field": 1,
    "read_voltage": "ALL",
    "voltage_field": 2,
}
COMMANDS: Mapping[str, Mapping[str, Entry]] = {
    "generator": _GENERATOR,
    "analyser": _ANALYSER,
    "dmm": _DMM,
    "router": _ROUTER,
    "mains_switch": _MAINS_SWITCH,
    "thermometer": _THERMOMETER,
    "power_meter": _POWER_METER,
}
"""The map of each role."""
