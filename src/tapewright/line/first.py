"""The first pass over one stretch: searched where need be, followed where every symbol is beyond doubt.

The search keeps many rivals, and takes its time over them. On a good tape there is nothing to choose between
for minutes on end. So a piece is searched, the path goes on from its end symbol by symbol, and where one is
in doubt (a pause, a leader that gives way to data, a dropout) the next piece is searched.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from tapewright.cards import Alphabet
from tapewright.line.clock import typical_of
from tapewright.line.front import Heard, block_powers, level_track
from tapewright.line.scene import (
    Lock,
    Measured,
    informed_scene,
    measure,
    sharpness_limits,
    signal_power,
)
from tapewright.line.search import Path, Scene, chained_paths, find_path, follow_path
from tapewright.line.stretches import FARTHEST
from tapewright.line.templates import BIT, Band, Templates

__all__ = ["first_pass"]

FloatArray = npt.NDArray[np.float64]

#: A piece that is searched is so long at least; twice as long after each that led to nothing.
PIECE_SECONDS, PIECE_SYMBOLS = 0.1, 100
#: So many of the longest symbols before its end the path of a piece has settled; the next piece begins so
#: many before the place of doubt.
SETTLING_SYMBOLS, BACK_SYMBOLS = 10, 40
#: Symbols are followed from a path of so many at least; its pace is that of the last ones.
FEWEST_TO_FOLLOW = 32
#: Symbols are followed where noise leaves them beyond doubt: at this Eb/N0 (a power ratio) or better.
CLEAR_EB_N0 = 16.0
#: A symbol of so little energy against others is silent: that it goes on and on proves nothing.
SILENT_SHARE = 0.2
#: A run of so many equal symbols is moved to be in step with what follows it.
FEWEST_IN_RUN = 8
#: Of a free carrier, runs of so many equal symbols are no data.
LEADER_RUN = 24
#: Two paths on a free carrier are in step if they agree on its phase to so many turns.
SAME_PHASE = 0.1
#: Level is that of the faintest of so many parts in which there is sound: those that have this share of the
#: loudest one's power.
PARTS, SOUND_SHARE = 16, 0.01
#: How loud a whole stretch is is told by levels of so many blocks together, where no burst is shorter.
LOUD_BLOCKS = 8


def first_pass(
    heard: Heard, alphabet: Alphabet, band: Band, lock: Lock, cost: FloatArray, polarity: int, names: int
) -> tuple[Path, Measured | None]:
    """Find the symbols of a stretch, and measure the signal by them.

    Parameters
    ----------
    heard : ndarray of float32
    alphabet : Alphabet
        What is searched for; the first `names` symbols of it are followed.
    band : Band
    lock : Lock
    cost : ndarray of float64
        Nats each symbol costs before it is heard.
    polarity : {0, 1}
        As for `find_path`.
    names : int
    """
    templates = Templates.of(alphabet, band, lock.stretch, lock.low_pass_hz)
    shaped = templates.as_heard(lock.gain, lock.bend)
    shortest, longest = float(templates.length[:names].min()), float(templates.length.max())
    piece = int(max(PIECE_SECONDS * band.rate_hz, PIECE_SYMBOLS * longest))
    at_one, most, clearest = sharpness_limits(alphabet, band, shaped, lock)

    def searched(begin: int, end: int) -> tuple[Path, Scene, FloatArray]:
        scene, amplitude = informed_scene(heard[begin:end], alphabet, band, templates, shaped, lock, cost)
        return find_path(scene, polarity).moved(begin), scene, amplitude

    def anew(begin: int, end: int) -> Path:
        return searched(max(begin, 0) // templates.block * templates.block, end)[0]

    def all_searched() -> tuple[Path, Measured | None]:
        path, scene, amplitude = searched(0, len(heard))
        path = _mended(path, anew, shaped, names)
        return path, measure(path, scene, amplitude, band, lock.misfit)

    if len(heard) < 2 * piece or not _is_clear(heard, shaped, names, lock.noise, at_one, most):
        return all_searched()
    # silence after it, so that symbols are followed up to the very end
    sound_and_silence = np.append(heard, np.zeros(int(2.0 * longest) + 8, np.float32))
    blocks = len(sound_and_silence) // templates.block + 1
    whole = Scene.of(shaped, sound_and_silence, np.ones(blocks), np.ones(blocks), np.zeros(blocks + 1), cost)
    settling, back = SETTLING_SYMBOLS * longest, BACK_SYMBOLS * longest
    path, done = Path.empty(), [Path.empty()]
    first, size = 0, piece
    while True:
        last = first + size if first + 1.5 * size < len(heard) else len(heard)
        found, scene, _ = searched(first, last)
        here = first // templates.block
        whole.scale[here : here + len(scene.scale)] = scene.scale
        is_last = last == len(heard)
        settled = len(heard) if is_last else last - settling
        found = found.part(found.end <= settled)
        path = _joined(path, found, shaped)
        reached = settled
        if shaped.cosine and not _is_even(found, shaped, names):
            return all_searched()
        if is_last:
            break
        size *= 2
        if len(found) >= FEWEST_TO_FOLLOW and found.end[-1] > settled - 2 * longest:
            found = path.part(slice(-len(found), None))  # it may have been moved to be in step
            recent = found.part(slice(-FEWEST_TO_FOLLOW, None))
            pace = float((recent.end - recent.start).sum() / templates.length[recent.symbol].sum())
            level = 1.0 / float(whole.scale[int(found.end[-1] / templates.block)])
            more = follow_path(whole, found, len(heard) + 0.5, pace, level, at_one, most, clearest, names)
            if len(more):
                before, path = _parted(chained_paths([path, more]), float(more.end[-1]) - 2 * back)
                done.append(before)
                if more.end[-1] - more.start[0] > size:
                    size = piece
        reached = path.end[-1] if len(path) else reached
        if len(heard) - reached < 0.9 * shortest:
            break
        first = int(max(reached, settled) - back) // templates.block * templates.block
    path = _mended(chained_paths([*done, path]), anew, shaped, names)
    together = 1 if alphabet.is_sparse else LOUD_BLOCKS
    power = signal_power(level_track(heard, alphabet, band, together * templates.block), templates, lock)
    searched_for = np.sqrt(power / templates.power)
    amplitude = _as_loud(1.0 / whole.scale.astype(np.float64), searched_for, together)
    return path, measure(path, whole, amplitude, band, lock.misfit)


def _parted(path: Path, place: float) -> tuple[Path, Path]:
    """Part a path at a place, but not within a run of equal symbols: that is moved as one (`_in_step`)."""
    k = int(np.searchsorted(path.end, place))
    others = np.flatnonzero(path.symbol[:k] != path.symbol[k])
    k = int(others[-1]) + 1 if len(others) else 0
    return path.part(slice(0, k)), path.part(slice(k, None))


def _as_loud(amplitude: FloatArray, searched: FloatArray, together: int) -> FloatArray:
    """Amplitudes as loud as the search would have them, by block; those `searched` are of so many `together`.

    Where symbols are followed, amplitude and gains make up for one another: nothing there would keep the
    gains from wandering off, window by window, until a piece that is searched did not fit them.
    """
    sounds = searched >= SOUND_SHARE * searched.max()  # an audio editor may have added exact zeros
    followed = amplitude[together // 2 :: together]
    both = min(len(followed), len(searched))
    louder = typical_of((searched[:both] / followed[:both])[sounds[:both]])
    return np.asarray(amplitude * louder)


def _mended(path: Path, search: Callable[[int, int], Path], templates: Templates, names: int) -> Path:
    """Look once more where a run of equal symbols, a leader, was out of step with what follows it.

    A long run may have been begun anywhere, and then it costs less to leave out the first symbols after it,
    or to fill up a part of one, than to move all of it.
    """
    reach = BACK_SYMBOLS * float(templates.length.max())
    fills = path.symbol >= names
    begins = np.flatnonzero(~fills[1:] & (path.is_first[1:] | fills[:-1])) + 1
    for place in path.start[begins].tolist():
        k = int(np.searchsorted(path.start, place))
        end = k
        while end and path.symbol[end - 1] >= names:
            end -= 1
        before = path.part(slice(max(0, end - BACK_SYMBOLS), end))
        if len(before) < FEWEST_IN_RUN or (before.symbol != before.symbol[-1]).any():
            continue
        if before.is_first[1:].any() or not 0 < place - before.end[-1] < reach:
            continue
        found = search(int(before.start[0]), int(place + reach))
        found = found.part(found.end <= place + 0.75 * reach)
        if len(found) > len(before) and not (found.is_first[1:] | (found.symbol[1:] >= names)).any():
            after = path.part(slice(k, None))
            after.is_first[0] = False
            path = _joined(_joined(path.part(slice(0, end)), found, templates), after, templates)
    return path


def _is_clear(
    heard: Heard, templates: Templates, names: int, noise: float, at_one: float, most: float
) -> bool:
    """Whether symbols can be followed: all tell where they end, none is silent, there is little noise."""
    power = templates.energy[:names] / templates.length[:names]
    parts = block_powers(heard, max(1, len(heard) // PARTS))
    faint = (parts[parts >= SOUND_SHARE * parts.max()].min() - noise) / power.mean()
    bit_energy = templates.energy[templates.kind == BIT].mean()
    eb_n0 = 0.5 * bit_energy * min(faint * at_one, most)
    return bool(power.min() > SILENT_SHARE * power.max() and eb_n0 > CLEAR_EB_N0)


def _is_even(path: Path, templates: Templates, names: int) -> bool:
    """Whether symbols follow one another in step, and nothing stands between them; but for leaders, which are
    moved to be in step with what follows, for the first symbols, whose places have yet to settle, and for
    gaps so long that the second pass reads what is on either side by itself.
    """
    far = FARTHEST * float(templates.length.max())
    firsts = np.flatnonzero(path.is_first[1:]) + 1
    if (path.start[firsts] - path.end[firsts - 1] < far).any() or (path.symbol >= names).any():
        return False
    parts = pairwise([0, *firsts, len(path)])
    return all(_is_in_step(path.part(slice(a + SETTLING_SYMBOLS, b)), templates) for a, b in parts)


def _is_in_step(path: Path, templates: Templates) -> bool:
    """Whether symbols are as long as most of them, but for leaders."""
    if not len(path):
        return True
    lengths = (path.end - path.start) / templates.length[path.symbol]
    off = np.abs(lengths - np.median(lengths)) * templates.length[path.symbol]
    run = np.append(0, np.cumsum(path.symbol[1:] != path.symbol[:-1]))
    is_leader = np.bincount(run)[run] >= LEADER_RUN
    return bool(np.all(is_leader | (off < 0.5 * templates.slot)))


def _joined(old: Path, new: Path, templates: Templates) -> Path:
    """Go over from one path to another that overlaps it, where both are in step if they are anywhere."""
    if not len(old) or not len(new):
        return chained_paths([old, new])
    slot = 0.5 * templates.half_wave
    tail = old.part(old.end > new.start[0] - slot)
    k = np.searchsorted(tail.end, new.start)
    for i in range(2, len(new)):
        for j in (int(k[i]) - 1, int(k[i])):
            if 0 <= j < len(tail) and _meet(tail, j, new, i, slot, templates):
                first = new.part(slice(i, None))
                first.is_first[0] = False
                return chained_paths([old.part(slice(0, len(old) - len(tail) + j + 1)), first])
        if new.start[i] > old.end[-1] + slot:
            break
    i = min(2, len(new) - 1)
    new = new.part(slice(i, None))
    old = old.part(slice(0, int(np.argmin(np.abs(old.end - new.start[0]))) + 1))
    old, new = _in_step(old, new, templates)
    new.is_first[0] = abs(old.end[-1] - new.start[0]) > slot
    return chained_paths([old.part(old.end <= new.start[0] + slot), new])


def _in_step(old: Path, new: Path, templates: Templates) -> tuple[Path, Path]:
    """Move the run of equal symbols in which one path ends and the next begins to where it belongs.

    A run does not tell where its symbols begin, nor which they are where one run is another, late: what
    follows it does, or else what came before.
    """
    was, now = int(old.symbol[-1]), int(new.symbol[0])
    other = np.flatnonzero((old.symbol != was) | old.is_first)
    first = int(other[-1]) + (old.symbol[other[-1]] != was) if len(other) else 0
    others = np.flatnonzero(new.symbol != now)
    runs_on = int(others[0]) if len(others) else len(new)
    late = float(new.start[0] - old.end[-1])
    if len(old) - first < FEWEST_IN_RUN or abs(late) > 0.6 * templates.length[was]:
        return old, new
    if now != was and (
        runs_on < FEWEST_IN_RUN or templates.length[now] != templates.length[was] or templates.cosine
    ):
        return old, new
    turns = late * templates.pitch[was]  # by which a free carrier goes on meanwhile
    if runs_on == len(new) and not new.is_first[1:].any():
        sign = old.sign[-1] + np.arange(1, len(new) + 1) * templates.flips[was]
        new = replace(new.moved(-late), phase=new.phase - turns)
        return old, replace(new, symbol=np.full(len(new), was), sign=sign % 2)
    run = old.part(slice(first, None)).moved(late)
    sign = new.sign[0] + np.arange(len(run), 0, -1) * templates.flips[now]
    run = replace(run, symbol=np.full(len(run), now), sign=sign % 2, phase=run.phase + turns)
    run.is_first[0] = True
    return chained_paths([old.part(slice(0, first)), run]), new


def _meet(one: Path, j: int, other: Path, i: int, slot: float, templates: Templates) -> bool:
    """Whether symbol `i` of one path can follow symbol `j` of another."""
    late = float(other.start[i] - one.end[j])
    if abs(late) > slot or other.is_first[i]:
        return False
    if templates.cosine:
        ahead = other.phase[i] - one.phase_after(j, templates) - late * templates.pitch[one.symbol[j]]
        return bool(abs(ahead - np.round(ahead)) < SAME_PHASE)
    return bool(one.sign[j] ^ templates.flips[one.symbol[j]] == other.sign[i])
