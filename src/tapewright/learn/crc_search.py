"""Trying CRCs: those of the catalogue, all of 8 bits, and polynomials that recordings give away."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from functools import cached_property

import numpy as np
import numpy.typing as npt

from tapewright.cards.checks import CrcCheck, CrcParameters
from tapewright.learn import check_price as price
from tapewright.learn.check_evidence import Tails
from tapewright.learn.check_rule import CheckRule, Coverage, Place
from tapewright.learn.crc_kernels import remainders, solve
from tapewright.learn.crc_polynomials import common_divisors, equations, reflected

__all__ = ["CrcSearch"]

Numbers = npt.NDArray[np.uint64]

_REVERSED = np.array([int(f"{value:08b}"[::-1], 2) for value in range(256)], np.uint8)
#: Rules worse than no check by more than this are not looked at.
_LEAST_BITS = -3.0
#: How many messages are looked at together when a polynomial is sought: two differences, and no more, so
#: that one message misread spoils one group only.
_GROUP, _MOST_GROUPS = 3, 2
_MOST_RULES, _MOST_BEHIND_BITS = 20, 20.0


class CrcSearch:
    """The search for CRCs on some messages.

    Parameters
    ----------
    tails : Tails
    covered_bits : dict
        Names covered and whether as sent -> its price.
    """

    def __init__(self, tails: Tails, covered_bits: dict[Coverage, float]) -> None:
        self.tails = tails
        self.covered_bits = covered_bits
        self.names = tails.messages[0].names

    def usual_rules(self) -> Iterator[tuple[CheckRule, float]]:
        """Try the polynomials of the catalogue, and all of 8 bits, at every place.

        Yields
        ------
        rule : CheckRule
        bits : float
            What the rule saves, less its price.
        """
        for width, known in price.CATALOGUE_POLYS.items():
            polys = range(1, 256, 2) if width == 8 and len(self.tails.messages) > 1 else known
            for is_reflected in (False, True):
                yield from self._rules(polys, width, is_reflected)

    def unusual_rules(self) -> Iterator[tuple[CheckRule, float]]:
        """Try polynomials that the recordings give away.

        A block and its CRC, taken as a polynomial, are a multiple of the CRC's own, but for what start and
        final value add; the greatest common divisor of two or more such polynomials is the one sought.

        Yields
        ------
        rule : CheckRule
        bits : float
        """
        if len(self.tails.messages) < 2:
            return
        # those that vary enough to pay for a polynomial
        places = [
            place
            for place, most in self._most_bits.items()
            if place.width_bytes > 1 and most > 8 * place.width_bytes
        ]
        for is_reflected in (False, True):
            covered = [self._as_polynomials(one, is_reflected) for one in self.covered_bits] if places else []
            found: dict[int, set[int]] = {}
            for place in places:
                width = 8 * place.width_bytes
                # constants cancel out of differences, so with and without them it is one question
                asked = {numbers for one in covered for numbers in self._equations(one, place, is_reflected)}
                divisors = (poly for numbers in asked for poly in common_divisors(numbers, width))
                found.setdefault(width, set()).update(divisors)
            for width, polys in found.items():
                if polys:
                    yield from self._rules(sorted(polys), width, is_reflected)

    @cached_property
    def _most_bits(self) -> dict[Place, float]:
        """What a rule saves at most at each place, if it holds wherever something stands there; unpriced."""
        tails = self.tails
        return {
            place: float(tails.saved_bits(place, np.count_nonzero(tails.values(place) >= 0)))
            - price.place_bits(place, tails.is_told_apart)
            for place in tails.places
        }

    def _as_polynomials(self, coverage: Coverage, is_reflected: bool) -> list[tuple[int, int]]:
        """What is covered of each message, as a polynomial, and its number of bits."""
        over, as_sent = coverage
        found = []
        for message in self.tails.messages:
            data = b"".join(message.covered(name, as_sent) for name in over)
            data = bytes(_REVERSED[np.frombuffer(data, np.uint8)]) if is_reflected else data
            found.append((int.from_bytes(data, "big"), 8 * len(data)))
        return found

    def _equations(
        self, covered: Sequence[tuple[int, int]], place: Place, is_reflected: bool
    ) -> Iterator[tuple[int, ...]]:
        width = 8 * place.width_bytes
        blocks = [
            (data << width ^ (reflected(value, width) if is_reflected else value), length)
            for (data, length), value in zip(covered, self.tails.values(place).tolist(), strict=True)
            if value >= 0
        ]
        blocks.sort(key=lambda block: block[1])  # short ones are quicker
        for first in range(0, max(1, len(blocks) - _GROUP + 1), _GROUP)[:_MOST_GROUPS]:
            yield from equations(blocks[first : first + _GROUP], width)

    def _rules(
        self, polys: Iterable[int], width: int, is_reflected: bool
    ) -> Iterator[tuple[CheckRule, float]]:
        numbers = np.array(list(polys), np.uint64)
        places = [
            place for place in self.tails.places
            if 8 * place.width_bytes == width and self._most_bits[place] >= _LEAST_BITS
        ]  # fmt: skip
        if not places:
            return
        for as_sent in sorted({as_sent for _, as_sent in self.covered_bits}):
            runs = [over for over, is_sent in self.covered_bits if is_sent == as_sent]
            run_bits = np.array([self.covered_bits[over, as_sent] for over in runs])
            data, bounds = self._flat(as_sent, is_reflected)
            chosen = np.array([[name in over for name in self.names] for over in runs])
            remainder, shift, unshift = remainders(numbers, width, data, bounds, chosen)
            for place in places:
                values = self.tails.values(place)
                present = values >= 0
                seen = np.where(present, values, 0).astype(np.uint64)
                if is_reflected:
                    seen = np.array([reflected(int(value), width) for value in seen], np.uint64)
                init, final, count = solve(numbers, width, remainder, shift, unshift, seen, present)
                bits = self.tails.saved_bits(place, count) - run_bits
                bits -= price.place_bits(place, self.tails.is_told_apart)
                if bits.max() < _LEAST_BITS:
                    continue  # whatever the rest costs
                bits -= price.crc_bits(numbers[:, np.newaxis], init, final, width, is_reflected)
                for best in _best_places(bits):
                    poly, over = int(numbers[best[1]]), runs[best[2]]
                    check = _crc_check(width, poly, int(init[best]), int(final[best]), is_reflected)
                    rule = CheckRule(check, over, place.order, 0, as_sent, 0, place.is_coded, place.offset)
                    yield rule, float(bits[best])

    def _flat(self, as_sent: bool, is_reflected: bool) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.int64]]:
        """Lay the items of all messages end to end."""
        parts = [[message.covered(name, as_sent) for name in self.names] for message in self.tails.messages]
        data = np.frombuffer(b"".join(part for row in parts for part in row), np.uint8)
        ends = np.cumsum([len(part) for row in parts for part in row]).reshape(len(parts), -1)
        firsts = np.concatenate([[0], ends[:-1, -1]])
        bounds = np.column_stack([firsts, ends]).astype(np.int64)
        return (_REVERSED[data] if is_reflected else data), bounds


def _best_places(bits: npt.NDArray[np.float64]) -> Iterator[tuple[int, ...]]:
    """List where in an array the rules stand that are worth a closer look."""
    least = max(_LEAST_BITS, float(bits.max()) - _MOST_BEHIND_BITS)
    for flat in np.argsort(-bits, axis=None)[:_MOST_RULES]:
        place = tuple(int(n) for n in np.unravel_index(flat, bits.shape))
        if bits[place] < least:
            return
        yield place


def _crc_check(width: int, poly: int, init: int, final: int, is_reflected: bool) -> CrcCheck:
    """Write a CRC as a card does: the final value is added after the register is turned around."""
    return CrcCheck(
        crc=CrcParameters(
            width=width,
            poly=poly,
            init=init,
            refin=is_reflected,
            refout=is_reflected,
            xorout=reflected(final, width) if is_reflected else final,
        )
    )
