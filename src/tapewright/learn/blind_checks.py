"""A first look for a check: is there any over most of a block? Which, and over what, is found later."""

from __future__ import annotations

from collections.abc import Sequence

from tapewright.learn.check_evidence import Tails, distinct_messages
from tapewright.learn.check_price import as_sent_bits, coverage_bits
from tapewright.learn.check_rule import CONSTANT_NAMES, Message
from tapewright.learn.check_sums import sum_rules
from tapewright.learn.crc_search import CrcSearch
from tapewright.learn.known import Known, as_sent
from tapewright.learn.samples import Sample

__all__ = ["check_bits"]

#: More messages than that tell no more.
MOST_MESSAGES = 6


def check_bits(samples: Sequence[Sample], knowns: Sequence[Known], coding: str) -> float:
    """Tell how much speaks for a check at the end of the blocks with data.

    Parameters
    ----------
    samples : sequence of Sample
        Blocks, cut into head, data and tail.
    knowns : sequence of Known
    coding : {"plain", "hex"}

    Returns
    -------
    float
        Evidence for the best of the usual sums and polynomials, over the head and the data or one of them,
        in bits; 0 for none.
    """
    chosen = [sample for sample in samples if sample.has_data and sample.tail]
    if not chosen:
        return 0.0
    same = _in_common([sample.head for sample in chosen])
    messages = distinct_messages([_message(sample, knowns[sample.save], same, coding) for sample in chosen])
    tails = Tails(messages[:MOST_MESSAGES])
    covered, prices = {}, {}
    for over, bits in coverage_bits(messages[0].names, CONSTANT_NAMES).items():
        for is_sent in (False, True) if coding == "hex" else (False,):
            covered[over, is_sent] = [
                b"".join(message.covered(name, is_sent) for name in over) for message in tails.messages
            ]
            prices[over, is_sent] = bits + as_sent_bits(is_sent, coding == "hex")
    found = [*sum_rules(tails, covered, prices), *CrcSearch(tails, prices).usual_rules()]
    return max([0.0, *(bits for rule, bits in found if rule.offset == 0)])


def _in_common(heads: Sequence[bytes]) -> int:
    """How many bytes all heads begin with; of one head alone, the first is taken for a sync."""
    shortest = min(map(len, heads))
    if len(set(heads)) == 1:
        return min(shortest, 1)
    return next(k for k in range(shortest + 1) if len({head[: k + 1] for head in heads}) > 1)


def _message(sample: Sample, known: Known, same: int, coding: str) -> Message:
    """A block as sync, fields and data."""
    body = known.data[sample.first : sample.end]
    last = 2 if coding == "hex" else 1  # a check may cover the last of them, that tells the kind of block
    own = same - last if same > last else same
    parts = [
        ("sync", sample.head[:own], sample.head[:own]),
        ("fixed", _undone(sample.head[own:same], coding), sample.head[own:same]),
        ("fields", _undone(sample.head[same:], coding), sample.head[same:]),
        ("data", body, as_sent(body, coding)),
    ]
    there = [part for part in parts if part[1]]
    return Message(
        tuple((name, meant) for name, meant, _ in there), tuple(sent for _, _, sent in there),
        _undone(sample.tail, coding), sample.tail,
    )  # fmt: skip


def _undone(sent: bytes, coding: str) -> bytes:
    """What hexadecimal characters say, if they are that."""
    try:
        return bytes.fromhex(sent.decode("ascii")) if coding == "hex" else sent
    except ValueError:
        return sent
