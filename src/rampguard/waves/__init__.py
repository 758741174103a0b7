"""`rampguard waveforms`: what was kept around events, told cycle by cycle, drawn, and exported."""
