"""The receiver for sound as it comes in: symbols a moment after they are heard.

A window slides along with the sound. It begins where a symbol given out before ended, some dozens of symbols
back, so that symbols stay in line from one window to the next; it ends with the latest sound. Each is read as
a window of a file is, and the symbols that ended a while ago are given out. A window is short, so waveforms
and noise are known less well than in a file.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from tapewright.cards import FormatCard, load_format
from tapewright.line.front import Heard, Tuner, mix
from tapewright.line.gather import chained, moved, picked, usual_seconds, with_gaps
from tapewright.line.receiver import DOUBTFUL, SILENCE, Receiver, sureness
from tapewright.line.scene import Lock
from tapewright.model import Recording, Symbols, UsageError

__all__ = ["Listener"]

FloatArray = npt.NDArray[np.float64]

#: Sound is taken in so much at a time however it is fed: so the symbols cannot depend on that.
PIECE_SECONDS = 0.005
#: A window is read whenever so much is new, or less where a long filter takes more of the time that symbols
#: may be late. What resampling gives, it gives 10 to 20 ms at a time.
STEP_SECONDS, LATE_SECONDS, RESAMPLING_SECONDS = (0.02, 0.035), 0.095, 0.03
#: Symbols are given out when they ended so long ago: by then what follows has told where symbols begin, and
#: what the last of a leader was.
SETTLING_SECONDS, SETTLING_SYMBOLS = 0.025, 8
#: A window reaches back so far: level, clock and waveforms are learned from that.
CONTEXT_SECONDS, CONTEXT_SYMBOLS = 0.12, 40
#: Symbols are in line while each ends where it should, to within this share of its length.
OUT_OF_LINE = 0.1
#: A window begins so many samples early, for the first symbol to be found between samples.
LEAD_SAMPLES = 2
#: Sound is kept for so long, for speed and level to be found from when they are not known.
KEPT_SECONDS = 1.5
#: How often to see whether there is sound that symbols do not explain; how often to look at it anew, which is
#: more work; and how much of its beginning, which may be half silence, to leave out then.
CHECK_SECONDS, LOOK_SECONDS, ONSET_SECONDS = 0.08, 0.5, 0.03
#: A window with fewer symbols teaches nothing of speed, level and noise.
FEWEST_TO_LEARN = 16


class Listener:
    """Hears a format in sound that is still coming in, in constant memory.

    Symbols are given out once and stay as they are. A file is read better (:func:`tapewright.read`): it can
    be looked at as a whole, and twice.

    Parameters
    ----------
    format : str, path or FormatCard
    rate_hz : float
        Sample rate of what will be fed, 4 kHz to 400 kHz.
    channel : int or "average"
        Which channel to listen to, where several are fed.
    inverted : bool
        Turn the sound upside down first. Only formats made of absolute levels can tell.

    Raises
    ------
    CardError
        If there is no such card.
    SignalError
        If the sample rate is out of range.
    UsageError
        If `channel` is neither a number from 0 nor "average".

    Notes
    -----
    Data are given out within 100 ms of sound after their end (docs/benchmarks.md has a table). Until speed
    and level are known, which takes 0.3 to 0.4 s of sound, nothing is given out; then everything since that
    sound began is. In a leader of one symbol over and over, where a symbol begins is open until data come,
    and what was given out of it stays; the data themselves come out whole.

    Examples
    --------
    >>> import numpy as np
    >>> import tapewright as tw
    >>> tape = tw.synthesize(b"HI", format="kcs-300")
    >>> listener = tw.Listener("kcs-300", tape.rate_hz)
    >>> text = "".join(listener.feed(piece).text for piece in tape.chunks(0.02))
    >>> text += listener.finish().text
    >>> text.strip(".1")  # without silence and leader: H, two stop bits, I
    '00001001011010010010'
    """

    def __init__(
        self,
        format: str | Path | FormatCard,
        rate_hz: float,
        *,
        channel: int | str = "average",
        inverted: bool = False,
    ) -> None:
        Recording(np.zeros(1, np.float32), rate_hz)  # refuses what is no sample rate
        if channel != "average" and not (isinstance(channel, int) and channel >= 0):
            raise UsageError(f"channel is {channel!r}; give a number, counted from 0, or 'average'")
        self.rate_hz = rate_hz
        self.channel = channel
        self._receiver = Receiver(load_format(format), rate_hz, inverted)
        rate, longest = self._receiver.band.rate_hz, self._receiver.longest_seconds
        self._nominal = np.array([shape.seconds for shape in self._receiver.alphabet.shapes])
        self._settling = int(rate * max(SETTLING_SECONDS, SETTLING_SYMBOLS * longest))
        self._context = int(rate * max(CONTEXT_SECONDS, CONTEXT_SYMBOLS * longest))
        self._piece = max(1, round(PIECE_SECONDS * rate_hz))
        self.reset()

    def reset(self) -> None:
        """Forget everything: what is fed next is the beginning of another recording."""
        receiver = self._receiver
        self._tuner = Tuner(self.rate_hz, receiver.band)
        rate = receiver.band.rate_hz
        others = self._settling / rate + self._tuner.held_back_seconds + RESAMPLING_SECONDS
        self._step_samples = int(np.clip(LATE_SECONDS - others, *STEP_SECONDS) * rate)
        self._lock: Lock | None = None
        self._waiting = np.zeros(0, np.float32)  # fed, and less than a piece
        self._fed = 0
        self._heard = np.zeros(0, np.float32)  # at the receiver's rate, the last `KEPT_SECONDS`
        self._first = 0  # number of its first sample
        self._new = 0
        self._next_check, self._looked_until = 0, 0
        self._recent = Symbols.empty(receiver.alphabet.names)  # given out, and still in `_heard`
        self._given_until = 0.0
        self._usual: float | None = None  # length of the symbols given out last
        self._is_finished = False

    def feed(self, samples: npt.NDArray[np.floating]) -> Symbols:
        """Take the next samples, as many as there are.

        Parameters
        ----------
        samples : ndarray, shape (n,) or (n, channels)
            Full scale +-1.

        Returns
        -------
        Symbols
            Those that have settled since the last call, in order, times in seconds from the first sample fed;
            often none. A silence is told, as one gap, with the symbol after it.

        Raises
        ------
        SignalError
            If a sample is not finite, or there are more than eight channels.
        UsageError
            If there is no such channel, or after `finish`.
        """
        sound = Recording(np.asarray(samples, np.float32), self.rate_hz)
        self._refuse_if_finished()
        if self.channel != "average" and int(self.channel) >= sound.channels:
            raise UsageError(
                f"there is no channel {self.channel} in what was fed, which has {sound.channels};"
                " channels are counted from 0"
            )
        self._fed += len(sound.samples)
        self._waiting = np.concatenate((self._waiting, mix(sound.samples, self.channel)))
        whole = len(self._waiting) // self._piece * self._piece
        pieces, self._waiting = self._waiting[:whole], self._waiting[whole:].copy()
        settled = []
        for first in range(0, whole, self._piece):
            self._take(self._tuner.feed(pieces[first : first + self._piece]))
            if self._new >= self._step_samples:
                settled.append(self._step(is_last=False))
        return chained([Symbols.empty(self._receiver.alphabet.names), *settled])

    def finish(self) -> Symbols:
        """Return the rest, and a gap at the end if the sound went on without symbols."""
        self._refuse_if_finished()
        self._take(self._tuner.feed(self._waiting))
        self._take(self._tuner.finish())
        self._is_finished = True
        return self._step(is_last=True)

    def _refuse_if_finished(self) -> None:
        if self._is_finished:
            raise UsageError("this recording was finished; call reset to begin another one")

    def _take(self, heard: Heard) -> None:
        if len(heard):
            self._heard = np.concatenate((self._heard, self._receiver.sign * heard))
            self._new += len(heard)

    def _step(self, *, is_last: bool) -> Symbols:
        """Read what is new, and forget what is old."""
        rate = self._receiver.band.rate_hz
        end = self._first + len(self._heard)
        frontier = end if is_last else end - self._settling
        found = self._look_anew(self._read(frontier), end, is_last)
        middle = 0.5 * (found.start_seconds + found.end_seconds)
        is_settled = is_last | (found.end_seconds <= frontier / rate)
        settled = picked(found, (middle >= self._given_until) & is_settled)
        self._new = 0
        out = self._give_out(settled, self._fed / self.rate_hz if is_last else None)
        self._forget(end - int(KEPT_SECONDS * rate))
        return out

    def _read(self, frontier: int) -> Symbols:
        """Read the latest sound with what is known."""
        receiver = self._receiver
        rate = receiver.band.rate_hz
        first = self._window_start(float(max(self._first, frontier - self._context)))
        start = max(self._first, int(first) - LEAD_SAMPLES)
        window = self._heard[start - self._first : self._whole_symbols(first) - self._first]
        if self._lock is None or not np.any(window * window > SILENCE):
            return Symbols.empty(receiver.alphabet.names)
        found, lock = receiver.search(window, self._lock)
        if len(found) >= FEWEST_TO_LEARN:
            self._lock = lock
        return moved(found, start / rate)

    def _window_start(self, first: float) -> float:
        """Where to begin a window: from `first` on, where a symbol that was given out ended, if one did."""
        rate, recent = self._receiver.band.rate_hz, self._recent
        ends = recent.end_seconds * rate
        after = np.flatnonzero(ends >= first)
        if not len(after):
            return first
        # data are seldom in line with the leader as it was given out: what is decided is not left open again
        index, k = recent.index[after], after[1:]
        expected = self._nominal[recent.index[k]] / recent.speed[k] * rate
        is_jump = np.abs(np.diff(ends[after]) - expected) > OUT_OF_LINE * expected
        is_same = np.cumsum(index[1:] != index[0]) <= 1
        jumps = np.flatnonzero(is_jump & is_same)
        if not len(jumps):
            return float(ends[after[0]])
        k = after[jumps[-1] + 1]
        return float(recent.start_seconds[k] * rate)

    def _whole_symbols(self, first: float) -> int:
        """Where to end a window: where a symbol would end if the last one given out went on and on.

        In a run longer than a window nothing tells where symbols begin. With symbols that are whole at both
        ends of the window, the way they were given out so far explains one symbol more than any other does.
        """
        end = self._first + len(self._heard)
        rate = self._receiver.band.rate_hz
        if not len(self._recent) or self._is_finished or self._given_until * rate < first:
            return end
        last = float(self._recent.end_seconds[-1] - self._recent.start_seconds[-1]) * rate
        beyond = 0.125 * last
        whole = np.floor((end - beyond - self._given_until * rate) / last)
        return int(self._given_until * rate + whole * last + beyond)

    def _look_anew(self, found: Symbols, end: int, is_last: bool) -> Symbols:
        """Find speed and level again where there is sound, and no symbols that explain it."""
        receiver = self._receiver
        rate = receiver.band.rate_hz
        if end < self._next_check and not is_last:
            return found
        self._next_check = end + int(CHECK_SECONDS * rate)
        middle = 0.5 * (found.start_seconds + found.end_seconds)
        known = chained([self._recent, picked(found, middle >= self._given_until)])
        unexplained = receiver.unexplained(self._heard, moved(known, -self._first / rate), self._lock)
        if not unexplained:
            return found
        first, last = unexplained[-1]
        until = self._first + last
        # sound that was looked at in vain may go on for hours; sound that began since may be a tape
        due = self._looked_until + (0 if self._first + first >= self._looked_until else LOOK_SECONDS * rate)
        if until <= max(self._looked_until, self._given_until * rate) or (end < due and not is_last):
            return found
        self._looked_until = until
        lock = receiver.find([receiver.loudest(self._heard[first + int(ONSET_SECONDS * rate) : last])])
        if lock is None:
            return found
        other, lock = receiver.search(self._heard[first:], lock)
        if not len(other):
            return found
        # a leader, one symbol over and over, leaves open where each begins: that alone is no doubt
        if np.ptp(other.index) > 0 and sureness(other).mean() < DOUBTFUL:
            return found
        self._lock = lock
        return moved(other, (self._first + first) / rate)

    def _give_out(self, settled: Symbols, until: float | None) -> Symbols:
        """Join symbols to those given out before; `until` is the end of the recording, if it has come."""
        since = self._given_until
        if len(settled):
            # what was given out stays: the first symbol gives way by the microseconds windows differ by
            start = settled.start_seconds.copy()
            start[0] = max(start[0], since)
            settled = replace(settled, start_seconds=start)
            self._given_until = float(settled.end_seconds[-1])
            self._usual = usual_seconds(settled)
            self._recent = chained([self._recent, settled])
        if self._usual is None:
            return settled
        return with_gaps(settled, since, self._given_until if until is None else until, self._usual)

    def _forget(self, before: int) -> None:
        if before <= self._first:
            return
        # copies: a view would keep what it was cut from
        self._heard = self._heard[before - self._first :].copy()
        self._first = before
        old = self._recent.end_seconds < before / self._receiver.band.rate_hz
        self._recent = picked(self._recent, ~old)
