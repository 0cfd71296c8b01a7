"""Files of recorded captures, written by scipy, the standard library and by hand, read back."""

import io
import math
import struct
import wave
import zipfile

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.io import wavfile

from sequencer import capture_files
from sequencer.analysis.errors import CannotMeasure
from sequencer.capture_files import Wanted, read_recording
from sequencer.captures import Capture
from sequencer.errors import Refused
from sequencer.journal import capture_bytes
from sequencer.wav_files import NotWav, read_wav

PCM_TAIL = bytes.fromhex("000000001000800000aa00389b71")


def riff(form, data, *, stated=None, before=b"", after=b""):
    """A WAV file by hand: its chunk `fmt `, its samples, and chunks around them."""
    size = len(data) if stated is None else stated
    body = b"WAVE" + b"fmt " + struct.pack("<I", len(form)) + form + before
    body += b"data" + struct.pack("<I", size) + data + b"\0" * (len(data) % 2) + after
    return b"RIFF" + struct.pack("<I", len(body)) + body


def plain_format(tag=1, channels=1, rate=48000, bits=16):
    frame = channels * bits // 8
    return struct.pack("<HHIIHH", tag, channels, rate, rate * frame, frame, bits)


def extensible_format(tag, bits, valid, channels=1, rate=48000):
    frame = channels * bits // 8
    head = struct.pack("<HHIIHH", 0xFFFE, channels, rate, rate * frame, frame, bits)
    return head + struct.pack("<HHIH", 22, valid, 4, tag) + PCM_TAIL


def read(tmp_path, content, name="x.wav", **wanted):
    path = tmp_path / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return read_recording(path, Wanted(**wanted))


def refused(tmp_path, content, name="x.wav", **wanted):
    """The reason for which a file is refused; it names the file."""
    with pytest.raises(Refused) as caught:
        read(tmp_path, content, name, **wanted)
    assert caught.value.exit_code == 2
    assert name in caught.value.reason
    assert "\n" not in caught.value.reason
    return caught.value


# WAV.

VALUES = np.array([0.0, 0.25, -0.25, 0.7071, -1.0, 0.9999])


@pytest.mark.parametrize(("dtype", "bits"), [("int16", 16), ("int32", 32)])
@pytest.mark.parametrize("rate", [8000, 44100, 1_250_000, 2_000_000])
def test_integers_as_scipy_writes_them(tmp_path, dtype, bits, rate):
    codes = np.round(VALUES * 2 ** (bits - 1)).clip(-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)
    path = tmp_path / "x.wav"
    wavfile.write(path, rate, codes.astype(dtype))
    found = read_recording(path, Wanted(full_scale_v=20.0))
    assert found.sample_rate_hz == rate
    assert found.samples.shape == (1, 6)
    assert found.samples[0] == pytest.approx(20 * codes / 2 ** (bits - 1), abs=1e-12)


def test_24_bit_as_the_standard_library_writes_it(tmp_path):
    codes = [0, 1, -1, 2**23 - 1, -(2**23), 0x123456, -0x123456]
    path = tmp_path / "x.wav"
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(3)
        file.setframerate(96000)
        file.writeframes(b"".join(code.to_bytes(3, "little", signed=True) for code in codes))
    found = read_recording(path, Wanted())
    assert found.samples[0].tolist() == [code / 2**23 for code in codes]
    # scipy is another reader of the same file
    rate, left_justified = wavfile.read(path)
    assert rate == found.sample_rate_hz
    assert (left_justified / 2**31).tolist() == found.samples[0].tolist()


@pytest.mark.parametrize("dtype", ["float32", "float64"])
def test_floating_point_is_volts_at_a_scale_of_one(tmp_path, dtype):
    path = tmp_path / "x.wav"
    wavfile.write(path, 48000, (3.5 * VALUES).astype(dtype))
    assert read_recording(path, Wanted()).samples[0] == pytest.approx(3.5 * VALUES, rel=1e-6)


def test_two_channels(tmp_path):
    path = tmp_path / "x.wav"
    wavfile.write(path, 48000, np.column_stack([VALUES, -VALUES]).astype(np.float32))
    found = read_recording(path, Wanted())
    assert found.samples.shape == (2, 6)
    assert found.samples[1] == pytest.approx(-VALUES, abs=1e-6)


@given(st.lists(st.integers(-(2**23), 2**23 - 1), min_size=2, max_size=40))
@settings(max_examples=60, deadline=None)
def test_any_24_bit_codes(codes):
    data = b"".join(code.to_bytes(3, "little", signed=True) for code in codes)
    found = read_wav(riff(plain_format(bits=24), data), 1.0)
    assert found.samples[0].tolist() == [code / 2**23 for code in codes]


@pytest.mark.parametrize(
    ("tag", "bits", "valid", "dtype", "scale"),
    [
        (1, 16, 16, "<i2", 2**15),
        (1, 32, 24, "<i4", 2**31),
        (1, 32, 32, "<i4", 2**31),
        (3, 32, 32, "<f4", 1),
    ],
)
def test_the_extensible_form(tmp_path, tag, bits, valid, dtype, scale):
    values = np.round(np.array([0.1, -0.5, 0.75]) * scale / 256) * 256 if scale > 2**16 else None
    values = np.array([0.1, -0.5, 0.75]) * scale if values is None else values
    data = values.astype(dtype)
    found = read(tmp_path, riff(extensible_format(tag, bits, valid), data.tobytes()))
    assert found.samples[0] == pytest.approx(data.astype(float) / scale)


