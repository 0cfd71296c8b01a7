"""A recorded capture from its file: .wav, .csv, or .npz of a run's folder."""

import math
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from types import MappingProxyType

import numpy as np

from sequencer.analysis.checks import require_rate
from sequencer.analysis.errors import CannotMeasure
from sequencer.captures import Capture
from sequencer.csv_files import FILE_CODE, read_csv
from sequencer.errors import Refused, printable
from sequencer.journal import capture_from_bytes
from sequencer.recordings import MOST_SAMPLES, Recording
from sequencer.wav_files import NotWav, read_wav

MOST_BYTES = 2**30
FEWEST_SAMPLES = 2
# The steps record the output first and what drives it second.
_DRIVE_OF_STEPS = 1
_FIRST_NAME = 200  # bytes, in which an archive names its first file
_LOOKED_AT = 1000
_SAVE_TEXT = "save its columns of numbers as text, .csv"
_SAVE_WAV = "save it as a WAV file of 16, 24 or 32 bit integers"
_RECORD_WAV = "its compression has changed the signal: record again as an uncompressed WAV file"
# First bytes, what has them, what to do. FLAC: IETF RFC 9639, section 6; Ogg: RFC 3533, section 6;
# AIFF: EA IFF 85; ID3v2 (of MPEG layer 3), compound documents, NumPy: their own specifications.
_OTHER_KINDS = MappingProxyType(
    {
        b"fLaC": ("a FLAC file", _SAVE_WAV),
        b"FORM": ("an AIFF file", _SAVE_WAV),
        b"OggS": ("an Ogg file", _RECORD_WAV),
        b"ID3": ("an MPEG layer 3 file", _RECORD_WAV),
        b"\xd0\xcf\x11\xe0": ("a spreadsheet or another document", _SAVE_TEXT),
        b"\x93NUMPY": ("a bare array of numbers", _SAVE_TEXT),
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What is known of a file beforehand: volts of a WAV's full scale, sample rate, channels."""

    full_scale_v: float | None = None
    rate_hz: float | None = None
    is_pair: bool = False


def read_recording(path: Path, wanted: Wanted) -> Recording:
    """The recording in a file, by its ending.

    Raises Refused (code "file" or "argument") for a file that can't be read, and CannotMeasure:
    time_base for uneven times, rate_mismatch for a rate other than the stated one, too_short for
    a file without samples.
    """
    name = printable(str(path))
    _require_no_folder(path, name)
    read = _READERS.get(path.suffix.lower())
    if read is None:
        raise _refused(
            f'{name}: unknown ending "{printable(path.suffix, 20)}"; known are .wav, .csv and .npz: '
            "name columns of numbers .csv, save sound of another format as a WAV file"
        )
    if wanted.full_scale_v is not None and path.suffix.lower() != ".wav":
        raise Refused(
            f"--scale: only a WAV file needs it, {name} is in volts already; leave it out",
            code="argument",
        )
    content = _content(path, name)
    _require_ending(content, path.suffix.lower(), name)
    recording = read(content, name, wanted)
    if recording.size < FEWEST_SAMPLES:
        plural = "" if recording.size == 1 else "s"
        raise CannotMeasure(
            "too_short", f"it holds {recording.size} sample{plural} a channel", "record again"
        )
    if wanted.rate_hz is not None:
        require_rate(recording.sample_rate_hz, wanted.rate_hz)
    return recording


def _refused(reason: str) -> Refused:
    return Refused(reason, code=FILE_CODE)


def _require_no_folder(path: Path, name: str) -> None:
    """Before anything is said of an ending, which a folder has none of."""
    try:
        is_folder = path.is_dir()
    except (OSError, ValueError):
        return  # reading it will tell
    if is_folder:
        raise _refused(f"{name} is a folder; give a capture's file")


def _content(path: Path, name: str) -> bytes:
    try:
        if not path.exists():
            raise _refused(f"{name}: there is no such file")
        if not path.is_file():
            raise _refused(f"{name} is not a plain file")
        size = path.stat().st_size
        if size > MOST_BYTES:
            raise _refused(f"{name} has {size} bytes; at most {MOST_BYTES} can be analysed")
        content = path.read_bytes()
    except (OSError, ValueError) as error:
        problem = error.strerror if isinstance(error, OSError) else str(error)
        raise _refused(f"{name} can't be read: {problem}") from error
    if not content:
        raise _refused(f"{name} is empty")
    return content


def _require_ending(content: bytes, ending: str, name: str) -> None:
    """Refuse a file that is plainly another kind than its name says."""
    is_binary = b"\0" in content[:_LOOKED_AT]  # a heading of a text may begin with the same letters
    for begin, (what, remedy) in _OTHER_KINDS.items():
        if is_binary and content.startswith(begin):
            raise _refused(f"{name} is {what}; {remedy}")
    begins = {b"RIFF": ".wav", b"PK\x03\x04": ".npz"}.get(content[:4])
    if begins == ".npz" and b".npy" not in content[:_FIRST_NAME]:
        if ending != ".npz":
            raise _refused(f"{name} is a spreadsheet or another archive; {_SAVE_TEXT}")
    elif begins is not None and begins != ending:
        raise _refused(f"{name} holds what belongs into a {begins} file; name it so")
    elif ending != ".csv" and begins is None and _is_text(content):
        raise _refused(f"{name} holds text; if that is columns of numbers, name it .csv")


def _is_text(content: bytes) -> bool:
    """Whether a file begins with letters and lines alone."""
    first = content[:_LOOKED_AT]
    return first.isascii() and all(byte >= 0x20 or byte in b"\t\r\n" for byte in first)


def _wav(content: bytes, name: str, wanted: Wanted) -> Recording:
    scale_v = 1.0 if wanted.full_scale_v is None else wanted.full_scale_v
    try:
        return read_wav(content, scale_v)
    except NotWav as error:
        raise _refused(f"{name} {error}") from error


def _csv(content: bytes, name: str, wanted: Wanted) -> Recording:
    return read_csv(content, name, rate_hz=wanted.rate_hz, wants_pair=wanted.is_pair)


def _npz(content: bytes, name: str, wanted: Wanted) -> Recording:
    try:
        _require_size(content)
        capture = capture_from_bytes(content)
        _require_record(capture)
    except (RuntimeError, zipfile.BadZipFile, zlib.error) as error:
        raise _refused(
            f"{name} is damaged, encrypted or no capture of a run; copy it once more from the run's "
            "folder"
        ) from error
    except ValueError as error:
        raise _refused(
            f"{name} can't be used: {error}; samples from elsewhere are read from .wav and .csv"
        ) from error
    said = "the instrument reports that its range was exceeded" if capture.is_overrange else ""
    channels = capture.samples.shape[0]
    return Recording(
        samples=capture.samples,
        sample_rate_hz=float(capture.sample_rate_hz),
        range_peak_v=capture.range_peak_v,
        overrange=(said,) * channels,
        drive=_DRIVE_OF_STEPS if channels > 1 and _is_of_a_step(capture) else 0,
    )


def _is_of_a_step(capture: Capture) -> bool:
    return capture.role == "analyser" and "emf_vrms" in capture.facts


def _require_size(content: bytes) -> None:
    """Refuse an archive that would unpack to more than can be analysed.

    Raises ValueError.
    """
    with zipfile.ZipFile(BytesIO(content)) as archive:
        size = sum(each.file_size for each in archive.infolist())
    if size > MOST_BYTES:
        raise ValueError(f"it unpacks to {size} bytes; at most {MOST_BYTES} can be analysed")


def _require_record(capture: Capture) -> None:
    """Refuse single readings, and a description that makes no sense.

    Raises ValueError.
    """
    rate, range_v, shape = capture.sample_rate_hz, capture.range_peak_v, capture.samples.shape
    numbers = [rate] if range_v is None else [rate, range_v]
    if not all(isinstance(each, int | float) and math.isfinite(each) for each in numbers):
        raise ValueError("its sample rate or range is not a number")
    if rate == 0.0:
        raise ValueError(
            f"it holds single readings of the {printable(str(capture.role))}, no record"
        )
    if rate < 0.0 or len(shape) != 2 or not 1 <= shape[0] <= 2 or shape[1] > MOST_SAMPLES:
        raise ValueError(f"it holds {shape} samples at {rate:g} samples/s")
    if not np.issubdtype(capture.samples.dtype, np.floating):
        raise ValueError("its samples are no numbers")


_READERS: MappingProxyType[str, Callable[[bytes, str, Wanted], Recording]] = MappingProxyType(
    {".wav": _wav, ".csv": _csv, ".npz": _npz}
)
