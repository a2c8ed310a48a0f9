"""The frozen nouns every other package speaks in. Knows numpy only."""

from tapewright.model.errors import (
    AudioError,
    CardError,
    ImageError,
    InputError,
    OutputError,
    SignalError,
    TapewrightError,
    UsageError,
)
from tapewright.model.image import Image, Range
from tapewright.model.layers import GAP, ByteRun, Symbols
from tapewright.model.place import Fault, Span
from tapewright.model.reading import Block, Reading, Source
from tapewright.model.recording import AudioSource, Recording, Samples
from tapewright.model.stretch import STAGES, STRETCH_KINDS, Stretch
from tapewright.model.tape import TapePart
from tapewright.model.wave import HALF, LEVEL, SILENCE, TONE, Wave

__all__ = [
    "GAP",
    "HALF",
    "LEVEL",
    "SILENCE",
    "STAGES",
    "STRETCH_KINDS",
    "TONE",
    "AudioError",
    "AudioSource",
    "Block",
    "ByteRun",
    "CardError",
    "Fault",
    "Image",
    "ImageError",
    "InputError",
    "OutputError",
    "Range",
    "Reading",
    "Recording",
    "Samples",
    "SignalError",
    "Source",
    "Span",
    "Stretch",
    "Symbols",
    "TapePart",
    "TapewrightError",
    "UsageError",
    "Wave",
]