def test_other_chunks_are_passed_over(tmp_path):
    data = np.array([1, 2, 3], "<i2").tobytes()
    odd = b"LIST" + struct.pack("<I", 5) + b"INFOx" + b"\0"
    found = read(tmp_path, riff(plain_format(), data, before=odd, after=odd))
    assert (found.samples[0] * 2**15).tolist() == [1, 2, 3]


@pytest.mark.parametrize("stated", [0xFFFFFFFF, 0xFFFFFFF0])
def test_a_stream_without_a_stated_length_is_read_to_its_end(tmp_path, stated):
    data = np.array([1, 2, 3], "<i2").tobytes()
    assert read(tmp_path, riff(plain_format(), data, stated=stated)).size == 3


def _chunk(name, content):
    return name + struct.pack("<I", len(content)) + content + b"\0" * (len(content) % 2)


def test_a_header_that_was_never_finished_is_told_and_all_samples_read(tmp_path):
    data = np.arange(100, 600, dtype="<i2").tobytes()
    found = read(tmp_path, riff(plain_format(), data, stated=0))
    assert (found.samples[0] * 2**15).tolist() == list(range(100, 600))
    assert found.remarks == (
        "its header was never finished and tells of no samples; all 500 were read",
    )


@pytest.mark.parametrize("after", [b"", _chunk(b"LIST", b"INFOx"), _chunk(b"LIST", b"INFO") * 2])
def test_no_samples_are_none_whatever_follows_them(tmp_path, after):
    with pytest.raises(CannotMeasure, match="holds 0 samples"):
        read(tmp_path, riff(plain_format(), b"", after=after))


def test_samples_beyond_what_the_header_tells_are_not_dropped_unsaid(tmp_path):
    data = np.arange(100, 600, dtype="<i2").tobytes()
    found = read(tmp_path, riff(plain_format(), data, stated=600))
    assert found.size == 300
    assert found.remarks == ("400 bytes after the samples its header tells of were not read",)


@pytest.mark.parametrize("between", [b"", _chunk(b"LIST", b"INFOx")])
def test_samples_in_two_places_are_refused(tmp_path, between):
    data = np.arange(100, dtype="<i2").tobytes()
    content = riff(plain_format(), data, after=between + _chunk(b"data", data))
    assert "samples in two places" in refused(tmp_path, content).reason


# How the converter's limit shows: three or more samples on an outermost code.


def overrange(codes, bits=16, dtype=None):
    data = np.array(codes).astype(dtype or f"<i{bits // 8}").tobytes()
    return read_wav(riff(plain_format(bits=bits), data), 1.0).overrange_of(0)


def noisy(count, bits, step=1, seed=1):
    rng = np.random.default_rng(seed)
    return step * rng.integers(-(2 ** (bits - 3)) // step, 2 ** (bits - 3) // step, count)


@pytest.mark.parametrize(
    ("bits", "step"),
    [(16, 1), (32, 1), (32, 2**8), (32, 2**16)],
    ids=["16", "32", "24in32", "16in32"],
)
@pytest.mark.parametrize("sign", [1, -1])
def test_three_samples_on_an_outermost_code_exceed_the_range(bits, step, sign):
    codes = noisy(500, bits, step)
    most = 2 ** (bits - 1) - step if sign > 0 else -(2 ** (bits - 1))
    codes[[10, 20]] = most
    assert overrange(codes, bits) == ""
    codes[300] = most
    assert overrange(codes, bits).startswith(
        "3 samples lie on the most " + {1: "pos", -1: "neg"}[sign]
    )


def test_a_converter_may_be_symmetrical():
    codes = noisy(500, 16)
    codes[:3] = -32767
    assert "negative" in overrange(codes)


def test_samples_just_inside_the_range_do_not_exceed_it():
    codes = noisy(500, 16)
    codes[:100] = 32766
    assert overrange(codes) == ""


def test_the_codes_decide_not_the_shape():
    """Many samples on one value inside the range: a unit that clips, not the converter."""
    found = read_wav(riff(plain_format(), np.array([9000] * 50 + [1, 2], "<i2").tobytes()), 1.0)
    assert (found.overrange_of(0), found.range_peak_v) == ("", math.inf)


# WAV files that can't be used.

GOOD = riff(plain_format(), np.arange(100, dtype="<i2").tobytes())


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is empty"),
        (b"R\0", "not a WAV file"),
        (b"\x00" * 100, "not a WAV file"),
        (b"time,volts\n0,1\n", "holds text; if that is columns of numbers, name it .csv"),
        (GOOD[:12], "broke off"),
        (GOOD[:30], "broken description"),
        (GOOD[:40], "broke off"),
        (GOOD[:-51], "after 74 of 100 samples"),
        (b"RF64" + GOOD[4:], "plain RIFF"),
        (b"RIFX" + GOOD[4:], "plain RIFF"),
        (
            riff(plain_format(bits=8), b"\x80" * 10),
            "too coarse to measure by; record again with 16",
        ),
        (riff(plain_format(tag=6, bits=16), b"\x80" * 10), "compressed (A-law, format 0x0006)"),
        (b"fLaC" + b"\0" * 100, "is a FLAC file; save it as a WAV file"),
        (b"OggS" + b"\0" * 100, "its compression has changed the signal"),
        (b"\0\0time" * 9, "not a WAV file"),
        (riff(plain_format(tag=3, bits=16), b"\x80" * 10), "16 bit samples of format 0x0003"),
        (riff(plain_format(channels=3), b"\0" * 12), "3 channels"),
        (riff(plain_format(channels=0), b"\0" * 12), "damaged"),
        (riff(plain_format(rate=0), b"\0" * 12), "damaged"),
    ],
)
def test_a_wav_file_that_can_t_be_used(tmp_path, content, words):
    refusal = refused(tmp_path, content)
    assert refusal.code == "file"
    assert words in refusal.reason


