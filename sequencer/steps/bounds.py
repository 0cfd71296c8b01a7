"""Times and frequencies of settings that can be meant (common practice, no source)."""

from typing import Annotated

from sequencer.quantities import PositiveDuration, PositiveFrequency, at_least, at_most

# A shorter record holds nothing worth analysing.
RecordTime = Annotated[PositiveDuration, at_least("50 ms", "time")]
# Sooner after a drive, the output is not silent yet.
SettleTime = Annotated[PositiveDuration, at_least("100 ms", "time")]
# A unit's own output relay closes seconds after the mains: before that, its DC can't be seen.
SwitchOnTime = Annotated[PositiveDuration, at_least("1 s", "time")]
# Less warms nothing.
WarmUpTime = Annotated[PositiveDuration, at_least("1 min", "time")]
# Below, a tone is all but DC at a loudspeaker terminal.
ToneFrequency = Annotated[PositiveFrequency, at_least("5 Hz", "frequency")]
SweptFrequency = Annotated[PositiveFrequency, at_least("1 Hz", "frequency")]
# Held for minutes, a higher one burns the network at a unit's output.
WarmUpFrequency = Annotated[ToneFrequency, at_most("5 kHz", "frequency")]
