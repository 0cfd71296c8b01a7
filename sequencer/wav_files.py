"""WAV files as volts: 16, 24 and 32 bit integers, 32 and 64 bit floating point, plain or extensible.

A reader of our own, because a measurement needs what others throw away: the codes themselves. Three
or more samples on the most positive or most negative code mean that the converter's range was
exceeded. A converter of fewer bits than the file's leaves the lowest bits zero and its outermost
code that much below the file's: its own step is taken from the codes.

Source of the layout: Microsoft and IBM, "Multimedia Programming Interface and Data Specifications
1.0", 1991 (RIFF, chunks padded to even length); WAVEFORMATEXTENSIBLE, Microsoft, 2007.
"""

import math
import struct
from collections.abc import Iterator
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from sequencer.captures import Samples
from sequencer.recordings import MOST_SAMPLES, Recording

Codes = NDArray[np.int32]

_PCM, _FLOAT, _EXTENSIBLE = 0x0001, 0x0003, 0xFFFE
# What follows the format's number in a GUID of the extensible form.
_GUID_TAIL = bytes.fromhex("000000001000800000aa00389b71")
_KNOWN = "16, 24 or 32 bit integers, or 32 bit floating point"
# IETF RFC 2361, appendix A.
_COMPRESSED = MappingProxyType(
    {0x0002: "ADPCM", 0x0006: "A-law", 0x0007: "mu-law", 0x0011: "ADPCM", 0x0055: "MPEG layer 3"}
)
_MOST_CHANNELS = 2
_FEWEST_ON_LIMIT = 3
_COARSEST_BITS = 16  # a square wave must not pass for a converter of two bits
_NEAR_FULL_SCALE = 0.99
_LENGTH_UNKNOWN = 0xFFFFFFF0  # written by programs that can't go back to fill it in


class NotWav(ValueError):
    """The content is no WAV file that can be measured; the text says why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Format:
    """The chunk `fmt `: kind of number, channels, rate, bytes a sample."""

    is_float: bool
    channels: int
    sample_rate_hz: int
    sample_bytes: int


def read_wav(content: bytes, full_scale_v: float) -> Recording:
    """The recording in a WAV file; full_scale_v is the voltage of code 2^(bits - 1), or of 1.0.

    Raises NotWav with the reason.
    """
    form, start, length, remarks = _layout(content)
    frames = length // (form.sample_bytes * form.channels)
    if frames > MOST_SAMPLES:
        raise NotWav(f"holds {frames} samples a channel; at most {MOST_SAMPLES} can be analysed")
    count = frames * form.channels
    raw = memoryview(content)[start : start + count * form.sample_bytes]
    if form.is_float:
        return replace(_from_floats(raw, form, full_scale_v), remarks=remarks)
    codes = _codes(raw, form.sample_bytes).reshape(frames, form.channels).T
    return replace(_from_codes(codes, form, full_scale_v), remarks=remarks)


def _layout(content: bytes) -> tuple[_Format, int, int, tuple[str, ...]]:
    """Format, place of the first sample, bytes of all samples, and what is odd about them."""
    if content[:4] in (b"RF64", b"BW64", b"RIFX"):
        raise NotWav(f"is of the form {content[:4].decode()}; write it as a plain RIFF WAV file")
    if content[:4] != b"RIFF" or content[8:12] != b"WAVE":
        raise NotWav("is not a WAV file: it does not begin with RIFF ... WAVE")
    form: _Format | None = None
    for name, start, stated in _chunks(content):
        if name == b"fmt ":
            form = _format(content[start : start + stated])
        elif name == b"data":
            if form is None:
                raise NotWav("has samples before it says what they are; write it again")
            return form, start, *_data_length(content, start, stated, form)
    what = "samples" if form else "format"
    raise NotWav(f"ends before its {what}: the recording or copying broke off")


def _chunks(content: bytes, place: int = 12) -> Iterator[tuple[bytes, int, int]]:
    """Name, start and stated length of each chunk from a place on."""
    while place + 8 <= len(content):
        name, stated = struct.unpack_from("<4sI", content, place)
        yield name, place + 8, stated
        place += 8 + stated + stated % 2


def _format(chunk: bytes) -> _Format:
    if len(chunk) < 16:
        raise NotWav("has a broken description of its format")
    tag, channels, rate, _, frame_bytes, bits = struct.unpack_from("<HHIIHH", chunk)
    if tag == _EXTENSIBLE and len(chunk) >= 40 and chunk[26:40] == _GUID_TAIL:
        tag = struct.unpack_from("<H", chunk, 24)[0]
    if channels == 0 or rate == 0:
        raise NotWav(f"says it has {channels} channels at {rate} samples/s; it is damaged")
    if channels > _MOST_CHANNELS:
        raise NotWav(f"has {channels} channels; save one or two of them")
    sample_bytes, rest = divmod(frame_bytes, channels)
    is_integer = tag == _PCM and sample_bytes in (2, 3, 4) and 8 * sample_bytes - 7 <= bits
    is_float = tag == _FLOAT and sample_bytes in (4, 8)
    if rest or bits > 8 * sample_bytes or not (is_integer or is_float):
        raise NotWav(_why_unknown(tag, bits))
    return _Format(
        is_float=is_float, channels=channels, sample_rate_hz=rate, sample_bytes=sample_bytes
    )


def _why_unknown(tag: int, bits: int) -> str:
    """What samples of a format that isn't read are, and what to record instead."""
    if tag in _COMPRESSED:
        return (
            f"is compressed ({_COMPRESSED[tag]}, format {tag:#06x}), which changes what is to be "
            f"measured; record again, uncompressed: {_KNOWN}"
        )
    if tag == _PCM and bits <= 8:
        return (
            f"holds {bits} bit samples, in steps of {100 / 2 ** (bits - 1):.1g} % of full scale, too "
            f"coarse to measure by; record again with {_KNOWN} (converting the file brings nothing back)"
        )
    return f"holds {bits} bit samples of format {tag:#06x}; save it with {_KNOWN}"


