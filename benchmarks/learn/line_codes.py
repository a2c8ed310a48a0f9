"""Random line codes of every family of shared practice: what a 0, a 1, a leader and a mark sound like.

Timings are typical ones, widened by about 30 per cent, at 300 to 3000 bit/s (slower only for tone-duration
ratio and bursts, whose typical rates are lower).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from benchmarks.learn.dice import Dice

__all__ = ["FAMILIES", "LineCode", "random_line_code"]

#: A piece of a symbol, as a card writes it.
Piece = dict[str, Any]

SLOWEST_BITS_PER_SECOND, FASTEST_BITS_PER_SECOND = 300.0, 3000.0
#: Above this a dull recorder (5 kHz) leaves nothing of a tone.
HIGHEST_TONE_HZ = 4_800.0
#: Lengths that are to be told apart differ by this factor at least.
APART = 1.28
RATIO_CELL_SECONDS = (2.3e-3, 5.3e-3)
#: Tones of modems are so many parts of the bit rate, and so many of them apart.
PHASES = 60
PHASES_APART = (40, 45, 48, 50, 54, 60)
#: Waves are drawn as sines, or as the square waves of a bare port bit.
SINE_SHARE = 0.55


@dataclass(frozen=True)
class LineCode:
    """Symbols, and what can be made of them.

    Parameters
    ----------
    symbols : dict
        As in a card: name to list of pieces.
    lead_bits : str
        The bits a leader can be made of: a leader must show where a symbol begins, or leave it to the sync.
    lead_symbol : str
        A symbol for leaders alone; empty where there is none.
    mark : str
        Symbols that stand in no byte, to find the first byte by; empty where there are none.
    sign_is_data : bool
        Whether the sound upside down is another program.
    is_silent_at : str
        The bit that is silence: only bytes with a start and a stop make sense then.
    """

    symbols: dict[str, list[Piece]]
    lead_bits: str = "01"
    lead_symbol: str = ""
    mark: str = ""
    sign_is_data: bool = False
    is_silent_at: str = ""
    traits: tuple[str, ...] = field(default=())


def random_line_code(dice: Dice, family: str) -> LineCode:
    """Draw a line code of a family."""
    return _DRAW[family](dice)


def _us(value: float) -> float:
    """Round microseconds to what anybody would write in a card."""
    return round(value, 2)


def _cycle(hertz: float, cycles: float, is_sine: bool) -> Piece:
    if is_sine:
        return {"tone": round(hertz, 2), "cycles": cycles}
    return {"half_waves": [_us(0.5e6 / hertz)] * round(2 * cycles)}


def _drawn(is_sine: bool) -> tuple[str, ...]:
    return ("sine",) if is_sine else ("square",)


def _is_in_range(bits_per_second: float) -> bool:
    return SLOWEST_BITS_PER_SECOND <= bits_per_second <= FASTEST_BITS_PER_SECOND


def _bits(dice: Dice, one: list[Piece], other: list[Piece]) -> dict[str, list[Piece]]:
    """Which of the two is 0 is nobody's business but the machine's."""
    return {"0": one, "1": other} if dice.chance(0.5) else {"0": other, "1": one}


def _third_cycle_us(dice: Dice, short_us: float, long_us: float, longest_us: float) -> float | None:
    """Draw a cycle that is neither the short nor the long one: mostly longer, as pilots are."""
    places = [(long_us * APART, min(long_us * 1.9, longest_us))]
    if short_us * APART < long_us / APART:
        places.append((short_us * APART, long_us / APART))
    places.append((max(1e6 / HIGHEST_TONE_HZ, short_us / 1.9), short_us / APART))
    open_places = [(low, high) for low, high in places if low < high]
    return dice.by_ratio(*dice.pick(open_places)) if open_places else None


def _with_lead(
    dice: Dice, symbols: dict[str, list[Piece]], short_us: float, long_us: float, is_sine: bool
) -> LineCode:
    """Give some codes a leader of its own, and some of those a mark, as pilots and their sync pulse."""
    traits = _drawn(is_sine)
    third_us = _third_cycle_us(dice, short_us, long_us, 2400.0) if dice.chance(0.35) else None
    if third_us is None:
        return LineCode(symbols, traits=traits)
    symbols["P"] = [_cycle(1e6 / third_us, 1, is_sine)]
    mark = ""
    if not is_sine and dice.chance(0.5):
        # the only pair of unequal half-waves
        symbols["S"] = [{"half_waves": [_us(short_us / 2), _us(long_us / 2)]}]
        mark = "S"
    elif dice.chance(0.4):
        mark = "P" + dice.pick(["10", "01", "1", "0"])
    return LineCode(symbols, "", "P", mark, traits=(*traits, "pilot", *(["mark"] if mark else [])))


def _n_cycles(dice: Dice) -> tuple[int, int, float]:
    """Draw the cycles of the low and the high tone in a bit, and the low tone."""
    while True:
        if dice.chance(0.75):
            low_cycles = dice.whole(1, 8)
            high_cycles = 2 * low_cycles
        else:
            low_cycles, high_cycles = dice.pick([(2, 3), (4, 6), (3, 5), (1, 3), (3, 4), (5, 8), (6, 8)])
        low_hz = dice.by_ratio(650.0, 2400.0)
        if _is_in_range(low_hz / low_cycles) and low_hz * high_cycles / low_cycles < HIGHEST_TONE_HZ:
            return low_cycles, high_cycles, low_hz


def _n_cycle(dice: Dice) -> LineCode:
    low_cycles, high_cycles, low_hz = _n_cycles(dice)
    high_hz = low_hz * high_cycles / low_cycles
    is_sine = dice.chance(SINE_SHARE)
    symbols = _bits(
        dice, [_cycle(low_hz, low_cycles, is_sine)], [_cycle(high_hz, high_cycles, is_sine)]
    )  # fmt: skip
    return _with_lead(dice, symbols, 1e6 / high_hz, 1e6 / low_hz, is_sine)


def _two_lengths(dice: Dice, shortest_us: float, longest_us: float, per_bit: float) -> tuple[float, float]:
    """Draw a short and a long time, `per_bit` of them in a bit, at a rate in range."""
    while True:
        short_us = dice.by_ratio(shortest_us, longest_us)
        long_us = short_us * dice.evenly(1.55, 2.4)
        if _is_in_range(1e6 / (per_bit * 0.5 * (short_us + long_us))):
            return short_us, long_us


def _one_cycle(dice: Dice) -> LineCode:
    short_us, long_us = _two_lengths(dice, 290.0, 900.0, 1)
    is_sine = dice.chance(SINE_SHARE)
    symbols = _bits(dice, [_cycle(1e6 / short_us, 1, is_sine)], [_cycle(1e6 / long_us, 1, is_sine)])
    return _with_lead(dice, symbols, short_us, long_us, is_sine)


def _half_wave(dice: Dice) -> LineCode:
    short_us, long_us = _two_lengths(dice, 170.0, 430.0, 1)
    symbols = _bits(dice, [{"half_waves": [_us(short_us)]}], [{"half_waves": [_us(long_us)]}])
    if dice.chance(0.3):
        # longer than any bit: of a leader of shorter half-waves the reader loses the end
        symbols["P"] = [{"half_waves": [_us(long_us * dice.evenly(APART, 1.8))]}]
        mark = dice.pick(["", "P10", "P01"])
        return LineCode(symbols, "", "P", mark, traits=("square", "pilot"))
    return LineCode(symbols, traits=("square",))


def _pairs(dice: Dice) -> LineCode:
    short_us, long_us = _two_lengths(dice, 140.0, 325.0, 2)
    symbols = _bits(
        dice, [{"half_waves": [_us(short_us)] * 2}], [{"half_waves": [_us(long_us)] * 2}]
    )  # fmt: skip
    return _with_lead(dice, symbols, 2 * short_us, 2 * long_us, is_sine=False)


def _ratio(dice: Dice) -> LineCode:
    """Two tones in a cell, one of them twice as long as the other: whole cycles, cells of one length.

    Sines only: square ones, the package's own reader misreads here and there, even without a tape between, as
    it does cells longer than these.
    """
    while True:
        first, second = dice.whole(2, 12), dice.whole(2, 12)  # cycles in a third of the cell
        third_seconds = dice.by_ratio(*RATIO_CELL_SECONDS) / 3
        tones = sorted((first / third_seconds, second / third_seconds))
        if 1_600.0 < tones[0] < tones[1] / 1.3 and tones[1] < HIGHEST_TONE_HZ:
            break
    hertz = first / third_seconds, second / third_seconds
    long_first = [_cycle(hertz[0], 2 * first, True), _cycle(hertz[1], second, True)]
    short_first = [_cycle(hertz[0], first, True), _cycle(hertz[1], 2 * second, True)]
    return LineCode(_bits(dice, long_first, short_first), traits=_drawn(True))


def _burst(dice: Dice) -> LineCode:
    return _burst_or_none(dice) if dice.chance(0.35) else _burst_count(dice)


def _burst_count(dice: Dice) -> LineCode:
    """Few pulses, or about twice as many, and quiet after each."""
    hertz = dice.by_ratio(2_200.0, 4_500.0)
    few = dice.whole(3, 7)
    many = 2 * few + dice.pick([-1, 0, 0, 1])
    quiet_us = _us(dice.by_ratio(max(750.0, 2.2e6 / hertz), 1_900.0))
    is_sine = dice.chance(SINE_SHARE)
    symbols = _bits(
        dice,
        [_cycle(hertz, few, is_sine), {"silence": quiet_us}],
        [_cycle(hertz, many, is_sine), {"silence": quiet_us}],
    )
    return LineCode(symbols, traits=(*_drawn(is_sine), "pulses-counted"))


def _burst_or_none(dice: Dice) -> LineCode:
    """A burst in the cell, or none: fast, as the package's reader takes a long silence for a gap."""
    hertz = dice.by_ratio(2_200.0, 4_500.0)
    cell_us = dice.by_ratio(1e6 / 1_200.0, 1_500.0)
    cycles = max(2, round(dice.evenly(0.45, 0.7) * cell_us * hertz * 1e-6))
    burst_us = cycles * 1e6 / hertz
    cell_us = max(cell_us, burst_us + 250.0)
    is_sine = dice.chance(SINE_SHARE)
    burst = [_cycle(hertz, cycles, is_sine), {"silence": _us(cell_us - burst_us)}]
    symbols = _bits(dice, burst, [{"silence": _us(cell_us)}])
    loud = "0" if symbols["0"] is burst else "1"
    return LineCode(
        symbols, loud, is_silent_at="1" if loud == "0" else "0", traits=(*_drawn(is_sine), "present-absent")
    )


