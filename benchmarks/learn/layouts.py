"""Random layouts: leaders, sync, header fields in any order, data cut into blocks or not, checks."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from benchmarks.learn.checks import random_check
from benchmarks.learn.dice import Dice
from benchmarks.learn.framings import Framing, Item
from tapewright.cards.layout import FIELD_WIDTH

__all__ = ["Layout", "random_layout"]

Block = dict[str, Any]

#: A block without framing is known by so many bits of sync, mark, constants and check, or has a trailer: the
#: package's reader takes less for chance.
LEAST_BITS = 24.0
#: What is covered by a check that covers all there is before it.
_COVERED = ("sync", "fixed", "field", "text", "data")


@dataclass
class Layout:
    """The blocks of a format as a card writes them, and what they are in words."""

    blocks: list[Block] = field(default_factory=list)
    traits: list[str] = field(default_factory=list)


def _told_apart(first: list[Item], items: list[Item]) -> list[Item]:
    """Give what is fixed a name of its own if something fixed stands before it.

    A check takes all that goes by one name together, wherever it stands; no machine does.
    """
    return [
        _as_constant(item) if first and "fixed" in item and "fixed" in first[0] else item for item in items
    ]


def _as_constant(item: Item) -> Item:
    rest = {key: value for key, value in item.items() if key != "fixed"}
    value = bytes.fromhex(item["fixed"])
    kind = next(
        kind for kind, width in FIELD_WIDTH.items() if width == len(value) and not kind.endswith("le")
    )
    return {"field": "magic", "type": kind, "value": str(int.from_bytes(value, "big")), **rest}


def random_layout(dice: Dice, framing: Framing) -> Layout:
    """Draw a layout."""
    return _Drawing(dice, framing).layout()


class _Drawing:
    """One layout being drawn: what all its blocks have in common is drawn first."""

    def __init__(self, dice: Dice, framing: Framing) -> None:
        self.dice, self.framing = dice, framing
        self.order = dice.pick(["le", "be"])
        self.has_addresses = dice.chance(0.85)
        self.has_check = dice.chance(0.88)
        self.has_name = dice.chance(0.35)
        self.coverage = dice.pick(["data", "fields", "all"], [3, 5, 2])
        self.sync = framing.random_sync(dice)
        self.traits: list[str] = []
        if not self.has_check:
            self.traits.append("no-check")
        if not self.has_addresses:
            self.traits.append("no-addresses")

    def layout(self) -> Layout:
        shape = self.dice.pick(["single", "header", "blocks", "repeated"], [10, 3, 5, 3])
        blocks = {
            "single": self._single, "header": self._header_and_one, "blocks": self._header_and_blocks,
            "repeated": self._repeated,
        }[shape]()  # fmt: skip
        return Layout(blocks, [shape, *self.traits])

    # ---- kinds of layout

    def _single(self) -> list[Block]:
        fields, data, load = self._extent()
        items = self.dice.shuffled([*self._extras(), *fields])
        return [self._block("data", self._leader(1.0, 5.0), [], items, data, load)]

    def _header_and_one(self) -> list[Block]:
        fields, data, load = self._extent(of_header=True)
        first, second = self._kinds()
        items = self.dice.shuffled([*self._extras(), *fields])
        header = self._block("header", self._leader(1.0, 5.0), first, items, None, load)
        return [header, self._block("data", self._leader(0.2, 2.0), second, [], data, None, after="header")]

    def _header_and_blocks(self) -> list[Block]:
        dice = self.dice
        size = dice.pick([16, 32, 64, 128, 256, dice.whole(16, 255)])
        first, second = self._kinds()
        total = dice.chance(0.6)
        in_header: list[Item] = [self._u16("total")] if total or dice.chance(0.4) else []
        if not total and dice.chance(0.4):
            in_header.append(self._number("blocks", "u8"))
        own: list[Item] = []
        ends: Block = {"total": "total"} if total else {}
        if not total:
            flag, last_when = self._last_flag()
            own.append(flag)
            ends = {"last_when": last_when}
        data, length = self._block_length(size, can_be_filled_up=total)
        own += length
        load_header, load = None, None
        has_index = dice.chance(0.5)
        if self.has_addresses:
            where = dice.pick(["header", "each", "index"])
            if where == "each":
                own.append(self._u16("start"))
                load = "start"
            else:
                in_header.append(self._u16("start"))
                load_header = "start"
            if where == "index":
                has_index = True
                load_header, load = None, f"start + index * {size}"
        if has_index:
            own.append(self._number("index", "u8"))
        header_items = dice.shuffled([*self._extras(), *in_header])
        header = self._block("header", self._leader(1.0, 5.0), first, header_items, None, load_header)
        lead = self._leader(0.05, 0.6)
        block = self._block("data", lead, second, dice.shuffled(own), data, load, after="header")
        block |= {"size": size, **ends}
        if dice.chance(0.12):
            block["copies"] = 2
            self.traits.append("copies")
        return [header, block]

    def _repeated(self) -> list[Block]:
        size = self.dice.pick([32, 64, 128, 256])
        self.has_addresses = True
        self.traits = [trait for trait in self.traits if trait != "no-addresses"]
        if self.dice.chance(0.5):
            data, fields = self._block_length(size, can_be_filled_up=False)
            fields.append(self._u16("start"))
            load: str | None = "start"
        else:
            fields, data, load = self._extent()
        if self.dice.chance(0.25):
            fields.append(self._number("index", "u8"))
        items = self.dice.shuffled([*self._extras(), *fields])
        block = self._block("data", self._leader(0.1, 1.0), [], items, data, load)
        return [block | {"size": size}]

    # ---- blocks

    def _block(
        self, kind: str, leader: Item, first: list[Item], items: list[Item], data: str | None,
        load: str | None, after: str | None = None,
    ) -> Block:  # fmt: skip
        """Put a block together: leader, mark, sync, header fields with or without a check, data, check."""
        dice = self.dice
        layout: list[Item] = [leader]
        if self.framing.mark:
            layout.append({"mark": self.framing.mark})
        layout += [*self.sync, *first, *_told_apart(first, items)]
        has_header_check = self.has_check and bool(items) and (data is None or dice.chance(0.15))
        if has_header_check:
            layout.append(self._check(layout, "fields"))
        if data is not None:
            layout.append({"data": data} | self.framing.data_coding)
            if self.has_check and data != "until lead":
                layout.append(self._check(layout, self.coverage))
        needs_trailer = data == "until lead" or self._bits_to_know_by(layout) < LEAST_BITS
        if needs_trailer or dice.chance(0.75):
            layout.append({"lead": self.framing.lead, "seconds": round(dice.by_ratio(0.1, 0.8), 2)})
        if dice.chance(0.1):
            layout.append({"gap": round(dice.evenly(0.1, 0.4), 2)})
        block: Block = {"kind": kind, "layout": layout}
        if load is not None:
            block["load"] = load
        if after is not None:
            block["after"] = after
        if dice.chance(0.07) and kind == "header":
            block["copies"] = 2
            self.traits.append("copies")
        return block

    def _bits_to_know_by(self, layout: list[Item]) -> float:
        """How many bits of a block are known beforehand, so that chance cannot be taken for it."""
        byte = self.framing.byte
        if byte.is_asynchronous:  # start and stop of every byte
            return LEAST_BITS
        sync = sum(len(bytes.fromhex(item["sync"])) for item in layout if "sync" in item)
        fixed = sum(len(bytes.fromhex(item["fixed"])) for item in layout if "fixed" in item)
        constants = sum(FIELD_WIDTH[item["type"]] for item in layout if item.get("value", "").isdecimal())
        checks = sum(int("check" in item) for item in layout)
        return byte.bits * (sync + fixed + constants + checks) + len(self.framing.mark)

    def _leader(self, shortest: float, longest: float) -> Item:
        seconds = self.dice.by_ratio(shortest, longest)
        least = round(0.1 * seconds, 3)
        return {"lead": self.framing.lead, "seconds": round(seconds, 3), "at_least": least}

    def _kinds(self) -> tuple[list[Item], list[Item]]:
        """Tell a header from a data block: by a byte of their own."""
        header, data = self.dice.shuffled(range(1, 1 << min(self.framing.byte.bits, 8)))[:2]
        if self.dice.chance(0.5):
            return [self._fixed(header)], [self._fixed(data)]
        return [self._constant("kind", header)], [self._constant("kind", data)]

    def _extras(self) -> list[Item]:
        """Draw the fields that are not about place and length."""
        dice, extras = self.dice, []
        if dice.chance(0.3):
            extras.append(self._constant("version", dice.whole(0, 127)))
        if dice.chance(0.12):
            extras.append(self._fixed(*(dice.whole(0, 127) for _ in range(dice.whole(1, 3)))))
        if self.has_name:
            extras.append(self._name())
            self.traits.append("name")
        if self.has_addresses and dice.chance(0.2):
            extras.append(self._u16("run"))
            self.traits.append("run")
        return extras

    def _extent(self, of_header: bool = False) -> tuple[list[Item], str, str | None]:
        """Draw how a block, or a header, says where the data lie and how many they are.

        Returns
        -------
        fields : list
        data : str
            What stands for the number of bytes in the card's data item.
        load : str or None
        """
        dice = self.dice
        if not self.has_addresses:
            framing = self.framing
            can_run_on = framing.byte.is_asynchronous and not framing.idle_between[1] and not of_header
            if can_run_on and not self.has_check and dice.chance(0.5):
                return [], "until lead", None
            length, data = self._length(of_header)
            return [length], data, None
        shift = dice.pick([0, dice.whole(1, 16)], [12, 1])
        load = f"start + {shift}" if shift else "start"
        way = dice.pick(["inclusive", "exclusive", "length"], [3, 2, 4])
        self.traits.append(way)
        if way == "inclusive":
            return [self._u16("start"), self._u16("end")], "end - start + 1", load
        if way == "exclusive":
            past = self._u16("past_end", "end + 1")
            return [self._u16("start"), past], "past_end - start", load
        length, data = self._length(of_header)
        return [self._u16("start"), length], data, load

    def _length(self, of_header: bool) -> tuple[Item, str]:
        """Draw a length: as it is, one less, or with what else the machine counts."""
        offset = self.dice.pick([0, -1, self.dice.whole(1, 8)], [6, 2, 1])
        if offset == 0:
            return self._u16("length"), "length"
        self.traits.append("length-offset")
        sign, back = ("-", "+") if offset < 0 else ("+", "-")
        size = abs(offset)
        return self._u16("size", f"length {sign} {size}"), f"size {back} {size}"

    def _block_length(self, size: int, can_be_filled_up: bool) -> tuple[str, list[Item]]:
        """Draw how a block cut by size says how many bytes it holds."""
        if can_be_filled_up and self.dice.chance(0.25):
            self.traits.append("filled-up")
            return str(size), []
        if self.dice.chance(0.3):
            return "length", [self._u16("length")]
        if size < 256 and self.dice.chance(0.8):
            return "length", [self._number("length", "u8")]
        self.traits.append("length-offset")
        return "size + 1", [self._number("size", "u8", "length - 1")]

    def _last_flag(self) -> tuple[Item, dict[str, Any]]:
        way = self.dice.pick(["is_last", "remaining", "flag"])
        if way == "is_last":
            return self._number("is_last", "u8"), {"field": "is_last", "equals": 1}
        if way == "remaining":
            return self._u16("remaining"), {"field": "remaining", "equals": 0}
        value = self.dice.pick([255, 128, self.dice.whole(2, 254)])
        return self._number("flag", "u8", f"{value} * is_last"), {"field": "flag", "equals": value}

    # ---- items

    def _u16(self, name: str, value: str | None = None) -> Item:
        return self._number(name, f"u16-{self.order}", value)

    def _number(self, name: str, kind: str, value: str | None = None) -> Item:
        item = {"field": name, "type": kind} | self.framing.coding
        return item | {"value": value} if value is not None else item

    def _constant(self, name: str, value: int) -> Item:
        return self._number(name, "u8", str(value))

    def _fixed(self, *values: int) -> Item:
        return {"fixed": bytes(values).hex()} | self.framing.coding

    def _name(self) -> Item:
        coding = self.framing.coding
        if self.dice.chance(0.6):
            pad = self.dice.pick([" ", "\0", "."])
            return {"text": "name", "length": self.dice.whole(4, 12), "pad": pad} | coding
        return {"text": "name", "end": self.dice.pick(["0d", "00", "22"]), "at_most": 16} | coding

    def _check(self, layout: list[Item], coverage: str) -> Item:
        """Draw a check over what stands before it."""
        names: list[str] = []
        for item in layout:
            key = next((key for key in _COVERED if key in item), None)
            if key is not None:
                name = item[key] if key in ("field", "text") else key
                if name not in names:
                    names.append(name)
        if coverage == "data":
            names = ["data"]
        elif coverage == "fields":
            names = [name for name in names if name != "sync"]
        is_coded = bool(self.framing.coding)
        item, word = random_check(self.dice, names, is_coded)
        self.traits.append(word)
        return item | self.framing.coding
