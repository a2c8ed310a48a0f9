"""The errors a user can cause, and what each one carries.

The tree::

    TapewrightError
    |-- InputError          something handed to us cannot be used
    |   |-- AudioError      a recording: missing, empty, truncated, not audio
    |   |-- SignalError     samples that are not finite, or an absurd sample rate
    |   |-- ImageError      program bytes: not a hex file, bad checksum, overlapping ranges
    |   `-- CardError       a format, machine or rig card
    |-- OutputError         a file cannot be written, or is there already
    `-- UsageError          the request contradicts itself

Every message is one plain sentence that says what is wrong, where, and what to do. Surfaces print it and
exit with code 2; nothing else is printed.
"""

from __future__ import annotations

__all__ = [
    "AudioError",
    "CardError",
    "ImageError",
    "InputError",
    "OutputError",
    "SignalError",
    "TapewrightError",
    "UsageError",
]


class TapewrightError(Exception):
    """Base of everything a user can cause; ``str()`` is one plain sentence."""


class InputError(TapewrightError):
    """Something handed to us cannot be used.

    Attributes
    ----------
    path : str or None
        The file at fault, where there is one.
    """

    def __init__(self, message: str, *, path: str | None = None) -> None:
        super().__init__(message)
        self.path = path


class AudioError(InputError):
    """A recording is missing, empty, truncated, or not audio."""


class SignalError(InputError):
    """Samples that are not finite, or a sample rate nothing can be read at."""


class ImageError(InputError):
    """Program bytes that cannot be understood."""


class CardError(InputError):
    """A card breaks the rules of its kind.

    Attributes
    ----------
    key : str or None
        Where in the card, as a key path such as ``block[0].layout[3].type``.
    """

    def __init__(self, message: str, *, path: str | None = None, key: str | None = None) -> None:
        super().__init__(message, path=path)
        self.key = key


class OutputError(TapewrightError):
    """A file cannot be written, or is there already and ``--force`` was not given."""


class UsageError(TapewrightError):
    """The request contradicts itself or lacks something."""