def _biphase_l(dice: Dice) -> LineCode:
    half_us = _us(0.5e6 / dice.by_ratio(700.0, FASTEST_BITS_PER_SECOND))
    down = [{"levels": [[1.0, half_us], [-1.0, half_us]]}]
    up = [{"levels": [[-1.0, half_us], [1.0, half_us]]}]
    return LineCode(_bits(dice, down, up), sign_is_data=True)


def _biphase(dice: Dice, edge_bit: str) -> LineCode:
    """Differential: one bit is a whole cell between edges, the other has an edge in the middle."""
    half_us = _us(0.5e6 / dice.by_ratio(700.0, FASTEST_BITS_PER_SECOND))
    plain_bit = "0" if edge_bit == "1" else "1"
    symbols = {plain_bit: [{"half_waves": [2 * half_us]}], edge_bit: [{"half_waves": [half_us] * 2}]}
    return LineCode(dict(sorted(symbols.items())), plain_bit)


def _clock_data(dice: Dice) -> LineCode:
    """A pulse (up, then down) at the start of each cell, and one more in the middle of a 1."""
    cell_us = dice.by_ratio(700.0, 2_600.0)
    pulse_us = _us(dice.by_ratio(85.0, max(90.0, min(300.0, cell_us / 7))))
    rest = _us(cell_us / 2 - 2 * pulse_us), _us(cell_us - 2 * pulse_us)
    if dice.chance(0.5):
        pulse: Piece = {"half_waves": [pulse_us, pulse_us]}
        zero = [pulse, {"silence": rest[1]}]
        one = [pulse, {"silence": rest[0]}] * 2
        return LineCode({"0": zero, "1": one}, "0")
    up_down = [[1.0, pulse_us], [-1.0, pulse_us]]
    zero = [{"levels": [*up_down, [0.0, rest[1]]]}]
    one = [{"levels": [*up_down, [0.0, rest[0]]] * 2}]
    return LineCode({"0": zero, "1": one}, "0")