@given(st.integers(0, len(GOOD) - 1), st.integers(0, 255))
@settings(max_examples=300, deadline=None)
def test_a_damaged_wav_file_never_surprises(place, value):
    damaged = bytearray(GOOD)
    damaged[place] = value
    try:
        found = read_wav(bytes(damaged), 1.0)
    except NotWav:
        return
    assert found.samples.ndim == 2
    assert found.sample_rate_hz > 0


@given(st.binary(max_size=200))
@settings(max_examples=200, deadline=None)
def test_garbage_is_not_wav(content):
    with pytest.raises(NotWav):
        read_wav(b"RIFF\0\0\0\0WAVE" + content, 1.0)


@pytest.mark.parametrize("count", [0, 1])
def test_no_samples_are_too_short(tmp_path, count):
    with pytest.raises(CannotMeasure) as caught:
        read(tmp_path, riff(plain_format(), b"\1\0" * count))
    assert caught.value.code == "too_short"


# Text.


def rows(rate=1000, count=50, separator=",", volts=lambda k: math.sin(k)):
    return [f"{k / rate:.9g}{separator}{volts(k):.9g}" for k in range(count)]


@pytest.mark.parametrize("separator", [",", ";", "\t", ", ", " ; "])
@pytest.mark.parametrize(
    "header", ["", "time,volts\n", "t;v\n", "Model,DL-7\nRecord Length,50\n\nTIME,CH1\n", "# a\n"]
)
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_time_and_volts(tmp_path, separator, header, end):
    text = (header + "\n".join(rows(separator=separator)) + "\n").replace("\n", end)
    found = read(tmp_path, text, "x.csv")
    assert found.sample_rate_hz == 1000
    assert found.samples.shape == (1, 50)
    assert found.samples[0] == pytest.approx(np.sin(np.arange(50)), abs=1e-8)


@pytest.mark.parametrize(
    "heading", ["", "time volts\n", "2048\ttime  volts\n", "# time (s) CH1 (V)\n", "FORM 5\nt v\n"]
)
@pytest.mark.parametrize("separator", [" ", "   ", " \t"])
def test_blanks_may_set_numbers_apart(tmp_path, heading, separator):
    lines = [f"  {line}" for line in rows(separator=separator)]
    found = read(tmp_path, heading + "\n".join(lines), "x.csv")
    assert found.sample_rate_hz == 1000
    assert found.samples[0] == pytest.approx(np.sin(np.arange(50)), abs=1e-8)


@pytest.mark.parametrize("heading", ["", "Zeit;Spannung\n"])
@pytest.mark.parametrize("separator", [";", "\t", " ", " ; "])
def test_decimal_commas_are_read_where_commas_set_no_columns_apart(tmp_path, heading, separator):
    points = "\n".join(rows(separator=separator))
    found = read(tmp_path, heading + points.replace(".", ","), "x.csv")
    as_points = read(tmp_path, heading + points, "y.csv")
    assert found.samples.tolist() == as_points.samples.tolist()
    assert (found.sample_rate_hz, found.size) == (1000, 50)


def test_no_sample_is_lost_before_a_line_without_commas(tmp_path):
    """Voltages that happen to be whole must not pass for the first line of numbers."""
    text = "t;v\n0,1;0,5\n0,2;1\n0,3;0\n1;2\n"
    assert "1.5" not in text
    refusal = refused(tmp_path, text, "x.csv")
    assert (refusal.code, refusal.errors[0].place.line) == ("time_base", 5)
    counted = read(tmp_path, "1;0,5\n2;1\n3;0,7\n", "x.csv", rate_hz=10.0)
    assert counted.samples[0].tolist() == [0.5, 1.0, 0.7]


@pytest.mark.parametrize("heading", ["time,volts,\n", "", "time,volts\n"])
def test_a_separator_at_the_end_of_each_line_is_no_channel(tmp_path, heading):
    found = read(tmp_path, heading + "\n".join(f"{line}," for line in rows()), "x.csv")
    assert found.samples.shape == (1, 50)


def test_a_channel_without_any_value_stays_one(tmp_path):
    text = "time,CH1,CH2\n" + "\n".join(f"{line},nan" for line in rows())
    assert read(tmp_path, text, "x.csv").samples.shape == (2, 50)


