"""A simulated bench: SCPI servers in front of one simulated amplifier pair."""
