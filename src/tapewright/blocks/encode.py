"""Program bytes to what stands on tape: leads, sync, fields, data and checks, as the card lays them out."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from tapewright.blocks.items import Covered, followers, number_to_bytes
from tapewright.blocks.plan import PlannedBlock, plan_blocks
from tapewright.cards import BlockLayout, Expression, FormatCard
from tapewright.cards.layout import (
    FIELD_WIDTH,
    Check,
    Data,
    FieldItem,
    Fixed,
    Gap,
    Lead,
    Mark,
    Sync,
    TextField,
)
from tapewright.model import Image, Range, TapePart, UsageError
from tapewright.model.image import HIGHEST_ADDRESS

__all__ = ["encode"]

Scope = Mapping[str, int]
MOST_COPIES = 100
LONGEST_PAUSE_SECONDS = 600.0


def encode(
    image: Image,
    card: FormatCard,
    *,
    copies: int = 1,
    pause_seconds: float = 2.0,
    name: str | None = None,
    run: int | None = None,
) -> Iterator[TapePart]:
    """Lay an image out on tape.

    Where the card says how a loader finds the address (`load`), the field ``start`` (and ``end`` with it)
    is chosen so that the data loads at its true address. ``run`` is a memory address and stays as given.

    Parameters
    ----------
    image : Image
    card : FormatCard
    copies : int
        How many times the whole program stands on tape, 1 to 100.
    pause_seconds : float
        Silence between copies, and between ranges, 0 to 600.
    name : str, optional
        For the card's texts; the image's own name if not given.
    run : int, optional
        Where the program starts running; the image's own, or the first address, if not given.

    Returns
    -------
    iterator of TapePart
        Of kind ``bytes``, ``symbols``, ``lead`` or ``gap``. Everything is checked before this returns.

    Raises
    ------
    UsageError
        If the image is empty, or the format cannot carry it: no room for an address, a length or a name,
        several ranges but no addresses, an address needed but not given.
    """
    if not len(image):
        raise UsageError("there are no program bytes to write; give an image that is not empty")
    if not 1 <= copies <= MOST_COPIES:
        raise UsageError(f"{copies} copies cannot be written; give 1 to {MOST_COPIES}")
    if not 0 <= pause_seconds <= LONGEST_PAUSE_SECONDS:
        raise UsageError(
            f"a pause of {pause_seconds:g} s cannot be written; give 0 to {LONGEST_PAUSE_SECONDS:g}"
        )
    if len(image.ranges) > 1 and not (card.carries_addresses and image.has_addresses):
        reason = "carries no addresses" if not card.carries_addresses else "needs the address of each"
        raise UsageError(
            f"the image has {len(image.ranges)} ranges and format {card.name} {reason};"
            " write one range at a time"
        )
    once: list[TapePart] = []
    for place, piece in enumerate(image.ranges):
        if place and pause_seconds:
            once.append(TapePart("gap", seconds=pause_seconds))
        writer = _RangeWriter(card, piece, _Name(name, image.name), image.run if run is None else run)
        once += writer.parts()
    pause = [TapePart("gap", seconds=pause_seconds)] if pause_seconds else []
    return iter((once + pause) * (copies - 1) + once)


class _Name:
    """A program's name: one the user gave must fit, one taken from the image is made to fit."""

    def __init__(self, given: str | None, of_image: str | None) -> None:
        self.is_given = given is not None
        self.text = (given if given is not None else of_image or "").upper()

    def fitted(self, item: TextField) -> str:
        most = item.length if item.length is not None else item.at_most
        end = "" if item.end is None else item.end.decode("latin-1")
        problem = None
        unfit = [c for c in self.text if not (c.isascii() and c.isprintable()) or c == end]
        if unfit:
            problem = f"holds {unfit[0]!r}"
        elif len(self.text) > most:
            problem = f"is {len(self.text)} characters long"
        if problem is None:
            return self.text
        if self.is_given:
            raise UsageError(
                f"the name {self.text!r} {problem}; give at most {most} printable ASCII characters"
                + (f" other than {end!r}" if end and end.isprintable() else "")
            )
        return "".join(c for c in self.text if c not in unfit)[:most].rstrip()


