"""The library of built-in test procedures: plain YAML files beside this module."""