@pytest.mark.parametrize(
    ("change", "line", "words"),
    [
        (lambda r: r[:20] + r[19:], 22, "the time 0.019 s stands twice"),
        (lambda r: r + r, 52, "the time goes back from 0.049 s to 0 s; export one record a file"),
        (lambda r: r[::-1], 3, "the times run backwards; sort the lines by time"),
        (lambda r: r[:30] + r[33:], 32, "by 0.004 s here, by 0.001 s mostly"),
        (lambda r: [f"0.5,{line}" for line in range(9)], 3, "all times are 0.5 s"),
        (lambda r: [f"{line // 4},{line}" for line in range(40)], 3, "too few digits"),
        (lambda r: [*r[:9], "," + r[9].split(",")[1], *r[10:]], 11, "the time is missing"),
        (lambda r: [*r[:4], "", "", *r[4:9], *r[12:]], 13, "by 0.004 s here"),
    ],
    ids=["twice", "two records", "reverse", "gap", "constant", "coarse", "missing", "blank lines"],
)
def test_a_wrong_time_is_told_with_its_line(tmp_path, change, line, words):
    text = "\n".join(["time,volts", *change(rows())])
    refusal = refused(tmp_path, text, "x.csv")
    assert refusal.code == "time_base"
    (error,) = refusal.errors
    assert error.place.line == line
    assert error.source_line == text.split("\n")[line - 1].rstrip()
    assert words in error.message


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "latin-1"])
def test_encodings(tmp_path, encoding):
    text = "Zeit,Kanal µ\n" + "\n".join(rows())
    assert read(tmp_path, text.encode(encoding), "x.csv").size == 50


@pytest.mark.parametrize("header", ["", "volts\n", "CH1 (V)\n"])
def test_volts_alone_with_a_stated_rate(tmp_path, header):
    text = header + "\n".join(f"{k * 0.001:.6f}" for k in (3, 1, 2, 5))
    found = read(tmp_path, text, "x.csv", rate_hz=48000.0)
    assert found.sample_rate_hz == 48000
    assert found.samples[0].tolist() == [0.003, 0.001, 0.002, 0.005]


def test_volts_alone_need_a_rate(tmp_path):
    refusal = refused(tmp_path, "1\n2\n4\n", "x.csv")
    assert (refusal.code, '--rate "48 kHz"' in refusal.reason) == ("argument", True)


@pytest.mark.parametrize(
    ("header", "time_scale", "volt_scale"),
    [
        ("time (ms),CH1 (mV)", 1e-3, 1e-3),
        ("time [us],volts", 1e-6, 1.0),
        ("t/s,u/µV", 1.0, 1e-6),
        ("ms,mV", 1e-3, 1e-3),
        ("time (min),V", 60.0, 1.0),
        ("t/h,V", 3600.0, 1.0),
        ("time in ns,V", 1e-9, 1.0),
        ("time,CH1 (smoothed)", 1.0, 1.0),
        ("time (milliseconds),CH1 (millivolts)", 1e-3, 1e-3),
        ("time in Seconds,microvolt", 1.0, 1e-6),
        ("msec,kilovolts", 1e-3, 1e3),
        ("time (minutes),Volts", 60.0, 1.0),
        ("Time ms,Channel 1 mV", 1e-3, 1e-3),
        ("time (ms),CH1 (mV)\n---------,-----", 1e-3, 1e-3),
        ("time (ms),CH1 (mV)\nvalues follow", 1e-3, 1e-3),
        ("time,V min", 1.0, 1.0),
        ("time,channel(s)", 1.0, 1.0),
        ("ms,mV\nTime,CH1", 1e-3, 1e-3),
        ("msec,mVolt", 1e-3, 1e-3),
        ("time,voltage (milliV)", 1.0, 1e-3),
        ("time,voltage (kilovolts)", 1.0, 1e3),
        ("time,CH1 (10x)", 1.0, 1.0),
        ("# units: s, V\ntime,CH1", 1.0, 1.0),
        ("units: ms and mV\ntime (ms),CH1 (mV)", 1e-3, 1e-3),
        ("[ms],[mV]\nTime,CH1", 1e-3, 1e-3),
        ("Units,mV\ntime,value", 1.0, 1e-3),
        ("Horizontal Units,s\ntime,XLR out", 1.0, 1.0),
        ("ms,mV\ntime (s),CH1 (V)", 1.0, 1.0),
    ],
)
def test_units_in_the_heading_count(tmp_path, header, time_scale, volt_scale):
    text = header + "\n" + "\n".join(f"{k},{k * k}" for k in range(20))
    found = read(tmp_path, text, "x.csv")
    assert found.sample_rate_hz == pytest.approx(1 / time_scale)
    assert found.samples[0] == pytest.approx(volt_scale * np.arange(20.0) ** 2)


@pytest.mark.parametrize(
    ("header", "unit"),
    [
        ("time,level (dBV)", "dBV"),
        ("time (s),CH1 [dBu]", "dBu"),
        ("t/s,i/mA", "mA"),
        ("time,current in µA", "µA"),
        ("frequency (Hz),CH1 (V)", "Hz"),
        ("f in kHz,dB", "kHz"),
        ("time,CH1 (Vrms)", "Vrms"),
        ("time,power (W)", "W"),
        ("time (s),current (A)", "A"),
        ("t/s,i/A", "A"),
        ("t,I [A]", "A"),
        ("t,current in A", "A"),
        ("time,CH1 (mV rms)", "mV rms"),
        ("time,VRMS", "VRMS"),
        ("time,CH1 (Vpp)", "Vpp"),
        ("time,level (dBµV)", "dBµV"),
        ("time,level (dB(A))", "dB(A)"),
        ("time,phase (deg)", "deg"),
        ("time,Z [Ω]", "Ω"),
        ("time,Level dBV", "dBV"),
        ("time,shunt mA", "mA"),
        ("time,CH1 (dBV rms)", "dBV rms"),
        ("time,CH1 (Ampere)", "Ampere"),
        ("time,milliamps", "milliamps"),
        ("time,CH1 (counts)", "counts"),
        ("time,CH1 (mV/div)", "mV/div"),
        ("time,delay (ms)", "ms"),
        ("frequency,level", "Hz"),
        ("time,CH1 (V*1000)", "V*1000"),
        ("time,CH1 (1e-3 V)", "1e-3 V"),
        ("time,voltage x1000 (V)", "x1000"),
        ("time,ADC counts", "counts"),
        ("time (s),time (s)", "s"),
    ],
)
def test_what_is_no_voltage_is_not_taken_for_volts(tmp_path, header, unit):
    text = header + "\n" + "\n".join(f"{k / 1000},{k * k}" for k in range(20))
    refusal = refused(tmp_path, text, "x.csv")
    assert refusal.code == "file"
    assert f'" in {unit}; expected volts over time' in refusal.reason


