"""Image to audio: blocks, framing, line, and a machine's output stage where one is asked for."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from tapewright import audio, blocks, framing, line
from tapewright.cards import Alphabet, FormatCard, MachineCard, load_format, load_machine
from tapewright.cards.layout import FieldItem, TextField
from tapewright.image import load_image
from tapewright.machine import coupled, port_levels
from tapewright.machine.output import node_volts
from tapewright.model import Image, Recording, Samples, UsageError, Wave
from tapewright.model.recording import check_format

if TYPE_CHECKING:
    from tapewright.machine.fitted import Fitting, Shape

__all__ = ["Written", "sound_of", "synthesize", "write"]

ImageLike = Image | bytes | str | os.PathLike[str]

#: Silence before and after a program, so that no player cuts into it.
EDGE_SECONDS = 0.5
#: Square edges overshoot when band-limited; above this level they would clip.
HIGHEST_LEVEL = 0.8


@dataclass(frozen=True)
class Written:
    """What :func:`write` made.

    Parameters
    ----------
    path : str
    format : str
    seconds : float
    rate_hz : float
    byte_count : int
        Program bytes in each copy.
    fitting : Fitting or None
        What fitting the sound to the machine came to, where that was asked for.
    not_on_tape : tuple of str
        Which of ``name``, ``start`` and ``run`` were given though the format has no place for them.
    outside_memory : int
        Program bytes that belong where the machine has no memory for programs, as its card says.
    """

    path: str
    format: str
    seconds: float
    rate_hz: float
    byte_count: int
    fitting: Fitting | None = None
    not_on_tape: tuple[str, ...] = ()
    outside_memory: int = 0


def write(
    image: ImageLike,
    path: str | os.PathLike[str],
    *,
    format: str | Path | FormatCard | None = None,
    machine: str | Path | MachineCard | None = None,
    start: int | None = None,
    rate_hz: float = 44_100,
    encoding: str = "pcm16",
    level: float = 0.6,
    inverted: bool = False,
    copies: int = 1,
    pause_seconds: float = 2.0,
    name: str | None = None,
    run: int | None = None,
    fit: str | None = None,
    force: bool = False,
) -> Written:
    """Write a program as a sound file, streaming.

    Parameters
    ----------
    image : Image, bytes, or path of a program file
    path : path
        Ends in ``.wav`` or ``.flac``; appears whole or not at all.
    format : str, path or FormatCard
        May be left out where `machine` is given: its card names the format.
    machine : str, path or MachineCard, optional
        Shape the waveform as this machine's output stage would.
    start : int, optional
        Address of the first byte, for an image that does not say or to move it.
    rate_hz : float
        8 to 192 kHz.
    encoding : {"pcm16", "pcm24", "float32"}
    level : float
        Peak, full scale 1; at most 0.8.
    inverted : bool
        Turn the waveform upside down.
    copies, pause_seconds, name, run
        See `tapewright.blocks.encode`.
    fit : {"direct", "tape"}, optional
        Design the sound for the input stage of `machine`, played straight to it or from a tape it is recorded
        on, instead of shaping it as the output stage would.
    force : bool
        Whether an existing file may be replaced.

    Returns
    -------
    Written

    Raises
    ------
    TapewrightError
        One sentence that says what to change.
    """
    card, stage_card = _cards(format, machine)
    program = _image(image, start)
    audio.check_audio_output(path, rate_hz, 1, encoding, force=force)
    fitting = _fitting(program, card, stage_card, fit, name, run)
    shape = fitting.shape if fitting is not None else None
    chunks = _chunks(
        program, card, stage_card, rate_hz, level, inverted, copies, pause_seconds, name, run, shape
    )
    with audio.create_audio(path, rate_hz, 1, encoding, force=force) as out:
        for chunk in chunks:
            out.write(chunk)
        seconds = out.seconds
    given = {"name": name, "start": start, "run": run}
    homeless = tuple(what for what, value in given.items() if value is not None and not _tells(card, what))
    outside = _outside_memory(program, stage_card)
    return Written(
        os.fspath(path), card.name, seconds, float(rate_hz), len(program), fitting, homeless, outside
    )


def _outside_memory(program: Image, machine: MachineCard | None) -> int:
    if machine is None or machine.memory is None:
        return 0
    first, last = machine.memory.programs
    placed = [(piece.address, len(piece)) for piece in program if piece.address is not None]
    return sum(length - max(0, min(start + length, last + 1) - max(start, first)) for start, length in placed)


def _tells(card: FormatCard, what: str) -> bool:
    """Whether a format has a place on tape for the name, or for an address."""
    if what == "start":
        return card.carries_addresses
    items = [item for block in card.block for item in block.layout]
    if what == "name":
        return any(isinstance(item, TextField) for item in items)
    fields = [item for item in items if isinstance(item, FieldItem)]
    return any(what in (item.value.names if item.value is not None else {item.field}) for item in fields)


def synthesize(
    image: ImageLike,
    *,
    format: str | Path | FormatCard | None = None,
    machine: str | Path | MachineCard | None = None,
    start: int | None = None,
    rate_hz: float = 44_100,
    level: float = 0.6,
    inverted: bool = False,
    copies: int = 1,
    pause_seconds: float = 2.0,
    name: str | None = None,
    run: int | None = None,
    fit: str | None = None,
) -> Recording:
    """Do the same as :func:`write`, into memory.

    Returns
    -------
    Recording
        One channel.
    """
    card, stage_card = _cards(format, machine)
    program = _image(image, start)
    fitting = _fitting(program, card, stage_card, fit, name, run)
    shape = fitting.shape if fitting is not None else None
    chunks = _chunks(
        program, card, stage_card, rate_hz, level, inverted, copies, pause_seconds, name, run, shape
    )
    return Recording(np.concatenate(list(chunks)), rate_hz, history=(f"written as {card.name}",))


def _cards(
    format: str | Path | FormatCard | None, machine: str | Path | MachineCard | None
) -> tuple[FormatCard, MachineCard | None]:
    stage_card = load_machine(machine) if machine is not None else None
    if format is None:
        if stage_card is None:
            raise UsageError(
                "say which format to write; give a format card, or a machine card that names one"
            )
        format = stage_card.format
    return load_format(format), stage_card


def _fitting(
    program: Image, card: FormatCard, machine: MachineCard | None, fit: str | None, name: str | None,
    run: int | None,
) -> Fitting | None:  # fmt: skip
    if fit is None:
        return None
    if machine is None:
        raise UsageError("say which machine the sound is to fit; give a machine card")
    from tapewright.chain.fit import fit_program

    return fit_program(program, card, machine, fit, name=name, run=run)


def _image(image: ImageLike, start: int | None) -> Image:
    if isinstance(image, bytes):
        return Image.from_bytes(image, start)
    if isinstance(image, Image):
        return image if start is None else image.moved_to(start)
    return load_image(image, address=start)


def _chunks(
    program: Image, card: FormatCard, machine: MachineCard | None, rate_hz: float, level: float,
    inverted: bool, copies: int, pause_seconds: float, name: str | None, run: int | None, shape: Shape | None,
) -> Iterator[Samples]:  # fmt: skip
    check_format(rate_hz, 1, None)
    if not 0 < level <= HIGHEST_LEVEL:
        raise UsageError(
            f"a level of {level:g} cannot be written; give more than 0 and at most {HIGHEST_LEVEL:g},"
            " so that the overshoot of square edges does not clip"
        )
    alphabet = Alphabet.of(card)
    if alphabet.highest_hertz > 0.45 * rate_hz:
        raise UsageError(
            f"format {card.name} has {alphabet.highest_hertz:.0f} Hz in it, more than a sample rate of"
            f" {rate_hz:g} Hz can hold; give a rate of at least {alphabet.highest_hertz / 0.45:.0f}"
        )
    tape = blocks.encode(program, card, copies=copies, pause_seconds=pause_seconds, name=name, run=run)
    waves = line.wave_of(framing.encode(tape, card), alphabet)
    gain = -level if inverted else level
    return _padded(sound_of(waves, machine, shape, rate_hz, gain=gain), rate_hz)


def sound_of(
    waves: Iterable[Wave], machine: MachineCard | None, shape: Shape | None, rate_hz: float,
    *, gain: float,
) -> Iterator[Samples]:  # fmt: skip
    """Sound of a waveform: in a fitted shape, or as the machine's output stage makes it, or as it is."""
    stage = machine.output if machine is not None else None
    if shape is not None:
        from tapewright.machine import fitted

        return line.render(fitted.shaped(waves, shape), rate_hz, gain=gain)
    if stage is None:
        return line.render(waves, rate_hz, gain=gain)
    volts = node_volts(stage)
    swing = float(volts.max() - volts.min())
    loudest = 2.0 if stage.coupling_farads else 1.0  # a capacitor can double a step
    shaped = coupled(line.render(port_levels(waves, stage), rate_hz), stage, rate_hz)
    scale = gain / (0.5 * swing * stage.gain * loudest)
    return ((scale * chunk).astype(np.float32) for chunk in shaped)


def _padded(chunks: Iterator[Samples], rate_hz: float) -> Iterator[Samples]:
    silence = np.zeros(round(EDGE_SECONDS * rate_hz), np.float32)
    yield silence
    yield from chunks
    yield silence
