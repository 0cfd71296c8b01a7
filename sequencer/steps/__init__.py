"""Kinds of step: one module each, registered by name."""