@pytest.mark.parametrize(
    "header",
    ["Y unit: mV\ntime,CH1", "# units: ms, mV\ntime,CH1", "Horizontal Units,ms\ntime,CH1 (mV)"],
)
def test_units_that_no_column_takes_are_asked_for(tmp_path, header):
    text = header + "\n" + "\n".join(f"{k / 1000},{k * k}" for k in range(20))
    refusal = refused(tmp_path, text, "x.csv")
    assert refusal.code == "file"
    assert 'as in "time (ms)"' in str(refusal)


@pytest.mark.parametrize(
    "header", ["time (s),min (V),max (V)", "time,CH1 Minimum,CH1 Maximum", "min,max"]
)
def test_the_extremes_of_intervals_are_no_samples(tmp_path, header):
    columns = header.count(",")
    rows = (",".join([f"{k / 1000}", *[f"{k * k}"] * columns]) for k in range(20))
    refusal = refused(tmp_path, header + "\n" + "\n".join(rows), "x.csv")
    assert refusal.code == "file"
    assert "export every sample" in refusal.reason


@pytest.mark.parametrize(
    "header", ["time,CH (a)", "t,CH (A)", "time,channel A", "t,W", "time,WB", "t,dB meter out"]
)
def test_a_channels_name_is_no_unit(tmp_path, header):
    text = header + "\n" + "\n".join(f"{k / 1000},{k * k}" for k in range(20))
    assert read(tmp_path, text, "x.csv").samples[0] == pytest.approx(np.arange(20.0) ** 2)


def test_three_columns_are_time_and_two_channels(tmp_path):
    text = "\n".join(f"{k / 100},{k % 3},{k % 5}" for k in range(20))
    found = read(tmp_path, text, "x.csv")
    assert found.samples[1].tolist() == [k % 5 for k in range(20)]


def test_two_columns_may_be_two_channels(tmp_path):
    text = "\n".join(f"{math.sin(k)},{math.cos(k)}" for k in range(50))
    found = read(tmp_path, text, "x.csv", rate_hz=1000.0, is_pair=True)
    assert found.samples.shape == (2, 50)
    refusal = refused(tmp_path, text, "x.csv", rate_hz=1000.0)
    assert "first column that is no time" in refusal.reason


@pytest.mark.parametrize("rate", [1000, 44100, 48000, 1_250_000, 12345.678, 48000.02, 0.1])
@pytest.mark.parametrize("digits", [9, 12, 17])
def test_the_rate_of_printed_times(tmp_path, rate, digits):
    count = 3000
    text = "\n".join(f"{k / rate:.{digits}g},{k % 7}" for k in range(count))
    found = read(tmp_path, text, "x.csv").sample_rate_hz
    # the last time is printed to half a unit of its last digit
    assert found == pytest.approx(rate, rel=2 * 10.0 ** (1 - digits) + 1e-15)
    if float(rate).is_integer():
        assert found == rate


def test_the_rounding_of_printed_times_is_the_doubt_of_their_rate(tmp_path):
    """Times of six digits after the point, at rates that they can't show exactly."""
    errors, count = [], 3000
    for number in range(60):
        rate = 44000.0 + 7.31 * number + 0.37
        text = "\n".join(f"{k / rate:.6f},{k % 7}" for k in range(count))
        found = read(tmp_path, text, "x.csv")
        # each end is off by half a microsecond at most: u is a microsecond over the root of six
        expected = 1e-6 / math.sqrt(6.0) / (count / rate)
        assert 0.9 * expected < found.rate_uncertainty < 2.5 * expected
        errors.append((found.sample_rate_hz / rate - 1.0) / found.rate_uncertainty)
    assert np.mean(np.abs(errors) < 2.0) > 0.9
    assert np.mean(np.abs(errors) < 0.5) < 0.6


def test_a_whole_rate_is_exact_where_the_times_would_show_another(tmp_path):
    text = "\n".join(f"{k / 44100:.6f},{k % 7}" for k in range(20000))
    found = read(tmp_path, text, "x.csv")
    assert (found.sample_rate_hz, found.rate_uncertainty) == (44100, 0.0)
    # 45 ms in steps of 1 us show it to 1 Hz only, and every rate has a whole number that near
    short = read(tmp_path, text[: text.index("0.045")].rstrip("0.\n"), "x.csv")
    assert short.sample_rate_hz == 44100
    assert short.rate_uncertainty > 0.9 * 1e-6 / math.sqrt(6.0) / 0.045


def test_a_stated_rate_that_the_times_allow_for_is_taken(tmp_path):
    text = "\n".join(f"{k / 44000.37:.6f},{k % 7}" for k in range(2000))
    found = read(tmp_path, text, "x.csv", rate_hz=44000.37)
    assert (found.sample_rate_hz, found.rate_uncertainty) == (44000.37, 0.0)