class _RangeWriter:
    """Writes one range: its header, if the card has one, and its blocks."""

    def __init__(self, card: FormatCard, piece: Range, name: _Name, run: int | None) -> None:
        if card.carries_addresses and piece.address is None:
            raise UsageError(
                f"format {card.name} stores the address the program loads at; say where it starts (--start)"
            )
        highest = _highest_address(card)
        if card.carries_addresses and piece.address is not None and piece.address + len(piece) - 1 > highest:
            raise UsageError(
                f"the program would end at {piece.address + len(piece) - 1:X}h, and format {card.name} has"
                f" addresses up to {highest:X}h; choose another start or a shorter program"
            )
        self.card, self.piece, self.name, self.run = card, piece, name, run

    def parts(self) -> Iterator[TapePart]:
        scopes: dict[str, Scope] = {}
        for planned in plan_blocks(self.card, len(self.piece)):
            layout = planned.layout
            inherited = scopes.get(layout.after or "", {})
            scope = {**inherited, **self._fields(planned, inherited)}
            scopes[layout.kind] = scope
            self._refuse_untrue(planned, scope)
            once = list(_merged(self._block_parts(planned, scope)))
            yield from once * layout.copies

    def _fields(self, planned: PlannedBlock, inherited: Scope) -> dict[str, int]:
        """Work out every field of a block, with a start that makes the data load where it belongs."""
        names = planned.writer_names(self.piece.address, self.run)
        layout = planned.layout
        load = self._load_of(layout)
        chooses_start = any(
            isinstance(item, FieldItem) and item.field == "start" and item.value is None
            for item in layout.layout
        )
        if load is None or not chooses_start:
            return self._fields_with(layout, names, inherited)

        def loads_at(start: int) -> int:
            moved = {**names, "start": start, "end": start + names["length"] - 1}
            return load.value({**inherited, **self._fields_with(layout, moved, inherited)})

        # load is linear in start, so two values of it give the start that is wanted
        wanted, base = names["start"], loads_at(0)
        slope = loads_at(1) - base
        start = (wanted - base) // slope if slope else wanted
        if loads_at(start) != wanted:
            raise UsageError(
                f"format {self.card.name} cannot load anything at {wanted:04X}h (load = {load});"
                " choose another address"
            )
        return self._fields_with(
            layout, {**names, "start": start, "end": start + names["length"] - 1}, inherited
        )

    def _load_of(self, layout: BlockLayout) -> Expression | None:
        """Find the load rule a block's start has to satisfy; a header's may stand with the data after it."""
        if layout.load is not None or layout.data is not None:
            return layout.load
        for block in followers(self.card, layout):
            own = set(block.field_names)
            if block.load is not None and not block.load.names & own:
                return block.load
        return None

    def _fields_with(self, layout: BlockLayout, names: Scope, inherited: Scope) -> dict[str, int]:
        values: dict[str, int] = {}
        for item in layout.layout:
            if not isinstance(item, FieldItem):
                continue
            scope = {**inherited, **names, **values}
            needed = {item.field} if item.value is None else item.value.names
            missing = sorted(needed - scope.keys())
            if missing:
                raise UsageError(
                    f"format {self.card.name} stores '{missing[0]}', which depends on the address"
                    " of the program; say where it starts (--start)"
                )
            values[item.field] = names[item.field] if item.value is None else item.value.value(scope)
        return values

    def _refuse_untrue(self, planned: PlannedBlock, scope: Scope) -> None:
        """Refuse a block a reader would place, measure or end otherwise than it was meant."""
        layout = planned.layout
        wanted = (self.piece.address or 0) + planned.first
        if layout.load is not None and layout.load.value(scope) != wanted:
            raise UsageError(
                f"format {self.card.name} would load block '{layout.kind}' at {layout.load.value(scope):04X}h"
                f" instead of {wanted:04X}h (load = {layout.load}); choose another address"
            )
        if layout.total is not None and layout.total.value(scope) != planned.total:
            raise UsageError(
                f"format {self.card.name} would promise {layout.total.value(scope)} bytes instead of"
                f" {planned.total} (total = {layout.total}); give a program it can hold"
            )
        if layout.last_when is not None and layout.data is not None:
            is_last = planned.index == planned.blocks - 1
            if (scope[layout.last_when.field] == layout.last_when.equals) != is_last:
                raise UsageError(
                    f"format {self.card.name} would not tell the last block by {layout.last_when.field} ="
                    f" {layout.last_when.equals} (block {planned.index + 1} of {planned.blocks});"
                    " correct the card"
                )

    def _block_parts(self, planned: PlannedBlock, scope: Scope) -> Iterator[TapePart]:
        covered = Covered()
        for item in planned.layout.layout:
            if isinstance(item, Lead):
                yield TapePart("lead", symbols=item.lead, seconds=item.seconds)
            elif isinstance(item, Mark):
                yield TapePart("symbols", symbols=item.mark)
            elif isinstance(item, Gap):
                yield TapePart("gap", seconds=item.gap)
            elif isinstance(item, Sync):
                # a check covers the sync once: how many of its repeats a reader hears is left open
                covered.add("sync", item.sync, item.sync)
                yield TapePart("bytes", data=item.sync * item.times)
            else:
                key, plain = self._plain(item, planned, scope, covered)
                sent = item.to_tape(plain)
                covered.add(key, plain, sent)
                yield TapePart("bytes", data=sent)

    def _plain(
        self,
        item: Fixed | FieldItem | TextField | Data | Check,
        planned: PlannedBlock,
        scope: Scope,
        covered: Covered,
    ) -> tuple[str, bytes]:
        """Give an item's bytes before coding, and the name a check covers them by."""
        if isinstance(item, Fixed):
            return "fixed", item.fixed
        if isinstance(item, FieldItem):
            return item.field, self._number(item, scope[item.field])
        if isinstance(item, TextField):
            text = self.name.fitted(item).encode("ascii")
            return item.text, text + item.end if item.end else text.ljust(
                item.length or 0, item.pad.encode("ascii")
            )
        if isinstance(item, Data):
            return "data", self._data(item, planned, scope)
        return "check", covered.check_bytes(item)

    def _number(self, item: FieldItem, value: int) -> bytes:
        width = FIELD_WIDTH[item.type]
        if not 0 <= value < 256**width:
            where = "byte" if width == 1 else f"{width} bytes"
            raise UsageError(
                f"'{item.field}' would be {value}, which does not fit in the {where} format {self.card.name} "
                "has for it; choose another address, a shorter program or another format"
            )
        return number_to_bytes(value, item.type)

    def _data(self, item: Data, planned: PlannedBlock, scope: Scope) -> bytes:
        data = self.piece.data[planned.first : planned.first + planned.count]
        if item.length is None:
            return data
        promised = item.length.value(scope)
        # a block of fixed length may be filled up where the header tells how many bytes are meant
        if promised > len(data) and not item.length.names and planned.layout.total is not None:
            return data.ljust(promised, b"\0")
        if promised != len(data):
            raise UsageError(
                f"format {self.card.name} would promise {promised} bytes in block '{planned.layout.kind}'"
                f" that holds {len(data)} (data = {item.length}); give a program of a length it can hold"
            )
        return data


def _highest_address(card: FormatCard) -> int:
    """Give the last address of a machine, as far as start addresses that are sent as they are tell it."""
    loads = [block.load for block in card.block if block.load is not None]
    widths = [
        FIELD_WIDTH[item.type]
        for layout in card.block
        for item in layout.layout
        if isinstance(item, FieldItem) and item.field == "start" and item.value is None
    ]
    if not widths or not all(load.names == {"start"} and _is_plain(load) for load in loads):
        return HIGHEST_ADDRESS
    return int(256 ** max(widths)) - 1


def _is_plain(load: Expression) -> bool:
    return [load.value({"start": start}) for start in (0, 1)] == [0, 1]


def _merged(parts: Iterator[TapePart]) -> Iterator[TapePart]:
    """Join neighbouring parts made of bytes."""
    held = b""
    for part in parts:
        if part.kind == "bytes":
            held += part.data
            continue
        if held:
            yield TapePart("bytes", data=held)
            held = b""
        yield part
    if held:
        yield TapePart("bytes", data=held)
