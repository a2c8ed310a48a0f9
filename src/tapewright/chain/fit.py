"""Sound fitted to one machine: the program's beginning is tried in many shapes on its input stage."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from tapewright import blocks, framing, line
from tapewright.cards import Alphabet, FormatCard, MachineCard
from tapewright.chain.write import sound_of
from tapewright.machine.eye import Eye
from tapewright.machine.fitted import Fitting, Shape, fit
from tapewright.machine.played import Played
from tapewright.machine.simulate import RATE_HZ
from tapewright.model import Image, TapePart, UsageError

__all__ = ["fit_program"]

#: The beginning that is tried: so much leader, so much data, and silence before and after.
LEADER_SECONDS, DATA_SECONDS, EDGE_SECONDS = 0.2, 0.3, 0.02


def fit_program(
    program: Image, card: FormatCard, machine: MachineCard, path: str = "direct", *, name: str | None = None,
    run: int | None = None,
) -> Fitting:  # fmt: skip
    """Find the shape of sound with which a machine loads a program over the widest span of levels.

    Parameters
    ----------
    program : Image
    card : FormatCard
    machine : MachineCard
    path : {"direct", "tape"}
        Whether the sound goes straight to the machine, or onto a tape first.
    name, run
        See `tapewright.blocks.encode`.

    Returns
    -------
    Fitting

    Raises
    ------
    UsageError
        If the format begins without a leader or data.
    """
    eye = Eye.of(machine, card)
    alphabet = Alphabet.of(card)
    parts = list(_beginning(framing.encode(blocks.encode(program, card, name=name, run=run), card), alphabet))
    symbols = np.concatenate([line.symbols_of(part, alphabet) for part in parts if part.kind != "gap"])
    seconds = np.array([alphabet.shapes[k].seconds for k in symbols])
    if not len(symbols):
        raise UsageError(f"format {card.name} begins with nothing that could be fitted")
    end = EDGE_SECONDS + np.cumsum(seconds)
    waves = list(line.wave_of(parts, alphabet))

    def play(shape: Shape | None) -> list[Played]:
        sound = np.concatenate(list(sound_of(waves, machine, shape, RATE_HZ, gain=1.0)))
        peak = max(float(np.abs(sound).max()), 1e-9)
        return [Played((sound / peak).astype(np.float32), 0.0, symbols, end - seconds, end)]

    return fit(play, eye, path)


def _beginning(tape: Iterable[TapePart], alphabet: Alphabet) -> Iterator[TapePart]:
    """Cut a tape short: a little of its first leader, and what comes first after it."""
    yield TapePart("gap", seconds=EDGE_SECONDS)
    room = DATA_SECONDS
    has_leader = False
    for part in tape:
        if part.kind == "gap":
            continue
        if part.kind == "lead":
            if not has_leader:
                yield TapePart("lead", symbols=part.symbols, seconds=min(part.seconds, LEADER_SECONDS))
            has_leader = True
            continue
        taken = 0
        while taken < len(part.symbols) and room > 0:
            room -= alphabet.shapes[alphabet.names.index(part.symbols[taken])].seconds
            taken += 1
        yield TapePart("symbols", symbols=part.symbols[:taken])
        if room <= 0:
            break
    yield TapePart("gap", seconds=EDGE_SECONDS)