def test_times_of_few_digits_are_those_of_the_stated_rate(tmp_path):
    """48 kHz to 10 us: the steps are 20 and 30 us, and none is missing."""
    lines = [f"{k / 48000:.5f},{k % 7}" for k in range(2000)]
    found = read(tmp_path, "\n".join(lines), "x.csv", rate_hz=48000.0)
    assert (found.sample_rate_hz, found.rate_uncertainty) == (48000.0, 0.0)
    with pytest.raises(Refused, match="even steps") as caught:
        read(tmp_path, "\n".join(["time,volts", *lines[:700], *lines[701:]]), "x.csv", rate_hz=48e3)
    assert caught.value.code == "time_base"


@pytest.mark.parametrize("heading", ["", "time,volts\n", "time in ms,volts\n"])
@pytest.mark.parametrize("form", [".4f", ".3f", ".4g"])
@pytest.mark.parametrize("start_s", [0.0, 0.37])
def test_times_coarser_than_a_sample_are_taken_where_they_agree_with_the_stated_rate(
    tmp_path, start_s, form, heading
):
    """48 kHz to 0.1 or 1 ms: several samples have the same time; a lost block shows all the same."""
    scale = 1e3 if "ms" in heading else 1.0
    rows = [f"{float(f'{start_s + k / 48000:{form}}') * scale!r},{k % 7}" for k in range(9000)]
    found = read(tmp_path, heading + "\n".join(rows), "x.csv", rate_hz=48e3)
    assert (found.sample_rate_hz, found.rate_uncertainty, found.size) == (48e3, 0.0, 9000)
    assert any("too few digits" in remark for remark in found.remarks)
    wrong = {
        "lost": (rows[:4000] + rows[4200:], 48e3),
        "another rate": (rows, 44.1e3),
        "backwards": (rows[:4000] + rows[3000:], 48e3),
    }
    for name, (kept, rate_hz) in wrong.items():
        with pytest.raises((CannotMeasure, Refused)) as caught:
            read(tmp_path, heading + "\n".join(kept), "x.csv", rate_hz=rate_hz)
        assert getattr(caught.value, "code", "") in ("time_base", "file"), name


def test_times_of_six_significant_digits_are_those_of_the_stated_rate(tmp_path):
    text = "time,volts\n" + "\n".join(f"{k / 48000:.6g},{k % 7}" for k in range(70000))
    assert read(tmp_path, text, "x.csv", rate_hz=48000.0).sample_rate_hz == 48000.0


def test_a_column_without_heading_that_counts_is_told_or_left_out(tmp_path):
    text = "\n".join(f"{k},{k * k}" for k in range(20))
    alone = read(tmp_path, text, "x.csv")
    assert alone.sample_rate_hz == 1.0
    assert "if it numbers the samples, state --rate" in alone.remarks[0]
    with_rate = read(tmp_path, text, "x.csv", rate_hz=48000.0)
    assert (with_rate.sample_rate_hz, with_rate.remarks) == (48000.0, ())
    assert with_rate.samples[0][3] == 9.0
    beside_times = "\n".join(f"{k},{k / 1000:.3f},{k % 7}" for k in range(20))
    found = read(tmp_path, beside_times, "x.csv")
    assert found.sample_rate_hz == 1000.0
    assert found.samples.shape == (1, 20)


def test_a_time_of_whole_seconds_stays_a_time(tmp_path):
    text = "Sample time,volts\n" + "\n".join(f"{k},{k % 7}" for k in range(20))
    assert read(tmp_path, text, "x.csv").sample_rate_hz == 1.0


def test_jitter_is_no_rounding(tmp_path):
    away = np.random.default_rng(1).uniform(-0.35, 0.35, 2000)
    text = "\n".join(f"{(k + away[k]) / 48000:.9f},{k % 7}" for k in range(2000))
    with pytest.raises(Refused, match="even steps") as caught:
        read(tmp_path, text, "x.csv", rate_hz=48000.0)
    assert caught.value.code == "time_base"


@pytest.mark.parametrize(
    "heading", ["sample", "Samples", "Index", "n", "#", "no.", "count", "point no"]
)
def test_a_column_that_numbers_the_samples_is_no_time(tmp_path, heading):
    text = f"{heading},volts\n" + "\n".join(f"{k},{k * k}" for k in range(20))
    found = read(tmp_path, text, "x.csv", rate_hz=48000.0)
    assert found.sample_rate_hz == 48000.0
    assert found.samples[0][3] == 9.0
    assert "has no times; state its sample rate" in refused(tmp_path, text, "x.csv").reason


def test_times_may_begin_anywhere(tmp_path):
    text = "\n".join(f"{-0.5 + k / 48000:.9f},{k % 7}" for k in range(2000))
    assert read(tmp_path, text, "x.csv").sample_rate_hz == 48000


@pytest.mark.parametrize("gap", ["", "nan", "NaN", "N/A", "-", "inf", "9.91E37", "-9.9e37"])
def test_what_is_missing_stays_missing(tmp_path, gap):
    lines = rows()
    lines[7] = f"0.007,{gap}"
    found = read(tmp_path, "\n".join(lines), "x.csv")
    assert np.flatnonzero(~np.isfinite(found.samples[0])).tolist() == [7]


