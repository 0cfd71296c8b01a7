"""Pure computation: arrays in, numbers out. Knows no instrument, no file, no clock."""
