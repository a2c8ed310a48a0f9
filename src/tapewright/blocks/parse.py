"""Reading one block from a place where it may start, with the evidence for it being one."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from tapewright.blocks.align import aligned
from tapewright.blocks.breaks import Breaks, breaks_in
from tapewright.blocks.coding import HEX_BITS, Decoded, decoded, hex_bits, joined_runs, match_bits, part_of
from tapewright.blocks.evidence import (
    ABSURD_BITS,
    BAD_CHECK_BITS,
    LEAST_FIT,
    LEAST_IDLE_SECONDS,
    LEAST_STRUCTURE,
    REPEATED_MOST_BITS,
    SLACK_FACTOR,
    SLACK_SECONDS,
    TRAILER_MOST_BITS,
    Parsed,
)
from tapewright.blocks.faults import (
    byte_faults,
    chance_fault,
    cut_fault,
    jump_fault,
    span_of,
    unexplained_fault,
)
from tapewright.blocks.items import Covered, check_from_bytes, constant_of, number_from_bytes, number_to_bytes
from tapewright.blocks.open_ends import open_ends
from tapewright.blocks.reader import ByteReader
from tapewright.blocks.scores import SymbolScores, first_best
from tapewright.blocks.text import is_free_text, text_bits
from tapewright.cards import BlockLayout, FormatCard, check_width_bytes
from tapewright.cards.layout import (
    FIELD_WIDTH,
    Check,
    Coded,
    Data,
    FieldItem,
    Fixed,
    Gap,
    Item,
    Lead,
    Mark,
    Sync,
    TextField,
)
from tapewright.model import GAP, ByteRun, CardError, Fault, Symbols
from tapewright.model.reading import DOUBTFUL, LOST_LEADER

__all__ = ["Parser"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


#: Where a check fails and no byte is so many times as doubtful as most, none of them is to blame.
STANDS_OUT = 10.0
#: Bytes less likely to be in their places than this are worth a word.
LEAST_IN_PLACE = 0.9


class _CutOff(Exception):  # noqa: N818 (not an error: the way out of a layout that cannot be finished)
    """The bytes ended before the layout did."""


@dataclass
class Parser:
    """Walks a layout along the symbols.

    Parameters
    ----------
    symbols : Symbols
    scores : SymbolScores
    reader : ByteReader
    card : FormatCard
    layout : BlockLayout
    inherited : mapping of str to int
        Fields of the block it follows; empty where that was not found.
    limit : int
        Symbols from here on belong to something else.
    """

    symbols: Symbols
    scores: SymbolScores
    reader: ByteReader
    card: FormatCard
    layout: BlockLayout
    inherited: Mapping[str, int]
    limit: int
    place: int = 0
    lead_first: int = 0
    evidence: float = 0.0
    numbers: dict[str, int] = field(default_factory=dict)
    texts: dict[str, str] = field(default_factory=dict)
    covered: Covered = field(default_factory=Covered)
    unread: set[str] = field(default_factory=set)
    runs: list[ByteRun] = field(default_factory=list)
    checks: list[tuple[Check, int, int, bool]] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    data: Decoded | None = None
    in_place: Floats = field(default_factory=lambda: np.zeros(0))
    jumps_from: int | None = None
    is_jump: bool = False
    is_unexplained: bool = False
    lost: int = 0
    sure_of_numbers: float = 1.0
    seek_seconds: float = 0.0
    last_value: int = -1
    repeated_bits: float = REPEATED_MOST_BITS
    structure_bits: float = 0.0
    structure_most: float = 0.0

    def parse(
        self, start: int, lead_first: int, head_bits: float, head_faults: tuple[Fault, ...] = ()
    ) -> Parsed:
        """Read the block whose first item after the leader starts at symbol `start`."""
        self.place, self.lead_first, self.evidence = start, lead_first, head_bits
        self.faults += head_faults
        complete, end = True, start
        items = self.layout.layout
        first_item = next(
            (k for k, item in enumerate(items) if not isinstance(item, (Lead, Gap))), len(items)
        )
        last_item = max((k for k, item in enumerate(items) if not isinstance(item, (Lead, Gap))), default=-1)
        try:
            for item in items[first_item : last_item + 1]:
                self._walk(item)
            end = self.place
            self._trailer(items[last_item + 1 :])
        except _CutOff as cut:
            complete, end = False, self.place
            self.faults.append(cut_fault(self.symbols, self.place, str(cut)))
        run = joined_runs(self.runs) if self.runs else None
        if run is not None:
            self.faults += byte_faults(self.symbols, run)
        all_right = float(np.prod(run.confidence)) if run is not None else 1.0
        core_first = int(run.first_symbol[0]) if run is not None and len(run) else start
        found = Parsed(
            self.layout,
            lead_first,
            max(self.place, end),
            min(start, core_first) if self._is_anchored else core_first,
            end,
            self.numbers,
            self.texts,
            self.data,
            tuple(self.checks),
            self.evidence,
            tuple(self.faults),
            complete,
            all_right,
            self._structure,
            self.lost,
            self._in_place(run),
        )
        return replace(found, faults=(*found.faults, *self._doubts(found)))

    def _in_place(self, run: ByteRun | None) -> Floats:
        """Say how likely each byte of the data is in its place; of a byte spelt out, all its characters."""
        count = len(self.data.plain) if self.data is not None else 0
        if self.data is None or run is None or not count:
            return np.zeros(0)
        each = len(self.data.sent) // count
        if self._fails_without_cause(run):
            self.is_unexplained = True
            return np.zeros(count)
        return np.asarray(self.in_place[: count * each].reshape(count, each).min(axis=1))

    def _fails_without_cause(self, run: ByteRun) -> bool:
        """Whether a check fails and no byte is to blame, so that a few samples are likelier to be missing.

        Where something marks where a byte begins, it would show.
        """
        byte = self.card.byte
        if byte.start or byte.stop or byte.parity != "none" or all(ok for *_, ok in self.checks):
            return False
        error = 1.0 - run.confidence
        return bool(error.max() < STANDS_OUT * np.median(error))

    def _doubts(self, found: Parsed) -> Iterator[Fault]:
        """Say why bytes are in doubt that look well."""
        if found.agrees and found.check == "bad":
            yield chance_fault(found.check_bits)
        is_settled = bool(found.in_place.min(initial=1.0) >= LEAST_IN_PLACE)
        if self.is_unexplained and not self.is_jump:
            yield unexplained_fault()
        elif found.check != "ok" and (self.is_jump or not is_settled):
            yield jump_fault(self.symbols, self.jumps_from, is_settled=is_settled)

    @property
    def _structure(self) -> float:
        return self.structure_bits / self.structure_most if self.structure_most else 1.0

    @property
    def _is_anchored(self) -> bool:
        return any(isinstance(item, (Sync, Mark)) for item in self.layout.layout)

    def _walk(self, item: Item) -> None:
        if isinstance(item, (Lead, Gap)):
            self.seek_seconds += item.seconds if isinstance(item, Lead) else item.gap
            self._pass_over(item)
        elif isinstance(item, Mark):
            self._mark(item)
        elif isinstance(item, Sync):
            self._sync(item)
        elif isinstance(item, Fixed):
            self._expect("fixed", item, item.fixed)
        elif isinstance(item, FieldItem):
            self._number(item)
        elif isinstance(item, TextField):
            self._text(item)
        elif isinstance(item, Data):
            self._data(item)
        else:
            self._check(item)

    # -- things outside bytes ----------------------------------------------------------------------------

    def _pass_over(self, item: Lead | Gap) -> None:
        """Go to where a leader or gap within the block ends."""
        seconds = item.seconds if isinstance(item, Lead) else item.gap
        if isinstance(item, Gap):
            while self.place < self.limit and self.symbols.index[self.place] == GAP:
                self.place += 1
            return
        window = self._window(seconds)
        lead = self.scores.lead_before(item.lead)
        bits = np.where(
            lead.first[self.place : window + 1] >= self.place - 1, lead.bits[self.place : window + 1], 0.0
        )
        if len(bits) and bits.max() > 0:
            best = int(np.argmax(bits))
            self.evidence += min(TRAILER_MOST_BITS, float(bits[best]))
            self.place += best

    def _window(self, seconds: float) -> int:
        """Last symbol by which something `seconds` long must have ended."""
        if self.place >= len(self.symbols):
            return len(self.symbols)
        until = self.symbols.start_seconds[self.place] + SLACK_FACTOR * seconds + SLACK_SECONDS
        return min(self.limit, int(np.searchsorted(self.symbols.start_seconds, until)))

    def _seek(self, text: str) -> None:
        """After a leader or gap within the block, go to where the symbols of `text` start."""
        if not self.seek_seconds or not text:
            return
        window = self._window(self.seek_seconds)
        back = max(0, self.place - 2 * len(text))
        fit = self.scores.pattern(text)[back:window]
        if len(fit) and fit.max() >= LEAST_FIT * len(text):
            self.place = back + first_best(fit)
        self.seek_seconds = 0.0

    def _mark(self, item: Mark) -> None:
        self._seek(item.mark)
        if self.place + len(item.mark) > self.limit:
            raise _CutOff("the mark")
        bits = self.scores.at(item.mark, self.place)
        self._count_structure(bits, float(len(item.mark)))
        if bits < 0:
            at = self.symbols.start_seconds[self.place]
            self.faults.append(Fault("mark", f"the mark '{item.mark}' is not what was heard at {at:.3f} s"))
        self.place += len(item.mark)

    def _trailer(self, items: list[Item]) -> None:
        """Take in what follows the last byte, as far as it is there."""
        for item in items:
            if not isinstance(item, Lead) or self.place >= self.limit:
                continue
            until = self.symbols.start_seconds[self.place] + SLACK_FACTOR * item.seconds
            window = min(self.limit, int(np.searchsorted(self.symbols.start_seconds, until)))
            bits, length = self.scores.lead_after(item.lead, self.place, window)
            self.evidence += min(TRAILER_MOST_BITS, bits)
            self.place += length

    # -- bytes -------------------------------------------------------------------------------------------

    def _read(self, count: int, what: str) -> ByteRun:
        """Read bytes; those beyond the limit are not there."""
        self.seek_seconds = 0.0
        run = self.reader.read(self.place, count) if self.place < self.limit else None
        if run is None:
            raise _CutOff(what)
        return self._take(run, count, what)

    def _take(self, run: ByteRun, count: int | None, what: str) -> ByteRun:
        run = part_of(run, slice(0, int(np.searchsorted(run.end_symbol, self.limit, side="right"))))
        if len(run):
            self.runs.append(run)
            self.place = int(run.end_symbol[-1])
            self._count_framing(run)
        if count is not None and len(run) < count and what != "data":
            raise _CutOff(what)
        return run

    def _count_framing(self, run: ByteRun) -> None:
        bits = self.reader.evidence_bits(run)
        before = np.concatenate(([self.last_value], run.value[:-1].astype(np.int64)))
        self.last_value = int(run.value[-1])
        repeats = run.value == before
        self.evidence += float(bits[~repeats].sum())
        again = float(bits[repeats].sum())
        granted = min(again, self.repeated_bits)
        self.repeated_bits -= max(granted, 0.0)
        self.evidence += granted

    def _count_structure(self, bits: float, most: float) -> None:
        self.evidence += bits
        self.structure_bits += bits
        self.structure_most += most

    def _decoded(self, item: Coded, run: ByteRun) -> Decoded:
        """Undo the coding; characters that are hexadecimal, or not, speak for the block, or against it."""
        got = decoded(item, run)
        if item.coding == "hex":
            self._count_structure(hex_bits(item, run), HEX_BITS * len(run))
        return got

    def _expect(self, key: str, item: Fixed, expected: bytes) -> None:
        run = self._read(len(expected) * item.tape_bytes_per_byte, key)
        got = decoded(item, run)
        sent = item.to_tape(expected)
        self._count_structure(float(match_bits(run, sent).sum()), self.card.byte.bits * len(run))
        self._cover(key, got)
        if got.plain != expected:
            self._value_fault("fixed bytes", expected.hex(" "), got.plain.hex(" "), run)

    def _sync(self, item: Sync) -> None:
        once = len(item.sync)
        self._seek(self.reader.symbols_of(item.sync))
        run = self.reader.read(self.place, once * item.times) if self.place < self.limit else None
        if run is None or len(run) < once:
            raise _CutOff("the sync")
        bits = match_bits(run, item.sync * (len(run) // once))
        fits = bits[: len(bits) // once * once].reshape(-1, once).sum(axis=1) > 0
        heard = 1
        for repeat in range(1, len(fits)):
            # one damaged sync among good ones is passed over
            if not fits[repeat] and not (repeat + 1 < len(fits) and fits[repeat + 1]):
                break
            heard = repeat + 1
        run = self._take(part_of(run, slice(0, heard * once)), heard * once, "the sync")
        self._count_structure(float(bits[: heard * once].sum()), self.card.byte.bits * len(run))
        self.covered.add("sync", item.sync, item.sync)
        wanted = item.at_least or 1
        if heard < wanted:
            at = self.symbols.start_seconds[run.first_symbol[0]]
            text = f"the sync at {at:.3f} s stands {heard} times; the format asks for {wanted}"
            self.faults.append(Fault("sync", text))
        if item.times == 1 and run.value.tobytes() != item.sync:
            self._value_fault("the sync", item.sync.hex(" "), run.value.tobytes().hex(" "), run)

    def _number(self, item: FieldItem) -> None:
        run = self._read(FIELD_WIDTH[item.type] * item.tape_bytes_per_byte, f"field '{item.field}'")
        got = self._decoded(item, run)
        self._cover(item.field, got)
        if np.any(got.confidence == 0):
            text = f"field '{item.field}' could not be read"
            self.faults.append(Fault("field", text, span_of(self.symbols, run)))
            return
        self.numbers[item.field] = number_from_bytes(got.plain, item.type)
        self.sure_of_numbers *= float(np.prod(got.confidence))
        constant = constant_of(item)
        if constant is None:
            return
        bits = match_bits(run, item.to_tape(number_to_bytes(constant, item.type)))
        self._count_structure(float(bits.sum()), self.card.byte.bits * len(run))
        if self.numbers[item.field] != constant:
            self._value_fault(
                f"field '{item.field}'", f"{constant:X}h", f"{self.numbers[item.field]:X}h", run
            )

    def _text(self, item: TextField) -> None:
        if item.length is not None:
            run = self._read(item.length * item.tape_bytes_per_byte, f"the text '{item.text}'")
            got = decoded(item, run)
            shown = got.plain.rstrip(item.pad.encode("ascii"))
        else:
            run, got = self._ended_text(item)
            shown = got.plain.removesuffix(item.end or b"")
        self._cover(item.text, got)
        self.texts[item.text] = "".join(chr(c) if 32 <= c < 127 else "?" for c in shown)

    def _ended_text(self, item: TextField) -> tuple[ByteRun, Decoded]:
        most = (item.at_most + 1) * item.tape_bytes_per_byte
        run = self.reader.read(self.place, most) if self.place < self.limit else None
        if run is None:
            raise _CutOff(f"the text '{item.text}'")
        plain = decoded(item, run).plain
        end = plain.find(item.end or b"")
        if end < 0:
            at = self.symbols.start_seconds[min(self.place, len(self.symbols) - 1)]
            self.faults.append(Fault("field", f"the end of the text '{item.text}' at {at:.3f} s is missing"))
            end = len(plain) - 1
        count = (end + 1) * item.tape_bytes_per_byte
        run = self._take(part_of(run, slice(0, count)), count, f"the text '{item.text}'")
        return run, decoded(item, run)

    def _data(self, item: Data) -> None:
        if self.evidence < 0 or self._structure < LEAST_STRUCTURE:
            raise _CutOff("the data")  # hopeless: spare the reading of what may be thousands of bytes
        count = self._data_length(item)
        run: ByteRun | None
        if count is None and self.card.byte.is_asynchronous:
            place, idle = self.place, self._idle_seconds()
            run = self._take(self.reader.read_until_lead(place, len(self.symbols), idle), None, "data")
            if len(run) and is_free_text(self.layout, self.card.byte):
                bits, most = text_bits(self.symbols, self.card.byte, run, place, idle)
                self.structure_bits += bits
                self.structure_most += most
            self._place_by_time(run)
            if len(run):
                opened = open_ends(self.symbols, self.scores, self.layout, run, self.lead_first, idle)
                if any(fault.kind == LOST_LEADER for fault in opened):  # says all that a short leader does
                    self.faults = [fault for fault in self.faults if fault.kind != "lead"]
                self.faults += opened
        elif count is None:
            run = self._read(max(0, self.limit - self.place), "data")
            self._place_by_time(run)
        else:
            on_tape = count * item.tape_bytes_per_byte
            possible = max(0, self.limit - self.place) // 2 + 1
            if on_tape > possible:
                self.evidence += ABSURD_BITS
            run = self._read_data(min(on_tape, possible)) if count else None
        if run is None:
            none = np.zeros(0, np.int64)
            self.data = Decoded(b"", b"", np.zeros(0), none, none)
            self.covered.add("data", b"", b"")
            return
        self.data = self._decoded(item, run)
        self._cover("data", self.data)
        if count is not None and len(self.data.plain) < count:
            if self._is_sure_of_length(item):
                self.lost = count - len(self.data.plain)
            raise _CutOff(f"the data ({len(self.data.plain)} of {count} bytes)")
        if item.length is None and not len(run):
            raise _CutOff("the data")

    def _read_data(self, count: int) -> ByteRun:
        """Read bytes; those after a dropout or jump from the end of the block, where that says it better."""
        run = self.reader.read(self.place, count) if self.place < self.limit else None
        if run is None:
            raise _CutOff("data")
        found = aligned(self.symbols, self.reader, self.card, self.layout, run, count, self.limit)
        self._place(run, found.breaks, found.in_place)
        return self._take(found.run, count, "data")

    def _place_by_time(self, run: ByteRun) -> None:
        breaks = breaks_in(self.symbols, self.card, run)
        self._place(run, breaks, breaks.in_place(breaks.doubt))

    def _place(self, run: ByteRun, breaks: Breaks, in_place: Floats) -> None:
        self.in_place = in_place
        self.jumps_from = int(run.first_symbol[breaks.likeliest]) if len(breaks.after) else None
        self.is_jump = breaks.doubt > 0.5

    def _data_length(self, item: Data) -> int | None:
        """Bytes the fields promise; None for "until lead" or where a lost header would have said."""
        if item.length is None:
            return None
        try:
            count = item.length.value({**self.inherited, **self.numbers})
        except CardError:
            return self.layout.size
        if count < 0:
            self.faults.append(Fault("length", f"the fields promise {count} bytes ({item.length})"))
            raise _CutOff("the data")
        return count

    def _is_sure_of_length(self, item: Data) -> bool:
        """Whether the block itself says how many bytes it has, and that was heard well."""
        own = item.length is not None and item.length.names <= set(self.numbers)
        return own and self.sure_of_numbers >= DOUBTFUL

    def _idle_seconds(self) -> float:
        leads = [block.at_least for block in self.layout.layout if isinstance(block, Lead) and block.at_least]
        return max(LEAST_IDLE_SECONDS, leads[0] if leads else 0.0)

    def _check(self, item: Check) -> None:
        run = self._read(check_width_bytes(item.check) * item.tape_bytes_per_byte, "the check")
        got = self._decoded(item, run)
        said, found = check_from_bytes(item, got.plain), self.covered.check(item)
        lost = bool(np.any(got.confidence == 0))
        unread = lost or bool(self.unread & set(item.over))
        ok = said == found and not unread
        width = check_width_bytes(item.check)
        self.evidence += 8.0 * width if ok else BAD_CHECK_BITS
        self.checks.append((item, -1 if lost else said, found, ok))
        if lost:
            text = "the block's check could not be read"
            self.faults.append(Fault("check", text, span_of(self.symbols, run)))
        elif not ok:
            says = f"the block says {said:0{2 * width}X}h, its bytes give {found:0{2 * width}X}h"
            text = f"the check failed: {says}" + (", and some of them could not be read" if unread else "")
            self.faults.append(Fault("check", text, span_of(self.symbols, run)))

    def _cover(self, key: str, got: Decoded) -> None:
        self.covered.add(key, got.plain, got.sent)
        if np.any(got.confidence == 0):
            self.unread.add(key)

    def _value_fault(self, what: str, wanted: str, found: str, run: ByteRun) -> None:
        text = f"{what} should be {wanted} and reads {found}"
        self.faults.append(Fault("field", text, span_of(self.symbols, run)))