def _three_length(dice: Dice) -> LineCode:
    short_us = dice.by_ratio(255.0, 460.0)
    medium_us = short_us * dice.evenly(1.36, 1.55)
    long_us = short_us * dice.evenly(1.9, 2.15)
    is_sine = dice.chance(SINE_SHARE)
    short, medium, long_ = (_cycle(1e6 / us, 1, is_sine) for us in (short_us, medium_us, long_us))
    symbols = _bits(dice, [short, medium], [medium, short])
    symbols["L"] = [long_]
    mark = dice.pick(["", "L10", "L01", "L1", "L0"])
    return LineCode(symbols, "", "L", mark, traits=_drawn(is_sine))


def _modem(dice: Dice) -> LineCode:
    """Two tones that change without a jump in phase, a bit lasting a fixed time.

    As in modems, both are so many sixtieths of the bit rate (300 bit/s: multiples of 5 Hz). What runs
    through more phases than 64 at the ends of its bits, the package's own reader does not follow; and it
    slips where the two differ by nearly a whole turn a bit.
    """
    rate = dice.pick([300, 450, 600, 1200, round(dice.by_ratio(300.0, 1250.0))])
    low = dice.by_ratio(max(850.0, 1.02 * rate), 2_000.0) / rate
    low_turns = round(PHASES * low)
    turns = [low_turns, low_turns + dice.pick(PHASES_APART)]
    tones = [[{"tone": count * rate / PHASES, "us": 1e6 / rate}] for count in turns]
    return LineCode(_bits(dice, *tones))


