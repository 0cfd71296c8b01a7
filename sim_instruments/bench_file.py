"""The bench file of the simulated bench, as a mapping and as YAML text.

Written without a YAML library: it is one fixed shape, and the simulated bench starts quickly.
"""

import json
import re
from collections.abc import Mapping
from typing import TypeAlias

from sim_instruments.device_analyser import SAMPLE_LIMITS

Entry: TypeAlias = "str | int | float | bool | list[Entry] | Mapping[str, Entry]"

_PLAIN = re.compile(r"@?[A-Za-z0-9][A-Za-z0-9_.+\-/%^ ]*(?:::?[A-Za-z0-9.]+)*")
_TRAPS = re.compile(r"(?i)y|n|yes|no|on|off|true|false|null|~")

CLOCK = "clock"

IDENTITIES: Mapping[str, str] = {
    "generator": "Steadybench Simulated,Generator",
    "analyser": "Steadybench Simulated,Analyser",
    "dmm": "Steadybench Simulated,Multimeter",
    "router": "Steadybench Simulated,Router",
    "mains_switch": "Steadybench Simulated,Mains Switch",
    "thermometer": "Steadybench Simulated,Thermometer",
    "power_meter": "Steadybench Simulated,Power Meter",
    CLOCK: "Steadybench Simulated,Bench Clock",
}
"""What each instrument's identity begins with."""

_CERTIFICATES: Mapping[str, str] = {
    "generator": "SIM-GEN-1",
    "analyser": "SIM-ANA-1",
    "dmm": "SIM-DMM-1",
    "thermometer": "SIM-THE-1",
    "power_meter": "SIM-POW-1",
}

_CAPABILITIES: Mapping[str, Mapping[str, Entry]] = {
    "generator": {"accuracy": {"level": "0.02 dB", "frequency": "20 ppm"}},
    "analyser": {
        "ranges": ["1 V", "3 V", "10 V", "30 V", "100 V"],
        "sample_rates": ["1 kHz", "8 kHz", "48 kHz", "96 kHz", "192 kHz", "1.25 MHz"],
        "channels": 2,
        "most_samples": SAMPLE_LIMITS[1],
        "accuracy": {
            "level": "0.03 dB",
            "flatness": "0.01 dB",
            "dc": "0.2 mV",
            "frequency": "10 ppm",
            "distortion": "-115 dB",
        },
    },
    "dmm": {
        "accuracy": {
            "dc": "0.03 mV",
            "dc_relative": "0.005 %",
            "resistance": "0.1 %",
            "ac": "0.1 %",
        }
    },
    "router": {},
    "mains_switch": {},
    "thermometer": {"accuracy": {"temperature": "0.5 degC"}},
    "power_meter": {"accuracy": {"power": "0.5 %", "voltage": "0.2 %"}},
}

_ROUTER_CHANNELS: Mapping[str, Entry] = {
    "unit_1": 101,
    "unit_2": 102,
    "load": 201,
    "meter_output": 301,
    "meter_bias": 302,
    "meter_rail_positive": 303,
    "meter_rail_negative": 304,
    "meter_low_positive": 305,
    "meter_low_negative": 306,
    "meter_chassis_positive": 307,
    "meter_chassis_negative": 308,
    "meter_load": 309,
    "analyser_output": 401,
    "analyser_loop": 402,
    "analyser_tap": 403,
}

_LOAD: Mapping[str, Entry] = {
    "resistance": "8 ohm",
    "tolerance": "1 %",
    "continuous_power": "200 W",
    "short_term_power": "400 W",
    "short_term_duration": "60 s",
}


