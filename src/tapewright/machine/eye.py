"""One machine's way from the ear socket to symbols, put together from its card."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

from tapewright.cards import FormatCard, MachineCard
from tapewright.machine.loop import Reader
from tapewright.machine.port import Port, port_of
from tapewright.model import CardError

__all__ = ["Eye"]

#: Resistance of an ear socket where nothing is known of it (common practice: some ohms, up to some tens).
RECORDER_OHMS = 10.0


@dataclass(frozen=True, eq=False)
class Eye:
    """A machine's input stage and load routine.

    Parameters
    ----------
    card : MachineCard
    reader : Reader
    recorder_ohms : float
        Resistance of the recorder's ear socket.
    has_lead_parts : bool
        Whether the parts that sit in the lead are there.
    part_factors : mapping of str to float
        Parts of the input stage that are not as the card says: what each is multiplied by.
    """

    card: MachineCard
    reader: Reader
    recorder_ohms: float = RECORDER_OHMS
    has_lead_parts: bool = True
    part_factors: Mapping[str, float] = field(default_factory=dict)

    @classmethod
    def of(cls, card: MachineCard, format_card: FormatCard, recorder_ohms: float = RECORDER_OHMS) -> Eye:
        """Make a card ready.

        Raises
        ------
        CardError
            If the card does not tell the input stage or the load routine, or the routine cannot tell the
            format's symbols apart.
        """
        if card.input is None or card.loop is None:
            missing = "[input]" if card.input is None else "[loop]"
            raise CardError(
                f"machine {card.name}: {missing} is missing, so there is no telling what the machine hears;"
                " add it, or name another machine card"
            )
        return cls(card, Reader.of(format_card, card.loop, card.input), recorder_ohms)

    @cached_property
    def port(self) -> Port:
        """Its input stage as a circuit."""
        assert self.card.input is not None  # see `of`
        return port_of(
            self.card.input,
            self.recorder_ohms,
            has_lead_parts=self.has_lead_parts,
            part_factors=self.part_factors,
        )
