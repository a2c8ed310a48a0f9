"""Sound files to recordings and back: the samples as they are, never resampled, normalised or mixed."""

from tapewright.audio.reader import AudioFile, load, open_audio
from tapewright.audio.writer import AudioWriter, check_audio_output, create_audio

__all__ = ["AudioFile", "AudioWriter", "check_audio_output", "create_audio", "load", "open_audio"]
