"""The machine card: the electrical and timing facts of one machine."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from tapewright.cards.base import CardName, CardPart, PartValue, Text
from tapewright.cards.machine_input import InputStage, LoadLoop

__all__ = ["Caution", "Connector", "MachineCard", "Memory", "OutputStage"]


class OutputStage(CardPart):
    """Port bits through resistors into a coupling capacitor and an attenuator.

    Parameters
    ----------
    bit_ohms : list of ohms
        One resistor a port bit, most significant first; they meet at one node.
    supply_volts : float
        Voltage of a bit that is 1; a 0 is 0 V.
    load_ohms : float
        From the node to ground: the recorder's input, or the lower arm of the attenuator.
    coupling_farads : float, optional
        In series after the node.
    gain : float
        What the attenuator leaves, 0..1.
    rest : int
        Pattern of the bits while the port is idle.
    """

    bit_ohms: Annotated[list[PartValue], Field(min_length=1, max_length=4)]
    supply_volts: Annotated[PartValue, Field(gt=0, le=24)] = 5.0
    load_ohms: Annotated[PartValue, Field(gt=0)] = 1e6
    coupling_farads: Annotated[PartValue, Field(gt=0)] | None = None
    gain: Annotated[PartValue, Field(gt=0, le=1)] = 1.0
    rest: Annotated[int, Field(ge=0, le=15)] = 0

    @model_validator(mode="after")
    def _positive(self) -> OutputStage:
        if any(ohms <= 0 for ohms in self.bit_ohms):
            raise ValueError("bit_ohms: every resistor is more than 0 ohms")
        if self.rest >> len(self.bit_ohms):
            raise ValueError(f"rest = {self.rest} needs more than {len(self.bit_ohms)} port bits")
        return self


class Connector(CardPart):
    """Plug, pins, and what the lead needs."""

    plug: Text
    pins: dict[str, Text] = Field(default_factory=dict)
    bridge: Text = ""
    notes: Text = ""


class Memory(CardPart):
    """Where programs live."""

    programs: Annotated[list[Annotated[int, Field(ge=0)]], Field(min_length=2, max_length=2)]
    notes: Text = ""


class Caution(CardPart):
    """Text shown before anything is connected."""

    text: Text


class MachineCard(CardPart):
    """A whole machine card. Load one with :func:`tapewright.cards.load_machine`."""

    card: Literal["machine"]
    name: CardName
    title: Text
    source: Text
    format: CardName
    output: OutputStage | None = None
    input: InputStage | None = None
    loop: LoadLoop | None = None
    connector: Connector | None = None
    memory: Memory | None = None
    caution: Annotated[list[Caution], Field(max_length=16)] = Field(default_factory=list)