def test_a_missing_first_value_is_no_heading(tmp_path):
    found = read(tmp_path, "nan\n1\n2\n", "x.csv", rate_hz=10.0)
    assert found.size == 3


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("0.007,abc", '"abc" is not a number'),
        ("0.007", "1 column; 2 expected"),
        ("0.007,1,2", "3 columns; 2 expected"),
        ("End of data", '"End of data" is not a number; take the line out'),
        ("0.007,1_000", '"1_000" is not a number'),
    ],
)
def test_a_mistake_in_the_text_is_told_with_its_line(tmp_path, line, message):
    lines = ["time,volts", *rows()]
    lines[8] = line
    refusal = refused(tmp_path, "\n".join(lines), "x.csv")
    assert refusal.code == "file"
    (error,) = refusal.errors
    assert (error.place.line, error.source_line) == (9, line)
    assert message in error.message


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("", "is empty"),
        ("\n\n", "no line of numbers"),
        ("time,volts\n", "no line of numbers"),
        ("hello\nworld\n", "no line of numbers"),
        ("x\n" * 200, "among its first 100"),
        ("1,2,3,4\n5,6,7,8\n", "4 columns"),
        ("0,001,0,5\n0,002,0,6\n", "if its commas are decimal commas"),
        ("1;1,000\n2;2,000\n", "x.csv:1:1: a comma before three digits"),
        ("0.1;999.5\n0.2;1,000.5\n", 'x.csv:2:1: "1,000.5" has a comma beside decimal points'),
        ("0.1;1,000.5\n0.2;999.5\n", 'x.csv:1:1: "1,000.5" has a mark between its thousands'),
        ("0,1;1.000,5\n0,2;999,5\n", 'x.csv:1:1: "1.000,5" has a mark between its thousands'),
        ("t;v\n0.1\t1,000.5\n0.2\t9.5\n", 'x.csv:2:1: "1,000.5" has a mark between its'),
        ("0.1;1,000,000\n0.2;9\n", 'x.csv:1:1: "1,000,000" has a mark between its thousands'),
        ("0.1;1'000.5\n0.2;9.5\n", 'x.csv:1:1: "1\'000.5" has a mark between its thousands'),
        ("0.1;1 000.5\n0.2;9.5\n", 'x.csv:1:1: "1 000.5" has a mark between its thousands'),
        ("0,5,000\n0.001,5,001\n", "x.csv:1:1: a comma before three digits may set columns or"),
        ('0,"5,000"\n0.001,"5,001"\n', "x.csv:1:1: a comma before three digits may set columns"),
        ("0,-5,000.5\n0.001,-5,001.5\n", "x.csv:1:1: a comma before three digits may set"),
        ("t,mV\n0,5,000\n0.001,5,001\n", 'if the comma in "5,000" stands between thousands'),
        ("mV\n5,000\n5,001\n", 'if the comma in "5,000" stands between thousands'),
        (
            't,v\n0,999.5\n1,"1,290.3"\n',
            "x.csv:3:1: 3 columns; 2 expected as in the lines before; ",
        ),
        ('t,v\n0,999.5\n1,"1,290.3"\n', 'if the comma in "1,290.3" stands between thousands'),
        ("0,1,290.3\n1,,\n2,999.5\n", 'if the comma in "1,290.3" stands between thousands'),
        ("0,1\nabc,def\n", '"abc,def" is not a number'),
        ("t;v\n0,1;5\n0,2;1.290\n", 'x.csv:3:1: "1.290" has a point beside decimal commas'),
        ("t;v\n0;5\n0,2;1.290,5\n", 'x.csv:3:1: "1.290,5" has a point beside decimal commas'),
        ("0.1 1,234,000.5\n0.2 9.5\n", 'x.csv:1:1: "1,234,000.5" has a mark between its'),
        ("t,v\n0 s,1 V\n1 s,2 V\n", 'x.csv:2:1: "0 s" is not a number; write times in seconds'),
        ("time (ms) CH1 of 2\n0 1\n1 2\n", "x.csv:1:1: 4 headings for 2 columns"),
        (b"\x00\x01\x02\x03", "not a text file"),
        (b"\x89PNG\r\n\x1a\n\0\0", "not a text file"),
        (GOOD, "belongs into a .wav file"),
    ],
)
def test_text_that_can_t_be_used(tmp_path, content, words):
    refusal = refused(tmp_path, content, "x.csv")
    assert refusal.code == "file"
    assert words in refusal.reason


@pytest.mark.parametrize(
    ("content", "pair"),
    [
        ("0,5.2,123\n0.001,5.3,124\n", (5.2, 123.0)),
        ("0,1,100\n0.001,12,99\n", (1.0, 100.0)),  # in one of its lines it is no thousands
        ("0,0,100\n0.001,0,101\n", (0.0, 100.0)),
        ("0,1,-100\n0.001,2,-101\n", (1.0, -100.0)),
        ("0,1500,100\n0.001,1501,101\n", (1500.0, 100.0)),
        ("t,a,b\n0,5,100\n0.001,5,101\n", (5.0, 100.0)),  # named, they are two
    ],
)
def test_columns_before_three_digits_are_read(tmp_path, content, pair):
    samples = read(tmp_path, content, "x.csv", is_pair=True).samples
    assert (samples[0, 0], samples[1, 0]) == pair