#: One cycle in equal steps: three levels from one resistor more, four from R and 2 R.
_STEPS = {
    "three levels": [[0.0, 1.0, 0.0, -1.0], [0.0, 1.0, 1.0, 0.0, -1.0, -1.0]],
    "four levels": [[1 / 3, 1.0, 1 / 3, -1 / 3, -1.0, -1 / 3], [-1 / 3, 1 / 3, 1.0, 1 / 3, -1 / 3, -1.0]],
}


def _levels(dice: Dice) -> LineCode:
    words = dice.pick(list(_STEPS))
    steps = dice.pick(_STEPS[words])

    def cycles(hertz: float, count: int) -> list[Piece]:
        us = 1e6 / hertz / len(steps)
        return [{"levels": [[round(level, 4), us] for level in steps]}] * count

    if dice.chance(0.6):
        low_cycles, high_cycles, low_hz = _n_cycles(dice)
        symbols = _bits(
            dice, cycles(low_hz, low_cycles), cycles(low_hz * high_cycles / low_cycles, high_cycles)
        )
    else:
        short_us, long_us = _two_lengths(dice, 290.0, 900.0, 1)
        symbols = _bits(dice, cycles(1e6 / short_us, 1), cycles(1e6 / long_us, 1))
    return LineCode(symbols, traits=(words.replace(" ", "-"),))


_DRAW: dict[str, Callable[[Dice], LineCode]] = {
    "n-cycle": _n_cycle,
    "one-cycle": _one_cycle,
    "half-wave": _half_wave,
    "pairs": _pairs,
    "ratio": _ratio,
    "burst": _burst,
    "biphase-l": _biphase_l,
    "biphase-m": lambda dice: _biphase(dice, "1"),
    "biphase-s": lambda dice: _biphase(dice, "0"),
    "clock-data": _clock_data,
    "three-length": _three_length,
    "modem": _modem,
    "levels": _levels,
}
FAMILIES = tuple(_DRAW)
