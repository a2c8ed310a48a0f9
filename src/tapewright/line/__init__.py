"""Stage: waveform to and from symbols."""
