"""Tapewright saves programs of vintage computers as sound, and gets them back.

>>> import tapewright as tw
>>> tape = tw.synthesize(b"HELLO", format="kcs-300")
>>> tw.read(tape, format="kcs-300").image.ranges[0].data
b'HELLO'
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tapewright.audio import load as load_audio
    from tapewright.cards import (
        FormatCard,
        MachineCard,
        format_names,
        load_format,
        load_machine,
        machine_names,
    )
    from tapewright.chain.lesson import Lesson, learn_format
    from tapewright.chain.read import read
    from tapewright.chain.verify import Verdict, verify
    from tapewright.chain.write import Written, synthesize, write
    from tapewright.image import Comparison, compare, load_image, save_image
    from tapewright.line import Listener
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
    "Lesson",
    "Listener",
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
    "learn_format",
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

#: Where each name lives. They are imported when first used: the receiver takes seconds to load, and help,
#: cards and mistakes must not wait for it.
_HOMES = {
    "audio": ["load_audio"],
    "cards": ["FormatCard", "MachineCard", "format_names", "load_format", "load_machine", "machine_names"],
    "chain": ["Verdict", "Written", "read", "synthesize", "verify", "write"],
    "chain.lesson": ["Lesson", "learn_format"],
    "image": ["Comparison", "compare", "load_image", "save_image"],
    "line": ["Listener"],
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    home = import_module(f"tapewright.{_HOME_OF.get(name, 'model')}")
    value = getattr(home, "load" if name == "load_audio" else name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