def _data_length(
    content: bytes, start: int, stated: int, form: _Format
) -> tuple[int, tuple[str, ...]]:
    """Bytes of all samples, and what is odd about them."""
    there = len(content) - start
    frame_bytes = form.sample_bytes * form.channels
    if stated >= _LENGTH_UNKNOWN:
        return there, ()
    if stated > there:
        raise NotWav(
            f"ends after {there // frame_bytes} of {stated // frame_bytes} samples: the recording "
            "or copying broke off"
        )
    end = start + stated + stated % 2
    if _are_chunks(content, end):
        if any(name == b"data" for name, *_ in _chunks(content, end)):
            raise NotWav(
                "has samples in two places, which may be apart in time; save it as one piece"
            )
        return stated, ()
    if stated:
        return stated, (
            f"{len(content) - end} bytes after the samples its header tells of were not read",
        )
    return there, (
        f"its header was never finished and tells of no samples; all {there // frame_bytes} were read",
    )


def _are_chunks(content: bytes, place: int) -> bool:
    """Whether whole chunks, or nothing, fill the file from a place on."""
    for name, start, stated in _chunks(content, place):
        if not (name.isascii() and name.decode("ascii").isprintable()):
            return False
        place = start + stated
    return abs(place - len(content)) <= 1


def _codes(raw: memoryview, sample_bytes: int) -> Codes:
    """Samples as integers; 24 bit ones sit in the upper three bytes, as scipy has them too."""
    if sample_bytes == 3:
        padded = np.zeros((len(raw) // 3, 4), dtype=np.uint8)
        padded[:, 1:] = np.frombuffer(raw, dtype=np.uint8).reshape(-1, 3)
        return np.asarray(padded.view("<i4").reshape(-1) >> 8, dtype=np.int32)
    return np.frombuffer(raw, dtype=f"<i{sample_bytes}").astype(np.int32, copy=False)


def _from_codes(codes: Codes, form: _Format, full_scale_v: float) -> Recording:
    bits = 8 * form.sample_bytes
    most = 2 ** (bits - 1)
    step = _code_step(codes, bits)
    return Recording(
        samples=np.multiply(codes, full_scale_v / most, dtype=np.float64),
        sample_rate_hz=float(form.sample_rate_hz),
        # The codes have told; the shape of the record has nothing to add.
        range_peak_v=math.inf,
        overrange=tuple(_exceeded(channel, most, step) for channel in codes),
    )


def _code_step(codes: Codes, bits: int) -> int:
    """Distance of the converter's own codes: the lowest bit that any sample uses, at most 16 bits'."""
    used = int(np.bitwise_or.reduce(codes, axis=None)) if codes.size else 0
    lowest = used & -used if used else 1
    return min(lowest, 1 << (bits - min(bits, _COARSEST_BITS)))


def _exceeded(channel: Codes, most: int, step: int) -> str:
    """Which end of the range the samples lie on, in words; empty when on neither.

    Some converters stop one code short of the most negative one, to be symmetrical.
    """
    for sign, at in (("positive", channel >= most - step), ("negative", channel <= step - most)):
        count = int(np.count_nonzero(at))
        if count >= _FEWEST_ON_LIMIT:
            return f"{count} samples lie on the most {sign} code"
    return ""


def _from_floats(raw: memoryview, form: _Format, full_scale_v: float) -> Recording:
    """Floating point has no last code.

    Well below 1.0 its range was not reached; near it and above, the shape of the record must tell.
    """
    values = np.frombuffer(raw, dtype=f"<f{form.sample_bytes}").reshape(-1, form.channels).T
    samples: Samples = np.multiply(values, full_scale_v, dtype=np.float64)
    peak = float(np.max(np.abs(samples), initial=0.0))
    return Recording(
        samples=np.ascontiguousarray(samples),
        sample_rate_hz=float(form.sample_rate_hz),
        range_peak_v=math.inf if peak < _NEAR_FULL_SCALE * full_scale_v else None,
    )
