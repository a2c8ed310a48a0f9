"""Tapewright saves programs of vintage computers as sound, and gets them back.

>>> import tapewright as tw
>>> tape = tw.synthesize(b"HELLO", format="kcs-300")
>>> tw.read(tape, format="kcs-300").image.ranges[0].data
b'HELLO'
"""

from tapewright.audio import load as load_audio
from tapewright.cards import FormatCard, MachineCard, format_names, load_format, load_machine, machine_names
from tapewright.chain import Verdict, Written, read, synthesize, verify, write
from tapewright.image import Comparison, compare, load_image, save_image
from tapewright.model import (
    AudioError,
    Block,
    CardError,
    Fault,
    Image,
    ImageError,
    InputError,
    OutputError,
    Range,
    Reading,
    Recording,
    SignalError,
    Span,
    TapewrightError,
    UsageError,
)

__version__ = "0.1.0"

__all__ = [
    "AudioError",
    "Block",
    "CardError",
    "Comparison",
    "Fault",
    "FormatCard",
    "Image",
    "ImageError",
    "InputError",
    "MachineCard",
    "OutputError",
    "Range",
    "Reading",
    "Recording",
    "SignalError",
    "Span",
    "TapewrightError",
    "UsageError",
    "Verdict",
    "Written",
    "compare",
    "format_names",
    "load_audio",
    "load_format",
    "load_image",
    "load_machine",
    "machine_names",
    "read",
    "save_image",
    "synthesize",
    "verify",
    "write",
]
