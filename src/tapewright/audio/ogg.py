"""The wholeness of Ogg files, whose decoders pass over damaged and missing pages without a word.

References
----------
RFC 3533, The Ogg Encapsulation Format Version 0, section 6: the page header, its checksum and its flags.
"""

from __future__ import annotations

from pathlib import Path

import anycrc

from tapewright.audio.decoder import cut_short
from tapewright.model import Fault

__all__ = ["ogg_faults"]

_LAST_PAGE = 0x04
_HEADER_BYTES = 27


def ogg_faults(path: str, seconds: float) -> tuple[Fault, ...]:
    """Check every page of an Ogg file; any other file has no faults here.

    Parameters
    ----------
    path : str
    seconds : float
        Where the audio that was read ends, for the fault that it ends there too soon.

    Returns
    -------
    tuple of Fault
        ``damage`` if a page is not what was written, ``truncated`` if the last page is not marked as last.
    """
    crc = anycrc.CRC(width=32, poly=0x04C11DB7, init=0, refin=False, refout=False, xorout=0)
    bad_pages = 0
    is_ended = True
    with Path(path).open("rb") as file:
        if file.read(4) != b"OggS":
            return ()
        file.seek(0)
        while header := file.read(_HEADER_BYTES):
            is_ended = False
            if len(header) < _HEADER_BYTES or header[:4] != b"OggS":
                bad_pages += len(header) == _HEADER_BYTES
                break
            sizes = file.read(header[26])
            body = file.read(sum(sizes))
            if len(body) < sum(sizes) or len(sizes) < header[26]:
                break
            page = header[:22] + bytes(4) + header[26:] + sizes + body  # the checksum counts as zero
            if crc.calc(page) != int.from_bytes(header[22:26], "little"):
                bad_pages += 1
            is_ended = bool(header[5] & _LAST_PAGE)
    if bad_pages:
        text = f"{bad_pages} page(s) of the file are damaged; what was lost there is left out or wrong"
        return (Fault("damage", text, remedy="copy or download the file again"),)
    if not is_ended:
        return (cut_short(seconds, "the mark of the end of the stream is not there"),)
    return ()