def bench_entries(addresses: Mapping[str, str], *, real_time: bool = False) -> dict[str, Entry]:
    """The bench file's content for instruments at these VISA addresses (by role, and the clock)."""
    return {
        "bench": "simulated bench",
        "clock": "real" if real_time else "simulated",
        "clock_address": addresses[CLOCK],
        "backend": "@py",
        "generator_ceiling": "2 V",
        "mains_voltage": "230 V",
        "load": _LOAD,
        "router_channels": _ROUTER_CHANNELS,
        "independent_means": ["load thermostat", "emergency stop"],
        "instruments": {
            role: _instrument(role, addresses[role]) for role in addresses if role != CLOCK
        },
    }


def _instrument(role: str, address: str) -> dict[str, Entry]:
    entry: dict[str, Entry] = {
        "driver": "scpi",
        "address": address,
        "identity": IDENTITIES[role],
        "timeout": "5 s" if role == "analyser" else "2 s",
    }
    entry |= _CAPABILITIES[role]
    if role in _CERTIFICATES:
        entry["calibration"] = {"due": "2027-12-31", "certificate": _CERTIFICATES[role]}
    return entry


def mapped_entries(
    entries: Mapping[str, Entry],
    commands: Mapping[str, Entry],
    identities: Mapping[str, str] | None = None,
) -> dict[str, Entry]:
    """The same bench with instruments of another tongue: each driven through a command map.

    commands gives the command map of each role, identities what its identity begins with; a role
    without a map gets an empty one, a role without an identity is not asked for it.
    """
    instruments = entries["instruments"]
    if not isinstance(instruments, Mapping):
        raise ValueError(f"instruments: expected a mapping, found {instruments!r}")
    known = identities or {}
    return {
        **entries,
        "instruments": {
            role: _mapped(entry, commands.get(role, {}), known.get(role))
            for role, entry in instruments.items()
        },
    }


def _mapped(entry: Entry, commands: Entry, identity: str | None) -> Entry:
    if not isinstance(entry, Mapping):
        raise ValueError(f"an instrument's entry: expected a mapping, found {entry!r}")
    kept = {key: value for key, value in entry.items() if key != "identity"}
    asked: dict[str, Entry] = {} if identity is None else {"identity": identity}
    return {**kept, **asked, "driver": "mapped", "commands": commands}


def to_text(entries: Mapping[str, Entry]) -> str:
    """YAML text: instruments and their command maps spread over lines, all else in one line."""
    lines: list[str] = []
    for key, value in entries.items():
        if key == "instruments" and isinstance(value, Mapping):
            lines.append("instruments:")
            for role, entry in value.items():
                lines += _instrument_lines(role, entry)
        else:
            lines.append(f"{key}: {_flow(value)}")
    return "\n".join(lines) + "\n"


def _instrument_lines(role: str, entry: Entry) -> list[str]:
    if not isinstance(entry, Mapping):
        return [f"  {role}: {_flow(entry)}"]
    lines = [f"  {role}:"]
    for key, value in entry.items():
        if key == "commands" and isinstance(value, Mapping) and value:
            lines.append("    commands:")
            lines += [f"      {name}: {_flow(item)}" for name, item in value.items()]
        else:
            lines.append(f"    {key}: {_flow(value)}")
    return lines


def _flow(value: Entry) -> str:
    if isinstance(value, Mapping):
        return (
            "{" + ", ".join(f"{_scalar(key)}: {_flow(item)}" for key, item in value.items()) + "}"
        )
    if isinstance(value, list):
        return "[" + ", ".join(map(_flow, value)) + "]"
    return _scalar(value) if isinstance(value, str) else json.dumps(value)


def _scalar(text: str) -> str:
    """Plain where no reader of YAML can take it for anything else, else quoted."""
    is_plain = _PLAIN.fullmatch(text) and text == text.strip() and not _TRAPS.fullmatch(text)
    is_quantity = re.fullmatch(r"-\d+(\.\d+)? [A-Za-z]+", text)
    if text.startswith("@") or not (is_plain or is_quantity) or _looks_like_number(text):
        return json.dumps(text)
    return text


def _looks_like_number(text: str) -> bool:
    return re.fullmatch(r"[+-]?[0-9_.:eExXoO]+", text) is not None