@given(st.binary(max_size=300))
@settings(max_examples=200, deadline=None)
def test_any_bytes_as_text_are_read_or_refused(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("any") / "x.csv"
    path.write_bytes(content)
    try:
        found = read_recording(path, Wanted(rate_hz=1000.0))
    except (Refused, CannotMeasure):
        return
    assert found.samples.shape[0] <= 2


# Captures of a run.


def capture(samples=None, **changed):
    about = {"name": "output", "role": "analyser", "sample_rate_hz": 48000.0, "range_peak_v": 10.0}
    volts = np.array([[0.5, -0.5, 0.25]]) if samples is None else samples
    return Capture(samples=volts, **{**about, **changed})


def test_a_capture_of_a_run(tmp_path):
    found = read(tmp_path, capture_bytes(capture()), "x.npz")
    assert found.samples.tolist() == [[0.5, -0.5, 0.25]]
    assert (found.sample_rate_hz, found.range_peak_v) == (48000, 10)
    assert found.overrange_of(0) == ""


def test_what_the_instrument_said_of_its_range_is_kept(tmp_path):
    found = read(tmp_path, capture_bytes(capture(is_overrange=True)), "x.npz")
    assert "range was exceeded" in found.overrange_of(0)


def test_the_steps_record_the_drive_second(tmp_path):
    """The analyser's first channel is always the output (as the steps leave it in the record)."""
    pair = np.array([[1.0, 2.0, 3.0], [0.1, 0.2, 0.3]])
    by_step = capture(pair, facts={"emf_vrms": 0.1})
    assert read(tmp_path, capture_bytes(by_step), "x.npz").drive == 1
    assert read(tmp_path, capture_bytes(capture(pair)), "x.npz").drive == 0


def zipped(**files):
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return buffer.getvalue()


def foreign(**arrays):
    buffer = io.BytesIO()
    np.savez(buffer, **arrays)
    return buffer.getvalue()


WHOLE = capture_bytes(capture())


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"garbage",
        WHOLE[:100],
        WHOLE[: len(WHOLE) // 2],
        zipped(),
        zipped(a=b"x"),
        foreign(samples=np.zeros((1, 3))),
        foreign(samples=np.zeros((1, 3)), about=np.array("{}")),
        foreign(samples=np.zeros((1, 3)), about=np.array("[1, 2]")),
        foreign(samples=np.array([["a"]]), about=np.array("{}")),
        foreign(samples=np.array([None], dtype=object), about=np.array("{}")),
        capture_bytes(capture(sample_rate_hz=0.0)),
        capture_bytes(capture(sample_rate_hz=-1.0)),
        capture_bytes(capture(sample_rate_hz="fast")),
        capture_bytes(capture(range_peak_v="wide")),
        capture_bytes(capture(np.zeros((3, 4)))),
        capture_bytes(capture(np.zeros(4))),
    ],
    ids=range(17),
)
def test_an_npz_that_can_t_be_used(tmp_path, content):
    assert refused(tmp_path, content, "x.npz").code == "file"


def test_an_archive_may_not_unpack_to_gigabytes(tmp_path, monkeypatch):
    monkeypatch.setattr(capture_files, "MOST_BYTES", 1000)
    bomb = zipped(**{"samples.npy": b"\0" * 100_000, "about.npy": b""})
    assert len(bomb) < 1000
    assert "unpacks to 100000 bytes" in refused(tmp_path, bomb, "x.npz").reason


# Files as such.


@pytest.mark.parametrize("name", ["x.txt", "x", "x.wav.bak", "x.flac"])
def test_an_unknown_ending_is_refused(tmp_path, name):
    assert "known are .wav, .csv and .npz" in refused(tmp_path, GOOD, name).reason


def test_the_ending_may_be_in_capitals(tmp_path):
    assert read(tmp_path, GOOD, "X.WAV").size == 100


@pytest.mark.parametrize(("name", "content"), [("x.csv", WHOLE), ("x.wav", WHOLE), ("x.npz", GOOD)])
def test_a_wrong_ending_is_told(tmp_path, name, content):
    assert "belongs into a" in refused(tmp_path, content, name).reason


def test_there_must_be_a_file(tmp_path):
    for path, words in ((tmp_path / "none.wav", "no such file"), (tmp_path, "is a folder")):
        with pytest.raises(Refused, match=words):
            read_recording(path, Wanted())
    folder = tmp_path / "folder.wav"
    folder.mkdir()
    with pytest.raises(Refused, match="is a folder"):
        read_recording(folder, Wanted())


def test_a_file_may_not_be_too_large(tmp_path, monkeypatch):
    monkeypatch.setattr(capture_files, "MOST_BYTES", 100)
    assert "at most 100" in refused(tmp_path, GOOD).reason


@pytest.mark.parametrize(("name", "content"), [("x.csv", "1\n2\n"), ("x.npz", WHOLE)])
def test_a_scale_is_for_wav_files(tmp_path, name, content):
    refusal = refused(tmp_path, content, name, full_scale_v=1.0, rate_hz=48000.0)
    assert (refusal.code, "--scale" in refusal.reason) == ("argument", True)


@pytest.mark.parametrize(
    ("rate", "is_right"), [(48000, True), (48004.7, True), (48004.9, False), (44100, False)]
)
@pytest.mark.parametrize("name", ["x.wav", "x.npz", "x.csv"])
def test_the_stated_rate_must_agree_to_a_hundredth_of_a_per_cent(tmp_path, name, rate, is_right):
    times = "\n".join(f"{k / 48000:.9f},{k % 7}" for k in range(2000))
    content = {"x.wav": GOOD, "x.npz": WHOLE, "x.csv": times.encode()}[name]
    if is_right:
        assert read(tmp_path, content, name, rate_hz=rate).sample_rate_hz == 48000
    else:
        with pytest.raises(CannotMeasure) as caught:
            read(tmp_path, content, name, rate_hz=rate)
        assert caught.value.code == "rate_mismatch"
