"""Instrument roles and the drivers that fill them."""
