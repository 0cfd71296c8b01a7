"""Why an instrument can't be reached, in words."""

import errno
import os
import socket

import pytest

from drivers.reaching import why_unreached

SOCKET = "TCPIP0::192.168.1.20::5025::SOCKET"
INSTR = "TCPIP::scope.local::INSTR"


def _system(number):
    return OSError(number, os.strerror(number))


@pytest.mark.parametrize(
    ("address", "error", "words"),
    [
        (SOCKET, _system(errno.ECONNREFUSED), "nothing listens at 192.168.1.20 port 5025: is the"),
        # pyvisa-py passes on no more than the system's words (seen with 0.8).
        (
            INSTR,
            Exception("[Errno 111] Connection refused"),
            "nothing listens at scope.local: is the",
        ),
        (SOCKET, _system(errno.EHOSTUNREACH), "no way leads to 192.168.1.20 port 5025: is the"),
        (
            INSTR,
            socket.gaierror(socket.EAI_NONAME, "Name or service not known"),
            "scope.local is no name of a machine here",
        ),
        (
            "USB0::1::2::SN::INSTR",
            ValueError("Please install PyUSB to use this resource type.\nNo module named 'usb'"),
            'needs the Python package "pyusb"; install it (pip install pyusb)',
        ),
        ("ASRL1::INSTR", ValueError("Please install PySerial (>=3.0)"), "pip install pyserial"),
        (
            "GPIB0::9::INSTR",
            ValueError("Please install linux-gpib (Linux)"),
            "pip install gpib-ctypes",
        ),
        (SOCKET, Exception("odd\nthing"), "the connection could not be opened (odd thing)"),
        (SOCKET, Exception(), "the connection could not be opened (Exception)"),
    ],
)
def test_the_words_lead_to_the_cause(address, error, words):
    told = why_unreached(address, error)
    assert words in told
    assert "\n" not in told
    assert "Errno" not in told
