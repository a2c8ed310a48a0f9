"""A compact-cassette recorder and its tape, good or worn: Recording to Recording."""

from tapewright.channel.capture import digitise
from tapewright.channel.codec import available_codecs, through_codec
from tapewright.channel.description import describe
from tapewright.channel.noise import add_noise
from tapewright.channel.play import play
from tapewright.channel.settings import CassetteChannel, FlutterTone, LevelStep

__all__ = [
    "CassetteChannel",
    "FlutterTone",
    "LevelStep",
    "add_noise",
    "available_codecs",
    "describe",
    "digitise",
    "play",
    "through_codec",
]
