"""Automated bench tests for serviced audio power amplifiers."""

__version__ = "0.1.0"
